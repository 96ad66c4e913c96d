"""The edge that is being pulled and not kept yet: what a drag does not change, and what follows from it.

Glossary
--------
ground to stand on
    All of a job that a drag does not change: engine, maps, rules, figures before. Made once for a job and
    kept in the session.
pull
    How far an edge is moved by the slider, against what the job proposes so far.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import streamlit as st

from portmap.engine import Engine
from portmap.errors import Notice, PortmapError
from portmap.job import Job, engine_of
from portmap.kept_plan import kept_outcomes
from portmap.operation import Operation
from portmap.port import Port, PortMap
from portmap.recipe import Outcome, amount_words
from portmap.ring_rules import RingRules, ring_rules
from portmap.roof import edited_map
from portmap.roof_draft import TypedRoof, typed_edits
from portmap.roof_edit import RoofEdit
from portmap.roof_figures import port_figures, roof_document
from portmap.roof_job import edits_of, proposal_of, start_of
from portmap.roof_wish import timing_edge, wall_top
from portmap.shopwork import Build, build_of
from portmap.shown import UnitSystem

__all__ = [
    "Draft",
    "Standing",
    "document_with_doubts",
    "drafted",
    "edge_typed",
    "other_work",
    "plan_outcomes",
    "pull_text",
    "standing_of",
]

CACHE = "portmap.markout"
PULL_STEPS = {"mm": 0.05, "inch": 0.002}  # as fine as a slider is worth; finer by typing
PULL_MOST = {"mm": 4.0, "inch": 0.16}


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """What a drag does not change.

    Parameters
    ----------
    job : Job
    engine : Engine
    start : PortMap
        The map that edits change.
    base : PortMap
        With the edits that are kept.
    edits : tuple of RoofEdit
    rules : RingRules
    build : Build
        As it stands before any work.
    before : dict
        Figures of the start by port and speed.
    """

    job: Job
    engine: Engine
    start: PortMap
    base: PortMap
    edits: tuple[RoofEdit, ...]
    rules: RingRules
    build: Build
    before: dict[tuple[str, float], dict[str, Any]]

    def port(self, name: str) -> Port:
        """Return a port of the map with the edits that are kept."""
        return next(port for port in self.base.ports if port.id == name)

    def figures_before(self, port: str, rpm: float) -> dict[str, Any]:
        """Return a port's figures in the start, worked out once, with doubts."""
        key = (port, rpm)
        if key not in self.before:
            figures = port_figures(self.engine, self.start, port, rpm=rpm, doubts=True)
            self.before[key] = {"stage": self.start.stage, **figures}
        return self.before[key]


@dataclass(frozen=True, kw_only=True, slots=True)
class Draft:
    """An edge that is pulled and not kept yet.

    Parameters
    ----------
    edits : tuple of RoofEdit
        New ones, to stand behind those that are kept; empty if nothing is pulled.
    port_map : PortMap
        The map that they make.
    document : dict
        As `portmap.roof_figures.roof_document` gives it, against the start.
    notices : tuple of Notice
    """

    edits: tuple[RoofEdit, ...]
    port_map: PortMap
    document: dict[str, Any]
    notices: tuple[Notice, ...]


def standing_of(job: Job) -> Standing:
    """Return what a drag does not change, worked out once for a job.

    Parameters
    ----------
    job : Job

    Returns
    -------
    Standing

    Raises
    ------
    PortmapError
        If the job has no map, or its edits no longer fit it.
    """
    known: Standing | None = st.session_state.get(CACHE)
    if known is not None and known.job is job:
        return known
    edits, start = edits_of(job), start_of(job)
    found = Standing(
        job=job,
        engine=engine_of(job),
        start=start,
        base=proposal_of(job, edits) if edits else start,
        edits=edits,
        rules=ring_rules(job.limits),
        build=build_of(job, start.stage),
        before={},
    )
    st.session_state[CACHE] = found
    return found


def pull_text(pull: float, system: UnitSystem) -> str:
    """Return a slider's value as somebody would type it.

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> pull_text(0.35, unit_system("mm")), pull_text(0.014, unit_system("inch"))
    ('0.35 mm', '0.014 in')
    """
    return f"{pull:.2f} mm" if system.name == "mm" else f"{pull:.3f} in"


def edge_typed(
    standing: Standing,
    port: str,
    *,
    pull: float,
    opens: str,
    system: UnitSystem,
    sizes: Mapping[str, Any],
) -> TypedRoof:
    """Return what slider and fields say of an edge.

    Parameters
    ----------
    standing : Standing
    port : str
    pull : float
        The slider's value, in the reader's units; counts unless a degree is typed.
    opens : str
        The degree as typed; empty for none.
    system : UnitSystem
    sizes : mapping
        ``shape``, ``rise``, ``radius``, ``drop``, ``step`` as typed; empty texts count for nothing.

    Returns
    -------
    TypedRoof
    """
    told = {name: text for name, text in sizes.items() if text}
    if opens.strip():
        return TypedRoof(port=port, wish=("opens", opens), **told)
    if pull <= 0:
        return TypedRoof(port=port, **told)
    if timing_edge(standing.port(port)) == "floor":
        return TypedRoof(port=port, floor=pull_text(pull, system), **told)
    return TypedRoof(port=port, wish=("raise", pull_text(pull, system)), **told)


def drafted(standing: Standing, typed: TypedRoof, *, rpm: float) -> Draft:
    """Return what comes of an edge as it is pulled.

    Parameters
    ----------
    standing : Standing
    typed : TypedRoof
    rpm : float
        Of the time-areas [rev/min].

    Returns
    -------
    Draft

    Raises
    ------
    PortmapError
        If what was typed cannot be read or made.
    """
    engine = standing.engine
    edits, said = typed_edits(engine, standing.base, typed, rpm=rpm)
    now = replace(standing.base, stage="proposed")
    for edit in edits:
        now, _ = edited_map(now, edit, engine.bore_mm, top=wall_top(engine))
    document = roof_document(
        engine,
        standing.start,
        now,
        typed.port,
        rpm=rpm,
        before=standing.figures_before(typed.port, rpm),
        rules=standing.rules,
        notices=said,
    )
    return Draft(edits=edits, port_map=now, document=document, notices=said)


def document_with_doubts(standing: Standing, draft: Draft) -> dict[str, Any]:
    """Return a draft's document with how sure blowdown and time-areas are, by the outlines' doubt.

    Parameters
    ----------
    standing : Standing
    draft : Draft
        Made without, so that what a hand follows is soon there.

    Returns
    -------
    dict
    """
    document = draft.document
    if draft.port_map.ports == standing.start.ports:
        figures = standing.figures_before(document["port"], document["rpm"])
    else:
        figures = port_figures(
            standing.engine, draft.port_map, document["port"], rpm=document["rpm"], doubts=True
        )
    return document | {"after": {**figures, "stage": draft.port_map.stage}}


def plan_outcomes(standing: Standing, port_map: PortMap) -> tuple[Outcome, ...] | PortmapError:
    """Return what the kept plan's wishes come to, or why they can't be told."""
    if standing.job.plan is None:
        return ()
    try:
        return kept_outcomes(standing.job.plan, standing.build, port_map)
    except PortmapError as error:
        return error


def other_work(job: Job, system: UnitSystem) -> str:
    """Return the kept plan's work that is not marked on the wall, in words; empty if there is none."""
    from portmap.kept_plan import MARKED

    pieces = () if job.plan is None else job.plan.operations
    return "; ".join(
        amount_words(Operation(operation=one.operation, amount_mm=one.amount_mm, port=one.port), system)
        for one in pieces
        if one.operation not in MARKED
    )
