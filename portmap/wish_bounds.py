"""What a wish asks of an engine, as bounds on lengths and volumes that shop work moves in straight lines.

A *measure* goes in proportion to the amount that any work takes: squish, head volume, or the depth at which
the piston opens a port. Degrees become depths by the slider-crank itself; ratios become lines: a trapped
ratio of at most R asks that A·d ≤ (R − 1)·V. The blowdown ties two depths by a curve, and what needs whole
outlines is a measure of its own.

Glossary
--------
figure
    What the porter reads: mm, degrees after TDC, bar, cm³, or a ratio.
traced measure
    A figure that needs whole outlines, which goes in no straight line; the search takes it along a tangent
    (`portmap.plan_search`).
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
from portmap.errors import GeometryError
from portmap.port import PortEdges
from portmap.ratio import geometric_ratio, trapped_ratio
from portmap.timing import edge_blowdown_deg, edge_depths, edge_timing
from portmap.traced_figures import is_traced
from portmap.volume import bore_slice_cm3, exhaust_closing_depth_mm, squish_clearance_mm, swept_volume_cm3
from portmap.wishes import Quantity, Wish

__all__ = [
    "Bound",
    "Demand",
    "Gap",
    "Rule",
    "Way",
    "degrees_at",
    "exponent_for",
    "measures_of",
    "ratio_limits",
    "traced_measure",
    "ways_of",
]

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
    if is_traced(demand.wish):
        bound = Bound(weights=((traced_measure(demand.wish), 1.0),), low=low, high=high)
        return (Way(bounds=(bound,)),)
    port = next(port for port in edges if port.id == demand.port)
    return (Way(bounds=(_depth_bound(demand, engine, port),)),)


def traced_measure(wish: Wish) -> str:
    """Return the name of the measure of a figure that needs the ports' whole outlines.

    Parameters
    ----------
    wish : Wish

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> traced_measure(wish_of("blowdown time-area at least 0.03 mm2 s at 9000 rpm"))
    'time_area:blowdown:9000'
    """
    return f"{wish.quantity}:{wish.span or ''}:{wish.rpm:g}"


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


def exponent_for(demand: Demand, limit: Literal["low", "high"]) -> float:
    """Return the exponent by which a cranking pressure is judged: the one that is safe for the wish.

    Parameters
    ----------
    demand : Demand
        About a cranking pressure.
    limit : {'low', 'high'}
        Which of its limits is meant.

    Returns
    -------
    float
        The greatest for a limit from above, the least for one from below, the middle for a value or range.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("cranking at most 11 bar"), port=None, low=-math.inf, high=11.0)
    >>> exponent_for(demand, "high")
    1.3
    """
    if demand.wish.form in ("value", "range"):
        return sum(EXPONENTS) / 2
    return EXPONENTS[0] if limit == "low" else EXPONENTS[1]


def ratio_limits(demand: Demand) -> tuple[float, float]:
    """Return the limits of the trapped ratio that a demand sets.

    Parameters
    ----------
    demand : Demand
        About a trapped ratio or a cranking pressure.

    Returns
    -------
    tuple of float
        Least and greatest; infinite where there is no limit.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("cranking at most 11 bar"), port=None, low=-math.inf, high=11.0)
    >>> round(float(ratio_limits(demand)[1]), 2)
    6.7
    """
    if demand.quantity != "cranking":
        return demand.low, demand.high

    def ratio(bar: float, limit: Literal["low", "high"]) -> float:
        return (
            float(ratio_for_cranking(bar * 1e5, exponent_for(demand, limit))) if math.isfinite(bar) else bar
        )

    return ratio(demand.low, "low"), ratio(demand.high, "high")


def _trapped_ways(demand: Demand, engine: Engine, edges: Sequence[PortEdges]) -> tuple[Way, ...]:
    head = _head_volume(engine)
    exhaust_closing_depth_mm(engine, edges)
    slice_cm3 = float(bore_slice_cm3(engine.bore_mm, 1.0))
    exhausts = [port.id for port in edges if port.kind == "exhaust" and port.control == "crown"]
    low, high = ratio_limits(demand)
    per_unit = head
    if demand.quantity == "cranking":
        # bar become ratio by the slope of the pressure there where the engine stands
        now = trapped_ratio(engine, exhaust_closing_depth_mm(engine, edges))
        exponent = exponent_for(demand, "high" if math.isfinite(demand.high) else "low")
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
