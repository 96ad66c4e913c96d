"""Where the wall ends at a window and where the window truly begins, to a tenth of a pixel or so.

A window's border on the wall is two edges: the wall ends where the chamfer begins, and the chamfer ends at
the window's true edge, behind the wall. With the chamfer at 45° and w wide, the true edge lies w inside the
wall's end and w behind the wall, so that it is seen (1 + d)·w inside it, where d is the sight's drift along
the border's outward normal: 0 seen square on, 1 at a roof seen from 45° below, −1 at a floor seen so, where
the true edge goes out of sight behind the wall's end. Thus one width w ties all pairs of edges round a
window together, and the picture itself tells w: both edges are sought together over all w (`wall_search`).

A window that is seen along the bore, from its end, is held to four sides and four corners (`wall_shape`): its
floor is faint there, and what waves along it is soot. One that is seen square on is free, but where such a
shape follows its border nearly as well as the free path does the fit sets out from the shape: a free path
may cut across a corner to some streak in the passage.

The light across the border is then fitted: three levels, wall, chamfer and what lies behind, with the blur
of both edges; at upright sides of a window that is seen along the bore, and less and less round their
corners, there may be shadows behind the true edge, that fade inward, as a passage's own side is lit less near
it. Where the chamfer is out of sight two levels are left. There what a move of the border changes counts only
as far as no change of levels makes it as well: a narrow shadow beside the edge, blurred, may stand for a move
of it, and then tells little.

Of several pictures of one window (`Sighting`) each shows the true edge beside its place, to another side.
They are searched and fitted together, each with its own blur, levels and sight, for one wall's end and one
width: so a wall's end and a true edge behind a chamfer as bright as the wall are not taken for one another.

Points are (column, row) [px]; normals point out of the window, offsets along them are positive outward.

References
----------
The geometry is plain trigonometry on a 45° chamfer; that chamfers of ports are about 45° is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import diags_array
from scipy.sparse.linalg import spsolve
from scipy.special import ndtr

from portmap.picture.edge import (
    MISFIT_GAIN,
    bridged,
    level_misfit,
    outward_normals,
)
from portmap.picture.wall_border import sides_of
from portmap.picture.wall_search import (
    OUT_OF_SIGHT,
    WIDEST_MM,
    SidesSeen,
    Sighting,
    along_bore,
    border_worth,
    edges_apart,
    known_drift,
    mean_drift,
    samples,
    searched,
    shares_at,
    sides_seen,
)
from portmap.picture.wall_shadows import SHADOWS_MM, shadows
from portmap.picture.wall_shape import form_cost, held_to, moves_of, starts_of
from portmap.picture.wall_shape_search import shaped
from portmap.picture.wall_texture import Likeness, ending, wall_around

__all__ = ["WallEdge", "wall_edge"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BEND_SD = 2e-4  # of the third difference of a border along steps of 0.05 mm [steps]
LEAST_REST = 0.02  # of the wall's light: what a fit leaves over at the least
MOST_OFF_PX = 4.0  # that a place of the border wants to move at once, as it counts for scatter
ALIKE_PX = 8.0  # so far along the border the light is alike, so that its points count for fewer
# The fit is done when the chamfer's width, and a border that is held to a shape, move by less in a round.
LEAST_ROUNDS, FIT_ROUNDS, SETTLED_MM, EDGE_SETTLED_MM = 8, 30, 4e-4, 1e-4
# What the fit looks at past the true edge and past the wall's end [mm], some half of it in full, and no less
# than so many blurs. Past the true edge less at a roof and floor seen along the bore: light may rise again
# there; more at upright sides, where the fit knows of that.
REACH_IN, REACH_IN_ALONG, REACH_SHADOWS, REACH_OUT = (0.30, 2.5), (0.12, 2.0), (0.60, 2.5), (0.45, 2.5)
DEEPER_MM = 1.1  # past either edge is all that the fit looks at
# Across the bore of a border's normal, from none to full: round corners shadows fade out, or the border would
# step where they end. How firmly none are held to lie there [per (share of the wall's light)²].
SHADOWED, SHADOW_HOLD = (0.35, 0.85), 0.004
LEAST_STEP = 0.012  # of the wall's light: below it there is no edge to fit
# Over so much of a border what it wants is averaged; more where it is held to a shape, as the mean of many
# ratios leans to one side where the light tells little.
CALM_MM, CALM_ALONG_MM = 0.06, 0.4
SECTORS = 8  # of a border, for how much its chamfer's width varies
TEXTURE_WORTH = 0.5  # of a border with wall outside of it and none inside, in natural logarithms
FREE_WORTH = 0.5  # that a free path may be worth more than a shape's outline, by chance
# Of what is shown of a border that is held to a shape; of less, the shape is not the window's.
LEAST_SEEN = 0.85
WIDTH_SD_MM = 0.06  # by which the chamfers of one bore differ (judgement)
# Of a chamfer's width: so well is a straight one found in the study of rendered bore photos (RESULTS.md,
# first four seeds). An edge broken by hand is no straight cut; how its sectors differ tells how unsure it is.
LEAST_WIDTH_U_MM = 0.01
Shown = Callable[[Floats], Bools]
_ROOT_2PI = float(np.sqrt(2 * np.pi))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallEdge:
    """Both edges of a window's border.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        Where the wall ends.
    normals : ndarray of shape (N, 2)
        Unit normals, outward.
    seen : ndarray of shape (N,) and dtype bool
        False where no edge could be fitted.
    blur_px : float
    contrast : float
        Median difference in light across the border, as a share of the wall's.
    misfit_px : ndarray of shape (N,)
        How far what the fit cannot follow may draw each place.
    chamfer_mm : float
        Width of the chamfer.
    chamfer_u_mm : float
        Its standard uncertainty.
    slope_px : ndarray of shape (N,)
        By how much the wall's end, as fitted, moves outward for each mm of chamfer's width.
    sides : SidesSeen
        How roof, floor, left and right side are seen.
    along_bore : bool
        Whether the window is seen along the bore, from its end.
    """

    points_px: Floats
    normals: Floats
    seen: Bools
    blur_px: float
    contrast: float
    misfit_px: Floats
    chamfer_mm: float
    chamfer_u_mm: float
    slope_px: Floats
    sides: SidesSeen
    along_bore: bool


def wall_edge(
    sightings: Sequence[Sighting],
    rough_px: Floats,
    *,
    mm_per_px: float,
    width_mm: float,
    shown: Shown | None = None,
    like: Callable[[], Likeness | None] | None = None,
) -> WallEdge:
    """Return both edges of a window's border.

    Parameters
    ----------
    sightings : sequence of Sighting
        The wall image; or each photo's own, which show a chamfer each to another side.
    rough_px : ndarray of shape (N, 2)
        Outline within a millimetre of where the wall ends.
    mm_per_px : float
    width_mm : float
        About how wide the chamfer is [mm], as `chamfer_merits` tells; 0 for none.
    shown : callable, optional
        Takes points (N, 2) and returns which of them a photo shows, (N,); all unless given. A border that is
        hidden in part can be held to a shape as well.
    like : callable, optional
        Returns how like wall the places are; asked only of a window that is seen along the bore.

    Returns
    -------
    WallEdge
    """
    free = searched(sightings, rough_px, mm_per_px=mm_per_px, width_mm=width_mm)
    normals = outward_normals(free, 0.2 / mm_per_px)
    aslant = mean_drift(sightings, free, normals)
    if along_bore(aslant, normals):
        told = None if like is None else like()
        held = _held(sightings, free, normals, aslant, told, mm_per_px=mm_per_px, width_mm=width_mm)
        if held is not None:
            found = _fitted(sightings, held, mm_per_px=mm_per_px, width_mm=width_mm)
            fitted = found.seen if shown is None else found.seen[shown(found.points_px)]
            if len(fitted) and float(fitted.mean()) > LEAST_SEEN:
                return found
    else:
        start = _held(sightings, free, normals, aslant, None, mm_per_px=mm_per_px, width_mm=width_mm)
        if start is not None:
            free, normals, _ = start
    return _fitted(sightings, (free, normals, None), mm_per_px=mm_per_px, width_mm=width_mm)


def _fitted(
    sightings: Sequence[Sighting],
    outline: tuple[Floats, Floats, Floats | None],
    *,
    mm_per_px: float,
    width_mm: float,
) -> WallEdge:
    """Return both edges, fitted from an outline with its normals, and its moves if it is held to them."""
    unit = 1.0 / mm_per_px
    ring, normals, _ = outline
    far = along_bore(mean_drift(sightings, ring, normals), normals)
    shares = shares_at(sightings, ring)
    seen_by = [
        _across(one, share, outline, unit, width_mm, far=far)
        for one, share in zip(sightings, shares, strict=True)
    ]
    fit = _Fit(offset=np.zeros(len(ring)), width=width_mm, usual=width_mm, blur=np.full(len(seen_by), 1.6))
    for turn in range(FIT_ROUNDS):
        before, width = fit.offset, fit.width
        _improve(fit, seen_by, unit, outline, free=turn >= 3)
        settled = abs(fit.width - width) < SETTLED_MM
        # a free path is left where it is when the width has settled: further on it follows what waves inside
        settled &= not far or float(np.abs(fit.offset - before).mean()) < EDGE_SETTLED_MM * unit
        if turn >= LEAST_ROUNDS and settled:
            break
    stretch = np.sum([each.share * each.stretch for each in seen_by], axis=0)
    spread = np.sum(
        [each.share * blur * each.spread for each, blur in zip(seen_by, fit.blur, strict=True)], axis=0
    )
    sectors = _sector_widths(fit, stretch, unit)
    width_u = max(
        LEAST_WIDTH_U_MM, float(np.std(sectors)) / np.sqrt(max(len(sectors), 1)) if len(sectors) else 0.1
    )
    other = _Fit(offset=fit.offset.copy(), width=fit.width + width_u, usual=width_mm, blur=fit.blur.copy())
    for _ in range(5):
        _improve(other, seen_by, unit, outline, free=False)
    seen = fit.step > LEAST_STEP
    seen &= (np.abs(fit.offset) < 0.6 * unit) & (fit.rms < 0.35)
    offset = bridged(fit.offset, seen)
    slope = np.where(seen, np.clip((other.offset - fit.offset) / width_u, -2.0 * unit, 2.0 * unit), 0.0)
    points = ring + offset[:, None] * normals
    return WallEdge(
        points_px=points,
        normals=normals,
        seen=seen,
        blur_px=float(np.median(spread)),
        contrast=float(np.median(fit.step)),
        misfit_px=np.hypot(MISFIT_GAIN * spread * _misfit(fit, unit), np.sqrt(fit.scatter)),
        chamfer_mm=fit.width,
        chamfer_u_mm=width_u,
        slope_px=gaussian_filter1d(slope, 0.5 * unit, mode="wrap"),
        sides=sides_seen(sightings, points, mm_per_px=mm_per_px, width_mm=fit.width),
        along_bore=far,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Across:
    """What one picture shows across a border, place by place.

    `profile` is the light `across` it, a share of the wall's. `stretch` is how far apart both edges are seen
    for each mm of chamfer; `spread` by how much a photo's blur is wider across the border than where the wall
    is seen square on; `share` by how much the picture tells there, 1 in all. `far` is whether the window is
    seen along the bore; `shadowed` is by how much shadows may lie behind the true edge, 0 to 1.
    """

    profile: Floats
    across: Floats
    stretch: Floats
    spread: Floats
    share: Floats
    far: bool
    shadowed: Floats


def _across(
    sighting: Sighting,
    share: Floats,
    outline: tuple[Floats, Floats, Floats | None],
    unit: float,
    width_mm: float,
    *,
    far: bool,
) -> _Across:
    ring, normals, _ = outline
    aslant = known_drift(sighting.drift(ring, normals))
    stretch = edges_apart(aslant, normals, sighting.away_mm(ring), width_mm, sighting.radius_mm)
    across = samples(unit)
    # only where the picture tells anything
    deepest = float(stretch[share > 0].max(initial=1.0)) * min(width_mm + 0.2, WIDEST_MM) + DEEPER_MM
    across = across[(across > -deepest * unit) & (across < DEEPER_MM * unit)]
    profile = sighting.across(ring, normals, across)
    wall = gaussian_filter1d(np.median(profile[:, across > 0.45 * unit], axis=1), 0.6 * unit, mode="wrap")
    profile = profile / np.maximum(wall, 1e-3)[:, None]
    return _Across(
        profile=gaussian_filter1d(profile, 0.08 * unit, axis=0, mode="wrap"),
        across=across,
        stretch=stretch,
        # nearly square on blur is alike all round
        spread=np.hypot(1.0, aslant) if far else np.ones(len(ring)),
        share=share,
        far=far,
        shadowed=np.clip((np.abs(normals[:, 0]) - SHADOWED[0]) / (SHADOWED[1] - SHADOWED[0]), 0.0, 1.0) * far,
    )


def _held(
    sightings: Sequence[Sighting],
    free: Floats,
    normals: Floats,
    aslant: Floats,
    like: Likeness | None,
    *,
    mm_per_px: float,
    width_mm: float,
) -> tuple[Floats, Floats, Floats] | None:
    """Return the outline as four sides and corners, its normals and its moves, from a free path.

    None for a window that no four sides and corners follow as well as the free path does.
    """

    def worth(points: Floats, out: Floats) -> float:
        edges = border_worth(sightings, points, mm_per_px=mm_per_px, width_mm=width_mm)
        if like is None:
            return edges
        # beside a chamfer that is in sight there is neither wall nor passage
        behind = 1.0 + mean_drift(sightings, points, out) < OUT_OF_SIGHT
        return edges + TEXTURE_WORTH * float((wall_around(like, points, out) * behind).mean())

    sides = sides_of(normals)
    stretch = np.maximum(1.0 + aslant, 0.0)
    further = []
    for k in (0, 1):
        far = float(np.median(stretch[sides[k]])) if sides[k].any() else 0.0
        if far > OUT_OF_SIGHT:
            further.append((k, width_mm / mm_per_px * far))
        elif like is not None and sides[k].any():
            further.append((k, ending(like, free, normals, sides[k]) / mm_per_px))
    best, most = None, worth(free, normals) - FREE_WORTH
    for shape, outline in shaped(sightings, starts_of(free, further), mm_per_px=mm_per_px, width_mm=width_mm):
        own = worth(outline.points_px, outline.normals) - form_cost(shape, mm_per_px)
        if own > most:
            best, most = (shape, outline), own
    if best is None:
        return None
    shape, outline = best
    return outline.points_px, outline.normals, moves_of(shape, outline)


def _bent(
    ring: Floats, normals: Floats, wanted: Floats, weight: Floats, so_far: Floats, unit: float
) -> Floats:
    """Return offsets near the wanted ones, by weight, that make the ring bend evenly.

    The third difference of a ring is none along straight lines and along arcs. It is held small, as the
    inverse of its variance says, and less where the ring so far turns from one into the other.
    """
    count = len(ring)
    third = diags_array(
        [np.full(count, v) for v in (-1.0, 3.0, -3.0, 1.0)],
        offsets=[-1, 0, 1, 2],
        shape=(count, count),
    ).tolil()
    third[0, count - 1], third[count - 1, 0] = -1.0, -3.0
    third[count - 1, 1], third[count - 2, 0] = 1.0, 1.0
    third = third.tocsr()
    calm = gaussian_filter1d(ring + so_far[:, None] * normals, 0.3 * unit, axis=0, mode="wrap")
    # a third difference goes with the cube of a step: as for steps of 0.05 mm
    usual = BEND_SD * (0.05 * unit) ** -2
    turning = np.hypot(*(third @ calm).T) / usual
    held = diags_array(1.0 / (usual**2 * (1.0 + gaussian_filter1d(turning**2, 0.15 * unit, mode="wrap"))))
    matrix, right = diags_array(weight), weight * wanted
    for axis in (0, 1):
        own = third @ diags_array(normals[:, axis])
        matrix = matrix + own.T @ held @ own
        right = right - own.T @ (held @ (third @ ring[:, axis]))
    return np.asarray(spsolve(matrix.tocsc(), right), np.float64)


@dataclass(slots=True, eq=False)
class _Fit:
    """The fit as it goes: `offset` of the wall's end [px], `width` of the chamfer [mm], `blur` [px].

    `usual` is the width of the bore's chamfers; the blur, one a picture, that of a border seen square on.
    """

    offset: Floats
    width: float
    usual: float
    blur: Floats
    step: Floats = None  # type: ignore[assignment]
    rms: Floats = None  # type: ignore[assignment]
    left: list[tuple[Floats, Floats, Floats]] = None  # type: ignore[assignment]
    scatter: Floats = None  # type: ignore[assignment]
    pull: Floats = None  # type: ignore[assignment]
    hold: Floats = None  # type: ignore[assignment]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Told:
    """What one picture tells of a border, place by place, in a round of the fit.

    `move` is how far the border wants to go there [px], with its `scatter`, and `sure` the light's steepness
    that it rests on, squared; `pull` and `hold` are of the chamfer's width, `blur` is by how much the
    picture's should change. `step` is the light's across the border; `squares` the mean of what is left over,
    squared, `left` what is left as a share of the step, with its weight.
    """

    move: Floats
    scatter: Floats
    sure: Floats
    pull: Floats
    hold: Floats
    blur: float
    step: Floats
    squares: Floats
    left: tuple[Floats, Floats]


def _told(fit: _Fit, seen: _Across, blur: float, unit: float) -> _Told:
    """Return what a picture tells by its levels: wall, chamfer, what lies behind, and shadows beside it."""
    profile, across, stretch, spread = seen.profile, seen.across, seen.stretch, seen.spread[:, None]
    apart = (fit.width * stretch * unit)[:, None]
    blurs = blur * spread
    outer = (across[None, :] - fit.offset[:, None]) / blurs
    inner = outer + apart / blurs
    up, down = ndtr(outer), ndtr(inner)
    reach_in, reach_along, reach_shadows, reach_out = (
        np.maximum(least * unit, many * blurs)
        for least, many in (REACH_IN, REACH_IN_ALONG, REACH_SHADOWS, REACH_OUT)
    )
    if seen.far:
        reach_in = reach_along + seen.shadowed[:, None] * (reach_shadows - reach_along)
    near = np.exp(-0.5 * np.maximum(0.0, -inner * blurs - 0.5 * reach_in) ** 2 / (0.3 * reach_in) ** 2)
    near *= np.exp(-0.5 * np.maximum(0.0, outer * blurs - 0.6 * reach_out) ** 2 / (0.3 * reach_out) ** 2)
    gone = 1.0 - down
    sides = np.flatnonzero(seen.shadowed > 0)
    lying = np.zeros((3, len(SHADOWS_MM) if len(sides) else 0, *inner.shape))
    if len(sides):
        lying[:, :, sides] = shadows(inner[sides], blurs[sides] / unit)
    shadow, by_edge, by_spread = lying
    basis = np.stack([up, down - up, gone, *shadow])
    weighed = basis * near
    normal = np.empty((len(profile), len(basis), len(basis)))
    for i in range(len(basis)):
        for j in range(i, len(basis)):
            normal[:, i, j] = normal[:, j, i] = np.einsum("ns,ns->n", weighed[i], basis[j])
    hold = np.full((len(profile), len(basis)), 0.02)
    hold[:, 3:] = SHADOW_HOLD / np.maximum(seen.shadowed, 1e-2)[:, None] ** 2
    normal[:, range(len(basis)), range(len(basis))] += hold
    # an unseen chamfer's level is held half way: ridge toward the mean of what is there
    start = np.einsum("ns,ns->n", near, profile) / np.maximum(near.sum(axis=1), 1e-9)
    target = np.stack([np.einsum("ns,ns->n", each, profile) for each in weighed], axis=1)
    target[:, :3] += 0.02 * start[:, None]
    level = np.linalg.solve(normal, target[:, :, None])[:, :, 0]
    level = gaussian_filter1d(level, 0.25 * unit, axis=0, mode="wrap")
    residual = profile - sum(part * own[:, None] for part, own in zip(basis, level.T, strict=True))
    bell_out = np.exp(-0.5 * outer**2) / (_ROOT_2PI * blurs)
    bell_in = np.exp(-0.5 * inner**2) / (_ROOT_2PI * blurs)
    first, second = (level[:, 0] - level[:, 1])[:, None], (level[:, 1] - level[:, 2])[:, None]
    depth = level[:, 3:].T[:, :, None]  # of each shadow
    steep = np.sum(depth * by_edge, axis=0) / unit
    weight = near / np.maximum(1.0, np.abs(residual) / 0.2)
    by_offset = steep - (first * bell_out + second * bell_in)
    gain = np.sum(weight * by_offset**2, axis=1)
    own, heeded = by_offset, gain
    if seen.far:  # only so far as no change of levels makes it as well
        shared = np.stack([np.einsum("ns,ns->n", each, by_offset) for each in weighed], axis=1)
        shared = np.linalg.solve(normal, shared[:, :, None])[:, :, 0]
        own = by_offset - sum(part * each[:, None] for part, each in zip(basis, shared.T, strict=True))
        heeded = np.sum(weight * own**2, axis=1)
    pull = np.sum(weight * own * residual, axis=1)
    calm = (CALM_ALONG_MM if seen.far else CALM_MM) * unit
    sure = gaussian_filter1d(heeded, calm, mode="wrap")
    move = gaussian_filter1d(pull, calm, mode="wrap") / np.maximum(sure, 1e-6)
    off = np.clip(move, -MOST_OFF_PX, MOST_OFF_PX)
    off = (off - gaussian_filter1d(off, 0.4 * unit, mode="wrap")) ** 2
    squares = np.sum(weight * residual**2, axis=1) / np.maximum(np.sum(weight, axis=1), 1e-9)
    # width and blur go where they lead more slowly, as they do not heed the levels: else they swing
    by_width = (second * bell_in - steep) * (stretch * unit)[:, None]
    by_width = (
        by_width
        - (np.sum(weight * by_width * by_offset, axis=1) / np.maximum(gain, 1e-6))[:, None] * by_offset
    )
    rounder = np.sum(depth * by_spread, axis=0) / unit
    by_blur = (rounder - first * outer * bell_out - second * inner * bell_in) * spread
    told = (weight * seen.share[:, None]) * by_blur
    step = np.maximum(np.abs(level[:, 0] - level[:, 1]), np.abs(level[:, 0] - level[:, 2]))
    return _Told(
        move=move,
        scatter=gaussian_filter1d(off, 0.6 * unit, mode="wrap"),
        sure=sure,
        pull=np.sum(weight * by_width * residual, axis=1),
        hold=np.sum(weight * by_width**2, axis=1),
        blur=float(np.sum(told * residual)) / max(float(np.sum(told * by_blur)), 1e-9),
        step=step,
        squares=squares,
        left=(residual / np.maximum(step, 0.05)[:, None], weight),
    )


def _improve(
    fit: _Fit,
    seen_by: Sequence[_Across],
    unit: float,
    outline: tuple[Floats, Floats, Floats | None],
    *,
    free: bool,
) -> None:
    """Make one round of the fit to all pictures; width and blur move only if `free`."""
    each = [_told(fit, seen, float(blur), unit) for seen, blur in zip(seen_by, fit.blur, strict=True)]
    share = np.stack([seen.share for seen in seen_by])
    rest = [one.squares + LEAST_REST**2 for one in each]
    off = [one.scatter + own / np.maximum(one.sure, 1e-6) for one, own in zip(each, rest, strict=True)]
    weight = share / (np.stack(off) * ALIKE_PX)
    # the inverse of the variance [1/px²]; pictures share the wall's texture: two are not surer than one
    told = np.maximum(weight.sum(axis=0), 1e-12)

    def mean(values: list[Floats]) -> Floats:
        return np.asarray((weight * np.stack(values)).sum(axis=0) / told, np.float64)

    wanted = fit.offset + mean([np.clip(one.move, -0.8, 0.8) for one in each])
    fit.scatter = mean([one.scatter for one in each])
    ring, normals, moves = outline
    if moves is None:
        bent = _bent(ring, normals, wanted, told, fit.offset, unit)
        fit.offset = (told * wanted + bent) / (told + 1.0)
    else:
        fit.offset = held_to(moves, wanted, told, unit)
    fit.pull = np.sum([part * one.pull for part, one in zip(share, each, strict=True)], axis=0)
    fit.hold = np.sum([part * one.hold for part, one in zip(share, each, strict=True)], axis=0)
    if free:
        moved = np.clip([one.blur for one in each], -0.3, 0.3)
        fit.blur = np.clip(fit.blur + moved, 0.6, 10.0)
        if fit.width > 0.0:
            # as alike as windows of one bore are chamfered, against what the light tells
            usual = float(np.median(mean(rest))) * ALIKE_PX / WIDTH_SD_MM**2
            change = float(fit.pull.sum()) + usual * (fit.usual - fit.width)
            change /= float(fit.hold.sum()) + usual
            fit.width = float(np.clip(fit.width + np.clip(change, -0.03, 0.03), 0.0, WIDEST_MM))
    fit.step = mean([one.step for one in each])
    fit.rms = np.sqrt(mean([one.squares for one in each]))
    fit.left = [(*one.left, own) for one, own in zip(each, weight / told, strict=True)]


def _misfit(fit: _Fit, unit: float) -> Floats:
    """Return what the fit left over and does not average out, a share of the light's step."""
    squares = [own * level_misfit(left, weight, 0.5 * unit) ** 2 for left, weight, own in fit.left]
    return np.asarray(np.sqrt(np.sum(squares, axis=0)), np.float64)


def _sector_widths(fit: _Fit, stretch: Floats, unit: float) -> Floats:
    """Return the chamfer's width as each sector of the border that shows it would have it [mm]."""
    found = []
    parts = zip(*(np.array_split(each, SECTORS) for each in (fit.pull, fit.hold, stretch)), strict=True)
    most = float(fit.hold.sum()) / SECTORS
    for pull, hold, seen in parts:
        if hold.sum() > 0.1 * most and float(np.mean(seen)) * fit.width * unit > 1.5:
            found.append(fit.width + float(np.clip(pull.sum() / hold.sum(), -0.2, 0.2)))
    return np.array(found)
