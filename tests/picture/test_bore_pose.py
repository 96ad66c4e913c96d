"""Poses over a bore, held to cameras written out apart from portmap and to OpenCV's own pose of one photo."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from portmap.errors import PictureError
from portmap.picture.bore_pose import posed
from portmap.picture.bore_start import camera_place
from portmap.picture.lens_doubt import (
    guessed_lens,
    known_lens,
    loosened,
    seen_and_place_slopes,
    seen_and_slopes,
)
from tests.bore_corners import end_on, lens_of_camera, marked, scope, wall_places

NOISE_PX = 0.1
EXACT_MM = 1e-4  # corners without noise leave rounding only
STRETCHED_MM = 0.04  # a print's share of 0.15 % moves what it scales, up to 22 mm, by 0.033 mm
DRAWS = 30

SCENES = {
    "ring below": end_on(),
    "ring on the deck": end_on(deck=True),
    "one photo of a ring": end_on(photos=1),
    "strip, fisheye": scope(),
    "strip, pinhole": scope(fisheye=False),
    "ring, bore 70": end_on(bore_mm=70.0, away_mm=120.0),
}


def true_places(scene):
    return np.array([camera.place_mm for camera in scene.cameras])


def found_places(found):
    return np.array([camera_place(pose.turn, pose.shift_mm) for pose in found.poses])


def told(scene):
    return known_lens(lens_of_camera(scene.cameras[0]))


@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
def test_corners_without_noise_give_the_cameras_back(scene):
    found = posed(marked(scene), [told(scene)], scene.seat)
    assert np.abs(found_places(found) - true_places(scene)).max() < EXACT_MM
    for pose, camera in zip(found.poses, scene.cameras, strict=True):
        np.testing.assert_allclose(cv2.Rodrigues(pose.turn)[0], camera.turn, atol=1e-6)


@pytest.mark.parametrize("longer", [0.0015, -0.0015])
def test_a_strip_printed_a_little_large_puts_no_camera_beside_its_place(longer):
    # its ends then do not meet: photos across them would place the camera by tenths of a millimetre elsewhere
    scene = scope(frames=16)
    found = posed(marked(scene, longer=longer), [told(scene)], scene.seat)
    assert np.abs(found_places(found) - true_places(scene)).max() < STRETCHED_MM


@pytest.mark.parametrize("scene", [SCENES["ring below"], SCENES["strip, pinhole"]], ids=["ring", "strip"])
def test_an_unknown_lens_is_found_from_the_card(scene):
    photos = marked(scene, np.random.default_rng(3), noise_px=NOISE_PX)
    found = posed(photos, [guessed_lens(scene.cameras[0].size_px)], scene.seat)
    sd = math.sqrt(found.covariance[0, 0])
    assert sd < 0.01
    assert abs(math.log(found.lenses[0].lens.fx_px / scene.cameras[0].fx)) < 4 * sd
    variances = np.diag(found.covariance)[8 : 8 + 6 * len(photos)].reshape(-1, 6)[:, 3:]
    places_sd = np.sqrt(variances.sum(axis=1))
    off = np.linalg.norm(found_places(found) - true_places(scene), axis=1)
    assert (off < 5 * places_sd + EXACT_MM).all()


def test_a_lens_that_wandered_is_refined():
    scene = end_on()
    lens = lens_of_camera(scene.cameras[0])
    off = known_lens(replace(lens, fx_px=lens.fx_px * 1.01, fy_px=lens.fy_px * 1.01))
    photos = marked(scene, np.random.default_rng(4), noise_px=NOISE_PX)
    held = posed(photos, [off], scene.seat)
    refined = posed(photos, [loosened(off)], scene.seat)
    assert held.rms_mm > 2 * refined.rms_mm
    assert refined.lenses[0].lens.fx_px == pytest.approx(lens.fx_px, rel=2e-3)


def test_one_photo_agrees_with_opencv_alone():
    # the same least squares, by cv2.solvePnP's own iteration
    scene = end_on(photos=1)
    photo = marked(scene, np.random.default_rng(5), noise_px=NOISE_PX)[0]
    found = posed([photo], [told(scene)], scene.seat)
    right, up = photo.marks.places_mm.T
    places = np.column_stack([up, right, np.full_like(up, -0.1)])
    lens = lens_of_camera(scene.cameras[0])
    done, turn, shift = cv2.solvePnP(
        places, photo.marks.pixels_px, lens.matrix, np.array(lens.distortion), flags=cv2.SOLVEPNP_ITERATIVE
    )
    assert done
    # Huber's weights differ a little from none
    np.testing.assert_allclose(found.poses[0].shift_mm, shift.ravel(), atol=0.01)
    np.testing.assert_allclose(found.poses[0].turn, turn.ravel(), atol=1e-4)


@pytest.mark.parametrize("unknown", [False, True], ids=["lens known", "lens unknown"])
def test_the_covariance_is_that_of_repeated_photos(unknown):
    scene = end_on(photos=3)
    rng = np.random.default_rng(6)
    guess = guessed_lens(scene.cameras[0].size_px) if unknown else told(scene)
    first = 8 if unknown else 0
    places, foretold = [], 0.0
    for _ in range(DRAWS):
        found = posed(marked(scene, rng, noise_px=NOISE_PX), [guess], scene.seat)
        places.append(np.concatenate([pose.shift_mm for pose in found.poses]))
        foretold += np.diag(found.covariance)[first : first + 18].reshape(3, 6)[:, 3:].mean()
    scatter = np.var(places, axis=0, ddof=1).mean()
    # the variance is widened by a quarter for neighbours that err alike; 30 draws of 9 figures, many shared
    assert 0.5 < scatter / (foretold / DRAWS) < 1.4


def test_a_corner_far_off_is_set_aside():
    scene = end_on()
    photos = marked(scene, np.random.default_rng(7), noise_px=NOISE_PX)
    photos[1].marks.pixels_px[10] += [6.0, -4.0]
    found = posed(photos, [told(scene)], scene.seat)
    assert found.poses[1].used < found.poses[1].corners
    assert np.abs(found_places(found) - true_places(scene)).max() < 0.03


def zoomed(photo):
    return replace(photo, marks=replace(photo.marks, pixels_px=photo.marks.pixels_px @ np.diag([1.12, 0.95])))


def test_a_photo_that_contradicts_three_others_is_named_and_left_out():
    scene = end_on()
    photos = marked(scene, np.random.default_rng(8), noise_px=NOISE_PX)
    photos[2] = zoomed(photos[2])
    found = posed(photos, [told(scene)], scene.seat)
    assert found.set_aside == ("photo-3.jpg",)
    assert [pose.name for pose in found.poses] == ["photo-1.jpg", "photo-2.jpg", "photo-4.jpg"]


def test_two_photos_that_contradict_one_another_are_refused():
    scene = end_on(photos=2)
    photos = marked(scene, np.random.default_rng(9), noise_px=NOISE_PX)
    photos[1] = zoomed(photos[1])
    with pytest.raises(PictureError, match=r"contradict one another.*photo-1\.jpg.*photo-2\.jpg"):
        posed(photos, [told(scene)], scene.seat)


def test_no_photo_with_a_card_is_refused():
    with pytest.raises(PictureError, match="no ring or strip card"):
        posed([], [], end_on().seat)


def test_photos_of_two_cards_are_refused():
    one, other = end_on(photos=1), end_on(photos=1, bore_mm=52.0)
    photos = [marked(one)[0], replace(marked(other)[0], name="other.jpg")]
    with pytest.raises(PictureError, match=r"other\.jpg"):
        posed(photos, [told(one)], one.seat)


@pytest.mark.parametrize(
    "scene", [SCENES["ring below"], SCENES["strip, fisheye"]], ids=["pinhole", "fisheye"]
)
def test_no_places_are_seen_nowhere(scene):
    lens = lens_of_camera(scene.cameras[0])
    seen, pose, figures = seen_and_slopes(lens, np.zeros(3), np.array([0.0, 0, 90]), np.empty((0, 3)))
    full, along_pose, along_lens = seen_and_slopes(lens, np.zeros(3), np.array([0.0, 0, 90]), np.ones((2, 3)))
    assert seen.shape[1:] == full.shape[1:]
    assert pose.shape[1:] == along_pose.shape[1:]
    assert figures.shape[1:] == along_lens.shape[1:]
    seen, moved = seen_and_place_slopes(lens, np.zeros(3), np.array([0.0, 0, 90]), np.empty((0, 3)))
    assert (seen.shape, moved.shape) == ((0, 2), (0, 2, 3))


@pytest.mark.parametrize(
    "scene", [SCENES["ring below"], SCENES["strip, fisheye"]], ids=["pinhole", "fisheye"]
)
def test_pixels_move_with_places_as_the_cameras_written_out_have_it(scene):
    camera, (x, y) = scene.cameras[1], wall_places(scene).T
    radius = scene.bore_mm / 2
    places = np.column_stack([radius * np.cos(x / radius), -radius * np.sin(x / radius), y])
    # far within what the camera has before it
    ahead = (places - camera.place_mm) @ camera.turn[2] / np.linalg.norm(places - camera.place_mm, axis=1)
    places = places[ahead > 0.7]
    assert len(places) > 20
    turn = cv2.Rodrigues(camera.turn)[0].ravel()
    seen, slopes = seen_and_place_slopes(lens_of_camera(camera), turn, -camera.turn @ camera.place_mm, places)
    np.testing.assert_allclose(seen, camera.project(places), atol=1e-6)
    for axis in range(3):
        step = 1e-4 * np.eye(3)[axis]
        moved = (camera.project(places + step) - camera.project(places - step)) / 2e-4
        np.testing.assert_allclose(slopes[:, :, axis], moved, atol=1e-4)


def test_stated_correlations_of_a_lens_are_used():
    lens = lens_of_camera(end_on().cameras[0])
    u = {"fx_px": 2.93, "distortion": [0.01, 0.02, 0.0, 0.0, 0.0]}
    alike = {"order": ["s", "a", "k1", "k2"], "matrix": np.eye(4).tolist()}
    alike["matrix"][2][3] = alike["matrix"][3][2] = -0.9
    guess = known_lens(lens, {**u, "correlation": alike})
    assert guess.free.tolist() == [0, 3, 4]
    assert guess.covariance[3, 4] == pytest.approx(-0.9 * 0.01 * 0.02)
    unit = guess.whitening @ guess.covariance[np.ix_(guess.free, guess.free)] @ guess.whitening.T
    np.testing.assert_allclose(unit, np.eye(3), atol=1e-9)
