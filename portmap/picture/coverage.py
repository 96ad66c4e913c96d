"""What of a wall image is seen: a grey PNG beside it, of the same size.

255 where the wall is seen and its place is sure, less where it is doubtful (1: by half a millimetre and more,
95 %), 0 where no photo shows the wall. The image's sidecar names the file: ``source["coverage"]["image"]``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from portmap.picture.beside import picture_beside, read_beside
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
    return picture_beside(path, "coverage")


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
    return read_beside(path, image, "coverage")
