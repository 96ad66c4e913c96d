"""What the archive finds a job by: its figures, its words, and the shapes of its ports.

Figures are named ``bore_mm``, ``stock.exhaust.opens_deg`` and so on: stage, kind of port, figure; without a
stage they are those of the latest one, ground before proposed before stock. Of several ports of a kind: the
earliest opening, the longest duration, the sum of areas, the highest roof, the lowest floor.

A shape is the wall seen on a grid of angle round the bore by depth in strokes below the crown edge at TDC,
each cell open or not, so that engines of different size compare. Likeness is what two have open in common
over what either has open.

References
----------
.. [1] Jaccard, The distribution of the flora in the alpine zone, 1912 (common over either; from memory).
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from portmap.engine import Engine
from portmap.errors import PortmapError
from portmap.job import Job, engine_of, port_map_of
from portmap.port import Port, PortMap, floor_of, roof_of, wall_area
from portmap.timing import blowdown_deg, port_timing
from portmap.volume import squish_clearance_mm, swept_volume_cm3

__all__ = [
    "document_text",
    "job_figures",
    "job_kinds",
    "job_words",
    "likeness",
    "opened_document",
    "shape_cells",
    "shapes_of",
    "word_list",
]

STAGES = ("ground", "proposed", "stock")  # the latest first
COLUMNS, ROWS = 96, 45  # 3.75° by 0.04 strokes
STROKES = 1.8  # the grid's depth; an intake that the skirt opens lies below the crown at BDC
CELL_BYTES = COLUMNS * ROWS // 8
WORD_LENGTH = 40

Bytes = NDArray[np.uint8]


def document_text(document: Mapping[str, Any]) -> bytes:
    """Return a job's document as the archive keeps and knows it: JSON without blanks, keys in their order.

    Parameters
    ----------
    document : mapping

    Returns
    -------
    bytes
        UTF-8.

    Examples
    --------
    >>> document_text({"name": "saw", "maps": []})
    b'{"name":"saw","maps":[]}'
    """
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def opened_document(content: bytes) -> dict[str, Any]:
    """Return the document that the archive kept.

    Parameters
    ----------
    content : bytes
        Its text, deflated.

    Returns
    -------
    dict

    Raises
    ------
    ValueError
        If the bytes were damaged.

    Examples
    --------
    >>> opened_document(b"x")
    Traceback (most recent call last):
    ValueError: the kept document was damaged
    """
    try:
        found = json.loads(zlib.decompress(content))
    except (zlib.error, ValueError) as error:
        raise ValueError("the kept document was damaged") from error
    if not isinstance(found, dict):
        raise ValueError("the kept document was damaged")
    return found


def job_figures(job: Job) -> dict[str, float]:
    """Return the figures that a job is found by.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of str to float
        Only what is known.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> sorted(job_figures(job))
    ['bore_mm', 'stroke_mm', 'swept_volume_cm3']
    """
    engine = engine_of(job)
    found: dict[str, float] = {
        "bore_mm": engine.bore_mm,
        "stroke_mm": engine.crank.stroke_mm,
        "swept_volume_cm3": swept_volume_cm3(engine),
    }
    if job.engine.rod_mm is not None:
        found["rod_mm"] = job.engine.rod_mm
    if engine.squish_band_height_mm is not None:
        found["squish_mm"] = squish_clearance_mm(engine)
    there = {entry.stage for entry in job.maps}
    latest = next((stage for stage in STAGES if stage in there), None)
    for stage in STAGES:
        if stage in there:
            of_stage = _map_figures(engine, port_map_of(job, stage))
            found |= {f"{stage}.{name}": value for name, value in of_stage.items()}
            if stage == latest:
                found |= of_stage
    return {name: value for name, value in found.items() if math.isfinite(value)}


def _map_figures(engine: Engine, port_map: PortMap) -> dict[str, float]:
    found: dict[str, float] = {}
    kinds = dict.fromkeys(port.kind for port in port_map.ports)
    for kind in kinds:
        ports = [port for port in port_map.ports if port.kind == kind]
        found[f"{kind}.area_mm2"] = sum(wall_area(port) for port in ports)
        found[f"{kind}.roof_mm"] = max(roof_of(port) for port in ports)
        found[f"{kind}.floor_mm"] = min(floor_of(port) for port in ports)
        found |= _timed(engine, kind, ports)
    try:
        blowdown = blowdown_deg(engine, port_map)
    except PortmapError:  # a port that cannot be timed; the others' figures are there
        blowdown = None
    if blowdown is not None:
        found["blowdown_deg"] = blowdown
    return found


def _timed(engine: Engine, kind: str, ports: Sequence[Port]) -> dict[str, float]:
    opens, lasts = [], []
    for port in ports:
        try:
            timing = port_timing(engine, port)
        except PortmapError:  # a length that nobody gave: the port is not found by its timing
            continue
        if timing.openings:
            opens.append(timing.openings[0].opens_deg)
            lasts.append(timing.duration_deg)
    if not opens:
        return {}
    return {f"{kind}.opens_deg": min(opens), f"{kind}.duration_deg": max(lasts)}


def job_kinds(job: Job) -> tuple[str, ...]:
    """Return the kinds of port that a job has.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job_kinds(job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...             "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}))
    ()
    """
    mapped = (port.kind for entry in job.maps for port in entry.ports)
    return tuple(dict.fromkeys((*mapped, *(edge.kind for edge in job.edges))))


def job_words(job: Job) -> dict[str, list[str]]:
    """Return the words that a job is found by.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of str to list of str
        Under ``name``, ``notes`` (notes, log, states, wishes) and ``kinds`` (of ports, their names, the
        engine's size).

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "Säge 53 cc", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> job_words(job)["name"]
    ['sage', '53', 'cc']
    """
    notes = [job.notes]
    for entry in job.log:
        notes += [entry.text, entry.state, entry.by, *(picture.name for picture in entry.pictures)]
    for one in job.maps:
        notes += [one.notes, *(port.notes for port in one.ports)]
    notes += [reading.note for reading in job.readings]
    if job.plan is not None:
        notes += job.plan.wishes
    notes += [edit.wish for edit in job.edits]
    names = [port.id for one in job.maps for port in one.ports]
    swept = f"{swept_volume_cm3(engine_of(job)):.0f}cc"
    return {
        "name": word_list(job.name),
        "notes": word_list(" ".join(note for note in notes if note)),
        "kinds": list(dict.fromkeys(word_list(" ".join([*job_kinds(job), *names, swept])))),
    }


def word_list(text: str) -> list[str]:
    """Return the words of a text as the archive finds them: small letters, without accents.

    Parameters
    ----------
    text : str

    Returns
    -------
    list of str
        In their order, each of 40 letters at most.

    Examples
    --------
    >>> word_list("Façade-Motor, 0.5 mm")
    ['facade', 'motor', '0', '5', 'mm']
    """
    # twice: a letter may only have a small form once it is spelled plainly
    spread = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    bare = "".join(letter for letter in spread if not unicodedata.combining(letter))
    return [word[:WORD_LENGTH] for word in re.findall(r"[^\W_]+", bare)]


def shapes_of(job: Job) -> dict[str, bytes]:
    """Return the shapes of a job's ports.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of str to bytes
        By stage.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> shapes_of(job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...            "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}))
    {}
    """
    engine = engine_of(job)
    maps = ((entry.stage, port_map_of(job, entry.stage)) for entry in job.maps if entry.ports)
    return {stage: shape_cells(engine, port_map) for stage, port_map in maps}


def shape_cells(engine: Engine, port_map: PortMap) -> bytes:
    """Return the shape of a map's ports.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    bytes
        A bit for each cell, rows downward from TDC, each from half a turn to the left of the exhaust centre
        line to half a turn to its right.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40))
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> cells = shape_cells(engine, PortMap(stage="stock", ports=(port,)))
    >>> len(cells), likeness(cells, [cells, bytes(len(cells))]).tolist()
    (540, [1.0, 0.0])
    """
    round_mm, stroke = math.pi * engine.bore_mm, engine.crank.stroke_mm
    top = engine.crown_height_mm - engine.base_gasket_mm
    x = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * round_mm
    y = top - (np.arange(ROWS) + 0.5) / ROWS * STROKES * stroke
    cells = np.zeros((ROWS, COLUMNS), np.bool_)
    for port in port_map.ports:
        for window in port.windows:
            left, floor, right, roof = window.outline.bounds
            rows = np.flatnonzero((y >= floor) & (y <= roof))
            for turn in (-1, 0, 1):
                columns = np.flatnonzero((x + turn * round_mm >= left) & (x + turn * round_mm <= right))
                if rows.size and columns.size:
                    across, up = np.meshgrid(x[columns] + turn * round_mm, y[rows])
                    cells[np.ix_(rows, columns)] |= shapely.contains_xy(window.outline, across, up)
    return np.packbits(cells).tobytes()


def likeness(cells: bytes, others: Sequence[bytes]) -> NDArray[np.float64]:
    r"""Return how alike shapes are to one of them.

    Parameters
    ----------
    cells : bytes
        As `shape_cells`.
    others : sequence of bytes
        N of them.

    Returns
    -------
    ndarray of shape (N,)
        From 0, nothing open in common, to 1, the same; 0 where nothing is open at all.

    References
    ----------
    .. [1] Jaccard 1912, see above.

    Examples
    --------
    >>> likeness(b"\x0f", [b"\x0f", b"\x03"]).tolist()
    [1.0, 0.5]
    """
    one = np.frombuffer(cells, np.uint8)
    table = np.frombuffer(b"".join(others), np.uint8).reshape(len(others), len(one))
    common = np.bitwise_count(table & one).sum(axis=1, dtype=np.int64)
    either = np.bitwise_count(table | one).sum(axis=1, dtype=np.int64)
    return np.asarray(np.divide(common, either, out=np.zeros(len(others)), where=either > 0), np.float64)
