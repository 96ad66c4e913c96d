"""Where to scribe a new edge on the bore wall: heights by place, and the piston as its own gauge.

For each x along a window's roof (or floor) stand the heights that a porter can reach with what is at the
bench: above the base face (height gauge, cylinder upright), from the deck (a caliper's tail), below the crown
edge at TDC; and the crank angle at which the crown edge stands exactly at the mark, so that the piston, set
by the degree wheel or by a dial gauge through the plug's hole, is the gauge.

Frame: the bore frame (`portmap.port`); degrees after true TDC, piston going down.

Glossary
--------
mark
    One place to scribe: every step of x, and both ends of the edge, where its sides stop.
below the crown
    Depth below the crown edge at TDC: what a dial gauge shows when the crown edge stands at the mark.
degrees of bore
    x as an angle about the bore's axis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.affinity import scale

from portmap.crank import angle_at
from portmap.engine import Engine, depth_below_crown
from portmap.errors import GeometryError, QuantityError
from portmap.port import Port, PortMap, Window
from portmap.roof_shapes import roof_chain

__all__ = ["Edge", "Mark", "ScribeRow", "changed_edges", "scribe_map_rows", "scribe_rows"]

Floats = NDArray[np.float64]
Edge = Literal["roof", "floor"]
Mark = Literal["", "left end", "right end"]

CHANGED_MM = 0.005  # an edge that moved by less needs no scribing; half of what a caliper shows
MOST_ROWS = 20_000
NUDGE_MM = 1e-4  # for central differences; far above rounding, far below any doubt
_LEANS_ON = ("crown_height_mm", "base_gasket_mm", "stroke_mm", "rod_mm", "pin_offset_mm")


@dataclass(frozen=True, kw_only=True, slots=True)
class ScribeRow:
    """One mark.

    Parameters
    ----------
    port : str
        The port's id.
    window : int
        Number of the port's window.
    edge : {'roof', 'floor'}
    mark : {'', 'left end', 'right end'}
        Which end of the edge, if it is one.
    x_mm : float
        Along the wall from the exhaust centre line, to the right [mm].
    bore_deg : float
        The same in degrees of bore.
    height_mm : float
        Above the base face [mm].
    height_u_mm : float or None
        Standard uncertainty of the edge there [mm], 0 where it is drawn; None if nobody said.
    from_deck_mm : float or None
        Below the deck [mm]; None if the deck's height is not known.
    below_crown_mm : float
        Below the crown edge at TDC [mm]; negative above it.
    below_crown_u_mm : float or None
        Standard uncertainty [mm]; None if nobody said.
    piston_deg : float or None
        Degrees after TDC at which the crown edge stands there; None where it never comes.
    piston_u_deg : float or None
        Standard uncertainty [deg]; None if nobody said.
    """

    port: str
    window: int
    edge: Edge
    mark: Mark
    x_mm: float
    bore_deg: float
    height_mm: float
    height_u_mm: float | None
    from_deck_mm: float | None
    below_crown_mm: float
    below_crown_u_mm: float | None
    piston_deg: float | None
    piston_u_deg: float | None


def scribe_rows(
    engine: Engine,
    port: Port,
    step_mm: float = 1.0,
    *,
    edges: Sequence[Edge] = ("roof",),
    windows: Sequence[int] | None = None,
) -> tuple[ScribeRow, ...]:
    """Return the marks along the edges of a port's windows.

    Parameters
    ----------
    engine : Engine
    port : Port
    step_mm : float, optional
        Marks stand at whole steps of x [mm]. Five degrees of bore are π·bore·5/360.
    edges : sequence of {'roof', 'floor'}, optional
    windows : sequence of int, optional
        Numbers of windows; None for all.

    Returns
    -------
    tuple of ScribeRow
        Window by window, edge by edge, from left to right.

    Raises
    ------
    QuantityError
        If the step is not above 0, or so small that nobody could scribe so many marks.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="exhaust", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> row = scribe_rows(engine, port, 7.0)[2]
    >>> row.x_mm, row.height_mm, round(row.below_crown_mm, 6), round(row.piston_deg, 2)
    (0.0, 39.4, 21.6, 102.48)
    """
    if not 0 < step_mm < math.inf:
        raise QuantityError(
            f"{step_mm:g} mm is not a step", where="step", remedy="give a length above 0, as in 1 mm"
        )
    found: list[ScribeRow] = []
    for number, window in enumerate(port.windows):
        if windows is not None and number not in windows:
            continue
        left, _, right, _ = window.outline.bounds
        if (right - left) / step_mm > MOST_ROWS:
            raise QuantityError(
                f"a step of {step_mm:g} mm asks for {(right - left) / step_mm:.0f} marks on one edge",
                where="step",
                remedy="take a longer one",
            )
        for edge in edges:
            found += _edge_rows(engine, port, number, window, edge, step_mm)
    return tuple(found)


def scribe_map_rows(
    engine: Engine, port_map: PortMap, step_mm: float = 1.0, *, start: PortMap | None = None, port: str = ""
) -> tuple[ScribeRow, ...]:
    """Return the marks of a whole map: of what changed, or of all roofs.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    step_mm : float, optional
        As in `scribe_rows` [mm].
    start : PortMap or None, optional
        Where the work starts from, with the same ports and windows: only edges that differ are marked. None
        marks every roof.
    port : str, optional
        One port alone.

    Returns
    -------
    tuple of ScribeRow

    Raises
    ------
    GeometryError
        If there is no port of that name.
    QuantityError
        As `scribe_rows`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> def made(stage, roof):
    ...     window = Window(outline=shapely.box(-3, 28, 3, roof))
    ...     exhaust = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    ...     return PortMap(stage=stage, ports=(exhaust,))
    >>> rows = scribe_map_rows(engine, made("proposed", 41), start=made("stock", 40))
    >>> [(row.edge, row.x_mm, row.height_mm) for row in rows][:2]
    [('roof', -3.0, 41.0), ('roof', -2.0, 41.0)]
    """
    if port and port not in [one.id for one in port_map.ports]:
        names = ", ".join(one.id for one in port_map.ports)
        raise GeometryError("there is no such port", where=f"port {port}", remedy=f"take one of {names}")
    before = {} if start is None else {one.id: one.windows for one in start.ports}
    found: list[ScribeRow] = []
    for one in port_map.ports:
        if port and one.id != port:
            continue
        for number, window in enumerate(one.windows):
            old = before.get(one.id, ())
            edges = ("roof",) if start is None else changed_edges(_at(old, number), window)
            found += scribe_rows(engine, one, step_mm, edges=edges, windows=(number,))
    return tuple(found)


def _at(windows: Sequence[Window], number: int) -> Window | None:
    return windows[number] if number < len(windows) else None


def changed_edges(old: Window | None, new: Window) -> tuple[Edge, ...]:
    """Return which of a window's edges differ from what it was.

    Parameters
    ----------
    old : Window or None
        None if there was none.
    new : Window

    Returns
    -------
    tuple of {'roof', 'floor'}

    Examples
    --------
    >>> changed_edges(Window(outline=shapely.box(0, 0, 9, 5)), Window(outline=shapely.box(0, 0, 9, 6)))
    ('roof',)
    """
    if old is None:
        return "roof", "floor"
    if old.outline is new.outline:
        return ()
    return tuple(edge for edge in ("roof", "floor") if _differs(old.outline, new.outline, edge))


def _differs(old: Polygon, new: Polygon, edge: Edge) -> bool:
    chain, before = _edge_chain(new, edge), _edge_chain(old, edge)
    line = shapely.linestrings(before)
    return bool((shapely.distance(shapely.points(chain), line) > CHANGED_MM).any())


def _edge_chain(outline: Polygon, edge: Edge) -> Floats:
    """Return an edge from left to right."""
    if edge == "roof":
        return np.asarray(roof_chain(outline)[::-1])
    turned = roof_chain(scale(outline, 1.0, -1.0, origin=(0.0, 0.0)))
    return np.asarray(turned[::-1] * np.array([1.0, -1.0]))


def _edge_rows(
    engine: Engine, port: Port, number: int, window: Window, edge: Edge, step_mm: float
) -> Iterator[ScribeRow]:
    chain = _edge_chain(window.outline, edge)
    (left, left_y), (right, right_y) = chain[0].tolist(), chain[-1].tolist()
    steps = np.arange(math.floor(left / step_mm), math.ceil(right / step_mm) + 1) * step_mm
    steps = steps[(steps > left + NUDGE_MM) & (steps < right - NUDGE_MM)]
    x = np.concatenate([[left], steps, [right]])
    y = np.concatenate([[left_y], _outer_heights(chain, steps, edge), [right_y]])
    doubt = window.doubt
    own_u = None if doubt is None else doubt.roof_u_mm if edge == "roof" else doubt.floor_u_mm
    depth = depth_below_crown(engine, y)
    crank = engine.crank
    degrees = angle_at(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm, depth)
    depth_u, degree_u = _doubts(engine, depth, own_u)
    deck = engine.deck_height_mm
    for place in range(len(x)):
        yield ScribeRow(
            port=port.id,
            window=number,
            edge=edge,
            mark="left end" if place == 0 else "right end" if place == len(x) - 1 else "",
            x_mm=float(x[place]),
            bore_deg=math.degrees(float(x[place]) / (engine.bore_mm / 2)),
            height_mm=float(y[place]),
            height_u_mm=own_u,
            from_deck_mm=None if deck is None else deck - float(y[place]),
            below_crown_mm=float(depth[place]),
            below_crown_u_mm=_known(depth_u, place),
            piston_deg=_known(degrees, place),
            piston_u_deg=_known(degree_u, place),
        )


def _known(values: Floats | None, place: int) -> float | None:
    return None if values is None or not math.isfinite(values[place]) else float(values[place])


def _outer_heights(chain: Floats, x: Floats, edge: Edge) -> Floats:
    """Return the outermost height of an edge at each x; where it hangs over, that of the outer part."""
    start, end = chain[:-1], chain[1:]
    run = end[:, 0] - start[:, 0]
    level = np.where(run == 0, 1.0, run)
    share = (x[:, None] - start[:, 0]) / level
    height = start[:, 1] + share * (end[:, 1] - start[:, 1])
    inside = (run != 0) & (share >= 0) & (share <= 1)
    if edge == "roof":
        return np.asarray(np.where(inside, height, -np.inf).max(axis=1, initial=-np.inf))
    return np.asarray(np.where(inside, height, np.inf).min(axis=1, initial=np.inf))


def _doubts(engine: Engine, depth: Floats, own_u: float | None) -> tuple[Floats | None, Floats | None]:
    """Return the standard uncertainties of depth and crank angle, first order (JCGM 100, 5.2).

    Of the engine as `portmap fit` found it, with its correlations, and of the edge; the two are taken as
    independent. None if nobody doubted either aloud: that an edge is drawn makes the piston no surer.
    """
    if not own_u and engine.doubt is None:
        return None, None
    crank = engine.crank

    def angle(shift: Floats) -> Floats:
        return angle_at(
            crank.stroke_mm + shift[2],
            crank.rod_mm + shift[3],
            crank.pin_offset_mm + shift[4],
            depth + shift[0] - shift[1],
        )

    nudges = np.eye(len(_LEANS_ON)) * NUDGE_MM
    # rows: how depth and angle change with each figure; a gasket takes off what a crown's height adds
    by_depth = np.array([1.0, -1.0, 0.0, 0.0, 0.0])[:, None] * np.ones(len(depth))
    by_angle = np.array([(angle(nudge) - angle(-nudge)) / (2 * NUDGE_MM) for nudge in nudges])
    table = np.zeros((len(_LEANS_ON), len(_LEANS_ON)))
    if engine.doubt is not None:
        known = [
            (here, engine.doubt.figures.index(name))
            for here, name in enumerate(_LEANS_ON)
            if name in engine.doubt.figures
        ]
        for here, there in known:
            for also, beside in known:
                table[here, also] = engine.doubt.covariance[there][beside]
    own = own_u or 0.0
    depth_u = np.sqrt(np.einsum("in,ij,jn->n", by_depth, table, by_depth) + own**2)
    degree_u = np.sqrt(np.einsum("in,ij,jn->n", by_angle, table, by_angle) + (by_angle[0] * own) ** 2)
    return depth_u, degree_u
