"""What stands around every page: the open job, what of it is saved, the units, the way to the next page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from portmap.app import store
from portmap.app.said import plain
from portmap.app.texts import say
from portmap.app_home import app_folder

if TYPE_CHECKING:
    from streamlit.navigation.page import StreamlitPage

__all__ = ["job_bar", "link_to", "needed_job", "next_page", "use_pages"]

PAGES = "portmap.pages"


def use_pages(pages: dict[str, StreamlitPage]) -> None:
    """Take the pages of this run, by name, in the porter's order.

    They are the session's own: Streamlit notes in a page that it was chosen, and lets it be drawn once. Of
    two sessions with one page between them the second would get an error in its place.
    """
    st.session_state[PAGES] = pages


def _pages() -> dict[str, StreamlitPage]:
    found: dict[str, StreamlitPage] = st.session_state.get(PAGES, {})
    return found


def job_bar(note: str, fault: str) -> None:
    """Draw the bar that says which job is open and whether the file holds it.

    Parameters
    ----------
    note : str
        What `store.refresh` had to say.
    fault : str
        Why the job that was asked for could not be opened.
    """
    st.html(app_folder() / "look.css")
    opened = store.open_job()
    with st.container(horizontal=True, vertical_alignment="center", key="jobbar"):
        if opened is None:
            st.markdown(say("job.none"))
        else:
            words = say("job.saved" if opened.saved else "job.unsaved", name=opened.path.name)
            st.markdown(f"**{plain(opened.job.name)}**  \n:small[{plain(words)}]")
        with st.container(horizontal=True, width="content", vertical_alignment="center"):
            if opened is not None:
                st.button(
                    say("job.undo"),
                    key="undo",
                    icon=":material/undo:",
                    help=say("job.undo.help"),
                    on_click=store.undo,
                    disabled=not store.ways_back(),
                )
                st.button(
                    say("job.redo"),
                    key="redo",
                    icon=":material/redo:",
                    help=say("job.redo.help"),
                    on_click=store.redo,
                    disabled=not store.ways_forward(),
                )
            st.segmented_control(
                say("units.label"),
                ["mm", "inch"],
                key=store.UNITS,
                required=True,
                label_visibility="collapsed",
            )
    if fault:
        st.error(plain(fault))
    if note:
        st.info(plain(note))
    if opened is not None and not opened.saved:
        _trouble(opened)


def needed_job() -> store.OpenJob | None:
    """Return the open job; without one, say where to open it and return None."""
    opened = store.open_job()
    if opened is None:
        st.info(say("job.needed"))
        link_to("cylinder")
    return opened


def link_to(name: str, words: str = "") -> None:
    """Draw a link to a page."""
    pages = _pages()
    if name in pages:
        st.page_link(pages[name], label=words or say(f"page.{name}"), icon=":material/arrow_forward:")


def next_page(after: str) -> None:
    """Draw the way to the page that comes after this one."""
    names = list(_pages())
    if after in names[:-1]:
        following = names[names.index(after) + 1]
        st.divider()
        link_to(following, say("page.next", page=say(f"page.{following}")))


def _trouble(opened: store.OpenJob) -> None:
    """Say why the file does not hold what is on the screen, and offer the ways out."""
    words = [opened.trouble]
    if opened.aside is not None:
        words.append(say("job.aside", name=opened.aside.name))
    st.error(plain(" ".join(words)), icon=":material/warning:")
    with st.container(horizontal=True):
        if opened.aside is not None:
            for key, choose in (("keep", store.keep_mine), ("theirs", store.take_theirs)):
                st.button(say(f"job.{key}"), key=key, help=say(f"job.{key}.help"), on_click=choose)
        else:
            st.button(say("job.again"), key="again", on_click=store.save, args=(opened.job, opened.why))
            st.download_button(
                say("job.rescue"), store.content_of(opened.job), file_name=opened.path.name, key="rescue"
            )
