"""The verb roof: what it prints, what it writes into the job, and what it leaves alone when it refuses."""

import json
import math
import os
import re
from pathlib import Path

import pytest

from portmap.cli import main
from portmap.files import json_bytes
from portmap.job import port_map_of, read_job
from portmap.job_sense import sense_faults
from portmap.revisions import form_of
from portmap.roof_job import edits_of, proposal_of
from tests.sample_job import sample

OPENS = ["--port", "exhaust", "--opens", "96"]


@pytest.fixture
def job(tmp_path) -> str:
    path = tmp_path / "job.json"
    path.write_bytes(json_bytes(sample()))
    return str(path)


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    code = main(["roof", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *arguments: str) -> dict:
    code, out, err = run(capsys, *arguments, "--json")
    assert code == 0, err
    return json.loads(out)


def slider_crank_angle(depth: float, throw: float = 16.0, rod: float = 58.0) -> float:
    """Cosine rule in the triangle of throw, rod and the line from crank axis to pin."""
    line = throw + rod - depth
    return math.degrees(math.acos((throw**2 + line**2 - rod**2) / (2 * throw * line)))


def slider_crank_drop(angle: float, throw: float = 16.0, rod: float = 58.0) -> float:
    """Heywood (1988) eq. 2.5, written here anew."""
    turn = math.radians(angle)
    return rod + throw - throw * math.cos(turn) - math.sqrt(rod**2 - (throw * math.sin(turn)) ** 2)


def test_a_roof_is_proposed_and_kept_in_the_job(capsys, job):
    found = answer(capsys, job, *OPENS, "--shape", "arched", "--rise", "1 mm", "--wall", "5 mm")
    assert found["before"]["opens_deg"] == pytest.approx(slider_crank_angle(60.6 - 40), abs=1e-9)
    assert found["after"]["opens_deg"] == pytest.approx(96, abs=1e-9)
    assert found["after"]["duration_deg"] == pytest.approx(168, abs=1e-9)
    gained = found["after"]["wall_area_mm2"] - found["before"]["wall_area_mm2"]
    assert found["to_grind"]["area_mm2"] == pytest.approx(gained, abs=1e-6)
    assert found["to_grind"]["volume_mm3"] == pytest.approx(5 * gained, abs=1e-5)
    assert found["to_grind"]["deepest_mm"] == pytest.approx(60.6 - slider_crank_drop(96) - 40, abs=1e-6)
    spans = {span["span"]: span for span in found["after"]["spans"]}
    assert set(spans) == {"exhaust", "blowdown", "transfer", "intake"}
    written = read_job(job)
    assert [entry.stage for entry in written.maps] == ["stock", "proposed"]
    assert written.edits[0].wish == "opens 96"
    stored = port_map_of(written, "proposed").ports[0].windows[0].outline
    made = proposal_of(written, edits_of(written)).ports[0].windows[0].outline
    assert stored.symmetric_difference(made).area < 1e-3
    assert main(["timing", job, "--stage", "proposed", "--json"]) == 0
    ports = json.loads(capsys.readouterr().out)["ports"]
    opens = {port["id"]: port["opens_deg"] for port in ports}
    assert opens["exhaust"] == pytest.approx(96, abs=1e-4)  # outlines are kept to 0.00001 mm


def test_what_a_person_reads(capsys, job):
    code, out, err = run(capsys, job, *OPENS, "--shape", "flat", "--radius", "2 mm")
    assert (code, err.count("note:")) == (0, 1)
    for words in (
        "stock against proposed",
        "new  0  exhaust, roof: flat, highest at 40.70 mm, corners 2.00 mm (opens 96)",
        "98.63 ± 0.08°",
        "96.00° ",
        "blowdown time-area, mm²·s, 9000 rpm",
        "To be ground:",
        "Care: protect eyes and lungs",
        f"Wrote {job}.",
    ):
        assert words in out
    assert "stays there" in err


def test_inches_are_shown_as_inches(capsys, job):
    code, out, _ = run(capsys, job, "--port", "exhaust", "--raise", "20 thou", "--units", "inch")
    assert code == 0
    assert "up by 0.0200 in" in out
    assert "+0.0200" in out


def form_bytes(job: str) -> bytes:
    """The job's file without its list of changes, which only grows."""
    return json_bytes(form_of(json.loads(Path(job).read_bytes())))


def test_undo_leaves_the_job_byte_for_byte(capsys, job):
    stages = [form_bytes(job)]
    for more in (OPENS, ["--port", "main", "--raise", "0.4"], ["--port", "main", "--floor", "0.2"]):
        answer(capsys, job, *more)
        stages.append(form_bytes(job))
    for left in (2, 1, 0):
        found = answer(capsys, job, "--undo")
        assert len(found["edits"]) == left
        assert [edit["number"] for edit in found["taken_back"]] == [left]
        assert form_bytes(job) == stages[left]
    code, out, err = run(capsys, job, "--undo")
    assert (code, out) == (1, "")
    assert "no edit to take back" in err


def test_edits_that_the_stock_map_no_longer_bears_can_be_cleared(capsys, job):
    before = Path(job).read_bytes()
    answer(capsys, job, *OPENS)
    answer(capsys, job, "--port", "exhaust", "--raise", "0.2")
    assert len(answer(capsys, job, "--clear", "--dry-run")["taken_back"]) == 2
    document = json.loads(Path(job).read_bytes())
    for corner in (2, 3):
        document["maps"][0]["ports"][0]["windows"][0]["outline_mm"][corner][1] = 41.5  # traced again, higher
    Path(job).write_bytes(json_bytes(document))
    code, _, err = run(capsys, job, "--undo", "--force")
    assert (code, err.count("\n")) == (1, 1)
    roof = 60.6 - slider_crank_drop(96)
    assert f"edits[0].height_mm: the roof at {roof:.3f} mm would lie {41.5 - roof:.3f} mm under" in err
    answer(capsys, job, "--clear", "--force")
    assert "edits" not in json.loads(Path(job).read_bytes())
    Path(job).write_bytes(before)
    answer(capsys, job, *OPENS)
    answer(capsys, job, "--clear")
    assert form_bytes(job) == before


def test_several_edges_in_one_go_are_edits_in_their_order(capsys, job):
    found = answer(capsys, job, "--port", "main", "--raise", "0.5", "--floor", "0.3", "--width", "arc 14 mm")
    assert [edit["edge"] for edit in found["edits"]] == ["roof", "floor", "sides"]
    for window in port_map_of(read_job(job), "proposed").ports[1].windows:
        left, floor, right, roof = window.outline.bounds
        assert (right - left, floor, roof) == pytest.approx((14, 27.7, 36.5))
    listed = answer(capsys, job, "--list")
    assert [edit["words"] for edit in listed["edits"]] == [edit["words"] for edit in found["edits"]]
    code, out, _ = run(capsys, job, "--list")
    assert (code, out.count("\n")) == (0, 4)


def test_one_window_alone(capsys, job):
    answer(capsys, job, "--port", "main", "--window", "1", "--raise", "0.5")
    windows = port_map_of(read_job(job), "proposed").ports[1].windows
    assert [window.outline.bounds[3] for window in windows] == [36, 36.5]


def test_a_window_that_opens_first_is_said(capsys, job):
    answer(capsys, job, "--port", "main", "--window", "1", "--raise", "1")
    found = answer(capsys, job, "--port", "main", "--window", "0", "--opens", "112", "--dry-run")
    said = [warning for warning in found["warnings"] if warning["code"] == "other-window-opens-first"]
    assert len(said) == 1
    assert found["after"]["opens_deg"] < 112
    found = answer(capsys, job, "--port", "main", "--opens", "110", "--dry-run")
    assert "other-window-opens-first" not in {warning["code"] for warning in found["warnings"]}


def test_a_dry_run_shows_all_and_writes_nothing(capsys, job):
    before = Path(job).read_bytes()
    found = answer(capsys, job, *OPENS, "--dry-run")
    assert found["written"] is False
    assert found["after"]["opens_deg"] == pytest.approx(96)
    code, out, _ = run(capsys, job, *OPENS, "--dry-run")
    assert (code, "Nothing was written." in out) == (0, True)
    assert Path(job).read_bytes() == before


def test_a_table_of_roofs_to_choose_from(capsys, job):
    before = Path(job).read_bytes()
    found = answer(capsys, job, "--port", "exhaust", "--try", "95:100:1", "--shape", "flat", "--radius", "2")
    rows = found["tried"]
    assert [row["possible"] for row in rows] == [True] * 4 + [False] * 2
    assert [row["opens_deg"] for row in rows[:4]] == pytest.approx([95, 96, 97, 98])
    assert "metal cannot be put back" in rows[4]["why"]
    areas = [row["to_grind_mm2"] for row in rows[:4]]
    assert areas == sorted(areas, reverse=True)
    # each row is what the edit itself would give
    edited = answer(capsys, job, *OPENS, "--shape", "flat", "--radius", "2", "--dry-run")
    amounts = [[span["time_area_mm2_s"] for span in found["spans"]] for found in (rows[1], edited["after"])]
    assert amounts[0] == amounts[1]
    assert rows[1]["to_grind_mm2"] == edited["to_grind"]["area_mm2"]
    code, out, _ = run(
        capsys, job, "--port", "exhaust", "--try", "95:100:1", "--shape", "flat", "--wall", "5"
    )
    assert code == 0
    assert "99° is not possible: the roof at 39.903 mm would lie 0.097 mm under the old one" in out
    assert "nothing is written" in out
    assert Path(job).read_bytes() == before


def test_each_roof_has_its_grade_of_ring_safety_by_the_jobs_own_bounds(capsys, job):
    found = answer(capsys, job, "--port", "exhaust", "--try", "95,97")
    assert {row["ring"] for row in found["tried"]} <= {"fine", "look again", "don't"}
    Path(job).write_bytes(json_bytes({**sample(), "limits": {"ring_width_dont": 0.3}}))
    found = answer(capsys, job, "--port", "exhaust", "--try", "95,97")
    assert [row["ring"] for row in found["tried"]] == ["don't", "don't"]  # 28 mm of wall round a 46 mm bore
    assert "ring_width" in {one["rule"] for one in found["tried"][0]["ring_verdicts"]}
    code, out, _ = run(capsys, job, "--port", "exhaust", "--try", "95,97")
    assert (code, "Ring, don't: " in out) == (0, True)
    edited = answer(capsys, job, *OPENS, "--dry-run")
    assert edited["ring"]["worst"] == {"exhaust": "don't"}
    code, out, _ = run(capsys, job, *OPENS, "--dry-run")
    assert (code, "Ring safety of the proposed port" in out) == (0, True)


@pytest.mark.parametrize(
    "wish", [["--time-area", "0.76"], ["--time-area", "0.0145 s/m"], ["--blowdown-time-area", "0.03 mm2 s"]]
)
def test_time_areas_asked_for_are_reached(capsys, job, wish):
    found = answer(capsys, job, "--port", "exhaust", *wish, "--rpm", "8000", "--dry-run")
    spans = {span["span"]: span for span in found["after"]["spans"]}
    if wish[1].endswith("s/m"):
        assert spans["exhaust"]["specific_s_per_m"] == pytest.approx(0.0145, rel=1e-8)
    elif wish[0] == "--time-area":
        assert spans["exhaust"]["time_area_mm2_s"] == pytest.approx(0.76, rel=1e-8)
    else:
        assert spans["blowdown"]["time_area_mm2_s"] == pytest.approx(0.03, rel=1e-8)


def test_an_area_at_a_degree_asked_for_is_reached(capsys, job):
    answer(capsys, job, "--port", "exhaust", "--area-at", "110 deg 120 mm2")
    assert main(["areas", job, "--stage", "proposed", "--at", "110", "--json"]) == 0
    ports = json.loads(capsys.readouterr().out)["ports"]
    assert ports[0]["at"][0]["area_mm2"] == pytest.approx(120, abs=28e-5)  # width times a file's last digit


def test_the_skirt_opens_by_the_floor(capsys, job):
    found = answer(capsys, job, "--port", "intake", "--opens", "85", "--dry-run")
    assert found["edits"][0]["edge"] == "floor"
    assert found["after"]["opens_deg"] == pytest.approx(275)


REFUSED = {
    "under the old roof": (["--port", "exhaust", "--opens", "110"], "--opens: .* 2.855 mm under the old one"),
    "out of reach": (
        ["--port", "exhaust", "--time-area", "9"],
        "out of reach: the nearest is .* crown edge at TDC",
    ),
    "less than it has": (
        ["--port", "exhaust", "--time-area", "0.2"],
        "it has 0.6363 with the roof where it is",
    ),
    "no such port": (["--port", "exhuast", "--raise", "1"], "--port: .* 'exhuast'; did you mean exhaust"),
    "no such window": (
        ["--port", "main", "--window", "2", "--raise", "1"],
        "--window: port main has no window 2",
    ),
    "too round": (
        ["--port", "exhaust", "--raise", "1", "--shape", "flat", "--radius", "20"],
        "--radius: a corner radius of 20 mm is larger than the window allows: 14.00 mm",
    ),
    "no rise": (["--port", "exhaust", "--raise", "1", "--shape", "arched"], "--rise: an arched edge needs"),
    "into the neighbour": (
        ["--port", "exhaust", "--width", "arc 44 mm"],
        "--width: .* would meet window 0 of port main",
    ),
    "narrower": (["--port", "exhaust", "--width", "chord 40 %"], "--width: .* less than the old one"),
    "chord or arc": (["--port", "exhaust", "--width", "70 %"], "--width: .* chord or arc"),
    "above TDC": (["--port", "exhaust", "--raise", "25"], "--raise: .* the crown edge at TDC is at 60.600"),
    "downward": (["--port", "exhaust", "--raise=-1"], "--raise: .* above 0"),
    "no wall": (["--port", "exhaust", "--raise", "1", "--wall", "0"], "--wall"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusals_are_one_line_and_write_nothing(capsys, job, name):
    arguments, words = REFUSED[name]
    before = Path(job).read_bytes()
    code, out, err = run(capsys, job, *arguments)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert re.search(words, err), err
    assert Path(job).read_bytes() == before
    assert os.listdir(Path(job).parent) == ["job.json"]
    code, out, _ = run(capsys, job, *arguments, "--json")
    assert code == 1
    assert set(json.loads(out)["error"]) == {"message", "where", "remedy"}


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--port", "exhaust"],
        ["--port", "exhaust", "--opens", "96", "--raise", "1"],
        ["--undo", "--opens", "96"],
        ["--undo", "--list"],
        ["--clear", "--floor", "1"],
        ["--port", "exhaust", "--try", "95:99:1", "--floor", "1"],
        ["--port", "exhaust", "--opens", "96", "--rpm", "8000,9000"],
    ],
    ids=lambda arguments: " ".join(arguments) or "nothing",
)
def test_wrong_usage(capsys, job, arguments):
    code, out, err = run(capsys, job, *arguments)
    assert (code, out) == (2, "")
    assert "--" in err


def test_a_proposed_map_made_elsewhere_is_not_replaced_unless_told(capsys, job):
    document = sample()
    document["maps"].append({**sample()["maps"][0], "stage": "proposed"})
    Path(job).write_bytes(json_bytes(document))
    code, _, err = run(capsys, job, *OPENS)
    assert code == 1
    assert "was not made by edits; keep it in another job, or add --force" in err
    assert Path(job).read_bytes() == json_bytes(document)
    answer(capsys, job, *OPENS, "--force")
    assert len(read_job(job).maps) == 2


def test_a_proposed_map_changed_by_hand_is_not_replaced_unless_told(capsys, job):
    answer(capsys, job, *OPENS)
    document = json.loads(Path(job).read_bytes())
    document["maps"][1]["ports"][0]["windows"][0]["outline_mm"][0][1] -= 0.5
    Path(job).write_bytes(json_bytes(document))
    code, _, err = run(capsys, job, "--undo")
    assert code == 1
    assert "is not what its edits make" in err


def test_a_job_without_a_map_says_so(capsys, job):
    Path(job).write_bytes(json_bytes({**sample(), "maps": []}))
    code, _, err = run(capsys, job, *OPENS)
    assert code == 1
    assert "no map to start from" in err


def test_a_linked_job_is_written_where_it_stands(capsys, job, tmp_path):
    link = tmp_path / "link.json"
    link.symlink_to(job)
    answer(capsys, str(link), *OPENS)
    assert link.is_symlink()
    assert read_job(job).edits


EDIT_FAULTS = {
    "an unknown port": ({"port": "exhuast", "by_mm": 1.0}, r"edits\[0\].port: .* did you mean exhaust"),
    "an unknown window": (
        {"port": "exhaust", "by_mm": 1.0, "windows": [4]},
        r"edits\[0\].windows: .* no window 4",
    ),
    "no height": ({"port": "exhaust"}, r"edits\[0\].height_mm: a roof needs a height"),
    "no rise": ({"port": "exhaust", "family": "arched", "height_mm": 41.0}, r"edits\[0\].rise_mm"),
    "a family nobody knows": (
        {"port": "exhaust", "family": "oval", "by_mm": 1.0},
        r"edits\[0\].family: 'oval'",
    ),
    "a field nobody knows": ({"port": "exhaust", "by_mm": 1.0, "hight_mm": 1.0}, "did you mean height_mm"),
    "a text for a length": ({"port": "exhaust", "by_mm": "1"}, r"edits\[0\].by_mm: '1' is not a number"),
}


@pytest.mark.parametrize("name", EDIT_FAULTS)
def test_faults_of_edits_in_a_job_are_one_line_each(capsys, job, name):
    edit, words = EDIT_FAULTS[name]
    Path(job).write_bytes(json_bytes({**sample(), "edits": [edit]}))
    assert main(["check", job]) == 1
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert re.search(words, err), err


def test_sound_edits_have_no_faults():
    document = {**sample(), "edits": [{"port": "main", "windows": [1], "by_mm": 0.5}]}
    assert sense_faults(document) == ()
    assert [str(fault) for fault in sense_faults({**document, "maps": []})] == [
        "edits[0]: there is no stock or ground map that it could change; add one"
    ]
