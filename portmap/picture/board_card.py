"""The board: a sheet full of chessboard, for calibrating a camera or a scope.

Its frame has its origin at the chessboard's lower left corner, x to the right and y up. Each white square
holds a numbered marker, so that a photo of a part of it is of use.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from portmap.errors import QuantityError
from portmap.picture.card import MARKER_RANGES, Paper
from portmap.picture.card_print import Caption, CardPrint

__all__ = ["BoardCard", "board_card"]

_MARKER_SHARE = 5 / 7  # of the square; the white rim that is left is one marker module wide
# sheet, and squares across and down: as many as there are numbers for
_SHEETS: dict[Paper, tuple[float, float]] = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "Letter": (279.4, 215.9),
}
_COLUMNS, _ROWS = 16, 11
_WORDS_MM, _LINE_MM, _FOOT_MM = 2.5, 3.7, 11.0
_CLEAR_MM = 6.0  # that printers leave white


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardCard:
    """A chessboard of known size.

    Parameters
    ----------
    columns, rows : int
        Squares across and up.
    square_mm : float
        Side of a square.
    page_mm, origin_page_mm : tuple of float
        Sheet; where the chessboard's lower left corner lies on it.
    """

    columns: int
    rows: int
    square_mm: float
    page_mm: tuple[float, float]
    origin_page_mm: tuple[float, float]

    @property
    def marker_mm(self) -> float:
        """Return the side of a marker."""
        return self.square_mm * _MARKER_SHARE

    def markers(self) -> dict[int, tuple[float, float]]:
        """Return where each marker's upper left corner stands, (x, y) [mm], by number."""
        first, side = MARKER_RANGES["board"][0], self.square_mm
        rim = (side - self.marker_mm) / 2
        white = [(c, r) for r in range(self.rows) for c in range(self.columns) if (c + r) % 2]
        return {
            first + k: (side * column + rim, side * (row + 1) - rim) for k, (column, row) in enumerate(white)
        }

    def corners(self) -> NDArray[np.float64]:
        """Return the inner corners, (x, y) [mm], row by row from the lower left, shape (K, 2)."""
        row, column = np.mgrid[1 : self.rows, 1 : self.columns].reshape(2, -1)
        return np.asarray(np.stack([column, row], axis=1) * self.square_mm)

    def printed(self) -> CardPrint:
        """Return all that is printed on the card."""
        side = self.square_mm
        words = (
            f"portmap board: {self.columns} by {self.rows} squares of {side:g} mm. Print at 100 %, or show it"
            " on a flat screen; measure ten squares and give a tenth of it: --square.",
            "Stick it on something flat. Take 10 to 20 photos, each tilted another way, so that the board"
            " reaches every corner of the picture in some of them.",
        )
        return CardPrint(
            title="portmap board card",
            page_mm=self.page_mm,
            origin_page_mm=self.origin_page_mm,
            squares_mm=tuple(
                (side * column, side * row, side)
                for row in range(self.rows)
                for column in range(self.columns)
                if (column + row) % 2 == 0
            ),
            markers_mm=tuple((n, x, y, self.marker_mm) for n, (x, y) in self.markers().items()),
            captions=tuple(
                Caption(text=line, place_mm=(0.0, -5.0 - k * _LINE_MM), size_mm=_WORDS_MM)
                for k, line in enumerate(words)
            ),
        )


@cache
def board_card(paper: Paper = "A4") -> BoardCard:
    """Return the board for a sheet.

    Parameters
    ----------
    paper : {'A4', 'A3', 'Letter'}, optional

    Returns
    -------
    BoardCard

    Raises
    ------
    QuantityError
        If there is no board for that paper.

    Examples
    --------
    >>> board_card("A4").square_mm, len(board_card("A4").markers())
    (17.0, 88)
    """
    if paper not in get_args(Paper):
        raise QuantityError(f"no board for paper {paper!r}", where="paper", remedy="take A4, A3 or Letter")
    width, height = _SHEETS[paper]
    square = float(
        np.floor(min((width - 2 * _CLEAR_MM) / _COLUMNS, (height - _CLEAR_MM - _FOOT_MM - 2) / _ROWS) * 2) / 2
    )
    left = (width - _COLUMNS * square) / 2
    return BoardCard(
        columns=_COLUMNS,
        rows=_ROWS,
        square_mm=square,
        page_mm=(width, height),
        origin_page_mm=(left, _FOOT_MM + (height - _FOOT_MM - _ROWS * square) / 2),
    )
