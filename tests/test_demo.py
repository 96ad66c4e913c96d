"""The demo: one whole run on the samples, held against the truth, the verbs, and its own promises."""

import json
import shlex
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from shapely import Polygon

from portmap.cli import main
from portmap.demo import run_demo
from portmap.demo_truth import Comparison, check_not_broken
from portmap.errors import OutputError, PortmapError

ROOT = Path(__file__).parents[1]
PHOTOS = ("rubbed.jpg", "pencil.jpg", "cut.jpg", "rubbed.heic")

# What a flat photo of 12 million pixels is to reach at 90 of 100 trials (design, section 6); the job is made
# from such a one, in fair light. Of the others, one of which is in bad light and one smaller, the outline is
# held to what the design asks of tracing: on average 0.3 pixels.
AREA_SHARE = 0.0015
HEIGHT_MM = 0.02
REACHED = 0.9
OUTLINE_PX = 0.3
DEGREE = 0.1  # a tenth: what 0.02 mm of roof is worth where the piston runs at 0.25 mm per degree
SECONDS = 30.0


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Run the demo once; the folder, what it answered, and what it told."""
    folder = tmp_path_factory.mktemp("out") / "demo"
    told = []
    return folder, run_demo(folder, tell=told.append), told


def truth() -> dict[str, Polygon]:
    document = json.loads((ROOT / "sample_images" / "truth.json").read_text())
    return {window["id"]: Polygon(window["outline_mm"]) for window in document["windows"]}


def test_the_true_figures_are_those_of_the_truth_file(run):
    shapes = truth()
    seen = 0
    for each in run[1]["comparison"]:
        if each["figure"] in ("roof_mm", "floor_mm", "wall_area_mm2"):
            shape = shapes[each["port"]]
            known = {"roof_mm": shape.bounds[3], "floor_mm": shape.bounds[1], "wall_area_mm2": shape.area}
            assert each["true"] == pytest.approx(known[each["figure"]], rel=1e-9)
            assert each["off"] == pytest.approx(each["measured"] - each["true"])
            seen += 1
    assert seen == 3 * len(shapes) * len(PHOTOS)


def test_the_job_comes_as_near_as_promised(run):
    own = [each for each in run[1]["comparison"] if each["photo"] == PHOTOS[0]]
    heights = [abs(each["off"]) for each in own if each["figure"] in ("roof_mm", "floor_mm")]
    shares = [abs(each["off"]) / each["true"] for each in own if each["figure"] == "wall_area_mm2"]
    assert len(heights) == 8
    assert len(shares) == 4
    assert max(heights) <= HEIGHT_MM
    assert max(shares) <= AREA_SHARE


def test_every_photo_comes_near(run):
    folder, document, _ = run
    shapes = truth()
    heights = [
        abs(each["off"]) for each in document["comparison"] if each["figure"] in ("roof_mm", "floor_mm")
    ]
    assert np.quantile(heights, REACHED) <= HEIGHT_MM
    for each in document["comparison"]:
        if each["figure"] == "wall_area_mm2":
            image = json.loads((folder / f"{each['photo'].replace('.', '-')}-flat.json").read_text())
            reach = OUTLINE_PX * image["mm_per_px"] * shapes[each["port"]].length
            assert abs(each["off"]) <= reach, (each["photo"], each["port"])


def test_timings_of_the_job_come_as_near_as_promised(run):
    degrees = [
        each["off"] for each in run[1]["comparison"] if each["figure"] in ("opens_deg", "blowdown_deg")
    ]
    assert len(degrees) == 5
    assert max(map(abs, degrees)) <= DEGREE


def test_the_doubts_of_the_job_hold_the_truth_as_often_as_they_should(run):
    document = run[1]
    assert document["of"] == len(document["comparison"])
    assert document["inside"] == sum(abs(each["off"]) <= 2 * each["u"] for each in document["comparison"])
    own = [each["inside"] for each in document["comparison"] if each["photo"] == PHOTOS[0]]
    assert np.mean(own) >= REACHED


def test_what_was_measured_is_what_the_files_hold(run):
    folder, document, _ = run
    job = json.loads((folder / "job.json").read_text())
    for port in job["maps"][0]["ports"]:
        roof = max(y for _, y in port["windows"][0]["outline_mm"])
        told = [
            each["measured"]
            for each in document["comparison"]
            if (each["photo"], each["port"], each["figure"]) == (PHOTOS[0], port["id"], "roof_mm")
        ]
        assert told == [pytest.approx(roof, abs=1e-4)]
        assert not port.get("kind_guessed", False)


def test_every_step_says_what_it_did_and_wrote_what_it_says(run):
    folder, document, told = run
    assert [step.title for step in told] == [step["title"] for step in document["steps"]]
    written = [name for step in told for name in step.files]
    assert len(set(written)) == len(written)
    assert {file.name for file in folder.iterdir()} == set(written)
    assert all((folder / name).stat().st_size > 0 for name in written)
    assert all(step.said for step in told)
    assert {"card.pdf", "job.json", "areas.csv", "sheet.pdf"} <= set(written)
    assert {f"{photo.replace('.', '-')}-outlines.png" for photo in PHOTOS} <= set(written)


def test_the_demo_is_quick_enough(run):
    # on 2 cores; others may be using them
    assert run[1]["seconds"] < 2 * SECONDS


def test_the_named_verbs_make_the_same_files(run, tmp_path, monkeypatch, capsys):
    folder, document, _ = run
    stem = PHOTOS[0].replace(".", "-")
    for name in (PHOTOS[0], "engine.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    monkeypatch.chdir(tmp_path)
    done = []
    for step in document["steps"]:
        words = shlex.split(step["command"])
        if words and not any(photo.replace(".", "-") in step["command"] for photo in PHOTOS[1:]):
            assert main(words[1:]) == 0, capsys.readouterr().err
            done += step["files"]
    assert "sheet.pdf" in done
    assert f"{stem}-map.json" in done
    for name in done:
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes(), name


def test_json_gives_the_figures_and_nothing_else(run, monkeypatch, capsys):
    # the run itself is tested above: here only what the verb does with its answer
    import portmap.demo

    monkeypatch.setattr(portmap.demo, "run_demo", lambda folder, *, force: run[1])
    assert main(["demo", "--out", "anywhere", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(run[1]))


def test_the_table_shows_measured_and_true(run, monkeypatch, capsys):
    import portmap.demo

    def told_again(folder, *, force, tell):
        for step in run[2]:
            tell(step)
        return dict(run[1])

    monkeypatch.setattr(portmap.demo, "run_demo", told_again)
    assert main(["demo", "--out", "anywhere"]) == 0
    said = capsys.readouterr()
    assert "by hand: portmap sheet job.json --out sheet.pdf" in said.err
    assert f"{run[1]['inside']} of {run[1]['of']} true figures lie inside" in said.out
    exhaust = next(
        each for each in run[1]["comparison"] if each["figure"] == "roof_mm" and each["port"] == "exhaust"
    )
    assert f"{exhaust['measured']:.3f} ±" in said.out
    assert f"{exhaust['true']:.3f}" in said.out
    for photo in PHOTOS:
        assert photo in said.out


def test_a_folder_with_files_is_refused(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["demo", "--out", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "the folder holds files" in said
    assert "--force" in said
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "demo").write_text("not a folder")
    with pytest.raises(OutputError, match="the folder cannot be used"):
        run_demo(tmp_path / "demo")


def test_a_figure_far_from_the_truth_is_an_error(monkeypatch):
    far = Comparison(photo="a.jpg", port="exhaust", figure="roof_mm", measured=38.8, u=0.01, true=38.6)
    near = Comparison(photo="a.jpg", port="exhaust", figure="roof_mm", measured=38.62, u=0.01, true=38.6)
    check_not_broken([near])
    with pytest.raises(PortmapError, match=r"a\.jpg: roof_mm of exhaust came out \+0\.200 from the truth"):
        check_not_broken([near, far])


@pytest.mark.long
def test_a_wheel_carries_the_samples_and_runs_the_demo(tmp_path):
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = set(packed.namelist())
        packed.extractall(tmp_path / "installed")
    of_bore = (f"bore/{name}" for name in ("end-on-01.jpg", "scope-12.jpg", "turn.mp4", "bore.json"))
    for name in (*PHOTOS, "truth.json", "engine.json", "README.md", *of_bore):
        assert f"portmap/sample_images/{name}" in names
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]);"
        "import portmap; assert portmap.__file__.startswith(sys.argv[1]);"
        "from portmap.cli import main; sys.exit(main(['demo', '--out', 'demo', '--json']))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "installed")],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)["of"] > 50
    assert {entry.name for entry in tmp_path.iterdir()} == {wheel.name, "installed", "demo"}
