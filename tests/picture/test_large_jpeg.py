"""A large JPEG gives the pixels that Pillow gives, upright, and is refused where Pillow refuses it."""

import io

import numpy as np
import pytest
from PIL import ExifTags, Image

from portmap.errors import PictureError
from portmap.picture import load
from portmap.picture.large_jpeg import SMALL, upright_jpeg

SIZE = (451, 301)  # of no whole number of blocks
BAND = 256


def drawn(columns: int = SIZE[0], rows: int = SIZE[1]) -> Image.Image:
    """A picture in which no corner and no colour is like another, with grain."""
    x, y = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    grain = np.random.default_rng(8).normal(0, 12, (rows, columns, 1))
    colours = np.stack([60 + 150 * x, 40 + 170 * y, 200 - 120 * x * y], axis=-1) + grain
    return Image.fromarray(np.clip(colours, 0, 255).astype(np.uint8))


def jpeg(image: Image.Image, *, orientation: int | None = None, **options: object) -> bytes:
    exif = Image.Exif()
    if orientation is not None:
        exif[ExifTags.Base.Orientation] = orientation
    stream = io.BytesIO()
    image.save(stream, "JPEG", exif=exif, **options)
    return stream.getvalue()


def both_ways(monkeypatch: pytest.MonkeyPatch, data: bytes) -> tuple[load.Picture, load.Picture]:
    """The picture as Pillow decodes it, and as a large one is decoded."""
    whole = load.picture_from_bytes(data, name="small")
    monkeypatch.setattr(load, "_LARGE_PIXELS", 1)
    return whole, load.picture_from_bytes(data, name="large")


@pytest.fixture
def no_pillow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pillow's own pixels are not taken for a large picture."""

    def refused(*_: object) -> None:
        raise AssertionError("decoded by Pillow")

    monkeypatch.setattr(load, "_LARGE_PIXELS", 1)
    monkeypatch.setattr(load, "_rgb", refused)


@pytest.mark.parametrize("orientation", [None, *range(10)])
def test_every_orientation_comes_out_as_pillow_turns_it(monkeypatch, orientation):
    whole, large = both_ways(monkeypatch, jpeg(drawn(), orientation=orientation, quality=90))
    np.testing.assert_array_equal(large.pixels, whole.pixels)
    assert large.pixels.shape == ((451, 301, 3) if orientation in (5, 6, 7, 8) else (301, 451, 3))
    assert not large.pixels.flags.writeable
    assert large.sha256 == whole.sha256


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("subsampling", [0, 1, 2], ids=["4:4:4", "4:2:2", "4:2:0"])
def test_every_kind_of_jpeg_gives_pillows_pixels(monkeypatch, subsampling, progressive):
    data = jpeg(drawn(), quality=85, subsampling=subsampling, progressive=progressive)
    whole, large = both_ways(monkeypatch, data)
    np.testing.assert_array_equal(large.pixels, whole.pixels)


@pytest.mark.usefixtures("no_pillow")
@pytest.mark.parametrize("orientation", [1, 6])
def test_a_large_picture_is_not_decoded_twice(orientation):
    data = jpeg(drawn(rows=3 * BAND + 7), orientation=orientation, quality=90)
    assert load.picture_from_bytes(data, name="large").pixels.size == 451 * (3 * BAND + 7) * 3


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_other_modes_stay_with_pillow(monkeypatch, mode):
    whole, large = both_ways(monkeypatch, jpeg(drawn().convert(mode), quality=90))
    np.testing.assert_array_equal(large.pixels, whole.pixels)


@pytest.mark.parametrize("missing", [1, 3, 50, 5_000])
def test_a_large_picture_that_is_cut_off_is_refused(monkeypatch, missing):
    monkeypatch.setattr(load, "_LARGE_PIXELS", 1)
    with pytest.raises(PictureError, match="damaged or cut off"):
        load.picture_from_bytes(jpeg(drawn(), quality=90)[:-missing], name="cut")


def test_a_large_picture_with_broken_tables_is_refused(monkeypatch):
    data = bytearray(jpeg(drawn(), quality=90))
    table = data.index(b"\xff\xc4")
    data[table + 5 : table + 21] = b"\xff" * 16
    monkeypatch.setattr(load, "_LARGE_PIXELS", 1)
    with pytest.raises(PictureError, match="damaged or cut off"):
        load.picture_from_bytes(bytes(data), name="broken")


@pytest.mark.parametrize(
    "small",
    [
        pytest.param(np.zeros((38, 57, 3), np.uint8), id="another picture"),
        pytest.param(np.zeros((3, 3, 3), np.uint8), id="of another size"),
    ],
)
def test_a_picture_that_two_decoders_see_differently_is_not_taken(small):
    assert upright_jpeg(jpeg(drawn()), SIZE, None, small=small) is None


def test_a_header_that_says_another_size_is_not_taken():
    less = np.asarray(drawn().resize((SIZE[0] // SMALL + 1, SIZE[1] // SMALL + 1)))
    assert upright_jpeg(jpeg(drawn()), (SIZE[0] - 1, SIZE[1]), None, small=less) is None
