"""Flow through a hole against published figures of compressible flow."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from portmap.orifice import critical_pressure_ratio, flow_factor, orifice_flow_kg_per_s

# Isentropic relation, worked apart from this program; 0.5283 for γ 1.4 seen in a data book of aeronautics
CRITICAL = {1.4: 0.528281788, 1.35: 0.536851, 1.33: 0.540364, 1.30: 0.545728, 1.25: 0.554929}
# √γ·(2/(γ+1))^((γ+1)/(2(γ−1))); "about 0.685 for air" seen in a problem of White, Fluid Mechanics, 8th ed.
CHOKED = {1.4: 0.684731456, 1.35: 0.676145, 1.33: 0.672628, 1.30: 0.667262, 1.25: 0.658065}


@pytest.mark.parametrize("gamma", CRITICAL)
def test_choking(gamma):
    assert float(critical_pressure_ratio(gamma)) == pytest.approx(CRITICAL[gamma], abs=5e-7)
    assert float(flow_factor(0.2, gamma)) == pytest.approx(CHOKED[gamma], abs=5e-7)
    # no step where the flow chokes
    assert float(flow_factor(CRITICAL[gamma] + 1e-6, gamma)) == pytest.approx(CHOKED[gamma], abs=1e-6)


def test_not_choked():
    assert float(flow_factor(0.8)) == pytest.approx(0.560661019, abs=5e-10)  # worked from Heywood eq. C.8


# NACA Report 1135, table I, γ 1.4, as reprinted in tables of isentropic flow (values seen; M 0.20 and 0.30 in
# Farokhi's appendix): Mach number, p/p0, A/A*. The area ratio is the choked flow over the flow at that
# pressure.
ISENTROPIC = [
    (0.10, 0.9930, 5.8218),
    (0.20, 0.9725, 2.9635),
    (0.30, 0.9395, 2.0351),
    (0.50, 0.8430, 1.3398),
    (0.60, 0.7840, 1.1882),
    (0.90, 0.5913, 1.0089),
    (1.00, 0.5283, 1.0000),
]


@pytest.mark.parametrize(("mach", "pressure", "area"), ISENTROPIC, ids=lambda value: f"{value:g}")
def test_isentropic_rows(mach, pressure, area):
    exact = (1 + 0.2 * mach**2) ** -3.5  # the pressure that the table rounds to four digits
    assert exact == pytest.approx(pressure, abs=5.1e-5)
    # the printed area ratio has a last digit that another reprint of it has one lower
    assert float(flow_factor(0.2) / flow_factor(exact)) == pytest.approx(area, abs=1.1e-4)


# p/p0 of supersonic rows of the same table: the throat passes no more
@pytest.mark.parametrize("pressure", [0.2724, 0.1278], ids=["M 1.5", "M 2"])
def test_below_the_critical_pressure_nothing_more_passes(pressure):
    assert float(flow_factor(pressure)) == float(flow_factor(0.5))


def test_the_choked_flux_of_standard_air():
    # 101 325 Pa, 288.15 K, R 287.05287: 241.2385 kg/(s·m²), worked apart from this program
    assert float(orifice_flow_kg_per_s(1e6, 101325.0, 288.15, 0.0)) == pytest.approx(241.2385, abs=5e-5)


# A vessel of 1 litre at 300 K that empties through 1 cm² by the isentropic relation (form of Bar-Meir,
# Fundamentals of Compressible Fluid Mechanics, ch. 11, derived again): half the pressure is left after
# 0.02590092 s
def test_a_vessel_empties_in_the_published_time():
    def change(_: float, log_pressure: np.ndarray) -> np.ndarray:
        pressure = 1e7 * np.exp(log_pressure)
        warmth = 300 * np.exp(log_pressure) ** (0.4 / 1.4)
        mass = pressure * 1e-3 / (287.05287 * warmth)
        return -1.4 * orifice_flow_kg_per_s(100.0, pressure, warmth, 1e5) / mass

    found = solve_ivp(change, (0, 0.02590092), [0.0], rtol=1e-10, atol=1e-12)
    assert math.exp(found.y[0, -1]) == pytest.approx(0.5, abs=1e-7)


@given(ratio=st.floats(0, 1), less=st.floats(0, 1))
def test_a_lower_pressure_outside_never_lets_less_out(ratio, less):
    assert flow_factor(ratio * less) >= flow_factor(ratio) - 1e-12


def test_nothing_flows_without_a_fall_of_pressure():
    assert orifice_flow_kg_per_s(5.0, 1e5, 300.0, [1e5, 2e5]).tolist() == [0.0, 0.0]
    assert np.isnan(flow_factor([-0.1, 1.1])).all()


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)], ids=str)
def test_shapes(shape):
    assert orifice_flow_kg_per_s(np.full(shape, 5.0), 3e5, 300.0, 1e5).shape == shape
