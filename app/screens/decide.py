"""The page where work is decided on: try work, reach a wish, how sure, time enough at speed, cold start."""

from __future__ import annotations

from importlib import import_module

import streamlit as st

from portmap.app import frame
from portmap.app.telling import offer_drawings, show_care, show_trouble
from portmap.app.texts import say
from portmap.commands.work import CARE
from portmap.errors import PortmapError
from portmap.shopwork import build_of

__all__ = ["page"]

PARTS = {
    "plan": "planning",
    "effects": "effects",
    "try": "trying",
    "sure": "sureness",
    "breath": "breathing",
    "cold": "cold",
}


def page() -> None:
    """Draw the page."""
    st.title(say("decide.title"))
    opened = frame.needed_job()
    if opened is None:
        return
    if not opened.job.maps and not opened.job.edges:
        st.info(say("decide.noports"))
        return
    show_care(CARE)
    offer_drawings(say("drawing.offer.decide"), "squish")
    part = st.segmented_control(
        say("decide.part"),
        list(PARTS),
        key="decide part",
        default="plan",
        required=True,
        format_func=lambda name: say(f"decide.part.{name}"),
    )
    try:
        import_module(f"portmap.app.deciding.{PARTS[part]}").show(opened, build_of(opened.job))
    except PortmapError as error:
        show_trouble(error)
    frame.next_page("decide")
