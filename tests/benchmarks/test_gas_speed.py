"""The gas model: one case, forty speeds, draws; against scipy's integrator alone on the same equations.

Baseline: `solve_ivp` from one opening or closing to the next, turn after turn until the cycle is steady to
the same measure, as one does without a stepper and a Newton's method of one's own. Its method and tolerance
are the quickest of several whose error over one turn is no greater than ours; both errors are measured
against DOP853 at 1e-10 and printed. The baseline is run whole at one speed; for forty speeds it is taken
forty times, and the other way that there is, one system of all forty at once, is measured over a turn and
printed beside it.
"""

import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from portmap.breath import breath_run
from portmap.gas_case import GasInputs, gas_case_of
from portmap.gas_grid import grid_of
from portmap.gas_rates import rates
from portmap.gasflow import SETTLED, breathed, cycled, places_of, start_of
from portmap.job import engine_of, job_of, port_map_of
from portmap.timing import port_timing
from tests.gas_vessel import place_at
from tests.sample_job import sample

RPM = 9000.0
METHODS = (("LSODA", 1e-4), ("LSODA", 1e-5), ("LSODA", 1e-6), ("RK45", 1e-3), ("RK45", 1e-4), ("RK45", 1e-5))
SCALE = np.array([1e-4, 30.0, 1e-4, 1e-4, 30.0, 1e-4])[:, None]  # kg and J, about


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


def test_a_usual_sweep(benchmark, sample_case):
    # as README has it: 6000:14000:500 of one stage
    engine, port_map = sample_case
    rpm = np.arange(6000.0, 14001.0, 500.0).tolist()
    benchmark.pedantic(lambda: breath_run(engine, {"stock": port_map}, rpm), rounds=1)


def test_five_hundred_draws(benchmark, sample_case):
    engine, port_map = sample_case
    benchmark.pedantic(lambda: breath_run(engine, {"stock": port_map}, [RPM], draws=500), rounds=1)


def test_on_a_pipe(benchmark, sample_case):
    engine, port_map = sample_case
    grid = grid_of(engine, port_map, lowest_rpm=RPM)
    benchmark.pedantic(lambda: breathed(grid, GasInputs(rpm=RPM, pipe_mm2=500.0)), rounds=1)


def events_of(engine, port_map):
    found = {0.0, 360.0}
    for port in port_map.ports:
        for opening in port_timing(engine, port).openings:
            found |= {opening.opens_deg, opening.closes_deg}
    return sorted(found)


def by_scipy(place, case, start, events, method, rtol):
    """One turn of all cases as one system; returns the end."""
    cases = start.shape[1]
    sums = np.zeros((11, cases))
    scale = np.broadcast_to(SCALE, (6, cases)).ravel()

    def slope(deg, flat):
        state = np.concatenate([(flat * scale).reshape(6, cases), sums])
        return rates(state, place(deg), case, reed=None)[:6].ravel() / scale

    flat = start.ravel() / scale
    for low, high in pairwise(events):
        flat = solve_ivp(slope, (low, high), flat, method=method, rtol=rtol, atol=rtol * 1e-2).y[:, -1]
    return (flat * scale).reshape(6, cases)


def miss(end, true):
    scale = np.abs(true[[0, 1, 0, 3, 4, 3]])
    return float((np.abs(end - true) / scale).max())


def test_against_scipy_alone(benchmark, sample_case):
    engine, port_map = sample_case
    events = events_of(engine, port_map)
    place = place_at(grid_of(engine, port_map, step_deg=0.05))
    grid = grid_of(engine, port_map, lowest_rpm=RPM)
    case = gas_case_of(GasInputs(rpm=RPM), grid)
    start = start_of(grid, case)[:6]
    places, turns, state = places_of(grid), 0, start
    while True:  # plain repetition: how many turns until it is steady
        _, end = cycled(grid, case, state, places)
        turns += 1
        moved = miss(end[:6], state)
        state = end[:6]
        if moved <= SETTLED:
            break
    true = by_scipy(place, case, state, events, "DOP853", 1e-10)
    ours = miss(cycled(grid, case, state, places)[1][:6], true)
    tried = []
    for method, rtol in METHODS:
        begun = time.perf_counter()
        end = by_scipy(place, case, state, events, method, rtol)
        tried.append((time.perf_counter() - begun, miss(end, true), method, rtol))
    good = [one for one in tried if one[1] <= ours] or [min(tried, key=lambda one: one[1])]
    _, theirs, method, rtol = min(good)
    begun = time.perf_counter()
    state = start
    for _ in range(turns):
        state = by_scipy(place, case, state, events, method, rtol)
    baseline_s = time.perf_counter() - begun
    begun = time.perf_counter()
    breathed(grid_of(engine, port_map, lowest_rpm=RPM), GasInputs(rpm=RPM))
    one_s = time.perf_counter() - begun
    rpm = np.linspace(8000.0, 12000.0, 40)
    begun = time.perf_counter()
    benchmark.pedantic(
        lambda: breathed(grid_of(engine, port_map, lowest_rpm=8000.0), GasInputs(rpm=rpm)), rounds=1
    )
    forty_s = time.perf_counter() - begun
    forty = gas_case_of(GasInputs(rpm=rpm), grid)
    begun = time.perf_counter()
    by_scipy(place, forty, start_of(grid, forty)[:6], events, "RK45", rtol)
    together_s = (time.perf_counter() - begun) * turns
    print(
        f"\nerror over a turn: ours {ours:.1e}, solve_ivp ({method}, rtol {rtol:g}) {theirs:.1e}"
        f"\none speed, {turns} turns by repetition: solve_ivp {baseline_s:.1f} s, ours {one_s:.2f} s:"
        f" {baseline_s / one_s:.0f} times"
        f"\nforty speeds: solve_ivp one by one {40 * baseline_s:.0f} s, ours {forty_s:.2f} s:"
        f" {40 * baseline_s / forty_s:.0f} times; all forty as one system about {together_s:.0f} s:"
        f" {together_s / forty_s:.0f} times"
    )
