"""The tone curve found from the card's edges, on edges blurred in light and edges blurred in values."""

from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from portmap.picture.card import FlatCard, corner_places, flat_card
from portmap.picture.card_drawing import card_png, png_scale
from portmap.picture.flatten import flatten
from portmap.picture.load import Picture
from portmap.picture.sight import Sight, fitted_sight, start_sight
from portmap.picture.tone_curve import ToneCurve, card_tone, even_values

CARD = flat_card("A4")
PX_PER_MM = 8
BLUR_PX = 1.0  # of a phone photo of a whole card
INK, PAPER = 0.02, 0.8  # of full light
SHARE = 0.2  # of the way between sRGB and plain values: 0.01 mm on this edge


# sRGB's curve from light to value, written out here from IEC 61966-2-1 (from memory), not taken from portmap
def srgb(light: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


@cache
def card_light(ink_mm: float = 0.0) -> NDArray[np.float64]:
    """The card's light at PX_PER_MM, black grown by `ink_mm` on every side as ink spreads."""
    fine = 2 * PX_PER_MM
    page = cv2.imdecode(np.frombuffer(card_png(CARD, 25.4 * fine), np.uint8), cv2.IMREAD_GRAYSCALE)
    grown = cv2.erode(page, np.ones((3, 3), np.uint8))  # by one pixel, of which a share is taken
    inked = page + ink_mm * fine * (grown.astype(float) - page)
    rows, columns = (side // 2 for side in page.shape)
    small = inked[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3)) / 255.0
    return INK + (PAPER - INK) * small


def sight_of(gray: NDArray[np.uint8]) -> tuple[Sight, FlatCard]:
    scale = png_scale(CARD, 25.4 * PX_PER_MM)
    places = corner_places(CARD)
    column = scale["origin_px"][0] + places[:, 0] * scale["px_per_mm"]
    row = scale["origin_px"][1] - places[:, 1] * scale["px_per_mm"]
    pixels = np.column_stack([column, row])
    start = start_sight(places, pixels, gray.shape[::-1])
    return fitted_sight(start, places, pixels, noise_px=0.01).sight, CARD


def in_values(light: NDArray[np.float64], noise: float = 2.0) -> NDArray[np.uint8]:
    rough = 255 * light + np.random.default_rng(4).normal(0, noise, light.shape)
    return np.clip(np.rint(rough), 0, 255).astype(np.uint8)


def test_light_blurred_and_then_toned_is_left_as_it_is():
    gray = in_values(srgb(gaussian_filter(card_light(), BLUR_PX)))
    curve = card_tone(gray, *sight_of(gray))
    assert curve.edges > 100
    assert curve.share == 1.0


def test_values_blurred_are_found_out():
    gray = in_values(gaussian_filter(srgb(card_light()), BLUR_PX))
    assert card_tone(gray, *sight_of(gray)).share == pytest.approx(0.0, abs=SHARE)


def test_ink_that_spreads_as_ink_does_is_not_taken_for_a_curve():
    gray = in_values(srgb(gaussian_filter(card_light(ink_mm=0.015), BLUR_PX)))
    assert card_tone(gray, *sight_of(gray)).share == 1.0


def test_too_few_clear_edges_leave_the_curve_assumed():
    gray = in_values(srgb(gaussian_filter(card_light(), BLUR_PX)))
    assert card_tone(gray // 6, *sight_of(gray)) == ToneCurve(share=1.0, edges=0)


def test_the_table_never_falls_and_keeps_black_and_white():
    for share in (-0.5, 0.0, 0.5, 1.0, 1.7):
        table = even_values(ToneCurve(share=share, edges=50)).astype(int)
        assert (np.diff(table) >= 0).all()
        assert (table[0], table[255]) == (0, 255)


def test_flatten_says_so_and_puts_the_values_right():
    gray = in_values(gaussian_filter(srgb(card_light()), BLUR_PX))
    picture = Picture(pixels=np.repeat(gray[:, :, None], 3, axis=2), name="edited.png", sha256="0" * 64)
    flat = flatten(picture)
    assert "tone-corrected" in [notice.code for notice in flat.notices]
    assert flat.source["pictures"][0]["tone_share"] == pytest.approx(0.0, abs=SHARE)
