"""The standard atmosphere against ISO 2533, other software's table and the balance of weight and pressure."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad

from portmap.atmosphere import (
    air,
    air_density_kg_per_m3,
    geometric_altitude_m,
    geopotential_altitude_m,
    sea_level_gauge_pa,
    standard_pressure_pa,
    standard_temperature_k,
)
from portmap.cranking import cranking_gauge_pa
from portmap.errors import QuantityError

# ISO 2533:1975 (from memory), geopotential altitude: T [K], p [Pa], density [kg/m³]. The row at 1000 m was
# seen in the documentation of a published aerospace toolbox: 281.65 K, 8.9875e4 Pa, 1.1116 kg/m³; sea level
# in the defaults of a public R package.
GEOPOTENTIAL = {0: (288.15, 101325.0, 1.2250), 1000: (281.650, 89874.6, 1.11164)}


@pytest.mark.parametrize(("height", "row"), GEOPOTENTIAL.items())
def test_the_standard_by_geopotential_altitude(height, row):
    temperature = float(standard_temperature_k(height, altitude="geopotential"))
    pressure = float(standard_pressure_pa(height, altitude="geopotential"))
    assert temperature == pytest.approx(row[0], abs=5e-4)
    assert pressure == pytest.approx(row[1], abs=0.05)
    assert float(air_density_kg_per_m3(pressure, temperature)) == pytest.approx(row[2], abs=5e-6)


def test_the_standard_by_geometric_altitude():
    # The same relations at a geometric 1000 m; the standard's table by geometric altitude has 89 876.3 Pa
    # (from memory)
    assert float(geopotential_altitude_m(1000)) == pytest.approx(999.84, abs=0.005)
    assert float(standard_temperature_k(1000)) == pytest.approx(281.651, abs=5e-4)
    assert float(standard_pressure_pa(1000)) == pytest.approx(89876.3, abs=0.05)
    assert float(
        air_density_kg_per_m3(standard_pressure_pa(1000), standard_temperature_k(1000))
    ) == pytest.approx(1.11166, abs=5e-6)


# worked from the standard's relations apart from this program: p over that at sea level
@pytest.mark.parametrize(
    ("height", "share"), [(500, 0.94213), (1000, 0.88699), (2000, 0.78456), (3000, 0.69192)]
)
def test_share_of_the_sea_levels_pressure(height, share):
    assert float(standard_pressure_pa(height, altitude="geopotential")) / 101325 == pytest.approx(
        share, abs=5e-6
    )


@pytest.mark.parametrize("top", [-1500.0, 600.0, 4000.0, 10500.0])
def test_pressure_balances_the_weight_of_the_air(top):
    # Outside path: ln(p/p0) = −∫ g/(R·T) dH, by scipy, with gravity of the standard
    integral, _ = quad(lambda h: 9.80665 / (287.05287 * (288.15 - 0.0065 * h)), 0, top)
    expected = 101325 * math.exp(-integral)
    assert float(standard_pressure_pa(top, altitude="geopotential")) == pytest.approx(expected, rel=1e-10)


@given(height=st.floats(-2000, 11000))
def test_altitudes_there_and_back(height):
    assert float(geometric_altitude_m(geopotential_altitude_m(height))) == pytest.approx(height, abs=1e-6)


@given(low=st.floats(-1900, 10000), step=st.floats(1, 900))
def test_higher_air_is_thinner(low, step):
    assert standard_pressure_pa(low + step) < standard_pressure_pa(low)


def test_beyond_the_layer_nothing_is_said():
    assert np.isnan(standard_pressure_pa([-2100.0, 11500.0])).all()
    assert np.isnan(standard_temperature_k([-2100.0, 11500.0], altitude="geopotential")).all()


def test_a_warm_day_changes_density_and_not_pressure():
    cool, warm = air(altitude_m=600, temperature_c=0), air(altitude_m=600, temperature_c=30)
    assert cool.pressure_pa == warm.pressure_pa
    assert cool.density_kg_per_m3 / warm.density_kg_per_m3 == pytest.approx(303.15 / 273.15)
    assert float(standard_temperature_k(0, offset_k=10)) == pytest.approx(298.15)


def test_a_barometer_counts_before_the_altitude():
    found = air(altitude_m=600, barometer_pa=95_000)
    assert (found.pressure_pa, found.pressure_from) == (95_000, "barometer")
    assert air(altitude_m=600).pressure_from == "altitude"
    assert air().pressure_from == "standard"
    assert air().temperature_from == "standard"
    assert air(temperature_c=20).temperature_from == "given"


# the gauge shows p_air·(rⁿ − 1), so a reading goes to sea level by the ratio of the air's pressures: 0.88699
# at 1000 m
def test_a_reading_at_altitude_is_carried_to_sea_level():
    assert float(sea_level_gauge_pa(10e5, 89874.6)) / 1e5 == pytest.approx(10 / 0.88699, abs=1e-4)


@given(ratio=st.floats(3, 12), n=st.floats(1.1, 1.4), height=st.floats(-400, 4000))
def test_one_engine_carried_to_sea_level_reads_as_at_sea_level(ratio, n, height):
    ambient = standard_pressure_pa(height)
    there = cranking_gauge_pa(ratio, n, ambient)
    assert_allclose(sea_level_gauge_pa(there, ambient), cranking_gauge_pa(ratio, n), rtol=1e-12)


@pytest.mark.parametrize(
    ("known", "message"),
    [
        ({"altitude_m": 12_000}, "altitude: 12000 m is beyond the standard atmosphere's lowest layer"),
        ({"altitude_m": math.nan}, "altitude: nan m is beyond"),
        ({"barometer_pa": 1.013}, "barometer: 0.01013 hPa is no pressure of the open air"),
        ({"barometer_pa": 1.1e6}, "barometer: 11000 hPa is no pressure"),
        ({"temperature_c": -300}, "temperature: -300 °C is no temperature"),
    ],
    ids=["too high", "not a number", "bar for Pa", "gauge pressure", "below nothing"],
)
def test_air_that_cannot_be_is_refused(known, message):
    with pytest.raises(QuantityError, match=message) as caught:
        air(**known)
    assert caught.value.remedy


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)], ids=str)
def test_shapes(shape):
    assert standard_pressure_pa(np.zeros(shape)).shape == shape
    assert standard_temperature_k(np.zeros(shape)).shape == shape
    assert sea_level_gauge_pa(np.ones(shape), 9e4).shape == shape
