"""The border of a window on a bore wall as four sides and four corners.

Ports are cast, milled and filed as a roof, a floor and two sides, straight or evenly bowed, with round
corners between. Where a side is faint (a floor in a passage that is lit like the wall, a side seen far
aslant) a path that is free at every place follows honing and soot; the same side sought as a whole is found
by all of its length at once. So each side is a parabola over its chord, each corner a circle that touches
both sides. `wall_shape_search` moves them to where the light is steepest along them.

Points are (column, row) [px]; normals point out of the window, offsets along them are positive outward.

Glossary
--------
side
    0 roof, 1 floor, 2 left, 3 right.
corner
    0 roof-left, 1 roof-right, 2 floor-right, 3 floor-left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from portmap.picture.edge import evenly_spaced, outward_normals
from portmap.picture.wall_border import sides_of

__all__ = [
    "CORNERS",
    "MOST_RADIUS",
    "SIDES",
    "Drawn",
    "Shape",
    "bow_cost",
    "corner_point",
    "drawn",
    "even_moves",
    "form_cost",
    "held_to",
    "moves_of",
    "near_corner",
    "shape_of",
    "starts_of",
    "tilt_cost",
]

Floats = NDArray[np.float64]

SIDES = 4
CORNERS = ((2, 0), (0, 3), (3, 1), (1, 2))  # the two sides of each corner, in the order of the outline
_LEAST_RADIUS = 0.02  # of the lesser side
MOST_RADIUS = 0.49
_ROUNDS, _LOOKS = 12, 4
_MOST_BOW = 0.12  # of half a side's length
_ALIKE = 0.98  # of two normals: the outline runs along the side
# What a shape's figures cannot follow: sides wave by so much over so much of their length (judgement).
_WAVE_SD_MM, _WAVE_MM = 0.012, 0.5
_BOW_SD_MM, _RADIUS_SD_MM = 0.1, 0.3  # by which the fit may alter what the search found (judgement)
# Worth of a bow of 1 mm, squared, side by side: roofs are often arched, the rest is more often straight; and
# hardly anything is bowed inward.
_BOW_COST, _INWARD_COST = np.array([0.08, 0.3, 0.3, 0.3]), 1.0
_OUTWARD = np.array([1.0, -1.0, 1.0, -1.0])  # sign of a bow that is outward, side by side
_TILTED_PX = 3.0  # of a roof's or floor's end against its middle
_TILT_COST = 10.0  # of a slope of 1, squared
_FAR_APART_PX = 5.0  # of both edges: further than a search moves a side
_FAR = 2.0  # times the usual miss: such places count less for a side's parabola


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Shape:
    """Four sides and four corners.

    Parameters
    ----------
    middle_px : ndarray of shape (2,)
        About which columns and rows are counted.
    half_px : ndarray of shape (2,)
        Half width and half height, by which they are divided.
    sides : ndarray of shape (4, 3)
        Of roof and floor the row, of left and right the column, as a parabola: 1, t, t² with t the column or
        row counted so.
    radius_px : ndarray of shape (4,)
    """

    middle_px: Floats
    half_px: Floats
    sides: Floats
    radius_px: Floats


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Drawn:
    """The outline of a shape.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        Once round, about a pixel apart.
    normals : ndarray of shape (N, 2)
    part : ndarray of shape (N,) and dtype intp
        The side, or 4 and the corner.
    along : ndarray of shape (N,)
        t on a side; on a corner from −1 to 1.
    """

    points_px: Floats
    normals: Floats
    part: NDArray[np.intp]
    along: Floats


def shape_of(ring_px: Floats) -> Shape | None:
    """Return the shape nearest to an outline.

    Parameters
    ----------
    ring_px : ndarray of shape (N, 2)

    Returns
    -------
    Shape or None
        None if it has no four sides.

    Examples
    --------
    >>> box = evenly_spaced(np.array([[0.0, 0.0], [200.0, 0.0], [200.0, 100.0], [0.0, 100.0]]), 1.0)
    >>> shape_of(box).sides.round(3)[:, 0] + 0.0
    array([  0., 100.,   0., 200.])
    """
    ring = evenly_spaced(ring_px, 1.0)
    normals = outward_normals(ring, 4.0)
    low, high = ring.min(axis=0), ring.max(axis=0)
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, 1.0)
    sides = np.zeros((SIDES, 3))
    for side, own in enumerate(sides_of(normals)):
        if own.sum() < 8:
            return None
        axis = 1 if side < 2 else 0
        t = (ring[:, 1 - axis] - middle[1 - axis]) / half[1 - axis]
        near = own
        for _ in range(_LOOKS):
            if near.sum() < 8:
                return None
            sides[side] = _parabola(t[near], ring[near, axis], _MOST_BOW * float(half[1 - axis]))
            # round corners begin where the outline turns away from the side
            so_far = Shape(middle_px=middle, half_px=half, sides=sides, radius_px=np.zeros(4))
            near = own & ((_on_side(so_far, side, t)[1] * normals).sum(axis=1) > _ALIKE)
    lesser = 2 * float(half.min())
    start = Shape(middle_px=middle, half_px=half, sides=sides, radius_px=np.zeros(4))
    # the radius of each corner by how far the outline keeps off the point where its sides would meet
    radius = np.zeros(4)
    for corner, (one, other) in enumerate(CORNERS):
        meet = _meeting(start, one, other, 0.0)
        if meet is None:
            return None
        off = float(np.hypot(*(ring - meet[0]).T).min())
        radius[corner] = off / (np.sqrt(2.0) - 1.0)
    return replace(start, radius_px=np.clip(radius, _LEAST_RADIUS * lesser, MOST_RADIUS * lesser))


def bow_cost(side: NDArray[np.intp] | int, bow_mm: Floats) -> Floats:
    """Return what bows cost of a border's worth.

    Parameters
    ----------
    side : int or ndarray of int, shape (N,)
    bow_mm : ndarray of shape (N,)
        Of each, from the middle of the side to its ends.

    Returns
    -------
    ndarray of shape (N,)

    Examples
    --------
    >>> bow_cost(0, np.array([0.5, -0.5])).round(3)
    array([0.02, 0.27])
    """
    inward = np.maximum(-bow_mm * _OUTWARD[side], 0.0)
    return np.asarray(_BOW_COST[side] * bow_mm**2 + _INWARD_COST * inward**2, np.float64)


def tilt_cost(side: int, slope: Floats) -> Floats:
    """Return what tilts cost of a border's worth: roofs and floors lie across the bore, sides may lean.

    Parameters
    ----------
    side : int
    slope : ndarray of shape (N,)

    Returns
    -------
    ndarray of shape (N,)

    Examples
    --------
    >>> tilt_cost(1, np.array([0.1, -0.2])).round(3), tilt_cost(2, np.array([0.3]))
    (array([0.1, 0.4]), array([0.]))
    """
    return np.asarray(_TILT_COST * slope**2 * (side < 2), np.float64)


def form_cost(shape: Shape, mm_per_px: float) -> float:
    """Return what the bows and tilts of a shape cost of its border's worth.

    Parameters
    ----------
    shape : Shape
    mm_per_px : float

    Returns
    -------
    float
    """
    bows = bow_cost(np.arange(SIDES), shape.sides[:, 2] * mm_per_px)
    tilts = tilt_cost(0, shape.sides[:2, 1] / shape.half_px[0])
    return float(bows.sum() + tilts.sum())


def starts_of(ring_px: Floats, further_px: Sequence[tuple[int, float]] = ()) -> list[Shape]:
    """Return shapes near an outline from which a search may set out.

    An outline that followed soot is bowed where the window is not, and the search does not find back: so its
    sides are tried as they are, all straight, and straight but for the roof, whose arch is common. It may
    have taken another edge for the wall's end, too far for a search.

    Parameters
    ----------
    ring_px : ndarray of shape (N, 2)
    further_px : sequence of tuple, optional
        Sides, and how far outward of what was taken each may lie.

    Returns
    -------
    list of Shape
        Empty if the outline has no four sides.
    """
    found = shape_of(ring_px)
    if found is None:
        return []
    straight = found.sides * [1.0, 1.0, 0.0]
    straight[:, 0] += found.sides[:, 2] / 3.0  # where a bowed side lies in the mean
    arched = straight.copy()
    arched[0] = found.sides[0]
    alike = np.full(4, np.median(found.radius_px))
    tried = [straight, arched]
    if np.abs(straight[:2, 1]).max() > _TILTED_PX:
        # what is tilted may follow the true border for a part only: its outer end mostly
        for outward in (0.0, 1.0):
            level = straight.copy()
            level[:2, 0] -= outward * _OUTWARD[:2] * np.abs(straight[:2, 1])
            level[:2, 1] = 0.0
            tried.append(level)
    for side, far in further_px:
        if abs(far) > _FAR_APART_PX:
            moved = straight.copy()
            moved[side, 0] -= _OUTWARD[side] * far
            tried.append(moved)
    return [found, *(replace(found, sides=sides, radius_px=alike) for sides in tried)]


def _parabola(t: Floats, values: Floats, most_bow: float) -> Floats:
    """Return the parabola through most of some places, those far off it left out by and by.

    More bowed than `most_bow` it would be an end of a window, round from corner to corner.
    """
    basis = np.stack([np.ones_like(t), t, t * t], axis=1)
    weight = np.ones(len(t))
    found = np.zeros(3)
    # a short side tells nothing of its bow
    ridge = np.diag([0.0, 1e-4, 1e-3]) * len(t)
    for _ in range(_ROUNDS):
        found = np.linalg.solve((basis.T * weight) @ basis + ridge, (basis.T * weight) @ values)
        if abs(found[2]) > most_bow:
            rest = values - np.sign(found[2]) * most_bow * t * t
            line = (basis.T * weight)[:2] @ basis[:, :2] + ridge[:2, :2]
            found = np.append(
                np.linalg.solve(line, (basis.T * weight)[:2] @ rest), np.sign(found[2]) * most_bow
            )
        miss = np.abs(values - basis @ found)
        usual = max(0.3, 1.5 * float(np.median(miss)))
        weight = 1.0 / np.maximum(1.0, miss / (_FAR * usual)) ** 2
    return found


def _on_side(shape: Shape, side: int, t: Floats) -> tuple[Floats, Floats]:
    """Return points of a side at t, and its outward normals there."""
    axis = 1 if side < 2 else 0
    sign = -1.0 if side in (0, 2) else 1.0
    first, second, third = shape.sides[side]
    value = first + second * t + third * t * t
    slope = (second + 2 * third * t) / shape.half_px[1 - axis]
    points, normals = np.empty((len(t), 2)), np.empty((len(t), 2))
    points[:, axis] = value
    points[:, 1 - axis] = shape.middle_px[1 - axis] + t * shape.half_px[1 - axis]
    long = np.hypot(1.0, slope)
    normals[:, axis], normals[:, 1 - axis] = sign / long, -sign * slope / long
    return points, normals


def _place_on(shape: Shape, side: int, t: float, inward: float) -> tuple[float, float]:
    """Return one point of a side at t, moved into the window; far faster than arrays of one."""
    across, along = (1, 0) if side < 2 else (0, 1)
    sign = -1.0 if side in (0, 2) else 1.0
    first, second, third = shape.sides[side].tolist()
    slope = (second + 2 * third * t) / float(shape.half_px[along])
    by = inward * sign / math.hypot(1.0, slope)
    value = first + second * t + third * t * t - by
    other = float(shape.middle_px[along]) + t * float(shape.half_px[along]) + by * slope
    return (other, value) if across == 1 else (value, other)


def _meeting(shape: Shape, one: int, other: int, radius: float) -> tuple[Floats, float, float] | None:
    """Return where two sides, moved in by a radius, meet, and t there on each; None if they do not."""
    s, t, step = _end(one, other), _end(other, one), 1e-4
    for _ in range(_ROUNDS):
        (x, y), (x_on, y_on) = (_place_on(shape, one, at, radius) for at in (s, s + step))
        (u, v), (u_on, v_on) = (_place_on(shape, other, at, radius) for at in (t, t + step))
        if math.hypot(x - u, y - v) < 1e-6:
            break
        slopes = np.array([[x_on - x, u - u_on], [y_on - y, v - v_on]]) / step
        ahead, behind = np.clip(np.linalg.solve(slopes, np.array([x - u, y - v])), -0.5, 0.5).tolist()
        s, t = s - ahead, t - behind
        if max(abs(s), abs(t)) > 3.0:
            return None
    return np.array(_place_on(shape, one, s, radius)), s, t


def _end(side: int, beside: int) -> float:
    """Return about where along a side the one beside it begins."""
    return -1.0 if beside in (0, 2) else 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Arc:
    """A corner's arc, and t on both sides where it meets them."""

    points_px: Floats
    normals: Floats
    ends: tuple[float, float]


def _arc(shape: Shape, corner: int) -> _Arc | None:
    one, other = CORNERS[corner]
    radius = float(shape.radius_px[corner])
    met = _meeting(shape, one, other, radius)
    if met is None:
        return None
    middle, *ends = met
    (_, begin), (_, stop) = (
        _on_side(shape, side, np.array([t])) for side, t in zip((one, other), ends, strict=True)
    )
    first = np.arctan2(begin[0, 1], begin[0, 0])
    turn = np.remainder(np.arctan2(stop[0, 1], stop[0, 0]) - first + np.pi, 2 * np.pi) - np.pi
    if turn <= 0.0:
        return None
    count = max(3, round(radius * turn))
    at = first + turn * (np.arange(count) + 0.5) / count
    out = np.stack([np.cos(at), np.sin(at)], axis=1)
    return _Arc(middle + radius * out, out, (ends[0], ends[1]))


def drawn(shape: Shape) -> Drawn | None:
    """Return the outline of a shape.

    Parameters
    ----------
    shape : Shape

    Returns
    -------
    Drawn or None
        None if its sides and corners do not join.
    """
    arcs = [_arc(shape, corner) for corner in range(4)]
    points, normals, part, along = [], [], [], []
    for corner, (_, side) in enumerate(CORNERS):
        arc, following = arcs[corner], arcs[(corner + 1) % 4]
        if arc is None or following is None:
            return None
        points.append(arc.points_px)
        normals.append(arc.normals)
        part.append(np.full(len(arc.normals), SIDES + corner))
        along.append(np.linspace(-1.0, 1.0, len(arc.normals)))
        # then the side, on to the next corner
        start, end = arc.ends[1], following.ends[0]
        if (end - start) * (1 if side in (0, 3) else -1) <= 0:
            return None
        count = max(3, round(abs(end - start) * shape.half_px[0 if side < 2 else 1]))
        t = start + (end - start) * (np.arange(count) + 0.5) / count
        own, out = _on_side(shape, side, t)
        points.append(own)
        normals.append(out)
        part.append(np.full(count, side))
        along.append(t)
    return Drawn(
        points_px=np.vstack(points),
        normals=np.vstack(normals),
        part=np.concatenate(part).astype(np.intp),
        along=np.concatenate(along),
    )


def moves_of(shape: Shape, outline: Drawn) -> Floats:
    """Return how far out each place of a shape's outline moves with the shape's figures.

    Parameters
    ----------
    shape : Shape
    outline : Drawn
        As `drawn` gives it.

    Returns
    -------
    ndarray of shape (N, 16)
        Of each side as a whole, of its ends against each other, and of its bow; then of each radius.
    """
    moves = np.zeros((len(outline.part), 3 * SIDES + 4))
    ends = {}
    for side in range(SIDES):
        own = outline.part == side
        t = outline.along[own]
        middle, half = (t.min() + t.max()) / 2, max((t.max() - t.min()) / 2, 1e-6)
        moves[own, 3 * side : 3 * side + 3] = even_moves((t - middle) / half)
        ends[side] = middle, half
    for corner, (one, other) in enumerate(CORNERS):
        own = outline.part == SIDES + corner
        bisector = np.zeros(2)
        for side, beside in ((one, other), (other, one)):
            at = np.array([_end(side, beside)])
            _, normal = _on_side(shape, side, ends[side][0] + at * ends[side][1])
            moves[own, 3 * side : 3 * side + 3] = (outline.normals[own] @ normal[0])[:, None] * even_moves(at)
            bisector += normal[0]
        bisector /= np.hypot(*bisector)
        # a larger radius draws the corner in, and leaves it where it meets the sides
        moves[own, 3 * SIDES + corner] = 1.0 - np.sqrt(2.0) * (outline.normals[own] @ bisector)
    return moves


def even_moves(u: Floats) -> Floats:
    """Return how a side moves as a whole, with its ends against each other, and with its bow.

    Parameters
    ----------
    u : ndarray of shape (N,)
        From −1 at one end to 1 at the other.

    Returns
    -------
    ndarray of shape (N, 3)
    """
    return np.stack([np.ones_like(u), u, u * u - 1.0 / 3.0], axis=1)


def held_to(moves: Floats, wanted: Floats, told: Floats, unit: float) -> Floats:
    """Return offsets near the wanted ones: a shape's, and what of the rest is told too well for chance.

    Parameters
    ----------
    moves : ndarray of shape (N, K)
        As `moves_of` gives them.
    wanted : ndarray of shape (N,)
        Offsets [px].
    told : ndarray of shape (N,)
        Inverse of the variance of each [1/px²].
    unit : float
        Pixels in a millimetre.

    Returns
    -------
    ndarray of shape (N,)
    """
    weighed = moves * told[:, None]
    slack = np.zeros(moves.shape[1])
    slack[2 : 3 * SIDES : 3] = (_BOW_SD_MM * unit) ** -2
    slack[3 * SIDES :] = (_RADIUS_SD_MM * unit) ** -2
    figures = np.linalg.solve(weighed.T @ moves + np.diag(slack + 1e-9), weighed.T @ wanted)
    even = moves @ figures
    sd = _WAVE_MM * unit
    near = gaussian_filter1d(told, sd, mode="wrap")
    rest = gaussian_filter1d(told * (wanted - even), sd, mode="wrap") / np.maximum(near, 1e-12)
    chance = 1.0 / np.maximum(near * 2 * np.sqrt(np.pi) * sd, 1e-12)
    own = (_WAVE_SD_MM * unit) ** 2
    return np.asarray(even + rest * own / (own + chance))


def near_corner(shape: Shape, corner: int, radius_px: float, most_px: float) -> Floats | None:
    """Return points of the outline near a corner.

    Parameters
    ----------
    shape : Shape
    corner : int
    radius_px : float
        Of the corner, instead of the shape's.
    most_px : float
        A radius as large; the sides are drawn as far as it would reach.

    Returns
    -------
    ndarray of shape (N, 2) or None
        None if the sides do not meet.
    """
    radii = shape.radius_px.copy()
    radii[corner] = radius_px
    arc = _arc(replace(shape, radius_px=radii), corner)
    if arc is None:
        return None
    parts = [arc.points_px]
    for side, beside, t in zip(CORNERS[corner], CORNERS[corner][::-1], arc.ends, strict=True):
        count = max(2, round(1.5 * most_px))
        along = t - _end(side, beside) * np.arange(count) / shape.half_px[0 if side < 2 else 1]
        parts.append(_on_side(shape, side, along)[0])
    return np.vstack(parts)


def corner_point(shape: Shape, corner: int) -> Floats | None:
    """Return where the two sides of a corner would meet, shape (2,); None if they do not.

    Parameters
    ----------
    shape : Shape
    corner : int

    Returns
    -------
    ndarray of shape (2,) or None
    """
    met = _meeting(shape, *CORNERS[corner], 0.0)
    return None if met is None else met[0]
