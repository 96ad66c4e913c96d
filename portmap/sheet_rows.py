"""What the build sheet's tables say, as rows of words: engine, ports, spans.

The sheet on paper and the one for a browser lay out the same rows. Figures carry their doubt (k = 2) where
one is known; words say what has none or cannot be timed. An empty cell belongs to the one before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.outline_spread import floor_u_mm, roof_u_mm, wall_area_u_mm2
from portmap.port import Port, PortMap, floor_of, roof_of, wall_area
from portmap.shown import UnitSystem, number_text, with_doubt
from portmap.stated_spread import blowdown_u_deg, duration_u_deg, opening_u_deg, span_u_mm2_deg
from portmap.timearea import Span, specific_time_area, time_area
from portmap.timing import Opening, port_timing
from portmap.volume import squish_clearance_mm, swept_volume_cm3
from portmap.window import port_area

__all__ = [
    "MARKS",
    "MOST_PORTS",
    "SPEEDS_FROM",
    "Basis",
    "SheetTable",
    "engine_rows",
    "port_rows",
    "span_rows",
]

Basis = Literal["measured", "fitted", "assumed", "worked out"]
Rows = list[tuple[str, ...]]

MARKS: dict[Basis, str] = {"measured": "■", "fitted": "◆", "assumed": "□", "worked out": "="}
MOST_PORTS = 16  # rows that the page has room for
SPEEDS_FROM = 5  # the row of `span_rows` under which each row is a speed


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetTable:
    """A table of the further pages, before it is laid out.

    Parameters
    ----------
    rows : tuple of tuple of str
        The first is the head.
    shares : tuple of float
        Of the width, a column each; what they leave stays empty.
    words : tuple of int
        Columns of words, set to the left; figures stand to the right. The first column always holds words.
    wrapped : tuple of int
        Columns whose words may take several lines.
    """

    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]
    words: tuple[int, ...] = ()
    wrapped: tuple[int, ...] = ()


def engine_rows(engine: Engine, units: UnitSystem) -> Rows:
    """Return the engine's figures, each with its basis, under their head.

    Parameters
    ----------
    engine : Engine
    units : UnitSystem

    Returns
    -------
    list of tuple of str
        Figure, size, basis.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> engine_rows(engine, unit_system("mm"))[1]
    ('bore', '46.00 mm', '■ measured')
    """
    rows: Rows = [("engine", "", "basis")]

    def add(name: str, text: str, unit: str, *, more: str = "", basis: Basis | None = None) -> None:
        how = basis or basis_of(engine, name)
        rows.append((f"{name}{more}", f"{text} {unit}", f"{MARKS[how]} {how}"))

    def lengths(name: str, size: float | None, more: str = "", *, basis: Basis | None = None) -> None:
        if size is not None:
            add(name, units.lengths(size), units.length, more=more, basis=basis)

    crank = engine.crank
    lengths("bore", engine.bore_mm)
    lengths("stroke", crank.stroke_mm)
    lengths("rod length", crank.rod_mm, " between centres")
    lengths("pin offset", crank.pin_offset_mm)
    lengths("crown height", engine.crown_height_mm, " above case deck")
    lengths("base gasket", engine.base_gasket_mm)
    lengths("skirt length", engine.skirt_length_mm, " from crown edge")
    lengths("squish band height", engine.squish_band_height_mm, " above base")
    if engine.squish_band_height_mm is not None:
        lengths("squish clearance", squish_clearance_mm(engine), basis="worked out")
    add("swept volume", units.volumes(swept_volume_cm3(engine)), units.volume, basis="worked out")
    for name, size in (("head volume", engine.head_volume_cm3), ("case volume", engine.case_volume_cm3)):
        if size is not None:
            add(name, units.volumes(size), units.volume, more=" at TDC")
    return rows


def basis_of(engine: Engine, name: str) -> Basis:
    """Return whether a figure of the engine was measured, fitted or assumed.

    Parameters
    ----------
    engine : Engine
    name : str
        In plain words, as in the engine's own lists: ``rod length``.

    Returns
    -------
    {'measured', 'fitted', 'assumed'}

    Examples
    --------
    >>> from portmap.crank import crank_with_guessed_rod
    >>> engine = Engine(bore_mm=46, crank=crank_with_guessed_rod(32.0), crown_height_mm=61,
    ...                 fitted=("crown height 61 mm",))
    >>> basis_of(engine, "rod length"), basis_of(engine, "crown height"), basis_of(engine, "bore")
    ('assumed', 'fitted', 'measured')
    """
    if _among(engine.assumed, name) or (name == "rod length" and engine.crank.rod_assumed):
        return "assumed"
    return "fitted" if _among(engine.fitted, name) else "measured"


def _among(phrases: tuple[str, ...], name: str) -> bool:
    return any(f"{phrase} ".startswith((f"{name} ", f"no {name} ")) for phrase in phrases)


def port_rows(engine: Engine, port_map: PortMap, spans: tuple[Span, ...], units: UnitSystem) -> Rows:
    """Return the ports, a row for each, under their head.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    spans : tuple of Span
        From `map_spans`, for each port's share.
    units : UnitSystem

    Returns
    -------
    list of tuple of str
        At most `MOST_PORTS`, and a last one that says how many more there are.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port_rows(engine, PortMap(stage="stock", ports=()), (), unit_system("mm"))[1][0]
    'no ports in this map'
    """
    head = (
        "port",
        "kind, opened by",
        f"roof\n{units.length}",
        f"floor\n{units.length}",
        "opens\n° after TDC",
        "closes\n° after TDC",
        "open for\n°",
        f"wall area\n{units.area}",
        f"chord\narea {units.area}",
        "share\nof span",
    )
    rows: Rows = [head]
    parts = {part.port_id: part for span in spans if span.name != "blowdown" for part in span.parts}
    for number, port in enumerate(port_map.ports[:MOST_PORTS], 1):
        rows.append(
            (
                f"{number}  {port.id}",
                f"{port.kind}{' (guessed)' if port.kind_guessed else ''}, {_opener(port)}",
                units.lengths(roof_of(port), roof_u_mm(port)),
                units.lengths(floor_of(port), floor_u_mm(port)),
                *_timing_texts(engine, port),
                units.areas(wall_area(port), wall_area_u_mm2(port)),
                units.areas(port_area(port, engine.bore_mm, area="chord")),
                f"{100 * parts[port.id].share:.0f} %" if port.id in parts else "–",
            )
        )
    more = len(port_map.ports) - MOST_PORTS
    if more > 0 or not port_map.ports:
        words = (
            f"and {more} more ports, which the sheet has no room for" if more > 0 else "no ports in this map"
        )
        rows.append((words, *[""] * (len(head) - 1)))
    return rows


def _opener(port: Port) -> str:
    return {"crown": "crown", "skirt": "skirt", "pocket": "pocket", "none": "no piston edge"}[port.control]


def _timing_texts(engine: Engine, port: Port) -> tuple[str, str, str]:
    try:
        timing = port_timing(engine, port)
    except GeometryError:  # the sheet's warnings say what is missing
        return "cannot be timed", "", ""
    if timing.state == "never opens":
        return "never uncovered", "", ""
    if timing.state == "always open":
        return "never wholly covered", "", ""
    if timing.state == "not timed":
        return "not timed by the piston", "", ""
    u = opening_u_deg(engine, port)
    opens = " / ".join(_degree_text(opening, u) for opening in timing.openings)
    closes = " / ".join(number_text(opening.closes_deg, 1) for opening in timing.openings)
    whole_u = duration_u_deg(engine, port) if len(timing.openings) == 1 else None
    duration = with_doubt(timing.duration_deg, whole_u, 1)
    return opens, closes, duration


def _degree_text(opening: Opening, u_deg: float | None) -> str:
    return with_doubt(opening.opens_deg, u_deg, 1)


def span_rows(
    engine: Engine, port_map: PortMap, spans: tuple[Span, ...], rpm: tuple[float, ...], units: UnitSystem
) -> Rows:
    """Return the spans: angle-areas, then from row `SPEEDS_FROM` on time-areas at each speed.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
        The map that the spans came from, all of whose ports can be timed.
    spans : tuple of Span
        From `map_spans`, of the wall area.
    rpm : tuple of float
        Speeds [rev/min].
    units : UnitSystem

    Returns
    -------
    list of tuple of str
        Two columns to a span; none if there is no span.

    Raises
    ------
    QuantityError
        If a speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.shown import unit_system
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> span_rows(engine, PortMap(stage="stock", ports=()), (), (9000.0,), unit_system("mm"))
    []
    """
    if not spans:
        return []
    swept = swept_volume_cm3(engine)
    first: list[str] = ["span, by wall area"]
    between, lasts, angles, means = (
        ["from – to (° after TDC)"],
        ["open for (°)"],
        [f"angle-area ({units.angle_area})"],
        [f"mean open area ({units.area})"],
    )
    names = ["speed"]
    for span in spans:
        first += [span.name, ""]
        names += [f"time-area\n{units.time_area}", "specific\n10⁻³ s/m"]
        if not span.angle_area_mm2_deg > 0:
            for row, text in ((between, "never open"), (lasts, "–"), (angles, "–"), (means, "–")):
                row += [text, ""]
            continue
        ends = (span.opens_deg, span.closes_deg)
        known = [number_text(end, 1) for end in ends if end is not None]
        between += [" – ".join(known) if len(known) == 2 else "always open", ""]
        u_deg = blowdown_u_deg(engine, port_map) if span.name == "blowdown" else None
        lasts += [with_doubt(span.duration_deg, u_deg, 1), ""]
        angles += [units.angle_areas(span.angle_area_mm2_deg, span_u_mm2_deg(engine, port_map, span)), ""]
        means += [units.areas(span.mean_area_mm2), ""]
    rows = [first, between, lasts, angles, means, names]
    for speed in rpm:
        row = [f"{speed:,.0f}".replace(",", " ") + " rpm"]
        for span in spans:
            amount = float(time_area(span.angle_area_mm2_deg, speed))
            specific = number_text(1000 * float(specific_time_area(amount, swept)), 3)
            row += [units.time_areas(amount), specific] if amount > 0 else ["–", "–"]
        rows.append(row)
    return [tuple(row) for row in rows]
