"""A plan as other programs read it, and what becomes of one that cannot be had.

Made of plain dictionaries, lists, text and numbers, ready for JSON; names end in the unit, ``_u`` is a
standard uncertainty in the figure's unit, and what nobody knows is None.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from portmap.breath import NO_WAVES
from portmap.effects import bench_figures
from portmap.errors import Notice
from portmap.freeing import Freeing, binding_limits, conflicts_of, freeings_of
from portmap.operation import Operation
from portmap.planner import Plan
from portmap.recipe import Outcome, Recipe, miss_words, working_steps
from portmap.shop import Shop
from portmap.shop_limits import breaches
from portmap.shopwork import Build
from portmap.shown import UnitSystem
from portmap.traced_figures import is_traced
from portmap.wish_bounds import Demand
from portmap.wishes import UNITS, said_back

__all__ = ["plan_document"]

_OF_PORT = ("opens_deg", "closes_deg", "duration_deg")


def plan_document(
    plan: Plan, shop: Shop, *, notices: Iterable[Notice] = (), system: UnitSystem | None = None
) -> dict[str, Any]:
    """Return a plan for JSON and for the screen.

    Parameters
    ----------
    plan : Plan
    shop : Shop
    notices : iterable of Notice, optional
        Doubts that the job carries.
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    dict
        ``recipes``, best first: ``operations`` (in working order), ``needs``, ``result`` (``squish_mm``,
        ``opens_deg`` by port, ``blowdown_deg`` and more), ``misses``, ``wishes``, ``steps``; ``possible``; if
        not, ``binds``, ``conflicts`` and ``frees``.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.planner import planned
    >>> from portmap.shop import shop_of
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.9)
    >>> plan = planned(Build(engine=engine, edges=()), wishes_of(["squish 0.5 mm"]), shop_of())
    >>> plan_document(plan, shop_of())["recipes"][0]["operations"]
    [{'operation': 'cut_base', 'amount_mm': 0.4}]
    """
    found: dict[str, Any] = {
        "wishes": [_wish(demand, system) for demand in plan.demands],
        "have": list(shop.tools),
        "gaskets_mm": list(shop.gaskets_mm or (plan.build.engine.base_gasket_mm,)),
        "steps_mm": dict(shop.steps_mm),
        "before": _result(plan.build),
        "possible": plan.possible,
        "recipes": [_recipe(plan, shop, recipe, system) for recipe in plan.recipes],
    }
    if not plan.possible:
        found["binds"] = list(binding_limits(plan, shop, system=system))
        conflicts = conflicts_of(plan, shop)
        found["conflicts"] = [[wish.text for wish in group] for group in conflicts]
        found["frees"] = [_freeing(freeing) for freeing in freeings_of(plan, shop, conflicts, system=system)]
    engine = plan.build.engine
    notices = (*notices, *_traced_notices(plan))
    return found | {
        "assumed": list(dict.fromkeys((*engine.assumed, *_assumed_since(plan)))),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(notices)],
    }


def _traced_notices(plan: Plan) -> list[Notice]:
    """Return what there is to say of wishes about time-areas and the residual pressure."""
    found = []
    quantities = {demand.quantity for demand in plan.demands if is_traced(demand.wish)}
    if quantities and not plan.possible:
        found.append(
            Notice(
                code="not-proven",
                message="Time-areas and residual pressures go in no straight line and are sought step by"
                " step: that nothing was found does not prove that nothing is there.",
            )
        )
    if "residual" in quantities:
        found.append(Notice(code="gas-model", message=f"The residual pressure is a model's. {NO_WAVES}"))
    return found


def _assumed_since(plan: Plan) -> list[str]:
    return [words for recipe in plan.recipes for words in recipe.build.engine.assumed]


def _wish(demand: Demand, system: UnitSystem | None) -> dict[str, Any]:
    wish = demand.wish
    found = {
        "wish": wish.text,
        "understood": said_back(wish, before_tdc=demand.before_tdc, system=system),
        "port": demand.port,
        "low": _finite(demand.low),
        "high": _finite(demand.high),
        "tolerance": wish.tolerance,
        "unit": UNITS[wish.quantity],
    }
    return found if wish.character is None else found | {"character": wish.character}


def _recipe(plan: Plan, shop: Shop, recipe: Recipe, system: UnitSystem | None) -> dict[str, Any]:
    passed = breaches(plan.build, recipe.build, shop.limits)
    shown = breaches(plan.build, recipe.build, shop.limits, system=system)
    in_units = {one.message: other.message for one, other in zip(passed, shown, strict=True)}
    return {
        "operations": [_operation(one) for one in recipe.operations],
        "needs": list(recipe.needs),
        "result": _result(recipe.build),
        "misses": [_miss(outcome, system) for outcome in recipe.misses],
        "wishes": [_outcome(outcome) for outcome in recipe.outcomes],
        "chance": recipe.chance,
        "setups": recipe.setups,
        "metal_mm": recipe.metal_mm,
        "tightest": recipe.tightest,
        "margin_mm": recipe.margin_mm,
        "more_than_needed": recipe.more_than_needed,
        "steps": list(working_steps(plan.build, recipe.operations, plan.demands, system)),
        "warnings": [
            replace(notice, message=in_units.get(notice.message, notice.message)).as_dict()
            for notice in recipe.notices
        ],
    }


def _operation(operation: Operation) -> dict[str, Any]:
    found: dict[str, Any] = {"operation": operation.operation, "amount_mm": operation.amount_mm}
    return found if operation.port is None else found | {"port": operation.port}


def _result(build: Build) -> dict[str, Any]:
    figures = bench_figures(build)
    found: dict[str, Any] = {name: value for name, value in figures.items() if ":" not in name}
    for name in _OF_PORT:
        found[name] = {port.id: figures[f"{port.id}:{name}"] for port in build.edges}
    return found


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "wish": outcome.demand.wish.text,
        "port": outcome.demand.port,
        "figure": outcome.demand.quantity,
        "unit": UNITS[outcome.demand.quantity],
        "before": _finite(outcome.before),
        "after": _finite(outcome.after),
        "after_u": outcome.u,
        "met": outcome.miss == 0.0,
        "miss": _finite(outcome.miss),
        "chance": outcome.chance,
    }


def _miss(outcome: Outcome, system: UnitSystem | None) -> dict[str, Any]:
    return {
        "wish": outcome.demand.wish.text,
        "port": outcome.demand.port,
        "after": _finite(outcome.after),
        "miss": _finite(outcome.miss),
        "unit": UNITS[outcome.demand.quantity],
        "words": miss_words(outcome, system),
    }


def _freeing(freeing: Freeing) -> dict[str, Any]:
    return {
        "granted": freeing.granted,
        "words": freeing.words,
        "operations": [_operation(one) for one in freeing.recipe.operations],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
