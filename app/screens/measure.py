"""The page of the bench: readings in plain words, and what they say together."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import streamlit as st

from portmap.app import asked, frame, said, store
from portmap.app.row_tables import show_rows
from portmap.app.shown import DASH, doubt_text, figure_text, off_text
from portmap.app.telling import offer_drawings
from portmap.app.texts import say
from portmap.errors import JobError, PortmapError
from portmap.fit import Fit, fit_readings
from portmap.fit_document import fit_document, readings_document
from portmap.fitted_job import fitted_job
from portmap.job import Job
from portmap.reading_list import AddedReading, with_readings
from portmap.reading_table import reading_csv
from portmap.readings import readings_of
from portmap.shown import number_text

__all__ = ["page"]

TABLE_LIMIT_MB = 4
ASKED = "write the fit"
TOLD_ABOVE = {"reading-alone", "readings-contradict"}  # notices that the table's own sentences say


def page() -> None:
    """Draw the page."""
    st.title(say("measure.title"), anchor=False)
    opened = frame.needed_job()
    if opened is None:
        return
    said.show("measure")
    offer_drawings(say("drawing.offer.measure"), "wheel", "squish")
    _typing()
    try:
        readings = readings_document(opened.job)
    except PortmapError as error:
        st.error(said.plain(str(error)))
        return
    if not readings:
        st.info(say("measure.none"))
        _tables(opened)
        return
    _list(opened, readings)
    _tables(opened)
    _together(opened)
    frame.next_page("measure")


def _typing() -> None:
    """Take sentences."""
    with st.form("sentences", border=False):
        st.text_area(
            say("measure.sentences"),
            key="sentences typed",
            placeholder=say(f"measure.example.{store.system().name}"),
            help=say("measure.sentences.help"),
            height=110,
        )
        st.form_submit_button(say("measure.add"), type="primary", icon=":material/add:", on_click=_add_typed)
    st.caption(say("measure.hint"))


def _add_typed() -> None:
    opened = store.open_job()
    lines = [line for line in str(st.session_state["sentences typed"]).splitlines() if line.strip()]
    if opened is None or not lines:
        return
    try:
        job, added = with_readings(opened.job, typed=lines, today=date.today().isoformat())
    except PortmapError as error:
        said.fault_said("measure", error)
        return
    st.session_state["sentences typed"] = ""
    store.save(job, say("measure.why.added", count=len(added)))
    said.put("measure", "done", "\n".join(_understood(each) for each in added))


def _understood(added: AddedReading) -> str:
    return " ".join((say("measure.understood", number=added.number, words=added.words), *added.said))


def _list(opened: store.OpenJob, readings: list[dict[str, Any]]) -> None:
    """Show the readings, and let some be taken out."""
    show_rows(
        [say(f"reading.{name}") for name in ("words", "doubt", "with", "date")],
        [
            [
                f"{each['number']}. {each['words']}",
                doubt_text(each["u"], each["unit"]),
                say("reading.stated") if each["u_from"] == "stated" else each["with"],
                each.get("date") or DASH,
            ]
            for each in readings
        ],
        title=say("measure.readings", count=len(readings)),
        words=(0, 2, 3),
    )
    st.caption(say("measure.readings.note"))
    key = f"take out {opened.revision[:8]}"
    with st.expander(say("measure.take")):
        st.pills(say("measure.take.which"), _numbers(readings), selection_mode="multi", key=key)
        st.button(say("measure.take.go"), key="take out go", on_click=_take_out, args=(key,))


def _numbers(readings: list[dict[str, Any]]) -> list[int]:
    return [each["number"] for each in readings]


def _take_out(key: str) -> None:
    opened, numbers = store.open_job(), st.session_state.get(key) or []
    if opened is None or not numbers:
        return
    try:
        job, _ = with_readings(opened.job, removed=numbers)
    except PortmapError as error:
        said.fault_said("measure", error)
        return
    store.save(job, say("measure.why.taken", numbers=", ".join(map(str, sorted(numbers)))))


def _tables(opened: store.OpenJob) -> None:
    """Take readings from a table, give them as one."""
    with st.expander(say("measure.table"), icon=":material/table:"):
        st.file_uploader(
            say("measure.table.in"),
            type=["csv"],
            key="readings upload",
            max_upload_size=TABLE_LIMIT_MB,
            on_change=_take_table,
        )
        st.download_button(
            say("measure.table.out"),
            reading_csv(readings_of(opened.job)).encode(),
            file_name=f"{opened.path.stem}-readings.csv",
            mime="text/csv",
            key="readings csv",
        )


def _take_table() -> None:
    opened, upload = store.open_job(), st.session_state["readings upload"]
    if opened is None or upload is None:
        return
    with tempfile.TemporaryDirectory() as waiting:
        place = Path(waiting) / "readings.csv"
        place.write_bytes(upload.getvalue())
        try:
            job, added = with_readings(opened.job, table=place)
        except JobError as error:
            faults = [
                JobError(
                    fault.message, where=fault.where.replace(str(place), upload.name), remedy=fault.remedy
                )
                for fault in error.faults or (error,)
            ]
            said.fault_said("measure", JobError.of(tuple(faults)))
            return
    store.save(job, say("measure.why.added", count=len(added)))
    said.put("measure", "done", say("measure.table.done", count=len(added), name=upload.name))


def _together(opened: store.OpenJob) -> None:
    """Show the engine behind the readings."""
    st.header(say("fit.title"), anchor=False)
    readings = readings_document(opened.job)
    key = f"left out {len(readings)}"
    without = st.session_state.get(key) or []
    try:
        fit = _fit(opened.job, tuple(without))
    except PortmapError as error:
        st.error(said.plain(str(error)))
        st.pills(say("fit.without"), _numbers(readings), selection_mode="multi", key=key)
        return
    document = fit_document(fit)
    _verdict(document)
    _misfits(document)
    st.pills(
        say("fit.without"), _numbers(readings), selection_mode="multi", key=key, help=say("fit.without.help")
    )
    _figures(document)
    for each in document["open"]:
        st.warning(said.plain(say("fit.open", what=each["words"], settle=each["settle"])))
    if asked.is_asked(ASKED):
        with asked.at_work(ASKED):
            _write(opened.job, fit, len(readings))
        st.rerun()
    said.show("fit")
    st.button(
        say("fit.write"),
        key="fit write",
        type="primary",
        icon=":material/save:",
        help=say("fit.write.help"),
        on_click=asked.ask,
        args=(ASKED,),
    )


@st.cache_data(
    max_entries=30, show_spinner=say("fit.wait"), hash_funcs={Job: lambda job: job.model_dump_json()}
)
def _fit(job: Job, without: tuple[int, ...]) -> Fit:
    return fit_readings(job, without=without)


def _write(job: Job, fit: Fit, count: int) -> None:
    if fit.suspects:
        said.put("fit", "fault", say("fit.refused", what=fit.suspects[0].words))
        return
    try:
        changed = fitted_job(job, fit)
    except PortmapError as error:
        said.fault_said("fit", error)
        return
    store.save(changed, say("fit.why", count=count))
    said.put("fit", "done", say("fit.done"))


def _verdict(document: dict[str, Any]) -> None:
    """Say in a sentence or two how the readings agree."""
    agreement = document["agreement"]
    settled = say("fit.settled", settled=document["determined"], figures=document["unknown"])
    for suspect in document["suspects"]:
        st.error(said.plain(f"{suspect['words']}. {say('fit.suspect.do')}"), icon=":material/report:")
    for notice in document["warnings"]:
        if notice["code"] not in TOLD_ABOVE:
            st.warning(said.plain(notice["message"]))
    if agreement["chance"] is None:
        st.info(f"{say('fit.unchecked')} {settled}")
    elif not document["suspects"]:
        st.success(f"{say('fit.agree')} {settled}")


def _misfits(document: dict[str, Any]) -> None:
    wrong: dict[object, str] = {}
    for suspect in document["suspects"]:
        blamed = [*suspect["numbers"], *suspect["figures"]]
        wrong |= dict.fromkeys(blamed, say("fit.not" if len(blamed) == 1 else "fit.contradicts"))
    rows, marked = [], []
    for place, each in enumerate(document["readings"]):
        verdict = wrong.get(each["number"] or each["figure"])
        if verdict is not None:
            marked.append(place)
        length = each["misfit_mm"]
        off = off_text(each["misfit"], each["unit"]) if length is None else off_text(length, "mm")
        words = each["words"] if each["number"] is None else f"{each['number']}. {each['words']}"
        rows.append(
            [
                words,
                verdict or say("fit.belongs"),
                off_text(each["misfit_deg"], "deg"),
                off,
                DASH if each["studentised"] is None else number_text(each["studentised"], 1),
                f"{100 * each['checked']:.0f} %",
            ]
        )
    show_rows(
        [say(f"misfit.{name}") for name in ("words", "verdict", "deg", "off", "doubts", "checked")],
        rows,
        title=say("fit.misfits"),
        words=(0, 1),
        marked=marked,
    )
    st.caption(say("fit.misfits.note"))


def _figures(document: dict[str, Any]) -> None:
    rows = [
        [
            each["words"],
            figure_text(each["value"], each["unit"], each["u"]),
            say(f"basis.{each['basis']}"),
            DASH if each["stated"] is None else figure_text(each["stated"], each["unit"]),
        ]
        for each in document["figures"]
    ]
    show_rows(
        [say(f"fitted.{name}") for name in ("words", "value", "basis", "stated")],
        rows,
        title=say("fit.figures"),
        words=(0, 2),
        marked=[number for number, row in enumerate(rows) if row[2] == say("basis.assumed")],
    )
    st.caption(say("fit.figures.note"))
