"""The bore's rim beside a ring laid askew: found in rendered photos, and what it tells of the ring's seat."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from portmap.picture.bore_pose import posed
from portmap.picture.bore_rim import rim_in_photo
from portmap.picture.bore_seat import SEAT_SD
from portmap.picture.bore_shots import SeenHeight
from portmap.picture.lens_doubt import known_lens
from portmap.picture.load import picture_from_bytes
from portmap.picture.unroll import unroll
from tests.bore_corners import DECK_MM, end_on, lens_of_camera, marked, scope, seen_rim
from tests.bore_cylinders import sample_bore
from tests.bore_scenes import end_on_set
from tests.bore_sets import BoreSet

RIM_NOISE_PX = 0.3
SEAT_MM = 0.02  # of a ring's middle from a rendered rim: half a pixel of these photos, seen all round
PIXELS = 1_600_000


def with_rims(scene, photos, rng, wider_mm=0.0):
    """Return photos with the rim as the tests' own camera sees it, noise square to it."""
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    level = scene.seat.deck_mm if scene.seat.on == "deck" else 0.0
    made = []
    for photo, camera in zip(photos, scene.cameras, strict=True):
        rim = seen_rim(camera, angle, scene.bore_mm / 2 + wider_mm, level, RIM_NOISE_PX, rng)
        made.append(replace(photo, rim=rim))
    return made


@pytest.mark.parametrize("deck", [False, True], ids=["base", "deck"])
@pytest.mark.parametrize("wider_mm", [0.0, 0.25], ids=["sharp rim", "chamfered rim"])
def test_a_rim_tells_how_the_ring_lies_within_its_stated_doubt(deck, wider_mm):
    scene, rng = end_on(deck=deck), np.random.default_rng(8)
    sd = np.array(SEAT_SD["ring"])
    askew = np.array([0.11, -0.08, 0.02, 0.0006, -0.0004, 0.0])
    photos = marked(scene, rng, noise_px=0.05, moved=(askew[:3], askew[3:]))
    found = posed(
        with_rims(scene, photos, rng, wider_mm), [known_lens(lens_of_camera(scene.cameras[0]))], scene.seat
    )
    stated = np.sqrt(np.diag(found.covariance)[-6:])
    assert found.rim_photos == len(scene.cameras)
    assert (np.abs(found.seat - askew)[:5] < 3.5 * stated[:5]).all()
    assert (stated[:2] < 0.25 * sd[:2]).all()
    # a circle does not tell how it is turned
    assert stated[5] == pytest.approx(sd[5], rel=0.01)
    for pose, camera in zip(found.poses, scene.cameras, strict=True):
        place = -cv2.Rodrigues(pose.turn)[0].T @ pose.shift_mm
        # a tilt of the ring turns the camera about it
        arm = np.linalg.norm(camera.place_mm - [0.0, 0.0, DECK_MM if deck else 0.0])
        assert np.abs(place - camera.place_mm).max() < 3.5 * np.hypot(
            stated[:2].max(), arm * stated[3:5].max()
        )


def test_without_a_rim_the_seat_is_as_doubtful_as_a_hand():
    scene = end_on()
    found = posed(marked(scene), [known_lens(lens_of_camera(scene.cameras[0]))], scene.seat)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)[-6:]), SEAT_SD["ring"], rtol=1e-6)
    assert not found.seat.any()
    assert found.rim_photos == 0


def one_set(**ring) -> BoreSet:
    bores = end_on_set(5, bore=sample_bore(), photos=2, pixels=PIXELS, lens_known=True)
    shots = tuple(
        replace(
            shot,
            scene=replace(
                shot.scene,
                ring=replace(
                    shot.scene.ring, turn_rad=0.0, lift_mm=0.0, slope=(0.0, 0.0), **{"hole_mm": 23.3} | ring
                ),
            ),
        )
        for shot in bores.shots
    )
    return replace(bores, shots=shots)


def unrolled(bores):
    from portmap.picture.camera import lens_of

    pictures = [picture_from_bytes(shot.jpeg(), name=shot.name) for shot in bores.shots]
    return unroll(
        pictures, 46.0, lens=lens_of(bores.lens), lens_u=bores.lens["u"], deck_mm=62.0, mm_per_px=0.2
    )


def test_a_ring_off_the_middle_is_found_from_the_rim_in_photos():
    bores = one_set(shift_mm=(0.12, -0.09))
    made = unrolled(bores)
    # the card's right is the bore's Y, its up the bore's X
    right, up = bores.shots[0].scene.ring.shift_mm
    assert made.image.source["rim_seen_in"] == 2
    np.testing.assert_allclose(made.image.source["card_off_mm"][:2], [up, right], atol=SEAT_MM)
    assert "rim-not-seen" not in [notice.code for notice in made.image.notices]


def test_paper_that_reaches_over_the_rim_is_not_taken_for_it():
    bores = one_set(shift_mm=(0.0, 0.0), hole_mm=22.6)
    made = unrolled(bores)
    assert made.image.source["rim_seen_in"] == 0
    assert "rim-not-seen" in [notice.code for notice in made.image.notices]


def test_a_picture_without_any_rim_has_none():
    scene = end_on()
    grey = np.full((3000, 4000, 3), 120, np.uint8)
    camera = scene.cameras[0]
    turn = cv2.Rodrigues(camera.turn)[0].ravel()
    shift = -camera.turn @ camera.place_mm
    assert rim_in_photo(grey, lens_of_camera(camera), turn, shift, radius_mm=23.0) is None


def test_a_measured_height_tells_how_high_a_strip_lies():
    scene, rng = scope(), np.random.default_rng(9)
    lift = 0.11  # two of a hand's standard deviations
    photos = marked(scene, rng, noise_px=0.05, moved=(np.array([0.0, 0.0, lift]), np.zeros(3)))
    guess = known_lens(lens_of_camera(scene.cameras[0]))
    # a place 30 mm up that the first camera looks at
    places = np.array([[scene.bore_mm / 2, 0.0, height] for height in (30.0, 31.0)])
    at, above = scene.cameras[0].project(places)
    told = SeenHeight(
        angle_rad=np.zeros(1),
        height_mm=np.array([30.0]),
        u_mm=np.array([0.02]),
        pixels_px=at[None],
        up_px=(above - at)[None],
    )
    untied = posed(photos, [guess], scene.seat)
    tied = posed([replace(photos[0], heights=told), *photos[1:]], [guess], scene.seat)
    stated = float(np.sqrt(tied.covariance[-4, -4]))
    assert stated < 0.6 * float(np.sqrt(untied.covariance[-4, -4]))
    assert abs(tied.seat[2] - lift) < 3 * stated
    off = [
        np.mean(
            [
                (-cv2.Rodrigues(p.turn)[0].T @ p.shift_mm - c.place_mm)[2]
                for p, c in zip(found.poses, scene.cameras, strict=True)
            ]
        )
        for found in (untied, tied)
    ]
    assert off[0] == pytest.approx(-lift, abs=0.03)
    assert abs(off[1]) < 3 * stated
