"""What the rules of ring safety look at: one value for each rule and window, not yet judged.

Frame: the bore frame (`portmap.port`). A window that no ring comes to is only looked at for its metal. A
value carries the doubt of the outline where that was stated.

Glossary
--------
partner
    The window that mirrors another on the other side of the exhaust centre line.
roof band
    As in `portmap.ring_roof`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import cast

import shapely
from shapely import Polygon

from portmap.engine import Engine, angle_at_crown_height
from portmap.outline_spread import opening_u_deg
from portmap.port import Port, PortMap, Window, chord_width, mirrored_pairs, roof_of
from portmap.ring_gaps import Stretch, Stretches, given_back, level_width_mm, stretches_of, widest_stretch
from portmap.ring_places import RingPlaces, island_widths, joined_windows, near_window, ring_places
from portmap.ring_roof import roof_lean_mm, tightest_radius
from portmap.ring_rules import RingRules

__all__ = ["RingValue", "ring_values"]

LEAD_SHARE = 0.01  # of the bore: how far the ring rises while it is given back
LEVEL_SHARE = 0.001  # of the bore: what counts as level
BAND_SHARE = 0.05  # of the bore: the roof band whose moment would turn the ring
NEAR_SHARE = 0.25  # of the bore: past this, metal between windows is neither bridge nor thin
ROUND_SHARE = 0.95  # of half the width: a narrow window can't have larger corners than that

Key = tuple[str, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class RingValue:
    """One measured value, before it is judged.

    Parameters
    ----------
    rule : str
        The rule's name.
    port : str
        The port's id.
    window : int
        Number of the port's window.
    value : float or None
        In the rule's unit; None if nobody can tell.
    x_mm, y_mm : float
        Where on the wall [mm].
    u : float or None
        Standard uncertainty, in the unit, from the outline alone; None if nobody said.
    most_asked : float or None
        No bound can ask for more than this, in the unit.
    easy : bool
        Whether the window is too narrow for the rule to matter.
    """

    rule: str
    port: str
    window: int
    value: float | None
    x_mm: float
    y_mm: float
    u: float | None = None
    most_asked: float | None = None
    easy: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shape:
    """What a window's outline alone tells."""

    stretches: Stretches
    widest: Stretch
    radius_mm: float
    radius_at: tuple[float, float]
    given_back_mm: float
    given_back_y: float
    level_mm: float
    lean_mm: float
    half_mm: float
    hull: Polygon


@dataclass(frozen=True, kw_only=True, slots=True)
class _Map:
    """A map, and what of it several windows share."""

    engine: Engine
    rules: RingRules
    places: RingPlaces
    windows: Mapping[Key, tuple[Port, Window]]
    shapes: Mapping[Key, _Shape]
    partners: Mapping[Key, Key]
    arcs: Mapping[Key, Stretch]


def ring_values(engine: Engine, port_map: PortMap, rules: RingRules) -> Iterator[RingValue]:
    """Give each rule's value for each window.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rules : RingRules
        Their settings say what holds a ring and what is narrow.

    Returns
    -------
    iterator of RingValue
        By port, window and rule.

    Raises
    ------
    GeometryError
        If a window's shape makes no sense for the bore.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import window_polygon
    >>> from portmap.ring_rules import ring_rules
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> one = next(iter(ring_values(engine, PortMap(stage="stock", ports=(port,)), ring_rules({}))))
    >>> one.rule, round(one.value, 4)
    ('ring_width', 0.5718)
    """
    seen = _read(engine, port_map, rules)
    for key, (port, window) in seen.windows.items():
        yield from _measured(seen, key, port, window)


def _read(engine: Engine, port_map: PortMap, rules: RingRules) -> _Map:
    windows = {
        (port.id, number): (port, window)
        for port in port_map.ports
        for number, window in enumerate(port.windows)
    }
    shapes = {key: _shape_of(window.outline, engine.bore_mm) for key, (_, window) in windows.items()}
    keys, outlines = list(windows), [window.outline for _, window in windows.values()]
    arcs = {}
    for group in joined_windows(outlines, rules.holds_mm, engine.bore_mm):
        parts = [shape for _, shape in group]
        alone = shapes[keys[group[0][0]]].stretches
        found = stretches_of(list(shapely.get_parts(shapely.union_all(parts)))) if len(parts) > 1 else alone
        widest = widest_stretch(found, holds_mm=rules.holds_mm)
        arcs.update({keys[number]: widest for number, _ in group})
    return _Map(
        engine=engine,
        rules=rules,
        places=ring_places(engine),
        windows=windows,
        shapes=shapes,
        partners=_partners(port_map, shapes, engine.bore_mm),
        arcs=arcs,
    )


def _partners(port_map: PortMap, shapes: Mapping[Key, _Shape], bore_mm: float) -> dict[Key, Key]:
    """Return which windows mirror each other; their hulls tell as well, and sooner."""
    hulls = replace(
        port_map,
        ports=tuple(
            replace(
                port,
                windows=tuple(
                    Window(outline=shapes[port.id, number].hull) for number in range(len(port.windows))
                ),
            )
            for port in port_map.ports
        ),
    )
    partners: dict[Key, Key] = {}
    for left_port, left, right_port, right in mirrored_pairs(hulls, bore_mm):
        partners[left_port, left], partners[right_port, right] = (right_port, right), (left_port, left)
    return partners


@lru_cache(maxsize=256)
def _shape_of(outline: Polygon, bore_mm: float) -> _Shape:
    """Measure one outline; while one window of a map is dragged, the others are not measured anew."""
    stretches = stretches_of([outline])
    radius, x, y = tightest_radius(outline)
    lost, height = given_back(stretches, LEAD_SHARE * bore_mm)
    lean, half = roof_lean_mm(outline, BAND_SHARE * bore_mm)
    return _Shape(
        stretches=stretches,
        widest=widest_stretch(stretches),
        radius_mm=radius,
        radius_at=(x, y),
        given_back_mm=lost,
        given_back_y=height,
        level_mm=level_width_mm(stretches, LEVEL_SHARE * bore_mm),
        lean_mm=lean,
        half_mm=half,
        hull=cast(Polygon, outline.convex_hull),  # of what has an area
    )


def _measured(seen: _Map, key: Key, port: Port, window: Window) -> Iterator[RingValue]:
    """Give each rule's value for one window."""
    left, floor, right, roof = window.outline.bounds
    passes = seen.places.passes(roof)
    if passes:
        yield from _shape(seen, key, window)
        yield _end(seen, key, window)
        yield _at_tdc(seen, key, window)
    elif passes is None:
        yield RingValue(
            port=key[0], window=key[1], rule="ring_bdc", value=None, x_mm=(left + right) / 2, y_mm=roof
        )
    if passes is not None:
        yield _at_bdc(seen, key, window)
    yield from _metal(seen, key, port, window)
    doubt = None if window.doubt is None else window.doubt.floor_u_mm
    yield RingValue(
        port=key[0],
        window=key[1],
        rule="ring_base",
        value=floor,
        x_mm=(left + right) / 2,
        y_mm=floor,
        u=doubt,
    )
    if port.kind == "exhaust" and port.control == "crown" and roof == roof_of(port):
        opens = float(angle_at_crown_height(seen.engine, roof))
        if math.isfinite(opens):
            unsure = opening_u_deg(seen.engine, port)
            yield RingValue(
                port=key[0],
                window=key[1],
                rule="ring_exhaust_opens",
                value=opens,
                x_mm=(left + right) / 2,
                y_mm=roof,
                u=unsure,
            )


def _shape(seen: _Map, key: Key, window: Window) -> Iterator[RingValue]:
    bore = seen.engine.bore_mm
    edge_u = None if window.doubt is None else window.doubt.edge_u_mm
    shape = seen.shapes[key]
    widest = shape.widest
    # past half the bore's round a chord would shrink again
    chord = float(chord_width(min(widest.width_mm, math.pi * bore / 2), bore)) / bore
    # two places of the edge, each with its own doubt
    width_u = None if edge_u is None else math.sqrt(2) * edge_u
    yield RingValue(
        port=key[0],
        window=key[1],
        rule="ring_width",
        value=chord,
        x_mm=widest.x_mm,
        y_mm=widest.y_mm,
        u=None if width_u is None else width_u * math.cos(widest.width_mm / bore) / bore,
    )
    arc = seen.arcs[key]
    degrees = math.degrees(2 / bore)
    yield RingValue(
        port=key[0],
        window=key[1],
        rule="ring_arc",
        value=arc.width_mm * degrees,
        x_mm=arc.x_mm,
        y_mm=arc.y_mm,
        u=None if width_u is None else width_u * degrees,
    )
    x, y = shape.radius_at
    most = ROUND_SHARE * widest.width_mm / 2
    yield RingValue(
        port=key[0], window=key[1], rule="ring_corner", value=shape.radius_mm, x_mm=x, y_mm=y, most_asked=most
    )
    yield RingValue(
        port=key[0],
        window=key[1],
        rule="ring_lead",
        value=shape.given_back_mm / bore,
        x_mm=widest.x_mm,
        y_mm=shape.given_back_y,
    )
    roof, easy = float(window.outline.bounds[3]), chord <= seen.rules.narrow
    level = shape.level_mm / widest.width_mm
    yield RingValue(
        port=key[0], window=key[1], rule="ring_flat", value=level, x_mm=widest.x_mm, y_mm=roof, easy=easy
    )
    lean, half = shape.lean_mm, shape.half_mm
    if key in seen.partners:  # a pair whose windows mirror each other holds the ring in balance
        other = seen.shapes[seen.partners[key]]
        lean, half = lean + other.lean_mm, half + other.half_mm
    yield RingValue(
        port=key[0], window=key[1], rule="ring_turn", value=abs(lean) / half, x_mm=widest.x_mm, y_mm=roof
    )


def _end(seen: _Map, key: Key, window: Window) -> RingValue:
    """Return how far the nearest ring end runs from a window; minus if it runs over it."""
    left, floor, right, roof = window.outline.bounds
    round_mm = math.pi * seen.engine.bore_mm
    best: tuple[float, float] | None = None
    for end in seen.engine.piston.ring_ends_x_mm:
        at = end + round_mm * round(((left + right) / 2 - end) / round_mm)
        gap = max(left - at, at - right)
        if best is None or gap < best[0]:
            best = (gap, at)
    if best is None:
        return RingValue(port=key[0], window=key[1], rule="ring_ends", value=None, x_mm=left, y_mm=roof)
    edge_u = None if window.doubt is None else window.doubt.edge_u_mm
    return RingValue(
        port=key[0],
        window=key[1],
        rule="ring_ends",
        value=best[0],
        x_mm=best[1],
        y_mm=(floor + roof) / 2,
        u=edge_u,
    )


def _at_tdc(seen: _Map, key: Key, window: Window) -> RingValue:
    left, _, right, roof = window.outline.bounds
    ring, crown = seen.places.top_tdc_mm, seen.places.crown_tdc_mm
    if ring is None and roof > crown:
        ring = crown  # no ring stands higher than the crown edge
    value = None if ring is None else ring - roof
    doubt = None if window.doubt is None else window.doubt.roof_u_mm
    return RingValue(
        port=key[0], window=key[1], rule="ring_tdc", value=value, x_mm=(left + right) / 2, y_mm=roof, u=doubt
    )


def _at_bdc(seen: _Map, key: Key, window: Window) -> RingValue:
    """Return how far a window stays from the rings at BDC, above them or below; minus if one stands in it."""
    left, floor, right, roof = window.outline.bounds
    top, low = seen.places.top_bdc_mm, seen.places.low_bdc_mm
    above = None if top is None else floor - top
    below = None if low is None else low - roof
    bound = seen.rules.rule("ring_bdc").look_again
    known = [gap for gap in (above, below) if gap is not None]
    value = max(known, default=None)
    if len(known) < 2 and (value is None or bound is None or value < bound):
        value = None  # the side that nobody can tell may be the safe one
    over = value is not None and value == above
    doubt = window.doubt
    unsure = None if doubt is None else doubt.floor_u_mm if over else doubt.roof_u_mm
    return RingValue(
        port=key[0],
        window=key[1],
        rule="ring_bdc",
        value=value,
        x_mm=(left + right) / 2,
        y_mm=floor if over else roof,
        u=unsure,
    )


def _metal(seen: _Map, key: Key, port: Port, window: Window) -> Iterator[RingValue]:
    bore, shape = seen.engine.bore_mm, window.outline
    own: list[Polygon] = []
    others: list[Polygon] = []
    for other, (_, neighbour) in seen.windows.items():
        if other != key:
            (own if other[0] == port.id else others).append(neighbour.outline)
    edge_u = None if window.doubt is None else math.sqrt(2) * window.doubt.edge_u_mm
    bridges = [*island_widths(shape)]
    beside = near_window(shape, own, bore, within_mm=NEAR_SHARE * bore)
    if beside is not None:
        bridges.append(beside)
    if bridges:
        least = min(bridges, key=lambda bridge: bridge.metal_mm)
        yield RingValue(
            port=key[0],
            window=key[1],
            rule="ring_bridge",
            value=least.metal_mm,
            x_mm=least.x_mm,
            y_mm=least.y_mm,
            u=edge_u,
        )
        if port.kind == "exhaust":
            yield RingValue(
                port=key[0], window=key[1], rule="ring_relief", value=None, x_mm=least.x_mm, y_mm=least.y_mm
            )
    near = near_window(shape, others, bore, within_mm=NEAR_SHARE * bore)
    if near is not None:
        yield RingValue(
            port=key[0],
            window=key[1],
            rule="ring_neighbour",
            value=near.metal_mm,
            x_mm=near.x_mm,
            y_mm=near.y_mm,
            u=edge_u,
        )
