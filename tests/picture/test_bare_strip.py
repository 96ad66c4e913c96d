"""A strip in frames that are joined without it, in frames rendered apart from portmap."""

import functools

import cv2
import numpy as np
import pytest

from portmap.picture.bare_strip import hidden_by_strip, strip_notice
from portmap.picture.camera import lens_of
from portmap.picture.wall_view import View
from tests.bore_scopes import bare_set, strip_set

SIZE_PX = (960, 720)
RIM_MM = 3.0  # of wall that is given up beside the paper's edge at most


@functools.cache
def small_set():
    return strip_set(3, frames=12, size_px=SIZE_PX)


def seen_by(bores, shots, pixels=None):
    """Return frames with the poses that they were rendered by."""
    lens = lens_of(bores.lens)
    return [
        View(
            name=shot.name,
            pixels=np.asarray(shot.pixels() if pixels is None else pixels),
            lens=lens,
            turn=cv2.Rodrigues(np.asarray(shot.camera.turn))[0].ravel(),
            shift_mm=-np.asarray(shot.camera.turn) @ shot.camera.place_mm,
            mirrored=shot.camera.mirrored,
        )
        for shot in shots
    ]


def test_a_strip_above_the_windows_is_hidden_from_its_lower_edge_on():
    bores = small_set()
    low, high = hidden_by_strip(seen_by(bores, bores.shots[:2]), bores.bore.bore_mm / 2)
    edge = bores.shots[0].scene.strip.low_mm
    assert edge - RIM_MM < low < edge
    assert high > bores.bore.deck_mm


@pytest.mark.parametrize("made", ["a bare wall", "black frames"])
def test_frames_without_a_strip_hide_nothing(made):
    if made == "a bare wall":
        bores = bare_set(2, bore=small_set().bore, frames=12, size_px=SIZE_PX)
        views = seen_by(bores, bores.shots[:1])
    else:
        bores = small_set()
        views = seen_by(bores, bores.shots[:1], np.zeros((SIZE_PX[1], SIZE_PX[0], 3), np.uint8))
    assert hidden_by_strip(views, bores.bore.bore_mm / 2) is None


def test_the_user_is_told_what_would_help():
    assert "two rows" in strip_notice().message
