"""The edge of the bore itself, seen beside a ring card: it tells how far off the middle the card lies.

A ring laid by hand is some hundredths of a millimetre off, and heights seen from below are off by two to
three times as much. But the hole of the card is cut a little wide, so that a thin ring of metal shows:
outside it is paper, inside it the wall. The inner edge of the metal is the bore's rim. Light across it is
looked at all round in the card's plane; of the circles that steps of light lie on, the innermost is the rim,
if the ring outside it is not paper. Where paper reaches up to it no rim is claimed.

Frame of the bore: as in `bore_cards`.

Glossary
--------
rim
    Where the face that the card lies on ends at the bore; of a chamfered bore the chamfer's outer edge.
wider
    By how much a circle's radius is larger than the bore's [mm].
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from portmap.picture.camera import Lens, seen_px
from portmap.picture.tone import LUMA, linear_light

__all__ = ["Rim", "rim_at", "rim_in_photo"]

Floats = NDArray[np.float64]

_INSIDE_MM, _OUTSIDE_MM = 0.6, 0.9  # of the bore's radius that are looked at: the card is white up to 1 mm
_STEP_MM = 0.01
_ALONG_MM = 0.25  # between looks round the bore
_EVERY = 4  # looks: one place a millimetre is given
_SOFT_PX = 0.7  # of the photo, by which light is smoothed across the rim
_SOFT_ALONG_MM = 0.4
_LEAST_STEP = 0.08  # of the paper's light, over `_FOOT_MM`
_FOOT_MM = 0.05  # either side of an edge, where the light beside it is read
_OFF_MM, _OFF_STEP_MM = 0.24, 0.02  # of a circle's middle, that are tried
_WIDER_MM = (-0.1, 0.7)
_NEAR_MM = 0.045  # of the circle: such steps are of it
_APART_MM = 0.07  # between two circles' radii
_LEAST_SHARE = 0.45  # of the looks that must have a step on the circle
_PAPER = 0.8  # of the paper's light: a ring darker than that is metal
_LEAST_PX_PER_MM = 8.0
_CLEAR_PX = 4.5  # between rim and paper: nearer together the one's blur draws the other
_LEAST_CLEAR = 0.25  # of the looks that must show the rim so


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rim:
    """Places of the bore's rim in one photo.

    Parameters
    ----------
    angle_rad : ndarray of shape (N,)
        Of each place round the bore, as x/R.
    pixels_px : ndarray of shape (N, 2)
        Where it is seen, (column, row); of a mirrored photo, turned right.
    outward_px : ndarray of shape (N, 2)
        Unit vectors in the photo square to the rim, away from the bore.
    level_mm : float
        About the height of the rim.
    """

    angle_rad: Floats
    pixels_px: Floats
    outward_px: Floats
    level_mm: float = 0.0


def rim_in_photo(
    pixels: NDArray[np.uint8],
    lens: Lens,
    turn: Floats,
    shift_mm: Floats,
    *,
    radius_mm: float,
    level_mm: float = 0.0,
) -> Rim | None:
    """Return the rim of the bore in a photo whose pose is known from the card.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, turned right if it was mirrored.
    lens : Lens
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame, as the card tells it, to the camera's.
    radius_mm : float
        Half the bore.
    level_mm : float, optional
        Height of the face that the card lies on.

    Returns
    -------
    Rim or None
        None if no circle is seen that must be the rim.
    """
    count = int(np.ceil(2 * np.pi * radius_mm / _ALONG_MM / _EVERY)) * _EVERY
    angle: Floats = np.arange(count, dtype=np.float64) * (2 * np.pi / count)
    out: Floats = np.arange(-_INSIDE_MM, _OUTSIDE_MM + _STEP_MM / 2, _STEP_MM, dtype=np.float64)
    seen = _places(lens, turn, shift_mm, angle, radius_mm + out, level_mm)
    inside = ((seen >= 0) & (seen <= np.array(lens.size_px) - 1)).reshape(count, -1).all(axis=1)
    px_per_mm = np.hypot(*(seen[:, -1] - seen[:, 0]).T) / (out[-1] - out[0])
    good = inside & (px_per_mm > _LEAST_PX_PER_MM)
    if good.mean() < _LEAST_SHARE:
        return None
    light = _light_at(pixels, np.where(good[:, None, None], seen, -9.0))
    paper = float(np.median(np.quantile(light[good][:, out > 0.25], 0.9, axis=1)))
    if paper <= 0.01:
        return None
    soft = (_SOFT_ALONG_MM / _ALONG_MM, _SOFT_PX / float(np.median(px_per_mm[good])) / _STEP_MM)
    calm: Floats = gaussian_filter(light / paper, soft, mode=("wrap", "nearest"))
    foot = max(1, round(_FOOT_MM / _STEP_MM))
    rise = np.zeros_like(calm)
    rise[:, foot:-foot] = calm[:, 2 * foot :] - calm[:, : -2 * foot]
    rise[~good] = 0.0
    found = _innermost(rise, calm, out, angle, foot)
    if found is None:
        return None
    at = np.interp(found.rim_mm, out, np.arange(len(out)))
    steps = _steps_near(rise, at)
    clear = (found.paper_mm - found.rim_mm) * px_per_mm > _CLEAR_PX
    kept = np.flatnonzero(np.isfinite(steps) & clear)
    kept = kept[kept % _EVERY == 0]
    if len(kept) < _LEAST_CLEAR * count / _EVERY:
        return None
    radius = radius_mm + np.interp(steps[kept], np.arange(len(out)), out)
    return rim_at(lens, turn, shift_mm, angle[kept], radius[:, None], level_mm)


def rim_at(
    lens: Lens, turn: Floats, shift_mm: Floats, angle_rad: Floats, radius_mm: Floats, level_mm: Floats | float
) -> Rim:
    """Return the rim at places where light steps.

    Parameters
    ----------
    lens : Lens
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame, as the card tells it, to the camera's.
    angle_rad : ndarray of shape (N,)
    radius_mm : ndarray of shape (N, 1)
    level_mm : ndarray of shape (N, 1) or float

    Returns
    -------
    Rim
        At the median of the heights.
    """
    ends = np.concatenate([radius_mm, radius_mm + 0.05], axis=1)
    at_px = _places(lens, turn, shift_mm, angle_rad, ends, level_mm)
    along = at_px[:, 1] - at_px[:, 0]
    # along a radius is not quite square to the rim in the photo: take out what runs along it
    beside = _places(lens, turn, shift_mm, angle_rad + 1e-3, radius_mm, level_mm)[:, 0] - at_px[:, 0]
    beside /= np.hypot(*beside.T)[:, None]
    along = along - (along * beside).sum(axis=1)[:, None] * beside
    return Rim(
        angle_rad=angle_rad,
        pixels_px=at_px[:, 0],
        outward_px=along / np.hypot(*along.T)[:, None],
        level_mm=float(np.median(level_mm)),
    )


def _places(
    lens: Lens, turn: Floats, shift: Floats, angle: Floats, radius: Floats, level: Floats | float
) -> Floats:
    """Return where places at radii and heights are seen, one row an angle, shape (N, K, 2)."""
    far = np.broadcast_to(radius, (len(angle), np.shape(radius)[-1]))
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    places = np.stack([far * cos, -far * sin, np.broadcast_to(level, far.shape)], axis=2)
    return seen_px(lens, turn, shift, places.reshape(-1, 3)).reshape(*far.shape, 2)


def _light_at(pixels: NDArray[np.uint8], seen: Floats) -> Floats:
    at = np.nan_to_num(seen, nan=-9.0).astype(np.float32)
    colour = cv2.remap(pixels, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(linear_light(np.asarray(colour, np.uint8), LUMA), np.float64)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Band:
    """From where to where metal is seen at each angle, as offsets from the bore's radius [mm]."""

    rim_mm: Floats
    paper_mm: Floats  # infinite where the paper's edge is not seen as a circle of its own


def _innermost(rise: Floats, calm: Floats, out: Floats, angle: Floats, foot: int) -> _Band | None:
    """Return where the rim is at each angle, None if there is none."""
    peaks = (rise >= np.roll(rise, 1, axis=1)) & (rise > np.roll(rise, -1, axis=1)) & (rise > _LEAST_STEP)
    marks = gaussian_filter1d(peaks.astype(np.float64), _NEAR_MM / 2 / _STEP_MM, axis=1)
    marks /= marks.max() or 1.0
    share, circle = _circles(marks[::_EVERY], out, angle[::_EVERY])
    best = int(np.argmax(share))
    if share[best] < _LEAST_SHARE:
        return None
    # the paper's edge is often the firmer circle: the rim is a smaller one beside it
    within = np.flatnonzero(_peaks_of(share) & (out < out[best] - _APART_MM) & (share > _LEAST_SHARE))
    rim = int(within[0]) if len(within) else best

    def of(which: int) -> Floats:
        dx, dy = circle[which]
        return np.asarray(out[which] + dx * np.cos(angle) - dy * np.sin(angle))

    offset = of(rim)
    at = np.rint(np.interp(offset, out, np.arange(len(out)))).astype(int)
    rows = np.arange(len(angle))
    on = marks[rows, at] > 0.3
    beyond = calm[rows, np.minimum(at + foot, len(out) - 1)]
    if not on.any() or float(np.median(beyond[on])) >= _PAPER:
        return None
    return _Band(rim_mm=offset, paper_mm=of(best) if rim != best else np.full(len(angle), np.inf))


def _peaks_of(share: Floats) -> NDArray[np.bool_]:
    return np.asarray((share >= np.roll(share, 1)) & (share > np.roll(share, -1)))


def _circles(marks: Floats, out: Floats, angle: Floats) -> tuple[Floats, Floats]:
    """Return for each excess of radius the share of looks with a step on the best circle, and its middle."""
    offs = np.arange(-_OFF_MM, _OFF_MM + 1e-9, _OFF_STEP_MM)
    rows = np.arange(len(angle))
    share, circle = np.zeros(len(out)), np.zeros((len(out), 2))
    tried = np.flatnonzero((out >= _WIDER_MM[0]) & (out <= _WIDER_MM[1]))
    for dx in offs:
        for dy in offs:
            moved = np.rint((dx * np.cos(angle) - dy * np.sin(angle)) / _STEP_MM).astype(int)
            at = np.clip(tried[None, :] + moved[:, None], 0, len(out) - 1)
            own = marks[rows[:, None], at].mean(axis=0)
            better = own > share[tried]
            share[tried[better]] = own[better]
            circle[tried[better]] = dx, dy
    return share, circle


def _steps_near(rise: Floats, at: Floats) -> Floats:
    """Return the place of the step nearest a place, to a part of a sample, row by row; NaN for none."""
    near = round(_NEAR_MM / _STEP_MM)
    found = np.full(len(rise), np.nan)
    for row, (line, middle) in enumerate(zip(rise, at, strict=True)):
        low, high = max(1, round(middle) - near), min(len(line) - 1, round(middle) + near + 1)
        if high - low < 3:
            continue
        best = low + int(np.argmax(line[low:high]))
        if line[best] < _LEAST_STEP or best in (low, high - 1):
            continue
        before, here, after = line[best - 1 : best + 2]
        bend = before - 2 * here + after
        found[row] = best + (0.5 * (before - after) / bend if bend < 0 else 0.0)
    return found
