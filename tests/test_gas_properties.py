"""The model's ideal gas beside real ones: Cantera's NASA polynomials for air, fresh charge and burned gas.

Cantera 3.2 (Goodwin et al., general-purpose thermodynamics) with its own files: ``air.yaml``, and GRI-Mech
3.0 for propane, whose charge and burned gas stand for petrol's: both have about the same carbon and hydrogen
by mass.
"""

import math

import cantera
import numpy as np
import pytest

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K
from portmap.gas_assumptions import assumptions
from portmap.orifice import GAMMA_AIR, orifice_flow_kg_per_s

DRY_AIR = "O2:0.2095, N2:0.7809, AR:0.0093"  # by volume, carbon dioxide left out
SAME_CONSTANT = 5e-4  # the missing carbon dioxide
COLD = 0.004  # by which 1.4 may miss from 250 to 350 K
CHOKED = 2e-3  # what a ratio of heats that changes on the way into the throat may do to the flow
ONE_GAS = 0.07  # by which one gas constant may miss that of burned gas, rich charge dissolved in it


@pytest.fixture(scope="module")
def air():
    return cantera.Solution("air.yaml")


@pytest.fixture(scope="module")
def flame():
    return cantera.Solution("gri30.yaml")


def gas_constant(gas):
    return cantera.gas_constant / gas.mean_molecular_weight


def test_the_gas_constant_of_air(air):
    air.TPX = 288.15, 101_325.0, DRY_AIR
    assert pytest.approx(gas_constant(air), rel=SAME_CONSTANT) == GAS_CONSTANT_J_PER_KG_K


@pytest.mark.parametrize("kelvin", [250.0, 288.15, 320.0, 350.0])
def test_cold_airs_heats(air, kelvin):
    air.TPX = kelvin, 101_325.0, DRY_AIR
    assert air.cp_mass / air.cv_mass == pytest.approx(GAMMA_AIR, abs=COLD)
    cp = GAMMA_AIR / (GAMMA_AIR - 1) * GAS_CONSTANT_J_PER_KG_K
    assert cp == pytest.approx(air.cp_mass, rel=0.01)


@pytest.mark.parametrize("kelvin", [288.15, 350.0])
def test_the_choked_flux_is_real_airs(air, kelvin):
    """The greatest ρ·√(2·(h0 − h)) along the isentrope of the real gas: no ratio of heats is asked for."""
    air.TPX = kelvin, 5e5, DRY_AIR
    enthalpy, entropy = air.enthalpy_mass, air.entropy_mass
    most = 0.0
    for pressure in np.linspace(2e5, 4e5, 2001):
        air.SP = entropy, pressure
        most = max(most, air.density * math.sqrt(2 * (enthalpy - air.enthalpy_mass)))
    ours = float(orifice_flow_kg_per_s(1e6, 5e5, kelvin, 0.0))
    assert ours == pytest.approx(most, rel=CHOKED)


def burned(flame, richness, kelvin):
    flame.TP = kelvin, 3e5
    flame.set_equivalence_ratio(richness, "C3H8", DRY_AIR)
    flame.TP = kelvin, 3e5
    flame.equilibrate("TP")
    return flame


@pytest.mark.parametrize("richness", [1.0, 1.2])
def test_one_ratio_of_heats_is_drawn_from_charge_to_burned_gas(flame, richness):
    one = next(each for each in assumptions() if each.key == "gamma")
    flame.TP = 350.0, 1e5
    flame.set_equivalence_ratio(richness, "C3H8", DRY_AIR)
    charge = flame.cp_mass / flame.cv_mass
    assert one.value < charge < one.most
    hot = burned(flame, richness, 1200.0)
    assert one.least <= hot.cp_mass / hot.cv_mass < one.value
    # while the exhaust is open: 700 to 1200 K
    warm = burned(flame, richness, 700.0)
    assert one.least < warm.cp_mass / warm.cv_mass < one.most


@pytest.mark.parametrize("richness", [1.0, 1.2])
def test_one_gas_constant_stands_for_burned_gas(flame, richness):
    there = gas_constant(burned(flame, richness, 900.0))
    assert pytest.approx(there, rel=ONE_GAS) == GAS_CONSTANT_J_PER_KG_K


@pytest.mark.parametrize("richness", [1.0, 1.25])
def test_the_heat_of_a_kilogram_of_charge_is_what_burning_it_frees(flame, richness):
    """Heat at 298 K from charge to burned gas of 1200 K: with too little air, what the air allows."""
    one = next(each for each in assumptions() if each.key == "heat_mj_per_kg")
    flame.TP = 298.15, 1e5
    flame.set_equivalence_ratio(richness, "C3H8", DRY_AIR)
    before = flame.enthalpy_mass
    shares = burned(flame, richness, 1200.0).X
    flame.TPX = 298.15, 1e5, shares
    freed = (before - flame.enthalpy_mass) / 1e6
    # four fifths to nearly all of it is released in the cylinder
    assert one.least <= 0.85 * freed <= one.most
    assert one.least <= 0.95 * freed <= one.most
