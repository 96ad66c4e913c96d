"""The verb ring, run as a porter types it."""

import json
import math

import pytest

from portmap.commands.running import run
from tests.sample_job import box, sample

MEASURED = {
    "ring_below_crown_mm": 2.5,
    "lowest_ring_below_crown_mm": 7.5,
    "ring_ends_x_mm": [17.0, -17.0],
}


@pytest.fixture
def job(tmp_path):
    def write(change=lambda document: None):
        document = sample()
        change(document)
        path = tmp_path / "job.json"
        path.write_text(json.dumps(document), encoding="utf-8")
        return str(path)

    return write


def measured(document):
    document["engine"]["piston"] = dict(MEASURED)


def asked(capsys, *arguments):
    assert run(["ring", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


class TestJson:
    def test_it_holds_verdicts_with_places_and_sources(self, job, capsys):
        found = asked(capsys, job(measured))
        assert found["stage"] == "stock"
        assert found["worst"] == {"exhaust": "don't", "main": "don't", "intake": "fine"}
        one = next(each for each in found["verdicts"] if each["rule"] == "ring_width")
        assert one["value"] == pytest.approx(math.sin(28 / 46), abs=1e-9)  # chord over bore
        assert {"grade", "port", "window", "threshold", "unit", "x_mm", "y_mm", "words", "source"} <= set(one)
        assert found["counts"]["not checked"] == 0
        assert "wide or sharp windows snag rings" in found["care"]

    def test_what_nobody_measured_is_named(self, job, capsys):
        found = asked(capsys, job())
        missing = [one["rule"] for one in found["verdicts"] if one["grade"] == "not checked"]
        assert sorted(missing) == ["ring_bdc", "ring_ends", "ring_tdc"]

    def test_one_port_alone(self, job, capsys):
        found = asked(capsys, job(measured), "--port", "main")
        assert {one["port"] for one in found["verdicts"]} == {"main"}

    def test_a_stage_may_be_chosen(self, job, capsys):
        def proposed(document):
            ports = json.loads(json.dumps(document["maps"][0]["ports"]))
            ports[0]["windows"][0]["outline_mm"] = box(-17, 28, 17, 41)
            document["maps"].append({"stage": "proposed", "ports": ports})

        found = asked(capsys, job(proposed), "--stage", "proposed")
        wide = next(one for one in found["verdicts"] if one["rule"] == "ring_width")
        assert (found["stage"], wide["grade"]) == ("proposed", "look again")

    def test_the_jobs_own_bounds_hold(self, job, capsys):
        found = asked(capsys, job(lambda document: document.update(limits={"ring_width_dont": 0.5})))
        wide = next(one for one in found["verdicts"] if one["rule"] == "ring_width")
        assert (wide["grade"], wide["threshold"]) == ("don't", 0.5)
        assert "the job's own" in wide["source"]


class TestForAPerson:
    def test_grades_are_words_and_marks(self, job, capsys):
        assert run(["ring", job(measured)]) == 0
        shown = capsys.readouterr().out
        assert "!! don't" in shown
        assert "level part of the roof" in shown
        assert "metal to the next port" not in shown
        assert "Care: protect eyes" in shown

    def test_all_shows_what_is_fine_and_the_sources(self, job, capsys):
        assert run(["ring", job(measured), "--all"]) == 0
        shown = capsys.readouterr().out
        assert "metal to the next port" in shown
        assert "common practice, no source" in shown

    def test_inches(self, job, capsys):
        assert run(["ring", job(measured), "--units", "inch", "--all"]) == 0
        assert " in " in capsys.readouterr().out

    def test_what_to_measure_is_said(self, job, capsys):
        assert run(["ring", job()]) == 0
        assert "measure where the rings' ends (pins) run" in capsys.readouterr().out.replace("\n", " ")


class TestFaults:
    @pytest.mark.parametrize(
        ("change", "more", "words"),
        [
            ({"limits": {"ring_widht_dont": 0.6}}, [], "did you mean ring_width_dont?"),
            ({}, ["--port", "boost"], "--port: there is no such port; take one of exhaust, main, intake"),
            ({}, ["--stage", "ground"], "ground"),
            ({"maps": []}, [], "map"),
        ],
        ids=["no such bound", "no such port", "no such stage", "no map"],
    )
    def test_one_line_says_what_and_what_to_do(self, job, capsys, change, more, words):
        assert run(["ring", job(lambda document: document.update(change)), *more]) == 1
        said = capsys.readouterr()
        assert words in said.err
        assert said.err.count("\n") == 1
        assert said.out == ""

    def test_check_finds_a_limit_that_there_is_not(self, job, capsys):
        path = job(lambda document: document.update(limits={"ring_with_dont": 0.6}))
        assert run(["check", path]) == 1
        assert "did you mean ring_width_dont?" in capsys.readouterr().err
