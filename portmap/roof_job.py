"""The edits of a job, and the proposed map that they make, as the job's file holds them.

The file's own document is changed and not made anew, so that all else in it stays as it stands, and taking
the last edit back leaves the file byte for byte as it was (if portmap wrote it; a file laid out by hand
comes back with the same content in portmap's layout).

Glossary
--------
start
    The map that the edits change: the stock one; without one, the ground one.
made elsewhere
    A proposed map that is not what the job's edits make of the start. It is not replaced unless told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from typing import Any

from portmap.errors import JobError, PortmapError
from portmap.job import engine_of, job_of, map_entry_of, port_map_of
from portmap.job_schema import EditEntry, Job
from portmap.map_file import window_document
from portmap.port import PortMap
from portmap.roof import proposed_map
from portmap.roof_edit import RoofEdit
from portmap.roof_wish import wall_top
from portmap.wall_change import area_beyond

__all__ = ["edit_document", "edit_of", "edits_of", "proposal_of", "start_of", "with_edits"]

SAME_MM2 = 0.01  # outlines are written to 0.00001 mm, and another shapely may cut a corner otherwise


def edit_of(entry: EditEntry) -> RoofEdit:
    """Return an edit of a file as the library computes with it.

    Parameters
    ----------
    entry : EditEntry

    Returns
    -------
    RoofEdit

    Raises
    ------
    GeometryError
        As `RoofEdit`; an entry of a job that was read has been checked.

    Examples
    --------
    >>> edit_of(EditEntry(port="exhaust", by_mm=1.0)).edge
    'roof'
    """
    return RoofEdit(**{one.name: getattr(entry, one.name) for one in fields(RoofEdit)})


def edits_of(job: Job) -> tuple[RoofEdit, ...]:
    """Return the edits of a job, in their order.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of RoofEdit

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> edits_of(job)
    ()
    """
    return tuple(edit_of(entry) for entry in job.edits)


def edit_document(edit: RoofEdit) -> dict[str, Any]:
    """Return an edit as a job's file holds it: what is not as usual.

    Parameters
    ----------
    edit : RoofEdit

    Returns
    -------
    dict

    Examples
    --------
    >>> edit_document(RoofEdit(port="exhaust", by_mm=1.0))
    {'port': 'exhaust', 'edge': 'roof', 'family': 'moved', 'by_mm': 1.0}
    """
    found: dict[str, Any] = {}
    for one in fields(edit):
        value = getattr(edit, one.name)
        if one.name in ("port", "edge", "family") or one.default is MISSING or value != one.default:
            found[one.name] = list(value) if isinstance(value, tuple) else value
    return found


def start_of(job: Job) -> PortMap:
    """Return the map that the edits of a job change.

    Parameters
    ----------
    job : Job

    Returns
    -------
    PortMap
        The stock map; without one, the ground one.

    Raises
    ------
    JobError
        If the job has neither.

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> start_of(job)
    Traceback (most recent call last):
    portmap.errors.JobError: maps: the job has no map to start from; trace the ports as they are and ...
    """
    return port_map_of(job, _start_stage(job))


def _start_stage(job: Job) -> str:
    stages = [entry.stage for entry in job.maps]
    for stage in ("stock", "ground"):
        if stage in stages:
            return stage
    raise JobError(
        "the job has no map to start from",
        where="maps",
        remedy="trace the ports as they are and make the job with portmap new",
    )


def proposal_of(job: Job, edits: tuple[RoofEdit, ...]) -> PortMap:
    """Return the map that edits make of a job's start.

    Parameters
    ----------
    job : Job
    edits : tuple of RoofEdit

    Returns
    -------
    PortMap
        Of stage ``proposed``.

    Raises
    ------
    JobError
        As `start_of`.
    GeometryError
        As `proposed_map`.

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": []}]})
    >>> proposal_of(job, ()).stage
    'proposed'
    """
    return proposed_map(start_of(job), edits, job.engine.bore_mm, top=wall_top(engine_of(job)))


def with_edits(
    document: Mapping[str, Any], edits: tuple[RoofEdit, ...], *, replace_foreign: bool = False
) -> dict[str, Any]:
    """Return a job's document with these edits in place of those it has, and the map that they make.

    Parameters
    ----------
    document : mapping
        A sound job as the json module gives it; it is not changed.
    edits : tuple of RoofEdit
        All of them, in their order; none takes the proposed map away.
    replace_foreign : bool, optional
        Replace a proposed map that was made elsewhere.

    Returns
    -------
    dict
        A sound job.

    Raises
    ------
    JobError
        If a proposed map was made elsewhere, or the job would not be sound.
    GeometryError
        As `proposal_of`.

    Examples
    --------
    >>> outline = [[-14, 28], [14, 28], [14, 39], [-14, 39]]
    >>> document = {"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [{"id": "e", "kind": "exhaust", "control": "crown",
    ...                                            "windows": [{"outline_mm": outline}]}]}]}
    >>> new = with_edits(document, (RoofEdit(port="e", by_mm=1.0),))
    >>> new["maps"][1]["ports"][0]["windows"][0]["outline_mm"][2]
    [14.0, 40.0]
    >>> with_edits(new, ()) == document
    True
    """
    job = job_of(dict(document))
    if not replace_foreign:
        _refuse_foreign(job)
    new = dict(document)
    maps = [entry for entry in document["maps"] if entry["stage"] != "proposed"]
    place = next((n for n, entry in enumerate(document["maps"]) if entry["stage"] == "proposed"), len(maps))
    new.pop("edits", None)
    if edits:
        new["edits"] = [edit_document(edit) for edit in edits]
        maps.insert(place, _map_document(job, edits))
    new["maps"] = maps
    job_of(new)
    return new


def _map_document(job: Job, edits: tuple[RoofEdit, ...]) -> dict[str, Any]:
    """Return the proposed map as the file holds it; ports that no edit names stand as in the start."""
    from portmap.job_faults import document_of

    stage = _start_stage(job)
    made = {port.id: port for port in proposal_of(job, edits).ports}
    named = {edit.port for edit in edits}
    ports = []
    for entry in map_entry_of(job, stage).ports:
        port = document_of(entry)
        if entry.id in named:
            port["windows"] = [window_document(window) for window in made[entry.id].windows]
            port.pop("mirror", None)
        ports.append(port)
    return {"stage": "proposed", "ports": ports, "source": {"made_of": stage, "edits": len(edits)}}


def _refuse_foreign(job: Job) -> None:
    if not any(entry.stage == "proposed" for entry in job.maps):
        return
    there = port_map_of(job, "proposed")
    try:
        same = _same(there, proposal_of(job, edits_of(job))) if job.edits else False
    except PortmapError:
        same = False
    if not same:
        raise JobError(
            "the job's proposed map is not what its edits make of the stock map"
            if job.edits
            else "the job has a proposed map that was not made by edits",
            where="maps",
            remedy="keep it in another job, or add --force to replace it",
        )


def _same(first: PortMap, second: PortMap) -> bool:
    if [(port.id, len(port.windows)) for port in first.ports] != [
        (port.id, len(port.windows)) for port in second.ports
    ]:
        return False
    pairs = (
        (one.outline, other.outline)
        for port, there in zip(first.ports, second.ports, strict=True)
        for one, other in zip(port.windows, there.windows, strict=True)
    )
    return all(
        area_beyond(one, other).area + area_beyond(other, one).area <= SAME_MM2 for one, other in pairs
    )
