"""A job with what a fit found: figures, heights of ports without an outline, and how sure all of them are.

Nothing that somebody measured is lost: a figure that the job stated as measured, and that the readings have
moved, is kept as one more reading. So the same fit of the job that was written gives the same figures.
"""

from __future__ import annotations

from typing import Any, TypeVar

from portmap.crank import ROD_RATIO_GUESS
from portmap.errors import JobError, PortmapError
from portmap.fit import Fit, FittedFigure
from portmap.fit_figures import ENGINE_FIGURES
from portmap.job import Job, job_of
from portmap.job_faults import document_of
from portmap.job_schema import CylinderEntry, EdgeEntry, EngineDoubtEntry, EngineEntry, ReadingEntry
from portmap.readings import Reading, entry_of_reading, reading_ports

__all__ = ["fitted_job"]

Entry = TypeVar("Entry", EngineEntry, CylinderEntry)

DECIMALS = 6  # of a written figure: far below what any reading tells
KEPT_NOTE = "as the job stated it before the fit"


def fitted_job(job: Job, fit: Fit, *, stage: str | None = None) -> Job:
    """Return a job with the figures that a fit found in it.

    Parameters
    ----------
    job : Job
        The one that was fitted.
    fit : Fit
        From `portmap.fit.fit_readings`.
    stage : str or None, optional
        The map whose ports the readings name.

    Returns
    -------
    Job
        With basis, doubts and the heights of ports known from readings alone.

    Raises
    ------
    JobError
        If a reading does not belong, all degrees are off together, or the figures found do not make an
        engine.

    Examples
    --------
    >>> from portmap.fit import fit_readings
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "rod_mm": 58, "pin_offset_mm": 0,
    ...                "crown_height_mm": 61},
    ...     "readings": [{"kind": "opens", "port": "exhaust", "value": 102.48, "unit": "deg"}]})
    >>> found = fitted_job(job, fit_readings(job))
    >>> round(found.edges[0].roof_mm, 2), round(found.edges[0].roof_u_mm, 2)
    (39.4, 0.07)
    """
    slip = next((notice for notice in fit.notices if notice.code == "wheel-zero"), None)
    if slip is not None:
        raise JobError(
            slip.message.partition(": ")[0],
            where="readings",
            remedy="find TDC again, and read the degrees anew",
        )
    if fit.suspects:
        raise JobError(fit.suspects[0].words, where="readings", remedy=fit.suspects[0].remedy)
    found = {figure.name: figure for figure in fit.figures}
    engine = _with_figures(job.engine, found, "engine")
    cylinder = _with_figures(job.cylinder, found, "cylinder")
    rod = found.get("rod_mm")
    if rod is not None and rod.basis != "measured" and job.engine.rod_mm is None:
        # the guess stays on record: it is what holds the rod in the next fit
        ratio = ROD_RATIO_GUESS if job.engine.rod_ratio is None else job.engine.rod_ratio
        engine = engine.model_copy(update={"rod_ratio": ratio})
    doubt = EngineDoubtEntry(figures=fit.doubt.figures, covariance=fit.doubt.covariance)
    changed = job.model_copy(
        update={
            "engine": engine.model_copy(update={"doubt": doubt}),
            "cylinder": cylinder,
            "readings": (*job.readings, *_kept_readings(job, fit)),
            "edges": _edges(job, found, stage),
        }
    )
    try:
        return job_of(document_of(changed))
    except PortmapError as error:
        fault = error.faults[0] if isinstance(error, JobError) and error.faults else error
        raise JobError(
            f"the figures found do not make an engine: {fault.message}",
            where=fault.where,
            remedy="look at the misfits, and measure again what is farthest off",
        ) from error


def _with_figures(entry: Entry, found: dict[str, FittedFigure], home: str) -> Entry:
    """Return the engine's or the cylinder's entry with the fitted figures and what each rests on."""
    values: dict[str, object] = {}
    basis = dict(entry.basis)
    for name, where, _ in ENGINE_FIGURES:
        figure = found.get(name)
        if where != home or figure is None or figure.basis == "measured":
            continue
        values[name] = round(figure.value, DECIMALS)
        basis[name] = figure.basis
    return entry.model_copy(update={**values, "basis": basis} if values else {})


def _kept_readings(job: Job, fit: Fit) -> list[ReadingEntry]:
    """Return the measured figures that are fitted from now on, as readings."""
    basis = {**job.engine.basis, **job.cylinder.basis}
    kinds = {name: kind for name, _, kind in ENGINE_FIGURES}
    kept = []
    for figure in fit.figures:
        kind: Any = kinds.get(figure.name)
        if figure.basis == "measured" or kind is None or not figure.held_as_measured:
            continue
        if basis.get(figure.name, "measured") != "measured" or figure.stated is None:
            continue
        tool = "burette" if figure.unit == "cm3" else "caliper"
        kept.append(entry_of_reading(Reading(kind=kind, value=figure.stated, tool=tool, note=KEPT_NOTE)))
    return kept


def _edges(job: Job, found: dict[str, FittedFigure], stage: str | None) -> tuple[EdgeEntry, ...]:
    mapped = {port.id for entry in job.maps for port in entry.ports}
    before = {entry.id: entry for entry in job.edges}
    for port in reading_ports(job, stage).values():
        if port.id in mapped:
            continue
        heights: dict[str, float] = {}
        for edge in ("roof", "floor"):
            figure = found.get(f"{edge}_mm:{port.id}")
            if figure is not None:
                heights[f"{edge}_mm"] = round(figure.value, DECIMALS)
                heights[f"{edge}_u_mm"] = round(figure.u, DECIMALS)
        old = before.get(port.id)
        if heights:
            stays = {} if old is None else old.model_dump(exclude_none=True)
            stays |= {"id": port.id, "kind": port.kind, "control": port.control}
            before[port.id] = EdgeEntry(**{**stays, **heights})
    return tuple(before.values())
