"""The record that a build sheet prints, taken from a job."""

from __future__ import annotations

import hashlib

from portmap.atmosphere import air
from portmap.compression import Starter, compression_document
from portmap.effects import effect_table
from portmap.fit import fit_readings
from portmap.fit_document import fit_document
from portmap.job import Job, engine_of, port_map_of
from portmap.job_review import job_notices
from portmap.ring import ring_verdicts
from portmap.ring_rules import ring_rules
from portmap.rope import PULLEY_RADIUS_GUESS_MM
from portmap.sheet import SheetRecord
from portmap.sheet_bench import BenchFigures
from portmap.sheet_further import Further, Reader
from portmap.sheet_photos import PictureBytes, sheet_photos
from portmap.shopwork import build_of

__all__ = ["sheet_record"]


def sheet_record(
    job: Job,
    file: bytes = b"",
    *,
    stage: str | None = None,
    reader: Reader = "all",
    picture_bytes: PictureBytes | None = None,
) -> SheetRecord:
    """Return what the build sheet of a job says.

    Parameters
    ----------
    job : Job
    file : bytes, optional
        The job file as it is on disk; its SHA-256 is printed so that sheet and file can be matched.
    stage : str or None, optional
        ``stock``, ``proposed`` or ``ground``; None takes the cylinder as it is: ground if it was mapped so,
        else as in `map_entry_of`.
    reader : {'customer', 'bench', 'all'}, optional
        For whom the pages after the first are.
    picture_bytes : callable or None, optional
        Gives the bytes of a picture that the job names; None leaves the photos out.

    Returns
    -------
    SheetRecord

    Raises
    ------
    JobError
        If the job has no such map.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> window = {"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}
    >>> port = {"id": "e", "kind": "exhaust", "control": "crown", "windows": [window]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "created": "2026-03-14",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [port]}]})
    >>> sheet_record(job).date
    '2026-03-14'
    """
    shown = stage or next((entry.stage for entry in job.maps if entry.stage == "ground"), None)
    return SheetRecord(
        name=job.name,
        engine=engine_of(job),
        port_map=port_map_of(job, shown),
        date=job.created or "",
        file_sha256=hashlib.sha256(file).hexdigest() if file else "",
        notices=job_notices(job, shown),
        further=Further(
            reader=reader,
            job=job,
            maps=tuple(port_map_of(job, entry.stage) for entry in job.maps),
            photos=() if picture_bytes is None else sheet_photos(job, picture_bytes),
            bench=None if reader == "customer" else _bench(job, shown, readings_of=stage),
        ),
    )


def _bench(job: Job, stage: str | None, *, readings_of: str | None) -> BenchFigures:
    build = build_of(job, stage)
    return BenchFigures(
        # a job's readings are taken of the ports as they came, unless told otherwise
        fit=fit_document(fit_readings(job, stage=readings_of)) if job.readings else None,
        compression=compression_document(
            build.engine,
            build.edges,
            at=air(),
            rpm=(),
            starter=Starter(pulley_radius_mm=PULLEY_RADIUS_GUESS_MM),
        ),
        effects=effect_table(build, areas=False),
        ring=ring_verdicts(build.engine, port_map_of(job, stage), ring_rules(job.limits)),
    )
