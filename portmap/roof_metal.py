"""What must be ground away to make one window of another: area, height at each place, volume.

Frame: the bore frame (`portmap.port`). Areas are those of the developed wall. A volume is that area times
the wall's thickness at the port's edge, as if the passage stood square to the wall; a passage that leans
away leaves more to cut, and nobody has measured how much.

Glossary
--------
height at x
    How much metal stands between the old edge and the new one above that place.
deepest
    The place of the new edge that lies furthest from the old window.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from portmap.errors import GeometryError
from portmap.port import Window
from portmap.roof import metal_to_take

__all__ = ["Taking", "height_at", "taking", "takings_volume_mm3"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Taking:
    """Metal to be ground away at one window.

    Parameters
    ----------
    area_mm2 : float
        On the developed wall [mm²].
    deepest_mm : float
        Furthest that the new edge lies from the old window [mm].
    deepest_at_mm : tuple of float
        x and y of that place [mm].
    heights_mm : tuple of (float, float)
        x, and the height of metal there [mm]; at whole steps of x.
    volume_mm3 : float or None
        [mm³]; None if nobody said how thick the wall is.
    """

    area_mm2: float
    deepest_mm: float
    deepest_at_mm: tuple[float, float]
    heights_mm: tuple[tuple[float, float], ...]
    volume_mm3: float | None


def taking(old: Window, new: Window, *, wall_mm: float | None = None, step_mm: float = 1.0) -> Taking | None:
    """Return what must be ground away at a window.

    Parameters
    ----------
    old, new : Window
    wall_mm : float or None, optional
        Thickness of the wall at the port's edge [mm].
    step_mm : float, optional
        Between the places at which heights are given [mm].

    Returns
    -------
    Taking or None
        None if there is nothing to take.

    Raises
    ------
    GeometryError
        If the wall's thickness or the step is not above 0.

    Examples
    --------
    >>> old, new = (Window(outline=shapely.box(-2, 28, 2, roof)) for roof in (40, 40.5))
    >>> found = taking(old, new, wall_mm=5.0)
    >>> found.area_mm2, found.deepest_mm, found.volume_mm3, found.heights_mm[1]
    (2.0, 0.5, 10.0, (-1.0, 0.5))
    """
    for name, size in (("wall_mm", wall_mm), ("step_mm", step_mm)):
        if size is not None and not 0 < size < math.inf:
            raise GeometryError(f"{size:g} mm is not a length above 0", where=name, remedy="measure it again")
    metal = metal_to_take(old, new)
    if metal.is_empty:
        return None
    left, _, right, _ = metal.bounds
    steps = np.arange(math.ceil(left / step_mm), math.floor(right / step_mm) + 1) * step_mm
    corners = shapely.get_coordinates(metal)
    away = _distances(corners, old)
    furthest = int(np.argmax(away))
    return Taking(
        area_mm2=float(metal.area),
        deepest_mm=float(away[furthest]),
        deepest_at_mm=(float(corners[furthest, 0]), float(corners[furthest, 1])),
        heights_mm=tuple(zip(steps.tolist(), height_at(metal, steps).tolist(), strict=True)),
        volume_mm3=None if wall_mm is None else float(metal.area) * wall_mm,
    )


def _distances(points: Floats, old: Window) -> Floats:
    """Return how far places outside a window lie from it; a search tree does it in half the time."""
    rings = (old.outline.exterior, *old.outline.interiors)
    coordinates = [np.asarray(ring.coords)[:, :2] for ring in rings]
    sides = np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in coordinates])
    tree = shapely.STRtree(shapely.linestrings(sides))
    found = tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)
    return np.asarray(found[1], np.float64)


def height_at(metal: shapely.Geometry, x_mm: ArrayLike) -> Floats:
    """Return how much of a shape stands above each place of the wall.

    Parameters
    ----------
    metal : shapely.Polygon or MultiPolygon
        Bore frame [mm].
    x_mm : array_like of shape (N,)
        Along the wall [mm].

    Returns
    -------
    ndarray of shape (N,)
        Height [mm], gaps left out; 0 beside the shape.

    Examples
    --------
    >>> height_at(shapely.box(-2, 40, 2, 40.5), [0.0, 3.0])
    array([0.5, 0. ])
    """
    x = np.asarray(x_mm, np.float64)
    total = np.zeros(x.shape)
    for part in shapely.get_parts(metal):
        shape = shapely.geometry.polygon.orient(part)
        for ring in (shape.exterior, *shape.interiors):
            points = np.asarray(ring.coords)[:, :2]
            start, end = points[:-1], points[1:]
            crossed = (start[:, 0, None] > x) != (end[:, 0, None] > x)
            run = end[:, 0] - start[:, 0]
            slope = np.divide(end[:, 1] - start[:, 1], run, out=np.zeros_like(run), where=run != 0)
            y = start[:, 1, None] + slope[:, None] * (x - start[:, 0, None])
            # with the metal to the left of the way, upper edges lead to the left
            total -= np.sum(np.where(crossed, y * np.sign(run)[:, None], 0.0), axis=0)
    return np.maximum(total, 0.0)


def takings_volume_mm3(takings: Iterable[Taking]) -> float | None:
    """Return the volume of metal at several windows.

    Parameters
    ----------
    takings : iterable of Taking

    Returns
    -------
    float or None
        [mm³]; None if it is not known for one of them.

    Examples
    --------
    >>> takings_volume_mm3([])
    0.0
    """
    volumes = [one.volume_mm3 for one in takings]
    known = [volume for volume in volumes if volume is not None]
    return float(sum(known)) if len(known) == len(volumes) else None
