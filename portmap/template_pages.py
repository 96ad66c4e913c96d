"""A 1:1 sheet's pages: heading, 100 mm bars and notes round what is drawn, and tiles where it is too large.

Page frame: mm, x right, y up from the lower left corner of a sheet that lies on its long side.

Glossary
--------
room
    What a page leaves for drawings.
tile
    The part of a drawing that one page shows. Neighbours share an overlap, in whose middle runs the join;
    crosses on it stand at the same place of the drawing on both pages.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, NoReturn, get_args

import numpy as np

from portmap.errors import QuantityError
from portmap.look import STAGE_STROKES
from portmap.page import BOLD, POINT_MM, fitted, text_width_mm
from portmap.port import Stage
from portmap.template_drawing import BLACK, GREY, Box, Draft, Drawing, Pen, Piece, SheetPage, Words
from portmap.template_words import MEASURE, wrapped

__all__ = ["BAR_MM", "PAPERS", "Paper", "Surround", "natural_page", "paper_pages", "row_pages"]

Paper = Literal["A4", "A3", "Letter"]

BAR_MM = 100.0
# on their long side: ISO 216 and ANSI Y14.1, from memory
PAPERS: dict[Paper, tuple[float, float]] = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "Letter": (279.4, 215.9),
}

_MARGIN_MM = 8.0  # printers leave 3 to 4.2 mm bare; common practice, no source
_HEAD_MM, _SIDE_MM, _FOOT_MM = 14.5, 6.5, 6.5
_BAR_MM = 1.2  # breadth of the bars
_NOTES_PT, _GAP_MM = (6.6, 5.4), 5.0  # letter sizes of notes: roomy, tight
_COLUMN_MM = 88.0  # of notes, at least
_PAD_MM = 1.0  # round a drawing
_JOIN_PAD_MM, _OVERLAP_MM = 6.0, 14.0  # round a tiled drawing, for its crosses; shared by neighbours
_LEAST_WIDTH_MM = 230.0  # of a page made to measure
_JOIN = Pen(width_mm=0.15, colour=GREY, dash_mm=(6.0, 2.0))
_CROSS = Pen(width_mm=0.15)


@dataclass(frozen=True, kw_only=True, slots=True)
class Surround:
    """What stands round the drawings on every page.

    Parameters
    ----------
    name : str
        The job's name.
    kind : str
        What kind of sheet it is.
    facts : tuple of str
        Two lines under the name.
    notes : tuple of str
        Paragraphs at the foot.
    stages : tuple of str
        Which are drawn, for the legend.
    take_tint : str or None
        Colour of metal to take, None if there is none.
    """

    name: str
    kind: str
    facts: tuple[str, str]
    notes: tuple[str, ...]
    stages: tuple[Stage, ...]
    take_tint: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Layout:
    """Where things are on a page: the room, and the notes in columns."""

    width_mm: float
    height_mm: float
    room_mm: Box
    columns: tuple[tuple[str, ...], ...]
    column_mm: float
    note_pt: float

    @property
    def note_step_mm(self) -> float:
        """Return the distance between two lines of notes."""
        return 1.23 * self.note_pt * POINT_MM


def _layout(width: float, height: float, surround: Surround, note_pt: float = min(_NOTES_PT)) -> _Layout:
    inner = width - 2 * _MARGIN_MM
    count = max(int((inner + _GAP_MM) // (_COLUMN_MM + _GAP_MM)), 1)
    column = (inner - (count - 1) * _GAP_MM) / count
    lines = [line for note in surround.notes for line in wrapped(note, column, note_pt)]
    rows = math.ceil(len(lines) / count)
    low = _MARGIN_MM + rows * 1.23 * note_pt * POINT_MM + _FOOT_MM
    return _Layout(
        width_mm=width,
        height_mm=height,
        room_mm=(_MARGIN_MM + _SIDE_MM, low, width - _MARGIN_MM, height - _MARGIN_MM - _HEAD_MM),
        columns=tuple(tuple(lines[k * rows : (k + 1) * rows]) for k in range(count)),
        column_mm=column,
        note_pt=note_pt,
    )


def natural_page(drawings: Sequence[tuple[Drawing, Box]], surround: Surround) -> SheetPage:
    """Return a page made to measure, on which the drawings stand in a row.

    Parameters
    ----------
    drawings : sequence of (Drawing, tuple of float)
        Each with what of it shows.
    surround : Surround

    Returns
    -------
    SheetPage

    Examples
    --------
    >>> around = Surround(name="saw", kind="1:1", facts=("", ""), notes=(), stages=())
    >>> natural_page([(Drawing(), (0.0, 0.0, 300.0, 40.0))], around).width_mm
    324.5
    """
    wide = sum(box[2] - box[0] + 2 * _PAD_MM for _, box in drawings)
    tall = max(BAR_MM + 2.0, *(box[3] - box[1] + 2 * _PAD_MM for _, box in drawings))
    width = max(_LEAST_WIDTH_MM, wide + 2 * _MARGIN_MM + _SIDE_MM)
    bare = _layout(width, 0.0, surround, max(_NOTES_PT))
    around = _layout(width, tall + bare.room_mm[1] + _MARGIN_MM + _HEAD_MM, surround, max(_NOTES_PT))
    return _page(around, surround, _row(drawings, around.room_mm), 1, 1)


def row_pages(
    drawings: Sequence[tuple[Drawing, Box]], surround: Surround, paper: Paper
) -> tuple[SheetPage, ...]:
    """Return pages of a paper on which drawings stand in rows, each whole.

    Parameters
    ----------
    drawings : sequence of (Drawing, tuple of float)
        Each with what of it shows.
    surround : Surround
    paper : {'A4', 'A3', 'Letter'}

    Returns
    -------
    tuple of SheetPage

    Raises
    ------
    QuantityError
        If one drawing is larger than the paper's room.

    Examples
    --------
    >>> around = Surround(name="saw", kind="1:1", facts=("", ""), notes=(), stages=())
    >>> len(row_pages([(Drawing(), (0.0, 0.0, 200.0, 90.0))] * 3, around, "A4"))
    3
    """
    widest = max(box[2] - box[0] for _, box in drawings)
    tallest = max(box[3] - box[1] for _, box in drawings)
    around = _roomiest((0.0, 0.0, widest, tallest), surround, paper)
    for _, box in drawings:
        if not _fits(box, around.room_mm):
            _refuse(box, around, surround, paper, otherwise="write SVG or DXF")
    left, low, right, high = around.room_mm
    pages: list[list[Piece]] = [[]]
    row: list[tuple[Drawing, Box]] = []
    top = high

    def flush() -> None:
        nonlocal top
        if not row:
            return
        tall = max(box[3] - box[1] for _, box in row) + 2 * _PAD_MM
        if top - tall < low - 1e-9:
            pages.append([])
            top = high
        pages[-1] += _row(row, (left, top - tall, right, top))
        top -= tall + 2.0
        row.clear()

    for drawing, box in drawings:
        if sum(b[2] - b[0] + 2 * _PAD_MM for _, b in [*row, (drawing, box)]) > right - left:
            flush()
        row.append((drawing, box))
    flush()
    if len(pages) == 1:  # in the middle of the room
        drop = (low - top - 2.0) / 2
        pages = [[replace(one, place_mm=(one.place_mm[0], one.place_mm[1] + drop)) for one in pages[0]]]
    return tuple(_page(around, surround, pieces, k + 1, len(pages)) for k, pieces in enumerate(pages))


def paper_pages(
    drawing: Drawing,
    box_mm: Box,
    surround: Surround,
    paper: Paper,
    *,
    tiles: bool,
    busy_mm: Sequence[Box] = (),
) -> tuple[SheetPage, ...]:
    """Return pages of a paper that show a drawing whole, in tiles if it is too large and they are wished.

    Parameters
    ----------
    drawing : Drawing
    box_mm : tuple of float
        What of it shows: left, low, right, high.
    surround : Surround
    paper : {'A4', 'A3', 'Letter'}
    tiles : bool
        Whether it may be cut into tiles.
    busy_mm : sequence of tuple of float, optional
        What joins keep clear of where they can: left, low, right, high of each.

    Returns
    -------
    tuple of SheetPage
        From the left, row by row from the top.

    Raises
    ------
    QuantityError
        If the paper is not known, or too small and tiles are not wished: which paper would do.

    Examples
    --------
    >>> around = Surround(name="saw", kind="1:1", facts=("", ""), notes=(), stages=())
    >>> len(paper_pages(Drawing(), (0.0, 0.0, 400.0, 90.0), around, "A4", tiles=True))
    2
    """
    around = _roomiest(box_mm, surround, paper)
    left, low, right, high = around.room_mm
    if _fits(box_mm, around.room_mm):
        return (_page(around, surround, _row([(drawing, box_mm)], around.room_mm), 1, 1),)
    if not tiles:
        _refuse(box_mm, around, surround, paper, otherwise="add --tiles")
    padded = _grown(box_mm, _JOIN_PAD_MM)
    columns = _cuts(padded[0], padded[2], right - left - 2 * _PAD_MM, [(b[0], b[2]) for b in busy_mm])
    rows = _cuts(padded[1], padded[3], high - low - 2 * _PAD_MM, [(b[1], b[3]) for b in busy_mm])[::-1]
    count = len(columns) * len(rows)
    joined = _with_joins(drawing, padded, columns, rows)
    pages: list[SheetPage] = []
    for row in rows:
        for column in columns:
            window = (column[0], row[0], column[1], row[1])
            pages.append(
                _page(around, surround, _row([(joined, window)], around.room_mm), len(pages) + 1, count)
            )
    return tuple(pages)


def _size(paper: Paper) -> tuple[float, float]:
    if paper not in get_args(Paper):
        raise QuantityError(f"no sheet for paper {paper!r}", where="paper", remedy="take A4, A3 or Letter")
    return PAPERS[paper]


def _roomiest(box: Box, surround: Surround, paper: Paper) -> _Layout:
    """Return a paper's layout with the largest notes that leave room for a drawing, else the smallest."""
    size = _size(paper)
    for note_pt in _NOTES_PT:
        around = _layout(*size, surround, note_pt)
        if _fits(box, around.room_mm):
            break
    return around


def _fits(box: Box, room: Box) -> bool:
    wide, tall = box[2] - box[0] + 2 * _PAD_MM, box[3] - box[1] + 2 * _PAD_MM
    return wide <= room[2] - room[0] and tall <= room[3] - room[1]


def _refuse(box: Box, around: _Layout, surround: Surround, paper: Paper, *, otherwise: str) -> NoReturn:
    """Say that a paper has no room for a drawing, and which paper has."""
    room = around.room_mm
    larger = [name for name in get_args(Paper) if _fits(box, _layout(*PAPERS[name], surround).room_mm)]
    raise QuantityError(
        f"the drawing is {box[2] - box[0]:.0f} × {box[3] - box[1]:.0f} mm, and {paper} has room for"
        f" {room[2] - room[0]:.0f} × {room[3] - room[1]:.0f} mm",
        where="--paper",
        remedy=f"take {' or '.join(larger)}, or {otherwise}" if larger else otherwise,
    )


def _grown(box: Box, by: float) -> Box:
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by


def _cuts(
    low: float, high: float, room: float, busy: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Return as few parts of a span as fit a room, neighbours sharing the overlap.

    Joins run in the overlaps' middles, clear of what is busy where that can be, else as evenly as can be.
    """
    if high - low <= room:
        return [(low, high)]
    count = math.ceil((high - low - _OVERLAP_MM) / (room - _OVERLAP_MM))
    half = _OVERLAP_MM / 2
    joins: list[float] = []
    for number in range(1, count):
        furthest = low + room - half if number == 1 else joins[-1] + room - _OVERLAP_MM
        nearest = high - room + half - (count - 1 - number) * (room - _OVERLAP_MM)
        nearest = max(nearest, (joins[-1] if joins else low) + _OVERLAP_MM)
        even = low + number * (high - low) / count
        places = np.linspace(min(nearest, furthest), furthest, 241)
        clear = np.full(places.shape, half)
        for left, right in busy:
            clear = np.minimum(clear, np.maximum(left - places, places - right))
        score = np.maximum(clear, 0.0) - 1e-3 * np.abs(places - even)
        joins.append(float(places[int(np.argmax(score))]))
    starts = [low, *(join - half for join in joins)]
    ends = [*(join + half for join in joins), high]
    return list(zip(starts, ends, strict=True))


def _with_joins(
    drawing: Drawing, box: Box, columns: list[tuple[float, float]], rows: list[tuple[float, float]]
) -> Drawing:
    """Return a drawing with join lines in the overlaps' middles, and crosses on them."""
    draft = Draft()
    draft.add(drawing)
    left, low, right, high = box
    upright = [(after[0] + before[1]) / 2 for before, after in pairwise(columns)]
    level = [(above[0] + below[1]) / 2 for above, below in pairwise(rows)]
    pad = _JOIN_PAD_MM / 2
    xs = [left + pad, *upright, right - pad]
    ys = [low + pad, *level, high - pad]
    for number, x in enumerate(upright, 1):
        draft.line("join", _JOIN, (x, low), (x, high))
        if len(rows) == 1:
            before = Words(
                text=f"{number} ◀", place_mm=(x - 3.0, high - pad - 0.7), size_pt=5.4, anchor="right"
            )
            draft.write(before)
            draft.write(
                replace(before, text=f"▶ {number + 1}", place_mm=(x + 3.0, high - pad - 0.7), anchor="left")
            )
    for y in level:
        draft.line("join", _JOIN, (left, y), (right, y))
    spots = {(x, y) for x in upright for y in ys} | {(x, y) for y in level for x in xs}
    for x, y in sorted(spots):
        draft.line("join", _CROSS, (x - 2.5, y), (x + 2.5, y))
        draft.line("join", _CROSS, (x, y - 2.5), (x, y + 2.5))
        ring = [
            (x + 1.5 * math.cos(k * math.pi / 12), y + 1.5 * math.sin(k * math.pi / 12)) for k in range(24)
        ]
        draft.lines("join", [ring], closed=True, pen=_CROSS)
    return draft.finished()


def _row(drawings: Sequence[tuple[Drawing, Box]], room: Box) -> list[Piece]:
    """Return drawings side by side in the middle of a room."""
    widths = [box[2] - box[0] + 2 * _PAD_MM for _, box in drawings]
    left = (room[0] + room[2] - sum(widths)) / 2
    pieces = []
    for (drawing, box), width in zip(drawings, widths, strict=True):
        low = (room[1] + room[3] - (box[3] - box[1])) / 2
        pieces.append(
            Piece(
                drawing=drawing,
                window_mm=_grown(box, _PAD_MM),
                place_mm=(left + _PAD_MM - box[0], low - box[1]),
            )
        )
        left += width
    return pieces


def _page(around: _Layout, surround: Surround, pieces: Sequence[Piece], number: int, count: int) -> SheetPage:
    draft = Draft()
    _draw_head(draft, around, surround, number, count)
    _draw_bars(draft, around)
    _draw_legend(draft, around, surround)
    top = around.room_mm[1] - _FOOT_MM - 0.75 * around.note_pt * POINT_MM
    for place, column in enumerate(around.columns):
        x = _MARGIN_MM + place * (around.column_mm + _GAP_MM)
        for row, line in enumerate(column):
            draft.write(
                Words(text=line, place_mm=(x, top - row * around.note_step_mm), size_pt=around.note_pt)
            )
    return SheetPage(
        width_mm=around.width_mm, height_mm=around.height_mm, furniture=draft.finished(), pieces=tuple(pieces)
    )


def _draw_head(draft: Draft, around: _Layout, surround: Surround, number: int, count: int) -> None:
    left, right, top = _MARGIN_MM, around.width_mm - _MARGIN_MM, around.height_mm - _MARGIN_MM
    aside = f"{surround.kind}, page {number} of {count}"
    room = right - left - text_width_mm(aside, 8.0, BOLD) - 6.0
    name, size = fitted(surround.name, room, 12.0, least_pt=7.0, font=BOLD)
    draft.write(Words(text=name, place_mm=(left, top - 3.6), size_pt=size, bold=True))
    draft.write(Words(text=aside, place_mm=(right, top - 3.6), size_pt=8.0, anchor="right", bold=True))
    for row, fact in enumerate(surround.facts):
        text, size = fitted(fact, right - left, 6.4, least_pt=5.0)
        draft.write(Words(text=text, place_mm=(left, top - 6.8 - 2.9 * row), size_pt=size))
    text, size = fitted(MEASURE, right - left, 6.4, least_pt=5.0)
    draft.write(Words(text=text, place_mm=(left, top - 12.6), size_pt=size, bold=True))


def _draw_bars(draft: Draft, around: _Layout) -> None:
    left, low = around.room_mm[0], around.room_mm[1] - _FOOT_MM + 2.2
    draft.box("bars", (left, low, left + BAR_MM, low + _BAR_MM), fill=BLACK)
    draft.write(
        Words(
            text="100.0 mm across: measure it", place_mm=(left + BAR_MM + 1.5, low), size_pt=5.4, layer="bars"
        )
    )
    x, bottom = _MARGIN_MM, around.room_mm[1]
    draft.box("bars", (x, bottom, x + _BAR_MM, bottom + BAR_MM), fill=BLACK)
    words = "100.0 mm down: measure it"
    draft.write(Words(text=words, place_mm=(x + 3.6, bottom + 2.0), size_pt=5.4, turn_deg=90.0, layer="bars"))


def _draw_legend(draft: Draft, around: _Layout, surround: Surround) -> None:
    x, y = around.room_mm[0] + BAR_MM + 32.0, around.room_mm[1] - _FOOT_MM + 2.2
    for stage in surround.stages:
        stroke = STAGE_STROKES[stage]
        pen = Pen(width_mm=stroke.width_mm, dash_mm=stroke.dash_mm)
        draft.line("words", pen, (x, y + 0.6), (x + 9.0, y + 0.6))
        draft.write(Words(text=stage, place_mm=(x + 10.0, y), size_pt=5.4))
        x += 12.5 + text_width_mm(stage, 5.4)
    if surround.take_tint is not None:
        draft.box(
            "words",
            (x, y - 0.3, x + 5.0, y + 1.7),
            fill=surround.take_tint,
            pen=Pen(width_mm=0.05, colour=GREY),
        )
        draft.write(Words(text="metal to take", place_mm=(x + 6.0, y), size_pt=5.4))
