"""The page after grinding: stage against stage or job against job, the line, left and right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from portmap.app import frame, store
from portmap.app.compared_rows import show_compared
from portmap.app.plots import opened_figure
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, is_dark, show_care, show_trouble, show_warnings
from portmap.app.texts import say
from portmap.app.wall_svg import view_of, wall_svg
from portmap.compare import Comparison, PortChange, Side, compared, compared_degrees
from portmap.compared_files import ReadSide, read_side, stages_in
from portmap.comparison_document import comparison_document
from portmap.comparison_picture import comparison_picture
from portmap.comparison_rows import laid_words, near_words, pair_columns, pair_rows
from portmap.engine import Engine
from portmap.errors import PortmapError
from portmap.job import Job, engine_of, port_map_of
from portmap.port import Stage
from portmap.quantity import speeds_rpm
from portmap.roof_figures import CARE_LINE
from portmap.shown import UnitSystem
from portmap.wall_change import Place, place_words

__all__ = ["page"]

SHOWN_PLACES = 4  # of a port; the smaller ones are counted
EXPLAINED = ("opens", "duration", "blowdown", "roof", "area", "timearea", "source")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Choice:
    """One side that can be chosen: a stage of this job, or of another file."""

    words: str
    stage: Stage
    path: Path | None = None


def page() -> None:
    """Draw the page."""
    st.title(say("ground.title"))
    opened = frame.needed_job()
    if opened is None:
        return
    if not opened.job.maps:
        st.info(say("ground.nomap"))
        return
    show_care(CARE_LINE)
    st.markdown(say("ground.how"))
    choices = _choices(opened)
    if len(choices) < 2:
        st.info(plain(say("ground.one", stage=choices[0].stage)))
        return
    try:
        found = _compared(opened.job, choices)
    except PortmapError as error:
        show_trouble(error)
        return
    _show(found, opened.job)
    frame.next_page("ground")


def _choices(opened: store.OpenJob) -> list[_Choice]:
    """Return the sides that can be compared, and let another file be chosen."""
    found = [
        _Choice(words=say("ground.this", stage=entry.stage), stage=entry.stage) for entry in opened.job.maps
    ]
    others = [place.name for place, _, _ in store.recent_jobs() if place.name != opened.path.name]
    name = st.selectbox(
        say("ground.file"),
        ["", *others],
        key="ground file",
        help=say("ground.file.help"),
        format_func=lambda each: each or say("ground.file.none"),
    )
    if name:
        try:
            path = store.place_in_folder(name)
            found += [
                _Choice(words=say("ground.other", file=name, stage=stage), stage=stage, path=path)
                for stage in stages_in(path)
            ]
        except PortmapError as error:
            show_trouble(error)
    return found


def _compared(job: Job, choices: Sequence[_Choice]) -> Comparison:
    places = list(range(len(choices)))
    before, after = st.columns(2)  # one under the other on a phone, where the words would be cut
    first = before.selectbox(
        say("ground.first"), places, key="ground a", format_func=lambda n: choices[n].words
    )
    second = after.selectbox(
        say("ground.second"),
        places,
        index=places[-1],
        key="ground b",
        format_func=lambda n: choices[n].words,
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        lay = st.segmented_control(
            say("ground.lay"),
            ["base", "fit"],
            key="ground lay",
            default="base",
            required=True,
            help=say("ground.lay.help"),
            format_func=lambda name: say(f"ground.lay.{name}"),
        )
        speed = st.text_input(say("ground.rpm"), "9000", key="ground rpm", width=180)
    a, b = _side(job, choices[first]), _side(job, choices[second])
    rpm = speeds_rpm(speed, where=say("ground.rpm"))[0]
    if abs(a.side.bore_mm - b.side.bore_mm) > 1e-9 * a.side.bore_mm:
        st.info(say("ground.degrees"))
        return compared_degrees(a.side, b.side)
    return compared(a.side, b.side, register=lay, rpm=rpm, wish=b.wish or a.wish)


def _side(job: Job, choice: _Choice) -> ReadSide:
    """Return one side; that of this job as it is on the screen, whether the file holds it or not."""
    if choice.path is not None:
        return read_side(choice.path, stage=choice.stage)
    proposed = any(entry.stage == "proposed" for entry in job.maps)
    side = Side(
        name=job.name,
        port_map=port_map_of(job, choice.stage),
        bore_mm=job.engine.bore_mm,
        engine=engine_of(job),
    )
    return ReadSide(side=side, wish=port_map_of(job, "proposed") if proposed else None, notices=())


def _show(found: Comparison, job: Job) -> None:
    system = store.system()
    st.caption(plain(laid_words(found, system)))
    if not found.degrees_only:
        if found.nearness is not None:
            _show_nearness(found, system)
        else:
            st.caption(say("ground.near.none"))
            _show_gained(found, system)
        _show_picture(found, system)
    show_compared(found, system, key="ground all")
    for letter, pairs in (("b", found.pairs_b), ("a", found.pairs_a)):
        if pairs:
            show_rows(
                pair_columns(system),
                pair_rows(pairs, system),
                title=say("ground.pairs", which=letter),
                words=(0, 1),
            )
    for letter, names in (("a", found.only_a), ("b", found.only_b)):
        if names:
            st.markdown(plain(say(f"ground.only.{letter}", ports=", ".join(names))))
    explain_figures(EXPLAINED)
    _show_plot(found, job, system)
    show_warnings(comparison_document(found))


def _show_nearness(found: Comparison, system: UnitSystem) -> None:
    near = found.nearness
    if near is None:
        return
    st.subheader(say("ground.near"))
    for port in near.ports:
        st.markdown(f"**{plain(port.id)}**: {plain(near_words(port, system))}.")
        _show_places(say("ground.past"), port.past_places, system)
        _show_places(say("ground.take"), port.to_take_places, system)
    for key, names in (("wish", near.only_wish), ("ground", near.only_ground)):
        if names:
            st.markdown(plain(say(f"ground.only.{key}", ports=", ".join(names))))


def _show_gained(found: Comparison, system: UnitSystem) -> None:
    for port in found.ports:
        if port.gained is None or port.lost is None or not (port.gained_places or port.lost_places):
            continue
        gained, lost = (
            f"{system.areas(float(shape.area))} {system.area}" for shape in (port.gained, port.lost)
        )
        st.markdown(plain(say("ground.gained", port=port.id, gained=gained, lost=lost)))
        _show_places(say("ground.further.b"), port.gained_places, system)
        _show_places(say("ground.further.a"), port.lost_places, system)


def _show_places(what: str, places: Sequence[Place], system: UnitSystem) -> None:
    lines = []
    for place in places[:SHOWN_PLACES]:
        depth = f"{system.lengths(place.depth_mm)} {system.length}"
        lines.append(say("ground.place", what=what, depth=depth, place=place_words(place, system)))
    if len(places) > SHOWN_PLACES:
        lines.append(say("ground.more", count=len(places) - SHOWN_PLACES))
    if lines:
        st.markdown("\n".join(f"- {plain(line)}" for line in lines))


def _show_picture(found: Comparison, system: UnitSystem) -> None:
    st.subheader(say("ground.picture"))
    if found.a.engine is not None and found.a.port_map.stage != found.b.port_map.stage:
        _show_port(found, found.a.engine, system)
    drawn = comparison_picture(found, "svg", units=system)
    alt = say("ground.picture.alt", first=found.a.port_map.stage, second=found.b.port_map.stage)
    st.image(drawn.decode(), width="stretch", alt=alt)
    st.download_button(
        say("ground.picture.take"),
        drawn,
        file_name="comparison.svg",
        mime="image/svg+xml",
        icon=":material/download:",
        key="ground picture",
        on_click="ignore",
    )


def _show_port(found: Comparison, engine: Engine, system: UnitSystem) -> None:
    """Draw one port of both, large enough for a phone."""
    names = [port.id for port in found.ports]
    if not names:
        return
    worst = max(found.ports, key=_off)
    name = st.selectbox(say("ground.port"), names, index=names.index(worst.id), key="ground port")
    drawn = [found.a.port_map, *([found.wish] if found.wish is not None else []), found.b.port_map]
    drawn = list({each.stage: each for each in drawn}.values())
    stages = ", ".join(each.stage for each in drawn)
    title = say("ground.port.alt", port=name, stages=stages)
    picture = wall_svg(
        engine,
        drawn,
        view_of(engine, drawn, name),
        system=system,
        words={"title": title, "crown": "", "skirt": ""},
        dark=is_dark(),
    )
    st.image(picture, width=560, alt=title)


def _off(port: PortChange) -> float:
    """Return by how much a port differs [mm²]."""
    shapes = (shape for shape in (port.gained, port.lost) if shape is not None)
    return sum(float(shape.area) for shape in shapes)


def _show_plot(found: Comparison, job: Job, system: UnitSystem) -> None:
    """Plot the stages of this job, where both sides have its crank."""
    if found.a.name != found.b.name or found.a.engine is None:
        return
    stages = ", ".join(entry.stage for entry in job.maps)
    st.subheader(say("ground.plots"))
    figure = opened_figure(
        engine_of(job),
        [port_map_of(job, entry.stage) for entry in job.maps],
        system=system,
        dark=is_dark(),
    )
    alt = say("ground.plots.alt", stages=stages)
    st.plotly_chart(figure, theme=None, key="ground plot", alt=alt, config={"displayModeBar": False})
