"""Jobs made of typed figures: units, guesses, every fault named in plain words."""

import pytest

from portmap.errors import JobError, QuantityError
from portmap.fit import fit_readings
from portmap.job_typed import TYPED_FIGURES, changed_job, length_typed, typed_figure, typed_job
from portmap.sample_job import sample_job

NEEDED = {"bore_mm": "46", "stroke_mm": "32", "crown_height_mm": "61"}
BY_FIELD = {figure.field: figure for figure in TYPED_FIGURES}


@pytest.mark.parametrize(
    ("text", "bare", "size_mm"),
    [
        ("46", "mm", 46.0),
        ("46", "inch", 46 * 25.4),  # an inch is 25.4 mm by the agreement of 1959
        ("1 13/16", "inch", 29 / 16 * 25.4),
        (".5", "inch", 12.7),
        ("0,5", "inch", 12.7),
        ("46 mm", "inch", 46.0),
        ("20 thou", "inch", 0.508),
        ('1"', "mm", 25.4),
    ],
)
def test_a_bare_number_is_in_the_unit_beside_the_field(text, bare, size_mm):
    assert length_typed(text, bare=bare) == pytest.approx(size_mm)


def test_a_bare_volume_in_inch_is_in_cubic_inch():
    head = BY_FIELD["head_volume_cm3"]
    assert typed_figure(head, "0.5", bare="inch") == pytest.approx(0.5 * 2.54**3)
    assert typed_figure(head, "6.1 cm3", bare="inch") == pytest.approx(6.1)


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("bore_mm", "-46", "bore"),
        ("rod_mm", "0", "rod length"),
        ("base_gasket_mm", "-0.1", "base gasket"),
        ("head_volume_cm3", "six", "head volume"),
    ],
)
def test_what_makes_no_sense_is_refused_by_its_plain_name(field, text, words):
    with pytest.raises(QuantityError, match=words):
        typed_figure(BY_FIELD[field], text)


def test_what_the_file_would_refuse_is_named_in_plain_words_too():
    with pytest.raises(JobError, match=r"^bore: 3\.0 makes no sense here"):
        typed_job("saw", {**NEEDED, "bore_mm": "3"})


def test_a_job_needs_a_name():
    with pytest.raises(JobError, match=r"name: is missing"):
        typed_job("  ", NEEDED)


def test_a_figure_is_taken_away_by_an_empty_text_and_a_needed_one_is_not():
    job = typed_job("saw", {**NEEDED, "rod_mm": "58"}, guessed=["rod_mm"])
    assert job.engine.basis == {"rod_mm": "assumed"}
    bare = changed_job(job, {"rod_mm": ""})
    assert bare.engine.rod_mm is None
    assert bare.engine.basis == {}
    with pytest.raises(JobError, match=r"bore: is missing; type it"):
        changed_job(job, {"bore_mm": " "})


def test_the_readings_of_the_sample_belong_together():
    fit = fit_readings(sample_job())
    assert not fit.suspects
    assert not fit.loose
