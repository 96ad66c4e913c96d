"""The part of the archive's page that keeps the open job, as a job of its own or a later form of one."""

from __future__ import annotations

import streamlit as st

from portmap.app import said, store
from portmap.app.texts import say
from portmap.archive import Archive, Entry, add_job, opened_archive
from portmap.archive_search import Search, searched
from portmap.archive_tables import archive_url, shown_url
from portmap.errors import PortmapError
from portmap.job_faults import read_kind
from portmap.pack import job_picture_bytes
from portmap.revisions import writer

__all__ = ["offer"]

MOST_NAMESAKES = 20
OF_ITS_OWN = 0  # no entry's number


def offer(archive: Archive | None, opened: store.OpenJob | None) -> None:
    """Offer to keep the open job; None for an archive that there is not yet, and that this would make."""
    if opened is None:
        if archive is None:
            st.info(say("archive.none"))
        return
    if archive is None:
        st.info(said.plain(say("archive.none.job", where=shown_url(archive_url()))))
    namesakes = () if archive is None else _namesakes(archive, opened.job.name)
    onto = OF_ITS_OWN
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if namesakes:
            names = {
                entry.id: say("archive.add.form", which=f"{entry.id} · {entry.day}") for entry in namesakes
            }
            names[OF_ITS_OWN] = say("archive.add.new")
            onto = st.selectbox(
                said.plain(say("archive.add.as", name=opened.job.name)),
                [*names],
                key="archive onto",
                format_func=names.__getitem__,
            )
        st.button(
            say("archive.add"),
            key="archive add",
            icon=":material/archive:",
            help=say("archive.add.help"),
            disabled=not opened.saved,
            on_click=_add,
            args=(onto or None,),
        )
    if not opened.saved:
        st.caption(say("archive.add.unsaved"))


def _namesakes(archive: Archive, name: str) -> tuple[Entry, ...]:
    found = searched(archive, Search(words=name, limit=MOST_NAMESAKES))
    return tuple(one.entry for one in found if one.entry.name == name)


def _add(onto: int | None) -> None:
    """Keep the open job's file and its pictures in the archive."""
    opened = store.open_job()
    if opened is None:
        return
    try:
        # what the file holds, letter for letter, as the command line would add it
        document = read_kind(opened.path, "job")
        with opened_archive() as archive:
            done = add_job(
                archive,
                document,
                lambda picture: job_picture_bytes(opened.path, picture),
                onto=onto,
                by=writer(),
            )
    except PortmapError as error:
        said.fault_said("archive", error)
        return
    words = "archive.add.done" if done.new else "archive.add.known"
    said.put("archive", "done", say(words, id=done.entry.id, form=done.entry.form))
