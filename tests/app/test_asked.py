"""A press is not lost when Streamlit breaks off the run that it began, and is worked off only once."""

from __future__ import annotations

import ast
import importlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from portmap.app_home import app_folder
from portmap.errors import PortmapError
from portmap.job import job_of
from portmap.picture.scaled import write_scaled
from portmap.sample_job import sample_job
from tests.app.opened import job_file, opened_page, said
from tests.app.served_app import app_served
from tests.app.test_picture_page import by_hand, drawn_photo, drawn_sheet
from tests.cylinders import job_document, stock

from portmap.app import asked  # isort: skip

WAIT_MS = 120_000
PRESSES = ("button", "form_submit_button")


@dataclass(frozen=True, kw_only=True)
class Press:
    """A press, and the call in which its work is done."""

    page: str
    module: str
    call: str
    does: Callable[[AppTest], Any]


def pressed(at: AppTest, key: str) -> None:
    next(each for each in at.button if each.key == key or each.label == key).click().run()


def gas_model(at: AppTest) -> None:
    at.segmented_control(key="decide part").set_value("breath").run()
    pressed(at, "decide breath go")


def recipes(at: AppTest) -> None:
    pressed(at, "Find recipes")


def upload(label: str, way: str = "") -> Callable[[AppTest], None]:
    def does(at: AppTest) -> None:
        if way:
            at.radio(key="photo way").set_value(way).run()
            at.text_input(key="photo bore").set_value("46 mm")
        at.file_uploader(key="photo files").set_value([drawn_photo()]).run()
        pressed(at, label)

    return does


def kept_picture(at: AppTest) -> None:
    from portmap.app import store

    write_scaled(drawn_sheet(), store.folder() / "flat.png")
    at.radio(key="photo way").set_value("kept").run()
    pressed(at, "Take it up")


def known_length(at: AppTest) -> None:
    by_hand(at, {"from": [310.0, -320.0], "to": [590.0, -320.0]}, "28 mm")


def edge(at: AppTest) -> None:
    at.slider(key="markout.pull.mm").set_value(1.0).run()
    pressed(at, "markout.keepit")


def fit(at: AppTest) -> None:
    pressed(at, "fit write")


APP = "portmap.app"
CASES = {
    "gas model": Press(
        page="decide", module=f"{APP}.deciding.breathing", call="breath_document", does=gas_model
    ),
    "recipes": Press(page="decide", module=f"{APP}.deciding.planning", call="planned", does=recipes),
    "photo on the card": Press(
        page="picture", module=f"{APP}.picturing.photo", call="flatten", does=upload("Measure this photo")
    ),
    "made-up photo": Press(
        page="picture",
        module=f"{APP}.picturing.photo",
        call="flatten",
        does=lambda at: pressed(at, "sample photo"),
    ),
    "photos of the bore": Press(
        page="picture", module=f"{APP}.picturing.photo", call="unroll", does=upload("Unroll the wall", "bore")
    ),
    "known length": Press(
        page="picture", module=f"{APP}.picturing.photo", call="hand_scaled", does=known_length
    ),
    "kept picture": Press(
        page="picture", module=f"{APP}.picturing.photo", call="read_scaled", does=kept_picture
    ),
    "edge": Press(page="markout", module=f"{APP}.screens.markout", call="with_edits", does=edge),
    "fit": Press(page="measure", module=f"{APP}.screens.measure", call="fitted_job", does=fit),
}


def job(page: str) -> Any:
    if page == "measure":
        return sample_job()
    document = job_document(stock())
    document["engine"] |= {"head_volume_cm3": 6.1, "case_volume_cm3": 190.0}
    return job_of(document)


@pytest.mark.parametrize("case", CASES)
def test_a_press_outlives_the_run_that_is_broken_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    press, calls = CASES[case], []

    def work(*_: Any, **__: Any) -> Any:
        calls.append(case)
        if len(calls) == 1:
            st.rerun()  # what Streamlit raises when a browser touches something else meanwhile
        raise PortmapError("the work was done", remedy="nothing")

    at = opened_page(press.page, tmp_path, job=job_file(tmp_path, job(press.page)))
    monkeypatch.setattr(importlib.import_module(press.module), press.call, work)
    press.does(at)
    assert not at.exception
    assert len(calls) == 2  # begun, broken off, begun anew
    assert "work was done" in said(at.error)
    at.run()
    assert len(calls) == 2  # and not again


@pytest.mark.parametrize(("way", "label"), [("card", "Measure this photo"), ("bore", "Unroll the wall")])
def test_a_photo_that_is_still_on_its_way_is_measured_when_it_is_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str, label: str
) -> None:
    def work(*_: Any, **__: Any) -> Any:
        raise PortmapError("the work was done", remedy="nothing")

    at = opened_page("picture", tmp_path)
    photo = importlib.import_module(f"{APP}.picturing.photo")
    for call in ("flatten", "unroll"):
        monkeypatch.setattr(photo, call, work)
    at.radio(key="photo way").set_value(way).run()
    if way == "bore":
        at.text_input(key="photo bore").set_value("46 mm")
    pressed(at, label)
    assert "as soon as it is here" in said(at.warning)
    assert not at.error
    at.file_uploader(key="photo files").set_value([drawn_photo()]).run()
    assert "work was done" in said(at.error)
    assert not at.warning


def test_what_is_said_outlives_the_run_that_is_broken_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = opened_page("cylinder", tmp_path)
    cylinder = importlib.import_module(f"{APP}.screens.cylinder")
    facts, runs = cylinder._facts, []

    def interrupted(shown: Any) -> None:
        runs.append(shown)
        if len(runs) == 1:
            st.rerun()
        facts(shown)

    monkeypatch.setattr(cylinder, "_facts", interrupted)
    pressed(at, "Open the sample")
    assert not at.exception
    assert len(runs) == 2
    assert "This engine is made up" in said(at.info)
    at.run()
    assert "This engine is made up" not in said(at.info)


def test_a_wish_goes_with_the_page_where_it_was_asked(tmp_path: Path) -> None:
    at = opened_page("measure", tmp_path, job=job_file(tmp_path, job("measure")))
    at.session_state[asked.ASKED] = frozenset({"recipes", "write the fit"})
    at.run()
    assert not at.exception
    assert at.session_state[asked.ASKED] == frozenset()


def sources() -> list[Path]:
    return sorted(app_folder().rglob("*.py"))


@pytest.mark.parametrize("place", sources(), ids=lambda place: place.relative_to(app_folder()).as_posix())
def test_no_page_looks_whether_its_button_was_pressed_in_this_run(place: Path) -> None:
    """A button's own answer is lost with the run: pages use its callback."""
    tree = ast.parse(place.read_text(encoding="utf-8"))
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    looked = [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in PRESSES and id(node) not in alone
    ]
    assert looked == []


@pytest.mark.long
def test_units_changed_while_the_gas_model_turns_cost_no_second_press(browser: Any, tmp_path: Path) -> None:
    job_file(tmp_path, job("decide"))
    with app_served(tmp_path) as app:
        page = browser.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(f"{app.url}/decide?job=job.json")
        page.get_by_text("Time enough at speed", exact=True).click()
        page.get_by_role("button", name="Work it out").click()
        page.get_by_text("Turning the engine until every turn is like the last").wait_for()
        page.get_by_text("inch", exact=True).click()
        page.get_by_text("stock at 9000 rpm: the blowdown is").wait_for()
        assert "psi" in page.get_by_text("stock at 9000 rpm: the blowdown is").inner_text()
        page.close()
