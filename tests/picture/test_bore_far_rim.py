"""The rim of the bore's far end: found in rendered photos, and what it tells of how a ring leans."""

import cv2
import numpy as np
import pytest

from portmap.picture.bore_far_rim import far_level, far_rim_in_photo
from portmap.picture.bore_pose import posed
from portmap.picture.lens_doubt import known_lens
from tests.bore_corners import DECK_MM, end_on, lens_of_camera, marked, with_far_rims
from tests.bore_cylinders import sample_bore
from tests.bore_scenes import end_on_set

PIXELS = 1_600_000
SEEN_PX = 0.3  # of an edge between wall and daylight, blurred by a pixel and more out of focus
SAMPLE_DECK_MM = 62.0


@pytest.fixture(scope="module")
def photos():
    """Return photos of the sample's cylinder as the tests' own renderer makes them, with their cameras."""
    bores = end_on_set(5, bore=sample_bore(), photos=3, pixels=PIXELS, lens_known=True)
    return [(cv2.cvtColor(shot.pixels(), cv2.COLOR_BGR2RGB), shot.camera) for shot in bores.shots]


def pose(camera) -> tuple[np.ndarray, np.ndarray]:
    return cv2.Rodrigues(camera.turn)[0].ravel(), -camera.turn @ camera.place_mm


def rim_places(angle: np.ndarray, level: float) -> np.ndarray:
    return np.column_stack([23.0 * np.cos(angle), -23.0 * np.sin(angle), np.full(len(angle), level)])


@pytest.mark.parametrize("off_mm", [(0.0, 0.0), (0.1, -0.07)], ids=["true pose", "pose off"])
def test_far_rim_is_seen_where_the_camera_shows_it(photos, off_mm):
    found = 0
    for pixels, camera in photos:
        turn, shift = pose(camera)
        # a pose that is off at the far end, as a leaning ring makes it
        shift = shift + camera.turn @ [*off_mm, 0.0]
        rim = far_rim_in_photo(
            pixels,
            lens_of_camera(camera),
            turn,
            shift,
            radius_mm=23.0,
            near_mm=0.0,
            level_mm=SAMPLE_DECK_MM,
        )
        if rim is None:
            continue
        found += 1
        true = camera.project(rim_places(rim.angle_rad, SAMPLE_DECK_MM))
        miss = ((rim.pixels_px - true) * rim.outward_px).sum(axis=1)
        # what turns round the bore as the middle does, the width apart
        basis = np.column_stack([np.ones(len(miss)), np.cos(rim.angle_rad), -np.sin(rim.angle_rad)])
        assert abs(float(np.median(miss))) < SEEN_PX
        assert (miss - basis @ np.linalg.lstsq(basis, miss, rcond=None)[0]).std() < SEEN_PX
    assert found >= 2


def test_height_of_the_far_end_is_found_if_nobody_tells_it(photos):
    found = []
    for pixels, camera in photos:
        level = far_level(
            pixels,
            lens_of_camera(camera),
            *pose(camera),
            radius_mm=23.0,
            near_mm=0.0,
            between_mm=(37.0, 115.0),
        )
        if level is not None:
            found.append(level)
    # a look along the bore has steps of 0.05 mm, and blur of some tenths
    assert len(found) >= 2
    assert float(np.median(found)) == pytest.approx(SAMPLE_DECK_MM, abs=0.3)


def test_no_far_rim_is_claimed_where_there_is_none(photos):
    for pixels, camera in photos:
        rim = far_rim_in_photo(
            pixels, lens_of_camera(camera), *pose(camera), radius_mm=23.0, near_mm=0.0, level_mm=8.0
        )
        assert rim is None


@pytest.mark.parametrize("wider_mm", [0.0, 0.2], ids=["sharp", "chamfered"])
def test_the_far_rim_tells_how_the_ring_leans_within_its_stated_doubt(wider_mm):
    scene, rng = end_on(), np.random.default_rng(9)
    askew = np.array([0.06, -0.05, 0.0, 0.0009, -0.0007, 0.0])
    photos = marked(scene, rng, noise_px=0.05, moved=(askew[:3], askew[3:]))
    lens = [known_lens(lens_of_camera(scene.cameras[0]))]
    without = posed(photos, lens, scene.seat)
    found = posed(with_far_rims(scene, photos, rng, DECK_MM, wider_mm), lens, scene.seat)
    assert found.far_rim_photos == len(scene.cameras)
    # where the axis passes half way up: what heights seen from below are off by
    half = np.array([0.0, 0.0, DECK_MM / 2])
    for pose_with, pose_without, camera in zip(found.poses, without.poses, scene.cameras, strict=True):
        off = []
        for each in (pose_with, pose_without):
            turn = cv2.Rodrigues(each.turn)[0]
            there = camera.turn @ (half - camera.place_mm)
            off.append(np.hypot(*(turn.T @ (there - each.shift_mm) - half)[:2]))
        assert off[0] < 0.5 * off[1]
    stated, before = (np.sqrt(np.diag(each.covariance)[-8:-2]) for each in (found, without))
    assert (np.abs(found.seat - askew)[:5] < 3.5 * np.maximum(stated[:5], 1e-4)).all()
    assert (stated[3:5] < before[3:5]).all()
