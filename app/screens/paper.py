"""The page paper, to come."""

from __future__ import annotations

import streamlit as st

from portmap.app.texts import say

__all__ = ["page"]


def page() -> None:
    """Say that the page isn't ready."""
    st.info(say("page.notready"))
