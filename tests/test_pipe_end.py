"""A pipe without an echo: the simple wave, two closed forms, the limits of width, the whole model on it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K as R_AIR
from portmap.errors import QuantityError
from portmap.gas_case import GasInputs, gas_case_of
from portmap.gas_grid import NEARLY_EQUAL, grid_of
from portmap.gas_rates import _into_pipe
from portmap.gasflow import breathed
from portmap.job import engine_of, job_of, port_map_of
from portmap.pipe_end import wave_pressure_ratio
from tests.gas_vessel import QUIET, run, vessel
from tests.sample_job import sample

SOLVED = 1e-6  # of a flow; the search stops at a hundredth of it


def blown(throat_mm2, pipe_mm2, pressure_pa, kelvin, *, rest=(101_325.0, 293.15), gamma=1.4):
    """Flow out of a cylinder into a pipe [kg/s]."""
    inputs = GasInputs(
        rpm=6000.0,
        pipe_mm2=pipe_mm2,
        exhaust_pa=rest[0],
        exhaust_k=rest[1],
        gamma=gamma,
        discharge_exhaust=1.0,
    )
    case = gas_case_of(inputs, vessel(0.0, 1.0, steps=2))
    flow, _ = _into_pipe(np.array([throat_mm2 * 1e-6]), (np.array([pressure_pa]), np.array([kelvin])), case)
    return float(flow[0])


@pytest.mark.parametrize("gamma", [1.3, 1.4])
def test_a_weak_wave_is_sound(gamma):
    # Acoustics: p' = ρ·c·u (any textbook; Landau and Lifshitz, Fluid Mechanics, s. 64, from memory), so that
    # p'/p0 = γ·u/c for a weak wave
    assert float(wave_pressure_ratio(1e-6, gamma)) - 1 == pytest.approx(gamma * 1e-6, rel=1e-4)


@pytest.mark.parametrize("speed_ratio", [-0.5, -0.1, 0.2, 0.8])
def test_a_strong_wave_keeps_its_invariant_and_its_entropy(speed_ratio):
    # Riemann's invariant of the waves that run the other way, u − 2c/(γ − 1), is that of the gas at rest, and
    # the gas keeps its entropy: p/p0 = (c/c0)^(2γ/(γ−1)). For γ 1.4 the exponent is 7
    sound = 1 + 0.2 * speed_ratio
    assert speed_ratio - 5 * sound == pytest.approx(-5.0)
    assert float(wave_pressure_ratio(speed_ratio, 1.4)) == pytest.approx(sound**7, rel=1e-12)


@pytest.mark.parametrize("over", [1.1, 1.5, 2.5, 4.0])
def test_a_reservoir_that_opens_into_a_pipe_of_the_same_gas(over):
    """A closed form: the same isentrope on both sides, the throat as wide as the pipe.

    Behind the wave c = c0 + (γ − 1)/2·u; along the steady throat c_r² = c² + (γ − 1)/2·u². With c_r and c0
    known from p_r/p0 by the isentrope, u follows from a quadratic: for γ 1.4,
    0.24 u² + 0.4 c0 u + c0² − c_r² = 0.
    """
    rest_pa, rest_k, pipe_mm2 = 101_325.0, 300.0, 500.0
    sound = math.sqrt(1.4 * R_AIR * rest_k)
    reservoir_sound = sound * over ** (0.4 / 2.8)
    b, c = 0.4 * sound, sound**2 - reservoir_sound**2
    speed = (-b + math.sqrt(b**2 - 4 * 0.24 * c)) / (2 * 0.24)
    assert speed < sound + 0.2 * speed  # below that of sound there
    there = sound + 0.2 * speed
    density = rest_pa / (R_AIR * rest_k) * (there / sound) ** 5
    known = density * speed * pipe_mm2 * 1e-6
    reservoir_k = rest_k * (reservoir_sound / sound) ** 2
    found = blown(pipe_mm2, pipe_mm2, over * rest_pa, reservoir_k, rest=(rest_pa, rest_k))
    assert found == pytest.approx(known, rel=SOLVED)


def test_a_vessel_rings_down_into_a_pipe_at_the_pace_of_sound():
    # A small excess of pressure in a vessel V that opens wide into an endless pipe of area A: the pipe lets
    # out A·p'/(ρ·c), the vessel loses p' at γ·p/V times that, so p' falls as exp(−t·A·c/V) (acoustic
    # resistance and compliance: Kinsler et al., Fundamentals of Acoustics, ch. 10, from memory)
    area_mm2, litres, excess = 200.0, 1.0, 1e-5
    sound = math.sqrt(1.4 * R_AIR * 293.15)
    seconds = litres * 1e-3 / (area_mm2 * 1e-6 * sound)
    inputs = GasInputs(rpm=60 / seconds, exhaust_pa=101_325.0, exhaust_k=293.15, pipe_mm2=area_mm2, **QUIET)
    pressure, _ = run(vessel(area_mm2, litres, steps=400), inputs, 101_325.0 * (1 + excess), 293.15)
    left = (pressure[-1] / 101_325.0 - 1) / excess
    # the throat near equal pressures, where flow is taken straight, adds √(ε/2)/√γ of the pipe's resistance
    throat = math.sqrt(NEARLY_EQUAL / 2 / 1.4)
    assert left == pytest.approx(math.exp(-1 / (1 + throat)), rel=1e-3)


@pytest.mark.parametrize("pressure_pa", [4e5, 1.3e5, 0.8e5], ids=["choked", "out", "back"])
def test_a_wide_pipe_is_a_muffler_and_a_narrow_one_holds_back(pressure_pa):
    rest, warm = (110_000.0, 750.0), 1000.0
    muffler = blown(100.0, math.inf, pressure_pa, warm, rest=rest)
    flows = [abs(blown(100.0, pipe, pressure_pa, warm, rest=rest)) for pipe in (110.0, 300.0, 1e3, 1e7)]
    assert flows == sorted(flows)
    assert flows[-1] == pytest.approx(abs(muffler), rel=1e-3)
    assert (muffler > 0) == (pressure_pa > rest[0])


def test_an_engine_on_a_pipe_keeps_its_balance_and_breathes_less_the_narrower_it_is():
    job = job_of(sample())
    engine, port_map = replace(engine_of(job), case_volume_cm3=190.0), port_map_of(job)
    grid = grid_of(engine, port_map, lowest_rpm=9000.0)
    bores = np.array([18.0, 26.0, 2000.0])
    on_pipes = breathed(grid, GasInputs(rpm=9000.0, pipe_mm2=math.pi * bores**2 / 4))
    assert on_pipes.mass_balance < 1e-6
    assert on_pipes.energy_balance < 1e-6
    assert (np.diff(on_pipes.delivery_ratio) > 0).all()
    assert (np.diff(on_pipes.work_j) > 0).all()
    muffler = breathed(grid, GasInputs(rpm=9000.0))
    assert on_pipes.delivery_ratio[-1] == pytest.approx(muffler.delivery_ratio[0], rel=1e-3)
    assert on_pipes.residual_pa[-1] == pytest.approx(muffler.residual_pa[0], rel=1e-3)
    with pytest.raises(QuantityError, match=r"pipe_mm2: 0 makes no sense"):
        breathed(grid, GasInputs(rpm=9000.0, pipe_mm2=0.0))
