"""The bore's rim beside a ring laid askew: found in rendered photos, and what it tells of the ring's seat."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from portmap.picture.bore_pose import posed
from portmap.picture.bore_rim import rim_in_photo
from portmap.picture.bore_seat import PRINT_SD, SEAT_SD, WALL_OUT_SD_MM
from portmap.picture.bore_shots import SeenHeight
from portmap.picture.lens_doubt import known_lens
from portmap.picture.load import picture_from_bytes
from portmap.picture.scaled import displacements
from portmap.picture.unroll import unroll
from portmap.picture.wall_doubt import wall_doubt
from portmap.picture.wall_view import View, WallFrame, nodes_of, pixel_map, wall_slopes
from tests.bore_corners import (
    DECK_MM,
    end_on,
    lens_of_camera,
    marked,
    on_wall,
    scope,
    with_far_rims,
    with_rims,
)
from tests.bore_cylinders import sample_bore
from tests.bore_scenes import end_on_set
from tests.bore_sets import BoreSet

SEAT_MM = 0.02  # of a ring's middle from a rendered rim: half a pixel of these photos, seen all round
PIXELS = 1_600_000


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
    stated = np.sqrt(np.diag(found.covariance)[-8:-2])
    assert found.rim_photos == len(scene.cameras)
    # nobody measured a height: the bore is as told
    assert (found.ring_larger, found.wall_out_mm) == pytest.approx((0.0, 0.0), abs=1e-12)
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
    np.testing.assert_allclose(
        np.sqrt(np.diag(found.covariance)[-8:]), [*SEAT_SD["ring"], PRINT_SD, WALL_OUT_SD_MM], rtol=1e-6
    )
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


@pytest.mark.parametrize("deck", [False, True], ids=["base", "deck"])
def test_a_measured_height_tells_a_rings_size_and_the_wall(deck):
    """Prints and walls as they happen to be, against heights elsewhere on the true wall.

    What they do to heights as cameras near the axis see them is nearly the same all over.
    """
    scene, rng = end_on(deck=deck, beside_mm=8.0), np.random.default_rng(14)
    guess, told_u = known_lens(lens_of_camera(scene.cameras[0])), 0.02
    turns = np.array([0.9, -1.3, 2.4, 0.2])
    heights = np.array([24.0, 28.0, 33.0, 38.0] if deck else [38.0, 33.0, 28.0, 24.0])
    offs: dict[bool, list[np.ndarray]] = {False: [], True: []}
    stated: dict[bool, np.ndarray] = {}
    for _ in range(40):
        askew = rng.normal(0, np.array(SEAT_SD["ring"]))
        wall = scene.bore_mm / 2 + rng.normal(0, WALL_OUT_SD_MM)
        moved, longer = (askew[:3], askew[3:]), float(rng.normal(0, PRINT_SD))
        photos = with_rims(scene, marked(scene, rng, noise_px=0.05, moved=moved, longer=longer), rng)
        photos = with_far_rims(scene, photos, rng, 0.0 if deck else DECK_MM, 0.1)
        first = facing(scene, np.zeros(1))[0]
        at, above = scene.cameras[first].project(on_wall(2 * wall, np.array([[0.0, 31.0], [0.0, 32.0]])))
        told = SeenHeight(
            angle_rad=np.zeros(1),
            height_mm=31.0 + rng.normal(0, told_u, 1),
            u_mm=np.array([told_u]),
            pixels_px=at[None],
            up_px=(above - at)[None],
        )
        for tied in (False, True):
            given = [replace(p, heights=told if tied and k == first else None) for k, p in enumerate(photos)]
            found = posed(given, [guess], scene.seat)
            radius = scene.bore_mm / 2 + found.wall_out_mm
            views = [
                View(
                    name=pose.name,
                    pixels=np.zeros((1, 1, 3), np.uint8),
                    lens=lens_of_camera(camera),
                    turn=pose.turn,
                    shift_mm=pose.shift_mm,
                )
                for pose, camera in zip(found.poses, scene.cameras, strict=True)
            ]
            places = np.column_stack([turns * radius, heights])
            by = facing(scene, turns)
            off, u = [], []
            for place, k in zip(places[:, None], by, strict=True):
                true = scene.cameras[k].project(on_wall(2 * wall, place * [wall / radius, 1.0]))
                slopes = wall_slopes(views[k], radius, place)[1][0]
                off.append(np.linalg.solve(slopes, (pixel_map(views[k], radius, place) - true)[0])[1])
                if tied not in stated:
                    nodes = nodes_of(WallFrame.of(2 * radius, 0.05, 14.0, 42.0), 32, 6)
                    share = np.zeros((len(views), *nodes.shape), np.float32)
                    share[k] = 1.0
                    doubt = wall_doubt(views, found, share, nodes, radius, DECK_MM if deck else 0.0)
                    u.append(float(np.sqrt((displacements(doubt, place)[:, 0, 1] ** 2).sum())))
            offs[tied].append(np.array(off))
            stated.setdefault(tied, np.array(u))
    scatter = {tied: float(np.sqrt(np.mean(np.square(offs[tied])))) for tied in offs}
    assert scatter[True] < 0.65 * scatter[False]
    for tied, found in scatter.items():
        assert 0.7 < found / np.sqrt(np.mean(stated[tied] ** 2)) < 1.3


def facing(scene, turns_rad):
    """Return which camera stands farthest off each place of the wall, beside the axis."""
    return [
        int(np.argmin([c.place_mm[:2] @ [np.cos(turn), -np.sin(turn)] for c in scene.cameras]))
        for turn in turns_rad
    ]
