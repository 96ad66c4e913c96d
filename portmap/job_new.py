"""A job made of a traced map and what is known of the engine.

The engine comes as ``{"name": ..., "engine": {...}, "cylinder": {...}}``, each part as in a job file, or
with all its fields side by side. A job file will do too: its engine and cylinder are taken.

Glossary
--------
sheet thickness
    Of the lifted sheet: it shows x shorter than the wall is, by (R − t/2)/R (see
    `portmap.picture.sheet_curl`). x is corrected once, either when traced or here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from shapely.affinity import scale

from portmap.assign import Assignment, assigned_ports
from portmap.errors import JobError, Notice, QuantityError
from portmap.job import Job, job_of, port_of
from portmap.job_faults import nearest, quoted
from portmap.job_schema import VERSION, CylinderEntry, EngineEntry, MapFile
from portmap.map_file import window_document
from portmap.picture.sheet_curl import wall_x_factor
from portmap.port import Control, Port, PortMap, Stage, Window

__all__ = ["new_job"]


def new_job(
    map_file: MapFile,
    engine_document: object,
    *,
    assignments: Iterable[Assignment] = (),
    controls: Iterable[tuple[str, Control]] = (),
    name: str | None = None,
    stage: Stage = "stock",
    sheet_thickness_mm: float | None = None,
    created: str | None = None,
) -> tuple[Job, tuple[Notice, ...]]:
    """Return a job made of a traced map and an engine.

    Parameters
    ----------
    map_file : MapFile
    engine_document : object
        As the json module gives it.
    assignments : iterable of Assignment, optional
        Which windows are which port; the others are guessed.
    controls : iterable of (str, str), optional
        Port or kind and its control, where it is not the usual one.
    name : str or None, optional
        Of the job; None takes the engine document's.
    stage : {'stock', 'proposed', 'ground'}, optional
    sheet_thickness_mm : float or None, optional
        Of the lifted sheet [mm]; None corrects nothing.
    created : str or None, optional
        Date, as the file is to hold it.

    Returns
    -------
    Job
    tuple of Notice
        What was guessed, and what the sheet's thickness could amount to; they stand in the job too.

    Raises
    ------
    JobError
        If the two together do not make a sound job.
    QuantityError
        If an assignment or a control names what is not there, or the thickness was corrected before.

    Examples
    --------
    >>> from portmap.map_file import map_of
    >>> port = {"id": "1", "kind": "other", "control": "crown",
    ...         "windows": [{"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}]}
    >>> traced = map_of({"format": "portmap-map", "version": 1, "ports": [port]})
    >>> job, notices = new_job(traced, {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}, name="saw")
    >>> job.maps[0].ports[0].kind, [notice.code for notice in notices]
    ('exhaust', ['kind-guessed', 'sheet-thickness-unknown'])
    """
    document = _engine_parts(engine_document)
    if name is not None:
        document["name"] = name
    document.setdefault("name", "unnamed")
    job = job_of({"format": "portmap-job", "version": VERSION, "maps": [], **document})
    bore = job.engine.bore_mm
    factor, sheet_notices = _sheet(map_file, sheet_thickness_mm, bore)
    traced = PortMap(
        stage=stage,
        ports=tuple(_widened(port_of(entry, bore), factor) for entry in map_file.ports),
    )
    made, guesses = assigned_ports(traced, assignments, bore, controls=controls)
    notices = (*guesses, *sheet_notices)
    source = dict(map_file.source or {})
    if factor != 1.0:
        source |= {"sheet_thickness_mm": sheet_thickness_mm, "bore_mm": bore, "wall_x_factor": factor}
    port_map: dict[str, Any] = {
        "stage": stage,
        "ports": [_port_document(port) for port in made.ports],
        "source": source,
        # the trace may have warned of the thickness that is corrected here
        "warnings": [
            {"code": entry.code, "message": entry.message}
            for entry in map_file.warnings
            if entry.code != "sheet-thickness-unknown"
        ]
        + [notice.as_dict() for notice in notices],
    }
    whole = {"format": "portmap-job", "version": VERSION, **document, "maps": [port_map]}
    if created is not None:
        whole["created"] = created
    return job_of(whole), notices


def _engine_parts(document: object) -> dict[str, Any]:
    """Return name, engine and cylinder, wherever they stand in the document."""
    if not isinstance(document, dict):
        raise JobError("the engine file holds no object", where="--engine", remedy="write it in braces")
    parts = {key: value for key, value in document.items() if key in {"name", "notes", "engine", "cylinder"}}
    if document.get("format") == "portmap-job":
        return parts  # another job of the same engine
    rest = {key: value for key, value in document.items() if key not in parts}
    if "engine" in parts and not rest:
        return parts
    engine, cylinder, unknown = {}, {}, []
    known = [*EngineEntry.model_fields, *CylinderEntry.model_fields]
    for key, value in rest.items():
        if key in EngineEntry.model_fields:
            engine[key] = value
        elif key in CylinderEntry.model_fields:
            cylinder[key] = value
        else:
            near = nearest(str(key), [*known, "name", "engine", "cylinder"])
            remedy = f"did you mean {near}?" if near else "remove it"
            unknown.append(
                JobError(f"{quoted(key)} is not a figure of an engine", where="--engine", remedy=remedy)
            )
    if unknown:
        raise JobError.of(tuple(unknown))
    for key, fields in (("engine", engine), ("cylinder", cylinder)):
        given = parts.get(key)
        if isinstance(given, dict) and set(given) & set(fields):
            twice = sorted(set(given) & set(fields))[0]
            raise JobError(f"{twice} stands twice", where="--engine", remedy="keep one of them")
        if fields or given is not None:
            parts[key] = {**fields, **given} if isinstance(given, dict) else given or fields
    return parts


def _sheet(map_file: MapFile, thickness_mm: float | None, bore_mm: float) -> tuple[float, tuple[Notice, ...]]:
    """Return what x is to be multiplied by, and what there is to say of it."""
    source = map_file.source or {}
    done = source.get("wall_x_factor")
    if isinstance(done, (int, float)) and not isinstance(done, bool):
        if thickness_mm is not None:
            raise QuantityError(
                "the map was corrected for the sheet's thickness when it was traced",
                where="--sheet-thickness",
                remedy="leave it away here",
            )
        traced_in = source.get("bore_mm")
        if isinstance(traced_in, (int, float)) and abs(traced_in - bore_mm) > 0.01 * bore_mm:
            return 1.0, (
                Notice(
                    code="other-bore",
                    message=f"The map was corrected for a bore of {traced_in:g} mm, not {bore_mm:g} mm.",
                ),
            )
        return 1.0, ()
    if thickness_mm is None:
        could = (wall_x_factor(bore_mm, 0.1) - 1) * 100
        return 1.0, (
            Notice(
                code="sheet-thickness-unknown",
                message="Widths are as on the flat sheet; one of 0.1 mm would show them"
                f" {could:.2f} % too small in this bore (--sheet-thickness).",
            ),
        )
    return wall_x_factor(bore_mm, thickness_mm), ()


def _widened(port: Port, factor: float) -> Port:
    """Return the port as the wall had it before the sheet was laid flat."""
    return replace(port, windows=tuple(_widened_window(window, factor) for window in port.windows))


def _widened_window(window: Window, factor: float) -> Window:
    if factor == 1.0:
        return window
    doubt = window.doubt
    if doubt is not None:
        doubt = replace(doubt, wall_area_u_mm2=doubt.wall_area_u_mm2 * factor)
    return Window(outline=scale(window.outline, factor, 1.0, origin=(0.0, 0.0)), doubt=doubt)


def _port_document(port: Port) -> dict[str, Any]:
    document: dict[str, Any] = {"id": port.id, "kind": port.kind, "control": port.control}
    if port.kind_guessed:
        document["kind_guessed"] = True
    if port.tilt_deg is not None:
        document["tilt_deg"] = port.tilt_deg
    if port.pocket is not None:
        document["pocket"] = {
            "top_below_crown_mm": port.pocket.top_below_crown_mm,
            "bottom_below_crown_mm": port.pocket.bottom_below_crown_mm,
        }
    document["windows"] = [window_document(window) for window in port.windows]
    return document
