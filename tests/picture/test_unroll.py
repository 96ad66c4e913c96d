"""The wall image: where places are looked up, what is seen, how light is evened, how sure places are."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from portmap.picture.bore_pose import posed
from portmap.picture.bore_seat import SEAT_SD
from portmap.picture.bore_start import camera_place
from portmap.picture.lens_doubt import known_lens
from portmap.picture.scaled import displacements
from portmap.picture.unroll_frame import seen_wall, wall_behind_strip
from portmap.picture.wall_doubt import doubt_mm, wall_doubt
from portmap.picture.wall_join import CELL_PX, MARGIN, shares
from portmap.picture.wall_light import EVEN_LEVEL, light_gain
from portmap.picture.wall_pixels import wall_pixels
from portmap.picture.wall_sight import WallSight, seen_at, wall_unseen
from portmap.picture.wall_view import (
    View,
    WallFrame,
    all_shown,
    nodes_of,
    pixel_map,
    shown_by,
    spread_out,
    wall_slopes,
)
from tests.bore_camera import Camera
from tests.bore_corners import DECK_MM, end_on, lens_of_camera, marked, on_wall, scope, wall_places

SCENES = {"ring": end_on(), "deck": end_on(deck=True), "fisheye": scope(), "pinhole": scope(fisheye=False)}
MAP_PX = 0.03  # cells of 8 px are joined by straight pieces
GREY = 1.5  # of 255: rounding, OpenCV's steps of 1/32 px, and the two ways of interpolating


def view_of(scene, number=0, pixels=None):
    import cv2

    camera: Camera = scene.cameras[number]
    columns, rows = camera.size_px
    turn = cv2.Rodrigues(camera.turn)[0].ravel()
    return View(
        name=f"photo-{number + 1}.jpg",
        pixels=np.zeros((rows, columns, 3), np.uint8) if pixels is None else pixels,
        lens=lens_of_camera(camera),
        turn=turn,
        shift_mm=-camera.turn @ camera.place_mm,
        ends_mm=(0.0, DECK_MM),
    )


@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
def test_places_are_looked_up_where_the_camera_sees_them(scene):
    view = view_of(scene, 1)
    places = wall_places(scene)
    places = places[shown_by(view, scene.bore_mm / 2, places).worth > 0]
    assert len(places) > 20
    seen = scene.cameras[1].project(on_wall(scene.bore_mm, places))
    np.testing.assert_allclose(pixel_map(view, scene.bore_mm / 2, places), seen, atol=1e-6)


def test_a_mirrored_photo_is_looked_up_from_its_other_side():
    scene = scope()
    straight = view_of(scene)
    turned = View(**{**{f: getattr(straight, f) for f in straight.__slots__}, "mirrored": True})
    places = wall_places(scene, 50)
    one, other = (pixel_map(view, 23.0, places) for view in (straight, turned))
    np.testing.assert_allclose(one[:, 0] + other[:, 0], straight.lens.size_px[0] - 1, atol=1e-9)
    np.testing.assert_allclose(one[:, 1], other[:, 1])


@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
def test_nothing_is_shown_that_the_cylinder_hides(scene):
    # by walking along the sight line: it must not leave the bore before it leaves the bore's open end
    places = wall_places(scene, 600)
    for number in range(len(scene.cameras)):
        shown = shown_by(view_of(scene, number), scene.bore_mm / 2, places).worth > 0
        start = on_wall(scene.bore_mm, places[shown])
        eye = scene.cameras[number].place_mm
        for share in np.linspace(0.002, 0.998, 200):
            at = start + share * (eye - start)
            within = (at[:, 2] > 0) & (at[:, 2] < DECK_MM)
            assert (np.hypot(*at[within, :2].T) <= scene.bore_mm / 2 + 1e-9).all()


@pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)
def test_slopes_are_those_of_small_steps(scene):
    view, radius = view_of(scene), scene.bore_mm / 2
    places = wall_places(scene, 200)
    places = places[shown_by(view, radius, places).worth > 0]
    _, slopes, _, _ = wall_slopes(view, radius, places)
    for axis in (0, 1):
        step = np.zeros(2)
        step[axis] = 1e-4
        moved = pixel_map(view, radius, places + step) - pixel_map(view, radius, places - step)
        np.testing.assert_allclose(slopes[:, :, axis], moved / 2e-4, atol=1e-4)


@pytest.mark.parametrize("scene", [SCENES["ring"], SCENES["fisheye"]], ids=["ring", "fisheye"])
def test_the_wall_image_is_the_photo_sampled_at_each_place(scene):
    columns, rows = scene.cameras[0].size_px
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    waves = 128 + 60 * np.sin(c / 23.0) * np.cos(r / 31.0) + 40 * np.cos((c + r) / 41.0)
    photo = np.repeat(np.rint(waves).astype(np.uint8)[:, :, None], 3, axis=2)
    view = view_of(scene, 0, photo)
    frame = WallFrame.of(scene.bore_mm, 0.05, 16.0, 40.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    share = shares([shown_by(view, scene.bore_mm / 2, nodes.places_mm)], nodes)
    made = wall_pixels([view], frame, share, None, nodes)
    whole = spread_out(share[0], nodes, slice(0, frame.rows), slice(0, frame.columns)) == 1.0
    row, column = np.nonzero(whole)
    pick = np.random.default_rng(1).choice(len(row), 4000, replace=False)
    row, column = row[pick], column[pick]
    x, y = frame.left_mm + column * frame.step_mm, frame.top_mm - row * frame.step_mm
    seen = scene.cameras[0].project(on_wall(scene.bore_mm, np.column_stack([x, y])))
    expected = map_coordinates(photo[:, :, 0].astype(float), [seen[:, 1], seen[:, 0]], order=3)
    off = made[row, column, 0] - expected
    assert np.abs(off).max() < 4.0
    assert float(np.sqrt(np.mean(off**2))) < GREY


def test_several_photos_are_mixed_by_their_shares_and_gains():
    scene = end_on(photos=4)
    columns, rows = scene.cameras[0].size_px
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    photos = [
        np.rint(100 + 12 * k + 40 * np.sin(c / (31.0 + k)) * np.cos(r / 37.0)).astype(np.uint8)
        for k in range(4)
    ]
    views = [view_of(scene, k, np.repeat(photo[:, :, None], 3, axis=2)) for k, photo in enumerate(photos)]
    frame = WallFrame.of(scene.bore_mm, 0.05, 2.0, 46.0)
    nodes, radius = nodes_of(frame, CELL_PX, MARGIN), scene.bore_mm / 2
    share = shares(all_shown(views, radius, nodes.places_mm), nodes)
    gain = [np.full(nodes.shape, 0.9 + 0.1 * k, np.float32) for k in range(4)]
    made = wall_pixels(views, frame, share, gain, nodes)
    parts = [spread_out(own, nodes, slice(0, frame.rows), slice(0, frame.columns)) for own in share]
    total = np.sum(parts, axis=0)
    mixed = (np.max(parts, axis=0) < 0.9) & (total > 1 - 1e-5)
    alone = np.max(parts, axis=0) > 1 - 1e-5
    rng = np.random.default_rng(2)
    for there in (mixed, alone):
        row, column = np.nonzero(there)
        assert len(row) > 4000
        pick = rng.choice(len(row), 4000, replace=False)
        row, column = row[pick], column[pick]
        x, y = frame.left_mm + column * frame.step_mm, frame.top_mm - row * frame.step_mm
        at = on_wall(scene.bore_mm, np.column_stack([x, y]))
        expected = np.zeros(len(row))
        for camera, photo, part, own in zip(scene.cameras, photos, parts, gain, strict=True):
            seen = camera.project(at)
            # scipy's own interpolation, of the photo as it is; portmap reduces it first
            level = map_coordinates(photo.astype(float), [seen[:, 1], seen[:, 0]], order=3)
            expected += part[row, column] * own[0, 0] * level
        off = made[row, column, 0] - expected
        assert float(np.sqrt(np.mean(off**2))) < GREY


def test_maps_between_nodes_stay_within_a_small_part_of_a_pixel():
    scene = SCENES["ring"]
    view, frame = view_of(scene), WallFrame.of(scene.bore_mm, 0.05, 16.0, 40.0)
    fine = nodes_of(frame, 8)
    seen = pixel_map(view, scene.bore_mm / 2, fine.places_mm).astype(np.float32).reshape(*fine.shape, 2)
    rows, columns = slice(0, 256), slice(512, 1024)
    spread = spread_out(seen, fine, rows, columns)
    row, column = np.mgrid[rows, columns]
    places = np.column_stack(
        [frame.left_mm + column.ravel() * frame.step_mm, frame.top_mm - row.ravel() * frame.step_mm]
    )
    exact = pixel_map(view, scene.bore_mm / 2, places).reshape(spread.shape)
    assert np.abs(spread - exact).max() < MAP_PX


@given(bore_mm=st.floats(20, 130), step_mm=st.floats(0.02, 0.5), low=st.floats(0, 20), tall=st.floats(5, 60))
@settings(max_examples=50, deadline=None)
def test_a_whole_number_of_pixels_goes_round(bore_mm, step_mm, low, tall):
    frame = WallFrame.of(bore_mm, step_mm, low, low + tall)
    assert frame.columns * frame.step_mm == pytest.approx(math.pi * bore_mm, rel=1e-12)
    assert frame.step_mm == pytest.approx(step_mm, rel=0.6 * step_mm / (math.pi * bore_mm) + 1e-12)
    assert low - 1e-9 <= frame.top_mm - (frame.rows - 1) * frame.step_mm < low + frame.step_mm


def test_shares_add_up_and_meet_over_the_seam():
    scene = SCENES["fisheye"]
    frame = WallFrame.of(scene.bore_mm, 0.05, 20.0, 40.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    shown = [shown_by(view_of(scene, k), scene.bore_mm / 2, nodes.places_mm) for k in range(8)]
    share = shares(shown, nodes)
    assert share.min() >= 0
    total = share.sum(axis=0)
    np.testing.assert_allclose(total[total > 0], 1.0, atol=1e-5)
    whole = (slice(0, frame.rows), slice(0, frame.columns))
    spread = np.stack([spread_out(each, nodes, *whole) for each in share])
    # over the seam of the image a share changes no faster than elsewhere from one column to the next: by one
    # over a cell at most, which nodes that stand otherwise at its two ends see a little differently
    assert np.abs(spread[:, :, 0] - spread[:, :, -1]).max() < 2 / CELL_PX


def test_windows_do_not_brighten_the_wall_round_them():
    turn, height = np.linspace(-np.pi, np.pi, 90), np.linspace(5, 45, 30)
    light = 90 * np.exp(0.3 * np.cos(turn)) * np.exp(-height[:, None] / 60)
    windows = ((np.abs(turn) < 0.6) | (np.abs(np.abs(turn) - 1.6) < 0.25)) & (
        np.abs(height[:, None] - 30) < 6
    )
    seen = np.where(windows, 12.0, light).astype(np.float32)
    evened = light * light_gain(seen, np.ones(seen.shape), turn, height)
    assert np.abs(evened / EVEN_LEVEL - 1).max() < 0.12


def test_a_photo_that_shows_nothing_leaves_the_light_alone():
    gain = light_gain(np.full((4, 5), 30, np.float32), np.zeros((4, 5)), np.arange(5.0), np.arange(4.0))
    assert (gain == 1).all()


@given(low_mm=st.floats(20.0, 40.0), tall_mm=st.floats(5.0, 15.0))
def test_every_place_beside_a_strip_is_seen_or_behind_it(low_mm, tall_mm):
    """None is left between the last row that is seen and the strip's edge; past the image a strip goes on."""
    frame = WallFrame.of(40.0, 0.05, 1.0, 45.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    seen = seen_wall(frame, nodes, np.ones((1, *nodes.shape), np.float32), (low_mm, low_mm + tall_mm))
    none = np.zeros(0)
    strip = wall_behind_strip(frame, (low_mm, low_mm + tall_mm))
    sight = WallSight(
        bore_mm=40.0, seen=seen, x_mm=none, y_mm=none, drift=np.zeros((0, 0, 2)), strip_mm=strip
    )
    y = np.concatenate([end + np.linspace(-0.5, 0.5, 997) for end in (low_mm, low_mm + tall_mm)])
    y = y[(y > 1.1) & (y < 44.9)]
    places = np.stack([np.zeros_like(y), y], axis=1)
    rows = (frame.top_mm - y) / frame.step_mm
    shown = seen_at(sight, np.stack([np.full_like(rows, 100.0), rows], axis=1))
    behind = wall_unseen(sight, places)
    assert (shown | behind).all()
    assert not (shown & behind).any()
    inside = np.linspace(low_mm + 0.06, low_mm + tall_mm - 0.06, 50)
    assert wall_unseen(sight, np.stack([np.zeros_like(inside), inside], axis=1)).all()


@pytest.mark.parametrize("name", ["ring", "fisheye"])
def test_stated_doubt_is_the_scatter_of_walls_unrolled_again(name):
    """Corners with noise and a card laid askew at random, against the truth at 300 places of the wall."""
    scene, draws = SCENES[name], 24
    kind = "ring" if scene.ring else "strip"
    rng = np.random.default_rng(11)
    radius = scene.bore_mm / 2
    frame = WallFrame.of(scene.bore_mm, 0.05, 14.0, 40.0)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    shown = [shown_by(view_of(scene, k), radius, nodes.places_mm) for k in range(len(scene.cameras))]
    share = shares(shown, nodes)
    guess = known_lens(lens_of_camera(scene.cameras[0]))
    middle = 0.0 if scene.ring else scene.seat.low_mm + 10.0
    sd = np.array(SEAT_SD[kind])
    squares, doubt = [], None
    for _ in range(draws):
        askew = rng.normal(0, sd)
        found = posed(marked(scene, rng, noise_px=0.1, moved=(askew[:3], askew[3:])), [guess], scene.seat)
        views = [view_of(scene, k) for k in range(len(scene.cameras))]
        if doubt is None:
            doubt = wall_doubt(views, found, share, nodes, radius, middle)
        moved = np.zeros((len(nodes.places_mm), 2))
        for k, pose in enumerate(found.poses):
            part = share[k].ravel()
            used = np.flatnonzero(part > 0)
            far = camera_place(pose.turn, pose.shift_mm) - scene.cameras[k].place_mm
            assert np.linalg.norm(far) < 1.0
            view = View(
                name=pose.name,
                pixels=views[k].pixels,
                lens=views[k].lens,
                turn=pose.turn,
                shift_mm=pose.shift_mm,
            )
            # where the image says the place is, the photo shows another
            miss = pixel_map(view, radius, nodes.places_mm[used]) - scene.cameras[k].project(
                on_wall(scene.bore_mm, nodes.places_mm[used])
            )
            slopes = wall_slopes(views[k], radius, nodes.places_mm[used])[1]
            moved[used] += np.linalg.solve(slopes, miss[:, :, None])[:, :, 0] * part[used, None]
        squares.append(moved**2)
    there = share.sum(axis=0).ravel() > 0.9
    scatter = np.mean(squares, axis=0)[there]
    stated = (displacements(doubt, nodes.places_mm)[:, there] ** 2).sum(axis=0)
    ratio = np.sqrt(scatter.mean(axis=0) / stated.mean(axis=0))
    assert (ratio > 0.6).all()
    assert (ratio < 1.25).all()


def test_places_seen_aslant_are_less_sure():
    scene = end_on(photos=1)
    found = posed(marked(scene), [known_lens(lens_of_camera(scene.cameras[0]))], scene.seat)
    frame = WallFrame.of(scene.bore_mm, 0.05, 5.0, 45.0)
    nodes, view = nodes_of(frame, CELL_PX), view_of(scene)
    shown = shown_by(view, 23.0, nodes.places_mm)
    doubt = wall_doubt([view], found, shares([shown], nodes), nodes, 23.0, 0.0)
    sd = np.sqrt((displacements(doubt, nodes.places_mm) ** 2).sum(axis=(0, 2)))
    there = shown.worth > 0
    steep, fair = there & (shown.aslant_deg > 77), there & (shown.aslant_deg < 68)
    assert sd[steep].mean() > 1.5 * sd[fair].mean()
    assert doubt_mm(doubt).shape == (len(doubt.grid_y_mm), len(doubt.grid_x_mm))
