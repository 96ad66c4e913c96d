"""The build sheet as one file for a browser: the same record, figures and drawings as on paper.

The file stands alone. Drawings are in it as SVG, photos as JPEG, and its own rule forbids the browser to
load or run anything. Printed from a browser it breaks between parts. The same record gives the same bytes.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence

from portmap.area_plot import draw_area_plot
from portmap.look import KIND_COLOURS
from portmap.page import Pen
from portmap.sheet import SheetRecord, sheet_figures
from portmap.sheet_further import further_sections
from portmap.sheet_pages import draw_code
from portmap.sheet_parts import Code, Drawing, Part, Photo, Prose, Ruled, Section
from portmap.sheet_rows import MOST_PORTS, SPEEDS_FROM, SheetTable, engine_rows, port_rows, span_rows
from portmap.sheet_svg import SvgDrawing, screen_text
from portmap.sheet_words import CARE, CARE_HEADING, NOTES_HEADING, note_lines
from portmap.shown import UnitName, unit_system
from portmap.wall_drawing import draw_wall, wall_plan

__all__ = ["sheet_html"]

WIDTH_MM, WALL_MM, PLOT_MM, CODE_MM = 188.0, 84.0, 62.0, 34.0

STYLE = """
:root { color-scheme: only light; }
body { margin: 0 auto; padding: 1rem; max-width: 64rem; background: #fff; color: #111;
  font: 0.95rem/1.45 system-ui, "DejaVu Sans", Verdana, sans-serif; overflow-wrap: anywhere; }
header { border-bottom: 2px solid #111; margin-bottom: 1rem; }
h1 { font-size: 1.5rem; margin: 0.2rem 0; }
h2 { font-size: 1.1rem; margin: 1.8rem 0 0.5rem; }
header p, footer { color: #444; margin: 0.2rem 0; font-size: 0.85rem; }
.scroll { overflow-x: auto; margin: 0.5rem 0; }
table { border-collapse: collapse; width: 100%; font-size: 0.8rem; font-variant-numeric: tabular-nums;
  overflow-wrap: normal; }
th, td { padding: 0.25rem 0.4rem; text-align: right; vertical-align: top; border-bottom: 1px solid #ddd;
  white-space: pre; }
thead th { border-top: 1.5px solid #777; border-bottom: 1.5px solid #777; vertical-align: bottom; }
tr.speeds th { border-top: 1.5px solid #777; border-bottom: 1.5px solid #777; }
th:first-child, td:first-child, .w { text-align: left; }
td.middle, th.middle { text-align: center; }
td.wrapped { overflow-wrap: anywhere; min-width: 12rem; white-space: normal; }
table.ruled { table-layout: fixed; }
table.ruled td { height: 2rem; border: 1px solid #bbb; border-width: 0 1px 1px 0; }
figure { margin: 0.8rem 0; }
.scroll svg { display: block; width: 100%; min-width: 44rem; height: auto; }
.photos { display: grid; grid-template-columns: repeat(auto-fill, minmax(17rem, 1fr)); gap: 1rem; }
.photos figure { margin: 0; }
.photos img { max-width: 100%; max-height: 24rem; width: auto; height: auto; display: block; }
.photos .missing { border: 1px dashed #777; padding: 1rem; color: #444; }
figcaption { font-size: 0.85rem; }
.code { display: flex; gap: 1rem; align-items: center; flex-wrap: wrap; }
.code svg { width: 34mm; height: 34mm; flex: none; }
.small { font-size: 0.85rem; }
@page { size: A4; margin: 12mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 9pt; }
  h2 { break-after: avoid; }
  figure, tr, .code, .ruled { break-inside: avoid; }
  thead { display: table-header-group; }
  .photos { grid-template-columns: 1fr 1fr; }
  .photos img { max-height: 66mm; }
  .scroll { overflow: visible; }
  .scroll svg { min-width: 0; }
}
"""
RULE = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def sheet_html(
    record: SheetRecord,
    *,
    rpm: tuple[float, ...] = (6000.0, 8000.0, 10000.0, 12000.0),
    units: UnitName = "mm",
) -> bytes:
    """Return the build sheet for a browser.

    Parameters
    ----------
    record : SheetRecord
    rpm : tuple of float, optional
        Speeds for the time-areas [rev/min], at most `portmap.sheet.MOST_SPEEDS`.
    units : {'mm', 'inch'}, optional
        Of the figures.

    Returns
    -------
    bytes
        HTML, UTF-8.

    Raises
    ------
    QuantityError
        As `portmap.sheet.sheet_pdf`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import PortMap
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> record = SheetRecord(name="sample", engine=engine, port_map=PortMap(stage="stock", ports=()))
    >>> sheet_html(record)[:15]
    b'<!doctype html>'
    """
    from portmap import __version__

    system = unit_system(units)
    figures = sheet_figures(record, rpm)
    engine, port_map = record.engine, record.port_map
    title = f"Build sheet: {record.name} ({port_map.stage})"
    facts = [f"Stage: {port_map.stage}", f"date of the job: {record.date or 'not noted'}"]
    if record.file_sha256:
        facts.append(f"job file: {record.file_sha256[:12]}")
    plan = wall_plan(engine, port_map, width_mm=WIDTH_MM, height_mm=WALL_MM)

    def wall(pen: Pen, left: float, top: float) -> None:
        draw_wall(pen, plan, engine, port_map, system, left_mm=left, top_mm=top, width_mm=WIDTH_MM)

    def plot(pen: Pen, left: float, top: float) -> None:
        draw_area_plot(
            pen,
            engine,
            port_map,
            system,
            left_mm=left,
            top_mm=top,
            width_mm=WIDTH_MM,
            height_mm=PLOT_MM,
        )

    hues = [KIND_COLOURS[port.kind] for port in port_map.ports[:MOST_PORTS]]
    body = [
        f"<header><h1>{screen_text(record.name)}</h1><p>{screen_text('; '.join(facts))}.</p>",
        f"<p>Build sheet. Lengths in {system.length_words}; heights above the base face; x along the"
        " wall from the exhaust centre line; degrees after true TDC.</p></header><main>",
        _drawing(
            Drawing(words=f"{title}: the bore wall", width_mm=WIDTH_MM, height_mm=plan.height_mm, draw=wall)
        ),
        _table(port_rows(engine, port_map, figures.spans, system), words=(1,), hues=hues),
        _heading("Engine"),
        _table(engine_rows(engine, system), words=(2,)),
        _heading("Opened areas"),
        _drawing(Drawing(words="Opened areas", width_mm=WIDTH_MM, height_mm=PLOT_MM, draw=plot)),
    ]
    spans = span_rows(engine, figures.known, figures.spans, rpm, system)
    if spans:
        body += [_heading("Spans and time-areas"), _table(spans, again=SPEEDS_FROM)]
    notes = note_lines(engine, port_map, figures.notices, most_notices=len(figures.notices))
    body += [_heading(NOTES_HEADING), _list(notes), _heading(CARE_HEADING), _list(CARE)]
    if record.further is not None:
        sections = further_sections(
            record.further,
            engine,
            system,
            name=record.name,
            file_sha256=record.file_sha256,
            rpm=figures.middle_rpm,
            width_mm=WIDTH_MM,
        )
        body += [_section(section) for section in sections]
    body.append(f"</main><footer><p>portmap {screen_text(__version__)}</p></footer>")
    head = (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{RULE}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="referrer" content="no-referrer">'
        f"<title>{screen_text(title)}</title><style>{STYLE}</style></head>\n<body>\n"
    )
    return f"{head}{chr(10).join(body)}\n</body></html>\n".encode()


def _heading(words: str) -> str:
    return f"<h2>{screen_text(words)}</h2>"


def _list(lines: Sequence[str]) -> str:
    """Return lines that are escaped already and may hold bold words."""
    return f'<ul class="small">{"".join(f"<li>{line}</li>" for line in lines)}</ul>'


def _section(section: Section) -> str:
    parts = "\n".join(_part(part) for part in section.parts)
    return f"<section>{_heading(section.heading)}\n{parts}</section>"


def _part(part: Part) -> str:
    if isinstance(part, SheetTable):
        return _table(part.rows, words=part.words, wrapped=part.wrapped)
    if isinstance(part, Prose):
        return "".join(f'<p class="small">{screen_text(line)}</p>' for line in part.lines)
    if isinstance(part, Drawing):
        return _drawing(part)
    if isinstance(part, Ruled):
        return _ruled(part)
    if isinstance(part, Code):
        return _code(part)
    return f'<div class="photos">{"".join(_photo(photo) for photo in part)}</div>'


def _table(
    rows: Sequence[Sequence[str]],
    *,
    words: Iterable[int] = (),
    wrapped: Iterable[int] = (),
    hues: Sequence[str] = (),
    again: int | None = None,
) -> str:
    """Return a table whose first row is its head, and another one `again` if told; empty cells are joined."""
    left, long = set(words), set(wrapped)
    joined = again is not None or bool(hues)
    lines = []
    for number, row in enumerate(rows):
        head = number in (0, again)
        hue = hues[number - 1] if 0 < number <= len(hues) else ""
        cells: list[tuple[int, str, int]] = []  # column, words, how many columns wide
        for column, text in enumerate(row):
            if joined and column and not text:
                cells[-1] = (*cells[-1][:2], cells[-1][2] + 1)
            else:
                cells.append((column, text, 1))
        shown = "".join(
            _cell(cell, head=head, left=cell[0] in left, wrapped=cell[0] in long, hue=hue) for cell in cells
        )
        kind = ' class="speeds"' if head and number else ""
        lines.append(f"<tr{kind}>{shown}</tr>")
    return (
        f'<div class="scroll"><table><thead>{lines[0]}</thead>'
        f"<tbody>{''.join(lines[1:])}</tbody></table></div>"
    )


def _cell(cell: tuple[int, str, int], *, head: bool, left: bool, wrapped: bool, hue: str) -> str:
    column, text, columns = cell
    kinds = [
        name
        for name, told in (("w", left), ("wrapped", wrapped and not head), ("middle", columns > 1))
        if told
    ]
    about = f' class="{" ".join(kinds)}"' if kinds else ""
    about += f' colspan="{columns}"' if columns > 1 else ""
    about += f' style="border-left: 0.4rem solid {hue}"' if hue and not column else ""
    tag = "th" if head or (hue and not column) else "td"
    return f"<{tag}{about}>{screen_text(text)}</{tag}>"


def _drawing(drawing: Drawing) -> str:
    svg = SvgDrawing(drawing.width_mm, drawing.height_mm, drawing.words)
    drawing.draw(svg, 0.0, drawing.height_mm)
    return f'<figure class="scroll">{svg.file()}</figure>'


def _photo(photo: Photo) -> str:
    words = f"<b>{photo.number}&ensp;{screen_text(photo.name)}</b> {screen_text(photo.words)}"
    if photo.jpeg:
        data = base64.b64encode(photo.jpeg).decode()
        wide, high = photo.size_px
        shown = (
            f'<img alt="Photo {photo.number}: {screen_text(photo.name)}" width="{wide}" height="{high}"'
            f' src="data:image/jpeg;base64,{data}">'
        )
    else:
        shown = f'<div class="missing">cannot be shown: {screen_text(photo.trouble)}</div>'
    return f"<figure>{shown}<figcaption>{words}</figcaption></figure>"


def _ruled(ruled: Ruled) -> str:
    heads = "".join(
        f'<th class="w" style="width: {math.floor(100 * share)}%">{screen_text(words)}</th>'
        for words, share in ruled.columns
    )
    line = f"<tr>{'<td></td>' * len(ruled.columns)}</tr>"
    return f'<table class="ruled"><thead><tr>{heads}</tr></thead><tbody>{line * ruled.lines}</tbody></table>'


def _code(code: Code) -> str:
    svg = SvgDrawing(CODE_MM, CODE_MM, f"QR code: {code.text}")
    draw_code(svg, code.text, left_mm=0.0, top_mm=CODE_MM, side_mm=CODE_MM)
    first, *more = code.lines
    words = "<br>".join(screen_text(line) for line in more)
    return f'<div class="code">{svg.file()}<p><b>{screen_text(first)}</b><br>{words}</p></div>'
