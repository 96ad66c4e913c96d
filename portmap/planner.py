"""Recipes that reach wishes: which work, how much of each, on which gasket, best first.

Everything the workshop does moves squish, depths and head volume in proportion to what is taken, so the
choice is a mixed-integer linear programme over whole steps (`portmap.plan_model`), one for each gasket. How
far each piece of work moves each measure is read off `portmap.shopwork` itself, by doing one step of it.
Every recipe is then worked through again by `portmap.shopwork.after` and held against the exact figures.

Recipes are ranked by what they miss, then by tools (none, tools held by hand, lathe), then by set-ups, then
by metal taken, then by the room left to the nearest limit. Two recipes differ if they use other work or
another gasket. A recipe that only adds work to a better one on the same gasket is left out, unless there are
fewer than three others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from portmap.demands import demands_of
from portmap.odds import with_odds
from portmap.plan_search import FEW, Search
from portmap.recipe import Recipe
from portmap.shop import Shop
from portmap.shopwork import Build
from portmap.wish_bounds import Demand
from portmap.wishes import Wish

__all__ = ["Plan", "can_be_had", "first_recipe", "planned"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """Recipes for some wishes.

    Parameters
    ----------
    build : Build
        Before any work.
    demands : tuple of Demand
    recipes : tuple of Recipe
        Best first; if `possible` is False, those that come nearest.
    possible : bool
        Whether anything fulfils all wishes. With wishes that need whole outlines, whether anything was found
        that does: those are sought along tangents, so that False proves nothing (`portmap.plan_search`).
    """

    build: Build
    demands: tuple[Demand, ...]
    recipes: tuple[Recipe, ...]
    possible: bool


def planned(
    build: Build,
    wishes: Sequence[Wish],
    shop: Shop,
    *,
    count: int = 5,
    odds: bool = True,
    steady: bool = False,
) -> Plan:
    """Return recipes for wishes, or the nearest ones if nothing fulfils them all.

    Parameters
    ----------
    build : Build
        Before any work.
    wishes : sequence of Wish
        At least one.
    shop : Shop
    count : int, optional
        How many recipes at most.
    odds : bool, optional
        Whether doubts and chances are wanted.
    steady : bool, optional
        Keep clear of the edges of what is wished, though it takes more metal: the same work on the same
        gaskets in the same order, other amounts.

    Returns
    -------
    Plan

    Raises
    ------
    QuantityError, GeometryError, GasError
        As `portmap.demands.demands_of` and `portmap.plan_model.chosen`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortEdges
    >>> from portmap.shop import shop_of
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.9)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> plan = planned(Build(engine=engine, edges=(port,)), wishes_of(["squish 0.5 mm"]), shop_of())
    >>> [(one.operation, one.amount_mm) for one in plan.recipes[0].operations]
    [('cut_base', 0.4)]
    """
    demands = demands_of(wishes, build.engine, build.edges, port_map=build.port_map)
    search = Search(build, demands, shop)
    found = search.found(count, steady=steady)
    recipes = [search.recipe(pick) for pick in found] if found else search.nearest(min(count, FEW))
    shown = with_odds(recipes) if odds else tuple(recipes)
    return Plan(build=build, demands=demands, recipes=shown, possible=bool(found))


def first_recipe(
    build: Build, demands: tuple[Demand, ...], shop: Shop, *, any_gasket: bool = False
) -> Recipe | None:
    """Return the best recipe alone, without its odds.

    Parameters
    ----------
    build : Build
    demands : tuple of Demand
    shop : Shop
    any_gasket : bool, optional
        As if every thickness that is usual were on hand.

    Returns
    -------
    Recipe or None
        None if nothing fulfils all demands.

    Raises
    ------
    QuantityError
        As `portmap.plan_model.chosen`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shop import shop_of
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.2)
    >>> demands = demands_of(wishes_of(["squish 0.5 mm"]), engine, ())
    >>> recipe = first_recipe(Build(engine=engine, edges=()), demands, shop_of(have="none"), any_gasket=True)
    >>> recipe.operations
    (Operation(operation='base_gasket', amount_mm=0.3, port=None),)
    """
    search = Search(build, demands, shop, any_gasket=any_gasket)
    found = search.found(1)
    return search.recipe(found[0]) if found else None


def can_be_had(build: Build, demands: tuple[Demand, ...], shop: Shop) -> bool:
    """Return whether any recipe fulfils all demands.

    Parameters
    ----------
    build : Build
    demands : tuple of Demand
    shop : Shop

    Returns
    -------
    bool

    Raises
    ------
    QuantityError
        As `portmap.plan_model.chosen`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shop import shop_of
    >>> from portmap.wishes import wishes_of
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.9)
    >>> demands = demands_of(wishes_of(["squish 0.5 mm"]), engine, ())
    >>> build = Build(engine=engine, edges=())
    >>> can_be_had(build, demands, shop_of(have="lathe")), can_be_had(build, demands, shop_of(have="files"))
    (True, False)
    """
    return Search(build, demands, shop).anything()
