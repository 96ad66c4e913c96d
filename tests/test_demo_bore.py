"""The demo of the bore itself: its samples, what is told of the figures, and a whole run."""

import json
import math
import shlex
from pathlib import Path

import pytest
from shapely import box
from shapely.affinity import translate

import portmap.demo_bore
from portmap.cli import main
from portmap.demo_bore import _matched, run_bore_demo
from portmap.picture.camera import lens_of
from portmap.picture.traced import Trace, TracedWindow
from portmap.port import Window
from portmap.samples import SampleWindow, bore_samples, samples
from sample_images.make_bore_samples import described, sets

ROOT = Path(__file__).parents[1]
SIZE_MB = 9.0  # of the samples of the bore: they travel in the wheel
TURN_MM = math.pi * 46.0


def test_the_samples_are_whole_and_small():
    bore = bore_samples()
    assert [each.name for each in bore.sets] == ["end-on", "scope", "video"]
    names = [name for each in bore.sets for name in each.files]
    assert len(set(names)) == len(names) == 17
    size = sum(len(content) for each in bore.sets for content in each.files.values())
    assert size < SIZE_MB * 1e6
    assert bore.bore_mm == samples().engine["engine"]["bore_mm"]


def test_scopes_have_a_lens_file_and_a_strip_and_the_phone_has_neither():
    for each in bore_samples().sets:
        assert (each.lens is None) == (each.strip_y_mm is None) == (each.name == "end-on")
        if each.lens is not None:
            assert lens_of(json.loads(each.lens[1]), where=each.lens[0]).fx_px > 0


def test_the_samples_say_that_they_are_made_up():
    assert (
        "Nothing here was measured"
        in json.loads((ROOT / "sample_images/bore/bore.json").read_text())["about"]
    )
    assert "bore/" in (ROOT / "sample_images/README.md").read_text()


def test_the_script_tells_what_lies_there():
    document = json.loads((ROOT / "sample_images/bore/bore.json").read_text())
    for told, (name, bores) in zip(document["sets"], sets().items(), strict=True):
        assert told == described(name, bores, told["files"])
        if bores.lens is not None:
            assert json.loads((ROOT / "sample_images/bore" / told["lens"]).read_text()) == bores.lens


def known(name, left, low):
    return SampleWindow(id=name, kind="transfer", window=Window(outline=box(left, low, left + 10, low + 8)))


def traced(shape, number=1):
    return TracedWindow(
        number=number,
        window=Window(outline=shape),
        roof_mm=shape.bounds[3],
        floor_mm=shape.bounds[1],
        roof_degree=0,
        floor_degree=0,
        area_mm2=shape.area,
        darkness=None,
        blur_mm=None,
        line_width_mm=None,
        seen_share=1.0,
    )


def test_windows_are_matched_by_place_once_round_the_bore_too():
    windows = (known("near", -5, 20), known("wrapped", 67, 20), known("missed", 30, 20))
    over = traced(box(-30, 30, -20, 36), 3)
    found = [
        traced(translate(windows[1].window.outline, -TURN_MM + 0.2, 0.1), 1),
        traced(translate(windows[0].window.outline, -0.3, 0.2), 2),
        over,
    ]
    pairs, left = _matched(Trace(windows=tuple(found), lift="wall"), windows, TURN_MM)
    assert [(true.id, None if window is None else window.number) for true, window in pairs] == [
        ("near", 2),
        ("wrapped", 1),
        ("missed", None),
    ]
    assert left == [over]


def figure(photo, port, name, measured, u, true):
    off = measured - true
    return {
        "photo": photo,
        "port": port,
        "figure": name,
        "measured": measured,
        "u": u,
        "true": true,
        "off": off,
        "inside": abs(off) <= 2 * u,
    }


DOCUMENT = {
    "folder": "out",
    "seconds": 12.0,
    "steps": [],
    "ways": ["impression", "scope"],
    "comparison": [
        figure("impression", "intake", "wall_area_mm2", 269.2, 0.3, 269.5),
        figure("scope", "intake", "wall_area_mm2", 272.5, 0.8, 269.5),
        figure("impression", "intake", "roof_mm", 21.898, 0.01, 21.9),
        figure("scope", "intake", "roof_mm", 21.88, 0.05, 21.9),
        figure("impression", "exhaust", "roof_mm", 38.595, 0.01, 38.6),
    ],
    "inside": 4,
    "of": 5,
    "missed": [{"photo": "scope", "port": "exhaust"}],
    "invented": [{"photo": "scope", "area_mm2": 14.2}],
    "far": [figure("scope", "intake", "wall_area_mm2", 272.5, 0.8, 269.5)],
    "warnings": [{"code": "aslant", "message": "scope: a part is seen aslant"}],
}


def test_the_table_tells_each_way_beside_the_truth_and_what_is_off(monkeypatch, capsys):
    monkeypatch.setattr(portmap.demo_bore, "run_bore_demo", lambda *_, **__: json.loads(json.dumps(DOCUMENT)))
    assert main(["demo", "--bore", "--out", "anywhere"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "window true impression scope" in said
    assert "intake 269.50 269.20 ± 0.60 272.50 ± 1.60 *" in said
    assert "exhaust 38.600 38.595 ± 0.020 not found" in said
    assert "Noted: scope: a part is seen aslant" in said
    assert "Missed: scope did not find exhaust." in said
    assert "Invented: scope found a window of 14.2 mm² where none is." in said
    assert "Off: wall area of intake by scope, 3.00 mm²" in said
    assert "4 of 5 true roofs, floors and areas lie inside" in said


def test_json_gives_the_figures(monkeypatch, capsys):
    monkeypatch.setattr(portmap.demo_bore, "run_bore_demo", lambda *_, **__: json.loads(json.dumps(DOCUMENT)))
    assert main(["demo", "--bore", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == DOCUMENT


def test_a_folder_with_files_is_refused(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["demo", "--bore", "--out", str(tmp_path)]) == 1
    assert "the folder holds files" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.long
def test_a_whole_run(tmp_path, monkeypatch, capsys):
    folder, told = tmp_path / "demo", []
    document = run_bore_demo(folder, tell=told.append)
    assert document["ways"] == ["impression", "end-on", "scope", "video"]
    shapes = {window.id: window.window.outline for window in samples().windows}
    for each in document["comparison"]:
        shape = shapes[each["port"]]
        true = {"roof_mm": shape.bounds[3], "floor_mm": shape.bounds[1], "wall_area_mm2": shape.area}
        assert each["true"] == pytest.approx(true[each["figure"]], rel=1e-9)
    assert document["inside"] == sum(abs(each["off"]) <= 2 * each["u"] for each in document["comparison"])
    for way in document["ways"]:  # how often and how near windows are found is for the accuracy studies
        assert "exhaust" in {each["port"] for each in document["comparison"] if each["photo"] == way}
    written = [name for step in told for name in step.files]
    assert {file.name for file in folder.iterdir()} == set(written)
    for way in ("end-on", "scope", "video"):
        assert {
            f"{way}-{end}" for end in ("wall.png", "wall-coverage.png", "map.json", "outlines.png")
        } <= set(written)

    # the named verbs make the same files
    again = tmp_path / "again"
    again.mkdir()
    monkeypatch.chdir(again)
    way = bore_samples().sets[0]
    for name in way.files:
        (again / name).write_bytes((folder / name).read_bytes())
    for step in document["steps"]:
        if step["title"].endswith(way.name):
            assert main(shlex.split(step["command"])[1:]) == 0, capsys.readouterr().err
            for name in step["files"]:
                assert (again / name).read_bytes() == (folder / name).read_bytes(), name
