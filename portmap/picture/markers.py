"""Square markers found in a picture: the one place where OpenCV's marker detector is called.

A marker is a black square with a pattern of 5 × 5 modules that codes its number, from OpenCV's predefined
dictionary of 1,000. Corners come as (column, row) [px] with pixel centres at integers.

OpenCV finds the squares. Their numbers are looked up here, all at once: OpenCV 5.0 compares each square with
each of the 4,000 turned codes, which takes some 2 ms a square and with 400 squares ten times as long as all
the rest. OpenCV changed the shapes of what it returns between its versions 4 and 5, and gives None for
nothing; everything here has one shape whatever the version.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DICTIONARY_SIZE",
    "MODULES",
    "SEARCH_SIDE_PX",
    "Sighting",
    "marker_modules",
    "markers_in",
    "searched_markers",
]

DICTIONARY_SIZE = 1000
SEARCH_SIDE_PX = 1800  # long side of the picture in which markers are looked for first
MODULES = 7  # 5 coded, and a black border of one all round
_CODED = MODULES - 2
_LEAST_CONTRAST = 12.0  # of 255, between a marker's black and white
_BORDER_SLIPS = 2  # of 24 border modules that glare or a shadow may have turned


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sighting:
    """Markers seen in one picture.

    Parameters
    ----------
    ids : ndarray of shape (K,)
        Numbers in the dictionary; one number may stand twice if it was seen twice.
    corners_px : ndarray of shape (K, 4, 2)
        Corners (column, row): the marker's own top left, top right, bottom right, bottom left, whichever
        way the picture is turned.
    """

    ids: NDArray[np.int64]
    corners_px: NDArray[np.float64]


@cache
def _dictionary() -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


def marker_modules(number: int) -> NDArray[np.bool_]:
    """Return the pattern of a marker, its black border included.

    Parameters
    ----------
    number : int
        0 to 999.

    Returns
    -------
    ndarray of shape (7, 7)
        True where black; row 0 is the marker's top.

    Examples
    --------
    >>> marker_modules(0)[0].all()
    np.True_
    """
    image = np.asarray(_dictionary().generateImageMarker(number, MODULES, borderBits=1))
    return image.reshape(MODULES, MODULES) < 128


@cache
def _codes() -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return all codes that are read as a marker, rising, with its number and its quarter turns.

    One module may be wrong: any two turned markers of the dictionary differ in more than two.
    """
    white = np.stack([~marker_modules(n)[1:-1, 1:-1] for n in range(DICTIONARY_SIZE)])
    slips = np.vstack([np.zeros(_CODED**2, bool), np.eye(_CODED**2, dtype=bool)])
    codes, numbers, turns = [], [], []
    for turn in range(4):
        # a pattern seen turned clockwise by `turn` quarters
        plain = np.rot90(white, -turn, axes=(1, 2)).reshape(DICTIONARY_SIZE, -1)
        codes.append(_packed(plain[:, None] ^ slips).ravel())
        numbers.append(np.repeat(np.arange(DICTIONARY_SIZE), len(slips)))
        turns.append(np.full(DICTIONARY_SIZE * len(slips), turn))
    code = np.concatenate(codes)
    order = np.argsort(code)
    return code[order], np.concatenate(numbers)[order], np.concatenate(turns)[order]


def _packed(bits: NDArray[np.bool_]) -> NDArray[np.int64]:
    return np.asarray(bits.astype(np.int64) @ (1 << np.arange(_CODED**2, dtype=np.int64)))


def _squares_in(gray: NDArray[np.uint8], *, thorough: bool, side_px: float | None) -> NDArray[np.float64]:
    """Return everything that is outlined like a dark square, corners clockwise, shape (K, 4, 2)."""
    settings = cv2.aruco.DetectorParameters()
    # The window of the threshold follows the picture: it must span a marker's border but not a marker.
    middle = max(9, max(gray.shape) // 90 | 1) if side_px is None else max(5, round(0.6 * side_px) | 1)
    settings.adaptiveThreshWinSizeMin = max(5, middle // 3 | 1) if thorough else middle
    settings.adaptiveThreshWinSizeMax = 3 * middle if thorough else middle
    settings.adaptiveThreshWinSizeStep = max(2, middle // 3)
    settings.minMarkerPerimeterRate = 0.015 if thorough else 0.02
    settings.maxMarkerPerimeterRate = 0.5
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    one = cv2.aruco.Dictionary(np.ascontiguousarray(_dictionary().bytesList[:1]), _CODED, 0)
    named, _, others = cv2.aruco.ArucoDetector(one, settings).detectMarkers(gray)
    found = [np.asarray(square, np.float64).reshape(4, 2) for square in (*named, *others)]
    return np.stack(found) if found else np.zeros((0, 4, 2))


def markers_in(gray: NDArray[np.uint8], *, thorough: bool = False, side_px: float | None = None) -> Sighting:
    """Return the markers seen in a grey picture.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The picture.
    thorough : bool, optional
        Try more threshold windows: finds markers in poor light, at several times the cost.
    side_px : float, optional
        About how long a marker's side is, if known.

    Returns
    -------
    Sighting
        Empty arrays if none was seen. Corners are good to about a pixel.

    Examples
    --------
    >>> markers_in(np.full((60, 90), 255, np.uint8)).corners_px.shape
    (0, 4, 2)
    """
    squares = _squares_in(gray, thorough=thorough, side_px=side_px)
    if len(squares) == 0:
        return Sighting(ids=np.zeros(0, np.int64), corners_px=squares)
    level = _module_levels(gray, squares)
    border = np.ones((MODULES, MODULES), bool)
    border[1:-1, 1:-1] = False
    black, inner = level[:, border], level[:, 1:-1, 1:-1].reshape(len(level), -1)
    dark = np.median(black, axis=1)
    # the second brightest, lest a spark of glare decide
    bright = np.partition(inner, -2, axis=1)[:, -2]
    limit = ((dark + bright) / 2)[:, None]
    fair = (bright - dark > _LEAST_CONTRAST) & ((black > limit).sum(axis=1) <= _BORDER_SLIPS)
    code = _packed(inner > limit)
    codes, numbers, turns = _codes()
    place = np.minimum(np.searchsorted(codes, code), len(codes) - 1)
    known = fair & (codes[place] == code)
    corners = (
        np.stack(
            [
                np.roll(square, -turn, axis=0)
                for square, turn in zip(squares[known], turns[place[known]], strict=True)
            ]
        )
        if known.any()
        else np.zeros((0, 4, 2))
    )
    return Sighting(ids=numbers[place[known]], corners_px=corners)


def searched_markers(
    gray: NDArray[np.uint8], *, least: int, plenty: int, nearly_all: int
) -> tuple[Sighting, bool]:
    """Return the markers of a photo, and whether it had to be turned over to see them.

    Each next try costs more and is made only if the ones before saw too little.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The photo in full size.
    least, plenty, nearly_all : int
        How many markers make a card likely; end the search; end it at the first try.

    Returns
    -------
    Sighting
        In the photo's pixels; if it was turned over, in those of the photo turned right.
    bool
        Whether the photo is mirrored, as some front cameras and mirror scopes make it.

    Examples
    --------
    >>> blank = np.full((60, 90), 255, np.uint8)
    >>> sighting, mirrored = searched_markers(blank, least=6, plenty=9, nearly_all=12)
    >>> len(sighting.ids), mirrored
    (0, False)
    """
    factor = max(1, round(max(gray.shape) / SEARCH_SIDE_PX))  # whole, which makes reducing ten times faster
    small = gray
    if factor > 1:
        size = (gray.shape[1] // factor, gray.shape[0] // factor)
        whole = gray[: size[1] * factor, : size[0] * factor]
        small = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
    best = _scaled(markers_in(small), factor)
    if len(best.ids) >= nearly_all:
        return best, False
    if len(best.ids) >= least:
        corners = best.corners_px
        side = float(np.median(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)))
        best = max(best, markers_in(gray, side_px=side), key=lambda seen: len(seen.ids))
    if len(best.ids) < plenty:
        best = max(best, markers_in(gray, thorough=True), key=lambda seen: len(seen.ids))
    if len(best.ids) >= plenty:
        return best, False
    turned = _scaled(markers_in(np.ascontiguousarray(small[:, ::-1])), factor)
    return (turned, True) if len(turned.ids) > 2 * len(best.ids) else (best, False)


def _scaled(sighting: Sighting, factor: int) -> Sighting:
    return Sighting(ids=sighting.ids, corners_px=(sighting.corners_px + 0.5) * factor - 0.5)


def _module_levels(gray: NDArray[np.uint8], squares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean grey of each module of each square, shape (K, 7, 7).

    A square is taken for bilinear between its corners: at its size perspective moves no module by a tenth.
    """
    spots = (np.arange(MODULES)[:, None] + np.array([0.35, 0.5, 0.65])).ravel() / MODULES
    across, down = np.meshgrid(spots, spots)
    shares = np.stack([(1 - across) * (1 - down), across * (1 - down), across * down, (1 - across) * down])
    points = np.einsum("cij,kcx->kijx", shares, squares).astype(np.float32)
    rows = points.reshape(-1, len(spots), 2)
    seen = cv2.remap(gray, rows[:, :, 0], rows[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    levels = np.asarray(seen, np.float64).reshape(len(squares), MODULES, 3, MODULES, 3)
    return np.asarray(levels.mean(axis=(2, 4)))
