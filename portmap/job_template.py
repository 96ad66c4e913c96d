"""What 1:1 sheets and scribe tables of a job show: all its stages, and the marks that differ.

A job's scribe table is of its proposed map, against the stock one; without a proposed one, of all roofs.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from portmap.errors import GeometryError
from portmap.job import Job, engine_of, map_entry_of, port_map_of
from portmap.job_review import job_notices
from portmap.scribe import ScribeRow, scribe_map_rows
from portmap.template_lay import TemplateRecord

__all__ = ["JobMarks", "job_marks", "template_record"]


@dataclass(frozen=True, kw_only=True, slots=True)
class JobMarks:
    """The marks to scribe for a job.

    Parameters
    ----------
    rows : tuple of ScribeRow
    stage : str
        Of the map that they are of.
    start : str or None
        Of the map from which it differs; None if all is marked.
    basis : tuple of str
        What the figures lean on though nobody measured it, in sentences.
    """

    rows: tuple[ScribeRow, ...]
    stage: str
    start: str | None
    basis: tuple[str, ...]


def template_record(job: Job, file: bytes = b"") -> TemplateRecord:
    """Return what 1:1 sheets of a job show.

    Parameters
    ----------
    job : Job
    file : bytes, optional
        The job file as it is on disk; its SHA-256 is printed so that sheet and file can be matched.

    Returns
    -------
    TemplateRecord

    Raises
    ------
    JobError
        If the job has no map.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> window = {"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}
    >>> port = {"id": "e", "kind": "exhaust", "control": "crown", "windows": [window]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [port]}]})
    >>> [port_map.stage for port_map in template_record(job).port_maps]
    ['stock']
    """
    map_entry_of(job)  # says what to do if there is none
    stages = [entry.stage for entry in job.maps]
    notices = [notice for stage in stages for notice in job_notices(job, stage)]
    return TemplateRecord(
        name=job.name,
        engine=engine_of(job),
        port_maps=tuple(port_map_of(job, stage) for stage in stages),
        date=job.created or "",
        file_sha256=hashlib.sha256(file).hexdigest() if file else "",
        notices=tuple(dict.fromkeys(notices)),
    )


def job_marks(job: Job, step_mm: float) -> JobMarks:
    """Return the heights to mark along each new edge of a job.

    Parameters
    ----------
    job : Job
    step_mm : float
        Along the wall [mm].

    Returns
    -------
    JobMarks

    Raises
    ------
    JobError
        If the job has no map.
    GeometryError
        If nothing is to be marked.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> window = {"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}
    >>> port = {"id": "e", "kind": "exhaust", "control": "crown", "windows": [window]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [port]}]})
    >>> job_marks(job, 1.0).start is None
    True
    """
    stages = [entry.stage for entry in job.maps]
    stage = "proposed" if "proposed" in stages else map_entry_of(job).stage
    started = "stock" if stage == "proposed" and "stock" in stages else None
    engine, port_map = engine_of(job), port_map_of(job, stage)
    start = None if started is None else port_map_of(job, started)
    rows = tuple(scribe_map_rows(engine, port_map, step_mm, start=start))
    if not rows:
        raise GeometryError(
            "the proposed map moves no roof and no floor of the stock one: there is nothing to scribe",
            where="maps",
            remedy="propose one with portmap roof",
        )
    basis = (
        *(f"Nobody measured, so assumed: {words}." for words in engine.assumed),
        *(f"Fitted from readings: {words}." for words in engine.fitted),
    )
    return JobMarks(rows=rows, stage=stage, start=started, basis=basis)
