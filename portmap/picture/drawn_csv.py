"""Outlines from a CSV file of corner points: ``x_mm, y_mm`` and, for several, a name of the ``window``.

Columns are separated by comma, semicolon or tab; with the last two a decimal comma is read. The last corner
is joined to the first.
"""

from __future__ import annotations

import csv
import math

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError

__all__ = ["csv_outlines"]

ROW_LIMIT = 500_000
_COLUMNS = ("x_mm", "y_mm", "window")


def csv_outlines(data: bytes, name: str) -> list[NDArray[np.float64]]:
    r"""Return the outlines of a file of points.

    Parameters
    ----------
    data : bytes
        The file, UTF-8.
    name : str
        Its name, for messages.

    Returns
    -------
    list of ndarray of shape (N, 2)
        (x, y) [mm], in the order in which the windows first occur; not closed by a repeated point.

    Raises
    ------
    PictureError
        With the line that is at fault.

    Examples
    --------
    >>> csv_outlines(b"x_mm,y_mm\n0,30\n10,30\n10,38\n", "a.csv")[0].shape
    (3, 2)
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PictureError("is not text in UTF-8", where=name, remedy="save it as CSV in UTF-8") from None
    lines = text.splitlines()
    if len(lines) > ROW_LIMIT:
        raise PictureError(f"has more than {ROW_LIMIT} lines", where=name, remedy="give fewer points")
    sample = next((line for line in lines if line.strip()), "")
    separator = next((mark for mark in (";", "\t") if mark in sample), ",")
    try:
        rows = [
            (k, [c.strip() for c in row]) for k, row in enumerate(csv.reader(lines, delimiter=separator), 1)
        ]
    except csv.Error as error:
        raise PictureError(f"is no CSV ({error})", where=name, remedy="save it as plain CSV") from None
    rows = [(k, row) for k, row in rows if any(row)]
    order, rows = _column_order(rows, name)
    windows: dict[str, list[tuple[float, float]]] = {}
    for line, row in rows:
        if len(row) < len(order):
            raise PictureError(
                f"line {line} has {len(row)} of {len(order)} columns", where=name, remedy="complete that line"
            )
        cells = dict(zip(order, row, strict=False))
        corner = tuple(_number(cells[axis], separator, line, name) for axis in ("x_mm", "y_mm"))
        windows.setdefault(cells.get("window", ""), []).append((corner[0], corner[1]))
    outlines = [np.array(corners, np.float64) for corners in windows.values()]
    outlines = [o[:-1] if len(o) > 3 and np.array_equal(o[0], o[-1]) else o for o in outlines]
    for label, outline in zip(windows, outlines, strict=True):
        if len(outline) < 3:
            raise PictureError(
                f"window {label or 1} has only {len(outline)} corner{'s' if len(outline) != 1 else ''}",
                where=name,
                remedy="give at least three",
            )
    return outlines


def _column_order(
    rows: list[tuple[int, list[str]]], name: str
) -> tuple[tuple[str, ...], list[tuple[int, list[str]]]]:
    """Return the columns' names and the rows without the head."""
    if not rows:
        raise PictureError("is empty", where=name, remedy="give a line for each corner: x_mm,y_mm")
    head = [cell.lower() for cell in rows[0][1]]
    if any(any(letter.isalpha() for letter in cell) for cell in head[:2]):
        unknown = [cell for cell in head if cell not in _COLUMNS]
        if unknown or "x_mm" not in head or "y_mm" not in head:
            wrong = f"the column {unknown[0][:30]!r}" if unknown else "a head without x_mm and y_mm"
            raise PictureError(
                f"{wrong} is not known",
                where=name,
                remedy="name the columns x_mm,y_mm and, if wanted, window",
            )
        return tuple(head), rows[1:]
    return _COLUMNS[: max(2, min(len(head), 3))], rows


def _number(cell: str, separator: str, line: int, name: str) -> float:
    plain = cell if separator == "," else cell.replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise PictureError(f"{cell[:30]!r} in line {line} is no number", where=name, remedy="mend it")
    return value
