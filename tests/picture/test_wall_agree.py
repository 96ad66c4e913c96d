"""Photos of one wall hang together, photos of two do not: rendered by the rays in `tests`, small."""

import functools
import math

import cv2
import numpy as np
import pytest

from portmap.picture.wall_agree import photos_apart
from portmap.picture.wall_view import View
from tests.bore_camera import Camera, turned_to
from tests.bore_corners import FISHEYE, lens_of_camera
from tests.bore_cylinders import invented_bore, sample_bore
from tests.bore_parts import BoreScene, Optics
from tests.bore_rendering import render

BORE_MM = 46.0
BORES = {
    "one": sample_bore(seed=3),
    "other": invented_bore(np.random.default_rng(77), BORE_MM),
    "bare": sample_bore(honing=0.0, casting=0.0),  # nothing but windows
}
RANGE_MM = 14.0, 44.0
SIZE_PX = 400, 300


def camera(number: int, of: int) -> Camera:
    turn = 2 * math.pi * number / of
    ahead = np.array([math.cos(turn), -math.sin(turn), 0.0])
    return Camera(
        model="fisheye",
        size_px=SIZE_PX,
        fx=180.0,
        fy=180.0,
        cx=201.0,
        cy=148.0,
        distortion=FISHEYE,
        turn=turned_to(ahead, np.array([0.0, 0.0, 1.0]), 1.5),
        place_mm=np.array([-10.0 * ahead[0], -10.0 * ahead[1], 29.0]),
    )


@functools.cache
def view(bore: str, number: int, of: int = 6, blur_px: float = 0.8) -> View:
    """A scope's frame of one of the bores, its pose known."""
    from_here = camera(number, of)
    scene = BoreScene(bore=BORES[bore], optics=Optics(blur_px=blur_px))
    return View(
        name=f"{bore}-{number}",
        pixels=np.ascontiguousarray(render(scene, from_here, number)[:, :, ::-1]),
        lens=lens_of_camera(from_here),
        turn=cv2.Rodrigues(from_here.turn)[0].ravel(),
        shift_mm=-from_here.turn @ from_here.place_mm,
    )


@pytest.mark.parametrize("bore", ["one", "other", "bare"])
def test_photos_of_one_wall_hang_together(bore):
    assert photos_apart([view(bore, k) for k in range(6)], BORE_MM, RANGE_MM) is None


def test_a_blurred_photo_still_belongs():
    views = [view("one", k) for k in range(5)] + [view("one", 5, blur_px=3.0)]
    assert photos_apart(views, BORE_MM, RANGE_MM) is None


@pytest.mark.parametrize("strangers", [{5}, {1, 4}, {0, 1}], ids=["last", "two apart", "two beside"])
def test_the_fewer_photos_of_another_wall_are_named(strangers):
    views = [view("other" if k in strangers else "one", k) for k in range(6)]
    apart = photos_apart(views, BORE_MM, RANGE_MM)
    assert set(apart.names) == {f"other-{k}" for k in strangers}
    assert set(apart.others) == {f"one-{k}" for k in range(6) if k not in strangers}
    assert apart.sure


def test_two_photos_of_two_walls_are_doubtful_only():
    apart = photos_apart([view("one", 0), view("other", 1)], BORE_MM, RANGE_MM)
    assert not apart.sure
    assert apart.likeness < 0.12


def test_photos_that_show_no_common_wall_are_not_judged():
    assert photos_apart([view("one", 0), view("other", 3)], BORE_MM, (26.0, 30.0)) is None
