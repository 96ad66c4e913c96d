"""Squish velocity against numerical differentiation of volumes, scipy's search for the peak, and limits."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar

from portmap.crank import Crank, piston_depth
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.squish import (
    VELOCITY_GUIDE_BASIS,
    VELOCITY_GUIDE_M_PER_S,
    bowl_volume_cm3,
    squish_area_ratio,
    squish_peak,
    squish_velocity_at,
    squish_velocity_m_per_s,
)
from portmap.volume import cylinder_volume_cm3

SAW = Engine(
    bore_mm=46.0,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    squish_band_height_mm=61.2,
    squish_band_width_mm=5.0,
    head_volume_cm3=6.1,
)
OFFSET = replace(SAW, crank=Crank(stroke_mm=32.0, rod_mm=58.0, pin_offset_mm=1.5))
RPM = 9000.0
DIFFERENCE = 2e-6  # relative: what a central difference over a hundredth of a degree leaves


def differenced(engine: Engine, angles: np.ndarray, rpm: float) -> np.ndarray:
    """Continuity straight from volumes: what leaves the ring over the area that it leaves through.

    One density m/V in the whole cylinder. The mass above the ring is m·V_ring/V; its loss passes through a
    cylinder of height z at the bowl's rim. No formula of the module is used, and no derivative of its crank.
    """
    width, bore = engine.squish_band_width_mm, engine.bore_mm
    ring_mm2 = math.pi * ((bore / 2) ** 2 - (bore / 2 - width) ** 2)
    clearance = engine.squish_band_height_mm - (engine.crown_height_mm - engine.base_gasket_mm)

    def gap(turn):
        return clearance + piston_depth(engine.crank, turn)

    def share(turn):
        return ring_mm2 * gap(turn) / (1000 * cylinder_volume_cm3(engine, turn))

    step = 0.005
    per_degree = (share(angles + step) - share(angles - step)) / (2 * step)
    per_second = per_degree * 6 * rpm
    through_mm2 = math.pi * (bore - 2 * width) * gap(angles)
    return -per_second * 1000 * cylinder_volume_cm3(engine, angles) / through_mm2 / 1000


@pytest.mark.parametrize("engine", [SAW, OFFSET], ids=["no offset", "offset pin"])
def test_velocity_is_what_leaves_the_ring(engine):
    angles = np.concatenate([np.arange(190.0, 359.0, 3.0), np.arange(2.0, 170.0, 3.0)])
    expected = differenced(engine, angles, RPM)
    found = squish_velocity_at(engine, angles, RPM)
    assert_allclose(found, expected, rtol=0, atol=DIFFERENCE * np.abs(expected).max())


@pytest.mark.parametrize("engine", [SAW, OFFSET], ids=["no offset", "offset pin"])
def test_the_peak_is_where_scipy_finds_it(engine):
    best = minimize_scalar(
        lambda turn: -float(differenced(engine, np.array([turn]), RPM)[0]),
        bounds=(300, 359.9),
        method="bounded",
        options={"xatol": 1e-6},
    )
    found = squish_peak(engine, RPM)
    assert found.velocity_m_per_s == pytest.approx(-best.fun, rel=1e-5)
    # near the hump velocity changes with the square of the angle, so a difference's noise moves it by more
    assert found.angle_deg == pytest.approx(best.x, abs=0.02)
    assert found.before_tdc_deg == pytest.approx(360 - found.angle_deg)
    assert found.rpm == RPM


# Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 8.34 (from memory), worked by hand: B 50,
# D_B 40, z 1, V_B 10 cm³, S_p 5 m/s. A_c = 1963.495 mm²; 5·(40/4)·(1.25² − 1)·10/(1.963495 + 10) = 23.5090
def test_heywoods_formula_by_hand():
    assert float(squish_velocity_m_per_s(50, 5, 1.0, 10.0, 5.0)) == pytest.approx(
        5 * 10 * 0.5625 * 10 / 11.963495, rel=1e-6
    )


def test_a_large_bowl_makes_it_the_incompressible_flow():
    # with the density at a standstill the ring's volume alone leaves: A_s·S/(π·D·z)
    ring = math.pi * (25**2 - 20**2)
    expected = ring * 5.0 / (math.pi * 40 * 1.0)
    assert float(squish_velocity_m_per_s(50, 5, 1.0, 1e9, 5.0)) == pytest.approx(expected, rel=1e-8)
    assert float(squish_velocity_m_per_s(50, 5, 1.0, 0.0, 5.0)) == 0


# the share of an annulus: 1 − (1 − 2w/B)²
@pytest.mark.parametrize(("width", "share"), [(0, 0.0), (5, 1 - (36 / 46) ** 2), (23, 1.0)])
def test_area_ratio(width, share):
    assert float(squish_area_ratio(46, width)) == pytest.approx(share)


def test_the_bowl_is_what_the_gap_does_not_hold():
    assert bowl_volume_cm3(SAW) == pytest.approx(6.1 - math.pi * 46**2 / 4 * 0.6 / 1000)


@given(rpm=st.floats(500, 15000), times=st.floats(1.1, 3))
def test_velocity_grows_with_speed_and_the_place_of_the_peak_stays(rpm, times):
    slow, fast = squish_peak(SAW, rpm), squish_peak(SAW, rpm * times)
    assert fast.velocity_m_per_s == pytest.approx(slow.velocity_m_per_s * times, rel=1e-9)
    assert fast.angle_deg == pytest.approx(slow.angle_deg, abs=1e-3)


@given(clearance=st.floats(0.3, 1.5), less=st.floats(0.02, 0.2), width=st.floats(2, 12))
def test_a_tighter_squish_is_faster_and_peaks_nearer_to_tdc(clearance, less, width):
    # of one bowl: the head volume follows the clearance
    def engine(gap: float) -> Engine:
        head = 5.0 + math.pi * 46**2 / 4 * gap / 1000
        return replace(
            SAW, squish_band_height_mm=60.6 + gap, squish_band_width_mm=width, head_volume_cm3=head
        )

    wide, tight = squish_peak(engine(clearance), RPM), squish_peak(engine(clearance - less), RPM)
    assert tight.velocity_m_per_s > wide.velocity_m_per_s
    assert tight.before_tdc_deg < wide.before_tdc_deg


def test_the_charge_is_drawn_back_after_tdc():
    found = squish_velocity_at(SAW, [350.0, 360.0, 10.0], RPM)
    assert found[0] > 0
    assert found[1] == pytest.approx(0, abs=1e-9)
    assert found[2] == pytest.approx(-found[0], rel=1e-9)


def test_the_guide_calls_itself_hearsay_and_no_verdict():
    assert VELOCITY_GUIDE_M_PER_S == (15.0, 20.0)
    for word in ("hearsay", "nobody checked", "not a verdict"):
        assert word in VELOCITY_GUIDE_BASIS


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"squish_band_width_mm": None}, "squish band's width is not known"),
        ({"squish_band_height_mm": None}, "squish band's height is not known"),
        ({"head_volume_cm3": None}, "head's volume is not known"),
        (
            {"head_volume_cm3": 0.9},
            "0.9 cm³ is less than the bore holds over the squish clearance alone, 1.00",
        ),
        ({"squish_band_width_mm": 23.0}, "a band 23 mm wide leaves no bowl in a bore of 46 mm"),
        ({"squish_band_height_mm": 60.0}, "the piston touches the squish band"),
    ],
    ids=["no width", "no height", "no head volume", "head too small", "no bowl", "touching"],
)
def test_what_is_not_known_or_cannot_be_is_said(change, message):
    with pytest.raises(GeometryError, match=message) as caught:
        squish_peak(replace(SAW, **change), RPM)
    assert caught.value.remedy


@pytest.mark.parametrize("rpm", [0.0, -1.0, math.nan, math.inf])
def test_a_speed_that_is_none_is_refused(rpm):
    with pytest.raises(QuantityError, match="rpm is not a speed; give a number above 0"):
        squish_peak(SAW, rpm)


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)], ids=str)
def test_shapes(shape):
    assert squish_velocity_m_per_s(46, np.full(shape, 5.0), 1.0, 5.0, 4.0).shape == shape
    assert squish_velocity_at(SAW, np.zeros(shape), RPM).shape == shape
    assert squish_area_ratio(46, np.full(shape, 5.0)).shape == shape
