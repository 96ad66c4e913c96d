"""What was asked for and is not done yet.

A press of a button counts for one run of a page, and a run is broken off as soon as the browser has something
else to say: another field touched, an upload that ends, a connection that comes back. What the press asked
for would be lost with it. So no page looks whether its button was pressed in this run. The press leaves a
wish in the session (`ask`, as the button's callback), the page does what `is_asked` with what its fields say
then, and the wish goes when the work is done or has failed (`at_work`).

A wish lives as long as the place where it was asked: one that no page looked at in a whole run goes, as
Streamlit forgets the fields of a page that was left.

Glossary
--------
broken off
    A run of the page that ends before the page is drawn, for another one to begin.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import streamlit as st

__all__ = [
    "ask",
    "ask_whole_page",
    "at_work",
    "begin_run",
    "draw_whole_page",
    "end_run",
    "forget",
    "is_asked",
]

ASKED, LOOKED = "portmap.asked", "portmap.asked.looked"
WHOLE_PAGE = "whole page"


def ask(what: str) -> None:
    """Keep a wish until it is done: for the callback of a button."""
    st.session_state[ASKED] = _wishes() | {what}


def is_asked(what: str) -> bool:
    """Return whether something was asked for and is not done yet."""
    st.session_state[LOOKED] = st.session_state.get(LOOKED, frozenset()) | {what}
    return what in _wishes()


def forget(what: str) -> None:
    """Let go of a wish, as there is nothing to be done."""
    st.session_state[ASKED] = _wishes() - {what}


@contextmanager
def at_work(what: str) -> Iterator[None]:
    """Do what was asked for: the wish goes when that is done or has failed, and stays if it is broken off.

    Streamlit breaks a run off by an exception that is no `Exception`; work that failed would fail again.
    """
    try:
        yield
    except Exception:
        forget(what)
        raise
    forget(what)


def ask_whole_page() -> None:
    """From a part of a page that is drawn by itself: have the rest drawn anew too, as the job's bar."""
    ask(WHOLE_PAGE)


def draw_whole_page() -> None:
    """At the head of a part that is drawn by itself: leave it for the whole page if that was asked for."""
    if WHOLE_PAGE in _wishes():
        st.rerun()


def begin_run() -> None:
    """Note that the whole page is being drawn."""
    forget(WHOLE_PAGE)
    st.session_state[LOOKED] = frozenset()


def end_run() -> None:
    """Forget what no page looked at, now that the whole page is drawn."""
    st.session_state[ASKED] = _wishes() & st.session_state.get(LOOKED, frozenset())


def _wishes() -> frozenset[str]:
    found: frozenset[str] = st.session_state.get(ASKED, frozenset())
    return found
