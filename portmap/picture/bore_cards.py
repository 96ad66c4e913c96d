"""Cards that give photos of a bore their scale and their place: the ring, and the strip.

The **ring** lies round the bore on the base face (or the deck): a chessboard with a round hole. Its frame
has its origin in the bore's middle, x to the right and y up as it is read, with the exhaust straight up.
The **strip** is rolled and laid inside the bore, printed side to the axis, so that its chessboard lies on
the wall. Its frame has its origin on the lower edge where the exhaust centre line stands, x to the right
along the paper, y up.

Each white square holds a numbered marker. The numbers start at another one of their range for each half
millimetre of bore, so that a card tells which bore it was made for.

Frame of the bore in space: mm, the axis of the bore is Z, up from the base face; X points to the exhaust;
the wall's (x, y) stands at (R cos φ, −R sin φ, y) with φ = x/R, so that x runs to the right as seen from
the axis.

Glossary
--------
usable corner
    A chessboard corner whose four squares are all printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import QuantityError
from portmap.picture.card import MARKER_RANGES
from portmap.picture.card_print import Caption, CardPrint

__all__ = [
    "PAPER_THICKNESS_MM",
    "RING_SQUARES",
    "RingCard",
    "Seat",
    "StripCard",
    "bore_of_start",
    "ring_card",
    "ring_places",
    "strip_card",
    "strip_places",
]

Floats = NDArray[np.float64]
Seat = Literal["base", "deck"]

PAPER_THICKNESS_MM = 0.1  # of 80 g/m² office paper; common practice, no source
RING_SQUARES = 16  # across and down
_LEAST_BORE_MM, _MOST_BORE_MM = 20.0, 130.0
_RIM_MM = 1.0  # left white between the bore and the nearest square
_CUT_MM = 0.3  # from the bore to the hole's edge, so that the bore's rim shows beside it
_HOLE_SQUARES = 5  # from the middle to the first square at the middle of a side, so that three are left there
_LEAST_BAND_MM = 15.0  # of chessboard outside the hole, at the middle of a side
_SQUARE_MM = 5.2  # of a strip, about
_MARKER_SHARE = 5 / 7  # of the square; the white rim that is left is one marker module wide
_WORDS_MM, _LINE_MM = 2.5, 3.7
_TAB_MM = 6.0  # of a strip, past its full turn: to glue or to tape
_STEP_MM = 0.5  # of bore, that a card's numbers tell apart
# width and height of the sheets that most printers take
_SHEETS = {"A4": (297.0, 210.0), "A3": (420.0, 297.0)}


@dataclass(frozen=True, kw_only=True, slots=True)
class RingCard:
    """A chessboard with a hole for the bore.

    Parameters
    ----------
    bore_mm : float
        That it was made for.
    square_mm : float
        Side of a square.
    page_mm, origin_page_mm : tuple of float
        Sheet; where the bore's middle lies on it.
    """

    bore_mm: float
    square_mm: float
    page_mm: tuple[float, float]
    origin_page_mm: tuple[float, float]

    def squares(self) -> NDArray[np.int64]:
        """Return the column and row of each square that is printed, row by row, shape (K, 2)."""
        half = RING_SQUARES // 2
        row, column = np.mgrid[-half:half, -half:half].reshape(2, -1)
        # the nearest place of a square to the middle
        near = np.hypot(*(np.maximum(0, np.maximum(at, -at - 1)) * self.square_mm for at in (column, row)))
        return np.asarray(np.stack([column, row], axis=1)[near >= self.bore_mm / 2 + _RIM_MM - 1e-9])

    def markers(self) -> dict[int, tuple[float, float]]:
        """Return where each marker's upper left corner stands, (x, y) [mm], by number."""
        return _numbered("ring", self.bore_mm, self.squares(), self.square_mm)

    def corners(self) -> Floats:
        """Return the usable chessboard corners, (x, y) [mm], shape (K, 2)."""
        return np.asarray(_usable(self.squares()) * self.square_mm)

    @property
    def marker_mm(self) -> float:
        """Return the side of a marker."""
        return self.square_mm * _MARKER_SHARE

    def printed(self) -> CardPrint:
        """Return all that is printed on the card."""
        side, radius = self.square_mm, self.bore_mm / 2
        reach = RING_SQUARES / 2 * side
        turn, cut = np.linspace(0, 2 * np.pi, 361), radius + _CUT_MM
        tip = radius - 1.5
        notch = ((0.0, radius - 9.0), (0.0, tip), (-1.6, tip - 3.0), (0.0, tip), (1.6, tip - 3.0))
        words = (
            f"portmap ring card for a bore of {self.bore_mm:g} mm. Print at 100 %, nothing scaled;"
            f" {RING_SQUARES} squares are {RING_SQUARES * side:.2f} mm.",
            f"Cut out the circle; it stands {_CUT_MM:g} mm outside the bore. Lay the card on the base face,",
            "print outward, metal showing all round, arrow to the exhaust; flat. Photograph from below.",
        )
        return CardPrint(
            title=f"portmap ring card, bore {self.bore_mm:g} mm",
            page_mm=self.page_mm,
            origin_page_mm=self.origin_page_mm,
            squares_mm=_blacks(self.squares(), side),
            markers_mm=tuple((n, x, y, self.marker_mm) for n, (x, y) in self.markers().items()),
            captions=(
                Caption(text="exhaust", place_mm=(2.2, radius - 7.0), size_mm=_WORDS_MM, blue=True),
                *_lines(words, (-reach, -reach - 6.0)),
            ),
            paths_mm=(
                tuple((float(cut * np.cos(t)), float(cut * np.sin(t))) for t in turn),
                notch,
            ),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class StripCard:
    """A chessboard that is rolled to lie on the wall.

    Parameters
    ----------
    bore_mm : float
        That it was made for.
    height_mm : float
        Of the strip.
    thickness_mm : float
        Of the paper.
    columns, rows : int
        Squares round the bore, and up.
    square_mm : float
        Side of a square as printed.
    page_mm, origin_page_mm : tuple of float
        Sheet; where x = 0 on the lower edge lies on it.
    """

    bore_mm: float
    height_mm: float
    thickness_mm: float
    columns: int
    rows: int
    square_mm: float
    page_mm: tuple[float, float]
    origin_page_mm: tuple[float, float]

    @property
    def low_mm(self) -> float:
        """Return the height of the lowest squares above the strip's lower edge."""
        return (self.height_mm - self.rows * self.square_mm) / 2

    @property
    def marker_mm(self) -> float:
        """Return the side of a marker."""
        return self.square_mm * _MARKER_SHARE

    def squares(self) -> NDArray[np.int64]:
        """Return the column and row of each square, row by row, shape (K, 2); column 0 begins at x = 0."""
        half = self.columns // 2
        row, column = np.mgrid[: self.rows, -half:half].reshape(2, -1)
        return np.asarray(np.stack([column, row], axis=1))

    def markers(self) -> dict[int, tuple[float, float]]:
        """Return where each marker's upper left corner stands, (x, y) [mm], by number."""
        found = _numbered("strip", self.bore_mm, self.squares(), self.square_mm)
        return {number: (x, y + self.low_mm) for number, (x, y) in found.items()}

    def corners(self) -> Floats:
        """Return the usable chessboard corners, (x, y) [mm], shape (K, 2); none at the seam."""
        return np.asarray(_usable(self.squares()) * self.square_mm + [0.0, self.low_mm])

    def printed(self) -> CardPrint:
        """Return all that is printed on the card."""
        half, side = self.columns / 2 * self.square_mm, self.square_mm
        squares = tuple((x, y + self.low_mm, size) for x, y, size in _blacks(self.squares(), side))
        edge = (
            (-half, 0.0),
            (half + _TAB_MM, 0.0),
            (half + _TAB_MM, self.height_mm),
            (-half, self.height_mm),
        )
        words = (
            f"portmap strip card for a bore of {self.bore_mm:g} mm, paper {self.thickness_mm:g} mm thick."
            " Print at 100 %, nothing scaled;",
            f"the strip without its tab is {2 * half:.2f} mm long. Cut along the blue line. Roll it with the"
            " print inside, the tab under the other end,",
            "the ends of the chessboard touching. Let it spring against the wall, mark 0 at the exhaust's"
            " centre, its lower edge level.",
        )
        return CardPrint(
            title=f"portmap strip card, bore {self.bore_mm:g} mm",
            page_mm=self.page_mm,
            origin_page_mm=self.origin_page_mm,
            squares_mm=squares,
            markers_mm=tuple((n, x, y, self.marker_mm) for n, (x, y) in self.markers().items()),
            captions=(
                Caption(text="0", place_mm=(0.6, self.height_mm + 1.4), size_mm=_WORDS_MM, blue=True),
                Caption(text="tab", place_mm=(half + 0.6, self.height_mm / 2), size_mm=_WORDS_MM, blue=True),
                *_lines(words, (-half, -5.0)),
            ),
            paths_mm=((*edge, edge[0]), ((0.0, self.height_mm), (0.0, self.height_mm + 4.0))),
        )


def _lines(words: tuple[str, ...], start_mm: tuple[float, float]) -> tuple[Caption, ...]:
    x, y = start_mm
    return tuple(
        Caption(text=line, place_mm=(x, y - k * _LINE_MM), size_mm=_WORDS_MM) for k, line in enumerate(words)
    )


def _blacks(squares: NDArray[np.int64], side: float) -> tuple[tuple[float, float, float], ...]:
    return tuple(
        (side * int(column), side * int(row), side) for column, row in squares if (column + row) % 2 == 0
    )


def _numbered(
    kind: Literal["ring", "strip"], bore_mm: float, squares: NDArray[np.int64], side: float
) -> dict[int, tuple[float, float]]:
    first, last = MARKER_RANGES[kind]
    count, rim = last - first + 1, side * (1 - _MARKER_SHARE) / 2
    start = round(bore_mm / _STEP_MM) % count
    white = squares[(squares.sum(axis=1)) % 2 == 1]
    return {
        first + (start + k) % count: (side * int(column) + rim, side * (int(row) + 1) - rim)
        for k, (column, row) in enumerate(white)
    }


def _usable(squares: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the corners, in squares, round which all four squares are printed."""
    there = {(int(column), int(row)) for column, row in squares}
    return np.array(
        [
            (column, row)
            for column, row in sorted(there, key=lambda at: (at[1], at[0]))
            if {(column - 1, row), (column, row - 1), (column - 1, row - 1)} <= there
        ],
        np.int64,
    ).reshape(-1, 2)


def bore_of_start(kind: Literal["ring", "strip"], start: int) -> tuple[float, ...]:
    """Return the bores whose card of a kind begins its numbers so far into their range.

    Parameters
    ----------
    kind : {'ring', 'strip'}
    start : int
        How far from the first number of the range.

    Returns
    -------
    tuple of float
        Bores in steps of half a millimetre, smallest first.

    Examples
    --------
    >>> bore_of_start("ring", 92), bore_of_start("ring", 50)
    ((46.0, 96.0), (25.0, 75.0, 125.0))
    """
    first, last = MARKER_RANGES[kind]
    count = last - first + 1
    steps = range(round(_LEAST_BORE_MM / _STEP_MM), round(_MOST_BORE_MM / _STEP_MM) + 1)
    return tuple(step * _STEP_MM for step in steps if step % count == start)


def _checked(bore_mm: float) -> float:
    if not _LEAST_BORE_MM <= bore_mm <= _MOST_BORE_MM:
        raise QuantityError(
            f"there is no card for a bore of {bore_mm:g} mm",
            where="--bore",
            remedy=f"cards are for {_LEAST_BORE_MM:g} to {_MOST_BORE_MM:g} mm",
        )
    return bore_mm


def _sheet(width_mm: float, height_mm: float, what: str) -> tuple[float, float]:
    for sheet in _SHEETS.values():
        if width_mm + 8 <= sheet[0] and height_mm + 8 <= sheet[1]:
            return sheet
    raise QuantityError(
        f"{what} needs {width_mm:.0f} × {height_mm:.0f} mm, more than A3",
        remedy="take a smaller bore or height",
    )


@cache
def ring_card(bore_mm: float) -> RingCard:
    """Return the ring card for a bore.

    Parameters
    ----------
    bore_mm : float
        Bore [mm], 20 to 130.

    Returns
    -------
    RingCard

    Raises
    ------
    QuantityError
        If there is no card for that bore.

    Examples
    --------
    >>> card = ring_card(46.0)
    >>> round(card.square_mm, 3), len(card.markers()), len(card.corners())
    (4.8, 84, 116)
    """
    radius = _checked(bore_mm) / 2
    square = max((radius + _RIM_MM) / _HOLE_SQUARES, (radius + _LEAST_BAND_MM) / (RING_SQUARES / 2))
    side = RING_SQUARES * square
    page = _sheet(max(side, 120.0), side + 22.0, "the ring")
    return RingCard(
        bore_mm=bore_mm, square_mm=square, page_mm=page, origin_page_mm=(page[0] / 2, page[1] / 2 + 8.0)
    )


@cache
def strip_card(
    bore_mm: float, *, height_mm: float = 20.0, thickness_mm: float = PAPER_THICKNESS_MM
) -> StripCard:
    """Return the strip card for a bore.

    The strip bends about the middle of its thickness, which lies t/2 inside the wall: its full turn is
    2π(R − t/2) long as printed.

    Parameters
    ----------
    bore_mm : float
        Bore [mm], 20 to 130.
    height_mm : float, optional
        Of the strip [mm].
    thickness_mm : float, optional
        Of the paper [mm].

    Returns
    -------
    StripCard

    Raises
    ------
    QuantityError
        If there is no card for that bore, or not so high or so thick.

    Examples
    --------
    >>> card = strip_card(46.0)
    >>> card.columns, card.rows, round(card.square_mm, 3)
    (28, 3, 5.15)
    """
    radius = _checked(bore_mm) / 2
    if not 0 <= thickness_mm <= 1:
        raise QuantityError(
            f"paper {thickness_mm:g} mm thick", where="--paper-thickness", remedy="give 0 to 1 mm"
        )
    turn = 2 * math.pi * (radius - thickness_mm / 2)
    columns = 2 * round(turn / _SQUARE_MM / 2)
    first, last = MARKER_RANGES["strip"]
    square = turn / columns
    rows = math.floor((height_mm - 2.0) / square)
    if rows < 2:
        raise QuantityError(
            f"a strip {height_mm:g} mm high holds no two rows of squares",
            where="--height",
            remedy=f"make it at least {math.ceil(20 * square + 20) / 10:g} mm high",
        )
    most = 2 * (last - first + 1) // columns
    rows = min(rows, most)
    page = _sheet(turn + _TAB_MM, height_mm + 26.0, "the strip")
    return StripCard(
        bore_mm=bore_mm,
        height_mm=height_mm,
        thickness_mm=thickness_mm,
        columns=columns,
        rows=rows,
        square_mm=square,
        page_mm=page,
        origin_page_mm=((page[0] - _TAB_MM) / 2, page[1] / 2),
    )


def ring_places(
    places_mm: ArrayLike, *, seat: Seat = "base", seat_height_mm: float = 0.0, thickness_mm: float = 0.0
) -> Floats:
    """Return where places on a ring card stand in the bore's frame.

    Parameters
    ----------
    places_mm : array_like of shape (N, 2)
        On the card [mm].
    seat : {'base', 'deck'}, optional
        The face that the card lies on, printed side away from the cylinder: read from below on the base
        face, from above on the deck.
    seat_height_mm : float, optional
        Of that face above the base face [mm].
    thickness_mm : float, optional
        Of the paper [mm]; the print is on its far side.

    Returns
    -------
    ndarray of shape (N, 3)
        (X, Y, Z) [mm].

    Examples
    --------
    >>> ring_places([[3.0, 30.0]])
    array([[30.,  3.,  0.]])
    >>> ring_places([[3.0, 30.0]], seat="deck", seat_height_mm=62.0)
    array([[30., -3., 62.]])
    """
    right, up = np.asarray(places_mm, np.float64).reshape(-1, 2).T
    side = 1.0 if seat == "base" else -1.0
    height = np.full_like(right, seat_height_mm - side * thickness_mm)
    return np.stack([up, side * right, height], axis=1)


def strip_places(
    card: StripCard, places_mm: ArrayLike, *, low_mm: float = 0.0, bore_mm: float | None = None
) -> Floats:
    """Return where places on a rolled strip stand in the bore's frame.

    Parameters
    ----------
    card : StripCard
    places_mm : array_like of shape (N, 2)
        On the strip [mm].
    low_mm : float, optional
        Height of its lower edge above the base face [mm].
    bore_mm : float, optional
        In which it lies; that it was printed for unless told [mm].

    Returns
    -------
    ndarray of shape (N, 3)
        (X, Y, Z) [mm]; the printed side lies one thickness inside the wall.

    Examples
    --------
    >>> strip_places(strip_card(46.0), [[0.0, 5.0]], low_mm=2.0).round(3)
    array([[22.9, -0. ,  7. ]])
    """
    along, up = np.asarray(places_mm, np.float64).reshape(-1, 2).T
    radius = (bore_mm or card.bore_mm) / 2
    turn = along / (radius - card.thickness_mm / 2)
    inside = radius - card.thickness_mm
    return np.stack([inside * np.cos(turn), -inside * np.sin(turn), up + low_mm], axis=1)
