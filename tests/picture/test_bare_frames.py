"""Frames of a turned scope with no card in sight: joined, scaled, tied to a height, refused."""

import functools
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from portmap.errors import PictureError, QuantityError
from portmap.picture import bare_height, wall_heights
from portmap.picture.bare_adjust import adjusted, landed
from portmap.picture.bare_frames import bare_frames, bare_notices, bare_views
from portmap.picture.bare_height import Tie, height_tie, tied_doubt, tied_poses
from portmap.picture.bare_match import Matches
from portmap.picture.bore_start import camera_place
from portmap.picture.camera import lens_of, rays
from portmap.picture.frame_figures import pose_of, started
from portmap.picture.lens_doubt import known_lens
from portmap.picture.load import Picture, picture_from_bytes
from portmap.picture.scaled import PlaceDoubt, displacements
from portmap.picture.wall_heights import HEIGHT_U_MM, ToldHeight, edge_seen, told_height
from portmap.picture.wall_view import pixel_map, shown_by
from tests.bore_camera import Camera, turned_to
from tests.bore_corners import FISHEYE, lens_of_camera
from tests.bore_scopes import bare_set

PLACE_MM = 0.06  # what a roof may be off, by the aims; a place of the wall no further
TURN_MM = 1e-3  # of exact places, by their rounding in iterations that settle
BORE_MM = 46.0


# --- geometry alone: sight lines of cameras that share no code with portmap, no picture


def turned_scope(count=12, *, lean_deg=0.4, seed=3):
    """Return cameras that are turned on an axis beside the bore's and leaning, with slips."""
    rng = np.random.default_rng(seed)
    cameras = []
    for k in range(count):
        heading = math.radians(360 / count * k + (rng.normal(0, 0.4) if k else 0.0))
        level = np.array([math.cos(heading), -math.sin(heading), 0.0])
        up = math.radians(0.8 + lean_deg * math.cos(heading))
        place = -9.0 * level + [0.6, -0.4, rng.normal(0, 0.05) if k else 0.0]
        cameras.append(
            Camera(
                model="fisheye",
                size_px=(960, 720),
                fx=430.0,
                fy=430.0,
                cx=484.0,
                cy=355.0,
                distortion=FISHEYE,
                turn=turned_to(level + np.array([0, 0, math.tan(up)]), np.array([0.0, 0.0, 1.0]), 1.0),
                place_mm=place,
            )
        )
    return cameras


def shared_by(cameras, first, second, start, noise_mm, rng):
    """Return places that two cameras see, as they land by figures that are somewhat off."""
    radius = BORE_MM / 2
    middle = [math.atan2(-camera.turn[2, 1], camera.turn[2, 0]) for camera in cameras]
    between = middle[first] + math.remainder(middle[second] - middle[first], 2 * math.pi) / 2
    turn = between + rng.uniform(-0.5, 0.5, 60)
    at = np.column_stack([radius * np.cos(turn), -radius * np.sin(turn), rng.uniform(-12, 12, 60)])
    seen = [cameras[k].project(at) for k in (first, second)]
    lens = lens_of_camera(cameras[0])
    places = [
        landed(rays(lens, pixels), np.tile(start[k], (60, 1)), radius)
        for k, pixels in zip((first, second), seen, strict=True)
    ]
    places[1] = places[1] + rng.normal(0, noise_mm, (60, 2))
    return Matches(
        first=first,
        second=second,
        tried=60,
        first_mm=places[0],
        second_mm=places[1],
        whitening=np.tile(np.eye(2) / 0.01, (60, 1, 1)),
    )


def solved(cameras, noise_mm, *, seed=1, wrong=0):
    rng = np.random.default_rng(seed)
    count = len(cameras)
    start = started(np.arange(count) * 2 * math.pi / count, 11.0)
    pairs = [
        shared_by(cameras, k, (k + ahead) % count, start, noise_mm, rng)
        for k in range(count)
        for ahead in (1, 2)
    ]
    for pair in pairs[:wrong]:
        pair.second_mm[:12] += rng.uniform(-1.0, 1.0, (12, 2))
    guess = known_lens(lens_of_camera(cameras[0]))
    return adjusted(pairs, start, guess, BORE_MM / 2, 2 * math.pi / count, np.arange(count))


def eyes_off(cameras, found):
    """Return how far each eye is from where it stands, after turn and height as a whole are taken out."""
    true = np.array([camera.place_mm for camera in cameras])
    got = np.array([camera_place(*np.split(pose_of(own), 2)) for own in found.figures])
    first = [cameras[0].turn[2], cv2.Rodrigues(pose_of(found.figures[0])[:3])[0][2]]
    off = math.atan2(-first[0][1], first[0][0]) - math.atan2(-first[1][1], first[1][0])
    c, s = math.cos(off), math.sin(off)
    turned = np.column_stack([got[:, 0] * c + got[:, 1] * s, got[:, 1] * c - got[:, 0] * s, got[:, 2]])
    return turned - true - (turned - true)[0] * [0, 0, 1]


def test_exact_places_give_the_scope_back():
    cameras = turned_scope()
    assert np.abs(eyes_off(cameras, solved(cameras, 0.0))).max() < TURN_MM


def test_wrong_pieces_do_not_move_the_scope():
    cameras = turned_scope()
    assert np.abs(eyes_off(cameras, solved(cameras, 0.003, wrong=24))).max() < 0.03


def test_the_doubt_of_the_eyes_is_that_of_their_scatter():
    # five draws of 12 eyes, of which height and turn of the first are held; the covariance is widened by the
    # square root of two for what pieces in pictures share, which exact geometry does not
    cameras = turned_scope()
    offs, sds = [], []
    for seed in range(5):
        found = solved(cameras, 0.01, seed=seed)
        offs.append(eyes_off(cameras, found)[1:])
        turned = [cv2.Rodrigues(pose_of(own)[:3])[0] for own in found.figures]
        blocks = [found.covariance[6 * k : 6 * k + 6, 6 * k : 6 * k + 6] for k in range(len(cameras))]
        sds.append(
            [
                np.sqrt(np.trace(_eye_covariance(pose_of(own), block)))
                for own, block, _ in zip(found.figures[1:], blocks[1:], turned[1:], strict=True)
            ]
        )
    scatter = math.sqrt(float(np.mean(np.sum(np.square(offs), axis=2))))
    stated = math.sqrt(float(np.mean(np.square(sds))))
    assert 0.4 * stated < scatter < 1.2 * stated


def _eye_covariance(pose, block):
    slopes = np.empty((3, 6))
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-6
        up, down = (camera_place((pose + s * step)[:3], (pose + s * step)[3:]) for s in (1, -1))
        slopes[:, k] = (up - down) / 2e-6
    return slopes @ block @ slopes.T


# --- rendered frames


@functools.lru_cache(maxsize=1)
def small_set():
    bores = bare_set(105, size_px=(480, 360), frames=12, scope="tube scope")
    return bores, tuple(picture_from_bytes(shot.jpeg(), name=shot.name) for shot in bores.shots)


def lens_known(bores):
    return known_lens(lens_of(bores.lens), bores.lens["u"])


@functools.lru_cache(maxsize=1)
def joined():
    bores, pictures = small_set()
    return bare_frames(pictures, bores.bore.bore_mm, lens_known(bores), step_deg=bores.told["step_deg"])


def places_off(bores, frames, poses=None):
    """Return by how much wall places are off, as each frame truly sees them, shape (N, 2) [mm]."""
    radius, cameras = bores.bore.radius_mm, {shot.name: shot.camera for shot in bores.shots}
    offs = []
    for view in bare_views(frames, poses or frames.poses):
        look = cv2.Rodrigues(view.turn)[0][2]
        heading, eye = math.atan2(-look[1], look[0]), camera_place(view.turn, view.shift_mm)
        x, y = np.meshgrid(heading + np.linspace(-0.6, 0.6, 9), eye[2] + np.linspace(-12, 12, 9))
        places = np.column_stack([radius * x.ravel(), y.ravel()])
        places = places[shown_by(view, radius, places).worth > 0]
        camera = cameras[view.name]
        way, at = camera.directions(pixel_map(view, radius, places)), camera.place_mm
        a, b = (way[:, :2] ** 2).sum(axis=1), way[:, :2] @ at[:2]
        far = (np.sqrt(b * b - a * (at[:2] @ at[:2] - radius**2)) - b) / a
        met = at + far[:, None] * way
        off = np.column_stack([radius * np.arctan2(-met[:, 1], met[:, 0]), met[:, 2]]) - places
        turn = 2 * math.pi * radius
        off[:, 0] = np.remainder(off[:, 0] + turn / 2, turn) - turn / 2
        offs.append(off)
    return np.vstack(offs)


def test_frames_are_joined_to_one_cylinder():
    bores, pictures = small_set()
    frames = joined()
    assert [picture.name for picture in frames.pictures] == [picture.name for picture in pictures]
    assert frames.closed
    assert frames.step_deg == pytest.approx(30.0, abs=0.2)  # slips of a third of a degree, over 12 steps
    off = places_off(bores, frames)
    assert np.abs(off - np.median(off, axis=0)).max() < PLACE_MM
    assert [notice.code for notice in bare_notices(frames)] == ["bare-frames"]


def test_the_first_frame_stands_at_height_0_and_looks_at_x_0():
    pose = joined().poses.poses[0]
    look = cv2.Rodrigues(pose.turn)[0][2]
    assert math.atan2(-look[1], look[0]) == pytest.approx(0.0, abs=1e-6)
    assert camera_place(pose.turn, pose.shift_mm)[2] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("edge", ["floor", "roof"])
def test_a_measured_edge_ties_height_and_turn(edge):
    bores, _ = small_set()
    frames = joined()
    bounds = next(o.outline.bounds for o in bores.bore.openings if o.kind == "exhaust")
    height = bounds[3] if edge == "roof" else bounds[1]
    tie = height_tie(frames, bores.bore.bore_mm, [told_height(f"exhaust {edge} {height:.4f} mm")])
    poses = tied_poses(frames.poses, tie)
    off = np.median(places_off(bores, frames, poses), axis=0)
    exhaust = np.array([o.outline.bounds for o in bores.bore.openings if o.kind == "exhaust"])
    middle = (exhaust[:, 0].min() + exhaust[:, 2].max()) / 2
    assert off[0] == pytest.approx(middle, abs=PLACE_MM)
    assert off[1] == pytest.approx(0.0, abs=max(PLACE_MM, 2 * tie.up_u_mm))
    assert HEIGHT_U_MM < tie.up_u_mm < 2 * HEIGHT_U_MM


def test_moved_poses_see_the_same_places():
    frames = joined()
    tie = Tie(
        up_mm=31.5,
        turn_rad=0.3,
        up_u_mm=0.05,
        across_u_mm=0.0,
        places_mm=np.zeros((1, 2)),
        shares=np.ones(1),
        middle_mm=None,
    )
    radius = small_set()[0].bore.radius_mm
    places = np.column_stack([np.linspace(-4, 4, 9), np.linspace(-5, 5, 9)])
    before, after = (bare_views(frames, poses)[0] for poses in (frames.poses, tied_poses(frames.poses, tie)))
    np.testing.assert_allclose(
        pixel_map(after, radius, places + np.array([-0.3 * radius, 31.5])),
        pixel_map(before, radius, places),
        atol=1e-6,
    )


def test_a_step_that_nobody_tells_is_found():
    bores, pictures = small_set()
    frames = bare_frames(pictures, bores.bore.bore_mm, lens_known(bores))
    assert frames.step_deg == pytest.approx(30.0, abs=0.3)
    off = places_off(bores, frames)
    assert np.abs(off - np.median(off, axis=0)).max() < PLACE_MM


def test_a_mirrored_scope_that_is_told_gives_the_same_wall():
    bores, pictures = small_set()
    turned = [replace(p, pixels=np.ascontiguousarray(p.pixels[:, ::-1])) for p in pictures]
    frames = bare_frames(turned, bores.bore.bore_mm, lens_known(bores), step_deg=30.0, mirrored=True)
    for got, right in zip(frames.poses.poses, joined().poses.poses, strict=True):
        np.testing.assert_allclose(got.turn, right.turn, atol=1e-4)
        np.testing.assert_allclose(got.shift_mm, right.shift_mm, atol=5e-3)


@pytest.mark.long
def test_a_mirrored_scope_that_is_not_told_seems_turned_the_other_way():
    bores, pictures = small_set()
    turned = [replace(p, pixels=np.ascontiguousarray(p.pixels[:, ::-1])) for p in pictures]
    lens = lens_known(bores)
    mirror = replace(lens.lens, cx_px=lens.lens.size_px[0] - 1 - lens.lens.cx_px)
    frames = bare_frames(turned, bores.bore.bore_mm, replace(lens, lens=mirror), step_deg=30.0)
    assert frames.step_deg == pytest.approx(-30.0, abs=0.2)
    assert "anticlockwise" in bare_notices(frames)[0].message


def blank(picture):
    """Return a frame of the same size that shows fog."""
    rng = np.random.default_rng(5)
    fog = rng.normal(120, 4, picture.pixels.shape).clip(0, 255).astype(np.uint8)
    return Picture(pixels=fog, name=picture.name, sha256=picture.sha256)


def test_a_frame_that_shares_nothing_is_left_out_and_named():
    bores, pictures = small_set()
    less = [blank(p) if k == 7 else p for k, p in enumerate(pictures)]
    frames = bare_frames(less, bores.bore.bore_mm, lens_known(bores), step_deg=30.0)
    assert frames.poses.set_aside == (pictures[7].name,)
    assert len(frames.pictures) == 11
    off = places_off(bores, frames)
    assert np.abs(off - np.median(off, axis=0)).max() < PLACE_MM
    notices = {notice.code: notice.message for notice in bare_notices(frames)}
    assert pictures[7].name in notices["frame-alone"]


def test_frames_of_fog_are_refused():
    bores, pictures = small_set()
    with pytest.raises(PictureError, match="share nothing of the wall"):
        bare_frames([blank(p) for p in pictures], bores.bore.bore_mm, lens_known(bores), step_deg=30.0)


@pytest.mark.long
def test_frames_that_stand_apart_are_named():
    bores, pictures = small_set()
    apart = [p if k < 4 else blank(p) for k, p in enumerate(pictures)]
    with pytest.raises(PictureError, match=r"frame-05\.jpg.* stand alone, only 4 frames hang together"):
        bare_frames(apart, bores.bore.bore_mm, lens_known(bores), step_deg=30.0)


def test_a_wrong_step_does_not_close():
    bores, pictures = small_set()
    with pytest.raises(PictureError, match=r"--step: the step does not close: .* 30\.\d° apart, not 27°"):
        bare_frames(pictures, bores.bore.bore_mm, lens_known(bores), step_deg=27.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param({"lens": None}, "--lens: .*need the scope's lens file; calibrate", id="no lens"),
        pytest.param({"pictures": 5}, "5 frames without a card cannot be joined.* 6 is the least", id="few"),
        pytest.param({"step_deg": 0.0}, "--step: a step of 0°; give 3 to 75°", id="no step"),
        pytest.param({"step_deg": math.nan}, "--step: a step of nan°", id="step nan"),
        pytest.param({"small": True}, r"frame-01\.jpg: this frame has 240 × 180 pixels", id="size"),
    ],
)
def test_what_cannot_be_joined_is_refused_at_once(change, words):
    bores, pictures = small_set()
    if change.get("small"):
        pictures = [replace(p, pixels=np.ascontiguousarray(p.pixels[::2, ::2])) for p in pictures]
    pictures = pictures[: change.get("pictures", 12)]
    lens = None if "lens" in change else lens_known(bores)
    with pytest.raises((PictureError, QuantityError), match=words):
        bare_frames(pictures, bores.bore.bore_mm, lens, step_deg=change.get("step_deg", 30.0))


# --- heights as they are typed, and what they leave in doubt


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("exhaust roof 38.2 mm", ToldHeight(window="exhaust", edge="roof", height_mm=38.2)),
        ("Exhaust Floor 1,5 in", ToldHeight(window="exhaust", edge="floor", height_mm=38.1)),
        (
            "boost roof 34 ± 0.098 mm at 9",
            ToldHeight(window="boost", edge="roof", height_mm=34.0, u_mm=0.05, frame=9),
        ),
        (
            "transfer roof 33.1 mm at 4",
            ToldHeight(window="transfer", edge="roof", height_mm=33.1, frame=4),
        ),
    ],
)
def test_heights_are_read(text, told):
    found = told_height(text)
    assert found.u_mm == pytest.approx(told.u_mm)
    assert found.height_mm == pytest.approx(told.height_mm)
    assert replace(found, u_mm=told.u_mm, height_mm=told.height_mm) == told


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("38.2 mm", "'38.2 mm' is no height of a window; give one such as"),
        ("door roof 38.2 mm", "'door roof 38.2 mm' is no height of a window"),
        ("exhaust roof", "is no height of a window"),
        ("exhaust roof tall", "'tall' is not a"),
        ("exhaust roof -3 mm", "--height"),
        ("boost roof 34 mm", "nobody tells which frame looks at the boost"),
    ],
)
def test_what_is_no_height_is_refused(text, words):
    with pytest.raises(QuantityError, match=words):
        told_height(text)


def test_no_height_is_refused():
    with pytest.raises(PictureError, match=r'give it: --height "exhaust roof 38.2 mm"'):
        height_tie(joined(), small_set()[0].bore.bore_mm, [])


def test_heights_that_contradict_are_refused():
    bores, _ = small_set()
    roof = bores.told["heights_mm"]["exhaust roof"]
    told = [told_height(f"exhaust roof {height} mm") for height in (roof, roof + 1)]
    with pytest.raises(PictureError, match="the heights contradict one another: the exhaust"):
        height_tie(joined(), bores.bore.bore_mm, told)


def test_a_height_whose_edge_no_frame_shows_is_refused_with_that_edge(monkeypatch):
    bores, _ = small_set()
    told = told_height(f"exhaust roof {bores.told['heights_mm']['exhaust roof']} mm")
    found = []
    monkeypatch.setattr(
        bare_height, "edge_seen", lambda *given, **more: found.append(edge_seen(*given, **more)) or found[0]
    )
    height_tie(joined(), bores.bore.bore_mm, [told])
    roof_mm = found[0].place_mm[1]
    monkeypatch.setattr(wall_heights, "_seen_range", lambda *_: (roof_mm - 16.0, roof_mm + 0.2))
    with pytest.raises(PictureError, match=r"no window that shows its roof is found where .* looks, so that"):
        height_tie(joined(), bores.bore.bore_mm, [told])


def test_a_tie_holds_the_wall_where_it_was_measured():
    # a mode that tilts the wall and lifts it: held at (0, 40), it only tilts about there
    x, y = np.array([-70.0, 0.0, 70.0]), np.array([0.0, 60.0])
    modes = np.zeros((1, 2, 3, 2))
    modes[0, ..., 1] = 0.5 + 0.001 * x
    modes[0, ..., 0] = 0.2
    tie = Tie(
        up_mm=0.0,
        turn_rad=0.0,
        up_u_mm=0.06,
        across_u_mm=0.02,
        places_mm=np.array([[0.0, 40.0]]),
        shares=np.ones(1),
        middle_mm=30.0,
    )
    held = tied_doubt(PlaceDoubt(grid_x_mm=x, grid_y_mm=y, modes_mm=modes), tie)
    at, beside = (
        np.sqrt((displacements(held, [[place, 40.0]]) ** 2).sum(axis=0))[0] for place in (0.0, 70.0)
    )
    np.testing.assert_allclose(at, [0.02, 0.06], atol=1e-12)
    np.testing.assert_allclose(beside, [0.02, math.hypot(0.07, 0.06)], atol=1e-12)


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "scope"), [(103, "tube scope"), (108, "narrow scope"), (111, "narrow scope")]
)
def test_other_bores_and_scopes_are_joined(seed, scope):
    bores = bare_set(seed, size_px=(720, 540), scope=scope)
    pictures = [picture_from_bytes(shot.jpeg(), name=shot.name) for shot in bores.shots]
    frames = bare_frames(pictures, bores.bore.bore_mm, lens_known(bores), step_deg=bores.told["step_deg"])
    off = places_off(bores, frames)
    assert np.abs(off - np.median(off, axis=0)).max() < PLACE_MM
