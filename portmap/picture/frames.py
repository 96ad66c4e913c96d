"""Frames of a video of a bore, taken as photos: of each stretch of the video the sharpest.

A video is decoded once, frame by frame, on a reduced copy; only the frames that are kept stay in memory.
"""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.load import Picture

__all__ = ["FRAME_LIMIT", "frames_in", "is_video"]

# Else the decoder's own complaints stand on the terminal beside ours. Read when a video is first opened.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

FRAME_LIMIT = 6000
_FILE_LIMIT_BYTES = 2 * 1024**3
_PIXEL_LIMIT = 9_000_000
_KINDS = (".mp4", ".m4v", ".mov", ".avi", ".mkv")
_KEPT = 24
_LEAST_SIDE_PX = 120
_SMALL_PX = 480
_STILL = 0.25  # of the typical change between neighbours: the camera stood


def is_video(path: Path | str) -> bool:
    """Return whether a file's name is that of a video.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_video("scope.MP4"), is_video("bore.jpg")
    (True, False)
    """
    return Path(path).suffix.lower() in _KINDS


def frames_in(path: Path | str, *, most: int = _KEPT) -> list[Picture]:
    """Return the sharpest frames of a video, spread evenly over what it shows.

    The video is cut into stretches over which the picture changes by the same amount, so that a camera that
    stands still for a while does not take them all.

    Parameters
    ----------
    path : Path or str
        MP4, AVI or another kind that OpenCV decodes.
    most : int, optional
        How many frames are kept.

    Returns
    -------
    list of Picture
        Named by the file and the frame's number, from 1.

    Raises
    ------
    PictureError
        If it is missing, empty, too large, or holds no pictures that can be decoded.

    Examples
    --------
    >>> frames_in("no-such.mp4")
    Traceback (most recent call last):
    portmap.errors.PictureError: no-such.mp4: there is no such file; check the name
    """
    place = Path(path)
    if not place.is_file():
        raise PictureError("there is no such file", where=str(place), remedy="check the name")
    if place.stat().st_size == 0:
        raise PictureError("the video is empty", where=str(place), remedy="copy it again from the camera")
    if place.stat().st_size > _FILE_LIMIT_BYTES:
        raise PictureError(
            f"the video is larger than {_FILE_LIMIT_BYTES // 1024**3} GiB",
            where=str(place),
            remedy="cut it down to once round the bore",
        )
    change, sharp = _judged(place)
    chosen = _chosen(np.array(change), np.array(sharp), most)
    digest = _digest(place)
    return _decoded(place, chosen, digest)


def _opened(place: Path) -> cv2.VideoCapture:
    video = cv2.VideoCapture(str(place))
    if not video.isOpened():
        raise PictureError(
            "the video cannot be decoded",
            where=str(place),
            remedy="save it as MP4 (H.264) or AVI, or give frames of it as pictures",
        )
    return video


def _judged(place: Path) -> tuple[list[float], list[float]]:
    """Return for each frame how much it changed from the one before, and how sharp it is."""
    video = _opened(place)
    change: list[float] = []
    sharp: list[float] = []
    before: NDArray[np.uint8] | None = None
    try:
        while True:
            there, frame = video.read()
            if not there or frame is None:
                break
            if not sharp:
                _check_size(frame.shape[:2], place)
            if len(sharp) >= FRAME_LIMIT:
                raise PictureError(
                    f"the video has more than {FRAME_LIMIT} frames",
                    where=str(place),
                    remedy="cut it down to once round the bore",
                )
            gray = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
            factor = max(1, round(max(gray.shape) / _SMALL_PX))
            small = np.asarray(
                cv2.resize(
                    gray, (gray.shape[1] // factor, gray.shape[0] // factor), interpolation=cv2.INTER_AREA
                ),
                np.uint8,
            )
            change.append(0.0 if before is None else float(cv2.absdiff(small, before).mean()))
            sharp.append(float(cv2.Laplacian(gray, cv2.CV_16S).std()) / max(float(small.std()), 1.0))
            before = small
    finally:
        video.release()
    if not sharp:
        raise PictureError(
            "the video holds no frame that can be decoded",
            where=str(place),
            remedy="save it as MP4 (H.264) or AVI, or give frames of it as pictures",
        )
    return change, sharp


def _check_size(shape: tuple[int, int], place: Path) -> None:
    if shape[0] * shape[1] > _PIXEL_LIMIT:
        raise PictureError(
            f"frames of {shape[1]} × {shape[0]} pixels are too large",
            where=str(place),
            remedy="scale the video down to 4K or less",
        )
    if min(shape) < _LEAST_SIDE_PX:
        raise PictureError(
            f"frames of {shape[1]} × {shape[0]} pixels are too small to measure",
            where=str(place),
            remedy="film in a larger size",
        )


def _chosen(change: NDArray[np.float64], sharp: NDArray[np.float64], most: int) -> list[int]:
    """Return the numbers of the sharpest frames of stretches of equal change."""
    count = len(sharp)
    if count <= most:
        return list(range(count))
    typical = float(np.median(change[1:]))
    moved = (
        np.where(change < _STILL * typical, 0.0, np.minimum(change, 3 * typical)) if typical > 0 else change
    )
    along = np.cumsum(moved)
    if along[-1] <= 0:
        return [int(np.argmax(sharp))]
    stretch = np.minimum((along / along[-1] * most).astype(int), most - 1)
    kept = []
    for number in range(most):
        there = np.flatnonzero(stretch == number)
        if len(there):
            kept.append(int(there[np.argmax(sharp[there])]))
    return kept


def _digest(place: Path) -> str:
    with place.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _decoded(place: Path, chosen: list[int], digest: str) -> list[Picture]:
    video = _opened(place)
    wanted, found = set(chosen), []
    digits = max(2, math.ceil(math.log10(max(chosen) + 2)))
    try:
        for number in range(max(chosen) + 1):
            if number not in wanted:
                if not video.grab():
                    break
                continue
            there, frame = video.read()
            if not there or frame is None:
                break
            pixels = np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2RGB), np.uint8)
            pixels.flags.writeable = False
            found.append(
                Picture(pixels=pixels, name=f"{place.name} frame {number + 1:0{digits}d}", sha256=digest)
            )
    finally:
        video.release()
    return found
