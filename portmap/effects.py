"""What work does to the figures that a porter reads: before, after and change, and the effect of a little.

A figure's name ends in its unit; a port's begins with the port's id and a colon: ``squish_mm``,
``exhaust:opens_deg``, ``trapped_ratio`` (which has none). Degrees count after true TDC, 0 to 360, so that a
change below zero is sooner. Angle-areas are of wall area.

Glossary
--------
effect
    Change of a figure for a millimetre of work, where the engine stands now: a derivative. Lengths and the
    head volume go in proportion, so theirs is exact. Of degrees, ratios and pressures it is a central
    difference; of areas one from one side, since metal can't be put back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from portmap.change_doubt import ChangeDoubt, change_doubts
from portmap.cranking import EXPONENTS_BASIS, cranking_range
from portmap.doubts import doubts_of
from portmap.engine import depth_below_crown
from portmap.errors import GeometryError, Notice
from portmap.operation import (
    OPERATIONS,
    SEALANT_FILM_MM,
    Operation,
    OperationKind,
    kind_of,
    tools_needed,
)
from portmap.port import PortEdges, wall_area
from portmap.ratio import geometric_ratio, trapped_ratio
from portmap.shop_limits import Breach
from portmap.shopwork import Build, after, nudged
from portmap.shown import UnitSystem, unit_system
from portmap.timearea import map_spans
from portmap.timing import Timing, edge_blowdown_deg, edge_timing
from portmap.volume import exhaust_closing_depth_mm, squish_clearance_mm

__all__ = [
    "THOU_MM",
    "Change",
    "Effect",
    "area_figures",
    "bench_figures",
    "changes",
    "effect_table",
    "work_document",
]

Figure = TypeVar("Figure")

THOU_MM = 0.0254  # exact: international yard and pound agreement, 1959
PA_PER_BAR = 1e5

STEP_MM = 1e-3  # leaves an error of some 1e-9 in a slope, from rounding as from the curve
AREA_STEP_MM = 0.02  # outlines are united to some 1e-12 mm, areas curve gently


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """A figure before and after work.

    Parameters
    ----------
    name : str
        The figure's name, its unit at the end.
    before, after : float or None
        None where it can't be known.
    change : float or None
        After less before; None where either can't be known.
    doubt : ChangeDoubt or None
        How sure the three are; None where nobody can say.
    """

    name: str
    before: float | None
    after: float | None
    change: float | None
    doubt: ChangeDoubt | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Effect:
    """What a little of one kind of work does to every figure.

    Parameters
    ----------
    operation : str
        The kind of work.
    port : str or None
        The port it is done to.
    needs : tuple of str
        Tools, any one of which will do.
    per_mm : mapping of str to float or None
        Change of each figure for 1 mm of work, as a derivative, in the figure's unit per mm; None where
        it can't be known.
    """

    operation: str
    port: str | None
    needs: tuple[str, ...]
    per_mm: Mapping[str, float | None]


def bench_figures(build: Build) -> dict[str, float | None]:
    """Return the figures that a porter reads at the bench.

    Parameters
    ----------
    build : Build

    Returns
    -------
    dict of str to float or None
        ``squish_mm``, ``blowdown_deg``, ``head_volume_cm3``, ``trapped_ratio``, ``geometric_ratio``,
        ``cranking_low_bar`` and ``cranking_high_bar`` (gauge, at sea level, for the range of exponents of
        `portmap.cranking`), ``base_gasket_mm``, and of each port, as ``ID:``, ``opens_deg``, ``closes_deg``,
        ``duration_deg`` (its first opening; the duration of all), ``roof_depth_mm`` and ``floor_depth_mm``
        below the crown edge at TDC. None where something it needs is not known, or the port does not
        open and close.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=39.4)
    >>> figures = bench_figures(Build(engine=engine, edges=(port,)))
    >>> round(figures["exhaust:opens_deg"], 2), figures["squish_mm"]
    (102.48, None)
    """
    engine, edges = build.engine, build.edges
    closing = _known(lambda: exhaust_closing_depth_mm(engine, edges))
    trapped = None if closing is None else _known(lambda: trapped_ratio(engine, closing))
    cranking = None if trapped is None or not trapped > 1 else cranking_range(trapped)
    figures: dict[str, float | None] = {
        "base_gasket_mm": engine.base_gasket_mm,
        "squish_mm": _known(lambda: squish_clearance_mm(engine)),
        "blowdown_deg": edge_blowdown_deg(engine, edges),
        "head_volume_cm3": engine.head_volume_cm3,
        "trapped_ratio": trapped,
        "geometric_ratio": _known(lambda: geometric_ratio(engine)),
        "cranking_low_bar": None if cranking is None else cranking.low_pa / PA_PER_BAR,
        "cranking_high_bar": None if cranking is None else cranking.high_pa / PA_PER_BAR,
    }
    for edge in edges:
        timing = _timing(build, edge)
        first = timing.openings[0] if timing is not None and timing.openings else None
        figures[f"{edge.id}:opens_deg"] = None if first is None else first.opens_deg
        figures[f"{edge.id}:closes_deg"] = None if first is None else first.closes_deg
        figures[f"{edge.id}:duration_deg"] = (
            None if timing is None or timing.state == "not timed" else timing.duration_deg
        )
        for name, height in (("roof", edge.roof_mm), ("floor", edge.floor_mm)):
            figures[f"{edge.id}:{name}_depth_mm"] = (
                None if height is None else float(depth_below_crown(engine, height))
            )
    return figures


def area_figures(build: Build) -> dict[str, float | None]:
    """Return the areas and angle-areas, where the outlines are known.

    Parameters
    ----------
    build : Build

    Returns
    -------
    dict of str to float or None
        ``ID:wall_area_mm2`` of each port, and the angle-area of each span that there is, such as
        ``exhaust_angle_area_mm2_deg``. Empty without outlines.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> area_figures(Build(engine=engine, edges=()))
    {}
    """
    if build.port_map is None:
        return {}
    figures: dict[str, float | None] = {
        f"{port.id}:wall_area_mm2": wall_area(port) for port in build.port_map.ports
    }
    timed = tuple(
        port
        for port, edge in ((port, _edge_of(build, port.id)) for port in build.port_map.ports)
        if edge is not None and _timing(build, edge) is not None
    )
    spans, _ = map_spans(build.engine, replace(build.port_map, ports=timed))
    for span in spans:
        figures[f"{span.name}_angle_area_mm2_deg"] = span.angle_area_mm2_deg
    return figures


def changes(before: Build, now: Build) -> tuple[Change, ...]:
    """Return every figure before and after work.

    Parameters
    ----------
    before, now : Build

    Returns
    -------
    tuple of Change
        Bench figures, then areas where outlines are known; none that is unknown on both sides.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.operation import parse_operation
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 squish_band_height_mm=61.8)
    >>> build = Build(engine=engine, edges=())
    >>> [(found.name, round(found.change, 3)) for found in changes(build, after(build,
    ...     parse_operation("cut_base 10 thou"))) if found.change]
    [('squish_mm', -0.254)]
    """
    then = bench_figures(before) | area_figures(before)
    later = bench_figures(now) | area_figures(now)
    doubts = change_doubts(before, now)
    found = []
    for name in dict.fromkeys((*then, *later)):
        old, new = then.get(name), later.get(name)
        if old is not None or new is not None:
            change = None if old is None or new is None else new - old
            found.append(Change(name=name, before=old, after=new, change=change, doubt=doubts.get(name)))
    return tuple(found)


def effect_table(build: Build, *, areas: bool = True) -> tuple[Effect, ...]:
    """Return what a little of each kind of work does to every figure.

    Parameters
    ----------
    build : Build
        Where the engine stands now.
    areas : bool, optional
        With areas and angle-areas, where outlines are known; they take most of the time.

    Returns
    -------
    tuple of Effect
        One for each kind of work that can be done here, and for each port that it can be done to.
        ``sealant`` is left out: it does what ``base_gasket`` does.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=39.4)
    >>> for effect in effect_table(Build(engine=engine, edges=(port,)))[:2]:
    ...     print(effect.operation, round(0.1 * effect.per_mm["exhaust:opens_deg"], 2))
    base_gasket -0.39
    cut_base 0.39
    """
    found = []
    for kind, port in _work_at_hand(build):
        per_mm = _slopes(build, kind, port)
        if areas and build.port_map is not None:
            per_mm |= _area_slopes(build, kind, port)
        found.append(Effect(operation=kind.name, port=port, needs=kind.needs, per_mm=per_mm))
    return tuple(found)


def work_document(
    before: Build,
    work: tuple[Operation, ...],
    breached: tuple[Breach, ...],
    *,
    table: bool = False,
    notices: Iterable[Notice] = (),
    system: UnitSystem | None = None,
) -> dict[str, Any]:
    """Return what work does, as other programs read it.

    Parameters
    ----------
    before : Build
    work : tuple of Operation
        In working order.
    breached : tuple of Breach
        From `portmap.shop_limits.breaches`.
    table : bool, optional
        With ``effects``, each operation's change of every figure ``per_mm``, ``per_0_1_mm`` and
        ``per_10_thou``, at the engine as it is before the work.
    notices : iterable of Notice, optional
        Doubts that the job carries.
    system : UnitSystem or None, optional
        Of the sentences; mm unless told.

    Returns
    -------
    dict
        ``operations`` (each with ``operation``, ``amount_mm``, ``port`` where it has one, ``needs``),
        ``needs``, ``figures`` (for each name ``before``, ``after``, ``change``, and with ``_u`` the standard
        uncertainty of each), ``limits`` (each with ``limit``, ``grade``, ``where``, ``value_mm``,
        ``bound_mm``, ``beyond_mm``, ``message``),
        ``effects``, ``assumed``, ``fitted``, ``warnings``.

    Raises
    ------
    GeometryError
        As `portmap.shopwork.after`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.operation import parse_operation
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> found = work_document(Build(engine=engine, edges=()), (parse_operation("cut_base 0.5"),), ())
    >>> found["operations"], found["needs"]
    ([{'operation': 'cut_base', 'amount_mm': 0.5, 'needs': ['lathe']}], ['lathe'])
    """
    now = after(before, *work)
    document: dict[str, Any] = {
        "operations": [_operation_entry(piece) for piece in work],
        "needs": list(tools_needed(work)),
        "figures": {found.name: _change_entry(found) for found in changes(before, now)},
        "limits": [
            {
                "limit": breach.limit,
                "grade": breach.grade,
                "where": breach.where,
                "value_mm": breach.value_mm,
                "bound_mm": breach.bound_mm,
                "beyond_mm": breach.beyond_mm,
                "message": breach.message,
            }
            for breach in breached
        ],
    }
    if table:
        document["effects"] = [_effect_entry(effect) for effect in effect_table(before)]
    assumed = now.engine.assumed
    if table:  # what its cuts would take for granted, though nobody makes them
        cuts = (nudged(before, name, 0.0).engine.assumed for name in ("cut_crown", "cut_rim"))
        assumed = tuple(dict.fromkeys((*assumed, *(words for cut in cuts for words in cut))))
    if document["figures"].get("cranking_low_bar") is not None:
        assumed = (*assumed, f"exponent of the cranked charge {EXPONENTS_BASIS}")
    if any(piece.operation == "sealant" and piece.amount_mm == SEALANT_FILM_MM for piece in work):
        reader = system or unit_system("mm")
        film = f"{SEALANT_FILM_MM * reader.per_mm:.2g} {reader.length}"
        assumed = (*assumed, f"film of sealant {film}, common practice, no source")
    told = doubts_of(before).notices(system=system) if work else ()
    said = (*(breach.notice() for breach in breached), *_state_notices(now), *notices, *told)
    return document | {
        "assumed": list(assumed),
        "fitted": list(now.engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(said)],
    }


def _change_entry(found: Change) -> dict[str, float | None]:
    doubt = found.doubt
    return {
        "before": found.before,
        "before_u": None if doubt is None else doubt.before_u,
        "after": found.after,
        "after_u": None if doubt is None else doubt.after_u,
        "change": found.change,
        "change_u": None if doubt is None else doubt.change_u,
    }


def _operation_entry(piece: Operation) -> dict[str, Any]:
    entry: dict[str, Any] = {"operation": piece.operation, "amount_mm": piece.amount_mm}
    if piece.port is not None:
        entry["port"] = piece.port
    return entry | {"needs": list(kind_of(piece.operation).needs)}


def _effect_entry(effect: Effect) -> dict[str, Any]:
    entry: dict[str, Any] = {"operation": effect.operation}
    if effect.port is not None:
        entry["port"] = effect.port
    entry["needs"] = list(effect.needs)
    for name, amount_mm in (("per_mm", 1.0), ("per_0_1_mm", 0.1), ("per_10_thou", 10 * THOU_MM)):
        entry[name] = {
            figure: None if slope is None else slope * amount_mm for figure, slope in effect.per_mm.items()
        }
    return entry


def _state_notices(build: Build) -> Iterator[Notice]:
    words = {
        "never opens": ("never-opens", "is never uncovered any more"),
        "always open": ("never-closes", "is never wholly covered any more"),
    }
    for edge in build.edges:
        timing = _timing(build, edge)
        if timing is not None and timing.state in words:
            code, word = words[timing.state]
            yield Notice(code=code, message=f"Port {edge.id} {word}: take less, or check its heights.")


def _work_at_hand(build: Build) -> Iterator[tuple[OperationKind, str | None]]:
    """Yield the kinds of work that can be done to a build, with each port that they can be done to."""
    for kind in OPERATIONS:
        if kind.name == "sealant" or (kind.name == "trim_skirt" and build.engine.skirt_length_mm is None):
            continue
        if not kind.takes_port:
            yield kind, None
            continue
        for edge in build.edges:
            part = {"grind_roof": edge.roof_mm, "grind_floor": edge.floor_mm}.get(kind.name, edge.pocket)
            if part is not None:
                yield kind, edge.id


def _slopes(build: Build, kind: OperationKind, port: str | None) -> dict[str, float | None]:
    def figures(step_mm: float) -> dict[str, float | None] | None:
        try:
            return bench_figures(nudged(build, kind.name, step_mm, port))
        except GeometryError:  # less than no gasket, or past an edge
            return None

    middle, up, down = bench_figures(build), figures(STEP_MM), figures(-STEP_MM)
    if up is not None and down is not None:
        return {name: _slope(up[name], down[name]) for name in middle}
    sense = 1.0 if up is not None else -1.0
    one, two = figures(sense * STEP_MM), figures(2 * sense * STEP_MM)
    if one is None or two is None:
        return dict.fromkeys(middle)
    return {name: _slope_aside(middle[name], one[name], two[name], sense * STEP_MM) for name in middle}


def _area_slopes(build: Build, kind: OperationKind, port: str | None) -> dict[str, float | None]:
    def figures(step_mm: float) -> dict[str, float | None] | None:
        amount = build.engine.base_gasket_mm + step_mm if kind.sets else step_mm
        try:
            return area_figures(
                after(build, Operation(operation=kind.name, amount_mm=amount, port=port)),
            )
        except GeometryError:
            return None

    none, one, two = area_figures(build), figures(AREA_STEP_MM), figures(2 * AREA_STEP_MM)
    if one is None or two is None:
        return dict.fromkeys(none)
    return {
        name: _slope_aside(value, one.get(name), two.get(name), AREA_STEP_MM) for name, value in none.items()
    }


def _slope(up: float | None, down: float | None) -> float | None:
    return None if up is None or down is None else (up - down) / (2 * STEP_MM)


def _slope_aside(none: float | None, one: float | None, two: float | None, step_mm: float) -> float | None:
    """Return the slope at the first of three even steps, exact for a parabola."""
    if none is None or one is None or two is None:
        return None
    return (4 * one - 3 * none - two) / (2 * step_mm)


def _timing(build: Build, edge: PortEdges) -> Timing | None:
    return _known(lambda: edge_timing(build.engine, edge))


def _edge_of(build: Build, port: str) -> PortEdges | None:
    return next((edge for edge in build.edges if edge.id == port), None)


def _known(figure: Callable[[], Figure]) -> Figure | None:
    """Return a figure, or None if something that it needs was never measured."""
    try:
        return figure()
    except GeometryError:
        return None
