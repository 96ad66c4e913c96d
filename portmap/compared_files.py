"""The two sides of a comparison from files: jobs at one of their stages, or map files.

A map file says neither what stage it shows nor of what engine: its bore is told, its stage too, and its
timing stays unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from portmap.compare import Side
from portmap.errors import JobError, Notice, PortmapError, QuantityError
from portmap.files import read_json
from portmap.job import engine_of, job_of, notices_of, port_map_of, port_of
from portmap.job_review import job_notices
from portmap.map_file import map_of
from portmap.port import PortMap, Stage

__all__ = ["ReadSide", "read_side", "stages_in"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadSide:
    """A side of a comparison as a file holds it.

    Parameters
    ----------
    side : Side
    wish : PortMap or None
        The job's proposed map.
    notices : tuple of Notice
        Doubts that the file carries.
    """

    side: Side
    wish: PortMap | None
    notices: tuple[Notice, ...]


def stages_in(path: Path | str) -> tuple[Stage, ...]:
    """Return the stages that a job has maps of.

    Parameters
    ----------
    path : Path or str
        A job file.

    Returns
    -------
    tuple of {'stock', 'proposed', 'ground'}
        In that order, whatever their order in the file; empty for a map file.

    Raises
    ------
    JobError
        If the file cannot be read.

    Examples
    --------
    >>> stages_in("no-such-job.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-job.json: there is no such file; check the name
    """
    document = read_json(path)
    if _is_map(document):
        return ()
    try:
        found = {entry.stage for entry in job_of(document).maps}
    except PortmapError as error:
        raise _in_file(error, path) from None
    return tuple(stage for stage in get_args(Stage) if stage in found)


def read_side(
    path: Path | str, *, stage: Stage | None = None, bore_mm: float | None = None, map_stage: Stage = "stock"
) -> ReadSide:
    """Return one side of a comparison.

    Parameters
    ----------
    path : Path or str
        A job or map file.
    stage : {'stock', 'proposed', 'ground'} or None, optional
        Which of the job's maps, the stock one unless told; or what a map file shows.
    bore_mm : float or None, optional
        Of a map file [mm].
    map_stage : {'stock', 'proposed', 'ground'}, optional
        What a map file shows unless told.

    Returns
    -------
    ReadSide

    Raises
    ------
    JobError
        If the file cannot be read or breaks its rules, or the job has no such map.
    QuantityError
        If a map file's bore was not told.

    Examples
    --------
    >>> read_side("no-such-job.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-job.json: there is no such file; check the name
    """
    document = read_json(path)
    try:
        if not _is_map(document):
            job = job_of(document)
            port_map = port_map_of(job, stage)
            engine = engine_of(job)
            side = Side(name=job.name, port_map=port_map, bore_mm=engine.bore_mm, engine=engine)
            wish = None
            if any(entry.stage == "proposed" for entry in job.maps):
                wish = port_map_of(job, "proposed")
            return ReadSide(side=side, wish=wish, notices=job_notices(job, port_map.stage))
        traced = map_of(document)
    except PortmapError as error:
        raise _in_file(error, path) from None
    if bore_mm is None:
        raise QuantityError(
            f"{path} is a map, which does not tell its bore", where="--bore", remedy="give it, as in 46 mm"
        )
    ports = tuple(port_of(port, bore_mm) for port in traced.ports)
    return ReadSide(
        side=Side(
            name=Path(path).stem, port_map=PortMap(stage=stage or map_stage, ports=ports), bore_mm=bore_mm
        ),
        wish=None,
        notices=notices_of(traced.warnings),
    )


def _is_map(document: object) -> bool:
    return isinstance(document, dict) and document.get("format") == "portmap-map"


def _in_file(error: PortmapError, path: Path | str) -> JobError:
    """Return the same faults, each with the file that it is in: there are two of them."""
    faults = error.faults if isinstance(error, JobError) and error.faults else (error,)
    return JobError.of(
        tuple(
            JobError(
                fault.message,
                where=f"{path}, {fault.where}" if fault.where else str(path),
                remedy=fault.remedy,
            )
            for fault in faults
        )
    )
