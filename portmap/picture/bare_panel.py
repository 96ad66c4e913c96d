"""Frames of a scope unrolled one by one, their light taken out, so that they can be compared.

A scope's lamps go with it: the light falls on the wall in the same way in every frame. It is found from all
frames together, place by place of the picture, and what is much darker than it is a window, not wall.

Glossary
--------
panel
    One frame, unrolled: logarithm of brightness less that of the light, less its own local mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.wall_view import View, WallFrame, nodes_of, pixel_map, shown_by, spread_out

__all__ = ["Panel", "height_seen", "lights_of", "looked_up", "panel_of", "px_per_mm"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_CELL_PX = 8
_STEEPEST_DEG = 72.0
_LOG_BASE = 4.0  # grey levels added before the logarithm is taken
_LIGHT_PX = 16  # in one, where the light is worked out
_LIT = 0.8  # of the frames: so bright a place of the picture is where they show wall there, not a window
_WINDOW = 0.7  # in the logarithm: so much darker than the light there is no wall
_COARSE = 4  # pixels in one, where the local mean is worked out
_EVEN_MM = 1.5  # its standard deviation


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Panel:
    """One frame, unrolled.

    Parameters
    ----------
    left_px, top_px : int
        Column and row of its first pixel; column c lies at x = c·step, row r at y = −r·step.
    step_mm : float
    turn_px : int
        Columns of a whole turn.
    even : ndarray of shape (M, N) and dtype float32
        Logarithm of brightness, its local mean taken out.
    good : ndarray of shape (M, N) and dtype bool
        Where it shows the wall.
    """

    left_px: int
    top_px: int
    step_mm: float
    turn_px: int
    even: Floats32
    good: NDArray[np.bool_]


def px_per_mm(view: View, radius_mm: float, heading_rad: float, height_mm: float) -> float:
    """Return how many pixels a millimetre of wall straight ahead has.

    Parameters
    ----------
    view : View
    radius_mm : float
    heading_rad, height_mm : float
        Of the place ahead.

    Returns
    -------
    float
    """
    x = heading_rad * radius_mm
    seen = pixel_map(view, radius_mm, np.array([[x - 0.5, height_mm], [x + 0.5, height_mm]]))
    return float(np.hypot(*(seen[1] - seen[0])))


def lights_of(views: Sequence[View]) -> list[Floats32]:
    """Return the light on the wall in each frame: its lamps go with the scope, and are the same in all.

    Parameters
    ----------
    views : sequence of View
        Their pixels grey, all of one size.

    Returns
    -------
    list of ndarray of shape (M, N) and dtype float32
        Logarithm of brightness over the frame, coarse; the frames differ by their exposure alone.
    """
    rows, columns = views[0].pixels.shape
    size = max(8, columns // _LIGHT_PX), max(8, rows // _LIGHT_PX)
    small = [np.asarray(cv2.resize(v.pixels, size, interpolation=cv2.INTER_AREA), np.uint8) for v in views]
    logs = np.stack([_logs(each) for each in small])
    level = np.zeros((len(views), 1, 1), np.float32)
    for _ in range(3):
        light = np.quantile(logs - level, _LIT, axis=0)
        level = np.quantile(logs - light, 0.6, axis=(1, 2), keepdims=True)
    smooth = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE)
    return [np.asarray(smooth + own, np.float32) for own in level]


def _logs(gray: NDArray[np.uint8]) -> Floats32:
    return np.asarray(np.log(gray.astype(np.float32) + np.float32(_LOG_BASE)), np.float32)


def height_seen(view: View, radius_mm: float) -> tuple[float, float]:
    """Return from where to where in y a frame that looks at x = 0 shows the wall ahead.

    Parameters
    ----------
    view : View
    radius_mm : float

    Returns
    -------
    tuple of float
        [mm]; twice the same if it shows none.
    """
    y = np.linspace(-4.0, 4.0, 321) * radius_mm
    there = y[shown_by(view, radius_mm, np.column_stack([np.zeros_like(y), y])).worth > 0]
    return (float(there.min()), float(there.max())) if len(there) else (0.0, 0.0)


def panel_of(
    view: View, light: Floats32, radius_mm: float, heading_rad: float, step_mm: float
) -> Panel | None:
    """Return a frame unrolled by its pose.

    Parameters
    ----------
    view : View
        Its pixels grey, shape (M, N).
    light : ndarray of shape (V, W) and dtype float32
        On the wall in this frame, as `lights_of` gives it.
    radius_mm : float
    heading_rad : float
        The angle of the wall about which it looks.
    step_mm : float

    Returns
    -------
    Panel or None
        None if by its pose it shows no wall.
    """
    turn_px = round(2 * math.pi * radius_mm / step_mm)
    step = 2 * math.pi * radius_mm / turn_px
    box = _box(view, radius_mm, heading_rad)
    if box is None:
        return None
    left, right = (round(v / step) for v in box[:2])
    top, bottom = (round(-v / step) for v in box[3:1:-1])
    frame = WallFrame(
        bore_mm=2 * radius_mm,
        step_mm=step,
        columns=right - left + 1,
        rows=bottom - top + 1,
        left_mm=left * step,
        top_mm=-top * step,
    )
    whole = slice(0, frame.rows), slice(0, frame.columns)
    fine = nodes_of(frame, _CELL_PX)
    at = np.clip(np.nan_to_num(pixel_map(view, radius_mm, fine.places_mm), nan=-99.0), -1e6, 1e6)
    factor = max(1, math.floor(px_per_mm(view, radius_mm, heading_rad, box[2:].mean()) * step + 0.3))
    maps = spread_out(np.asarray((at + 0.5) / factor - 0.5, np.float32).reshape(*fine.shape, 2), fine, *whole)
    source = view.pixels
    if factor > 1:
        size = source.shape[1] // factor, source.shape[0] // factor
        within = source[: size[1] * factor, : size[0] * factor]
        source = np.asarray(cv2.resize(within, size, interpolation=cv2.INTER_AREA), np.uint8)
    shrunk = np.array(light.shape[::-1]) / np.array(source.shape[::-1])
    logs = looked_up(_logs(source), maps)
    lit = looked_up(light, np.asarray((maps + 0.5) * shrunk - 0.5, np.float32))
    coarse = nodes_of(frame, 4 * _CELL_PX)
    shown = shown_by(view, radius_mm, coarse.places_mm)
    fair = (shown.worth > 0) & (shown.aslant_deg < _STEEPEST_DEG)
    good = spread_out(fair.reshape(coarse.shape).astype(np.float32), coarse, *whole) > 0.999
    if not good.any():
        return None
    good &= logs > lit - _WINDOW
    return Panel(
        left_px=left,
        top_px=top,
        step_mm=step,
        turn_px=turn_px,
        even=_evened(logs - lit, good, _EVEN_MM / step),
        good=good,
    )


def looked_up(image: Floats32, maps: Floats32) -> Floats32:
    """Return an image at places, the edge's values beyond it.

    Parameters
    ----------
    image : ndarray of shape (M, N) and dtype float32
    maps : ndarray of shape (V, W, 2) and dtype float32
        Places (column, row) [px].

    Returns
    -------
    ndarray of shape (V, W) and dtype float32
        Linear between pixels.
    """
    found = cv2.remap(image, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found, np.float32)


def _box(view: View, radius_mm: float, heading_rad: float) -> Floats | None:
    """Return from where to where a frame shows the wall: x, then y."""
    away = float(view.shift_mm[2]) + radius_mm
    middle = float(-(cv2.Rodrigues(view.turn)[0].T @ view.shift_mm)[2])
    x = (heading_rad + np.linspace(-1.8, 1.8, 61)) * radius_mm
    y = middle + np.linspace(-2.0, 2.0, 41) * away
    places = np.stack([part.ravel() for part in np.meshgrid(x, y)], axis=1)
    shown = shown_by(view, radius_mm, places)
    there = places[(shown.worth > 0) & (shown.aslant_deg < _STEEPEST_DEG)]
    if len(there) < 9:
        return None
    low, high = there.min(axis=0), there.max(axis=0)
    return np.array([low[0], high[0], low[1], high[1]])


def _evened(logs: Floats32, good: NDArray[np.bool_], sigma_px: float) -> Floats32:
    """Return the picture less its local mean; what does not show the wall weighs nothing in it."""
    weight = good.astype(np.float32)
    size = max(2, good.shape[1] // _COARSE), max(2, good.shape[0] // _COARSE)
    small = [
        cv2.GaussianBlur(cv2.resize(part, size, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / _COARSE)
        for part in (logs * weight, weight)
    ]
    mean = cv2.resize(small[0] / np.maximum(small[1], 1e-3), good.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.where(good, logs - mean, 0.0), np.float32)
