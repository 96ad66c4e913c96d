"""The bore's far end, seen through the bore: it tells how the bore leans, so where its axis is deep inside.

A ring at the near end tells well where the axis passes there, but how it runs on only by the ring's tilt:
half a thousandth of a radian is 0.03 mm at the far end, and heights seen 75° aslant err by four times that.
The far end is a circle about the axis too, mostly seen all round: wall outside of it, and daylight, a bench
or a soot-black head inside. Light is looked at along the bore at all angles; where its steepest steps lie on
a circle, that is the far rim. Its height may be known or not: the circle's middle is what tells.

Frame of the bore: as in `bore_cards`.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter1d

from portmap.picture.bore_rim import Rim, rim_at
from portmap.picture.bore_start import camera_place
from portmap.picture.camera import Lens, seen_px
from portmap.picture.tone import LUMA, linear_light

__all__ = ["far_level", "far_rim_in_photo"]

Floats = NDArray[np.float64]

_STEP_MM = 0.05
_ALONG_MM = 0.5  # between looks round the bore
_NEAR_MM = 1.2  # of the height where it must be: a photo's pose may be a tenth of a millimetre off
_SOFT_MM, _SOFT_LOOKS = 0.12, 4.0  # by which light is smoothed along the bore and round it
_FOOT_MM = 0.3  # over which a step is taken
_LEAST_STEP = 0.03  # of a natural logarithm of light, over twice that
_DARK = 0.02  # of the brightest wall: added before the logarithm
_STEEPEST_COS = 0.11  # of the sight on the wall: seen more aslant it tells nothing
_PAST_MM = 1.0  # by which the sight must pass the near rim
_ON_MM = 0.15  # of the circle: such steps are of it
_LEAST_SHARE = 0.3  # of all looks that must have a step on the circle
_LEAST_OF_SEEN = 0.55  # of the looks that show the far end
_ROUNDS = 8


def far_level(
    pixels: NDArray[np.uint8],
    lens: Lens,
    turn: Floats,
    shift_mm: Floats,
    *,
    radius_mm: float,
    near_mm: float,
    between_mm: tuple[float, float],
) -> float | None:
    """Return about at what height the far end is, by where light steps nearly all round.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, turned right if it was mirrored.
    lens : Lens
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame to the camera's.
    radius_mm, near_mm : float
        Half the bore; the height of the near end, past whose rim it is looked.
    between_mm : tuple of float
        Heights between which it is sought.

    Returns
    -------
    float or None
        None if light steps nowhere all round.
    """
    level: Floats = np.arange(between_mm[0], between_mm[1], _STEP_MM, dtype=np.float64)
    light, seen, _ = _looks(pixels, lens, turn, shift_mm, radius_mm, near_mm, level)
    if seen.mean() < _LEAST_SHARE:
        return None
    step = maximum_filter1d(np.abs(_steps(light)[seen]), round(2 * _ON_MM / _STEP_MM) + 1, axis=1)
    firm = np.quantile(step, 1.0 - _LEAST_OF_SEEN, axis=0)
    best = int(np.argmax(firm))
    return float(level[best]) if firm[best] > _LEAST_STEP else None


def far_rim_in_photo(
    pixels: NDArray[np.uint8],
    lens: Lens,
    turn: Floats,
    shift_mm: Floats,
    *,
    radius_mm: float,
    near_mm: float,
    level_mm: float,
) -> Rim | None:
    """Return the rim of the bore's far end in a photo whose pose is known from the card.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, turned right if it was mirrored.
    lens : Lens
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame to the camera's.
    radius_mm, near_mm : float
        Half the bore; the height of the near end.
    level_mm : float
        About the height of the far end.

    Returns
    -------
    Rim or None
        None if no circle is seen there.
    """
    level: Floats = np.arange(
        level_mm - _NEAR_MM, level_mm + _NEAR_MM + _STEP_MM / 2, _STEP_MM, dtype=np.float64
    )
    light, seen, angle = _looks(pixels, lens, turn, shift_mm, radius_mm, near_mm, level)
    if seen.mean() < _LEAST_SHARE:
        return None
    step = _steps(light)
    sense = np.sign(np.median(step[seen, np.abs(step[seen]).argmax(axis=1)]))
    rise = sense * step
    best = np.clip(rise.argmax(axis=1), 1, len(level) - 2)
    rows = np.arange(len(angle))
    before, here, after = (rise[rows, best + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    at = level[best] + _STEP_MM * np.where(
        bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0
    )
    firm = seen & (here > _LEAST_STEP) & (best > 1) & (best < len(level) - 3)
    if firm.sum() < 12:
        return None
    basis = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    weight = firm.astype(np.float64)
    off = np.zeros(len(angle))
    for _ in range(_ROUNDS):
        own = basis * weight[:, None]
        circle = np.linalg.lstsq(own.T @ basis, own.T @ at, rcond=None)[0]
        off = at - basis @ circle
        weight = firm / np.maximum(1.0, np.abs(off) / (_ON_MM / 2)) ** 2
    on = firm & (np.abs(off) < _ON_MM)
    if on.mean() < _LEAST_SHARE or on.sum() < _LEAST_OF_SEEN * seen.sum():
        return None
    rim = rim_at(lens, turn, shift_mm, angle[on], np.full((int(on.sum()), 1), radius_mm), at[on][:, None])
    return replace(rim, level_mm=float(circle[0]))


def _looks(
    pixels: NDArray[np.uint8],
    lens: Lens,
    turn: Floats,
    shift: Floats,
    radius: float,
    near: float,
    level: Floats,
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return the logarithm of light along the bore at all angles, at which it is seen, and the angles."""
    count = round(2 * np.pi * radius / _ALONG_MM)
    angle: Floats = np.arange(count, dtype=np.float64) * (2 * np.pi / count)
    out = np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    places = np.empty((count, len(level), 3))
    places[..., :2] = radius * out[:, None]
    places[..., 2] = level
    at = seen_px(lens, turn, shift, places.reshape(-1, 3)).reshape(count, len(level), 2)
    inside = ((at >= 0) & (at <= np.array(lens.size_px) - 1)).all(axis=(1, 2))
    eye = camera_place(turn, shift)
    back = eye - places[:, len(level) // 2]
    facing = -(back[:, :2] * out).sum(axis=1) / np.linalg.norm(back, axis=1)
    share = (near - places[:, 0, 2]) / (eye[2] - places[:, 0, 2])
    crossing = places[:, 0, :2] + share[:, None] * (eye[:2] - places[:, 0, :2])
    seen = inside & (facing > _STEEPEST_COS) & (np.hypot(*crossing.T) < radius - _PAST_MM)
    where = np.where(seen[:, None, None], at, -9.0).astype(np.float32)
    colour = cv2.remap(pixels, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    light = np.asarray(linear_light(np.asarray(colour, np.uint8), LUMA), np.float64)
    bright = float(np.quantile(light[seen], 0.9)) if seen.any() else 1.0
    return np.log(light / max(bright, 1e-6) + _DARK), seen, angle


def _steps(light: Floats) -> Floats:
    """Return by how much light changes over `_FOOT_MM` on both sides of each height."""
    calm: Floats = gaussian_filter(light, (_SOFT_LOOKS, _SOFT_MM / _STEP_MM), mode=("wrap", "nearest"))
    foot = round(_FOOT_MM / _STEP_MM)
    step = np.zeros_like(calm)
    step[:, foot:-foot] = calm[:, 2 * foot :] - calm[:, : -2 * foot]
    return np.asarray(step)
