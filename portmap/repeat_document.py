"""A repeat build for other programs, and in the new casting's job as its proposed map."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from portmap.errors import JobError, Notice
from portmap.job import job_of, map_entry_of
from portmap.job_faults import document_of
from portmap.map_file import window_document
from portmap.repeat import Repeat, RepeatedPort
from portmap.repeat_rows import lacking_words, transfer_words
from portmap.shown import unit_system
from portmap.wall_change import Place, place_words

__all__ = ["repeat_document", "with_repeat"]


def repeat_document(found: Repeat) -> dict[str, Any]:
    """Return a repeat build as JSON gives it.

    Parameters
    ----------
    found : Repeat

    Returns
    -------
    dict
        ``by``, ``datum``, ``stage``, ``transfer_u_mm``, ``registration``, ``ports`` and ``warnings``.

    Examples
    --------
    >>> from portmap.port import PortMap
    >>> nothing = PortMap(stage="ground", ports=())
    >>> repeat_document(Repeat(way="mm", datum="base", stage="ground", registration=None, carried=nothing,
    ...     proposed=nothing, ports=(), u_mm=0.0, notices=()))["transfer_u_mm"]
    0.0
    """
    laid = found.registration
    return {
        "by": found.way,
        "datum": found.datum,
        "stage": found.stage,
        "transfer_u_mm": found.u_mm,
        "registration": None
        if laid is None
        else {"dx_mm": laid.dx_mm, "dy_mm": laid.dy_mm, "turn_deg": laid.turn_deg, "rms_mm": laid.rms_mm},
        "ports": [_port(port) for port in found.ports],
        "warnings": [notice.as_dict() for notice in found.notices],
    }


def _port(port: RepeatedPort) -> dict[str, Any]:
    return {
        "id": port.id,
        "id_good": port.id_good,
        "carried": port.carried,
        "good_opens_deg": port.good_opens_deg,
        "stock_opens_deg": port.stock_opens_deg,
        "wanted_opens_deg": port.carried_opens_deg,
        "proposed_opens_deg": port.proposed_opens_deg,
        "opens_u_deg": port.opens_u_deg,
        "to_grind": {"deepest_mm": port.deepest_mm, "area_mm2": port.area_mm2},
        "already_open": [_place(place) for place in port.already_open],
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "edge": place.edge,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "depth_mm": place.depth_mm,
        "area_mm2": place.area_mm2,
        "words": place_words(place),
    }


def with_repeat(
    document: Mapping[str, Any],
    found: Repeat,
    *,
    source: Mapping[str, Any],
    replace_proposed: bool = False,
) -> dict[str, Any]:
    """Return a job's document with the repeat as its proposed map.

    Parameters
    ----------
    document : mapping
        The new casting's job; it is not changed.
    found : Repeat
    source : mapping
        Which job was repeated.
    replace_proposed : bool, optional
        Take the job's edits and its proposed map away; its history keeps them.

    Returns
    -------
    dict
        A sound job.

    Raises
    ------
    JobError
        If the job has edits or a proposed map and they are not to be replaced.

    Examples
    --------
    >>> from portmap.port import PortMap
    >>> nothing = PortMap(stage="ground", ports=())
    >>> found = Repeat(way="mm", datum="base", stage="ground", registration=None, carried=nothing,
    ...                proposed=nothing, ports=(), u_mm=0.0, notices=())
    >>> job = {"format": "portmap-job", "version": 1, "name": "saw",
    ...        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...        "maps": [{"stage": "stock", "ports": []}]}
    >>> with_repeat(job, found, source={"id": 7})["maps"][1]["source"]
    {'made_of': 'repeat', 'id': 7, 'by': 'mm', 'datum': 'base', 'stage': 'ground'}
    """
    job = job_of(dict(document))
    stages = [entry.stage for entry in job.maps]
    if (job.edits or "proposed" in stages) and not replace_proposed:
        raise JobError(
            "the job has a proposed map already",
            where="--on",
            remedy="add --force to put this one in its place; the job's history keeps the other",
        )
    made = {port.id: port for port in found.proposed.ports}
    own = map_entry_of(job, "stock" if "stock" in stages else None)
    ports = []
    for entry in own.ports:
        port = document_of(entry)
        if entry.id in made:
            port["windows"] = [window_document(window) for window in made[entry.id].windows]
            port.pop("mirror", None)
        ports.append(port)
    about = {"made_of": "repeat", **source, "by": found.way, "datum": found.datum, "stage": found.stage}
    proposed: dict[str, Any] = {"stage": "proposed", "ports": ports, "source": about}
    told = (*_transfer_notices(found), *found.notices)
    if told:
        proposed["warnings"] = [notice.as_dict() for notice in told]
    maps = [entry for entry in document["maps"] if entry["stage"] != "proposed"]
    new = {key: value for key, value in document.items() if key != "edits"}
    new["maps"] = [*maps, proposed]
    job_of(new)
    return new


def _transfer_notices(found: Repeat) -> Iterator[Notice]:
    """Yield what sheet and job must say of the transfer: what cannot be had, and how sure its heights are."""
    system = unit_system("mm")
    if found.u_mm is not None:
        yield Notice(code="transfer-doubt", message=transfer_words(found.u_mm, system))
    deepest = sorted(
        (port for port in found.ports if port.already_open),
        key=lambda port: -port.already_open[0].depth_mm,
    )
    for words in lacking_words(deepest, system, deepest_alone=True):
        yield Notice(code="already-open", message=words)
