"""Whether a ring is safe on each window as drawn: verdicts by the rules of `portmap.ring_rules`.

Each verdict has a value, a grade, the place on the wall and words for the porter. A guide, never permission:
most bounds are common practice without a source, and each says so.

Frame: the bore frame (`portmap.port`). A window that no ring comes to is only looked at for its metal. A
value carries the doubt of the outline where that was stated; one nearer to a bound than twice its doubt says
so.

Glossary
--------
verdict
    What one rule has to say of one window. What can't be known is one verdict for the whole map, which names
    what to measure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import shapely
from shapely import Polygon

from portmap.engine import Engine, angle_at_crown_height
from portmap.outline_spread import opening_u_deg
from portmap.port import Port, PortMap, Window, chord_width, mirrored_pairs, roof_of
from portmap.ring_gaps import Stretch, given_back, level_width_mm, stretches_of, widest_stretch
from portmap.ring_places import RingPlaces, island_widths, joined_windows, near_window, ring_places
from portmap.ring_roof import roof_lean_mm, tightest_radius
from portmap.ring_rules import GRADES, Grade, RingRule, RingRules
from portmap.shown import COVERAGE, number_text

__all__ = ["Verdict", "ring_document", "ring_verdicts", "worst_grades"]

LEAD_SHARE = 0.01  # of the bore: how far the ring rises while it is given back
LEVEL_SHARE = 0.001  # of the bore: what counts as level
BAND_SHARE = 0.05  # of the bore: the roof band whose moment would turn the ring
BRIDGE_SHARE = 0.25  # of the bore: wider metal between windows of a port is no bridge
ROUND_SHARE = 0.95  # of half the width: a narrow window can't have larger corners than that
DECIMALS = {"mm": 2, "deg": 1, "deg of bore": 1}

Key = tuple[str, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What one rule says of one window.

    Parameters
    ----------
    rule : str
        The rule's name.
    what : str
        The value in words.
    grade : {'fine', 'look again', "don't", 'not checked'}
    port : str
        The port's id; empty where the whole map is meant.
    window : int or None
        Number of the port's window; None where the whole map is meant.
    value : float or None
        In the unit; None if it can't be known.
    u : float or None
        Standard uncertainty of the value, from the outline alone; None if nobody said.
    threshold : float or None
        The bound that was passed, or else the next one; None if there is none.
    unit : str
    x_mm, y_mm : float or None
        Where on the wall [mm].
    words : str
        One sentence for the porter.
    source : str
        Where the bounds come from.
    """

    rule: str
    what: str
    grade: Grade
    port: str
    window: int | None
    value: float | None
    u: float | None
    threshold: float | None
    unit: str
    x_mm: float | None
    y_mm: float | None
    words: str
    source: str


@dataclass(frozen=True, kw_only=True, slots=True)
class _Seen:
    """One measured value, before it is judged."""

    rule: str
    value: float | None
    x_mm: float
    y_mm: float
    u: float | None = None
    least: float | None = None  # a bound of size can't ask for more than this
    easy: bool = False  # too narrow a window for the rule to matter


@dataclass(frozen=True, kw_only=True, slots=True)
class _Map:
    """A map, and what of it several windows share."""

    engine: Engine
    rules: RingRules
    places: RingPlaces
    windows: Mapping[Key, tuple[Port, Window]]
    partners: Mapping[Key, Key]
    arcs: Mapping[Key, Stretch]
    leans: Mapping[Key, tuple[float, float]]


def ring_verdicts(engine: Engine, port_map: PortMap, rules: RingRules) -> tuple[Verdict, ...]:
    """Return what the rules of ring safety say of each window.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    rules : RingRules
        As `ring_rules` gives them.

    Returns
    -------
    tuple of Verdict
        By port, window and rule; what could not be checked comes last.

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
    >>> port = Port(id="exhaust", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = ring_verdicts(engine, PortMap(stage="stock", ports=(port,)), ring_rules({}))
    >>> print(found[0].words)
    Fine: widest unsupported stretch, as a chord: 0.572 of bore.
    >>> [verdict.rule for verdict in found if verdict.grade == "don't"]
    ['ring_corner', 'ring_lead', 'ring_flat']
    """
    seen = _read(engine, port_map, rules)
    found: list[Verdict] = []
    unknown: dict[str, list[str]] = {}
    for (port_id, number), (port, window) in seen.windows.items():
        for one in _measured(seen, (port_id, number), port, window):
            if one.value is None:
                unknown.setdefault(one.rule, []).append(port_id)
            else:
                found.append(_verdict(rules.rule(one.rule), one, one.value, port_id, number))
    missing = [_not_checked(rules.rule(name), ports) for name, ports in unknown.items()]
    return (*found, *missing)


def _read(engine: Engine, port_map: PortMap, rules: RingRules) -> _Map:
    windows = {
        (port.id, number): (port, window)
        for port in port_map.ports
        for number, window in enumerate(port.windows)
    }
    keys, shapes = list(windows), [window.outline for _, window in windows.values()]
    arcs = {}
    for group in joined_windows(shapes, rules.holds_mm, engine.bore_mm):
        parts = [shape for _, shape in group]
        found = stretches_of([shapely.union_all(parts)] if len(parts) > 1 else parts)
        widest = widest_stretch(found, holds_mm=rules.holds_mm)
        arcs.update({keys[number]: widest for number, _ in group})
    partners: dict[Key, Key] = {}
    for left_port, left, right_port, right in mirrored_pairs(port_map, engine.bore_mm):
        partners[left_port, left], partners[right_port, right] = (right_port, right), (left_port, left)
    return _Map(
        engine=engine,
        rules=rules,
        places=ring_places(engine),
        windows=windows,
        partners=partners,
        arcs=arcs,
        leans={
            key: roof_lean_mm(window.outline, BAND_SHARE * engine.bore_mm)
            for key, (_, window) in windows.items()
        },
    )


def _measured(seen: _Map, key: Key, port: Port, window: Window) -> Iterator[_Seen]:
    """Give each rule's value for one window."""
    left, floor, right, roof = window.outline.bounds
    passes = seen.places.passes(roof)
    if passes:
        yield from _shape(seen, key, window)
        yield _end(seen, window)
        yield _at_tdc(seen, window)
    elif passes is None:
        yield _Seen(rule="ring_bdc", value=None, x_mm=(left + right) / 2, y_mm=roof)
    if passes is not None:
        yield _at_bdc(seen, window)
    yield from _metal(seen, key, port, window)
    doubt = None if window.doubt is None else window.doubt.floor_u_mm
    yield _Seen(rule="ring_base", value=floor, x_mm=(left + right) / 2, y_mm=floor, u=doubt)
    if port.kind == "exhaust" and port.control == "crown" and roof == roof_of(port):
        opens = float(angle_at_crown_height(seen.engine, roof))
        if math.isfinite(opens):
            unsure = opening_u_deg(seen.engine, port)
            yield _Seen(rule="ring_exhaust_opens", value=opens, x_mm=(left + right) / 2, y_mm=roof, u=unsure)


def _shape(seen: _Map, key: Key, window: Window) -> Iterator[_Seen]:
    bore = seen.engine.bore_mm
    edge_u = None if window.doubt is None else window.doubt.edge_u_mm
    found = stretches_of([window.outline])
    widest = widest_stretch(found)
    chord = float(chord_width(widest.width_mm, bore)) / bore
    # two places of the edge, each with its own doubt
    width_u = None if edge_u is None else math.sqrt(2) * edge_u
    yield _Seen(
        rule="ring_width",
        value=chord,
        x_mm=widest.x_mm,
        y_mm=widest.y_mm,
        u=None if width_u is None else width_u * math.cos(widest.width_mm / bore) / bore,
    )
    arc = seen.arcs[key]
    degrees = math.degrees(2 / bore)
    yield _Seen(
        rule="ring_arc",
        value=arc.width_mm * degrees,
        x_mm=arc.x_mm,
        y_mm=arc.y_mm,
        u=None if width_u is None else width_u * degrees,
    )
    radius, x, y = tightest_radius(window.outline)
    yield _Seen(rule="ring_corner", value=radius, x_mm=x, y_mm=y, least=ROUND_SHARE * widest.width_mm / 2)
    lost, height = given_back(found, LEAD_SHARE * bore)
    yield _Seen(rule="ring_lead", value=lost / bore, x_mm=widest.x_mm, y_mm=height)
    roof = float(window.outline.bounds[3])
    level = level_width_mm(found, LEVEL_SHARE * bore) / widest.width_mm
    easy = chord <= seen.rules.narrow
    yield _Seen(rule="ring_flat", value=level, x_mm=widest.x_mm, y_mm=roof, easy=easy)
    lean, half = seen.leans[key]
    if key in seen.partners:  # a pair whose windows mirror each other holds the ring in balance
        other, other_half = seen.leans[seen.partners[key]]
        lean, half = lean + other, half + other_half
    yield _Seen(rule="ring_turn", value=abs(lean) / half, x_mm=widest.x_mm, y_mm=roof)


def _end(seen: _Map, window: Window) -> _Seen:
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
        return _Seen(rule="ring_ends", value=None, x_mm=left, y_mm=roof)
    edge_u = None if window.doubt is None else window.doubt.edge_u_mm
    return _Seen(rule="ring_ends", value=best[0], x_mm=best[1], y_mm=(floor + roof) / 2, u=edge_u)


def _at_tdc(seen: _Map, window: Window) -> _Seen:
    left, _, right, roof = window.outline.bounds
    ring, crown = seen.places.top_tdc_mm, seen.places.crown_tdc_mm
    if ring is None and roof > crown:
        ring = crown  # no ring stands higher than the crown edge
    value = None if ring is None else ring - roof
    doubt = None if window.doubt is None else window.doubt.roof_u_mm
    return _Seen(rule="ring_tdc", value=value, x_mm=(left + right) / 2, y_mm=roof, u=doubt)


def _at_bdc(seen: _Map, window: Window) -> _Seen:
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
    return _Seen(
        rule="ring_bdc", value=value, x_mm=(left + right) / 2, y_mm=floor if over else roof, u=unsure
    )


def _metal(seen: _Map, key: Key, port: Port, window: Window) -> Iterator[_Seen]:
    bore, shape = seen.engine.bore_mm, window.outline
    own: list[Polygon] = []
    others: list[Polygon] = []
    for other, (_, neighbour) in seen.windows.items():
        if other != key:
            (own if other[0] == port.id else others).append(neighbour.outline)
    edge_u = None if window.doubt is None else math.sqrt(2) * window.doubt.edge_u_mm
    bridges = [*island_widths(shape)]
    beside = near_window(shape, own, bore)
    if beside is not None and beside.metal_mm <= BRIDGE_SHARE * bore:
        bridges.append(beside)
    if bridges:
        least = min(bridges, key=lambda bridge: bridge.metal_mm)
        yield _Seen(rule="ring_bridge", value=least.metal_mm, x_mm=least.x_mm, y_mm=least.y_mm, u=edge_u)
        if port.kind == "exhaust":
            yield _Seen(rule="ring_relief", value=None, x_mm=least.x_mm, y_mm=least.y_mm)
    near = near_window(shape, others, bore)
    if near is not None:
        yield _Seen(rule="ring_neighbour", value=near.metal_mm, x_mm=near.x_mm, y_mm=near.y_mm, u=edge_u)


def _verdict(rule: RingRule, one: _Seen, value: float, port_id: str, number: int) -> Verdict:
    if one.least is not None:
        rule = replace(
            rule, look_again=_at_most(rule.look_again, one.least), dont=_at_most(rule.dont, one.least)
        )
    grade: Grade = "fine" if one.easy else rule.grade(value)
    bound = rule.dont if grade == "don't" else rule.look_again
    return Verdict(
        rule=rule.name,
        what=rule.what,
        grade=grade,
        port=port_id,
        window=number,
        value=value,
        u=one.u,
        threshold=bound,
        unit=rule.unit,
        x_mm=one.x_mm,
        y_mm=one.y_mm,
        words=_words(rule, grade, value, bound, one),
        source=rule.source,
    )


def _at_most(bound: float | None, most: float) -> float | None:
    return None if bound is None else min(bound, most)


def _words(rule: RingRule, grade: Grade, value: float, bound: float | None, one: _Seen) -> str:
    decimals = DECIMALS.get(rule.unit, 3)
    text = f"{grade.capitalize()}: {rule.what}: {number_text(value, decimals)} {rule.unit}"
    if grade != "fine" and bound is not None:
        side = "more" if rule.sense == "most" else "less"
        text += f", {side} than {number_text(bound, decimals)}: {rule.why}"
    elif one.easy and rule.grade(value) != "fine":
        text += "; the window is so narrow that it does no harm"
    near = [edge for edge in (rule.look_again, rule.dont) if edge is not None]
    if one.u is not None and any(abs(value - edge) < COVERAGE * one.u for edge in near):
        text += f" (± {number_text(COVERAGE * one.u, decimals + 1)}: too near a bound to be sure)"
    return f"{text}."


def _not_checked(rule: RingRule, ports: Iterable[str]) -> Verdict:
    where = ", ".join(dict.fromkeys(ports))
    return Verdict(
        rule=rule.name,
        what=rule.what,
        grade="not checked",
        port="",
        window=None,
        value=None,
        u=None,
        threshold=rule.look_again,
        unit=rule.unit,
        x_mm=None,
        y_mm=None,
        words=f"Not checked: {rule.what} ({where}); measure {rule.measure}.",
        source=rule.source,
    )


def worst_grades(verdicts: Iterable[Verdict]) -> dict[str, Grade]:
    """Return the worst grade of each port.

    Parameters
    ----------
    verdicts : iterable of Verdict

    Returns
    -------
    dict of str to str
        By port id; what was not checked doesn't count.

    Examples
    --------
    >>> worst_grades(())
    {}
    """
    worst: dict[str, Grade] = {}
    for verdict in verdicts:
        if verdict.port and verdict.grade != "not checked":
            before = worst.get(verdict.port, "fine")
            worst[verdict.port] = min(before, verdict.grade, key=GRADES.index)
    return worst


def ring_document(verdicts: Iterable[Verdict]) -> dict[str, Any]:
    """Return verdicts for other programs.

    Parameters
    ----------
    verdicts : iterable of Verdict

    Returns
    -------
    dict
        ``worst``: the worst grade by port; ``counts`` by grade; ``verdicts``, each with the fields of
        `Verdict`.

    Examples
    --------
    >>> ring_document(())
    {'worst': {}, 'counts': {"don't": 0, 'look again': 0, 'not checked': 0, 'fine': 0}, 'verdicts': []}
    """
    found = tuple(verdicts)
    return {
        "worst": worst_grades(found),
        "counts": {grade: sum(verdict.grade == grade for verdict in found) for grade in GRADES},
        "verdicts": [
            {
                "rule": one.rule,
                "what": one.what,
                "grade": one.grade,
                "port": one.port or None,
                "window": one.window,
                "value": one.value,
                "u": one.u,
                "threshold": one.threshold,
                "unit": one.unit,
                "x_mm": one.x_mm,
                "y_mm": one.y_mm,
                "words": one.words,
                "source": one.source,
            }
            for one in found
        ],
    }
