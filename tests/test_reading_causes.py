"""Budgets by reading explain the fit's doubt, and a reading once more gains what a new fit says it does."""

import copy
from dataclasses import replace

import numpy as np
import pytest

from portmap.doubts import doubts_of
from portmap.fit import fit_readings
from portmap.fitted_job import fitted_job
from portmap.job import job_of
from portmap.reading_causes import reading_causes
from portmap.shopwork import build_of
from portmap.spread import spreads_of
from tests.sample_job import sample

READINGS = [
    {"kind": "opens", "port": "exhaust", "value": 98.6, "unit": "deg"},
    {"kind": "opens", "port": "exhaust", "value": 97.2, "unit": "deg", "gasket_mm": 0.8, "times": 3},
    {"kind": "opens", "port": "main", "value": 115.1, "unit": "deg", "doubt": 0.2},
    {"kind": "opens", "port": "intake", "value": 275.8, "unit": "deg"},
    {"kind": "squish", "value": 0.6, "unit": "mm", "places_mm": [0.59, 0.61, 0.60, 0.60]},
    {"kind": "depth_at", "value": 18.25, "unit": "mm", "at_deg": 90.0, "times": 4},
    {"kind": "gasket_crushed", "value": 0.40, "unit": "mm"},
    {"kind": "gasket", "value": 0.50, "unit": "mm"},
]
# The job as fitted holds what only readings tell a little more loosely than any reading tells it.
SAME = 0.01


def document() -> dict:
    found = sample()
    found["engine"]["rod_mm"] = None
    found["engine"]["basis"] = {"crown_height_mm": "assumed"}
    found["readings"] = copy.deepcopy(READINGS)
    return found


@pytest.fixture(scope="module")
def fitted():
    job = job_of(document())
    return fitted_job(job, fit_readings(job))


@pytest.fixture(scope="module")
def behind(fitted):
    found, notices = reading_causes(fitted, doubts_of(build_of(fitted)))
    assert notices == ()
    return found


def test_causes_explain_all_of_the_doubt(behind):
    moves = np.array([cause.moves for cause in behind.causes])
    matrix = np.array(behind.doubts.covariance)
    u = np.sqrt(np.diag(matrix))
    scale = np.where(u > 0, u, 1.0)
    assert moves.T @ moves / np.outer(scale, scale) == pytest.approx(
        matrix / np.outer(scale, scale), abs=1e-6
    )


def test_the_covariance_is_that_in_the_job(fitted, behind):
    said = fitted.engine.doubt
    here = [behind.doubts.names.index(name) for name in said.figures]
    found = np.array(behind.doubts.covariance)[np.ix_(here, here)]
    u = np.sqrt(np.diag(found))
    assert np.array(said.covariance) / np.outer(u, u) == pytest.approx(found / np.outer(u, u), abs=SAME)


def test_every_reading_of_the_fit_has_a_place(behind):
    names = [cause.name for cause in behind.causes if cause.source == "reading"]
    # a gasket before its crush has no part in the fit; those that the fit itself noted down come after
    assert names[:7] == [f"reading:{number}" for number in (1, 2, 3, 4, 5, 6, 7)]


def test_budgets_add_up_to_the_whole(fitted, behind):
    spreads = spreads_of(
        build_of(fitted), doubts=behind.doubts, causes=behind.causes, candidates=behind.candidates, count=200
    )
    for name, one in spreads.items():
        assert sum(row.share for row in one.budget) == pytest.approx(1.0, abs=1e-6), name


@pytest.mark.parametrize(
    ("number", "change"),
    [
        pytest.param(1, {"times": 2}, id="a wheel reading once more"),
        pytest.param(2, {"times": 4}, id="a fourth time"),
        pytest.param(6, {"times": 5}, id="a depth at a degree"),
    ],
)
def test_gain_of_a_reading_once_more_is_what_a_new_fit_finds(fitted, behind, number, change):
    before, after = (
        fit_readings(job).doubt
        for job in (
            fitted,
            job_of({**_plain(fitted), "readings": _changed(fitted, number - 1, change)}),
        )
    )
    name = "roof_mm:exhaust"
    candidate = next(one for one in behind.candidates if one.words.startswith(f"repeat reading {number} "))
    place = behind.doubts.names.index(name)
    matrix = np.array(behind.doubts.covariance)
    for row, weight in candidate.rows:
        along = matrix @ np.array(row)
        matrix = matrix - np.outer(along, along) / (1 / weight + np.array(row) @ along)
    gained = np.sqrt(matrix[place, place] / behind.doubts.covariance[place][place])
    assert gained == pytest.approx(after.u(name) / before.u(name), rel=1e-3)


def _plain(job) -> dict:
    from portmap.job_faults import document_of

    return document_of(job)


def _changed(job, place: int, change: dict) -> list:
    readings = copy.deepcopy(_plain(job)["readings"])
    readings[place].update(change)
    return readings


def test_a_better_tool_is_thought_of(behind):
    words = [one.words for one in behind.candidates]
    assert any("with a digital angle gauge too" in text for text in words)
    assert len(set(words)) == len(words)


def test_readings_that_no_fit_has_used_are_said():
    job = job_of(document())
    found, (notice,) = reading_causes(job, doubts_of(build_of(job)))
    assert found is None
    assert notice.code == "not-fitted"
    assert "8 readings" in notice.message


def test_readings_changed_since_the_fit_are_said(fitted):
    changed = job_of({**_plain(fitted), "readings": _changed(fitted, 0, {"times": 9})})
    found, (notice,) = reading_causes(changed, doubts_of(build_of(changed)))
    assert found is None
    assert notice.code == "fit-changed"


def test_a_job_without_readings_has_nothing_to_say():
    job = job_of(sample())
    assert reading_causes(job, doubts_of(build_of(job))) == (None, ())


def test_a_fit_makes_the_opening_surer_than_its_first_reading(fitted, behind):
    opens = spreads_of(build_of(fitted), doubts=behind.doubts, count=200)["exhaust:opens_deg"]
    first = next(cause for cause in behind.causes if cause.name == "reading:1")
    assert opens.first.u < first.u
    assert replace(first, moves=()).u == 0.25  # degree wheel ± 0.5°, k = 2: common practice, no source
