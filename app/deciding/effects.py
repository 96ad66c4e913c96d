"""What a little of each kind of work does to each figure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from portmap.app import store
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, show_basis
from portmap.app.texts import say
from portmap.effects import work_document
from portmap.shopwork import Build
from portmap.work_rows import EffectTable, effect_tables

__all__ = ["show"]

SIZES = ("per_0_1_mm", "per_10_thou")
KEPT = "portmap.effects"
DASH = "–"
OPENS = " opens"  # how the heads of opening degrees end


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    system = store.system()
    st.markdown(say("decide.effects.how"))
    size = st.segmented_control(
        say("decide.effects.size"),
        SIZES,
        key=f"decide size {system.name}",
        default=SIZES[system.name == "inch"],
        required=True,
        format_func=lambda name: say(f"decide.effects.size.{name}"),
    )
    document = _document(opened, build)
    needs = {_label(one): " / ".join(one["needs"]) or DASH for one in document["effects"]}
    for each in effect_tables(document["effects"], build.edges, system):
        if each.size == size or "angle-areas" in each.title:
            _show(each, needs)
    explain_figures(("opens", "blowdown", "squish", "gasket", "timearea", "source"))
    show_basis(document)


def _label(effect: Mapping[str, Any]) -> str:
    """Return the name that rows have for a kind of work."""
    return " ".join(part for part in (effect["operation"], effect.get("port")) if part)


def _words(label: str) -> str:
    """Return a kind of work as a porter says it."""
    kind, _, port = label.partition(" ")
    return f"{say(f'decide.kind.{kind}')} {port}".strip()


def _show(table: EffectTable, needs: Mapping[str, str]) -> None:
    """Draw a table, the ports' openings apart from the engine's figures, so that neither is too broad."""
    places = range(1, len(table.columns))
    opens = [place for place in places if table.columns[place].endswith(OPENS)]
    engine = [place for place in places if place not in opens]
    for number, chosen in enumerate(each for each in (engine, opens) if each):
        columns = [say("decide.work"), say("decide.effects.with"), *(table.columns[n] for n in chosen)]
        rows = [
            [_words(row[0]), needs[row[0]], *("" if row[n] == "0" else row[n] for n in chosen)]
            for row in table.rows
        ]
        moved = [row for row in rows if any(row[2:])]  # what does not move stays empty
        title = table.title if number == 0 else say("decide.effects.opens")
        show_rows(columns, moved, title=title, words=(0, 1))
    if table.idle:
        idle = ", ".join(_words(label) for label in table.idle)
        st.caption(plain(say("decide.effects.idle", work=idle)))


def _document(opened: store.OpenJob, build: Build) -> dict[str, Any]:
    """Return the effects, worked out once for a job."""
    known = st.session_state.get(KEPT)
    if known is None or known[0] is not opened.job:
        known = (opened.job, work_document(build, (), (), table=True))
        st.session_state[KEPT] = known
    found: dict[str, Any] = known[1]
    return found
