"""Where a ring has no wall behind it: the stretches of a window at each height, and how they end at the roof.

Between the heights of two neighbouring corners each stretch's ends move in straight lines, so that all
measures are taken at the heights of corners and are exact there; nothing is sampled.

Frame: the bore frame (`portmap.port`). Widths are lengths of wall (arcs) [mm].

Glossary
--------
stretch
    From one edge of metal to the next at one height. An island parts a window into two stretches.
holds
    Whether metal between two stretches is wide enough to carry the ring; if not, they count as one.
given back
    What of the widest stretch turns to wall while the ring rises by a little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

__all__ = ["Stretch", "Stretches", "given_back", "level_width_mm", "stretches_of", "widest_stretch"]

Floats = NDArray[np.float64]

UNDER = 1e-9  # of a height: just below it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stretches:
    """All stretches of some windows, from one corner's height to the next one's.

    Parameters
    ----------
    heights_mm : ndarray of shape (S, 2)
        Lower and upper end of the interval [mm], ascending.
    left_mm, right_mm : ndarray of shape (S, 2)
        x of the ends, at the interval's lower and upper end [mm].
    first : ndarray of shape (K,)
        Number of the first stretch of each interval; within one they stand from left to right.
    """

    heights_mm: Floats
    left_mm: Floats
    right_mm: Floats
    first: NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """One stretch at one height.

    Parameters
    ----------
    width_mm : float
        Along the wall [mm].
    x_mm, y_mm : float
        Its middle [mm].
    """

    width_mm: float
    x_mm: float
    y_mm: float


def stretches_of(shapes: Sequence[Polygon | MultiPolygon]) -> Stretches:
    """Return the stretches of windows that do not lie on each other.

    Parameters
    ----------
    shapes : sequence of shapely.Polygon or shapely.MultiPolygon
        At least one with an area.

    Returns
    -------
    Stretches

    Examples
    --------
    >>> found = stretches_of([shapely.box(-14, 28, 14, 40)])
    >>> found.left_mm, found.right_mm, found.heights_mm
    (array([[-14., -14.]]), array([[14., 14.]]), array([[28., 40.]]))
    """
    rings = [
        np.asarray(ring.coords)[:, :2]
        for part in shapely.get_parts(list(shapes))
        for ring in (part.exterior, *part.interiors)
    ]
    start = np.concatenate([ring[:-1] for ring in rings])
    end = np.concatenate([ring[1:] for ring in rings])
    heights = np.unique(start[:, 1])
    low, high = np.searchsorted(heights, start[:, 1]), np.searchsorted(heights, end[:, 1])
    bottom, crossed = np.minimum(low, high), np.abs(high - low)
    side = np.repeat(np.arange(len(start)), crossed)
    interval = np.arange(len(side)) + np.repeat(bottom - np.cumsum(crossed) + crossed, crossed)
    run = end[side] - start[side]
    ends = np.stack([heights[interval], heights[interval + 1]], axis=1)
    x = start[side, :1] + (ends - start[side, 1:]) / run[:, 1:] * run[:, :1]
    order = np.lexsort((x.sum(axis=1), interval))  # sides do not cross inside an interval
    x, interval, ends = x[order], interval[order], ends[order]
    left, right, interval = x[::2], x[1::2], interval[::2]
    first = np.flatnonzero(np.diff(interval, prepend=-1))
    return Stretches(heights_mm=ends[::2], left_mm=left, right_mm=right, first=first)


def widest_stretch(found: Stretches, *, holds_mm: float = 0.0) -> Stretch:
    """Return the widest stretch.

    Parameters
    ----------
    found : Stretches
    holds_mm : float, optional
        Narrower metal does not part two stretches [mm].

    Returns
    -------
    Stretch
        The highest of several.

    Examples
    --------
    >>> pair = stretches_of([shapely.box(-9, 28, -0.5, 40), shapely.box(0.5, 28, 9, 39)])
    >>> widest_stretch(pair).width_mm, widest_stretch(pair, holds_mm=1.5).width_mm
    (8.5, 18.0)
    """
    best = Stretch(width_mm=-1.0, x_mm=0.0, y_mm=0.0)
    for column in (0, 1):
        left, right, y = (part[:, column] for part in (found.left_mm, found.right_mm, found.heights_mm))
        starts = np.zeros(len(left), bool)
        starts[found.first] = True
        starts[1:] |= left[1:] - right[:-1] >= holds_mm
        begin = np.flatnonzero(starts)
        end = np.append(begin[1:], len(left)) - 1
        width = right[end] - left[begin]
        at = int(np.flatnonzero(width >= width.max() - UNDER)[-1])
        if width[at] >= best.width_mm - UNDER:
            best = Stretch(
                width_mm=float(width[at]),
                x_mm=float(right[end[at]] + left[begin[at]]) / 2,
                y_mm=float(y[begin[at]]),
            )
    return best


def _widths(found: Stretches) -> tuple[Floats, Floats]:
    """Return heights, ascending and each twice where the width jumps, with the widest stretch there."""
    widths = np.maximum.reduceat(found.right_mm - found.left_mm, found.first, axis=0)
    return found.heights_mm[found.first].ravel(), widths.ravel()


def given_back(found: Stretches, rise_mm: float) -> tuple[float, float]:
    """Return the most that the widest stretch loses while the ring rises by a little.

    Parameters
    ----------
    found : Stretches
    rise_mm : float
        How far the ring rises [mm].

    Returns
    -------
    lost_mm : float
        Of wall [mm]; above the roof nothing is open.
    height_mm : float
        Where the rise ends [mm].

    Examples
    --------
    >>> given_back(stretches_of([shapely.box(-14, 28, 14, 40)]), 0.5)
    (28.0, 40.0)
    """
    heights, widths = _widths(found)

    def width(y: Floats) -> Floats:
        # away from the corners' own heights, where a width may jump
        return np.asarray(np.interp(y, heights, widths, left=0.0, right=0.0))

    upward = widths - width(heights + rise_mm + UNDER)
    downward = width(heights - rise_mm - UNDER) - widths
    downward = np.append(downward, width(heights[-1:] - rise_mm - UNDER))  # past the roof
    ends = np.concatenate([np.minimum(heights + rise_mm, heights[-1]), heights, heights[-1:]])
    lost = np.concatenate([upward, downward])
    best = float(lost.max())
    at = int(np.flatnonzero(lost >= best - UNDER)[-1])
    return best, float(ends[at])


def level_width_mm(found: Stretches, within_mm: float) -> float:
    """Return how wide the roof's level part is.

    Parameters
    ----------
    found : Stretches
    within_mm : float
        What lies lower than the highest point by less counts as level [mm].

    Returns
    -------
    float
        Of the widest stretch at that height [mm].

    Examples
    --------
    >>> roof = Polygon([[-14, 28], [14, 28], [14, 38], [10, 40], [-10, 40], [-14, 38]])
    >>> round(level_width_mm(stretches_of([roof]), 0.05), 6)
    20.2
    """
    heights, widths = _widths(found)
    y = heights[-1] - min(within_mm, (heights[-1] - heights[0]) / 2)
    return float(np.interp(y, heights, widths))
