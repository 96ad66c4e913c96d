import numpy as np
import pytest
from numpy.testing import assert_allclose

from portmap.crank import (
    Crank,
    angle_of_depth,
    bdc_angle,
    crank_with_guessed_rod,
    depth_per_degree,
    piston_depth,
    travel,
)
from portmap.errors import GeometryError

ROUNDING_MM = 1e-12  # a few units in the last place of 60 mm
PRINTED_4 = 5e-5  # half a unit in the fourth decimal of a table


# Pythagorean triangles: at a quarter turn of the throw, depth = throw + rod − √(rod² − throw²).
@pytest.mark.parametrize(("throw", "rod", "depth"), [(3, 5, 4), (7, 25, 8), (5, 13, 6)])
def test_depth_at_a_quarter_turn_is_that_of_the_right_triangle(throw, rod, depth):
    crank = Crank(stroke_mm=2 * throw, rod_mm=rod)
    assert float(piston_depth(crank, 90)) == pytest.approx(depth, abs=ROUNDING_MM)
    assert float(angle_of_depth(crank, depth)) == pytest.approx(90, abs=1e-10)


# Worked example: stroke 3.307 in, rod 6.024 in, 6000 rpm; published as fastest at 75.6° with 1078 in/s and
# the pin then 6.218 in above the crank axis, 7.68 in at TDC (article on piston motion, copied at
# quartermile.ws, topic 7907, message 80124).
def test_published_speed_peak():
    crank = Crank(stroke_mm=3.307, rod_mm=6.024)  # any unit: lengths only scale
    angle = np.arange(0, 180, 0.001)
    speed = depth_per_degree(crank, angle) * 6 * 6000
    fastest = angle[np.argmax(speed)]
    assert fastest == pytest.approx(75.6, abs=0.05)
    assert speed.max() == pytest.approx(1078, abs=0.5)
    top = 3.307 / 2 + 6.024
    assert top == pytest.approx(7.68, abs=0.005)
    assert top - float(piston_depth(crank, fastest)) == pytest.approx(6.218, abs=0.0005)


# Heywood 1988 eq. 2.6 (number from memory): V/Vc = 1 + ½(rc − 1)[R + 1 − cosθ − √(R² − sin²θ)]; at rc 10,
# R 4, 90° it gives 6.07157494, evaluated outside this project.
def test_volume_ratio_of_the_textbook_equation():
    crank = Crank(stroke_mm=2.0, rod_mm=4.0)
    ratio = 1 + 9 * float(piston_depth(crank, 90)) / 2.0
    assert ratio == pytest.approx(6.07157494, abs=5e-9)


# 54 × 54.5 mm, rods 110 and 115 mm: depths by the same equation, evaluated outside this project.
@pytest.mark.parametrize(
    ("rod", "depths"),
    [
        (110, [4.4979, 16.1863, 25.8418, 26.8188, 30.6787, 43.4363, 46.7648]),
        (115, [4.4608, 16.0724, 25.6931, 26.6684, 30.5252, 43.3224, 46.6764]),
    ],
)
def test_depth_table(rod, depths):
    crank = Crank(stroke_mm=54.5, rod_mm=rod)
    assert_allclose(piston_depth(crank, [30, 60, 80, 82, 90, 120, 130]), depths, rtol=0, atol=PRINTED_4)


# Offset slider-crank, plane geometry: throw 5, rod 15, offset 3 and throw 27.25, rod 110, offset 1. The crank
# stands at asin(e/(l+a)) at TDC and 180° + asin(e/(l−a)) at BDC; values evaluated outside this project.
@pytest.mark.parametrize(
    ("throw", "rod", "offset", "stroke", "tdc", "bdc"),
    [(5, 15, 3, 10.234327919, 8.626927, 197.457604), (27.25, 110, 1, 54.502399481, 0.417459, 180.692413)],
)
def test_offset_pin_changes_travel_and_dead_centres(throw, rod, offset, stroke, tdc, bdc):
    crank = Crank(stroke_mm=2 * throw, rod_mm=rod, pin_offset_mm=offset)
    assert travel(crank) == pytest.approx(stroke, abs=1e-9)
    assert bdc_angle(crank) == pytest.approx(bdc - tdc, abs=1e-6)
    assert float(piston_depth(crank, bdc_angle(crank))) == pytest.approx(stroke, abs=1e-9)


def test_offset_pin_is_positive_where_the_crankpin_goes_after_tdc():
    # Longer stroke time going down: with the pin set toward the falling crankpin, BDC comes after 180°. The
    # ratio of the two stroke times, 1.103181, was evaluated outside this project (throw 5, rod 15, offset 3).
    down = bdc_angle(Crank(stroke_mm=10, rod_mm=15, pin_offset_mm=3))
    assert down / (360 - down) == pytest.approx(1.103181, abs=1e-6)


def test_dead_centres_are_where_the_piston_turns():
    crank = Crank(stroke_mm=32, rod_mm=58, pin_offset_mm=2)
    step = 1e-3
    for turn in (0.0, bdc_angle(crank)):
        before, at, after = piston_depth(crank, [turn - step, turn, turn + step])
        assert (before - at) * (after - at) > 0


@pytest.mark.parametrize("offset", [0.0, 1.0, -2.0])
def test_slope_is_the_derivative_of_depth(offset):
    crank = Crank(stroke_mm=32, rod_mm=58, pin_offset_mm=offset)
    angle, half_step = np.linspace(1, 359, 200), 1e-4
    slope = (piston_depth(crank, angle + half_step) - piston_depth(crank, angle - half_step)) / (
        2 * half_step
    )
    assert_allclose(depth_per_degree(crank, angle), slope, rtol=0, atol=1e-9)


@pytest.mark.parametrize("shape", [(), (0,), (5,), (2, 3)], ids=str)
def test_output_has_the_shape_of_the_input(shape):
    crank = Crank(stroke_mm=32, rod_mm=58)
    assert piston_depth(crank, np.full(shape, 90.0)).shape == shape
    assert angle_of_depth(crank, np.full(shape, 10.0)).shape == shape
    assert depth_per_degree(crank, np.full(shape, 90.0)).shape == shape


def test_depth_out_of_reach_has_no_angle():
    crank = Crank(stroke_mm=32, rod_mm=58)
    assert np.isnan(angle_of_depth(crank, [-0.001, 32.001, np.nan])).all()


@pytest.mark.parametrize(
    ("lengths", "words"),
    [
        ({"stroke_mm": 32, "rod_mm": 16}, "rod_mm: 16 mm is too short for a stroke of 32 mm"),
        ({"stroke_mm": 32, "rod_mm": 17, "pin_offset_mm": -2}, "longer than 18 mm"),
        ({"stroke_mm": 0, "rod_mm": 58}, "stroke_mm: 0 mm is not a length"),
        ({"stroke_mm": float("nan"), "rod_mm": 58}, "stroke_mm: nan mm is not a length"),
        ({"stroke_mm": 32, "rod_mm": float("inf")}, "rod_mm: inf mm is not a length"),
        (
            {"stroke_mm": 32, "rod_mm": 58, "pin_offset_mm": float("nan")},
            "pin_offset_mm: nan mm is not a length",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_crank_that_cannot_turn_is_refused(lengths, words):
    with pytest.raises(GeometryError, match=words):
        Crank(**lengths)


def test_a_guessed_rod_stays_marked():
    assert crank_with_guessed_rod(32.0).rod_assumed
    assert not Crank(stroke_mm=32, rod_mm=58).rod_assumed
