"""The open job: what is saved, what is kept when the file was changed meanwhile, the way back."""

import json
import os
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from portmap.app_home import load_app
from portmap.errors import JobError
from portmap.files import write_whole
from portmap.job import job_of, read_job, write_job
from portmap.job_faults import document_of
from portmap.revisions import earlier_document, revisions_of
from tests.sample_job import sample

load_app()

import streamlit as st  # noqa: E402 - the app's package must be known first

from portmap.app import archived, store  # noqa: E402


@pytest.fixture
def session(monkeypatch, tmp_path):
    """A session of its own, without a server, in a working folder of its own."""
    state = {}
    monkeypatch.setattr(st, "session_state", state)
    store.use_folder(tmp_path)
    return state


@pytest.fixture
def path(session, tmp_path):
    place = write_job(tmp_path / "pump.json", job_of(sample()))
    store.open_at(place)
    return place


def named(name):
    document = sample()
    document["name"] = name
    return job_of(document)


def test_a_change_is_in_the_file_at_once(path):
    opened = store.save(named("second"), "named anew")
    assert opened.saved
    assert read_job(path).name == "second"
    assert opened.why == "named anew"


def test_steps_go_back_and_forth_and_the_file_follows(path):
    first = store.open_job().job.name
    store.save(named("second"), "a")
    store.save(named("third"), "b")
    store.undo()
    assert read_job(path).name == "second"
    store.undo()
    assert read_job(path).name == first
    assert (store.ways_back(), store.ways_forward()) == (0, 2)
    store.redo()
    assert read_job(path).name == "second"
    store.save(named("other"), "c")
    assert store.ways_forward() == 0


def test_a_hundred_steps_can_be_taken_back(path):
    first = store.open_job().job.name
    for number in range(100):
        store.save(named(f"job {number}"), "named anew")
    for _ in range(100):
        store.undo()
    assert read_job(path).name == first


def test_every_earlier_form_stays_within_reach_in_the_file(path):
    first = read_job(path).name
    store.save(named("second"), "named anew")
    store.save(named("third"), "named once more")
    store.undo()
    document = json.loads(path.read_text(encoding="utf-8"))
    assert [one.reason for one in revisions_of(document)] == [
        "named anew",
        "named once more",
        "taken back: named once more",
    ]
    assert [earlier_document(document, back)["name"] for back in (1, 2, 3)] == ["third", "second", first]


def test_taking_a_step_back_takes_no_note_out_of_the_log(path):
    store.save(named("second"), "named anew")
    job = store.open_job().job
    noted = job_of(
        {**document_of(job), "log": [{"at": "2024-05-01T10:00:00+02:00", "text": "waiting for parts"}]}
    )
    store.save(noted, "noted")
    store.undo()
    store.undo()
    assert [note.text for note in read_job(path).log] == ["waiting for parts"]


def test_what_the_disk_refused_once_is_kept_with_the_form_that_it_had(path, monkeypatch):
    first = read_job(path).name
    with monkeypatch.context() as forbidden:
        forbidden.setattr(os, "access", lambda *args, **kwargs: False)
        opened = store.save(named("second"), "named anew")
    store.save(opened.job, opened.why)
    assert earlier_document(json.loads(path.read_text(encoding="utf-8")), 1)["name"] == first


def test_what_changes_nothing_is_no_step(path):
    store.save(store.open_job().job, "nothing")
    assert store.ways_back() == 0


def test_a_change_by_the_command_line_is_taken_up_and_can_be_taken_back(path):
    write_job(path, named("by the command line"), force=True)
    assert "read anew" in store.refresh()
    assert store.open_job().job.name == "by the command line"
    assert store.refresh() == ""
    store.undo()
    assert read_job(path).name == sample()["name"]


def test_two_changes_at_once_are_both_kept(path, tmp_path):
    write_job(path, named("theirs"), force=True)
    opened = store.save(named("mine"), "named anew")
    assert not opened.saved
    assert "Both versions are kept" in opened.trouble
    assert read_job(path).name == "theirs"
    assert read_job(opened.aside).name == "mine"
    again = store.save(named("mine, later"), "named anew")
    assert again.aside == opened.aside
    assert read_job(opened.aside).name == "mine, later"


def test_keeping_mine_puts_theirs_beside_it(path, tmp_path):
    write_job(path, named("theirs"), force=True)
    store.save(named("mine"), "named anew")
    store.keep_mine()
    assert store.open_job().saved
    assert read_job(path).name == "mine"
    assert read_job(tmp_path / "pump.theirs-1.json").name == "theirs"
    assert {each.name for each in tmp_path.iterdir()} == {"pump.json", "pump.theirs-1.json"}


def test_taking_theirs_leaves_mine_beside_it(path, tmp_path):
    write_job(path, named("theirs"), force=True)
    aside = store.save(named("mine"), "named anew").aside
    store.take_theirs()
    assert store.open_job().saved
    assert store.open_job().job.name == "theirs"
    assert read_job(aside).name == "mine"
    store.save(named("next"), "named anew")
    assert read_job(path).name == "next"


def test_a_second_quarrel_does_not_overwrite_what_was_put_aside_in_the_first(path, tmp_path):
    for name in ("first", "second"):
        write_job(path, named(f"theirs, {name}"), force=True)
        store.save(named(f"mine, {name}"), "named anew")
        store.take_theirs()
    kept = {read_job(each).name for each in tmp_path.glob("pump.mine-*.json")}
    assert kept == {"mine, first", "mine, second"}


def test_a_file_broken_meanwhile_takes_nothing_from_the_screen(path):
    path.write_text("{ not a job")
    assert store.refresh() == ""
    opened = store.open_job()
    assert "cannot be read now" in opened.trouble
    assert read_job(opened.aside).name == sample()["name"]
    store.take_theirs()
    assert "cannot be read now" in store.open_job().trouble
    store.keep_mine()
    assert read_job(path).name == sample()["name"]


def test_a_file_that_is_gone_is_written_anew_at_the_next_change(path):
    path.unlink()
    store.refresh()
    assert "gone" in store.open_job().trouble
    assert store.save(named("second"), "named anew").saved
    assert read_job(path).name == "second"


def test_without_leave_to_write_the_screen_keeps_what_it_has(path, monkeypatch):
    with monkeypatch.context() as forbidden:
        forbidden.setattr(os, "access", lambda *args, **kwargs: False)
        opened = store.save(named("second"), "named anew")
    assert "may not be written" in opened.trouble
    assert opened.job.name == "second"
    assert store.save(opened.job, opened.why).saved


def test_a_full_disk_keeps_the_screen_and_the_old_file(path, monkeypatch):
    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    opened = store.save(named("second"), "named anew")
    assert "No space left" in opened.trouble
    assert read_job(path).name == sample()["name"]
    assert opened.job.name == "second"


@pytest.mark.parametrize("name", ["../outside.json", "/etc/passwd", "", "  ", ".", "a/../../b.json"])
def test_no_file_outside_the_working_folder_is_named(session, name):
    with pytest.raises(JobError, match="not inside the working folder"):
        store.place_in_folder(name)


def test_a_link_that_leads_out_of_the_folder_is_refused(session, tmp_path_factory, tmp_path):
    other = tmp_path_factory.mktemp("other") / "job.json"
    write_job(other, job_of(sample()))
    (tmp_path / "link.json").symlink_to(other)
    with pytest.raises(JobError, match="not inside"):
        store.place_in_folder("link.json")


def test_a_new_job_takes_a_name_that_is_free(session, tmp_path):
    paths = [store.start(named("pump"), "pump").path.name for _ in range(3)]
    assert paths == ["pump.json", "pump-2.json", "pump-3.json"]


def test_sessions_that_want_one_name_at_once_get_one_each(session, tmp_path, monkeypatch):
    def slowly(place, content, **more):
        time.sleep(0.01)  # long enough for the others to look whether the name is free
        return write_whole(place, content, **more)

    monkeypatch.setattr(store, "write_whole", slowly)
    contents = [f"of session {number}".encode() for number in range(6)]
    with ThreadPoolExecutor(len(contents)) as pool:
        places = list(pool.map(lambda own: store._written_beside(tmp_path / "sample.json", own), contents))
    assert [place.read_bytes() for place in places] == contents


def test_sessions_that_want_one_archived_job_at_once_get_a_copy_each(session, tmp_path, monkeypatch):
    def slowly(archive, number, place):
        time.sleep(0.01)  # long enough for the others to look whether the name is free
        write_whole(place, f"of entry {number}".encode())

    monkeypatch.setattr(archived, "write_entry", slowly)
    (tmp_path / "pump-2.pictures").mkdir()  # another job's pictures: that name is taken
    with ThreadPoolExecutor(6) as pool:
        places = list(pool.map(lambda own: archived.copied_entry(None, own, "Pump"), range(6)))
    assert [place.read_bytes() for place in places] == [f"of entry {own}".encode() for own in range(6)]
    assert {place.name for place in places} == {"pump.json", *(f"pump-{n}.json" for n in range(3, 8))}


@pytest.mark.parametrize("told", ["mm", "inch"])
def test_units_are_the_addresss_where_the_switch_has_no_say(session, monkeypatch, told):
    # so it is in a run of the page after one that was broken off before the switch was drawn
    session[store.UNITS] = None
    monkeypatch.setattr(st, "query_params", {"units": told})
    assert store.system().name == told


def test_recent_jobs_are_jobs_alone_the_latest_first(session, tmp_path):
    (tmp_path / "map.json").write_text('{"format": "portmap-map", "version": 1, "ports": []}')
    (tmp_path / "notes.json").write_bytes(b"\xff\xfe\x00")
    for number, name in enumerate(["old", 'with "marks"']):
        place = write_job(tmp_path / f"{number}.json", named(name))
        os.utime(place, (1000 + number, 1000 + number))
    assert [(place.name, name) for place, name, _ in store.recent_jobs()] == [
        ("1.json", 'with "marks"'),
        ("0.json", "old"),
    ]


def test_an_upload_is_kept_byte_for_byte_under_a_free_name(session, tmp_path):
    content = json.dumps(sample(), indent=4).encode()
    (tmp_path / "my-job.json").write_text("taken")
    opened = store.open_upload("../../My job!.json", content)
    assert opened.path == tmp_path / "my-job-2.json"
    assert opened.path.read_bytes() == content


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not valid JSON"),
        (b"\x89PNG\r\n", "not a text file"),
        (b"[]", "not a"),
        (b'{"format": "portmap-job", "version": 1}', "name"),
    ],
    ids=["empty", "a picture", "a list", "half a job"],
)
def test_an_upload_that_is_no_job_is_refused_and_leaves_no_file(session, tmp_path, content, words):
    with pytest.raises(JobError, match=words) as caught:
        store.open_upload("pump.json", content)
    assert not list(tmp_path.iterdir())
    assert str(tempfile.gettempdir()) not in str(caught.value)
