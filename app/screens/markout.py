"""The page where a roof is pulled up and everything that follows is seen at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from portmap.app import asked, frame, store
from portmap.app.draft import (
    PULL_MOST,
    PULL_STEPS,
    Draft,
    Standing,
    document_with_doubts,
    drafted,
    edge_typed,
    other_work,
    plan_outcomes,
    standing_of,
)
from portmap.app.plots import opened_figure, time_area_figure
from portmap.app.printed import marks_file
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import (
    explain_figures,
    is_dark,
    show_basis,
    show_care,
    show_trouble,
    show_warnings,
    trouble_words,
)
from portmap.app.texts import say
from portmap.app.typed import length_label, with_unit
from portmap.app.wall_svg import open_shares, view_of, wall_svg
from portmap.errors import PortmapError
from portmap.job import engine_of, job_of, port_map_of
from portmap.job_faults import document_of
from portmap.job_schema import Job
from portmap.job_template import job_marks
from portmap.quantity import speeds_rpm
from portmap.recipe import figure_text, miss_words
from portmap.roof_draft import TypedRoof
from portmap.roof_figures import CARE_LINE, edit_words
from portmap.roof_job import edits_of, with_edits
from portmap.roof_rows import roof_change_rows
from portmap.roof_wish import timing_edge
from portmap.scribe import ScribeRow
from portmap.shown import number_text

__all__ = ["page"]

SHAPES = ("moved", "flat", "arched", "blended")
SIZES = {
    "moved": (),
    "flat": ("radius",),
    "arched": ("rise", "radius"),
    "blended": ("drop", "step", "radius"),
}
FIRST_SIZES = {"rise": {"mm": "1 mm", "inch": "40 thou"}, "drop": {"mm": "1 mm", "inch": "40 thou"}}
PLOTS = ("degree", "height", "timearea")
PLOT_RPM = tuple(range(4000, 14001, 1000))
FIELDS = {
    "--opens": "markout.opens.trouble",
    "--raise": "markout.pull.trouble",
    "--floor": "markout.pull.trouble",
    **{f"--{name}": f"markout.{name}" for name in ("rise", "radius", "drop", "step")},
}
EXPLAINED = ("opens", "duration", "blowdown", "roof", "area", "timearea", "source")
KEEP_ERROR = "markout.keep.error"
ASKED = "keep the edge"


def page() -> None:
    """Show the page."""
    st.title(say("markout.title"))
    opened = frame.needed_job()
    if opened is None:
        return
    if not opened.job.maps:
        st.info(say("markout.nomap"))
        return
    show_care(CARE_LINE)
    try:
        standing = standing_of(opened.job)
    except PortmapError as error:
        show_trouble(error)
        return
    _pull(standing)
    _kept(opened.job)
    _plots(opened.job)
    _bench(opened.job)
    frame.next_page("markout")


@st.fragment
def _pull(standing: Standing) -> None:
    """Slider, drawing and figures: the part that runs anew with every pull."""
    system = store.system()
    ports = [port.id for port in standing.base.ports]
    first_one = next((n for n, port in enumerate(standing.base.ports) if port.kind == "exhaust"), 0)
    first, second = st.columns(2, gap="medium")
    with first:
        with st.container(horizontal=True, vertical_alignment="bottom"):
            port = st.selectbox(
                say("markout.port"),
                ports,
                index=first_one,
                key="markout.port",
                on_change=_let_go,
                width="stretch",
            )
            shown = st.segmented_control(
                say("markout.view"),
                ["port", "wall"],
                key="markout.view",
                default="port",
                required=True,
                format_func=lambda name: say(f"markout.view.{name}"),
            )
        place, head = st.empty(), st.empty()
        typed, rpm, crank = _controls(standing, port)
    try:
        draft = drafted(standing, typed, rpm=rpm)
    except PortmapError as error:
        with second:
            show_trouble(error, where=say(FIELDS[error.where]) if error.where in FIELDS else "")
        draft = drafted(
            standing, edge_typed(standing, port, pull=0, opens="", system=system, sizes={}), rpm=rpm
        )
    head.markdown(f"**{plain(_headline(standing, draft, port))}**")
    shares = open_shares(standing.engine, draft.port_map, crank)
    drawn = [standing.start, draft.port_map] if draft.edits or standing.edits else [standing.start]
    title = say(
        "markout.drawing",
        port=port,
        deg=crank,
        open=", ".join(
            say("markout.drawing.open", port=one.port, share=f"{100 * one.share:.0f} %") for one in shares
        ),
    )
    picture = wall_svg(
        standing.engine,
        drawn,
        view_of(standing.engine, drawn, port if shown == "port" else None),
        system=system,
        words={"title": title, "crown": say("markout.crown"), "skirt": say("markout.skirt")},
        at_deg=crank,
        verdicts=draft.document["ring"]["verdicts"],
        dark=is_dark(),
    )
    place.image(picture, width="stretch", alt=title)
    with second:
        _show_consequences(standing, draft, port)
    sure = document_with_doubts(standing, draft)
    show_rows(
        [say("markout.figure"), say("markout.now"), sure["before"]["stage"], say("markout.change")],
        [[row[0], row[2], row[1], row[3]] for row in roof_change_rows(sure, system)],
        title=say("markout.figures", port=port),
        named=True,
    )
    st.caption(say("markout.doubt"))
    explain_figures(EXPLAINED)
    show_rows(
        [say("markout.open.port"), say("markout.open.area"), say("markout.open.share")],
        [
            [one.port, f"{system.areas(one.area_mm2)}\u00a0{system.area}", f"{100 * one.share:.0f} %"]
            for one in shares
        ],
        title=say("markout.open.title", deg=crank),
    )


def _let_go() -> None:
    """Forget a pull, as another port or another unit was chosen."""
    for name in ("pull.mm", "pull.inch", "opens"):
        st.session_state.pop(f"markout.{name}", None)


def _typed_degree() -> None:
    """Let a typed degree count in place of the slider."""
    for unit in PULL_STEPS:
        if f"markout.pull.{unit}" in st.session_state:
            st.session_state[f"markout.pull.{unit}"] = 0.0


def _slid() -> None:
    """Let the slider count in place of a typed degree."""
    st.session_state["markout.opens"] = ""


def _controls(standing: Standing, port: str) -> tuple[TypedRoof, float, int]:
    """Draw slider, crank and fields; return what they say of the edge, the speed, the crank's degree."""
    system = store.system()
    edge = timing_edge(standing.port(port))
    pull = st.slider(
        say(f"markout.pull.{edge}", unit=system.length),
        0.0,
        PULL_MOST[system.name],
        0.0,
        PULL_STEPS[system.name],
        key=f"markout.pull.{system.name}",
        format="%.2f" if system.name == "mm" else "%.3f",
        help=say("markout.pull.help"),
        on_change=_slid,
    )
    crank = st.slider(say("markout.crank"), 0, 360, 180, key="markout.crank", format="%d°")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        opens = st.text_input(
            say("markout.opens"),
            key="markout.opens",
            help=say("markout.opens.help"),
            on_change=_typed_degree,
            width=130,
        )
        shape = st.segmented_control(
            say("markout.shape"),
            SHAPES,
            key="markout.shape",
            default="moved",
            required=True,
            format_func=lambda name: say(f"markout.shape.{name}"),
            help=say("markout.shape.help"),
        )
        speed = st.text_input(say("markout.rpm"), "9000", key="markout.rpm", width=200)
    sizes: dict[str, Any] = {"shape": shape}
    if SIZES[shape]:
        with st.container(horizontal=True, vertical_alignment="bottom"):
            for name in SIZES[shape]:
                typed = st.text_input(
                    length_label(f"markout.{name}"),
                    FIRST_SIZES.get(name, {}).get(system.name, ""),
                    key=f"markout.{name}",
                    help=say("markout.drop.help" if name == "drop" else "markout.size.help"),
                    width=190,
                )
                sizes[name] = with_unit(typed)
    try:
        rpm = speeds_rpm(speed, where=say("markout.rpm"))[0]
    except PortmapError as error:
        show_trouble(error)
        rpm = 9000.0
    return edge_typed(standing, port, pull=pull, opens=opens, system=system, sizes=sizes), rpm, crank


def _headline(standing: Standing, draft: Draft, port: str) -> str:
    """Return in a line when the port opens, the blowdown, and how far its edge is moved."""
    system = store.system()
    after, before = draft.document["after"], draft.document["before"]
    edge = f"{timing_edge(standing.port(port))}_mm"
    return say(
        "markout.headline" if draft.edits or standing.edits else "markout.headline.still",
        port=port,
        opens=_degrees(after["opens_deg"]),
        blowdown=_degrees(after["blowdown_deg"]),
        what=edge.removesuffix("_mm"),
        moved=f"{system.lengths(abs(after[edge] - before[edge]))} {system.length}",
        stage=before["stage"],
    )


def _show_consequences(standing: Standing, draft: Draft, port: str) -> None:
    system = store.system()
    found = draft.document
    ground = found["to_grind"]
    if ground["windows"]:
        area = f"{system.areas(ground['area_mm2'])} {system.area}"
        deepest = f"{system.lengths(ground['deepest_mm'])} {system.length}"
        st.markdown(plain(say("markout.grind", area=area, deepest=deepest)))
    else:
        st.markdown(say("markout.grind.none"))
    _show_keep(draft, port)
    _show_plan(standing, draft)
    _show_ring(found["ring"]["verdicts"])
    show_warnings(found)
    show_basis(found)


def _degrees(value: float | None) -> str:
    return "–" if value is None else f"{number_text(value, 2)}°"


def _show_keep(draft: Draft, port: str) -> None:
    trouble = st.session_state.get(KEEP_ERROR)
    if trouble:
        st.error(plain(f"{trouble} {say('markout.foreign')}"))
    if not draft.edits:
        asked.forget(ASKED)
        return
    label = "markout.foreign.replace" if trouble else "markout.keep"
    st.button(say(label), key="markout.keepit", type="primary", on_click=asked.ask, args=(ASKED,))
    if asked.is_asked(ASKED):
        with asked.at_work(ASKED):
            _keep(draft, port, replace_foreign=bool(trouble))
        st.rerun()


def _keep(draft: Draft, port: str, *, replace_foreign: bool) -> None:
    opened = store.open_job()
    if opened is None:
        return
    try:
        document = with_edits(
            document_of(opened.job),
            (*edits_of(opened.job), *draft.edits),
            replace_foreign=replace_foreign,
        )
    except PortmapError as error:
        st.session_state[KEEP_ERROR] = f"{error.message}."
        return
    st.session_state.pop(KEEP_ERROR, None)
    _let_go()
    store.save(job_of(document), say("markout.keep.why", port=port))


def _show_ring(verdicts: list[dict[str, Any]]) -> None:
    system = store.system()
    st.markdown(f"**{say('markout.ring.title')}**", help=say("markout.ring.guide"))
    for one in verdicts:
        if one["grade"] == "fine":
            continue
        where = ""
        if one["x_mm"] is not None:
            x = number_text(one["x_mm"] * system.per_mm, 1 if system.name == "mm" else 2)
            where = say("markout.ring.place", window=one["window"] + 1, x=x, unit=system.length)
        words = one["words"].partition(": ")[2].replace(f": {one['why']}", "")
        grade = say(f"markout.ring.{one['grade']}")
        st.markdown(
            f"**{grade}**: {plain(words)} {plain(where)}",
            help=plain(say("markout.ring.source", why=one["why"], source=one["source"])),
        )
    fine = [one for one in verdicts if one["grade"] == "fine"]
    if fine:
        with st.expander(say("markout.ring.fine.title", count=len(fine))):
            for one in fine:
                st.markdown(f"{say('markout.ring.fine')}: {plain(one['words'].partition(': ')[2])}")


def _show_plan(standing: Standing, draft: Draft) -> None:
    system = store.system()
    if standing.job.plan is None:
        st.caption(say("markout.plan.none"))
        return
    st.markdown(f"**{say('markout.plan.title')}**")
    outcomes = plan_outcomes(standing, draft.port_map)
    if isinstance(outcomes, PortmapError):
        show_trouble(outcomes)
        return
    for outcome in outcomes:
        if outcome.miss == 0.0:
            figure = figure_text(outcome.demand, outcome.after, system)
            st.markdown(plain(say("markout.plan.met", wish=outcome.demand.wish.text, figure=figure)))
        else:
            st.markdown(plain(say("markout.plan.missed", words=miss_words(outcome, system))))
    work = other_work(standing.job, system)
    if work:
        st.caption(plain(say("markout.plan.rest", work=work)))


def _kept(job: Job) -> None:
    st.subheader(say("markout.edits"))
    edits = edits_of(job)
    if not edits:
        foreign = any(entry.stage == "proposed" for entry in job.maps)
        st.markdown(say("markout.edits.foreign" if foreign else "markout.edits.none"))
        return
    st.markdown(
        "\n".join(
            f"{number}. {plain(edit_words(edit, store.system()))}" for number, edit in enumerate(edits, 1)
        )
    )
    st.button(say("markout.undo"), key="markout.takeback", on_click=_take_back)


def _take_back() -> None:
    opened = store.open_job()
    if opened is None:
        return
    document = with_edits(document_of(opened.job), edits_of(opened.job)[:-1], replace_foreign=True)
    store.save(job_of(document), say("markout.undo.why"))


@st.fragment
def _plots(job: Job) -> None:
    st.subheader(say("markout.plots"))
    system, engine = store.system(), engine_of(job)
    port_maps = [port_map_of(job, entry.stage) for entry in job.maps]
    which = st.segmented_control(
        say("markout.plots"),
        PLOTS,
        key="markout.plot",
        default="degree",
        required=True,
        format_func=lambda name: say(f"markout.plot.{name}"),
        label_visibility="collapsed",
    )
    try:
        if which == "timearea":
            figure = time_area_figure(engine, port_maps, PLOT_RPM, system=system, dark=is_dark())
        else:
            together = st.toggle(say("markout.plot.together"), key="markout.together")
            figure = opened_figure(
                engine, port_maps, system=system, against=which, together=together, dark=is_dark()
            )
    except PortmapError as error:
        show_trouble(error)
        return
    stages = ", ".join(port_map.stage for port_map in port_maps)
    alt = say("markout.plot.alt", what=say(f"markout.plot.{which}"), stages=stages)
    st.plotly_chart(figure, theme=None, key="markout.figure", alt=alt, config={"displayModeBar": False})


def _bench(job: Job) -> None:
    """Show the marks to scribe, and lead to what is printed."""
    system = store.system()
    st.subheader(say("markout.paper"))
    st.markdown(say("markout.paper.how"))
    try:
        marks = job_marks(job, 1.0)
    except PortmapError as error:
        st.caption(plain(trouble_words(error)))
    else:
        with st.expander(say("markout.scribe.title", step=f"{system.lengths(1.0)} {system.length}")):
            _show_marks(marks.rows)
        st.download_button(
            say("markout.scribe.take"),
            lambda: marks_file(job, kind="pdf", step_mm=1.0, units=system.name),
            file_name="scribe.pdf",
            mime="application/pdf",
            icon=":material/download:",
            key="markout scribe",
            on_click="ignore",
        )
    frame.link_to("paper", say("markout.paper.link"))


def _show_marks(marks: Sequence[ScribeRow]) -> None:
    system = store.system()
    show_rows(
        [
            say("markout.scribe.port"),
            say("markout.scribe.mark"),
            say("markout.scribe.x", unit=system.length),
            say("markout.scribe.height", unit=system.length),
            say("markout.scribe.piston"),
        ],
        [
            [
                f"{row.port} {row.window + 1} {row.edge}",
                row.mark,
                system.lengths(row.x_mm),
                system.lengths(row.height_mm, row.height_u_mm),
                _degrees(row.piston_deg),
            ]
            for row in marks
        ],
        title=say("markout.scribe.caption"),
        words=(0, 1),
    )
