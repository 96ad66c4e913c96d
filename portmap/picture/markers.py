"""Square markers found in a picture: the one place where OpenCV's detector is called.

A marker is a black square with a pattern of 5 × 5 modules that codes its number, from OpenCV's
predefined dictionary of 1,000. Corners come as (column, row) [px] with pixel centres at integers.

OpenCV changed the shapes of what it returns between its versions 4 and 5, and gives None for
nothing; everything here has one shape whatever the version.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DICTIONARY_SIZE", "MODULES", "Sighting", "marker_modules", "markers_in"]

DICTIONARY_SIZE = 1000
MODULES = 7  # 5 coded, and a black border of one all round


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


def markers_in(gray: NDArray[np.uint8], *, thorough: bool = False) -> Sighting:
    """Return the markers seen in a grey picture.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The picture.
    thorough : bool, optional
        Try more threshold windows: finds markers in poor light, at three times the cost.

    Returns
    -------
    Sighting
        Empty arrays if none was seen. Corners are good to about half a pixel.

    Examples
    --------
    >>> markers_in(np.full((60, 90), 255, np.uint8)).corners_px.shape
    (0, 4, 2)
    """
    settings = cv2.aruco.DetectorParameters()
    side = max(gray.shape)
    # Windows follow the picture's size: a module of a card that fills the picture is side/400 or so.
    small, large = max(5, side // 130 | 1), max(11, side // 45 | 1)
    settings.adaptiveThreshWinSizeMin = 3 if thorough else small
    settings.adaptiveThreshWinSizeMax = 2 * large if thorough else small
    settings.adaptiveThreshWinSizeStep = max(1, (2 * large - 3) // 6) if thorough else 1
    settings.minMarkerPerimeterRate = 0.02 if thorough else 0.03
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(gray)
    if ids is None or len(ids) == 0:
        return Sighting(ids=np.zeros(0, np.int64), corners_px=np.zeros((0, 4, 2)))
    return Sighting(
        ids=np.asarray(ids, np.int64).reshape(-1),
        corners_px=np.stack([np.asarray(c, np.float64).reshape(4, 2) for c in corners]),
    )
