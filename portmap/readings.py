"""Readings at the bench: what was read, with what, how sure it is, and whether it makes sense.

A reading is kept as it was read: a degree after true TDC, a height from base, deck or crown, a squish, a
volume. `portmap.fit` finds the engine behind them.

A reading's doubt is a standard uncertainty (k = 1). Unless stated with the reading it comes from its tool
(`portmap.tools`, common practice, no source): the part that varies from one reading to the next is divided
by the root of how often it was read, the part that stays is not. Readings count as independent of one
another.

Glossary
--------
gasket
    The base gasket that was fitted while reading: a thickness, 0 for none, or None for the one that the
    cylinder has in the job.
places
    A squish read at several places round the bore; the reading is their mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from portmap.errors import JobError, PortmapError
from portmap.job import Job, port_edges_of
from portmap.job_faults import nearest, quoted
from portmap.job_schema import ReadingEntry, ReadingKind
from portmap.port import USUAL_CONTROL, Kind, PortEdges
from portmap.reading_kinds import READING_KINDS, UNIT_WORDS, Edge, KindFacts, ReadingUnit
from portmap.tools import Tool, tool_doubt, tool_named, tools

__all__ = [
    "PORT_KINDS",
    "READING_KINDS",
    "Reading",
    "ReadingKind",
    "checked_reading",
    "entry_of_reading",
    "port_named_by_kind",
    "reading_doubt",
    "reading_of_entry",
    "reading_ports",
    "reading_tool",
    "readings_of",
    "timed_edge",
]

LARGEST_MM = 1000.0
PLACES_MM = 0.005  # how far a stated mean may be from that of its places: rounding to 0.01 mm
PORT_KINDS: tuple[Kind, ...] = ("exhaust", "transfer", "boost", "intake", "strato")


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One reading, as it was read.

    Parameters
    ----------
    kind : str
        One of `READING_KINDS`.
    value : float
        In the kind's unit; of several places the mean.
    port : str or None
        Name of the port it belongs to.
    at_deg : float or None
        For a depth at a degree: degrees after true TDC [deg].
    gasket_mm : float or None
        Base gasket fitted while reading [mm], 0 for none; None for the cylinder's own.
    places_mm : tuple of float
        Squish at several places [mm].
    tool : str or None
        None for the usual one of the kind.
    times : int
        How often it was read.
    doubt : float or None
        Standard uncertainty in the kind's unit; None for the tool's.
    date : str or None
    altitude_m, temperature_c : float or None
        Where a cranking pressure was read [m], [°C].
    note : str or None
    """

    kind: ReadingKind
    value: float
    port: str | None = None
    at_deg: float | None = None
    gasket_mm: float | None = None
    places_mm: tuple[float, ...] = ()
    tool: str | None = None
    times: int = 1
    doubt: float | None = None
    date: str | None = None
    altitude_m: float | None = None
    temperature_c: float | None = None
    note: str | None = None

    @property
    def unit(self) -> ReadingUnit:
        """Return the unit of the value."""
        return READING_KINDS[self.kind].unit


def reading_tool(reading: Reading) -> Tool:
    """Return what a reading was made with.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    Tool
        The kind's usual one if none is stated.

    Raises
    ------
    QuantityError
        If the tool is not known.

    Examples
    --------
    >>> reading_tool(Reading(kind="squish", value=0.58)).name
    'solder'
    """
    return tool_named(reading.tool or READING_KINDS[reading.kind].tool, where="tool")


def reading_doubt(reading: Reading, *, mm_per_deg: float | None = None) -> float:
    """Return how sure a reading is.

    Parameters
    ----------
    reading : Reading
    mm_per_deg : float or None, optional
        For a depth at a degree: how fast the piston moves there [mm/deg]. The degree was set by a wheel,
        and what that is off by moves the piston; None leaves it out.

    Returns
    -------
    float
        Standard uncertainty in the reading's unit: the stated one, or its tool's.

    Raises
    ------
    QuantityError
        If the tool is not known.

    Examples
    --------
    >>> reading_doubt(Reading(kind="opens", port="exhaust", value=104.0))
    0.25
    >>> round(reading_doubt(Reading(kind="depth_at", at_deg=90, value=18.2), mm_per_deg=0.26), 3)
    0.066
    """
    if reading.doubt is not None:
        return reading.doubt
    times, scatter = reading.times, None
    if len(reading.places_mm) > 1:
        times = max(times, len(reading.places_mm))
        scatter = float(np.std(reading.places_mm, ddof=1))
    own = tool_doubt(reading_tool(reading), times=times, scatter=scatter)
    if reading.kind == "depth_at" and mm_per_deg is not None:
        return math.hypot(own, mm_per_deg * tool_doubt(tools()["degree wheel"], times=reading.times))
    return own


def reading_ports(job: Job, stage: str | None = None) -> dict[str, PortEdges]:
    """Return the ports that readings of a job may name, with what is known of their heights.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        As in `portmap.job.map_entry_of`.

    Returns
    -------
    dict of str to PortEdges
        Those of the map, and those known from readings. In a job without a map a reading may name a new
        port by its kind, as in ``exhaust`` or ``transfer 2``; its control is then the kind's usual one.

    Raises
    ------
    JobError
        If a stage is asked for and the job has no such map.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "readings": [{"kind": "opens", "port": "exhaust", "value": 104, "unit": "deg"}]})
    >>> reading_ports(job)["exhaust"].control
    'crown'
    """
    known = {port.id: port for port in port_edges_of(job, stage)}
    if not job.maps:
        for entry in job.readings:
            if entry.port is not None and entry.port not in known:
                port = port_named_by_kind(entry.port)
                if port is not None:
                    known[entry.port] = port
    return known


def port_named_by_kind(name: str) -> PortEdges | None:
    """Return a new port whose name begins with its kind.

    Parameters
    ----------
    name : str
        Such as ``exhaust``, ``transfer 2`` or ``boost-rear``.

    Returns
    -------
    PortEdges or None
        Without heights; None if the name says no kind.

    Examples
    --------
    >>> port_named_by_kind("transfer 2").kind, port_named_by_kind("left")
    ('transfer', None)
    """
    for kind in PORT_KINDS:
        rest = name.removeprefix(kind)
        if rest != name and not rest[:1].isalpha():
            return PortEdges(id=name, kind=kind, control=USUAL_CONTROL[kind])
    return None


def readings_of(job: Job, stage: str | None = None) -> tuple[Reading, ...]:
    """Return a job's readings, each checked.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        The map whose ports they name.

    Returns
    -------
    tuple of Reading
        In the order of the file.

    Raises
    ------
    JobError
        With every reading that makes no sense, each with its place.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...     "readings": [{"kind": "opens", "port": "exhaust", "value": 104, "unit": "mm"}]})
    >>> readings_of(job)
    Traceback (most recent call last):
    portmap.errors.JobError: readings[0].unit: opens is read in degrees, not in mm; give it in degrees
    """
    ports = reading_ports(job, stage)
    faults: list[PortmapError] = []
    found: list[Reading] = []
    for number, entry in enumerate(job.readings):
        try:
            found.append(checked_reading(reading_of_entry(entry), ports, new_ports=not job.maps))
        except PortmapError as error:
            faults.append(error.at(f"readings[{number}]"))
    if faults:
        raise JobError.of(tuple(faults))
    return tuple(found)


def reading_of_entry(entry: ReadingEntry) -> Reading:
    """Return a reading of a file; only its unit is checked.

    Parameters
    ----------
    entry : ReadingEntry

    Returns
    -------
    Reading

    Raises
    ------
    JobError
        If the unit is not the kind's.

    Examples
    --------
    >>> reading_of_entry(ReadingEntry(kind="squish", value=0.58, unit="mm")).value
    0.58
    """
    facts = READING_KINDS[entry.kind]
    if entry.unit != facts.unit:
        proper = UNIT_WORDS[facts.unit]
        raise JobError(
            f"{facts.words} is read in {proper}, not in {UNIT_WORDS[entry.unit]}",
            where="unit",
            remedy=f"give it in {proper}",
        )
    return Reading(**entry.model_dump(exclude={"unit"}))


def entry_of_reading(reading: Reading) -> ReadingEntry:
    """Return a reading as a job file holds it.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    ReadingEntry

    Examples
    --------
    >>> entry_of_reading(Reading(kind="squish", value=0.58)).unit
    'mm'
    """
    return ReadingEntry(
        **{name: getattr(reading, name) for name in _ENTRY_FIELDS if getattr(reading, name) not in (None, ())}
    )


_ENTRY_FIELDS = tuple(ReadingEntry.model_fields)


def timed_edge(port: PortEdges) -> Edge | None:
    """Return which edge of a port times its opening.

    Parameters
    ----------
    port : PortEdges

    Returns
    -------
    {'roof', 'floor'} or None
        The roof for a crown, the floor for a skirt; None for a pocket, where either may, or for none.

    Examples
    --------
    >>> timed_edge(PortEdges(id="a", kind="intake", control="skirt"))
    'floor'
    """
    edges: dict[str, Edge] = {"crown": "roof", "skirt": "floor"}
    return edges.get(port.control)


def checked_reading(reading: Reading, ports: Mapping[str, PortEdges], *, new_ports: bool = False) -> Reading:
    """Return a reading if it makes sense.

    Parameters
    ----------
    reading : Reading
    ports : mapping of str to PortEdges
        The ports there are.
    new_ports : bool, optional
        Whether a name that says its kind, such as ``exhaust``, may stand for a new port.

    Returns
    -------
    Reading
        The same.

    Raises
    ------
    JobError
        If its port is not there, its value or degree cannot be, it was read with a tool that does not read
        such a thing, or it says what its kind has no use for.
    QuantityError
        If the tool is not known.

    Examples
    --------
    >>> ports = {"intake": PortEdges(id="intake", kind="intake", control="skirt")}
    >>> checked_reading(Reading(kind="opens", port="intake", value=75.0), ports)
    Traceback (most recent call last):
    portmap.errors.JobError: value: the skirt opens intake before TDC, so 75° after TDC cannot be; did ...
    """
    facts = READING_KINDS[reading.kind]
    tool = reading_tool(reading)
    if reading.kind not in tool.kinds:
        able = ", ".join(one.name for one in tools().values() if reading.kind in one.kinds)
        raise JobError(
            f"{facts.words} is not read with a {tool.name}", where="tool", remedy=f"name one of {able}"
        )
    _check_port(reading, facts, ports, new_ports=new_ports)
    _check_belongings(reading, facts)
    _check_value(reading, facts)
    if reading.kind in ("opens", "closes") and reading.port is not None:
        port = ports.get(reading.port) or port_named_by_kind(reading.port)
        if port is not None:
            _check_half(reading, port)
    return reading


def _check_port(
    reading: Reading, facts: KindFacts, ports: Mapping[str, PortEdges], *, new_ports: bool
) -> None:
    if not facts.of_port:
        if reading.port is not None:
            raise JobError(f"{facts.words} belongs to no port", where="port", remedy="leave it out")
        return
    if reading.port is None:
        raise JobError(
            f"{facts.words}: of which port is not said", where="port", remedy=_ports_there_are(ports)
        )
    if reading.port in ports or (new_ports and port_named_by_kind(reading.port) is not None):
        return
    near = nearest(reading.port, [*ports])
    remedy = _ports_there_are(ports, new_ports=new_ports)
    raise JobError(
        f"there is no port {quoted(reading.port)}",
        where="port",
        remedy=f"did you mean {near}? {remedy[0].upper()}{remedy[1:]}" if near else remedy,
    )


def _ports_there_are(ports: Iterable[str], *, new_ports: bool = False) -> str:
    names = ", ".join(ports)
    new = f"a new one is named by its kind: {', '.join(PORT_KINDS)}" if new_ports else ""
    if names:
        return f"the job has {names}{f'; {new}' if new else ''}"
    return new or "the job has none: trace them, or read the first one in"


def _check_belongings(reading: Reading, facts: KindFacts) -> None:
    """Refuse what a reading of this kind has no use for, or lacks."""
    if reading.kind == "depth_at" and reading.at_deg is None:
        raise JobError(
            "the degree at which the depth was read is missing", where="at_deg", remedy="say it: at 90 deg"
        )
    told = (
        ("at_deg", reading.at_deg is not None and reading.kind != "depth_at"),
        ("places_mm", bool(reading.places_mm) and reading.kind != "squish"),
        ("altitude_m", reading.altitude_m is not None and reading.kind != "cranking_pressure"),
        ("temperature_c", reading.temperature_c is not None and reading.kind != "cranking_pressure"),
    )
    for field, wrong in told:
        if wrong:
            raise JobError(f"{facts.words} has no use for it", where=field, remedy="leave it out")
    if reading.at_deg is not None and not 0 <= reading.at_deg <= 360:
        raise JobError(
            f"{reading.at_deg:g}° is outside 0 to 360", where="at_deg", remedy="count from TDC, onward"
        )
    if reading.times < 1:
        raise JobError(
            f"{reading.times} is not how often a thing is read", where="times", remedy="give 1 or more"
        )
    if reading.doubt is not None and not 0 < reading.doubt < math.inf:
        raise JobError(f"{reading.doubt:g} is not a doubt", where="doubt", remedy="give one above 0")
    if reading.gasket_mm is not None and not 0 <= reading.gasket_mm <= 50:
        raise JobError(
            f"{reading.gasket_mm:g} mm is not a gasket", where="gasket_mm", remedy="give 0 for none"
        )
    if reading.places_mm and not abs(reading.value - np.mean(reading.places_mm)) <= PLACES_MM:
        raise JobError(
            f"{reading.value:g} mm is not the mean of its places, {np.mean(reading.places_mm):.3f} mm",
            where="value",
            remedy="mend the one or the others",
        )


def _check_value(reading: Reading, facts: KindFacts) -> None:
    value = reading.value
    if facts.unit == "deg":
        if not 0 <= value <= 360:
            raise JobError(
                f"{value:g}° is outside 0 to 360", where="value", remedy="count degrees after TDC, onward"
            )
        return
    signed = reading.kind in ("pin_offset", "floor_height", "floor_from_deck", "depth_at")
    largest = LARGEST_MM if facts.unit == "mm" else 1e5 if facts.unit == "cm3" else 100.0
    for figure in (value, *reading.places_mm):
        shown = f"{figure:g} {UNIT_WORDS[facts.unit]}"
        if not abs(figure) <= largest:
            raise JobError(
                f"{facts.words} {shown}: no engine has that", where="value", remedy="read it again"
            )
        if not signed and not figure > 0:
            raise JobError(f"{facts.words} {shown} is not above 0", where="value", remedy="read it again")


def _check_half(reading: Reading, port: PortEdges) -> None:
    """Refuse a degree in the half of the turn where the port cannot open or close."""
    if port.control == "none":
        raise JobError(
            f"{port.id} is not opened by the piston, so it has no degree on the crown or skirt",
            where="port",
            remedy="say which edge controls it, or leave the reading out",
        )
    if port.control == "pocket":
        return
    falling = (port.control == "crown") == (reading.kind == "opens")
    if falling == (reading.value < 180) and reading.value != 180:
        return
    verb = "opens" if reading.kind == "opens" else "closes"
    side = "after" if falling else "before"
    other = "before" if falling else "after"
    shown = 360 - reading.value if falling else reading.value
    raise JobError(
        f"the {port.control} {verb} {port.id} {side} TDC, so {shown:g}° {other} TDC cannot be",
        where="value",
        remedy=f"did you mean {shown:g}° {side} TDC ({360 - reading.value:g})?",
    )
