"""What reaches past a line, where and how far; areas held to the shoelace formula worked by hand."""

import math

import pytest
import shapely
from shapely.affinity import translate

from portmap.shown import unit_system
from portmap.wall_change import area_beyond, named_mm, place_words, places_beyond, tallest_of
from tests.cylinders import DOUBT
from tests.gallery import box, port

# the pentagon whose area by the shoelace formula is 30: standard encyclopedia example
PENTAGON = shapely.Polygon([(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)])
LINE = shapely.box(-14, 28, 14, 40)


def reached(name, line, other, **more):
    """Where a shape reaches past another one."""
    return places_beyond(name, line, area_beyond(line, other), **more)


def test_the_area_of_a_pentagon_taken_out_of_a_wall():
    assert area_beyond(shapely.Polygon(), PENTAGON).area == pytest.approx(30.0)
    around = shapely.box(0, 0, 20, 20)
    assert area_beyond(PENTAGON, around).area == pytest.approx(400.0 - 30.0)
    assert area_beyond(around, PENTAGON).is_empty


NOTCHES = {
    "roof, right": ((4, 39, 6, 40.4), "roof", (4.0, 6.0), 40.4),
    "roof, left": ((-9, 39, -7, 40.4), "roof", (-9.0, -7.0), 40.4),
    "floor": ((1, 27.6, 3, 29), "floor", (1.0, 3.0), 27.6),
    "right side": ((13, 33, 14.4, 35), "right side", (14.4, 14.4), None),
    "left side": ((-14.4, 33, -13, 35), "left side", (-14.4, -14.4), None),
}


@pytest.mark.parametrize("notch", NOTCHES.values(), ids=NOTCHES.keys())
def test_a_notch_of_known_size_is_named_with_its_place_and_depth(notch):
    corners, edge, across, height = notch
    slipped = LINE.union(shapely.box(*corners))
    (place,) = reached("exhaust", LINE, slipped, least_mm=0.05)
    assert place.edge == edge
    assert place.depth_mm == pytest.approx(0.4, abs=1e-9)
    assert across[0] - 1e-9 <= place.x_mm <= across[1] + 1e-9
    if height is not None:
        assert place.y_mm == pytest.approx(height)
    # by hand: 2 mm by 0.4 mm
    assert place.area_mm2 == pytest.approx(0.8, abs=1e-6)
    assert reached("exhaust", slipped, LINE, least_mm=0.05) == ()


def test_two_slips_are_two_places_the_deeper_first():
    slipped = shapely.union_all([LINE, shapely.box(-8, 39, -6, 40.3), shapely.box(2, 39, 3, 40.7)])
    places = reached("e", LINE, slipped, least_mm=0.05)
    assert [round(place.depth_mm, 6) for place in places] == [0.7, 0.3]
    assert [place.x_mm > 0 for place in places] == [True, False]


def test_a_slip_on_a_roof_that_is_past_the_line_too_little_to_name_is_told_alone():
    slipped = shapely.box(-14, 28, 14, 40.03).union(shapely.box(2, 39, 3, 40.5))
    (place,) = reached("e", LINE, slipped, least_mm=0.05)
    assert (place.left_mm, place.right_mm) == pytest.approx((2.0, 3.0), abs=0.06)
    assert place.depth_mm == pytest.approx(0.5)


def test_what_is_too_shallow_has_no_name():
    assert reached("e", LINE, shapely.box(-14, 28, 14, 40.049), least_mm=0.05) == ()
    assert len(reached("e", LINE, shapely.box(-14, 28, 14, 40.051), least_mm=0.05)) == 1


def test_a_bridge_that_was_cut_away_is_past_the_line():
    bridged = LINE.difference(shapely.box(-1, 27, 1, 41))
    (place,) = reached("e", bridged, LINE, least_mm=0.05)
    assert place.depth_mm == pytest.approx(1.0, abs=1e-6)  # half the bridge, from either side
    assert place.area_mm2 == pytest.approx(24.0, abs=1e-3)


def test_a_place_is_told_within_half_a_turn():
    around = math.pi * 46.0
    slipped = translate(LINE.union(shapely.box(4, 39, 6, 40.4)), around, 0)
    (place,) = reached("e", translate(LINE, around, 0), slipped, least_mm=0.05, round_mm=around)
    assert 4.0 - 1e-9 <= place.x_mm <= 6.0 + 1e-9
    assert place.shape.bounds == pytest.approx((4.0, 40.0, 6.0, 40.4), abs=1e-6)


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (5.0, "5.00 mm right of centre"),
        (-7.0, "7.00 mm left of centre"),
        (0.0, "on the centre line"),
    ],
)
def test_a_place_in_words(x, words):
    slipped = LINE.union(shapely.box(x - 1, 39, x + 1, 40.4))
    (place,) = reached("e", LINE, slipped, least_mm=0.05)
    assert place_words(place) == f"roof, at 40.40 mm above base, {words}"


def test_a_place_in_inches():
    slipped = LINE.union(shapely.box(11.7, 39, 13.7, 40.64))
    (place,) = reached("e", LINE, slipped, least_mm=0.05)
    assert (
        place_words(place, unit_system("inch")) == "roof, at 1.6000 in above base, 0.5000 in right of centre"
    )


@pytest.mark.parametrize(
    ("shape", "height", "x"),
    [
        (shapely.box(0, 30, 10, 30.5), 0.5, None),
        (shapely.Polygon([(0, 30), (4, 31.25), (10, 30)]), 1.25, 4.0),
        # metal between two openings is no height of either
        (shapely.union(shapely.box(0, 30, 10, 30.4), shapely.box(0, 33, 10, 33.7)), 0.7, None),
        (shapely.box(0, 30, 10, 32).difference(shapely.box(2, 30.5, 8, 31.5)), 2.0, None),
        (shapely.Point(5, 30).buffer(3, quad_segs=300), 6.0, 5.0),
    ],
    ids=["level", "pointed", "two strips", "an island", "round"],
)
def test_the_largest_height(shape, height, x):
    found = tallest_of(shape)
    assert found.height_mm == pytest.approx(height, abs=1e-3)
    if x is not None:
        assert found.x_mm == pytest.approx(x, abs=0.05)
    assert shape.buffer(1e-6).covers(shapely.Point(found.x_mm, found.y_mm))


def test_nothing_has_no_height():
    assert tallest_of(shapely.MultiPolygon()) is None


def test_a_depth_worth_a_name_follows_from_the_doubts():
    from dataclasses import replace

    sure = replace(box(0, 30, 10, 38), doubt=DOUBT)
    # k = 2 of 0.02 mm on both sides, by hand: 2·√(2·0.02²)
    assert named_mm(port(sure), port(sure)) == pytest.approx(0.0565685, abs=1e-6)
    assert named_mm(port(box(0, 30, 10, 38)), port(box(0, 30, 10, 38))) == 0.05


@pytest.mark.parametrize(
    ("ring", "last_digits_off"),
    [
        (
            [[-2.2684, 39.2861], [0.3317, 31.238], [-5.7733, 30.971]],
            [[-2.2684, 39.2861], [0.33169999999999994, 31.238], [-5.773299999999998, 30.971000000000004]],
        ),
        (
            [[0.927545, 32.264178], [-0.572348, 34.410444], [-5.921063, 36.857804]],
            [[0.927545, 32.26417800000001], [-0.5723479999999999, 34.410444], [-5.921063, 36.857804]],
        ),
    ],
    ids=["steep", "slender"],
)
def test_shapes_alike_to_the_last_digit_leave_nothing_beyond(ring, last_digits_off):
    one, other = shapely.Polygon(ring), shapely.Polygon(last_digits_off)
    # of such pairs the exact overlay gives the whole triangle
    for line, shape in ((one, other), (other, one)):
        assert area_beyond(line, shape).area < 1e-9
