"""When ports open and close, for how long, and how long the blowdown is.

Degrees count from true TDC in the direction of rotation, 0 to 360. A port is open while the piston's
depth lies in one range, which its control sets: beyond the roof's depth for a crown, short of the depth
at which the skirt edge reaches the floor for a skirt, between two depths for a pocket.

Glossary
--------
opening
    One stretch of the revolution in which the port is open. A pocket may give two a turn.
blowdown
    From the exhaust's opening to the first opening of a transfer or boost port.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from portmap.crank import Crank, angle_of_depth, travel
from portmap.engine import Engine, depth_below_crown, skirt_length
from portmap.errors import GeometryError
from portmap.port import Port, PortEdges, PortMap, edges_of

__all__ = [
    "Opening",
    "Timing",
    "blowdown_deg",
    "edge_blowdown_deg",
    "edge_depths",
    "edge_timing",
    "exhaust_of",
    "first_opening_deg",
    "open_depths",
    "port_timing",
    "transfers_of",
]

State = Literal["opens and closes", "always open", "never opens", "not timed"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Opening:
    """One stretch of the revolution.

    Parameters
    ----------
    opens_deg, closes_deg : float
        Degrees after true TDC, 0 to 360 [deg]. Where `closes_deg` is the smaller, the port is open
        through TDC.
    """

    opens_deg: float
    closes_deg: float

    @property
    def duration_deg(self) -> float:
        """Return for how long the port is open [deg]."""
        return (self.closes_deg - self.opens_deg) % 360.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Timing:
    """What the piston does to a port in one revolution.

    Parameters
    ----------
    state : {'opens and closes', 'always open', 'never opens', 'not timed'}
    openings : tuple of Opening
        None unless the port opens and closes.
    """

    state: State
    openings: tuple[Opening, ...] = ()

    @property
    def duration_deg(self) -> float:
        """Return the degrees of a revolution for which the port is open."""
        if self.state in ("always open", "not timed"):
            return 360.0
        return sum(opening.duration_deg for opening in self.openings)


def open_depths(engine: Engine, port: Port) -> tuple[float, float]:
    """Return the range of piston depth in which any of the port is open.

    Parameters
    ----------
    engine : Engine
    port : Port

    Returns
    -------
    tuple of float
        Least and greatest depth [mm], before the piston's travel is considered; infinite where there is
        no limit.

    Raises
    ------
    GeometryError
        If the skirt's length or the pocket is needed and not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> open_depths(engine, Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),)))
    (21.0, inf)
    """
    return edge_depths(engine, edges_of(port))


def edge_depths(engine: Engine, edges: PortEdges) -> tuple[float, float]:
    """Return the range of piston depth in which any of a port is open whose heights alone are known.

    Parameters
    ----------
    engine : Engine
    edges : PortEdges

    Returns
    -------
    tuple of float
        As `open_depths`.

    Raises
    ------
    GeometryError
        If the skirt's length, the pocket or a height is needed and not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> edge_depths(engine, PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40.0))
    (21.0, inf)
    """
    if edges.control == "crown":
        return _edge_depth(engine, edges, "roof"), math.inf
    if edges.control == "skirt":
        return -math.inf, _edge_depth(engine, edges, "floor") - skirt_length(engine)
    if edges.control == "pocket":
        pocket = edges.pocket
        if pocket is None:
            raise GeometryError(
                "a pocket controls this port but its edges are not given",
                where=f"port {edges.id}",
                remedy="give the depths of the pocket's upper and lower edge below the crown",
            )
        return (
            _edge_depth(engine, edges, "roof") - pocket.bottom_below_crown_mm,
            _edge_depth(engine, edges, "floor") - pocket.top_below_crown_mm,
        )
    return -math.inf, math.inf


def _edge_depth(engine: Engine, edges: PortEdges, name: Literal["roof", "floor"]) -> float:
    height = edges.roof_mm if name == "roof" else edges.floor_mm
    if height is None:
        raise GeometryError(
            f"the height of its {name} is not known",
            where=f"port {edges.id}",
            remedy=f"trace the port, or read the {name}'s height or the degree at which it opens",
        )
    return float(depth_below_crown(engine, height))


def port_timing(engine: Engine, port: Port) -> Timing:
    """Return when the piston opens and closes a port.

    Parameters
    ----------
    engine : Engine
    port : Port

    Returns
    -------
    Timing

    Raises
    ------
    GeometryError
        As `open_depths`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> timing = port_timing(engine, port)
    >>> round(timing.openings[0].opens_deg, 2), round(timing.duration_deg, 2)
    (102.48, 155.05)
    """
    return edge_timing(engine, edges_of(port))


def edge_timing(engine: Engine, edges: PortEdges) -> Timing:
    """Return when the piston opens and closes a port whose heights alone are known.

    Parameters
    ----------
    engine : Engine
    edges : PortEdges

    Returns
    -------
    Timing

    Raises
    ------
    GeometryError
        As `edge_depths`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> timing = edge_timing(engine, PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4))
    >>> round(timing.openings[0].opens_deg, 2)
    102.48
    """
    if edges.control == "none":
        return Timing(state="not timed")
    low, high = edge_depths(engine, edges)
    bottom = travel(engine.crank)
    if low >= bottom or high <= 0 or low >= high:
        return Timing(state="never opens")
    down = {depth: _passes_deg(engine.crank, depth, rising=False) for depth in (low, high)}
    up = {depth: _passes_deg(engine.crank, depth, rising=True) for depth in (low, high)}
    if low < 0 and high > bottom:
        return Timing(state="always open")
    openings: tuple[Opening, ...]
    if high >= bottom:
        openings = (Opening(opens_deg=down[low], closes_deg=up[low]),)
    elif low <= 0:
        openings = (Opening(opens_deg=up[high], closes_deg=down[high]),)
    else:
        openings = (
            Opening(opens_deg=down[low], closes_deg=down[high]),
            Opening(opens_deg=up[high], closes_deg=up[low]),
        )
    return Timing(state="opens and closes", openings=openings)


@lru_cache(maxsize=4096)
def _passes_deg(crank: Crank, depth_mm: float, *, rising: bool) -> float:
    """Return when the piston passes a depth; kept, for one look at a map asks for the same edges often."""
    return float(angle_of_depth(crank, depth_mm, rising=rising))


def exhaust_of(port_map: PortMap) -> tuple[Port, ...]:
    """Return the map's exhaust ports.

    Parameters
    ----------
    port_map : PortMap

    Returns
    -------
    tuple of Port

    Examples
    --------
    >>> exhaust_of(PortMap(stage="stock", ports=()))
    ()
    """
    return tuple(port for port in port_map.ports if port.kind == "exhaust")


def transfers_of(port_map: PortMap) -> tuple[Port, ...]:
    """Return the map's transfer and boost ports.

    Parameters
    ----------
    port_map : PortMap

    Returns
    -------
    tuple of Port

    Examples
    --------
    >>> transfers_of(PortMap(stage="stock", ports=()))
    ()
    """
    return tuple(port for port in port_map.ports if port.kind in ("transfer", "boost"))


def first_opening_deg(engine: Engine, ports: tuple[Port, ...]) -> float | None:
    """Return when the first of several ports opens as the piston goes down.

    Parameters
    ----------
    engine : Engine
    ports : tuple of Port

    Returns
    -------
    float or None
        Degrees after true TDC; None if none of them opens and closes.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> first_opening_deg(engine, ()) is None
    True
    """
    timings = (port_timing(engine, port) for port in ports)
    return min((opening.opens_deg for timing in timings for opening in timing.openings), default=None)


def blowdown_deg(engine: Engine, port_map: PortMap) -> float | None:
    """Return for how long the exhaust is open before the first transfer.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    float or None
        Degrees, negative if a transfer opens first; None if there is no exhaust or no transfer that the
        piston opens and closes.

    Raises
    ------
    GeometryError
        As `port_timing`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> def port(kind, roof):
    ...     shape = window_polygon([[-5, 29], [5, 29], [5, roof], [-5, roof]])
    ...     return Port(id=kind, kind=kind, control="crown", windows=(Window(outline=shape),))
    >>> ports = (port("exhaust", 39.4), port("transfer", 35.5))
    >>> round(blowdown_deg(engine, PortMap(stage="stock", ports=ports)), 2)
    16.66
    """
    exhaust = first_opening_deg(engine, exhaust_of(port_map))
    transfer = first_opening_deg(engine, transfers_of(port_map))
    return None if exhaust is None or transfer is None else transfer - exhaust


def edge_blowdown_deg(engine: Engine, edges: Iterable[PortEdges]) -> float | None:
    """Return the blowdown of ports whose heights alone are known.

    Parameters
    ----------
    engine : Engine
    edges : iterable of PortEdges
        All of a cylinder's; those whose timing cannot be known are passed over.

    Returns
    -------
    float or None
        As `blowdown_deg`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> ports = [PortEdges(id=kind, kind=kind, control="crown", roof_mm=roof)
    ...          for kind, roof in (("exhaust", 39.4), ("transfer", 35.5))]
    >>> round(edge_blowdown_deg(engine, ports), 2)
    16.66
    """
    exhaust: list[float] = []
    transfer: list[float] = []
    for port in edges:
        if port.kind not in ("exhaust", "transfer", "boost"):
            continue
        try:
            openings = edge_timing(engine, port).openings
        except GeometryError:
            continue  # its height or control is not known, so it has no part in the answer
        (exhaust if port.kind == "exhaust" else transfer).extend(one.opens_deg for one in openings)
    return min(transfer) - min(exhaust) if transfer and exhaust else None
