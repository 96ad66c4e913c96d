"""Photos read safely, one path for every format: JPEG, PNG, TIFF, HEIC, WebP and AVIF, through Pillow.

A large JPEG alone goes another way to the same pixels, `portmap.picture.large_jpeg`, which needs less memory.

A picture comes out upright (its orientation tag honoured), as RGB of 8 bits, rows first. Of what the camera
noted only the angle of view is kept: no place, no time, no device.

A file is judged before it is decoded: by its length, its first bytes and the size that its header states.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps

from portmap.errors import Notice, PictureError
from portmap.picture.large_jpeg import SMALL, upright_jpeg

__all__ = ["FILE_LIMIT_BYTES", "PIXEL_LIMIT", "Picture", "load_picture", "picture_from_bytes"]

FILE_LIMIT_BYTES = 256 * 1024 * 1024
PIXEL_LIMIT = 120_000_000
_LEAST_SIDE_PX = 16
_STRIP_ROWS = 256
_LARGE_PIXELS = 24_000_000  # from here on a JPEG's second copy would be 100 MB and more
_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "AVIF", "HEIF")
_KINDS = "JPEG, PNG, TIFF, HEIC, WebP or AVIF"

pillow_heif.register_heif_opener()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Picture:
    """A photo as it is to be measured.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, upright; read-only.
    name : str
        The file's name, without its folder.
    sha256 : str
        Of the file, in hex.
    focal_35mm_mm : float or None
        Focal length [mm] of the same angle of view on a 36 × 24 mm frame, as the camera noted it.
    notices : tuple of Notice
        What makes the picture doubtful.
    """

    pixels: NDArray[np.uint8]
    name: str
    sha256: str
    focal_35mm_mm: float | None = None
    notices: tuple[Notice, ...] = ()


def load_picture(path: Path | str) -> Picture:
    """Return the picture in a file.

    Parameters
    ----------
    path : Path or str
        JPEG, PNG, TIFF, HEIC, WebP or AVIF; at most 256 MiB and 120 million pixels.

    Returns
    -------
    Picture
        Upright, RGB. Of several frames or pages the first.

    Raises
    ------
    PictureError
        If the file is missing, too large, cut off, damaged or not such a picture.

    Examples
    --------
    >>> load_picture("no-such.jpg")
    Traceback (most recent call last):
    portmap.errors.PictureError: no-such.jpg: there is no such file; check the name
    """
    place = Path(path)
    try:
        with place.open("rb") as stream:
            data = stream.read(FILE_LIMIT_BYTES + 1)
    except FileNotFoundError:
        raise PictureError("there is no such file", where=str(place), remedy="check the name") from None
    except OSError as error:
        raise PictureError(
            f"cannot be read ({error.strerror or error})",
            where=str(place),
            remedy="name a picture that you may read",
        ) from None
    try:
        return picture_from_bytes(data, name=place.name)
    except PictureError as error:
        raise PictureError(error.message, where=str(place), remedy=error.remedy) from None


def picture_from_bytes(data: bytes, *, name: str) -> Picture:
    """Return the picture that the bytes of a file hold.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        What to call it in messages.

    Returns
    -------
    Picture
        As `load_picture`.

    Raises
    ------
    PictureError
        As `load_picture`.

    Examples
    --------
    >>> picture_from_bytes(b"not a picture at all", name="a")
    Traceback (most recent call last):
    portmap.errors.PictureError: a: not a picture that can be read; give JPEG, PNG, TIFF, HEIC, WebP or AVIF
    """
    if len(data) > FILE_LIMIT_BYTES:
        raise PictureError(
            f"the file is larger than {FILE_LIMIT_BYTES // 1024**2} MiB",
            where=name,
            remedy="give the photo itself, or a JPEG of it",
        )
    image = _opened(data, name)
    _check_size(image, name)
    notices: list[Notice] = []
    frames = _frame_count(image)
    if frames > 1 and image.format != "MPO":  # phones store helper pictures behind a JPEG's own
        notices.append(
            Notice(code="several-frames", message=f"{name} holds {frames} pictures; the first was taken.")
        )
    try:
        large = _large_jpeg(image, data, name)
        if large is None:
            image.load()
        focal = _focal_35mm(image)
        if large is None:
            ImageOps.exif_transpose(image, in_place=True)
        pixels = _rgb(image, name) if large is None else large
    except PictureError:
        raise
    except Exception as error:
        # Pillow and its decoders state no set of exceptions for damaged files, and raise a dozen kinds.
        raise PictureError(
            f"the picture is damaged or cut off ({_short(error)})",
            where=name,
            remedy="copy it anew from the camera",
        ) from None
    pixels.flags.writeable = False
    return Picture(
        pixels=pixels,
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        focal_35mm_mm=focal,
        notices=tuple(notices),
    )


def _opened(data: bytes, name: str) -> Image.Image:
    """Return the picture with its header read and nothing decoded.

    The plugins are asked directly: `Image.open` would also apply Pillow's own size limit, which warns about
    photos that are merely large and can only be changed for the whole process.
    """
    Image.init()
    for kind in _FORMATS:
        factory, accepts = Image.OPEN[kind]
        try:
            if accepts is not None and accepts(data[:16]) is not True:
                continue
            opened = factory(io.BytesIO(data), "")
        except Exception as error:
            raise PictureError(
                f"the header of this {kind} file is damaged ({_short(error)})",
                where=name,
                remedy="copy it anew from the camera",
            ) from None
        return opened
    raise PictureError("not a picture that can be read", where=name, remedy=f"give {_KINDS}")


def _check_size(image: Image.Image, name: str) -> None:
    columns, rows = image.size
    if columns * rows > PIXEL_LIMIT:
        raise PictureError(
            f"{columns} × {rows} pixels are more than the {PIXEL_LIMIT // 10**6} million that are read",
            where=name,
            remedy="take a smaller photo or scale it down",
        )
    if not min(columns, rows) >= _LEAST_SIDE_PX:
        raise PictureError(
            f"{columns} × {rows} pixels are too few to measure",
            where=name,
            remedy="give the photo in full size",
        )


def _frame_count(image: Image.Image) -> int:
    try:
        return int(getattr(image, "n_frames", 1))
    except Exception:  # a damaged chain of pages; the first may still be whole
        return 1


def _focal_35mm(image: Image.Image) -> float | None:
    try:
        value: Any = image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal = float(value)
    except Exception:  # what a camera noted may be broken where the picture itself is sound
        return None
    return focal if 5.0 <= focal <= 1000.0 else None


def _large_jpeg(image: Image.Image, data: bytes, name: str) -> NDArray[np.uint8] | None:
    """Return the upright pixels of a large JPEG; None where Pillow is to decode it."""
    columns, rows = image.size
    if image.format not in ("JPEG", "MPO") or image.mode != "RGB" or columns * rows < _LARGE_PIXELS:
        return None
    small = _opened(data, name)
    small.draft("RGB", (columns // SMALL, rows // SMALL))
    small.load()  # it is Pillow that says what is wrong with a file, by going through the whole of it
    orientation = image.getexif().get(ExifTags.Base.Orientation)
    return upright_jpeg(data, image.size, orientation, small=np.asarray(small))


def _rgb(image: Image.Image, name: str) -> NDArray[np.uint8]:
    mode = image.mode
    if mode.startswith("I;16"):
        deep = np.asarray(image).astype(np.uint16)
        gray = (deep >> 8).astype(np.uint8)
        return np.ascontiguousarray(np.broadcast_to(gray[:, :, None], (*gray.shape, 3)))
    if mode in ("I", "F"):
        raise PictureError(
            "numbers of 32 bits a pixel are no photo", where=name, remedy="save it with 8 or 16 bits a colour"
        )
    if mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        clear = image.convert("RGBA")
        white = Image.new("RGBA", clear.size, (255, 255, 255, 255))
        white.alpha_composite(clear)
        image = white
    if image.mode != "RGB":
        image = image.convert("RGB")
    columns, rows = image.size
    pixels = np.empty((rows, columns, 3), np.uint8)
    for top in range(0, rows, _STRIP_ROWS):  # a third of the time of one large copy, and less memory
        bottom = min(rows, top + _STRIP_ROWS)
        pixels[top:bottom] = np.asarray(image.crop((0, top, columns, bottom)))
    return pixels


def _short(error: Exception) -> str:
    words = " ".join(str(error).split())
    return (words[:80] or type(error).__name__).rstrip(".")
