"""Which windows have none opposite: made-up bores, once round and turned by any angle."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box
from shapely.affinity import translate

from portmap.picture.wall_partners import without_partner

TURN = 144.0
EXHAUST, BOOST = box(-10, 24, 10, 34), box(68, 23, 76, 30)
LEFT, RIGHT = box(-36, 23, -26, 30), box(26, 23, 36, 30.2)
SECOND = box(-47, 23, -39, 30)


def turned(shapes, by_mm):
    """Return the windows moved round the bore, each with its middle within half a turn of 0."""
    made = []
    for shape in shapes:
        moved = translate(shape, by_mm, 0.0)
        made.append(translate(moved, -TURN * round(moved.centroid.x / TURN), 0.0))
    return made


@pytest.mark.parametrize(
    ("windows", "alone"),
    [
        ([EXHAUST, LEFT, RIGHT, BOOST], []),
        ([EXHAUST, LEFT, BOOST], [(1, 31.0, 26.5)]),
        ([EXHAUST, LEFT, RIGHT, SECOND], [(3, 43.0, 26.5)]),
        ([EXHAUST, LEFT], []),
        ([EXHAUST, LEFT, translate(RIGHT, 2.0, -1.0)], []),
        ([box(-10, 24, 10, 34), box(30, 2, 44, 9), box(-62, 30, -50, 40)], []),
    ],
    ids=["all in pairs", "right missed", "second missed", "too few", "not quite opposite", "no pairs"],
)
def test_a_window_with_wall_opposite_is_told_with_the_place(windows, alone):
    found = without_partner(windows, TURN)
    assert [number for number, _ in found] == [number for number, *_ in alone]
    for (_, place), (_, x, y) in zip(found, alone, strict=True):
        assert place == pytest.approx((x, y), abs=0.2)


@given(by_mm=st.floats(-72, 72))
def test_it_is_the_same_wherever_the_picture_begins(by_mm):
    found = without_partner(turned([EXHAUST, LEFT, RIGHT, SECOND, BOOST], by_mm), TURN)
    assert [number for number, _ in found] == [3]
    x = found[0][1][0] - by_mm
    assert (x - 43.0 + TURN / 2) % TURN - TURN / 2 == pytest.approx(0.0, abs=0.2)
