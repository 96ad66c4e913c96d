"""A window's area below any height, exact and by look-up.

Between the heights of two neighbouring corners the width of a polygon is linear in height, so the area
below a height is piecewise quadratic. A window is cut into those intervals once; any number of heights
is then answered at once. The chord area follows from the same intervals with R·sin((x − centre)/R) in
place of x, integrated in closed form along each side. Nothing is sampled.

Glossary
--------
wall area
    On the developed wall.
chord area
    Projected on the plane square to the window's mean radial direction: what a flat gauge laid across
    the window sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import Polygon

from portmap.errors import GeometryError
from portmap.port import Window, centre_x

__all__ = ["Profile", "area_below", "chord_area_below", "moment_below", "window_profile"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profile:
    """A window cut into intervals of height, ready for look-up.

    Parameters
    ----------
    heights_mm : ndarray of shape (K + 1,)
        The corners' heights, ascending [mm].
    widths_mm : ndarray of shape (K, 2)
        Width at the lower and upper end of each interval [mm], just inside it.
    areas_mm2 : ndarray of shape (K + 1,)
        Wall area below each height [mm²].
    moments_mm3 : ndarray of shape (K + 1,)
        ∫ y dA below each height [mm³].
    side_start : ndarray of shape (K + 1,)
        Where each interval's sides begin in the arrays below.
    side_sign : ndarray of shape (E,)
        +1 for a right side, −1 for a left one.
    side_x_mm : ndarray of shape (E, 2)
        x of each side at the lower and upper end of its interval, from the window's centre [mm].
    chord_areas_mm2 : ndarray of shape (K + 1,)
        Chord area below each height [mm²].
    radius_mm : float
        Half the bore [mm].
    """

    heights_mm: Floats
    widths_mm: Floats
    areas_mm2: Floats
    moments_mm3: Floats
    side_start: NDArray[np.intp]
    side_sign: Floats
    side_x_mm: Floats
    chord_areas_mm2: Floats
    radius_mm: float


def window_profile(window: Window, bore_mm: float) -> Profile:
    """Return a window prepared for look-up; the same window asked for again costs next to nothing.

    Parameters
    ----------
    window : Window
    bore_mm : float
        Bore [mm].

    Returns
    -------
    Profile

    Raises
    ------
    GeometryError
        If the window reaches further than a quarter of a turn from its centre, where a chord has no
        meaning.

    Notes
    -----
    Time and memory grow with the number of corners times the number of sides cut by one height, which is
    two for most windows.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> window_profile(Window(outline=shape), 46.0).areas_mm2
    array([ 0., 80.])
    """
    return _profile_of(_Same(window.outline), bore_mm)


class _Same:
    """An outline as a key of the cache: the very same object, since to hash its corners costs more."""

    __slots__ = ("outline",)

    def __init__(self, outline: Polygon) -> None:
        self.outline = outline

    def __hash__(self) -> int:
        return id(self.outline)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.outline is self.outline


@lru_cache(maxsize=512)
def _profile_of(same: _Same, bore_mm: float) -> Profile:
    window = Window(outline=same.outline)
    radius = bore_mm / 2
    centre = centre_x(window, bore_mm)
    reach = max(abs(side - centre) for side in window.outline.bounds[::2])
    if not reach <= math.pi / 2 * radius * (1 + 1e-12):
        raise GeometryError(
            f"the window reaches {reach:.1f} mm from its middle, more than a quarter turn"
            f" of a {bore_mm:g} mm bore",
            remedy="check the bore and the outline's scale, or split the window",
        )
    start, end = _sides(window)
    heights = np.unique(start[:, 1])
    rising = end[:, 1] > start[:, 1]
    rank = np.searchsorted(heights, start[:, 1])
    rank_end = np.searchsorted(heights, end[:, 1])
    first = np.minimum(rank, rank_end)
    crossed = np.abs(rank_end - rank)  # how many intervals each side spans; level sides span none
    side = np.repeat(np.arange(len(start)), crossed)
    interval = np.arange(len(side)) + np.repeat(first - np.cumsum(crossed) + crossed, crossed)
    order = np.argsort(interval, kind="stable")
    side, interval = side[order], interval[order]
    sign = np.where(rising, 1.0, -1.0)[side]  # exterior anticlockwise: the right side rises
    x_start, x_end = start[side, 0] - centre, end[side, 0] - centre
    y_start = start[side, 1]
    run = end[side, 1] - y_start
    x_ends = np.empty((len(side), 2))
    for column, height in enumerate((heights[interval], heights[interval + 1])):
        share = (height - y_start) / run
        x_ends[:, column] = x_start * (1 - share) + x_end * share
    count = len(heights) - 1
    widths = np.empty((count, 2))
    for column in (0, 1):
        widths[:, column] = np.bincount(interval, weights=sign * x_ends[:, column], minlength=count)
    step = np.diff(heights)
    slab: Floats = (widths[:, 0] + widths[:, 1]) / 2 * step
    # ∫ y w dy over the interval, w linear
    moment = slab * heights[:-1] + step**2 * (widths[:, 0] / 6 + widths[:, 1] / 3)
    chord = np.bincount(interval, weights=sign * _mean_chord(x_ends, 1.0, radius), minlength=count)
    return Profile(
        heights_mm=heights,
        widths_mm=widths,
        areas_mm2=_running(slab),
        moments_mm3=_running(moment),
        side_start=np.searchsorted(interval, np.arange(count + 1)),
        side_sign=sign,
        side_x_mm=x_ends,
        chord_areas_mm2=_running(np.asarray(chord * step, np.float64)),
        radius_mm=radius,
    )


def _sides(window: Window) -> tuple[Floats, Floats]:
    rings = [np.asarray(r.coords)[:, :2] for r in (window.outline.exterior, *window.outline.interiors)]
    return np.concatenate([ring[:-1] for ring in rings]), np.concatenate([ring[1:] for ring in rings])


def _running(parts: Floats) -> Floats:
    return np.concatenate([[0.0], np.cumsum(parts)])


def _mean_chord(x_ends: Floats, share: Floats | float, radius: float) -> Floats:
    """Return ∫ R sin(x/R) ds for s from 0 to `share`, x linear between `x_ends` at s = 0 and 1."""
    low = x_ends[:, 0] / radius
    high = low + (x_ends[:, 1] - x_ends[:, 0]) / radius * share
    return np.asarray(radius * share * np.sin((low + high) / 2) * np.sinc((high - low) / (2 * np.pi)))


def area_below(profile: Profile, height_mm: ArrayLike) -> Floats:
    """Return the wall area below given heights.

    Parameters
    ----------
    profile : Profile
    height_mm : array_like of shape (...)
        Height above the base face [mm].

    Returns
    -------
    ndarray of shape (...)
        Area [mm²]: 0 below the floor, the whole window above the roof.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> area_below(window_profile(Window(outline=shape), 46.0), [20, 34, 50])
    array([ 0., 40., 80.])
    """
    index, share, step = _found(profile, height_mm)
    low, high = profile.widths_mm[index, 0], profile.widths_mm[index, 1]
    return np.asarray(profile.areas_mm2[index] + step * share * (low + (high - low) * share / 2))


def moment_below(profile: Profile, height_mm: ArrayLike) -> Floats:
    """Return the first moment of the wall area below given heights.

    Parameters
    ----------
    profile : Profile
    height_mm : array_like of shape (...)
        Height above the base face [mm].

    Returns
    -------
    ndarray of shape (...)
        ∫ y dA [mm³].

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> moment_below(window_profile(Window(outline=shape), 46.0), 38)
    array(2720.)
    """
    index, share, step = _found(profile, height_mm)
    low, high = profile.widths_mm[index, 0], profile.widths_mm[index, 1]
    part = step * share * (low + (high - low) * share / 2)
    rise = step**2 * share**2 * (low / 2 + (high - low) * share / 3)
    return np.asarray(profile.moments_mm3[index] + part * profile.heights_mm[index] + rise)


def chord_area_below(profile: Profile, height_mm: ArrayLike) -> Floats:
    """Return the chord area below given heights.

    Parameters
    ----------
    profile : Profile
    height_mm : array_like of shape (...)
        Height above the base face [mm].

    Returns
    -------
    ndarray of shape (...)
        Area [mm²] on the plane square to the window's mean radial direction.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> quarter = math.pi * 46 / 4
    >>> wide = window_polygon([[-quarter, 0], [quarter, 0], [quarter, 1], [-quarter, 1]])
    >>> chord_area_below(window_profile(Window(outline=wide), 46.0), 1.0)
    array(46.)
    """
    index, share, step = _found(profile, height_mm)
    flat_index, flat_share = index.ravel(), share.ravel()
    counts = profile.side_start[flat_index + 1] - profile.side_start[flat_index]
    query = np.repeat(np.arange(len(flat_index)), counts)
    side = np.arange(len(query)) - np.repeat(np.cumsum(counts) - counts, counts)
    side += profile.side_start[flat_index[query]]
    mean = _mean_chord(profile.side_x_mm[side], flat_share[query], profile.radius_mm)
    part = np.bincount(query, weights=profile.side_sign[side] * mean, minlength=len(flat_index))
    return np.asarray(profile.chord_areas_mm2[index] + step * part.reshape(index.shape))


def _found(profile: Profile, height_mm: ArrayLike) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Return each height's interval, its share of the way up it, and the interval's height."""
    heights = profile.heights_mm
    y = np.clip(np.asarray(height_mm, np.float64), heights[0], heights[-1])
    index = np.clip(np.searchsorted(heights, y, side="right") - 1, 0, len(heights) - 2)
    step = heights[index + 1] - heights[index]
    return index, (y - heights[index]) / step, step
