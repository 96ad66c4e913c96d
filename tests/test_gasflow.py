"""The gas model: vessels in closed form, closed cylinders, scipy's integrator, order, balances, limits."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from portmap.errors import QuantityError
from portmap.gas_case import GasInputs, gas_case_of
from portmap.gas_grid import NEARLY_EQUAL, GasError, grid_of
from portmap.gas_rates import CYL_J, CYL_KG, place_of, rates
from portmap.gasflow import breathed, cycled, places_of
from portmap.job import engine_of, job_of, port_map_of
from tests.gas_vessel import QUIET, R_AIR, place_at, run, vessel
from tests.sample_job import sample


def test_a_choked_vessel_empties_as_in_closed_form():
    # Form of Bar-Meir, Fundamentals of Compressible Fluid Mechanics, ch. 11, derived again and worked apart
    # from this program: V 1 L, A 1 cm², T0 300 K, γ 1.4: half the pressure after 0.02590092 s
    seconds = 0.02590092
    inputs = GasInputs(rpm=60 / seconds, exhaust_pa=1.0, **QUIET)
    pressure, warmth = run(vessel(100.0, 1.0), inputs, 30e5, 300.0)
    assert pressure[-1] / pressure[0] == pytest.approx(0.5, rel=1e-6)
    assert warmth[-1] / 300.0 == pytest.approx(0.5 ** (0.4 / 1.4), rel=1e-6)


def test_a_vessel_blown_down_to_the_throats_pressure():
    # Bird, Stewart and Lightfoot's free batch expansion; data seen, answers worked for a molar mass of
    # 28.97: 10 ft³ at 300 K and 100 atm through 0.1 ft², until the throat is at 1 atm: 1.893 atm and 96.58 K
    # after 0.578 s
    inputs = GasInputs(rpm=60 / 0.578, exhaust_pa=1.0, **QUIET)
    grid = vessel(0.1 * 304.8**2, 10 * 28.316846592, steps=1500)
    pressure, warmth = run(grid, inputs, 100 * 101325.0, 300.0)
    # the time has three digits, so that the pressure at its end has two
    assert pressure[-1] / 101325.0 == pytest.approx(1.893, rel=0.01)
    assert warmth[-1] == pytest.approx(96.58, rel=0.003)


def test_a_vessel_kept_warm_empties_as_in_closed_form():
    # White, Fluid Mechanics, 8th ed., problem 3.27 (problem seen, result worked): isothermal and choked, ρ =
    # ρ0·exp(−α·A·√(R·T0)·t/V) with α 0.6847: a quarter of the density has gone at t = 0.41997·V/(A·√(R·T0)),
    # which for 0.2877 / 0.685 was rounded; unrounded 0.287682 / 0.684731 = 0.420139
    area_m2, volume_m3, warm_k = 1e-4, 1e-3, 300.0
    seconds = math.log(4 / 3) / 0.684731456 * volume_m3 / (area_m2 * math.sqrt(R_AIR * warm_k))
    # walls of 5800 m² at the gas's warmth: what flows out cools it by less than a hundred-thousandth
    inputs = GasInputs(rpm=60 / seconds, exhaust_pa=1.0, wall_k=warm_k, **(QUIET | {"heat_loss": 1.0}))
    grid = vessel(area_m2 * 1e6, volume_m3 * 1e3, steps=2000, surface_m2=WARM_M2)
    pressure, warmth = run(grid, inputs, 30e5, warm_k)
    np.testing.assert_allclose(warmth, warm_k, rtol=WARM)
    assert pressure[-1] / pressure[0] == pytest.approx(0.75, rel=WARM)


WARM_M2 = 5800.0
WARM = 1e-4  # how far the walls hold the temperature


def test_a_vessel_fills_as_in_closed_form():
    # Choked filling from a large room at p0, T0 brings each kilogram its enthalpy c_p·T0 and nothing takes
    # heat away, so V·dp/dt = (γ − 1)·c_p·T0·ṁ = γ·R·T0·ṁ: the pressure rises in a straight line. First law
    # for an open system, as in any thermodynamics; choked flux of air 0.684731·p0/√(R·T0) (Heywood eq. C.9,
    # from memory)
    room_pa, room_k, area_m2, volume_m3, seconds = 4e5, 300.0, 1e-5, 1e-3, 0.1
    flux = 0.684731456 * room_pa / math.sqrt(R_AIR * room_k)
    rise_pa = 1.4 * R_AIR * room_k * flux * area_m2 / volume_m3 * seconds
    inputs = GasInputs(rpm=60 / seconds, exhaust_pa=room_pa, exhaust_k=room_k, **QUIET)
    pressure, _ = run(vessel(area_m2 * 1e6, volume_m3 * 1e3), inputs, 0.5e5, 300.0)
    assert pressure[-1] < 0.528 * room_pa  # choked to the end
    assert pressure[-1] - pressure[0] == pytest.approx(rise_pa, rel=1e-6)


@pytest.mark.parametrize("start_pa", [0.4e5, 3e5], ids=["from below", "from above"])
def test_at_no_speed_a_vessel_comes_to_the_airs_pressure_and_stays(start_pa):
    # a still piston and seconds of time: nothing is left to drive a flow
    inputs = GasInputs(rpm=30.0, exhaust_pa=101_325.0, exhaust_k=293.15, **QUIET)
    pressure, _ = run(vessel(10.0, 1.0, steps=400), inputs, start_pa, 293.15)
    assert pressure[-1] == pytest.approx(101_325.0, rel=1e-9)
    settled = pressure[len(pressure) // 2 :]
    np.testing.assert_allclose(settled, 101_325.0, rtol=1e-9)


def closed_cylinder(ratio, steps=360, surface_m2=0.0):
    deg = np.linspace(0, 360, 2 * steps + 1)
    slice_m2 = math.pi * 0.023**2
    head = slice_m2 * 0.032 / (ratio - 1)
    return replace(
        vessel(0.0, 1.0, steps=steps, surface_m2=surface_m2),
        cylinder_m3=head + slice_m2 * 0.032 * (1 - np.cos(np.radians(deg))) / 2,
        slope_m3_per_deg=slice_m2 * 0.016 * np.sin(np.radians(deg)) * np.pi / 180,
        case_m3=np.full_like(deg, 1e-3),
    )


@pytest.mark.parametrize(
    ("ratio", "gamma", "pressures", "temperatures"),
    [
        (6, 1.2, 8.586, None),
        (6, 1.3, 10.271, 1.7118),
        (8, 1.3, 14.929, 1.8661),
        (10, 1.3, 19.953, 1.9953),
        (8, 1.35, 16.564, None),
        (6, 1.4, 12.286, 2.0477),
        (8, 1.4, 18.379, 2.2974),
        (10, 1.4, 25.119, 2.5119),
    ],
)
def test_a_motored_closed_cylinder_follows_the_polytrope(ratio, gamma, pressures, temperatures):
    # p2/p1 = r^n and T2/T1 = r^(n−1), tabled apart from this program for the textbook's usual ratios
    pressure, warmth = run(
        closed_cylinder(ratio), GasInputs(rpm=6000.0, **(QUIET | {"gamma": gamma})), 20e5, 700.0
    )
    assert pressure[0] / pressure[180] == pytest.approx(pressures, rel=1e-4)
    if temperatures is not None:
        assert warmth[0] / warmth[180] == pytest.approx(temperatures, rel=1e-4)
    assert pressure[-1] == pytest.approx(pressure[0], rel=1e-7)


def test_the_stepper_is_of_fourth_order():
    # A closed cylinder that burns and loses heat, smooth all the way to 180°, against scipy's DOP853 at 1e-12
    # on the same equations: half the step leaves a sixteenth of the error (Runge and Kutta's method of 4th
    # order)
    inputs = GasInputs(rpm=8000.0, discharge_exhaust=0.0, gamma=1.34, burn_start_deg=0.0, burn_span_deg=200.0)
    slice_m2, surface_m2 = math.pi * 0.023**2, 0.006
    head = slice_m2 * 0.032 / 9
    start = None
    ends = []
    for steps in STEPS:
        grid = closed_cylinder(10, steps=steps, surface_m2=surface_m2)
        case = gas_case_of(inputs, grid)
        if start is None:
            start = np.zeros((6, 1))
            start[0] = start[2] = 101325.0 * 1e-3 / (R_AIR * 300.0)
            start[1] = start[0] * case.cv * 300.0
            start[3] = start[5] = 15e5 * head / (R_AIR * 700.0)
            start[4] = start[3] * case.cv * 700.0
        traces, _ = cycled(grid, case, start, places_of(grid))
        ends.append(traces[steps // 2, CYL_J, 0])

    def slope(deg, flat):
        turned = math.radians(deg)
        volume = head + slice_m2 * 0.016 * (1 - math.cos(turned))
        pace = slice_m2 * 0.016 * math.sin(turned) * math.pi / 180
        place = place_of(deg, (0.0, 0.0, 0.0), (1e-3, volume), pace, surface_m2)
        return rates(np.concatenate([flat[:, None], np.zeros((11, 1))]), place, case, reed=None)[:6, 0]

    true = solve_ivp(slope, (0.0, 180.0), start[:, 0], method="DOP853", rtol=1e-12, atol=1e-18).y[CYL_J, -1]
    misses = np.abs(np.array(ends) / true - 1)
    orders = np.log2(misses[:-1] / misses[1:])
    assert misses[-1] < 1e-6
    assert (orders > LEAST_ORDER).all(), orders


STEPS = (40, 80, 160)
LEAST_ORDER = 3.7  # the next term of the error takes a little from 4 at long steps


def made_up(case_cm3=190.0):
    job = job_of(sample())
    return replace(engine_of(job), case_volume_cm3=case_cm3), port_map_of(job)


def test_scipy_gives_the_same_cycle():
    engine, port_map = made_up()
    grid = grid_of(engine, port_map, lowest_rpm=8000.0)
    inputs = GasInputs(rpm=8000.0)
    case = gas_case_of(inputs, grid)
    start = np.zeros((6, 1))
    steady = breathed(grid, inputs)
    start[CYL_KG] = steady.cylinder_pa[0] * grid.cylinder_m3[0] / (R_AIR * steady.cylinder_k[0])
    start[CYL_J] = start[CYL_KG] * case.cv * steady.cylinder_k[0]
    start[5] = steady.fresh_share[0] * start[CYL_KG]
    start[0] = steady.case_pa[0] * grid.case_m3[0] / (R_AIR * 320.0)
    start[1] = start[0] * case.cv * 320.0
    start[2] = start[0]
    traces, _ = cycled(grid, case, start, places_of(grid))
    place = place_at(grid_of(engine, port_map, step_deg=0.05))

    def slope(deg, flat):
        state = np.concatenate([flat[:, None], np.zeros((11, 1))])
        return rates(state, place(deg), case, reed=None)[:6, 0]

    # from TDC to the exhaust's opening and on to the middle of the transfers' open time, where all is at work
    end = int(np.argmin(np.abs(grid.deg[::2] - 170.0)))
    found = solve_ivp(slope, (0.0, grid.deg[::2][end]), start[:, 0], method="LSODA", rtol=1e-8, atol=1e-14)
    np.testing.assert_allclose(traces[end, :, 0], found.y[:, -1], rtol=2e-4)


def test_what_flows_adds_up_and_the_cycle_is_steady():
    engine, port_map = made_up()
    grid = grid_of(engine, port_map, lowest_rpm=5000.0)
    breath = breathed(grid, GasInputs(rpm=[5000.0, 9000.0, 13000.0]))
    assert breath.mass_balance < 1e-6
    assert breath.energy_balance < 1e-6
    assert breath.left_moving <= 1e-5
    np.testing.assert_allclose(breath.cylinder_pa[0], breath.cylinder_pa[-1], rtol=1e-4)
    assert ((breath.fresh_share >= -1e-9) & (breath.fresh_share <= 1 + 1e-9)).all()


def test_a_shorter_step_changes_little():
    engine, port_map = made_up()
    inputs = GasInputs(rpm=[9000.0])
    usual = breathed(grid_of(engine, port_map, lowest_rpm=9000.0), inputs)
    fine = breathed(grid_of(engine, port_map, step_deg=0.4), inputs)
    # a thousandth: far below what discharge coefficients leave open
    assert usual.delivery_ratio == pytest.approx(fine.delivery_ratio, rel=1e-3)
    assert usual.residual_pa == pytest.approx(fine.residual_pa, rel=1e-3)
    assert usual.work_j == pytest.approx(fine.work_j, rel=1e-3)


def test_a_huge_port_follows_the_air():
    # A hole as wide as the bore: the piston drives ρ·dV/dt through it at next to no pressure. What is left
    # falls as 1/area, for so near to equal pressures the flow goes straight with their difference.
    left = []
    for area_mm2 in (1500.0, 3000.0):
        grid = replace(closed_cylinder(1.5, steps=2000), exhaust_mm2=np.full(4001, area_mm2))
        inputs = GasInputs(rpm=6000.0, exhaust_pa=101_325.0, exhaust_k=293.15, **QUIET)
        pressure, _ = run(grid, inputs, 101_325.0, 293.15)
        left.append(float(np.abs(pressure / 101_325.0 - 1).max()))
    assert left[0] < NEARLY_EQUAL
    assert left[0] / left[1] == pytest.approx(2.0, rel=0.05)


def test_an_earlier_exhaust_leaves_less_pressure():
    engine, _ = made_up()
    left = []
    for raise_mm in (0.0, 0.8, 1.6):
        document = sample()
        outline = document["maps"][0]["ports"][0]["windows"][0]["outline_mm"]
        for corner in outline[2:]:
            corner[1] += raise_mm
        ports = port_map_of(job_of(document))
        left.append(breathed(grid_of(engine, ports, lowest_rpm=9000.0), GasInputs(rpm=9000.0)).residual_pa[0])
    assert left[0] > left[1] > left[2]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"case_volume_cm3": None},
            "engine.case_volume_cm3: the case's volume is not known; fill it with oil",
        ),
        ({"head_volume_cm3": None}, "engine.head_volume_cm3: the head's volume is not known"),
        ({"case_volume_cm3": 30.0}, "a case of 30 cm³ is smaller than the swept volume"),
    ],
    ids=["no case", "no head", "tiny case"],
)
def test_what_is_missing_is_asked_for(change, message):
    engine, port_map = made_up()
    with pytest.raises(GasError, match=message):
        grid_of(replace(engine, **change), port_map)


def test_a_speed_that_no_stepper_can_follow_is_refused_with_one_that_it_can():
    engine, port_map = made_up()
    with pytest.raises(GasError, match=r"at 5 rpm a turn lasts too long.*give at least \d+ rpm") as caught:
        grid_of(engine, port_map, lowest_rpm=5.0)
    least = float(caught.value.remedy.split()[-2])
    assert grid_of(engine, port_map, lowest_rpm=least).deg[-1] == 360.0


@pytest.mark.parametrize("kind", ["exhaust", "transfer", "intake"])
def test_a_map_without_a_port_is_refused(kind):
    engine, port_map = made_up()
    fewer = replace(port_map, ports=tuple(port for port in port_map.ports if port.kind != kind))
    with pytest.raises(GasError, match=f"no {kind} port|nothing lets air into the case"):
        grid_of(engine, fewer)


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ({"rpm": 0.0}, "rpm"),
        ({"gamma": 1.0}, "gamma"),
        ({"discharge_exhaust": 1.2}, "discharge_exhaust"),
        ({"displacement": -0.1}, "displacement"),
        ({"heat_loss": -1.0}, "heat_loss"),
        ({"heat_j_per_kg": float("nan")}, "heat_j_per_kg"),
        ({"pipe_mm2": 0.0}, "pipe_mm2"),
    ],
    ids=["speed", "gamma", "discharge", "scavenging", "heat loss", "heat", "pipe"],
)
def test_inputs_outside_sense_are_refused(wrong, where):
    engine, port_map = made_up()
    with pytest.raises(QuantityError, match=where):
        breathed(grid_of(engine, port_map), GasInputs(**({"rpm": 9000.0} | wrong)))


def test_it_says_so_if_it_does_not_settle():
    engine, port_map = made_up()
    with pytest.raises(GasError, match=r"not settled after 1 cycles: at 9000 rpm the .* still moves by .* %"):
        breathed(grid_of(engine, port_map, lowest_rpm=9000.0), GasInputs(rpm=9000.0), most_cycles=1)
