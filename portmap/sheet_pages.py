"""The build sheet's further pages on paper: sections broken over pages so that they read well.

A heading never stands without what it is over; a table that goes on has its head again, and no single row of
it is left alone; photos and drawings stay whole. Where a section goes on its heading says so.

Frame: heights in mm down from the top of the room on a page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from portmap.page import BLACK, GREY, POINT_MM, REGULAR, Page, Pen, fitted, printable
from portmap.sheet_parts import Code, Drawing, Part, Photo, Prose, Ruled, Section
from portmap.sheet_rows import SheetTable
from portmap.sheet_tables import Density, plain_table

__all__ = ["Placed", "draw_code", "draw_placed", "sheet_pages"]

DENSITY = Density(size_pt=8.0, lead_pt=9.8, pad_pt=3.0, words_pt=8.0)
GAP_MM, HEADING_MM, BETWEEN_MM = 5.5, 5.6, 2.2
WHOLE_MM = 60.0  # a table no higher is not broken
PHOTO_COLUMNS, PHOTO_MM, CAPTION_MM, PHOTO_GAP_MM = 2, 67.0, 9.8, 4.0
CAPTION_LINES = 2
LINE_MM, HEAD_MM = 8.0, 4.2  # of lines to write on
CODE_MM = 27.0
QUIET = 4  # modules of nothing round a code (ISO/IEC 18004, 9.1, from memory)
POINTS_TIGHT = 1e-3  # a page's rounding

DrawAt = Callable[[Page, float, float], None]  # page, left, top


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """Something that stands on a page.

    Parameters
    ----------
    down_mm : float
        How far below the top of the room it begins [mm].
    draw : callable
        Draws it: page, left, top [mm].
    """

    down_mm: float
    draw: DrawAt


@dataclass(frozen=True, kw_only=True, slots=True)
class _Strip:
    """What stays together, or a table that may be broken."""

    height_mm: float
    draw: DrawAt
    table: Any = None


def sheet_pages(
    page: Page, sections: tuple[Section, ...], *, width_mm: float, height_mm: float
) -> tuple[tuple[Placed, ...], ...]:
    """Return what stands on each page, as much on one as it holds.

    Parameters
    ----------
    page : Page
        Any, to measure on.
    sections : tuple of Section
    width_mm, height_mm : float
        Room on a page [mm].

    Returns
    -------
    tuple of tuple of Placed
        By page.
    """
    flow = _Flow(page, width_mm, height_mm)
    for section in sections:
        flow.begin(section.heading)
        for part in section.parts:
            for strip in _strips(page, part, width_mm):
                flow.put(strip)
    return tuple(tuple(placed) for placed in flow.pages if placed)


def draw_placed(page: Page, placed: tuple[Placed, ...], *, left_mm: float, top_mm: float) -> None:
    """Draw one page's parts.

    Parameters
    ----------
    page : Page
    placed : tuple of Placed
        From `sheet_pages`.
    left_mm, top_mm : float
        The upper left corner of their room [mm].
    """
    for one in placed:
        one.draw(page, left_mm, top_mm - one.down_mm)


class _Flow:
    """Pages as they fill."""

    def __init__(self, page: Page, width_mm: float, height_mm: float) -> None:
        self.pages: list[list[Placed]] = [[]]
        self._page, self._width, self._height = page, width_mm, height_mm
        self._used = 0.0
        self._heading, self._owed = "", False

    def begin(self, heading: str) -> None:
        """Begin a section; its heading waits for what it is over."""
        self._heading, self._owed = heading, True

    def put(self, strip: _Strip) -> None:
        """Place a strip, on this page or the next; a table in pieces if need be."""
        while True:
            lead = self._lead()
            room = self._height - self._used - lead
            if strip.height_mm <= room + POINTS_TIGHT or (not self.pages[-1] and strip.table is None):
                self._place(strip)
                return
            whole = strip.height_mm <= WHOLE_MM
            first, rest = (None, strip) if whole and self.pages[-1] else _broken(self._page, strip, room)
            if first is not None:
                self._place(first)
            elif not self.pages[-1]:  # one row that no page holds: better cut off than lost
                self._place(strip)
                return
            strip = rest
            self._turn()

    def _lead(self) -> float:
        if self._owed:
            return HEADING_MM + (GAP_MM if self.pages[-1] else 0.0)
        return BETWEEN_MM if self.pages[-1] else 0.0

    def _place(self, strip: _Strip) -> None:
        lead = self._lead()
        if self._owed:
            words = self._heading
            self.pages[-1].append(
                Placed(
                    down_mm=self._used + lead - HEADING_MM,
                    draw=lambda page, left, top: page.words((left, top - 3.6), words, size_pt=9.5, bold=True),
                )
            )
            self._owed = False
        self.pages[-1].append(Placed(down_mm=self._used + lead, draw=strip.draw))
        self._used += lead + strip.height_mm

    def _turn(self) -> None:
        if not self._owed:
            self._heading = f"{self._heading.removesuffix(', continued')}, continued"
        self.pages.append([])
        self._used, self._owed = 0.0, True


def _broken(page: Page, strip: _Strip, room_mm: float) -> tuple[_Strip | None, _Strip]:
    """Return what of a table goes into the room and the rest; two rows at least on either side."""
    if strip.table is None:
        return None, strip
    width_mm = strip.table._width * POINT_MM
    pieces = strip.table.split(strip.table._width, room_mm / POINT_MM)
    if len(pieces) == 2 and len(pieces[1]._cellvalues) < 3 and len(pieces[0]._cellvalues) > 3:
        less = sum(pieces[0]._rowHeights[:-1])  # one row goes over, so that none stands there alone
        pieces = strip.table.split(strip.table._width, less + POINTS_TIGHT)
    if len(pieces) != 2 or len(pieces[0]._cellvalues) < 3:
        return None, strip
    first, rest = (_table_strip(page, piece, width_mm) for piece in pieces)
    return first, rest


def _table_strip(page: Page, table: Any, width_mm: float) -> _Strip:
    def draw(page: Page, left: float, top: float) -> None:
        page.flow(table, left, top, width_mm)

    return _Strip(height_mm=page.flow_height_mm(table, width_mm), draw=draw, table=table)


def _strips(page: Page, part: Part, width_mm: float) -> Iterator[_Strip]:
    if isinstance(part, SheetTable):
        widths = [share * width_mm for share in part.shares]
        table = plain_table(part.rows, widths, density=DENSITY, words=part.words, wrapped=part.wrapped)
        yield _table_strip(page, table, width_mm)
    elif isinstance(part, Prose):
        for line in part.lines:
            yield _prose_strip(page, line, width_mm)
    elif isinstance(part, Drawing):
        yield _drawing_strip(part)
    elif isinstance(part, Ruled):
        yield _Strip(
            height_mm=HEAD_MM + LINE_MM * part.lines,
            draw=lambda page, left, top: _draw_ruled(page, part, left, top, width_mm),
        )
    elif isinstance(part, Code):
        yield _Strip(
            height_mm=CODE_MM, draw=lambda page, left, top: _draw_code_part(page, part, left, top, width_mm)
        )
    else:
        for start in range(0, len(part), PHOTO_COLUMNS):
            yield _photo_strip(part[start : start + PHOTO_COLUMNS], width_mm)


def _prose_strip(page: Page, line: str, width_mm: float) -> _Strip:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle("prose", fontName=REGULAR, fontSize=DENSITY.words_pt, leading=DENSITY.lead_pt)
    paragraph = Paragraph(escape(printable(line)), style)

    def draw(page: Page, left: float, top: float) -> None:
        page.flow(paragraph, left, top, width_mm)

    return _Strip(height_mm=page.flow_height_mm(paragraph, width_mm), draw=draw)


def _drawing_strip(drawing: Drawing) -> _Strip:
    return _Strip(height_mm=drawing.height_mm, draw=lambda page, left, top: drawing.draw(page, left, top))


def _photo_strip(photos: tuple[Photo, ...], width_mm: float) -> _Strip:
    wide = (width_mm - PHOTO_GAP_MM * (PHOTO_COLUMNS - 1)) / PHOTO_COLUMNS

    def draw(page: Page, left: float, top: float) -> None:
        for number, photo in enumerate(photos):
            _draw_photo(page, photo, left + number * (wide + PHOTO_GAP_MM), top, wide)

    return _Strip(height_mm=PHOTO_MM + CAPTION_MM, draw=draw)


def _draw_photo(page: Page, photo: Photo, left: float, top: float, wide: float) -> None:
    from reportlab.lib.utils import simpleSplit

    if photo.jpeg:
        columns, rows = photo.size_px
        scale = min(wide / columns, PHOTO_MM / rows)
        across, up = columns * scale, rows * scale
        page.picture(photo.jpeg, (left, top - up, across, up))
        under = top - up
    else:
        up = 0.35 * PHOTO_MM
        box = [(left, top), (left + wide, top), (left + wide, top - up), (left, top - up)]
        page.shape([box], width_mm=0.2, colour=GREY, dash_mm=(1.2, 0.8))
        words = f"cannot be shown: {photo.trouble}"
        for place, line in enumerate(
            simpleSplit(printable(words), REGULAR, 7.0, (wide - 6.0) / POINT_MM)[:4]
        ):
            page.words((left + 3.0, top - 5.0 - 3.2 * place), line, size_pt=7.0, colour=GREY)
        under = top - up
    name, size = fitted(f"{photo.number}  {photo.name}", wide, 7.0, least_pt=5.5)
    page.words((left, under - 3.0), name, size_pt=size, bold=True)
    lines = simpleSplit(printable(photo.words), REGULAR, 6.5, wide / POINT_MM)
    for place, line in enumerate(lines[:CAPTION_LINES]):
        last = place == CAPTION_LINES - 1 and len(lines) > CAPTION_LINES
        shown, size = fitted(f"{line} …" if last else line, wide, 6.5, least_pt=5.5)
        page.words((left, under - 5.9 - 2.8 * place), shown, size_pt=size)


def _draw_ruled(page: Page, ruled: Ruled, left: float, top: float, width: float) -> None:
    low = top - HEAD_MM - LINE_MM * ruled.lines
    place = left
    for words, share in ruled.columns:
        page.words((place + 0.6, top - 3.0), words, size_pt=7.0, bold=True)
        if place > left:
            page.line((place, top), (place, low), width_mm=0.1, colour=GREY)
        place += share * width
    for number in range(ruled.lines + 1):
        y = top - HEAD_MM - LINE_MM * number
        page.line((left, y), (left + width, y), width_mm=0.12 if number else 0.25, colour=GREY)


def _draw_code_part(page: Page, code: Code, left: float, top: float, width: float) -> None:
    draw_code(page, code.text, left_mm=left, top_mm=top, side_mm=CODE_MM)
    for number, line in enumerate(code.lines):
        shown, size = fitted(line, width - CODE_MM - 4.0, 8.0, least_pt=5.5)
        page.words((left + CODE_MM + 3.0, top - 5.0 - 4.4 * number), shown, size_pt=size, bold=not number)


def draw_code(pen: Pen, text: str, *, left_mm: float, top_mm: float, side_mm: float) -> None:
    """Draw a QR code with the quiet zone that it needs.

    Parameters
    ----------
    pen : Pen
    text : str
        What it holds.
    left_mm, top_mm, side_mm : float
        Its place and size [mm], the quiet zone within.

    References
    ----------
    .. [1] ISO/IEC 18004 (by segno).
    """
    import segno

    rows = [bytes(row) for row in segno.make(text, error="m", micro=False).matrix]
    step = side_mm / (len(rows) + 2 * QUIET)
    boxes = []
    for down, row in enumerate(rows):
        across = 0
        while across < len(row):
            end = across
            while end < len(row) and row[end]:
                end += 1
            if end > across:
                x, far = (left_mm + (QUIET + place) * step for place in (across, end))
                y = top_mm - (QUIET + down) * step
                boxes.append([(x, y), (far, y), (far, y - step), (x, y - step)])
            across = end + 1
    pen.shape(boxes, width_mm=0.0, colour=BLACK, fill=BLACK, stroked=False)
