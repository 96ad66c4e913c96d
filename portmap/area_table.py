"""A table of opened area against crank angle and against height, for a spreadsheet.

Glossary
--------
edge
    The height above the base face of the piston edge that opens and closes a port.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from portmap.crank import angle_of_depth
from portmap.engine import Engine, depth_below_crown
from portmap.figures import timeable
from portmap.port import Port, PortMap, floor_of, roof_of
from portmap.window import AreaKind, area_between, open_band

__all__ = ["area_csv"]

Floats = NDArray[np.float64]

HEIGHT_STEP_MM = 0.25  # of the table of area against height
CSV_COLUMNS = (
    "port",
    "kind",
    "control",
    "against",
    "deg",
    "open_from_mm",
    "open_to_mm",
    "wall_area_mm2",
    "chord_area_mm2",
    "directed_area_mm2",
)


def area_csv(engine: Engine, port_map: PortMap, *, step_deg: float = 1.0) -> str:
    """Return a table of opened area against crank angle and against height, for a spreadsheet.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    step_deg : float, optional
        Step of the crank angle [deg].

    Returns
    -------
    str
        CSV with a head row. Rows whose ``against`` is ``degree`` go through one turn; those with ``height``
        move the edge that controls the port from where it is shut to where it is open, with the degree at
        which the piston going down stands there. The port is open from ``open_from_mm`` to ``open_to_mm``
        above the base face; both are empty while it is shut.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> area_csv(engine, PortMap(stage="stock", ports=(port,)), step_deg=90).splitlines()[3]
    'e,exhaust,crown,degree,180,29,40,308,289.33,'
    """
    known, _ = timeable(engine, port_map)
    timed = {port.id for port in known.ports}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for port in port_map.ports:
        head = (port.id, port.kind, port.control)
        if port.id in timed:
            writer.writerows((*head, *row) for row in _rows_by_degree(engine, port, step_deg))
        writer.writerows((*head, *row) for row in _rows_by_height(engine, port))
    return text.getvalue()


def _rows_by_degree(engine: Engine, port: Port, step_deg: float) -> Iterator[tuple[str, ...]]:
    angles = np.arange(0.0, 360.0 + step_deg / 2, step_deg)
    low, high = np.broadcast_arrays(*open_band(engine, port, angles), angles)[:2]
    yield from _rows(engine, port, "degree", angles, low, high)


def _rows_by_height(engine: Engine, port: Port) -> Iterator[tuple[str, ...]]:

    floor, roof = floor_of(port), roof_of(port)
    count = max(round((roof - floor) / HEIGHT_STEP_MM), 1)
    edge = np.linspace(floor, roof, count + 1)
    everything = np.full(edge.shape, np.inf)
    if port.control == "skirt":
        low, high = -everything, edge
    else:
        edge = edge[::-1]
        low, high = edge, everything
    depth = depth_below_crown(engine, edge)
    if port.control == "skirt" and engine.skirt_length_mm is not None:
        depth = depth - engine.skirt_length_mm
    timed = port.control == "crown" or (port.control == "skirt" and engine.skirt_length_mm is not None)
    degrees = angle_of_depth(engine.crank, depth) if timed else np.full(edge.shape, np.nan)
    yield from _rows(engine, port, "height", degrees, low, high)


def _rows(
    engine: Engine,
    port: Port,
    against: str,
    degrees: Floats,
    low: Floats,
    high: Floats,
) -> Iterator[tuple[str, ...]]:
    kinds: tuple[AreaKind, ...] = (
        ("wall", "chord") if port.tilt_deg is None else ("wall", "chord", "directed")
    )
    areas = [area_between(port, engine.bore_mm, low, high, area=kind) for kind in kinds]
    opened_from, opened_to = np.maximum(low, floor_of(port)), np.minimum(high, roof_of(port))
    for index in range(len(low)):
        shut = not opened_to[index] > opened_from[index]
        edges = (math.nan, math.nan) if shut else (opened_from[index], opened_to[index])
        figures = [degrees[index], *edges, *(amount[index] for amount in areas)]
        cells = [_cell(float(figure)) for figure in figures]
        yield (against, *cells, *[""] * (len(CSV_COLUMNS) - 4 - len(cells)))


def _cell(figure: float) -> str:
    return "" if math.isnan(figure) else f"{figure:.6g}" if figure else "0"
