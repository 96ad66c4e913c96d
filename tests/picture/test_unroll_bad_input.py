"""Photos that cannot or can hardly be unrolled: which, and why. Rendered by the rays in `tests`."""

import cv2
import numpy as np
import pytest

from portmap.errors import PictureError
from portmap.picture.load import Picture, picture_from_bytes
from portmap.picture.unroll import unroll
from tests.bore_cylinders import invented_bore, sample_bore
from tests.bore_scenes import end_on_set

BORE_MM, DECK_MM = 46.0, 62.0


@pytest.fixture(scope="module")
def photos() -> list[Picture]:
    """Four photos of one cylinder with a ring."""
    shots = end_on_set(11, bore=sample_bore(), photos=4, pixels=600_000).shots
    return [picture_from_bytes(shot.jpeg(), name=shot.name) for shot in shots]


def changed(picture: Picture, pixels: np.ndarray, name: str) -> Picture:
    return Picture(pixels=pixels, name=name, sha256=picture.sha256, focal_35mm_mm=picture.focal_35mm_mm)


def unrolled(pictures: list[Picture], bore_mm: float = BORE_MM):
    return unroll(pictures, bore_mm, deck_mm=DECK_MM, mm_per_px=0.2)


def notices(pictures: list[Picture]) -> dict[str, str]:
    return {notice.code: notice.message for notice in unrolled(pictures).image.notices}


def test_photos_of_two_cylinders_are_refused(photos):
    other = end_on_set(11, bore=invented_bore(np.random.default_rng(77), BORE_MM), photos=4, pixels=600_000)
    stranger = picture_from_bytes(other.shots[3].jpeg(), name="stranger.jpg")
    with pytest.raises(PictureError, match=r"two cylinders: nothing on the wall in stranger.jpg is") as told:
        unrolled([*photos[:3], stranger])
    assert told.value.where == "stranger.jpg"


def test_photos_of_one_cylinder_are_not_doubted(photos):
    assert not {"two-cylinders", "blurred", "no-marks", "contradicts"} & set(notices(photos))


SHAKEN = np.full((13, 1), 1 / 13, np.float32)


@pytest.mark.parametrize(
    "blur",
    [
        lambda pixels: cv2.GaussianBlur(pixels, (0, 0), 3.5),
        lambda pixels: cv2.filter2D(pixels, -1, SHAKEN),
        lambda pixels: cv2.filter2D(pixels, -1, SHAKEN.T),
    ],
    ids=["out of focus", "shaken down", "shaken across"],
)
def test_a_blurred_photo_is_left_out_and_named(photos, blur):
    soft = changed(photos[3], blur(photos[3].pixels), "shaken.jpg")
    assert notices([*photos[:3], soft])["blurred"].startswith("Shaken.jpg was far less sharp")


def test_a_photo_without_a_card_is_left_out_and_named(photos):
    rows, columns = photos[3].pixels.shape[:2]
    blocks = np.random.default_rng(1).integers(0, 255, (rows // 16 + 1, columns // 16 + 1, 1), np.uint8)
    sharp = np.kron(blocks, np.ones((16, 16, 3), np.uint8))[:rows, :columns]
    empty = changed(photos[3], sharp, "table.jpg")
    assert "in table.jpg and it was left out" in notices([*photos[:3], empty])["no-marks"]


@pytest.mark.parametrize(
    ("bore_mm", "message"),
    [(50.0, "this ring card was made for a bore of 46 mm, not 50 mm"), (46.5, "made for a bore of 46 mm")],
)
def test_another_bores_card_is_named(photos, bore_mm, message):
    with pytest.raises(PictureError, match=message):
        unrolled(photos[:1], bore_mm)


def test_no_card_in_any_photo(photos):
    empty = changed(photos[0], np.full_like(photos[0].pixels, 90), "table.jpg")
    with pytest.raises(PictureError, match="no ring or strip card is seen in any photo"):
        unrolled([empty])
