"""Markers: shapes of what comes back, numbers as OpenCV's detector reads them, what must not be read."""

import cv2
import numpy as np
import pytest

from portmap.picture.markers import DICTIONARY_SIZE, MODULES, _codes, marker_modules, markers_in

CORNER_PX = 1.5  # contour corners of a marker 56 px wide; the sub-pixel work is done elsewhere
NUMBERS = (0, 7, 188, 345, 582, 700, 999)


def sheet(numbers: tuple[int, ...] = NUMBERS, *, module: int = 8) -> np.ndarray:
    """A white row of markers, oblong, off centre."""
    side, gap = MODULES * module, 3 * module
    page = np.full((side + 5 * gap, (side + gap) * len(numbers) + gap), 255, np.uint8)
    for k, number in enumerate(numbers):
        pattern = np.where(marker_modules(number), 0, 255).astype(np.uint8)
        left = gap + k * (side + gap)
        page[2 * gap : 2 * gap + side, left : left + side] = np.kron(
            pattern, np.ones((module, module), np.uint8)
        )
    return page


def test_nothing_seen_has_the_shape_of_nothing():
    seen = markers_in(np.full((80, 200), 255, np.uint8))
    assert seen.ids.shape == (0,)
    assert seen.corners_px.shape == (0, 4, 2)


def test_shapes_and_types_are_pinned_whatever_the_version_of_opencv():
    seen = markers_in(sheet())
    assert seen.ids.shape == (len(NUMBERS),)
    assert seen.ids.dtype == np.int64
    assert seen.corners_px.shape == (len(NUMBERS), 4, 2)
    assert seen.corners_px.dtype == np.float64


@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_numbers_and_corner_order_are_those_of_opencv(quarters):
    picture = np.ascontiguousarray(np.rot90(sheet(), quarters))
    corners, ids, _ = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    ).detectMarkers(picture)
    theirs = {int(k): np.asarray(c).reshape(4, 2) for k, c in zip(ids.reshape(-1), corners, strict=True)}
    seen = markers_in(picture)
    assert sorted(seen.ids.tolist()) == sorted(theirs) == sorted(NUMBERS)
    for number, square in zip(seen.ids, seen.corners_px, strict=True):
        assert np.abs(square - theirs[int(number)]).max() < CORNER_PX


def test_one_wrong_module_is_forgiven_and_two_are_not():
    page, module = sheet((345, 1, 2, 3, 4, 5, 6)), 8
    top, left = 6 * module, 3 * module

    def flipped(*places: tuple[int, int]) -> np.ndarray:
        spoiled = page.copy()
        for row, column in places:
            r, c = top + row * module, left + column * module
            spoiled[r : r + module, c : c + module] = 255 - spoiled[r : r + module, c : c + module]
        return spoiled

    assert sorted(markers_in(flipped((2, 3))).ids.tolist()) == [1, 2, 3, 4, 5, 6, 345]
    assert sorted(markers_in(flipped((2, 3), (4, 4))).ids.tolist()) == [1, 2, 3, 4, 5, 6]


def test_every_code_that_is_read_means_one_marker_one_way_round():
    codes, numbers, turns = _codes()
    assert len(codes) == DICTIONARY_SIZE * 4 * 26
    assert (np.diff(codes) > 0).all()
    assert set(turns.tolist()) == {0, 1, 2, 3}
    assert set(numbers.tolist()) == set(range(DICTIONARY_SIZE))


def test_a_mirrored_marker_is_none():
    assert markers_in(np.ascontiguousarray(sheet()[:, ::-1])).ids.tolist() == []


@pytest.mark.parametrize("thorough", [False, True])
def test_black_squares_and_ruled_paper_are_no_markers(thorough):
    page = np.full((300, 420), 255, np.uint8)
    page[::12], page[:, ::12] = 120, 120
    for k in range(6):
        page[40 : 40 + 30, 30 + 60 * k : 60 + 60 * k] = 0
    assert len(markers_in(page, thorough=thorough).ids) == 0


def test_blur_noise_and_low_contrast_are_borne():
    rng = np.random.default_rng(11)
    page = cv2.GaussianBlur(sheet(module=4), (0, 0), 0.9).astype(float)
    dim = 90 + 0.16 * page + rng.normal(0, 2, page.shape)
    seen = markers_in(np.clip(dim, 0, 255).astype(np.uint8))
    assert sorted(seen.ids.tolist()) == sorted(NUMBERS)
