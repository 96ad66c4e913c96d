"""The build sheet's tables, laid out for paper: engine, ports, spans, and those of the further pages.

Each is a table of reportlab, ready to be placed on a `portmap.page.Page`. What they say is from
`portmap.sheet_rows`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from portmap.engine import Engine
from portmap.look import KIND_COLOURS
from portmap.page import BOLD, POINT_MM, REGULAR, fitted, printable
from portmap.port import PortMap
from portmap.sheet_rows import MOST_PORTS, SPEEDS_FROM, engine_rows, port_rows, span_rows
from portmap.shown import UnitSystem
from portmap.timearea import Span

__all__ = ["ROOMY", "TIGHT", "Density", "engine_table", "plain_table", "port_table", "span_table"]


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
        [list(row) for row in rows],
        colWidths=[width / POINT_MM for width in widths_mm],
        style=look,
        repeatRows=1,  # where a page breaks it, its head stands again
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
    if wrapped:
        styles.append(("VALIGN", (0, 1), (-1, -1), "TOP"))
    shown: list[list[Any]] = []
    for line, row in enumerate(rows):
        cells: list[Any] = []
        for column, text in enumerate(row):
            if column in wrapped and line:
                cells.append(Paragraph(escape(printable(text)), style))
                continue
            parts = text.split("\n")
            room, font = widths_mm[column] - 3.2, REGULAR if line else BOLD
            fits = [fitted(part, room, density.size_pt, least_pt=5.0, font=font) for part in parts]
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
    widths = (width_mm * 0.50, width_mm * 0.24, width_mm * 0.26)
    return _table(
        engine_rows(engine, units),
        widths,
        ("ALIGN", (2, 0), (2, -1), "LEFT"),
        ("LEFTPADDING", (2, 0), (2, -1), 5),
        density=density,
    )


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
    shares = [0.14, 0.125, 0.115, 0.115, 0.095, 0.085, 0.095, 0.12, 0.075, 0.06]
    widths = [width_mm * share / sum(shares) for share in shares]
    rows = [list(row) for row in port_rows(engine, port_map, spans, units)]
    styles: list[tuple[Any, ...]] = [("ALIGN", (1, 0), (1, -1), "LEFT")]
    for number, (port, row) in enumerate(zip(port_map.ports[:MOST_PORTS], rows[1:], strict=False), 1):
        row[0], size = fitted(row[0], widths[0] - 3.6, density.size_pt, least_pt=5.0, font=BOLD)
        styles.append(("FONT", (0, number), (0, number), BOLD, size, density.lead_pt))
        styles.append(("LINEBEFORE", (0, number), (0, number), 2.2, KIND_COLOURS[port.kind]))
        styles.append(("LEFTPADDING", (0, number), (0, number), 5))
        row[1], size = fitted(row[1], widths[1] - 2.0, density.size_pt, least_pt=5.0)
        styles.append(("FONTSIZE", (1, number), (1, number), size))
        if not row[5]:
            styles.append(("SPAN", (4, number), (6, number)))
            styles.append(("ALIGN", (4, number), (6, number), "CENTER"))
    last = len(rows) - 1
    if not rows[last][1]:
        styles.append(("SPAN", (0, last), (-1, last)))
    return _table(rows, widths, *styles, density=density)


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
    rows = span_rows(engine, port_map, spans, rpm, units)
    label = 40.0
    each = min((width_mm - label) / (2 * len(spans)), 26.0)
    styles: list[tuple[Any, ...]] = [
        ("SPAN", (1 + 2 * k, line), (2 + 2 * k, line))
        for k in range(len(spans))
        for line in range(SPEEDS_FROM)
    ]
    styles += [
        ("ALIGN", (1, 0), (-1, SPEEDS_FROM - 1), "CENTER"),
        ("FONT", (0, SPEEDS_FROM), (-1, SPEEDS_FROM), BOLD, density.size_pt, density.lead_pt),
    ]
    styles += [
        (rule, (0, SPEEDS_FROM), (-1, SPEEDS_FROM), 0.6, "#808080") for rule in ("LINEBELOW", "LINEABOVE")
    ]
    styles += [("LINEBEFORE", (1 + 2 * k, 0), (1 + 2 * k, -1), 0.4, "#B0B0B0") for k in range(len(spans))]
    return _table(rows, [label, *[each] * (2 * len(spans))], *styles, density=density)
