"""Corners of a printed chessboard whose white squares hold markers, found from the markers near each.

A marker tells where the corners of its own square must be, by its own perspective. There the picture is
searched for the middle of the saddle. Nothing is asked of the lens, nor of the board's being wholly in view.

Places on the board are (x, y) [mm], x to the right and y up; pixels are (column, row), centres at integers.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.markers import Sighting

__all__ = [
    "AGREE_SQUARES",
    "FoundCorners",
    "MarkedBoard",
    "agreeing_markers",
    "carried",
    "corners_by_markers",
    "perspective_of",
    "saddles",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_LEAST_MARKERS = 3
AGREE_SQUARES = 0.35  # how far a neighbour may lie from where a marker expects it
_LEAST_CONTRAST = 12.0  # of 255, between a corner's dark and light quarters
# Half of the windows in which a saddle is searched, in squares: the markers must stay outside. Where they do
# not, as in a square that is seen at a slant, the two windows find different places.
_WINDOWS, _STEADY_PX = (0.09, 0.13), 0.25
_LEAST_PITCH_PX = 6.0  # of a square: less holds no saddle


class MarkedBoard(Protocol):
    """A chessboard with a marker in each white square; a square is black if column + row is even."""

    @property
    def square_mm(self) -> float:
        """Return the side of a square."""
        ...

    @property
    def marker_mm(self) -> float:
        """Return the side of a marker."""
        ...

    def markers(self) -> dict[int, tuple[float, float]]:
        """Return where each marker's upper left corner stands, (x, y) [mm], by number."""
        ...

    def corners(self) -> Floats:
        """Return the inner corners, (x, y) [mm]."""
        ...


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FoundCorners:
    """Corners found in one picture.

    Parameters
    ----------
    markers : int
        How many markers were of use.
    places_mm : ndarray of shape (N, 2)
        Where each corner stands on the board.
    pixels_px : ndarray of shape (N, 2)
        Where it was seen.
    """

    markers: int
    places_mm: Floats
    pixels_px: Floats


def corners_by_markers(gray: NDArray[np.uint8], board: MarkedBoard, sighting: Sighting) -> FoundCorners:
    """Return the corners that the markers in a picture lead to.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The picture.
    board : MarkedBoard
    sighting : Sighting
        Markers seen in this picture.

    Returns
    -------
    FoundCorners
        Empty if there are none.
    """
    agreed = agreeing_markers(board, sighting)
    none = FoundCorners(markers=len(agreed), places_mm=np.empty((0, 2)), pixels_px=np.empty((0, 2)))
    if len(agreed) < _LEAST_MARKERS:
        return none
    guess, places, pitch = _expected(board, agreed)
    if len(guess) == 0:
        return none
    half = np.clip(np.round(_WINDOWS[0] * pitch), 2, 15)
    found = saddles(gray, guess, half)
    wide = saddles(gray, guess, np.maximum(np.round(_WINDOWS[1] * pitch), half + 1))
    near = np.hypot(*(found - guess).T) < np.maximum(2.0, 0.15 * pitch)
    with np.errstate(invalid="ignore"):  # both infinite at the picture's edge
        steady = np.hypot(*(wide - found).T) < _STEADY_PX
    good = near & steady & (pitch >= _LEAST_PITCH_PX)
    good[good] = _saddle_like(gray, found[good], board, places[good], agreed)
    return FoundCorners(markers=len(agreed), places_mm=places[good], pixels_px=found[good])


def saddles(gray: NDArray[np.uint8], guess_px: Floats, half_px: Floats) -> Floats:
    """Return the middles of the saddles near where they are expected.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The picture.
    guess_px : ndarray of shape (N, 2)
        (column, row) [px].
    half_px : ndarray of shape (N,)
        Half the side of the window searched round each [px]; 2 to 16 are used.

    Returns
    -------
    ndarray of shape (N, 2)
        Infinite where the window does not lie in the picture.

    Examples
    --------
    >>> board = np.kron([[0, 255], [255, 0]], np.ones((20, 20))).astype(np.uint8)
    >>> saddles(board, np.array([[20.0, 19.0]]), np.array([5.0])).round(2)
    array([[19.5, 19.5]])
    """
    found = np.asarray(guess_px).astype(np.float32)
    half = np.clip(np.round(half_px).astype(int), 2, 16)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    margin = (half + 2.0)[:, None]
    inside = np.all((found > margin) & (found < np.array(gray.shape[::-1]) - 1 - margin), axis=1)
    for size in np.unique(half[inside]):
        chosen = inside & (half == size)
        some = np.ascontiguousarray(found[chosen].reshape(-1, 1, 2))
        cv2.cornerSubPix(gray, some, (int(size), int(size)), (-1, -1), criteria)
        found[chosen] = some.reshape(-1, 2)
    found[~inside] = np.inf
    return found.astype(np.float64)


def _standing(board: MarkedBoard, sighting: Sighting) -> dict[int, Floats]:
    """Return the corners in the picture of each of the board's markers; what was seen twice is left out."""
    known, seen = board.markers(), defaultdict(list)
    for number, corners in zip(sighting.ids.tolist(), sighting.corners_px, strict=True):
        if number in known:
            seen[number].append(corners)
    return {number: found[0] for number, found in seen.items() if len(found) == 1}


def agreeing_markers(board: MarkedBoard, sighting: Sighting) -> dict[int, Floats]:
    """Return the markers with a neighbour across a corner where they expect it.

    Parameters
    ----------
    board : MarkedBoard
    sighting : Sighting
        Markers seen in a picture; what was seen twice is left out.

    Returns
    -------
    dict of int to ndarray of shape (4, 2)
        Corners in the picture [px], by the marker's number.
    """
    standing, places = _standing(board, sighting), board.markers()
    half, side = board.marker_mm / 2, board.square_mm
    middles = {number: np.array([x + half, top - half]) for number, (x, top) in places.items()}
    cells = {number: _cell(middle, side) for number, middle in middles.items()}
    at = {cell: number for number, cell in cells.items()}
    agreed: dict[int, Floats] = {}
    for number, corners in standing.items():
        matrix = perspective_of(places[number], 2 * half, corners)
        column, row = cells[number]
        reach = AGREE_SQUARES * np.sqrt(2) * np.linalg.norm(corners[1] - corners[0]) * side / (2 * half)
        for step in ((2, 2), (2, -2), (-2, 2), (-2, -2)):
            other = at.get((column + step[0], row + step[1]))
            if other is None or other not in standing:
                continue
            miss = standing[other].mean(axis=0) - carried(matrix, middles[other][None])[0]
            if np.linalg.norm(miss) < reach:
                agreed[number] = corners
                break
    return agreed


def _cell(place: Floats, side: float) -> tuple[int, int]:
    """Return a place in half squares, rounded."""
    column, row = np.rint(place / side * 2).astype(int).tolist()
    return column, row


def perspective_of(place_mm: tuple[float, float], marker_mm: float, corners: Floats) -> Floats:
    """Return the perspective from the board's plane to the picture, as one marker shows it.

    Parameters
    ----------
    place_mm : tuple of float
        Of the marker's upper left corner on the board.
    marker_mm : float
        Its side.
    corners : ndarray of shape (4, 2)
        Where its corners were seen [px].

    Returns
    -------
    ndarray of shape (3, 3)
        From mm on the board to pixels.

    Examples
    --------
    >>> seen = np.array([[20.0, 10], [40, 10], [40, 30], [20, 30]])
    >>> carried(perspective_of((1.0, 3.0), 2.0, seen), np.array([[2.0, 2.0]])).round(6)
    array([[30., 20.]])
    """
    (x, top), side = place_mm, marker_mm
    square = np.array([[x, top], [x + side, top], [x + side, top - side], [x, top - side]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(square, corners.astype(np.float32)), np.float64)


def carried(matrix: Floats, places: Floats) -> Floats:
    """Return places as a perspective shows them.

    Parameters
    ----------
    matrix : ndarray of shape (3, 3)
    places : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N, 2)

    Examples
    --------
    >>> carried(np.diag([2.0, 2.0, 1.0]), np.array([[1.0, 3.0]]))
    array([[2., 6.]])
    """
    seen = np.column_stack([places, np.ones(len(places))]) @ matrix.T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def _expected(board: MarkedBoard, agreed: dict[int, Floats]) -> tuple[Floats, Floats, Floats]:
    """Return where each corner must be, its place on the board, and its square's least side in pixels."""
    known, side = board.markers(), board.square_mm
    rim = (side - board.marker_mm) / 2
    votes: dict[tuple[int, int], list[Floats]] = defaultdict(list)
    sizes: dict[tuple[int, int], list[float]] = defaultdict(list)
    for number, corners in agreed.items():
        x, top = known[number][0] - rim, known[number][1] + rim
        around = np.array([[x, top], [x + side, top], [x + side, top - side], [x, top - side]])
        seen = carried(perspective_of(known[number], board.marker_mm, corners), around)
        sides = seen - np.roll(seen, 1, axis=0)
        area = abs(float(np.sum(seen[:, 0] * np.roll(seen[:, 1], -1) - seen[:, 1] * np.roll(seen[:, 0], -1))))
        size = area / 2 / float(np.linalg.norm(sides, axis=1).max())  # its height, however it is slanted
        for place, pixel in zip(around, seen, strict=True):
            votes[_cell(place, side)].append(pixel)
            sizes[_cell(place, side)].append(size)
    usable = [(cell, place) for place in board.corners() if (cell := _cell(place, side)) in votes]
    guess = np.array([np.mean(votes[cell], axis=0) for cell, _ in usable]).reshape(-1, 2)
    pitch = np.array([min(sizes[cell]) for cell, _ in usable])
    return guess, np.array([place for _, place in usable]).reshape(-1, 2), pitch


def _saddle_like(
    gray: NDArray[np.uint8], found: Floats, board: MarkedBoard, places: Floats, agreed: dict[int, Floats]
) -> Bools:
    """Return which points have dark and light quarters where the board has them."""
    side, known = board.square_mm, board.markers()
    numbers = list(agreed)
    middles = np.array([known[n] for n in numbers]) + np.array([0.5, -0.5]) * board.marker_mm
    offsets = 0.55 * (side - board.marker_mm) / 2 * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    matrices = [perspective_of(known[number], board.marker_mm, agreed[number]) for number in numbers]
    spots = np.empty((len(found), 4, 2))
    for k, (pixel, place) in enumerate(zip(found, places, strict=True)):
        matrix = matrices[int(np.argmin(np.hypot(*(middles - place).T)))]
        spots[k] = carried(matrix, place + offsets) - carried(matrix, place[None]) + pixel
    if len(found) == 0:
        return np.empty(0, bool)
    across, down = spots[:, :, 0].astype(np.float32), spots[:, :, 1].astype(np.float32)
    seen = cv2.remap(gray, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = seen.reshape(-1, 4).astype(np.float64)
    even = (np.rint(places / side).astype(int).sum(axis=1) % 2 == 0)[:, None]
    dark = np.where(even, level[:, [0, 2]], level[:, [1, 3]])  # up right and down left, or the others
    light = np.where(even, level[:, [1, 3]], level[:, [0, 2]])
    step = light.min(axis=1) - dark.max(axis=1)
    span = light.mean(axis=1) - dark.mean(axis=1)
    return np.asarray((step > 0.3 * span) & (span > _LEAST_CONTRAST))
