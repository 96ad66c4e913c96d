"""What each photo of a bore shows of the wall, kept beside the wall image that all of them make together.

A chamfer and what lies behind it are seen beside their place, by each photo to another side: two photos tell
the wall's end from a true edge behind it where one leaves both open, and where the wall image mixes two it
shows two edges. So a wall image keeps each photo's own wall.

The file is one grey PNG beside the image, the photos' walls one below the other, each of its size; 0 where a
photo does not show the wall, or so much worse than another that it would not be asked. The image's sidecar
names it, ``source["photos"]["image"]``, and tells from where each was taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.beside import ANEW, picture_beside, read_beside
from portmap.picture.bore_start import camera_place
from portmap.picture.load import PIXEL_LIMIT
from portmap.picture.scaled import ScaledImage
from portmap.picture.wall_join import Joined
from portmap.picture.wall_pixels import wall_pixels
from portmap.picture.wall_sight import fineness
from portmap.picture.wall_view import View, WallFrame, spread_out

__all__ = ["PhotoWall", "photo_walls", "photos_beside", "photos_document", "photos_pixels", "read_photos"]

Floats = NDArray[np.float64]

_LEAST_FINE = 0.08  # of how finely the best photo shows a place, squared
_FARTHEST_MM = 10_000.0  # a camera


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PhotoWall:
    """What one photo shows of the wall.

    Parameters
    ----------
    name : str
    gray : ndarray of shape (M, N) and dtype uint8
        Of the wall image's size, as bright as it; 0 where the photo does not show the wall.
    eye_mm : ndarray of shape (3,)
        Where the camera stood, in the bore's frame.
    """

    name: str
    gray: NDArray[np.uint8]
    eye_mm: Floats


def photo_walls(
    views: Sequence[View], frame: WallFrame, wall: Joined, seen: NDArray[np.bool_]
) -> tuple[PhotoWall, ...]:
    """Return each photo's own wall.

    Parameters
    ----------
    views : sequence of View
    frame : WallFrame
    wall : Joined
        What they make together.
    seen : ndarray of shape (M, N) and dtype bool
        Where it shows the wall.

    Returns
    -------
    tuple of PhotoWall
        In the order of the views; of more than make a file that can be read those of which the wall has most.
        None of a single photo.
    """
    most = PIXEL_LIMIT // (frame.rows * frame.columns)
    if len(views) < 2 or most < 2:
        return ()
    radius, whole = frame.bore_mm / 2, (slice(0, frame.rows), slice(0, frame.columns))
    eyes = [camera_place(view.turn, view.shift_mm) for view in views]
    fine = np.stack(
        [
            fineness(eye, radius, wall.nodes.places_mm) * (one.worth > 0)
            for eye, one in zip(eyes, wall.shown, strict=True)
        ]
    )
    worth = (fine > _LEAST_FINE * fine.max(axis=0)).astype(np.float32).reshape(-1, *wall.nodes.shape)
    kept = sorted(np.argsort(-wall.share.sum(axis=(1, 2)), kind="stable")[:most])
    made = []
    for view, there, gain, eye in ((views[k], worth[k], wall.gains[k], eyes[k]) for k in kept):
        pixels = wall_pixels([view], frame, there[None], [gain], wall.nodes)
        gray = np.maximum(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), 1)
        shown = seen & (spread_out(there, wall.nodes, *whole) > 0.5)
        made.append(PhotoWall(name=view.name, gray=np.where(shown, gray, 0).astype(np.uint8), eye_mm=eye))
    return tuple(made)


def photos_beside(path: Path | str) -> Path:
    """Return where the photos' own walls of a wall image stand.

    Parameters
    ----------
    path : Path or str
        The wall image.

    Returns
    -------
    Path

    Examples
    --------
    >>> photos_beside("left/wall.png").as_posix()
    'left/wall-photos.png'
    """
    return picture_beside(path, "photos")


def photos_pixels(photos: Sequence[PhotoWall]) -> NDArray[np.uint8]:
    """Return the photos' walls one below the other.

    Parameters
    ----------
    photos : sequence of PhotoWall
        One or more.

    Returns
    -------
    ndarray of shape (P·M, N) and dtype uint8
    """
    return np.vstack([photo.gray for photo in photos])


def photos_document(photos: Sequence[PhotoWall], path: Path | str) -> dict[str, Any]:
    """Return what the sidecar says of the photos' walls.

    Parameters
    ----------
    photos : sequence of PhotoWall
    path : Path or str
        The wall image.

    Returns
    -------
    dict
        ``image``, the file's name, and of each photo, in their order, ``name`` and ``eye_mm``.
    """
    return {
        "image": photos_beside(path).name,
        "walls": [
            {"name": photo.name, "eye_mm": [round(float(v), 4) for v in photo.eye_mm]} for photo in photos
        ],
    }


def read_photos(path: Path | str, image: ScaledImage) -> tuple[PhotoWall, ...]:
    """Return the photos' own walls that stand beside a wall image.

    Parameters
    ----------
    path : Path or str
        The wall image.
    image : ScaledImage
        What was read from there.

    Returns
    -------
    tuple of PhotoWall
        Empty if the image's sidecar speaks of none.

    Raises
    ------
    PictureError
        If the file is missing or does not fit, or what the sidecar says makes no sense.
    """
    stated = image.source.get("photos")
    if not isinstance(stated, dict):
        return ()
    try:
        names = [str(one["name"]) for one in stated["walls"]]
        eyes = np.array([one["eye_mm"] for one in stated["walls"]], np.float64)
    except (KeyError, TypeError, ValueError):
        names, eyes = [], np.zeros((0, 3))
    if eyes.shape != (len(names), 3) or not len(eyes) or not (np.abs(eyes) < _FARTHEST_MM).all():
        raise PictureError(
            "the sidecar does not say where its photos were taken", where=str(path), remedy=ANEW
        )
    pixels = read_beside(path, image, "photos", times=len(names))
    if pixels is None:
        return ()
    rows, columns = image.pixels.shape[:2]
    walls = pixels.reshape(len(names), rows, columns)
    return tuple(
        PhotoWall(name=name, gray=np.ascontiguousarray(wall), eye_mm=eye)
        for name, wall, eye in zip(names, walls, eyes, strict=True)
    )
