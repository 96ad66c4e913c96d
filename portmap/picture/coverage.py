"""What of a wall image is seen: a grey PNG beside it, of the same size.

255 where the wall is seen and its place is sure, less where it is doubtful (1: by half a millimetre and more,
95 %), 0 where no photo shows the wall. The image's sidecar names the file: ``source["coverage"]["image"]``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.load import load_picture
from portmap.picture.scaled import ScaledImage

__all__ = ["coverage_beside", "read_coverage"]


def coverage_beside(path: Path | str) -> Path:
    """Return where the coverage of a wall image stands.

    Parameters
    ----------
    path : Path or str
        The wall image.

    Returns
    -------
    Path

    Examples
    --------
    >>> coverage_beside("left/wall.png").as_posix()
    'left/wall-coverage.png'
    """
    place = Path(path)
    return place.with_name(f"{place.stem}-coverage.png")


def read_coverage(path: Path | str, image: ScaledImage) -> NDArray[np.uint8] | None:
    """Return the coverage that stands beside a wall image.

    Parameters
    ----------
    path : Path or str
        The wall image.
    image : ScaledImage
        What was read from there.

    Returns
    -------
    ndarray of shape (M, N) and dtype uint8, or None
        None if the image's sidecar speaks of none: all of it is seen.

    Raises
    ------
    PictureError
        If the file is missing or of another size.
    """
    stated = image.source.get("coverage")
    if not isinstance(stated, dict) or not isinstance(stated.get("image"), str):
        return None
    place = Path(path).parent / Path(stated["image"]).name
    pixels = load_picture(place).pixels
    if pixels.shape[:2] != image.pixels.shape[:2]:
        raise PictureError(
            "is not of the size of the wall image",
            where=str(place),
            remedy="unroll the photos anew",
        )
    return np.ascontiguousarray(pixels[:, :, 0])
