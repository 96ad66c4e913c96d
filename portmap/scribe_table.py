"""Scribe tables as CSV, JSON and PDF.

All three hold the same marks in the same order. CSV and JSON have exact figures; the PDF has what a caliper
and a degree wheel can be set to, with doubts at k = 2.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any, Literal, get_args

from portmap.errors import QuantityError
from portmap.page import BOLD, GREY, Page, PaperName, fitted
from portmap.scribe import ScribeRow
from portmap.sheet_tables import ROOMY, plain_table
from portmap.sheet_words import care_words
from portmap.shown import UnitName, UnitSystem, unit_system, with_doubt

__all__ = ["ScribeFormat", "scribe_bytes", "scribe_csv", "scribe_document", "scribe_format", "scribe_pdf"]

ScribeFormat = Literal["csv", "json", "pdf"]

COLUMNS = (
    "port",
    "window",
    "edge",
    "mark",
    "x_mm",
    "bore_deg",
    "height_mm",
    "height_u_mm",
    "from_deck_mm",
    "below_crown_mm",
    "below_crown_u_mm",
    "piston_deg",
    "piston_u_deg",
)
EXACT = 6  # digits after the point in CSV
DASH = "–"

_MARGIN_MM = 12.0
_HEAD_MM = 15.0
_ROWS = 58  # of marks on one page


def scribe_format(name: str) -> ScribeFormat:
    """Return which kind of table a file's name asks for.

    Parameters
    ----------
    name : str

    Returns
    -------
    {'csv', 'json', 'pdf'}

    Raises
    ------
    QuantityError
        If its ending is none of these.

    Examples
    --------
    >>> scribe_format("roof.CSV")
    'csv'
    """
    _, dot, ending = name.rpartition(".")
    known: ScribeFormat
    for known in get_args(ScribeFormat):
        if dot and ending.lower() == known:
            return known
    raise QuantityError(f"{name} ends in none of .csv, .json, .pdf", where="--table", remedy="name it so")


def scribe_document(rows: Sequence[ScribeRow]) -> list[dict[str, Any]]:
    """Return marks for other programs.

    Parameters
    ----------
    rows : sequence of ScribeRow

    Returns
    -------
    list of dict
        With the fields of `ScribeRow`.

    Examples
    --------
    >>> scribe_document(())
    []
    """
    return [asdict(row) for row in rows]


def scribe_csv(rows: Sequence[ScribeRow]) -> str:
    """Return marks for a spreadsheet.

    Parameters
    ----------
    rows : sequence of ScribeRow

    Returns
    -------
    str
        CSV with a head row; what nobody knows is empty.

    Examples
    --------
    >>> scribe_csv(())[:24]
    'port,window,edge,mark,x_'
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        fields = asdict(row)
        writer.writerow([_cell(fields[name]) for name in COLUMNS])
    return text.getvalue()


def _cell(value: str | int | float | None) -> str:
    if isinstance(value, float):
        text = f"{value:.{EXACT}f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return "" if value is None else str(value)


def scribe_pdf(
    rows: Sequence[ScribeRow],
    name: str,
    stage: str,
    *,
    basis: Sequence[str] = (),
    units: UnitName = "mm",
    paper: PaperName = "A4",
) -> bytes:
    """Return marks as pages to take to the bench.

    Parameters
    ----------
    rows : sequence of ScribeRow
    name : str
        The job's name.
    stage : str
        Of the map whose edges they are.
    basis : sequence of str, optional
        Lines on what the figures lean on, such as an assumed rod.
    units : {'mm', 'inch'}, optional
        Of the figures.
    paper : {'A4', 'Letter'}, optional
        Upright.

    Returns
    -------
    bytes
        PDF; the same rows give the same bytes.

    Examples
    --------
    >>> scribe_pdf((), "sample", "proposed")[:5]
    b'%PDF-'
    """
    system = unit_system(units)
    page = Page(paper, f"{name}: scribe table", subject="scribe table")
    width = page.width_mm - 2 * _MARGIN_MM
    parts = _parts(rows, system)
    for number, part in enumerate(parts):
        if number:
            page.turn_over()
        top = page.height_mm - _MARGIN_MM
        title, size = fitted(f"{name}: marks to scribe, {stage}", width - 30, 12, least_pt=8, font=BOLD)
        page.words((_MARGIN_MM, top - 4), title, size_pt=size, bold=True)
        where = f"page {number + 1} of {len(parts)}"
        page.words((page.width_mm - _MARGIN_MM, top - 4), where, colour=GREY, anchor="right")
        page.words(
            (_MARGIN_MM, top - 9),
            f"Lengths in {system.length}. Set the piston to the degree (after TDC, going down), or down from"
            " TDC by “below crown”: its crown edge is then the line. ± is k = 2.",
            size_pt=6.8,
        )
        page.words(
            (_MARGIN_MM, top - 12.2),
            "x runs along the wall from the exhaust centre line, to the right as seen from the bore axis.",
            size_pt=6.8,
        )
        share = width / sum(_SHARES)
        table = plain_table(part, [each * share for each in _SHARES], density=ROOMY, words=(1, 2))
        below = top - _HEAD_MM - page.flow(table, _MARGIN_MM, top - _HEAD_MM, width)
        if number + 1 == len(parts):
            for line in basis:
                below -= 3.2
                page.words((_MARGIN_MM, below), fitted(line, width, 6.8, least_pt=5)[0], size_pt=6.8)
            care = care_words(density=ROOMY)
            if page.flow_height_mm(care, width) > below - _MARGIN_MM - 2:
                page.turn_over()
                below = top
            page.flow(care, _MARGIN_MM, below - 2, width)
    return page.file()


_SHARES = (3.0, 1.3, 1.6, 1.5, 1.5, 2.0, 1.7, 2.2, 2.4)


def _parts(rows: Sequence[ScribeRow], system: UnitSystem) -> list[list[list[str]]]:
    """Return a table for each page, its head on each."""
    head = ["port, window", "edge", "mark", "x", "degrees\nof bore", "above\nbase"]
    head += ["from\ndeck", "below\ncrown", "piston\nat"]
    lines: list[list[str]] = []
    for (port, window, edge), marks in groupby(rows, key=lambda row: (row.port, row.window, row.edge)):
        for number, row in enumerate(marks):
            first = [f"{port}, {window}", edge] if number == 0 or len(lines) % _ROWS == 0 else ["", ""]
            deck = row.from_deck_mm
            lines.append(
                [
                    *first,
                    row.mark,
                    system.lengths(row.x_mm),
                    f"{row.bore_deg:.1f}°".replace("-", "−"),
                    system.lengths(row.height_mm, row.height_u_mm or None),
                    DASH if deck is None else system.lengths(deck),
                    system.lengths(row.below_crown_mm, row.below_crown_u_mm),
                    DASH if row.piston_deg is None else f"{with_doubt(row.piston_deg, row.piston_u_deg, 2)}°",
                ]
            )
    return [[head, *lines[start : start + _ROWS]] for start in range(0, max(len(lines), 1), _ROWS)]


def scribe_bytes(
    kind: ScribeFormat,
    rows: Sequence[ScribeRow],
    name: str,
    stage: str,
    *,
    basis: Sequence[str] = (),
    units: UnitName = "mm",
    paper: PaperName = "A4",
) -> bytes:
    """Return marks as the content of a file.

    Parameters
    ----------
    kind : {'csv', 'json', 'pdf'}
    rows : sequence of ScribeRow
    name, stage : str
        As in `scribe_pdf`.
    basis : sequence of str, optional
        As in `scribe_pdf`.
    units : {'mm', 'inch'}, optional
        Of a PDF; the others are in mm.
    paper : {'A4', 'Letter'}, optional
        Of a PDF.

    Returns
    -------
    bytes

    Examples
    --------
    >>> scribe_bytes("csv", (), "sample", "proposed")[:11]
    b'port,window'
    """
    from portmap.files import json_bytes

    if kind == "csv":
        return scribe_csv(rows).encode()
    if kind == "json":
        document = {"job": name, "stage": stage, "basis": list(basis), "rows": scribe_document(rows)}
        return json_bytes(document)
    return scribe_pdf(rows, name, stage, basis=basis, units=units, paper=paper)
