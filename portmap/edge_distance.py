"""How far places lie from the edges of windows, and how far two edges lie from one another.

Frame: the developed wall, mm. An edge is all of a window's rings. Its outward side is the metal: to the
right of an outline that runs anticlockwise, and of a hole that runs clockwise.

Glossary
--------
foot
    The place on an edge that is nearest to a given place.
Hausdorff distance
    The farthest that any place of either edge is from the other edge.
mean distance
    The mean over the length of both edges of the distance to the other one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = [
    "EdgeApart",
    "EdgeLines",
    "EdgePoints",
    "edge_apart",
    "edge_feet",
    "edge_lines",
    "edge_points",
]

Floats = NDArray[np.float64]
Counts = NDArray[np.intp]

_STEP_MM = 0.25  # sides are cut to this at most, so that the nearest corner's own sides hold the foot
_APART_MM = 1e5  # between windows in the look-up's third direction: farther than any two places
_NEAREST = 3  # corners tried for each place


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeLines:
    """The sides of several windows, ready for look-up.

    Parameters
    ----------
    starts, ends : ndarray of shape (N, 2)
        Of each side [mm].
    before : ndarray of shape (N,)
        Number of the side that ends where this one starts.
    label : ndarray of shape (N,)
        Number of the window.
    tree : scipy.spatial.cKDTree
        Of the starts.
    """

    starts: Floats
    ends: Floats
    before: Counts
    label: Counts
    tree: cKDTree


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgePoints:
    """Places at even distances along an edge.

    Parameters
    ----------
    places : ndarray of shape (N, 2)
        [mm].
    normals : ndarray of shape (N, 2)
        Of length 1, toward the metal.
    length_mm : ndarray of shape (N,)
        Of edge that each stands for [mm].
    """

    places: Floats
    normals: Floats
    length_mm: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeApart:
    """How far two edges lie from one another.

    Parameters
    ----------
    hausdorff_mm : float
        The farthest [mm].
    at_mm : tuple of float
        Where that is: x and y on the second edge or, where the first is farther, on the first [mm].
    mean_mm : float
        Mean over the length of both [mm].
    """

    hausdorff_mm: float
    at_mm: tuple[float, float]
    mean_mm: float


def _rings(shape: Polygon | MultiPolygon) -> list[Floats]:
    parts = [shapely.geometry.polygon.orient(part) for part in shapely.get_parts(shape)]
    return [
        shapely.get_coordinates(ring) for part in parts for ring in (part.exterior, *part.interiors) if part
    ]


def edge_lines(shapes: Sequence[Polygon | MultiPolygon], *, step_mm: float = _STEP_MM) -> EdgeLines:
    """Return the sides of windows, cut so short that look-up is exact.

    Parameters
    ----------
    shapes : sequence of shapely.Polygon or shapely.MultiPolygon
        At least one with an area; a side's label is the shape's place in the sequence.
    step_mm : float, optional
        Longest side after cutting [mm].

    Returns
    -------
    EdgeLines

    Examples
    --------
    >>> len(edge_lines([shapely.box(0, 0, 10, 5)], step_mm=1.0).starts)
    30
    """
    from scipy.spatial import cKDTree

    starts, ends, before, label = [], [], [], []
    count = 0
    for number, shape in enumerate(shapes):
        for ring in _rings(shapely.segmentize(shape, step_mm)):
            size = len(ring) - 1
            starts.append(ring[:-1])
            ends.append(ring[1:])
            before.append(count + np.roll(np.arange(size), 1))
            label.append(np.full(size, number))
            count += size
    points, labels = np.concatenate(starts), np.concatenate(label)
    return EdgeLines(
        starts=points,
        ends=np.concatenate(ends),
        before=np.concatenate(before),
        label=labels,
        tree=cKDTree(np.column_stack([points, labels * _APART_MM])),
    )


def edge_feet(
    lines: EdgeLines, places: Floats, label: Counts | int = 0, *, nearest: int = _NEAREST
) -> tuple[Floats, Floats, Counts]:
    """Return the nearest place on an edge for each of many places.

    Parameters
    ----------
    lines : EdgeLines
    places : ndarray of shape (N, 2)
        [mm].
    label : int or ndarray of shape (N,), optional
        On which window's edge.
    nearest : int, optional
        How many of the nearest corners are tried.

    Returns
    -------
    distance_mm : ndarray of shape (N,)
        Not negative [mm].
    feet : ndarray of shape (N, 2)
        [mm].
    side : ndarray of shape (N,)
        Number of the side that the foot lies on.

    Examples
    --------
    >>> distance, feet, _ = edge_feet(edge_lines([shapely.box(0, 0, 10, 5)]), np.array([[3.0, 6.5]]))
    >>> distance.round(6), feet.round(6)
    (array([1.5]), array([[3., 5.]]))
    """
    keys = np.column_stack([places, np.broadcast_to(label, len(places)) * _APART_MM])
    _, near = lines.tree.query(keys, k=min(nearest, len(lines.starts)))
    near = near.reshape(len(places), -1)
    sides = np.concatenate([near, lines.before[near]], axis=1)
    start, along = lines.starts[sides], lines.ends[sides] - lines.starts[sides]
    reach = places[:, None, :] - start
    square = np.maximum(np.einsum("ijk,ijk->ij", along, along), 1e-300)
    share = np.clip(np.einsum("ijk,ijk->ij", reach, along) / square, 0.0, 1.0)
    feet = start + share[..., None] * along
    apart = np.linalg.norm(places[:, None, :] - feet, axis=2)
    best = np.argmin(apart, axis=1)
    row = np.arange(len(places))
    return apart[row, best], feet[row, best], sides[row, best]


def edge_points(shape: Polygon | MultiPolygon, step_mm: float, *, most: int = 1_000_000) -> EdgePoints:
    """Return places at even distances along a window's edge.

    Parameters
    ----------
    shape : shapely.Polygon or shapely.MultiPolygon
    step_mm : float
        Distance aimed at [mm]; each ring has eight places at least.
    most : int, optional
        Places on a ring at most.

    Returns
    -------
    EdgePoints
        Ring by ring, none of them on the first corner.

    Examples
    --------
    >>> found = edge_points(shapely.box(0, 0, 10, 5), 1.0)
    >>> len(found.places), float(found.length_mm.sum()), found.normals[0, 0]
    (30, 30.0, np.float64(1.0))
    """
    places, normals, lengths = [], [], []
    for ring in _rings(shape):
        sides = np.diff(ring, axis=0)
        size = np.hypot(*sides.T)
        run = np.concatenate([[0.0], np.cumsum(size)])
        count = int(np.clip(round(run[-1] / step_mm), 8, most))
        at = (np.arange(count) + 0.5) * run[-1] / count
        side = np.clip(np.searchsorted(run, at, side="right") - 1, 0, len(sides) - 1)
        along = sides[side] / size[side, None]
        places.append(ring[side] + along * (at - run[side])[:, None])
        normals.append(np.column_stack([along[:, 1], -along[:, 0]]))
        lengths.append(np.full(count, run[-1] / count))
    return EdgePoints(
        places=np.concatenate(places), normals=np.concatenate(normals), length_mm=np.concatenate(lengths)
    )


def edge_apart(first: Polygon | MultiPolygon, second: Polygon | MultiPolygon) -> EdgeApart:
    """Return how far two windows' edges lie from one another.

    Parameters
    ----------
    first, second : shapely.Polygon or shapely.MultiPolygon

    Returns
    -------
    EdgeApart

    Notes
    -----
    Every corner and places at most 0.25 mm apart are looked at. Between two of them the distance can be at
    most half that step larger, and where the farthest place is a corner, as on most outlines, it is exact.

    Examples
    --------
    >>> found = edge_apart(shapely.box(0, 0, 10, 5), shapely.box(0, 0, 10, 6))
    >>> round(found.hausdorff_mm, 6), round(found.mean_mm, 3)
    (1.0, 0.323)
    """
    lines = [edge_lines([shape]) for shape in (first, second)]
    far, where, total, length = -1.0, (0.0, 0.0), 0.0, 0.0
    for here, there in ((1, 0), (0, 1)):
        own = lines[here]
        apart, _, _ = edge_feet(lines[there], own.starts, nearest=1)
        worst = int(np.argmax(apart))
        if apart[worst] > far + 1e-12:
            far, where = float(apart[worst]), (float(own.starts[worst, 0]), float(own.starts[worst, 1]))
        size = np.hypot(*(own.ends - own.starts).T)
        # the trapezoidal rule along the sides; the side before a corner shares its distance
        share = (size + size[own.before]) / 2
        total += float(np.sum(apart * share))
        length += float(np.sum(size))
    return EdgeApart(hausdorff_mm=far, at_mm=where, mean_mm=total / length)
