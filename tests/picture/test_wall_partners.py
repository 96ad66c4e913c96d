"""Which windows have none opposite: made-up bores, once round and turned by any angle."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box
from shapely.affinity import translate

from portmap.picture.wall_partners import unpaired

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
def test_a_window_with_wall_opposite_is_told_with_the_outline_of_its_partner(windows, alone):
    found = [each for each in unpaired(windows, TURN) if each.partner is None]
    assert [each.number for each in found] == [number for number, *_ in alone]
    for each, (_, x, y) in zip(found, alone, strict=True):
        assert (each.opposite.centroid.x, each.opposite.centroid.y) == pytest.approx((x, y), abs=0.2)
        assert each.opposite.area == pytest.approx(windows[each.number].area)


def test_windows_that_are_unlike_are_told_apart_from_those_with_wall_opposite():
    # of the right one, as what is seen of its roof and chamfer may be taken for it
    upper = box(26, 28, 36, 30)
    found = unpaired([EXHAUST, LEFT, upper, BOOST], TURN)
    assert [(each.number, each.partner) for each in found] == [(1, 2), (2, 1)]
    assert found[0].opposite.bounds == pytest.approx((26, 23, 36, 30))


def test_a_window_astride_the_middle_that_lost_a_side_is_sought_round_its_mirror_image_too():
    lost = box(-6, 24, 10, 34)
    (found,) = unpaired([lost, LEFT, RIGHT, BOOST], TURN)
    assert (found.number, found.partner) == (0, 0)
    assert found.opposite.bounds == pytest.approx((-10, 24, 10, 34))


@given(by_mm=st.floats(-72, 72))
def test_it_is_the_same_wherever_the_picture_begins(by_mm):
    (found,) = unpaired(turned([EXHAUST, LEFT, RIGHT, SECOND, BOOST], by_mm), TURN)
    assert (found.number, found.partner) == (3, None)
    x = found.opposite.centroid.x - by_mm
    assert (x - 43.0 + TURN / 2) % TURN - TURN / 2 == pytest.approx(0.0, abs=0.2)
