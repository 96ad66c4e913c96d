"""A recipe: some work in the order in which it is done, and what comes of it.

Order, as a porter goes: measure what is there; turn the base, the band and the crown, because each moves
what the ports are marked from; fit the gasket and measure again; mark and grind roofs, then floors; trim the
skirt last, when base and gasket are settled, for it cannot be made longer again.

Glossary
--------
outcome
    One wish after the work: the figure before and after, by how much it misses, how sure it is.
chance
    Probability that a figure fulfils its wish, its doubt taken as normal (see `portmap.odds`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from portmap.errors import GeometryError, Notice
from portmap.operation import Operation, kind_of
from portmap.shopwork import Build, after
from portmap.shown import UnitSystem, unit_system
from portmap.timing import edge_timing
from portmap.volume import squish_clearance_mm
from portmap.wish_bounds import Demand
from portmap.wishes import amount_text, wish_name

__all__ = [
    "SETUPS",
    "Outcome",
    "Recipe",
    "amount_words",
    "figure_text",
    "in_working_order",
    "miss_words",
    "working_steps",
]

# The clamping that each work is done in: works that share one are one set-up. Common practice, no source.
SETUPS = {
    "cut_base": "cylinder on the lathe, base face out",
    "cut_band": "cylinder on the lathe, head out",
    "cut_crown": "piston on the lathe",
    "trim_skirt": "piston in hand",
    "grind_roof": "cylinder on the bench",
    "grind_floor": "cylinder on the bench",
}

_ORDER = (
    "cut_base",
    "cut_band",
    "cut_crown",
    "base_gasket",
    "grind_roof",
    "grind_floor",
    "trim_skirt",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """One wish after a recipe.

    Parameters
    ----------
    demand : Demand
    before, after : float
        The figure in its own unit; NaN where there is none.
    miss : float
        As `portmap.demands.miss_of`.
    u : float or None
        Standard uncertainty of the figure after, in its unit; None if nobody said how sure the engine's
        figures are.
    chance : float or None
        That the wish is met [-].
    """

    demand: Demand
    before: float
    after: float
    miss: float
    u: float | None = None
    chance: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Recipe:
    """Work that fulfils wishes, or comes as near as can be.

    Parameters
    ----------
    operations : tuple of Operation
        In working order.
    needs : tuple of str
        Tools.
    build : Build
        What stands on the bench afterwards.
    outcomes : tuple of Outcome
        For each wish.
    setups : int
        Number of clampings.
    metal_mm : float
        Sum of what is taken off [mm].
    tightest : str or None
        The limit that has the least room left, in words.
    margin_mm : float or None
        That room [mm]; None if no limit of the shop is touched or known.
    chance : float or None
        That all wishes are met together [-].
    more_than_needed : bool
        Whether a shorter recipe on the same gasket does the same; kept only where there are few.
    notices : tuple of Notice
    """

    operations: tuple[Operation, ...]
    needs: tuple[str, ...]
    build: Build
    outcomes: tuple[Outcome, ...]
    setups: int
    metal_mm: float
    tightest: str | None = None
    margin_mm: float | None = None
    chance: float | None = None
    more_than_needed: bool = False
    notices: tuple[Notice, ...] = ()

    @property
    def misses(self) -> tuple[Outcome, ...]:
        """Return the wishes that are not met."""
        return tuple(outcome for outcome in self.outcomes if outcome.miss != 0.0)

    @property
    def weighed_miss(self) -> float:
        """Return the sum of what is missed, each in its own tolerance; infinite for a lost figure."""
        parts = (abs(outcome.miss) / outcome.demand.wish.tolerance for outcome in self.outcomes)
        return math.fsum(math.inf if math.isnan(part) else part for part in parts)


def in_working_order(operations: Iterable[Operation], ports: Sequence[str] = ()) -> tuple[Operation, ...]:
    """Return work in the order in which it is done.

    Parameters
    ----------
    operations : iterable of Operation
        Of the kinds that a plan uses.
    ports : sequence of str, optional
        Ids in the order in which ports are ground.

    Returns
    -------
    tuple of Operation

    Examples
    --------
    >>> work = [Operation(operation="grind_roof", amount_mm=0.3, port="e"),
    ...         Operation(operation="cut_base", amount_mm=0.5)]
    >>> [one.operation for one in in_working_order(work)]
    ['cut_base', 'grind_roof']
    """
    places = {port: place for place, port in enumerate(ports)}
    return tuple(
        sorted(operations, key=lambda one: (_ORDER.index(one.operation), places.get(one.port or "", 0)))
    )


def amount_words(operation: Operation, system: UnitSystem | None = None) -> str:
    """Return one piece of work in a few words.

    Parameters
    ----------
    operation : Operation
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    str

    Examples
    --------
    >>> amount_words(Operation(operation="cut_base", amount_mm=0.5))
    'turn 0.50 mm off the base'
    """
    system = system or unit_system("mm")
    amount = f"{system.lengths(operation.amount_mm)} {system.length}"
    if operation.operation == "base_gasket":
        return f"fit a base gasket of {amount}" if operation.amount_mm else "leave the base gasket out"
    words = {
        "cut_base": f"turn {amount} off the base",
        "cut_band": f"turn {amount} out of the squish band",
        "cut_crown": f"turn {amount} off the crown",
        "trim_skirt": f"trim {amount} off the skirt, intake side",
        "grind_roof": f"grind the roof of {operation.port} up by {amount}",
        "grind_floor": f"grind the floor of {operation.port} down by {amount}",
    }
    return words.get(operation.operation, f"{kind_of(operation.operation).words}: {amount}")


_WHY = {
    "cut_base": "first, for it brings every port and the squish band down",
    "cut_band": "while the cylinder is at the lathe",
    "cut_crown": "before anything is marked, for roofs are marked from the crown's edge",
    "base_gasket": "torque the cylinder down as it will run",
    "grind_roof": "mark it with the crown's edge at that degree, grind up to the line, keep its shape",
    "grind_floor": "mark it with the skirt's edge at that degree",
    "trim_skirt": "last, when base and gasket are settled: a skirt cannot be made longer",
}


def working_steps(
    build: Build,
    operations: Sequence[Operation],
    demands: Sequence[Demand],
    system: UnitSystem | None = None,
) -> tuple[str, ...]:
    """Return a recipe as a list of things to do, with what should be read on the way.

    Parameters
    ----------
    build : Build
        Before any work.
    operations : sequence of Operation
        In working order.
    demands : sequence of Demand
        What will be measured.
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    tuple of str
        One sentence each.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortEdges
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> build = Build(engine=engine, edges=(port,))
    >>> work = [Operation(operation="grind_roof", amount_mm=0.5, port="e")]
    >>> print(working_steps(build, work, ())[1])
    Grind the roof of e up by 0.50 mm, to open at 100.5°: mark it with the crown's edge at that degree, ...
    """
    plain = Build(engine=build.engine, edges=build.edges)
    read = _to_measure(demands)
    gasket = f"gasket of {_length(build.engine.base_gasket_mm, system)}"
    fitted = (
        f"on the {gasket} fitted now" if build.engine.base_gasket_mm else "without a gasket, as it is now"
    )
    steps = [f"Measure {read} first, {fitted}: the plan stands on these figures."]
    seats = [one for one in operations if one.operation in _ORDER[:4]]
    for place, operation in enumerate(operations):
        words = amount_words(operation, system)
        aim = _aim(after(plain, *operations[: place + 1]), operation)
        why = _WHY[operation.operation]
        if operation.operation == "base_gasket" and not operation.amount_mm:
            why = "seal with a film of sealant and count its thickness"
        steps.append(f"{words[0].upper()}{words[1:]}{aim}: {why}.")
        if seats and operation is seats[-1] and len(operations) > place + 1:
            steps.append(
                f"Put it together dry and measure again: {_expected(plain, operations[: place + 1], system)}."
            )
    steps.append(f"Measure {read} again: {_expected(plain, operations, system)}.")
    return tuple(steps)


def _length(length_mm: float, system: UnitSystem | None) -> str:
    system = system or unit_system("mm")
    return f"{system.lengths(length_mm)} {system.length}"


def _to_measure(demands: Sequence[Demand]) -> str:
    ports = dict.fromkeys(one.port for one in demands if one.port is not None)
    parts = ["squish with solder"]
    if any(
        one.quantity in ("cranking", "trapped_ratio", "geometric_ratio", "head_volume") for one in demands
    ):
        parts.append("head volume with a burette")
    parts.append(f"the degrees of {', '.join(ports)}" if ports else "the degrees of every port")
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def _aim(build: Build, operation: Operation) -> str:
    """Return to what degree a port is brought."""
    if operation.operation == "trim_skirt":
        ports = [port for port in build.edges if port.control == "skirt"]
    elif operation.operation in ("grind_roof", "grind_floor"):
        ports = [port for port in build.edges if port.id == operation.port]
    else:
        return ""
    aims = []
    for port in ports:
        openings = edge_timing(build.engine, port).openings
        if openings:
            name = "" if len(ports) == 1 and operation.port else f"{port.id} "
            aims.append(f"{name}to open at {_degrees(openings[0].opens_deg)}")
    return f", {' and '.join(aims)}" if aims else ""


def _degrees(opens_deg: float) -> str:
    if opens_deg > 180:
        return f"{360 - opens_deg:.1f}° before TDC"
    return f"{opens_deg:.1f}°"


def _expected(build: Build, operations: Sequence[Operation], system: UnitSystem | None) -> str:
    now = after(build, *operations)
    parts = []
    if now.engine.squish_band_height_mm is not None:
        parts.append(f"squish {_length(squish_clearance_mm(now.engine), system)}")
    for port in now.edges:
        try:
            openings = edge_timing(now.engine, port).openings
        except GeometryError:
            continue  # a length it needs is not known, so there is nothing to expect
        if openings:
            parts.append(f"{port.id} opens {_degrees(openings[0].opens_deg)}")
    return "look for " + ", ".join(parts) if parts else "nothing is known to compare with"


def figure_text(demand: Demand, figure: float, system: UnitSystem | None = None) -> str:
    """Return a wished figure as the wish counts it.

    Parameters
    ----------
    demand : Demand
    figure : float
        From `portmap.demands.wished_figure`.
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("intake opens 76"), port="in", low=283.5, high=284.5, before_tdc=True)
    >>> figure_text(demand, 285.0)
    '75.0° before TDC'
    """
    if math.isnan(figure):
        return "never"
    if demand.before_tdc:
        return f"{amount_text(360.0 - figure, demand.quantity, system)} before TDC"
    return amount_text(figure, demand.quantity, system)


def miss_words(outcome: Outcome, system: UnitSystem | None = None) -> str:
    """Return by how much a wish is missed.

    Parameters
    ----------
    outcome : Outcome
        With a miss.
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> demand = Demand(wish=wish_of("blowdown at least 20"), port=None, low=20.0, high=math.inf)
    >>> miss_words(Outcome(demand=demand, before=15.0, after=17.5, miss=-2.5))
    'blowdown 17.5°, 2.5° too little for "blowdown at least 20"'
    """
    demand = outcome.demand
    name = wish_name(demand.wish, demand.port)
    wish = f'"{demand.wish.text}"'
    if math.isnan(outcome.miss):
        return f"{name}: it has no such figure, for {wish}"
    amount = amount_text(abs(outcome.miss), demand.quantity, system)
    if not any(digit in "123456789" for digit in amount):
        amount = "a hair"  # it would read as nothing
    if demand.quantity in ("opens", "closes"):
        side = "late" if outcome.miss > 0 else "early"
    else:
        side = "much" if outcome.miss > 0 else "little"
    return f"{name} {figure_text(demand, outcome.after, system)}, {amount} too {side} for {wish}"
