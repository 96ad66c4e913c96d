"""The ring, strip and board cards: what is printed, where it stands in the bore, which bore it is for."""

import io
import math
import re

import cv2
import numpy as np
import pytest
from PIL import Image

from portmap.errors import QuantityError
from portmap.picture.board_card import board_card
from portmap.picture.bore_cards import (
    bore_of_start,
    ring_card,
    ring_places,
    strip_card,
    strip_places,
)
from portmap.picture.card import MARKER_RANGES, card_of_marker
from portmap.picture.card_drawing import card_pdf, card_png, card_svg, png_scale
from portmap.picture.markers import MODULES, markers_in
from tests.picture.test_card import rendered

CARDS = {
    "ring 46": ring_card(46.0),
    "ring 36": ring_card(36.0),
    "ring 70": ring_card(70.0),
    "strip 46": strip_card(46.0),
    "strip 70, 30 mm high": strip_card(70.0, height_mm=30.0),
    "board A4": board_card("A4"),
    "board Letter": board_card("Letter"),
}
DPI = 300.0
BLUR_PX = 1.5
# OpenCV takes a contour for a square to 3 % of its round (polygonalApproxAccuracyRate); markers only tell
# which saddle is which
MARKER_SHARE = 0.03 * 4


@pytest.fixture(scope="module", params=CARDS.values(), ids=CARDS)
def card(request):
    return request.param


@pytest.fixture(scope="module")
def gray(card):
    return np.asarray(Image.open(io.BytesIO(card_png(card, DPI))).convert("L"))


def test_every_marker_stands_where_the_card_says(card, gray):
    # a camera's blur; without any, squares that touch at a corner look like one shape
    sighting = markers_in(cv2.GaussianBlur(gray, (0, 0), BLUR_PX))
    scale = png_scale(card, DPI)
    places, limit_px = card.markers(), MARKER_SHARE * card.marker_mm * scale["px_per_mm"]
    assert set(sighting.ids.tolist()) <= set(places)
    assert len(sighting.ids) >= 0.95 * len(places)
    for number, corners in zip(sighting.ids.tolist(), sighting.corners_px, strict=True):
        x, top = places[number]
        expected = np.array(scale["origin_px"]) + np.array([x, -top]) * scale["px_per_mm"]
        np.testing.assert_allclose(corners[0], expected, atol=limit_px)
        side = np.linalg.norm(corners[1] - corners[0]) / scale["px_per_mm"]
        assert side == pytest.approx(card.marker_mm, abs=2 * limit_px / scale["px_per_mm"])


def test_corners_are_saddles_of_the_print(card, gray):
    scale = png_scale(card, DPI)
    guess = np.array(scale["origin_px"]) + card.corners() * [1, -1] * scale["px_per_mm"]
    found = guess.astype(np.float32).reshape(-1, 1, 2).copy()
    cv2.cornerSubPix(
        gray, found, (6, 6), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    )
    # OpenCV's own finder, a reference library, on a picture without noise: 0.1 px is its usual repeatability
    np.testing.assert_allclose(found.reshape(-1, 2), guess, atol=0.1)


def test_pdf_and_png_show_the_same_squares_and_modules(card, gray):
    file = card_pdf(card)
    pdf = rendered(file, DPI)
    scale = png_scale(card, DPI)
    steps = (np.arange(MODULES) + 0.5) * card.marker_mm / MODULES
    right, down = (part.ravel() for part in np.meshgrid(steps, steps))
    modules = [np.stack([x + right, top - down], axis=1) for x, top in card.markers().values()]
    middles = [[(x + side / 2, y + side / 2)] for x, y, side in card.printed().squares_mm]
    places = np.concatenate([*modules, *middles])
    spots = np.rint(np.array(scale["origin_px"]) + places * [1, -1] * scale["px_per_mm"]).astype(int)
    levels = [picture[spots[:, 1], spots[:, 0]] for picture in (pdf, gray)]
    assert (np.abs(levels[1].astype(int) - 127.5) > 100).all()
    np.testing.assert_array_equal(levels[0] > 127, levels[1] > 127)
    assert card_pdf(card) == file
    assert b"</svg>" in card_svg(card)


@pytest.mark.parametrize("card", [ring_card(46.0), strip_card(46.0)], ids=["ring", "strip"])
def test_numbers_are_of_the_cards_range(card):
    kind = "ring" if card is CARDS["ring 46"] else "strip"
    assert {card_of_marker(number) for number in card.markers()} == {kind}


@pytest.mark.parametrize("bore", [36.0, 44.5, 46.0, 70.0])
@pytest.mark.parametrize("kind", ["ring", "strip"])
def test_a_card_tells_its_bore(kind, bore):
    card = ring_card(bore) if kind == "ring" else strip_card(bore)
    first, last = MARKER_RANGES[kind]
    lowest_left = next(iter(card.markers()))
    assert bore in bore_of_start(kind, (lowest_left - first) % (last - first + 1))


def test_the_ring_is_read_from_below_with_the_exhaust_up():
    # A reader under the bore looks up the axis (+Z) with the exhaust (+X) up; right is then Z × X = +Y.
    up, right = np.array([1.0, 0, 0]), np.cross([0, 0, 1.0], [1.0, 0, 0])
    np.testing.assert_allclose(ring_places([[5.0, 30.0]])[0], 30 * up + 5 * right)
    # from above he looks down, and right is −Z × X
    right = np.cross([0, 0, -1.0], [1.0, 0, 0])
    np.testing.assert_allclose(
        ring_places([[5.0, 30.0]], seat="deck", seat_height_mm=60.0, thickness_mm=0.1)[0],
        30 * up + 5 * right + [0, 0, 60.1],
    )


def test_the_strip_runs_to_the_right_as_seen_from_the_axis():
    card = strip_card(46.0)
    ahead, right_of_it = strip_places(card, [[0.0, 0.0], [1.0, 0.0]])
    # facing the exhaust with the head up, right is X × Z
    assert np.dot(right_of_it - ahead, np.cross([1.0, 0, 0], [0, 0, 1.0])) > 0


def test_the_strips_ends_meet():
    card = strip_card(46.0)
    half = card.columns * card.square_mm / 2
    ends = strip_places(card, [[-half, 3.0], [half, 3.0]], low_mm=1.0)
    np.testing.assert_allclose(ends[0], ends[1], atol=1e-9)
    # circumference at the middle of the paper's thickness
    assert 2 * half == pytest.approx(math.pi * (46.0 - 0.1), abs=1e-9)
    np.testing.assert_allclose(np.hypot(*ends[:, :2].T), 22.9)


@pytest.mark.parametrize("bore_mm", [38.0, 44.0, 52.0, 68.0])
def test_a_strip_of_the_least_height_that_is_told_can_be_printed(bore_mm):
    with pytest.raises(QuantityError) as refused:
        strip_card(bore_mm, height_mm=12.0)
    least = re.search(r"at least ([0-9.]+) mm", str(refused.value))
    assert least is not None
    assert strip_card(bore_mm, height_mm=float(least[1])).rows == 2


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ring_card(700.0), "no card for a bore of 700 mm"),
        (lambda: strip_card(5.0), "no card for a bore of 5 mm"),
        (lambda: strip_card(46.0, height_mm=8.0), "holds no two rows"),
        (lambda: strip_card(46.0, thickness_mm=3.0), "paper 3 mm thick"),
        (lambda: strip_card(130.0), "more than A3"),
        (lambda: board_card("A7"), "no board for paper 'A7'"),
    ],
    ids=["huge bore", "tiny bore", "too low", "too thick", "too long", "no such paper"],
)
def test_what_cannot_be_printed_is_refused(make, message):
    with pytest.raises(QuantityError, match=message):
        make()
