"""Earlier forms of a job: what is kept, what comes back, and what is refused."""

import copy
import json
import os

import pytest

from portmap.cli import main
from portmap.errors import JobError
from portmap.files import read_json, write_json
from portmap.job import job_of
from portmap.revisions import (
    changed_parts,
    earlier_document,
    form_of,
    form_sha256,
    revisions_of,
    save_job,
    with_revision,
    writer,
)
from tests.sample_job import sample


@pytest.fixture
def place(tmp_path):
    return write_json(tmp_path / "saw.json", sample())


def forms(count: int) -> list[dict]:
    """A job whose roof was drawn anew again and again."""
    found = []
    for number in range(count):
        document = sample()
        document["maps"][0]["ports"][0]["windows"][0]["outline_mm"][2][1] = 40 + 0.01 * number
        document["name"] = f"saw {number}"
        found.append(document)
    return found


def chained(documents: list[dict]) -> dict:
    job = documents[0]
    for number, after in enumerate(documents[1:], 1):
        job = with_revision(job, after, reason=f"change {number}", by="Ann" if number % 2 else None)
    return job


def test_every_earlier_form_comes_back_as_it_was():
    documents = forms(12)
    job = chained(documents)
    for back in range(1, 12):
        assert json.dumps(earlier_document(job, back)) == json.dumps(documents[11 - back])
    assert [one.reason for one in revisions_of(job)] == [f"change {number}" for number in range(1, 12)]
    assert [one.back for one in revisions_of(job)] == list(range(11, 0, -1))
    assert (revisions_of(job)[0].by, revisions_of(job)[1].by) == ("Ann", None)
    assert form_of(job_of(job).model_dump(exclude_unset=True))["name"] == "saw 11"


def test_a_file_edited_by_hand_breaks_no_earlier_form():
    first, second, third = forms(3)
    job = with_revision(first, second, reason="one")
    by_hand = {**third, "history": job["history"]}
    after = with_revision(by_hand, {**third, "name": "again"}, reason="two")
    assert earlier_document(after, 1) == third
    assert earlier_document(after, 2) == first


def test_a_change_of_nothing_or_of_the_log_alone_is_no_revision():
    job = sample()
    again = with_revision(
        job, {**copy.deepcopy(job), "log": [{"at": "2024-05-01", "text": "x"}]}, reason="note"
    )
    assert revisions_of(again) == ()


@pytest.mark.parametrize(
    ("new", "differs"),
    [
        ({"bore_mm": 46}, True),  # 46 is not what was written, 46.0 is
        ({"bore_mm": 46.0}, False),
        ({"bore_mm": True}, True),
    ],
    ids=["int for float", "the same", "true for a number"],
)
def test_what_is_written_otherwise_is_another_form(new, differs):
    assert (form_sha256(new) != form_sha256({"bore_mm": 46.0})) is differs
    assert changed_parts({"bore_mm": 46.0}, new) == (("bore_mm",) if differs else ())


def test_history_grows_by_what_changed_and_not_by_the_whole_job():
    documents = []
    for number in range(60):
        document = sample()
        outline = [[-14 + 0.01 * step, 28 + (step % 7) * 0.001] for step in range(2800)]
        document["maps"][0]["ports"][0]["windows"][0]["outline_mm"] = [*outline, [14, 40], [-14, 40]]
        document["notes"] = f"look {number}"
        documents.append(document)
    kept = [len(entry["kept"]) for entry in chained(documents)["history"]]
    assert max(kept[:-1]) < 300 < kept[-1]


@pytest.mark.parametrize(
    ("back", "words"),
    [(0, "none 0 back"), (3, "2 earlier forms, none 3 back"), (-1, "none -1 back")],
)
def test_forms_that_there_are_not(back, words):
    with pytest.raises(JobError, match=words):
        earlier_document(chained(forms(3)), back)


@pytest.mark.parametrize(
    "kept", ["", "%%%", "AAAA", "eJwrAAA="], ids=["empty", "no base64", "no deflate", "cut"]
)
def test_a_damaged_form_is_said_and_the_others_are_had(kept):
    job = chained(forms(5))
    job["history"][1]["kept"] = kept
    assert [earlier_document(job, back) for back in (1, 2)] == [forms(5)[3], forms(5)[2]]
    for back in (3, 4):
        with pytest.raises(JobError, match=r"history\[\d\]: this earlier form was damaged"):
            earlier_document(job, back)


def test_a_form_that_was_tampered_with_is_not_passed_off_as_the_old_one():
    job, other = chained(forms(2)), chained([sample(), {**sample(), "name": "x"}])
    job["history"][0]["kept"] = with_revision({**sample(), "name": "forged"}, sample(), reason="")["history"][
        0
    ]["kept"]
    with pytest.raises(JobError, match="damaged"):
        earlier_document(job, 1)
    assert earlier_document(other, 1) == sample()


def test_saving_over_what_somebody_else_wrote_is_refused_and_nothing_is_lost(place):
    mine = read_json(place)
    save_job(place, mine, {**mine, "name": "theirs"}, reason="they were faster")
    there = place.read_bytes()
    with pytest.raises(JobError, match="changed by somebody else"):
        save_job(place, mine, {**mine, "name": "mine"}, reason="I was slower")
    assert place.read_bytes() == there
    assert os.listdir(place.parent) == ["saw.json"]


def test_an_unsound_job_is_not_saved(place):
    mine, there = read_json(place), place.read_bytes()
    with pytest.raises(JobError, match=r"engine\.bore_mm"):
        save_job(place, mine, {**mine, "engine": {**mine["engine"], "bore_mm": -1}}, reason="slip")
    assert place.read_bytes() == there


def test_a_link_to_a_job_stays_a_link(place, tmp_path):
    link = tmp_path / "link.json"
    link.symlink_to(place)
    mine = read_json(link)
    save_job(link, mine, {**mine, "name": "other"}, reason="by the link")
    assert link.is_symlink()
    assert read_json(place)["name"] == "other"


def test_who_is_asked_of_the_environment_when_not_told(monkeypatch):
    monkeypatch.setenv("PORTMAP_BY", " Ann ")
    assert (writer(), writer("Bea"), writer(" ")) == ("Ann", "Bea", None)
    monkeypatch.delenv("PORTMAP_BY")
    assert writer() is None


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["read", "--add", "exhaust opens 98 deg"], "readings: 1 added, 0 taken out"),
        (
            ["read", "--add", "squish 0.6", "--why", "new solder"],
            "new solder (readings: 1 added, 0 taken out)",
        ),
        (["roof", "--port", "exhaust", "--opens", "96"], "new edge of exhaust"),
        (["plan", "--want", "squish 0.5 mm", "--keep", "1"], "recipe 1 kept"),
    ],
    ids=["read", "read with a reason", "roof", "plan"],
)
def test_the_verbs_that_change_a_job_keep_what_it_was(capsys, place, arguments, reason):
    assert main([arguments[0], str(place), *arguments[1:]]) == 0
    capsys.readouterr()
    document = read_json(place)
    assert [one.reason for one in revisions_of(document)] == [reason]
    assert earlier_document(document, 1) == sample()


def test_fit_keeps_what_the_job_was(capsys, place):
    assert main(["read", str(place), "--add", "exhaust opens 98 deg"]) == 0
    assert main(["fit", str(place), "--write"]) == 0
    capsys.readouterr()
    document = read_json(place)
    assert revisions_of(document)[-1].reason == "figures fitted from the readings"
    assert earlier_document(document, 2) == sample()
