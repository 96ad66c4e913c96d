"""The renderer itself, against OpenCV's projection, plane geometry and areas known by hand."""

import math

import cv2
import numpy as np
import pytest
import shapely

from tests.rendering import (
    LENSES,
    Impression,
    Lens,
    Light,
    Page,
    Sensor,
    Thumb,
    View,
    band_of,
    cover_of,
    lifted_corner,
    photo,
    rolled,
    view_over,
)

PROJECTION_PX = 1e-6  # both sides compute the same formula in double precision
PLACE_PX = (
    0.01  # a rendered spot's centre of light against its projection; a half-pixel slip is fifty times that
)
CALM = Sensor(blur_px=0.9, white_electrons=1e12, read_noise=0.0, exposure=1.0)


def white_page(*, size_mm: tuple[float, float] = (120.0, 90.0), px_per_mm: float = 12.0) -> Page:
    columns, rows = (round(side * px_per_mm) for side in size_mm)
    return Page(
        reflectance=np.full((rows, columns, 3), 220, np.uint8), px_per_mm=px_per_mm, origin_px=(400.0, 700.0)
    )


def oblique(lens: Lens, size: tuple[int, int] = (640, 431), **more: float) -> View:
    return view_over(
        lens,
        size,
        box_mm=(-33.0, -30.0, 80.0, 58.0),
        tilt_deg=21,
        towards_deg=35,
        turn_deg=12,
        aim_mm=(3, -5),
        **more,
    )


def linear(pixels: np.ndarray) -> np.ndarray:
    """Undo the sRGB curve (IEC 61966-2-1)."""
    value = pixels / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize("name", list(LENSES))
def test_projection_is_that_of_opencv(name):
    lens, view = LENSES[name], oblique(LENSES[name])
    places = np.random.default_rng(3).uniform((-30, -28), (78, 55), (200, 2))
    half = math.hypot(640, 431) / 2
    focal = lens.focal_35mm / (math.hypot(36, 24) / 2) * half
    camera = np.array(
        [
            [focal, 0, 639 / 2 + lens.off_centre[0] * half],
            [0, focal, 430 / 2 + lens.off_centre[1] * half],
            [0, 0, 1],
        ]
    )
    turn, _ = cv2.Rodrigues(view.rotation)
    flat = np.column_stack([places, np.zeros(len(places))])
    expected, _ = cv2.projectPoints(
        flat,
        turn,
        -view.rotation @ view.position_mm,
        camera,
        np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3]),
    )
    assert np.abs(view.project(places) - expected.reshape(-1, 2)).max() < PROJECTION_PX


@pytest.mark.parametrize(
    "surface", [None, rolled(2.0, 110.0, along_deg=30), lifted_corner((80, 58), 4.0, 30.0)]
)
def test_places_undo_projection(surface):
    view = view_over(
        LENSES["wide phone"], (500, 380), box_mm=(-33, -30, 80, 58), tilt_deg=18, surface=surface
    )
    places = np.random.default_rng(4).uniform((-30, -28), (78, 55), (100, 2))
    assert np.abs(view.places(view.project(places)) - places).max() < 1e-6


def test_the_box_fills_the_stated_share_and_stands_in_the_middle():
    box = (-33.0, -30.0, 80.0, 58.0)
    view = view_over(
        Lens(focal_35mm=26), (800, 600), box_mm=box, fill=0.9, tilt_deg=20, towards_deg=200, turn_deg=5
    )
    corners = view.project(np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]))
    assert np.max(np.ptp(corners, axis=0) / (800, 600)) == pytest.approx(0.9, abs=1e-3)
    assert (corners.min(axis=0) + corners.max(axis=0)) / 2 == pytest.approx([399.5, 299.5], abs=1.0)


def test_tilt_and_turn_are_what_they_say():
    view = view_over(Lens(focal_35mm=26), (800, 600), box_mm=(-50, -40, 50, 40), tilt_deg=25, towards_deg=0)
    assert math.degrees(math.acos(-view.rotation[2, 2])) == pytest.approx(25.0)
    assert view.position_mm[0] > 50  # stands off toward +x
    turned = view_over(Lens(focal_35mm=26), (800, 600), box_mm=(-50, -40, 50, 40), turn_deg=10)
    left, right = turned.project(np.array([[-10.0, 0.0], [10.0, 0.0]]))
    # clockwise: what was level falls to the right, and rows run downward
    assert math.degrees(math.atan2(right[1] - left[1], right[0] - left[0])) == pytest.approx(10.0)


def test_a_rolled_page_keeps_its_lengths():
    surface = rolled(8.0, 200.0, along_deg=25)
    along = np.array([math.cos(math.radians(25)), math.sin(math.radians(25))])
    line = surface(np.linspace(-100, 100, 20001)[:, None] * along)
    assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(200.0, abs=1e-4)
    assert line[10000, 2] == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("shape", "size"),
    [
        pytest.param(shapely.Point(20.3, 15.7).buffer(9.4, quad_segs=64), (31, 45), id="round"),
        pytest.param(
            shapely.box(4.25, 3.5, 30.75, 20.5).difference(shapely.Point(17, 11).buffer(5.0)),
            (31, 45),
            id="holed",
        ),
        pytest.param(shapely.Polygon([(2, 3), (40.5, 9.2), (11.1, 27.9)]), (31, 45), id="slanting"),
    ],
)
def test_cover_adds_up_to_the_area_and_its_centre(shape, size):
    cover = cover_of(shape, size, lines=64).astype(float)
    columns, rows = np.meshgrid(np.arange(size[1]), np.arange(size[0]))
    assert cover.sum() == pytest.approx(shape.area, rel=1e-3)
    assert (cover * columns).sum() / cover.sum() == pytest.approx(shape.centroid.x, abs=5e-3)
    assert (cover * rows).sum() / cover.sum() == pytest.approx(shape.centroid.y, abs=5e-3)


def test_cover_of_a_box_inside_one_pixel_is_its_area():
    cover = cover_of(shapely.box(2.75, 1.0, 3.25, 1.25), (4, 6))
    assert cover[1, 3] == pytest.approx(0.5 * 0.25)
    assert cover.sum() == pytest.approx(0.125)


@pytest.mark.parametrize(
    ("edge", "out", "inn"), [("inner", 0.6, 0.0), ("middle", 0.3, 0.3), ("outer", 0.0, 0.6)]
)
def test_a_pencil_line_lies_on_the_stated_side_of_the_edge(edge, out, inn):
    shape = shapely.box(0, 0, 30, 12)
    band = band_of(Impression(shape=shape, style="line", line_width_mm=0.6, edge=edge))
    assert band.bounds == pytest.approx((-out, -out, 30 + out, 12 + out))
    assert shapely.Polygon(band.interiors[0]).bounds == pytest.approx((inn, inn, 30 - inn, 12 - inn))


@pytest.mark.parametrize("samples", [2, 3])
def test_a_spot_is_seen_where_it_is_projected(samples):
    view = oblique(LENSES["wide phone"])
    rng = np.random.default_rng(5)
    for place in ((-21.3, 40.1), (30.2, 7.7), (66.6, -18.4)):
        spot = Impression(
            shape=shapely.Point(place).buffer(0.9, quad_segs=64), tone=(0.0, 0.0, 0.0), unevenness=0.0
        )
        page = white_page().painted(None, [spot], rng=rng)
        dark = linear(photo(white_page(), view, sensor=CALM, rng=rng, samples=samples)[:, :, 1]) - linear(
            photo(page, view, sensor=CALM, rng=rng, samples=samples)[:, :, 1]
        )
        goal = _centre_of_light(view, place, 0.9)
        left, top = (goal - 12).astype(int)
        window = dark[top : top + 25, left : left + 25]
        rows, columns = np.mgrid[top : top + 25, left : left + 25]
        centre = np.array([(window * columns).sum(), (window * rows).sum()]) / window.sum()
        assert centre == pytest.approx(goal, abs=PLACE_PX)


def _centre_of_light(view: View, place: tuple[float, float], radius: float) -> np.ndarray:
    """Return the mean pixel of a disc, each part weighed by the area that the photo gives it."""
    far, angle = np.meshgrid(
        radius * np.sqrt((np.arange(40) + 0.5) / 40), (np.arange(60) + 0.5) * math.pi / 30
    )
    spots = np.array(place) + np.column_stack([(far * np.cos(angle)).ravel(), (far * np.sin(angle)).ravel()])
    east, north = (view.project(spots + step) - view.project(spots - step) for step in 1e-4 * np.eye(2))
    weight = np.abs(east[:, 0] * north[:, 1] - east[:, 1] * north[:, 0])
    return np.asarray((view.project(spots) * weight[:, None]).sum(axis=0) / weight.sum())


def test_an_edge_lies_where_it_is_drawn():
    # seen straight on, without distortion: the dark half's area tells the edge to a hundredth of a pixel
    view = view_over(Lens(focal_35mm=26), (300, 201), box_mm=(-33, -30, 80, 58))
    half = Impression(shape=shapely.box(-100, -100, 20.37, 100), tone=(0.0, 0.0, 0.0), unevenness=0.0)
    page = white_page().painted(None, [half], rng=np.random.default_rng(6))
    row = linear(photo(page, view, sensor=CALM, rng=np.random.default_rng(7))[100, 40:260, 1])
    edge = view.project(np.array([[20.37, float(view.places(np.array([[149.5, 100.0]]))[0, 1])]]))[0, 0]
    dark_share = 1 - row / row[-10:].mean()
    assert 40 - 0.5 + dark_share.sum() == pytest.approx(edge, abs=0.02)


def test_noise_grows_with_the_root_of_the_light():
    view = view_over(Lens(focal_35mm=26), (300, 201), box_mm=(-20, -20, 60, 40), fill=1.3)
    sensor = Sensor(blur_px=0.5, white_electrons=900.0, read_noise=0.0, exposure=0.5)
    seen = linear(photo(white_page(), view, sensor=sensor, rng=np.random.default_rng(8))[60:140, 80:220, 1])
    level = 0.5 * 220 / 255
    assert seen.mean() == pytest.approx(level, rel=0.01)
    assert seen.std() == pytest.approx(math.sqrt(level / 900), rel=0.1)


def test_light_shadow_glare_and_thumb_change_what_they_should():
    view = view_over(Lens(focal_35mm=26), (320, 240), box_mm=(-20, -20, 60, 40), fill=1.2)

    def mean(light: Light, box: tuple[slice, slice], sensor: Sensor = CALM) -> float:
        return float(photo(white_page(), view, light, sensor, rng=np.random.default_rng(9))[box].mean())

    left, right = (slice(100, 140), slice(10, 60)), (slice(100, 140), slice(260, 310))
    middle, corner = (slice(100, 140), slice(140, 180)), (slice(0, 20), slice(0, 20))
    even = mean(Light(), left)
    assert mean(Light(gradient=(0.4, 0.0)), left) < even < mean(Light(gradient=(0.4, 0.0)), right)
    assert mean(Light(vignette=0.4), corner) < mean(Light(vignette=0.4), middle) == pytest.approx(even, abs=1)
    assert mean(Light(shadow=0.5, shadow_at=0.5), right) < 0.9 * even
    assert mean(Light(glare=(0.5, 0.5, 0.1, 0.9)), middle) == 255.0
    assert mean(Light(), middle, Sensor(thumbs=(Thumb(centre=(0.5, 0.5)),))) < 0.85 * even


def test_photos_are_not_square_and_columns_are_not_rows():
    pixels = photo(white_page(), oblique(LENSES["phone"]), rng=np.random.default_rng(10), samples=1)
    assert pixels.shape == (431, 640, 3)
    assert pixels.dtype == np.uint8
