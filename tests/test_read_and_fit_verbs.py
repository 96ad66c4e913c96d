"""The verbs read and fit: what they say, what they write, and what they refuse in one line."""

import csv
import json
from pathlib import Path

import pytest

from portmap.cli import main
from portmap.job import read_job
from tests.sample_job import sample


@pytest.fixture
def mapped(tmp_path) -> Path:
    path = tmp_path / "mapped.json"
    path.write_text(json.dumps(sample()))
    return path


@pytest.fixture
def bare(tmp_path) -> Path:
    """A job without a map; the readings below are of 50 by 34 mm, rod 60, crown 61.0, gasket 0.5."""
    document = {
        "format": "portmap-job",
        "version": 1,
        "name": "invented 67 cc saw",
        "engine": {
            "bore_mm": 50.0,
            "stroke_mm": 34.0,
            "rod_mm": 60.0,
            "pin_offset_mm": 0.0,
            "crown_height_mm": 60.0,
            "basis": {"crown_height_mm": "assumed"},
        },
        "cylinder": {"base_gasket_mm": 0.5},
        "maps": [],
    }
    path = tmp_path / "bare.json"
    path.write_text(json.dumps(document))
    return path


# Heywood 1988, eq. 2.5, by hand: throw 17, rod 60; roof 38.55, floor 9.3, skirt 36.9, band 61.3
GOOD = (
    "exhaust opens 98.6 deg",
    "exhaust closes 98.6",
    "exhaust opens 100.4, no gasket",
    "exhaust roof 38.55 above the base",
    "intake opens 73.1 before TDC",
    "intake floor 9.3 above the base",
    "squish 0.80 mm",
    "squish 0.30 mm no gasket",
)


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = main([str(each) for each in arguments])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *arguments: object) -> dict:
    code, out, err = run(capsys, *arguments, "--json")
    assert code == 0, out + err
    return json.loads(out)


def added(*sentences: str) -> list[str]:
    return [part for sentence in sentences for part in ("--add", sentence)]


def refusal(capsys, *arguments: object) -> str:
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    return err


# --- read ---


def test_readings_are_added_in_plain_words(capsys, mapped):
    code, out, err = run(
        capsys, "read", mapped, *added("exhaust opens 104 deg, gasket 0.5 mm", "intake opens 75")
    )
    assert (code, err) == (0, "")
    assert "Understood: exhaust opens 104° after TDC, gasket 0.5 mm." in out
    assert "Understood: intake opens 75° before TDC. 75° was taken as before TDC" in out
    assert "2 readings" in out
    entries = read_job(mapped).readings
    assert [(entry.kind, entry.value, entry.gasket_mm) for entry in entries] == [
        ("opens", 104.0, 0.5),
        ("opens", 285.0, None),
    ]
    assert all(len(entry.date) == 10 for entry in entries)


def test_json_holds_what_was_understood_and_how_sure_it_is(capsys, mapped):
    document = answer(capsys, "read", mapped, *added("exhaust opens 104 deg ± 1"))
    assert document["written"] is True
    assert document["added"][0]["typed"] == "exhaust opens 104 deg ± 1"
    (reading,) = document["readings"]
    assert (reading["number"], reading["value"], reading["u"], reading["u_from"]) == (1, 104.0, 0.5, "stated")


def test_a_listing_changes_nothing(capsys, mapped):
    run(capsys, "read", mapped, *added("squish 0.6"))
    before = mapped.read_bytes(), mapped.stat().st_mtime_ns
    for option in ([], ["--list"]):
        code, out, _ = run(capsys, "read", mapped, *option)
        assert code == 0
        assert "squish 0.6 mm" in out
        assert "± 0.010" in out
        assert "common practice, no source" in out
    assert (mapped.read_bytes(), mapped.stat().st_mtime_ns) == before


def test_no_readings(capsys, mapped):
    assert "has no readings" in run(capsys, "read", mapped)[1]


def test_readings_are_removed_by_number(capsys, mapped):
    run(capsys, "read", mapped, *added("squish 0.6", "squish 0.7", "squish 0.8"))
    document = answer(capsys, "read", mapped, "--remove", 1, "--remove", 3, *added("squish 0.9"))
    assert [each["value"] for each in document["readings"]] == [0.7, 0.9]
    assert document["removed"] == [1, 3]


def test_csv_out_and_in_again_is_the_same(capsys, mapped, tmp_path):
    sentences = ("exhaust opens 104, no gasket, 3 times", "squish 0.5 0.6 mm", "head volume 6.1 cc")
    run(capsys, "read", mapped, *added(*sentences))
    place = tmp_path / "readings.csv"
    code, out, _ = run(capsys, "read", mapped, "--csv-out", place)
    assert code == 0
    assert f"Wrote {place}" in out
    with place.open(newline="", encoding="utf-8") as stream:
        assert [row["kind"] for row in csv.DictReader(stream)] == ["opens", "squish", "head_volume"]
    first = read_job(mapped).readings
    answer(capsys, "read", mapped, "--remove", 1, "--remove", 2, "--remove", 3, "--csv-in", place)
    assert read_job(mapped).readings == first


def test_csv_out_overwrites_only_when_told(capsys, mapped, tmp_path):
    place = tmp_path / "readings.csv"
    place.write_text("mine")
    before = mapped.read_bytes()
    err = refusal(capsys, "read", mapped, *added("squish 0.6"), "--csv-out", place)
    assert "the file exists" in err
    assert (place.read_text(), mapped.read_bytes()) == ("mine", before)
    assert run(capsys, "read", mapped, "--csv-out", place, "--force")[0] == 0
    assert place.read_text().startswith("kind,")


def test_a_bad_reading_leaves_the_job_as_it_was(capsys, mapped):
    before = mapped.read_bytes()
    err = refusal(capsys, "read", mapped, *added("squish 0.6", "boost opens 120"))
    assert "there is no port 'boost'; the job has exhaust, main, intake" in err
    assert mapped.read_bytes() == before


@pytest.mark.parametrize(
    ("sentence", "message"),
    [
        ("exhaust opens 104 mm", "'mm' in '104 mm' is not a unit of angle"),
        ("exhaust opens 104 with a dgree wheel", "did you mean degree wheel"),
        ("blowdown 20", "does not say what was read"),
        ("exhaust opens 104 frogs", "'frogs' in"),
    ],
)
def test_bad_words_are_one_line(capsys, mapped, sentence, message):
    assert message in refusal(capsys, "read", mapped, "--add", sentence)


def test_a_reading_that_is_not_there_cannot_be_removed(capsys, mapped):
    assert "there is no reading 1; the job has none" in refusal(capsys, "read", mapped, "--remove", 1)


def test_faults_of_a_table_name_line_and_column(capsys, mapped, tmp_path):
    place = tmp_path / "bad.csv"
    place.write_text("kind;value;unit\nsquish;0,6;mm\nsquish;0,6;deg\n")
    err = refusal(capsys, "read", mapped, "--csv-in", place)
    assert f"{place}, line 3, column unit: squish is read in mm, not in degrees" in err


def test_listing_and_changing_do_not_go_together(capsys, mapped):
    code, _, err = run(capsys, "read", mapped, "--list", *added("squish 0.6"))
    assert code == 2
    assert "--list changes nothing" in " ".join(err.replace("│", " ").split())


def test_a_job_without_a_map_takes_ports_by_their_kind(capsys, bare):
    document = answer(capsys, "read", bare, *added("exhaust opens 104", "exhaust closes 104"))
    assert [each["port"] for each in document["readings"]] == ["exhaust", "exhaust"]
    assert "of which port is not said" in refusal(capsys, "read", bare, *added("opens 104"))


def test_a_file_that_is_no_job(capsys, tmp_path):
    path = tmp_path / "x.json"
    path.write_text("{}")
    assert 'the format must be "portmap-job"' in refusal(capsys, "read", path)


# --- fit ---


def test_fit_tells_measured_fitted_and_assumed_apart(capsys, bare):
    run(capsys, "read", bare, *added(*GOOD))
    before = bare.read_bytes()
    code, out, err = run(capsys, "fit", bare)
    assert (code, err) == (0, "")
    lines = {line.split("  ")[1].strip(): line for line in out.splitlines() if "±" in line and "  " in line}
    assert "measured" in lines["bore"]
    assert "fitted" in lines["crown height"]
    assert "60.99 ± 0.09 mm" in lines["crown height"]
    assert "chi-square" in out
    assert bare.read_bytes() == before


def test_fit_in_json(capsys, bare):
    run(capsys, "read", bare, *added(*GOOD))
    document = answer(capsys, "fit", bare)
    figures = {each["figure"]: each for each in document["figures"]}
    assert figures["crown_height_mm"]["value"] == pytest.approx(61.0, abs=0.1)
    assert figures["roof_mm:exhaust"]["basis"] == "fitted"
    assert document["determined"] == document["unknown"]
    assert document["written"] is None
    table = document["correlation"]["table"]
    assert len(table) == len(document["correlation"]["figures"])
    assert all(row[number] == 1.0 for number, row in enumerate(table))
    reading = document["readings"][0]
    # 98.6° is 0.27 mm/deg by Heywood's formula differentiated
    assert abs(reading["misfit_mm"]) == pytest.approx(0.276 * abs(reading["misfit_deg"]), rel=0.02)


def test_fit_shows_inches(capsys, bare):
    run(capsys, "read", bare, *added(*GOOD))
    assert "2.40" in run(capsys, "fit", bare, "--units", "inch")[1]


def test_fit_writes_what_timing_then_reads(capsys, bare):
    run(capsys, "read", bare, *added(*GOOD))
    code, out, _ = run(capsys, "fit", bare, "--write")
    assert code == 0
    assert f"Wrote {bare}." in out.replace("\n", "")
    job = read_job(bare)
    assert job.engine.basis["crown_height_mm"] == "fitted"
    assert job.engine.doubt is not None
    assert {edge.id for edge in job.edges} == {"exhaust", "intake"}
    again = answer(capsys, "fit", bare)
    crown = next(each for each in again["figures"] if each["figure"] == "crown_height_mm")
    assert crown["value"] == pytest.approx(job.engine.crown_height_mm, abs=1e-3)


def test_contradicting_readings_are_told_and_not_written(capsys, bare):
    run(capsys, "read", bare, *added(*GOOD, "exhaust opens 103"))
    before = bare.read_bytes()
    code, out, err = run(capsys, "fit", bare)
    assert code == 0
    assert "Reading 9 (exhaust opens 103° after TDC) does not belong" in err
    assert "--without 9" in err
    assert "exhaust opens 103° after TDC: does not belong" in out
    message = refusal(capsys, "fit", bare, "--write")
    assert message.startswith("readings: Reading 9")
    assert bare.read_bytes() == before
    assert run(capsys, "fit", bare, "--write", "--without", 9)[0] == 0


def test_what_is_open_is_said_with_the_reading_that_settles_it(capsys, bare):
    run(capsys, "read", bare, *added("exhaust opens 98.6"))
    out = run(capsys, "fit", bare)[1].replace("\n", " ")
    assert "Still open: exhaust roof (and with it crown height)" in out or "Still open: crown height" in out
    assert "To settle it: measure the exhaust roof's height above the base" in out
    assert "No reading checks another" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [([], "the job has no readings; add some: portmap read"), (["--stage", "ground"], "no 'ground' map")],
)
def test_nothing_to_fit(capsys, mapped, arguments, message):
    assert message in refusal(capsys, "fit", mapped, *arguments)


def test_leaving_out_what_is_not_there(capsys, bare):
    run(capsys, "read", bare, *added("squish 0.6"))
    assert "--without: there is no reading 7" in refusal(capsys, "fit", bare, "--without", 7)


def test_a_pressure_is_left_to_another_verb(capsys, bare):
    run(capsys, "read", bare, *added("squish 0.6", "cranking 10.5 bar 600 m 15 C"))
    out = run(capsys, "fit", bare)[1].replace("\n", " ")
    assert "Not in the fit: reading 2" in out


def test_what_a_newer_portmap_wrote_is_kept(capsys, bare):
    document = {**json.loads(bare.read_text()), "minor": 7, "colour": "blue"}
    document["engine"]["sound"] = "loud"
    bare.write_text(json.dumps(document))
    run(capsys, "read", bare, *added(*GOOD))
    assert run(capsys, "fit", bare, "--write")[0] == 0
    after = json.loads(bare.read_text())
    assert (after["minor"], after["colour"], after["engine"]["sound"]) == (7, "blue", "loud")
    assert after["engine"]["basis"]["crown_height_mm"] == "fitted"


def test_a_bad_reading_in_the_file_can_be_removed(capsys, mapped):
    document = json.loads(mapped.read_text())
    document["readings"] = [{"kind": "squish", "value": 0.6, "unit": "deg"}]
    mapped.write_text(json.dumps(document))
    assert "readings[0].unit: squish is read in mm" in refusal(capsys, "read", mapped)
    assert run(capsys, "read", mapped, "--remove", 1)[0] == 0
    assert read_job(mapped).readings == ()
