"""Stretches of a window's border that no photo shows: where they are, how they are drawn, what they may hold.

A window may go on past the end of what is seen, behind a strip or beyond what a camera reaches. Then its roof
or floor is drawn straight along that end, is told, and its doubt says that nothing is known of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from portmap.picture.edge import light_across
from portmap.picture.scaled import ScaledImage, place_of
from portmap.picture.wall_border import sides_of
from portmap.picture.wall_edge import WallEdge
from portmap.picture.wall_sight import WallSight, seen_at, wall_unseen

__all__ = ["ends_unsure", "gone_on", "hidden_places", "open_doubt", "straightened"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# The wall must be seen so far on both sides of its end; less far outward where a strip lies on it there.
_BESIDE_MM, _BESIDE_STRIP_MM = 0.35, 0.2
# Past a roof or floor there is wall: where the light so far outside is less than this share of that beside
# the window's sides, over so much of it, the window goes on.
_OUTSIDE_MM, _LIKE_WALL, _MOSTLY = (0.3, 0.8), 0.5, 0.5
# So far past a roof or floor the wall must be seen, over half of it, or it may be no more than where what is
# seen ends: in the study of rendered bore photos (RESULTS.md) no true one lies as near, but beside a strip.
_PAST_END_MM = 0.9
# Seen square on a true roof or floor is worth this share of the other sides: in that study 0.44 at least, and
# 0.35 at most what was taken for one.
_LEAST_WORTH = 0.4
_MOST_ON_MM = 6.0  # from a border that is none to the end of what is seen
_LIT_SHARE = 0.25  # of the way there that may be as light as wall
_INTO_MM = 0.2  # past that end
_OPEN_END = 0.3  # of a roof or floor: with more of it hidden its height is not known
_ONE_STRETCH_MM = 1.0  # hidden stretches nearer to one another than this are one
# Of what lies between the straight line and a half circle over it: what is open may hold.
_HALF_CIRCLE = 0.25


def hidden_places(sight: WallSight, edge: WallEdge, view: ScaledImage) -> Bools:
    """Return where no photo shows both sides of the wall's end.

    Parameters
    ----------
    sight : WallSight
    edge : WallEdge
    view : ScaledImage
        In which it was found.

    Returns
    -------
    ndarray of shape (N,) and dtype bool
    """

    def beside(away_mm: float) -> Floats:
        return edge.points_px + away_mm / view.mm_per_px * edge.normals

    def shown(away_mm: float) -> Bools:
        return seen_at(sight, beside(away_mm))

    outside = shown(_BESIDE_MM) | wall_unseen(sight, place_of(view, beside(_BESIDE_MM)))
    return ~(shown(-_BESIDE_MM) & shown(0.0) & shown(_BESIDE_STRIP_MM) & outside)


def ends_unsure(sight: WallSight, edge: WallEdge, view: ScaledImage) -> Bools:
    """Return which of a border belongs to a roof or floor that is none.

    It lies so near to the end of what is seen that it is no more than that; or hardly an edge is there, in a
    picture that shows those square on.

    Parameters
    ----------
    sight : WallSight
    edge : WallEdge
    view : ScaledImage
        In which it was found.

    Returns
    -------
    ndarray of shape (N,) and dtype bool
    """
    unsure = np.zeros(len(edge.points_px), bool)
    sides = sides_of(edge.normals)
    for k, down in enumerate((-1.0, 1.0)):
        side = sides[k]
        if not side.any():
            continue
        others = float(np.nanmedian(np.delete(edge.sides.worth, k)))
        if not edge.along_bore and edge.sides.worth[k] < _LEAST_WORTH * others:
            unsure |= side
            continue
        # past the place where it goes furthest: what it is taken for in a passage may wave
        column = edge.points_px[side, 0]
        furthest = down * float(np.max(down * edge.points_px[side, 1]))
        known = np.ones(len(column), bool)
        for away in np.linspace(0.2, 1.0, 5) * _PAST_END_MM / view.mm_per_px:
            past = np.stack([column, np.full(len(column), furthest + down * away)], axis=1)
            known &= seen_at(sight, past) | wall_unseen(sight, place_of(view, past))
        if float(known.mean()) < _MOSTLY:
            unsure |= side
    return unsure


def gone_on(
    light: NDArray[np.float32], sight: WallSight, edge: WallEdge, mm_per_px: float
) -> tuple[Floats, NDArray[np.float32]] | None:
    """Return a rough outline past the end of what is seen, for a window that goes on there.

    A border can only be found where it is seen: a roof or floor that is not has been taken for some edge in
    the passage, with no wall outside of it.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    sight : WallSight
    edge : WallEdge
        As it was found.
    mm_per_px : float

    Returns
    -------
    tuple of ndarray or None
        The outline [px], and the light with wall where none is seen: None if the window ends where it was
        found to.
    """
    unit = 1.0 / mm_per_px
    across = np.linspace(*_OUTSIDE_MM, 6) * unit
    outside = np.median(light_across(light, edge.points_px, edge.normals, across), axis=1)
    roof, floor, left, right = sides_of(edge.normals)
    beside = left | right
    if not beside.any():
        return None
    wall = float(np.median(outside[beside]))
    points, moved = edge.points_px.copy(), False
    for side, down in ((roof, -1.0), (floor, 1.0)):
        if not side.any() or float(np.mean(outside[side] < _LIKE_WALL * wall)) < _MOSTLY:
            continue
        end = _seen_to(light, sight, edge.points_px[side], down, _LIKE_WALL * wall, unit)
        if float(np.isfinite(end).mean()) < _MOSTLY:
            continue
        toward = edge.normals[:, 1] * down > 0.5
        points[toward, 1] = float(np.nanmedian(end)) + down * _INTO_MM * unit
        moved = True
    if not moved:
        return None
    return points, np.asarray(np.where(sight.seen, light, np.float32(wall)), np.float32)


def _seen_to(
    light: NDArray[np.float32], sight: WallSight, points: Floats, down: float, dark: float, unit: float
) -> Floats:
    """Return the row at which the wall is no longer seen past each place; NaN if wall comes before that."""
    steps = down * np.arange(0.0, _MOST_ON_MM * unit + 1.0)
    rows, columns = sight.seen.shape
    row = points[:, 1:] + steps[None, :]
    column = np.clip(np.rint(points[:, :1]).astype(int), 0, columns - 1)
    at = np.clip(np.rint(row).astype(int), 0, rows - 1)
    seen = sight.seen[at, column] & (row >= 0) & (row <= rows - 1)
    first = np.argmin(seen, axis=1)
    lit = (light[at, column] >= dark) & (np.arange(len(steps)) < first[:, None])
    gone = ~seen.all(axis=1) & (lit.sum(axis=1) <= _LIT_SHARE * first)
    return np.where(gone, row[np.arange(len(points)), first], np.nan)


def straightened(points: Floats, hidden: Bools) -> Floats:
    """Return a ring with each hidden stretch drawn straight from end to end.

    Parameters
    ----------
    points : ndarray of shape (N, 2)
    hidden : ndarray of shape (N,) and dtype bool

    Returns
    -------
    ndarray of shape (N, 2)

    Examples
    --------
    >>> ring = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 9.0], [0.0, 2.0]])
    >>> straightened(ring, np.array([False, False, True, False]))[2]
    array([1., 1.])
    """
    if not hidden.any() or hidden.all():
        return points
    count = len(points)
    (known,) = np.nonzero(~hidden)
    at = np.concatenate([known - count, known, known + count])
    tiled = np.tile(points[known], (3, 1))
    return np.column_stack([np.interp(np.arange(count), at, tiled[:, k]) for k in (0, 1)])


def open_doubt(ring_mm: Floats, normals: Floats, hidden: Bools) -> tuple[float, float, float]:
    """Return the standard uncertainty of roof, floor and area by what open stretches may hold.

    A roof or floor that is mostly open may lie anywhere from where it is drawn to as far again as the window
    is high, but not below the base face: a rectangular distribution [1]_. What else is open may hold some of
    a half circle over each stretch.

    Parameters
    ----------
    ring_mm : ndarray of shape (N, 2)
        The border, (x, y).
    normals : ndarray of shape (N, 2)
        Outward, (x, y).
    hidden : ndarray of shape (N,) and dtype bool

    Returns
    -------
    float, float, float
        [mm], [mm], [mm²].

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7 (a distribution of which only one end is likely: its root mean square about
       that end is its width over the root of 3).

    Examples
    --------
    >>> box = np.array([[0.0, 20.0], [10.0, 20.0], [10.0, 26.0], [0.0, 26.0]])
    >>> out = np.array([[0.0, -1.0], [0.0, -1.0], [0.0, 1.0], [0.0, 1.0]])
    >>> [round(u, 2) for u in open_doubt(box, out, np.array([True, True, False, False]))]
    [0.0, 3.46, 34.64]
    """
    low, high = ring_mm[:, 1].min(), ring_mm[:, 1].max()
    rest, area, ends = hidden.copy(), 0.0, [0.0, 0.0]
    for k, (up, reach) in enumerate(((1.0, high - low), (-1.0, min(high - low, low)))):
        own = normals[:, 1] * up > 0.7
        if own.any() and float(hidden[own].mean()) > _OPEN_END:
            ends[k] = float(max(reach, 0.0) / np.sqrt(3.0))
            area = float(np.hypot(area, ends[k] * np.ptp(ring_mm[own, 0])))
            rest &= ~own
    area = float(np.hypot(area, _HALF_CIRCLE * sum(np.pi * c**2 / 8 for c in _chords(ring_mm, rest))))
    return ends[0], ends[1], area


def _chords(ring_mm: Floats, hidden: Bools) -> list[float]:
    """Return how far apart the ends of each hidden stretch are."""
    (at,) = np.nonzero(hidden)
    if not len(at):
        return []
    steps = np.hypot(*(ring_mm[at] - np.roll(ring_mm[at], 1, axis=0)).T)
    starts = np.flatnonzero(steps > _ONE_STRETCH_MM)
    if not len(starts):
        return [float(np.hypot(*np.ptp(ring_mm[at], axis=0)))]
    return [
        float(np.hypot(*(ring_mm[part[-1]] - ring_mm[part[0]])))
        for part in np.split(np.roll(at, -starts[0]), starts[1:] - starts[0])
    ]
