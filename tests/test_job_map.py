"""A traced map put into a job that is there already."""

from __future__ import annotations

from typing import Any

import pytest

from portmap.assign import assignment_of
from portmap.job import Job, job_of
from portmap.job_faults import document_of
from portmap.job_map import job_with_map
from portmap.map_file import map_of
from portmap.roof_edit import RoofEdit
from portmap.roof_job import with_edits
from tests.sample_job import sample


def traced(left: float, right: float, low: float, high: float) -> dict[str, Any]:
    return {
        "format": "portmap-map",
        "version": 1,
        "ports": [
            {
                "id": "1",
                "kind": "other",
                "control": "crown",
                "windows": [{"outline_mm": [[left, low], [right, low], [right, high], [left, high]]}],
            }
        ],
    }


EXHAUST = map_of(traced(-14, 14, 28, 40))


@pytest.fixture
def job() -> Job:
    return job_of(sample())


def test_everything_but_the_map_stays(job: Job) -> None:
    made, _ = job_with_map(job, EXHAUST, assignments=[assignment_of("1=exhaust")], stage="ground")
    before, after = document_of(job), document_of(made)
    assert after["maps"][: len(before["maps"])] == before["maps"] or any(
        entry["stage"] == "ground" for entry in before["maps"]
    )
    for key in before.keys() - {"maps"}:
        assert after[key] == before[key]


def test_the_map_of_its_stage_is_replaced_in_its_place(job: Job) -> None:
    stages = [entry.stage for entry in job.maps]
    made, _ = job_with_map(job, EXHAUST, assignments=[assignment_of("1=exhaust")])
    assert [entry.stage for entry in made.maps] == stages
    stock = next(entry for entry in made.maps if entry.stage == "stock")
    assert [port.id for port in stock.ports] == ["exhaust"]


def test_what_was_known_of_a_port_of_the_same_name_and_kind_stays() -> None:
    document = {
        "format": "portmap-job",
        "version": 1,
        "name": "saw",
        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
        "maps": [{"stage": "stock", "ports": [{**traced(-12, 12, 20, 30)["ports"][0], "id": "intake"}]}],
    }
    document["maps"][0]["ports"][0] |= {
        "kind": "intake",
        "control": "none",
        "tilt_deg": 12.0,
        "notes": "reed",
    }
    made, _ = job_with_map(job_of(document), EXHAUST, assignments=[assignment_of("1=intake")])
    port = made.maps[0].ports[0]
    assert (port.control, port.tilt_deg, port.notes) == ("none", 12.0, "reed")
    stated, _ = job_with_map(
        job_of(document), EXHAUST, assignments=[assignment_of("1=intake")], controls=[("intake", "skirt")]
    )
    assert stated.maps[0].ports[0].control == "skirt"


def test_a_proposed_map_made_by_edits_follows_the_new_outlines() -> None:
    start: dict[str, Any] = {
        "format": "portmap-job",
        "version": 1,
        "name": "saw",
        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
        "maps": [{"stage": "stock", "ports": [{**traced(-12, 12, 28, 38)["ports"][0], "id": "exhaust"}]}],
    }
    start["maps"][0]["ports"][0]["kind"] = "exhaust"
    with_roof = job_of(with_edits(start, (RoofEdit(port="exhaust", by_mm=1.0),)))
    made, _ = job_with_map(with_roof, EXHAUST, assignments=[assignment_of("1=exhaust")])
    proposed = next(entry for entry in made.maps if entry.stage == "proposed")
    assert max(y for _, y in proposed.ports[0].windows[0].outline_mm) == pytest.approx(41.0)
