"""The corners of a calibration board in a photo: the printed board card, or a plain chessboard.

Places on the board are (x, y) [mm], x to the right and y up as the board is looked at. A plain chessboard is
the same after half a turn and in a mirror, so its origin is some corner of it, and whether a picture of it is
mirrored cannot be told; the board card's markers tell both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.board_card import BoardCard, board_card
from portmap.picture.card import MARKER_RANGES, card_of_marker
from portmap.picture.marked_corners import corners_by_markers, saddles
from portmap.picture.markers import SEARCH_SIDE_PX, searched_markers

__all__ = ["BoardView", "Chessboard", "board_view"]

Floats = NDArray[np.float64]

_LEAST_MARKERS, _PLENTY, _NEARLY_ALL = 4, 30, 75  # of the 88 on a card
_LEAST_CORNERS = 12
_LEAST_COUNT, _MOST_COUNT = 3, 60  # inner corners along a side of a chessboard
_WINDOW = 0.3  # of a square: half the window in which a plain chessboard's saddle is searched
_TAKE = "take it so that the board is sharp, evenly lit and large"


@dataclass(frozen=True, kw_only=True, slots=True)
class Chessboard:
    """A plain chessboard.

    Parameters
    ----------
    columns, rows : int
        Inner corners across and down; 3 to 60.
    square_mm : float
        Side of a square.

    Raises
    ------
    QuantityError
        If there can be no such board.
    """

    columns: int
    rows: int
    square_mm: float

    def __post_init__(self) -> None:
        """Refuse what is no board."""
        if not all(_LEAST_COUNT <= n <= _MOST_COUNT for n in (self.columns, self.rows)):
            raise QuantityError(
                f"a chessboard of {self.columns} by {self.rows} inner corners cannot be looked for",
                where="chessboard",
                remedy=f"count the corners where four squares meet, {_LEAST_COUNT} to {_MOST_COUNT} a side",
            )
        if not 0 < self.square_mm < 1e5:
            raise QuantityError(
                f"{self.square_mm:g} mm is no side of a square",
                where="square",
                remedy="measure ten squares and give a tenth of it",
            )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BoardView:
    """A board seen in one photo.

    Parameters
    ----------
    name : str
        The photo.
    size_px : tuple of int
        Columns and rows of the picture.
    places_mm : ndarray of shape (N, 2)
        Where the corners stand on the board.
    pixels_px : ndarray of shape (N, 2)
        Where they were seen, (column, row); in a mirrored picture, after it was turned right.
    mirrored : bool
        Whether the picture is mirrored, as scopes with a mirror make it.
    """

    name: str
    size_px: tuple[int, int]
    places_mm: Floats
    pixels_px: Floats
    mirrored: bool = False


def board_view(
    gray: NDArray[np.uint8],
    *,
    name: str,
    chessboard: Chessboard | None = None,
    square_mm: float | None = None,
) -> BoardView:
    """Return the board's corners in a photo.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The photo in full size.
    name : str
        What to call it.
    chessboard : Chessboard, optional
        The board, if it is a plain one; the printed board card unless told.
    square_mm : float, optional
        Side of the board card's squares as measured; which of the cards it is does not matter then.

    Returns
    -------
    BoardView

    Raises
    ------
    PictureError
        If the board is not in the photo, or too little of it.
    """
    if chessboard is not None:
        return _chessboard_view(gray, name, chessboard)
    return _card_view(gray, name, square_mm)


def _card_view(gray: NDArray[np.uint8], name: str, square_mm: float | None) -> BoardView:
    sighting, mirrored = searched_markers(gray, least=_LEAST_MARKERS, plenty=_PLENTY, nearly_all=_NEARLY_ALL)
    if mirrored:
        gray = np.ascontiguousarray(gray[:, ::-1])
    low, high = MARKER_RANGES["board"]
    count = int(((sighting.ids >= low) & (sighting.ids <= high)).sum())
    if count < _LEAST_MARKERS:
        others = [kind for k in sighting.ids if (kind := card_of_marker(int(k))) not in (None, "board")]
        if len(others) > max(count, _LEAST_MARKERS):
            raise PictureError(
                f"this is the {others[0]} card, not the board",
                where=name,
                remedy="print the board: portmap card board",
            )
        raise PictureError(
            f"no board seen ({count} of its markers)",
            where=name,
            remedy=f"{_TAKE}; of a plain chessboard tell the inner corners: --chessboard",
        )
    card: BoardCard = board_card("A4")
    if square_mm is not None:
        card = replace(card, square_mm=square_mm)
    found = corners_by_markers(gray, card, sighting)
    if len(found.places_mm) < _LEAST_CORNERS:
        raise PictureError(
            f"{found.markers} of the board's markers were seen, but only {len(found.places_mm)} corners are"
            " sharp",
            where=name,
            remedy=_TAKE,
        )
    return BoardView(
        name=name,
        size_px=(gray.shape[1], gray.shape[0]),
        places_mm=found.places_mm,
        pixels_px=found.pixels_px,
        mirrored=mirrored,
    )


def _chessboard_view(gray: NDArray[np.uint8], name: str, board: Chessboard) -> BoardView:
    pattern = (board.columns, board.rows)
    rough = _rough_corners(gray, pattern)
    if rough is None:
        raise PictureError(
            f"no chessboard of {board.columns} by {board.rows} inner corners seen",
            where=name,
            remedy="the whole board must be in view, with a white rim; count only corners where four"
            " squares meet",
        )
    grid = rough.reshape(board.rows, board.columns, 2)
    across, down = np.diff(grid, axis=1), np.diff(grid, axis=0)
    pitch = np.full(grid.shape[:2], np.inf)
    for step, one, other in ((across, np.s_[:, :-1], np.s_[:, 1:]), (down, np.s_[:-1], np.s_[1:])):
        length = np.linalg.norm(step, axis=2)
        pitch[one] = np.minimum(pitch[one], length)
        pitch[other] = np.minimum(pitch[other], length)
    found = saddles(gray, rough, _WINDOW * pitch.ravel())
    good = np.hypot(*(found - rough).T) < np.maximum(2.0, 0.25 * pitch.ravel())
    if good.sum() < max(_LEAST_CORNERS, 0.6 * len(good)) and len(good) >= _LEAST_CORNERS:
        raise PictureError(
            f"only {int(good.sum())} of {len(good)} corners are sharp", where=name, remedy=_TAKE
        )
    places = np.stack(np.meshgrid(np.arange(board.columns), np.arange(board.rows)), axis=-1).reshape(
        -1, 2
    ) * float(board.square_mm)
    # y is to run up as the board is looked at: the grid may come either way round
    across_mean, down_mean = across.mean(axis=(0, 1)), down.mean(axis=(0, 1))
    if across_mean[0] * down_mean[1] - across_mean[1] * down_mean[0] > 0:
        places[:, 1] = (board.rows - 1) * board.square_mm - places[:, 1]
    return BoardView(
        name=name,
        size_px=(gray.shape[1], gray.shape[0]),
        places_mm=places[good],
        pixels_px=found[good],
    )


def _rough_corners(gray: NDArray[np.uint8], pattern: tuple[int, int]) -> Floats | None:
    """Return the inner corners to a few pixels, from a reduced picture first."""
    factor = max(1, round(max(gray.shape) / SEARCH_SIDE_PX))
    small = gray
    if factor > 1:
        size = (gray.shape[1] // factor, gray.shape[0] // factor)
        whole = gray[: size[1] * factor, : size[0] * factor]
        small = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
    usual = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(small, pattern, flags=usual | cv2.CALIB_CB_FAST_CHECK)
    if not found:
        found, corners = cv2.findChessboardCornersSB(small, pattern, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found or corners is None:
        return None
    return np.asarray((np.asarray(corners, np.float64).reshape(-1, 2) + 0.5) * factor - 0.5)
