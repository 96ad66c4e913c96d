"""Figures in the units that the session reads, as text."""

from __future__ import annotations

from portmap.app import store
from portmap.engine_facts import EngineFact
from portmap.shown import COVERAGE, number_text, with_doubt

__all__ = ["doubt_text", "fact_text", "figure_text", "off_text"]

SIGNS = {"deg": "°", "bar": "\u00a0bar"}
DECIMALS = {"deg": 2, "bar": 2, "mm": 3, "cm3": 2}
DASH = "–"


def figure_text(value: float, unit: str, u: float | None = None) -> str:
    """Return a figure with its doubt (k = 2) and its unit.

    Parameters
    ----------
    value : float
        In the unit.
    unit : {'mm', 'cm3', 'deg', 'bar'}
    u : float or None, optional
        Standard uncertainty in the same unit.

    Returns
    -------
    str
    """
    system = store.system()
    if unit == "mm":
        return f"{system.lengths(value, u)}\u00a0{system.length}"
    if unit == "cm3":
        text = system.volumes(value) if u is None or system.name == "inch" else with_doubt(value, u, 2)
        return f"{text}\u00a0{system.volume}"
    return f"{with_doubt(value, u, DECIMALS[unit])}{SIGNS[unit]}"


def fact_text(fact: EngineFact) -> str:
    """Return a figure of an engine as text."""
    return figure_text(fact.value, fact.unit, fact.u)


def doubt_text(u: float, unit: str) -> str:
    """Return a doubt (k = 2) alone."""
    if unit == "mm":
        system = store.system()
        size = number_text(COVERAGE * u * system.per_mm, system.length_decimals + 1)
        return f"± {size}\u00a0{system.length}"
    sign = "\u00a0cm³" if unit == "cm3" else SIGNS[unit]
    return f"± {number_text(COVERAGE * u, DECIMALS[unit])}{sign}"


def off_text(value: float | None, unit: str) -> str:
    """Return by how much something is off; a dash if that has no meaning."""
    if value is None:
        return DASH
    if unit == "mm":
        system = store.system()
        return f"{number_text(value * system.per_mm, system.length_decimals + 1)}\u00a0{system.length}"
    sign = "\u00a0cm³" if unit == "cm3" else SIGNS[unit]
    return f"{number_text(value, DECIMALS[unit])}{sign}"
