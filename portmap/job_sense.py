"""Whether the figures of a job agree with one another and with what an engine can be.

The checks read the document as it came, before pydantic has accepted it, and pass over what is missing
or of the wrong type (`portmap.job_faults` reports that). So one reading of a file finds all its faults.

Glossary
--------
top
    The height above the base face that no port can pass: the deck, else the squish band, else a stated
    allowance above the crown edge at TDC.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any, get_args

from shapely import Polygon

from portmap.crank import ROD_RATIO_GUESS
from portmap.engine import EngineDoubt
from portmap.errors import GeometryError, JobError, PortmapError
from portmap.intake_valve import intake_valve
from portmap.job_faults import nearest, path_of, quoted
from portmap.job_schema import SIZE_RANGE_MM, CylinderEntry, EngineEntry
from portmap.port import Window, mirrored_window, window_polygon
from portmap.profile import window_profile
from portmap.roof_edit import Edge, Family, RoofEdit

__all__ = ["port_faults", "sense_faults"]

STROKE_TO_BORE = (0.2, 5.0)
LONGEST_ROD_TO_STROKE = 10.0
# common practice, no source: a squish clearance never comes near it
ALLOWANCE_ABOVE_CROWN_MM = 5.0

Entry = Mapping[str, object]


def sense_faults(document: Entry) -> tuple[PortmapError, ...]:
    """Return what does not agree in a job.

    Parameters
    ----------
    document : mapping
        A job as the json module gives it.

    Returns
    -------
    tuple of PortmapError
        In the order of the file; empty if all agrees.

    Examples
    --------
    >>> print(sense_faults({"engine": {"stroke_mm": 32, "rod_mm": 15}})[0])
    engine.rod_mm: 15 mm is too short for a stroke of 32 mm: the rod must be longer than 16 mm; ...
    """
    found = [
        *_engine_faults(document),
        *_basis_faults(document),
        *_height_faults(document),
        *_doubt_faults(document),
        *_intake_faults(document),
        *_edge_faults(document),
    ]
    stages: dict[object, int] = {}
    for number, port_map in _entries(document, "maps"):
        stage = port_map.get("stage")
        if isinstance(stage, str) and stages.setdefault(stage, number) != number:
            found.append(
                JobError(
                    f"maps[{stages[stage]}] is {quoted(stage)} too",
                    where=f"maps[{number}].stage",
                    remedy="keep one map of each stage",
                )
            )
        found += port_faults(port_map, document, place=("maps", number))
    found += _edit_faults(document)
    return tuple(found)


def port_faults(port_map: Entry, document: Entry, *, place: tuple[str | int, ...] = ()) -> list[PortmapError]:
    """Return what does not agree among the ports of one map.

    Parameters
    ----------
    port_map : mapping
        With ``ports``.
    document : mapping
        The job around it, for bore and heights; empty for a map on its own.
    place : tuple of str or int, optional
        Where the map stands in the job.

    Returns
    -------
    list of PortmapError

    Examples
    --------
    >>> ports = [{"id": "a", "windows": [{"outline_mm": [[0, 0], [4, 4], [4, 0], [0, 4]]}]}]
    >>> print(port_faults({"ports": ports}, {})[0])
    ports[0].windows[0].outline_mm: the outline crosses itself near x 2.0 mm, y 2.0 mm; redraw that place
    """
    found: list[PortmapError] = []
    names: dict[str, int] = {}
    for number, port in _entries(port_map, "ports"):
        here = (*place, "ports", number)
        name = port.get("id")
        if isinstance(name, str) and names.setdefault(name, number) != number:
            found.append(
                JobError(
                    f"{quoted(name)} is the name of {path_of((*place, 'ports', names[name]))} too",
                    where=path_of((*here, "id")),
                    remedy="give each port its own name",
                )
            )
        pocket = _entry(port, "pocket")
        top, bottom = _number(pocket, "top_below_crown_mm"), _number(pocket, "bottom_below_crown_mm")
        if top is not None and bottom is not None and not bottom > top:
            found.append(
                JobError(
                    f"the pocket's lower edge, {bottom:g} mm below the crown, is not below its upper edge"
                    f" at {top:g} mm",
                    where=path_of((*here, "pocket", "bottom_below_crown_mm")),
                    remedy="measure both from the crown edge",
                )
            )
        for index, window in _entries(port, "windows"):
            found += _window_faults(window, port, document, (*here, "windows", index))
    return found


def _engine_faults(document: Entry) -> Iterator[PortmapError]:
    engine = _entry(document, "engine")
    bore, stroke = _size(engine, "bore_mm"), _size(engine, "stroke_mm")
    rod, ratio = _number(engine, "rod_mm"), _number(engine, "rod_ratio")
    offset = _number(engine, "pin_offset_mm") or 0.0
    if bore is not None and stroke is not None:
        low, high = STROKE_TO_BORE
        if not low <= stroke / bore <= high:
            yield JobError(
                f"a stroke of {stroke:g} mm and a bore of {bore:g} mm do not make one engine",
                where="engine.stroke_mm",
                remedy="measure both again",
            )
    if stroke is not None:
        guessed = rod is None
        length = (ratio or ROD_RATIO_GUESS) * stroke if rod is None else rod
        least = stroke / 2 + abs(offset)
        if not length > least:
            yield JobError(
                f"{length:g} mm is too short for a stroke of {stroke:g} mm"
                f"{f' and a pin offset of {offset:g} mm' if offset else ''}:"
                f" the rod must be longer than {least:g} mm",
                where="engine.rod_ratio" if guessed and ratio else "engine.rod_mm",
                remedy="measure it between the centres of its two eyes",
            )
        elif length > LONGEST_ROD_TO_STROKE * stroke:
            yield JobError(
                f"{length:g} mm is too long for a stroke of {stroke:g} mm",
                where="engine.rod_mm",
                remedy="measure it between the centres of its two eyes",
            )


def _basis_faults(document: Entry) -> Iterator[PortmapError]:
    for name, model in (("engine", EngineEntry), ("cylinder", CylinderEntry)):
        entry = _entry(document, name)
        known = [field for field in model.model_fields if field not in ("basis", "piston", "intake", "doubt")]
        for field in _entry(entry, "basis"):
            if field not in known:
                near = nearest(field, known)
                yield JobError(
                    f"there is no figure of this name in {name}",
                    where=path_of((name, "basis", field)),
                    remedy=f"did you mean {near}?" if near else "remove it",
                )


def _height_faults(document: Entry) -> Iterator[PortmapError]:
    crown = _crown_at_tdc(document)
    cylinder = _entry(document, "cylinder")
    band, deck = _number(cylinder, "squish_band_height_mm"), _number(cylinder, "deck_height_mm")
    if crown is not None and band is not None and not band > crown:
        yield JobError(
            f"at {band:g} mm it is {crown - band:.2f} mm below the crown edge at TDC ({crown:g} mm):"
            " the piston would strike it",
            where="cylinder.squish_band_height_mm",
            remedy="check it, crown_height_mm and base_gasket_mm",
        )
    if crown is not None and deck is not None and not deck > crown / 2:
        yield JobError(
            f"at {deck:g} mm it is far below the crown edge at TDC ({crown:g} mm)",
            where="cylinder.deck_height_mm",
            remedy="measure it from the base face",
        )


def _doubt_faults(document: Entry) -> Iterator[PortmapError]:
    doubt = _entry(_entry(document, "engine"), "doubt")
    figures, table = doubt.get("figures"), doubt.get("covariance")
    if not isinstance(figures, (list, tuple)) or not isinstance(table, (list, tuple)):
        return
    rows = [[_figure(item) for item in row] if isinstance(row, (list, tuple)) else [None] for row in table]
    if any(item is None for row in rows for item in row) or any(
        not isinstance(name, str) for name in figures
    ):
        return
    if any(len(row) != len(figures) for row in rows) or len(rows) != len(figures):
        yield JobError(
            f"{len(figures)} figures need a covariance of {len(figures)} by {len(figures)} numbers",
            where="engine.doubt.covariance",
            remedy="run portmap fit again",
        )
        return
    try:
        EngineDoubt(
            figures=tuple(figures), covariance=tuple(tuple(item or 0.0 for item in row) for row in rows)
        )
    except GeometryError as error:
        yield error.at("engine")


def _intake_faults(document: Entry) -> Iterator[PortmapError]:
    valve = _entry(_entry(document, "engine"), "intake")
    kind = valve.get("kind")
    if kind not in ("rotary", "reed"):
        return
    needed, other = ("opened_deg_mm2", "opened_bar_mm2")[:: 1 if kind == "rotary" else -1]
    if valve.get(other):
        yield JobError(
            f"a {kind} valve has no such table", where=f"engine.intake.{other}", remedy="take it away"
        )
        return
    table = valve.get(needed)
    rows = [] if table is None else _pairs(table)
    if rows is None:
        return
    if not rows:
        against = "degree" if kind == "rotary" else "pressure"
        yield JobError(
            f"a {kind} valve needs its opened area against {against}",
            where=f"engine.intake.{needed}",
            remedy="add the table's rows",
        )
        return
    try:
        intake_valve(kind, rows)
    except GeometryError as error:
        yield JobError(error.message, where=f"engine.intake.{needed}", remedy=error.remedy)


def _pairs(table: object) -> list[tuple[float, float]] | None:
    """Return the rows of a table of two columns, None if it is none: the file's shape tells."""
    if not isinstance(table, (list, tuple)):
        return None
    found = []
    for row in table:
        if not isinstance(row, (list, tuple)) or len(row) != 2:
            return None
        first, second = _figure(row[0]), _figure(row[1])
        if first is None or second is None:
            return None
        found.append((first, second))
    return found


def _edge_faults(document: Entry) -> Iterator[PortmapError]:
    names: dict[str, int] = {}
    for number, edge in _entries(document, "edges"):
        name = edge.get("id")
        if isinstance(name, str) and names.setdefault(name, number) != number:
            yield JobError(
                f"{quoted(name)} is the name of edges[{names[name]}] too",
                where=f"edges[{number}].id",
                remedy="give each port its own name",
            )
        roof, floor = _number(edge, "roof_mm"), _number(edge, "floor_mm")
        if roof is not None and floor is not None and not roof > floor:
            yield JobError(
                f"the roof at {roof:g} mm is not above the floor at {floor:g} mm",
                where=f"edges[{number}].roof_mm",
                remedy="measure both from the base face",
            )


def _edit_faults(document: Entry) -> Iterator[PortmapError]:
    """Yield what is wrong with the edits that make the proposed map, as far as it shows without making it."""
    maps = [port_map for _, port_map in _entries(document, "maps")]
    start = next((one for stage in ("stock", "ground") for one in maps if one.get("stage") == stage), None)
    windows: dict[str, int] = {}
    for _, port in _entries(start or {}, "ports"):
        count, name = sum(1 for _ in _entries(port, "windows")), port.get("id")
        if isinstance(name, str):
            windows[name] = count * (2 if port.get("mirror") is True else 1)
    for number, edit in _entries(document, "edits"):
        here = f"edits[{number}]"
        if start is None:
            yield JobError(
                "there is no stock or ground map that it could change", where=here, remedy="add one"
            )
            return
        name, chosen = edit.get("port"), edit.get("windows")
        if isinstance(name, str) and name not in windows:
            near = nearest(name, [*windows])
            yield JobError(
                f"the map has no port {quoted(name)}",
                where=f"{here}.port",
                remedy=f"did you mean {near}?" if near else "name one that it has",
            )
        elif isinstance(name, str) and isinstance(chosen, (list, tuple)):
            for window in chosen:
                if isinstance(window, int) and not isinstance(window, bool) and window >= windows[name]:
                    yield JobError(
                        f"port {quoted(name)} has no window {quoted(window)}",
                        where=f"{here}.windows",
                        remedy=f"it has {windows[name]}, counted from 0",
                    )
        fields = _typed_edit(edit)
        if fields is None:
            continue
        try:
            RoofEdit(**fields)
        except GeometryError as error:
            yield error.at(here)


def _typed_edit(edit: Entry) -> dict[str, Any] | None:
    """Return the fields of an edit; None if one is of the wrong type, which the file's shape tells."""
    found: dict[str, Any] = {"port": ""}
    for name in ("by_mm", "height_mm", "rise_mm", "radius_mm", "drop_mm", "step_mm", "width_mm"):
        if edit.get(name) is not None:
            found[name] = _number(edit, name)
    for name, known in (("edge", get_args(Edge)), ("family", get_args(Family))):
        if name in edit:
            word = edit[name]
            found[name] = word if isinstance(word, str) and word in known else None
    chosen = edit.get("windows", [])
    if not isinstance(chosen, (list, tuple)) or any(type(window) is not int for window in chosen):
        return None
    found["windows"] = tuple(chosen)
    return None if None in found.values() else found


def _crown_at_tdc(document: Entry) -> float | None:
    """Return the crown edge's height above the base face at TDC [mm], if it is known."""
    height = _number(_entry(document, "engine"), "crown_height_mm")
    gasket = _number(_entry(document, "cylinder"), "base_gasket_mm") or 0.0
    return None if height is None or gasket < 0 else height - gasket


def _top(document: Entry) -> tuple[float, str] | None:
    """Return the height that no port can pass [mm], and what stands there."""
    cylinder = _entry(document, "cylinder")
    deck, band = _number(cylinder, "deck_height_mm"), _number(cylinder, "squish_band_height_mm")
    crown = _crown_at_tdc(document)
    if deck is not None:
        return deck, "the deck"
    if band is not None:
        return band, "the squish band"
    if crown is not None:
        return crown + ALLOWANCE_ABOVE_CROWN_MM, "what the crown edge at TDC leaves room for"
    return None


def _window_faults(
    window: Entry, port: Entry, document: Entry, place: tuple[str | int, ...]
) -> Iterator[PortmapError]:
    outline = _ring(window.get("outline_mm"))
    rings = window.get("holes_mm", [])
    holes = [_ring(ring) for ring in rings] if isinstance(rings, (list, tuple)) else []
    if outline is None or any(hole is None for hole in holes):
        return
    where = path_of((*place, "outline_mm"))
    try:
        shape = window_polygon(outline, tuple(hole for hole in holes if hole is not None))
    except GeometryError as error:
        yield error.at(path_of(place) if error.where else where)
        return
    bore = _size(_entry(document, "engine"), "bore_mm")
    stroke = _size(_entry(document, "engine"), "stroke_mm")
    if bore is not None:
        yield from _around_faults(shape, bore, where)
    top = _top(document)
    roof, floor = float(shape.bounds[3]), float(shape.bounds[1])
    if top is not None and roof > top[0]:
        yield JobError(
            f"the roof at {roof:g} mm stands above {top[1]} at {top[0]:g} mm",
            where=where,
            remedy="check that heights count from the base face, and the outline's scale",
        )
    if stroke is not None and floor < -stroke:
        yield JobError(
            f"the floor at {floor:g} mm lies more than a stroke below the base face",
            where=where,
            remedy="check that heights count from the base face",
        )
    if port.get("mirror") is True:
        image = mirrored_window(Window(outline=shape)).outline
        if image.intersection(shape).area > 0.01 * shape.area:
            yield JobError(
                "the window crosses the exhaust centre line, so that its mirror image would lie on it",
                where=where,
                remedy="draw one side only, or take mirror away",
            )


def _around_faults(shape: Polygon, bore: float, where: str) -> Iterator[PortmapError]:
    reach = max(abs(float(side)) for side in shape.bounds[::2])
    if reach > math.pi * bore:
        yield JobError(
            f"x {reach:.1f} mm is more than once round a {bore:g} mm bore",
            where=where,
            remedy="check the bore and the outline's scale",
        )
        return
    try:
        window_profile(Window(outline=shape), bore)
    except GeometryError as error:
        yield error.at(where)


def _entry(parent: Entry, key: str) -> Entry:
    value = parent.get(key)
    return value if isinstance(value, dict) else {}


def _entries(parent: Entry, key: str) -> Iterator[tuple[int, Entry]]:
    value = parent.get(key)
    if isinstance(value, (list, tuple)):
        for number, item in enumerate(value):
            if isinstance(item, dict):
                yield number, item


def _number(entry: Entry, key: str) -> float | None:
    return _figure(entry.get(key))


def _size(entry: Entry, key: str) -> float | None:
    """Return a bore or stroke, if it is one that the shape of the file allows."""
    value = _number(entry, key)
    low, high = SIZE_RANGE_MM
    return value if value is not None and low <= value <= high else None


def _figure(value: object) -> float | None:
    """Return a figure that geometry may be done with."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if abs(value) <= 10_000 else None  # NaN fails too


def _ring(points: object) -> list[tuple[float, float]] | None:
    ring = _pairs(points)
    return ring if ring is not None and len(ring) >= 3 else None
