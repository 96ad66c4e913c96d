"""The rules of ring safety and their bounds.

The rules are data, in ``ring_rules.toml`` beside this module: our own, each with the source of its figures or
the plain word that there is none. A job's `limits` may hold its own bounds in their place.

Glossary
--------
grade
    ``fine``; ``look again``: past the first bound, it depends on the engine; ``don't``: past the second one.
    ``not checked``: nobody measured what would tell.
bound
    Where a grade ends, in the rule's own unit.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Literal

from portmap.limit_names import check_limit_names

__all__ = ["GRADES", "Grade", "RingRule", "RingRules", "ring_rules"]

Grade = Literal["fine", "look again", "don't", "not checked"]
Sense = Literal["least", "most"]

GRADES: tuple[Grade, ...] = ("don't", "look again", "not checked", "fine")  # the worst first
# half of the last digit that is shown: a figure that reads like its bound is not past it
ROUNDING = {"mm": 0.005, "deg": 0.05, "deg of bore": 0.05}
_ROUNDING_OF_OTHERS = 0.0005


@dataclass(frozen=True, kw_only=True, slots=True)
class RingRule:
    """One rule of ring safety.

    Parameters
    ----------
    name : str
        Begins with ``ring_``.
    what : str
        The value in words.
    sense : {'least', 'most'}
        Whether the value may not fall below its bounds, or not rise above them.
    unit : str
    look_again, dont : float or None
        The bounds of the two grades, in the unit; None where there is none.
    why : str
        What happens to the ring past the bounds.
    measure : str
        What to measure where the value is not known.
    source : str
        Where the bounds come from.
    """

    name: str
    what: str
    sense: Sense
    unit: str
    look_again: float | None
    dont: float | None
    why: str
    measure: str
    source: str

    def grade(self, value: float) -> Grade:
        """Return the grade of a value in the rule's unit; a bound itself still belongs to the better one."""
        if self._past(value, self.dont):
            return "don't"
        return "look again" if self._past(value, self.look_again) else "fine"

    def _past(self, value: float, bound: float | None) -> bool:
        if bound is None:
            return False
        rounding = ROUNDING.get(self.unit, _ROUNDING_OF_OTHERS)
        return value > bound + rounding if self.sense == "most" else not value >= bound - rounding


@dataclass(frozen=True, kw_only=True, slots=True)
class RingRules:
    """All rules, and the figures that several of them lean on.

    Parameters
    ----------
    rules : tuple of RingRule
        In the order in which they are shown.
    holds_mm : float
        Metal narrower than this does not count as a bridge that holds the ring [mm].
    narrow : float
        A window no wider than this, as a chord, may have a flat roof [of bore].
    """

    rules: tuple[RingRule, ...]
    holds_mm: float
    narrow: float

    def rule(self, name: str) -> RingRule:
        """Return the rule of a name."""
        return next(rule for rule in self.rules if rule.name == name)


@cache
def _usual_rules() -> RingRules:
    data = tomllib.loads(files("portmap").joinpath("ring_rules.toml").read_text(encoding="utf-8"))
    return RingRules(
        rules=tuple(
            RingRule(
                name=name,
                what=entry["what"],
                sense=entry["sense"],
                unit=entry["unit"],
                look_again=entry.get("look_again"),
                dont=entry.get("dont"),
                why=entry["why"],
                measure=entry["measure"],
                source=entry["source"],
            )
            for name, entry in data["rules"].items()
        ),
        holds_mm=data["settings"]["ring_holds"]["value"],
        narrow=data["settings"]["ring_narrow"]["value"],
    )


def ring_rules(overrides: Mapping[str, float]) -> RingRules:
    """Return the rules that hold for a job: its own bounds before the usual ones.

    Parameters
    ----------
    overrides : mapping of str to float
        A job's `limits`; those of work are passed over.

    Returns
    -------
    RingRules

    Raises
    ------
    JobError
        If there is no limit or bound of a name.

    Examples
    --------
    >>> rule = ring_rules({"ring_width_dont": 0.68, "squish": 0.6}).rule("ring_width")
    >>> rule.look_again, rule.dont, rule.grade(0.66), rule.grade(0.69)
    (0.62, 0.68, 'look again', "don't")
    """
    check_limit_names(overrides)
    usual = _usual_rules()
    return RingRules(
        rules=tuple(_with_own(rule, overrides) for rule in usual.rules),
        holds_mm=overrides.get("ring_holds", usual.holds_mm),
        narrow=overrides.get("ring_narrow", usual.narrow),
    )


def _with_own(rule: RingRule, overrides: Mapping[str, float]) -> RingRule:
    look_again = overrides.get(f"{rule.name}_look_again")
    dont = overrides.get(f"{rule.name}_dont")
    if look_again is None and dont is None:
        return rule
    own = " and ".join(
        f'"{grade}"' for grade, bound in (("look again", look_again), ("don't", dont)) if bound is not None
    )
    return replace(
        rule,
        look_again=rule.look_again if look_again is None else look_again,
        dont=rule.dont if dont is None else dont,
        source=f"{own}: the job's own; else {rule.source}",
    )
