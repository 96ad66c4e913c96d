"""New edges of a window as curves, and the metal between the old edge and the new one.

Everything here is said of a roof. A floor is a roof seen with the cylinder turned upside down, a side one
seen with it laid on its other side: `portmap.roof` turns the window, asks here, and turns the answer back.

Frame: x [mm] across, y [mm] toward the new edge. Curves run from left to right.

Glossary
--------
chain
    The old roof: the outline from its right end over the top to its left end.
ends of the roof
    Where the sides stop and the roof begins: the corner that stands out furthest in a direction a little
    (`LEAN_DEG`) steeper than the side leans, so that a straight side leaning inward stays a side, and the
    whole round of a corner belongs to the roof.
take
    The metal between chain and curve.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.errors import GeometryError

__all__ = [
    "arched_curve",
    "check_radius",
    "metal_under",
    "moved_curve",
    "old_roof_above",
    "roof_chain",
    "tilted_curve",
]

Floats = NDArray[np.float64]

SAGITTA_MM = 5e-5  # arcs are drawn as polylines that stay this near; twenty times below the finest tool
LEAN_DEG = 3.0  # rounds off at most 0.14 % of a corner's radius
MOST_LEAN_DEG = 30.0
LEAST_ROOF = 0.05  # of the width; a window that comes to a point above has its whole upper edge for a roof


def roof_chain(outline: Polygon) -> Floats:
    """Return the old roof of an outline.

    Parameters
    ----------
    outline : shapely.Polygon

    Returns
    -------
    ndarray of shape (N, 2)
        From its right end over the top to its left end [mm]; N at least 2.

    Examples
    --------
    >>> roof_chain(shapely.box(-10, 30, 10, 38))
    array([[ 10.,  38.],
           [-10.,  38.]])
    """
    points = np.asarray(shapely.geometry.polygon.orient(outline).exterior.coords)[:-1, :2]
    right, left = _side_leans(points)
    first, last = _end(points, 1.0, right), _end(points, -1.0, left)
    if not points[first, 0] - points[last, 0] > LEAST_ROOF * np.ptp(points[:, 0]):
        first, last = _end(points, 1.0, 0.0), _end(points, -1.0, 0.0)
    count = (last - first) % len(points) + 1
    return np.asarray(points[(first + np.arange(count)) % len(points)])


def _end(points: Floats, side: float, lean_rad: float) -> int:
    tilt = lean_rad + math.radians(LEAN_DEG)
    return int(np.argmax(side * points[:, 0] * math.cos(tilt) + points[:, 1] * math.sin(tilt)))


def _side_leans(points: Floats) -> tuple[float, float]:
    """Return how far right and left side lean inward between a quarter and three quarters of the height."""
    low, high = float(points[:, 1].min()), float(points[:, 1].max())
    quarter, three = _extent(points, low + (high - low) / 4), _extent(points, low + 3 * (high - low) / 4)
    rise, most = (high - low) / 2, math.radians(MOST_LEAN_DEG)
    leans = (math.atan2(quarter[1] - three[1], rise), math.atan2(three[0] - quarter[0], rise))
    return min(max(leans[0], 0.0), most), min(max(leans[1], 0.0), most)


def _extent(points: Floats, height: float) -> tuple[float, float]:
    start, end = points, np.roll(points, -1, axis=0)
    cut = (start[:, 1] > height) != (end[:, 1] > height)
    start, end = start[cut], end[cut]
    x = start[:, 0] + (height - start[:, 1]) / (end[:, 1] - start[:, 1]) * (end[:, 0] - start[:, 0])
    return float(x.min()), float(x.max())


def moved_curve(chain: Floats, by_mm: float) -> Floats:
    """Return the old roof moved straight up.

    Parameters
    ----------
    chain : ndarray of shape (N, 2)
    by_mm : float
        How far [mm].

    Returns
    -------
    ndarray of shape (N, 2)
        From left to right [mm].

    Examples
    --------
    >>> moved_curve(np.array([[10.0, 38.0], [-10.0, 38.0]]), 0.5)
    array([[-10. ,  38.5],
           [ 10. ,  38.5]])
    """
    return np.asarray(chain[::-1] + np.array([0.0, by_mm]))


def tilted_curve(
    ends_mm: tuple[float, float],
    span_mm: tuple[float, float],
    heights_mm: tuple[float, float],
    *,
    radius_mm: float = 0.0,
    step_mm: float | None = None,
) -> Floats:
    """Return a roof that passes from one height to another; with equal heights, a flat one.

    Parameters
    ----------
    ends_mm : tuple of float
        x of this window's left and right side [mm].
    span_mm : tuple of float
        x from where to where the heights are meant [mm]: the window's own ends, or those of several
        windows under one roof.
    heights_mm : tuple of float
        At the left and right of the span [mm].
    radius_mm : float, optional
        Of the corners, each tangent to side and roof [mm].
    step_mm : float or None, optional
        Width over which the roof passes from one height to the other, about the span's middle, as half a
        cosine wave [mm]; None for a straight slope over all of it.

    Returns
    -------
    ndarray of shape (N, 2)
        From left to right [mm].

    Raises
    ------
    GeometryError
        If the radius is larger than the window allows.

    Examples
    --------
    >>> tilted_curve((0.0, 10.0), (0.0, 10.0), (38.0, 38.0), radius_mm=2.0)[[0, -1]]
    array([[ 0., 36.],
           [10., 36.]])
    """
    left, right = ends_mm
    check_radius(radius_mm, (right - left) / 2, "half its width")
    middle = sum(span_mm) / 2
    low, high = heights_mm
    if low == high or step_mm is None:
        slope = (high - low) / (span_mm[1] - span_mm[0])

        def height(x: float) -> float:
            return low + slope * (x - span_mm[0])

        flats, between = (left, right), np.empty((0, 2))
    else:
        slope = 0.0
        flats = (middle - step_mm / 2, middle + step_mm / 2)
        room = min(flats[0] - left, right - flats[1])
        if room < 0:
            raise GeometryError(
                f"a step {step_mm:g} mm wide does not fit a roof {right - left:.2f} mm wide",
                where="step_mm",
                remedy="make it narrower, or leave it out for an even slope",
            )
        check_radius(radius_mm, room, "the level part beside the step")
        # half a wave of height h over width w bends at most with π²·h/(2·w²)
        bend = math.pi**2 * abs(high - low) / (2 * step_mm**2)
        share = np.linspace(0.0, 1.0, _pieces(step_mm, 1 / bend) + 1)
        between = np.column_stack(
            [flats[0] + step_mm * share, low + (high - low) * (1 - np.cos(np.pi * share)) / 2]
        )

        def height(x: float) -> float:
            return low if x < middle else high

    parts = [
        _tilted_corner(left, height, slope, radius_mm, side=-1.0),
        between,
        _tilted_corner(right, height, slope, radius_mm, side=1.0),
    ]
    return np.concatenate(parts)


def _tilted_corner(
    x: float, height: Callable[[float], float], slope: float, radius: float, *, side: float
) -> Floats:
    if radius == 0:
        return np.array([[x, height(x)]])
    steep = math.hypot(1.0, slope)
    centre = (x - side * radius, height(x - side * radius) - radius * steep)
    to_roof = math.atan2(1.0, -slope)
    return _round(centre, radius, to_roof, side)


def _round(centre: tuple[float, float], radius: float, to_roof: float, side: float) -> Floats:
    """Return the arc from the left side up to the roof, or from the roof down to the right side."""
    to_side = 0.0 if side > 0 else math.pi
    begin, end = (to_roof, to_side) if side > 0 else (to_side, to_roof)
    angle = np.linspace(begin, end, _pieces(radius * abs(end - begin), radius) + 1)
    points = np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])
    points[-1 if side > 0 else 0] = (centre[0] + side * radius, centre[1])  # to the last digit on the side
    return points


def arched_curve(
    ends_mm: tuple[float, float],
    span_mm: tuple[float, float],
    crown_mm: float,
    rise_mm: float,
    *,
    radius_mm: float = 0.0,
) -> Floats:
    """Return a roof that is an arc of a circle.

    Over a span w with rise s the arc's radius is (w²/4 + s²)/(2·s) [1]_.

    Parameters
    ----------
    ends_mm : tuple of float
        x of this window's left and right side [mm].
    span_mm : tuple of float
        x between which the arc rises: the window's own ends, or those of several windows [mm].
    crown_mm : float
        Height of the arc's middle [mm].
    rise_mm : float
        Of the middle above the ends of the span [mm].
    radius_mm : float, optional
        Of the corners, each tangent to side and arc [mm].

    Returns
    -------
    ndarray of shape (N, 2)
        From left to right [mm].

    Raises
    ------
    GeometryError
        If the rise is more than half the span, or the radius larger than the window allows.

    References
    ----------
    .. [1] Machinery's Handbook, segments of circles (from memory).

    Examples
    --------
    >>> arched_curve((-3.0, 3.0), (-3.0, 3.0), 40.0, 1.0)[[0, -1]]
    array([[-3., 39.],
           [ 3., 39.]])
    """
    left, right = ends_mm
    half = (span_mm[1] - span_mm[0]) / 2
    if not 0 < rise_mm <= half:
        raise GeometryError(
            f"a roof {2 * half:.2f} mm wide cannot be arched by {rise_mm:g} mm",
            where="rise_mm",
            remedy=f"take a rise of at most half a circle, {half:.2f} mm, or a flat roof",
        )
    check_radius(radius_mm, (right - left) / 2, "half its width")
    bow = (half**2 + rise_mm**2) / (2 * rise_mm)
    middle, centre = sum(span_mm) / 2, crown_mm - bow
    parts, turns = [], []
    for x, side in ((left, -1.0), (right, 1.0)):
        across = x - side * radius_mm - middle
        up = math.sqrt(max((bow - radius_mm) ** 2 - across**2, 0.0))
        turn = math.atan2(up, across)
        turns.append(turn)
        foot = (x - side * radius_mm, centre + up)
        parts.append(_round(foot, radius_mm, turn, side) if radius_mm > 0 else np.array([foot]))
    angle = np.linspace(turns[0], turns[1], _pieces(bow * (turns[0] - turns[1]), bow) + 1)[1:-1]
    arc = np.column_stack([middle + bow * np.cos(angle), centre + bow * np.sin(angle)])
    return np.concatenate([parts[0], arc, parts[1]])


def _pieces(length: float, radius: float) -> int:
    """Return into how many straight pieces an arc is cut to stay within `SAGITTA_MM`; an even number."""
    step = 2 * math.acos(max(1 - SAGITTA_MM / radius, 0.0))
    return 2 * max(math.ceil(length / radius / step / 2), 1)  # even, so that an arch has its very crown


def check_radius(radius_mm: float, most_mm: float, words: str) -> None:
    """Refuse a corner radius that does not fit.

    Parameters
    ----------
    radius_mm, most_mm : float
        What is asked for, and the largest that fits [mm].
    words : str
        What sets that limit.

    Raises
    ------
    GeometryError
        If it is larger or below 0.

    Examples
    --------
    >>> check_radius(8.0, 6.0, "half its width")
    Traceback (most recent call last):
    portmap.errors.GeometryError: radius_mm: a corner radius of 8 mm is larger than the window allows: ...
    """
    if not 0 <= radius_mm <= most_mm * (1 + 1e-9):
        raise GeometryError(
            f"a corner radius of {radius_mm:g} mm is larger than the window allows:"
            f" {most_mm:.2f} mm, {words}",
            where="radius_mm",
            remedy="take a smaller one",
        )


def metal_under(chain: Floats, curve: Floats) -> shapely.Geometry:
    """Return the metal between the old roof and a new one, within the roof's ends.

    Parameters
    ----------
    chain : ndarray of shape (N, 2)
        As `roof_chain` gives it.
    curve : ndarray of shape (M, 2)
        From left to right, from the chain's left end's x to its right end's [mm].

    Returns
    -------
    shapely.Polygon or MultiPolygon
        Empty where the curve lies nowhere above the chain.

    Raises
    ------
    GeometryError
        If the old roof doubles back so that nothing can be said of what lies above it.

    Examples
    --------
    >>> chain = np.array([[10.0, 38.0], [-10.0, 38.0]])
    >>> metal_under(chain, moved_curve(chain, 0.5)).area
    10.0
    """
    above, _ = _sides_of(chain[::-1], chain, curve)
    _, below = _sides_of(curve, chain, curve)
    return shapely.intersection(above, below)


def _sides_of(line: Floats, chain: Floats, curve: Floats) -> tuple[Polygon, Polygon]:
    """Return what lies above and below a line from left to right, within the roof's ends."""
    left, right = chain[-1, 0], chain[0, 0]
    top = max(float(chain[:, 1].max()), float(curve[:, 1].max())) + 1.0
    bottom = min(float(chain[:, 1].min()), float(curve[:, 1].min())) - 1.0
    above = Polygon(np.concatenate([line, [(right, top), (left, top)]]))
    below = Polygon(np.concatenate([line, [(right, bottom), (left, bottom)]]))
    for shape in (above, below):
        if not shape.is_valid:
            raise GeometryError(
                "the old roof doubles back under itself near its ends", remedy="redraw the outline there"
            )
    return above, below


def old_roof_above(chain: Floats, curve: Floats) -> tuple[float, float]:
    """Return where the old roof stands out furthest beyond a new one, since metal cannot be put back.

    Parameters
    ----------
    chain, curve : ndarray
        As in `metal_under`.

    Returns
    -------
    tuple of float
        x, and how far square to the edge [mm]; 0 where the new roof lies beyond everywhere.

    Raises
    ------
    GeometryError
        As `metal_under`.

    Examples
    --------
    >>> chain = np.array([[10.0, 38.0], [0.0, 38.0], [-10.0, 38.0]])
    >>> old_roof_above(chain, np.array([[-10.0, 37.5], [10.0, 37.5]]))[1]
    0.5
    """
    above, _ = _sides_of(curve, chain, curve)
    _, below = _sides_of(chain[::-1], chain, curve)
    corners = shapely.get_coordinates(shapely.intersection(above, below))
    if not len(corners):
        return float(chain[0, 0]), 0.0
    away = shapely.distance(shapely.points(corners), shapely.linestrings(curve))
    furthest = int(np.argmax(away))
    return float(corners[furthest, 0]), float(away[furthest])
