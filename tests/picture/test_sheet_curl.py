"""The curl of a lifted sheet, against a bent strip worked by hand."""

import math

import numpy as np
import pytest

from portmap.errors import QuantityError
from portmap.picture.sheet_curl import wall_x_factor

EXACT = 1e-12  # plane geometry: only rounding in double precision

# R / (R − t/2) as fractions, worked by hand
BENT = {
    "no thickness": (46.0, 0.0, 1.0),
    "office paper in a 46 mm bore": (46.0, 0.1, 460 / 459),
    "card in a 40 mm bore": (40.0, 0.4, 100 / 99),
    "a tenth of the bore": (50.0, 5.0, 10 / 9),
    "foil in a 100 mm bore": (100.0, 0.02, 5000 / 4999),
}


@pytest.mark.parametrize(("bore_mm", "thickness_mm", "factor"), BENT.values(), ids=BENT)
def test_factor_worked_by_hand(bore_mm, thickness_mm, factor):
    assert wall_x_factor(bore_mm, thickness_mm) == pytest.approx(factor, rel=EXACT)


def test_paper_of_a_tenth_hides_a_fifth_of_a_percent():
    """0.05 mm of 23 mm is 0.217 %: 0.31 mm of the whole wall of 144.51 mm."""
    excess = wall_x_factor(46.0, 0.1) - 1
    assert round(100 * excess, 1) == 0.2
    assert excess * math.pi * 45.9 == pytest.approx(0.05 * 2 * math.pi, rel=EXACT * 1e3)


@pytest.mark.parametrize("angle_degree", [10.0, 90.0, 360.0])
def test_a_bent_strip_keeps_the_length_of_its_middle(angle_degree):
    """The middle of a bent strip, walked in fine chords, times the factor is the arc on the wall."""
    bore_mm, thickness_mm = 46.0, 0.3
    angles = np.linspace(0.0, math.radians(angle_degree), 100_001)
    middle = (bore_mm - thickness_mm) / 2 * np.column_stack([np.cos(angles), np.sin(angles)])
    flat_mm = float(np.hypot(*np.diff(middle, axis=0).T).sum())
    wall_mm = math.radians(angle_degree) * bore_mm / 2
    chord_share = (angles[1] ** 2) / 24  # by which a chord is shorter than its arc
    assert flat_mm * wall_x_factor(bore_mm, thickness_mm) == pytest.approx(
        wall_mm, rel=2 * chord_share + 1e-11
    )


def test_a_thicker_sheet_and_a_smaller_bore_hide_more():
    assert np.all(np.diff([wall_x_factor(46.0, t) for t in np.linspace(0.0, 4.6, 40)]) > 0)
    assert np.all(np.diff([wall_x_factor(b, 0.1) for b in np.linspace(30.0, 100.0, 40)]) < 0)


REFUSED = {
    "no bore": (0.0, 0.1, "bore_mm: 0 mm is no bore; give the bore's diameter"),
    "bore below 0": (-46.0, 0.1, "bore_mm: -46 mm is no bore"),
    "bore without end": (math.inf, 0.1, "bore_mm: inf mm is no bore"),
    "bore not a number": (math.nan, 0.1, "bore_mm: nan mm is no bore"),
    "thickness below 0": (
        46.0,
        -0.1,
        "sheet_thickness_mm: -0.1 mm is no thickness for a sheet in a bore of 46 mm",
    ),
    "thickness over a tenth": (46.0, 4.7, "4.7 mm is no thickness .*give 0 to a tenth of the bore"),
    "thickness not a number": (46.0, math.nan, "nan mm is no thickness"),
}


@pytest.mark.parametrize(("bore_mm", "thickness_mm", "said"), REFUSED.values(), ids=REFUSED)
def test_nonsense_is_refused(bore_mm, thickness_mm, said):
    with pytest.raises(QuantityError, match=said):
        wall_x_factor(bore_mm, thickness_mm)
