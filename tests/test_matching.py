"""Ports and windows are found again in another map, wherever the wrap falls."""

import math
from dataclasses import replace

import pytest
import shapely
from shapely.affinity import translate

from portmap.matching import at_turn, laid_flat, matched_ports, matched_windows, scaled_round, wall_shape
from portmap.port import PortMap, Window, turned_window
from tests.cylinders import BORE_MM, stock
from tests.gallery import box, port

ROUND_MM = math.pi * BORE_MM


def test_names_that_lie_over_one_another_come_first():
    found = matched_ports(stock(), stock(), BORE_MM)
    assert [(match.a.id, match.b.id, match.by) for match in found.both] == [
        (one.id, one.id, "name") for one in stock().ports
    ]
    assert found.only_a == found.only_b == ()


def test_numbers_given_anew_are_matched_by_place():
    names = {"exhaust": "5", "main": "1", "second": "2", "boost": "exhaust", "intake": "boost"}
    again = replace(
        stock(), ports=tuple(replace(one, id=names[one.id], kind="other") for one in reversed(stock().ports))
    )
    found = matched_ports(stock(), again, BORE_MM)
    assert {match.a.id: match.b.id for match in found.both} == names
    assert {match.by for match in found.both} == {"place"}


def test_what_only_one_map_has_is_named():
    short = replace(stock(), ports=stock().ports[1:])
    assert matched_ports(stock(), short, BORE_MM).only_a == ("exhaust",)
    assert matched_ports(short, stock(), BORE_MM).only_b == ("exhaust",)


def test_kinds_that_disagree_are_not_one_port_though_they_share_place_and_name():
    a = PortMap(stage="stock", ports=(port(box(0, 20, 10, 30), name="p", kind="transfer"),))
    b = PortMap(stage="stock", ports=(port(box(0, 20, 10, 30), name="p", kind="intake"),))
    assert matched_ports(a, b, BORE_MM).both == ()


def test_a_name_alone_will_do_where_nothing_lies_near():
    a = PortMap(stage="stock", ports=(port(box(0, 20, 10, 30), name="p"),))
    b = PortMap(stage="stock", ports=(port(box(30, 20, 40, 30), name="p"),))
    assert [match.by for match in matched_ports(a, b, BORE_MM).both] == ["name"]


@pytest.mark.parametrize("turns", [-2, -1, 1, 3])
def test_turns_of_the_bore_change_no_match(turns):
    around = replace(
        stock(),
        ports=tuple(
            replace(one, windows=tuple(turned_window(w, turns * ROUND_MM) for w in one.windows))
            for one in stock().ports
        ),
    )
    found = matched_ports(stock(), around, BORE_MM)
    assert [match.a.id for match in found.both] == [match.b.id for match in found.both]
    for match in found.both:
        first, second = laid_flat(match.a, match.b, BORE_MM)
        assert first.symmetric_difference(second).area < 1e-6


def test_windows_in_another_order_find_one_another():
    first = port(box(-30, 20, -20, 30), box(20, 20, 30, 30), box(35, 20, 45, 30))
    second = port(box(36, 20, 45, 30), box(-31, 20, -20, 30), box(20, 21, 30, 30))
    assert matched_windows(first, second, BORE_MM) == ((0, 1), (1, 2), (2, 0))


def test_halves_that_one_map_has_cut_at_the_back_are_one_opening():
    half = ROUND_MM / 2
    whole = port(box(half - 6, 20, half + 4, 30))
    cut = port(box(half - 6, 20, half, 30), box(-half, 20, -half + 4, 30))
    first, second = laid_flat(whole, cut, BORE_MM)
    assert first.symmetric_difference(second).area < 1e-6


def test_a_strip_keeps_the_area_wherever_it_is_cut():
    whole = port(box(60, 8, 84, 17), box(-20, 8, 20, 17))
    for middle in (-70.0, -10.0, 0.0, 31.0, 72.0):
        shape = wall_shape(whole, middle, ROUND_MM)
        assert shape.area == pytest.approx(64 * 9)
        assert shape.bounds[0] >= middle - ROUND_MM / 2 - 1e-9
        assert shape.bounds[2] <= middle + ROUND_MM / 2 + 1e-9


def test_the_nearest_image_is_within_half_a_turn():
    outline = shapely.box(10, 20, 14, 30)
    for middle in (-500.0, -60.0, 12.0, 90.0):
        near = at_turn(outline, middle, ROUND_MM)
        assert abs(near.centroid.x - middle) <= ROUND_MM / 2 + 1e-9
        turns = (near.centroid.x - 12.0) / ROUND_MM
        assert turns == pytest.approx(round(turns))


def test_another_bore_keeps_the_degrees_round_it():
    scaled = scaled_round(stock(), 54.0 / BORE_MM)
    for one, other in zip(stock().ports, scaled.ports, strict=True):
        for window, wide in zip(one.windows, other.windows, strict=True):
            left, right = window.outline.bounds[0] / BORE_MM, wide.outline.bounds[0] / 54.0
            assert left == pytest.approx(right)
            assert window.outline.bounds[1::2] == wide.outline.bounds[1::2]
    moved = Window(outline=translate(shapely.box(0, 0, 1, 1), 3, 4))
    only = PortMap(stage="stock", ports=(port(moved),))
    assert scaled_round(only, 2.0).ports[0].windows[0].outline.bounds == (6.0, 4.0, 8.0, 5.0)
