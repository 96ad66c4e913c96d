"""The page of the bench, without a browser."""

import pytest

from portmap.fit import fit_readings
from portmap.fit_document import fit_document, readings_document
from portmap.fitted_job import fitted_job
from portmap.job import job_of, read_job
from portmap.job_faults import document_of
from portmap.reading_table import reading_csv
from portmap.readings import readings_of
from portmap.revisions import earlier_document, form_of
from portmap.sample_job import sample_job
from portmap.shown import unit_system
from tests.app.opened import button, cells, job_file, opened_page, said, tables
from tests.sample_job import sample


def test_without_a_job_the_page_says_where_to_open_one(tmp_path):
    at = opened_page("measure", tmp_path)
    assert not at.exception
    assert "Open a job first" in said(at.info)


def test_without_readings_the_page_says_with_which_to_begin(tmp_path):
    at = opened_page("measure", tmp_path, job=job_file(tmp_path))
    assert not at.exception
    assert "No readings yet" in said(at.info)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_every_figure_on_the_page_is_the_librarys(tmp_path, units):
    job = sample_job()
    at = opened_page("measure", tmp_path, job=job_file(tmp_path, job), units=units)
    assert not at.exception
    listed, misfits, figures = (cells(html) for html in tables(at))
    system = unit_system(units)
    readings, fit = readings_document(job), fit_document(fit_readings(job))
    assert [row[0] for row in listed] == [f"{each['number']}. {each['words']}" for each in readings]
    assert [row[2] for row in listed] == [each["with"] for each in readings]
    assert [row[1] for row in misfits] == ["belongs"] * len(fit["readings"])
    for row, each in zip(figures, fit["figures"], strict=True):
        assert row[0] == each["words"]
        assert row[2].split()[0] == each["basis"]
        if each["unit"] == "mm":
            assert row[1] == f"{system.lengths(each['value'], each['u'])}\u00a0{system.length}"
    assert "All readings belong together" in said(at.success)


def test_sentences_are_added_and_what_was_understood_is_said(tmp_path):
    path = job_file(tmp_path)
    at = opened_page("measure", tmp_path, job=path)
    at.text_area(key="sentences typed").set_value("exhaust opens 104\n\nintake opens 75, no gasket")
    button(at, "Add").click().run()
    assert not at.exception
    assert "1: understood as exhaust opens 104° after TDC." in said(at.success)
    assert "75° before TDC, no gasket" in said(at.success)
    assert len(read_job(path).readings) == 2
    assert at.text_area(key="sentences typed").value == ""


def test_a_sentence_not_understood_adds_nothing_and_stays_to_be_mended(tmp_path):
    path = job_file(tmp_path)
    at = opened_page("measure", tmp_path, job=path)
    at.text_area(key="sentences typed").set_value("exhaust opens 104\nexhaust opens purple")
    button(at, "Add").click().run()
    assert not at.exception
    assert "purple" in said(at.error)
    assert read_job(path).readings == ()
    assert "purple" in at.text_area(key="sentences typed").value


def test_readings_are_taken_out_by_number(tmp_path):
    path = job_file(tmp_path, sample_job())
    at = opened_page("measure", tmp_path, job=path)
    (pills,) = [each for each in at.button_group if str(each.key).startswith("take out")]
    pills.set_value([1, 3])
    button(at, "Take them out").click().run()
    assert not at.exception
    left = [words for number, words in enumerate(readings_document(sample_job()), 1) if number not in (1, 3)]
    assert [each["words"] for each in readings_document(read_job(path))] == [each["words"] for each in left]


def test_a_reading_that_does_not_belong_is_named_and_keeps_the_figures_out_of_the_job(tmp_path):
    path = job_file(tmp_path, sample_job())
    at = opened_page("measure", tmp_path, job=path)
    at.text_area(key="sentences typed").set_value("exhaust opens 99")
    button(at, "Add").click().run()
    assert "Reading 10 (exhaust opens 99° after TDC) does not belong" in said(at.error)
    row = cells(tables(at)[1])[9]
    assert row[1] == "does NOT belong"
    before = path.read_bytes()
    button(at, "Put these figures into the job").click().run()
    assert "Not done." in said(at.error)
    assert "--without" not in said(at.error)
    assert path.read_bytes() == before
    (pills,) = [each for each in at.button_group if str(each.key).startswith("left out")]
    pills.set_value([10]).run()
    assert "All readings belong together" in said(at.success)
    button(at, "Put these figures into the job").click().run()
    written, known = read_job(path), read_job(path).model_copy(update={"engine": sample_job().engine})
    assert written.engine.basis["crown_height_mm"] == "fitted"
    assert len(known.readings) >= 10


def test_what_is_written_is_what_the_library_finds(tmp_path):
    job = sample_job()
    path = job_file(tmp_path, job)
    at = opened_page("measure", tmp_path, job=path)
    button(at, "Put these figures into the job").click().run()
    assert not at.exception
    written = document_of(read_job(path))
    assert form_of(written) == form_of(document_of(fitted_job(job, fit_readings(job))))
    assert earlier_document(written, 1) == form_of(document_of(job))  # and what it was before is kept


def test_a_table_of_readings_comes_in(tmp_path):
    path = job_file(tmp_path, sample_job().model_copy(update={"readings": ()}))
    at = opened_page("measure", tmp_path, job=path)
    content = reading_csv(readings_of(sample_job())).encode()
    at.file_uploader(key="readings upload").set_value(("bench.csv", content, "text/csv")).run()
    assert not at.exception
    assert readings_of(read_job(path)) == readings_of(sample_job())


@pytest.mark.parametrize(
    "content", [b"\xff\xfe", b"", b"kind,value\nopens,x\n"], ids=["no text", "empty", "no figure"]
)
def test_a_bad_table_is_refused_in_words_that_name_the_file(tmp_path, content):
    path = job_file(tmp_path)
    before = path.read_bytes()
    at = opened_page("measure", tmp_path, job=path)
    at.file_uploader(key="readings upload").set_value(("bench.csv", content, "text/csv")).run()
    assert not at.exception
    assert "bench.csv" in said(at.error)
    assert path.read_bytes() == before


def test_readings_that_contradict_the_job_do_not_break_the_page(tmp_path):
    document = sample()
    document["readings"] = [{"kind": "opens", "port": "gone", "value": 104.0, "unit": "deg"}]
    try:
        job = job_of(document)
    except ValueError:
        pytest.fail("the job itself should be sound")
    at = opened_page("measure", tmp_path, job=job_file(tmp_path, job))
    assert not at.exception
