"""Jobs: reading, checking and writing their files, and the engine and ports that they describe.

A `Job` is the file as pydantic accepted it. `engine_of` and `port_map_of` make of it the frozen values
that the rest of the library computes with; nothing else of portmap needs pydantic.

Glossary
--------
assumed
    What a result leans on though nobody measured it: in plain words, in every output.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from portmap.crank import ROD_RATIO_GUESS, Crank, crank_with_guessed_rod
from portmap.engine import Engine, EngineDoubt, Piston
from portmap.errors import JobError, Notice
from portmap.files import write_json
from portmap.intake_valve import intake_valve
from portmap.job_faults import accepted, checked_kind, document_of, quoted, read_kind
from portmap.job_schema import Job, MapEntry, NoticeEntry, PortEntry, WindowEntry
from portmap.job_sense import sense_faults
from portmap.port import (
    Pocket,
    Port,
    PortEdges,
    PortMap,
    Window,
    WindowDoubt,
    edges_of,
    join_across_wrap,
    mirrored_window,
    window_polygon,
)

__all__ = [
    "Job",
    "engine_of",
    "job_of",
    "job_schema",
    "map_entry_of",
    "notices_of",
    "port_edges_of",
    "port_map_of",
    "port_of",
    "read_job",
    "window_of",
    "write_job",
]

PLAIN_NAMES = {
    "bore_mm": ("bore", "mm"),
    "stroke_mm": ("stroke", "mm"),
    "rod_mm": ("rod length", "mm"),
    "rod_ratio": ("rod-to-stroke ratio", ""),
    "pin_offset_mm": ("pin offset", "mm"),
    "crown_height_mm": ("crown height", "mm"),
    "skirt_length_mm": ("skirt length", "mm"),
    "head_volume_cm3": ("head volume", "cm³"),
    "case_volume_cm3": ("case volume", "cm³"),
    "base_gasket_mm": ("base gasket", "mm"),
    "squish_band_height_mm": ("squish band height", "mm"),
    "squish_band_width_mm": ("squish band width", "mm"),
    "deck_height_mm": ("deck height", "mm"),
    "base_flange_mm": ("base flange", "mm"),
    "wall_thickness_mm": ("wall thickness", "mm"),
}


def job_of(document: object) -> Job:
    """Return the job that a document describes.

    Parameters
    ----------
    document : object
        As the json module gives it.

    Returns
    -------
    Job

    Raises
    ------
    JobError
        With every fault found, each with its path.

    Examples
    --------
    >>> job_of({"format": "portmap-job", "version": 1, "name": "x", "engine": {"bore_mm": -46}, "maps": []})
    Traceback (most recent call last):
    portmap.errors.JobError: engine.bore_mm: -46 makes no sense here: it must be at least 5 mm; ...
    engine.stroke_mm: is missing; add it
    engine.crown_height_mm: is missing; add it
    """
    plain = checked_kind(document, "job")
    return accepted(Job, plain, sense_faults(plain))


def read_job(path: Path | str) -> Job:
    """Return the job in a file.

    Parameters
    ----------
    path : Path or str
        A job file, JSON.

    Returns
    -------
    Job

    Raises
    ------
    JobError
        As `job_of`, or if the file cannot be read.

    Examples
    --------
    >>> read_job("no-such-job.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-job.json: there is no such file; check the name
    """
    return job_of(read_kind(path, "job"))


def write_job(path: Path | str, job: Job, *, force: bool = False) -> Path:
    """Write a job, whole or not at all.

    Parameters
    ----------
    path : Path or str
        Where the file is to stand.
    job : Job
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the file exists, or the folder or the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.crank import Crank
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> read_job(write_job(Path(tempfile.mkdtemp()) / "job.json", job)) == job
    True
    """
    return write_json(path, document_of(job), force=force)


def job_schema() -> dict[str, Any]:
    """Return the JSON Schema of job files.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12.

    Examples
    --------
    >>> job_schema()["required"]
    ['format', 'version', 'name', 'engine', 'maps']
    """
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Job.model_json_schema()}


def engine_of(job: Job) -> Engine:
    """Return the engine of a job, with what is assumed in it.

    Parameters
    ----------
    job : Job

    Returns
    -------
    Engine
        `assumed` and `fitted` tell in plain words which figures nobody measured.

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...               "cylinder": {"base_gasket_mm": 0.4}})
    >>> engine_of(job).assumed
    ('rod length 57.6 mm, taken as 1.8 × stroke',)
    """
    entry, cylinder = job.engine, job.cylinder
    assumed = [*_words(entry.basis, entry, "assumed"), *_words(cylinder.basis, cylinder, "assumed")]
    fitted = [*_words(entry.basis, entry, "fitted"), *_words(cylinder.basis, cylinder, "fitted")]
    if entry.rod_mm is None:
        ratio = ROD_RATIO_GUESS if entry.rod_ratio is None else entry.rod_ratio
        crank = crank_with_guessed_rod(entry.stroke_mm, rod_ratio=ratio, pin_offset_mm=entry.pin_offset_mm)
        assumed.insert(0, f"rod length {crank.rod_mm:g} mm, taken as {ratio:g} × stroke")
    else:
        crank = Crank(
            stroke_mm=entry.stroke_mm,
            rod_mm=entry.rod_mm,
            pin_offset_mm=entry.pin_offset_mm,
            rod_assumed=entry.basis.get("rod_mm") == "assumed",
        )
    if "base_gasket_mm" not in cylinder.model_fields_set:
        assumed.append("no base gasket")
    return Engine(
        bore_mm=entry.bore_mm,
        crank=crank,
        crown_height_mm=entry.crown_height_mm,
        base_gasket_mm=cylinder.base_gasket_mm,
        skirt_length_mm=entry.skirt_length_mm,
        squish_band_height_mm=cylinder.squish_band_height_mm,
        head_volume_cm3=entry.head_volume_cm3,
        case_volume_cm3=entry.case_volume_cm3,
        squish_band_width_mm=cylinder.squish_band_width_mm,
        deck_height_mm=cylinder.deck_height_mm,
        base_flange_mm=cylinder.base_flange_mm,
        wall_thickness_mm=cylinder.wall_thickness_mm,
        piston=Piston(**entry.piston.model_dump()),
        intake=None
        if entry.intake is None
        else intake_valve(entry.intake.kind, entry.intake.opened_deg_mm2 or entry.intake.opened_bar_mm2),
        doubt=None
        if entry.doubt is None
        else EngineDoubt(figures=entry.doubt.figures, covariance=entry.doubt.covariance),
        assumed=tuple(assumed),
        fitted=tuple(fitted),
    )


def _words(basis: Mapping[str, str], entry: BaseModel, wanted: str) -> list[str]:
    """Return the figures of one basis in plain words."""
    found = []
    for field, how in basis.items():
        value = getattr(entry, field, None)
        if how == wanted and value is not None:
            name, unit = PLAIN_NAMES[field]
            # a fitted figure has more digits than anybody can hold
            found.append(f"{name} {round(value, 3) + 0.0:g} {unit}".rstrip())
    return found


def map_entry_of(job: Job, stage: str | None = None) -> MapEntry:
    """Return a map of a job as its file holds it.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        ``stock``, ``proposed`` or ``ground``; None takes the stock map, or the first if there is none.

    Returns
    -------
    MapEntry

    Raises
    ------
    JobError
        If the job has no such map.

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> map_entry_of(job)
    Traceback (most recent call last):
    portmap.errors.JobError: maps: the job has no map of its ports; trace one and make the job with ...
    """
    if not job.maps:
        raise JobError(
            "the job has no map of its ports",
            where="maps",
            remedy="trace one and make the job with portmap new",
        )
    found = [entry for entry in job.maps if entry.stage == (stage or "stock")]
    if not found and stage is None:
        return job.maps[0]
    if not found:
        stages = ", ".join(entry.stage for entry in job.maps)
        raise JobError(f"there is no {quoted(stage)} map", where="maps", remedy=f"the job has {stages}")
    return found[0]


def port_map_of(job: Job, stage: str | None = None) -> PortMap:
    """Return the ports of a job at one stage.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        As in `map_entry_of`.

    Returns
    -------
    PortMap
        Mirrored windows are in it, and halves that the wrap cut are joined.

    Raises
    ------
    JobError
        If the job has no such map.

    Examples
    --------
    >>> window = {"outline_mm": [[10, 24], [18, 24], [18, 34], [10, 34]]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [
    ...         {"id": "t", "kind": "transfer", "control": "crown", "mirror": True, "windows": [window]}]}]})
    >>> [window.outline.bounds for window in port_map_of(job).ports[0].windows]
    [(10.0, 24.0, 18.0, 34.0), (-18.0, 24.0, -10.0, 34.0)]
    """
    entry = map_entry_of(job, stage)
    return PortMap(stage=entry.stage, ports=tuple(port_of(port, job.engine.bore_mm) for port in entry.ports))


def port_edges_of(job: Job, stage: str | None = None) -> tuple[PortEdges, ...]:
    """Return the heights of a job's ports, from its map and from readings alone.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        As in `map_entry_of`.

    Returns
    -------
    tuple of PortEdges
        A port that the map has is taken from there.

    Raises
    ------
    JobError
        If a stage is asked for and the job has no such map.

    Examples
    --------
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...               "edges": [{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 39.4}]})
    >>> port_edges_of(job)[0].roof_mm
    39.4
    """
    mapped = port_map_of(job, stage).ports if job.maps or stage is not None else ()
    names = {port.id for port in mapped}
    read = (PortEdges(**entry.model_dump()) for entry in job.edges if entry.id not in names)
    return (*(edges_of(port) for port in mapped), *read)


def port_of(entry: PortEntry, bore_mm: float) -> Port:
    """Return a port of a file as the library computes with it.

    Parameters
    ----------
    entry : PortEntry
    bore_mm : float
        Bore [mm], for windows that the wrap cut in two.

    Returns
    -------
    Port
        Its mirrored windows in it.

    Raises
    ------
    GeometryError
        As `window_of`.

    Examples
    --------
    >>> window = WindowEntry(outline_mm=((10, 24), (18, 24), (18, 34), (10, 34)))
    >>> port_of(PortEntry(id="t", kind="transfer", control="crown", windows=(window,), mirror=True), 46.0).id
    't'
    """
    windows = tuple(window_of(window) for window in entry.windows)
    if entry.mirror:
        windows = (*windows, *(mirrored_window(window) for window in windows))
    if len(windows) > 1:
        windows = join_across_wrap(windows, bore_mm)
    pocket = None
    if entry.pocket is not None:
        pocket = Pocket(
            top_below_crown_mm=entry.pocket.top_below_crown_mm,
            bottom_below_crown_mm=entry.pocket.bottom_below_crown_mm,
        )
    return Port(
        id=entry.id,
        kind=entry.kind,
        control=entry.control,
        windows=windows,
        tilt_deg=entry.tilt_deg,
        pocket=pocket,
        kind_guessed=entry.kind_guessed,
    )


def window_of(entry: WindowEntry) -> Window:
    """Return a window of a file as the library computes with it.

    Parameters
    ----------
    entry : WindowEntry

    Returns
    -------
    Window

    Raises
    ------
    GeometryError
        If the outline is none; an entry of a job or map that was read has been checked.

    Examples
    --------
    >>> window_of(WindowEntry(outline_mm=((10, 24), (18, 24), (18, 34), (10, 34)))).outline.area
    80.0
    """
    doubt = None
    if entry.doubt is not None:
        doubt = WindowDoubt(
            roof_u_mm=entry.doubt.roof_u_mm,
            floor_u_mm=entry.doubt.floor_u_mm,
            wall_area_u_mm2=entry.doubt.wall_area_u_mm2,
            edge_u_mm=entry.doubt.edge_u_mm,
        )
    return Window(outline=window_polygon(entry.outline_mm, entry.holes_mm), doubt=doubt)


def notices_of(entries: tuple[NoticeEntry, ...]) -> tuple[Notice, ...]:
    """Return the doubts that a file carries.

    Parameters
    ----------
    entries : tuple of NoticeEntry
        A file's ``warnings``.

    Returns
    -------
    tuple of Notice

    Examples
    --------
    >>> notices_of((NoticeEntry(code="few-markers", message="12 of 88 seen."),))[0].code
    'few-markers'
    """
    return tuple(Notice(code=entry.code, message=entry.message) for entry in entries)
