"""Pictures read safely: every format and colour mode, orientation, limits, files that are not what they say.

Files are made by Pillow and pillow-heif, or by hand from the PNG and TIFF specifications.
"""

import hashlib
import io
import struct
import subprocess
import sys
import textwrap
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import ExifTags, Image

from portmap.errors import PictureError
from portmap.picture.load import PIXEL_LIMIT, load_picture, picture_from_bytes

LOSS = 6.0  # mean grey levels that a lossy format may be off on a smooth picture
FUZZ, LONG_FUZZ = 2_000, 10_000
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "AVIF", "HEIF")


def smooth(columns: int = 96, rows: int = 64) -> np.ndarray:
    """An oblong picture, dark red at the upper left, bright toward the right, green toward the foot."""
    x, y = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    return np.rint(np.stack([80 + 100 * x, 40 + 150 * y, 60 + 40 * x * y], axis=-1)).astype(np.uint8)


def packed(image: Image.Image, kind: str, **options: object) -> bytes:
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_comes_out_alike(kind):
    data = packed(Image.fromarray(smooth()), kind)
    picture = picture_from_bytes(data, name="x")
    assert picture.pixels.shape == (64, 96, 3)
    assert picture.pixels.dtype == np.uint8
    assert not picture.pixels.flags.writeable
    assert np.abs(picture.pixels.astype(float) - smooth()).mean() < LOSS
    assert picture.sha256 == hashlib.sha256(data).hexdigest()
    assert picture.notices == ()


@pytest.mark.parametrize(
    ("mode", "kind"),
    [
        ("L", "PNG"),
        ("1", "PNG"),
        ("P", "PNG"),
        ("LA", "PNG"),
        ("RGBA", "PNG"),
        ("CMYK", "JPEG"),
        ("CMYK", "TIFF"),
        ("YCbCr", "TIFF"),
    ],
)
def test_every_colour_mode_becomes_rgb(mode, kind):
    image = Image.fromarray(smooth()).convert(mode)
    picture = picture_from_bytes(packed(image, kind), name="x")
    expected = np.asarray(
        Image.fromarray(smooth()).convert("L" if mode in ("L", "LA", "1") else "RGB").convert("RGB")
    )
    assert picture.pixels.shape == (64, 96, 3)
    # one bit a pixel is dithered: only the mean is kept
    slack = 3 * LOSS if mode in ("P", "CMYK") else LOSS
    assert abs(picture.pixels.astype(float).mean() - expected.mean()) < slack
    if mode not in ("1", "P"):
        assert np.abs(picture.pixels.astype(float) - expected).mean() < slack


def test_sixteen_bits_keep_their_upper_eight():
    deep = np.linspace(0, 65535, 96 * 64).reshape(64, 96).astype(np.uint16)
    for kind in ("PNG", "TIFF"):
        picture = picture_from_bytes(packed(Image.fromarray(deep), kind), name="x")
        assert np.array_equal(picture.pixels[:, :, 1], (deep >> 8).astype(np.uint8))


def test_what_is_clear_becomes_white():
    image = Image.fromarray(np.dstack([smooth(), np.full((64, 96), 255, np.uint8)]))
    image.paste((10, 20, 30, 0), (20, 10, 50, 30))
    picture = picture_from_bytes(packed(image, "PNG"), name="x")
    assert (picture.pixels[10:30, 20:50] == 255).all()
    assert np.array_equal(picture.pixels[40:], smooth()[40:])


@pytest.mark.parametrize("tag", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_orientation_tags_are_honoured(kind, tag):
    # What each tag asks for, by the EXIF standard (JEITA CP-3451, tag 0112, from memory): where row 0 and
    # column 0 of the stored picture lie in the upright one.
    upright = smooth()
    stored = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: upright.transpose(1, 0, 2),
        6: np.rot90(upright, 1),
        7: np.rot90(upright, 2).transpose(1, 0, 2),
        8: np.rot90(upright, -1),
    }[tag]
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = tag
    options = {"JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}, "PNG": {}}[kind]
    picture = picture_from_bytes(
        packed(Image.fromarray(np.ascontiguousarray(stored)), kind, exif=exif, **options), name="x"
    )
    assert picture.pixels.shape == upright.shape
    assert np.abs(picture.pixels.astype(float) - upright).mean() < LOSS


def test_a_turned_heic_comes_upright():
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(smooth(), 1)))
    file = pillow_heif.from_pillow(stored)
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    file[0].info["exif"] = exif.tobytes()
    stream = io.BytesIO()
    file.save(stream, quality=90)
    picture = picture_from_bytes(stream.getvalue(), name="x")
    assert np.abs(picture.pixels.astype(float) - smooth()).mean() < LOSS


def test_the_angle_of_view_is_kept_and_the_place_is_not():
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (51.0, 30.0, 0.0)
    picture = picture_from_bytes(packed(Image.fromarray(smooth()), "JPEG", exif=exif), name="x")
    assert picture.focal_35mm_mm == 26.0
    held = {name: getattr(picture, name) for name in picture.__dataclass_fields__ if name != "pixels"}
    assert "51" not in str({k: v for k, v in held.items() if k != "sha256"})


@pytest.mark.parametrize("value", [0, 2, 60_000])
def test_a_senseless_angle_of_view_is_dropped(value):
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = value
    assert (
        picture_from_bytes(packed(Image.fromarray(smooth()), "JPEG", exif=exif), name="x").focal_35mm_mm
        is None
    )


@pytest.mark.parametrize("kind", ["WEBP", "PNG", "TIFF", "AVIF"])
def test_of_several_frames_the_first_is_taken_and_said(kind):
    frames = [Image.fromarray(smooth()), Image.fromarray(255 - smooth())]
    picture = picture_from_bytes(
        packed(frames[0], kind, save_all=True, append_images=frames[1:]), name="film"
    )
    assert [notice.code for notice in picture.notices] == ["several-frames"]
    assert "2 pictures" in picture.notices[0].message
    assert np.abs(picture.pixels.astype(float) - smooth()).mean() < LOSS


def test_the_helper_pictures_of_a_phone_are_passed_over():
    frames = [Image.fromarray(smooth()), Image.fromarray(255 - smooth())]
    data = packed(frames[0], "MPO", save_all=True, append_images=frames[1:])
    assert picture_from_bytes(data, name="x").notices == ()


# --- refusals --------------------------------------------------------------------------------


def png_header(columns: int, rows: int) -> bytes:
    """A PNG whose header states a size and whose data are short (ISO/IEC 15948, s. 11.2.2)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    start = chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + start + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")


def tiff_header(columns: int, rows: int) -> bytes:
    """A TIFF that states a size (TIFF 6.0, s. 2)."""
    tags = [
        (256, columns),
        (257, rows),
        (258, 8),
        (259, 1),
        (262, 1),
        (273, 8),
        (277, 1),
        (278, rows),
        (279, 100),
    ]
    body = (
        struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", t, 4, 1, v) for t, v in tags) + b"\0" * 4
    )
    return b"II*\0" + struct.pack("<I", 8) + body


@pytest.mark.parametrize("make", [png_header, tiff_header])
def test_a_huge_header_is_refused_before_anything_is_decoded(make):
    with pytest.raises(PictureError, match="60000 × 60000 pixels are more than the 120 million") as caught:
        picture_from_bytes(make(60_000, 60_000), name="bomb")
    assert "scale it down" in caught.value.remedy


def test_a_large_photo_under_the_limit_is_not_taken_for_a_bomb():
    # over Pillow's own limit of 89 million, at which it would warn
    side = 9600
    assert 89_478_485 < side * side < PIXEL_LIMIT
    with pytest.raises(PictureError, match="damaged or cut off"):  # but not "too many pixels"
        picture_from_bytes(png_header(side, side), name="large")


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_cut_off_file_is_refused(kind, share):
    rng = np.random.default_rng(12)
    data = packed(Image.fromarray(rng.integers(0, 255, (64, 96, 3), dtype=np.uint8)), kind)
    with pytest.raises(PictureError, match=r"damaged|cut off"):
        picture_from_bytes(data[: int(share * len(data))], name="x")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff",
        b"not a picture",
        b"GIF89a" + b"\0" * 40,
        b"BM" + b"\0" * 60,
        b"%PDF-1.4\n",
        b"%!PS-Adobe-3.0 EPSF\n",
        b"\0" * 5000,
    ],
    ids=["empty", "one byte", "words", "GIF", "BMP", "PDF", "PostScript", "zeros"],
)
def test_what_is_no_photo_is_refused(data):
    with pytest.raises(PictureError, match="not a picture that can be read; give JPEG"):
        picture_from_bytes(data, name="x")


def test_a_tiny_picture_is_refused():
    with pytest.raises(PictureError, match="8 × 8 pixels are too few"):
        picture_from_bytes(packed(Image.fromarray(smooth(8, 8)), "PNG"), name="x")


def test_floating_point_pixels_are_refused():
    image = Image.fromarray(np.full((64, 96), np.nan, np.float32))
    with pytest.raises(PictureError, match="no photo; save it with 8 or 16 bits"):
        picture_from_bytes(packed(image, "TIFF"), name="x")


def test_a_file_is_named_with_its_path(tmp_path):
    place = tmp_path / "note.jpg"
    place.write_bytes(b"hello")
    with pytest.raises(PictureError, match=r"note\.jpg: not a picture"):
        load_picture(place)
    with pytest.raises(PictureError, match="cannot be read"):
        load_picture(tmp_path)


def test_a_file_over_the_limit_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("portmap.picture.load.FILE_LIMIT_BYTES", 1000)
    place = tmp_path / "large.png"
    place.write_bytes(packed(Image.fromarray(smooth()), "PNG") + b"\0" * 2000)
    with pytest.raises(PictureError, match="larger than"):
        load_picture(place)


# --- fuzz ------------------------------------------------------------------------------------


def originals() -> list[bytes]:
    small = Image.fromarray(smooth(48, 32))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    return [
        packed(small, "JPEG", exif=exif),
        packed(small, "JPEG", progressive=True),
        packed(small.convert("CMYK"), "JPEG"),
        packed(small, "PNG", exif=exif),
        packed(small.quantize(16), "PNG"),
        packed(small, "TIFF", compression="tiff_lzw"),
        packed(small, "TIFF", compression="jpeg"),
        packed(small, "TIFF"),
        packed(small, "WEBP", exif=exif),
        packed(small, "AVIF"),
        packed(small, "HEIF"),
        packed(small, "MPO", save_all=True, append_images=[small]),
    ]


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """Return the file with some bytes changed, cut, doubled or run over."""
    raw = bytearray(data)
    for _ in range(int(rng.integers(1, 9))):
        # headers are where it hurts
        reach = len(raw) if rng.uniform() < 0.5 else min(len(raw), 300)
        place = int(rng.integers(0, reach))
        match int(rng.integers(0, 5)):
            case 0:
                raw[place] ^= 1 << int(rng.integers(0, 8))
            case 1:
                raw[place] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFF]))
            case 2:
                raw[place : place + 4] = struct.pack(
                    ">I", int(rng.choice([0, 1, 2**31 - 1, 2**32 - 1, 65_535]))
                )[: len(raw[place : place + 4])]
            case 3:
                del raw[place : place + int(rng.integers(1, 20))]
            case _:
                raw[place:place] = raw[place : place + int(rng.integers(1, 20))]
        if len(raw) < 4:
            break
    return bytes(raw)


def outcomes(count: int, seed: int) -> tuple[int, int]:
    """Return how many of `count` mutated files were read, and how many refused in one plain line."""
    rng = np.random.default_rng(seed)
    files, read, refused = originals(), 0, 0
    for k in range(count):
        words = ""
        try:
            picture = picture_from_bytes(mutated(files[k % len(files)], rng), name="x")
        except PictureError as error:  # any other kind fails the test, as it should
            words = str(error)
            refused += 1
        else:
            assert picture.pixels.ndim == 3
            assert picture.pixels.shape[2] == 3
            read += 1
        assert "\n" not in words
        assert len(words) < 300
    return read, refused


def test_changed_bytes_never_break_the_reader():
    read, refused = outcomes(FUZZ, seed=13)
    assert read > FUZZ / 20  # the changes are not so gross that all is refused at the first byte
    assert refused > FUZZ / 20


@pytest.mark.long
def test_changed_bytes_never_break_the_reader_in_a_long_run():
    read, refused = outcomes(LONG_FUZZ, seed=14)
    assert read + refused == LONG_FUZZ


@pytest.mark.long
def test_flattening_50_megapixels_peaks_under_1_gb(tmp_path):
    from tests.rendering import LENSES, jpeg, photo, view_over
    from tests.scenes import blank_card

    page = blank_card()
    view = view_over(LENSES["phone"], (8160, 6120), box_mm=page.bounds_mm, tilt_deg=10)
    place = tmp_path / "large.jpg"
    place.write_bytes(jpeg(photo(page, view, rng=np.random.default_rng(15), samples=1)))
    script = r"""
        import re, sys
        from portmap.picture.flatten import flatten
        from portmap.picture.load import load_picture
        from portmap.picture.scaled import write_scaled
        write_scaled(flatten(load_picture(sys.argv[1])), sys.argv[2])
        # not ru_maxrss, which keeps what the starting process held
        print(int(re.search(r"VmHWM:\s+(\d+)", open("/proc/self/status").read())[1]) / 1024)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(place), str(tmp_path / "flat.png")],
        capture_output=True,
        text=True,
        check=True,
    )
    peak_mib = float(done.stdout)
    print(f"\n50 MP: peak {peak_mib:.0f} MiB")
    assert peak_mib < 1024
