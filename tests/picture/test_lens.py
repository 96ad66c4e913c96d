"""Calibration against lenses that are known, corners in plain numpy and photos rendered ray by ray."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from portmap.errors import PictureError, QuantityError
from portmap.picture.board_view import BoardView, Chessboard, board_view
from portmap.picture.camera import Lens, rays
from portmap.picture.card import flat_card
from portmap.picture.card_drawing import card_png
from portmap.picture.lens import calibrated_lens
from portmap.picture.lens_fit import FIGURES, adjusted_lens, started_lens
from portmap.picture.lens_notices import coverage
from portmap.picture.lens_show import shown_view, straightened
from tests.picture.lens_scenes import (
    FISHEYE_120,
    FISHEYE_170,
    PHONE,
    PLAIN,
    SCOPE,
    Truth,
    board_photo,
    board_views,
    seen,
    stand,
)

SURE = 4.0  # standard uncertainties
CORNER_PX = 0.1  # root mean square of a coordinate, of corners seen at up to 78° from square-on
EXACT_PX = 1e-3
NOISE_PX = 0.1
DIRECTION_DEG = 0.02  # 0.15 px at the centre of the coarsest of these lenses


def codes(calibration) -> list[str]:
    return [notice.code for notice in calibration.notices]


def direction_miss_deg(lens: Lens, truth: Truth) -> float:
    """Greatest angle between the rays of both, after the turn that suits them best, up to a right angle.

    Beyond it no board is seen, and the lens there is carried on from where it was.
    """
    across, down = truth.size_px
    u, v = np.meshgrid(np.linspace(0.1, 0.9, 9) * across, np.linspace(0.1, 0.9, 7) * down)
    pixels = np.stack([u.ravel(), v.ravel()], axis=1)
    true = truth.camera(np.eye(3), np.zeros(3)).directions(pixels)
    mine = rays(lens, pixels)
    both = np.isfinite(mine).all(axis=1) & (mine[:, 2] > 0) & (true[:, 2] > 0)
    assert both.mean() > 0.8
    left, _, right = np.linalg.svd(mine[both].T @ true[both])
    return float(np.degrees(np.linalg.norm((mine @ (left @ right) - true)[both], axis=1).max()))


@pytest.mark.parametrize(
    ("truth", "model"),
    [
        (PHONE, "pinhole"),
        (SCOPE, "pinhole"),
        (PLAIN, "pinhole"),
        (FISHEYE_120, "fisheye"),
        (FISHEYE_170, "fisheye"),
    ],
    ids=["phone", "scope", "no distortion", "fisheye 120", "fisheye 170"],
)
def test_the_lens_that_took_the_photos_is_found(truth, model):
    found = calibrated_lens(board_views(1, truth, 10, noise_px=NOISE_PX))
    lens = found.lens
    assert lens.model == model
    assert abs(lens.fx_px - truth.focal_px) < SURE * found.u["fx_px"]
    assert abs(lens.cx_px - truth.middle_px[0]) < SURE * found.u["cx_px"]
    assert abs(lens.cy_px - truth.middle_px[1]) < SURE * found.u["cy_px"]
    assert direction_miss_deg(lens, truth) < DIRECTION_DEG
    assert found.rms_px == pytest.approx(NOISE_PX * np.sqrt(2), rel=0.1)  # of two coordinates
    assert "photo-left-out" not in codes(found)
    assert "focal-changed" not in codes(found)


@pytest.mark.parametrize("truth", [SCOPE, FISHEYE_120], ids=["pinhole", "fisheye"])
def test_without_noise_the_figures_are_exact(truth):
    views = board_views(2, truth, 6, noise_px=0.0)
    lens, poses = started_lens(views, truth.model)
    fit = adjusted_lens(views, lens, poses, FIGURES[truth.model], robust=False)
    assert fit.rms_px < EXACT_PX
    np.testing.assert_allclose(fit.lens.fx_px, truth.focal_px, rtol=1e-5)
    np.testing.assert_allclose(fit.lens.distortion, truth.distortion, atol=1e-3)


def test_the_stated_uncertainty_is_that_of_repeated_calibrations():
    off = []
    for seed in range(12):
        views = board_views(seed, SCOPE, 8, noise_px=NOISE_PX)
        lens, poses = started_lens(views, "pinhole")
        names = ("s", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
        fit = adjusted_lens(views, lens, poses, names)
        u = np.sqrt(np.diag(fit.covariance()))
        found = np.array(
            [fit.lens.fx_px / SCOPE.focal_px - 1, fit.lens.cx_px - 650.0, fit.lens.cy_px - 352.0]
        )
        off.append(found / u[:3])
    # 36 values of unit spread: their root mean square lies in 0.7 to 1.3 but for one case in a hundred
    assert 0.7 < np.sqrt(np.mean(np.square(off))) < 1.3


def test_leaving_a_photo_out_is_foretold_without_another_fit():
    views = board_views(4, SCOPE, 8)
    lens, poses = started_lens(views, "pinhole")
    names = ("s", "cx", "cy", "k1", "k2")
    whole = adjusted_lens(views, lens, poses, names, robust=False)
    change, _ = whole.without()
    kept = [(photo.turn, photo.shift_mm) for photo in whole.photos]
    again = adjusted_lens(views[1:], whole.lens, kept[1:], names, robust=False)
    moved = again.lens.fx_px / whole.lens.fx_px - 1
    assert change[0][0] == pytest.approx(moved, rel=0.1, abs=2e-6)


def bent(view: BoardView) -> BoardView:
    """The same photo of a board that is a little sheared: it agrees with no other."""
    places = view.places_mm + 0.02 * view.places_mm[:, ::-1]
    return replace(view, places_mm=places)


def test_a_photo_that_hurts_is_left_out_and_named():
    views = board_views(5, PHONE, 9)
    views[3] = bent(views[3])
    found = calibrated_lens(views, model="pinhole")
    notice = next(notice for notice in found.notices if notice.code == "photo-left-out")
    assert "photo03.jpg was left out: it does not agree with the others" in notice.message
    assert [photo.name for photo in found.photos if not photo.used] == ["photo03.jpg"]
    assert abs(found.lens.fx_px - PHONE.focal_px) < SURE * found.u["fx_px"]
    assert found.rms_all_px > 5 * found.rms_px


@pytest.mark.parametrize("truth", [PHONE, FISHEYE_120], ids=["phone", "fisheye"])
def test_a_zoom_that_changed_is_told(truth):
    zoom = {k: 1.02 for k in range(5, 10)}
    found = calibrated_lens(board_views(6, truth, 10, zoom=zoom), model=truth.model)
    assert "focal-changed" in codes(found)


REFUSED = {
    "square-on": (
        lambda: board_views(7, PHONE, 8, tilt_deg=(0, 3)),
        "all 8 photos look square-on.*leaves the focal length open; add photos with the board tilted",
    ),
    "alike": (
        lambda: board_views(8, PHONE, 6, tilt_deg=(28, 30), towards_deg=40, away=(0.95, 1.05), aside=0.1),
        "all 6 photos look at the board from the same side.*add photos",
    ),
    "two": (lambda: board_views(9, PHONE, 2), "2 photos of the board are too few.*take 10 to 20"),
    "none": (lambda: [], "0 photos of the board are too few"),
}


@pytest.mark.parametrize(("views", "words"), REFUSED.values(), ids=REFUSED)
def test_photos_that_do_not_determine_a_lens_are_refused(views, words):
    with pytest.raises(PictureError, match=words):
        calibrated_lens(views(), model="pinhole")


def test_photos_of_other_sizes_are_scaled_or_left_out():
    views = board_views(10, PHONE, 8)
    half = views[0]
    views[0] = replace(half, size_px=(2000, 1500), pixels_px=(half.pixels_px + 0.5) / 2 - 0.5)
    views[1] = replace(views[1], size_px=(3000, 4000))
    found = calibrated_lens(views, model="pinhole")
    left = [photo for photo in found.photos if not photo.used]
    assert [photo.name for photo in left] == ["photo01.jpg"]
    assert "another shape, 3000 × 4000" in left[0].why_not
    assert abs(found.lens.fx_px - PHONE.focal_px) < SURE * found.u["fx_px"]


def test_a_part_of_the_picture_that_no_board_reached_is_told():
    views = []
    for view in board_views(11, PHONE, 10):
        kept = (view.pixels_px[:, 0] > 1700) | (view.pixels_px[:, 1] > 1600)
        views.append(replace(view, places_mm=view.places_mm[kept], pixels_px=view.pixels_px[kept]))
    found = calibrated_lens([view for view in views if len(view.places_mm) >= 30], model="pinhole")
    notice = next(notice for notice in found.notices if notice.code == "not-covered")
    assert "upper left" in notice.message
    assert coverage(views)[0, 0] == 0


@pytest.fixture(scope="module")
def fisheye_photos() -> list[tuple[np.ndarray, BoardView, np.ndarray]]:
    """Photos, what was found in them, and where those corners truly are."""
    truth = replace(FISHEYE_120, size_px=(640, 480), focal_px=280.0, middle_px=(325.0, 235.0))
    rng = np.random.default_rng(3)
    made = []
    while len(made) < 5:
        camera = stand(rng, truth)
        if seen(rng, camera, "") is None:
            continue
        photo = board_photo(camera, rng)
        view = board_view(photo, name=f"photo{len(made)}.png")
        true = camera.project(np.column_stack([view.places_mm, np.zeros(len(view.places_mm))]))
        made.append((photo, view, true))
    return made


def test_corners_of_a_rendered_board_are_found_where_they_are(fisheye_photos):
    miss = np.vstack([view.pixels_px - true for _, view, true in fisheye_photos])
    assert np.sqrt(np.mean(miss**2)) < CORNER_PX
    assert min(len(view.places_mm) for _, view, _ in fisheye_photos) > 30


def test_the_fisheye_of_rendered_photos_is_found(fisheye_photos):
    found = calibrated_lens([view for _, view, _ in fisheye_photos])
    assert found.lens.model == "fisheye"
    assert abs(found.lens.fx_px - 280.0) < SURE * found.u["fx_px"]
    assert abs(found.lens.cx_px - 325.0) < SURE * found.u["cx_px"]
    assert found.rms_px < 2 * CORNER_PX


def test_a_mirrored_photo_is_turned_right(fisheye_photos):
    photo, view, _ = fisheye_photos[0]
    mirrored = board_view(np.ascontiguousarray(photo[:, ::-1]), name="m")
    assert mirrored.mirrored
    assert not view.mirrored
    same = {tuple(place): pixel for place, pixel in zip(view.places_mm, view.pixels_px, strict=True)}
    off = [
        p - same[tuple(m)]
        for m, p in zip(mirrored.places_mm, mirrored.pixels_px, strict=True)
        if tuple(m) in same
    ]
    assert len(off) > 30
    assert np.sqrt(np.mean(np.square(off))) < CORNER_PX


def test_what_is_no_board_is_refused():
    gray = np.full((480, 640), 200, np.uint8)
    with pytest.raises(PictureError, match=r"no board seen.*--chessboard"):
        board_view(gray, name="a.jpg")
    with pytest.raises(PictureError, match="no chessboard of 9 by 6 inner corners seen"):
        board_view(gray, name="a.jpg", chessboard=Chessboard(columns=9, rows=6, square_mm=25))
    flat = cv2.imdecode(np.frombuffer(card_png(flat_card("A4"), 150.0), np.uint8), cv2.IMREAD_GRAYSCALE)
    with pytest.raises(PictureError, match="this is the flat A4 card, not the board"):
        board_view(flat, name="a.jpg")


@pytest.mark.parametrize(
    ("columns", "rows", "side"), [(2, 6, 25), (9, 61, 25), (9, 6, 0), (9, 6, float("nan"))]
)
def test_a_board_that_cannot_be_is_refused(columns, rows, side):
    with pytest.raises(QuantityError):
        Chessboard(columns=columns, rows=rows, square_mm=side)


def test_a_straightened_fisheye_keeps_what_a_flat_picture_can_show():
    lens = Lens(
        model="fisheye",
        size_px=(1280, 960),
        fx_px=420,
        fy_px=420,
        cx_px=639.5,
        cy_px=479.5,
        distortion=(0,) * 4,
    )
    flat = straightened(lens)
    edge = np.degrees(np.arctan(639.5 / flat.fx_px))
    assert 40 < edge < 63
    assert (flat.cx_px, flat.cy_px) == pytest.approx((639.5, 479.5), abs=1e-6)


def test_the_view_that_is_shown_reaches_far_out():
    views = board_views(12, PHONE, 5)
    middle = (np.array(PHONE.size_px) - 1) / 2
    chosen = shown_view(views)
    reach = [np.hypot(*(view.pixels_px - middle).T).max() for view in views]
    assert np.hypot(*(chosen.pixels_px - middle).T).max() > np.median(reach) - 1
