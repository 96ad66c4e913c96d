"""Cards to print: the one that goes with the photo."""

from __future__ import annotations

from typing import get_args

import streamlit as st

from portmap.app import printed, said, store
from portmap.app.texts import say
from portmap.errors import PortmapError
from portmap.job_typed import length_typed
from portmap.picture.card import Paper

__all__ = ["cards"]

KINDS = ("flat", "ring", "strip")
STRIP_HEIGHT_MM = 20.0


def cards() -> None:
    """Offer the cards."""
    kind = st.radio(
        say("card.which"),
        KINDS,
        format_func=lambda one: say(f"card.{one}"),
        key="card kind",
        captions=[say(f"card.{one}.for") for one in KINDS],
    )
    papers: tuple[Paper, ...] = get_args(Paper)
    paper, bore_mm, size = papers[0], 0.0, ""
    try:
        if kind == "flat":
            paper = st.radio(say("card.paper"), papers, horizontal=True, key="card paper")
            size = paper
        else:
            opened = store.open_job()
            bore = st.text_input(
                f"{say('photo.bore.size')}, {store.system().length}",
                value="" if opened is None else store.system().lengths(opened.job.engine.bore_mm),
                key=f"card bore {store.system().name}",
            )
            if not bore.strip():
                st.caption(say("card.needs.bore"))
                return
            bore_mm = length_typed(
                bore, where=say("photo.bore.size"), sign="positive", bare=store.system().name
            )
            size = f"{bore_mm:g}"
        content = _pdf(kind, paper, bore_mm)
    except PortmapError as error:
        st.error(said.plain(str(error)))
        return
    st.download_button(
        say("card.download"),
        content,
        file_name=f"card-{kind}-{size}.pdf",
        mime="application/pdf",
        icon=":material/download:",
        key="card download",
    )
    st.caption(say("card.print"))


@st.cache_data(max_entries=12, show_spinner=False)
def _pdf(kind: printed.CardKind, paper: Paper, bore_mm: float) -> bytes:
    return printed.card_file(kind, paper=paper, bore_mm=bore_mm, height_mm=STRIP_HEIGHT_MM)
