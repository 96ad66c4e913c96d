"""Where the light is steep at a window's border on a bore wall: both edges of the chamfer, sought together.

A window's border is two edges (see `wall_edge`): for each width of the chamfer that is tried, a place across
the border is worth what both edges that go with it are worth. The border is the closed path of most worth,
from coarse to fine; what other path is nearly worth as much tells how unsure a side is.

Points are (column, row) [px]; normals point out of the window, offsets along them are positive outward.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from portmap.picture.edge import SAMPLE_PX, evenly_spaced, light_across, outward_normals
from portmap.picture.wall_border import SIDE_LEVEL, best_sum, closed_path, sides_of

__all__ = [
    "OUT_OF_SIGHT",
    "WIDEST_MM",
    "WIDTHS_MM",
    "Drift",
    "SidesSeen",
    "Sighting",
    "WorthAcross",
    "along_bore",
    "border_worth",
    "chamfer_merits",
    "edges_apart",
    "known_drift",
    "mean_drift",
    "samples",
    "searched",
    "shares_at",
    "sides_seen",
    "worth_across",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WIDEST_MM = 0.8  # a chamfer; wider ones are a shape of their own
WIDTHS_MM = np.arange(0.0, WIDEST_MM + 1e-9, 0.02)  # that are tried
INSIDE_MM, OUTSIDE_MM = 3.6, 2.0  # how far the light is looked at across the border
MOVE_COST = 1.0  # of a step across the border, as much merit as a fair edge has over 0.2 mm along it
# Outside the wall's end is bare wall: an edge so far out, over so much of the border, costs a share of its
# merit.
BARE_MM, BARE_MM_ALONG_BORE, BARE_ALONG_MM, BARE_COST = (0.3, 1.2), (0.15, 1.2), 1.0, 0.5
# Edges as sharp as the image has them: light is smoothed over so many samples, the steepest of so many is an
# edge, and two so far apart [px] are told apart.
SOFT_SAMPLES, STEEPEST_OF, PARTED_PX = 1.2, 5, 2.4
# The wall's end is where light leaves the wall's own level and does not come back. Each sample further in
# that is like the wall speaks for it, by the logarithm of how much likelier it is so than as anything else of
# `ELSE_SD` about it (a share of the wall's light), over so many samples and points that are alike.
LIKE_ALONG_MM, LEVEL_MM, SPREAD_MM = 1.0, (0.3, 1.5), (0.5, 1.9)
ELSE_SD, LEAST_LIKE_SD, UNLIKE_MOST, ALIKE = 0.4, 0.012, 4.0, 20.0
# On upright borders, and where the chamfer is out of sight behind a floor or roof; elsewhere up and down the
# bore light falls off.
LIKE_WORTH = (1.2, 0.4)
UNLIKE_WORTH = 0.2  # of what is unlike wall outside of a border that is seen square on
ALONG_BORE = 1.2  # of the drift at roof and floor: 50° aslant
STRIDE = 4  # points a step of the search along the border
MERIT_PEAK = 0.333  # of a bell of 1.2 samples
# The true edge is worth more: where only one edge is seen though the chamfer is in sight, it is that one, as
# a chamfer is bright metal like the wall and a passage is not.
INNER_WORTH = 1.5
OUT_OF_SIGHT = 0.4  # of a chamfer's width: less is in sight
PAIR_COST = 0.3  # what chance makes of a second edge
WIDTH_COST = 0.15  # a mm and point: without a second edge in sight there is no chamfer
# What else might be an edge, beside the one that was taken: side by side of a window, each place across the
# border is as likely as the exponential of its mean merit over `RIVAL_MERIT`. Found in the study of rendered
# bore photos (RESULTS.md).
RIVAL_MERIT, RIVAL_MERIT_ALONG_BORE, RIVAL_NEAR_MM, RIVAL_REACH_MM = 0.12, 0.06, 0.06, 0.8
NEAR_MM = 0.05  # off a border, within which each of its places counts by the most it is worth

Drift = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sighting:
    """A picture of the wall, and how it was seen.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    corner_px : ndarray of shape (2,)
        Column and row of its first pixel.
    drift : callable
        Takes points and normals (both (N, 2), [px]) and returns the drift along the normals, (N,), each mm
        outward; NaN where it is not known, which counts as square on.
    away_mm : callable
        Takes points (N, 2) and returns how far the camera is from the wall there, square on, (N,).
    counts : callable
        Takes points (N, 2) and returns by how much it tells there, against other pictures, (N,); 0 where it
        shows nothing.
    radius_mm : float
        Of the bore.
    """

    light: NDArray[np.float32]
    corner_px: Floats = field(default_factory=lambda: np.zeros(2))
    drift: Drift
    away_mm: Callable[[Floats], Floats]
    counts: Callable[[Floats], Floats]
    radius_mm: float

    def across(self, ring_px: Floats, normals: Floats, offsets_px: Floats) -> Floats:
        """Return the light along the normals of a ring, as `portmap.picture.edge.light_across` does."""
        return light_across(self.light, ring_px - self.corner_px, normals, offsets_px)


def edges_apart(drift: Floats, normals: Floats, away_mm: Floats, width_mm: float, radius_mm: float) -> Floats:
    """Return how far apart both edges of a chamfer are seen, for each mm of its width.

    Parameters
    ----------
    drift : ndarray of shape (N,)
        Along the normals where the wall ends, each mm outward.
    normals : ndarray of shape (N, 2)
        Out of the window.
    away_mm : ndarray of shape (N,)
        How far the camera is from the wall, square on.
    width_mm : float
    radius_mm : float
        Of the bore.

    Returns
    -------
    ndarray of shape (N,)
        0 where the true edge is out of sight.

    Notes
    -----
    On the developed wall the true edge is w inside the wall's end, and w behind it. Up and down the bore a
    sight line from a camera D away goes beside it by (1 + d) w · D / (D + w), with d the drift. Round the
    bore the true edge is w (1 + w / R) aside and w (1 − w / 2R) behind the plane that touches the wall's
    end, and the sight line meets the wall where it has come x² / 2R nearer than that plane. Terms of third
    order in w / R are left out.

    Examples
    --------
    >>> up, right = np.array([[0.0, -1.0]]), np.array([[1.0, 0.0]])
    >>> edges_apart(np.array([1.0]), up, np.array([20.0]), 0.5, 20.0).round(3)  # (1 + d) D / (D + w)
    array([1.951])
    >>> edges_apart(np.array([0.0]), right, np.array([20.0]), 0.5, 20.0).round(3)  # from the axis
    array([1.])
    """
    away, bend = np.maximum(away_mm, 1e-3), width_mm / radius_mm
    level = (1.0 + drift) / (1.0 + width_mm / away)
    upright = (1.0 + bend + (1.0 - bend / 2) * drift) / (1.0 + (1.0 - bend / 2) * width_mm / away)
    upright += drift * bend / 2 * upright**2
    by_side = normals**2
    return np.maximum(by_side[:, 0] * upright + by_side[:, 1] * level, 0.0)


def shares_at(sightings: Sequence[Sighting], points_px: Floats) -> list[Floats]:
    """Return by how much each picture tells at some places, 1 in all.

    Parameters
    ----------
    sightings : sequence of Sighting
    points_px : ndarray of shape (N, 2)

    Returns
    -------
    list of ndarray of shape (N,)
    """
    if len(sightings) == 1:
        return [np.ones(len(points_px))]
    counts = np.stack([each.counts(points_px) for each in sightings])
    total = counts.sum(axis=0)
    return list(np.where(total > 0, counts / np.where(total > 0, total, 1.0), 1.0 / len(sightings)))


def mean_drift(sightings: Sequence[Sighting], points_px: Floats, normals: Floats) -> Floats:
    """Return the drift along the normals in the mean of the pictures, 0 where it is not known.

    Parameters
    ----------
    sightings : sequence of Sighting
    points_px, normals : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N,)
    """
    shares = shares_at(sightings, points_px)
    each = [known_drift(one.drift(points_px, normals)) for one in sightings]
    return np.asarray(sum(share * own for share, own in zip(shares, each, strict=True)), np.float64)


@dataclass(frozen=True, slots=True)
class _Scale:
    """How finely a border is sought.

    Light is averaged along the border over each of `along_mm`, merits over `together_mm` (standard
    deviations); `inward_mm`, `outward_mm` is how far off the border so far it is looked for.
    """

    along_mm: tuple[float, ...]
    together_mm: float
    inward_mm: float
    outward_mm: float
    samples: int = 2  # of a step across the border


# from coarse to fine: a faint edge shows only over a length of border
FINEST = _Scale((0.2,), 0.0, 1.1, 1.1, samples=1)
SCALES = (
    _Scale((0.2, 0.8), 0.8, 1.6, 1.0),
    _Scale((0.2, 0.8), 0.4, 0.6, 0.6),
    _Scale((0.2,), 0.2, 0.5, 0.5),
)


def chamfer_merits(sightings: Sequence[Sighting], rough_px: Floats, *, mm_per_px: float) -> Floats:
    """Return how well each of `WIDTHS_MM` as the chamfer's width agrees with what is seen round a window.

    Parameters
    ----------
    sightings : sequence of Sighting
    rough_px : ndarray of shape (N, 2)
        Outline within a millimetre of where the wall ends.
    mm_per_px : float
        Size of a pixel [mm].

    Returns
    -------
    ndarray of shape (len(WIDTHS_MM),)
        Sums over the border; those of several windows may be added.
    """
    unit = 1.0 / mm_per_px
    search = _search(sightings, rough_px, unit)
    both = np.stack([_mean_merits(search, float(width), unit) for width in WIDTHS_MM], axis=1)
    return np.asarray(best_sum(both, jump=3) - WIDTH_COST * len(both) * WIDTHS_MM, np.float64)


def searched(sightings: Sequence[Sighting], rough_px: Floats, *, mm_per_px: float, width_mm: float) -> Floats:
    """Return where the wall ends: the path steepest at both edges together, with bare wall outside.

    Parameters
    ----------
    sightings : sequence of Sighting
    rough_px : ndarray of shape (N, 2)
        Outline within a millimetre or so of it.
    mm_per_px : float
        Size of a pixel [mm].
    width_mm : float
        About how wide the chamfer is [mm].

    Returns
    -------
    ndarray of shape (N, 2)
        A place a pixel of its length.
    """
    ring = rough_px
    for scale in SCALES:
        ring = _drawn(sightings, ring, 1.0 / mm_per_px, width_mm, scale)
    return evenly_spaced(ring, 1.0)


def _drawn(sightings: Sequence[Sighting], rough: Floats, unit: float, width: float, scale: _Scale) -> Floats:
    """Return the best path beside a rough outline, at one scale."""
    search = _search(sightings, rough, unit, scale)
    reward = _worth(search, width, unit)
    path = closed_path(reward, jump=2, cost=MOVE_COST)
    offset = search.offsets[path]
    at = np.append(np.arange(len(offset)) * STRIDE, len(search.ring))
    fine = np.interp(np.arange(len(search.ring)), at, np.append(offset, offset[0]))
    fine = gaussian_filter1d(fine, 0.3 * unit, mode="wrap")
    return np.asarray(search.ring + fine[:, None] * search.normals)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SidesSeen:
    """How roof, floor, left and right side of a border are seen.

    Parameters
    ----------
    rival_px : ndarray of shape (4,)
        Standard uncertainties by other edges beside each.
    worth : ndarray of shape (4,)
        What each is worth, the mean over it; NaN of a side that the border has not.
    """

    rival_px: Floats
    worth: Floats


def sides_seen(
    sightings: Sequence[Sighting], ring_px: Floats, *, mm_per_px: float, width_mm: float
) -> SidesSeen:
    """Return how each side of a border is seen: what it is worth, and what else beside it might be the edge.

    Parameters
    ----------
    sightings : sequence of Sighting
    ring_px : ndarray of shape (N, 2)
        Where the wall ends, as it was taken.
    mm_per_px : float
        Size of a pixel [mm].
    width_mm : float
        Of the chamfer [mm].

    Returns
    -------
    SidesSeen
    """
    unit = 1.0 / mm_per_px
    search = _search(sightings, ring_px, unit)
    edges = _edges_worth(search, width_mm, unit)
    worth = _near_worth(_walled(search, edges, width_mm, unit), search.offsets, unit)
    merit = maximum_filter1d(edges, max(1, round(RIVAL_NEAR_MM * unit / SAMPLE_PX)), axis=1)
    reach = np.abs(search.offsets) < RIVAL_REACH_MM * unit
    merit, offsets = merit[:, reach], search.offsets[reach]
    other = np.abs(offsets) > RIVAL_NEAR_MM * unit
    likely = RIVAL_MERIT_ALONG_BORE if search.along_bore else RIVAL_MERIT
    rival, own = np.zeros(4), np.full(4, np.nan)
    for k, side in enumerate(sides_of(search.normals[::STRIDE])):
        if side.any():
            mean = merit[side].mean(axis=0)
            chance = np.exp((mean - mean.max()) / likely)
            rival[k] = np.sqrt(np.sum((chance / chance.sum() * offsets**2)[other]))
            own[k] = worth[side].mean()
    return SidesSeen(rival_px=rival, worth=own)


def _near_worth(worth: Floats, offsets: Floats, unit: float) -> Floats:
    """Return what each place of a border is worth: the most that is near it."""
    return np.asarray(worth[:, np.abs(offsets) < NEAR_MM * unit].max(axis=1), np.float64)


def known_drift(drift: Floats) -> Floats:
    """Return a drift with 0, square on, where it is not known.

    Parameters
    ----------
    drift : ndarray of any shape

    Returns
    -------
    ndarray of the same shape

    Examples
    --------
    >>> known_drift(np.array([0.5, np.nan]))
    array([0.5, 0. ])
    """
    return np.where(np.isfinite(drift), drift, 0.0)


def along_bore(aslant: Floats, normals: Floats) -> bool:
    """Return whether a window is seen along the bore, from its end, so that its floor or roof is faint.

    Parameters
    ----------
    aslant : ndarray of shape (N,)
        The drift round its border.
    normals : ndarray of shape (N, 2)

    Returns
    -------
    bool

    Examples
    --------
    >>> along_bore(np.array([2.5, -2.4, 0.1]), np.array([[0.0, -1.0], [0.0, 1.0], [1.0, 0.0]]))
    True
    """
    level = np.abs(normals[:, 1]) > SIDE_LEVEL
    return bool(level.any() and float(np.median(np.abs(aslant[level]))) > ALONG_BORE)


def samples(unit: float) -> Floats:
    """Return how far across a border the light is looked at [px], negative inward.

    Parameters
    ----------
    unit : float
        Pixels in a millimetre.

    Returns
    -------
    ndarray of shape (S,)
        Every `SAMPLE_PX`.
    """
    low, high = np.ceil(INSIDE_MM * unit / SAMPLE_PX), np.ceil(OUTSIDE_MM * unit / SAMPLE_PX)
    return np.asarray(np.arange(-low, high + 1) * SAMPLE_PX, np.float64)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WorthAcross:
    """What a border is worth at each offset from an outline.

    Parameters
    ----------
    ring_px : ndarray of shape (N, 2)
        The outline, a place every `STRIDE` px.
    normals : ndarray of shape (N, 2)
    offsets_px : ndarray of shape (W,)
    worth : ndarray of shape (N, W)
    """

    ring_px: Floats
    normals: Floats
    offsets_px: Floats
    worth: Floats


def worth_across(
    sightings: Sequence[Sighting], ring_px: Floats, *, mm_per_px: float, width_mm: float
) -> WorthAcross:
    """Return what a border is worth at each offset from an outline: both edges, with bare wall outside.

    Parameters
    ----------
    sightings : sequence of Sighting
    ring_px : ndarray of shape (N, 2)
        About where the wall ends.
    mm_per_px : float
        Size of a pixel [mm].
    width_mm : float
        Of the chamfer [mm].

    Returns
    -------
    WorthAcross
    """
    search = _search(sightings, ring_px, 1.0 / mm_per_px)
    worth = _worth(search, width_mm, 1.0 / mm_per_px)
    return WorthAcross(
        ring_px=search.ring[::STRIDE],
        normals=search.normals[::STRIDE],
        offsets_px=search.offsets,
        worth=worth,
    )


def border_worth(
    sightings: Sequence[Sighting], points_px: Floats, *, mm_per_px: float, width_mm: float
) -> float:
    """Return what a border is worth where it lies, the mean over it.

    Parameters
    ----------
    sightings, points_px, mm_per_px, width_mm
        As `worth_across` takes them; the points are its outline.

    Returns
    -------
    float
        Each place counts by the most that is within `NEAR_MM` of it.
    """
    seen = worth_across(sightings, points_px, mm_per_px=mm_per_px, width_mm=width_mm)
    return float(_near_worth(seen.worth, seen.offsets_px, 1.0 / mm_per_px).mean())


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What one picture shows across a rough outline."""

    merit: Floats  # (N / STRIDE, S) at every sample across
    profile: Floats  # (N, S) light at every sample across
    drift: Floats  # (N / STRIDE,)
    away_mm: Floats  # (N / STRIDE,)
    normals: Floats  # (N / STRIDE, 2)
    radius_mm: float
    share: Floats  # (N / STRIDE, 1)

    def stretch(self, width_mm: float) -> Floats:
        """How far apart both edges are seen, for each mm of a chamfer's width."""
        return edges_apart(self.drift, self.normals, self.away_mm, width_mm, self.radius_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Where the light is steep round a rough outline."""

    ring: Floats
    normals: Floats
    offsets: Floats  # (W,) [px]
    across: Floats  # (S,) [px]
    along_bore: bool
    span: NDArray[np.intp]  # (W,) of the samples that are the offsets
    seen: list[_Seen]


def _search(sightings: Sequence[Sighting], rough: Floats, unit: float, scale: _Scale = FINEST) -> _Search:
    ring = evenly_spaced(rough, 1.0)
    normals = outward_normals(ring, max(0.25, scale.together_mm / 2) * unit)
    across = samples(unit)
    span = np.flatnonzero((across >= -scale.inward_mm * unit) & (across <= scale.outward_mm * unit))
    span = span[:: scale.samples]
    seen, aslant = [], np.zeros(len(ring))
    for sighting, share in zip(sightings, shares_at(sightings, ring), strict=True):
        profile = sighting.across(ring, normals, across)
        merit = np.zeros((len(ring[::STRIDE]), len(across)))
        for along_mm in scale.along_mm:
            merit += _steepness(profile, across, along_mm, unit) / len(scale.along_mm)
        if scale.together_mm > 0:
            merit = gaussian_filter1d(merit, scale.together_mm * unit / STRIDE, axis=0, mode="wrap")
        own = known_drift(sighting.drift(ring, normals))
        aslant += share * own
        seen.append(
            _Seen(
                merit=merit,
                profile=profile,
                drift=own[::STRIDE],
                away_mm=sighting.away_mm(ring[::STRIDE]),
                normals=normals[::STRIDE],
                radius_mm=sighting.radius_mm,
                share=share[::STRIDE, None],
            )
        )
    return _Search(
        ring=ring,
        normals=normals,
        offsets=across[span],
        across=across,
        along_bore=along_bore(aslant, normals),
        span=span,
        seen=seen,
    )


def _steepness(profile: Floats, across: Floats, along_mm: float, unit: float) -> Floats:
    """Return how steep the light is, against the bare wall's steepness, at its steepest places."""
    calm = _along(profile, along_mm * unit)
    calm = gaussian_filter1d(calm, SOFT_SAMPLES, axis=1, mode="nearest")
    steep = np.abs(np.gradient(np.log(calm + 0.15 * np.median(profile[:, across > 0])), axis=1))
    usual = max(float(np.median(steep[:, across > 0.6 * unit])), 1e-4)
    # only the steepest places count, or both edges would be found on the flanks of one
    merit = np.where(steep >= maximum_filter1d(steep, STEEPEST_OF, axis=1), np.log1p(steep / usual), 0.0)
    merit = gaussian_filter1d(merit, 1.2, axis=1) / MERIT_PEAK
    return np.asarray(merit - float(np.mean(merit[:, across > 0.6 * unit])), np.float64)


def _along(profile: Floats, sd: float) -> Floats:
    """Return the light smoothed along a border at every `STRIDE`-th place.

    The mean of as many places before what is left of the smoothing saves most of its work.
    """
    mean = uniform_filter1d(profile, STRIDE + 1, axis=0, mode="wrap")[::STRIDE]
    own = (STRIDE**2 + 2 * STRIDE) / 12.0  # variance of the mean's places
    left = np.sqrt(max(sd**2 - own, 0.0)) / STRIDE
    return np.asarray(gaussian_filter1d(mean, left, axis=0, mode="wrap"), np.float64)


def _like_wall(profile: Floats, across: Floats, unit: float, *, most: float | None = None) -> Floats:
    """Return how much likelier all from each place outward is wall than anything else.

    No sample speaks by more than `most` for it.
    """
    calm = _along(profile, LIKE_ALONG_MM * unit)
    near = (across > LEVEL_MM[0] * unit) & (across < LEVEL_MM[1] * unit)
    level = gaussian_filter1d(
        np.median(calm[:, near], axis=1), 2 * LIKE_ALONG_MM * unit / STRIDE, mode="wrap"
    )
    off = calm / np.maximum(level, 1e-4)[:, None] - 1.0
    beside = off[:, (across > SPREAD_MM[0] * unit) & (across < SPREAD_MM[1] * unit)]
    sd = max(LEAST_LIKE_SD, 1.4826 * float(np.median(np.abs(beside))))
    told = np.log(ELSE_SD / sd) - 0.5 * (off / sd) ** 2 + 0.5 * (off / ELSE_SD) ** 2
    told = np.clip(told, -UNLIKE_MOST, most) / ALIKE
    return np.asarray(np.cumsum(told[:, ::-1], axis=1)[:, ::-1], np.float64)


def _worth(search: _Search, width: float, unit: float) -> Floats:
    """Return what a border is worth at each offset: both edges, and wall outside of them."""
    return _walled(search, _edges_worth(search, width, unit), width, unit)


def _walled(search: _Search, edges: Floats, width: float, unit: float) -> Floats:
    """Return what both edges are worth, with what the light outside of them says of wall."""
    worth = edges.copy()
    if not search.along_bore:
        for seen in search.seen:
            # a chamfer may be as bright as the wall: only what is unlike it tells
            unlike = _like_wall(seen.profile, search.across, unit, most=0.0)
            worth += UNLIKE_WORTH * seen.share * unlike[:, search.span]
        return worth
    upright, level = (search.normals[::STRIDE] ** 2).T
    for seen in search.seen:
        like = _like_wall(seen.profile, search.across, unit)[:, search.span]
        by = (LIKE_WORTH[0] * upright + LIKE_WORTH[1] * level * (seen.stretch(width) < OUT_OF_SIGHT))[:, None]
        worth += seen.share * by * (like - like.max(axis=1, keepdims=True))
    return worth


def _edges_worth(search: _Search, width: float, unit: float) -> Floats:
    """Return what both edges are worth at each offset, less what is left unexplained outside of them."""
    worth = np.zeros((len(search.ring[::STRIDE]), len(search.span)))
    for seen in search.seen:
        bare = _unexplained(seen, search.span, BARE_MM_ALONG_BORE if search.along_bore else BARE_MM, unit)
        worth += seen.share * (_both_merits(seen, search.span, width, unit) - BARE_COST * bare)
    return worth


def _mean_merits(search: _Search, width: float, unit: float) -> Floats:
    """Return what both edges merit at each offset, in the mean of the pictures."""
    each = [seen.share * _both_merits(seen, search.span, width, unit) for seen in search.seen]
    return np.asarray(np.sum(each, axis=0), np.float64)


def _unexplained(seen: _Seen, span: NDArray[np.intp], outside_mm: tuple[float, float], unit: float) -> Floats:
    """Return the merit of the best edge that a place leaves outside of it, where only wall should be."""
    low, high = (round(each * unit / SAMPLE_PX) for each in outside_mm)
    merit = gaussian_filter1d(seen.merit, BARE_ALONG_MM * unit / STRIDE, axis=0, mode="wrap")
    most = maximum_filter1d(merit, high - low + 1, axis=1, mode="nearest")
    at = np.minimum(span + (low + high) // 2, merit.shape[1] - 1)
    return np.asarray(np.maximum(most[:, at], 0.0), np.float64)


def _both_merits(seen: _Seen, span: NDArray[np.intp], width: float, unit: float) -> Floats:
    """Return the merit of the wall's end at each offset, with that of the true edge that goes with it."""
    rows = np.arange(len(seen.merit))[:, None]
    second = np.full((len(seen.merit), len(span)), -np.inf)
    # the step between widths, seen aslant, is longer than an edge is wide
    stretch = seen.stretch(width)
    for near in (width,) if width == 0.0 else width + np.linspace(-0.02, 0.02, 5):
        apart = near * stretch * unit / SAMPLE_PX
        low = np.floor(apart).astype(int)
        part = (apart - low)[:, None]
        inner = np.clip(span[None, :] - low[:, None], 1, None)
        found = seen.merit[rows, inner] * (1 - part) + seen.merit[rows, inner - 1] * part
        second = np.maximum(second, found)
    apart = width * stretch * unit / SAMPLE_PX
    own = seen.merit[:, span]
    hides = (stretch < OUT_OF_SIGHT)[:, None]
    # too near to part: what is seen is the stronger of the two, the true edge
    single = np.where(hides, INNER_WORTH, 1.0) * second
    pair = np.maximum(own, 0.0) + INNER_WORTH * np.maximum(second, 0.0) - PAIR_COST
    return np.asarray(np.where((apart * SAMPLE_PX > PARTED_PX)[:, None], pair, single), np.float64)
