"""The figures of a map as other programs read them: timings, areas, time-areas, each with its doubt.

Each document is made of plain dictionaries, lists, text and numbers, ready for JSON; names end in the
unit, ``_u_`` marks a standard uncertainty, and what nobody knows is None. Beside the figures stand what
they lean on though nobody measured it (``assumed``), what was fitted (``fitted``), and ``warnings``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from portmap.doubts import doubts_of
from portmap.engine import Engine
from portmap.errors import GeometryError, Notice
from portmap.outline_spread import floor_u_mm, roof_u_mm, wall_area_u_mm2
from portmap.port import Port, PortEdges, PortMap, floor_of, roof_of
from portmap.shopwork import Build
from portmap.spread import first_order_u
from portmap.stated_spread import (
    blowdown_u_deg,
    doubt_covers,
    duration_u_deg,
    opening_u_deg,
    span_u_mm2_deg,
)
from portmap.timearea import Span, map_spans, specific_time_area, time_area
from portmap.timing import Timing, blowdown_deg, edge_blowdown_deg, edge_timing, port_timing
from portmap.volume import swept_volume_cm3
from portmap.window import (
    AreaKind,
    opened_area,
    opened_centroid_height,
    opened_height,
    port_area,
)

__all__ = [
    "areas_document",
    "edge_timing_document",
    "timeable",
    "timearea_document",
    "timing_document",
]


def timeable(engine: Engine, port_map: PortMap) -> tuple[PortMap, tuple[Notice, ...]]:
    """Return the ports whose timing can be known, and why the others' cannot.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap

    Returns
    -------
    PortMap
        Without the ports that need a length nobody gave.
    tuple of Notice
        One for each port left out.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-10, 4], [10, 4], [10, 16], [-10, 16]])
    >>> port = Port(id="in", kind="intake", control="skirt", windows=(Window(outline=shape),))
    >>> kept, notices = timeable(engine, PortMap(stage="stock", ports=(port,)))
    >>> kept.ports, notices[0].code
    ((), 'not-timeable')
    """
    kept, notices = [], []
    for port in port_map.ports:
        try:
            port_timing(engine, port)
        except GeometryError as error:
            notices.append(_not_timed(port.id, error))
        else:
            kept.append(port)
    return PortMap(stage=port_map.stage, ports=tuple(kept)), tuple(notices)


def timing_document(engine: Engine, port_map: PortMap, *, notices: Iterable[Notice] = ()) -> dict[str, Any]:
    """Return when each port opens and closes.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    notices : iterable of Notice, optional
        Doubts that the job carries.

    Returns
    -------
    dict
        ``ports``: for each ``id``, ``kind``, ``opens_deg``, ``closes_deg``, ``duration_deg``, ``state``;
        ``blowdown_deg``. A port that opens twice a turn lists both in ``openings``.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39.4], [-14, 39.4]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = timing_document(engine, PortMap(stage="stock", ports=(port,)))
    >>> round(found["ports"][0]["opens_deg"], 2), found["blowdown_deg"]
    (102.48, None)
    """
    known, left_out = timeable(engine, port_map)
    timings = {port.id: port_timing(engine, port) for port in known.ports}
    return {
        "stage": port_map.stage,
        "ports": [_port_timing(engine, port, timings.get(port.id)) for port in port_map.ports],
        "blowdown_deg": blowdown_deg(engine, known),
        "blowdown_u_deg": blowdown_u_deg(engine, known),
        **_basis(engine, (*notices, *left_out, *_never(timings))),
    }


def edge_timing_document(
    engine: Engine, edges: Sequence[PortEdges], *, notices: Iterable[Notice] = ()
) -> dict[str, Any]:
    """Return when ports open and close that are known from readings alone.

    Parameters
    ----------
    engine : Engine
    edges : sequence of PortEdges
    notices : iterable of Notice, optional
        Doubts that the job carries.

    Returns
    -------
    dict
        As `timing_document`; ``stage`` is None, for nobody has seen the shapes.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> found = edge_timing_document(engine, [port])
    >>> round(found["ports"][0]["opens_deg"], 2)
    102.48
    """
    build = Build(engine=engine, edges=tuple(edges))
    doubts = first_order_u(build, doubts_of(build).stated(), areas=False)
    silent = {port.id for port in edges if port.roof_u_mm is None and port.floor_u_mm is None}
    blowing = [port.id for port in edges if port.kind in ("exhaust", "transfer", "boost")]
    timings: dict[str, Timing] = {}
    left_out = []
    for port in edges:
        try:
            timings[port.id] = edge_timing(engine, port)
        except GeometryError as error:
            left_out.append(_not_timed(port.id, error))
    return {
        "stage": None,
        "ports": [
            _port_entry(
                port,
                timings.get(port.id),
                None if port.id in silent else doubts.get(f"{port.id}:opens_deg"),
                None if port.id in silent else doubts.get(f"{port.id}:duration_deg"),
            )
            for port in edges
        ],
        "blowdown_deg": edge_blowdown_deg(engine, edges),
        "blowdown_u_deg": None if silent & set(blowing) else doubts.get("blowdown_deg"),
        **_basis(engine, (*notices, *left_out, *_never(timings))),
    }


def _not_timed(port: str, error: GeometryError) -> Notice:
    return Notice(code="not-timeable", message=f"Port {port} is not timed: {error.message}; {error.remedy}.")


def _never(timings: dict[str, Timing]) -> Iterator[Notice]:
    words = {
        "never opens": ("never-opens", "never uncovered"),
        "always open": ("never-closes", "never wholly covered"),
    }
    for name, timing in timings.items():
        if timing.state in words:
            code, word = words[timing.state]
            message = f"Port {name} is {word}: check crown height, gasket and the port's heights."
            yield Notice(code=code, message=message)


def _port_timing(engine: Engine, port: Port, timing: Timing | None) -> dict[str, Any]:
    return _port_entry(
        port,
        timing,
        None if timing is None else opening_u_deg(engine, port),
        None if timing is None else duration_u_deg(engine, port),
    )


def _port_entry(
    port: Port | PortEdges, timing: Timing | None, opens_u: float | None, duration_u: float | None
) -> dict[str, Any]:
    found: dict[str, Any] = {"id": port.id, "kind": port.kind, "control": port.control}
    if isinstance(port, Port) and port.kind_guessed:
        found["kind_guessed"] = True
    first = timing.openings[0] if timing is not None and timing.openings else None
    found |= {
        "state": "not known" if timing is None else timing.state,
        "opens_deg": None if first is None else first.opens_deg,
        "closes_deg": None if first is None else first.closes_deg,
        "duration_deg": None if timing is None or timing.state == "not timed" else timing.duration_deg,
        "opens_u_deg": opens_u,
        "duration_u_deg": duration_u,
    }
    if timing is not None and len(timing.openings) > 1:
        found["openings"] = [
            {
                "opens_deg": opening.opens_deg,
                "closes_deg": opening.closes_deg,
                "duration_deg": opening.duration_deg,
            }
            for opening in timing.openings
        ]
    return found


def areas_document(
    engine: Engine,
    port_map: PortMap,
    at_deg: Sequence[float],
    *,
    area: AreaKind = "wall",
    notices: Iterable[Notice] = (),
) -> dict[str, Any]:
    """Return each port's area, and how much of it is open at given crank angles.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    at_deg : sequence of float
        Crank angles after true TDC [deg].
    area : {'wall', 'chord', 'directed'}, optional
        Which area is meant under ``at``.
    notices : iterable of Notice, optional
        Doubts that the job carries.

    Returns
    -------
    dict
        ``area``, and ``ports``: for each ``id``, ``wall_area_mm2``, ``chord_area_mm2``, ``roof_mm``,
        ``floor_mm`` and ``at``, a list of ``deg``, ``area_mm2``, ``effective_width_mm`` (opened wall area
        over opened height) and ``centroid_height_mm``.

    Raises
    ------
    GeometryError
        If the directed area is asked for and a passage's tilt is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = areas_document(engine, PortMap(stage="stock", ports=(port,)), [120, 180])
    >>> [(at["deg"], round(at["area_mm2"], 1)) for at in found["ports"][0]["at"]]
    [(120.0, 131.0), (180.0, 308.0)]
    """
    known, left_out = timeable(engine, port_map)
    timed = {port.id for port in known.ports}
    ports = []
    for port in port_map.ports:
        found: dict[str, Any] = {"id": port.id, "kind": port.kind, "control": port.control}
        if port.kind_guessed:
            found["kind_guessed"] = True
        found |= {
            "wall_area_mm2": port_area(port, engine.bore_mm),
            "wall_area_u_mm2": wall_area_u_mm2(port),
            "chord_area_mm2": port_area(port, engine.bore_mm, area="chord"),
            "directed_area_mm2": None
            if port.tilt_deg is None
            else port_area(port, engine.bore_mm, area="directed"),
            "roof_mm": roof_of(port),
            "roof_u_mm": roof_u_mm(port),
            "floor_mm": floor_of(port),
            "floor_u_mm": floor_u_mm(port),
            "at": _opened(engine, port, at_deg, area) if port.id in timed else [],
        }
        ports.append(found)
    return {"stage": port_map.stage, "area": area, "ports": ports, **_basis(engine, (*notices, *left_out))}


def _opened(engine: Engine, port: Port, at_deg: Sequence[float], area: AreaKind) -> list[dict[str, Any]]:
    angles = np.asarray(at_deg, np.float64)
    areas = opened_area(engine, port, angles, area=area)
    walls = opened_area(engine, port, angles)
    heights = opened_height(engine, port, angles)
    centroids = opened_centroid_height(engine, port, angles)
    return [
        {
            "deg": float(angle),
            "area_mm2": float(opened),
            "effective_width_mm": float(wall / height) if height > 0 else None,
            "centroid_height_mm": float(centroid) if math.isfinite(centroid) else None,
        }
        for angle, opened, wall, height, centroid in zip(
            angles, areas, walls, heights, centroids, strict=True
        )
    ]


def timearea_document(
    engine: Engine,
    port_map: PortMap,
    rpm: Sequence[float],
    *,
    area: AreaKind = "wall",
    notices: Iterable[Notice] = (),
) -> dict[str, Any]:
    """Return the time-areas of each span.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rpm : sequence of float
        Crank speeds [rev/min], at least one.
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas.
    notices : iterable of Notice, optional
        Doubts that the job carries.

    Returns
    -------
    dict
        For one speed ``rpm`` and ``spans``; for several ``rpm``, a list, and ``sweep``, which holds for each
        speed what one speed alone gives. Each span has ``span``, ``angle_area_mm2_deg``,
        ``time_area_mm2_s``, ``specific_s_per_m`` and its ``ports``.

    Raises
    ------
    GeometryError
        If the directed area is asked for and a passage's tilt is not known.
    QuantityError
        If a speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = timearea_document(engine, PortMap(stage="stock", ports=(port,)), [9000])
    >>> found["spans"][0]["span"], round(found["spans"][0]["time_area_mm2_s"], 3)
    ('exhaust', 0.603)
    """
    known, left_out = timeable(engine, port_map)
    spans, said = map_spans(engine, known, area=area)
    swept = swept_volume_cm3(engine)
    doubts = [span_u_mm2_deg(engine, known, span, area=area) for span in spans]
    sweep = [
        {
            "rpm": float(speed),
            "spans": [
                _span(span, doubt, float(speed), swept) for span, doubt in zip(spans, doubts, strict=True)
            ],
        }
        for speed in rpm
    ]
    figures = sweep[0] if len(sweep) == 1 else {"rpm": [float(speed) for speed in rpm], "sweep": sweep}
    return {
        "stage": port_map.stage,
        "area": area,
        "swept_volume_cm3": swept,
        **figures,
        **_basis(engine, (*notices, *left_out, *said)),
    }


def _span(span: Span, doubt: float | None, rpm: float, swept_cm3: float) -> dict[str, Any]:
    amount = float(time_area(span.angle_area_mm2_deg, rpm))
    specific = float(specific_time_area(amount, swept_cm3))
    return {
        "span": span.name,
        "opens_deg": span.opens_deg,
        "closes_deg": span.closes_deg,
        "duration_deg": span.duration_deg,
        "angle_area_mm2_deg": span.angle_area_mm2_deg,
        "angle_area_u_mm2_deg": doubt,
        "mean_area_mm2": span.mean_area_mm2,
        "time_area_mm2_s": amount,
        "time_area_u_mm2_s": None if doubt is None else float(time_area(doubt, rpm)),
        "specific_s_per_m": specific,
        "specific_s_cm2_per_cm3": specific / 100.0,
        "ports": [
            {
                "id": part.port_id,
                "state": part.state,
                "angle_area_mm2_deg": part.angle_area_mm2_deg,
                "time_area_mm2_s": float(time_area(part.angle_area_mm2_deg, rpm)),
                "share": part.share,
            }
            for part in span.parts
        ],
    }


def _basis(engine: Engine, notices: Iterable[Notice]) -> dict[str, Any]:
    return {
        "doubt_covers": doubt_covers(engine),
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(notices)],
    }
