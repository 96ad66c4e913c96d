"""How sure an outline is that a hand has drawn, or put right, over a scaled picture.

A hand puts a corner on an edge to about a pixel of what the screen shows. Corners that it did not touch stay
as sure as they were; where it did, its own doubt stands beside the picture's.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.picture.scaled import PlaceDoubt, displacements
from portmap.port import Window, WindowDoubt

__all__ = ["hand_placed"]

SAME_MM = 2e-5  # files round to a hundred-thousandth
SIDES = 4.0  # a hand's errors run along a side of a window and are their own on the next


def hand_placed(
    shape: Polygon,
    *,
    placed_u_mm: float,
    before: Window | None = None,
    places: PlaceDoubt | None = None,
) -> Window:
    """Return a window with the doubt that a hand leaves it.

    Parameters
    ----------
    shape : shapely.Polygon
        As edited or drawn, bore frame [mm].
    placed_u_mm : float
        How well a hand puts a corner, square to the edge: a standard uncertainty [mm].
    before : Window, optional
        As it was traced; what lies on its outline still is as sure as it was.
    places : PlaceDoubt, optional
        Of the picture. Used where `before` has no doubt of its own.

    Returns
    -------
    Window
        Its doubt is None if nothing was known before of a window that stayed as it was.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> drawn = hand_placed(window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]), placed_u_mm=0.05)
    >>> drawn.doubt.roof_u_mm, drawn.doubt.wall_area_u_mm2
    (0.05, 0.9)
    """
    if before is not None and _same(shape, before.outline):
        return Window(outline=shape, doubt=before.doubt)
    known = None if before is None else before.doubt
    ring = shapely.get_coordinates(shape.exterior)
    moved = _moved_length(shape, None if before is None else before.outline)
    roof, floor, area, edge = _of_the_picture(ring, places) if known is None else _of(known)
    by_hand = placed_u_mm * moved / math.sqrt(SIDES)
    roof_moved, floor_moved = (
        before is None or before.outline.boundary.distance(shapely.Point(ring[place])) > SAME_MM
        for place in (int(np.argmax(ring[:, 1])), int(np.argmin(ring[:, 1])))
    )
    return Window(
        outline=shape,
        doubt=WindowDoubt(
            roof_u_mm=math.hypot(roof, placed_u_mm if roof_moved else 0.0),
            floor_u_mm=math.hypot(floor, placed_u_mm if floor_moved else 0.0),
            wall_area_u_mm2=math.hypot(area, by_hand),
            edge_u_mm=math.hypot(edge, placed_u_mm * math.sqrt(moved / shape.length)),
        ),
    )


def _same(one: Polygon, other: Polygon) -> bool:
    """Return whether two outlines have the same corners, wherever they begin."""
    return bool(shapely.equals_exact(shapely.normalize(one), shapely.normalize(other), tolerance=SAME_MM))


def _moved_length(shape: Polygon, before: Polygon | None) -> float:
    """Return how much of the outline does not lie on the one before [mm]."""
    if before is None:
        return float(shape.length)
    return float(shapely.difference(shape.boundary, before.boundary.buffer(SAME_MM)).length)


def _of(doubt: WindowDoubt) -> tuple[float, float, float, float]:
    return doubt.roof_u_mm, doubt.floor_u_mm, doubt.wall_area_u_mm2, doubt.edge_u_mm


def _of_the_picture(
    ring: NDArray[np.float64], places: PlaceDoubt | None
) -> tuple[float, float, float, float]:
    """Return what the picture's own doubt does to roof, floor, area and a single point."""
    if places is None:
        return 0.0, 0.0, 0.0, 0.0
    field = displacements(places, ring)  # modes, corners, (x, y)
    top, bottom = int(np.argmax(ring[:, 1])), int(np.argmin(ring[:, 1]))
    along = np.diff(ring, axis=0)
    outward = np.column_stack([along[:, 1], -along[:, 0]])
    middle = (field[:, 1:] + field[:, :-1]) / 2
    return (
        float(np.linalg.norm(field[:, top, 1])),
        float(np.linalg.norm(field[:, bottom, 1])),
        float(np.linalg.norm(np.einsum("kni,ni->k", middle, outward))),
        float(np.sqrt(np.mean(np.sum(field**2, axis=(0, 2))) / 2)),
    )
