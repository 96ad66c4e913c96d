"""Laying one map on another: by the base face that both were measured from, or by what was not ground.

A map comes from a sheet that was lifted from the wall; it may have been laid down too high, too far to
the right, or askew. The movement found takes a place p of the second map to the first map's frame: turned by
`turn_deg` anticlockwise round the exhaust centre line's foot on the base face (x 0, y 0), then shifted by
(`dx_mm`, `dy_mm`). A cylinder has no such turn, its developed sheet has: each window is turned where it lies
on the sheet, within half a turn of the exhaust centre line.

The fit takes the places of one edge that lie along the other one and leaves the rest, so that roofs that were
raised have no say: weighted least squares on distances square to the edge, weights after Tukey's biweight,
which are 0 beyond a limit that is drawn in step by step. Where several movements make a part of the edges
agree, that with the most edge wins.

Glossary
--------
agreeing edge
    Edge that lies on the other map's edge, to within what both scatter.

References
----------
.. [1] Huber and Ronchetti, Robust Statistics, 2009, 7.8 (iteratively reweighted least squares; from memory).
.. [2] Chen and Medioni, Object modelling by registration of multiple range images, 1992 (distances square to
   the surface; from memory).
.. [3] Cameron and Miller, A practitioner's guide to cluster-robust inference, 2015 (the doubt where errors of
   neighbours go together; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.edge_distance import EdgeLines, EdgePoints, edge_feet, edge_lines, edge_points
from portmap.errors import GeometryError, Notice
from portmap.matching import at_turn, matched_ports, matched_windows
from portmap.port import PortMap, Window

__all__ = ["BASE", "Registration", "fitted_registration", "moved_map", "place_u_mm"]

Floats = NDArray[np.float64]

_ARM_MM = 40.0  # the turn is counted in mm at this distance, so that all three unknowns are of one size
_LIMITS_MM = (0.35, 0.12, 0.05, 0.02)  # drawn in step by step
_TUKEY = 4.685  # the biweight's limit in standard deviations, 95 % efficient for a normal law [1]
_LEAST_LIMIT_MM = 0.004
_SAME_WAY = 0.7  # cosine between two edges' outward directions beyond which they may be one edge
_LEAST_SHARE = 0.15  # of the edge's length that must agree
_MOST_TURN_DEG = 5.0
_AGREES_MM = 0.06  # for counting edge that agrees while starts are compared
_STARTS = 6
_KEPT = 4  # of the starts, after a first look
_HARDLY = 1e-4  # of the strongest resistance


@dataclass(frozen=True, kw_only=True, slots=True)
class Registration:
    """How the second map was moved to lie on the first.

    Parameters
    ----------
    method : {'base', 'fit'}
        Left where its base face puts it, or fitted.
    dx_mm, dy_mm : float
        Shift after the turn, to the right and up [mm].
    turn_deg : float
        Anticlockwise round x 0, y 0 [deg].
    covariance : tuple of tuple of float
        Of dx, dy [mm] and the turn [rad]; nothing but zeros for the base face.
    agreeing_share : float or None
        Of the edge's length that lay on the other map's edge; None if nothing was fitted.
    rms_mm : float or None
        What the agreeing edge still stands off [mm].
    notices : tuple of Notice
        What makes it doubtful.
    """

    method: Literal["base", "fit"]
    dx_mm: float = 0.0
    dy_mm: float = 0.0
    turn_deg: float = 0.0
    covariance: tuple[tuple[float, ...], ...] = ((0.0,) * 3,) * 3
    agreeing_share: float | None = None
    rms_mm: float | None = None
    notices: tuple[Notice, ...] = ()


BASE = Registration(method="base")


def place_u_mm(registration: Registration, x_mm: float, y_mm: float) -> tuple[float, float]:
    """Return how sure it is where a place came to lie.

    Parameters
    ----------
    registration : Registration
    x_mm, y_mm : float
        The place [mm].

    Returns
    -------
    tuple of float
        Standard uncertainties across and up [mm], of the movement alone.

    Examples
    --------
    >>> place_u_mm(BASE, 10.0, 30.0)
    (0.0, 0.0)
    """
    table = np.asarray(registration.covariance)
    across, up = np.array([1.0, 0.0, -y_mm]), np.array([0.0, 1.0, x_mm])
    return math.sqrt(max(across @ table @ across, 0.0)), math.sqrt(max(up @ table @ up, 0.0))


def moved_map(port_map: PortMap, registration: Registration) -> PortMap:
    """Return a map with every window moved.

    Parameters
    ----------
    port_map : PortMap
    registration : Registration

    Returns
    -------
    PortMap
        The same one if nothing moves. What is stated of its windows' doubts grows by that of the movement.

    Examples
    --------
    >>> from portmap.port import Port
    >>> window = Window(outline=shapely.box(0, 20, 10, 30))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(window,))
    >>> moved = moved_map(PortMap(stage="ground", ports=(port,)), Registration(method="fit", dy_mm=0.5))
    >>> moved.ports[0].windows[0].outline.bounds
    (0.0, 20.5, 10.0, 30.5)
    """
    shift = (registration.dx_mm, registration.dy_mm, math.radians(registration.turn_deg))
    if not any(shift):
        return port_map
    matrix, offset = _turn(shift[2]), np.array(shift[:2])

    def moved(window: Window) -> Window:
        outline = shapely.transform(window.outline, lambda points: points @ matrix.T + offset)
        doubt = window.doubt
        if doubt is not None:
            left, floor, right, roof = outline.bounds
            across, up = place_u_mm(registration, (left + right) / 2, (floor + roof) / 2)
            doubt = replace(
                doubt,
                roof_u_mm=math.hypot(doubt.roof_u_mm, up),
                floor_u_mm=math.hypot(doubt.floor_u_mm, up),
                edge_u_mm=math.hypot(doubt.edge_u_mm, across, up),
            )
        return Window(outline=shapely.geometry.polygon.orient(outline), doubt=doubt)

    ports = tuple(
        replace(port, windows=tuple(moved(window) for window in port.windows)) for port in port_map.ports
    )
    return replace(port_map, ports=ports)


def _turn(radians: float) -> Floats:
    cosine, sine = math.cos(radians), math.sin(radians)
    return np.array([[cosine, -sine], [sine, cosine]])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Edges:
    """The second map's places, each with the number of the window that it belongs to."""

    points: EdgePoints
    label: NDArray[np.intp]
    still: EdgeLines

    def thinned(self, step: int) -> _Edges:
        points = EdgePoints(
            places=self.points.places[::step],
            normals=self.points.normals[::step],
            length_mm=self.points.length_mm[::step] * step,
        )
        return _Edges(points=points, label=self.label[::step], still=self.still)


@dataclass(frozen=True, kw_only=True, slots=True)
class _State:
    """How the places stand off at one movement: signed distance, its slopes, and which may be one edge."""

    off: Floats
    slopes: Floats
    may: NDArray[np.bool_]


def fitted_registration(a: PortMap, b: PortMap, bore_mm: float) -> Registration:
    """Return the movement that lays what was not ground in the second map on the first.

    Parameters
    ----------
    a, b : PortMap
        The second is moved.
    bore_mm : float
        Of both [mm].

    Returns
    -------
    Registration

    Raises
    ------
    GeometryError
        If the maps share no window, or too little of their edges agree.

    Notes
    -----
    The doubt is that of the agreeing edge, side by side of each window, since the errors along a side go
    together; the stated doubts of edges are added in the same way.

    Examples
    --------
    >>> from portmap.port import Port
    >>> def made(stage, roof, up):
    ...     windows = [Window(outline=shapely.box(x, 20 + up, x + 12, roof + up)) for x in (-40, -6, 28)]
    ...     ports = [Port(id=str(i), kind="transfer", control="crown", windows=(w,))
    ...              for i, w in enumerate(windows)]
    ...     return PortMap(stage=stage, ports=tuple(ports))
    >>> round(fitted_registration(made("stock", 30, 0), made("ground", 31, 0.3), 46.0).dy_mm, 3)
    -0.3
    """
    pairs, doubts = _window_pairs(a, b, bore_mm)
    if not pairs:
        raise GeometryError(
            "the maps share no window, so nothing can be laid on one another",
            where="--register fit",
            remedy="give the ports the same names, or register on the base face",
        )
    edges = _edges(pairs)
    thin = edges.thinned(max(len(edges.label) // (40 * len(pairs)), 1))
    near = [_settled(thin, start, _LIMITS_MM[:1]) for start in _starts(pairs)]
    promise = np.argsort([-_agreeing_mm(thin, movement) for movement in near], kind="stable")
    found = [_settled(thin, near[number], _LIMITS_MM[1:]) for number in promise[:_KEPT]]
    scores = [_agreeing_mm(thin, movement) for movement in found]
    best = _best(found, scores)
    movement, limit = _final(edges, found[best])
    state = _state(edges, movement)
    weight = _weights(state, limit) * edges.points.length_mm
    share = float(np.sum(edges.points.length_mm[weight > 0]) / np.sum(edges.points.length_mm))
    if share < _LEAST_SHARE:
        raise GeometryError(
            f"only {100 * share:.0f} % of the edges agree, too little to lay one map on the other",
            where="--register fit",
            remedy="register on the base face, or trace both maps again",
        )
    if abs(movement[2]) > math.radians(_MOST_TURN_DEG):
        raise GeometryError(
            f"the maps agree only at a turn of {math.degrees(movement[2]):.1f}°",
            where="--register fit",
            remedy="lay the sheet straight and trace it again",
        )
    covariance = _covariance(edges, state, weight, doubts)
    dx, dy, turn = (float(part) for part in movement)
    return Registration(
        method="fit",
        dx_mm=dx,
        dy_mm=dy,
        turn_deg=math.degrees(turn),
        covariance=tuple(tuple(float(part) for part in row) for row in covariance),
        agreeing_share=share,
        rms_mm=math.sqrt(float(np.sum(weight * state.off**2) / np.sum(weight))),
        notices=tuple(_notices(found, scores, best, state, weight)),
    )


def _window_pairs(
    a: PortMap, b: PortMap, bore_mm: float
) -> tuple[list[tuple[Polygon, Polygon]], list[float]]:
    """Return the outlines that both maps have, the first's moved round to the second's, and their doubts."""
    round_mm = math.pi * bore_mm
    pairs, doubts = [], []
    for match in matched_ports(a, b, bore_mm).both:
        for i, j in matched_windows(match.a, match.b, bore_mm):
            first, second = match.a.windows[i], match.b.windows[j]
            middle = sum(second.outline.bounds[::2]) / 2
            pairs.append((at_turn(first.outline, middle, round_mm), second.outline))
            known = [window.doubt.edge_u_mm for window in (first, second) if window.doubt is not None]
            doubts.append(math.hypot(*known) if known else 0.0)
    return pairs, doubts


def _edges(pairs: Sequence[tuple[Polygon, Polygon]]) -> _Edges:
    points = [edge_points(second, 0.25, most=160) for _, second in pairs]
    return _Edges(
        points=EdgePoints(
            places=np.concatenate([one.places for one in points]),
            normals=np.concatenate([one.normals for one in points]),
            length_mm=np.concatenate([one.length_mm for one in points]),
        ),
        label=np.concatenate([np.full(len(one.places), number) for number, one in enumerate(points)]),
        still=edge_lines([first for first, _ in pairs]),
    )


def _starts(pairs: Sequence[tuple[Polygon, Polygon]]) -> list[Floats]:
    """Return movements to begin from: that of the base face, and what roofs, floors and sides ask for."""
    first, second = (np.array([pair[k].bounds for pair in pairs]) for k in (0, 1))
    moves = first - second
    x, y = second[:, [0, 2]].mean(axis=1), second[:, [1, 3]].mean(axis=1)
    ups, at = np.concatenate([moves[:, 3], moves[:, 1]]), np.concatenate([x, x])
    i, j = np.triu_indices(len(ups), 1)
    wide = np.abs(at[i] - at[j]) > 10.0
    turns = np.zeros(len(ups))
    turns = np.concatenate([turns, (ups[i] - ups[j])[wide] / (at[i] - at[j])[wide]])
    rise = np.concatenate([ups, ups[i][wide] - turns[len(ups) :] * at[i][wide]])
    small = np.abs(turns) < math.radians(_MOST_TURN_DEG)
    turns, rise = turns[small], rise[small]
    off = ups - rise[:, None] - turns[:, None] * at
    votes = np.sum(np.exp(-0.5 * (off / 0.1) ** 2), axis=1)
    starts = [np.zeros(3)]
    chosen: list[Floats] = []
    for number in np.argsort(-votes, kind="stable"):
        asked = rise[number] + turns[number] * at
        if all(np.max(np.abs(asked - other)) > 0.15 for other in chosen):
            chosen.append(asked)
            across = np.concatenate([moves[:, 0], moves[:, 2]]) + np.tile(y * turns[number], 2)
            near = np.sum(np.exp(-0.5 * ((across[:, None] - across) / 0.1) ** 2), axis=1)
            starts.append(np.array([across[np.argmax(near)], rise[number], turns[number]]))
        if len(chosen) == _STARTS:
            break
    return starts


def _state(edges: _Edges, movement: Floats) -> _State:
    matrix = _turn(float(movement[2]))
    turned = edges.points.places @ matrix.T
    places = turned + movement[:2]
    apart, feet, side = edge_feet(edges.still, places, edges.label, nearest=1)
    along = edges.still.ends[side] - edges.still.starts[side]
    normal = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
    off = np.einsum("ij,ij->i", normal, places - feet)
    same_way = np.einsum("ij,ij->i", normal, edges.points.normals @ matrix.T) > _SAME_WAY
    square = apart <= 1.2 * np.abs(off) + 1e-9  # past a corner the nearest place is not square to the edge
    lever = (normal[:, 1] * turned[:, 0] - normal[:, 0] * turned[:, 1]) / _ARM_MM
    return _State(off=off, slopes=np.column_stack([normal, lever]), may=same_way & square)


def _weights(state: _State, limit: float) -> Floats:
    inside = state.may & (np.abs(state.off) < limit)
    return np.where(inside, (1.0 - np.clip(np.abs(state.off) / limit, 0, 1) ** 2) ** 2, 0.0)


def _step(edges: _Edges, movement: Floats, limit: float) -> Floats:
    """Return the movement after one round of weighted least squares."""
    state = _state(edges, movement)
    weight = _weights(state, limit) * edges.points.length_mm
    if not weight.any():
        return movement
    # a movement along which no edge resists, such as the turn of a round hole, is left at nothing
    gain = np.linalg.pinv(_resistance(state, weight), rcond=_HARDLY, hermitian=True)
    change = -gain @ (state.slopes.T @ (weight * state.off))
    return np.asarray(movement + change / np.array([1.0, 1.0, _ARM_MM]))


def _resistance(state: _State, weight: Floats) -> Floats:
    return np.asarray(state.slopes.T @ (weight[:, None] * state.slopes))


def _loose(state: _State, weight: Floats) -> list[str]:
    """Return which parts of the movement no edge resists."""
    strength, ways = np.linalg.eigh(_resistance(state, weight))
    free = ways[:, strength <= _HARDLY * strength[-1]]
    names = ("the shift across", "the shift up", "the turn")
    return [name for name, part in zip(names, free, strict=True) if part.size and np.max(np.abs(part)) > 0.5]


def _settled(edges: _Edges, start: Floats, limits_mm: Sequence[float]) -> Floats:
    movement = start
    for limit in limits_mm:
        for _ in range(2):
            movement = _step(edges, movement, limit)
    return movement


def _final(edges: _Edges, movement: Floats) -> tuple[Floats, float]:
    """Return the movement at the tightest limit that the edges' own scatter allows."""
    limit = _LIMITS_MM[1]
    for _ in range(30):
        moved = _step(edges, movement, limit)
        state = _state(edges, moved)
        inside = state.may & (np.abs(state.off) < limit)
        spread = 1.4826 * float(np.median(np.abs(state.off[inside]))) if inside.any() else limit
        tight = float(np.clip(_TUKEY * spread, max(_LEAST_LIMIT_MM, limit / 2), limit))
        still = float(np.max(np.abs((moved - movement) * [1.0, 1.0, _ARM_MM])))
        movement = moved
        if still < 1e-7 and tight >= 0.999 * limit:
            break
        limit = tight
    return movement, limit


def _agreeing_mm(edges: _Edges, movement: Floats) -> float:
    state = _state(edges, movement)
    return float(np.sum(_weights(state, _AGREES_MM) * edges.points.length_mm))


def _size(movement: Floats) -> float:
    return float(np.linalg.norm(movement * [1.0, 1.0, _ARM_MM]))


def _best(found: Sequence[Floats], scores: Sequence[float]) -> int:
    """Return which movement makes most edge agree; of those nearly alike, the least movement."""
    alike = [number for number, score in enumerate(scores) if score >= 0.97 * max(scores)]
    return min(alike, key=lambda number: _size(found[number]))


def _notices(
    found: Sequence[Floats], scores: Sequence[float], best: int, state: _State, weight: Floats
) -> list[Notice]:
    said = []
    loose = _loose(state, weight)
    slopes = state.slopes[weight > 0]

    def pushes(movement: Floats) -> float:
        """Return how far the agreeing edge would be pushed off by another movement."""
        return float(np.max(np.abs(slopes @ ((movement - found[best]) * [1.0, 1.0, _ARM_MM]))))

    rivals = [
        movement
        for movement, score in zip(found, scores, strict=True)
        if score >= 0.9 * scores[best] and pushes(movement) > 0.1
    ]
    if rivals:
        dx, dy, turn = rivals[0]
        message = (
            f"The edges agree nearly as well with the second map moved by {dx:.2f} mm across,"
            f" {dy:.2f} mm up and {math.degrees(turn):.2f}°: check heights at the base face."
        )
        said.append(Notice(code="registration-two-ways", message=message))
    if loose:
        message = (
            f"The edges that agree do not tell {' or '.join(loose)} of the second map: it was left as it is."
        )
        said.append(Notice(code="registration-loose", message=message))
    return said


def _covariance(edges: _Edges, state: _State, weight: Floats, doubts: Sequence[float]) -> Floats:
    """Return the covariance of dx, dy and the turn [rad], with errors that go together along a side."""
    gain = np.linalg.pinv(_resistance(state, weight), rcond=_HARDLY, hermitian=True)
    quarter = np.argmax(np.column_stack([state.slopes[:, :2], -state.slopes[:, :2]]), axis=1)
    side = edges.label * 4 + quarter
    middle = np.zeros((3, 3))
    used = 0
    for number in np.unique(side[weight > 0]):
        mine = side == number
        pull = state.slopes[mine].T @ (weight[mine] * state.off[mine])
        stated = state.slopes[mine].T @ weight[mine] * doubts[number // 4]
        middle += np.outer(pull, pull) + np.outer(stated, stated)
        used += 1
    scale = np.diag([1.0, 1.0, 1.0 / _ARM_MM])
    factor = used / max(used - 3, 1)
    return np.asarray(factor * scale @ gain @ middle @ gain @ scale)
