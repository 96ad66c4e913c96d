"""The build sheet's tables: engine, ports, spans.

Each is a table of reportlab, ready to be placed on a `portmap.page.Page`. Figures carry their doubt
(k = 2) where one is known; words say what has none or cannot be timed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal
from xml.sax.saxutils import escape

from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.look import KIND_COLOURS
from portmap.outline_spread import floor_u_mm, roof_u_mm, wall_area_u_mm2
from portmap.page import BOLD, POINT_MM, REGULAR, fitted, printable
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
    "ROOMY",
    "TIGHT",
    "Basis",
    "Density",
    "engine_table",
    "plain_table",
    "port_table",
    "span_table",
]

Basis = Literal["measured", "fitted", "assumed", "worked out"]

MARKS: dict[Basis, str] = {"measured": "■", "fitted": "◆", "assumed": "□", "worked out": "="}
MOST_PORTS = 16  # rows that the page has room for


@dataclass(frozen=True, kw_only=True, slots=True)
class Density:
    """How close the lines of tables and words stand.

    Parameters
    ----------
    size_pt, lead_pt : float
        Letter size and distance of lines in tables [pt].
    pad_pt : float
        Space over and under a row, together [pt].
    words_pt : float
        Letter size of the notes [pt].
    """

    size_pt: float
    lead_pt: float
    pad_pt: float
    words_pt: float


ROOMY = Density(size_pt=6.5, lead_pt=8.0, pad_pt=2.4, words_pt=5.9)
TIGHT = Density(size_pt=5.9, lead_pt=7.0, pad_pt=1.4, words_pt=5.3)


def _table(
    rows: Sequence[Sequence[Any]], widths_mm: Sequence[float], *styles: tuple[Any, ...], density: Density
) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table

    grey, pale = HexColor("#808080"), HexColor("#D8D8D8")
    look = [
        ("FONT", (0, 0), (-1, -1), REGULAR, density.size_pt, density.lead_pt),
        ("FONT", (0, 0), (-1, 0), BOLD, density.size_pt, density.lead_pt),
        ("ALIGN", (1, 0), (-1, -1), "RIGHT"),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("TOPPADDING", (0, 0), (-1, -1), 0.375 * density.pad_pt),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.625 * density.pad_pt),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2.5),
        ("LINEABOVE", (0, 0), (-1, 0), 0.6, grey),
        ("LINEBELOW", (0, 0), (-1, 0), 0.6, grey),
        ("LINEBELOW", (0, 1), (-1, -2), 0.25, pale),
        ("LINEBELOW", (0, -1), (-1, -1), 0.6, grey),
        *styles,
    ]
    table = Table(
        [list(row) for row in rows], colWidths=[width / POINT_MM for width in widths_mm], style=look
    )
    table.hAlign = "LEFT"
    return table


def plain_table(
    rows: Sequence[Sequence[str]],
    widths_mm: Sequence[float],
    *,
    density: Density = ROOMY,
    words: Sequence[int] = (),
    wrapped: Sequence[int] = (),
) -> Any:
    """Return a table whose first row is its head and whose first column holds names.

    Parameters
    ----------
    rows : sequence of sequence of str
    widths_mm : sequence of float
        Of the columns on paper [mm].
    density : Density, optional
    words : sequence of int, optional
        Columns of words, set to the left; figures stand to the right.
    wrapped : sequence of int, optional
        Columns whose words may take several lines; others are made smaller or cut.

    Returns
    -------
    reportlab Table
    """
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle("cell", fontName=REGULAR, fontSize=density.size_pt, leading=density.lead_pt)
    styles: list[tuple[Any, ...]] = [("ALIGN", (column, 0), (column, -1), "LEFT") for column in words]
    styles += [("LEFTPADDING", (column, 0), (column, -1), 6) for column in words]
    shown: list[list[Any]] = []
    for line, row in enumerate(rows):
        cells: list[Any] = []
        for column, text in enumerate(row):
            if column in wrapped and line:
                cells.append(Paragraph(escape(printable(text)), style))
                continue
            parts = text.split("\n")
            fits = [fitted(part, widths_mm[column] - 3.2, density.size_pt, least_pt=5.0) for part in parts]
            cells.append("\n".join(part for part, _ in fits))
            size = min(size for _, size in fits)
            if size < density.size_pt:
                styles.append(("FONTSIZE", (column, line), (column, line), size))
        shown.append(cells)
    return _table(shown, widths_mm, *styles, density=density)


def engine_table(engine: Engine, units: UnitSystem, width_mm: float, *, density: Density = ROOMY) -> Any:
    """Return the table of the engine's figures, each with its basis.

    Parameters
    ----------
    engine : Engine
    units : UnitSystem
    width_mm : float
        Of the table on paper [mm].
    density : Density, optional

    Returns
    -------
    reportlab Table
    """
    rows: list[tuple[str, str, str]] = []

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
    head = ("engine", "", "basis")
    widths = (width_mm * 0.50, width_mm * 0.24, width_mm * 0.26)
    return _table(
        [head, *rows],
        widths,
        ("ALIGN", (2, 0), (2, -1), "LEFT"),
        ("LEFTPADDING", (2, 0), (2, -1), 5),
        density=density,
    )


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


def port_table(
    engine: Engine,
    port_map: PortMap,
    spans: tuple[Span, ...],
    units: UnitSystem,
    width_mm: float,
    *,
    density: Density = ROOMY,
) -> Any:
    """Return the table of the ports, a row for each.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    spans : tuple of Span
        From `map_spans`, for each port's share.
    units : UnitSystem
    width_mm : float
        Of the table on paper [mm].
    density : Density, optional

    Returns
    -------
    reportlab Table
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
    shares = [0.14, 0.125, 0.115, 0.115, 0.095, 0.085, 0.095, 0.12, 0.075, 0.06]
    widths = [width_mm * share / sum(shares) for share in shares]
    rows: list[tuple[str, ...]] = [head]
    styles: list[tuple[Any, ...]] = [("ALIGN", (1, 0), (1, -1), "LEFT")]
    parts = {part.port_id: part for span in spans if span.name != "blowdown" for part in span.parts}
    for number, port in enumerate(port_map.ports[:MOST_PORTS], 1):
        name, size = fitted(f"{number}  {port.id}", widths[0] - 3.6, density.size_pt, least_pt=5.0, font=BOLD)
        styles.append(("FONT", (0, number), (0, number), BOLD, size, density.lead_pt))
        styles.append(("LINEBEFORE", (0, number), (0, number), 2.2, KIND_COLOURS[port.kind]))
        styles.append(("LEFTPADDING", (0, number), (0, number), 5))
        kind, size = fitted(
            f"{port.kind}{' (guessed)' if port.kind_guessed else ''}, {_opener(port)}",
            widths[1] - 2.0,
            density.size_pt,
            least_pt=5.0,
        )
        styles.append(("FONTSIZE", (1, number), (1, number), size))
        opens, closes, duration = _timing_texts(engine, port)
        if not closes:
            styles.append(("SPAN", (4, number), (6, number)))
            styles.append(("ALIGN", (4, number), (6, number), "CENTER"))
        share = f"{100 * parts[port.id].share:.0f} %" if port.id in parts else "–"
        rows.append(
            (
                name,
                kind,
                units.lengths(roof_of(port), roof_u_mm(port)),
                units.lengths(floor_of(port), floor_u_mm(port)),
                opens,
                closes,
                duration,
                units.areas(wall_area(port), wall_area_u_mm2(port)),
                units.areas(port_area(port, engine.bore_mm, area="chord")),
                share,
            )
        )
    more = len(port_map.ports) - MOST_PORTS
    if more > 0 or not port_map.ports:
        words = (
            f"and {more} more ports, which the sheet has no room for" if more > 0 else "no ports in this map"
        )
        rows.append((words, *[""] * (len(head) - 1)))
        styles.append(("SPAN", (0, len(rows) - 1), (-1, len(rows) - 1)))
    return _table(rows, widths, *styles, density=density)


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


def span_table(
    engine: Engine,
    port_map: PortMap,
    spans: tuple[Span, ...],
    rpm: tuple[float, ...],
    units: UnitSystem,
    width_mm: float,
    *,
    density: Density = ROOMY,
) -> Any:
    """Return the table of the spans: angle-areas, then time-areas at each speed.

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
    width_mm : float
        Of the table on paper [mm].
    density : Density, optional

    Returns
    -------
    reportlab Table or None
        None if there is no span.

    Raises
    ------
    QuantityError
        If a speed is not above 0.
    """
    if not spans:
        return None
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
    label = 40.0
    each = min((width_mm - label) / (2 * len(spans)), 26.0)
    styles: list[tuple[Any, ...]] = [
        ("SPAN", (1 + 2 * k, line), (2 + 2 * k, line)) for k in range(len(spans)) for line in range(5)
    ]
    styles += [
        ("ALIGN", (1, 0), (-1, 4), "CENTER"),
        ("FONT", (0, 5), (-1, 5), BOLD, density.size_pt, density.lead_pt),
    ]
    styles += [("LINEBELOW", (0, 5), (-1, 5), 0.6, "#808080"), ("LINEABOVE", (0, 5), (-1, 5), 0.6, "#808080")]
    styles += [("LINEBEFORE", (1 + 2 * k, 0), (1 + 2 * k, -1), 0.4, "#B0B0B0") for k in range(len(spans))]
    return _table(rows, [label, *[each] * (2 * len(spans))], *styles, density=density)
