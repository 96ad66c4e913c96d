"""Recipes as rows of tables for a person, in mm or in inch.

The recipes come from `portmap.planner`; the verb ``plan`` and the screens show the same rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from portmap.operation import Operation
from portmap.planner import Plan
from portmap.recipe import Recipe, amount_words, figure_text, miss_words
from portmap.shown import COVERAGE, UnitSystem
from portmap.wishes import amount_text, wish_name

__all__ = ["chance_text", "outcome_rows", "recipe_rows", "work_words"]

DASH = "–"


def chance_text(chance: float | None) -> str:
    """Return a probability as a person reads it.

    Parameters
    ----------
    chance : float or None
        0 to 1; None if nobody worked it out.

    Returns
    -------
    str

    Examples
    --------
    >>> chance_text(0.834), chance_text(0.001)
    ('83 %', 'under 1 %')
    """
    if chance is None:
        return DASH
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def work_words(operations: Sequence[Mapping[str, Any]], system: UnitSystem) -> str:
    """Return work in a few words.

    Parameters
    ----------
    operations : sequence of mapping
        As plans and jobs hold them.
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> work_words([{"operation": "cut_base", "amount_mm": 0.1}], unit_system("mm"))
    'turn 0.10 mm off the base'
    """
    words = [
        amount_words(
            Operation(operation=one["operation"], amount_mm=one["amount_mm"], port=one.get("port")), system
        )
        for one in operations
    ]
    return "; ".join(words) or "no work at all"


def recipe_rows(found: Plan, system: UnitSystem) -> list[list[str]]:
    """Return recipes side by side: number, work, needs, set-ups, metal, how many missed, chance of all.

    Parameters
    ----------
    found : Plan
    system : UnitSystem

    Returns
    -------
    list of list of str
    """
    rows = []
    for number, recipe in enumerate(found.recipes, 1):
        rows.append(
            [
                str(number),
                "\n".join(amount_words(one, system) for one in recipe.operations) or "no work at all",
                ", ".join(recipe.needs) or "no tool",
                str(recipe.setups),
                f"{system.lengths(recipe.metal_mm)} {system.length}",
                str(len(recipe.misses)),
                chance_text(recipe.chance),
            ]
        )
    return rows


def outcome_rows(recipe: Recipe, system: UnitSystem) -> list[list[str]]:
    """Return what becomes of each wish: its name, now, after with ±, met or missed by how much, chance.

    Parameters
    ----------
    recipe : Recipe
    system : UnitSystem

    Returns
    -------
    list of list of str
    """
    rows = []
    for outcome in recipe.outcomes:
        demand = outcome.demand
        doubt = (
            "" if outcome.u is None else f" ± {amount_text(COVERAGE * outcome.u, demand.quantity, system)}"
        )
        rows.append(
            [
                wish_name(demand.wish, demand.port),
                figure_text(demand, outcome.before, system),
                f"{figure_text(demand, outcome.after, system)}{doubt}",
                "met" if outcome.miss == 0.0 else miss_words(outcome, system).partition(", ")[2],
                chance_text(outcome.chance),
            ]
        )
    return rows
