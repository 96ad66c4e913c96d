"""How sure each result is, what its doubt is owed to, and which reading to repeat."""

from __future__ import annotations

from typing import Any

import streamlit as st

from portmap.app import store
from portmap.app.plots import budget_figure
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, is_dark, show_basis, show_warnings
from portmap.app.texts import say
from portmap.doubts import doubts_of
from portmap.job_review import job_notices
from portmap.reading_causes import reading_causes
from portmap.shopwork import Build
from portmap.spread_document import spread_document
from portmap.spread_rows import budget_rows, gain_lines, result_rows, unit_sign

__all__ = ["show"]

DRAWS = 10_000
KEPT = "portmap.spread"
COLUMNS = ("result", "value", "drawn", "first", "agree")


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    system, document = store.system(), _document(opened, build)
    if not document["results"]:
        st.info(say("decide.sure.noresults"))
        return
    st.markdown(say("decide.sure.how", draws=f"{DRAWS:,}".replace(",", "\u202f")))
    results = {result["name"]: result for result in document["results"]}
    first = "blowdown_deg" if "blowdown_deg" in results else next(iter(results))
    chosen = st.selectbox(
        say("decide.sure.one"),
        list(results),
        index=list(results).index(first),
        key="decide result",
        format_func=lambda name: results[name]["words"],
    )
    _show_one(results[chosen])
    with st.expander(say("decide.sure.all")):
        show_rows(
            [say(f"decide.sure.{name}") for name in COLUMNS],
            [
                [name, f"{value}{unit if unit == '°' else f' {unit}'}".strip(), *rest]
                for name, value, unit, *rest in result_rows(document, system)
            ],
            title=say("decide.sure.results"),
        )
    explain_figures(("spread", "opens", "blowdown", "squish", "crown", "source"))
    show_warnings(document)
    show_basis(document)


def _document(opened: store.OpenJob, build: Build) -> dict[str, Any]:
    """Return every result with its doubt, worked out once for a job."""
    known, system = st.session_state.get(KEPT), store.system()
    if known is None or known[0] is not opened.job or known[1] is not system:
        job = opened.job
        doubts = doubts_of(build)
        behind, said = reading_causes(job, doubts)
        document = spread_document(
            build,
            ["all"],
            doubts=doubts if behind is None else behind.doubts,
            causes=None if behind is None else behind.causes,
            candidates=None if behind is None else behind.candidates,
            count=DRAWS,
            notices=(*(job_notices(job, None) if job.maps else ()), *said),
            system=system,
        )
        known = (job, system, document)
        st.session_state[KEPT] = known
    found: dict[str, Any] = known[2]
    return found


def _show_one(result: dict[str, Any]) -> None:
    system = store.system()
    row = result_rows({"results": [result]}, system)[0]
    st.markdown(f"**{plain(' '.join(row[:3]).replace(' °', '°'))}**")
    st.markdown(f"**{say('decide.sure.repeat')}**")
    st.info(plain(result["advice"]))
    lines = gain_lines(result, system)
    if lines:
        st.markdown("\n".join(f"- {plain(line)}" for line in lines))
    if not result["budget"]:
        return
    largest = max(result["budget"], key=lambda row: row["share"])["words"]
    st.plotly_chart(
        budget_figure(result, dark=is_dark()),
        theme=None,
        key="decide budget",
        alt=say("decide.sure.plot.alt", result=result["words"], largest=largest),
        config={"displayModeBar": False},
    )
    st.caption(say("decide.sure.plot"))
    unit = unit_sign(result["unit"], system)
    with st.expander(plain(say("decide.sure.budget", result=result["words"]))):
        show_rows(
            [
                say("decide.sure.cause"),
                say("decide.sure.source"),
                say("decide.sure.own"),
                say("decide.sure.moves", unit=unit),
                say("decide.sure.share"),
            ],
            budget_rows(result, system),
            title=say("decide.sure.budget", result=result["words"]),
            words=(0, 1),
        )
