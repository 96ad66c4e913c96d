"""The page of the cylinder at hand, without a browser."""

import json

import pytest

from portmap.engine_facts import engine_facts
from portmap.job import job_of, read_job, write_job
from portmap.sample_job import sample_job
from portmap.shown import unit_system
from tests.app.opened import button, cells, job_file, opened_page, said, tables
from tests.sample_job import sample


def change(at, field):
    """The input of a figure of the open job."""
    (found,) = [each for each in at.text_input if f" {field} " in each.key and each.key.startswith("change")]
    return found


def test_an_empty_folder_offers_the_sample_and_a_new_job(tmp_path):
    at = opened_page("cylinder", tmp_path)
    assert not at.exception
    assert "No job is open." in [each.value for each in at.markdown]
    assert {"Open the sample", "Start the job", "Open it"} <= {each.label for each in at.button}
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_every_figure_on_the_page_is_the_librarys(tmp_path, units):
    job = sample_job()
    at = opened_page("cylinder", tmp_path, job=job_file(tmp_path, job), units=units)
    assert not at.exception
    system = unit_system(units)
    shown = {row[0]: row[1:3] for row in cells(tables(at)[0])}
    for fact in engine_facts(job):
        if fact.unit == "mm":
            text = f"{system.lengths(fact.value, fact.u)}\u00a0{system.length}"
        else:
            text = f"{system.volumes(fact.value)}\u00a0{system.volume}"
        assert shown[fact.words] == [text, fact.basis]
    ports = [row[0] for row in cells(tables(at)[1])]
    assert ports == [port.id for port in job.maps[0].ports]


def test_the_sample_is_one_press_away_and_says_that_it_is_made_up(tmp_path):
    at = opened_page("cylinder", tmp_path)
    button(at, "Open the sample").click().run()
    assert not at.exception
    assert "made up" in said(at.info)
    (file,) = tmp_path.glob("*.json")
    assert len(read_job(file).readings) == len(sample_job().readings)
    assert at.query_params["job"] == file.name


def test_a_job_of_the_folder_is_one_press_away(tmp_path):
    job_file(tmp_path)
    at = opened_page("cylinder", tmp_path)
    (found,) = [each for each in at.button if each.key == "open job.json"]
    found.click().run()
    assert not at.exception
    assert at.query_params["job"] == "job.json"
    button(at, "Close this job").click().run()
    assert "No job is open." in [each.value for each in at.markdown]


def test_a_new_job_is_made_of_typed_figures(tmp_path):
    at = opened_page("cylinder", tmp_path)
    at.text_input(key="new name").set_value("My pump!")
    for field, text in (("bore_mm", "46"), ("stroke_mm", "1,26 in"), ("crown_height_mm", "61 mm")):
        at.text_input(key=f"new {field} mm").set_value(text)
    at.button_group(key="new guessed").set_value(["crown_height_mm"])
    button(at, "Start the job").click().run()
    assert not at.exception
    job = read_job(tmp_path / "my-pump.json")
    assert (job.name, job.engine.bore_mm) == ("My pump!", 46.0)
    assert job.engine.stroke_mm == pytest.approx(1.26 * 25.4)  # an inch is 25.4 mm by definition
    assert job.engine.basis == {"crown_height_mm": "assumed"}
    shown = {row[0]: row[2] for row in cells(tables(at)[0])}
    assert (shown["bore"], shown["crown height"], shown["rod length"]) == ("measured", "ASSUMED", "ASSUMED")


def test_in_inch_a_bare_number_is_in_inch(tmp_path):
    at = opened_page("cylinder", tmp_path, units="inch")
    at.text_input(key="new name").set_value("pump")
    for field, text in (("bore_mm", "1 13/16"), ("stroke_mm", "1.26"), ("crown_height_mm", "61 mm")):
        at.text_input(key=f"new {field} inch").set_value(text)
    button(at, "Start the job").click().run()
    job = read_job(tmp_path / "pump.json")
    assert job.engine.bore_mm == pytest.approx((1 + 13 / 16) * 25.4)
    assert job.engine.crown_height_mm == 61.0


def test_every_fault_of_what_was_typed_is_named_and_nothing_is_written(tmp_path):
    at = opened_page("cylinder", tmp_path)
    at.text_input(key="new name").set_value("pump")
    at.text_input(key="new bore_mm mm").set_value("wide")
    at.text_input(key="new stroke_mm mm").set_value("3 mm")
    button(at, "Start the job").click().run()
    assert not at.exception
    words = said(at.error)
    assert "bore: 'wide' is not a length" in words
    assert "crown height: is missing" in words
    assert not list(tmp_path.iterdir())
    assert at.text_input(key="new bore_mm mm").value == "wide"


def test_a_figure_is_changed_and_taken_back(tmp_path):
    path = job_file(tmp_path)
    at = opened_page("cylinder", tmp_path, job=path)
    change(at, "rod_mm").set_value("60")
    button(at, "Put the changes into the job").click().run()
    assert not at.exception
    assert read_job(path).engine.rod_mm == 60.0
    assert read_job(path).engine.stroke_mm == 32.0
    button(at, "Undo").click().run()
    assert read_job(path).engine.rod_mm == 58.0
    assert change(at, "rod_mm").value == "58.00 mm"


def test_an_untouched_figure_keeps_all_its_digits_when_another_changes(tmp_path):
    document = sample()
    document["engine"]["crown_height_mm"] = 61.001234
    path = job_file(tmp_path, job_of(document))
    at = opened_page("cylinder", tmp_path, job=path, units="inch")
    change(at, "rod_mm").set_value("60 mm")
    button(at, "Put the changes into the job").click().run()
    assert read_job(path).engine.crown_height_mm == 61.001234


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x89PNG\r\n\x1a\n", "not a text file"),
        (b"{", "not valid JSON"),
        (json.dumps({**sample(), "engine": {"bore_mm": -1}}).encode(), "makes no sense"),
    ],
    ids=["a picture", "cut off", "a broken job"],
)
def test_a_bad_upload_is_refused_in_words_where_the_user_is(tmp_path, content, words):
    at = opened_page("cylinder", tmp_path)
    at.file_uploader(key="job upload").set_value(("pump.json", content, "application/json")).run()
    assert not at.exception
    assert words in said(at.error)
    assert not list(tmp_path.iterdir())


def test_a_good_upload_is_opened(tmp_path):
    at = opened_page("cylinder", tmp_path)
    content = json.dumps(sample()).encode()
    at.file_uploader(key="job upload").set_value(("pump.json", content, "application/json")).run()
    assert not at.exception
    assert "pump.json" in said(at.success)
    assert read_job(tmp_path / "pump.json").name == sample()["name"]


@pytest.mark.parametrize("name", ["../job.json", "/etc/passwd", "none.json", "folder"])
def test_a_path_that_leads_nowhere_is_refused_in_words(tmp_path, name):
    (tmp_path / "folder").mkdir()
    at = opened_page("cylinder", tmp_path)
    at.text_input(key="path").set_value(name)
    button(at, "Open it").click().run()
    assert not at.exception
    assert len(at.error) == 1


def test_a_file_changed_by_the_command_line_is_read_anew(tmp_path):
    path = job_file(tmp_path)
    at = opened_page("cylinder", tmp_path, job=path)
    other = sample()
    other["engine"]["rod_mm"] = 61.0
    write_job(path, job_of(other), force=True)
    at.run()
    assert "read anew" in said(at.info)
    assert {row[0]: row[1] for row in cells(tables(at)[0])}["rod length"] == "61.00\u00a0mm"


def test_two_changes_at_once_are_both_kept_and_the_user_chooses(tmp_path):
    path = job_file(tmp_path)
    at = opened_page("cylinder", tmp_path, job=path)
    other = sample()
    other["name"] = "theirs"
    write_job(path, job_of(other), force=True)
    change(at, "rod_mm").set_value("60")
    button(at, "Put the changes into the job").click().run()
    assert "Both versions are kept" in said(at.error)
    button(at, "Keep mine").click().run()
    assert not at.error
    assert read_job(path).engine.rod_mm == 60.0
    assert read_job(tmp_path / "job.theirs-1.json").name == "theirs"


def test_a_job_that_a_link_asks_for_but_that_is_broken_is_named(tmp_path):
    path = tmp_path / "job.json"
    path.write_text("{")
    at = opened_page("cylinder", tmp_path, job=path)
    assert not at.exception
    assert "not valid JSON" in said(at.error)


def test_what_a_job_is_called_is_no_markup(tmp_path):
    document = sample()
    document["name"] = "<img src=x onerror=alert(1)> **bold** :red[x]"
    at = opened_page("cylinder", tmp_path, job=job_file(tmp_path, job_of(document)))
    assert not at.exception
    assert "<img" not in "".join(tables(at))
    (bar,) = [each.value for each in at.markdown if "onerror" in each.value]
    assert r"\<img" in bar
    assert r"\:red\[" in bar
