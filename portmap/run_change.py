"""What changes in the run: when ports open and close, blowdown and time-areas, each with its doubt.

Degrees count from true TDC. A change is the second map's figure minus the first's; of degrees the short way
round, so that an intake that opens at 286° and one that opens at 74° before TDC are alike.

Where both maps stand on one engine, its doubts are common to both and cancel to first order. Where the
engines differ, the doubt of the crown height is added to that of the outlines, as far as it is stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from portmap.change import Change, changed
from portmap.engine import Engine
from portmap.errors import Notice
from portmap.figures import timeable
from portmap.outline_spread import blowdown_u_deg, opening_u_deg, span_u_mm2_deg
from portmap.port import Port, PortMap, Window
from portmap.timearea import Span, SpanName, map_spans, specific_time_area, time_area
from portmap.timing import Opening, blowdown_deg, port_timing
from portmap.volume import swept_volume_cm3

__all__ = ["RunChange", "RunChanges", "SpanChange", "run_changes"]


_COARSE_MM = 0.01


@dataclass(frozen=True, kw_only=True, slots=True)
class RunChange:
    """What changed in one port's run; None where it is not known on both sides.

    Parameters
    ----------
    opens_deg, closes_deg, duration_deg : Change or None
        [deg].
    time_area_mm2_s : Change or None
        Over the span of its own kind [mm²·s].
    """

    opens_deg: Change | None = None
    closes_deg: Change | None = None
    duration_deg: Change | None = None
    time_area_mm2_s: Change | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SpanChange:
    """What changed in one span, of wall area.

    Parameters
    ----------
    span : {'exhaust', 'blowdown', 'transfer', 'intake'}
    duration_deg : Change
        [deg].
    angle_area_mm2_deg, time_area_mm2_s, specific_s_per_m : Change
        [mm²·deg], [mm²·s], [s/m].
    """

    span: SpanName
    duration_deg: Change
    angle_area_mm2_deg: Change
    time_area_mm2_s: Change
    specific_s_per_m: Change


@dataclass(frozen=True, kw_only=True, slots=True)
class RunChanges:
    """All that changed in the run.

    Parameters
    ----------
    ports : tuple of RunChange
        In the order asked for.
    blowdown_deg : Change or None
        [deg].
    spans : tuple of SpanChange
        Those that both sides have.
    notices : tuple of Notice
    """

    ports: tuple[RunChange, ...]
    blowdown_deg: Change | None = None
    spans: tuple[SpanChange, ...] = ()
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Run:
    """One side on its engine: its timeable ports and its spans with their doubts."""

    engine: Engine
    port_map: PortMap
    coarse: PortMap
    ports: dict[str, Port]
    spans: dict[SpanName, Span]
    part_u: dict[str, float | None]


def run_changes(
    engine_a: Engine | None,
    engine_b: Engine | None,
    a: PortMap,
    b: PortMap,
    pairs: Sequence[tuple[str, str]],
    *,
    rpm: float,
) -> RunChanges:
    """Return what differs in the run of two maps.

    Parameters
    ----------
    engine_a, engine_b : Engine or None
        None if no engine is known; then nothing is.
    a, b : PortMap
    pairs : sequence of (str, str)
        Names in a and b of the ports that are the same.
    rpm : float
        [rev/min].

    Returns
    -------
    RunChanges

    Raises
    ------
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> run_changes(None, None, PortMap(stage="stock", ports=()), PortMap(stage="ground", ports=()), [],
    ...             rpm=9000).spans
    ()
    """
    time_area(1.0, rpm)  # refuses a speed that is none, timing or not
    if engine_a is None or engine_b is None:
        return RunChanges(ports=(RunChange(),) * len(pairs))
    notices: list[Notice] = []
    if engine_a != engine_b:
        heights = [_crown_u_mm(engine) for engine in (engine_a, engine_b)]
        a, b = (_less_sure(one, u or 0.0) for one, u in zip((a, b), heights, strict=True))
        if None in heights:
            message = (
                "The engines differ and how sure their crown heights are is not stated: the doubt of timings"
                " is that of the outlines alone."
            )
            notices.append(Notice(code="outlines-only", message=message))
    runs = []
    for engine, port_map, name in ((engine_a, a, "a"), (engine_b, b, "b")):
        run, said = _run(engine, port_map)
        runs.append(run)
        notices += [replace(notice, message=f"In {name}: {notice.message}") for notice in said]
    first, second = runs
    blowdowns = [blowdown_deg(run.engine, run.port_map) for run in runs]
    blowdown = None
    if blowdowns[0] is not None and blowdowns[1] is not None:
        doubts = [blowdown_u_deg(run.engine, run.port_map) for run in runs]
        blowdown = changed(blowdowns[0], blowdowns[1], *doubts)
    return RunChanges(
        ports=tuple(_port_run(first, second, one, other, rpm) for one, other in pairs),
        blowdown_deg=blowdown,
        spans=tuple(_span_change(first, second, name, rpm) for name in first.spans if name in second.spans),
        notices=tuple(notices),
    )


def _crown_u_mm(engine: Engine) -> float | None:
    return None if engine.doubt is None else engine.doubt.u("crown_height_mm")


def _less_sure(port_map: PortMap, u_mm: float) -> PortMap:
    """Return the map with a height's doubt added that all of it shares."""
    if not u_mm:
        return port_map

    def less_sure(window: Window) -> Window:
        doubt = window.doubt
        if doubt is None:
            return window
        heights = [math.hypot(u, u_mm) for u in (doubt.roof_u_mm, doubt.floor_u_mm)]
        return replace(window, doubt=replace(doubt, roof_u_mm=heights[0], floor_u_mm=heights[1]))

    ports = tuple(
        replace(port, windows=tuple(less_sure(window) for window in port.windows)) for port in port_map.ports
    )
    return replace(port_map, ports=ports)


def _run(engine: Engine, port_map: PortMap) -> tuple[_Run, tuple[Notice, ...]]:
    known, left_out = timeable(engine, port_map)
    spans, said = map_spans(engine, known)
    part_u: dict[str, float | None] = {}
    coarse = _coarse(known)
    for span in spans:
        if span.name != "blowdown":
            for part in span.parts:
                part_u[part.port_id] = span_u_mm2_deg(engine, coarse, replace(span, parts=(part,)))
    return _Run(
        engine=engine,
        port_map=known,
        coarse=coarse,
        ports={port.id: port for port in known.ports},
        spans={span.name: span for span in spans},
        part_u=part_u,
    ), (*left_out, *said)


def _coarse(port_map: PortMap) -> PortMap:
    """Return the map with fewer corners: a doubt is known to a few hundredths of itself at best."""

    def coarse(window: Window) -> Window:
        return replace(window, outline=window.outline.simplify(_COARSE_MM))

    ports = tuple(
        replace(port, windows=tuple(coarse(window) for window in port.windows)) for port in port_map.ports
    )
    return replace(port_map, ports=ports)


def _first_opening(run: _Run, name: str) -> tuple[Opening | None, float | None]:
    port = run.ports.get(name)
    if port is None:
        return None, None
    timing = port_timing(run.engine, port)
    return (timing.openings[0] if timing.openings else None), opening_u_deg(run.engine, port)


def _port_run(first: _Run, second: _Run, name: str, name_b: str, rpm: float) -> RunChange:
    (a, u_a), (b, u_b) = _first_opening(first, name), _first_opening(second, name_b)
    areas = _part(first, name), _part(second, name_b)
    amount = None
    if areas[0] is not None and areas[1] is not None:
        doubts = (first.part_u[name], second.part_u[name_b])
        amount = changed(
            *(float(time_area(area, rpm)) for area in areas if area is not None),
            *(None if u is None else float(time_area(u, rpm)) for u in doubts),
        )
    if a is None or b is None:
        return RunChange(time_area_mm2_s=amount)
    # opening and closing are two readings of one edge, so their doubts add
    twice = [None if u is None else 2.0 * u for u in (u_a, u_b)]
    return RunChange(
        opens_deg=changed(a.opens_deg, b.opens_deg, u_a, u_b, turn=360.0),
        closes_deg=changed(a.closes_deg, b.closes_deg, u_a, u_b, turn=360.0),
        duration_deg=changed(a.duration_deg, b.duration_deg, *twice),
        time_area_mm2_s=amount,
    )


def _part(run: _Run, name: str) -> float | None:
    found = [
        part.angle_area_mm2_deg
        for span in run.spans.values()
        if span.name != "blowdown"
        for part in span.parts
        if part.port_id == name
    ]
    return found[0] if found else None


def _span_u(run: _Run, span: Span) -> float | None:
    if span.name == "blowdown":
        return span_u_mm2_deg(run.engine, run.coarse, span)
    parts = [run.part_u[part.port_id] for part in span.parts]
    known = [u for u in parts if u is not None]
    # windows lifted in one picture share a datum and a scale, so their doubts add
    return sum(known) if len(known) == len(parts) else None


def _duration_u(run: _Run, span: Span) -> float | None:
    """Return twice the largest doubt of an opening that bounds the span."""
    if span.name == "blowdown":
        return blowdown_u_deg(run.engine, run.port_map)
    found = [opening_u_deg(run.engine, run.ports[part.port_id]) for part in span.parts]
    known = [u for u in found if u is not None]
    return 2.0 * max(known) if known and len(known) == len(found) else None


def _span_change(first: _Run, second: _Run, name: SpanName, rpm: float) -> SpanChange:
    runs, spans = (first, second), (first.spans[name], second.spans[name])
    amounts = [span.angle_area_mm2_deg for span in spans]
    doubts = [_span_u(run, span) for run, span in zip(runs, spans, strict=True)]
    times = [float(time_area(amount, rpm)) for amount in amounts]
    time_u = [None if u is None else float(time_area(u, rpm)) for u in doubts]
    swept = [swept_volume_cm3(run.engine) for run in runs]
    return SpanChange(
        span=name,
        duration_deg=changed(
            *(span.duration_deg for span in spans),
            *(_duration_u(run, span) for run, span in zip(runs, spans, strict=True)),
        ),
        angle_area_mm2_deg=changed(amounts[0], amounts[1], *doubts),
        time_area_mm2_s=changed(times[0], times[1], *time_u),
        specific_s_per_m=changed(
            *(float(specific_time_area(time, volume)) for time, volume in zip(times, swept, strict=True)),
            *(
                None if u is None else float(specific_time_area(u, volume))
                for u, volume in zip(time_u, swept, strict=True)
            ),
        ),
    )
