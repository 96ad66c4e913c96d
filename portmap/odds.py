"""How likely a recipe is to fulfil its wishes, given how sure the engine's figures are.

The figures' doubts (`portmap.doubts`) are drawn together with their correlations, and each draw's results are
counted against the wishes (`portmap.spread.chance`). For a residual pressure, all that the gas model leans on
is drawn too, and there are fewer draws; that the model itself is right is taken for granted. The work is
taken as done to the letter, so a figure that lands on the edge of its wish has even chances at best.

Glossary
--------
chance
    Share of the draws in which a wish is met; of all wishes together, in which every one is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from portmap.doubts import doubts_of, drawn_values
from portmap.drawn_figures import bench_of, results_at
from portmap.recipe import Recipe
from portmap.shopwork import Build
from portmap.spread import chance
from portmap.timearea import time_area
from portmap.traced_figures import drawn_residual_bar, is_traced, traced_figures
from portmap.wish_bounds import Demand, traced_measure
from portmap.wishes import Wish

__all__ = ["result_name", "with_odds"]

Floats = NDArray[np.float64]

DRAWS = 2000
GAS_DRAWS = 200  # each is a case of the gas model; a chance of a half is then sure to 0.035
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
        As in `portmap.result_names`; for a figure that needs outlines, as `traced_measure`.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> result_name(Demand(wish=wish_of("exhaust opens 100"), port="e", low=99.5, high=100.5))
    'e:opens_deg'
    """
    if is_traced(demand.wish):
        return traced_measure(demand.wish)
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
    traced = [one.demand.wish for one in recipe.outcomes if is_traced(one.demand.wish)]
    areas = bool(traced)
    bench = bench_of(recipe.build, doubts.names, areas=areas)
    count = GAS_DRAWS if any(wish.quantity == "residual" for wish in traced) else DRAWS
    drawn = results_at(bench, drawn_values(doubts, count, SEED), areas=areas)
    for wish in traced:
        figures = _drawn_figure(recipe.build, wish, drawn)
        if figures is not None:
            drawn[traced_measure(wish)] = figures
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


def _drawn_figure(build: Build, wish: Wish, drawn: Mapping[str, Floats]) -> Floats | None:
    """Return draws of a figure that needs outlines, from those of angle-areas; None without outlines."""
    amounts = drawn.get(f"{wish.span or 'blowdown'}_angle_area_mm2_deg")
    if amounts is None or build.port_map is None or wish.rpm is None:
        return None
    if wish.quantity == "residual":
        usual = traced_figures(
            replace(wish, quantity="time_area", span="blowdown"), [(build.engine, build.port_map)]
        )[0]
        openness = np.asarray(time_area(amounts, wish.rpm) / usual)
        return drawn_residual_bar(build.engine, build.port_map, wish.rpm, openness, seed=SEED)
    figures = time_area(amounts, wish.rpm)
    if wish.quantity == "specific_time_area":
        figures = figures / drawn["swept_volume_cm3"]
    return figures
