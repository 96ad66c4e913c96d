"""Nodes of a port against integrals over its exact width, worked out by hand."""

import numpy as np
import pytest

from portmap.height_nodes import gauss_of_measure, port_nodes
from portmap.port import wall_area
from portmap.window import port_profiles
from tests.gallery import BORE_MM, WINDOWS, box, port

ROUNDING = 1e-9  # of the integral


def sine_over_width(one) -> float:
    """∫ w(y) sin(y/5) dy, w linear between corners: by parts, −5 [w cos] + 25 Δw/Δy [sin], differences as
    products so that nearly level sides keep their digits."""
    total = 0.0
    for profile in port_profiles(one, BORE_MM):
        low, high = profile.heights_mm[:-1] / 5, profile.heights_mm[1:] / 5
        begin, end = profile.widths_mm.T
        slope = np.cos((low + high) / 2) * np.sinc((high - low) / 2 / np.pi)  # Δ sin / Δ
        total += float(np.sum(-5 * (end * np.cos(high) - begin * np.cos(low)) + 5 * (end - begin) * slope))
    return total


@pytest.mark.parametrize("name", WINDOWS)
def test_a_smooth_function_of_height_is_integrated_over_the_width(name):
    one = port(WINDOWS[name])
    heights, areas = port_nodes(one, BORE_MM)
    assert areas.sum() == pytest.approx(wall_area(one), rel=ROUNDING)
    assert areas @ np.sin(heights / 5) == pytest.approx(sine_over_width(one), abs=ROUNDING * wall_area(one))


def test_a_root_at_a_turning_height_is_integrated_too():
    one = port(box(-10, 20, 10, 30))
    heights, areas = port_nodes(one, BORE_MM, [23.0])
    # ∫ 20·√(y − 23) dy from 23 to 30, by hand
    got = areas @ np.sqrt(np.maximum(heights - 23.0, 0.0))
    assert got == pytest.approx(20 * 2 / 3 * 7**1.5, rel=1e-7)


def test_turning_heights_outside_cut_nothing():
    one = port(box(-10, 20, 10, 30))
    inside, _ = port_nodes(one, BORE_MM, [10.0, 19.8, 30.2, 40.0])
    assert len(inside) == len(port_nodes(one, BORE_MM)[0])


def test_windows_with_a_gap_between_them():
    one = port(box(-10, 20, 10, 22), box(-10, 28, 10, 30))
    heights, areas = port_nodes(one, BORE_MM, [24.0, 26.0])
    assert areas.sum() == pytest.approx(80.0, rel=ROUNDING)
    assert heights @ areas == pytest.approx(40 * 21 + 40 * 29, rel=ROUNDING)


@pytest.mark.parametrize("count", [1, 2, 5, 8])
def test_gauss_of_an_even_measure_is_gauss_legendre(count):
    points, weights = np.polynomial.legendre.leggauss(200)
    nodes, shares = gauss_of_measure(points, weights, count)
    expected, expected_shares = np.polynomial.legendre.leggauss(count)
    assert nodes == pytest.approx(expected, abs=1e-10)
    assert shares == pytest.approx(expected_shares, abs=1e-10)


def test_fewer_points_than_nodes_are_given_back():
    nodes, weights = gauss_of_measure(np.array([3.0, 1.0, 1.0]), np.array([2.0, 1.0, 1.0]), 5)
    assert nodes == pytest.approx([1.0, 3.0])
    assert weights == pytest.approx([2.0, 2.0])


def test_a_single_point_is_its_own_node():
    nodes, weights = gauss_of_measure(np.array([4.0]), np.array([2.5]), 4)
    assert (nodes.tolist(), weights.tolist()) == ([4.0], [2.5])
