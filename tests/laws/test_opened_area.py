"""Laws of the opened area.

It never falls as the piston goes down over a crown-controlled window; the areas of parts add up; turning a
window round the bore or mirroring it changes nothing; it equals shapely's clipping.
"""

import math

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from portmap.crank import bdc_angle
from portmap.engine import crown_height_at
from portmap.port import Port, Window, mirrored_window, turned_window
from portmap.profile import area_below, window_profile
from portmap.window import opened_area
from tests.strategies import engines, windows

ROUNDING = 1e-10  # of the whole window


def exhaust(*parts: Window) -> Port:
    return Port(id="e", kind="exhaust", control="crown", windows=parts)


@given(engines(), windows())
def test_never_falls_as_the_piston_goes_down(engine, window):
    angles = np.linspace(0, bdc_angle(engine.crank), 300)
    for area in ("wall", "chord"):
        steps = np.diff(opened_area(engine, exhaust(window), angles, area=area))
        assert steps.min() >= -ROUNDING * window.outline.area


@given(engines(), windows(), st.floats(0.1, 0.9))
def test_parts_add_up(engine, window, share):
    left, floor, right, roof = window.outline.bounds
    cut = left + share * (right - left)
    sides = (
        shapely.box(left - 1, floor - 1, cut, roof + 1),
        shapely.box(cut, floor - 1, right + 1, roof + 1),
    )
    parts = [
        Window(outline=shapely.geometry.polygon.orient(piece))
        for side in sides
        for piece in shapely.get_parts(window.outline.intersection(side))
        if piece.area > 0
    ]
    angles = np.linspace(0, 360, 100)
    together = opened_area(engine, exhaust(window), angles)
    assert_allclose(
        opened_area(engine, exhaust(*parts), angles), together, atol=1e-9 * window.outline.area, rtol=0
    )


@given(engines(), windows(), st.floats(-200, 200))
def test_turning_and_mirroring_change_nothing(engine, window, turn):
    angles = np.linspace(0, 360, 100)
    for area in ("wall", "chord"):
        as_is = opened_area(engine, exhaust(window), angles, area=area)
        for other in (turned_window(window, turn), mirrored_window(window)):
            assert_allclose(
                opened_area(engine, exhaust(other), angles, area=area),
                as_is,
                atol=1e-9 * window.outline.area,
                rtol=0,
            )


@settings(max_examples=200)
@given(engines(), windows())
def test_equals_clipping(engine, window):
    angles = np.linspace(0, 360, 37)
    left, _, right, roof = window.outline.bounds
    expected = [
        window.outline.intersection(shapely.box(left - 1, height, right + 1, max(roof, height) + 1)).area
        for height in crown_height_at(engine, angles)
    ]
    assert_allclose(
        opened_area(engine, exhaust(window), angles), expected, atol=1e-9 * window.outline.area, rtol=1e-9
    )


@given(windows())
def test_all_of_it_lies_below_infinity(window):
    profile = window_profile(window, 60.0)
    assert_allclose(float(area_below(profile, math.inf)), window.outline.area, rtol=1e-12)
    assert float(area_below(profile, -math.inf)) == 0.0
