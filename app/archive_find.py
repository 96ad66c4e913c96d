"""The part of the archive's page that finds jobs: by words and bore, or by ports like those at hand."""

from __future__ import annotations

from typing import get_args

import streamlit as st

from portmap.app import store
from portmap.app.row_tables import show_rows
from portmap.app.texts import say
from portmap.archive import Archive, Entry
from portmap.archive_facts import shapes_of
from portmap.archive_search import Found, Range, Search, searched, similar
from portmap.job import Job
from portmap.job_typed import length_typed
from portmap.port import Stage

__all__ = ["chosen_entry", "found_jobs"]

MOST_FOUND, MOST_ALIKE = 50, 20


def found_jobs(archive: Archive, job: Job | None) -> tuple[Found, ...]:
    """Let somebody say what is looked for, and return the jobs that have it."""
    stages = [] if job is None else [stage for stage in get_args(Stage) if stage in shapes_of(job)]
    if job is None or not stages:
        return _worded(archive)
    how = st.segmented_control(
        say("archive.find"),
        ["words", "like"],
        default="words",
        required=True,
        key="archive find",
        format_func=lambda name: say(f"archive.find.{name}"),
    )
    return _alike(archive, job, stages) if how == "like" else _worded(archive)


def _worded(archive: Archive) -> tuple[Found, ...]:
    """Let words and a range of bores be typed, and return what they find."""
    system = store.system()
    words = st.text_input(say("archive.words"), key="archive words", help=say("archive.words.help"))
    with st.container(horizontal=True):
        low, high = (
            st.text_input(say(f"archive.bore.{end}", unit=system.length), key=f"archive {end}", width=180)
            for end in ("from", "to")
        )
    ends = [
        length_typed(text, where=say("archive.bore.where"), sign="positive", bare=system.name)
        if text.strip()
        else limit
        for text, limit in ((low, 0.0), (high, float("inf")))
    ]
    bores = (Range(figure="bore_mm", low=ends[0], high=ends[1]),) if low.strip() or high.strip() else ()
    return searched(archive, Search(words=words, ranges=bores, limit=MOST_FOUND))


def _alike(archive: Archive, job: Job, stages: list[Stage]) -> tuple[Found, ...]:
    """Return the jobs whose ports lie most as those of the job at hand, engines of any size."""
    stage: Stage = st.selectbox(
        say("archive.alike"), stages, key=f"archive alike {' '.join(stages)}", help=say("archive.alike.help")
    )
    return similar(archive, shapes_of(job)[stage], stage=stage, limit=MOST_ALIKE)


def chosen_entry(found: tuple[Found, ...]) -> Entry:
    """Show what was found, and return the one that was chosen."""
    system = store.system()
    alike = any(one.likeness is not None for one in found)
    heads = [say(f"archive.{name}") for name in ("id", "name", "day", "state")]
    heads.append(say("archive.size", unit=system.length))
    show_rows(
        [*heads, *([say("archive.likeness")] if alike else [])],
        [_cells(one) for one in found],
        title=say("archive.found", count=len(found)),
        words=(0, 1, 3),  # a day is not to be broken
    )
    if len(found) == MOST_FOUND:
        st.caption(say("archive.more", count=MOST_FOUND))
    entries = {one.entry.id: one.entry for one in found}
    names = {number: f"{number} · {entry.name} · {entry.day}" for number, entry in entries.items()}
    return entries[
        st.selectbox(say("archive.which"), [*entries], key="archive job", format_func=names.__getitem__)
    ]


def _cells(found: Found) -> list[str]:
    system, entry = store.system(), found.entry
    size = f"{system.lengths(entry.bore_mm)} × {system.lengths(entry.stroke_mm)}"
    cells = [str(entry.id), entry.name, entry.day, entry.state or "", size]
    return cells if found.likeness is None else [*cells, f"{100 * found.likeness:.0f} %"]
