"""Strips with squares of another bore's card, bent into a bore of 46 mm; no picture is drawn."""

import math
from dataclasses import replace

import numpy as np
import pytest

from portmap.picture.bore_cards import strip_card
from portmap.picture.lens_doubt import known_lens
from portmap.picture.strip_size import strip_size
from tests.bore_corners import LOW_MM, PAPER_MM, end_on, lens_of_camera, marked, scope

NOISE_PX = 0.1
RADIUS_MM = 23.0


def photos_of(scene, printed_mm, frames, scaled=1.0, seed=3):
    """Corners of a strip printed for one bore, rolled into the scene's; told to be the scene's own.

    Written out from the definitions: paper of thickness t bends about its middle, t/2 inside the wall.
    """
    rng = np.random.default_rng(seed)
    stretch = scaled * strip_card(printed_mm).square_mm / strip_card(46.0).square_mm
    photos = []
    for number in frames:
        photo = marked(scene)[number]
        x, y = photo.marks.places_mm.T * stretch
        turn, inner = x / (RADIUS_MM - PAPER_MM / 2), RADIUS_MM - PAPER_MM
        places = np.column_stack([inner * np.cos(turn), -inner * np.sin(turn), y + LOW_MM])
        seen = scene.cameras[number].project(places)
        there = np.isfinite(seen).all(axis=1) & (np.abs(x) < 0.45 * math.pi * 46.0)
        marks = replace(
            photo.marks,
            places_mm=photo.marks.places_mm[there],
            pixels_px=seen[there] + rng.normal(0, NOISE_PX, (int(there.sum()), 2)),
            pitch_px=photo.marks.pitch_px[there],
        )
        photos.append(replace(photo, marks=marks))
    return photos


def size_of(scene, photos):
    seat = replace(scene.seat, bore_mm=46.0)
    return strip_size(photos, [known_lens(lens_of_camera(scene.cameras[0]))], seat)


@pytest.mark.parametrize("fisheye", [True, False], ids=["fisheye", "pinhole"])
@pytest.mark.parametrize("frames", [[0], range(8)], ids=["one frame", "all round"])
def test_the_right_strip_is_not_doubted(fisheye, frames):
    scene = scope(fisheye=fisheye)
    assert size_of(scene, photos_of(scene, 46.0, frames)) is None


@pytest.mark.parametrize("printed_mm", [45.0, 47.5, 48.0])  # they have as many squares round as 46 mm has
@pytest.mark.parametrize("frames", [[0], range(3)], ids=["one frame", "three"])
def test_another_bores_squares_are_named(printed_mm, frames):
    scene = scope()
    size = size_of(scene, photos_of(scene, printed_mm, frames))
    assert size.bore_mm == pytest.approx(printed_mm)
    assert size.stretch == pytest.approx(
        strip_card(printed_mm).square_mm / strip_card(46.0).square_mm, abs=0.003
    )
    assert size.told_mm == 46.0
    assert size.sure
    assert size.miss_px < 2 * NOISE_PX


def test_a_scaled_print_is_told_by_its_size():
    scene = scope()
    size = size_of(scene, photos_of(scene, 46.0, [0], scaled=0.95))
    assert size.stretch == pytest.approx(0.95, abs=0.006)  # half a step between the sizes tried
    assert size.bore_mm is None  # a card for 43.5 mm has fewer squares
    assert size.sure


def test_few_corners_may_make_it_likely_only():
    scene = scope(fisheye=False)
    size = size_of(scene, photos_of(scene, 47.0, [0]))
    assert size.bore_mm == pytest.approx(47.0, abs=0.5)
    assert not size.sure


def test_a_ring_is_not_asked():
    scene = end_on()
    assert strip_size(marked(scene), [known_lens(lens_of_camera(scene.cameras[0]))], scene.seat) is None
