"""The page of what is printed, without a browser: what is offered is what the library makes."""

import hashlib

import pytest

from portmap.area_table import area_csv
from portmap.job import engine_of, port_map_of
from portmap.job_sheet import sheet_record
from portmap.picture.card import flat_card
from portmap.picture.card_drawing import card_pdf
from portmap.sample_job import sample_job
from portmap.sheet import sheet_pdf
from tests.app.opened import job_file, opened_page, said


def kept(at):
    """Name and content of the file offered."""
    (name, _), content = at.session_state["paper kept"]
    return name, content


def chosen(tmp_path, kind, *, units="mm"):
    """The page with one thing to print chosen."""
    at = opened_page("paper", tmp_path, job=job_file(tmp_path, sample_job()), units=units)
    return at if kind == "sheet" else at.radio(key="paper kind").set_value(kind).run()


def test_without_a_job_only_cards_are_offered(tmp_path):
    at = opened_page("paper", tmp_path)
    assert not at.exception
    assert len(at.radio(key="paper kind").options) == 1
    assert kept(at) == ("card-flat.pdf", card_pdf(flat_card("A4")))


def test_a_job_without_ports_is_told_so(tmp_path):
    at = opened_page("paper", tmp_path, job=job_file(tmp_path, sample_job().model_copy(update={"maps": ()})))
    assert not at.exception
    assert "no ports yet" in said(at.info)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_sheet_is_the_librarys_of_the_file_on_disk(tmp_path, units):
    at = chosen(tmp_path, "sheet", units=units)
    assert not at.exception
    name, content = kept(at)
    file = (tmp_path / "job.json").read_bytes()
    assert name == "job-sheet.pdf"
    assert content == sheet_pdf(sheet_record(sample_job(), file, stage="stock"), units=units)
    assert hashlib.sha256(file).hexdigest() == sheet_record(sample_job(), file).file_sha256


def test_the_sheet_comes_for_a_browser_and_for_one_reader_too(tmp_path):
    at = chosen(tmp_path, "sheet")
    at.button_group(key="paper.format pdf html").set_value("html").run()
    at.button_group(key="paper.for all customer bench").set_value("customer").run()
    assert not at.exception
    assert not at.error
    name, content = kept(at)
    assert name == "job-sheet.html"
    assert b"Handing over" in content
    assert b"To write on at the bench" not in content


@pytest.mark.parametrize(
    ("kind", "name", "start"),
    [
        ("wall", "job-template.pdf", b"%PDF"),
        ("gauge", "job-gauge-transfer-left.pdf", b"%PDF"),
        ("marks", "job-scribe.pdf", b"%PDF"),
        ("areas", "job-areas-stock.csv", b""),
        ("card", "card-flat.pdf", b"%PDF"),
    ],
)
def test_each_thing_is_offered_under_a_name_that_says_what_it_is(tmp_path, kind, name, start):
    at = chosen(tmp_path, kind)
    assert not at.exception
    assert not at.error
    assert kept(at)[0] == name
    assert kept(at)[1].startswith(start)


def test_areas_are_the_librarys(tmp_path):
    job = sample_job()
    assert kept(chosen(tmp_path, "areas"))[1] == area_csv(engine_of(job), port_map_of(job)).encode()


@pytest.mark.parametrize(("form", "start"), [("svg", b"<?xml"), ("dxf", b"  0")])
def test_the_template_comes_for_a_cutter_too(tmp_path, form, start):
    at = chosen(tmp_path, "wall")
    at.button_group(key="paper.format pdf svg dxf").set_value(form).run()
    assert not at.exception
    assert not at.error
    assert kept(at)[0] == f"job-template.{form}"
    assert kept(at)[1].startswith(start)


@pytest.mark.parametrize(
    ("kind", "key", "text", "words"),
    [
        ("sheet", "paper rpm", "fast", "fast"),
        ("wall", "paper thickness", "thick", "thickness of the paper: 'thick' is not a length"),
        ("marks", "paper step", "0", "step"),
    ],
)
def test_what_cannot_be_read_is_named_and_no_file_is_offered(tmp_path, kind, key, text, words):
    at = chosen(tmp_path, kind)
    at.text_input(key=key).set_value(text).run()
    assert not at.exception
    assert words in said(at.error)
    assert not at.get("download_button")
