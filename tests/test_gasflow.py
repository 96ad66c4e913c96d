"""The gas model: emptying vessels in closed form, closed cylinders, scipy's integrator, balances, limits."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from portmap.breath import assumptions, breath_document
from portmap.cli import main
from portmap.errors import QuantityError
from portmap.gas_grid import GasError, Grid, grid_of
from portmap.gasflow import CYL_J, CYL_KG, GasInputs, _case_of, _cycled, _places, breathed, rates
from portmap.job import engine_of, job_of, port_map_of
from tests.sample_job import sample

R_AIR = 287.05287  # J/(kg·K), ISO 2533 (from memory)


def vessel(area_mm2, litres, steps=400):
    """A cylinder that does not move, with a hole to the exhaust."""
    deg = np.linspace(0, 360, 2 * steps + 1)
    still = np.zeros_like(deg)
    volume = np.full_like(deg, litres * 1e-3)
    return Grid(
        deg=deg,
        intake_mm2=still,
        transfer_mm2=still,
        exhaust_mm2=np.full_like(deg, area_mm2),
        cylinder_m3=volume,
        case_m3=volume,
        slope_m3_per_deg=still,
        surface_m2=still,
        stroke_m=0.03,
        swept_m3=1e-4,
        transfer_opens_deg=None,
        one_way=False,
    )


def run(grid, inputs, pressure_pa, kelvin):
    """One turn from a given state of the cylinder; returns its pressures and temperatures at the nodes."""
    case = _case_of(inputs, grid)
    start = np.zeros((6, 1))
    for kg, joule, volume in ((0, 1, grid.case_m3[0]), (CYL_KG, CYL_J, grid.cylinder_m3[0])):
        start[kg] = pressure_pa * volume / (R_AIR * kelvin)
        start[joule] = start[kg] * case.cv * kelvin
    start[2], start[5] = start[0], start[CYL_KG]
    traces, _ = _cycled(grid, case, start, _places(grid))
    warmth = traces[:, CYL_J, 0] / (traces[:, CYL_KG, 0] * case.cv[0])
    return traces[:, CYL_KG, 0] * R_AIR * warmth / grid.cylinder_m3[::2], warmth


QUIET = {"heat_j_per_kg": 0.0, "heat_loss": 0.0, "discharge_exhaust": 1.0, "gamma": 1.4}


def test_a_choked_vessel_empties_as_in_closed_form():
    # W6 of the reference sheet: V 1 L, A 1 cm², T0 300 K, γ 1.4: half the pressure after 0.02590092 s
    seconds = 0.02590092
    inputs = GasInputs(rpm=60 / seconds, exhaust_pa=1.0, **QUIET)
    pressure, warmth = run(vessel(100.0, 1.0), inputs, 30e5, 300.0)
    assert pressure[-1] / pressure[0] == pytest.approx(0.5, rel=1e-6)
    assert warmth[-1] / 300.0 == pytest.approx(0.5 ** (0.4 / 1.4), rel=1e-6)


def test_a_vessel_blown_down_to_the_throats_pressure():
    # W7: Bird, Stewart and Lightfoot's free batch expansion; data seen, answers worked for a molar mass of
    # 28.97: 10 ft³ at 300 K and 100 atm through 0.1 ft², until the throat is at 1 atm: 1.893 atm and 96.58 K
    # after 0.578 s
    inputs = GasInputs(rpm=60 / 0.578, exhaust_pa=1.0, **QUIET)
    grid = vessel(0.1 * 304.8**2, 10 * 28.316846592, steps=4000)
    pressure, warmth = run(grid, inputs, 100 * 101325.0, 300.0)
    # the time has three digits, so that the pressure at its end has two
    assert pressure[-1] / 101325.0 == pytest.approx(1.893, rel=0.01)
    assert warmth[-1] == pytest.approx(96.58, rel=0.003)


@pytest.mark.parametrize(
    ("ratio", "gamma", "published"),
    [(6, 1.3, 10.271), (8, 1.3, 14.929), (10, 1.3, 19.953), (6, 1.4, 12.286), (10, 1.4, 25.119)],
)
def test_a_motored_closed_cylinder_follows_the_polytrope(ratio, gamma, published):
    # the sheet's rows of p2/p1 = r^n
    deg = np.linspace(0, 360, 721)
    travel, slice_m2 = 0.032 * (1 - np.cos(np.radians(deg))) / 2, math.pi * 0.023**2
    head = slice_m2 * 0.032 / (ratio - 1)
    grid = replace(
        vessel(0.0, 1.0, steps=360),
        cylinder_m3=head + slice_m2 * travel,
        slope_m3_per_deg=slice_m2 * 0.016 * np.sin(np.radians(deg)) * np.pi / 180,
        case_m3=np.full_like(deg, 1e-3),
    )
    pressure, _ = run(grid, GasInputs(rpm=6000.0, **(QUIET | {"gamma": gamma})), 20e5, 700.0)
    assert pressure[0] / pressure[180] == pytest.approx(published, rel=1e-4)
    assert pressure[-1] == pytest.approx(pressure[0], rel=1e-7)


def made_up(case_cm3=190.0):
    job = job_of(sample())
    return replace(engine_of(job), case_volume_cm3=case_cm3), port_map_of(job)


def test_scipy_gives_the_same_cycle():
    engine, port_map = made_up()
    grid = grid_of(engine, port_map, lowest_rpm=8000.0)
    inputs = GasInputs(rpm=8000.0)
    case = _case_of(inputs, grid)
    start = np.zeros((6, 1))
    steady = breathed(grid, inputs)
    start[CYL_KG] = steady.cylinder_pa[0] * grid.cylinder_m3[0] / (R_AIR * steady.cylinder_k[0])
    start[CYL_J] = start[CYL_KG] * case.cv * steady.cylinder_k[0]
    start[5] = steady.fresh_share[0] * start[CYL_KG]
    start[0] = steady.case_pa[0] * grid.case_m3[0] / (R_AIR * 320.0)
    start[1] = start[0] * case.cv * 320.0
    start[2] = start[0]
    traces, _ = _cycled(grid, case, start, _places(grid))
    fine = grid_of(engine, port_map, step_deg=0.05)
    columns = np.stack([np.array(place) for place in _places(fine)])

    def slope(deg, flat):
        place = tuple(float(np.interp(deg, fine.deg, columns[:, k])) for k in range(columns.shape[1]))
        state = np.concatenate([flat[:, None], np.zeros((11, 1))])
        return rates(state, place, case, one_way=False)[:6, 0]

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


def test_huge_slow_ports_follow_the_air():
    engine, port_map = made_up()
    grid = grid_of(engine, port_map, lowest_rpm=1500.0)
    inputs = GasInputs(rpm=1500.0, exhaust_pa=101_325.0, exhaust_k=293.15, heat_j_per_kg=0.0, heat_loss=0.0)
    breath = breathed(grid, inputs)
    open_wide = grid.exhaust_mm2[::2] > 0.8 * grid.exhaust_mm2.max()
    # slow piston, wide port: the cylinder is at the muffler's pressure but for what drives the flow
    np.testing.assert_allclose(breath.cylinder_pa[open_wide, 0], 101_325.0, rtol=0.01)


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
    ],
    ids=["speed", "gamma", "discharge", "scavenging"],
)
def test_inputs_outside_sense_are_refused(wrong, where):
    engine, port_map = made_up()
    with pytest.raises(QuantityError, match=where):
        breathed(grid_of(engine, port_map), GasInputs(**({"rpm": 9000.0} | wrong)))


def test_it_says_so_if_it_does_not_settle():
    engine, port_map = made_up()
    with pytest.raises(GasError, match=r"not settled after 1 cycles: the state still moves by .* %"):
        breathed(grid_of(engine, port_map, lowest_rpm=9000.0), GasInputs(rpm=9000.0), most_cycles=1)


def test_every_assumption_has_a_basis_and_a_range():
    for one in assumptions():
        assert one.least < one.value < one.most
        assert one.basis


def test_a_change_is_surer_than_either_figure():
    engine, port_map = made_up()
    raised = sample()
    for corner in raised["maps"][0]["ports"][0]["windows"][0]["outline_mm"][2:]:
        corner[1] += 0.8
    stages = {"stock": port_map, "proposed": port_map_of(job_of(raised))}
    found, _ = breath_document(engine, stages, [9000.0], draws=60)
    stock = found["stages"][0]["speeds"][0]
    change = found["changes"][0]["speeds"][0]
    assert change["residual_bar"] < 0
    assert change["residual_bar_u"] < 0.6 * stock["residual_bar_u"]


def test_the_verb_says_what_it_is_not(tmp_path, capsys):
    place, table = tmp_path / "job.json", tmp_path / "breath.csv"
    place.write_text(json.dumps(sample()))
    assert main(["breathe", str(place), "--rpm", "9000"]) == 1
    assert "the case's volume is not known" in capsys.readouterr().err
    asked = ["breathe", str(place), "--rpm", "9000", "--assume-case", "--csv", str(table)]
    assert main(asked) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "No waves are in this model" in shown
    assert "no power is promised" in shown
    assert "case volume" in shown
    rows = table.read_text().splitlines()
    assert rows[0] == "stage,rpm,deg,cylinder_bar,case_bar,fresh_share"
    assert len(rows) > 300
    assert main([*asked, "--force", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["balance"]["mass"] < 1e-6
    assert document["stages"][0]["speeds"][0]["blowdown_done"] in (True, False)
    assert all(one["basis"] for one in document["assumptions"])
