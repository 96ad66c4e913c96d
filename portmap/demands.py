"""Wishes held against one engine: which figure each means, what bounds it sets, and by how much it is missed.

A wish for a kind of port becomes one demand for each port of that kind. Every demand is a bound on a
*measure*, a length or volume that all shop work moves in proportion to the amount taken: squish, head volume,
or the depth at which the piston opens a port. Degrees become depths by the slider-crank itself; ratios become
lines: a trapped ratio of at most R asks that A·d ≤ (R − 1)·V. Only the blowdown ties two depths by a curve.

Glossary
--------
figure
    What the porter reads: mm, degrees after TDC, bar, cm³, or a ratio.
measure
    ``squish`` [mm], ``head_volume`` [cm³], ``low:ID`` and ``high:ID`` [mm]: least and greatest piston depth
    at which port ID is open.
bound
    Limits of a weighted sum of measures. A `Gap` limits the degrees between two depths instead.
way
    One set of bounds that fulfils a demand. With several exhausts or transfers there is one way for each
    that may be the first to open; one of them must hold.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import Crank, angle_of_depth, bdc_angle, piston_depth, travel
from portmap.cranking import EXPONENTS, cranking_gauge_pa, ratio_for_cranking
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.port import PortEdges
from portmap.ratio import geometric_ratio, trapped_ratio
from portmap.timing import edge_blowdown_deg, edge_depths, edge_timing
from portmap.volume import bore_slice_cm3, exhaust_closing_depth_mm, squish_clearance_mm, swept_volume_cm3
from portmap.wishes import PORT_QUANTITIES, Quantity, Wish, said_back

__all__ = [
    "ROUNDING",
    "Bound",
    "Demand",
    "Gap",
    "Rule",
    "Way",
    "degrees_at",
    "demands_of",
    "is_met",
    "measures_of",
    "miss_of",
    "ways_of",
    "wished_figure",
]

ROUNDING = 2e-6  # of any figure's unit: 2 nm, 2 millionths of a degree; what counts as equal

Rule = Literal["opens", "closes", "duration"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Demand:
    """One wish held against one figure of one engine.

    Parameters
    ----------
    wish : Wish
    port : str or None
        Id of the port; None where the figure is the whole engine's.
    low, high : float
        What the figure may be: mm, degrees after TDC, bar, cm³ or none; infinite where there is no limit.
    before_tdc : bool
        Whether the wish's degrees were taken as before TDC.
    """

    wish: Wish
    port: str | None
    low: float
    high: float
    before_tdc: bool = False

    @property
    def quantity(self) -> Quantity:
        """Return which figure is meant."""
        return self.wish.quantity


@dataclass(frozen=True, kw_only=True, slots=True)
class Bound:
    """Limits of a weighted sum of measures.

    Parameters
    ----------
    weights : tuple of (str, float)
        Measure and its weight.
    low, high : float
        What the sum may be, in the units of weight times measure.
    per_unit : float
        How far the sum goes for one unit of the figure, there where the engine stands.
    rule : {'opens', 'closes', 'duration'} or None
        Where the sum is one depth that stands for degrees: which.
    through_top : bool
        As in `degrees_at`, for such a depth.
    """

    weights: tuple[tuple[str, float], ...]
    low: float = -math.inf
    high: float = math.inf
    per_unit: float = 1.0
    rule: Rule | None = None
    through_top: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Gap:
    """Limits of the degrees between two openings.

    Parameters
    ----------
    first, second : str
        Measures [mm]; the degree of the second opening less that of the first is limited.
    low, high : float
        Degrees [deg].
    """

    first: str
    second: str
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """Bounds that together fulfil a demand.

    Parameters
    ----------
    bounds : tuple of Bound
    gaps : tuple of Gap
    """

    bounds: tuple[Bound, ...] = ()
    gaps: tuple[Gap, ...] = ()


def measures_of(engine: Engine, edges: Iterable[PortEdges]) -> dict[str, float]:
    """Return all measures of an engine that are known.

    Parameters
    ----------
    engine : Engine
    edges : iterable of PortEdges

    Returns
    -------
    dict of str to float
        Finite ones only.

    Examples
    --------
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.5)
    >>> measures_of(engine, [PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40.0)])
    {'squish': 0.5, 'low:e': 21.0}
    """
    found: dict[str, float] = {}
    if engine.squish_band_height_mm is not None:
        found["squish"] = squish_clearance_mm(engine)
    if engine.head_volume_cm3 is not None:
        found["head_volume"] = engine.head_volume_cm3
    for port in edges:
        try:
            low, high = edge_depths(engine, port)
        except GeometryError:
            continue  # a length it needs is not known; a wish for it says which
        found |= {f"low:{port.id}": low} if math.isfinite(low) else {}
        found |= {f"high:{port.id}": high} if math.isfinite(high) else {}
    return found


def demands_of(wishes: Sequence[Wish], engine: Engine, edges: Sequence[PortEdges]) -> tuple[Demand, ...]:
    """Return what wishes ask of one engine.

    Parameters
    ----------
    wishes : sequence of Wish
    engine : Engine
    edges : sequence of PortEdges

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
        If a size that a figure needs is not known.

    Examples
    --------
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
        except GeometryError as error:
            remedy = f"{error.remedy}, or leave this wish out"
            raise GeometryError(f"{error.message}", where=_place(demand.wish), remedy=remedy) from error
    _refuse_clashes(found, engine, edges)
    return tuple(found)


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


def degrees_at(crank: Crank, rule: Rule, depth_mm: ArrayLike, *, through_top: bool) -> NDArray[np.float64]:
    """Return the degrees that a port has when the piston opens it at given depths.

    Parameters
    ----------
    crank : Crank
    rule : {'opens', 'closes', 'duration'}
        Which of its degrees.
    depth_mm : array_like of shape (...)
        The measure that sets it [mm].
    through_top : bool
        Whether the port is open through TDC, as one that the skirt controls.

    Returns
    -------
    ndarray of shape (...)
        Degrees after TDC, or of duration [deg]; NaN where the piston never comes.

    Examples
    --------
    >>> degrees_at(Crank(stroke_mm=32, rod_mm=58), "duration", [21.6, 22.0], through_top=False).round(2)
    array([155.05, 151.9 ])
    """
    if rule == "duration":
        down, up = angle_of_depth(crank, depth_mm), angle_of_depth(crank, depth_mm, rising=True)
        return np.asarray((down - up) % 360.0 if through_top else up - down)
    # a port open through TDC opens on the way up; one opened by the crown opens on the way down
    return angle_of_depth(crank, depth_mm, rising=through_top == (rule == "opens"))


def _is_double(engine: Engine, port: PortEdges) -> bool:
    low, high = edge_depths(engine, port)
    return low > 0 and high < travel(engine.crank)


def _measure(engine: Engine, port: PortEdges, rule: Rule) -> str:
    """Return the measure that sets a port's degree."""
    low, high = edge_depths(engine, port)
    if _is_double(engine, port):  # opens at its lesser depth and closes at its greater, going down
        return f"high:{port.id}" if rule == "closes" else f"low:{port.id}"
    return f"high:{port.id}" if math.isfinite(high) and low <= 0 else f"low:{port.id}"


def ways_of(demand: Demand, engine: Engine, edges: Sequence[PortEdges]) -> tuple[Way, ...]:
    """Return the ways to fulfil a demand.

    Parameters
    ----------
    demand : Demand
    engine : Engine
    edges : sequence of PortEdges

    Returns
    -------
    tuple of Way
        At least one; any one of them is enough.

    Raises
    ------
    GeometryError
        If a size that the figure needs is not known.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.5)
    >>> demand = Demand(wish=wish_of("squish at least 0.5 mm"), port=None, low=0.5, high=float("inf"))
    >>> ways_of(demand, engine, [])[0].bounds[0].weights
    (('squish', 1.0),)
    """
    low, high = demand.low, demand.high
    if demand.quantity == "squish":
        squish_clearance_mm(engine)
        return (Way(bounds=(Bound(weights=(("squish", 1.0),), low=low, high=high),)),)
    if demand.quantity == "head_volume":
        _head_volume(engine)
        return (Way(bounds=(Bound(weights=(("head_volume", 1.0),), low=low, high=high),)),)
    if demand.quantity == "geometric_ratio":
        head, swept = _head_volume(engine), swept_volume_cm3(engine)
        least = -math.inf if high == math.inf else swept / (high - 1)
        most = math.inf if low <= 1 else swept / (low - 1)
        bound = Bound(weights=(("head_volume", 1.0),), low=least, high=most, per_unit=head**2 / swept)
        return (Way(bounds=(bound,)),)
    if demand.quantity in ("trapped_ratio", "cranking"):
        return _trapped_ways(demand, engine, edges)
    if demand.quantity == "blowdown":
        return _blowdown_ways(demand, engine, edges)
    port = next(port for port in edges if port.id == demand.port)
    return (Way(bounds=(_depth_bound(demand, engine, port),)),)


def _head_volume(engine: Engine) -> float:
    geometric_ratio(engine)  # says that it is missing, if it is
    return float(engine.head_volume_cm3 or 0.0)


def _depth_bound(demand: Demand, engine: Engine, port: PortEdges) -> Bound:
    rule: Rule = demand.quantity  # type: ignore[assignment]  # the caller has left only these
    measure = _measure(engine, port, rule)
    through_top = measure.startswith("high:") and not _is_double(engine, port)
    reach = travel(engine.crank)

    def depth_of(degrees: float) -> float:
        if rule == "duration":
            from scipy.optimize import brentq

            def over(depth: float) -> float:
                return float(degrees_at(engine.crank, "duration", depth, through_top=through_top)) - degrees

            # at the dead centres themselves a duration of 0 and of 360 are told apart by nothing
            return float(brentq(over, reach * 1e-9, reach * (1 - 1e-9), xtol=1e-12))
        return float(piston_depth(engine.crank, degrees))

    turn = bdc_angle(engine.crank)
    rising = through_top == (rule == "opens") and rule != "duration"
    first, last = (turn, 360.0) if rising else (0.0, turn)
    if rule == "duration":
        first, last = 0.5, 359.5
    ends = [
        depth_of(min(max(edge, first), last)) if math.isfinite(edge) else math.nan
        for edge in (demand.low, demand.high)
    ]
    grows = (rule != "duration" and not rising) or (rule == "duration" and through_top)
    least, most = ends if grows else ends[::-1]
    at = edge_depths(engine, port)[0 if measure.startswith("low:") else 1]
    nearby = degrees_at(engine.crank, rule, [at - 1e-4, at + 1e-4], through_top=through_top)
    return Bound(
        weights=((measure, 1.0),),
        low=0.0 if math.isnan(least) else least,
        high=reach if math.isnan(most) else most,
        per_unit=abs(float(2e-4 / (nearby[1] - nearby[0]))),
        rule=rule,
        through_top=through_top,
    )


def _exponent(demand: Demand, limit: Literal["low", "high"]) -> float:
    """Return the exponent by which a cranking pressure is judged: the one that is safe for the wish."""
    if demand.wish.form in ("value", "range"):
        return sum(EXPONENTS) / 2
    return EXPONENTS[0] if limit == "low" else EXPONENTS[1]


def _ratio_limits(demand: Demand) -> tuple[float, float]:
    if demand.quantity != "cranking":
        return demand.low, demand.high

    def ratio(bar: float, limit: Literal["low", "high"]) -> float:
        return float(ratio_for_cranking(bar * 1e5, _exponent(demand, limit))) if math.isfinite(bar) else bar

    return ratio(demand.low, "low"), ratio(demand.high, "high")


def _trapped_ways(demand: Demand, engine: Engine, edges: Sequence[PortEdges]) -> tuple[Way, ...]:
    head = _head_volume(engine)
    exhaust_closing_depth_mm(engine, edges)
    slice_cm3 = float(bore_slice_cm3(engine.bore_mm, 1.0))
    exhausts = [port.id for port in edges if port.kind == "exhaust" and port.control == "crown"]
    low, high = _ratio_limits(demand)
    per_unit = head
    if demand.quantity == "cranking":
        # bar become ratio by the slope of the pressure there where the engine stands
        now = trapped_ratio(engine, exhaust_closing_depth_mm(engine, edges))
        exponent = _exponent(demand, "high" if math.isfinite(demand.high) else "low")
        slope = float(cranking_gauge_pa(now + 5e-4, exponent) - cranking_gauge_pa(now - 5e-4, exponent))
        per_unit = head * 1e-3 / (slope / 1e5)

    def bound(port: str, ratio: float, side: Literal["low", "high"]) -> Bound:
        weights = ((f"low:{port}", slice_cm3), ("head_volume", 1.0 - ratio))
        if side == "low":
            return Bound(weights=weights, low=0.0, per_unit=per_unit)
        return Bound(weights=weights, high=0.0, per_unit=per_unit)

    all_above = tuple(bound(port, low, "low") for port in exhausts) if low > 1 else ()
    if not math.isfinite(high):
        return (Way(bounds=all_above),)
    return tuple(Way(bounds=(*all_above, bound(port, high, "high"))) for port in exhausts)


def _blowdown_ways(demand: Demand, engine: Engine, edges: Sequence[PortEdges]) -> tuple[Way, ...]:
    if edge_blowdown_deg(engine, edges) is None:
        raise GeometryError(
            "there is no blowdown without an exhaust and a transfer that the piston opens and closes",
            where="ports",
            remedy="trace both, or read their heights",
        )
    first, second = (
        [f"low:{port.id}" for port in edges if port.kind in kinds and _opens_by_crown(engine, port)]
        for kinds in (("exhaust",), ("transfer", "boost"))
    )
    if not first or not second:
        raise GeometryError(
            "the blowdown is planned only between ports that the crown opens",
            where="ports",
            remedy="check the ports' control",
        )
    low, high = demand.low, demand.high
    ways = []
    for exhaust in first if math.isfinite(low) else first[:1]:
        for transfer in second if math.isfinite(high) else second[:1]:
            least = [Gap(first=exhaust, second=each, low=low) for each in second if math.isfinite(low)]
            most = [Gap(first=each, second=transfer, high=high) for each in first if math.isfinite(high)]
            ways.append(Way(gaps=_joined((*least, *most))))
    return tuple(ways)


def _opens_by_crown(engine: Engine, port: PortEdges) -> bool:
    try:
        return port.control == "crown" and edge_timing(engine, port).state == "opens and closes"
    except GeometryError:
        return False


def _joined(gaps: Sequence[Gap]) -> tuple[Gap, ...]:
    """Return the gaps with the limits of the same pair of ports put together."""
    pairs: dict[tuple[str, str], tuple[float, float]] = {}
    for gap in gaps:
        low, high = pairs.get((gap.first, gap.second), (-math.inf, math.inf))
        pairs[gap.first, gap.second] = max(low, gap.low), min(high, gap.high)
    return tuple(
        Gap(first=first, second=second, low=low, high=high) for (first, second), (low, high) in pairs.items()
    )


def wished_figure(demand: Demand, engine: Engine, edges: Sequence[PortEdges]) -> float:
    """Return the figure that a demand is about, from the exact formulas.

    Parameters
    ----------
    demand : Demand
    engine : Engine
    edges : sequence of PortEdges

    Returns
    -------
    float
        mm, degrees after TDC, bar, cm³ or none; NaN if the engine has no such figure (a port that never
        opens). A cranking pressure is that of the exponent which is safe for the wish.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> demand = Demand(wish=wish_of("e opens 100"), port="e", low=99.5, high=100.5)
    >>> round(wished_figure(demand, engine, [port]), 2)
    102.48
    """
    if demand.quantity == "squish":
        return squish_clearance_mm(engine)
    if demand.quantity == "head_volume":
        return _head_volume(engine)
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
        return float(cranking_gauge_pa(ratio, _exponent(demand, limit))) / 1e5
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
            limits.setdefault("trapped ratio", []).append((*_ratio_limits(demand), demand))
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
