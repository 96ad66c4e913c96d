"""How sure timings and angle-areas are, by every doubt that somebody stated.

Where `portmap fit` has found how sure the engine's figures are, that is joined, correlations and all, with
the outlines' own doubt; until then the doubt is the outlines' alone (`portmap.outline_spread`). Figures
whose doubt nobody stated count as sure: what the ± covers is said by `doubt_covers`. For the doubt that
assumes the usual tools too see `portmap.spread`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from portmap import outline_spread
from portmap.doubts import Doubts, doubts_of
from portmap.engine import Engine
from portmap.port import Port, PortMap, edges_of
from portmap.spread import first_order_u
from portmap.timearea import Span, map_spans
from portmap.timing import exhaust_of, first_opening_deg, port_timing, transfers_of
from portmap.window import AreaKind

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = ["blowdown_u_deg", "doubt_covers", "duration_u_deg", "opening_u_deg", "span_u_mm2_deg"]


def doubt_covers(engine: Engine) -> str:
    """Return what the stated doubts cover, in words.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> doubt_covers(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61))
    'the outlines alone: crank, crown height and gasket are taken as stated'
    """
    if engine.doubt is None:
        return "the outlines alone: crank, crown height and gasket are taken as stated"
    return "the outlines, and the engine's figures as far as readings were fitted"


def _of(engine: Engine, port_map: PortMap) -> tuple[Build, Doubts]:
    from portmap.shopwork import Build

    edges = tuple(edges_of(port) for port in port_map.ports)
    build = Build(engine=engine, edges=edges, port_map=port_map)
    return build, doubts_of(build).stated()


def _height_known(doubts: Doubts, port: Port) -> bool:
    """Return whether somebody said how sure the edges are that open the port."""
    needed = {"crown": ("roof",), "skirt": ("floor",), "pocket": ("roof", "floor"), "none": ()}[port.control]
    return all(f"{end}_mm:{port.id}" in doubts.names for end in needed)


def opening_u_deg(engine: Engine, port: Port) -> float | None:
    """Return the standard uncertainty of the angle at which a port opens.

    Parameters
    ----------
    engine : Engine
    port : Port

    Returns
    -------
    float or None
        [deg]; None if nobody said how sure the port's height is, or the piston doesn't open and close it.

    Raises
    ------
    GeometryError
        As `port_timing`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, WindowDoubt, window_polygon
    >>> from portmap.engine import EngineDoubt
    >>> doubt = EngineDoubt(figures=("crown_height_mm",), covariance=((0.0003,),))
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61, doubt=doubt)
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape, doubt=doubt),))
    >>> round(opening_u_deg(engine, port), 3)  # √(0.01² + 0.0003) = 0.02 mm
    0.078
    """
    return _port_u(engine, port, "opens_deg")


def duration_u_deg(engine: Engine, port: Port) -> float | None:
    """Return the standard uncertainty of the degrees for which a port is open.

    Parameters
    ----------
    engine : Engine
    port : Port

    Returns
    -------
    float or None
        [deg]; None as for `opening_u_deg`.

    Raises
    ------
    GeometryError
        As `port_timing`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, WindowDoubt, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape, doubt=doubt),))
    >>> round(duration_u_deg(engine, port), 3)
    0.078
    """
    return _port_u(engine, port, "duration_deg")


def _port_u(engine: Engine, port: Port, figure: str) -> float | None:
    if engine.doubt is None:
        # roof or floor moves opening and closing apart together
        alone = outline_spread.opening_u_deg(engine, port)
        return alone if alone is None or figure == "opens_deg" else 2 * alone
    if not port_timing(engine, port).openings:
        return None
    build, doubts = _of(engine, PortMap(stage="stock", ports=(port,)))
    if not _height_known(doubts, port):
        return None
    return first_order_u(build, doubts, areas=False).get(f"{port.id}:{figure}")


def blowdown_u_deg(engine: Engine, port_map: PortMap) -> float | None:
    """Return the standard uncertainty of the blowdown.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    float or None
        [deg]; None if nobody said how sure the heights of both ports are.

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
    if engine.doubt is None:
        return outline_spread.blowdown_u_deg(engine, port_map)
    build, doubts = _of(engine, port_map)
    sides = (exhaust_of(port_map), transfers_of(port_map))
    firsts = [_first_port(engine, ports) for ports in sides]
    if any(port is None or not _height_known(doubts, port) for port in firsts):
        return None
    return first_order_u(build, doubts, areas=False).get("blowdown_deg")


def _first_port(engine: Engine, ports: tuple[Port, ...]) -> Port | None:
    first = first_opening_deg(engine, ports)
    for port in ports:
        if any(opening.opens_deg == first for opening in port_timing(engine, port).openings):
            return port
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
        Which of the three areas; with the engine's doubt in it, that of the others is taken in proportion to
        the wall area's.

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
    >>> from portmap.port import Window, WindowDoubt, window_polygon
    >>> from portmap.timearea import map_spans
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.3, edge_u_mm=0.02)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape, doubt=doubt),))
    >>> port_map = PortMap(stage="stock", ports=(port,))
    >>> round(span_u_mm2_deg(engine, port_map, map_spans(engine, port_map)[0][0]))
    53
    """
    alone = outline_spread.span_u_mm2_deg(engine, port_map, span, area=area)
    if engine.doubt is None or alone is None:
        return alone
    build, doubts = _of(engine, port_map)
    u = first_order_u(build, doubts).get(f"{span.name}_angle_area_mm2_deg")
    if u is None or area == "wall":
        return u
    walls = {other.name: other.angle_area_mm2_deg for other in map_spans(engine, port_map)[0]}
    return u * span.angle_area_mm2_deg / walls[span.name]
