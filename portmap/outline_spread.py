"""How sure timings, areas and time-areas are, from how sure the outlines are.

First order (JCGM 100): what a result does when an outline changes by one standard uncertainty, then the
root sum of squares over independent causes. The causes are two: the outline's height (all of it up or
down, by the larger of its roof's and floor's doubt) and its size (by its area's doubt, in proportion).
Windows lifted in one picture share a datum and a scale, so windows and ports are added linearly within
one cause: the doubt is rather too large than too small.

Crank, crown height and gasket are taken as stated: these doubts are those of the outlines alone. A result
is None where any window it leans on has no doubt stated.

References
----------
.. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely.affinity import translate

from portmap.crank import depth_per_degree
from portmap.engine import Engine
from portmap.port import Port, PortMap, WindowDoubt
from portmap.timearea import Span, angle_area
from portmap.timing import Timing, exhaust_of, first_opening_deg, port_timing, transfers_of
from portmap.window import AreaKind, opened_area

__all__ = ["blowdown_u_deg", "floor_u_mm", "opening_u_deg", "roof_u_mm", "span_u_mm2_deg", "wall_area_u_mm2"]


def _doubts(port: Port) -> tuple[WindowDoubt, ...] | None:
    found = tuple(window.doubt for window in port.windows if window.doubt is not None)
    return found if len(found) == len(port.windows) else None


def roof_u_mm(port: Port) -> float | None:
    """Return the standard uncertainty of the port's roof.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float or None
        Of the window that reaches highest [mm]; None if nobody said.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]), doubt=doubt)
    >>> roof_u_mm(Port(id="t", kind="transfer", control="crown", windows=(window,)))
    0.01
    """
    highest = max(port.windows, key=lambda window: float(window.outline.bounds[3]))
    return None if highest.doubt is None else highest.doubt.roof_u_mm


def floor_u_mm(port: Port) -> float | None:
    """Return the standard uncertainty of the port's floor.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float or None
        Of the window that reaches lowest [mm]; None if nobody said.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]))
    >>> floor_u_mm(Port(id="t", kind="transfer", control="crown", windows=(window,))) is None
    True
    """
    lowest = min(port.windows, key=lambda window: float(window.outline.bounds[1]))
    return None if lowest.doubt is None else lowest.doubt.floor_u_mm


def wall_area_u_mm2(port: Port) -> float | None:
    """Return the standard uncertainty of the port's wall area.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float or None
        [mm²]; None if nobody said.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    >>> window = Window(outline=window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]]), doubt=doubt)
    >>> wall_area_u_mm2(Port(id="t", kind="transfer", control="crown", windows=(window, window)))
    0.2
    """
    doubts = _doubts(port)
    return None if doubts is None else sum(doubt.wall_area_u_mm2 for doubt in doubts)


def opening_u_deg(engine: Engine, port: Port) -> float | None:
    """Return the standard uncertainty of the angle at which a port opens.

    The height's doubt over the piston's speed there: u(θ) = u(y) / |dy/dθ|.

    Parameters
    ----------
    engine : Engine
    port : Port

    Returns
    -------
    float or None
        [deg]; None if nobody said how sure the outline is, or the piston doesn't open and close it.

    Raises
    ------
    GeometryError
        As `port_timing`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape, doubt=doubt),))
    >>> round(opening_u_deg(engine, port), 3)
    0.039
    """
    timing = port_timing(engine, port)
    height_u = _governing_u_mm(port)
    if height_u is None or not timing.openings:
        return None
    return height_u / abs(float(depth_per_degree(engine.crank, timing.openings[0].opens_deg)))


def _governing_u_mm(port: Port) -> float | None:
    """Return the doubt of the edge whose passing opens the port going down or up."""
    if port.control == "crown":
        return roof_u_mm(port)
    if port.control == "skirt":
        return floor_u_mm(port)
    ends = [roof_u_mm(port), floor_u_mm(port)]
    known = [end for end in ends if end is not None]
    return max(known) if len(known) == len(ends) else None


def blowdown_u_deg(engine: Engine, port_map: PortMap) -> float | None:
    """Return the standard uncertainty of the blowdown.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    float or None
        [deg], root sum of squares of the two openings; None if nobody said how sure they are.

    Raises
    ------
    GeometryError
        As `port_timing`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> blowdown_u_deg(engine, PortMap(stage="stock", ports=())) is None
    True
    """
    sides = [_first_opening_u_deg(engine, ports) for ports in (exhaust_of(port_map), transfers_of(port_map))]
    known = [side for side in sides if side is not None]
    return math.hypot(*known) if len(known) == len(sides) else None


def _first_opening_u_deg(engine: Engine, ports: tuple[Port, ...]) -> float | None:
    first = first_opening_deg(engine, ports)
    for port in ports:
        timing: Timing = port_timing(engine, port)
        if any(opening.opens_deg == first for opening in timing.openings):
            return opening_u_deg(engine, port)
    return None


def span_u_mm2_deg(engine: Engine, port_map: PortMap, span: Span, *, area: AreaKind = "wall") -> float | None:
    """Return the standard uncertainty of a span's angle-area.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
        The map that the span came from.
    span : Span
        From `map_spans`, of the same area.
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.

    Returns
    -------
    float or None
        [mm²·deg]; None if nobody said how sure the outlines are.

    Raises
    ------
    GeometryError
        As `angle_area`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> from portmap.timearea import map_spans
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.3, edge_u_mm=0.02)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape, doubt=doubt),))
    >>> port_map = PortMap(stage="stock", ports=(port,))
    >>> round(span_u_mm2_deg(engine, port_map, map_spans(engine, port_map)[0][0]), 0)
    53.0
    """
    ports = {port.id: port for port in port_map.ports}
    by_height = by_size = 0.0
    for part in span.parts:
        port = ports[part.port_id]
        doubts, size_u = _doubts(port), wall_area_u_mm2(port)
        if doubts is None or size_u is None:
            return None
        by_size += part.angle_area_mm2_deg * size_u / sum(window.outline.area for window in port.windows)
        step = max(max(doubt.roof_u_mm, doubt.floor_u_mm) for doubt in doubts)
        ends = [_part_mm2_deg(engine, _raised(port, side * step), span, area) for side in (1, -1)]
        by_height += abs(ends[0] - ends[1]) / 2
    by_end = 0.0
    if span.name == "blowdown":
        end_u = _first_opening_u_deg(engine, transfers_of(port_map))
        if end_u is None or span.closes_deg is None:
            return None
        still_open = sum(
            float(opened_area(engine, ports[part.port_id], span.closes_deg, area=area)) for part in span.parts
        )
        by_end = still_open * end_u
    return float(np.sqrt(by_height**2 + by_size**2 + by_end**2))


def _raised(port: Port, height_mm: float) -> Port:
    windows = tuple(
        replace(window, outline=translate(window.outline, 0.0, height_mm)) for window in port.windows
    )
    return replace(port, windows=windows)


def _part_mm2_deg(engine: Engine, port: Port, span: Span, area: AreaKind) -> float:
    timing = port_timing(engine, port)
    if not timing.openings:
        return 0.0 if timing.state == "never opens" else angle_area(engine, port, 0.0, 360.0, area=area)
    if span.name == "blowdown" and span.closes_deg is not None:
        opens = timing.openings[0].opens_deg
        return angle_area(engine, port, opens, span.closes_deg, area=area) if opens < span.closes_deg else 0.0
    return sum(
        angle_area(engine, port, opening.opens_deg, opening.closes_deg, area=area)
        for opening in timing.openings
    )
