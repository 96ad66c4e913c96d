"""The app's open job, killed in mid-write: no change that the page called saved is lost."""

import random

import pytest

from portmap.app_home import load_app
from portmap.files import read_json
from portmap.job import job_of, read_job, write_job
from portmap.job_faults import document_of
from portmap.revisions import earlier_document
from tests.killed import killed
from tests.sample_job import sample

load_app()

import streamlit as st  # noqa: E402 - the app's package must be known first

from portmap.app import store  # noqa: E402

FEW, MANY = 6, 200  # kills: in every run, and in the long one


def kill_store(folder, kills: int) -> tuple[int, int]:
    """Kill a session that changes its job again and again; return the changes acknowledged and those kept."""
    dice, place = random.Random(11), write_job(folder / "pump.json", job_of(sample()))  # noqa: S311
    store.use_folder(folder)
    count = 0
    for _ in range(kills):

        def work(tell):
            opened = store.open_at(place)
            number = len(opened.job.history)
            while True:
                number += 1
                changed = {**document_of(store.open_job().job), "notes": f"change {number}"}
                if store.save(job_of(changed), f"change {number}").saved:
                    tell(str(number))

        acknowledged = max([count, *map(int, killed(work, dice))])
        document = read_json(place)
        standing = len(document.get("history", ()))
        assert acknowledged <= standing <= acknowledged + 1
        assert document.get("notes") == (f"change {standing}" if standing else None)
        count = standing
    for back in range(1, count):
        assert earlier_document(document, back)["notes"] == f"change {count - back}"
    assert earlier_document(document, count) == document_of(job_of(sample()))
    return count, len(read_job(place).history)


@pytest.fixture
def session(monkeypatch):
    monkeypatch.setattr(st, "session_state", {})


def test_a_session_that_is_killed_loses_no_change_that_was_called_saved(session, tmp_path):
    kill_store(tmp_path, FEW)


@pytest.mark.long
def test_two_hundred_kills_of_the_apps_open_job(session, tmp_path):
    changes, forms = kill_store(tmp_path, MANY)
    print(f"\n{MANY} kills: {changes} changes of the app's open job and {forms} earlier forms, none lost")
