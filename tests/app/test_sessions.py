"""Two people at one server at once, in steps that follow each other as they must to do harm."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import streamlit as st

from tests.app.opened import job_file, opened_page

WAIT_S = 20


@pytest.mark.parametrize("page", ["measure", "decide"])
def test_a_page_is_drawn_though_another_person_opened_it_meanwhile(page, tmp_path: Path, monkeypatch):
    from portmap.app import store

    job, person = job_file(tmp_path), threading.local()
    chosen, drawn = threading.Event(), threading.Event()
    begin, a_page = store.begin, st.Page
    with ThreadPoolExecutor(1) as other_person:
        came: list[Any] = []

        def page_of_this_run(*args: Any, **more: Any) -> Any:
            made = a_page(*args, **more)
            if more["url_path"] == "archive" and not came:  # all pages of the first are there, none is chosen
                came.append(other_person.submit(opened_page, page, tmp_path, job=job))
                assert chosen.wait(WAIT_S)
                person.first = True
            return made

        def begins() -> str:
            if not getattr(person, "first", False):  # the other's page is chosen and not drawn
                chosen.set()
                assert drawn.wait(WAIT_S)
            return begin()

        monkeypatch.setattr(st, "Page", page_of_this_run)
        monkeypatch.setattr(store, "begin", begins)
        first = opened_page(page, tmp_path, job=job)
        drawn.set()
        for one in (first, came[0].result(WAIT_S)):
            assert not one.exception
            assert len(one.title) == 1
