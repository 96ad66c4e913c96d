"""The page of what is printed and taken along: sheet, true-size templates, tables, cards."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from portmap.app import printed, said, store
from portmap.app.texts import say
from portmap.errors import PortmapError, QuantityError
from portmap.job import Job
from portmap.job_typed import length_typed
from portmap.quantity import speeds_rpm

__all__ = ["page"]

ANYTIME = ("card",)  # what can be printed without a job
KINDS = ("sheet", "wall", "gauge", "marks", "areas", *ANYTIME)
DRAWN = ("pdf", "svg", "dxf")


def page() -> None:
    """Draw the page."""
    st.title(say("paper.title"), anchor=False)
    opened = store.open_job()
    job = None if opened is None else opened.job
    kinds = KINDS if job is not None and job.maps else ANYTIME
    if kinds == ANYTIME:
        st.info(say("paper.nojob" if job is None else "paper.nomap"))
    kind = st.radio(
        say("paper.what"),
        kinds,
        key="paper kind",
        format_func=lambda each: say(f"paper.{each}"),
        captions=[say(f"paper.{each}.about") for each in kinds],
    )
    st.divider()
    drawing: dict[str, Callable[[store.OpenJob], None]] = {
        "sheet": _sheet,
        "wall": _wall,
        "gauge": _gauge,
        "marks": _marks,
        "areas": _areas,
    }
    if kind == "card" or opened is None:
        _card(job)
    else:
        drawing[kind](opened)


def _sheet(opened: store.OpenJob) -> None:
    stage = _stage(opened.job)
    rpm = st.text_input(say("paper.rpm"), "6000:12000:2000", key="paper rpm", help=say("paper.rpm.help"))
    reader = _pick("paper.for", ("all", "customer", "bench"))
    kind = _pick("paper.format", ("pdf", "html"))
    paper = _pick("paper.size", ("A4", "Letter")) if kind == "pdf" else "A4"
    units = store.system().name

    def content() -> bytes:
        speeds = speeds_rpm(rpm, where=say("paper.rpm"))
        return printed.sheet_file(
            opened, kind=kind, reader=reader, stage=stage, rpm=speeds, units=units, paper=paper
        )

    made_of = (stage, rpm, reader, paper, units, opened.revision)
    _offer(content, f"{opened.path.stem}-sheet.{kind}", made_of)
    st.caption(say("paper.print" if kind == "pdf" else "paper.html"))


def _wall(opened: store.OpenJob) -> None:
    kind = _pick("paper.format", DRAWN)
    side = _pick("paper.side", ("inside", "outside"))
    datum = _pick("paper.datum", ("base", "deck"))
    system = store.system()
    thickness = st.text_input(
        say("paper.thickness", unit=system.length),
        "0.1 mm",
        key="paper thickness",
        help=say("paper.thickness.help"),
    )
    diameter = ""
    if side == "outside":
        diameter = st.text_input(
            say("paper.diameter", unit=system.length), key="paper diameter", help=say("paper.diameter.help")
        )
    paper, tiles = "A4", False
    if kind == "pdf":
        paper = _pick("paper.size", ("A4", "A3", "Letter"))
        tiles = st.toggle(say("paper.tiles"), key="paper tiles", help=say("paper.tiles.help"))

    def content() -> bytes:
        across = None
        if diameter.strip():
            across = length_typed(
                diameter, where=say("paper.diameter.where"), sign="positive", bare=system.name
            )
        wishes = printed.WallWishes(
            kind=kind,
            paper=paper,
            tiles=tiles,
            side=side,
            thickness_mm=length_typed(
                thickness, where=say("paper.thickness.where"), sign="not negative", bare=system.name
            ),
            outside_diameter_mm=across,
            datum=datum,
        )
        return printed.wall_file(opened.job, printed.file_of(opened), wishes)

    made_of = (kind, side, datum, thickness, diameter, paper, tiles, system.name, opened.revision)
    _offer(content, f"{opened.path.stem}-template.{kind}", made_of)
    st.caption(say("paper.print.bars"))


def _gauge(opened: store.OpenJob) -> None:
    ports = list(dict.fromkeys(port.id for entry in opened.job.maps for port in entry.ports))
    port = st.selectbox(say("paper.port"), ports, key="paper port")
    kind = _pick("paper.format", DRAWN)
    paper = _pick("paper.size", ("A4", "A3", "Letter")) if kind == "pdf" else "A4"

    def content() -> bytes:
        return printed.gauge_file(opened.job, printed.file_of(opened), port, kind=kind, paper=paper)

    _offer(content, f"{opened.path.stem}-gauge-{port}.{kind}", (port, kind, paper, opened.revision))
    st.caption(say("paper.print.bars"))


def _marks(opened: store.OpenJob) -> None:
    kind = _pick("paper.format", ("pdf", "csv"))
    system = store.system()
    step = st.text_input(say("paper.step", unit=system.length), "1 mm", key="paper step")

    def content() -> bytes:
        size = length_typed(step, where=say("paper.step.where"), sign="positive", bare=system.name)
        return printed.marks_file(opened.job, kind=kind, step_mm=size, units=system.name)

    _offer(content, f"{opened.path.stem}-scribe.{kind}", (kind, step, system.name, opened.revision))
    st.warning(say("paper.marks.care"))


def _areas(opened: store.OpenJob) -> None:
    stage = _stage(opened.job)
    _offer(
        lambda: printed.areas_file(opened.job, stage=stage),
        f"{opened.path.stem}-areas-{stage}.csv",
        (stage, opened.revision),
    )
    st.caption(say("paper.areas.note"))


def _card(job: Job | None) -> None:
    kind = _pick("paper.card.kind", ("flat", "ring", "strip", "board"))
    system = store.system()
    paper, bore, height = "A4", "", "20 mm"
    if kind in ("flat", "board"):
        paper = _pick("paper.size", ("A4", "A3", "Letter"))
    else:
        known = "" if job is None else f"{job.engine.bore_mm:g} mm"
        bore = st.text_input(say("paper.bore", unit=system.length), known, key="paper bore")
        if kind == "strip":
            height = st.text_input(say("paper.height", unit=system.length), height, key="paper height")

    def content() -> bytes:
        if kind in ("flat", "board"):
            return printed.card_file(kind, paper=paper, bore_mm=0.0, height_mm=0.0)
        if not bore.strip():
            raise QuantityError(say("paper.bore.missing"), remedy=say("paper.bore.remedy"))
        return printed.card_file(
            kind,
            paper=paper,
            bore_mm=length_typed(bore, where=say("paper.bore.where"), sign="positive", bare=system.name),
            height_mm=length_typed(
                height, where=say("paper.height.where"), sign="positive", bare=system.name
            ),
        )

    _offer(content, f"card-{kind}.pdf", (kind, paper, bore, height, system.name))
    st.caption(say("paper.print.bars"))


def _stage(job: Job) -> str:
    stages = [entry.stage for entry in job.maps]
    return stages[0] if len(stages) == 1 else _pick("paper.stage", tuple(stages))


def _pick(key: str, choices: tuple[str, ...]) -> str:
    """Return which of a few was picked; the first unless told."""
    picked: str = st.segmented_control(
        say(key),
        choices,
        default=choices[0],
        required=True,
        key=f"{key} {' '.join(choices)}",
        format_func=lambda each: say(f"{key}.{each}"),
    )
    return picked


def _offer(make: Callable[[], bytes], name: str, made_of: tuple[object, ...]) -> None:
    """Make a file, or say why not, and offer it.

    It is made anew only if something that it is made of has changed in this session.
    """
    kept = st.session_state.get("paper kept")
    if kept is None or kept[0] != (name, made_of):
        try:
            with st.spinner(say("paper.making")):
                kept = ((name, made_of), make())
        except PortmapError as error:
            st.error(said.plain(str(error)))
            return
        st.session_state["paper kept"] = kept
    ending = name.rpartition(".")[2]
    size = len(kept[1]) / 1000
    st.download_button(
        say("paper.take", name=name, size=f"{size:,.0f}"),
        kept[1],
        file_name=name,
        mime=printed.MIME[ending],
        type="primary",
        icon=":material/download:",
        key="paper file",
        width="stretch",
    )
    if ending == "svg":
        st.image(kept[1].decode())
