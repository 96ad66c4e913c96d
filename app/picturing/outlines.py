"""The outlines at hand: the editor, the figures that follow, which window is which port, into the job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, get_args

import numpy as np
import streamlit as st

from portmap.app import asked, said, store
from portmap.app.editor import DegreeTable, ShownWindow, edited_windows, outline_editor, shape_of
from portmap.app.picturing.work import EDITOR, Work, take
from portmap.app.row_tables import show_rows
from portmap.app.shown import DASH, figure_text
from portmap.app.texts import say
from portmap.assign import Assignment
from portmap.engine import Engine, angle_at_crown_height, crown_height_at
from portmap.errors import JobError, Notice, PortmapError
from portmap.job import Job, engine_of, port_map_of
from portmap.job_map import job_with_map
from portmap.job_schema import MapFile
from portmap.job_typed import typed_job
from portmap.map_file import map_of, traced_document
from portmap.picture.hand_placed import hand_placed
from portmap.port import Control, Kind, Stage, Window

__all__ = ["Measured", "degree_table", "measured_windows", "outlines", "ports", "put_into_job", "traced_map"]

KINDS: tuple[Kind, ...] = get_args(Kind)
STAGES: tuple[Stage, ...] = ("stock", "ground")
TABLE_STEP_MM = 0.25
NEEDED = ("bore_mm", "stroke_mm", "rod_mm", "crown_height_mm")


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """An edited window with its doubt, or what is wrong with it.

    Parameters
    ----------
    shown : ShownWindow
    window : Window or None
        None if the outline is none.
    fault : str
        Why.
    """

    shown: ShownWindow
    window: Window | None
    fault: str = ""


def degree_table(engine: Engine) -> DegreeTable:
    """Return at which degree the crown uncovers each height that it comes to."""
    top, bottom = float(crown_height_at(engine, 0.0)), float(crown_height_at(engine, 180.0))
    heights = np.linspace(bottom, top, max(2, round((top - bottom) / TABLE_STEP_MM)))
    angles = angle_at_crown_height(engine, heights)
    known = np.isfinite(angles)
    return DegreeTable(
        height_mm=tuple(heights[known].tolist()), opens_deg=tuple(np.asarray(angles)[known].tolist())
    )


def measured_windows(work: Work, windows: Sequence[ShownWindow]) -> tuple[Measured, ...]:
    """Return edited windows with their doubts."""
    found = []
    places = None if work.image is None else work.image.doubt
    for shown in windows:
        before = work.traced.get(shown.id) or work.traced.get(shown.id.partition("+")[0])
        try:
            shape = shape_of(shown)
        except PortmapError as error:
            found.append(Measured(shown=shown, window=None, fault=str(error)))
            continue
        window = hand_placed(shape, placed_u_mm=work.placed_u_mm, before=before, places=places)
        found.append(Measured(shown=shown, window=window))
    return tuple(found)


def outlines(work: Work) -> tuple[Measured, ...]:
    """Show the editor and the figures that follow from it; return them."""
    opened = store.open_job()
    engine = None if opened is None else engine_of(opened.job)
    edited = outline_editor(
        work.windows,
        work.shown,
        key=EDITOR,
        store=work.store,
        degrees=None if engine is None else degree_table(engine),
        units=store.system(),
    )
    windows = measured_windows(work, edited.windows)
    for one in windows:
        if one.fault:
            st.error(said.plain(one.fault))
    _figures(windows, engine)
    return windows


def _figures(windows: Sequence[Measured], engine: Engine | None) -> None:
    """Show roof, floor, area and the degree of each window."""
    system = store.system()
    rows = []
    for number, one in enumerate(windows, 1):
        label = str(number) if one.shown.name == str(number) else f"{number} {one.shown.name}"
        if one.window is None:
            rows.append([label, DASH, DASH, DASH, DASH])
            continue
        _, low, _, high = one.window.outline.bounds
        doubt = one.window.doubt
        degree = DASH
        if engine is not None:
            angle = float(angle_at_crown_height(engine, high))
            degree = figure_text(angle, "deg") if np.isfinite(angle) else DASH
        area = system.areas(one.window.outline.area, None if doubt is None else doubt.wall_area_u_mm2)
        rows.append(
            [
                label,
                figure_text(high, "mm", None if doubt is None else doubt.roof_u_mm),
                figure_text(low, "mm", None if doubt is None else doubt.floor_u_mm),
                f"{area}\u00a0{system.area}",
                degree,
            ]
        )
    if rows:
        show_rows(
            [say(f"windows.{name}") for name in ("which", "roof", "floor", "area", "degree")],
            rows,
            title=say("windows.title"),
            named=True,
        )
        st.caption(say("windows.note"))


def ports(work: Work, windows: Sequence[Measured]) -> None:
    """Let it be said which window is which port."""
    st.caption(say("ports.about"))
    for number, one in enumerate(windows, 1):
        area = store.system()
        size = "" if one.window is None else f", {area.areas(one.window.outline.area)} {area.area}"
        left, right = st.columns([2, 3])
        left.selectbox(
            f"{number}{size}",
            KINDS,
            index=KINDS.index(one.shown.kind),
            format_func=lambda kind: say(f"kind.{kind}"),
            key=f"kind {work.store} {one.shown.id} {one.shown.kind}",
            on_change=_renamed,
            args=(work, one.shown.id, "kind", f"kind {work.store} {one.shown.id} {one.shown.kind}"),
        )
        right.text_input(
            say("ports.name", number=number),
            value=one.shown.name,
            key=f"name {work.store} {one.shown.id} {one.shown.name}",
            help=say("ports.name.help"),
            on_change=_renamed,
            args=(work, one.shown.id, "name", f"name {work.store} {one.shown.id} {one.shown.name}"),
        )


def _renamed(work: Work, window: str, what: str, key: str) -> None:
    """Give a window another kind or name; hand edits that came meanwhile stay."""
    value = st.session_state[key].strip()
    if not value:
        return
    now = edited_windows(work.windows, key=EDITOR, store=work.store)
    changed = []
    for shown in now:
        if shown.id == window and what == "kind":
            own_name = shown.name if shown.name not in (*KINDS, shown.id) else value
            changed.append(replace(shown, kind=value, name=own_name))
        elif shown.id == window:
            changed.append(replace(shown, name=value))
        else:
            changed.append(shown)
    take(replace(work, windows=tuple(changed)))


def put_into_job(work: Work, windows: Sequence[Measured]) -> None:
    """Offer to put the outlines into the open job, or to start one with them."""
    said.show("into job")
    opened = store.open_job()
    stage: Stage = st.radio(
        say("into.stage"),
        STAGES,
        format_func=lambda one: say(f"into.{one}"),
        index=STAGES.index(work.stage) if work.stage in STAGES else 0,
        key="into stage",
    )
    if _intake(windows):
        st.checkbox(say("into.reed"), key="into reed", help=say("into.reed.help"))
    if opened is None:
        _into_new(work)
        return
    if any(entry.stage == stage for entry in opened.job.maps):
        st.caption(say("into.replaces", name=opened.job.name))
    st.button(
        say("into.go", name=opened.job.name),
        type="primary",
        icon=":material/save:",
        key="into go",
        on_click=_put,
        args=(work,),
    )


def _intake(windows: Sequence[Measured]) -> bool:
    return any(one.shown.kind == "intake" for one in windows)


def _into_new(work: Work) -> None:
    st.write(say("into.new"))
    with st.form("into new", border=False):
        st.text_input(say("into.name"), key="into name")
        unit = store.system()
        for field in NEEDED:
            st.text_input(
                f"{say(f'into.{field}')}, {unit.length}", key=f"into {field}", help=say(f"into.{field}.help")
            )
        st.form_submit_button(
            say("into.start"),
            type="primary",
            icon=":material/save:",
            on_click=_put,
            args=(work,),
            kwargs={"new": True},
        )


def _put(work: Work, *, new: bool = False) -> None:
    """Make the map and put it into the job; what goes wrong is said where the button is.

    The fields are asked what they say now: the page may not have been drawn since one was touched.
    """
    stage: Stage = st.session_state["into stage"]
    now = edited_windows(work.windows, key=EDITOR, store=work.store)
    windows = measured_windows(work, now)
    reed = _intake(windows) and bool(st.session_state.get("into reed"))
    try:
        map_file, assignments = traced_map(work, windows)
        job = _new_job() if new else _open_job()
        thickness_mm = None if work.source.get("wall_x_factor") else work.sheet_thickness_mm
        controls: list[tuple[str, Control]] = [("intake", "none")] if reed else []
        made, notices = job_with_map(
            job,
            map_file,
            assignments=assignments,
            controls=controls,
            stage=stage,
            sheet_thickness_mm=thickness_mm,
        )
        if new:
            store.start(made, store.file_stem(made.name))
        else:
            store.save(made, say("into.why"))
    except PortmapError as error:
        said.fault_said("into job", error)
        return
    if work.image is not None:
        take(replace(work, windows=_as_in(made, stage, now), stage=stage))
    asked.ask_whole_page()
    words = say("into.done", count=len(windows), stage=say(f"into.{stage}"))
    said.put("into job", "done", "\n".join([words, *(notice.message for notice in notices)]))


def _as_in(job: Job, stage: Stage, now: Sequence[ShownWindow]) -> tuple[ShownWindow, ...]:
    """Return the windows with the kinds and names that the job gives them, as where they were guessed."""
    owners = [
        (port, window.outline.centroid) for port in port_map_of(job, stage).ports for window in port.windows
    ]
    known = []
    for shown in now:
        place = shape_of(shown).centroid
        port, _ = min(owners, key=lambda owner: float(owner[1].distance(place)))
        known.append(replace(shown, kind=port.kind, name=port.id))
    return tuple(known)


def _open_job() -> Job:
    opened = store.open_job()
    if opened is None:
        raise JobError(say("job.none"), remedy=say("job.none.remedy"))
    return opened.job


def _new_job() -> Job:
    texts = {field: st.session_state.get(f"into {field}", "") for field in NEEDED}
    name = st.session_state.get("into name", "").strip() or say("into.noname")
    return typed_job(name, texts, bare=store.system().name, created=date.today().isoformat())


def traced_map(work: Work, windows: Sequence[Measured]) -> tuple[MapFile, list[Assignment]]:
    """Return the map that edited windows make, and which port each one is of.

    Raises
    ------
    JobError
        If an outline is none, or there is none at all.
    """
    faults = [JobError(one.fault, remedy=say("into.fault.remedy")) for one in windows if one.fault]
    if faults:
        raise JobError.of(tuple(faults))
    if not windows:
        raise JobError(say("into.empty"), remedy=say("into.empty.remedy"))
    numbered: dict[int, Window] = {}
    assignments = []
    hand = []
    for number, one in enumerate(windows, 1):
        if one.window is None:
            continue
        numbered[number] = one.window
        before = work.traced.get(one.shown.id)
        if before is None or before.doubt != one.window.doubt:
            hand.append(one.shown.name)
        if one.shown.kind == "other" and one.shown.name == one.shown.id.partition("+")[0]:
            continue  # nobody said what it is: it is guessed from its place
        own_name = one.shown.name if one.shown.name != one.shown.kind else None
        assignments.append(Assignment(numbers=(str(number),), kind=one.shown.kind, name=own_name))
    notices = [notice for notice in work.notices if notice.code not in ("kind-guessed", "edited-by-hand")]
    source: dict[str, Any] = dict(work.source)
    if hand:
        notices.append(
            Notice(code="edited-by-hand", message=say("into.byhand", names=", ".join(dict.fromkeys(hand))))
        )
    return map_of(traced_document(numbered, source=source, notices=notices)), assignments
