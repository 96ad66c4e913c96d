"""Stages breathing side by side: what the model leans on, how sure it is, the verb and its tables."""

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from portmap.breath import assumed_case_cm3, breath_document, breath_run, engine_with_case
from portmap.breath_doubt import gas_draws, openness_u, stage_draws
from portmap.cli import main
from portmap.errors import QuantityError
from portmap.gas_assumptions import STATED, assumptions, stated_assumptions
from portmap.gas_case import GasInputs, gas_case_of
from portmap.gas_rows import limit_lines
from portmap.gas_table import breath_csv
from portmap.job import engine_of, job_of, port_map_of
from tests.gas_vessel import vessel
from tests.sample_job import sample

FIGURES = (
    "residual_bar",
    "delivery_ratio",
    "trapped_ratio",
    "trapped_mg",
    "trapping",
    "back_share",
    "work_j",
)


def raised(by_mm=0.8, stage="proposed"):
    """The sample's ports with a higher exhaust roof."""
    document = sample()
    document["maps"][0]["stage"] = stage
    for corner in document["maps"][0]["ports"][0]["windows"][0]["outline_mm"][2:]:
        corner[1] += by_mm
    return document["maps"][0]


def two_stage_file(folder):
    document = sample()
    document["maps"].append(raised())
    place = folder / "job.json"
    place.write_text(json.dumps(document))
    return place


def made_up(case_cm3=190.0):
    job = job_of(sample())
    return replace(engine_of(job), case_volume_cm3=case_cm3), port_map_of(job)


def two_stages():
    engine, port_map = made_up()
    other = sample()
    other["maps"] = [raised()]
    return engine, {"stock": port_map, "proposed": port_map_of(job_of(other), "proposed")}


def test_every_assumption_has_a_basis_a_range_and_sense():
    for one in assumptions():
        assert one.sense[0] <= one.least < one.value < one.most <= one.sense[1]
        assert one.basis


def test_what_stands_in_the_data_is_what_the_model_takes_unless_told():
    # GasInputs has the same values as gas.toml, so that a library user and the verb agree
    from portmap.gas_assumptions import gas_inputs

    grid = vessel(0.0, 1.0, steps=2)
    by_data, alone = (gas_case_of(one, grid) for one in (gas_inputs(9000.0), GasInputs(rpm=9000.0)))
    for name in type(by_data).__slots__:
        here, there = getattr(by_data, name), getattr(alone, name)
        assert (here is None and there is None) or here == pytest.approx(there, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "least", "value", "most"),
    [
        ("displacement=1", 1.0, 1.0, 1.0),
        ("displacement 0.5", 0.5, 0.5, 0.5),
        ("displacement = 0,2..0,6", 0.2, 0.4, 0.6),
        ("displacement=0.2 to 0.6", 0.2, 0.4, 0.6),
    ],
)
def test_a_stated_figure_goes_before_the_usual(text, least, value, most):
    found = {one.key: one for one in stated_assumptions([text])}
    one = found["displacement"]
    assert (one.least, one.value, one.most) == pytest.approx((least, value, most))
    assert one.basis == STATED
    assert found["gamma"] in assumptions()


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["discharge_exhaust=1.3"], "1.3 makes no sense; give 0.05 to 1"),
        (["exhaust_bar=-1"], "-1 of the air's makes no sense|-1.* makes no sense; give 0.3 to 3"),
        (["displacement=0.8..0.2"], "runs from 0.8 down to 0.2; write the smaller first"),
        (["displacment=0.5"], "the model has no figure 'displacment'; did you mean displacement"),
        (["xyz=0.5"], "name one of discharge_exhaust"),
        (["displacement=much"], "'much' is not a number"),
        (["gamma=nan"], "'nan' is not a number"),
        (["displacement"], "does not state a figure"),
        (["gamma=1.3", "gamma=1.4"], "stated twice"),
    ],
)
def test_what_is_no_such_statement_is_refused_in_one_line(texts, words):
    with pytest.raises(QuantityError, match=words) as caught:
        stated_assumptions(texts)
    assert "\n" not in str(caught.value)


def test_a_change_is_surer_than_either_figure_at_every_speed_drawn():
    engine, stages = two_stages()
    speeds = [8000.0, 11000.0]
    found, _ = breath_document(engine, stages, speeds, draws=40, drawn_rpm=speeds)
    for stock, change in zip(found["stages"][0]["speeds"], found["changes"][0]["speeds"], strict=True):
        assert change["residual_bar"] < 0
        assert change["residual_bar_u"] < 0.6 * stock["residual_bar_u"]
        assert change["work_share"] == pytest.approx(change["work_j"] / stock["work_j"])
        assert change["work_share_u"] > 0
        assert all(stock[f"{name}_u"] >= 0 for name in FIGURES)


def test_only_the_first_speed_is_drawn_unless_told():
    engine, stages = two_stages()
    found, _ = breath_document(engine, {"stock": stages["stock"]}, [8000.0, 9000.0], draws=5)
    assert "residual_bar_u" in found["stages"][0]["speeds"][0]
    assert "residual_bar_u" not in found["stages"][0]["speeds"][1]


def test_the_outlines_doubt_is_the_blowdowns_and_a_ground_outline_has_its_own():
    engine, port_map = made_up()
    shares = openness_u(engine, port_map)
    # a rectangle's blowdown: a roof that is 0.01 mm off changes the mean open height, about 2 mm, by 0.5 %
    assert 0.002 < shares["exhaust"] < 0.03
    assert shares["transfer"] < shares["exhaust"]
    draws = gas_draws(4000, 1)
    traced = stage_draws(draws, engine, port_map)
    ground = stage_draws(draws, engine, replace(port_map, stage="ground"))
    bare = draws.assumed["discharge_exhaust"]
    spread = np.std(traced["discharge_exhaust"] / bare, ddof=1)
    assert spread == pytest.approx(shares["exhaust"], rel=0.05)  # 4000 draws: 1.1 % of itself, k = 4
    together = np.corrcoef(traced["discharge_exhaust"] / bare, ground["discharge_exhaust"] / bare)[0, 1]
    assert abs(together) < 4 / math.sqrt(4000)


def test_outlines_of_unknown_doubt_add_none():
    engine, port_map = made_up()
    ports = tuple(
        replace(port, windows=tuple(replace(window, doubt=None) for window in port.windows))
        for port in port_map.ports
    )
    assert openness_u(engine, replace(port_map, ports=ports)) == {}


def test_an_assumed_case_widens_what_hangs_on_it():
    engine = engine_with_case(engine_of(job_of(sample())))
    stages = {"stock": port_map_of(job_of(sample()))}
    known = breath_document(engine, stages, [9000.0], draws=80)[0]["stages"][0]["speeds"][0]
    drawn = breath_document(engine, stages, [9000.0], draws=80, case_range_cm3=assumed_case_cm3(engine))[0]
    assert drawn["stages"][0]["speeds"][0]["residual_bar_u"] > known["residual_bar_u"]


def test_the_limit_is_where_the_residual_pressure_comes_up_from_nothing():
    engine, _ = made_up()
    other = sample()
    other["maps"] = [raised(2.4)]
    speeds = [5000.0, 7000.0, 9000.0]
    stages = {"proposed": port_map_of(job_of(other), "proposed")}
    found, breaths = breath_document(engine, stages, speeds)
    (limit,) = found["limits"]
    at = limit["blowdown_done_to_rpm"]
    residual = breaths["proposed"].residual_pa
    assert np.interp(at, speeds, residual) == pytest.approx(0.0, abs=1e-3 * np.abs(residual).max())
    assert f"up to about {round(at, -2):.0f} rpm" in limit_lines(found)[0]


@pytest.mark.parametrize(
    ("state", "words"),
    [("at none", "not done at any speed of 6000 to 9000"), ("at all", "done at every speed of 6000 to 9000")],
)
def test_a_limit_beyond_what_was_run_is_said_so(state, words):
    limit = {"stage": "stock", "blowdown_done": state, "blowdown_done_to_rpm": None}
    assert words in limit_lines({"limits": [limit], "rpm": [9000.0, 6000.0]})[0]


def test_the_answer_says_how_it_settled_and_what_the_exhaust_is():
    engine, stages = two_stages()
    found, _ = breath_document(engine, {"stock": stages["stock"]}, [9000.0], pipe_bore_mm=26.0)
    assert found["exhaust"]["end"] == "pipe"
    assert "no wave comes back" in found["exhaust"]["words"]
    assert all(stage["left_moving"] <= found["settled"]["limit"] for stage in found["stages"])
    assert all(stage["cycles"] > 1 for stage in found["stages"])
    with pytest.raises(QuantityError, match="a bore of 900 mm makes no sense"):
        breath_document(engine, stages, [9000.0], pipe_bore_mm=900.0)


def test_the_verb_says_what_it_is_not(tmp_path, capsys):
    place = tmp_path / "job.json"
    place.write_text(json.dumps(sample()))
    assert main(["breathe", str(place), "--rpm", "9000"]) == 1
    said = capsys.readouterr().err
    assert "the case's volume is not known" in said
    assert "of 150 to 230 cm³" in said  # it offers a range
    assert main(["breathe", str(place), "--rpm", "9000", "--assume-case"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "No waves are in this model" in shown
    assert "believed more than what is" in shown
    assert "no power is promised" in shown
    assert "Assumed, not measured: case volume 185.8 cm³, where 150 to 230 is usual" in shown
    assert "Steady after" in shown
    assert main(["breathe", str(place), "--rpm", "9000", "--assume-case", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["balance"]["mass"] < 1e-6
    assert document["stages"][0]["speeds"][0]["blowdown_done"] in (True, False)
    assert all(one["basis"] for one in document["assumptions"])


def test_both_tables_hold_doubts_and_notices_and_are_plain_csv(tmp_path, capsys):
    place, figures, traces = two_stage_file(tmp_path), tmp_path / "figures.csv", tmp_path / "traces.csv"
    document = json.loads(place.read_text())
    document["warnings"] = [{"code": "card-bent", "message": 'The card was "bent", a little.'}]
    place.write_text(json.dumps(document))
    asked = ["breathe", str(place), "--rpm", "8000,9000", "--assume-case", "--draws", "8"]
    assert main([*asked, "--csv", str(figures), "--traces", str(traces), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    rows = list(csv.DictReader(io.StringIO(figures.read_text())))
    assert [(row["stage"], row["rpm"]) for row in rows] == [
        ("stock", "8000"), ("stock", "9000"), ("proposed", "8000"), ("proposed", "9000")
    ]  # fmt: skip
    by_json = [speed for stage in found["stages"] for speed in stage["speeds"]]
    for row, speed in zip(rows, by_json, strict=True):
        for name in FIGURES:
            assert float(row[name]) == pytest.approx(speed[name], rel=1e-5)
            assert float(row[f"{name}_u"]) == pytest.approx(speed[f"{name}_u"], rel=1e-5)
        assert 'The card was "bent", a little.' in row["notices"]
        assert "case volume 185.8 cm³" in row["notices"]
        assert "no power is promised" in row["notices"]
        assert None not in row  # no row has more cells than the head
    change = found["changes"][0]["speeds"][0]
    assert float(rows[2]["change_residual_bar"]) == pytest.approx(change["residual_bar"], rel=1e-5)
    assert float(rows[2]["change_residual_bar_u"]) == pytest.approx(change["residual_bar_u"], rel=1e-5)
    assert rows[0]["change_residual_bar"] == ""
    turned = list(csv.DictReader(io.StringIO(traces.read_text())))
    assert len(turned) > 1000
    assert {row["stage"] for row in turned} == {"stock", "proposed"}
    assert all(float(row["cylinder_bar_u"]) >= 0 and row["notices"] for row in turned)
    assert (float(turned[0]["deg"]), float(turned[-1]["deg"])) == (0.0, 360.0)


def test_without_draws_the_doubts_are_empty_and_not_nought():
    engine, port_map = made_up()
    document = breath_run(engine, {"stock": port_map}, [9000.0]).document | {"warnings": [], "assumed": []}
    (row,) = csv.DictReader(io.StringIO(breath_csv(document)))
    assert row["residual_bar_u"] == ""


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--rpm", "0"], "--rpm"),
        (["--rpm", "-9000"], "--rpm"),
        (["--rpm", "9000", "--case-volume", "30 cc"], "a case of 30 cm³ is smaller than the swept volume"),
        (["--rpm", "9000", "--case-volume", "5 mm"], "is not a unit of volume"),
        (["--rpm", "9000", "--case-volume", "0"], "--case-volume"),
        (["--rpm", "9000", "--reed", "-3"], "--reed"),
        (["--rpm", "9000", "--assume-case", "--pipe", "0"], "--pipe"),
        (["--rpm", "9000", "--assume-case", "--pipe", "2 m"], "makes no sense"),
        (["--rpm", "9000", "--assume-case", "--lean", "gamma=9"], "9 makes no sense; give 1.1 to 1.67"),
        (["--rpm", "9000", "--assume-case", "--stages", "stock,next"], "there is no 'next' map"),
        (["--rpm", "9000"], "let it be assumed: --assume-case takes a usual one"),
    ],
    ids=lambda value: " ".join(value[2:]) or " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_line_and_nothing_is_written(options, words, tmp_path, capsys):
    place, table = tmp_path / "job.json", tmp_path / "breath.csv"
    place.write_text(json.dumps(sample()))
    assert (
        main(["breathe", str(place), *options, "--csv", str(table), "--traces", str(tmp_path / "t.csv")]) == 1
    )
    said = capsys.readouterr()
    assert words in said.err
    assert len(said.err.splitlines()) == 1
    assert said.out == ""
    assert [each.name for each in tmp_path.iterdir()] == ["job.json"]


def test_one_file_cannot_hold_both_tables(tmp_path, capsys):
    place, table = two_stage_file(tmp_path), str(tmp_path / "one.csv")
    assert main(["breathe", str(place), "--rpm", "9000", "--csv", table, "--traces", table]) == 1
    assert "both tables cannot be one file" in capsys.readouterr().err
