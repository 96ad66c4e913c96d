"""Wishes held against one engine: which figure each means, and by how much it is missed.

A wish for a kind of port becomes one demand for each port of that kind. What a demand asks of the engine's
lengths and volumes is `portmap.wish_bounds`'s.

Glossary
--------
demand
    One wish about one figure of one engine: what the figure may be, in degrees after TDC where it is one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from portmap.cranking import cranking_gauge_pa
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.gas_grid import GasError
from portmap.port import PortEdges, PortMap
from portmap.ratio import geometric_ratio, trapped_ratio
from portmap.timing import edge_blowdown_deg, edge_timing
from portmap.traced_figures import is_traced, traced_figures
from portmap.volume import exhaust_closing_depth_mm, head_volume_cm3, squish_clearance_mm
from portmap.wish_bounds import Demand, exponent_for, ratio_limits, ways_of
from portmap.wishes import PORT_QUANTITIES, Wish, said_back, wish_name

__all__ = ["ROUNDING", "demands_of", "is_met", "miss_of", "wished_figure"]

ROUNDING = 2e-6  # of any figure's unit: 2 nm, 2 millionths of a degree; what counts as equal


def demands_of(
    wishes: Sequence[Wish],
    engine: Engine,
    edges: Sequence[PortEdges],
    *,
    port_map: PortMap | None = None,
) -> tuple[Demand, ...]:
    """Return what wishes ask of one engine.

    Parameters
    ----------
    wishes : sequence of Wish
    engine : Engine
    edges : sequence of PortEdges
    port_map : PortMap or None, optional
        The outlines, for wishes that need them.

    Returns
    -------
    tuple of Demand
        In the order of the wishes; one for each port that a wish means.

    Raises
    ------
    QuantityError
        If a wish names a port that is not there or that the piston does not open, or two wishes contradict
        each other.
    GeometryError
        If a size that a figure needs is not known, or a figure that needs outlines is not there.
    GasError
        If the gas model lacks something that a residual pressure needs.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40.0)
    >>> [(one.port, one.low) for one in demands_of(wishes_of(["exhaust opens 100"]), engine, [port])]
    [('e', 99.5)]
    """
    found: list[Demand] = []
    for wish in wishes:
        if wish.quantity not in PORT_QUANTITIES:
            found.append(Demand(wish=wish, port=None, low=wish.low, high=wish.high))
        else:
            found += [_port_demand(wish, engine, port) for port in _ports_meant(wish, edges)]
    for demand in found:
        try:
            ways_of(demand, engine, edges)
            if is_traced(demand.wish):
                _refuse_what_cannot_be_judged(demand, engine, edges, port_map)
        except (GeometryError, GasError) as error:
            remedy = f"{error.remedy}, or leave this wish out"
            raise type(error)(f"{error.message}", where=_place(demand.wish), remedy=remedy) from error
    _refuse_clashes(found, engine, edges)
    return tuple(found)


def _refuse_what_cannot_be_judged(
    demand: Demand, engine: Engine, edges: Sequence[PortEdges], port_map: PortMap | None
) -> None:
    if port_map is None:
        raise GeometryError(
            "it needs the ports' whole outlines, and the job has only heights", remedy="trace the ports"
        )
    if math.isnan(wished_figure(demand, engine, edges, port_map=port_map)):
        raise GeometryError(
            f"these ports have no {wish_name(demand.wish, None)} now, so nobody can tell how work moves it",
            remedy="check control and heights of exhaust and transfers",
        )


def _place(wish: Wish) -> str:
    return f'--character {wish.character} "{wish.text}"' if wish.character else f'--want "{wish.text}"'


def _ports_meant(wish: Wish, edges: Sequence[PortEdges]) -> list[PortEdges]:
    named = (wish.port or "").casefold()
    meant = [port for port in edges if port.id.casefold() == named]
    meant = meant or [port for port in edges if port.kind == named or f"{port.kind}s" == named]
    if not meant:
        have = ", ".join(port.id if port.id == port.kind else f"{port.id} ({port.kind})" for port in edges)
        raise QuantityError(
            f"there is no port or kind of port {wish.port!r}",
            where=_place(wish),
            remedy=f"the job has {have}"
            if have
            else "the job has no ports: trace them or read their heights",
        )
    return meant


def _port_demand(wish: Wish, engine: Engine, port: PortEdges) -> Demand:
    try:
        timing = edge_timing(engine, port)
    except GeometryError as error:
        raise GeometryError(
            f"port {port.id} cannot be timed: {error.message}",
            where=_place(wish),
            remedy=f"{error.remedy}, or leave this wish out",
        ) from error
    if timing.state != "opens and closes" or (len(timing.openings) > 1 and wish.quantity == "duration"):
        state = "opens twice a turn" if timing.openings else timing.state
        words = "is not timed by the piston" if timing.state == "not timed" else state
        raise QuantityError(
            f"port {port.id} {words}, so its degrees cannot be planned",
            where=_place(wish),
            remedy="check its control and heights, or leave this wish out",
        )
    if wish.quantity == "duration":
        return Demand(wish=wish, port=port.id, low=wish.low, high=wish.high)
    usual_after = timing.openings[0].opens_deg < 180.0 if wish.quantity == "opens" else True
    before = wish.side == "before"
    if wish.side is None and wish.quantity == "opens" and not usual_after:
        before = max(edge for edge in (wish.low, wish.high) if math.isfinite(edge)) < 180.0
    low, high = (360.0 - wish.high, 360.0 - wish.low) if before else (wish.low, wish.high)
    return Demand(wish=wish, port=port.id, low=low, high=high, before_tdc=before)


def wished_figure(
    demand: Demand, engine: Engine, edges: Sequence[PortEdges], *, port_map: PortMap | None = None
) -> float:
    """Return the figure that a demand is about, from the exact formulas, or by the gas model.

    Parameters
    ----------
    demand : Demand
    engine : Engine
    edges : sequence of PortEdges
    port_map : PortMap or None, optional
        The outlines; without them a figure that needs them is NaN.

    Returns
    -------
    float
        mm, degrees after TDC, bar, cm³, mm²·s, s/m or none; NaN if the engine has no such figure
        (a port that never opens). A cranking pressure is that of the exponent which is safe for the wish.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.wishes import wish_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> demand = Demand(wish=wish_of("e opens 100"), port="e", low=99.5, high=100.5)
    >>> round(wished_figure(demand, engine, [port]), 2)
    102.48
    """
    if is_traced(demand.wish):
        return math.nan if port_map is None else traced_figures(demand.wish, [(engine, port_map)])[0]
    if demand.quantity == "squish":
        return squish_clearance_mm(engine)
    if demand.quantity == "head_volume":
        return head_volume_cm3(engine)
    if demand.quantity == "geometric_ratio":
        return geometric_ratio(engine)
    if demand.quantity in ("trapped_ratio", "cranking"):
        try:
            ratio = trapped_ratio(engine, exhaust_closing_depth_mm(engine, edges))
        except GeometryError:
            return math.nan
        if demand.quantity == "trapped_ratio":
            return ratio
        limit: Literal["low", "high"] = "high" if math.isfinite(demand.high) else "low"
        return float(cranking_gauge_pa(ratio, exponent_for(demand, limit))) / 1e5
    if demand.quantity == "blowdown":
        found = edge_blowdown_deg(engine, edges)
        return math.nan if found is None else found
    timing = edge_timing(engine, next(port for port in edges if port.id == demand.port))
    if not timing.openings:
        return math.nan
    if demand.quantity == "duration":
        return timing.duration_deg
    first = timing.openings[0]
    return first.opens_deg if demand.quantity == "opens" else first.closes_deg


def miss_of(demand: Demand, figure: float) -> float:
    """Return by how much a figure misses its demand.

    Parameters
    ----------
    demand : Demand
    figure : float
        From `wished_figure`.

    Returns
    -------
    float
        In the figure's unit: above 0 too much, below 0 too little, 0 met; NaN for a figure that is not there.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("blowdown at least 20"), port=None, low=20.0, high=float("inf"))
    >>> miss_of(demand, 16.5), miss_of(demand, 21.0)
    (-3.5, 0.0)
    """
    if math.isnan(figure):
        return math.nan
    if figure < demand.low - ROUNDING:
        return figure - demand.low
    return figure - demand.high if figure > demand.high + ROUNDING else 0.0


def is_met(demand: Demand, figure: float) -> bool:
    """Return whether a figure fulfils its demand.

    Parameters
    ----------
    demand : Demand
    figure : float
        From `wished_figure`.

    Returns
    -------
    bool
        False for NaN.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("blowdown at least 20"), port=None, low=20.0, high=float("inf"))
    >>> is_met(demand, 20.0), is_met(demand, float("nan"))
    (True, False)
    """
    return miss_of(demand, figure) == 0.0


def _refuse_clashes(demands: Sequence[Demand], engine: Engine, edges: Sequence[PortEdges]) -> None:
    """Refuse two demands that no amount of any work could meet together."""
    limits: dict[str, list[tuple[float, float, Demand]]] = {}
    for demand in demands:
        if demand.quantity in ("trapped_ratio", "cranking"):
            limits.setdefault("trapped ratio", []).append((*ratio_limits(demand), demand))
            continue
        if demand.quantity == "blowdown":
            limits.setdefault("blowdown", []).append((demand.low, demand.high, demand))
            continue
        for bound in ways_of(demand, engine, edges)[0].bounds:
            limits.setdefault(bound.weights[0][0], []).append((bound.low, bound.high, demand))
    for group in limits.values():
        for place, (low, high, first) in enumerate(group):
            for other_low, other_high, second in group[place + 1 :]:
                if max(low, other_low) > min(high, other_high) + ROUNDING:
                    raise QuantityError(
                        f'it contradicts "{second.wish.text}": no engine is both'
                        f" {said_back(first.wish, before_tdc=first.before_tdc)} and"
                        f" {said_back(second.wish, before_tdc=second.before_tdc)}",
                        where=_place(first.wish),
                        remedy="leave one of the two out",
                    )
                same = first.wish.form == "value" == second.wish.form
                if same and first.quantity == second.quantity and _values_differ(first, second):
                    raise QuantityError(
                        f'it contradicts "{second.wish.text}"',
                        where=_place(first.wish),
                        remedy="leave one of the two out, or ask for a range",
                    )


def _values_differ(first: Demand, second: Demand) -> bool:
    return not np.isclose(first.low + first.high, second.low + second.high, rtol=0, atol=ROUNDING)
