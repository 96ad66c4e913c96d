"""The flat card: a printed sheet that gives a photo its scale, its tilt and its lens.

A lifted impression is laid in the blank middle. Round it runs a chessboard band, three squares deep,
with a numbered marker in each white square. The markers tell which corner of the chessboard is which;
the corners themselves are what is measured: a saddle of two black and two white squares looks the same
turned by half a turn, so that neither blur nor exposure moves its middle.

Frames
------
page
    mm, x to the right and y up from the lower left corner of the sheet, landscape.
card
    mm, x to the right and y up from the **origin**, where the datum line meets the centre tick. The datum
    line stands for the base face (y = 0), the tick for the exhaust centre line (x = 0): an impression laid
    with its base-face edge on the line and its exhaust mark on the tick is in the bore frame, as seen
    from the bore axis if the side that faced the axis is up.

Glossary
--------
usable corner
    A chessboard corner whose four squares are all in the band.
bar
    A line of 100 mm, one across and one down: what a ruler finds there tells the printer's true scale.

Markers: which numbers belong to what, so that a wrong card is known for what it is

=============  ===========
card           numbers
=============  ===========
flat A4        0 to 199
flat A3        200 to 399
flat Letter    400 to 599
ring           600 to 699
strip          700 to 849
board          850 to 949
spare          950 to 999
=============  ===========
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import QuantityError
from portmap.picture.card_print import Caption, CardPrint, Rule

__all__ = [
    "BAND",
    "BAR_MM",
    "MARKER_RANGES",
    "FlatCard",
    "Paper",
    "band_squares",
    "card_of_marker",
    "corner_places",
    "flat_card",
    "marker_corners",
    "marker_squares",
]

Paper = Literal["A4", "A3", "Letter"]

MARKER_RANGES: dict[str, tuple[int, int]] = {
    "flat A4": (0, 199),
    "flat A3": (200, 399),
    "flat Letter": (400, 599),
    "ring": (600, 699),
    "strip": (700, 849),
    "board": (850, 949),
}

BAR_MM = 100.0
BAND = 3  # squares deep: two closed rows of usable corners all round
_MARKER_SHARE = 5 / 7  # of the square; the white rim that is left is one marker module wide
_GAP_MM = 2.0  # blank between the band and anything printed inside it
_FOOT_MM = 9.0  # strip under the free area: the bar across, what the line is
_SIDE_MM = 7.0  # strips left and right: the bar down, the card's name
_LINE_MM = 3.7  # one line of words
_WORDS_MM = 2.5  # letter size
_BELOW_MM = 5.0  # of the free area that lies under the datum line

# page width and height, square, columns, rows: chosen so that 4 to 8 mm stay clear for the printer
_PAPERS: dict[Paper, tuple[float, float, float, int, int]] = {
    "A4": (297.0, 210.0, 7.0, 41, 28),
    "A3": (420.0, 297.0, 10.0, 41, 28),
    "Letter": (279.4, 215.9, 7.0, 38, 29),
}

_HOW_TO = (
    "1  Print at 100 %, nothing fitted or scaled. Measure both 100 mm bars with a caliper; if they are not"
    " 100, say so: --bar-measured 99.6,99.8 (across, down).",
    "2  Tape this card down flat. Lay the lifted sheet in the middle, its base-face edge on the blue line,"
    " its exhaust centre mark on the tick. Press it flat.",
    "3  Up goes the side that faced the bore axis. If only the side that touched the wall is marked, lay that"
    " side up and say so: --marked wall.",
    "4  Photograph from over the middle, as near as shows the whole card, all four edges sharp. Even light,"
    " no flash, no glare. A little tilt does no harm.",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class FlatCard:
    """All that is printed on a flat card; every drawing and every measurement follows it.

    Parameters
    ----------
    paper : {'A4', 'A3', 'Letter'}
        Sheet, laid landscape.
    page_mm : tuple of float
        Its width and height.
    square_mm, marker_mm : float
        Sides of a chessboard square and of the marker in a white one.
    columns, rows : int
        Chessboard size; only the outer three squares all round are printed.
    origin_page_mm : tuple of float
        The card frame's origin (x, y) in the page frame.
    board_mm : tuple of float
        Lower left corner of the chessboard, in the card frame.
    free_area_mm : tuple of float
        x0, y0, x1, y1 of the blank middle, in the card frame. Only the datum line crosses it.
    rules, captions : tuple
        Bars, datum, tick; words.
    """

    paper: Paper
    page_mm: tuple[float, float]
    square_mm: float
    marker_mm: float
    columns: int
    rows: int
    origin_page_mm: tuple[float, float]
    board_mm: tuple[float, float]
    free_area_mm: tuple[float, float, float, float]
    rules: tuple[Rule, ...]
    captions: tuple[Caption, ...]

    def printed(self) -> CardPrint:
        """Return all that is printed on the card."""
        side, (left, low), numbers = self.square_mm, self.board_mm, list(marker_squares(self))
        return CardPrint(
            title=f"portmap flat card, {self.paper}",
            page_mm=self.page_mm,
            origin_page_mm=self.origin_page_mm,
            squares_mm=tuple(
                (left + side * int(column), low + side * int(row), side)
                for column, row in band_squares(self)
                if (column + row) % 2 == 0
            ),
            markers_mm=tuple(
                (number, float(x), float(top), self.marker_mm)
                for number, (x, top) in zip(numbers, marker_corners(self, numbers)[:, 0], strict=True)
            ),
            rules=self.rules,
            captions=self.captions,
            free_area_mm=self.free_area_mm,
        )


@cache
def flat_card(paper: Paper = "A4") -> FlatCard:
    """Return the description of a flat card.

    Parameters
    ----------
    paper : {'A4', 'A3', 'Letter'}, optional
        Sheet size.

    Returns
    -------
    FlatCard
        Sizes in mm.

    Raises
    ------
    QuantityError
        If there is no card for that paper.

    Examples
    --------
    >>> card = flat_card("A4")
    >>> len(corner_places(card)), card.free_area_mm
    (252, (-115.5, -5.0, 115.5, 121.2))
    """
    if paper not in get_args(Paper):
        raise QuantityError(
            f"no flat card for paper {paper!r}", where="paper", remedy="take A4, A3 or Letter"
        )
    width, height, square, columns, rows = _PAPERS[paper]
    left, low = (width - columns * square) / 2, (height - rows * square) / 2
    inner_left, inner_low = left + BAND * square, low + BAND * square
    inner_right, inner_high = width - inner_left, height - inner_low
    origin = (width / 2, inner_low + _FOOT_MM + _BELOW_MM)
    free = (
        inner_left + _SIDE_MM - origin[0],
        -_BELOW_MM,
        inner_right - _SIDE_MM - origin[0],
        round(inner_high - _GAP_MM - len(_HOW_TO) * _LINE_MM - 2.0 - origin[1], 6),
    )
    rules, captions = _print_on(paper, free)
    return FlatCard(
        paper=paper,
        page_mm=(width, height),
        square_mm=square,
        marker_mm=square * _MARKER_SHARE,
        columns=columns,
        rows=rows,
        origin_page_mm=origin,
        board_mm=(left - origin[0], low - origin[1]),
        free_area_mm=free,
        rules=rules,
        captions=captions,
    )


def _print_on(
    paper: Paper, free: tuple[float, float, float, float]
) -> tuple[tuple[Rule, ...], tuple[Caption, ...]]:
    """Return the lines and words that stand round the free area `free`."""
    x0, y0, x1, y1 = free
    thin, bar_y, bar_x, end = 0.25, y0 - 3.0, x0 - 3.6, 1.6
    across, down = (x0 + 1.0, x0 + 1.0 + BAR_MM), (3.0, 3.0 + BAR_MM)
    rules = [
        Rule(start_mm=(x0 - 4.0, 0.0), end_mm=(x1 + 4.0, 0.0), width_mm=0.2, blue=True),
        Rule(start_mm=(0.0, y0 - 1.0), end_mm=(0.0, 0.0), width_mm=0.2, blue=True),
        Rule(start_mm=(0.0, y1), end_mm=(0.0, y1 + 1.6), width_mm=0.2, blue=True),
        Rule(start_mm=(across[0], bar_y), end_mm=(across[1], bar_y), width_mm=thin),
        Rule(start_mm=(bar_x, down[0]), end_mm=(bar_x, down[1]), width_mm=thin),
    ]
    # The end strokes' outer edges are 100 mm apart: that is where a caliper's jaws sit.
    rules += [
        Rule(start_mm=(x, bar_y - end), end_mm=(x, bar_y + end), width_mm=thin)
        for x in (across[0] + thin / 2, across[1] - thin / 2)
    ]
    rules += [
        Rule(start_mm=(bar_x - end, y), end_mm=(bar_x + end, y), width_mm=thin)
        for y in (down[0] + thin / 2, down[1] - thin / 2)
    ]
    foot = bar_y - _WORDS_MM / 3
    captions = [
        Caption(text=f"{BAR_MM:g} mm outside, across", place_mm=(x0 + 33.0, bar_y - 3.1), size_mm=_WORDS_MM),
        Caption(
            text=f"{BAR_MM:g} mm outside, down", place_mm=(bar_x + 2.6, 34.0), size_mm=_WORDS_MM, upward=True
        ),
        Caption(text="tick: exhaust centre, x = 0", place_mm=(1.5, foot), size_mm=_WORDS_MM, blue=True),
        Caption(
            text="blue line: base face, y = 0; head up",
            place_mm=(43.0, foot),
            size_mm=_WORDS_MM,
            blue=True,
        ),
        Caption(
            text=f"portmap flat card, {paper}, lengths in mm",
            place_mm=(x1 + 4.2, 30.0),
            size_mm=_WORDS_MM,
            upward=True,
        ),
    ]
    first = y1 + 2.0 + (len(_HOW_TO) - 1) * _LINE_MM + 0.6
    captions += [
        Caption(text=line, place_mm=(x0 - 4.0, first - k * _LINE_MM), size_mm=_WORDS_MM)
        for k, line in enumerate(_HOW_TO)
    ]
    return tuple(rules), tuple(captions)


def band_squares(card: FlatCard) -> NDArray[np.int64]:
    """Return the chessboard squares that are printed.

    Parameters
    ----------
    card : FlatCard
        The card.

    Returns
    -------
    ndarray of shape (K, 2)
        Column and row of each, from the lower left, row by row. A square whose column and row add up to
        an even number is black, the others hold a marker.
    """
    row, column = np.mgrid[: card.rows, : card.columns].reshape(2, -1)
    inside = (column >= BAND) & (column < card.columns - BAND) & (row >= BAND) & (row < card.rows - BAND)
    return np.asarray(np.stack([column, row], axis=1)[~inside])


def marker_squares(card: FlatCard) -> dict[int, tuple[int, int]]:
    """Return which chessboard square each marker stands in.

    Parameters
    ----------
    card : FlatCard
        The card.

    Returns
    -------
    dict of int to tuple of int
        Marker number to (column, row).

    Examples
    --------
    >>> marker_squares(flat_card("A3"))[200]
    (1, 0)
    """
    first = MARKER_RANGES[f"flat {card.paper}"][0]
    white = [(int(c), int(r)) for c, r in band_squares(card) if (c + r) % 2]
    return {first + k: square for k, square in enumerate(white)}


def marker_corners(card: FlatCard, numbers: ArrayLike) -> NDArray[np.float64]:
    """Return where markers' corners stand.

    Parameters
    ----------
    card : FlatCard
        The card.
    numbers : array_like of int, shape (...)
        Of the card's markers.

    Returns
    -------
    ndarray of shape (..., 4, 2)
        Top left, top right, bottom right, bottom left, (x, y) [mm] in the card frame.

    Examples
    --------
    >>> marker_corners(flat_card("A4"), 0)[0].round(1)
    array([-135.5,  -29. ])
    """
    squares, wanted = marker_squares(card), np.asarray(numbers, np.int64)
    standing = np.array([squares[int(k)] for k in wanted.ravel()], np.float64).reshape(*wanted.shape, 1, 2)
    rim, side = (card.square_mm - card.marker_mm) / 2, card.marker_mm
    around = rim + side * np.array([[0, 1], [1, 1], [1, 0], [0, 0]])
    return np.asarray(card.board_mm + standing * card.square_mm + around)


def corner_places(card: FlatCard) -> NDArray[np.float64]:
    """Return where the usable chessboard corners stand.

    Parameters
    ----------
    card : FlatCard
        The card.

    Returns
    -------
    ndarray of shape (K, 2)
        (x, y) [mm] in the card frame, from the lower left, row by row.
    """
    row, column = np.mgrid[1 : card.rows, 1 : card.columns].reshape(2, -1)
    deep = BAND - 1
    usable = (column <= deep) | (column >= card.columns - deep) | (row <= deep) | (row >= card.rows - deep)
    grid = np.stack([column, row], axis=1)[usable]
    return np.asarray(np.array(card.board_mm) + grid * card.square_mm)


def card_of_marker(number: int) -> str | None:
    """Return the name of the card that a marker belongs to, None for a spare number.

    Parameters
    ----------
    number : int
        Number in the dictionary.

    Returns
    -------
    str or None
        A key of `MARKER_RANGES`.

    Examples
    --------
    >>> card_of_marker(412)
    'flat Letter'
    """
    for name, (low, high) in MARKER_RANGES.items():
        if low <= number <= high:
            return name
    return None
