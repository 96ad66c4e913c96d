"""The verb compare: stages of a job, two jobs, map files; what it says, writes and refuses."""

import json

import pytest

from portmap.cli import main
from tests.cylinders import (
    SHORT_MM,
    SLIP_MM,
    ground,
    job_document,
    laid_askew,
    ports_document,
    proposed,
    stock,
)

FOUND_MM = 0.005


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with jobs and maps of the invented cylinder."""
    documents = {
        "job.json": job_document(stock(), proposed(), ground()),
        "stock.json": job_document(stock()),
        "wide.json": job_document(stock(), bore_mm=52.0),
        "traced.json": {"format": "portmap-map", "version": 1, "ports": ports_document(stock())},
        "askew.json": {
            "format": "portmap-map",
            "version": 1,
            "ports": ports_document(laid_askew(ground(), 0.35, -0.25, 0.4)),
        },
        "alien.json": {"format": "portmap-map", "version": 1, "ports": ports_document(stock())[:1]},
        "broken.json": {"format": "portmap-job", "version": 1, "name": "x", "maps": []},
        "empty.json": {**job_document(), "name": "no map"},
    }
    documents["alien.json"]["ports"][0]["windows"][0]["outline_mm"] = [[-9, 8], [9, 8], [0, 60]]
    for name, document in documents.items():
        (tmp_path / name).write_text(json.dumps(document))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def answer(capsys, *arguments: str) -> dict:
    assert main(["compare", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_one_job_is_compared_from_its_first_stage_to_its_last(folder, capsys):
    found = answer(capsys, "job.json")
    assert (found["a"]["stage"], found["b"]["stage"]) == ("stock", "ground")
    exhaust = found["ports"][0]
    assert exhaust["roof_mm"]["change"] == pytest.approx(2.0)
    assert set(exhaust["opens_deg"]) >= {"a", "b", "change", "beyond_doubt"}
    assert found["registration"] | {"dx_mm": 0, "dy_mm": 0, "turn_deg": 0} == found["registration"]
    (slip,) = found["nearness"]["ports"][0]["past_places"]
    assert slip["depth_mm"] == pytest.approx(SLIP_MM[2], abs=1e-4)
    assert slip["words"].startswith("roof, at 42.00 mm above base, ")
    assert slip["words"].endswith("right of centre")
    assert [pair["left"] for pair in found["pairs"]] == ["second", "main"]
    assert found["pairs"][1]["roof_mm"]["difference"] == pytest.approx(-SHORT_MM, abs=1e-4)


@pytest.mark.parametrize(
    "told",
    [
        ["job.json", "--stages", "stock,proposed"],
        ["job.json", "--stage-a", "stock", "--stage-b", "proposed"],
        ["stock.json", "job.json", "--stage-b", "proposed"],
        ["job.json", "job.json", "--stages", "stock, proposed"],
    ],
    ids=lambda told: " ".join(told),
)
def test_stages_may_be_told_in_each_way(folder, capsys, told):
    found = answer(capsys, *told)
    assert (found["a"]["stage"], found["b"]["stage"]) == ("stock", "proposed")
    assert found["ports"][0]["roof_mm"]["change"] == pytest.approx(1.6, abs=1e-4)
    assert found["nearness"] is None


def test_a_person_reads_the_slip_and_what_is_still_to_take(folder, capsys):
    assert main(["compare", "job.json"]) == 0
    said = capsys.readouterr().out
    assert "▲ 0.40 mm past the line: roof, at 42.00 mm above base, " in said
    assert "△ 0.35 mm still to take: roof, at 36.60 mm above base, 26.50 mm right of centre" in said
    assert "second: on the line, to within what can be told." in said
    assert "−0.35 !" in said  # left and right
    assert "-0" not in said.replace("--", "")


def test_figures_may_be_in_inches(folder, capsys):
    assert main(["compare", "job.json", "--units", "inch"]) == 0
    said = capsys.readouterr().out
    assert "0.0157 in past the line" in said
    assert "+0.0787" in said  # 2 mm


def test_maps_alone_are_fitted_and_have_no_timing(folder, capsys):
    found = answer(capsys, "traced.json", "askew.json", "--bore", "46 mm", "--register", "fit")
    moved = found["registration"]
    assert (moved["dx_mm"], moved["dy_mm"]) == pytest.approx((0.35, -0.25), abs=FOUND_MM)
    assert moved["turn_deg"] == pytest.approx(0.4, abs=0.005)
    assert moved["method"] == "fit"
    assert found["ports"][0]["opens_deg"] is None
    assert found["ports"][0]["roof_mm"]["change"] == pytest.approx(2.0, abs=FOUND_MM)
    assert (found["a"]["stage"], found["b"]["stage"]) == ("stock", "ground")
    assert main(["compare", "traced.json", "askew.json", "--bore", "46", "--register", "fit"]) == 0
    assert "b was laid on what was not ground:" in capsys.readouterr().out


def test_a_map_is_held_against_the_wish_of_the_job_that_it_is_compared_with(folder, capsys):
    found = answer(capsys, "job.json", "askew.json", "--bore", "46", "--register", "fit")
    (slip,) = found["nearness"]["ports"][0]["past_places"]
    assert slip["depth_mm"] == pytest.approx(SLIP_MM[2], abs=FOUND_MM)


def test_other_bores_are_compared_in_degrees(folder, capsys):
    found = answer(capsys, "stock.json", "wide.json", "--degrees-only")
    assert found["degrees_only"] is True
    assert found["ports"][0]["roof_mm"] is None
    assert found["ports"][0]["opens_deg"]["change"] == 0.0
    assert main(["compare", "stock.json", "wide.json", "--degrees-only"]) == 0
    assert "Bores 46 and 52 mm: degrees alone." in capsys.readouterr().out


def test_a_speed_is_that_of_the_time_areas(folder, capsys):
    slow, fast = (answer(capsys, "job.json", "--rpm", rpm) for rpm in ("6000", "12000"))
    assert (slow["rpm"], fast["rpm"]) == (6000.0, 12000.0)
    for one, other in zip(slow["spans"], fast["spans"], strict=True):
        assert one["time_area_mm2_s"]["a"] == pytest.approx(2 * other["time_area_mm2_s"]["a"])


def test_picture_and_plot_are_written_together(folder, capsys):
    found = answer(capsys, "job.json", "--picture", "both.svg", "--plot", "areas.PDF")
    assert (found["picture"], found["plot"]) == ("both.svg", "areas.PDF")
    assert (folder / "both.svg").read_bytes().startswith(b"<?xml")
    assert (folder / "areas.PDF").read_bytes().startswith(b"%PDF-")
    assert main(["compare", "job.json", "--picture", "both.svg"]) == 1
    assert "the file exists" in capsys.readouterr().err
    assert main(["compare", "job.json", "--picture", "both.svg", "--force"]) == 0
    assert "Wrote both.svg." in capsys.readouterr().out


BAD = {
    "no such file": (["no.json", "job.json"], "no.json: there is no such file"),
    "no second stage": (["stock.json"], "stock.json: the file has stock ports alone; name a second file"),
    "one map": (["traced.json", "--bore", "46"], "traced.json: the file is a map"),
    "no maps": (["empty.json", "job.json"], "empty.json, maps: the job has no map of its ports"),
    "no such stage": (["job.json", "stock.json", "--stage-b", "ground"], "there is no 'ground' map"),
    "bores differ": (["stock.json", "wide.json"], "the bores differ, 46 and 52 mm"),
    "no bore": (["traced.json", "job.json"], "--bore: traced.json is a map, which does not tell its bore"),
    "a map's degrees": (
        ["traced.json", "job.json", "--bore", "46", "--degrees-only"],
        "no timing to compare",
    ),
    "bore of a map differs": (["traced.json", "job.json", "--bore", "50"], "the bores differ, 50 and 46 mm"),
    "bore 0": (["traced.json", "askew.json", "--bore", "0"], "--bore"),
    "not two stages": (["job.json", "--stages", "stock"], "--stages: 'stock' is not two stages"),
    "no such stages": (["job.json", "--stages", "stock,done"], "'stock,done' is not two stages"),
    "stages twice": (["job.json", "--stages", "stock,ground", "--stage-a", "stock"], "it says the same"),
    "speed 0": (["job.json", "--rpm", "0"], "is not a speed above 0"),
    "speeds": (["job.json", "--rpm", "6000,9000"], "--rpm: 2 speeds were given; give one"),
    "picture form": (["job.json", "--picture", "a.pdf"], "a.pdf: --picture draws no such file"),
    "plot form": (["job.json", "--plot", "a.jpg"], "a.jpg: --plot draws no such file"),
    "one file": (["job.json", "--plot", "a.svg", "--picture", "a.svg"], "cannot be one file"),
    "over what is read": (["job.json", "job.json", "--picture", "job.png"], "this file is read"),
    "nothing agrees": (["traced.json", "alien.json", "--bore", "46", "--register", "fit"], "--register fit"),
    "no wall": (["stock.json", "wide.json", "--degrees-only", "--picture", "a.svg"], "no wall to draw"),
    "nothing to fit": (["stock.json", "wide.json", "--degrees-only", "--register", "fit"], "--register"),
    "nothing to plot": (
        ["traced.json", "askew.json", "--bore", "46", "--plot", "a.svg"],
        "no timing to plot",
    ),
}


@pytest.mark.parametrize(("told", "words"), BAD.values(), ids=BAD.keys())
def test_what_cannot_be_is_one_line_and_nothing_is_written(folder, capsys, told, words):
    (folder / "job.png").hardlink_to(folder / "job.json")
    more = ["--force"] if "job.png" in told else []
    before = {place.name: place.read_bytes() for place in folder.iterdir()}
    assert main(["compare", *told, *more]) == 1
    said = capsys.readouterr()
    assert words in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert said.out == ""
    assert {place.name: place.read_bytes() for place in folder.iterdir()} == before


def test_every_fault_names_its_file(folder, capsys):
    assert main(["compare", "job.json", "broken.json"]) == 1
    lines = capsys.readouterr().err.strip().splitlines()
    assert lines
    assert all(line.startswith("broken.json") for line in lines)
