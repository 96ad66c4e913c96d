"""What differs between two maps, as a table on a page: at first what does so beyond doubt."""

from __future__ import annotations

from collections.abc import Iterable

import streamlit as st

from portmap.app.row_tables import show_rows
from portmap.app.texts import say
from portmap.compare import Comparison
from portmap.comparison_rows import port_rows, span_rows
from portmap.shown import UnitSystem

__all__ = ["show_compared"]

COLUMNS = ("what", "change", "a", "b", "sure")
SURE = "yes"  # as rows of a comparison say it


def show_compared(found: Comparison, system: UnitSystem, *, key: str) -> None:
    """Show what changed: at first what did so beyond doubt, the rest if asked for.

    Parameters
    ----------
    found : Comparison
    system : UnitSystem
    key : str
        Of the switch that shows the rest.
    """
    rows = [*_named(row for port in found.ports for row in port_rows(port, system))]
    rows += _named(span_rows(found, system))
    sure = [row for row in rows if row[-1] == SURE]
    every = st.toggle(
        say("ground.all", count=len(rows) - len(sure)), key=key, value=not sure, disabled=not sure
    )
    shown = rows if every or not sure else sure
    show_rows([say(f"ground.{name}") for name in COLUMNS], shown, title=say("ground.figures"))


def _named(rows: Iterable[list[str]]) -> list[list[str]]:
    """Return rows of what, change, a, b, whether beyond doubt; each carries its port's name."""
    named: list[list[str]] = []
    name = ""
    for port, figure, a, b, change, sure in rows:
        name = port or name
        named.append([f"{name}: {figure}", change, a, b, sure])
    return named
