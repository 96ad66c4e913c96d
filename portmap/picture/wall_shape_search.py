"""The four sides and corners of a window's border, moved to where the light is steepest along them.

Each side is sought as a whole: moved, tilted and bowed to where it is worth most over all of its length; then
each corner's radius. Points and offsets as in `wall_shape`; what a place is worth, in `wall_search`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from portmap.picture.wall_search import Sighting, WorthAcross, worth_across
from portmap.picture.wall_shape import (
    MOST_RADIUS,
    SIDES,
    Drawn,
    Shape,
    bow_cost,
    corner_point,
    drawn,
    even_moves,
    near_corner,
    tilt_cost,
)

__all__ = ["shaped"]

Floats = NDArray[np.float64]

# How far a side is moved at once, its ends against each other, and its middle against its ends [mm]; the
# steps first tried, halved until they are under the last.
_MOVED_MM, _TILTED_MM, _BOWED_MM = 0.35, 0.25, 0.15
_STEP_MM, _LEAST_STEP_MM = 0.05, 0.0125
_LEAST_RADIUS_MM = 0.3  # of a window's corner behind its chamfer: no cutter or file makes a sharper one
_UNLIKE = 0.5  # worth, for each place of a corner, of a radius e times that of the others: they are cut alike
_RADIUS_MM = 0.8  # that a corner's radius is changed by at once
_TURNS = 3
_ALIKE_MM = 0.03  # between all places of two outlines: a search finds the same from both
_FAR_BEHIND = 1.0  # of a shape's worth against the best one's: it will not catch up


def shaped(
    sightings: Sequence[Sighting], starts: Sequence[Shape], *, mm_per_px: float, width_mm: float
) -> list[tuple[Shape, Drawn]]:
    """Return the shapes along which the light is steepest, from some near them.

    Parameters
    ----------
    sightings : sequence of Sighting
    starts : sequence of Shape
        Their outlines within some tenths of a millimetre of where the wall ends.
    mm_per_px : float
    width_mm : float
        Of the chamfer [mm].

    Returns
    -------
    list of tuple
        Each with its outline. Of starts that led to one outline there is one; those that fell far behind, or
        whose sides and corners do not join, on the way or at the end, are left out.
    """
    unit, found = 1.0 / mm_per_px, _parted(starts, 1.0 / mm_per_px)
    for turn in range(_TURNS):
        moved, worth = [], []
        for shape, outline in found:
            seen = worth_across(sightings, outline.points_px, mm_per_px=mm_per_px, width_mm=width_mm)
            moved.append(_fitted(shape, outline, seen, 0.6**turn, (width_mm + _LEAST_RADIUS_MM) * unit, unit))
            worth.append(_worth_along(moved[-1], seen))
        least = max(worth, default=0.0) - _FAR_BEHIND
        found = _parted([shape for shape, own in zip(moved, worth, strict=True) if own > least], unit)
    return found


def _worth_along(shape: Shape, seen: WorthAcross) -> float:
    """Return what a shape is worth, the mean over its outline, by what was seen round another near it."""
    outline = drawn(shape)
    if outline is None:
        return -np.inf
    off = outline.points_px[_nearest(seen.ring_px, outline.points_px)] - seen.ring_px
    rows = np.arange(len(off))
    return float(_summed(seen, rows, np.sum(off * seen.normals, axis=1)[None])[0]) / len(rows)


def _parted(shapes: Sequence[Shape], unit: float) -> list[tuple[Shape, Drawn]]:
    """Return the shapes that can be drawn, with their outlines; of those that lie alike the first."""
    kept: list[tuple[Shape, Drawn]] = []
    for shape in shapes:
        outline = drawn(shape)
        if outline is None:
            continue
        tree = cKDTree(outline.points_px)
        if all(tree.query(other.points_px)[0].max() > _ALIKE_MM * unit for _, other in kept):
            kept.append((shape, outline))
    return kept


def _fitted(
    shape: Shape, outline: Drawn, seen: WorthAcross, reach: float, least_radius: float, unit: float
) -> Shape:
    """Return the shape with each side moved, then each corner rounded, to where they are worth most."""
    near = _nearest(seen.ring_px, outline.points_px)
    part, along = outline.part[near], outline.along[near]
    sides = np.stack([_moved(shape, side, seen, part, along, reach, unit) for side in range(SIDES)])
    moved = replace(shape, sides=sides)
    radius = [_rounded(moved, corner, seen, least_radius, unit) for corner in range(4)]
    return replace(moved, radius_px=np.array(radius))


def _nearest(points: Floats, others: Floats) -> NDArray[np.intp]:
    """Return which of the others is nearest to each point."""
    return np.asarray(cKDTree(others).query(points)[1], np.intp)


def _summed(seen: WorthAcross, rows: NDArray[np.intp], offsets: Floats) -> Floats:
    """Return the worth of lines, each given by its offset at each row, shape (L,)."""
    first, step = seen.offsets_px[0], seen.offsets_px[1] - seen.offsets_px[0]
    at = np.clip((offsets - first) / step, 0.0, len(seen.offsets_px) - 1.001)
    low = at.astype(np.intp)
    rest = at - low
    own = seen.worth[rows]
    which = np.arange(len(rows))
    return np.asarray((own[which, low] * (1 - rest) + own[which, low + 1] * rest).sum(axis=-1))


def _moved(
    shape: Shape,
    side: int,
    seen: WorthAcross,
    part: NDArray[np.intp],
    along: Floats,
    reach: float,
    unit: float,
) -> Floats:
    """Return the parabola of a side moved to where it is worth most."""
    rows = np.flatnonzero(part == side)
    if len(rows) < 6:
        return np.asarray(shape.sides[side])
    axis = 1 if side < 2 else 0
    out = seen.normals[rows, axis]
    t = along[rows]
    middle, half = (t.min() + t.max()) / 2, max((t.max() - t.min()) / 2, 1e-6)
    u = (t - middle) / half
    basis = even_moves(u)
    bowed = float(shape.sides[side, 2])
    across = float(shape.half_px[1 - axis])
    tilted = float(shape.sides[side, 1] + 2 * shape.sides[side, 2] * middle) / across
    best, most = np.zeros(3), np.array([_MOVED_MM, _TILTED_MM, _BOWED_MM]) * unit * reach
    step = np.array([_STEP_MM * unit] * 3) * max(reach, 0.25)
    while step[0] > _LEAST_STEP_MM * unit:
        grids = [b + np.arange(-m, m + s / 2, s) for b, m, s in zip(best, most, step, strict=True)]
        tried = np.stack(np.meshgrid(*grids, indexing="ij"), axis=-1).reshape(-1, 3)
        bow_mm = (bowed + tried[:, 2] / half**2) / unit
        slope = tilted + (tried[:, 1] / half) / across
        cost = bow_cost(side, bow_mm) + tilt_cost(side, slope)
        worth = _summed(seen, rows, tried @ basis.T * out) - len(seen.ring_px) * cost
        best = tried[int(np.argmax(worth))]
        most, step = step, step / 2
    # back from u to t
    a, b, c = best
    scaled = np.array(
        [
            a - c / 3.0 - b * middle / half + c * (middle / half) ** 2,
            b / half - 2 * c * middle / half**2,
            c / half**2,
        ]
    )
    return np.asarray(shape.sides[side] + scaled)


def _rounded(shape: Shape, corner: int, seen: WorthAcross, least: float, unit: float) -> float:
    """Return the radius of a corner that is worth most."""
    high = MOST_RADIUS * 2 * float(shape.half_px.min())
    low = min(least, high)
    best = float(np.clip(shape.radius_px[corner], low, high))
    most = min(high, best + _RADIUS_MM * unit)
    # the rows that any of the arcs may come near
    sharp = corner_point(shape, corner)
    if sharp is None:
        return best
    rows = np.flatnonzero(np.hypot(*(seen.ring_px - sharp).T) < 1.3 * most)
    if not len(rows):
        return best
    usual = float(np.median(shape.radius_px))
    reach, step = _RADIUS_MM * unit, _RADIUS_MM * unit / 4
    while step > _LEAST_STEP_MM * 2 * unit:
        tried = np.unique(np.clip(np.arange(best - reach, best + reach + step / 2, step), low, high))
        worth = []
        for radius in tried:
            corners = near_corner(shape, corner, float(radius), most)
            off = None if corners is None else _offsets(seen, rows, corners)
            unlike = _UNLIKE * len(rows) * np.log(radius / usual) ** 2
            worth.append(-np.inf if off is None else float(_summed(seen, rows, off[None])[0]) - unlike)
        best = float(tried[int(np.argmax(worth))])
        reach, step = step, step / 2
    return best


def _offsets(seen: WorthAcross, rows: NDArray[np.intp], points: Floats) -> Floats:
    """Return how far out from each row's place an outline passes, along its normal."""
    place, normal = seen.ring_px[rows], seen.normals[rows]
    off = points[None] - place[:, None]
    across = np.einsum("nij,nj->ni", off, normal)
    beside = np.abs(off[..., 0] * normal[:, None, 1] - off[..., 1] * normal[:, None, 0])
    beside = np.where(np.abs(across) < 1.5 * np.abs(seen.offsets_px).max(), beside, np.inf)
    return np.asarray(across[np.arange(len(rows)), beside.argmin(axis=1)])
