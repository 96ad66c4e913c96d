"""The made-up bores and their pictures: whole, seen all round, the same each time."""

from __future__ import annotations

import io
import itertools
import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from PIL import Image

from portmap.picture.bore_cards import ring_card
from tests.bore_parts import wall_point
from tests.bore_rays import RING
from tests.bore_rendering import traced
from tests.bore_scenes import (
    BORES_MM,
    BoreSet,
    bare_set,
    end_on_set,
    invented_bore,
    printed_page,
    sample_bore,
    strip_set,
    video_set,
    write_video,
)

SEEDS = (1, 2, 3, 4, 5, 6)
MAKERS = [
    pytest.param(lambda seed: end_on_set(seed), id="end-on"),
    pytest.param(lambda seed: strip_set(seed), id="strip"),
    pytest.param(lambda seed: bare_set(seed), id="bare"),
    pytest.param(lambda seed: video_set(seed, frames=24), id="video"),
]


@pytest.mark.parametrize("bore_mm", BORES_MM)
def test_windows_lie_apart_on_the_wall_and_below_the_deck(bore_mm):
    for seed in range(20):
        bore = invented_bore(np.random.default_rng(seed), bore_mm)
        turn = math.pi * bore_mm
        shapes = [o.outline.buffer(bore.chamfer_mm) for o in bore.openings]
        for one, other in itertools.combinations(shapes, 2):
            gaps = [one.distance(shapely.affinity.translate(other, k * turn)) for k in (-1, 0, 1)]
            assert min(gaps) > 0.5, (seed, bore)
        bounds = np.array([shape.bounds for shape in shapes])
        assert bounds[:, 1].min() > 2.0
        assert bounds[:, 3].max() < bore.deck_mm - 8.0  # leaves room for a strip
        assert len({o.name for o in bore.openings}) == len(bore.openings)


def test_the_sample_cylinder_is_that_of_the_sample_pictures():
    truth = json.loads((Path(__file__).parents[1] / "sample_images" / "truth.json").read_text())
    bore = sample_bore()
    assert [(o.name, o.kind) for o in bore.openings] == [(w["id"], w["kind"]) for w in truth["windows"]]
    for opening, window in zip(bore.openings, truth["windows"], strict=True):
        assert shapely.Polygon(window["outline_mm"]).symmetric_difference(opening.outline).area < 1e-3


@pytest.mark.parametrize("make", MAKERS)
def test_the_same_seed_makes_the_same_set(make):
    one, other, third = make(7), make(7), make(8)
    assert one.bore.bore_mm == other.bore.bore_mm
    assert one.windows == other.windows
    for a, b in zip(one.shots, other.shots, strict=True):
        assert (a.camera.place_mm == b.camera.place_mm).all()
        assert (a.camera.turn == b.camera.turn).all()
        assert a.scene.optics == b.scene.optics
    assert third.windows != one.windows


def _in_sight(bores: BoreSet, places: np.ndarray) -> np.ndarray:
    """Return how many shots have each place of the wall in the picture and not turned away."""
    points = wall_point(bores.bore.radius_mm, places)
    inward = -points * [1, 1, 0] / bores.bore.radius_mm
    count = np.zeros(len(places), int)
    for shot in bores.shots:
        pixels, toward = shot.camera.project(points), shot.camera.place_mm - points
        with np.errstate(invalid="ignore"):
            inside = ((pixels > 5) & (pixels < np.array(shot.camera.size_px) - 6)).all(axis=1)
        count += inside & ((toward * inward).sum(axis=1) > 0.1 * np.linalg.norm(toward, axis=1))
    return count


@pytest.mark.parametrize("make", MAKERS)
@pytest.mark.parametrize("seed", SEEDS)
def test_every_window_s_edge_is_in_sight(make, seed):
    bores = make(seed)
    for shape in bores.wall_edges.values():
        edge = shapely.get_coordinates(shapely.segmentize(shape.exterior, 0.5))
        # through the bore's end a floor may hide behind the rim of the face, or be too much aslant
        least = 0.9 if bores.kind.startswith("end-on") else 1.0
        assert (_in_sight(bores, edge) > 0).mean() >= least


@pytest.mark.parametrize("seed", SEEDS)
def test_every_frame_of_a_scope_sees_some_of_the_strip(seed):
    bores = strip_set(seed)
    low, high = bores.told["strip_y_mm"], bores.told["strip_y_mm"] + bores.told["strip_height_mm"]
    radius = bores.bore.radius_mm
    x, y = np.meshgrid(np.linspace(-math.pi, math.pi, 180) * radius, np.linspace(low, high, 21))
    points = wall_point(radius, np.column_stack([x.ravel(), y.ravel()]))
    for shot in bores.shots:
        pixels = shot.camera.project(points)
        with np.errstate(invalid="ignore"):
            seen = ((pixels > 0) & (pixels < shot.camera.size_px)).all(axis=1)
        assert np.ptp(points[seen, 2]) > 9.0
    assert not any(o.outline.bounds[3] > low for o in bores.bore.openings)


@pytest.mark.parametrize("make", MAKERS)
def test_a_lens_document_says_what_the_camera_is(make):
    bores = next(found for seed in range(20) if (found := make(seed)).lens is not None)
    camera, lens = bores.shots[0].camera, bores.lens
    assert lens["format"] == "portmap-lens"
    assert tuple(lens["image_size_px"]) == camera.size_px
    for key, true in (("fx_px", camera.fx), ("fy_px", camera.fy), ("cx_px", camera.cx), ("cy_px", camera.cy)):
        assert lens[key] == pytest.approx(true, abs=5 * lens["u"][key])
    assert lens["distortion"] == pytest.approx(list(camera.distortion), abs=0.001)
    assert len({shot.camera.distortion for shot in bores.shots}) == 1


def test_cameras_stand_where_a_porter_can_hold_them():
    for seed in SEEDS:
        for shot in end_on_set(seed).shots:
            assert -160 <= shot.camera.place_mm[2] <= -60
        for bores in (strip_set(seed), bare_set(seed), video_set(seed, frames=12)):
            for shot in bores.shots:
                place = shot.camera.place_mm
                assert math.hypot(place[0], place[1]) < bores.bore.radius_mm - 2.5  # half a thin tube
                assert 0 < place[2] < bores.bore.deck_mm


def test_frames_of_a_bare_set_are_a_stated_step_apart():
    bores = bare_set(3)
    turns = [math.degrees(math.atan2(-s.camera.turn[2, 1], s.camera.turn[2, 0])) for s in bores.shots]
    steps = np.diff(np.unwrap(turns, period=360))
    # x runs to the right as seen from the axis, and so does the scope
    assert steps == pytest.approx(np.full(len(steps), bores.told["step_deg"]), abs=2.0)


def test_a_small_set_looks_as_it_should():
    bores = end_on_set(2, photos=3, pixels=300_000)
    shot = bores.shots[1]
    seen = traced(shot.scene, shot.camera)
    assert (seen.kind == RING).mean() > 0.2
    page = shot.scene.ring.page()
    assert page.reflectance.shape[0] > 16 * 20  # the chessboard with its rim, at 600 dpi
    data = np.frombuffer(shot.jpeg(), np.uint8)
    assert cv2.imdecode(data, cv2.IMREAD_COLOR).shape == (shot.camera.size_px[1], shot.camera.size_px[0], 3)
    with Image.open(io.BytesIO(data.tobytes())) as image:
        noted = image.getexif().get_ifd(0x8769)[0xA405]
    share = shot.camera.fx / math.hypot(*shot.camera.size_px)
    assert noted == pytest.approx(share * math.hypot(36, 24), abs=0.5)


@pytest.fixture(scope="module")
def few_frames() -> list[np.ndarray]:
    return [shot.pixels() for shot in video_set(2, frames=6, size_px=(240, 180)).shots]


@pytest.mark.parametrize("suffix", [".avi", ".mp4"])
def test_a_video_gives_its_frames_back(few_frames, tmp_path, suffix):
    place = tmp_path / f"turn{suffix}"
    write_video(few_frames, place)
    film = cv2.VideoCapture(str(place))
    back = []
    while (read := film.read())[0]:
        back.append(read[1])
    film.release()
    assert len(back) == len(few_frames)
    for was, now in zip(few_frames, back, strict=True):
        assert np.abs(was.astype(float) - now).mean() < 8  # of 255, through a lossy code


def test_no_video_of_no_frames(tmp_path):
    with pytest.raises(ValueError, match="no frames"):
        write_video([], tmp_path / "none.avi")


def test_a_page_is_cut_to_its_card_and_keeps_its_origin():
    card = ring_card(46.0)
    page = printed_page(card)
    # square (−8, −8) is black and its lower left corner stands at −8 squares: (column + row) is even
    (ox, oy), s = page.origin_px, page.px_per_mm
    inner = page.reflectance[round(oy + 7.5 * card.square_mm * s), round(ox - 7.5 * card.square_mm * s)]
    beside = page.reflectance[round(oy + 7.5 * card.square_mm * s), round(ox - 8.5 * card.square_mm * s)]
    assert inner.max() < 40
    assert beside.min() > 180
