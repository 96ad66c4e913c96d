"""The gas model: one case, forty speeds, draws; against scipy's integrator alone on the same equations.

Baseline: `solve_ivp` (LSODA) for one turn at one speed, at a tolerance that gives the same accuracy, times
the turns that plain repetition takes until the cycle is steady (39 for this engine). What is compared is
therefore stated, not measured whole: forty speeds of the baseline would take minutes.
"""

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from portmap.gas_grid import grid_of
from portmap.gasflow import GasInputs, _case_of, _places, _start, breathed, rates
from portmap.job import engine_of, job_of, port_map_of
from tests.sample_job import sample

PLAIN_TURNS = 39


@pytest.fixture(scope="module")
def sample_case():
    job = job_of(sample())
    return replace(engine_of(job), case_volume_cm3=190.0), port_map_of(job)


@pytest.mark.parametrize("speeds", [1, 40], ids=["one speed", "forty speeds"])
def test_steady_cycles(benchmark, sample_case, speeds):
    engine, port_map = sample_case
    rpm = np.linspace(8000.0, 12000.0, speeds)
    benchmark.pedantic(
        lambda: breathed(grid_of(engine, port_map, lowest_rpm=8000.0), GasInputs(rpm=rpm)), rounds=3
    )


def test_five_hundred_draws(benchmark, sample_case):
    engine, port_map = sample_case
    random = np.random.default_rng(1)
    inputs = GasInputs(
        rpm=np.full(500, 9000.0),
        discharge_exhaust=random.uniform(0.65, 0.85, 500),
        displacement=random.uniform(0.0, 0.8, 500),
    )
    grid = grid_of(engine, port_map, lowest_rpm=9000.0)
    benchmark.pedantic(lambda: breathed(grid, inputs), rounds=1)


def test_against_scipy_alone(benchmark, sample_case):
    engine, port_map = sample_case
    fine = grid_of(engine, port_map, step_deg=0.1)
    columns = np.stack([np.array(place) for place in _places(fine)])
    inputs = GasInputs(rpm=9000.0)
    case = _case_of(inputs, fine)

    def slope(deg, flat):
        place = tuple(float(np.interp(deg, fine.deg, columns[:, k])) for k in range(columns.shape[1]))
        return rates(np.concatenate([flat[:, None], np.zeros((11, 1))]), place, case, one_way=False)[:6, 0]

    begun = time.perf_counter()
    solve_ivp(slope, (0.0, 360.0), _start(fine, case)[:6, 0], method="LSODA", rtol=1e-6, atol=1e-13)
    turn_s = time.perf_counter() - begun
    rpm = np.linspace(8000.0, 12000.0, 40)
    grid = grid_of(engine, port_map, lowest_rpm=8000.0)
    begun = time.perf_counter()
    benchmark.pedantic(lambda: breathed(grid, GasInputs(rpm=rpm)), rounds=1)
    ours_s = time.perf_counter() - begun
    baseline_s = turn_s * PLAIN_TURNS * len(rpm)
    print(
        f"\nsolve_ivp: {turn_s:.2f} s a turn, so {baseline_s:.0f} s for forty speeds by {PLAIN_TURNS} turns;"
        f" ours {ours_s:.2f} s: {baseline_s / ours_s:.0f} times"
    )
