"""The bench log: notes, states, pictures beside the job, earlier forms, and the five lines."""

import json

import pytest

from portmap.cli import main
from portmap.errors import JobError
from portmap.files import read_json, write_json
from portmap.job import job_of
from portmap.log import USUAL_STATES, noted, state_of, suggested_states, time_of
from portmap.shown import unit_system
from portmap.standing import standing_of
from tests.sample_job import box, sample

MM = unit_system("mm")


@pytest.fixture
def job(tmp_path):
    return write_json(tmp_path / "saw.json", sample())


def run(capsys, *arguments) -> tuple[int, str, str]:
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_note_is_dated_signed_and_added_to_those_before(capsys, job):
    assert (
        run(capsys, "log", job, "gasket ordered", "--state", "waiting for parts", "--date", "2024-05-01")[0]
        == 0
    )
    assert run(capsys, "log", job, "here now", "--by", "Ann", "--date", "2024-05-20 14:30")[0] == 0
    assert read_json(job)["log"] == [
        {"at": "2024-05-01", "text": "gasket ordered", "state": "waiting for parts"},
        {"at": "2024-05-20T14:30:00", "by": "Ann", "text": "here now"},
    ]
    assert {key: value for key, value in read_json(job).items() if key != "log"} == sample()
    code, out, _ = run(capsys, "log", job)
    assert (code, "waiting for parts, since 2024-05-01" in out, "here now" in out) == (0, True, True)


def test_a_picture_is_kept_beside_the_job_when_the_gallery_is_tidied(capsys, job, tmp_path):
    photo = tmp_path / "IMG_0001.JPG"
    photo.write_bytes(b"photo")
    assert run(capsys, "log", job, "bore as it came", "--picture", photo)[0] == 0
    photo.unlink()
    (kept,) = (tmp_path / "saw.pictures").iterdir()
    assert (kept.read_bytes(), kept.suffix) == (b"photo", ".jpg")
    (picture,) = read_json(job)["log"][0]["pictures"]
    assert (picture["name"], picture["size_bytes"]) == ("IMG_0001.JPG", 5)


def test_states_are_free_and_the_job_s_own_come_first():
    document = noted(sample(), "", at="2024-05-01", state="at the plater's")
    document = noted(document, "", at="2024-05-09", state="back from the plater")
    found = job_of(noted(document, "rang the customer", at="2024-05-10"))
    assert state_of(found) == ("back from the plater", "2024-05-09")
    assert suggested_states(found) == ("back from the plater", "at the plater's", *USUAL_STATES)


@pytest.mark.parametrize("text", ["yesterday", "2024-13-01", "2024-02-30", ""])
def test_dates_that_are_none(text):
    with pytest.raises(JobError, match="write it as 2024-05-01"):
        time_of(text)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["  "], 1, "the note is empty"),
        (["x", "--picture", "no-such.jpg"], 1, "no-such.jpg: there is no such picture"),
        (["x", "--date", "soon"], 1, "'soon' is not a date"),
        (["--back", "1"], 1, "the job has no earlier form"),
        (["--out", "a.json"], 2, "say which earlier form"),
        (["x", "--back", "1"], 2, "written alone"),
        (["--back", "0"], 2, "greater than or equal to 1"),
    ],
    ids=["empty", "no picture", "no date", "nothing earlier", "out alone", "note and back", "nought back"],
)
def test_what_makes_no_sense_changes_nothing(capsys, job, arguments, code, words):
    before = job.read_bytes()
    got, _, err = run(capsys, "log", job, *arguments)
    assert (got, job.read_bytes()) == (code, before)
    assert words in " ".join(err.split())


def test_an_earlier_form_is_shown_written_and_made_the_job_again(capsys, job, tmp_path):
    run(capsys, "log", job, "first look", "--date", "2024-05-01")
    run(capsys, "roof", job, "--port", "exhaust", "--opens", "96", "--why", "more revs")
    out = tmp_path / "earlier.json"
    code, shown, _ = run(capsys, "log", job, "--back", 1, "--out", out)
    assert code == 0
    assert "more revs (new edge of exhaust)" in shown
    assert "Now differs in: maps, edits." in shown
    assert read_json(out) == sample()
    assert run(capsys, "log", job, "--back", 1, "--restore", "--by", "Ann")[0] == 0
    document = read_json(job)
    assert (document["log"][0]["text"], "edits" in document) == ("first look", False)
    found = json.loads(run(capsys, "log", job, "--list", "--json")[1])
    assert [one["reason"] for one in found["changes"]][1].startswith("back to the form before: more revs")
    again = json.loads(run(capsys, "log", job, "--back", "1", "--json")[1])
    assert len(again["form"]["edits"]) == 1


def test_where_answers_in_five_lines(capsys, job):
    code, out, _ = run(capsys, "where", job)
    assert code == 0
    assert [line.split(":")[0] for line in out.splitlines()] == [
        "Known",
        "Decided",
        "Ground",
        "Next",
        "Missing",
    ]


def staged(**roofs: float) -> dict:
    document = sample()
    stock = document["maps"][0]
    for stage, roof in roofs.items():
        ports = [dict(port) for port in stock["ports"]]
        ports[0] = {**ports[0], "windows": [{"outline_mm": box(-14, 28, 14, roof)}]}
        document["maps"].append({"stage": stage, "ports": ports})
    return document


@pytest.mark.parametrize(
    ("document", "known", "decided", "ground", "after"),
    [
        ({**sample(), "maps": []}, "no readings", "Nothing yet", "Nothing", "Trace the ports"),
        (sample(), "stock opens at exhaust 98.6°", "Nothing yet", "Nothing", "Decide"),
        (staged(proposed=41), "proposed (3 ports)", "made elsewhere", "Nothing", "Mark out"),
        (
            staged(proposed=41, ground=40.6),
            "ground",
            "elsewhere",
            "exhaust up to 0.40 mm to take",
            "Grind on at exhaust",
        ),
        (staged(proposed=41, ground=41), "ground", "elsewhere", "exhaust reached;", "Every port is reached"),
        (staged(proposed=41, ground=41.5), "ground", "elsewhere", "past the line by 0.50 mm", "Every port"),
        (staged(ground=41), "ground", "Nothing yet", "no proposed map", "Compare with the plan"),
    ],
    ids=["bare", "mapped", "proposed", "half ground", "ground", "past the line", "ground without a plan"],
)
def test_each_step_of_a_job_is_told_from_the_others(document, known, decided, ground, after):
    found = standing_of(job_of(document), MM)
    assert known in found.known
    assert decided in found.decided
    assert ground in found.ground
    assert after in found.next


def test_what_nobody_measured_is_missing():
    document = sample()
    del document["engine"]["rod_mm"]
    missing = standing_of(job_of(document), MM).missing
    assert "rod length (exact timings; a rod is assumed)" in missing
    assert "measured: rod length 57.6 mm, taken as 1.8 × stroke" in missing


def test_a_kept_plan_is_decided_and_its_first_step_is_next(capsys, job):
    assert run(capsys, "plan", job, "--want", "squish 0.5 mm", "--keep", 1)[0] == 0
    code, out, _ = run(capsys, "where", job)
    assert code == 0
    assert "plan: " in out
    assert "Next:    Measure squish" in out  # the first step of the plan, in its words
