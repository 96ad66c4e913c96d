"""The archive's page: keep the open job, find one, look at it, open a copy, compare it, repeat it."""

from __future__ import annotations

from html import escape

import streamlit as st

from portmap.app import archive_add, archive_find, archived, said, store
from portmap.app.compared_rows import show_compared
from portmap.app.row_tables import show_rows
from portmap.app.telling import show_care, show_trouble
from portmap.app.texts import say
from portmap.archive import Archive, Entry, archived_document, opened_archive
from portmap.archive_search import archive_count
from portmap.carried import Datum, Way
from portmap.compare import Side, compared, compared_degrees
from portmap.comparison_rows import laid_words
from portmap.errors import PortmapError
from portmap.job import Job, engine_of, job_of, port_map_of
from portmap.job_faults import document_of
from portmap.job_pictures import pictures_of
from portmap.port import Stage
from portmap.repeat import Repeat, repeated
from portmap.repeat_document import with_repeat
from portmap.repeat_rows import lacking_words, repeat_columns, repeat_rows, transfer_words
from portmap.roof_figures import CARE_LINE
from portmap.standing import standing_of

__all__ = ["page"]

MOST_PICTURES = 24
LINES = ("known", "decided", "ground", "next", "missing")
SAME_BORE = 1e-9  # of the bore


def page() -> None:
    """Draw the page."""
    st.title(say("archive.title"), anchor=False)
    said.show("archive")
    opened = store.open_job()
    if not archived.is_there():
        archive_add.offer(None, opened)
        return
    try:
        with opened_archive(create=False) as archive:
            _show(archive, opened)
    except PortmapError as error:
        show_trouble(error)


def _show(archive: Archive, opened: store.OpenJob | None) -> None:
    count = archive_count(archive)
    st.caption(said.plain(say("archive.where", where=archive.where, count=count)))
    archive_add.offer(archive, opened)
    if not count:
        st.info(say("archive.empty"))
        return
    found = archive_find.found_jobs(archive, None if opened is None else opened.job)
    if not found:
        st.info(say("archive.nothing"))
        return
    entry = archive_find.chosen_entry(found)
    job = job_of(archived_document(archive, entry.id))
    _show_job(archive, entry, job)
    st.divider()
    if opened is None:
        st.info(say("archive.nojob"))
        return
    st.markdown(said.plain(say("archive.athand", name=opened.job.name)))
    what = st.segmented_control(
        say("archive.with"),
        ["compare", "repeat"],
        key="archive with",
        label_visibility="collapsed",
        format_func=lambda name: say(f"archive.with.{name}"),
    )
    if what == "compare":
        _compare(job, opened.job)
    elif what == "repeat":
        _repeat(entry, job, opened)


def _show_job(archive: Archive, entry: Entry, job: Job) -> None:
    """Say where an archived job stands, show its pictures and offer a copy."""
    st.subheader(said.plain(entry.name), anchor=False)
    standing = standing_of(job, store.system())
    lines = [f"**{say(f'archive.{name}')}** {said.plain(getattr(standing, name))}" for name in LINES]
    st.markdown("  \n".join(lines))
    pictures = pictures_of(job)
    if pictures:
        with st.expander(
            say("archive.pictures", count=len(pictures)), icon=":material/photo_library:", expanded=True
        ):
            with st.spinner(say("archive.pictures.reading")):
                shown = [archived.shown_picture(archive, one) for one in pictures[:MOST_PICTURES]]
            st.html(_gallery(shown))
            if len(pictures) > MOST_PICTURES:
                st.caption(say("archive.pictures.more", count=len(pictures) - MOST_PICTURES))
    st.button(
        say("archive.open"),
        key="archive open",
        icon=":material/folder_open:",
        help=say("archive.open.help"),
        on_click=_open_copy,
        args=(entry.id, entry.name),
    )


def _gallery(shown: list[archived.ShownPicture]) -> str:
    figures = []
    for one in shown:
        name = escape(one.name)
        inside = (
            f'<img src="{escape(one.address)}" alt="{name}" style="max-width:100%;max-height:22rem">'
            if one.address
            else f"<p>{escape(say('archive.pictures.trouble', why=one.trouble))}</p>"
        )
        figures.append(f'<figure style="margin:0">{inside}<figcaption>{name}</figcaption></figure>')
    grid = "display:grid;grid-template-columns:repeat(auto-fill,minmax(14rem,1fr));gap:1rem"
    return f'<div style="{grid}">{"".join(figures)}</div>'


def _open_copy(number: int, name: str) -> None:
    try:
        with opened_archive(create=False) as archive:
            place = archived.copied_entry(archive, number, name)
        store.open_at(place)
    except PortmapError as error:
        said.fault_said("archive", error)
        return
    said.put("archive", "done", say("archive.open.done", name=place.name))


def _compare(good: Job, own: Job) -> None:
    """Show the figures of a map of the archived job (a) and of one of the job at hand (b)."""
    if not good.maps or not own.maps:
        st.info(say("archive.compare.nomap"))
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        first = _stage("archive.compare.a", good, key="archive a")
        second = _stage("archive.compare.b", own, key="archive b")
    a, b = _side(good, first), _side(own, second)
    try:
        if abs(a.bore_mm - b.bore_mm) > SAME_BORE * a.bore_mm:
            st.info(say("ground.degrees"))
            found = compared_degrees(a, b)
        else:
            found = compared(a, b)
    except PortmapError as error:
        show_trouble(error)
        return
    system = store.system()
    st.caption(said.plain(laid_words(found, system)))
    show_compared(found, system, key="archive all")
    for letter, names in (("a", found.only_a), ("b", found.only_b)):
        if names:
            st.markdown(said.plain(say(f"ground.only.{letter}", ports=", ".join(names))))


def _stage(words: str, job: Job, *, key: str) -> Stage:
    stages: list[Stage] = [entry.stage for entry in job.maps]
    chosen: Stage = st.selectbox(say(words), stages, index=len(stages) - 1, key=f"{key} {' '.join(stages)}")
    return chosen


def _side(job: Job, stage: Stage) -> Side:
    return Side(
        name=job.name, port_map=port_map_of(job, stage), bore_mm=job.engine.bore_mm, engine=engine_of(job)
    )


def _repeat(entry: Entry, good: Job, opened: store.OpenJob) -> None:
    """Show the archived job's ports on the casting at hand, and offer them as its proposed map."""
    show_care(CARE_LINE)
    st.markdown(say("archive.repeat.how"))
    way: Way = st.segmented_control(
        say("archive.way"),
        ["degrees", "mm"],
        default="degrees",
        required=True,
        key="archive way",
        format_func=lambda name: say(f"archive.way.{name}"),
    )
    datum: Datum = "crown"
    if way == "mm":
        datum = st.segmented_control(
            say("archive.datum"),
            ["crown", "base", "ports"],
            default="crown",
            required=True,
            key="archive datum",
            format_func=lambda name: say(f"archive.datum.{name}"),
        )
    try:
        found = repeated(good, opened.job, way=way, datum=datum)
    except PortmapError as error:
        show_trouble(error)
        return
    system = store.system()
    show_rows(repeat_columns(system), repeat_rows(found.ports, system), title=say("archive.repeat.rows"))
    for lines in (
        lacking_words(found.ports, system, deepest_alone=True),
        [notice.message for notice in found.notices],
    ):
        if lines:
            st.warning("\n".join(f"- {said.plain(line)}" for line in lines))
    st.caption(said.plain(transfer_words(found.u_mm, system)))
    proposed = bool(opened.job.edits) or any(one.stage == "proposed" for one in opened.job.maps)
    instead = proposed and st.checkbox(say("archive.instead"), key="archive instead")
    st.button(
        say("archive.take"),
        key="archive take",
        type="primary",
        disabled=proposed and not instead,
        on_click=_take,
        args=(entry, found),
    )


def _take(entry: Entry, found: Repeat) -> None:
    """Make the repeat the open job's proposed map."""
    opened = store.open_job()
    if opened is None:
        return
    source = {"uid": entry.uid, "job": entry.name, "form": entry.form}
    try:
        changed = with_repeat(document_of(opened.job), found, source=source, replace_proposed=True)
        saved = store.save(job_of(changed), say("archive.take.why", id=entry.id))
    except PortmapError as error:
        said.fault_said("archive", error)
        return
    if saved.saved:
        said.put("archive", "done", say("archive.take.done", name=saved.path.name))
