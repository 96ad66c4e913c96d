"""What stands around every page: the open job, what of it is saved, the units, the way to the next page."""

from __future__ import annotations

import streamlit as st

from portmap.app import store
from portmap.app.texts import say

__all__ = ["job_bar"]


def job_bar(note: str, fault: str) -> None:
    """Draw the bar that says which job is open and whether the file holds it.

    Parameters
    ----------
    note : str
        What `store.refresh` had to say.
    fault : str
        Why the job that was asked for could not be opened.
    """
    with st.container(horizontal=True, vertical_alignment="center", key="jobbar"):
        opened = store.open_job()
        if opened is None:
            st.markdown(f"**{say('job.none')}**")
        else:
            st.markdown(f"**{opened.job.name}**")
            if opened.saved:
                st.caption(say("job.saved", name=opened.path.name))
            st.button(say("job.undo"), key="undo", on_click=store.undo, disabled=not store.ways_back())
            st.button(say("job.redo"), key="redo", on_click=store.redo, disabled=not store.ways_forward())
        st.segmented_control(
            say("units.label"),
            ["mm", "inch"],
            key=store.UNITS,
            required=True,
            label_visibility="collapsed",
        )
    if fault:
        st.error(fault)
    if note:
        st.info(note)
    if opened is not None and not opened.saved:
        _trouble(opened)


def _trouble(opened: store.OpenJob) -> None:
    """Say why the file does not hold what is on the screen, and offer the ways out."""
    words = [say("job.unsaved", name=opened.path.name), opened.trouble]
    if opened.aside is not None:
        words.append(say("job.aside", name=opened.aside.name))
    st.error(" ".join(words))
    with st.container(horizontal=True):
        if opened.aside is not None:
            st.button(say("job.keep"), key="keep", help=say("job.keep.help"), on_click=store.keep_mine)
            st.button(
                say("job.theirs"), key="theirs", help=say("job.theirs.help"), on_click=store.take_theirs
            )
        else:
            st.button(say("job.again"), key="again", on_click=store.save, args=(opened.job, opened.why))
