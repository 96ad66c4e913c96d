"""What an edit of a roof does to a port's figures, and what is to be ground: documents for other programs.

Plain dictionaries, lists, text and numbers, ready for JSON; names end in the unit, ``_u_`` marks a standard
uncertainty, and what nobody knows is None.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from portmap.engine import Engine
from portmap.errors import Notice, PortmapError
from portmap.figures import timeable
from portmap.outline_spread import blowdown_u_deg, opening_u_deg, span_u_mm2_deg, wall_area_u_mm2
from portmap.port import PortMap, Window, edges_of
from portmap.ring import Verdict, ring_document, ring_verdicts, worst_grades
from portmap.ring_rules import RingRules
from portmap.roof import edited_map
from portmap.roof_edit import RoofEdit
from portmap.roof_metal import Taking, taking, takings_volume_mm3
from portmap.roof_wish import RoofWish, wall_top, wished_edit
from portmap.shown import UnitSystem, number_text
from portmap.timearea import map_spans, specific_time_area, time_area
from portmap.timing import blowdown_deg, port_timing
from portmap.volume import swept_volume_cm3
from portmap.window import AreaKind, port_area

__all__ = ["CARE_LINE", "edit_words", "port_figures", "roof_document", "tried_roofs"]

CARE_LINE = (
    "Care: protect eyes and lungs (aluminium, nickel and silicon-carbide dust); chamfer plating edges; wide"
    " or sharp windows snag rings, thin walls break through, new timing can overspeed the engine; emissions"
    " rules and local codes apply, and licensed practice decides where they do."
)


def port_figures(
    engine: Engine,
    port_map: PortMap,
    port_id: str,
    *,
    rpm: float,
    area: AreaKind = "wall",
    doubts: bool = False,
) -> dict[str, Any]:
    """Return one port's figures in a map, and the spans of the whole map.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    port_id : str
    rpm : float
        Of the time-areas [rev/min].
    area : {'wall', 'chord', 'directed'}, optional
        Which area the time-areas mean.
    doubts : bool, optional
        Work out how sure blowdown and time-areas are, which takes twice as long again.

    Returns
    -------
    dict
        ``opens_deg``, ``closes_deg``, ``duration_deg``, ``blowdown_deg``, ``roof_mm``, ``floor_mm``,
        ``wall_area_mm2``, ``chord_area_mm2`` and ``spans``; standard uncertainties from the outlines alone.

    Raises
    ------
    GeometryError
        As `map_spans`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> found = port_figures(engine, PortMap(stage="stock", ports=(port,)), "e", rpm=9000)
    >>> round(found["opens_deg"], 2), round(found["spans"][0]["time_area_mm2_s"], 3)
    (100.15, 0.603)
    """
    port = next(one for one in port_map.ports if one.id == port_id)
    known, _ = timeable(engine, port_map)
    timed = any(one.id == port_id for one in known.ports)
    timing = port_timing(engine, port) if timed else None
    first = timing.openings[0] if timing is not None and timing.openings else None
    edges = edges_of(port)
    swept = swept_volume_cm3(engine)
    spans, _ = map_spans(engine, known, area=area)
    amounts = [float(time_area(span.angle_area_mm2_deg, rpm)) for span in spans]
    unsure = [span_u_mm2_deg(engine, known, span, area=area) if doubts else None for span in spans]
    return {
        "opens_deg": None if first is None else first.opens_deg,
        "closes_deg": None if first is None else first.closes_deg,
        "duration_deg": None if first is None or timing is None else timing.duration_deg,
        "opens_u_deg": opening_u_deg(engine, port) if timed else None,
        "blowdown_deg": blowdown_deg(engine, known),
        "blowdown_u_deg": blowdown_u_deg(engine, known) if doubts else None,
        "roof_mm": edges.roof_mm,
        "roof_u_mm": edges.roof_u_mm,
        "floor_mm": edges.floor_mm,
        "floor_u_mm": edges.floor_u_mm,
        "wall_area_mm2": port_area(port, engine.bore_mm),
        "wall_area_u_mm2": wall_area_u_mm2(port),
        "chord_area_mm2": port_area(port, engine.bore_mm, area="chord"),
        "spans": [
            {
                "span": span.name,
                "duration_deg": span.duration_deg,
                "angle_area_mm2_deg": span.angle_area_mm2_deg,
                "time_area_mm2_s": amount,
                "time_area_u_mm2_s": None if u is None else float(time_area(u, rpm)),
                "specific_s_per_m": float(specific_time_area(amount, swept)),
            }
            for span, amount, u in zip(spans, amounts, unsure, strict=True)
        ],
    }


def roof_document(
    engine: Engine,
    start: PortMap,
    proposed: PortMap,
    port_id: str,
    *,
    rpm: float,
    area: AreaKind = "wall",
    wall_mm: float | None = None,
    doubts: bool = False,
    before: dict[str, Any] | None = None,
    rules: RingRules | None = None,
    notices: Iterable[Notice] = (),
) -> dict[str, Any]:
    """Return what a proposed map does to a port against the map it starts from.

    Parameters
    ----------
    engine : Engine
    start, proposed : PortMap
        With the same ports and windows.
    port_id : str
    rpm : float
        Of the time-areas [rev/min].
    area : {'wall', 'chord', 'directed'}, optional
        Which area the time-areas mean.
    wall_mm : float or None, optional
        Thickness of the wall at the port's edge [mm]; the engine's unless told.
    doubts : bool, optional
        As in `port_figures`.
    before : dict or None, optional
        The start's figures from an earlier answer, so that a roof that is dragged need not have them anew.
    rules : RingRules or None, optional
        Of ring safety; None leaves its verdicts out.
    notices : iterable of Notice, optional
        What there is to say of the edits.

    Returns
    -------
    dict
        ``port``, ``rpm``, ``area``, ``before``, ``after``, ``to_grind``, ``ring`` (verdicts on the proposed
        port), ``care``, ``assumed``, ``fitted`` and ``warnings``.

    Raises
    ------
    GeometryError
        As `port_figures` and `taking`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> new, _ = edited_map(stock, RoofEdit(port="e", by_mm=0.5), 46.0)
    >>> roof_document(engine, stock, new, "e", rpm=9000, wall_mm=5.0)["to_grind"]["volume_mm3"]
    70.0
    """
    wall = engine.wall_thickness_mm if wall_mm is None else wall_mm
    _, left_out = timeable(engine, proposed)
    if before is None:
        figures = port_figures(engine, start, port_id, rpm=rpm, area=area, doubts=doubts)
        before = {"stage": start.stage, **figures}
    return {
        "port": port_id,
        "rpm": float(rpm),
        "area": area,
        "before": before,
        "after": {
            "stage": proposed.stage,
            **port_figures(engine, proposed, port_id, rpm=rpm, area=area, doubts=doubts),
        },
        "to_grind": _to_grind(_takings(start, proposed, port_id, wall), wall),
        "ring": ring_document(_verdicts(engine, proposed, port_id, rules)),
        "care": CARE_LINE,
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys((*notices, *left_out))],
    }


def _verdicts(
    engine: Engine, port_map: PortMap, port_id: str, rules: RingRules | None
) -> tuple[Verdict, ...]:
    """Return the verdicts on one port; those on the whole map, which tell what to measure, are left out."""
    if rules is None:
        return ()
    return tuple(one for one in ring_verdicts(engine, port_map, rules) if one.port == port_id)


def _takings(start: PortMap, proposed: PortMap, port_id: str, wall_mm: float | None) -> dict[int, Taking]:
    old, new = _windows(start, port_id), _windows(proposed, port_id)
    found = {
        number: taking(one, other, wall_mm=wall_mm)
        for number, (one, other) in enumerate(zip(old, new, strict=True))
        if one.outline is not other.outline
    }
    return {number: one for number, one in found.items() if one is not None}


def _windows(port_map: PortMap, port_id: str) -> tuple[Window, ...]:
    return next(port.windows for port in port_map.ports if port.id == port_id)


def _to_grind(takings: dict[int, Taking], wall_mm: float | None) -> dict[str, Any]:
    return {
        "area_mm2": float(sum(one.area_mm2 for one in takings.values())),
        "deepest_mm": max((one.deepest_mm for one in takings.values()), default=0.0),
        "wall_thickness_mm": wall_mm,
        "volume_mm3": None if wall_mm is None else takings_volume_mm3(takings.values()),
        "windows": [
            {
                "window": number,
                "area_mm2": one.area_mm2,
                "deepest_mm": one.deepest_mm,
                "deepest_at_mm": list(one.deepest_at_mm),
                "volume_mm3": one.volume_mm3,
                "heights": [{"x_mm": x, "height_mm": height} for x, height in one.heights_mm],
            }
            for number, one in takings.items()
        ],
    }


def tried_roofs(
    engine: Engine,
    port_map: PortMap,
    draft: RoofEdit,
    opens_deg: Sequence[float],
    *,
    rpm: float,
    area: AreaKind = "wall",
    wall_mm: float | None = None,
    rules: RingRules | None = None,
) -> list[dict[str, Any]]:
    """Return what one shape of roof does at each of several openings.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
        As it stands before.
    draft : RoofEdit
        Of the timing edge; its height is put in the place of the one it has.
    opens_deg : sequence of float
        As in `height_that_opens` [deg].
    rpm : float
        Of the time-areas [rev/min].
    area : {'wall', 'chord', 'directed'}, optional
        Which area the time-areas mean.
    wall_mm : float or None, optional
        Thickness of the wall [mm]; the engine's unless told.
    rules : RingRules or None, optional
        Of ring safety; None leaves its verdicts out.

    Returns
    -------
    list of dict
        ``asked_deg``, ``possible``, and ``why`` where it is not; otherwise the figures of `port_figures`,
        ``moved_mm``, ``to_grind_mm2``, ``to_grind_mm3``, ``deepest_mm``, ``ring`` (the port's worst grade)
        and ``ring_verdicts`` (those that are not fine).

    Raises
    ------
    GeometryError
        As `port_figures`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Port, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> draft = RoofEdit(port="e", by_mm=1.0)
    >>> rows = tried_roofs(engine, PortMap(stage="stock", ports=(port,)), draft, [98, 104], rpm=9000)
    >>> [row["possible"] for row in rows]
    [True, False]
    """
    wall = engine.wall_thickness_mm if wall_mm is None else wall_mm
    top = wall_top(engine)
    before = edges_of(next(one for one in port_map.ports if one.id == draft.port))
    rows = []
    for asked in opens_deg:
        try:
            edit = wished_edit(engine, port_map, draft, RoofWish(kind="opens", value=asked))
            found, notices = edited_map(port_map, edit, engine.bore_mm, top=top)
        except PortmapError as error:
            rows.append({"asked_deg": float(asked), "possible": False, "why": error.message})
            continue
        figures = port_figures(engine, found, draft.port, rpm=rpm, area=area)
        takings = _takings(port_map, found, draft.port, wall)
        edge = "roof_mm" if draft.edge == "roof" else "floor_mm"
        verdicts = _verdicts(engine, found, draft.port, rules)
        rows.append(
            {
                "asked_deg": float(asked),
                "possible": True,
                **figures,
                "moved_mm": abs(figures[edge] - float(getattr(before, edge))),
                "to_grind_mm2": float(sum(one.area_mm2 for one in takings.values())),
                "to_grind_mm3": None if wall is None else takings_volume_mm3(takings.values()),
                "deepest_mm": max((one.deepest_mm for one in takings.values()), default=0.0),
                "ring": worst_grades(verdicts).get(draft.port),
                "ring_verdicts": [
                    {"rule": one.rule, "what": one.what, "grade": one.grade, "words": one.words}
                    for one in verdicts
                    if one.grade != "fine"
                ],
                "warnings": [notice.as_dict() for notice in notices],
            }
        )
    return rows


def edit_words(edit: RoofEdit, system: UnitSystem) -> str:
    """Return an edit as a porter reads it.

    Parameters
    ----------
    edit : RoofEdit
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> edit_words(RoofEdit(port="exhaust", family="arched", height_mm=41.5, rise_mm=1), unit_system("mm"))
    'exhaust, roof: arched by 1.00 mm, highest at 41.50 mm'
    """

    def length(value: float) -> str:
        return f"{number_text(value * system.per_mm, system.length_decimals)} {system.length}"

    parts = []
    if edit.edge == "sides":
        parts.append(f"{edit.family}, {length(edit.width_mm or 0.0)} wide along the wall")
    else:
        shape: str = edit.family
        if edit.family == "arched":
            shape = f"arched by {length(edit.rise_mm)}"
        elif edit.family == "blended":
            end = "away from the exhaust" if edit.drop_mm > 0 else "toward the exhaust"
            how = "an even slope" if edit.step_mm is None else f"a step {length(edit.step_mm)} wide"
            shape = f"blended, {length(abs(edit.drop_mm))} less at the end {end}, {how}"
        parts.append(shape)
        if edit.by_mm is not None:
            parts.append(f"{'up' if edit.edge == 'roof' else 'down'} by {length(edit.by_mm)}")
        elif edit.height_mm is not None:
            parts.append(f"{'highest' if edit.edge == 'roof' else 'lowest'} at {length(edit.height_mm)}")
    if edit.radius_mm:
        parts.append(f"corners {length(edit.radius_mm)}")
    if edit.windows:
        parts.append(f"windows {', '.join(str(number) for number in edit.windows)}")
    if edit.as_one:
        parts.append("as one")
    wish = f" ({edit.wish})" if edit.wish else ""
    return f"{edit.port}, {edit.edge}: {', '.join(parts)}{wish}"
