"""Why wishes cannot be had together, and what would free them.

Nothing here is guessed: each way out is found by planning again with that one thing granted, and the recipe
that it leads to stands beside it. Granted are, in this order, a tool that is not at hand, another base
gasket, all tools, both, a finer step, more taken in one piece of work, a limit left out, and a wish left out.

Glossary
--------
binding
    A limit of the shop, or the end of a tool's range, at which the nearest recipe has no room for one more
    step.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from portmap.errors import GeometryError, QuantityError
from portmap.plan_stands import hard_limits
from portmap.planner import Plan, can_be_had, first_recipe
from portmap.recipe import Recipe
from portmap.shop import TOOLS, Shop
from portmap.shop_limits import limit_margins
from portmap.shown import UnitSystem, unit_system
from portmap.wishes import Wish

__all__ = ["Freeing", "Granted", "binding_limits", "conflicts_of", "freeings_of"]

Granted = Literal["tool", "gasket", "tool and gasket", "step", "range", "limit", "wish"]

FINER = 5  # times finer a step that is granted
FINEST_MM = 0.01  # nobody holds less
WIDER = 3  # times more that may be taken in one piece of work


@dataclass(frozen=True, kw_only=True, slots=True)
class Freeing:
    """One thing that would make all wishes possible.

    Parameters
    ----------
    granted : Granted
        What kind of thing.
    words : str
        What, for a person: ``a lathe``.
    recipe : Recipe
        The best one then.
    """

    granted: Granted
    words: str
    recipe: Recipe


def binding_limits(plan: Plan, shop: Shop, *, system: UnitSystem | None = None) -> tuple[str, ...]:
    """Return what keeps the nearest recipe from coming nearer.

    Parameters
    ----------
    plan : Plan
        One that is not possible.
    shop : Shop
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    tuple of str
        Sentences without full stop; none if no limit stands in the way, so that the wishes stand in each
        other's.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.planner import planned
    >>> from portmap.shop import shop_of
    >>> from portmap.shopwork import Build
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=62.0, base_flange_mm=4.2)
    >>> shop = shop_of(have="lathe")
    >>> plan = planned(Build(engine=engine, edges=()), wishes_of(["squish 0.5 mm"]), shop)
    >>> binding_limits(plan, shop)
    ('thickness of the base flange: 4.00 mm, and 4 mm must stay (common practice, no source)',)
    """
    if not plan.recipes:
        return ("a limit of the shop is broken already, and no work on hand mends it",)
    nearest = plan.recipes[0]
    step = max((shop.steps_mm[tool] for tool in shop.tools), default=0.0)
    start = replace(plan.build, port_map=None)
    now = replace(nearest.build, port_map=None)
    hard = hard_limits(shop.limits, plan.demands)
    was = {(one.limit.name, one.where): one.margin_mm for one in limit_margins(start, start, hard)}
    found = []
    for margin in limit_margins(start, now, hard):
        before = was.get((margin.limit.name, margin.where))
        if margin.margin_mm is None or before is None or margin.value_mm is None:
            continue
        if margin.margin_mm < step - 1e-9 and margin.margin_mm < before - 1e-9:
            limit = margin.limit
            verb = "must stay" if limit.sense == "least" else "is the most"
            found.append(
                f"{limit.what.format(where=margin.where)}: {_length(margin.value_mm, system)}, and"
                f" {_round_length(limit.bound_mm, system)} {verb} ({limit.basis})"
            )
    found += [
        f"no more than {_round_length(shop.most_mm, system)} is taken in one piece of work,"
        f" as {one.operation} would"
        for one in nearest.operations
        if one.operation != "base_gasket" and one.amount_mm > shop.most_mm - step + 1e-9
    ]
    return tuple(dict.fromkeys(found))


def freeings_of(
    plan: Plan,
    shop: Shop,
    conflicts: tuple[tuple[Wish, ...], ...] | None = None,
    *,
    system: UnitSystem | None = None,
) -> tuple[Freeing, ...]:
    """Return what would make all wishes possible, each found by planning again.

    Parameters
    ----------
    plan : Plan
        One that is not possible.
    shop : Shop
    conflicts : tuple of tuple of Wish or None, optional
        From `conflicts_of`, if it has been asked already.
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    tuple of Freeing
        Empty if no single thing would; two wishes are left out together only if nothing else helps.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.planner import planned
    >>> from portmap.shop import shop_of
    >>> from portmap.shopwork import Build
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.9)
    >>> shop = shop_of(have="files")
    >>> plan = planned(Build(engine=engine, edges=()), wishes_of(["squish 0.5 mm"]), shop)
    >>> [freeing.words for freeing in freeings_of(plan, shop)]
    ['a lathe']
    """
    found = list(_tools_or_gasket(plan, shop, system))
    if shop.tools:
        found += _finer_or_wider(plan, shop, system)
        found += _past_a_limit(plan, shop, system)
    wishes = list(dict.fromkeys(demand.wish for demand in plan.demands))
    known = conflicts_of(plan, shop) if conflicts is None else conflicts
    for fewer in (1, 2):
        if fewer < len(wishes) and (fewer == 1 or not found):
            groups = itertools.combinations(wishes, fewer)
            # to leave out wishes helps only if it takes something from every conflict
            found += _without_wishes(
                plan, shop, (group for group in groups if all(set(group) & set(clash) for clash in known))
            )
    return tuple(found)


def _without_wishes(plan: Plan, shop: Shop, groups: Iterable[tuple[Wish, ...]]) -> Iterator[Freeing]:
    for group in groups:
        others = tuple(demand for demand in plan.demands if demand.wish not in group)
        recipe = first_recipe(plan.build, others, shop)
        if recipe is not None:
            words = " and ".join(f'"{wish.text}"' for wish in group)
            yield Freeing(granted="wish", words=f"leaving out {words}", recipe=recipe)


def conflicts_of(plan: Plan, shop: Shop) -> tuple[tuple[Wish, ...], ...]:
    """Return which wishes cannot be had by themselves, and which pairs cannot be had together.

    Parameters
    ----------
    plan : Plan
        One that is not possible.
    shop : Shop

    Returns
    -------
    tuple of tuple of Wish
        Single wishes first, then pairs of those that are possible by themselves.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.planner import planned
    >>> from portmap.shop import shop_of
    >>> from portmap.port import PortEdges
    >>> from portmap.shopwork import Build
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.9)
    >>> port = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=39.4)
    >>> shop = shop_of(have="grinder")
    >>> wishes = wishes_of(["squish 0.5 mm", "exhaust opens 100"])
    >>> plan = planned(Build(engine=engine, edges=(port,)), wishes, shop)
    >>> [[wish.text for wish in group] for group in conflicts_of(plan, shop)]
    [['squish 0.5 mm']]
    """

    def possible(*wishes: Wish) -> bool:
        demands = tuple(demand for demand in plan.demands if demand.wish in wishes)
        return can_be_had(plan.build, demands, shop)

    wishes = list(dict.fromkeys(demand.wish for demand in plan.demands))
    alone = [wish for wish in wishes if possible(wish)]
    found: list[tuple[Wish, ...]] = [(wish,) for wish in wishes if wish not in alone]
    found += [pair for pair in itertools.combinations(alone, 2) if not possible(*pair)]
    return tuple(found)


def _tried(plan: Plan, shop: Shop, *, any_gasket: bool = False) -> Recipe | None:
    """Return the best recipe with something granted.

    None if that makes too fine a grid to search, or work that takes more than there is.
    """
    try:
        return first_recipe(plan.build, plan.demands, shop, any_gasket=any_gasket)
    except (GeometryError, QuantityError):
        return None


def _tools_or_gasket(plan: Plan, shop: Shop, system: UnitSystem | None) -> Iterator[Freeing]:
    """Yield single tools, a gasket, and only if none of them is enough all tools together, and both."""
    missing = [tool for tool in TOOLS if tool not in shop.tools]
    alone = False
    for tool in missing:
        tools = tuple(each for each in TOOLS if each in (*shop.tools, tool))
        recipe = _tried(plan, replace(shop, tools=tools))
        if recipe is not None:
            alone = True
            yield Freeing(granted="tool", words=_named(tool), recipe=recipe)
    recipe = _tried(plan, shop, any_gasket=True)
    if recipe is not None:
        yield Freeing(granted="gasket", words=_gasket_of(recipe, system), recipe=recipe)
    elif missing and not alone:
        every = replace(shop, tools=TOOLS)
        recipe = _tried(plan, every)
        if recipe is not None:
            yield Freeing(granted="tool", words=_tools_beside(recipe, shop), recipe=recipe)
            return
        recipe = _tried(plan, every, any_gasket=True)
        if recipe is not None:
            words = f"{_tools_beside(recipe, shop)}, and {_gasket_of(recipe, system)}"
            yield Freeing(granted="tool and gasket", words=words, recipe=recipe)


def _finer_or_wider(plan: Plan, shop: Shop, system: UnitSystem | None) -> Iterator[Freeing]:
    finer = {tool: step / FINER for tool, step in shop.steps_mm.items()}
    holdable = all(finer[tool] >= FINEST_MM for tool in shop.tools)
    recipe = _tried(plan, replace(shop, steps_mm=finer)) if holdable else None
    if recipe is not None:
        steps = " and ".join(
            _round_length(step, system) for step in sorted({finer[tool] for tool in shop.tools})
        )
        yield Freeing(granted="step", words=f"work held to {steps}", recipe=recipe)
    recipe = _tried(plan, replace(shop, most_mm=shop.most_mm * WIDER))
    if recipe is not None:
        yield Freeing(granted="range", words=_most_of(recipe, system), recipe=recipe)


def _past_a_limit(plan: Plan, shop: Shop, system: UnitSystem | None) -> Iterator[Freeing]:
    hard = hard_limits(shop.limits, plan.demands)
    bare = tuple(limit for limit in shop.limits if limit not in hard)
    # no limit can free what the absence of them all does not
    if not can_be_had(plan.build, plan.demands, replace(shop, limits=bare)):
        return
    for limit in hard:
        others = tuple(each for each in shop.limits if each.name != limit.name)
        recipe = _tried(plan, replace(shop, limits=others))
        if recipe is not None:
            what = limit.what.replace(" of {where}", "").replace("{where}", "a port")
            bound = _round_length(limit.bound_mm, system)
            words = f"going past {bound} for the {what} ({limit.basis}), at the metal's risk"
            yield Freeing(granted="limit", words=words, recipe=recipe)


def _named(tool: str) -> str:
    return tool if tool == "files" else f"a {tool}"


def _gasket_of(recipe: Recipe, system: UnitSystem | None) -> str:
    thickness = recipe.build.engine.base_gasket_mm
    return f"a base gasket of {_length(thickness, system)}" if thickness else "no base gasket"


def _tools_beside(recipe: Recipe, shop: Shop) -> str:
    return " and ".join(_named(tool) for tool in recipe.needs if tool not in shop.tools)


def _most_of(recipe: Recipe, system: UnitSystem | None) -> str:
    cuts = [one for one in recipe.operations if one.operation != "base_gasket"]
    most = max(cuts, key=lambda one: one.amount_mm)
    port = f" on {most.port}" if most.port else ""
    return f"taking more in one piece of work, {most.operation}{port} {_length(most.amount_mm, system)}"


def _length(length_mm: float, system: UnitSystem | None) -> str:
    reader = system or unit_system("mm")
    return f"{reader.lengths(length_mm)} {reader.length}"


def _round_length(length_mm: float | None, system: UnitSystem | None) -> str:
    """Return a round figure, as of a limit, without the noughts that would say how finely it is known."""
    if length_mm is None:
        return "no known length"
    reader = system or unit_system("mm")
    return f"{length_mm:g} mm" if reader.name == "mm" else f"{length_mm * reader.per_mm:.3g} {reader.length}"
