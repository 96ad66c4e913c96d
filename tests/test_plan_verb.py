"""The plan verb: keys that other programs read, what a person reads, and what is refused."""

import json

import pypdfium2 as pdfium
import pytest

from portmap.cli import main
from portmap.commands import plan as plan_verb
from tests.sample_job import sample

ROUNDING = 1e-6  # mm, degrees


@pytest.fixture
def job(tmp_path):
    """A job file."""
    place = tmp_path / "job.json"
    place.write_text(json.dumps(sample()))
    return place


def said(capsys, job, *told, code=0):
    assert main(["plan", str(job), *told]) == code
    return capsys.readouterr()


def document(capsys, job, *told, code=0):
    return json.loads(said(capsys, job, *told, "--json", code=code).out)


def test_recipes_have_the_keys_that_other_programs_rely_on(job, capsys):
    found = document(
        capsys,
        job,
        *["--want", "squish 0.5 mm", "--want", "exhaust opens 97", "--want", "blowdown at least 17"],
        *["--have", "grinder,lathe", "--gaskets", "0,0.3,0.5"],
    )
    assert found["possible"] is True
    assert len(found["recipes"]) >= 3
    for recipe in found["recipes"]:
        assert recipe["misses"] == []
        assert set(recipe["needs"]) <= {"grinder", "lathe"}
        for one in recipe["operations"]:
            assert set(one) - {"port"} == {"operation", "amount_mm"}
            assert one["operation"] in {
                *("base_gasket", "cut_base", "cut_crown", "cut_band"),
                *("trim_skirt", "grind_roof", "grind_floor"),
            }
            assert ("port" in one) == one["operation"].startswith("grind")
        result = recipe["result"]
        assert 0.47 - ROUNDING <= result["squish_mm"] <= 0.53 + ROUNDING
        assert 96.5 - ROUNDING <= result["opens_deg"]["exhaust"] <= 97.5 + ROUNDING
        assert result["blowdown_deg"] >= 17 - ROUNDING
        assert result["opens_deg"]["intake"] > 180  # degrees after TDC, as the timing verb gives them
        assert all(0.0 <= wish["chance"] <= 1.0 for wish in recipe["wishes"])
        assert recipe["steps"]


def test_a_recipe_done_by_the_work_verb_gives_the_same_figures(job, capsys):
    wants = ["--want", "squish 0.5 mm", "--want", "exhaust opens 97"]
    recipe = document(capsys, job, *wants, "--have", "grinder,lathe")["recipes"][0]
    told = []
    for one in recipe["operations"]:
        words = [one["operation"], *([one["port"]] if "port" in one else []), f"{one['amount_mm']} mm"]
        told += ["--do", " ".join(words)]
    assert main(["work", str(job), *told, "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    assert figures["squish_mm"]["after"] == pytest.approx(recipe["result"]["squish_mm"], abs=ROUNDING)
    assert figures["blowdown_deg"]["after"] == pytest.approx(recipe["result"]["blowdown_deg"], abs=ROUNDING)
    for port, opens in recipe["result"]["opens_deg"].items():
        assert figures[f"{port}:opens_deg"]["after"] == pytest.approx(opens, abs=ROUNDING)


def test_an_intake_is_asked_for_in_degrees_before_tdc_and_that_is_said_back(job, capsys):
    found = document(capsys, job, "--want", "intake opens 86", "--have", "files,grinder")
    (wish,) = found["wishes"]
    assert wish["understood"] == "intake opens 85.5° to 86.5° before TDC"
    assert 273.5 <= found["recipes"][0]["result"]["opens_deg"]["intake"] <= 274.5


def test_a_wish_that_cannot_be_had_gives_the_nearest_and_what_would_free_it(job, capsys):
    found = document(
        capsys, job, "--want", "squish 0.5 mm", "--want", "exhaust opens 97", "--have", "grinder"
    )
    assert found["possible"] is False
    (miss,) = found["recipes"][0]["misses"]
    assert miss["wish"] == "squish 0.5 mm"
    assert miss["miss"] == pytest.approx(0.07)
    assert found["conflicts"] == [["squish 0.5 mm"]]
    assert {"a lathe", "a base gasket of 0.30 mm"} <= {one["words"] for one in found["frees"]}


def test_a_person_reads_recipes_in_working_order_with_cautions(job, capsys):
    wants = ["--want", "squish 0.5 mm", "--want", "exhaust opens 97"]
    out = said(capsys, job, *wants, "--gaskets", "0.3,0.5").out
    for words in (
        "squish 0.47 mm to 0.53 mm",
        "Recipe 1: grinder",
        "1. Measure squish with solder",
        "Put it together dry and measure again",
        "to open at 97.3°",
        "chance of all",
        "Not checked: ",
        "Care: glasses and a mask",
    ):
        assert words in out
    assert "nan" not in out.casefold()


def test_both_systems_of_units_go_in_and_come_out(job, capsys):
    out = said(capsys, job, "--want", "squish 20 ± 1 thou", "--step", "2 thou", "--units", "inch").out
    assert "squish 0.0190 in to 0.0210 in" in out
    assert "work held to 0.002 in" in out
    assert " mm off" not in out


def test_an_impossible_wish_is_answered_for_a_person(job, capsys):
    out = said(capsys, job, "--want", "blowdown at least 60", "--have", "grinder").out
    assert "No work known here reaches all of that at once." in out
    assert 'too little for "blowdown at least 60"' in out
    assert "no more than 3 mm is taken in one piece of work" in out


def test_a_character_is_applied_only_when_asked_for_and_shown_as_a_guide(job, capsys):
    plain = document(capsys, job, "--want", "squish 0.6 mm")
    assert len(plain["wishes"]) == 1
    assert not any(warning["code"].startswith("character") for warning in plain["warnings"])
    found = document(capsys, job, "--want", "squish 0.6 mm", "--character", "steady")
    assert [wish["wish"] for wish in found["wishes"]].count("squish 0.6 mm") == 1
    assert all(wish["character"] == "steady" for wish in found["wishes"][1:])
    assert "guide: common practice, no source" in found["warnings"][-1]["message"]


def test_a_job_of_readings_alone_can_be_planned(tmp_path, capsys):
    document_ = sample()
    document_["maps"] = []
    document_["edges"] = [
        {"id": "exhaust", "kind": "exhaust", "control": "crown", "roof_mm": 40.0},
        {"id": "main", "kind": "transfer", "control": "crown", "roof_mm": 36.0},
    ]
    place = tmp_path / "read.json"
    place.write_text(json.dumps(document_))
    found = document(capsys, place, "--want", "exhaust opens 97", "--want", "blowdown at least 17")
    assert found["possible"] is True
    assert found["stage"] is None


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (["--want", "squish 0.5 mm", "--want", "squish 0.8 mm"], 'contradicts "squish 0.8 mm"'),
        (["--want", "boost opens 120"], "there is no port or kind of port 'boost'"),
        (["--want", "squish 100 deg"], "is not a unit of length"),
        (["--want", "make it faster"], "is not a wish that is understood"),
        (["--want", "squish 0.5 mm", "--have", "hammer"], "is not a tool that a plan knows"),
        (["--want", "squish 0.5 mm", "--gaskets=-0.3"], "'-0.3' is not a length 0 or more"),
        (["--want", "squish 0.5 mm", "--gaskets", "9"], "is not the thickness of a base gasket"),
        (["--want", "squish 0.5 mm", "--step", "0"], "is not a length above 0"),
        (["--want", "squish 0.5 mm", "--character", "wild"], "there is no character 'wild'"),
        (["--want", "squish 0.5 mm", "--stage", "ground"], "there is no 'ground' map"),
    ],
    ids=[
        "a pair that contradicts",
        "a port not there",
        "a unit that does not fit",
        "no wish",
        "a tool not known",
        "a gasket below 0",
        "a gasket too thick",
        "no step",
        "no such character",
        "no such stage",
    ],
)
def test_what_cannot_be_is_said_in_one_line(job, capsys, told, words):
    heard = said(capsys, job, *told, code=1).err.strip()
    assert words in heard
    assert len(heard.splitlines()) == 1


def test_a_size_that_a_figure_needs_is_asked_for(tmp_path, capsys):
    bare = sample()
    bare["engine"]["head_volume_cm3"] = None
    place = tmp_path / "bare.json"
    place.write_text(json.dumps(bare))
    heard = said(capsys, place, "--want", "cranking at most 11 bar", code=1).err
    assert '--want "cranking at most 11 bar": the head\'s volume is not known' in heard


def test_the_middle_is_aimed_at_when_asked_for(job, capsys):
    wants = ["--want", "exhaust opens 97 ± 1", "--have", "grinder"]
    least, middle = (document(capsys, job, *wants, *more)["recipes"][0] for more in ([], ["--middle"]))
    assert abs(middle["result"]["opens_deg"]["exhaust"] - 97) < 0.15  # half a step of 0.05 mm
    assert least["metal_mm"] < middle["metal_mm"]
    assert least["chance"] < middle["chance"]


def test_no_wish_at_all_is_wrong_usage(job, capsys):
    assert "name a wish" in said(capsys, job, code=2).err


def test_what_the_solver_prints_stays_off_standard_output(capfd):
    import os

    with plan_verb._solver_kept_quiet():
        os.write(1, b"a word from C\n")
    heard = capfd.readouterr()
    assert heard.out == ""
    assert heard.err == "a word from C\n"


def test_a_kept_recipe_is_in_the_job_and_on_the_sheet(job, tmp_path, capsys):
    place = tmp_path / "kept.json"
    place.write_bytes(job.read_bytes())
    asked = ["plan", str(place), "--want", "exhaust opens 97", "--have", "grinder", "--json"]
    assert main([*asked, "--keep", "1"]) == 0
    shown = json.loads(capsys.readouterr().out)
    kept = json.loads(place.read_text())["plan"]
    assert [piece["operation"] for piece in kept["operations"]] == [
        piece["operation"] for piece in shown["recipes"][0]["operations"]
    ]
    assert kept["wishes"] == ["exhaust opens 97"]
    out = tmp_path / "sheet.pdf"
    assert main(["sheet", str(place), "--out", str(out)]) == 0
    text = " ".join(pdfium.PdfDocument(out.read_bytes())[1].get_textpage().get_text_range().split())
    assert "Grind the roof of exhaust up by" in text
    before = place.read_bytes()
    assert main([*asked, "--keep", "99"]) == 1
    assert place.read_bytes() == before
