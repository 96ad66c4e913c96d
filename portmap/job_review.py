"""What a sound job still lacks, and what in it is worth a second look.

Nothing here is a fault: a fault keeps a job from being read (`portmap.job_faults`, `portmap.job_sense`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from shapely.affinity import translate

from portmap.engine import Engine
from portmap.errors import Notice
from portmap.figures import timing_document
from portmap.job import Job, engine_of, map_entry_of, notices_of, port_map_of
from portmap.limit_names import check_limit_names
from portmap.port import PortMap, mirrored_pairs

__all__ = ["job_notices", "missing_fields", "reviewed"]

PAIR_MM = 0.2  # difference of left and right that a porter would grind away; common practice, no source
OVERLAP_MM2 = 0.5
COVERAGE = 2.0  # standard uncertainties


def job_notices(job: Job, stage: str | None = None) -> tuple[Notice, ...]:
    """Return the doubts that a job carries, to stand beside every figure taken from it.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        As in `map_entry_of`.

    Returns
    -------
    tuple of Notice
        The job's and the map's own, and whether kinds were guessed.

    Raises
    ------
    JobError
        If the job has no such map.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> window = {"outline_mm": [[10, 24], [18, 24], [18, 34], [10, 34]]}
    >>> port = {"id": "t", "kind": "transfer", "control": "crown", "kind_guessed": True, "windows": [window]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [port]}]})
    >>> job_notices(job)[0].message
    'The kind of t was guessed from its place and not stated.'
    """
    entry = map_entry_of(job, stage)
    found = [*notices_of(job.warnings), *notices_of(entry.warnings)]
    guessed = [port.id for port in entry.ports if port.kind_guessed]
    if guessed and not any(notice.code == "kind-guessed" for notice in found):
        word = "its place" if len(guessed) == 1 else "their places"
        message = f"The kind of {', '.join(guessed)} was guessed from {word} and not stated."
        found.append(Notice(code="kind-guessed", message=message))
    return tuple(found)


def missing_fields(job: Job) -> tuple[tuple[str, str], ...]:
    """Return the figures that nobody gave, and what each is for.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of (str, str)
        Path in the file, and what it would give.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> missing_fields(job)[0]
    ('engine.rod_mm', 'exact timings; a rod is assumed')
    """
    uses = {
        "engine.rod_mm": "exact timings; a rod is assumed",
        "engine.skirt_length_mm": "the timing of ports that the skirt controls",
        "engine.head_volume_cm3": "compression ratios",
        "engine.case_volume_cm3": "the case ratio",
        "cylinder.squish_band_height_mm": "the squish clearance",
        "cylinder.deck_height_mm": "a check that no port is above the deck",
    }
    found = []
    for path, use in uses.items():
        part, field = path.split(".")
        if getattr(getattr(job, part), field) is None:
            found.append((path, use))
    if not job.maps:
        found.append(("maps", "areas and time-areas" if job.edges else "everything about ports"))
    return tuple(found)


def reviewed(job: Job) -> tuple[Notice, ...]:
    """Return what is worth a second look in a job, map by map.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of Notice
        Ports that never open or close or cannot be timed, windows that lie on each other, pairs that
        differ from left to right, outlines whose doubt nobody stated, and what the job itself carries.

    Raises
    ------
    JobError
        If the job sets a limit that there isn't.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> window = {"outline_mm": [[-14, 28], [14, 28], [14, 40], [-14, 40]]}
    >>> port = {"id": "e", "kind": "exhaust", "control": "crown", "windows": [window]}
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw",
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "maps": [{"stage": "stock", "ports": [port]}]})
    >>> [notice.code for notice in reviewed(job)]
    ['no-transfer', 'doubt-unknown']
    """
    check_limit_names(job.limits)
    engine = engine_of(job)
    found: list[Notice] = []
    for entry in job.maps:
        port_map = port_map_of(job, entry.stage)
        of_map = [*job_notices(job, entry.stage), *_map_notices(engine, port_map)]
        if len(job.maps) > 1:
            of_map = [
                Notice(code=notice.code, message=f"{entry.stage}: {notice.message}") for notice in of_map
            ]
        found += of_map
    return tuple(dict.fromkeys(found))


def _map_notices(engine: Engine, port_map: PortMap) -> Iterator[Notice]:
    for notice in timing_document(engine, port_map)["warnings"]:
        yield Notice(**notice)
    for kind in ("exhaust", "transfer"):
        if not any(port.kind == kind for port in port_map.ports):
            yield Notice(code=f"no-{kind}", message=f"The map has no {kind} port.")
    yield from _overlaps(port_map, engine.bore_mm)
    yield from _uneven_pairs(port_map, engine.bore_mm)
    silent = [port.id for port in port_map.ports if any(window.doubt is None for window in port.windows)]
    if silent:
        message = f"Nobody stated how sure the outlines of {', '.join(silent)} are."
        yield Notice(code="doubt-unknown", message=message)


def _overlaps(port_map: PortMap, bore_mm: float) -> Iterator[Notice]:
    windows = [
        (f"{port.id}.windows[{number}]", window.outline)
        for port in port_map.ports
        for number, window in enumerate(port.windows)
    ]
    round_mm = math.pi * bore_mm
    for index, (name, shape) in enumerate(windows):
        for other, other_shape in windows[index + 1 :]:
            common = max(
                shape.intersection(translate(other_shape, turn * round_mm, 0.0)).area for turn in (-1, 0, 1)
            )
            if common > OVERLAP_MM2:
                yield Notice(
                    code="windows-overlap",
                    message=f"{name} and {other} lie on each other over {common:.1f} mm², counted twice.",
                )


def _uneven_pairs(port_map: PortMap, bore_mm: float) -> Iterator[Notice]:
    windows = {
        (port.id, number): window for port in port_map.ports for number, window in enumerate(port.windows)
    }
    for left_port, left_number, right_port, right_number in mirrored_pairs(port_map, bore_mm):
        left, right = windows[left_port, left_number], windows[right_port, right_number]
        for edge, index in (("roof", 3), ("floor", 1)):
            change = float(left.outline.bounds[index] - right.outline.bounds[index])
            doubts = [getattr(side.doubt, f"{edge}_u_mm", 0.0) for side in (left, right)]
            if abs(change) > max(PAIR_MM, COVERAGE * math.hypot(*doubts)):
                names = left_port if left_port == right_port else f"{left_port} and {right_port}"
                yield Notice(
                    code="uneven-pair",
                    message=f"The {edge} of {names} is {abs(change):.2f} mm"
                    f" {'higher' if change > 0 else 'lower'} on the left than on the right.",
                )
