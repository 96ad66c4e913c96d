"""The bore's renderer against OpenCV's projection, tables of circles and cases worked by hand."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely

from tests.bore_camera import Camera, ray_map, turned_to
from tests.bore_rays import CHAMFER, DARK, FACE, NOTHING, PASSAGE, RING, STRIP, WALL
from tests.bore_rendering import (
    Bore,
    BoreScene,
    Lamp,
    Opening,
    Optics,
    Ring,
    Strip,
    render,
    traced,
    wall_point,
)
from tests.rendering import Page

PROJECTION_PX = 1e-9  # two spellings of one formula in double precision
RAY_PX = 2e-3  # of the polynomials that carry rays over a picture, in single precision
PLACE_PX = 0.05  # of a dot's centre, drawn with 3 × 3 rays a pixel at its edge
AREA_SHARE = 0.004  # of a figure of some 10⁴ pixels counted whole
BARREL = (-0.24, 0.075, 0.0007, -0.0005, -0.010)
FISHEYE = (0.035, -0.012, 0.0025, -0.0004)
NONE = (0.0, 0.0, 0.0, 0.0, 0.0)
UP = np.array([0.0, 0.0, 1.0])
CALM = Optics(
    lamps=(), ambient=1.0, blur_px=0.0, vignette=0.0, bright=0.8, white_electrons=1e12, read_noise=0.0
)


def camera(
    place: tuple[float, float, float],
    forward: tuple[float, float, float],
    *,
    up: np.ndarray = UP,
    model: str = "pinhole",
    focal: float = 420.0,
    distortion: tuple[float, ...] = NONE,
    size: tuple[int, int] = (640, 470),
    roll: float = 0.0,
    mirrored: bool = False,
) -> Camera:
    return Camera(
        model="fisheye" if model == "fisheye" else "pinhole",
        size_px=size,
        fx=focal,
        fy=focal * 1.004,
        cx=size[0] / 2 + 3.7,
        cy=size[1] / 2 - 5.2,
        distortion=distortion,
        turn=turned_to(np.array(forward), up, roll),
        place_mm=np.array(place),
        mirrored=mirrored,
    )


CAMERAS = {
    "side, barrel": camera((-8.0, 3.0, 24.0), (1.0, 0.15, 0.1), distortion=BARREL, roll=4.0),
    "side, fisheye": camera(
        (-6.0, -2.0, 27.0), (0.9, -0.4, -0.1), model="fisheye", focal=290.0, distortion=FISHEYE
    ),
    "side, mirrored": camera((-8.0, 3.0, 24.0), (1.0, 0.15, 0.1), distortion=BARREL, mirrored=True),
    "from below": camera(
        (-14.0, -9.0, -70.0),
        (0.25, 0.1, 1.0),
        up=np.array([1.0, 0.0, 0.0]),
        focal=700.0,
        distortion=(0.07, -0.13, 0.0006, -0.0004, 0.06),
    ),
}
NAMED = pytest.mark.parametrize("view", [pytest.param(view, id=name) for name, view in CAMERAS.items()])


def opencv_pixels(view: Camera, points: np.ndarray) -> np.ndarray:
    """Return where OpenCV's projectPoints puts points."""
    turn, shift = cv2.Rodrigues(view.turn)[0], -view.turn @ view.place_mm
    matrix = np.array([[view.fx, 0, view.cx], [0, view.fy, view.cy], [0, 0, 1.0]])
    project = cv2.fisheye.projectPoints if view.model == "fisheye" else cv2.projectPoints
    seen, _ = project(
        np.asarray(points, float).reshape(-1, 1, 3),
        turn,
        shift.reshape(3, 1),
        matrix,
        np.array(view.distortion),
    )
    pixels = np.array(seen, float).reshape(-1, 2)
    if view.mirrored:
        pixels[:, 0] = view.size_px[0] - 1 - pixels[:, 0]
    return pixels


def bare(*openings: Opening, **finish: object) -> Bore:
    """Return a bright cylinder without scratches, shine or chamfer, whose windows are dark."""
    plain: dict[str, object] = {
        "tone": (0.6, 0.6, 0.6),
        "chamfer_mm": 0.0,
        "passage_mm": 0.001,
        "shine": 0.0,
        "honing": 0.0,
        "casting": 0.0,
    }
    return Bore(bore_mm=46.0, deck_mm=62.0, openings=openings, **{**plain, **finish})


def window(x: float, y: float, shape: shapely.Polygon) -> Opening:
    return Opening(name="one", kind="other", outline=shapely.affinity.translate(shape, x, y))


# --- the camera ------------------------------------------------------------


@NAMED
def test_projection_is_that_of_opencv(view):
    # cv2.projectPoints and cv2.fisheye.projectPoints, OpenCV 5.0
    points = wall_point(23.0, np.random.default_rng(1).uniform((-8, 15), (8, 40), (200, 2)))
    assert np.abs(view.project(points) - opencv_pixels(view, points)).max() < PROJECTION_PX


@NAMED
def test_rays_undo_projection_over_the_whole_picture(view):
    columns, rows = view.size_px
    column, row = (part.ravel() for part in np.meshgrid(np.arange(0, columns, 37), np.arange(0, rows, 29)))
    pixels = np.column_stack([column, row]).astype(float)
    single = view.place_mm + 30 * view.directions(pixels)
    assert np.abs(view.project(single) - pixels).max() < 1e-6
    spread = ray_map(view).rows(0, rows)[:, row, column].T.astype(float)
    assert np.abs(view.project(view.place_mm + 30 * spread) - pixels).max() < RAY_PX


def test_a_lens_that_cannot_be_undone_is_refused():
    folded = camera((0, 0, 20), (1, 0, 0), focal=120.0, distortion=(-0.6, 0.0, 0.0, 0.0, 0.0))
    with pytest.raises(ValueError, match="cannot be undone"):
        ray_map(folded)


def test_turned_to_makes_right_ahead_cross_up():
    turn = turned_to(np.array([1.0, 0.0, 0.0]), UP)
    # facing the exhaust from the axis, right is −Y: X × Z = −Y
    assert turn[0] == pytest.approx([0, -1, 0])
    assert turn[1] == pytest.approx([0, 0, -1])
    rolled = turned_to(np.array([1.0, 0.0, 0.0]), UP, 90.0)
    assert rolled[0] == pytest.approx([0, 0, -1])  # the picture turns counterclockwise: what was right is up


# --- cylinder geometry ------------------------------------------------------------


@pytest.mark.parametrize(
    ("degrees", "height", "chord"),
    # segments of circles at R = 1, Machinery's Handbook (from memory, checked by calculation)
    [(60, 0.1340, 1.0000), (90, 0.2929, 1.4142), (120, 0.5000, 1.7321)],
)
def test_wall_places_keep_to_the_table_of_segments(degrees, height, chord):
    radius = 23.0
    half = math.radians(degrees / 2) * radius
    left, middle, right = wall_point(radius, np.array([[-half, 5.0], [0.0, 5.0], [half, 5.0]]))
    assert math.dist(left, right) / radius == pytest.approx(chord, abs=5e-5)
    assert math.dist(middle, (left + right) / 2) / radius == pytest.approx(height, abs=5e-5)


def test_from_the_axis_the_wall_runs_with_the_tangent_of_its_angle():
    # by hand: the place (x, y) stands R·tan(x/R) to the right and (y − h)/cos(x/R) up, at distance R
    view = camera((0.0, 0.0, 20.0), (1.0, 0.0, 0.0))
    places = np.array([[0.0, 20.0], [9.0, 20.0], [-6.0, 31.0]])
    turn = places[:, 0] / 23.0
    across = view.cx + view.fx * np.tan(turn)
    down = view.cy - view.fy * (places[:, 1] - 20.0) / (23.0 * np.cos(turn))
    assert view.project(wall_point(23.0, places)) == pytest.approx(np.column_stack([across, down]))


def test_from_the_axis_the_rim_and_the_strip_are_concentric_circles():
    view = camera((0.0, 0.0, -80.0), (0, 0, 1), up=np.array([1.0, 0, 0]), focal=700.0, size=(700, 690))
    view = replace(view, fy=view.fx)
    page = Page(reflectance=np.full((400, 3000, 3), 210, np.uint8), px_per_mm=20.0, origin_px=(1500.0, 399.0))
    scene = BoreScene(
        bore=bare(),
        strip=Strip(page=lambda: page, height_mm=15.0, low_mm=40.0, thickness_mm=0.1),
        optics=CALM,
    )
    kind = traced(scene, view).kind
    rows, columns = np.mgrid[: kind.shape[0], : kind.shape[1]]
    out = np.hypot(columns - view.cx, rows - view.cy)

    def circle(inside: np.ndarray) -> tuple[float, float, float]:
        return (
            math.sqrt(inside.sum() / math.pi),
            float(columns[inside].mean() - view.cx),
            float(rows[inside].mean() - view.cy),
        )

    seen = (kind != FACE) & (out < 300)
    assert circle(seen) == pytest.approx((700 * 23.0 / 80, 0, 0), abs=0.1)
    # the strip's lower edge stands 120 mm off and 22.9 mm from the axis; past its upper edge the wall shows
    # again, then the deck's rim at 142 mm
    assert circle(seen & ((kind != WALL) | (out < 119))) == pytest.approx((700 * 22.9 / 120, 0, 0), abs=0.1)
    assert circle(seen & (kind == NOTHING)) == pytest.approx((700 * 23.0 / 142, 0, 0), abs=0.1)


def test_distances_are_those_to_the_wall():
    view = camera((-8.0, 0.0, 20.0), (1.0, 0.0, 0.0))
    far = traced(BoreScene(bore=bare(), optics=CALM), view).far_mm
    row, column = round(view.cy), round(view.cx)
    assert far[row, column] == pytest.approx(31.0, abs=1e-3)
    # 45° of the wall stand at X = R·cos 45°
    place = wall_point(23.0, np.array([[23 * math.pi / 4, 20.0]]))
    right = np.rint(view.project(place)[0]).astype(int)
    assert far[right[1], right[0]] == pytest.approx(8.0 + 23.0 * math.cos(math.pi / 4), abs=0.05)


# --- what is seen where ------------------------------------------------------------


def _dark_centre(view: Camera, scene: BoreScene, blank: BoreScene, goal: np.ndarray, reach: int):
    left, top = (np.rint(goal) - reach).astype(int)
    part = np.s_[top : top + 2 * reach + 1, left : left + 2 * reach + 1]
    dark = (traced(blank, view).light - traced(scene, view).light)[part][:, :, 1].astype(float)
    rows, columns = np.mgrid[part]
    return np.array([(dark * columns).sum(), (dark * rows).sum()]) / dark.sum()


def _disc(radius: float) -> np.ndarray:
    far, angle = np.meshgrid(
        radius * np.sqrt((np.arange(40) + 0.5) / 40), (np.arange(60) + 0.5) * math.pi / 30
    )
    return np.column_stack([(far * np.cos(angle)).ravel(), (far * np.sin(angle)).ravel()])


def _mean_pixel(view: Camera, spots: np.ndarray, stand) -> np.ndarray:
    """Return the mean of OpenCV's pixels of places, each weighed by the picture's area that it takes."""
    east, north = (
        opencv_pixels(view, stand(spots + step)) - opencv_pixels(view, stand(spots - step))
        for step in 1e-4 * np.eye(2)
    )
    weight = np.abs(east[:, 0] * north[:, 1] - east[:, 1] * north[:, 0])
    return np.asarray((opencv_pixels(view, stand(spots)) * weight[:, None]).sum(axis=0) / weight.sum())


@NAMED
@pytest.mark.parametrize("place", [(-6.3, 21.0), (2.1, 33.4), (7.7, 26.2)])
def test_a_dot_on_the_wall_falls_where_opencv_projects_it(view, place):
    dot = window(*place, shapely.Point(0, 0).buffer(0.9, quad_segs=64))
    goal = _mean_pixel(view, np.array(place) + _disc(0.9), lambda at: wall_point(23.0, at))
    found = _dark_centre(
        view, BoreScene(bore=bare(dot), optics=CALM), BoreScene(bore=bare(), optics=CALM), goal, 30
    )
    assert found == pytest.approx(goal, abs=PLACE_PX)


def test_a_dot_over_the_wrap_is_whole():
    seam = 23.0 * math.pi
    view = camera((4.0, 1.0, 24.0), (-1.0, 0.05, 0.0), distortion=BARREL)
    dot = window(seam - 0.2, 25.0, shapely.Point(0, 0).buffer(0.9, quad_segs=64))
    goal = _mean_pixel(view, np.array([seam - 0.2, 25.0]) + _disc(0.9), lambda at: wall_point(23.0, at))
    found = _dark_centre(
        view, BoreScene(bore=bare(dot), optics=CALM), BoreScene(bore=bare(), optics=CALM), goal, 30
    )
    assert found == pytest.approx(goal, abs=PLACE_PX)


@functools.cache
def _page(dot: tuple[float, float] | None, bounds: tuple[float, float, float, float]) -> Page:
    x0, y0, x1, y1 = bounds
    scale = 24.0
    shape = (round((y1 - y0) * scale), round((x1 - x0) * scale), 3)
    page = Page(
        reflectance=np.full(shape, 210, np.uint8), px_per_mm=scale, origin_px=(-x0 * scale, y1 * scale)
    )
    if dot is None:
        return page
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    x, y = (columns - page.origin_px[0]) / scale, (page.origin_px[1] - rows) / scale
    share = np.clip((np.hypot(x - dot[0], y - dot[1]) - 0.9) * scale + 0.5, 0, 1)
    return replace(page, reflectance=np.rint(page.reflectance * share[:, :, None]).astype(np.uint8))


@pytest.mark.parametrize("name", ["side, barrel", "side, fisheye", "side, mirrored"])
def test_a_dot_printed_on_the_strip_stands_one_thickness_inside_the_wall(name):
    view, thick, low = CAMERAS[name], 0.3, 18.0  # thick, so that a wrong radius shows
    spot, laid, lift, slope = (3.4, 7.0), 0.02, 0.4, (0.01, -0.03)

    def stand(at: np.ndarray) -> np.ndarray:
        # a sheet keeps its length in its middle, R − t/2 from the axis
        turn = at[:, 0] / (23.0 - thick / 2) + laid
        x, y = (23.0 - thick) * np.cos(turn), -(23.0 - thick) * np.sin(turn)
        return np.column_stack([x, y, at[:, 1] + low + lift + slope[0] * x + slope[1] * y])

    scenes = [
        BoreScene(
            bore=bare(),
            strip=Strip(
                page=functools.partial(_page, dot, (-70, -1, 70, 16)),
                height_mm=15.0,
                low_mm=low,
                thickness_mm=thick,
                turn_rad=laid,
                lift_mm=lift,
                slope=slope,
            ),
            optics=CALM,
        )
        for dot in (spot, None)
    ]
    goal = _mean_pixel(view, np.array(spot) + _disc(0.9), stand)
    assert _dark_centre(view, *scenes, goal, 30) == pytest.approx(goal, abs=PLACE_PX)


@pytest.mark.parametrize("seat", ["base", "deck"])
def test_a_dot_printed_on_the_ring_stands_where_the_design_says(seat):
    spot, thick = (-6.2, 27.5), 0.3
    side, level = (1.0, 0.0) if seat == "base" else (-1.0, 62.0)
    place = (9.0, 7.0, -75.0) if seat == "base" else (9.0, 7.0, 62.0 + 75.0)
    view = camera(
        place, (-0.05, -0.08, side), up=np.array([1.0, 0.0, 0.0]), focal=560.0, distortion=(0.05, 0, 0, 0, 0)
    )

    shift, turn, lift, slope = (0.6, -0.3), 0.03, 0.2, (0.01, -0.02)

    def stand(at: np.ndarray) -> np.ndarray:
        c, s = math.cos(turn), math.sin(turn)
        right, up = c * at[:, 0] - s * at[:, 1] + shift[0], s * at[:, 0] + c * at[:, 1] + shift[1]
        # DESIGN: (right, up) of the card is (Y, X) seen from below, (−Y, X) seen from above
        x, y = up, side * right
        return np.column_stack([x, y, level - side * (thick + lift + slope[0] * x + slope[1] * y)])

    scenes = [
        BoreScene(
            bore=bare(),
            ring=Ring(
                page=functools.partial(_page, dot, (-40, -40, 40, 40)),
                half_mm=38.0,
                hole_mm=23.3,
                seat=seat,
                thickness_mm=thick,
                shift_mm=shift,
                turn_rad=turn,
                lift_mm=lift,
                slope=slope,
            ),
            optics=CALM,
        )
        for dot in (spot, None)
    ]
    goal = _mean_pixel(view, np.array(spot) + _disc(0.9), stand)
    assert _dark_centre(view, *scenes, goal, 15) == pytest.approx(goal, abs=PLACE_PX)


def test_right_of_the_exhaust_is_right_from_the_axis_and_left_from_below():
    # a window at x = +8: the frame's rule is that x runs to the right as seen from the axis
    bore = bare(window(8.0, 24.0, shapely.box(-2, -3, 2, 3)))
    inside = camera((0.0, 0.0, 24.0), (1.0, 0.0, 0.0))
    below = camera((0.0, 0.0, -60.0), (0.0, 0.0, 1.0), up=np.array([1.0, 0.0, 0.0]), focal=700.0)
    for view, right in ((inside, True), (below, False), (replace(inside, mirrored=True), False)):
        seen = np.nonzero(traced(BoreScene(bore=bore, optics=CALM), view).kind == DARK)[1]
        assert len(seen) > 100
        assert (seen.min() > view.cx) if right else (seen.max() < view.cx)
    upper = np.nonzero(traced(BoreScene(bore=bore, optics=CALM), below).kind == DARK)[0]
    assert upper.max() < below.cy  # the exhaust's side is up


@pytest.mark.parametrize("wide", [0.0, 0.5])
def test_the_wall_ends_its_chamfer_outside_the_window(wide):
    shape = shapely.box(-5, -3, 5, 3).buffer(1.0)
    bore = bare(window(2.0, 24.0, shape), chamfer_mm=wide, passage_mm=15.0)
    view = camera((-10.0, 1.0, 23.0), (1.0, 0.0, 0.0), focal=700.0)
    kind = traced(BoreScene(bore=bore, optics=CALM), view).kind
    edge = shapely.segmentize(bore.openings[0].outline.buffer(wide, quad_segs=32).exterior, 0.05)
    corners = view.project(wall_point(23.0, shapely.get_coordinates(edge)))
    assert (kind != WALL).sum() == pytest.approx(shapely.Polygon(corners).area, rel=AREA_SHARE)
    assert (kind == CHAMFER).any() == (wide > 0)
    assert (kind == PASSAGE).any()


def test_a_passage_s_dark_end_is_cut_by_the_window_or_by_the_passage():
    # by hand: window and passage keep the half angle w/R; at r from the axis that is r·sin wide, r·cos off
    half, deep = 4.0, 10.0
    bore = bare(window(0.0, 24.0, shapely.box(-half, -4, half, 4)), passage_mm=deep)
    turn = half / 23.0

    def seen(place: float, focal: float) -> tuple[float, int]:
        view = camera((place, 0.0, 24.0), (1.0, 0.0, 0.0), focal=focal)
        row = traced(BoreScene(bore=bore, optics=CALM), view).kind[round(view.cy)]
        dark = np.flatnonzero(row == DARK)
        return (dark.max() - dark.min() + 1) / 2 / focal, int((row == PASSAGE).sum())

    # from behind the axis the radial walls fall away, and the window's own edge cuts the view
    share, walls = seen(-10.0, 700.0)
    assert share == pytest.approx(23.0 * math.sin(turn) / (23.0 * math.cos(turn) + 10.0), abs=1.5 / 700)
    assert walls <= 2
    # from before the axis they close in on its end
    share, walls = seen(10.0, 300.0)
    assert share == pytest.approx(33.0 * math.sin(turn) / (33.0 * math.cos(turn) - 10.0), abs=1.5 / 300)
    assert walls > 10


# --- light, blur, sensor ------------------------------------------------------------


def test_a_lamp_s_light_falls_with_the_square_and_the_cosine():
    lamp = replace(CALM, ambient=0.0, lamps=(Lamp(at_mm=(0.0, 0.0, 0.0), strength=1.0),))
    view = camera((0.0, 0.0, 24.0), (1.0, 0.0, 0.0))
    light = traced(BoreScene(bore=bare(), optics=lamp), view).light[:, :, 1]
    for y in (24.0, 31.0):
        row, column = np.rint(view.project(wall_point(23.0, np.array([[0.0, y]])))[0][::-1]).astype(int)
        square = 23.0**2 + (y - 24.0) ** 2
        # Lambert: tone × strength × cos / r²; a strength of 1 is paper's full light at 100 mm
        expected = 0.6 * 1e4 / square * 23.0 / math.sqrt(square)
        assert light[row, column] == pytest.approx(expected, rel=0.01)


def test_the_streak_of_the_lamp_stands_where_the_wall_faces_it():
    # a mirror's rule: with the lamp at the lens it is the foot of the normal, and a streak along the bore
    optics = replace(CALM, ambient=0.0, lamps=(Lamp(at_mm=(0.0, 0.0, 0.0)),))
    view = camera((-16.0, 0.0, 24.0), (0.98, -0.2, 0.0))
    shiny, dull = (
        traced(BoreScene(bore=bare(shine=s), optics=optics), view).light[:, :, 1] for s in (2.0, 0.0)
    )
    gloss = shiny - dull
    row, column = np.unravel_index(gloss.argmax(), gloss.shape)
    foot = view.project(wall_point(23.0, np.array([[0.0, 24.0]])))[0]
    assert (column, row) == pytest.approx(foot, abs=4.0)
    places = wall_point(23.0, np.array([[13.8, 24.0], [0.0, 36.0]]))
    aside, above = view.project(places).round().astype(int)
    assert gloss[above[1], above[0]] > 3 * gloss[aside[1], aside[0]]


def test_a_lamp_below_the_face_does_not_shine_round_its_rim():
    # down in the picture is −X here, so that the lamp stands 17 mm outside the rim on the exhaust's far side
    optics = replace(CALM, ambient=0.0, lamps=(Lamp(at_mm=(0.0, 40.0, 0.0)),))
    view = camera((0.0, 0.0, -60.0), (0.0, 0.0, 1.0), up=np.array([1.0, 0.0, 0.0]), focal=500.0)
    light = traced(BoreScene(bore=bare(), optics=optics), view).light[:, :, 1]
    sides = wall_point(23.0, np.array([[math.pi * 23, 5.0], [0.0, 5.0]]))
    near, far = view.project(sides).round().astype(int)
    assert light[near[1], near[0]] == 0.0
    assert light[far[1], far[0]] > 0.0


def test_blur_grows_away_from_the_focus():
    optics = replace(CALM, blur_px=0.7, aperture_mm=1.0, focus_mm=84.0)
    bore = bare(window(0.0, 24.0, shapely.box(-6, -4, 6, 4)))
    view = camera((0.0, 0.0, -60.0), (0.1, 0.0, 1.0), up=np.array([1.0, 0.0, 0.0]), focal=700.0)

    def steepest(focus: float) -> float:
        seen = render(BoreScene(bore=bore, optics=replace(optics, focus_mm=focus)), view, 1)[:, :, 1]
        column = round(view.project(wall_point(23.0, np.array([[0.0, 24.0]])))[0, 0])
        return float(np.abs(np.diff(seen[:200, column].astype(float))).max())

    assert steepest(84.0) > 1.5 * steepest(45.0)


def test_noise_grows_with_the_root_of_the_light():
    view = camera((0.0, 0.0, 24.0), (1.0, 0.0, 0.0), size=(320, 240), focal=900.0)
    optics = replace(CALM, white_electrons=900.0, bright=0.5)
    seen = render(BoreScene(bore=bare(), optics=optics), view, 3)[60:180, 80:240, 1] / 255.0
    light = np.where(seen <= 0.04045, seen / 12.92, ((seen + 0.055) / 1.055) ** 2.4)
    assert light.std() == pytest.approx(math.sqrt(light.mean() / 900), rel=0.1)


def test_the_same_seed_makes_the_same_picture_and_another_not():
    view = camera((0.0, 0.0, 24.0), (1.0, 0.0, 0.0), size=(160, 117))
    scene = BoreScene(bore=bare(honing=0.1), optics=replace(CALM, white_electrons=3000.0))
    first = render(scene, view, 5)
    assert first.shape == (117, 160, 3)
    assert first.dtype == np.uint8
    assert (first == render(scene, view, 5)).all()
    assert (first != render(scene, view, 6)).any()


def test_mirrored_pictures_are_the_others_turned_over():
    view = CAMERAS["side, barrel"]
    scene = BoreScene(bore=bare(window(3.0, 25.0, shapely.box(-4, -2, 4, 2))), optics=CALM)
    plain = traced(scene, view).light
    assert np.abs(traced(scene, replace(view, mirrored=True)).light[:, ::-1] - plain).max() < 0.2
    kinds = traced(scene, replace(view, mirrored=True)).kind[:, ::-1] != traced(scene, view).kind
    assert kinds.mean() < 1e-4


def test_ring_and_strip_hide_what_is_behind_them():
    page = _page(None, (-70, -1, 70, 20))
    bore = bare(window(0.0, 10.0, shapely.box(-4, -3, 4, 3)))
    scene = BoreScene(bore=bore, strip=Strip(page=lambda: page, height_mm=18.0, low_mm=0.5), optics=CALM)
    kind = traced(scene, camera((-5.0, 0.0, 14.0), (1.0, 0.0, 0.0))).kind
    assert (kind == STRIP).any()
    assert not (kind == DARK).any()
    ring = Ring(
        page=lambda: _page(None, (-40, -40, 40, 40)), half_mm=38.0, hole_mm=15.0
    )  # hole cut too small
    below = camera((0.0, 0.0, -60.0), (0.0, 0.0, 1.0), up=np.array([1.0, 0.0, 0.0]), focal=700.0)
    kind = traced(BoreScene(bore=bore, ring=ring, optics=CALM), below).kind
    inside = ~np.isin(kind, [RING, FACE])
    assert inside.sum() == pytest.approx(math.pi * (700 * 15.0 / 59.9) ** 2 * 1.004, rel=AREA_SHARE)
