"""Corners of bore cards found, told apart, placed; OpenCV's own perspective makes the pictures."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from portmap.errors import PictureError
from portmap.picture.bore_cards import ring_card, strip_card
from portmap.picture.bore_marks import bore_marks
from portmap.picture.card import flat_card
from portmap.picture.card_drawing import card_png, png_scale

DPI = 220.0
WIDTH, HEIGHT = 2573, 1819
# root mean square of a coordinate: the warp that makes the picture is itself quantised to 1/32 px
CORNER_PX = 0.1
TILT = np.float32([[150, 100], [2350, 0], [2560, 1760], [0, 1610]])
RING, STRIP, HIGH = ring_card(46.0), strip_card(46.0), strip_card(70.0, height_mm=30.0)


def photo(card):
    """The card seen at a slant, with its perspective."""
    page = np.asarray(Image.open(io.BytesIO(card_png(card, DPI))).convert("L"))
    height, width = page.shape
    sheet = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    matrix = cv2.getPerspectiveTransform(sheet, TILT)
    blurred = cv2.GaussianBlur(page, (0, 0), 1.2)
    return cv2.warpPerspective(
        blurred, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderValue=255
    ), matrix


def true_pixels(card, places, matrix):
    scale = png_scale(card, DPI)
    page = np.array(scale["origin_px"]) + places * [1, -1] * scale["px_per_mm"]
    return cv2.perspectiveTransform(page[None], matrix)[0]


@pytest.mark.parametrize("mirrored", [False, True], ids=["plain", "mirrored"])
@pytest.mark.parametrize(
    ("card", "height_mm"), [(RING, 20.0), (STRIP, 20.0), (HIGH, 30.0)], ids=["ring", "strip", "high strip"]
)
def test_corners_are_found_where_they_are(card, height_mm, mirrored):
    gray, matrix = photo(card)
    seen = np.ascontiguousarray(gray[:, ::-1]) if mirrored else gray
    marks = bore_marks(seen, card.bore_mm, strip_height_mm=height_mm)
    assert marks.mirrored is mirrored
    assert marks.kind == ("ring" if card is RING else "strip")
    assert len(marks.places_mm) >= 0.9 * len(card.corners())
    miss = marks.pixels_px - true_pixels(card, marks.places_mm, matrix)
    assert np.sqrt((miss**2).mean()) < CORNER_PX
    assert np.abs(miss).max() < 4 * CORNER_PX


def test_a_hidden_half_leaves_the_other():
    gray, matrix = photo(RING)
    covered = gray.copy()
    covered[:, 1200:] = 90
    marks = bore_marks(covered, 46.0)
    assert 0.25 * len(RING.corners()) < len(marks.places_mm) < 0.7 * len(RING.corners())
    miss = marks.pixels_px - true_pixels(RING, marks.places_mm, matrix)
    assert np.sqrt((miss**2).mean()) < CORNER_PX
    assert np.abs(miss).max() < 4 * CORNER_PX


def test_noise_and_bad_light_cost_little():
    gray, matrix = photo(RING)
    random = np.random.default_rng(7)
    fall = np.linspace(0.35, 0.9, gray.shape[1])[None]
    noisy = gray * fall + random.normal(0, 4.0, gray.shape)
    marks = bore_marks(np.clip(noisy, 0, 255).astype(np.uint8), 46.0)
    miss = marks.pixels_px - true_pixels(RING, marks.places_mm, matrix)
    assert len(marks.places_mm) > 0.8 * len(RING.corners())
    assert np.sqrt((miss**2).mean()) < CORNER_PX


@pytest.mark.parametrize(
    ("card", "bore", "message"),
    [
        (RING, 50.0, "ring card was made for a bore of 46 mm, not 50 mm; print one for this bore"),
        (STRIP, 38.0, "strip card was made for a bore of 46 mm, not 38 mm"),
        (flat_card("A4"), 46.0, "this is the flat A4 card, not one for a bore"),
    ],
    ids=["ring of another bore", "strip of another bore", "flat card"],
)
def test_a_wrong_card_is_named(card, bore, message):
    gray, _ = photo(card)
    with pytest.raises(PictureError, match=message):
        bore_marks(gray, bore)


def test_part_of_a_strip_names_a_bore_near_its_own():
    gray, _ = photo(STRIP)
    gray[:, 900:] = 90  # cards for 45 to 48 mm look alike in what is left
    with pytest.raises(PictureError, match=r"bore of 46(\.5)? mm or one near it, not 47 mm"):
        bore_marks(gray, 47.0)


@pytest.mark.parametrize("level", [0, 128, 255])
def test_nothing_is_found_in_nothing(level):
    assert bore_marks(np.full((600, 800), level, np.uint8), 46.0) is None
