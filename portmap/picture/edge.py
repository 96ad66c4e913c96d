"""Where an edge or a pencil line truly lies, to a few hundredths of a pixel.

The picture is sampled along normals of a rough outline. Across a step the light goes from the window's
level to the sheet's as the integral of a bell curve: exact for straight edges under any even blur of about
that shape, and unbiased by symmetry for others. A pencil line is the difference of two such steps.

Points are (column, row) [px]; normals point out of the window; offsets along them are positive outward.

Glossary
--------
blur
    Standard deviation of the edge's bell curve [px].
tone doubt
    How far the half level would move if the camera's tone curve were not that of sRGB but as far from it
    as cameras commonly are [px], signed outward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.special import ndtr, ndtri

from portmap.picture.mark_colours import mixed_share
from portmap.picture.tone import value_of_light

__all__ = [
    "SIDES",
    "Edge",
    "Side",
    "bridged",
    "evenly_spaced",
    "level_misfit",
    "light_across",
    "line_edge",
    "outward_normals",
    "step_edge",
    "tone_doubt",
]

Side = Literal["inner", "middle", "outer"]
SIDES: tuple[Side, ...] = get_args(Side)

SAMPLE_PX = 0.5  # along a normal
SPACING_PX = 1.0  # between normals
LEAST_STEP = 0.02  # of full light: below it there is no edge to fit
# Of the shift between linear light and sRGB values: a curve off by 4 steps of 255 (judgement).
TONE_SHARE = 0.04
MISFIT_GAIN = 3.0  # a remainder of the step draws the edge by about so many blurs (rendered grey ruling)
_ROOT_2PI = float(np.sqrt(2 * np.pi))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edge:
    """An outline refined to where the light says the edge is.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        Places (column, row), about one pixel apart, not closed by a repeated point.
    normals : ndarray of shape (N, 2)
        Unit normals, outward.
    seen : ndarray of shape (N,) and dtype bool
        False where no edge could be fitted and the place is bridged from its neighbours.
    blur_px : float
        Blur of the edge.
    contrast : float
        Median difference in light between both sides, 0 to 1.
    tone_px : float
        Tone doubt.
    misfit_px : ndarray of shape (N,)
        How far what the fit cannot follow (ruling beside the edge, specks) may draw each place [px].
    line_width_px : float or None
        Mean width of the pencil line.
    line_width_u_px : float
        Standard uncertainty of that width as a whole.
    """

    points_px: NDArray[np.float64]
    normals: NDArray[np.float64]
    seen: NDArray[np.bool_]
    blur_px: float
    contrast: float
    tone_px: float
    misfit_px: NDArray[np.float64]
    line_width_px: float | None = None
    line_width_u_px: float = 0.0


def evenly_spaced(ring: NDArray[np.float64], spacing: float) -> NDArray[np.float64]:
    """Return points at equal steps along a closed ring.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)
        Corners, not closed by a repeated point.
    spacing : float
        Wanted step, in the ring's unit; rounded so that a whole number of steps goes round.

    Returns
    -------
    ndarray of shape (M, 2)
        Starts at the first corner; M is at least 8.

    Examples
    --------
    >>> evenly_spaced(np.array([[0., 0], [4, 0], [4, 4], [0, 4]]), 1.0)[:3]
    array([[0., 0.], [1., 0.], [2., 0.]])
    """
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, round(along[-1] / spacing))
    at = np.arange(count) * (along[-1] / count)
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)])


def outward_normals(ring: NDArray[np.float64], smooth: float) -> NDArray[np.float64]:
    """Return unit normals that point out of a closed ring.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)
        Evenly spaced points, not closed by a repeated point, wound either way.
    smooth : float
        Standard deviation of the smoothing along the ring [points].

    Returns
    -------
    ndarray of shape (N, 2)

    Examples
    --------
    >>> turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    >>> outward_normals(np.column_stack([np.cos(turn), np.sin(turn)]), 1.0)[15].round(3) + 0.0
    array([0., 1.])
    """
    calm = gaussian_filter1d(ring, smooth, axis=0, mode="wrap")
    tangent = np.roll(calm, -1, axis=0) - np.roll(calm, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)[:, None]
    x, y = ring[:, 0], ring[:, 1]
    turned = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    return np.asarray(normal if turned > 0 else -normal)


def step_edge(
    light: NDArray[np.float32],
    rough: NDArray[np.float64],
    *,
    mm_per_px: float,
    colours: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
    ruling: NDArray[np.float32] | None = None,
) -> Edge:
    """Return the edge between a filled or cut window and the sheet.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    rough : ndarray of shape (N, 2)
        Outline within 0.4 mm of the edge (column, row) [px].
    mm_per_px : float
        Size of a pixel [mm].
    colours : tuple of ndarray of shape (3,), optional
        Light of mark and sheet in red, green and blue, if `light` is that of the luma (`mixed_share`).
    ruling : ndarray of shape (M, N), optional
        Share of the sheet's light that ruling takes, to be given back.

    Returns
    -------
    Edge
        Where the light is half way between both sides, in the mean over a blur's width.
    """
    unit = 1.0 / mm_per_px
    ring, blur = rough, 1.2
    reaches = (0.8 * unit, 0.6 * unit, 0.6 * unit)
    for turn, reach in enumerate(reaches):
        ring = evenly_spaced(ring, SPACING_PX)
        normals = outward_normals(ring, (0.25 if turn == 0 else 0.15) * unit)
        across = _across(max(reach, 4.0 * blur + 2.0))
        profile = light_across(light, ring, normals, across)
        taken = 0.0 if ruling is None else light_across(ruling, ring, normals, across)
        inner, outer = _levels(profile, profile / (1.0 - taken), across, blur, along=0.5 * unit)
        step = outer - inner
        strong = np.abs(step) > LEAST_STEP
        safe = np.where(strong, step, 1.0)[:, None]
        # light = share·sheet·(1 − taken) + (1 − share)·mark, solved for the share
        share = (profile - inner[:, None]) / (safe - np.where(strong[:, None], taken * outer[:, None], 0.0))
        if colours is not None:
            share = mixed_share(share, *colours)
        calm = gaussian_filter1d(share, 0.25 * unit if turn == 0 else 1.5, axis=0, mode="wrap")
        offset = _first_guess(calm, across)
        offset, blur, seen, misfit = _step_offset(share, across, offset, blur, 0.5 * unit)
        seen &= strong & (np.abs(offset) < reach)
        offset = bridged(offset, seen)
        ring = ring + offset[:, None] * normals
        if turn < len(reaches) - 1:
            ring = gaussian_filter1d(ring, 2.0, axis=0, mode="wrap")
    return Edge(
        points_px=ring,
        normals=normals,
        seen=seen,
        blur_px=blur,
        contrast=float(np.median(np.abs(step))),
        tone_px=tone_doubt(float(np.median(inner)), float(np.median(outer)), blur),
        misfit_px=misfit,
    )


def line_edge(
    light: NDArray[np.float32],
    rough: NDArray[np.float64],
    *,
    mm_per_px: float,
    side: Side,
    ruling: NDArray[np.float32] | None = None,
) -> Edge:
    """Return the edge that a pencil line marks.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    rough : ndarray of shape (N, 2)
        Outline along the line's inner side, within 0.5 mm (column, row) [px].
    mm_per_px : float
        Size of a pixel [mm].
    side : {'inner', 'middle', 'outer'}
        Which part of the line is the port's edge; inner is toward the window's inside.
    ruling : ndarray of shape (M, N), optional
        Share of the sheet's light that ruling takes, to be given back.

    Returns
    -------
    Edge
        The middle line is found for each point; the width, which changes slowly, over stretches of 3 mm.
    """
    unit = 1.0 / mm_per_px
    ring, blur = rough, 1.2
    width = np.array([0.5 * unit])
    for turn, reach in enumerate((1.4 * unit, 1.2 * unit, 1.2 * unit)):
        ring = evenly_spaced(ring, SPACING_PX)
        normals = outward_normals(ring, (0.25 if turn == 0 else 0.15) * unit)
        across = _across(reach)
        profile = light_across(light, ring, normals, across)
        if ruling is not None:
            profile = _unruled(profile, light_across(ruling, ring, normals, across))
        guess = _line_guess(profile, across, unit, first=turn == 0)
        half = float(np.clip(np.median(width) / 2, 0.5, 0.5 * unit))
        sheet = _sheet_beside(profile, across - guess[:, None], half + 3.0 * blur, 0.5 * unit)
        dip = sheet - profile
        width = np.full(len(ring), np.median(width)) if len(width) != len(ring) else width
        offset, width, blur, depth, seen, misfit = _line_offset(dip, across, guess, width, blur, unit)
        seen &= np.abs(offset) < reach
        offset = bridged(offset, seen)
        ring = ring + offset[:, None] * normals
        if turn < 2:
            ring = gaussian_filter1d(ring, 2.0, axis=0, mode="wrap")
            width = np.array([float(np.median(width))])
    out = {"inner": -0.5, "middle": 0.0, "outer": 0.5}[side]
    moved = ring + (out * width)[:, None] * normals
    mean_width = float(np.mean(width))
    paper = float(np.median(sheet))
    tone = tone_doubt(paper - float(np.median(depth)), paper, blur)
    return Edge(
        points_px=moved,
        normals=normals,
        seen=seen,
        blur_px=blur,
        contrast=float(np.median(depth)),
        tone_px=2.0 * out * tone,
        misfit_px=misfit,
        line_width_px=mean_width,
        line_width_u_px=_width_doubt(width, mean_width, blur),
    )


def _across(reach: float) -> NDArray[np.float64]:
    count = int(np.ceil(reach / SAMPLE_PX))
    return np.asarray(np.arange(-count, count + 1) * SAMPLE_PX, np.float64)


def light_across(
    light: NDArray[np.float32],
    ring: NDArray[np.float64],
    normals: NDArray[np.float64],
    across: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return light along the normals of a ring.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    ring, normals : ndarray of shape (K, 2)
        Points (column, row) [px] and unit normals.
    across : ndarray of shape (S,)
        Offsets along the normals [px].

    Returns
    -------
    ndarray of shape (K, S)
        Linear between pixels, which cv2 does exactly.
    """
    place = (ring[:, None, :] + across[None, :, None] * normals[:, None, :]).astype(np.float32)
    parts = [
        cv2.remap(light, part[:, :, 0], part[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.array_split(place, len(place) // 16000 + 1)  # remap counts rows in 16 bits
    ]
    return np.vstack(parts).astype(np.float64)


def _unruled(profile: NDArray[np.float64], taken: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return profiles across a pencil line with the light given back that ruling takes from the sheet.

    Where pencil covers the sheet there is nothing to give back: by the share of sheet that is seen.
    """
    sheet = float(np.median(profile / (1.0 - taken)))
    pencil = float(np.median(profile.min(axis=1)))
    seen = (profile - pencil) / np.maximum(sheet * (1.0 - taken) - pencil, 0.05)
    return profile + np.clip(seen, 0.0, 1.0) * taken * sheet


def _steady(level: NDArray[np.float64], along: float) -> NDArray[np.float64]:
    """Smooth a level along the ring, first against outliers and then evenly."""
    size = max(3, round(2 * along)) | 1
    calm = median_filter(level, size=size, mode="wrap")
    return np.asarray(gaussian_filter1d(calm, along, mode="wrap"))


def _levels(
    profile: NDArray[np.float64],
    unruled: NDArray[np.float64],
    across: NDArray[np.float64],
    blur: float,
    *,
    along: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light well inside and well outside the edge for each normal."""
    gap = min(2.5 * blur + 1.0, 0.6 * across[-1])
    inner = np.median(profile[:, across < -gap], axis=1)
    outer = np.median(unruled[:, across > gap], axis=1)
    return _steady(inner, along), _steady(outer, along)


def _first_guess(share: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the half-level crossing nearest to the rough outline; 0 where there is none."""
    above = share >= 0.5
    rising = ~above[:, :-1] & above[:, 1:]
    low, high = share[:, :-1], share[:, 1:]
    part = (0.5 - low) / np.where(rising, high - low, 1.0)
    place = across[None, :-1] + part * SAMPLE_PX
    distance = np.where(rising, np.abs(place), np.inf)
    best = np.argmin(distance, axis=1)
    pick = np.arange(len(share))
    return np.where(np.isfinite(distance[pick, best]), place[pick, best], 0.0)


def _step_offset(
    share: NDArray[np.float64],
    across: NDArray[np.float64],
    offset: NDArray[np.float64],
    blur: float,
    along: float,
) -> tuple[NDArray[np.float64], float, NDArray[np.bool_], NDArray[np.float64]]:
    """Fit each normal's offset and one blur for all, by damped Gauss-Newton with bounded residuals."""
    start = offset
    for turn in range(8):
        from_edge = across[None, :] - offset[:, None]
        arm = from_edge / blur
        near = np.exp(-0.5 * (from_edge / (2.0 * blur + 0.7)) ** 2)
        slope = np.exp(-0.5 * arm**2) / (_ROOT_2PI * blur)
        residual = share - ndtr(arm)
        weight = near / np.maximum(1.0, np.abs(residual) / 0.25)
        gain = np.sum(weight * slope**2, axis=1)
        move = -np.sum(weight * slope * residual, axis=1) / np.maximum(gain, 1e-9)
        offset = offset + np.clip(move, -1.0, 1.0)
        if turn >= 2:
            by_blur = -slope * arm
            good = np.abs(offset - start) < 3.0
            w = weight[good]
            change = np.sum(w * by_blur[good] * residual[good]) / max(np.sum(w * by_blur[good] ** 2), 1e-9)
            blur = float(np.clip(blur + np.clip(change, -0.3, 0.3), 0.4, 12.0))
    fit = np.sqrt(np.sum(weight * residual**2, axis=1) / np.maximum(np.sum(weight, axis=1), 1e-9))
    misfit = MISFIT_GAIN * blur * level_misfit(residual, weight, along)
    return offset, blur, (np.abs(offset - start) < 3.0) & (fit < 0.35), misfit


def level_misfit(
    residual: NDArray[np.float64], weight: NDArray[np.float64], along: float
) -> NDArray[np.float64]:
    """Return the size of what is left of the profiles after the fit and does not average out.

    Residuals, as shares of the step, are averaged along the edge, which kills noise but not a ruled line
    beside it, and their root mean square taken across.

    Parameters
    ----------
    residual, weight : ndarray of shape (K, S)
        What is left, as a share of the step, and how much it counts.
    along : float
        Over how many points it is averaged.

    Returns
    -------
    ndarray of shape (K,)
    """
    calm = gaussian_filter1d(residual, along, axis=0, mode="wrap")
    noise = np.mean((residual - calm) ** 2 * weight) / (2.0 * np.sqrt(np.pi) * along)
    power = np.sum(weight * calm**2, axis=1) / np.maximum(np.sum(weight, axis=1), 1e-9)
    return np.asarray(np.sqrt(np.maximum(power - 2.0 * noise, 0.0)), np.float64)


def _line_guess(
    profile: NDArray[np.float64], across: NDArray[np.float64], unit: float, *, first: bool
) -> NDArray[np.float64]:
    """Return the offset of the darkest place near the outline, steadied along the ring."""
    calm = gaussian_filter1d(profile, 0.12 * unit, axis=1, mode="nearest")
    calm = gaussian_filter1d(calm, 0.3 * unit if first else 1.5, axis=0, mode="wrap")
    middle = 0.25 * unit if first else 0.0  # the rough outline runs along the line's inner side
    penalty = ((across - middle) / (1.0 * unit)) ** 2
    depth = np.quantile(calm, 0.8, axis=1)[:, None] - calm
    best = across[np.argmax(depth * np.clip(1.0 - penalty, 0.0, 1.0)[None, :], axis=1)]
    size = max(3, round(0.8 * unit)) | 1
    return np.asarray(gaussian_filter1d(median_filter(best, size=size, mode="wrap"), 2.0, mode="wrap"))


def _sheet_beside(
    profile: NDArray[np.float64], from_line: NDArray[np.float64], clear: float, along: float
) -> NDArray[np.float64]:
    """Return the sheet's light under the line, between the levels on both sides."""
    inside = np.where(from_line < -clear, profile, np.nan)
    outside = np.where(from_line > clear, profile, np.nan)
    levels = []
    for part, other in ((inside, outside), (outside, inside)):
        enough = np.sum(np.isfinite(part), axis=1) > 2
        either = np.where(enough[:, None], part, other)
        some = np.asarray(np.isfinite(either).any(axis=1))
        both = np.where(some[:, None], either, profile)
        levels.append(_steady(np.nanmedian(both, axis=1), along))
    share = np.clip(0.5 + 0.5 * from_line / clear, 0.0, 1.0)
    return levels[0][:, None] * (1 - share) + levels[1][:, None] * share


def _line_offset(
    dip: NDArray[np.float64],
    across: NDArray[np.float64],
    offset: NDArray[np.float64],
    width: NDArray[np.float64],
    blur: float,
    unit: float,
) -> tuple[
    NDArray[np.float64],
    NDArray[np.float64],
    float,
    NDArray[np.float64],
    NDArray[np.bool_],
    NDArray[np.float64],
]:
    """Fit each normal's offset and depth, the width over stretches and one blur for all."""
    start = offset
    depth = np.max(gaussian_filter1d(dip, 1.0, axis=1), axis=1)
    along = 1.2 * unit
    for turn in range(12):
        from_line = across[None, :] - offset[:, None]
        left, right = (from_line + width[:, None] / 2) / blur, (from_line - width[:, None] / 2) / blur
        shape = ndtr(left) - ndtr(right)
        bell_left = np.exp(-0.5 * left**2) / (_ROOT_2PI * blur)
        bell_right = np.exp(-0.5 * right**2) / (_ROOT_2PI * blur)
        near = np.exp(-0.5 * (from_line / (width[:, None] / 2 + 2.0 * blur + 0.5)) ** 2)
        depth = np.sum(near * shape * dip, axis=1) / np.maximum(np.sum(near * shape**2, axis=1), 1e-9)
        safe = np.maximum(depth, 1e-3)[:, None]
        residual = dip - depth[:, None] * shape
        weight = near / np.maximum(1.0, np.abs(residual) / (0.3 * safe))
        by_offset = -safe * (bell_left - bell_right)
        gain = np.sum(weight * by_offset**2, axis=1)
        move = np.sum(weight * by_offset * residual, axis=1) / np.maximum(gain, 1e-9)
        offset = offset + np.clip(move, -0.7, 0.7)
        if turn >= 2:
            by_width = safe * 0.5 * (bell_left + bell_right)
            by_width -= (
                shape
                * (np.sum(weight * shape * by_width, axis=1) / np.sum(weight * shape**2, axis=1))[:, None]
            )
            up = gaussian_filter1d(np.sum(weight * by_width * residual, axis=1), along, mode="wrap")
            down = gaussian_filter1d(np.sum(weight * by_width**2, axis=1), along, mode="wrap")
            width = np.clip(width + np.clip(up / np.maximum(down, 1e-9), -1.0, 1.0), 0.8, 1.2 * unit)
            by_blur = safe * (-left * bell_left + right * bell_right)
            by_blur -= (
                shape
                * (np.sum(weight * shape * by_blur, axis=1) / np.sum(weight * shape**2, axis=1))[:, None]
            )
            change = np.sum(weight * by_blur * residual) / max(np.sum(weight * by_blur**2), 1e-9)
            blur = float(np.clip(blur + np.clip(change, -0.2, 0.2), 0.5, 6.0))
    seen = (depth > max(LEAST_STEP, 0.25 * float(np.median(depth)))) & (np.abs(offset - start) < 4.0)
    misfit = MISFIT_GAIN * blur * level_misfit(residual / safe, weight, 0.5 * unit)
    return offset, width, blur, depth, seen, misfit


def _width_doubt(width: NDArray[np.float64], mean_width: float, blur: float) -> float:
    """Return how unsure the line's mean width is: its spread over independent stretches, and the blur's.

    Width and blur of a line trade against each other the more the narrower the line: a blur wrong by a
    twentieth (judgement) moves the fitted width by about blur²/width of that.
    """
    stretches = max(len(width) / 40.0, 2.0)
    scatter = float(np.std(width)) / np.sqrt(stretches)
    return float(np.hypot(scatter, 0.05 * blur * min(1.0, 2.0 * blur / max(mean_width, 0.5))))


def bridged(offset: NDArray[np.float64], seen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return offsets with the unseen ones drawn straight between their neighbours round the ring.

    Parameters
    ----------
    offset : ndarray of shape (K,)
    seen : ndarray of shape (K,) and dtype bool

    Returns
    -------
    ndarray of shape (K,)
        0 throughout if nothing was seen.

    Examples
    --------
    >>> bridged(np.array([0.0, 9.0, 2.0, 1.0]), np.array([True, False, True, True]))
    array([0., 1., 2., 1.])
    """
    if seen.all() or not seen.any():
        return np.where(seen, offset, 0.0)
    count = len(offset)
    (known,) = np.nonzero(seen)
    at = np.concatenate([known - count, known, known + count])
    return np.interp(np.arange(count), at, np.tile(offset[known], 3))


def tone_doubt(inner: float, outer: float, blur: float) -> float:
    """Return how far another tone curve would move the edge between two levels of light.

    Parameters
    ----------
    inner, outer : float
        Light on both sides, 0 to 1.
    blur : float
        [px]

    Returns
    -------
    float
        `TONE_SHARE` of the way between the half level of light and that of sRGB values [px], signed outward.
    """
    low, high = value_of_light(np.array(inner)), value_of_light(np.array(outer))
    middle = float(low + high) / 2 / 255.0
    light = ((middle + 0.055) / 1.055) ** 2.4 if middle > 0.04045 else middle / 12.92
    share = float(np.clip((light - inner) / (outer - inner), 0.05, 0.95)) if inner != outer else 0.5
    return TONE_SHARE * blur * float(ndtri(share))
