"""A scaled image as a screen gets it: small enough to send, with its places still known.

The whole image stays for measuring; the copy is for the eye and for a corner that is put by hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError

__all__ = ["LONGEST_PX", "ScreenCopy", "screen_copy"]

LONGEST_PX = 2400
QUALITY = 90  # of 100: edges keep their place, grain goes


@dataclass(frozen=True, kw_only=True, slots=True)
class ScreenCopy:
    """A JPEG of a picture and how its pixels relate to the whole picture's.

    Parameters
    ----------
    jpeg : bytes
    width_px, height_px : int
        Of the copy.
    times : float
        Pixels of the whole picture in one of the copy's, each way; 1 if it was not made smaller. The outer
        corners of both pictures are one place.
    """

    jpeg: bytes
    width_px: int
    height_px: int
    times: float


def screen_copy(pixels: NDArray[np.uint8], *, longest_px: int = LONGEST_PX) -> ScreenCopy:
    """Return a copy of a picture for the screen.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    longest_px : int, optional
        Greatest side of the copy.

    Returns
    -------
    ScreenCopy

    Raises
    ------
    PictureError
        If it cannot be packed.

    Examples
    --------
    >>> copy = screen_copy(np.zeros((3000, 4000, 3), np.uint8))
    >>> copy.width_px, copy.height_px, round(copy.times, 4)
    (2400, 1800, 1.6667)
    """
    rows, columns = pixels.shape[:2]
    times = max(1.0, max(rows, columns) / longest_px)
    small: NDArray[np.uint8] = pixels
    if times > 1.0:
        size = (round(columns / times), round(rows / times))
        small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    done, packed = cv2.imencode(
        ".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    if not done:
        raise PictureError("the picture could not be packed for the screen", remedy="take a smaller one")
    return ScreenCopy(
        jpeg=bytes(packed.tobytes()),
        width_px=int(small.shape[1]),
        height_px=int(small.shape[0]),
        times=columns / small.shape[1],
    )
