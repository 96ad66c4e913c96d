"""Where one shape of a port reaches past another: areas, and places with their depth.

Frame: the developed wall, mm; x 0 at the exhaust centre line, to the right as seen from the bore axis, y
above the base face. A shape is the opening: where it reaches further, metal was taken or is to be taken.

Glossary
--------
line
    The edge of the shape that one measures from.
past the line
    Outside of that shape, on the metal.
place
    A stretch in which a shape reaches past the line by more than a stated least depth.
depth
    How far its farthest point lies from the line [mm].
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.affinity import translate

from portmap.edge_distance import edge_feet, edge_lines
from portmap.port import Port
from portmap.shown import COVERAGE, UnitSystem, unit_system

__all__ = [
    "NAMED_MM",
    "Place",
    "Shape",
    "Tallest",
    "area_beyond",
    "named_mm",
    "place_words",
    "places_beyond",
    "tallest_of",
]

Shape: TypeAlias = Polygon | MultiPolygon
Floats = NDArray[np.float64]
EdgeName = Literal["roof", "floor", "left side", "right side"]

NAMED_MM = 0.05  # least depth of a place that is named where no doubt is stated; common practice, no source
_LEAST_NAMED_MM = 0.02
_ON_CENTRE_MM = 0.05
_GRID_MM = 1e-11
_LINES = 400  # upright lines at most, to look for the greatest height


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """A stretch of edge that lies past a line.

    Parameters
    ----------
    port : str
    edge : {'roof', 'floor', 'left side', 'right side'}
        Which way it goes past, seen from the bore axis.
    x_mm, y_mm : float
        Its farthest point [mm].
    depth_mm : float
        How far that lies from the line [mm].
    left_mm, right_mm, low_mm, high_mm : float
        How far the stretch reaches [mm].
    area_mm2 : float
        Past the line [mm²].
    shape : shapely.Polygon or shapely.MultiPolygon
        What lies past the line there.
    """

    port: str
    edge: EdgeName
    x_mm: float
    y_mm: float
    depth_mm: float
    left_mm: float
    right_mm: float
    low_mm: float
    high_mm: float
    area_mm2: float
    shape: Shape


@dataclass(frozen=True, kw_only=True, slots=True)
class Tallest:
    """The greatest upright height in a shape.

    Parameters
    ----------
    height_mm : float
        [mm].
    x_mm, y_mm : float
        Its lower end [mm].
    """

    height_mm: float
    x_mm: float
    y_mm: float


def area_beyond(line: Shape, other: Shape) -> Shape:
    """Return what of a shape lies outside another one.

    Parameters
    ----------
    line, other : shapely.Polygon or shapely.MultiPolygon
        What of `other` is not in `line`.

    Returns
    -------
    shapely.Polygon or shapely.MultiPolygon
        Empty if there is none; never lines or points alone.

    Examples
    --------
    >>> area_beyond(shapely.box(0, 0, 10, 5), shapely.box(0, 0, 10, 6)).bounds
    (0.0, 5.0, 10.0, 6.0)
    """
    # on a grid: the exact overlay of shapes that are alike to the last digit may give all of one of them
    beyond = shapely.difference(other, line, grid_size=_GRID_MM)
    parts = [part for part in shapely.get_parts(beyond) if part.area > 0]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def places_beyond(
    port: str, line: Shape, beyond: Shape, *, least_mm: float, round_mm: float = math.inf
) -> tuple[Place, ...]:
    """Return the places in which a shape reaches past a line, each with its depth.

    Parameters
    ----------
    port : str
        Its name.
    line : shapely.Polygon or shapely.MultiPolygon
        The shape that the line goes round.
    beyond : shapely.Polygon or shapely.MultiPolygon
        What lies outside of it, from `area_beyond`.
    least_mm : float
        Depth from which a place counts [mm].
    round_mm : float, optional
        π·bore [mm]; each place is given within half a turn of the exhaust centre line.

    Returns
    -------
    tuple of Place
        The deepest first.

    Examples
    --------
    >>> place, = places_beyond("e", shapely.box(0, 0, 10, 5), shapely.box(6, 5, 7, 5.4), least_mm=0.05)
    >>> place.edge, round(place.depth_mm, 6), round(place.area_mm2, 2)
    ('roof', 0.4, 0.4)
    """
    if beyond.is_empty:
        return ()
    deep = beyond.difference(line.buffer(least_mm, quad_segs=4))
    if deep.is_empty:
        return ()
    parts = [part for part in shapely.get_parts(deep) if part.area > 0]
    pieces = shapely.get_parts(beyond)
    found = []
    for part, (far, foot, depth) in zip(parts, _farthest(line, parts, least_mm), strict=True):
        # the band next to the line belongs to the place, and the buffer cut it off
        own = shapely.union_all(pieces[shapely.intersects(pieces, part)])
        shape = own.intersection(part.buffer(1.001 * least_mm, quad_segs=4))
        back = -round(float(far[0]) / round_mm) * round_mm if math.isfinite(round_mm) else 0.0
        shape = translate(shape, back, 0.0) if back else shape
        left, low, right, high = shape.bounds
        found.append(
            Place(
                port=port,
                edge=_edge_name(far - foot),
                x_mm=float(far[0]) + back,
                y_mm=float(far[1]),
                depth_mm=depth,
                left_mm=float(left),
                right_mm=float(right),
                low_mm=float(low),
                high_mm=float(high),
                area_mm2=float(shape.area),
                shape=shape,
            )
        )
    return tuple(sorted(found, key=lambda place: -place.depth_mm))


def _farthest(
    line: Shape, parts: Sequence[Polygon], least_mm: float
) -> Iterator[tuple[Floats, Floats, float]]:
    """Yield the farthest point from the line in each part, its foot on the line, and the depth."""
    if not parts:
        return
    lines = edge_lines([line])
    corners, owner = shapely.get_coordinates(shapely.segmentize(parts, 0.25), return_index=True)
    depth, feet, _ = edge_feet(lines, corners)
    for number, part in enumerate(parts):
        mine = owner == number
        points, stood, deep = corners[mine], feet[mine], depth[mine]
        if np.count_nonzero(deep > 1.05 * least_mm) < 0.1 * len(deep):
            # nearly all round it the line is near, as where a bridge is gone: the farthest point is inside
            inmost = shapely.get_coordinates(shapely.maximum_inscribed_circle(part, tolerance=0.01))[:1]
            apart, foot, _ = edge_feet(lines, inmost)
            points, stood = np.vstack([points, inmost]), np.vstack([stood, foot])
            deep = np.concatenate([deep, apart])
        # of points equally deep, as along a roof raised level, the one in the middle stands for all
        deepest = np.flatnonzero(deep >= deep.max() - 1e-6)
        middle = points[deepest].mean(axis=0)
        far = int(deepest[np.argmin(np.hypot(*(points[deepest] - middle).T))])
        yield points[far], stood[far], float(deep[far])


def named_mm(a: Port, b: Port) -> float:
    """Return the depth from which a place between two maps of a port is worth its name.

    Parameters
    ----------
    a, b : Port

    Returns
    -------
    float
        Two standard uncertainties of both edges, 0.02 mm at least [mm]; 0.05 mm at least where nobody said
        how sure an edge is.

    Examples
    --------
    >>> from portmap.port import Window
    >>> window = Window(outline=shapely.box(0, 30, 10, 38))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> named_mm(port, port)
    0.05
    """
    sides = [[window.doubt for window in port.windows] for port in (a, b)]
    worst = [max((doubt.edge_u_mm for doubt in side if doubt is not None), default=0.0) for side in sides]
    stated = all(doubt is not None for side in sides for doubt in side)
    return max(COVERAGE * math.hypot(*worst), _LEAST_NAMED_MM if stated else NAMED_MM)


def _edge_name(way: np.ndarray) -> EdgeName:
    across, up = float(way[0]), float(way[1])
    if abs(up) >= abs(across):
        return "roof" if up > 0 else "floor"
    return "right side" if across > 0 else "left side"


def place_words(place: Place, units: UnitSystem | None = None) -> str:
    """Return where a place is, in words.

    Parameters
    ----------
    place : Place
    units : UnitSystem or None, optional
        Of the figures; mm unless told.

    Returns
    -------
    str

    Examples
    --------
    >>> place, = places_beyond("e", shapely.box(0, 0, 10, 5), shapely.box(6, 5, 7, 5.4), least_mm=0.05)
    >>> place_words(place)
    'roof, at 5.40 mm above base, 6.50 mm right of centre'
    """
    shown = units or unit_system("mm")
    height = f"{shown.lengths(place.y_mm)} {shown.length} above base"
    return f"{place.edge}, at {height}, {_across_words(place.x_mm, shown)}"


def _across_words(x_mm: float, units: UnitSystem) -> str:
    if abs(x_mm) < _ON_CENTRE_MM:
        return "on the centre line"
    side = "right" if x_mm > 0 else "left"
    return f"{units.lengths(abs(x_mm))} {units.length} {side} of centre"


def tallest_of(shape: Shape) -> Tallest | None:
    """Return the greatest height of a shape, straight up.

    Parameters
    ----------
    shape : shapely.Polygon or shapely.MultiPolygon

    Returns
    -------
    Tallest or None
        None if it is empty. The height is that of one unbroken stretch.

    Notes
    -----
    Between two corners the height of a shape changes evenly, so that it is greatest at a corner's x, which
    is looked at just to its left and right. A shape of more than 400 corners is looked at in 400 places.

    Examples
    --------
    >>> tallest_of(shapely.Polygon([(0, 30), (10, 30), (10, 31), (0, 32)])).height_mm
    2.0
    """
    if shape.is_empty:
        return None
    sides = np.concatenate(
        [
            np.stack([ring[:-1], ring[1:]], axis=1)
            for part in shapely.get_parts(shape)
            for ring in map(shapely.get_coordinates, (part.exterior, *part.interiors))
        ]
    )
    left, _, right, _ = shape.bounds
    nudge = 1e-7 * (right - left)
    across = np.unique(sides[:, 0, 0])
    across = np.unique(np.clip(np.concatenate([across - nudge, across + nudge]), left + nudge, right - nudge))
    if len(across) > _LINES:
        across = across[np.linspace(0, len(across) - 1, _LINES).round().astype(int)]
    starts, ends = sides[:, 0], sides[:, 1]
    crossed = (starts[:, 0] > across[:, None]) != (ends[:, 0] > across[:, None])
    line, side = np.nonzero(crossed)
    share = (across[line] - starts[side, 0]) / (ends[side, 0] - starts[side, 0])
    height = starts[side, 1] + share * (ends[side, 1] - starts[side, 1])
    order = np.lexsort((height, line))
    # an upright line goes in and out of a shape by turns, so that its crossings are stretches two by two
    stretch = height[order].reshape(-1, 2)
    sizes = stretch[:, 1] - stretch[:, 0]
    best = int(np.argmax(sizes))
    return Tallest(
        height_mm=round(float(sizes[best]), 6),
        x_mm=float(across[line[order[2 * best]]]),
        y_mm=float(stretch[best, 0]),
    )
