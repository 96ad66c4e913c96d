"""A lens that is known: against OpenCV, against a camera written out in tests, and there and back."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from portmap.errors import PictureError
from portmap.picture.camera import Lens, lens_document, lens_of, rays, read_lens, resized, seen_px, write_lens
from tests.bore_camera import Camera

SAME_PX = 1e-6
PIN = Lens(
    model="pinhole",
    size_px=(1280, 720),
    fx_px=900.0,
    fy_px=903.0,
    cx_px=650.0,
    cy_px=352.0,
    distortion=(-0.2, 0.04, 0.001, 0.0005, -0.003),
)
FISH = Lens(
    model="fisheye",
    size_px=(1280, 960),
    fx_px=420.0,
    fy_px=421.0,
    cx_px=630.0,
    cy_px=490.0,
    distortion=(-0.03, 0.004, -0.002, 0.0003),
)
LENSES = pytest.mark.parametrize("lens", [PIN, FISH], ids=["pinhole", "fisheye"])
TURN, SHIFT = np.array([0.2, -0.3, 0.1]), np.array([3.0, -5.0, 90.0])


def places() -> np.ndarray:
    return np.random.default_rng(5).uniform(-40, 40, (50, 3))


@LENSES
def test_places_are_seen_where_opencv_sees_them(lens):
    project = cv2.fisheye.projectPoints if lens.model == "fisheye" else cv2.projectPoints
    turn, shift = TURN.reshape(3, 1), SHIFT.reshape(3, 1)
    expected, _ = project(places().reshape(-1, 1, 3), turn, shift, lens.matrix, np.array(lens.distortion))
    np.testing.assert_allclose(seen_px(lens, TURN, SHIFT, places()), expected.reshape(-1, 2), atol=SAME_PX)


@LENSES
def test_places_are_seen_where_the_formulas_put_them(lens):
    turn = cv2.Rodrigues(TURN)[0]
    camera = Camera(
        model=lens.model,
        size_px=lens.size_px,
        fx=lens.fx_px,
        fy=lens.fy_px,
        cx=lens.cx_px,
        cy=lens.cy_px,
        distortion=lens.distortion,
        turn=turn,
        place_mm=-turn.T @ SHIFT,
    )
    np.testing.assert_allclose(seen_px(lens, TURN, SHIFT, places()), camera.project(places()), atol=SAME_PX)


@LENSES
@settings(max_examples=60, deadline=None)
@given(column=st.floats(150, 1110), row=st.floats(130, 719))  # of the fisheye: within 85° of its axis
def test_a_ray_leads_back_to_its_pixel(lens, column, row):
    ray = rays(lens, [[column, row]])
    assert np.linalg.norm(ray) == pytest.approx(1)
    seen = seen_px(lens, np.zeros(3), np.zeros(3), 100 * ray)
    np.testing.assert_allclose(seen, [[column, row]], atol=0.01)


def test_a_fisheye_looks_backward_beyond_a_right_angle():
    wide = Lens(
        model="fisheye", size_px=(1000, 1000), fx_px=300, fy_px=300, cx_px=500, cy_px=500, distortion=(0,) * 4
    )
    reach = 300 * np.radians(95)  # r = f·θ
    np.testing.assert_allclose(
        rays(wide, [[500 + reach, 500]]), [[np.sin(np.radians(95)), 0, np.cos(np.radians(95))]], atol=1e-9
    )


def test_a_pinhole_sees_nothing_behind_it():
    assert np.isnan(seen_px(PIN, np.zeros(3), np.zeros(3), [[0, 0, -10.0]])).all()


@LENSES
def test_nothing_in_gives_nothing_out(lens):
    assert seen_px(lens, TURN, SHIFT, np.empty((0, 3))).shape == (0, 2)
    assert rays(lens, np.empty((0, 2))).shape == (0, 3)


def test_a_pixel_that_the_formula_cannot_reach_has_no_ray():
    # r(1 − 0.5 r²) never passes 0.544, so nothing is seen at 0.6 focal lengths
    folded = Lens(
        model="pinhole",
        size_px=(1000, 1000),
        fx_px=500,
        fy_px=500,
        cx_px=500,
        cy_px=500,
        distortion=(-0.5, 0, 0, 0, 0),
    )
    assert np.isnan(rays(folded, [[500 + 300, 500]])).all()


@LENSES
@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_picture_of_another_size_shows_the_same(lens, factor):
    other = resized(lens, (round(lens.size_px[0] * factor), round(lens.size_px[1] * factor)))
    before = seen_px(lens, TURN, SHIFT, places())
    after = seen_px(other, TURN, SHIFT, places())
    np.testing.assert_allclose((before + 0.5) * factor - 0.5, after, atol=1e-6)  # pixels' edges stay edges


def test_a_picture_of_another_shape_is_refused():
    with pytest.raises(PictureError, match="1280 × 720 pixels, this one has 720 × 1280"):
        resized(PIN, (720, 1280))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"format": "portmap-job"}, "not a lens file"),
        ({"version": 2}, "version 2 cannot be read"),
        ({"version": True}, "version True cannot be read"),
        ({"model": "mirror"}, "no lens model 'mirror'"),
        ({"model": ["pinhole"]}, "must be pinhole or fisheye"),
        ({"image_size_px": [1280]}, "image_size_px: must be two whole numbers"),
        ({"image_size_px": [1280.0, 720.0]}, "must be two whole numbers"),
        ({"image_size_px": [-1, 720]}, "must be two whole numbers"),
        ({"fx_px": "900"}, "fx_px: must be a number"),
        ({"fx_px": -900.0}, "not one that a lens can have"),
        ({"cy_px": float("nan")}, "cy_px: must be a number"),
        ({"cx_px": True}, "cx_px: must be a number"),
        ({"distortion": [0.0] * 4}, "5 figures of distortion, not 4"),
        ({"distortion": None}, "distortion: must be a list"),
        ({"distorsion": [0.0]}, "no such field"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_a_faulty_lens_file_is_named(change, words):
    with pytest.raises(PictureError, match=words):
        lens_of({**lens_document(PIN), **change}, where="lens.json")


@pytest.mark.parametrize("key", [key for key in lens_document(PIN) if key not in ("format", "version")])
def test_a_missing_field_is_named(key):
    document = lens_document(PIN)
    del document[key]
    with pytest.raises(PictureError, match=f"lens.json: {key}: is missing"):
        lens_of(document, where="lens.json")


@LENSES
def test_a_lens_comes_back_from_its_file(lens, tmp_path):
    place = write_lens(tmp_path / "lens.json", lens, more={"rms_px": 0.1, "u": {"fx_px": 0.5}})
    assert read_lens(place) == lens


def test_a_fisheye_written_with_five_figures_is_read():
    assert lens_of({**lens_document(FISH), "distortion": [*FISH.distortion, 0.0]}) == FISH
