"""What a little of each kind of work does to each figure."""

from __future__ import annotations

from typing import Any

import streamlit as st

from portmap.app import store
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, show_basis
from portmap.app.texts import say
from portmap.effects import work_document
from portmap.shopwork import Build
from portmap.work_rows import effect_tables

__all__ = ["show"]

SIZES = ("per_0_1_mm", "per_10_thou")
KEPT = "portmap.effects"


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
    for each in effect_tables(document["effects"], build.edges, system):
        if each.size == size or "angle-areas" in each.title:
            show_rows(each.columns, each.rows, title=each.title)
            if each.idle:
                st.caption(plain(say("decide.effects.idle", work=", ".join(each.idle))))
    explain_figures(("opens", "blowdown", "squish", "gasket", "timearea", "source"))
    show_basis(document)


def _document(opened: store.OpenJob, build: Build) -> dict[str, Any]:
    """Return the effects, worked out once for a job."""
    known = st.session_state.get(KEPT)
    if known is None or known[0] is not opened.job:
        known = (opened.job, work_document(build, (), (), table=True))
        st.session_state[KEPT] = known
    found: dict[str, Any] = known[1]
    return found
