"""Figures as shown; the units' factors are held against pint, an independent table of units."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.errors import QuantityError
from portmap.shown import number_text, unit_system, with_doubt

INCH = unit_system("inch")
RELATIVE = 1e-3  # the figures below show at least four digits


@pytest.mark.parametrize(
    ("shown", "unit", "into"),
    [
        (INCH.lengths(1234.5), "1234.5 mm", "inch"),
        (INCH.areas(1234.5), "1234.5 mm ** 2", "inch ** 2"),
        (INCH.volumes(1234.5), "1234.5 cm ** 3", "inch ** 3"),
        (INCH.angle_areas(12345.0), "12345 mm ** 2", "inch ** 2"),
        (INCH.time_areas(1234.5), "1234.5 mm ** 2 * s", "1e-3 inch ** 2 * s"),
        (INCH.pressures(123.45), "123.45 bar", "psi"),
        (INCH.forces(12345.0), "12345 newton", "force_pound"),
    ],
    ids=["length", "area", "volume", "angle-area", "time-area", "pressure", "force"],
)
def test_inch_figures_agree_with_pint(shown, unit, into):
    registry = pint.UnitRegistry()
    truth = (registry(unit) / registry(into)).to_base_units().magnitude
    assert float(shown) == pytest.approx(truth, rel=RELATIVE)


@given(
    value=st.floats(-1e4, 1e4),
    u=st.floats(1e-6, 10.0),
    decimals=st.integers(0, 4),
)
def test_a_shown_doubt_is_never_less_than_the_real_one_and_never_none(value, u, decimals):
    _, shown = with_doubt(value, u, decimals).split(" ± ")
    step = 10.0**-decimals
    assert float(shown) > 0
    assert 2 * u * (1 - 1e-6) - 1e-9 * step <= float(shown) <= 2 * u + step * (1 + 1e-6)


@given(value=st.floats(-1e6, 1e6), decimals=st.integers(0, 4))
def test_a_shown_number_is_the_nearest_and_nothing_has_no_sign(value, decimals):
    text = number_text(value, decimals)
    assert abs(float(text.replace("−", "-")) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-6) + 1e-9
    assert not (text.startswith("−") and float(text[1:]) == 0)


def test_an_unknown_system_is_refused():
    with pytest.raises(QuantityError, match="'cubit' is not a system of units; take mm or inch"):
        unit_system("cubit")
