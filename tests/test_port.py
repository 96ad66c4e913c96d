import math

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from portmap.errors import GeometryError
from portmap.port import (
    PortMap,
    Window,
    WindowDoubt,
    centre_x,
    chord_width,
    floor_of,
    join_across_wrap,
    mirrored_pairs,
    mirrored_window,
    roof_of,
    turned_window,
    wall_area,
    window_polygon,
)
from tests.gallery import BORE_MM, HALF_TURN_MM, WINDOWS, box, ellipse, port

SAME_PLACE_MM = 1e-9


# Published pentagon (3,4)(5,11)(12,8)(9,5)(5,6), area 30: the worked shoelace example of a standard
# encyclopedia (from memory, and by hand).
def test_area_of_the_published_pentagon():
    assert window_polygon([[3, 4], [5, 11], [12, 8], [9, 5], [5, 6]]).area == pytest.approx(30, abs=1e-12)


# Regular polygons in the unit circle: (n/2)·sin(2π/n), evaluated outside this project.
@pytest.mark.parametrize(("corners", "area"), [(8, 2.828427125), (50, 3.133330839), (360, 3.141433159)])
def test_area_of_regular_polygons(corners, area):
    assert ellipse(0, 0, 1, 1, corners).outline.area == pytest.approx(area, abs=1e-9)


# Machinery's Handbook, segments of circles (from memory), for chord over bore 0.62 … 0.75: arc over bore.
@pytest.mark.parametrize(
    ("arc", "chord"), [(0.668743, 0.62), (0.707584, 0.65), (0.775397, 0.70), (0.848062, 0.75)]
)
def test_chord_of_an_arc(arc, chord):
    assert float(chord_width(arc * 54, 54)) == pytest.approx(chord * 54, abs=54e-6)


@pytest.mark.parametrize(
    ("outline", "holes", "words"),
    [
        ([[0, 0], [10, 8], [10, 0], [0, 8]], (), r"crosses itself near x 5\.0 mm, y 4\.0 mm"),
        ([[0, 0], [10, 0]], (), "at least three corners"),
        ([[0, 0], [5, 0], [10, 0]], (), "encloses no area"),
        ([[0, 0], [10, 0], [float("nan"), 8]], (), r"\[2\]: a corner is not a number"),
        ([[0, 0], [10, 0], [float("inf"), 8]], (), "a corner is not a number"),
        ([[0, 0], [10, 0], [10, 8], [0, 8]], ([[20, 1], [22, 1], [22, 3]],), "not a shape.*near x 20"),
        ([[0, 0], [10, 0], [10, 8], [0, 8]], ([[1, 1], [2, float("nan")], [2, 2]],), r"holes_mm\[0\]\[1\]"),
    ],
    ids=["crossing", "two corners", "on one line", "nan", "infinite", "hole outside", "nan in a hole"],
)
def test_an_outline_that_is_no_window_is_refused(outline, holes, words):
    with pytest.raises(GeometryError, match=words):
        window_polygon(outline, holes)


def test_outlines_are_kept_anticlockwise_and_holes_clockwise():
    clockwise = [[0, 0], [0, 8], [10, 8], [10, 0]]
    shape = window_polygon(clockwise, ([[2, 2], [4, 2], [4, 4], [2, 4]],))
    assert shape.exterior.is_ccw
    assert not shape.interiors[0].is_ccw
    assert shape.area == 76.0


def test_a_port_reaches_from_its_lowest_floor_to_its_highest_roof():
    several = port(box(-20, 22, -10, 31), box(10, 24, 20, 33))
    assert (floor_of(several), roof_of(several), wall_area(several)) == (22.0, 33.0, 180.0)


@pytest.mark.parametrize("name", sorted(WINDOWS))
def test_centre_is_the_mean_radial_direction(name):
    # Outside reference: the same mean by brute force over a fine grid of points inside the outline.
    window = WINDOWS[name]
    left, floor, right, roof = window.outline.bounds
    x, y = np.meshgrid(
        left + (np.arange(400) + 0.5) / 400 * (right - left),
        floor + (np.arange(400) + 0.5) / 400 * (roof - floor),
    )
    inside = shapely.contains_xy(window.outline, x, y)
    phi = x[inside] / (BORE_MM / 2)
    brute = math.atan2(np.sin(phi).sum(), np.cos(phi).sum()) * BORE_MM / 2
    apart = (centre_x(window, BORE_MM) - brute + HALF_TURN_MM) % (2 * HALF_TURN_MM) - HALF_TURN_MM
    assert abs(apart) < 0.02 * (right - left)  # the grid's own resolution


@pytest.mark.parametrize("shift", [0.0, 31.0, HALF_TURN_MM, -2 * HALF_TURN_MM])
def test_centre_turns_with_the_window(shift):
    window = WINDOWS["slanted"]
    moved = centre_x(turned_window(window, shift), BORE_MM)
    assert moved - centre_x(window, BORE_MM) == pytest.approx(shift, abs=SAME_PLACE_MM)


def test_a_window_all_round_faces_no_one_way():
    with pytest.raises(GeometryError, match="faces no one way"):
        centre_x(box(-HALF_TURN_MM, 20, HALF_TURN_MM, 30), BORE_MM)


def test_mirror_twice_is_the_same():
    window = WINDOWS["slanted"]
    twice = mirrored_window(mirrored_window(window)).outline
    assert twice.symmetric_difference(window.outline).area == 0.0


def test_halves_cut_by_the_picture_edge_become_one_window():
    doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.02)
    left = Window(outline=box(-HALF_TURN_MM + 1e-9, 20, -HALF_TURN_MM + 5, 30).outline, doubt=doubt)
    right = Window(outline=box(HALF_TURN_MM - 7, 20, HALF_TURN_MM, 31).outline, doubt=doubt)
    middle = box(-5, 20, 5, 30)
    joined = join_across_wrap((left, middle, right), BORE_MM)
    assert len(joined) == 2
    assert sorted(round(window.outline.area, 6) for window in joined) == [100.0, 127.0]
    (wrapped,) = (window for window in joined if window.outline.area > 110)
    assert wrapped.outline.is_valid
    assert wrapped.doubt is not None
    assert wrapped.doubt.wall_area_u_mm2 == pytest.approx(0.2)


def test_pairs_face_each_other_across_the_exhaust_centre_line():
    right = box(20, 22, 31, 31)
    rear = ellipse(HALF_TURN_MM, 26, 5, 4, 40)
    ports = (
        port(mirrored_window(right), name="left", kind="transfer"),
        port(turned_window(right, 0.4), name="right", kind="transfer"),
        port(rear, name="rear", kind="boost"),
        port(box(-14, 28, 14, 40), name="exhaust"),
    )
    assert mirrored_pairs(PortMap(stage="stock", ports=ports), BORE_MM) == (("left", 0, "right", 0),)


def test_windows_of_different_kinds_are_no_pair():
    right = box(20, 22, 31, 31)
    ports = (
        port(mirrored_window(right), name="a", kind="transfer"),
        port(right, name="b", kind="intake"),
    )
    assert mirrored_pairs(PortMap(stage="stock", ports=ports), BORE_MM) == ()


def test_chord_width_keeps_shape():
    assert_allclose(chord_width(np.zeros((2, 3)), BORE_MM), np.zeros((2, 3)), atol=0)
