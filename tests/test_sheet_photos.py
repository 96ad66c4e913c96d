"""Photos on the build sheet: upright, small, without what the camera noted."""

import io

import numpy as np
import pillow_heif
import pytest
from PIL import ExifTags, Image

from portmap.errors import PictureError
from portmap.sheet_photos import LONGEST_PX, small_photo

LEVEL = 12  # of 255: what two rounds of JPEG do to a plain patch


def halves(size_px=(640, 400)) -> Image.Image:
    """Red on the left, blue on the right."""
    pixels = np.zeros((size_px[1], size_px[0], 3), np.uint8)
    pixels[:, : size_px[0] // 2, 0] = 230
    pixels[:, size_px[0] // 2 :, 2] = 230
    return Image.fromarray(pixels)


def saved(image: Image.Image, form: str, **options) -> bytes:
    stream = io.BytesIO()
    image.save(stream, form, **options)
    return stream.getvalue()


def shown(content: bytes, name: str = "photo") -> np.ndarray:
    jpeg, size = small_photo(content, name=name)
    image = Image.open(io.BytesIO(jpeg))
    assert image.format == "JPEG"
    assert image.size == size
    return np.asarray(image).astype(int)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_each_kind_of_photo_is_shown(form):
    pillow_heif.register_heif_opener()
    pixels = shown(saved(halves(), form))
    assert pixels.shape == (400, 640, 3)
    assert pixels[200, 100] == pytest.approx([230, 0, 0], abs=LEVEL)
    assert pixels[200, 540] == pytest.approx([0, 0, 230], abs=LEVEL)


@pytest.mark.parametrize("size", [(4000, 3000), (3000, 4000), (1001, 20), (3024, 4032)])
def test_a_large_photo_is_made_small_and_keeps_its_shape(size):
    _, (columns, rows) = small_photo(saved(halves(size), "JPEG"), name="large")
    assert max(columns, rows) == LONGEST_PX
    assert columns / rows == pytest.approx(size[0] / size[1], rel=0.03)


def test_a_photo_taken_on_its_side_stands_upright():
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6  # CIPA DC-008: the first row is the right-hand side
    pixels = shown(saved(halves(), "JPEG", exif=exif))
    assert pixels.shape == (640, 400, 3)
    assert pixels[100, 200] == pytest.approx([230, 0, 0], abs=LEVEL)


def test_what_the_camera_noted_does_not_travel():
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "made-up maker"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (46.0, 3.0, 0.0)
    jpeg, _ = small_photo(saved(halves(), "JPEG", exif=exif), name="a")
    assert b"made-up maker" not in jpeg
    assert b"Exif" not in jpeg
    assert dict(Image.open(io.BytesIO(jpeg)).getexif()) == {}


@pytest.mark.parametrize("mode", ["L", "CMYK", "1", "P", "LA", "RGBA"])
def test_unusual_pixels_are_shown(mode):
    form = "JPEG" if mode in ("L", "CMYK") else "PNG"
    assert shown(saved(halves().convert(mode), form)).shape == (400, 640, 3)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not a picture"),
        (b"%PDF-1.7", "not a picture"),
        (saved(halves(), "JPEG")[:900], "damaged or cut off"),
        (b"\xff\xd8\xff" + bytes(100), "damaged"),
        (saved(halves(), "PNG")[:300], "damaged"),
    ],
    ids=["nothing", "a document", "cut off", "no more than a beginning", "PNG cut off"],
)
def test_what_is_no_sound_photo_is_said(content, words):
    with pytest.raises(PictureError, match=words):
        small_photo(content, name="bad")
