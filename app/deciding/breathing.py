"""Whether the ports do for a speed: guide figures, and pressures by the gas model, stages side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import streamlit as st

from portmap.app import asked, store
from portmap.app.breath_plot import breath_figure
from portmap.app.deciding.leaning import Leaning, amount_words, stated_leaning, valve_words
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, is_dark, show_basis, show_trouble, show_warnings
from portmap.app.texts import say
from portmap.breath import (
    NO_WAVES,
    assumed_case_cm3,
    breath_document,
    breath_notices,
    engine_with_case,
)
from portmap.engine import Engine
from portmap.errors import PortmapError
from portmap.gas_assumptions import STATED
from portmap.gas_rows import (
    breath_beside,
    change_lines,
    guide_source,
    guides_beside,
    limit_lines,
    short_first_words,
    speeds_beside,
    switched_off_lines,
)
from portmap.gasflow import Breath
from portmap.guide import guide_document
from portmap.job import Job, port_map_of
from portmap.job_review import job_notices
from portmap.port import PortMap
from portmap.quantity import speeds_rpm
from portmap.shopwork import Build
from portmap.shown import COVERAGE

__all__ = ["show"]

RUN = "portmap.breath"
ASKED = "gas model"
DRAWS, DRAWS_OF_ALL, LEAST_DRAWS = 100, 240, 40  # at a speed; shared by many speeds; at each at least
MOST_SPEEDS = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class _Run:
    """What the gas model said, and what it was asked."""

    job: Job
    engine: Engine
    speeds: tuple[float, ...]
    leaning: Leaning
    document: dict[str, Any]
    breaths: dict[str, Breath]


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    st.markdown(say("decide.breath.how"))
    if not opened.job.maps:
        st.info(say("decide.breath.nomaps"))
        return
    typed = st.text_input(
        say("decide.breath.rpm"),
        say("decide.breath.rpm.usual"),
        key="decide breath rpm",
        help=say("decide.breath.rpm.help", most=MOST_SPEEDS),
        width=260,
    )
    wanted = tuple(dict.fromkeys(speeds_rpm(typed, where=say("decide.breath.rpm"))))
    speeds = wanted[:MOST_SPEEDS]
    if len(wanted) > MOST_SPEEDS:
        st.warning(say("decide.breath.most", most=MOST_SPEEDS, count=len(wanted), last=f"{speeds[-1]:g}"))
    stages = {entry.stage: port_map_of(opened.job, entry.stage) for entry in opened.job.maps}
    _show_guides(build.engine, stages, speeds)
    st.subheader(say("decide.breath.gas"))
    st.warning(plain(f"{say('decide.breath.not')} {NO_WAVES}"))
    engine = _engine(build.engine)
    if engine is None:
        return
    if engine.intake is not None:
        st.markdown(plain(valve_words(engine.intake)))
    leaning = stated_leaning()
    if leaning is None:
        return
    st.button(
        say("decide.breath.go"), key="decide breath go", type="primary", on_click=asked.ask, args=(ASKED,)
    )
    if asked.is_asked(ASKED):
        with asked.at_work(ASKED):
            _run(opened.job, engine, stages, speeds, leaning)
    run: _Run | None = st.session_state.get(RUN)
    asked_now = (engine, speeds, leaning)
    if run is None or run.job is not opened.job or (run.engine, run.speeds, run.leaning) != asked_now:
        st.caption(say("decide.breath.none"))
        return
    _show_run(run, stages)


def _show_guides(engine: Engine, stages: dict[str, PortMap], speeds: tuple[float, ...]) -> None:
    st.subheader(say("decide.breath.guides"))
    st.markdown(say("decide.breath.guides.how"))
    documents = {stage: guide_document(engine, port_map, speeds[:1]) for stage, port_map in stages.items()}
    show_rows(
        [say("decide.breath.figure"), say("decide.breath.guide"), *documents],
        guides_beside(documents),
        title=say("decide.breath.guides.title", rpm=f"{speeds[0]:g}"),
        words=range(2 + len(documents)),  # long cells that may be broken
    )
    show_rows(
        [say("decide.breath.span"), *documents],
        speeds_beside(documents),
        title=say("decide.breath.speeds"),
    )
    for stage, document in documents.items():
        if first := short_first_words(document):
            st.markdown(f"**{plain(stage)}**: {plain(first)}")
    entries = next(iter(documents.values()))["speeds"][0]["guides"]
    with st.expander(say("decide.breath.sources")):
        st.markdown("\n".join(f"- {plain(guide_source(entry))}" for entry in entries))
    if off := switched_off_lines(next(iter(documents.values()))):
        with st.expander(say("decide.breath.off")):
            st.markdown(say("decide.breath.off.how"))
            st.markdown("\n".join(f"- {plain(line)}" for line in off))


def _engine(engine: Engine) -> Engine | None:
    """Return the engine with a case volume, measured or assumed; None if neither is to be had."""
    if engine.case_volume_cm3 is not None:
        return engine
    system = store.system()
    low, high = (f"{float(system.volumes(each)):.3g}" for each in assumed_case_cm3(engine))
    st.info(plain(say("decide.breath.nocase")))
    words = say("decide.breath.assume", low=low, high=high, unit=system.volume)
    return engine_with_case(engine) if st.checkbox(words, key="decide breath assume") else None


def _run(
    job: Job, engine: Engine, stages: dict[str, PortMap], speeds: tuple[float, ...], leaning: Leaning
) -> None:
    bar = st.progress(0.0, text=say("decide.breath.working"))

    def told(share: float) -> None:
        bar.progress(share, text=say("decide.breath.working"))

    nobody_measured = job.engine.case_volume_cm3 is None
    try:
        document, breaths = breath_document(
            engine,
            stages,
            speeds,
            case_range_cm3=assumed_case_cm3(engine) if nobody_measured else None,
            pipe_bore_mm=leaning.pipe_bore_mm,
            among=leaning.among,
            draws=min(DRAWS, max(LEAST_DRAWS, DRAWS_OF_ALL // len(speeds))),
            drawn_rpm=speeds,
            done=told,
        )
    except PortmapError as error:
        st.session_state.pop(RUN, None)
        show_trouble(error)
        return
    finally:
        bar.empty()
    notices = [notice for stage in stages for notice in job_notices(job, stage)]
    notices += breath_notices(engine, stages)
    document |= {
        "assumed": engine.assumed,
        "fitted": engine.fitted,
        "warnings": [notice.as_dict() for notice in dict.fromkeys(notices)],
    }
    st.session_state[RUN] = _Run(
        job=job, engine=engine, speeds=speeds, leaning=leaning, document=document, breaths=breaths
    )


def _show_run(run: _Run, stages: dict[str, PortMap]) -> None:
    system, document = store.system(), run.document
    for stage in document["stages"]:
        key = "decide.breath.done" if stage["speeds"][0]["blowdown_done"] else "decide.breath.notdone"
        amount = system.pressures(
            abs(stage["speeds"][0]["residual_bar"]), stage["speeds"][0]["residual_bar_u"], finer=True
        )
        words = say(key, stage=stage["stage"], rpm=f"{run.speeds[0]:g}", amount=amount, unit=system.pressure)
        first = stage["speeds"][0]
        unsure = abs(first["residual_bar"]) < COVERAGE * first.get("residual_bar_u", 0.0)
        st.markdown(f"**{plain(words)}** {say('decide.breath.either') if unsure else ''}".rstrip())
    if len(run.speeds) > 1:  # of one speed the lines above say it
        for line in limit_lines(document):
            st.markdown(plain(line))
    _show_stated(run.leaning, document)
    number = 0
    if len(run.speeds) > 1:
        number = st.segmented_control(
            say("decide.breath.which"),
            range(len(run.speeds)),
            key="decide breath which",
            default=0,
            required=True,
            format_func=lambda each: f"{run.speeds[each]:g}",
        )
    show_rows(
        [say("decide.breath.figure"), *run.breaths],
        breath_beside(document, number, system),
        title=say("decide.breath.figures", rpm=f"{run.speeds[number]:g}"),
    )
    st.caption(plain(say("decide.breath.doubt", draws=document["draws"])))
    for line in change_lines(document, system):
        st.markdown(plain(line))
    if document["changes"]:
        st.caption(say("decide.breath.change"))
    st.plotly_chart(
        breath_figure(
            run.engine,
            stages,
            run.breaths,
            case=number,
            system=system,
            residual_u_bar=document["stages"][-1]["speeds"][number].get("residual_bar_u"),
            dark=is_dark(),
        ),
        theme=None,
        key="decide breath plot",
        alt=say("decide.breath.plot.alt", rpm=f"{run.speeds[number]:g}"),
        config={"displayModeBar": False},
    )
    st.caption(say("decide.breath.plot"))
    with st.expander(say("decide.breath.leans")):
        show_rows(
            [say(f"decide.breath.leans.{name}") for name in ("what", "value", "range", "basis")],
            [
                [
                    one["what"],
                    f"{one['value']:g} {one['unit']}".rstrip(),
                    say("decide.breath.to", low=f"{one['least']:g}", high=f"{one['most']:g}"),
                    one["basis"],
                ]
                for one in document["assumptions"]
            ],
            title=say("decide.breath.leans"),
            words=(0, 3),
        )
    explain_figures(("residual", "timearea", "blowdown", "source"))
    show_warnings(document)
    show_basis(document)


def _show_stated(leaning: Leaning, document: dict[str, Any]) -> None:
    """Say what the exhaust blows into, and what was stated in place of the usual."""
    system = store.system()
    words = [say("decide.breath.exhaust", words=document["exhaust"]["words"])]
    if leaning.pipe_bore_mm is not None:
        bore = system.lengths(leaning.pipe_bore_mm)
        words.append(say("decide.breath.exhaust.bore", bore=bore, unit=system.length))
    stated = [f"{one.what} {amount_words(one)}" for one in leaning.among if one.basis == STATED]
    if stated:
        words.append(say("decide.breath.stated", what="; ".join(stated)))
    st.caption(plain(" ".join(words)))
