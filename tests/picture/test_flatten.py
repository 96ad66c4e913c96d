"""Flattening, on photos rendered with known truth by tests/rendering.py, which shares no code with portmap.

Photos here have 3 million pixels, a quarter of a phone's, to keep the suite quick; tolerances are those of
the design for 12 million unless said. Accuracy over many photos is studied in tests/accuracy.
"""

import functools
import math

import cv2
import numpy as np
import pytest
import shapely

from portmap.errors import PictureError, QuantityError
from portmap.picture.card import corner_places, flat_card, marker_squares
from portmap.picture.flatten import flatten
from portmap.picture.load import Picture
from portmap.picture.markers import marker_modules
from portmap.picture.scaled import ScaledImage, displacements
from portmap.picture.sight import fitted_sight, place_jacobian, projected, start_sight
from portmap.picture.standpoint import standpoint_of
from portmap.picture.warp import Frame, Lit, _lookup, _photo_pixels, shares
from tests.rendering import (
    LENSES,
    Impression,
    Lens,
    Light,
    Page,
    Sensor,
    Surface,
    Thumb,
    View,
    lifted_corner,
    photo,
    rolled,
    view_over,
)
from tests.scenes import blank_card

SIZE = (2000, 1500)
ROOF_MM = 0.02  # a tenth of a degree at most roofs: the design's aim for a height
SPOT_MM = 0.01  # centre of a spot in the result against its true place: half of that aim
LOOKUP_PX = 0.002
SPOTS = [(-95.0, 8.0), (-60.0, 95.0), (-20.0, 30.0), (0.0, 60.0), (25.0, 5.0), (70.0, 40.0), (100.0, 110.0)]
SPOT_RADIUS_MM = 1.5


@functools.cache
def spotted_page() -> Page:
    spots = [
        Impression(
            shape=shapely.Point(s).buffer(SPOT_RADIUS_MM, quad_segs=32),
            tone=(0.05, 0.05, 0.05),
            unevenness=0.0,
        )
        for s in SPOTS
    ]
    return blank_card("A4", 300.0).painted(None, spots, rng=np.random.default_rng(1))


def picture(pixels: np.ndarray, name: str = "photo.jpg") -> Picture:
    return Picture(pixels=np.ascontiguousarray(pixels), name=name, sha256="0" * 64, focal_35mm_mm=26.0)


def shot(
    *,
    page: Page | None = None,
    lens: str = "phone",
    size: tuple[int, int] = SIZE,
    light: Light | None = None,
    sensor: Sensor | None = None,
    seed: int = 2,
    surface: Surface | None = None,
    **pose: object,
) -> tuple[Picture, View]:
    page = page or spotted_page()
    view = view_over(LENSES[lens], size, box_mm=page.bounds_mm, surface=surface, **pose)
    return picture(photo(page, view, light, sensor, rng=np.random.default_rng(seed), samples=2)), view


def centres(image: ScaledImage, spots: list[tuple[float, float]] = SPOTS) -> np.ndarray:
    """Return where dark spots near the given places have their centres, in mm, by their darkness."""
    found = []
    for x, y in spots:
        column, row = (x - image.x0_mm) / image.mm_per_px, (image.y0_mm - y) / image.mm_per_px
        reach = int(2.2 * SPOT_RADIUS_MM / image.mm_per_px)
        r, c = round(row), round(column)
        window = image.pixels[r - reach : r + reach + 1, c - reach : c + reach + 1, 1].astype(float)
        rim = np.concatenate([window[0], window[-1], window[:, 0], window[:, -1]])
        dark = np.clip(np.median(rim) - window, 0, None)
        dark[dark < 0.15 * dark.max()] = 0.0
        rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        found.append(
            (
                image.x0_mm + (c + (dark * columns).sum() / dark.sum()) * image.mm_per_px,
                image.y0_mm - (r + (dark * rows).sum() / dark.sum()) * image.mm_per_px,
            )
        )
    return np.array(found)


def codes(image: ScaledImage) -> set[str]:
    return {notice.code for notice in image.notices}


# --- the truth, through the whole chain -------------------------------------------------------


@pytest.mark.parametrize(
    ("lens", "pose"),
    [
        pytest.param("phone", {"tilt_deg": 3}, id="phone from above"),
        pytest.param(
            "wide phone", {"tilt_deg": 25, "towards_deg": 70, "turn_deg": 4}, id="wide lens, tilted, turned"
        ),
        pytest.param("compact", {"tilt_deg": 18, "towards_deg": 200, "turn_deg": 183}, id="upside down"),
        pytest.param("phone", {"tilt_deg": 12, "turn_deg": 90, "size": (1500, 2000)}, id="upright frame"),
    ],
)
def test_spots_are_where_they_were_drawn(lens, pose):
    image = flatten(shot(lens=lens, **pose)[0])
    assert np.abs(centres(image) - SPOTS).max() < SPOT_MM
    assert image.residual_mm < 0.02
    assert image.source["card"] == "flat A4"
    assert image.source["markers_found"] > 0.7 * len(marker_squares(flat_card("A4")))
    # at a quarter of a phone's pixels the far side of a tilted card is coarse, and so is its blur
    assert codes(image) <= {"print-unchecked", "raised-sheet", "coarse", "blurred"}


@pytest.mark.parametrize(
    ("light", "sensor"),
    [
        pytest.param(
            Light(), Sensor(thumbs=(Thumb(centre=(0.35, 0.97)), Thumb(centre=(0.97, 0.4)))), id="two thumbs"
        ),
        pytest.param(Light(glare=(0.12, 0.3, 0.06, 0.9)), Sensor(), id="glare on the band"),
        pytest.param(Light(shadow=0.55, shadow_at=0.45, gradient=(0.4, 0.2)), Sensor(), id="shadow across"),
        pytest.param(Light(), Sensor(exposure=0.12, white_electrons=1500.0), id="dark and noisy"),
        pytest.param(Light(), Sensor(blur_px=1.6, motion_px=(1.5, 0.8)), id="shaken"),
    ],
)
def test_spots_stay_in_bad_light_and_behind_thumbs(light, sensor):
    image = flatten(shot(tilt_deg=15, towards_deg=300, light=light, sensor=sensor)[0])
    assert np.abs(centres(image) - SPOTS).max() < ROOF_MM


def test_places_are_off_by_no_more_than_is_claimed():
    taken, view = shot(lens="wide phone", tilt_deg=20, towards_deg=120)
    image = flatten(taken)
    rng = np.random.default_rng(3)
    x0, y0, x1, y1 = flat_card("A4").free_area_mm
    places = rng.uniform((x0, y0), (x1, y1), (300, 2))
    sight = _sight_of(taken)
    error = view.places(projected(sight, places)) - places
    claimed = np.sqrt((displacements(image.doubt, places) ** 2).sum(axis=0))
    # 15 figures are shared by all places, so that one photo's share within one sigma scatters widely
    assert (np.abs(error) < 3.5 * claimed).all()
    assert np.abs(error).max() < ROOF_MM / 2


def _sight_of(taken: Picture):
    from portmap.picture.corners import corners_in

    gray = cv2.cvtColor(taken.pixels, cv2.COLOR_RGB2GRAY)
    corners = corners_in(gray)
    return fitted_sight(corners.start, corners.places_mm, corners.pixels, noise_px=0.01).sight


def test_the_fast_lookup_is_the_full_model():
    taken, _ = shot(lens="compact", tilt_deg=24, towards_deg=45)
    lit = Lit(pixels=taken.pixels, sight=_sight_of(taken))
    frame = Frame(left_mm=-115.5, top_mm=121.2, step_mm=0.15, columns=1541, rows=842)
    down, across = _lookup(lit, frame)
    columns, rows = np.meshgrid(np.arange(0, 1541, 37), np.arange(0, 842, 29))
    places = np.column_stack([-115.5 + 0.15 * columns.ravel(), 121.2 - 0.15 * rows.ravel()])
    fast = np.stack([(down[k] @ across)[rows.ravel(), columns.ravel()] for k in (0, 1)], axis=1)
    assert np.abs(fast - _photo_pixels(lit, places)).max() < LOOKUP_PX


# --- which way round, print scale, pixel size ------------------------------------------------


def test_marks_on_the_wall_side_are_turned_over():
    taken, _ = shot(tilt_deg=5)
    image = flatten(taken, marked="wall")
    assert np.abs(centres(image, [(-x, y) for x, y in SPOTS]) - [(-x, y) for x, y in SPOTS]).max() < SPOT_MM
    assert image.source["mirrored"] is True
    assert flatten(taken).source["mirrored"] is False


def test_a_mirrored_photo_is_turned_back_and_said():
    taken, _ = shot(tilt_deg=8)
    image = flatten(picture(taken.pixels[:, ::-1]))
    assert "mirrored-photo" in codes(image)
    assert np.abs(centres(image) - SPOTS).max() < SPOT_MM


def test_a_stretched_print_is_put_right_by_its_bars():
    plain = spotted_page()
    rows, columns = plain.reflectance.shape[:2]
    wide = cv2.resize(plain.reflectance, (round(columns * 1.009), rows), interpolation=cv2.INTER_AREA)
    across = wide.shape[1] / columns
    # the printer made everything 0.4 % smaller, then the width larger; true millimetres on the sheet
    scale = plain.px_per_mm / 0.996
    page = Page(
        reflectance=wide,
        px_per_mm=scale,
        origin_px=((plain.origin_px[0] + 0.5) * across - 0.5, plain.origin_px[1]),
    )
    stretch = np.array([0.996 * across, 0.996])
    taken, _ = shot(page=page, tilt_deg=10)
    true = [tuple(np.array(s) * stretch) for s in SPOTS]
    image = flatten(taken, bar_measured_mm=(100 * stretch[0], 100 * stretch[1]))
    assert np.abs(centres(image, true) - true).max() < SPOT_MM
    assert "print-unchecked" not in codes(image)
    assert image.source["print_scale"] == pytest.approx(list(stretch))
    naive = flatten(taken)
    assert "print-unchecked" in codes(naive)
    assert np.abs(centres(naive, true) - true).max() > 0.2


def test_the_calipers_doubt_is_carried():
    image = flatten(shot(tilt_deg=2)[0], bar_measured_mm=(100.0, 100.0))
    sigma = np.sqrt((displacements(image.doubt, [[0.0, 100.0]]) ** 2).sum(axis=0))[0]
    assert sigma[1] == pytest.approx(0.02, rel=0.15)  # 0.02 mm in 100 mm, and a little from the photo
    assert sigma[0] < 0.005


def test_pixels_are_as_fine_as_the_photo_or_as_told():
    taken, view = shot(tilt_deg=2)
    image = flatten(taken)
    native = 10.0 / np.linalg.norm(view.project([[10.0, 50.0]]) - view.project([[0.0, 50.0]]))
    assert 0.75 * native < image.mm_per_px <= native * 1.03
    coarse = flatten(taken, mm_per_px=0.5)
    assert coarse.mm_per_px == 0.5
    assert coarse.pixels.shape[1] == 463
    assert np.abs(centres(coarse) - SPOTS).max() < 2 * SPOT_MM


# --- several photos --------------------------------------------------------------------------


def test_two_photos_of_halves_make_one_whole():
    taken, _ = shot(tilt_deg=6, size=(2400, 1800))
    other, _ = shot(
        tilt_deg=14, towards_deg=10, turn_deg=2, size=(2400, 1800), sensor=Sensor(exposure=0.7), seed=4
    )
    left, right = picture(taken.pixels[:, :1500], "left.jpg"), picture(other.pixels[:, 800:], "right.jpg")
    half = flatten(left)
    assert "cut-off" in codes(half)
    assert "side-unseen" in codes(half)
    whole = flatten([left, right])
    assert "cut-off" not in codes(whole)
    assert np.abs(centres(whole) - SPOTS).max() < ROOF_MM
    paper = whole.pixels[:, :, 1][100:200, 100:-100].mean(axis=0)
    assert np.ptp(cv2.blur(paper[None], (81, 1))[0]) < 12  # brought to one brightness, no seam
    assert [shot["name"] for shot in whole.source["pictures"]] == ["left.jpg", "right.jpg"]


def test_a_photo_cropped_off_centre_still_finds_the_lens_axis():
    taken, _ = shot(lens="wide phone", tilt_deg=10, size=(2400, 1800), fill=0.8)
    image = flatten(picture(taken.pixels[150:, 200:]))
    assert np.abs(centres(image) - SPOTS).max() < SPOT_MM


def test_shares_add_up_and_prefer_the_larger_view():
    near, far = (_exact(tilt_deg=4, fill=f)[0] for f in (0.95, 0.6))
    blank = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    frame = Frame(left_mm=-100.0, top_mm=100.0, step_mm=1.0, columns=201, rows=101)
    places = np.random.default_rng(5).uniform((-100, 0), (100, 100), (50, 2))
    parts = shares([Lit(pixels=blank, sight=far), Lit(pixels=blank, sight=near)], frame, places)
    assert parts.sum(axis=0) == pytest.approx(np.ones(50))
    assert (parts[1] > 0.99).all()


def test_photos_of_different_cards_are_refused():
    letter = blank_card("Letter", 300.0)
    with pytest.raises(
        PictureError, match=r"b\.jpg: this photo shows the Letter card, the first one the A4 card"
    ):
        flatten([shot()[0], picture(shot(page=letter)[0].pixels, "b.jpg")])


@pytest.mark.parametrize("paper", ["A3", "Letter"])
def test_the_other_papers_are_known_by_their_markers(paper):
    image = flatten(shot(page=blank_card(paper, 300.0), tilt_deg=10)[0])
    assert image.source["card"] == f"flat {paper}"
    assert (image.x0_mm, image.y0_mm) == pytest.approx(
        (flat_card(paper).free_area_mm[0], flat_card(paper).free_area_mm[3])
    )


# --- doubtful photos -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "surface",
    [
        pytest.param(rolled(0.5, 290.0), id="half a millimetre of bow"),
        pytest.param(rolled(0.8, 290.0, along_deg=60, middle_mm=(0.0, 60.0)), id="bowed aslant"),
        pytest.param(lifted_corner((148.0, -42.0), 3.0, 70.0), id="a corner lifted"),
    ],
)
def test_paper_that_does_not_lie_flat_is_said(surface):
    image = flatten(shot(page=blank_card("A4", 300.0), tilt_deg=15, towards_deg=100, surface=surface)[0])
    assert "not-flat" in codes(image)
    sigma = np.sqrt((image.doubt.modes_mm**2).sum(axis=(0, 3)))
    assert sigma.max() > 0.01  # and the doubt grows with it


def test_paper_that_is_far_from_flat_is_refused():
    bowed = rolled(5.0, 290.0, along_deg=30)
    taken, _ = shot(page=blank_card("A4", 300.0), tilt_deg=15, towards_deg=100, surface=bowed)
    with pytest.raises(PictureError, match=r"does not lie flat: its corners are up to .* tape it down"):
        flatten(taken)


@pytest.mark.parametrize(
    ("code", "made"),
    [
        ("dim", {"sensor": Sensor(exposure=0.02, white_electrons=20_000.0, read_noise=0.0005)}),
        ("blurred", {"sensor": Sensor(blur_px=2.4)}),
        ("coarse", {"size": (1400, 1050), "fill": 0.8}),
        ("glare", {"light": Light(glare=(0.5, 0.5, 0.12, 1.5))}),
        ("raised-sheet", {"tilt_deg": 25, "towards_deg": 90}),
        (
            "few-markers",
            {
                "sensor": Sensor(
                    thumbs=(
                        Thumb(centre=(0.5, 0.0), radii=(0.7, 0.13)),
                        Thumb(centre=(0.5, 1.0), radii=(0.7, 0.13)),
                    )
                )
            },
        ),
    ],
)
def test_what_makes_a_photo_doubtful_is_said(code, made):
    image = flatten(shot(page=blank_card("A4", 300.0), **made)[0])
    assert code in codes(image)
    message = next(notice.message for notice in image.notices if notice.code == code)
    assert "\n" not in message
    assert message.endswith(".")


# --- photos that cannot serve ----------------------------------------------------------------


def test_no_card_says_what_was_seen_and_what_to_do():
    rng = np.random.default_rng(6)
    desk = cv2.GaussianBlur(rng.integers(0, 255, (700, 1000, 3), dtype=np.uint8), (0, 0), 4)
    with pytest.raises(
        PictureError, match=r"photo\.jpg: no flat card found: no marker was seen; photograph the whole card"
    ):
        flatten(picture(desk))


def other_markers(first: int) -> np.ndarray:
    """A sheet of markers that belong to another card."""
    page = np.full((620, 820, 3), 255, np.uint8)
    for k in range(30):
        pattern = np.where(marker_modules(first + k), 0, 255).astype(np.uint8)
        row, column = divmod(k, 6)
        page[40 + 110 * row : 96 + 110 * row, 60 + 120 * column : 116 + 120 * column] = np.kron(
            pattern, np.ones((8, 8), np.uint8)
        )[:, :, None]
    return page


@pytest.mark.parametrize(("first", "name"), [(600, "ring"), (700, "strip"), (850, "board")])
def test_another_card_is_named(first, name):
    with pytest.raises(PictureError, match=f"this is the {name} card, not a flat one; print a flat card"):
        flatten(picture(other_markers(first)))


def test_markers_of_no_card_are_no_card():
    with pytest.raises(PictureError, match="30 markers of no one card"):
        flatten(picture(np.kron(other_markers(955), np.ones((1, 1, 1), np.uint8))))


def test_two_cards_are_refused():
    one = shot(size=(1600, 1200))[0].pixels
    with pytest.raises(
        PictureError, match=r"two cards of the same kind are in view: \d+ markers were seen twice"
    ):
        flatten(picture(np.hstack([one, one])))
    letter = shot(page=blank_card("Letter", 300.0), size=(1600, 1200))[0].pixels
    with pytest.raises(PictureError, match="two cards are in view, flat"):
        flatten(picture(np.hstack([one, letter])))


def test_a_corner_of_the_card_is_too_little():
    taken, _ = shot(tilt_deg=5)
    with pytest.raises(
        PictureError, match=r"(too little of the card|only \d+ markers|outside the picture|corners)"
    ):
        flatten(picture(taken.pixels[:420, :520]))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"bar_measured_mm": (99.0, 104.0)}, "the bar down cannot measure 104 mm; give 97 to 103"),
        ({"bar_measured_mm": (9.99, 100.0)}, "the bar across cannot measure"),
        ({"bar_measured_mm": (math.nan, 100.0)}, "the bar across cannot measure nan"),
        ({"mm_per_px": 0.0}, "mm_per_px: 0 mm a pixel; give 0.005 to 2"),
        ({"mm_per_px": math.inf}, "inf mm a pixel"),
        ({"mm_per_px": 0.006}, "take larger pixels"),
        ({"marked": "inside"}, "neither axis nor wall"),
        ({"sheet_thickness_mm": -0.1}, "no thickness for a lifted sheet"),
        ({"sheet_thickness_mm": math.nan}, "no thickness for a lifted sheet"),
    ],
)
def test_senseless_figures_are_refused(options, words):
    with pytest.raises(QuantityError) as caught:
        flatten(_plain(), **options)
    assert words in str(caught.value)


@functools.cache
def _plain() -> Picture:
    return shot(size=(1600, 1200))[0]


def test_no_photo_at_all_is_refused():
    with pytest.raises(PictureError, match="no photo was given"):
        flatten([])


# --- the fit and the standpoint, from exact corners ------------------------------------------


def _exact(lens: str = "phone", **pose: object):
    view = view_over(LENSES[lens], SIZE, box_mm=blank_card("A4", 300.0).bounds_mm, **pose)
    places = corner_places(flat_card("A4"))
    pixels = view.project(places)
    return fitted_sight(start_sight(places, pixels, SIZE), places, pixels, noise_px=0.01).sight, view


@pytest.mark.parametrize("lens", list(LENSES))
def test_exact_corners_give_back_the_lens(lens):
    sight, view = _exact(lens, tilt_deg=20, towards_deg=130)
    truth = LENSES[lens]
    focal = truth.focal_35mm / (math.hypot(36, 24) / 2)
    # the renderer's terms are per focal length, ours per half diagonal; Brown's p1, p2 in OpenCV's order
    expected = [
        truth.k1 / focal**2,
        truth.k2 / focal**4,
        truth.k3 / focal**6,
        truth.p1 / focal,
        truth.p2 / focal,
    ]
    assert sight.theta[8:13] == pytest.approx(expected, abs=1e-3)
    x0, y0, x1, y1 = flat_card("A4").free_area_mm
    inside = np.random.default_rng(7).uniform((x0, y0), (x1, y1), (200, 2))
    # priors pull by less than a thousandth of a pixel
    assert np.abs(projected(sight, inside) - view.project(inside)).max() < 1e-3


def test_slopes_are_those_of_finite_differences():
    sight, _ = _exact("compact", tilt_deg=22)
    places = np.random.default_rng(8).uniform((-100, 0), (100, 110), (20, 2))
    step = 1e-4
    numeric = np.stack(
        [
            (projected(sight, places + step * e) - projected(sight, places - step * e)) / (2 * step)
            for e in np.eye(2)
        ],
        axis=2,
    )
    assert place_jacobian(sight, places) == pytest.approx(numeric, abs=1e-5)


def test_false_corners_are_set_aside():
    view = view_over(LENSES["phone"], SIZE, box_mm=blank_card("A4", 300.0).bounds_mm, tilt_deg=15)
    places = corner_places(flat_card("A4"))
    rng = np.random.default_rng(9)
    pixels = view.project(places) + rng.normal(0, 0.03, (len(places), 2))
    false = rng.choice(len(places), 40, replace=False)
    pixels[false] += rng.uniform(1.0, 8.0, (40, 2)) * rng.choice([-1, 1], (40, 2))
    fit = fitted_sight(start_sight(places, pixels, SIZE), places, pixels, noise_px=0.01)
    assert not fit.used[false].any()
    assert fit.used.sum() >= len(places) - 40 - 4
    assert fit.noise_px == pytest.approx(0.03, rel=0.2)


def test_points_in_a_heap_are_no_card():
    rng = np.random.default_rng(10)
    places = corner_places(flat_card("A4"))
    pixels = rng.uniform(0, 1500, places.shape)
    with pytest.raises(PictureError, match=r"do not lie as on a flat card|agree with each other"):
        fitted_sight(start_sight(places, pixels, SIZE), places, pixels, noise_px=0.01)


@pytest.mark.parametrize("tilt", [2.0, 12.0, 25.0])
def test_the_standpoint_is_where_the_camera_stood(tilt):
    sight, view = _exact("wide phone", tilt_deg=tilt, towards_deg=250)
    stand = standpoint_of(sight, 26.0)  # what a camera notes may be two millimetres off
    assert stand.tilt_deg == pytest.approx(tilt, abs=1.0)
    assert np.hypot(stand.x_mm - view.position_mm[0], stand.y_mm - view.position_mm[1]) < 12
    assert stand.height_mm == pytest.approx(view.position_mm[2], rel=0.1)


def test_a_raised_sheet_is_seen_where_plane_geometry_says():
    sight, view = _exact("phone", tilt_deg=25, towards_deg=90)
    stand = standpoint_of(sight, None)
    places = np.random.default_rng(11).uniform((-80, 0), (80, 70), (30, 2))
    raised = view.project_space(np.column_stack([places, np.full(30, 0.1)]))
    lit = Lit(
        pixels=np.zeros((SIZE[1], SIZE[0], 3), np.uint8),
        sight=sight,
        raised=(stand.x_mm, stand.y_mm, stand.height_mm / (stand.height_mm - 0.1)),
    )
    shift_px = np.abs(raised - view.project(places)).max()
    assert shift_px > 0.1
    assert np.abs(_photo_pixels(lit, places) - raised).max() < 0.1 * shift_px
    assert stand.seen_shift_mm(0.1, places) == pytest.approx(view.places(raised) - places, abs=0.005)


def test_the_lens_of_a_pinhole_is_found_to_be_none():
    view = view_over(Lens(focal_35mm=26.0), SIZE, box_mm=blank_card("A4", 300.0).bounds_mm, tilt_deg=10)
    places = corner_places(flat_card("A4"))
    fit = fitted_sight(
        start_sight(places, view.project(places), SIZE), places, view.project(places), noise_px=0.01
    )
    assert np.abs(fit.sight.theta[8:13]).max() < 1e-4
