"""What differs between two maps of a cylinder: stage against stage, job against job, left against right.

The second map (b) is laid on the first (a): where its base face puts it, or fitted on what was not ground
(`portmap.registration`). Every change is b minus a. Timings and time-areas are those of each map on its own
engine, b's after it was laid on a.

A change is beyond doubt when it is larger than two standard uncertainties of the difference, both sides'
doubts and that of the laying-on combined as a root sum of squares; None where nobody said how sure a side is.

Glossary
--------
gained, lost
    Opening that b has and a has not, and the reverse, on the developed wall.
wish
    The proposed map that a ground one was to reach.
to take
    What of the wish the ground map has not opened yet. It is never negative: what was taken outside of the
    wish is told apart, as past the line.
pair
    Two windows that face each other across the exhaust centre line; their difference is right minus left.

References
----------
.. [1] JCGM 100:2008, 5.1.2 and 6.2.1, k = 2 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from portmap.change import Change, area_change, chord_change, floor_change, roof_change, width_change
from portmap.edge_distance import edge_apart
from portmap.engine import Engine
from portmap.errors import GeometryError, Notice
from portmap.left_right import PairDifference, pair_differences
from portmap.matching import (
    MatchedBy,
    PortMatch,
    PortMatches,
    at_turn,
    laid_flat,
    matched_ports,
    matched_windows,
    scaled_round,
)
from portmap.nearness import Nearness, nearness_of
from portmap.port import Kind, Port, PortMap
from portmap.registration import BASE, Registration, fitted_registration, moved_map
from portmap.run_change import RunChange, RunChanges, SpanChange, run_changes
from portmap.wall_change import Place, Shape, area_beyond, named_mm, places_beyond

__all__ = ["Comparison", "PortChange", "Side", "WindowChange", "compared", "compared_degrees"]

_ORDER = {"stock": 0, "proposed": 1, "ground": 2}


@dataclass(frozen=True, kw_only=True, slots=True)
class Side:
    """One of the two that are compared.

    Parameters
    ----------
    name : str
        Of the job or map, for people.
    port_map : PortMap
    bore_mm : float
        Bore [mm].
    engine : Engine or None
        None for a map that no engine is known of; timing is left out then.
    """

    name: str
    port_map: PortMap
    bore_mm: float
    engine: Engine | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowChange:
    """How far the edges of one window lie apart.

    Parameters
    ----------
    window_a, window_b : int
        Its number in either map's port.
    hausdorff_mm, mean_mm : float
        Largest and mean distance of the edges [mm].
    at_mm : tuple of float
        Where the largest is, x and y [mm].
    """

    window_a: int
    window_b: int
    hausdorff_mm: float
    mean_mm: float
    at_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class PortChange:
    """What changed in one port.

    Parameters
    ----------
    id, id_b : str
        Its name in a and in b.
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    matched_by : {'name', 'place'}
    roof_mm, floor_mm, width_arc_mm, width_chord_mm, wall_area_mm2 : Change or None
        Heights above the base face and the width of its widest window [mm], area on the wall [mm²]; None
        where only degrees are compared.
    opens_deg, closes_deg, duration_deg : Change or None
        [deg]; None where the piston does not open and close it in both, or no engine is known.
    time_area_mm2_s : Change or None
        Over the span of its own kind [mm²·s].
    gained, lost : shapely.Polygon, shapely.MultiPolygon or None
        On the wall, in a's frame [mm].
    gained_places, lost_places : tuple of Place
        The deepest first.
    windows : tuple of WindowChange
    """

    id: str
    id_b: str
    kind: Kind
    matched_by: MatchedBy
    roof_mm: Change | None = None
    floor_mm: Change | None = None
    width_arc_mm: Change | None = None
    width_chord_mm: Change | None = None
    wall_area_mm2: Change | None = None
    opens_deg: Change | None = None
    closes_deg: Change | None = None
    duration_deg: Change | None = None
    time_area_mm2_s: Change | None = None
    gained: Shape | None = None
    lost: Shape | None = None
    gained_places: tuple[Place, ...] = ()
    lost_places: tuple[Place, ...] = ()
    windows: tuple[WindowChange, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """Two maps side by side.

    Parameters
    ----------
    a, b : Side
        The second as it was laid on the first.
    degrees_only : bool
        Whether the bores differ and nothing but degrees was compared.
    rpm : float or None
        Speed of the time-areas [rev/min]; None where there are none.
    registration : Registration
    ports : tuple of PortChange
    only_a, only_b : tuple of str
        Names of ports that the other one lacks.
    blowdown_deg : Change or None
        [deg].
    spans : tuple of SpanChange
    pairs_a, pairs_b : tuple of PairDifference
    wish : PortMap or None
        What b was to reach.
    nearness : Nearness or None
    notices : tuple of Notice
    """

    a: Side
    b: Side
    degrees_only: bool
    rpm: float | None
    registration: Registration
    ports: tuple[PortChange, ...]
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]
    blowdown_deg: Change | None
    spans: tuple[SpanChange, ...] = ()
    pairs_a: tuple[PairDifference, ...] = ()
    pairs_b: tuple[PairDifference, ...] = ()
    wish: PortMap | None = None
    nearness: Nearness | None = None
    notices: tuple[Notice, ...] = ()


def compared(
    a: Side,
    b: Side,
    *,
    register: Literal["base", "fit"] = "base",
    rpm: float = 9000.0,
    wish: PortMap | None = None,
) -> Comparison:
    """Return what differs between two maps.

    Parameters
    ----------
    a, b : Side
    register : {'base', 'fit'}, optional
        Leave b where its base face puts it, or lay it on what was not ground.
    rpm : float, optional
        For time-areas [rev/min].
    wish : PortMap or None, optional
        The proposed map in a's frame, if b is ground; a itself unless told, where a is proposed.

    Returns
    -------
    Comparison

    Raises
    ------
    GeometryError
        If the bores differ; as `fitted_registration`.
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> def side(stage, roof):
    ...     window = Window(outline=window_polygon([[-14, 28], [14, 28], [14, roof], [-14, roof]]))
    ...     port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    ...     return Side(name="saw", port_map=PortMap(stage=stage, ports=(port,)), bore_mm=46)
    >>> found = compared(side("stock", 40), side("ground", 41.5))
    >>> found.ports[0].roof_mm.change, found.ports[0].gained.area, found.ports[0].lost.area
    (1.5, 42.0, 0.0)
    """
    if not math.isclose(a.bore_mm, b.bore_mm, rel_tol=1e-9):
        raise GeometryError(
            f"the bores differ, {a.bore_mm:g} and {b.bore_mm:g} mm, so that the walls cannot be compared",
            remedy="add --degrees-only to compare the timing alone",
        )
    bore = a.bore_mm
    registration = BASE if register == "base" else fitted_registration(a.port_map, b.port_map, bore)
    laid = replace(b, port_map=moved_map(b.port_map, registration))
    matches = matched_ports(a.port_map, laid.port_map, bore)
    run = _run(a, laid, matches, rpm)
    ports = tuple(
        _port_change(match, timed, bore) for match, timed in zip(matches.both, run.ports, strict=True)
    )
    if b.port_map.stage != "ground":
        wish = None
    elif wish is None and a.port_map.stage == "proposed":
        wish = a.port_map
    return Comparison(
        a=a,
        b=laid,
        degrees_only=False,
        rpm=rpm,
        registration=registration,
        ports=ports,
        only_a=matches.only_a,
        only_b=matches.only_b,
        blowdown_deg=run.blowdown_deg,
        spans=run.spans,
        pairs_a=pair_differences(a.port_map, bore),
        pairs_b=pair_differences(laid.port_map, bore),
        wish=wish,
        nearness=None if wish is None else nearness_of(wish, laid.port_map, bore),
        notices=(
            *registration.notices,
            *_kind_notices(matches),
            *_stage_notices(a, laid, ports),
            *run.notices,
        ),
    )


def compared_degrees(a: Side, b: Side) -> Comparison:
    """Return what differs in the timing alone, of cylinders whose bores may differ.

    Ports are matched by name, kind and by where they stand in degrees round the bore.

    Parameters
    ----------
    a, b : Side
        Each with its engine.

    Returns
    -------
    Comparison
        Without lengths, areas, time-areas and pairs.

    Raises
    ------
    GeometryError
        If a side has no engine.

    Examples
    --------
    >>> side = Side(name="map", port_map=PortMap(stage="stock", ports=()), bore_mm=46)
    >>> compared_degrees(side, side)
    Traceback (most recent call last):
    portmap.errors.GeometryError: a map alone has no timing to compare; name two jobs
    """
    if a.engine is None or b.engine is None:
        raise GeometryError("a map alone has no timing to compare", remedy="name two jobs")
    seen = scaled_round(b.port_map, a.bore_mm / b.bore_mm)
    matches = matched_ports(a.port_map, seen, a.bore_mm)
    run = _run(a, b, matches, 1.0)
    ports = tuple(
        PortChange(
            id=match.a.id,
            id_b=match.b.id,
            kind=match.a.kind,
            matched_by=match.by,
            opens_deg=timed.opens_deg,
            closes_deg=timed.closes_deg,
            duration_deg=timed.duration_deg,
        )
        for match, timed in zip(matches.both, run.ports, strict=True)
    )
    return Comparison(
        a=a,
        b=b,
        degrees_only=True,
        rpm=None,
        registration=BASE,
        ports=ports,
        only_a=matches.only_a,
        only_b=matches.only_b,
        blowdown_deg=run.blowdown_deg,
        notices=(*_kind_notices(matches), *run.notices),
    )


def _run(a: Side, b: Side, matches: PortMatches, rpm: float) -> RunChanges:
    names = tuple((match.a.id, match.b.id) for match in matches.both)
    return run_changes(a.engine, b.engine, a.port_map, b.port_map, names, rpm=rpm)


def _port_change(match: PortMatch, timed: RunChange, bore_mm: float) -> PortChange:
    a, b = match.a, match.b
    first, second = laid_flat(a, b, bore_mm)
    gained, lost = area_beyond(first, second), area_beyond(second, first)
    named = named_mm(a, b)
    return PortChange(
        id=a.id,
        id_b=b.id,
        kind=a.kind,
        matched_by=match.by,
        roof_mm=roof_change(a, b),
        floor_mm=floor_change(a, b),
        width_arc_mm=width_change(a, b),
        width_chord_mm=chord_change(a, b, bore_mm),
        wall_area_mm2=area_change(a, b),
        opens_deg=timed.opens_deg,
        closes_deg=timed.closes_deg,
        duration_deg=timed.duration_deg,
        time_area_mm2_s=timed.time_area_mm2_s,
        gained=gained,
        lost=lost,
        gained_places=places_beyond(a.id, first, gained, least_mm=named, round_mm=math.pi * bore_mm),
        lost_places=places_beyond(a.id, second, lost, least_mm=named, round_mm=math.pi * bore_mm),
        windows=tuple(_window_changes(a, b, bore_mm)),
    )


def _window_changes(a: Port, b: Port, bore_mm: float) -> Iterator[WindowChange]:
    for i, j in matched_windows(a, b, bore_mm):
        first = a.windows[i].outline
        middle = sum(first.bounds[::2]) / 2
        apart = edge_apart(first, at_turn(b.windows[j].outline, middle, math.pi * bore_mm))
        yield WindowChange(
            window_a=i, window_b=j, hausdorff_mm=apart.hausdorff_mm, mean_mm=apart.mean_mm, at_mm=apart.at_mm
        )


def _kind_notices(matches: PortMatches) -> Iterator[Notice]:
    for match in matches.both:
        a, b = match.a, match.b
        if a.kind != b.kind:
            yield Notice(code="kinds-differ", message=f"Port {a.id} is {a.kind} in a and {b.kind} in b.")
        if len(a.windows) != len(b.windows):
            message = f"Port {a.id} has {len(a.windows)} windows in a and {len(b.windows)} in b."
            yield Notice(code="windows-differ", message=message)


def _stage_notices(a: Side, b: Side, ports: tuple[PortChange, ...]) -> Iterator[Notice]:
    """Yield where a later stage has metal that an earlier one has not."""
    order = _ORDER[b.port_map.stage] - _ORDER[a.port_map.stage]
    if order == 0 or {a.port_map.stage, b.port_map.stage} == {"proposed", "ground"}:
        return
    for port in ports:
        shut = port.lost_places if order > 0 else port.gained_places
        if shut:
            later = b.port_map.stage if order > 0 else a.port_map.stage
            message = (
                f"Port {port.id}: the {later} map is smaller by up to {shut[0].depth_mm:.2f} mm at the"
                f" {shut[0].edge}, and metal cannot come back: check how the maps lie, or register by fit."
            )
            yield Notice(code="metal-put-back", message=message)
