"""The command line: what it says where, with which exit code, and what it leaves on the disk."""

import csv
import errno
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from portmap import __version__
from portmap.cli import COMPLETION_VARIABLE, VERBS, full_app, help_text, main
from portmap.commands import running
from portmap.crank import Crank, piston_depth
from portmap.job import read_job
from tests.sample_job import box, sample, traced_map

PORTMAP = [sys.executable, "-c", "import sys; from portmap.cli import main; sys.exit(main())"]


@pytest.fixture
def job(tmp_path) -> str:
    path = tmp_path / "job.json"
    path.write_text(json.dumps(sample()))
    return str(path)


@pytest.fixture
def parts(tmp_path) -> list[str]:
    """A map, an engine and where the job is to go."""
    (tmp_path / "map.json").write_text(json.dumps(traced_map()))
    engine = {key: sample()[key] for key in ("name", "engine", "cylinder")}
    (tmp_path / "engine.json").write_text(json.dumps(engine))
    return [
        "--map",
        str(tmp_path / "map.json"),
        "--engine",
        str(tmp_path / "engine.json"),
        "--out",
        str(tmp_path / "new.json"),
    ]


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    code = main(list(arguments))
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *arguments: str) -> dict:
    code, out, err = run(capsys, *arguments, "--json")
    assert code == 0, err
    return json.loads(out)


def spoilt(path: str, place: str, value: object) -> None:
    document = json.loads(Path(path).read_text())
    *outer, last = [int(step) if step.isdigit() else step for step in place.split(".")]
    holder = document
    for step in outer:
        holder = holder[step]
    holder[last] = value
    Path(path).write_text(json.dumps(document))


# --- help, version, completion ---


def test_help_names_every_verb_and_option(capsys):
    code, out, err = run(capsys, "--help")
    assert (code, err) == (0, "")
    for _, verb, about, _ in VERBS:
        assert re.search(rf"^  {verb} +{re.escape(about)}$", out, re.M)
    assert all(len(line) <= 100 for line in out.splitlines())


def test_version(capsys):
    assert run(capsys, "--version") == (0, f"portmap {__version__}\n", "")


def test_nothing_typed_is_wrong_usage_and_shows_the_help(capsys):
    assert run(capsys) == (2, "", help_text() + "\n")


def commands_of(command, path=()) -> dict[str, str]:
    found = {}
    for name, inner in command.commands.items():
        if hasattr(inner, "commands"):
            found |= commands_of(inner, (*path, name))
        else:
            found[" ".join((*path, name))] = inner.short_help
    return found


def test_the_help_and_the_program_agree():
    import typer

    command = typer.main.get_command(full_app())
    assert commands_of(command) == {verb: about for _, verb, about, _ in VERBS}
    options = {name for option in command.params for name in option.opts}
    for name in re.findall(r"^  (--[a-z-]+)", help_text(), re.M):
        assert name == "--help" or name in options


@pytest.mark.parametrize("verb", [verb for _, verb, _, _ in VERBS])
def test_every_verb_has_help_and_takes_json(capsys, verb):
    code, out, _ = run(capsys, *verb.split(), "--help")
    assert code == 0
    assert f"portmap {verb}" in out
    assert "--json" in out


def test_the_version_is_also_given_by_the_whole_program(capsys):
    assert running.run(["--version"]) == 0
    assert capsys.readouterr().out == f"portmap {__version__}\n"


@pytest.mark.parametrize(("typed", "offered"), [("ti", {"timing", "timearea"}), ("card ", {"flat"})])
def test_the_shell_is_offered_verbs(typed, offered):
    words = f"portmap {typed}"
    environment = os.environ | {
        COMPLETION_VARIABLE: "complete_bash",
        "COMP_WORDS": words,
        "COMP_CWORD": str(len(words.split(" ")) - 1),
    }
    done = subprocess.run(PORTMAP, env=environment, capture_output=True, text=True, check=False)
    assert offered <= set(done.stdout.split()), done.stderr


def test_the_completion_script_can_be_had():
    environment = os.environ | {COMPLETION_VARIABLE: "source_bash"}
    done = subprocess.run(PORTMAP, env=environment, capture_output=True, text=True, check=False)
    assert COMPLETION_VARIABLE in done.stdout


# --- figures ---


def test_timing_has_the_keys_that_other_programs_rely_on(capsys, job):
    found = answer(capsys, "timing", job)
    exhaust, main_port, intake = found["ports"]
    assert {"id", "kind", "opens_deg", "closes_deg", "duration_deg"} <= set(exhaust)
    assert exhaust["closes_deg"] == pytest.approx(360 - exhaust["opens_deg"])  # no pin offset
    assert exhaust["duration_deg"] == pytest.approx(360 - 2 * exhaust["opens_deg"])
    assert found["blowdown_deg"] == pytest.approx(main_port["opens_deg"] - exhaust["opens_deg"])
    assert intake["opens_deg"] > 180 > intake["closes_deg"]  # open through TDC
    depths = piston_depth(Crank(stroke_mm=32, rod_mm=58), exhaust["opens_deg"] + np.array([-0.5, 0.5]))
    assert exhaust["opens_u_deg"] == pytest.approx(0.01 / float(np.diff(depths)[0]), rel=1e-4)
    assert found["assumed"] == found["warnings"] == []


def test_timing_for_a_person(capsys, job):
    code, out, err = run(capsys, "timing", job)
    assert (code, err) == (0, "")
    assert re.search(r"exhaust +exhaust +98\.63 ± 0\.08° +261\.37 ± 0\.08° +162\.74 ± 0\.16°", out)
    assert "275.84" in out
    assert "(84.2° before TDC)" in out
    assert "Blowdown: 16.35 ± 0.12 degrees." in out


@pytest.mark.parametrize(
    ("place", "value", "state", "code"),
    [
        ("maps.0.ports.1.windows.0.outline_mm", box(20, 20, 32, 28), "never opens", "never-opens"),
        ("maps.0.ports.1.windows.0.outline_mm", box(20, 28, 32, 61), "always open", "never-closes"),
        ("maps.0.ports.1.control", "none", "not timed", None),
        ("maps.0.ports.1.control", "pocket", "not known", "not-timeable"),
    ],
    ids=lambda value: value if isinstance(value, str) and " " in value else "",
)
def test_a_port_without_a_timing_is_said_so(capsys, job, place, value, state, code):
    spoilt(job, place, value)
    found = answer(capsys, "timing", job)
    port = found["ports"][1]
    assert (port["state"], port["opens_deg"], port["closes_deg"]) == (state, None, None)
    assert found["blowdown_deg"] is None
    assert [warning["code"] for warning in found["warnings"]] == ([code] if code else [])
    _, out, err = run(capsys, "timing", job)
    assert state in out
    assert ("warning: Port main" in err) == (code is not None)


def test_a_rod_that_nobody_measured_is_told_in_every_figure(capsys, job):
    spoilt(job, "engine.rod_mm", None)
    words = "rod length 57.6 mm, taken as 1.8 × stroke"
    for arguments in (["timing"], ["areas"], ["timearea", "--rpm", "9000"], ["check"]):
        verb, *rest = arguments
        assert answer(capsys, verb, job, *rest)["assumed"] == [words]
        assert f"Assumed, not measured: {words}." in run(capsys, verb, job, *rest)[1]


def test_areas_at_chosen_angles(capsys, job):
    found = answer(capsys, "areas", job, "--at", "90,120,180")
    exhaust = found["ports"][0]
    assert (exhaust["wall_area_mm2"], exhaust["roof_mm"], exhaust["floor_mm"]) == (336.0, 40.0, 28.0)
    # 46·sin(28/46)·12 by hand: chord of the arc times height
    assert exhaust["chord_area_mm2"] == pytest.approx(315.7, abs=0.1)
    assert [at["deg"] for at in exhaust["at"]] == [90, 120, 180]
    shut, _, lowest = exhaust["at"]
    assert (shut["area_mm2"], shut["effective_width_mm"], shut["centroid_height_mm"]) == (0.0, None, None)
    # at BDC the crown stands at 61 − 0.4 − 32 = 28.6 mm
    assert lowest["area_mm2"] == pytest.approx(28 * (40 - 28.6))
    assert lowest["effective_width_mm"] == pytest.approx(28)
    assert lowest["centroid_height_mm"] == pytest.approx((40 + 28.6) / 2)


def test_areas_in_inches_are_the_same_areas(capsys, job):
    code, out, _ = run(capsys, "areas", job, "--units", "inch", "--at", "180")
    assert code == 0
    assert "wall area, in²" in out
    assert f"{336.0 / 25.4**2:.4f}" in out


def test_areas_of_another_kind(capsys, job):
    wall, chord = (answer(capsys, "areas", job, "--at", "180", "--area", area) for area in ("wall", "chord"))
    assert (wall["area"], chord["area"]) == ("wall", "chord")
    assert chord["ports"][0]["at"][0]["area_mm2"] < wall["ports"][0]["at"][0]["area_mm2"]
    code, _, err = run(capsys, "areas", job, "--area", "directed")
    assert (code, len(err.splitlines())) == (1, 1)
    assert "tilt" in err
    for number in range(3):
        spoilt(job, f"maps.0.ports.{number}.tilt_deg", 60)
    directed = answer(capsys, "areas", job, "--at", "180", "--area", "directed")
    half = [port["at"][0]["area_mm2"] / 2 for port in chord["ports"]]
    assert [port["at"][0]["area_mm2"] for port in directed["ports"]] == pytest.approx(half)


def test_areas_as_a_table_for_a_spreadsheet(capsys, job, tmp_path):
    place = tmp_path / "areas.csv"
    assert answer(capsys, "areas", job, "--csv", str(place))["csv"] == str(place)
    rows = list(csv.DictReader(io.StringIO(place.read_text())))
    by_degree = {
        float(row["deg"]): row for row in rows if (row["port"], row["against"]) == ("exhaust", "degree")
    }
    by_height = [row for row in rows if (row["port"], row["against"]) == ("exhaust", "height")]
    assert sorted(by_degree) == list(range(361))
    assert float(by_degree[180]["wall_area_mm2"]) == pytest.approx(28 * 11.4, rel=1e-5)
    assert by_degree[0]["open_from_mm"] == ""
    assert all(float(row["open_to_mm"]) == 40 for row in by_height if row["open_to_mm"])
    whole = by_height[-1]
    assert float(whole["wall_area_mm2"]) == 336
    assert whole["deg"] == ""  # the crown at TDC − 32 mm never comes down to the floor
    halfway = by_height[len(by_height) // 2]
    timing = answer(capsys, "timing", job)["ports"][0]
    assert timing["opens_deg"] < float(halfway["deg"]) < 180


def test_timearea_at_one_speed(capsys, job):
    found = answer(capsys, "timearea", job, "--rpm", "9000")
    assert (found["rpm"], found["area"]) == (9000, "wall")
    spans = {span["span"]: span for span in found["spans"]}
    assert list(spans) == ["exhaust", "blowdown", "transfer", "intake"]
    for span in spans.values():
        # at 9000/min the crank turns 54,000 degrees a second; 53.18 cm³ = π/4·46²·32
        assert span["time_area_mm2_s"] == pytest.approx(span["angle_area_mm2_deg"] / 54_000)
        assert span["specific_s_per_m"] == pytest.approx(span["time_area_mm2_s"] / 53.1810, rel=1e-5)
        assert span["specific_s_cm2_per_cm3"] == pytest.approx(span["specific_s_per_m"] / 100)


def test_timearea_as_a_sweep_is_single_speeds_one_after_another(capsys, job):
    found = answer(capsys, "timearea", job, "--rpm", "6000:9000:1500", "--area", "chord")
    assert found["rpm"] == [6000, 7500, 9000]
    single = answer(capsys, "timearea", job, "--rpm", "9000", "--area", "chord")
    assert found["sweep"][2] == {"rpm": 9000, "spans": single["spans"]}
    code, out, _ = run(capsys, "timearea", job, "--rpm", "6000:9000:1500")
    assert code == 0
    assert re.search(r"^ *7500 ", out, re.M)


def test_shares_of_several_transfers_are_shown(capsys, job):
    document = sample()
    second = json.loads(json.dumps(document["maps"][0]["ports"][1])) | {"id": "side"}
    second["windows"][0]["outline_mm"] = box(34, 28, 44, 35)
    document["maps"][0]["ports"].append(second)
    Path(job).write_text(json.dumps(document))
    transfer = answer(capsys, "timearea", job, "--rpm", "9000")["spans"][2]
    assert sum(part["share"] for part in transfer["ports"]) == pytest.approx(1)
    assert re.search(r"  side, \d+\.\d %", run(capsys, "timearea", job, "--rpm", "9000")[1])


# --- the job ---


def test_new_makes_a_job_that_the_other_verbs_read(capsys, parts, tmp_path):
    found = answer(capsys, "new", *parts, "--assign", "3=exhaust", "--assign", "2,4=transfer:main")
    assert [(port["id"], port["kind_guessed"]) for port in found["ports"]] == [
        ("exhaust", False),
        ("main", False),
        ("intake", True),
    ]
    assert {warning["code"] for warning in found["warnings"]} == {"kind-guessed", "sheet-thickness-unknown"}
    made = read_job(tmp_path / "new.json")
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", made.created)
    timing = answer(capsys, "timing", str(tmp_path / "new.json"))
    assert timing["blowdown_deg"] == pytest.approx(16.35, abs=0.01)
    assert [w["code"] for w in timing["warnings"]] == ["kind-guessed", "sheet-thickness-unknown"]


def test_new_tells_a_person_what_was_guessed(capsys, parts):
    code, out, err = run(capsys, "new", *parts, "--sheet-thickness", "4 thou", "--control", "intake=none")
    assert code == 0
    assert re.search(r"exhaust +exhaust \(guessed\) +crown +1", out)
    assert re.search(r"intake +intake \(guessed\) +none +1", out)
    assert err.startswith("warning: Guessed from their places")
    assert len(err.splitlines()) == 1


def test_check_of_a_sound_job(capsys, job):
    found = answer(capsys, "check", job)
    assert found["sound"] is True
    assert [gap["where"] for gap in found["missing"]] == ["engine.case_volume_cm3", "cylinder.deck_height_mm"]
    assert found["maps"][0]["ports"][1]["windows"] == 2
    code, out, err = run(capsys, "check", job)
    assert (code, err) == (0, "")
    assert "the file is sound" in out


def test_check_lists_all_faults_a_line_each(capsys, job):
    for place, value in {
        "engine.rod_mm": 15,
        "engine.bore_mm": "46",
        "cylinder.base_gasket_mm": -1,
        "maps.0.ports.1.id": "exhaust",
        "maps.0.ports.2.windows.0.outline_mm": [[60, 8], [84, 17], [84, 8], [60, 17]],
    }.items():
        spoilt(job, place, value)
    code, out, err = run(capsys, "check", job)
    assert (code, out, len(err.splitlines())) == (1, "", 5)
    code, out, err = run(capsys, "check", job, "--json")
    error = json.loads(out)["error"]
    assert (code, err) == (1, "")
    assert (error["where"], len(error["faults"])) == ("engine.bore_mm", 5)
    assert error["message"] == "'46' is not a number"


def test_schema_to_the_screen_and_to_a_file(capsys, tmp_path):
    code, out, _ = run(capsys, "schema")
    assert code == 0
    assert json.loads(out)["title"] == "Job"
    place = tmp_path / "map-schema.json"
    assert answer(capsys, "schema", "map", "--out", str(place)) == {"schema": str(place)}
    assert json.loads(place.read_text())["title"] == "MapFile"


# --- bad input: exit 1, one line, nothing written ---

NEW = "new --map {map} --engine {engine} --out {out}"

BAD = {
    "no such job": ("timing {folder}/none.json", "there is no such file; check the name"),
    "a folder for a job": ("timing {folder}", "cannot be read"),
    "not JSON": ("timing {text}", "not valid JSON at line 1, column 1"),
    "not text": ("timing {binary}", "not a text file; name a JSON file"),
    "a map for a job": ("timing {map}", 'the format must be "portmap-job"'),
    "no such stage": ("timing {job} --stage ground", "there is no 'ground' map; the job has stock"),
    "rpm of nothing": ("timearea {job} --rpm 0", "--rpm: '0' is not a speed above 0"),
    "rpm below nothing": ("timearea {job} --rpm -9000", "--rpm: '-9000' is not a speed above 0"),
    "rpm without end": ("timearea {job} --rpm inf", "--rpm: 'inf' is not a speed"),
    "rpm in words": ("timearea {job} --rpm fast", "--rpm: 'fast' is not a speed; write it like 9000"),
    "sweep that never ends": (
        "timearea {job} --rpm 1:9e4:1e-3",
        "values, more than 2,000; take a wider step",
    ),
    "unknown unit": (
        NEW + " --sheet-thickness 0.1mn",
        "--sheet-thickness: 'mn' in '0.1mn' is not a unit of length",
    ),
    "negative thickness": (
        NEW + " --sheet-thickness -0.1",
        "--sheet-thickness: '-0.1' is not a length 0 or more",
    ),
    "absurd thickness": (NEW + " --sheet-thickness 2in", "thickness"),
    "unknown kind": (NEW + " --assign 1=exaust", "did you mean exhaust?"),
    "no such window": (NEW + " --assign 9=exhaust", "there is no window '9' in the map"),
    "output exists": (
        "new --map {map} --engine {engine} --out {job}",
        "the file exists; choose another name",
    ),
    "no such folder": (
        "new --map {map} --engine {engine} --out {folder}/none/a.json",
        "the folder does not exist; make it first",
    ),
    "output is a folder": ("new --map {map} --engine {engine} --out {folder}", "this is a folder"),
    "folder that takes nothing": (
        "new --map {map} --engine {engine} --out /proc/portmap.json",
        "/proc/portmap.json: ",
    ),
    "csv exists": ("areas {job} --csv {map}", "the file exists"),
    "angles in words": ("areas {job} --at noon", "--at: 'noon' is not an angle"),
    "card of another kind": ("card flat --out {folder}/card.doc", "a card is a PDF, SVG or PNG"),
    "card too fine": ("card flat --out {folder}/card.png --dpi 99999", "dots per inch"),
    "photo that is none": ("flatten {text} --out {folder}/flat.png", "text.json: "),
    "photo that is not there": ("flatten {folder}/a.jpg --out {folder}/flat.png", "there is no such file"),
    "photo to a JPEG": ("flatten {text} --out {folder}/flat.jpg", ""),
    "bar of words": (
        "flatten {text} --out {folder}/f.png --bar-measured long",
        "--bar-measured: 'long' is not a length",
    ),
    "one bar or two": (
        "flatten {text} --out {folder}/f.png --bar-measured 99,98",
        "--bar-measured: 99,98 may be one length or two; write 99.98 for one, 99;98 for across and down",
    ),
    "three bars": (
        "flatten {text} --out {folder}/f.png --bar-measured 99.6,99.7,99.8",
        "3 lengths are too many",
    ),
    "image without scale": ("trace {text} --out {folder}/m.json", "text.json: "),
    "map over its own picture": ("trace {map} --out {map} --force", "this file is read; name another one"),
}


@pytest.fixture
def places(tmp_path, job, parts) -> dict[str, str]:
    (tmp_path / "text.json").write_text("exhaust 38.2 mm")
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00\x80")
    found = {name: str(tmp_path / f"{name}.json") for name in ("text", "binary", "map", "engine", "job")}
    return found | {"folder": str(tmp_path), "out": str(tmp_path / "new.json")}


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()}


@pytest.mark.parametrize(("line", "message"), BAD.values(), ids=BAD)
def test_bad_input_is_one_line_and_nothing_is_written(capsys, tmp_path, places, line, message):
    arguments = line.format(**places).split()
    before = contents(tmp_path)
    code, out, err = run(capsys, *arguments)
    assert (code, out, len(err.splitlines())) == (1, "", 1), err
    assert message in err
    assert "; " in err  # what to do
    assert "Traceback" not in err
    assert contents(tmp_path) == before
    code, out, err = run(capsys, *arguments, "--json")
    error = json.loads(out)["error"]
    assert (code, err, set(error)) == (1, "", {"message", "where", "remedy"})
    assert error["message"]
    assert error["where"]
    assert error["remedy"]
    assert contents(tmp_path) == before


WRONG_USAGE = {
    "no such verb": ["timimg"],
    "no such option": ["timing", "{job}", "--speed", "9000"],
    "no job": ["timing"],
    "no speed": ["timearea", "{job}"],
    "no such stage": ["timing", "{job}", "--stage", "worn"],
    "a number that is none": ["card", "flat", "--dpi", "many"],
    "half a verb": ["card"],
}


@pytest.mark.parametrize("arguments", WRONG_USAGE.values(), ids=WRONG_USAGE)
def test_wrong_usage_is_exit_2(capsys, places, tmp_path, arguments):
    before = contents(tmp_path)
    code, _, _ = run(capsys, *(argument.format(**places) for argument in arguments))
    assert code == 2
    assert contents(tmp_path) == before


def test_force_replaces(capsys, parts, tmp_path):
    assert run(capsys, "new", *parts)[0] == 0
    assert run(capsys, "new", *parts)[0] == 1
    assert run(capsys, "new", *parts, "--force", "--name", "again")[0] == 0
    assert read_job(tmp_path / "new.json").name == "again"


# --- a system that refuses ---


def test_a_disk_that_is_full_when_writing(capsys, parts, tmp_path, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    before = contents(tmp_path)
    code, out, err = run(capsys, "new", *parts)
    assert (code, out, len(err.splitlines())) == (1, "", 1)
    assert "could not be written (No space left on device); free some space" in err
    assert contents(tmp_path) == before


def test_a_file_that_the_system_cuts_off(job, tmp_path):
    """A real limit, not a stand-in: the process may write 2,000 bytes to a file, the table has more."""
    limited = "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000));"
    done = subprocess.run(
        [sys.executable, "-c", limited + PORTMAP[2], "areas", job, "--csv", str(tmp_path / "areas.csv")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (1, "", 1)
    assert "could not be written (File too large)" in done.stderr
    assert sorted(contents(tmp_path)) == ["job.json"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_output_to_a_disk_that_is_full(job):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*PORTMAP, "timing", job], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert (done.returncode, len(done.stderr.splitlines())) == (1, 1)
    assert "no space left on device" in done.stderr


def test_a_reader_that_goes_away_is_no_news(job):
    with subprocess.Popen(
        [*PORTMAP, "areas", job, "--at", "0:180:0.1", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == running.NOBODY_READS


def test_an_unexpected_refusal_of_the_system_is_one_line(capsys, job, monkeypatch):
    def refuse(path):
        raise PermissionError(errno.EACCES, "Permission denied", "/mnt/photos")

    monkeypatch.setattr("portmap.job.read_job", refuse)
    code, out, err = run(capsys, "timing", job)
    assert (code, out, len(err.splitlines())) == (1, "", 1)
    assert err.startswith("/mnt/photos: the system refused it (permission denied); check")


def test_a_fault_of_our_own_is_not_dressed_up(job, monkeypatch):
    def broken(path):
        raise ZeroDivisionError("ours")

    monkeypatch.setattr("portmap.job.read_job", broken)
    with pytest.raises(ZeroDivisionError, match="ours"):
        main(["timing", job])


def test_interrupted_is_130_and_quiet(tmp_path):
    """A pipe that never delivers stands for a slow disk; the interruption comes while it is read.

    Tests that a shell runs in the background hand on that Ctrl-C is ignored: in a terminal it is not.
    """
    pipe = tmp_path / "slow.json"
    os.mkfifo(pipe)
    heard = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    with subprocess.Popen(
        [*PORTMAP[:-1], heard + PORTMAP[-1], "timing", str(pipe)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        writer = os.open(pipe, os.O_WRONLY)  # returns once portmap has opened the other end
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
        os.close(writer)
    assert (process.returncode, out) == (130, "")
    assert "Traceback" not in err


def test_a_name_with_a_line_break_stays_one_line(capsys, tmp_path):
    code, _, err = run(capsys, "timing", str(tmp_path / "a\nb.json"))
    assert (code, len(err.splitlines())) == (1, 1)


def test_a_terminal_without_degree_signs_gets_substitutes(job):
    environment = os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run([*PORTMAP, "timing", job], env=environment, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    assert b"98.63" in done.stdout


# --- cards ---


@pytest.mark.parametrize(("name", "start"), [("c.pdf", b"%PDF"), ("c.svg", b"<?xml"), ("c.png", b"\x89PNG")])
def test_cards_are_written_in_each_format(capsys, tmp_path, name, start):
    found = answer(capsys, "card", "flat", "--out", str(tmp_path / name), "--dpi", "100", "--paper", "Letter")
    assert (tmp_path / name).read_bytes().startswith(start)
    assert len(found["free_area_mm"]) == 4
    if name.endswith("png"):
        assert found["px_per_mm"] == pytest.approx(100 / 25.4)
        assert len(found["origin_px"]) == 2


def test_a_card_without_a_name_goes_to_the_working_folder(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, "card", "flat")
    assert (code, err) == (0, "")
    assert "Wrote card-flat-A4.pdf" in out
    assert (tmp_path / "card-flat-A4.pdf").exists()


# --- from a photo to a job, the verbs one after another ---

PX_PER_MM = 200 / 25.4
IMPRESSIONS = ((-34, 28, -22, 36), (-14, 28, 14, 40), (22, 28, 34, 36))  # left, floor, right, roof
EDGE_MM = 0.06  # half a pixel of 0.127 mm: the rectangles' edges are steps from one pixel to the next


@pytest.fixture(scope="module")
def flat(tmp_path_factory) -> tuple[Path, list[tuple[float, ...]]]:
    """A flattened card and where three rectangles were inked on it, to the pixel.

    They are drawn on the card's own picture, not photographed: this is about verbs, not about accuracy.
    """
    from PIL import Image, ImageDraw

    from portmap.picture.card import flat_card
    from portmap.picture.card_drawing import png_scale

    folder = tmp_path_factory.mktemp("flat")
    card, photo = folder / "card.png", folder / "photo.png"
    assert main(["card", "flat", "--out", str(card), "--dpi", "200"]) == 0
    column, row = png_scale(flat_card("A4"), 200)["origin_px"]
    image = Image.open(card).point(lambda tone: 0.85 * tone)  # as grey as a photo of white paper
    truth = []
    for left, floor, right, roof in IMPRESSIONS:
        first, last = round(column + left * PX_PER_MM), round(column + right * PX_PER_MM)
        top, bottom = round(row - roof * PX_PER_MM), round(row - floor * PX_PER_MM)
        ImageDraw.Draw(image).rectangle((first, top, last, bottom), fill=(30, 30, 30))
        edges = (first - 0.5 - column, row - bottom - 0.5, last + 0.5 - column, row - top + 0.5)
        truth.append(tuple(edge / PX_PER_MM for edge in edges))
    image.save(photo)
    assert main(["flatten", str(photo), "--out", str(folder / "flat.png")]) == 0
    return folder / "flat.png", truth


def test_flatten_has_the_keys_that_other_programs_rely_on(capsys, flat, tmp_path):
    photo = flat[0].with_name("photo.png")
    found = answer(capsys, "flatten", str(photo), "--out", str(tmp_path / "f.png"), "--bar-measured", "100,2")
    assert {"image", "mm_per_px", "residual_mm", "markers_found", "warnings"} <= set(found)
    assert 100 < found["markers_found"] <= found["markers_on_card"]
    assert found["print_scale"] == [1.002, 1.002]
    sidecar = json.loads((tmp_path / "f.json").read_text())
    assert (sidecar["format"], sidecar["mm_per_px"]) == ("portmap-image", found["mm_per_px"])


def test_the_photo_becomes_a_job(capsys, flat, parts, tmp_path):
    image, truth = flat
    place = str(tmp_path / "traced.json")
    over = str(tmp_path / "over.png")
    options = ["--out", place, "--overlay", over, "--lift", "filled", "--expect", "3"]
    found = answer(capsys, "trace", str(image), *options)
    assert found["overlay"] == over
    assert Path(over).read_bytes().startswith(b"\x89PNG")
    for window, (left, floor, right, roof) in zip(found["windows"], truth, strict=True):
        assert (window["roof_mm"], window["floor_mm"]) == pytest.approx((roof, floor), abs=EDGE_MM)
        assert window["width_mm"] == pytest.approx(right - left, abs=2 * EDGE_MM)
    document = json.loads(Path(place).read_text())
    assert (document["format"], document["version"]) == ("portmap-map", 1)
    assert [port["id"] for port in document["ports"]] == ["1", "2", "3"]
    made = answer(capsys, "new", "--map", place, *parts[2:])
    assert [port["id"] for port in made["ports"]] == ["exhaust", "transfer"]
    timing = answer(capsys, "timing", str(tmp_path / "new.json"))
    assert timing["ports"][0]["opens_u_deg"] > 0
    code, out, _ = run(capsys, "trace", str(image), "--out", place, "--force", "--keep", "1,3")
    assert code == 0
    assert re.search(r"^ *3 +\d+\.\d ± \d+\.\d", out, re.M)
    assert not re.search(r"^ *2 ", out, re.M)


BAD_TRACES = {
    "one window too many expected": (["--expect", "4"], "3"),
    "a window that is not there": (["--keep", "7"], "--keep: there is no window 7"),
    "words for windows": (["--drop", "all"], "--drop: 'all' does not name windows"),
    "tolerance of nothing": (["--tolerance", "0"], "--tolerance: '0' is not a length above 0"),
    "area in millimetres": (["--min-area", "12 mm"], "'mm' in '12 mm' is not a unit of area"),
    "sheet thicker than the bore": (["--sheet-thickness", "50", "--bore", "46"], "thickness"),
    "overlay of another kind": (["--overlay", "over.jpg"], "over.jpg: an overlay is a PNG"),
    "overlay over its own picture": (["--overlay", "{image}.png", "--force"], "this file is read"),
    "over its own sidecar": (["--out", "{image}.json", "--force"], "this file is read; name another one"),
}


@pytest.mark.parametrize(("options", "message"), BAD_TRACES.values(), ids=BAD_TRACES)
def test_traces_that_cannot_be_are_one_line(capsys, flat, tmp_path, options, message):
    image = flat[0]
    before = contents(image.parent)
    options = [option.format(image=image.with_suffix("")) for option in options]
    out_options = [] if "--out" in options else ["--out", str(tmp_path / "m.json")]
    code, out, err = run(capsys, "trace", str(image), *out_options, *options)
    assert (code, out, len(err.splitlines())) == (1, "", 1), err
    assert message in err
    assert (contents(image.parent), contents(tmp_path)) == (before, {})


DRAWINGS = {
    "a.csv": "window,x_mm,y_mm\n1,-14,28\n1,14,28\n1,14,40\n1,-14,40\n",
    "a.svg": '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="-50 -60 100 60">'
    '<path d="M -14 -28 L 14 -28 L 14 -40 L -14 -40 Z"/></svg>',
}


@pytest.mark.parametrize(("name", "text"), DRAWINGS.items(), ids=DRAWINGS)
def test_a_drawing_comes_in_the_same_way(capsys, tmp_path, name, text):
    drawing, place = tmp_path / name, tmp_path / "m.json"
    drawing.write_text(text)
    found = answer(capsys, "trace", str(drawing), "--out", str(place), "--edge-doubt", "0.05 mm")
    window = found["windows"][0]
    assert (found["lift"], window["wall_area_mm2"]) == ("drawn", pytest.approx(336, abs=0.001))
    assert (window["roof_mm"], window["floor_mm"]) == pytest.approx((40, 28), abs=1e-4)
    assert window["roof_u_mm"] == 0.05
    assert json.loads(place.read_text())["ports"][0]["windows"][0]["doubt"]["roof_u_mm"] == 0.05
    assert "drawn" in json.loads(place.read_text())["source"]["lift"]


def test_a_drawing_in_other_letters_and_options_that_mean_nothing(capsys, tmp_path, flat):
    from portmap.commands.tracing import DRAWINGS as KNOWN
    from portmap.picture.drawn import FORMATS

    assert set(FORMATS) == KNOWN
    drawing, out = tmp_path / "A.CSV", ["--out", str(tmp_path / "m.json")]
    drawing.write_text(DRAWINGS["a.csv"])
    code, _, err = run(capsys, "trace", str(drawing), *out, "--lift", "line")
    assert (code, err) == (1, "--lift: this is for an image only; leave it away here\n")
    code, _, err = run(capsys, "trace", str(flat[0]), *out, "--unit", "1 mm")
    assert (code, err) == (1, "--unit: this is for a drawing only; leave it away here\n")
    assert run(capsys, "trace", str(drawing), *out)[0] == 0


def test_what_was_mirrored_is_not_mirrored_again(capsys, flat, tmp_path):
    photo = str(flat[0].with_name("photo.png"))
    image = str(tmp_path / "wall.png")
    assert run(capsys, "flatten", photo, "--out", image, "--marked", "wall")[0] == 0
    code, _, err = run(capsys, "trace", image, "--out", str(tmp_path / "m.json"), "--marked", "wall")
    assert (code, len(err.splitlines())) == (1, 1)
    assert "--marked: the image was mirrored when it was flattened" in err


@pytest.mark.parametrize(
    ("typed", "bars"),
    [
        ("99,6", (99.6, 99.6)),
        ("100,100", (100.0, 100.0)),
        ("99.6,100.2", (99.6, 100.2)),
        ("99;101", (99.0, 101.0)),
    ],
)
def test_bars_are_read_with_a_decimal_comma_or_as_two(typed, bars):
    from portmap.commands.picture import _bars

    assert _bars(typed) == pytest.approx(bars)


# --- a job without any picture ---


def test_timing_of_ports_known_from_readings_alone(tmp_path, capsys):
    # Common practice, no source: 104° after TDC is 152° of duration; transfers at 120° leave 16°.
    job = tmp_path / "job.json"
    engine = {"bore_mm": 50.0, "stroke_mm": 34.0, "crown_height_mm": 61.9}
    document = {"format": "portmap-job", "version": 1, "name": "made up", "maps": [], "engine": engine}
    document["engine"]["basis"] = {"crown_height_mm": "assumed"}
    job.write_text(json.dumps(document))
    words = ["exhaust opens 104", "transfer opens 120", "exhaust roof 38.5 mm above base"]
    assert main(["read", str(job), *(part for word in words for part in ("--add", word))]) == 0
    assert main(["fit", str(job), "--write"]) == 0
    capsys.readouterr()
    assert main(["timing", str(job), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    ports = {port["id"]: port for port in found["ports"]}
    assert ports["exhaust"]["opens_deg"] == pytest.approx(104, abs=0.01)
    assert ports["exhaust"]["duration_deg"] == pytest.approx(152, abs=0.02)
    assert found["blowdown_deg"] == pytest.approx(16, abs=0.01)
    # a wheel good for half a degree cannot give a degree better than that
    assert ports["transfer"]["opens_u_deg"] == pytest.approx(0.25, abs=0.02)
    assert found["blowdown_u_deg"] == pytest.approx(0.25 * 2**0.5, abs=0.03)


def test_check_refuses_a_reading_of_no_port(tmp_path, capsys):
    job = tmp_path / "job.json"
    reading = {"kind": "opens", "port": "exhuast", "value": 104.0, "unit": "deg"}
    job.write_text(json.dumps({**sample(), "readings": [reading]}))
    assert main(["check", str(job)]) == 1
    assert "exhuast" in capsys.readouterr().err


def test_check_refuses_a_limit_of_no_name(tmp_path, capsys):
    job = tmp_path / "job.json"
    job.write_text(json.dumps({**sample(), "limits": {"squsih": 0.4}}))
    assert main(["check", str(job)]) == 1
    assert "squsih" in capsys.readouterr().err
