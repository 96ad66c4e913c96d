"""Rotary and reed intakes: tables read, bad ones refused in one line, and the gas model on them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from portmap.breath import breath_notices
from portmap.cli import main
from portmap.errors import GeometryError, JobError
from portmap.gas_case import GasInputs
from portmap.gas_grid import grid_of
from portmap.gasflow import breathed
from portmap.guide import guide_verdicts
from portmap.intake_valve import (
    ReedIntake,
    RotaryIntake,
    intake_valve,
    reed_area_mm2,
    rotary_angle_area_mm2_deg,
    rotary_area_mm2,
)
from portmap.job import engine_of, job_of, port_map_of
from portmap.job_faults import document_of
from portmap.window import opened_area
from tests.sample_job import sample

ROTARY = [[0.0, 250.0], [55.0, 250.0], [75.0, 0.0], [215.0, 0.0], [240.0, 250.0]]
REED = [[0.0, 0.0], [0.05, 90.0], [0.2, 160.0]]
TABLED = 1e-3  # straight lines between rows half a degree apart, against the windows themselves


def with_intake(entry, *, wall_intake=False):
    document = sample()
    document["engine"] |= {"intake": entry, "case_volume_cm3": 190.0}
    if not wall_intake:
        ports = document["maps"][0]["ports"]
        document["maps"][0]["ports"] = [port for port in ports if port["kind"] != "intake"]
    return document


def built(document):
    job = job_of(document)
    return engine_of(job), port_map_of(job)


def test_a_job_with_a_valve_is_read_and_written_as_it_was():
    document = with_intake({"kind": "rotary", "opened_deg_mm2": ROTARY, "notes": "degree wheel on the disc"})
    job = job_of(document)
    assert document_of(job) == document
    assert isinstance(engine_of(job).intake, RotaryIntake)
    reed = engine_of(job_of(with_intake({"kind": "reed", "opened_bar_mm2": REED}))).intake
    assert reed == ReedIntake(opened_pa_mm2=((0.0, 0.0), (5000.0, 90.0), (20000.0, 160.0)))


def test_a_job_from_before_has_none():
    job = job_of(sample())
    assert engine_of(job).intake is None
    assert document_of(job) == sample()


def test_areas_between_rows_go_straight():
    valve = intake_valve("rotary", [(deg, area) for deg, area in ROTARY])
    # by hand: from 240° on and over TDC 250 mm²; 65° is half way down; 227.5° half way up
    assert rotary_area_mm2(valve, [240, 359, 55, 65, 75, 150, 227.5]).tolist() == [
        250,
        250,
        250,
        125,
        0,
        0,
        125,
    ]
    # 175° wide open, two slopes of 20° and 25° at half the area
    assert rotary_angle_area_mm2_deg(valve) == pytest.approx(250 * 175 + 125 * 45)
    reed = intake_valve("reed", [(over, area) for over, area in REED])
    assert reed_area_mm2(reed, [-100.0, 0.0, 2500.0, 12500.0, 9e4]).tolist() == [0, 0, 45, 125, 160]


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (
            {"kind": "rotary"},
            "engine.intake.opened_deg_mm2: a rotary valve needs its opened area against degree",
        ),
        (
            {"kind": "reed"},
            "engine.intake.opened_bar_mm2: a reed valve needs its opened area against pressure",
        ),
        ({"kind": "rotary", "opened_bar_mm2": REED}, "opened_bar_mm2: a rotary valve has no such table"),
        ({"kind": "disc", "opened_deg_mm2": ROTARY}, "'disc' is not one of rotary, reed"),
        ({"kind": "rotary", "opened_deg_mm2": ROTARY[::-1]}, "degrees must rise from row to row"),
        (
            {"kind": "rotary", "opened_deg_mm2": [[0, 0], [400, 20]]},
            "400 lies outside 0 to 360 degrees; check the unit",
        ),
        ({"kind": "rotary", "opened_deg_mm2": [[0, 0], [90, 0]]}, "by this table the valve is never open"),
        ({"kind": "rotary", "opened_deg_mm2": [[0, 9], [90, 5]]}, "by this table the valve is never shut"),
        (
            {"kind": "rotary", "opened_deg_mm2": [[0, 0], [90, -5]]},
            "-5 mm² is no opened area",
        ),
        ({"kind": "rotary", "opened_deg_mm2": [[0, 0, 0]]}, r"engine.intake.opened_deg_mm2\[0\]: at most 2"),
        ({"kind": "rotary", "opened_deg_mm2": [[0, "wide"]]}, "'wide' is not a number"),
        ({"kind": "rotary", "opened_deg_mm2": 250}, "is not a list"),
        ({"kind": "reed", "opened_bar_mm2": [[0, 50], [0.1, 20]]}, "the area falls from 50 to 20 mm²"),
        (
            {"kind": "reed", "opened_bar_mm2": [[0.2, 0], [0.1, 20]]},
            "pressures must rise.*0.1 bar follows 0.2",
        ),
        ({"kind": "reed", "opened_bar_mm2": [[0, 0], [0.1, 0]]}, "by this table the reed never opens"),
        (
            {"kind": "reed", "opened_bar_mm2": [[0, 0], [150, 90]]},
            "150 lies outside 0 to 2 bar; check the unit",
        ),
        ({"kind": "reed", "opened_bar_mm2": REED, "petals": 4}, "engine.intake.petals: is not a field here"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_bad_table_is_refused_in_one_line(entry, words, tmp_path, capsys):
    document = with_intake(entry)
    with pytest.raises(JobError, match=words):
        job_of(document)
    place = tmp_path / "job.json"
    place.write_text(json.dumps(document))
    assert main(["breathe", str(place), "--rpm", "9000", "--csv", str(tmp_path / "no.csv")]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert not (tmp_path / "no.csv").exists()


@pytest.mark.parametrize("rows", [[], [(0.0, float("nan"))], [(-5.0, 0.0), (9.0, 4.0)]], ids=str)
def test_the_value_refuses_what_no_file_brings(rows):
    with pytest.raises(GeometryError, match=r"empty|no opened area|outside 0 to 360"):
        RotaryIntake(opened_deg_mm2=tuple(rows))


def breath(engine, port_map, **more):
    grid = grid_of(engine, port_map, lowest_rpm=9000.0, **more)
    return breathed(grid, GasInputs(rpm=9000.0))


def test_windows_by_a_table_breathe_as_the_windows():
    # the intake windows' own areas, written as a rotary valve's table: the same engine
    engine, port_map = built(with_intake(None, wall_intake=True))
    intake = next(port for port in port_map.ports if port.kind == "intake")
    deg = np.arange(0.0, 360.0, 0.5)
    table = tuple(zip(deg.tolist(), opened_area(engine, intake, deg).tolist(), strict=True))
    fewer = replace(port_map, ports=tuple(port for port in port_map.ports if port.kind != "intake"))
    by_table = breath(replace(engine, intake=RotaryIntake(opened_deg_mm2=table)), fewer)
    by_windows = breath(engine, port_map)
    np.testing.assert_allclose(by_table.delivery_ratio, by_windows.delivery_ratio, rtol=TABLED)
    np.testing.assert_allclose(by_table.residual_pa, by_windows.residual_pa, rtol=TABLED)
    assert by_table.mass_balance < 1e-6
    assert by_table.energy_balance < 1e-6


def test_a_reed_that_opens_at_once_is_one_of_constant_area():
    engine, port_map = built(with_intake(None))
    at_once = breath(replace(engine, intake=ReedIntake(opened_pa_mm2=((0.0, 150.0),))), port_map)
    constant = breath(engine, port_map, reed_mm2=150.0)
    np.testing.assert_allclose(at_once.delivery_ratio, constant.delivery_ratio, rtol=1e-9)


def test_stiffer_reeds_let_less_in_and_none_lets_anything_back():
    engine, port_map = built(with_intake(None))
    delivered = []
    for stop_pa in (1e3, 1e4, 5e4):
        reed = ReedIntake(opened_pa_mm2=((0.0, 0.0), (stop_pa, 150.0)))
        found = breath(replace(engine, intake=reed), port_map)
        delivered.append(found.delivery_ratio[0])
        assert found.mass_balance < 1e-6
    assert delivered == sorted(delivered, reverse=True)


def test_a_valve_goes_before_windows_and_it_is_said():
    engine, port_map = built(with_intake({"kind": "reed", "opened_bar_mm2": REED}, wall_intake=True))
    (notice,) = breath_notices(engine, {"stock": port_map})
    assert notice.code == "intake-twice"
    assert "intake is left out" in notice.message
    fewer = replace(port_map, ports=tuple(port for port in port_map.ports if port.kind != "intake"))
    both, alone = breath(engine, port_map), breath(engine, fewer)
    np.testing.assert_allclose(both.delivery_ratio, alone.delivery_ratio, rtol=1e-9)
    assert breath_notices(engine, {"stock": fewer}) == ()


def test_a_rotary_intake_is_held_beside_its_own_guide():
    # Jennings, Two-Stroke Tuner's Handbook, 1973 (from memory, high): rotary 0.00018 to 0.00019 s·cm²/cm³
    engine, port_map = built(with_intake({"kind": "rotary", "opened_deg_mm2": ROTARY}))
    found = {one.guide.key: one for one in guide_verdicts(engine, port_map, 9000.0)}
    assert "intake_piston" not in found
    swept_m3 = np.pi * 0.046**2 / 4 * 0.032
    by_hand = (250 * 175 + 125 * 45) * 1e-6 / (6 * 9000) / swept_m3
    assert found["intake_rotary"].value == pytest.approx(by_hand, rel=1e-9)
    assert (found["intake_rotary"].guide.low, found["intake_rotary"].guide.high) == (0.018, 0.019)


def test_the_verb_runs_on_a_valve_of_the_job(tmp_path, capsys):
    place = tmp_path / "job.json"
    place.write_text(json.dumps(with_intake({"kind": "reed", "opened_bar_mm2": REED}, wall_intake=True)))
    assert main(["breathe", str(place), "--rpm", "9000", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["code"] for one in found["warnings"]] == ["intake-twice"]
    assert 0.1 < found["stages"][0]["speeds"][0]["delivery_ratio"] < 1.2
