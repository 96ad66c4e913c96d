"""A traced map put into a job that is there already: the rest of the job stays as it is.

What was known of a port beside its outline (control, tilt, pocket, notes) is kept where the new map has a
port of the same name and kind. A proposed map that the job's edits made is made anew of the new start.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from portmap.assign import Assignment
from portmap.errors import Notice
from portmap.job import Job, job_of
from portmap.job_faults import document_of
from portmap.job_new import new_job
from portmap.job_schema import MapFile
from portmap.port import Control, Stage
from portmap.roof_job import edits_of, with_edits

__all__ = ["job_with_map"]

KEPT = ("control", "tilt_deg", "pocket", "notes")


def job_with_map(
    job: Job,
    map_file: MapFile,
    *,
    assignments: Iterable[Assignment] = (),
    controls: Iterable[tuple[str, Control]] = (),
    stage: Stage = "stock",
    sheet_thickness_mm: float | None = None,
) -> tuple[Job, tuple[Notice, ...]]:
    """Return a job with a traced map at one of its stages.

    Parameters
    ----------
    job : Job
    map_file : MapFile
    assignments : iterable of Assignment, optional
        Which windows are which port; the others are guessed.
    controls : iterable of (str, str), optional
        Port or kind and its control, where it is neither the usual one nor the one that the job had.
    stage : {'stock', 'proposed', 'ground'}, optional
        A map that the job has of this stage is replaced.
    sheet_thickness_mm : float or None, optional
        Of the lifted sheet [mm]; None corrects nothing.

    Returns
    -------
    Job
    tuple of Notice
        What was guessed; it stands in the map too.

    Raises
    ------
    JobError
        If the two do not make a sound job.
    QuantityError
        As `new_job`.
    GeometryError
        If the job's edits cannot be made of the new map.

    Examples
    --------
    >>> from portmap.map_file import map_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> port = {"id": "1", "kind": "other", "control": "crown",
    ...         "windows": [{"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}]}
    >>> traced = map_of({"format": "portmap-map", "version": 1, "ports": [port]})
    >>> job_with_map(job, traced)[0].maps[0].ports[0].kind
    'exhaust'
    """
    document = document_of(job)
    stated = list(controls)
    made, notices = new_job(
        map_file,
        document,
        assignments=assignments,
        controls=stated,
        stage=stage,
        sheet_thickness_mm=sheet_thickness_mm,
    )
    entry = document_of(made.maps[0])
    maps: list[dict[str, Any]] = [dict(there) for there in document["maps"]]
    place = next((number for number, there in enumerate(maps) if there["stage"] == stage), len(maps))
    if place < len(maps):
        _keep_facts(entry["ports"], maps[place]["ports"], {name for name, _ in stated})
    maps[place : place + 1] = [entry]
    edits = edits_of(job)
    if stage == "proposed" or not edits:
        return job_of({**document, "maps": maps}), notices
    # the proposed map was made of the map that is replaced
    kept = [there for there in maps if there["stage"] != "proposed"]
    bare = {key: value for key, value in document.items() if key != "edits"}
    return job_of(with_edits({**bare, "maps": kept}, edits)), notices


def _keep_facts(ports: list[dict[str, Any]], before: list[dict[str, Any]], stated: set[str]) -> None:
    """Take over what the job knew of ports of the same name and kind."""
    known = {(port["id"], port["kind"]): port for port in before}
    for port in ports:
        old = known.get((port["id"], port["kind"]), {})
        for fact in KEPT:
            if fact in old and not (fact == "control" and {port["id"], port["kind"]} & stated):
                port[fact] = old[fact]
