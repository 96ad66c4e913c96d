"""Where a job stands, in five lines: what is known, decided, ground, to be done next, and missing.

For somebody who picks the job up after a month. Nothing is worked out here that a verb of its own does not
show in full.
"""

from __future__ import annotations

from dataclasses import dataclass

from portmap.errors import PortmapError
from portmap.figures import timing_document
from portmap.job import PLAIN_NAMES, Job, engine_of, map_entry_of, port_map_of
from portmap.job_pictures import pictures_of
from portmap.job_review import missing_fields
from portmap.log import state_of
from portmap.nearness import PortNearness, nearness_of
from portmap.port import PortMap
from portmap.repeat_rows import made_of_words
from portmap.roof_figures import edit_words
from portmap.roof_job import edits_of
from portmap.shown import UnitSystem, opening_words
from portmap.volume import swept_volume_cm3

__all__ = ["Standing", "standing_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """Where a job stands, a sentence or two for each question.

    Parameters
    ----------
    known : str
        Engine, readings and maps.
    decided : str
        Plan and proposed edges.
    ground : str
        What the ground map shows against the proposed one.
    next : str
        The job's state, and what is to be done.
    missing : str
        What nobody measured or said.
    """

    known: str
    decided: str
    ground: str
    next: str
    missing: str


def standing_of(job: Job, system: UnitSystem) -> Standing:
    """Return where a job stands.

    Parameters
    ----------
    job : Job
    system : UnitSystem
        For the figures.

    Returns
    -------
    Standing

    Examples
    --------
    >>> from portmap.job import job_of
    >>> from portmap.shown import unit_system
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> standing_of(job, unit_system("mm")).next
    'Trace the ports as they are (portmap trace, portmap new).'
    """
    return Standing(
        known=_known(job, system),
        decided=_decided(job, system),
        ground=_ground(job, system),
        next=_next(job),
        missing=_missing(job),
    )


def _stages(job: Job) -> list[str]:
    return [entry.stage for entry in job.maps]


def _known(job: Job, system: UnitSystem) -> str:
    engine = engine_of(job)
    sizes = f"bore {system.lengths(engine.bore_mm)}, stroke {system.lengths(engine.crank.stroke_mm)}"
    parts = [
        f"{job.name}: {sizes} {system.length}, {system.volumes(swept_volume_cm3(engine))} {system.volume}"
    ]
    parts.append(_count(len(job.readings), "reading"))
    if job.maps:
        maps = (f"{entry.stage} ({_count(len(entry.ports), 'port')})" for entry in job.maps)
        parts.append(f"maps: {', '.join(maps)}")
        parts += _timings(job)
    elif job.edges:
        parts.append(f"heights of {', '.join(edge.id for edge in job.edges)}")
    if pictures_of(job):
        parts.append(_count(len(pictures_of(job)), "picture"))
    return f"{'; '.join(parts)}."


def _timings(job: Job) -> list[str]:
    """Return when the ports of the stock map open, or of the first map there is."""
    entry = map_entry_of(job)
    document = timing_document(engine_of(job), port_map_of(job, entry.stage))
    opens = [
        f"{port['id']} {opening_words(port['opens_deg'])}"
        for port in document["ports"]
        if port["opens_deg"] is not None
    ]
    return [f"{entry.stage} opens at {', '.join(opens)}"] if opens else []


def _decided(job: Job, system: UnitSystem) -> str:
    parts = []
    if job.plan is not None:
        pieces = (
            f"{piece.operation.replace('_', ' ')}{f' of {piece.port}' if piece.port else ''}"
            f" {system.lengths(piece.amount_mm)} {system.length}"
            for piece in job.plan.operations
        )
        kept = f" (kept {job.plan.kept})" if job.plan.kept else ""
        parts.append(f"plan: {', '.join(pieces) or 'no work'}{kept}")
    parts += [edit_words(edit, system) for edit in edits_of(job)]
    if "proposed" in _stages(job) and not job.edits:
        made_of = made_of_words(map_entry_of(job, "proposed").source)
        parts.append(made_of or "a proposed map that was made elsewhere")
    return f"{'; '.join(parts)}." if parts else "Nothing yet."


def _ground(job: Job, system: UnitSystem) -> str:
    stages = _stages(job)
    if "ground" not in stages:
        return "Nothing that was mapped."
    ground = port_map_of(job, "ground")
    if "proposed" not in stages:
        return f"{_ports(ground)}; there is no proposed map to hold it against."
    near = nearness_of(port_map_of(job, "proposed"), ground, job.engine.bore_mm)
    parts = [_reached(port, system) for port in near.ports]
    return f"{'; '.join(parts) or _ports(ground)}."


def _reached(port: PortNearness, system: UnitSystem) -> str:
    words = f"{port.id} reached"
    if port.to_take_places and port.tallest is not None:
        words = f"{port.id} up to {system.lengths(port.tallest.height_mm)} {system.length} to take"
    if port.past_places:
        words += f", past the line by {system.lengths(port.past_places[0].depth_mm)} {system.length}"
    return words


def _ports(port_map: PortMap) -> str:
    return f"A map of {', '.join(port.id for port in port_map.ports) or 'no port'}"


def _next(job: Job) -> str:
    state = state_of(job)
    said = "" if state is None else f"State: {state[0]} (since {state[1][:10]}). "
    stages = _stages(job)
    if "ground" in stages:
        what = (
            "Compare with the plan (portmap compare), grind what is left, then keep it (portmap archive add)."
        )
        if "proposed" in stages:
            near = nearness_of(port_map_of(job, "proposed"), port_map_of(job, "ground"), job.engine.bore_mm)
            left = [port.id for port in near.ports if port.to_take_places]
            what = (
                f"Grind on at {', '.join(left)}, then measure again."
                if left
                else "Every port is reached: print the sheet (portmap sheet), keep it (portmap archive add)."
            )
    elif "proposed" in stages:
        what = "Mark out (portmap template), grind, then map the ports again as ground."
    elif job.plan is not None and job.plan.steps:
        what = f"{job.plan.steps[0].rstrip('.')}."
    elif job.maps or job.edges:
        what = "Decide: portmap plan, portmap roof."
    else:
        what = "Trace the ports as they are (portmap trace, portmap new)."
    return said + what


def _missing(job: Job) -> str:
    parts = [
        f"{PLAIN_NAMES[field][0] if (field := path.split('.')[-1]) in PLAIN_NAMES else field} ({use})"
        for path, use in missing_fields(job)
    ]
    try:
        assumed = engine_of(job).assumed
    except PortmapError as error:
        parts.append(str(error))
        assumed = ()
    parts += [f"measured: {one}" for one in assumed]
    return f"{'; '.join(parts)}." if parts else "Nothing that portmap knows of."


def _count(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"
