"""The verb spread: its answers in JSON and in words, and what it says of bad input."""

import json
import re
from pathlib import Path

import pytest

from portmap.cli import main
from portmap.crank import Crank, piston_depth
from portmap.fit import fit_readings
from portmap.fitted_job import fitted_job
from portmap.job import job_of, read_job, write_job
from tests.sample_job import sample


@pytest.fixture
def job(tmp_path) -> str:
    path = tmp_path / "job.json"
    path.write_text(json.dumps(sample()))
    return str(path)


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    code = main(["spread", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *arguments: str) -> dict:
    code, out, err = run(capsys, *arguments, "--json")
    assert code == 0, err
    return json.loads(out)


def test_one_result_with_its_budget(capsys, job):
    found = answer(capsys, job, "--of", "blowdown")
    (result,) = found["results"]
    assert result["name"] == "blowdown_deg"
    assert result["unit"] == "deg"
    assert result["interval"][0] < result["value"] < result["interval"][1]
    assert result["first_order"]["agrees"] is True
    assert result["first_order"]["u"] == pytest.approx(result["u"], rel=0.05)
    assert sum(row["share"] for row in result["budget"]) == pytest.approx(1.0)
    assert result["budget"][0]["words"] == "roof of main"
    assert result["gains"][0]["gain"] >= result["gains"][-1]["gain"]
    assert result["advice"].startswith("To gain most, trace the ports again")


def test_two_results_once_each(capsys, job):
    found = answer(capsys, job, "--of", "squish", "--of", "exhaust opens", "--of", "squish")
    assert [result["name"] for result in found["results"]] == ["squish_mm", "exhaust:opens_deg"]


def test_all_results_unless_told(capsys, job):
    named = {result["name"] for result in answer(capsys, job, "--draws", "200")["results"]}
    asked = {result["name"] for result in answer(capsys, job, "--of", "all", "--draws", "200")["results"]}
    assert named == asked
    assert {"blowdown_deg", "cranking_bar", "intake:closes_deg", "exhaust_angle_area_mm2_deg"} <= named


def test_the_same_seed_gives_the_same_answer(capsys, job):
    first, again, other = (
        answer(capsys, job, "--of", "blowdown", "--seed", seed)["results"] for seed in ("3", "3", "4")
    )
    assert first == again
    assert first[0]["interval"] != other[0]["interval"]


def test_specific_time_areas_at_a_speed(capsys, job):
    names = [result["name"] for result in answer(capsys, job, "--rpm", "9000", "--draws", "200")["results"]]
    assert "exhaust_specific_s_per_m" in names


def test_in_words(capsys, job):
    code, out, err = run(capsys, job, "--of", "blowdown", "--of", "cranking pressure")
    assert code == 0
    assert re.search(r"blowdown +16\.35 ± 0\.1\d +° +16\.2\d to 16\.4\d .* yes", out)
    assert re.search(r"cranking pressure .* no", out)
    assert "What the doubt of blowdown comes from" in out
    assert re.search(r"roof of main +stated +0\.0200 mm", out)
    assert "± 0.0" in out
    assert "if you trace the ports again from another photograph." in out
    assert "Most of the doubt is the exponent of squeezing, a stated range" in out
    assert "Assumed doubt, common practice without a source" in err


def test_in_inches(capsys, job):
    _, out, _ = run(capsys, job, "--of", "squish", "--units", "inch")
    assert re.search(r"squish +0\.0236 ± 0\.0014 +in", out)


def test_all_of_them_briefly(capsys, job):
    _, out, _ = run(capsys, job, "--draws", "200")
    assert "What the doubt of" not in out
    assert out.count(" yes") > 15


def test_a_fitted_job_has_its_budget_by_reading(capsys, job):
    document = sample()
    document["readings"] = [
        {"kind": "opens", "port": "exhaust", "value": 98.6, "unit": "deg", "times": 2},
        {"kind": "squish", "value": 0.6, "unit": "mm"},
    ]
    read = job_of(document)
    write_job(job, fitted_job(read, fit_readings(read)), force=True)
    (result,) = answer(capsys, job, "--of", "squish")["results"]
    assert result["budget"][0]["words"] == "squish 0.6 mm"
    assert result["budget"][0]["source"] == "reading"
    _, out, err = run(capsys, job, "--of", "squish")
    assert re.search(r"squish 0\.6 mm +read +0\.0100 mm", out)
    assert "No budget by reading" not in err


def test_readings_without_a_fit_are_said(capsys, job):
    document = sample()
    document["readings"] = [{"kind": "squish", "value": 0.6, "unit": "mm"}]
    Path(job).write_text(json.dumps(document))
    codes = [warning["code"] for warning in answer(capsys, job, "--of", "squish")["warnings"]]
    assert "not-fitted" in codes


def test_a_job_without_a_map(capsys, job):
    document = sample()
    document["maps"] = []
    document["edges"] = [{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 39.4}]
    Path(job).write_text(json.dumps(document))
    found = answer(capsys, job, "--of", "e opens")
    assert found["stage"] is None
    depth = piston_depth(Crank(stroke_mm=32, rod_mm=58), found["results"][0]["value"])
    assert depth == pytest.approx(61.0 - 0.4 - 39.4)
    assert read_job(job).maps == ()


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        pytest.param(["--of", "blowdwn"], "did you mean blowdown?", id="misspelt result"),
        pytest.param(["--of", "boost opens"], "'boost opens' is no result of this job", id="no such port"),
        pytest.param(["--draws", "99"], "--draws: 99 draws are out of range", id="too few draws"),
        pytest.param(["--draws", "1000001"], "out of range", id="too many draws"),
        pytest.param(["--rpm", "6000,9000"], "--rpm: 2 speeds at once", id="two speeds"),
        pytest.param(["--rpm", "-5"], "--rpm", id="a speed below 0"),
        pytest.param(["--stage", "ground"], "there is no 'ground' map", id="no such stage"),
    ],
)
def test_bad_input_is_one_line(capsys, job, arguments, match):
    code, out, err = run(capsys, job, *arguments)
    assert (code, out) == (1, "")
    assert match in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("arguments", [["--seed", "-1"], ["--draws", "many"]], ids=["seed", "draws"])
def test_wrong_usage(capsys, job, arguments):
    assert run(capsys, job, *arguments)[0] == 2


def test_errors_in_json(capsys, job):
    code, out, _ = run(capsys, job, "--of", "blowdwn", "--json")
    assert code == 1
    assert json.loads(out)["error"]["where"] == "--of"
