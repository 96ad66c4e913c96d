"""PNG files that stand beside a scaled image and belong to it: their names, and how they are read.

The image's sidecar names each: ``source[what]["image"]``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.load import load_picture
from portmap.picture.scaled import ScaledImage

__all__ = ["ANEW", "picture_beside", "read_beside"]

ANEW = "unroll the photos anew"


def picture_beside(path: Path | str, what: str) -> Path:
    """Return where a picture of another kind stands beside a scaled image.

    Parameters
    ----------
    path : Path or str
        The scaled image.
    what : str

    Returns
    -------
    Path

    Examples
    --------
    >>> picture_beside("left/wall.png", "coverage").as_posix()
    'left/wall-coverage.png'
    """
    place = Path(path)
    return place.with_name(f"{place.stem}-{what}.png")


def read_beside(
    path: Path | str, image: ScaledImage, what: str, *, times: int = 1
) -> NDArray[np.uint8] | None:
    """Return a grey picture that stands beside a scaled image.

    Parameters
    ----------
    path : Path or str
        The scaled image.
    image : ScaledImage
        What was read from there.
    what : str
    times : int, optional
        Of the image's height that the picture has.

    Returns
    -------
    ndarray of shape (times·M, N) and dtype uint8, or None
        None if the image's sidecar speaks of none.

    Raises
    ------
    PictureError
        If the file is missing or of another size.
    """
    stated = image.source.get(what)
    if not isinstance(stated, dict) or not isinstance(stated.get("image"), str):
        return None
    place = Path(path).parent / Path(stated["image"]).name
    try:
        pixels = load_picture(place).pixels
    except PictureError as error:
        raise PictureError(error.message, where=error.where, remedy=ANEW) from None
    rows, columns = image.pixels.shape[:2]
    if pixels.shape[:2] != (times * rows, columns):
        raise PictureError("does not fit the wall image", where=str(place), remedy=ANEW)
    return np.ascontiguousarray(pixels[:, :, 0])
