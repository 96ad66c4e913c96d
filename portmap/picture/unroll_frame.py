"""From where to where a wall image goes, and which of its pixels show the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.wall_view import Nodes, View, WallFrame, nodes_of, shown_by, spread_out

__all__ = ["REACH", "seen_wall", "wall_behind_strip", "wall_frame"]

REACH = 1.2  # bores above the base face (or below the deck), where nothing else tells how far the wall goes
_LEAST_COVERED = 0.05  # of a row's columns, for it to be in the image
_PIXEL_LIMIT = 60_000_000
_SIDE_LIMIT_PX = 32_000
_STRIP_RIM_MM = 0.3
_LEFT_OUT_MM = 2.0  # at most, beside a strip: a frame ends at a whole millimetre that photos show


def wall_frame(
    views: Sequence[View],
    bore_mm: float,
    step_mm: float,
    *,
    range_mm: tuple[float, float],
    strip_mm: tuple[float, float] | None = None,
    low_mm: float | None = None,
    high_mm: float | None = None,
) -> WallFrame:
    """Return the wall image's frame, from where to where it is told or the wall is seen.

    Parameters
    ----------
    views : sequence of View
    bore_mm, step_mm : float
        Bore; size of a pixel [mm].
    range_mm : tuple of float
        From where to where there may be wall.
    strip_mm : tuple of float, optional
        From where to where a strip hides it.
    low_mm, high_mm : float, optional
        As told.

    Returns
    -------
    WallFrame

    Raises
    ------
    PictureError
        If no photo shows the wall.
    QuantityError
        If what is told is no stretch of wall, or makes too large an image.
    """
    bottom, top = range_mm
    rough = WallFrame.of(bore_mm, 0.5, bottom, top)
    nodes = nodes_of(rough, 2)
    worth = np.max([shown_by(view, bore_mm / 2, nodes.places_mm).worth for view in views], axis=0)
    covered = (worth.reshape(nodes.shape)[:, 1:-1] > 0).mean(axis=1) > _LEAST_COVERED
    if strip_mm is not None:
        below, above = nodes.y_mm <= strip_mm[0], nodes.y_mm >= strip_mm[1]
        # past a strip at the bore's end there is a sliver of wall at most, and then what lies behind the bore
        less = above if covered[below].sum() >= covered[above].sum() else below
        covered[less] = False
        covered &= below | above
    covered &= (nodes.y_mm >= bottom) & (nodes.y_mm <= top)
    if not covered.any() and (low_mm is None or high_mm is None):
        raise PictureError(
            "no photo shows the wall of the bore, only the card",
            where=views[0].name,
            remedy="let the camera look into the bore past the card, from beside the axis",
        )
    heights = nodes.y_mm[covered]
    low = low_mm if low_mm is not None else max(bottom, math.floor(heights.min()))
    high = high_mm if high_mm is not None else min(top, math.ceil(heights.max()))
    if not high - low >= 1.0:
        raise QuantityError(
            f"from {low:g} to {high:g} mm is no stretch of wall", where="--to", remedy="give a larger one"
        )
    frame = WallFrame.of(bore_mm, step_mm, low, high)
    if frame.columns * frame.rows > _PIXEL_LIMIT or max(frame.columns, frame.rows) > _SIDE_LIMIT_PX:
        raise QuantityError(
            f"{step_mm:g} mm a pixel makes {frame.columns} × {frame.rows} pixels",
            where="mm_per_px",
            remedy="take larger pixels",
        )
    return frame


def wall_behind_strip(frame: WallFrame, strip_mm: tuple[float, float]) -> tuple[float, float]:
    """Return from where to where in y there is wall that no photo shows, as a strip lies there.

    Parameters
    ----------
    frame : WallFrame
    strip_mm : tuple of float
        From where to where the strip lies.

    Returns
    -------
    tuple of float
        With what the frame leaves out beside the strip, and whole pixels: each place is seen or behind it.

    Examples
    --------
    >>> wall_behind_strip(WallFrame.of(46.0, 0.05, 0.0, 37.0), (37.6, 57.6))
    (37.0, 57.9)
    """
    low, high = _with_rim(strip_mm)
    y = _rows_mm(frame)
    bottom, hidden = float(y[-1]), y[(y > low) & (y < high)]
    if len(hidden) and hidden[-1] > bottom:
        low = float(hidden[-1]) - frame.step_mm / 2
    if len(hidden) and hidden[0] < frame.top_mm:
        high = float(hidden[0]) + frame.step_mm / 2
    low = frame.top_mm if 0.0 <= low - frame.top_mm < _LEFT_OUT_MM else low
    high = bottom if 0.0 <= bottom - high < _LEFT_OUT_MM else high
    return low, high


def _rows_mm(frame: WallFrame) -> NDArray[np.float64]:
    """Return the heights of a wall image's rows."""
    return np.asarray(frame.top_mm - np.arange(frame.rows) * frame.step_mm)


def _with_rim(strip_mm: tuple[float, float]) -> tuple[float, float]:
    """Return from where to where in y a strip and its rim hide the wall."""
    return strip_mm[0] - _STRIP_RIM_MM, strip_mm[1] + _STRIP_RIM_MM


def seen_wall(
    frame: WallFrame, nodes: Nodes, share: NDArray[np.float32], strip_mm: tuple[float, float] | None
) -> NDArray[np.bool_]:
    """Return which pixels show the wall.

    Parameters
    ----------
    frame : WallFrame
    nodes : Nodes
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes.
    strip_mm : tuple of float or None
        From where to where a strip hides it.

    Returns
    -------
    ndarray of dtype bool
        Of the image's size.
    """
    whole = (slice(0, frame.rows), slice(0, frame.columns))
    seen = spread_out(share.sum(axis=0), nodes, *whole) > 0.5
    if strip_mm is not None:
        y = _rows_mm(frame)
        low, high = _with_rim(strip_mm)
        seen[(y > low) & (y < high)] = False
    return np.asarray(seen)
