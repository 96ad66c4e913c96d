"""What a page has to say about the last thing done: kept over the rerun, shown where the user is.

It is kept until a page has been drawn whole with it: a run that is broken off has shown it to nobody.
"""

from __future__ import annotations

from typing import Literal

import streamlit as st

from portmap.errors import JobError, PortmapError

__all__ = ["end_run", "fault_said", "plain", "put", "show"]

Kind = Literal["done", "fault", "note"]

_KEY, _SHOWN = "portmap.said", "portmap.said.shown"


def put(place: str, kind: Kind, words: str) -> None:
    """Have something said at a place of a page when it is drawn next."""
    st.session_state.setdefault(_KEY, {})[place] = (kind, words)
    st.session_state.setdefault(_SHOWN, set()).discard(place)


def fault_said(place: str, error: PortmapError) -> None:
    """Have every fault of an error said at a place, each in a line of its own."""
    faults = error.faults if isinstance(error, JobError) and error.faults else (error,)
    put(place, "fault", "\n".join(str(fault) for fault in faults))


def show(place: str) -> None:
    """Say what there is to say at this place."""
    kind, words = st.session_state.get(_KEY, {}).get(place, ("", ""))
    if not words:
        return
    st.session_state.setdefault(_SHOWN, set()).add(place)
    # plain lines: what a file or a person wrote is no markup
    text = "  \n".join(plain(line) for line in words.split("\n"))
    if kind == "fault":
        st.error(text)
    elif kind == "done":
        st.success(text)
    else:
        st.info(text)


def end_run() -> None:
    """Forget what was shown, now that the whole page is drawn."""
    for place in st.session_state.pop(_SHOWN, set()):
        st.session_state.get(_KEY, {}).pop(place, None)


def plain(text: str) -> str:
    """Return text with everything escaped that Markdown would take for its own."""
    return "".join(f"\\{letter}" if letter in "\\`*_{}[]<>()#+-.!|$:~" else letter for letter in text)
