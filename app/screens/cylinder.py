"""The page of the cylinder at hand: open a job, start one, look at what is known of its engine."""

from __future__ import annotations

from datetime import date
from functools import partial

import streamlit as st

from portmap.app import frame, said, store
from portmap.app.row_tables import show_rows
from portmap.app.shown import DASH, fact_text, figure_text
from portmap.app.texts import say
from portmap.engine_facts import engine_facts
from portmap.errors import PortmapError
from portmap.job import Job
from portmap.job_review import missing_fields, reviewed
from portmap.job_typed import TYPED_FIGURES, TypedFigure, changed_job, typed_job
from portmap.sample_job import SAMPLE_STEM, sample_job

__all__ = ["page"]

JOB_LIMIT_MB = 64


def page() -> None:
    """Draw the page."""
    st.title(say("cylinder.title"), anchor=False)
    opened = store.open_job()
    if opened is None:
        _ways_in()
        return
    said.show("cylinder")
    _facts(opened.job)
    _lacks(opened.job)
    with st.expander(say("cylinder.change"), icon=":material/edit:"):
        _figures_form(opened)
    with st.expander(say("cylinder.other"), icon=":material/folder_open:"):
        st.button(say("cylinder.close"), key="close", on_click=store.close)
        _files()
    st.download_button(
        say("cylinder.download"),
        store.content_of(opened.job),
        file_name=opened.path.name,
        mime="application/json",
        icon=":material/download:",
        key="download",
    )
    frame.next_page("cylinder")


def _ways_in() -> None:
    """Offer what can be opened, a new job, the sample."""
    st.write(say("cylinder.welcome"))
    with st.container(border=True):
        st.subheader(say("cylinder.open"), anchor=False)
        said.show("open")
        recent = store.recent_jobs()
        if not recent:
            st.caption(say("cylinder.nofiles"))
        for place, name, written in recent:
            st.button(
                said.plain(f"{name} · {place.name} · {written:%d %b %Y, %H:%M}"),
                key=f"open {place.name}",
                width="stretch",
                on_click=_open,
                args=(place.name,),
            )
        with st.expander(say("cylinder.file")):
            _files()
    with st.container(border=True):
        st.subheader(say("cylinder.sample"), anchor=False)
        st.write(say("cylinder.sample.about"))
        st.button(
            say("cylinder.sample.go"),
            key="sample",
            type="primary",
            icon=":material/visibility:",
            on_click=_start_sample,
        )
    with st.container(border=True):
        st.subheader(say("cylinder.new"), anchor=False)
        st.write(say("cylinder.new.about"))
        _figures_form(None)


def _files() -> None:
    """Offer any file of the working folder, or one of this device."""
    with st.form("by path", border=False):
        st.text_input(
            say("cylinder.path"), key="path", placeholder="pump.json", help=say("cylinder.path.help")
        )
        st.form_submit_button(say("cylinder.path.go"), on_click=lambda: _open(st.session_state["path"]))
    st.file_uploader(
        say("cylinder.upload"),
        type=["json"],
        key="job upload",
        max_upload_size=JOB_LIMIT_MB,
        on_change=_take_upload,
        help=say("cylinder.upload.help"),
    )


def _open(name: str) -> None:
    try:
        store.open_at(store.place_in_folder(name))
    except PortmapError as error:
        said.fault_said("open" if store.open_job() is None else "cylinder", error)


def _take_upload() -> None:
    upload = st.session_state["job upload"]
    if upload is None:
        return
    place = "open" if store.open_job() is None else "cylinder"
    try:
        opened = store.open_upload(upload.name, upload.getvalue())
    except PortmapError as error:
        said.fault_said(place, error)
        return
    said.put("cylinder", "done", say("cylinder.upload.done", name=opened.path.name))


def _start_sample() -> None:
    try:
        store.start(sample_job(date.today().isoformat()), SAMPLE_STEM)
    except PortmapError as error:
        said.fault_said("open", error)
        return
    said.put("cylinder", "note", say("cylinder.sample.done"))


def _facts(job: Job) -> None:
    """Show the engine's figures, how sure each is and what it rests on."""
    rows = [
        [fact.words, fact_text(fact), say(f"basis.{fact.basis}"), say(f"fact.{fact.field}")]
        for fact in engine_facts(job)
    ]
    show_rows(
        [say("fact.what"), say("fact.value"), say("fact.basis"), say("fact.where")],
        rows,
        title=say("cylinder.engine", name=job.name),
        words=(0, 2, 3),
        marked=[number for number, row in enumerate(rows) if row[2] == say("basis.assumed")],
    )
    st.caption(say("fact.note"))
    if job.maps:
        ports = [
            [port.id, say(f"kind.{port.kind}"), say(f"control.{port.control}"), entry.stage]
            for entry in job.maps
            for port in entry.ports
        ]
        show_rows(
            [say("port.name"), say("port.kind"), say("port.control"), say("port.stage")],
            ports,
            title=say("cylinder.ports"),
            words=(0, 1, 2, 3),
        )


def _lacks(job: Job) -> None:
    """Say what is missing and what is worth a second look."""
    lacks = missing_fields(job)
    if lacks:
        names = {figure.field: figure.words for figure in TYPED_FIGURES}
        lines = [
            say("cylinder.lack", what=said.plain(names.get(path.rpartition(".")[2], path)), use=use)
            for path, use in lacks
        ]
        with st.expander(say("cylinder.lacks", count=len(lines)), icon=":material/help:"):
            st.markdown("\n".join(f"- {line}" for line in lines))
    try:
        notices = reviewed(job)
    except PortmapError as error:
        st.error(said.plain(str(error)))
        return
    if notices:
        with st.expander(say("cylinder.doubts", count=len(notices)), icon=":material/error:"):
            st.markdown("\n".join(f"- {said.plain(notice.message)}" for notice in notices))


def _figures_form(opened: store.OpenJob | None) -> None:
    """Draw the form of the engine's figures: of a new job, or of the open one."""
    job = None if opened is None else opened.job
    prefix = "new" if job is None else "change"
    shown = {} if job is None else _texts(job)
    said.show(prefix)
    with st.form(f"{prefix} figures", border=False):
        if job is None:
            st.text_input(say("new.name"), key="new name", placeholder=say("new.name.example"))
        needed = [figure for figure in TYPED_FIGURES if figure.needed]
        more = [figure for figure in TYPED_FIGURES if not figure.needed]
        if opened is None:
            _inputs("new", needed, shown)
            with st.expander(say("new.more")):
                _inputs("new", more, shown)
        else:
            _inputs(_tag(opened), [*needed, *more], shown)
        st.pills(
            say("new.guessed"),
            [figure.field for figure in TYPED_FIGURES],
            selection_mode="multi",
            key=f"{'new' if opened is None else _tag(opened)} guessed",
            format_func=lambda field: next(each.words for each in TYPED_FIGURES if each.field == field),
            default=None if job is None else _guessed(job),
            help=say("new.guessed.help"),
        )
        st.form_submit_button(
            say(f"{prefix}.go"),
            type="primary",
            on_click=_start_new if opened is None else partial(_change, opened),
        )


def _tag(opened: store.OpenJob) -> str:
    """Return how the inputs of the open job begin their names: anew with every version of it."""
    return f"change {opened.revision[:8]}"


def _inputs(prefix: str, figures: list[TypedFigure], shown: dict[str, str]) -> None:
    system = store.system()
    columns = st.columns(3)
    for number, figure in enumerate(figures):
        unit = system.length if figure.unit == "mm" else system.volume
        columns[number % 3].text_input(
            say("new.figure", words=figure.words.capitalize(), unit=unit),
            value=shown.get(figure.field, ""),
            key=f"{prefix} {figure.field} {system.name}",
            placeholder=say(f"example.{figure.field}.{system.name}"),
            help=say(f"fact.{figure.field}"),
        )


def _texts(job: Job) -> dict[str, str]:
    """Return what the form shows of a job's figures."""
    found = {}
    for figure in TYPED_FIGURES:
        part = job.engine if figure.part == "engine" else job.cylinder
        value = getattr(part, figure.field)
        stated = figure.field in part.model_fields_set
        found[figure.field] = "" if value is None or not stated else figure_text(value, figure.unit)
    return {field: text.replace("\u00a0", " ") for field, text in found.items()}


def _guessed(job: Job) -> list[str]:
    basis = {**job.engine.basis, **job.cylinder.basis}
    return [field for field, how in basis.items() if how == "assumed"]


def _typed(prefix: str) -> dict[str, str]:
    name = store.system().name
    return {
        figure.field: str(st.session_state.get(f"{prefix} {figure.field} {name}", ""))
        for figure in TYPED_FIGURES
    }


def _start_new() -> None:
    name = str(st.session_state.get("new name", ""))
    texts = {field: text for field, text in _typed("new").items() if text.strip()}
    try:
        job = typed_job(
            name,
            texts,
            guessed=st.session_state.get("new guessed") or (),
            bare=store.system().name,
            created=date.today().isoformat(),
        )
        opened = store.start(job, store.file_stem(name))
    except PortmapError as error:
        said.fault_said("new", error)
        return
    said.put("cylinder", "done", say("new.done", name=opened.path.name))


def _change(opened: store.OpenJob) -> None:
    """Put into the job what was typed anew, and what is now called guessed or measured."""
    job, tag = opened.job, _tag(opened)
    before, guessed = _texts(job), st.session_state.get(f"{tag} guessed") or []
    texts = {field: text for field, text in _typed(tag).items() if text != before[field]}
    for field in set(guessed) ^ set(_guessed(job)):
        figure = next(each for each in TYPED_FIGURES if each.field == field)
        value = getattr(job.engine if figure.part == "engine" else job.cylinder, field)
        if field not in texts and value is not None:
            texts[field] = f"{value!r} {'mm' if figure.unit == 'mm' else 'cm3'}"  # the figure itself stays
    if not texts:
        said.put("change", "note", say("change.none"))
        return
    try:
        changed = changed_job(job, texts, guessed=guessed, bare=store.system().name)
    except PortmapError as error:
        said.fault_said("change", error)
        return
    names = [figure.words for figure in TYPED_FIGURES if figure.field in texts]
    store.save(changed, say("change.why", names=", ".join(names)))
    said.put("cylinder", "done", say("change.done", names=", ".join(names) or DASH))
