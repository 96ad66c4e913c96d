"""The job's pictures, made small enough for a build sheet.

Each comes out upright, at most `LONGEST_PX` along its longer side, as a JPEG of the pixels alone: what the
camera noted (place, time, device) does not travel with the sheet. What is no photo, or is missing, is named
with the reason in its place. Of a JPEG only as much is decoded as the small picture needs.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

from portmap.errors import PictureError, PortmapError
from portmap.job_pictures import pictures_of, stored_name
from portmap.job_schema import Job, LogEntry, PictureEntry
from portmap.log import shown_time
from portmap.sheet_parts import Photo

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["LONGEST_PX", "PictureBytes", "photo_numbers", "sheet_photos", "small_photo"]

LONGEST_PX = 1000  # 90 mm of paper at 280 dots an inch
QUALITY = 82
JPEG_START = b"\xff\xd8\xff"

PictureBytes = Callable[[PictureEntry], bytes]


def photo_numbers(job: Job) -> dict[str, int]:
    """Return the number of each of a job's pictures on its sheet.

    Parameters
    ----------
    job : Job

    Returns
    -------
    dict of str to int
        From 1, by stored name.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> photo_numbers(job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...             "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}))
    {}
    """
    return {stored_name(picture): number for number, picture in enumerate(pictures_of(job), 1)}


def sheet_photos(job: Job, picture_bytes: PictureBytes) -> tuple[Photo, ...]:
    """Return a job's pictures for its sheet.

    Parameters
    ----------
    job : Job
    picture_bytes : callable
        Gives the bytes of a picture that the job names.

    Returns
    -------
    tuple of Photo
        In their order; one that cannot be shown says why.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> sheet_photos(job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...             "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}), lambda one: b"")
    ()
    """
    noted: dict[str, LogEntry] = {}
    for entry in job.log:
        for picture in entry.pictures:
            noted.setdefault(stored_name(picture), entry)
    found = []
    for number, picture in enumerate(pictures_of(job), 1):
        words = _words(picture, noted.get(stored_name(picture)))
        try:
            jpeg, size = small_photo(picture_bytes(picture), name=picture.name)
        except PortmapError as error:
            found.append(Photo(number=number, name=picture.name, words=words, trouble=error.message))
            continue
        found.append(Photo(number=number, name=picture.name, words=words, jpeg=jpeg, size_px=size))
    return tuple(found)


def _words(picture: PictureEntry, entry: LogEntry | None) -> str:
    if entry is None:
        return picture.note or ""
    who = f", {entry.by}" if entry.by else ""
    said = picture.note or entry.text
    return f"{shown_time(entry.at)}{who}{f': {said}' if said else ''}"


def small_photo(content: bytes, *, name: str) -> tuple[bytes, tuple[int, int]]:
    """Return a small upright JPEG of a photo.

    Parameters
    ----------
    content : bytes
        JPEG, PNG, TIFF, HEIC, WebP or AVIF.
    name : str
        What to call it in messages.

    Returns
    -------
    bytes
    tuple of int
        Width and height [pixels].

    Raises
    ------
    PictureError
        If it is none of these, too large, cut off or damaged.

    Examples
    --------
    >>> small_photo(b"a film", name="a.mp4")
    Traceback (most recent call last):
    portmap.errors.PictureError: a.mp4: not a picture that can be read; give JPEG, ...
    """
    from PIL import Image

    from portmap.picture.load import picture_from_bytes

    image = _scaled_jpeg(content, name) if content.startswith(JPEG_START) else None
    if image is None:
        image = Image.fromarray(picture_from_bytes(content, name=name).pixels)
    image.thumbnail((LONGEST_PX, LONGEST_PX))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=QUALITY)
    return stream.getvalue(), image.size


def _scaled_jpeg(content: bytes, name: str) -> Image.Image | None:
    """Return a JPEG decoded at the least scale that will do; None if it is of an unusual kind."""
    from PIL import ImageOps
    from PIL.JpegImagePlugin import JpegImageFile

    from portmap.picture.load import FILE_LIMIT_BYTES, PIXEL_LIMIT

    try:
        image = JpegImageFile(io.BytesIO(content))
    except Exception:  # a damaged header: the careful reader says what is wrong with it
        return None
    columns, rows = image.size
    if image.mode not in ("RGB", "L") or columns * rows > PIXEL_LIMIT or len(content) > FILE_LIMIT_BYTES:
        return None
    try:
        share = LONGEST_PX / max(columns, rows)
        image.draft("RGB", (round(columns * share), round(rows * share)))
        image.load()
        return ImageOps.exif_transpose(image).convert("RGB")
    except Exception as error:  # Pillow states no set of exceptions for damaged files
        raise PictureError(
            "the picture is damaged or cut off", where=name, remedy="copy it anew from the camera"
        ) from error
