"""How likely a recipe is to fulfil its wishes, given how sure the engine's figures are.

The figures' doubts (`portmap.doubts`) are drawn together with their correlations, and each draw's results are
counted against the wishes (`portmap.spread.chance`). The work itself is taken as done to the letter, so a
figure that lands on the edge of its wish has even chances at best.

Glossary
--------
chance
    Share of the draws in which a wish is met; of all wishes together, in which every one is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from portmap.doubts import doubts_of, drawn_values
from portmap.drawn_figures import bench_of, results_at
from portmap.recipe import Recipe
from portmap.spread import chance
from portmap.wish_bounds import Demand

__all__ = ["result_name", "with_odds"]

DRAWS = 2000
SEED = 1  # the same plan says the same chances every time

_WHOLE = {
    "squish": "squish_mm",
    "blowdown": "blowdown_deg",
    "cranking": "cranking_bar",
    "trapped_ratio": "trapped_ratio",
    "geometric_ratio": "geometric_ratio",
    "head_volume": "head_volume_cm3",
}


def result_name(demand: Demand) -> str:
    """Return the name under which draws hold a wished figure.

    Parameters
    ----------
    demand : Demand

    Returns
    -------
    str
        As in `portmap.result_names`.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> result_name(Demand(wish=wish_of("exhaust opens 100"), port="e", low=99.5, high=100.5))
    'e:opens_deg'
    """
    return f"{demand.port}:{demand.quantity}_deg" if demand.port else _WHOLE[demand.quantity]


def with_odds(recipes: Sequence[Recipe]) -> tuple[Recipe, ...]:
    """Return recipes with the doubt of each wished figure and the chance that each wish is met.

    Parameters
    ----------
    recipes : sequence of Recipe

    Returns
    -------
    tuple of Recipe

    Raises
    ------
    QuantityError
        As `portmap.doubts.doubts_of`.

    Examples
    --------
    >>> with_odds(())
    ()
    """
    return tuple(_with_odds(recipe) for recipe in recipes)


def _with_odds(recipe: Recipe) -> Recipe:
    doubts = doubts_of(recipe.build)
    bench = bench_of(recipe.build, doubts.names, areas=False)
    drawn = results_at(bench, drawn_values(doubts, DRAWS, SEED), areas=False)
    limits: dict[str, tuple[float, float]] = {}
    outcomes = []
    for outcome in recipe.outcomes:
        name, demand = result_name(outcome.demand), outcome.demand
        if name not in drawn:
            outcomes.append(outcome)
            continue
        found = drawn[name][np.isfinite(drawn[name])]
        low, high = limits.get(name, (-np.inf, np.inf))
        limits[name] = (max(low, demand.low), min(high, demand.high))
        outcomes.append(
            replace(
                outcome,
                u=float(found.std()) if len(found) else None,
                chance=chance(drawn, {name: (demand.low, demand.high)}),
            )
        )
    return replace(recipe, outcomes=tuple(outcomes), chance=chance(drawn, limits) if limits else None)
