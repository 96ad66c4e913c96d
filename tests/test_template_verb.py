"""The template verb: a job file in, a 1:1 sheet out, the same bytes for the same file."""

import copy
import hashlib
import io
import json

import ezdxf
import pypdfium2 as pdfium
import pytest
from svgelements import SVG

from portmap.cli import main
from tests.sample_job import box, sample


def with_proposed() -> dict:
    """The sample with a raised exhaust roof as a proposed map, drawn by hand."""
    document = {**sample(), "created": "2026-03-14"}
    proposed = copy.deepcopy(document["maps"][0])
    proposed["stage"] = "proposed"
    proposed["ports"][0]["windows"] = [{"outline_mm": box(-14, 28, 14, 41.2)}]
    document["maps"].append(proposed)
    return document


@pytest.fixture
def job(tmp_path):
    """A job file with a stock and a proposed map."""
    place = tmp_path / "job.json"
    place.write_text(json.dumps(with_proposed()))
    return place


def changed(job, **engine) -> None:
    document = json.loads(job.read_text())
    for name, value in engine.items():
        document["cylinder" if name in ("deck_height_mm", "wall_thickness_mm") else "engine"][name] = value
    job.write_text(json.dumps(document))


def text_of(place) -> str:
    return " ".join(pdfium.PdfDocument(place.read_bytes())[0].get_textpage().get_text_range().split())


def test_the_sheet_is_written_and_described(job, tmp_path, capsys):
    out = tmp_path / "sheet.pdf"
    assert main(["template", str(job), "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["template"] == str(out)
    assert said["format"] == "pdf"
    assert said["stages"] == ["stock", "proposed"]
    assert said["side"] == "inside"
    assert said["datum"] == "base"
    assert said["pages"] == 1
    assert said["page_mm"] == [297.0, 210.0]
    assert said["bar_mm"] == 100.0
    assert said["x_factor"] == pytest.approx((23.0 - 0.05) / 23.0, rel=1e-12)  # (R − t/2)/R
    digest = hashlib.sha256(job.read_bytes()).hexdigest()
    assert said["job_sha256"] == digest
    text = text_of(out)
    assert digest[:12] in text
    assert "invented 53 cc pump engine" in text
    assert "stage: stock, proposed" in text


@pytest.mark.parametrize("kind", ["pdf", "svg", "dxf"])
def test_each_format_is_written_by_name_or_by_option_with_the_same_bytes(job, tmp_path, kind):
    by_name, by_option = tmp_path / f"a.{kind}", tmp_path / "b"
    assert main(["template", str(job), "--out", str(by_name)]) == 0
    assert main(["template", str(job), "--format", kind, "--out", str(by_option)]) == 0
    assert by_name.read_bytes() == by_option.read_bytes()


def test_without_a_name_it_stands_in_this_folder_under_the_jobs(job, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["template", "job.json"]) == 0
    assert (tmp_path / "job-template.pdf").is_file()
    assert main(["template", "job.json", "--format", "dxf"]) == 0
    assert (tmp_path / "job-template.dxf").is_file()
    assert main(["template", "job.json", "--gauge", "exhaust"]) == 0
    assert (tmp_path / "job-gauge.pdf").is_file()
    assert "Print at 100 % and measure both bars" in capsys.readouterr().out


def test_svg_and_dxf_need_no_tiles_whatever_the_bore(job, tmp_path):
    changed(job, bore_mm=150.0)
    for kind in ("svg", "dxf"):
        assert main(["template", str(job), "--out", str(tmp_path / f"t.{kind}")]) == 0
    drawing = SVG.parse(io.BytesIO((tmp_path / "t.svg").read_bytes()), ppi=25.4)
    assert float(drawing.width) > 470.0  # π · 150 mm
    document = ezdxf.read(io.StringIO((tmp_path / "t.dxf").read_text()))
    assert document.units == ezdxf.units.MM


def test_a_wide_wall_is_tiled_when_asked(job, tmp_path, capsys):
    changed(job, bore_mm=96.0)
    out = tmp_path / "t.pdf"
    assert main(["template", str(job), "--out", str(out)]) == 1
    said = capsys.readouterr().err.strip()
    assert len(said.splitlines()) == 1
    assert said.startswith("--paper: the drawing is 311 ×")
    assert said.endswith("take A3, or add --tiles")
    assert not out.exists()
    assert main(["template", str(job), "--out", str(out), "--tiles", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["pages"] == 2
    assert len(pdfium.PdfDocument(out.read_bytes())) == 2
    assert main(["template", str(job), "--out", str(out), "--paper", "A3", "--force"]) == 0
    (page,) = pdfium.PdfDocument(out.read_bytes())
    assert page.get_size() == pytest.approx((420 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)


def test_paper_and_its_thickness_may_be_typed_as_people_type(job, tmp_path, capsys):
    options = ["--paper", "Letter", "--paper-thickness", "8 thou", "--json"]
    assert main(["template", str(job), "--out", str(tmp_path / "t.pdf"), *options]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["paper_thickness_mm"] == pytest.approx(0.2032)  # 1 in = 25.4 mm exactly
    assert said["x_factor"] == pytest.approx((23.0 - 0.1016) / 23.0, rel=1e-12)


def test_outside_takes_the_liners_diameter_or_works_it_out_and_says_so(job, tmp_path, capsys):
    out = tmp_path / "t.pdf"
    options = ["--outside", "--outside-diameter", "54 mm", "--json"]
    assert main(["template", str(job), "--out", str(out), *options]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["side"] == "outside"
    assert said["x_factor"] == pytest.approx(-(27.0 + 0.05) / 23.0, rel=1e-12)
    assert said["warnings"] == []
    changed(job, wall_thickness_mm=4.0)
    assert main(["template", str(job), "--out", str(out), "--outside", "--force", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["outside_diameter_mm"] == pytest.approx(54.0)
    assert [warning["code"] for warning in said["warnings"]] == ["outside-worked-out"]
    assert "measure the liner" in text_of(out)


def test_the_deck_may_be_the_datum(job, tmp_path, capsys):
    changed(job, deck_height_mm=63.0)
    out = tmp_path / "t.pdf"
    assert main(["template", str(job), "--out", str(out), "--from-deck", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["datum"] == "deck"
    assert "21.80" in text_of(out)  # 63 − 41.2: the proposed roof's depth


def test_a_gauge_says_both_widths(job, tmp_path, capsys):
    out = tmp_path / "g.pdf"
    assert main(["template", str(job), "--out", str(out), "--gauge", "exhaust", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["gauge"] == "exhaust"
    assert said["x_factor"] is None
    text = text_of(out)
    assert "chord 26.30 mm wide" in text  # 46 · sin(28/46), segments of circles
    assert "(28.00 mm along the wall)" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--outside"], "the liner's outside diameter is not known"),
        (["--outside-diameter", "40 mm"], "40 mm is no outside diameter for a bore of 46 mm"),
        (["--paper-thickness", "9 mm"], "9 mm is no thickness for paper"),
        (["--paper-thickness", "thin"], "--paper-thickness"),
        (["--from-deck"], "the deck's height is not known"),
        (["--gauge", "boost"], "there is no port 'boost'; the job has exhaust, intake, main"),
        (["--gauge", "exhaust", "--outside-diameter", "54"], "a flat gauge goes across a window"),
        (["--format", "svg"], "the file's name ends in .pdf, but --format is svg"),
    ],
    ids=[
        "no outside diameter",
        "outside within the bore",
        "thick paper",
        "no length",
        "no deck",
        "no such port",
        "gauge outside",
        "two formats",
    ],
)
def test_what_cannot_be_is_said_in_one_line_and_nothing_is_written(job, tmp_path, capsys, options, words):
    out = tmp_path / "t.pdf"
    assert main(["template", str(job), "--out", str(out), *options]) == 1
    said = capsys.readouterr().err.strip()
    assert words in said
    assert len(said.splitlines()) == 1
    assert list(tmp_path.iterdir()) == [job]


def test_a_name_of_no_known_kind_is_refused(job, tmp_path, capsys):
    assert main(["template", str(job), "--out", str(tmp_path / "t.png")]) == 1
    assert "t.png ends in none of" in capsys.readouterr().err


def test_a_sheet_in_the_way_is_kept_unless_forced(job, tmp_path, capsys):
    out = tmp_path / "t.svg"
    out.write_bytes(b"mine")
    assert main(["template", str(job), "--out", str(out)]) == 1
    assert "the file exists" in capsys.readouterr().err
    assert out.read_bytes() == b"mine"
    assert main(["template", str(job), "--out", str(out), "--force"]) == 0
    assert out.read_bytes()[:5] == b"<?xml"


def test_a_job_without_a_map_says_what_to_do(job, tmp_path, capsys):
    document = json.loads(job.read_text())
    document["maps"] = []
    job.write_text(json.dumps(document))
    assert main(["template", str(job), "--out", str(tmp_path / "t.pdf")]) == 1
    assert "the job has no map of its ports; trace one" in capsys.readouterr().err


def test_what_is_assumed_is_said_on_paper_and_on_screen(job, tmp_path, capsys):
    document = json.loads(job.read_text())
    del document["engine"]["rod_mm"]
    job.write_text(json.dumps(document))
    out = tmp_path / "t.pdf"
    assert main(["template", str(job), "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["assumed"] == ["rod length 57.6 mm, taken as 1.8 × stroke"]
    assert "rod length 57.6 mm" in text_of(out)


@pytest.mark.parametrize("kind", ["csv", "json", "pdf"])
def test_the_scribe_table_takes_the_sheets_place(job, tmp_path, capsys, kind):
    out = tmp_path / f"marks.{kind}"
    assert main(["template", str(job), "--table", "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["table"] == str(out)
    assert (said["stage"], said["start"]) == ("proposed", "stock")
    assert {row["port"] for row in said["rows"]} == {"exhaust"}  # the only roof that moves
    assert {row["height_mm"] for row in said["rows"]} == {41.2}
    assert [row["x_mm"] for row in said["rows"]][:3] == [-14.0, -13.0, -12.0]
    content = out.read_bytes()
    if kind == "csv":
        assert len(content.decode().splitlines()) == 1 + len(said["rows"])
    elif kind == "json":
        assert json.loads(content)["rows"] == said["rows"]
    else:
        assert "41.20" in text_of(out)


def test_the_scribe_tables_step_may_be_in_degrees_of_bore(job, tmp_path, capsys):
    out = tmp_path / "marks.csv"
    assert main(["template", str(job), "--table", "--out", str(out), "--step", "5 deg", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    between = [row["bore_deg"] for row in rows if not row["mark"]]
    assert between == pytest.approx([5.0 * k for k in range(-6, 7)])  # 14 mm of wall are 34.9 degrees


def test_without_a_proposed_map_all_roofs_are_listed(job, tmp_path, capsys, monkeypatch):
    job.write_text(json.dumps(sample()))
    monkeypatch.chdir(tmp_path)
    assert main(["template", "job.json", "--table"]) == 0
    assert "all roofs" in capsys.readouterr().out
    lines = (tmp_path / "job-scribe.csv").read_text().splitlines()
    assert {line.split(",")[0] for line in lines[1:]} == {"exhaust", "main", "intake"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--out", "t.svg"], "t.svg ends in none of .csv, .pdf, .json"),
        (["--format", "dxf"], "dxf is not a kind for this; take csv, pdf, json"),
        (["--gauge", "exhaust"], "the scribe table is of all ports"),
        (["--step", "0 mm"], "--step"),
        (["--step", "wide"], "give 1 mm, or 5 deg of bore"),
        (["--out", "t.pdf", "--paper", "A3"], "take A4 or Letter"),
    ],
    ids=["a drawing's name", "a drawing's kind", "gauge", "no step", "no length", "A3"],
)
def test_what_the_table_cannot_be_is_said_and_nothing_is_written(
    job, tmp_path, capsys, monkeypatch, options, words
):
    monkeypatch.chdir(tmp_path)
    assert main(["template", "job.json", "--table", *options]) == 1
    said = capsys.readouterr().err.strip()
    assert words in said
    assert len(said.splitlines()) == 1
    assert list(tmp_path.iterdir()) == [job]


def test_a_proposed_map_that_moves_nothing_has_nothing_to_scribe(job, tmp_path, capsys):
    document = json.loads(job.read_text())
    document["maps"][1]["ports"] = document["maps"][0]["ports"]
    job.write_text(json.dumps(document))
    assert main(["template", str(job), "--table", "--out", str(tmp_path / "t.csv")]) == 1
    assert "there is nothing to scribe" in capsys.readouterr().err


def test_a_sheet_does_not_come_as_a_table(job, tmp_path, capsys):
    assert main(["template", str(job), "--format", "csv", "--out", str(tmp_path / "t")]) == 1
    assert "csv is not a kind for this; take pdf, svg, dxf" in capsys.readouterr().err
