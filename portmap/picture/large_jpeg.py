"""A large JPEG's pixels, upright, in the memory of one copy.

Pillow holds four bytes a pixel beside the three that are wanted, and one more copy while it turns a photo
upright: of 50 million pixels 550 MB at once. OpenCV decodes straight into memory that is there already, and
what has been turned is given back band by band. Both use libjpeg-turbo and give the same pixels.

Pixels are (row, column), RGB.
"""

from __future__ import annotations

import math
import mmap
import tempfile
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["SMALL", "upright_jpeg"]

SMALL = 8  # a JPEG's own blocks: a decoder gives one pixel for each without decoding the rest

_BAND_ROWS = 256
_ALIKE = 3.0  # grey levels, the mean: rounding is below 1, a picture that was not decoded far off
# Exif 2.32, tag Orientation: quarter turns to the left that put the picture upright, then left for right
_TURNS = {
    2: (0, True),
    3: (2, False),
    4: (2, True),
    5: (3, True),
    6: (3, False),
    7: (1, True),
    8: (1, False),
}


def upright_jpeg(
    data: bytes, size_px: tuple[int, int], orientation: int | None, *, small: NDArray[np.uint8]
) -> NDArray[np.uint8] | None:
    """Return the pixels of a JPEG of three colours.

    Parameters
    ----------
    data : bytes
        The whole file.
    size_px : tuple of int
        Columns and rows as its header states them, before it is turned [px].
    orientation : int or None
        Its Exif tag.
    small : ndarray of shape (ceil(rows / 8), ceil(columns / 8), 3) and dtype uint8
        The same picture, an eighth as large, as another decoder sees it.

    Returns
    -------
    ndarray of shape (M, N, 3) and dtype uint8, or None
        None if OpenCV sees another picture in it, or none.

    Examples
    --------
    >>> upright_jpeg(b"no picture", (24, 16), None, small=np.full((2, 3, 3), 200, np.uint8)) is None
    True
    """
    columns, rows = size_px
    room = _room(rows * columns * 3)
    lying = np.frombuffer(room, np.uint8).reshape(rows, columns, 3)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "photo.jpg"
        place.write_bytes(data)
        try:
            found = cv2.imread(str(place), lying, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
        except cv2.error:  # of another size than its header said
            return None
    if found is not lying or not _alike(lying, small):
        return None
    quarters, mirrored = _TURNS.get(orientation or 1, (0, False))
    if not quarters and not mirrored:
        return lying
    shape = (columns, rows, 3) if quarters % 2 else (rows, columns, 3)
    upright = np.frombuffer(_room(rows * columns * 3), np.uint8).reshape(shape)
    back = np.rot90(upright[:, ::-1] if mirrored else upright, -quarters)
    page, row_bytes, given_back = mmap.PAGESIZE, columns * 3, 0
    for top in range(0, rows, _BAND_ROWS):
        bottom = min(rows, top + _BAND_ROWS)
        back[top:bottom] = lying[top:bottom]
        done = math.floor(bottom * row_bytes / page) * page
        if hasattr(room, "madvise") and done > given_back:
            room.madvise(mmap.MADV_DONTNEED, given_back, done - given_back)
            given_back = done
    return upright


def _room(size: int) -> mmap.mmap:
    """Return memory that is taken page by page as it is written, and can be given back so."""
    if not hasattr(mmap, "MAP_PRIVATE"):  # as on Windows
        return mmap.mmap(-1, size)
    room = mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    if hasattr(mmap, "MADV_NOHUGEPAGE"):
        room.madvise(mmap.MADV_NOHUGEPAGE)
    return room


def _alike(pixels: NDArray[np.uint8], small: NDArray[np.uint8]) -> bool:
    """Return whether a picture is the same as one an eighth as large."""
    rows, columns = (side // SMALL for side in pixels.shape[:2])
    if small.shape[0] < rows or small.shape[1] < columns:
        return False
    whole = pixels[: rows * SMALL, : columns * SMALL]
    less = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.int16)
    return bool(np.abs(less - small[:rows, :columns]).mean() <= _ALIKE)
