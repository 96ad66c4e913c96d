"""Volumes and ratios against textbook examples, formulas of plane geometry and laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from portmap.crank import Crank, depth_at, travel
from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.port import PortEdges
from portmap.ratio import (
    case_ratio,
    compression_ratio,
    geometric_ratio,
    primary_ratio,
    trapped_ratio,
)
from portmap.volume import (
    assembled_head_volume_cm3,
    bore_slice_cm3,
    carried_head_volume_cm3,
    case_volume_cm3,
    cylinder_volume_cm3,
    exhaust_closing_depth_mm,
    head_volume_cm3,
    squish_band_area_mm2,
    squish_band_volume_cm3,
    squish_clearance_mm,
    swept_volume_cm3,
    trapped_volume_cm3,
)
from tests.strategies import cranks

EXACT = 1e-12  # relative; a formula of a few products

SAW = Engine(
    bore_mm=46.0,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    squish_band_height_mm=61.2,
    squish_band_width_mm=5.0,
    head_volume_cm3=6.1,
    case_volume_cm3=190.0,
)


def square_engine(displacement_cm3: float, ratio: float, rod_mm: float) -> Engine:
    """Bore equals stroke, as in the textbook examples."""
    bore = 10 * (4 * displacement_cm3 / math.pi) ** (1 / 3)
    return Engine(
        bore_mm=bore,
        crank=Crank(stroke_mm=bore, rod_mm=rod_mm),
        crown_height_mm=2 * bore,
        head_volume_cm3=displacement_cm3 / (ratio - 1),
    )


# Pulkrabek, Engineering Fundamentals of the Internal Combustion Engine, example 2-1 (data from memory, medium
# confidence): 3 litres in six square cylinders, ratio 9.5, rod 16.6 cm, 20° after TDC. The book carries
# rounded values and prints about 77.9 cm³; worked here in full: 77.70 cm³.
def test_pulkrabek_example_2_1():
    engine = square_engine(500.0, 9.5, 166.0)
    assert engine.bore_mm == pytest.approx(86.025, abs=0.0005)
    assert head_volume_cm3(engine) == pytest.approx(58.824, abs=0.0005)
    assert float(cylinder_volume_cm3(engine, 20.0)) == pytest.approx(77.70, abs=0.005)
    rounded = 0.25  # cm³: bore, V_c and x cut to three digits
    assert float(cylinder_volume_cm3(engine, 20.0)) == pytest.approx(77.9, abs=rounded)
    assert geometric_ratio(engine) == pytest.approx(9.5, rel=EXACT)


# A problem in the same book's style: 3.1 litres in six square cylinders, ratio 9, rod 17.2 cm, 20° after TDC.
# Data from a page of questions, the answers worked with Heywood eq. 2.4 and 2.5 apart from this program.
def test_the_v6_problem():
    engine = square_engine(3100 / 6, 9.0, 172.0)
    assert engine.bore_mm == pytest.approx(86.9708, abs=5e-5)
    assert head_volume_cm3(engine) == pytest.approx(64.5833, abs=5e-5)
    assert float(cylinder_volume_cm3(engine, 20.0)) == pytest.approx(83.990, abs=5e-4)


# Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.6 (from memory):
# V/V_c = 1 + ½(r_c − 1)[R + 1 − cosθ − √(R² − sin²θ)]; r_c 10, R 4, θ 90° gives 6.07157494.
def test_heywoods_dimensionless_volume():
    engine = Engine(
        bore_mm=50.0, crank=Crank(stroke_mm=40.0, rod_mm=80.0), crown_height_mm=90.0, head_volume_cm3=1.0
    )
    engine = replace(engine, head_volume_cm3=swept_volume_cm3(engine) / 9)
    share = cylinder_volume_cm3(engine, [0.0, 90.0, 180.0]) / head_volume_cm3(engine)
    assert_allclose(share, [1.0, 6.07157494, 10.0], rtol=1e-9)
    theta = np.radians(np.arange(0, 360, 7))
    expected = 1 + 4.5 * (4 + 1 - np.cos(theta) - np.sqrt(16 - np.sin(theta) ** 2))
    assert_allclose(
        cylinder_volume_cm3(engine, np.degrees(theta)) / head_volume_cm3(engine), expected, rtol=1e-12
    )


# Pythagoras: throw 3, rod 5 → 4 mm below TDC at 90°; 7, 25 → 8; 5, 13 → 6
@pytest.mark.parametrize(("throw", "rod", "depth"), [(3, 5, 4), (7, 25, 8), (5, 13, 6)])
def test_a_right_angled_crank_leaves_a_slice_of_whole_millimetres(throw, rod, depth):
    engine = Engine(
        bore_mm=20.0, crank=Crank(stroke_mm=2 * throw, rod_mm=rod), crown_height_mm=30.0, head_volume_cm3=2.0
    )
    assert float(cylinder_volume_cm3(engine, 90.0)) == pytest.approx(2 + math.pi * depth / 10, rel=EXACT)


def test_an_offset_pin_sweeps_more_than_its_stroke():
    # throw 5, rod 15, offset 3: the stroke is 10.234327919 mm by plane geometry
    engine = Engine(bore_mm=20.0, crank=Crank(stroke_mm=10, rod_mm=15, pin_offset_mm=3), crown_height_mm=30.0)
    assert swept_volume_cm3(engine) == pytest.approx(math.pi * 100 * 10.234327919 / 1000, rel=1e-9)


# Blair, Design and Simulation of Two-Stroke Engines, 1996, ch. 1 (from memory): the definitions, by hand
def test_ratios_of_the_saw():
    area = math.pi / 4 * 46**2 / 1000  # cm³ for each mm
    assert geometric_ratio(SAW) == pytest.approx((6.1 + 32 * area) / 6.1, rel=EXACT)
    assert trapped_ratio(SAW, 20.6) == pytest.approx((6.1 + 20.6 * area) / 6.1, rel=EXACT)
    assert case_ratio(SAW) == pytest.approx(190 / (190 - 32 * area), rel=EXACT)
    assert trapped_volume_cm3(SAW, 20.6) / 6.1 == pytest.approx(trapped_ratio(SAW, 20.6), rel=EXACT)


def test_squish_band():
    assert squish_clearance_mm(SAW) == pytest.approx(0.6)
    ring = math.pi * (23**2 - 18**2)  # area of an annulus
    assert float(squish_band_area_mm2(46, 5)) == pytest.approx(ring, rel=EXACT)
    assert squish_band_volume_cm3(SAW) == pytest.approx(0.6 * ring / 1000, rel=1e-9)
    assert float(squish_band_area_mm2(46, 23)) == pytest.approx(math.pi * 23**2, rel=EXACT)
    assert np.isnan(squish_band_area_mm2(46, [-1, 23.1])).all()


# 0.1 mm over a 46 mm bore is π·46²/4·0.1 = 166.19 mm³
def test_gasket_and_cuts_carry_the_head_volume():
    def carried(**work: float) -> float:
        return float(carried_head_volume_cm3(6.1, 46, **work))

    assert carried(gasket_change_mm=0.1) == pytest.approx(6.26619, abs=1e-5)
    assert carried(base_cut_mm=0.1) == pytest.approx(5.93381, abs=1e-5)
    assert carried(crown_cut_mm=0.1) == pytest.approx(6.26619, abs=1e-5)
    ring = math.pi * (23**2 - 18**2)
    assert carried(crown_cut_mm=0.1, crown_cut_area_mm2=ring) == pytest.approx(6.1 + ring / 1e4)
    assert carried(band_cut_mm=0.2, band_area_mm2=ring) == pytest.approx(6.1 + ring / 5e3)
    # a base cut and a crown cut of one depth leave the volume over a flat crown as it was
    assert carried(base_cut_mm=0.5, crown_cut_mm=0.5) == pytest.approx(6.1, rel=EXACT)


def test_head_volume_from_its_parts():
    # a chamber of 5.4 cm³, 0.8 mm to the head's face, a pop-up of 0.6 cm³
    assert float(assembled_head_volume_cm3(5.4, 46, 0.8, 0.6)) == pytest.approx(
        5.4 + 1.66190251 * 0.8 - 0.6, abs=1e-8
    )


EXHAUST = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=40.0)


def test_the_highest_exhaust_roof_closes_last():
    second = replace(EXHAUST, id="second", roof_mm=40.5)
    low = PortEdges(id="main", kind="transfer", control="crown", roof_mm=50.0)
    assert exhaust_closing_depth_mm(SAW, [EXHAUST, second, low]) == pytest.approx(20.1)


@pytest.mark.parametrize(
    ("edges", "message"),
    [
        ([], "no exhaust port that the crown closes is known; trace it"),
        ([replace(EXHAUST, kind="transfer")], "no exhaust port"),
        ([replace(EXHAUST, roof_mm=None)], "port exhaust: the height of its roof is not known"),
        (
            [replace(EXHAUST, roof_mm=60.7)],
            "port exhaust: it is never closed: its roof lies -0.10 mm",
        ),
        ([replace(EXHAUST, roof_mm=28.0)], "port exhaust: it is never opened: its roof lies 32.60 mm"),
    ],
    ids=["none", "transfer only", "height unknown", "above TDC", "below BDC"],
)
def test_an_exhaust_that_says_nothing_is_refused(edges, message):
    with pytest.raises(GeometryError, match=message) as caught:
        exhaust_closing_depth_mm(SAW, edges)
    assert caught.value.remedy


LACKING = {
    "head": (lambda e: geometric_ratio(e), "head_volume_cm3", "engine.head_volume_cm3: the head's volume"),
    "trapped": (lambda e: trapped_volume_cm3(e, 20.0), "head_volume_cm3", "burette"),
    "at an angle": (lambda e: cylinder_volume_cm3(e, 20.0), "head_volume_cm3", "burette"),
    "case": (lambda e: case_ratio(e), "case_volume_cm3", "engine.case_volume_cm3: the case's volume"),
    "band width": (squish_band_volume_cm3, "squish_band_width_mm", "squish band's width is not known"),
    "band height": (squish_band_volume_cm3, "squish_band_height_mm", "squish band's height is not known"),
}


@pytest.mark.parametrize(("ask", "field", "message"), LACKING.values(), ids=LACKING)
def test_what_is_not_known_is_said_with_what_to_do(ask, field, message):
    with pytest.raises(GeometryError, match=message) as caught:
        ask(replace(SAW, **{field: None}))
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"case_volume_cm3": 53.0}, "53 cm³ is less than the piston sweeps, 53.18 cm³"),
        ({"squish_band_width_mm": 24.0}, "24 mm is beyond half the bore of 46 mm"),
        ({"squish_band_height_mm": 60.5}, "the piston touches the squish band by 0.1 mm"),
    ],
    ids=["small case", "wide band", "piston touches"],
)
def test_what_cannot_be_is_refused(change, message):
    engine = replace(SAW, **change)
    ask = case_volume_cm3 if "case_volume_cm3" in change else squish_band_volume_cm3
    with pytest.raises(GeometryError, match=message):
        ask(engine)


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)], ids=str)
def test_array_forms_broadcast(shape):
    bore, head = np.full(shape, 46.0), np.full(shape, 6.1)
    assert compression_ratio(bore, head, 20.6).shape == shape
    assert primary_ratio(np.full(shape, 190.0), 53.18).shape == shape
    assert carried_head_volume_cm3(head, 46, gasket_change_mm=0.1).shape == shape
    assert cylinder_volume_cm3(SAW, np.zeros(shape)).shape == shape


def test_ratios_that_cannot_be_are_not_numbers():
    assert np.isnan(compression_ratio(46, [0.0, -1.0], 20.0)).all()
    assert np.isnan(primary_ratio([53.0, 10.0], 53.18)).all()


def test_draws_of_mechanisms_agree_with_one_engine_at_a_time():
    rods = np.linspace(56, 60, 5)
    drawn = 6.1 + bore_slice_cm3(46, depth_at(32, rods, 0, 104))
    single = [
        float(cylinder_volume_cm3(replace(SAW, crank=Crank(stroke_mm=32, rod_mm=float(rod))), 104))
        for rod in rods
    ]
    assert_allclose(drawn, single, rtol=EXACT)


@given(crank=cranks(), head=st.floats(1, 60), turn=st.floats(0, 359), step=st.floats(0.1, 20))
def test_volume_grows_going_down_and_stays_between_head_and_whole(crank, head, turn, step):
    engine = Engine(bore_mm=50.0, crank=crank, crown_height_mm=90.0, head_volume_cm3=head)
    volumes = cylinder_volume_cm3(engine, np.linspace(0, 360, 361))
    whole = head + swept_volume_cm3(engine)
    assert volumes.min() >= head
    assert volumes.max() <= whole * (1 + EXACT)
    lowest = int(np.argmax(volumes))
    assert (np.diff(volumes[: lowest + 1]) > 0).all()
    assert (np.diff(volumes[lowest:]) < 0).all()


@given(crank=cranks(), head=st.floats(1, 60), part=st.floats(0.05, 0.95))
def test_ratios_are_above_one_and_the_trapped_one_is_less_than_the_geometric(crank, head, part):
    engine = Engine(bore_mm=50.0, crank=crank, crown_height_mm=90.0, head_volume_cm3=head)
    trapped = trapped_ratio(engine, part * travel(crank))
    assert 1 < trapped < geometric_ratio(engine)
