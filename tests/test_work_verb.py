"""The work verb: what a person reads, what a program reads, and what is refused."""

import json

import pytest

from portmap.cli import main
from tests.sample_job import sample


@pytest.fixture
def job(tmp_path):
    """A job file of a sound job."""
    return written(tmp_path, sample())


def written(folder, document):
    place = folder / "job.json"
    place.write_text(json.dumps(document))
    return str(place)


def told(capsys, *arguments):
    """The document of a verb that went well."""
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def cells(page: str, first: str) -> list[str]:
    """The cells of the one line of a table that begins so."""
    lines = [line for line in page.splitlines() if line.strip().startswith(first)]
    assert len(lines) == 1, (first, page)
    return [cell.strip() for cell in lines[0].strip().split("  ") if cell.strip()]


def test_before_after_and_change_of_every_figure(job, capsys):
    assert main(["work", job, "--do", "cut_base 0.5 mm", "--do", "grind_roof exhaust 20 thou"]) == 0
    page = capsys.readouterr().out
    # squish 61.2 − 60.6 = 0.6; the exhaust's wall area 28 × 12 = 336, and 28 × 0.508 more
    assert cells(page, "squish, mm") == ["squish, mm", "0.60 ± 0.04", "0.10 ± 0.04", "−0.50"]
    assert [cell.partition(" ±")[0] for cell in cells(page, "exhaust wall area")[1:]] == [
        "336.0",
        "350.2",
        "+14.2",
    ]
    # the base took half a millimetre, the roof got 0.508 back
    assert cells(page, "exhaust opens")[3] == "0.0 ± 0.1°"
    assert cells(page, "main opens")[3].endswith("later")
    assert "before TDC" in cells(page, "intake opens")[1]
    assert cells(page, "intake opens")[3].endswith("sooner")
    assert cells(page, "1   cut_base")[-2:] == ["lathe", "0.50 mm"]
    assert "Care: glasses and a mask" in page


def test_limits_are_warnings(job, capsys):
    assert main(["work", job, "--do", "cut_base 0.5 mm"]) == 0
    said = capsys.readouterr().err
    assert "warning: Beyond a limit: clearance of the piston from the head" in said
    assert "0.10 mm, 0.10 mm below the least of 0.20 mm (common practice, no source)." in said
    assert "warning: Not checked: thickness of the base flange; measure" in said


def test_json_holds_what_the_page_shows(job, capsys):
    document = told(capsys, "work", job, "--do", "base_gasket 0", "--do", "cut_crown 10 thou")
    assert document["operations"] == [
        {"operation": "base_gasket", "amount_mm": 0.0, "needs": []},
        {"operation": "cut_crown", "amount_mm": pytest.approx(0.254), "needs": ["lathe"]},
    ]
    assert document["needs"] == ["lathe"]
    assert document["stage"] == "stock"
    squish = document["figures"]["squish_mm"]
    assert (squish["before"], squish["after"]) == pytest.approx((0.6, 0.454))
    assert squish["change"] == pytest.approx(-0.146)
    # what was fitted and is left out was as thick as its reading, a caliper's; no gasket has no doubt
    assert squish["change_u"] == pytest.approx(0.01, rel=0.1)
    assert squish["before_u"] > squish["after_u"] > 0
    assert [limit["limit"] for limit in document["limits"]][:1] == ["squish"]
    assert {warning["code"] for warning in document["warnings"]} >= {"look-again-squish"}
    assert "effects" not in document


def test_the_table_alone(job, capsys):
    assert main(["work", job, "--table"]) == 0
    shown = capsys.readouterr()
    page = shown.out
    assert "What 0.1 mm of each work does" in page
    assert "What 10 thou (0.254 mm) of each work does" in page
    tenth = page[: page.index("10 thou")]
    head = next(line for line in tenth.splitlines() if "squish, mm" in line)
    assert [
        word
        for word in ("head volume, cm³", "trapped ratio", "cranking, bar", "blowdown")
        if word not in head
    ] == []
    assert cells(tenth, "cut_base")[1:3] == ["−0.100", "−0.166"]  # π·46²/4 × 0.1 mm is 0.166 cm³
    assert cells(tenth, "grind_roof exhaust")[1:3] == ["0", "0"]
    assert "angle-areas, mm²·deg" in page
    assert "Care" not in page  # nothing is to be cut
    assert shown.err == ""


def test_a_job_that_is_beyond_a_limit_as_it_is_is_not_warned_of_work_nobody_named(tmp_path, capsys):
    document = sample()
    document["cylinder"]["squish_band_height_mm"] = 60.7  # squish 0.1
    place = written(tmp_path, document)
    assert told(capsys, "work", place, "--table")["limits"] == []
    found = told(capsys, "work", place, "--do", "trim_skirt 0.1")["limits"]
    assert [(limit["limit"], limit["grade"]) for limit in found] == [("strike", "look again")]


def test_the_table_in_json_has_both_amounts(job, capsys):
    effects = told(capsys, "work", job, "--table")["effects"]
    base = next(effect for effect in effects if effect["operation"] == "cut_base")
    assert base["per_10_thou"]["squish_mm"] == pytest.approx(-0.254)
    assert base["per_0_1_mm"]["squish_mm"] == pytest.approx(-0.1)
    roofs = [effect["port"] for effect in effects if effect["operation"] == "grind_roof"]
    assert roofs == ["exhaust", "main", "intake"]


def test_in_inches(job, capsys):
    assert main(["work", job, "--do", "cut_base 20 thou", "--table", "--units", "inch"]) == 0
    page = capsys.readouterr().out
    assert cells(page, "squish, in") == ["squish, in", "0.0236 ± 0.0014", "0.0036 ± 0.0014", "−0.0200"]
    assert "cranking at most, psi" in page
    assert "0.0200 in" in page


def test_many_ports_get_tables_of_their_own(tmp_path, capsys):
    document = sample()
    document["edges"] = [
        {"id": f"t{number}", "kind": "transfer", "control": "crown", "roof_mm": 35 + number / 10}
        for number in range(10)
    ]
    assert main(["work", written(tmp_path, document), "--table"]) == 0
    page = capsys.readouterr().out
    assert "…" not in page
    for number in range(10):
        assert f"t{number} opens" in page


def test_a_job_with_readings_alone(tmp_path, capsys):
    document = sample()
    document["maps"] = []
    document["edges"] = [
        {"id": "exhaust", "kind": "exhaust", "control": "crown", "roof_mm": 40.0},
        {"id": "main", "kind": "transfer", "control": "crown", "roof_mm": 36.0},
    ]
    place = written(tmp_path, document)
    found = told(capsys, "work", place, "--do", "cut_base 0.2", "--table")
    assert found["stage"] is None
    assert found["figures"]["exhaust:opens_deg"]["change"] > 0
    assert not any("area" in name for name in found["figures"])
    assert main(["work", place, "--do", "cut_base 0.2", "--table"]) == 0
    assert "ports from readings" in capsys.readouterr().out


def test_another_stage(tmp_path, capsys):
    document = sample()
    proposed = json.loads(json.dumps(document["maps"][0])) | {"stage": "proposed"}
    proposed["ports"][0]["windows"][0]["outline_mm"] = [[-14, 28], [14, 28], [14, 41], [-14, 41]]
    document["maps"].append(proposed)
    place = written(tmp_path, document)
    found = told(capsys, "work", place, "--stage", "proposed", "--do", "trim_skirt 0.2")
    assert found["stage"] == "proposed"
    assert found["figures"]["exhaust:roof_depth_mm"]["before"] == pytest.approx(19.6)


def test_the_jobs_own_limits(tmp_path, capsys):
    document = sample()
    document["limits"] = {"squish": 0.65}
    found = told(capsys, "work", written(tmp_path, document), "--do", "base_gasket 0.35")
    squish = next(limit for limit in found["limits"] if limit["limit"] == "squish")
    assert squish["beyond_mm"] == pytest.approx(0.1)
    assert "the job's own" in squish["message"]


REFUSED = [
    (["--do", "cut_bas 0.5"], "did you mean cut_base?"),
    (["--do", "cut_base -0.5 mm"], "not a length 0 or more"),
    (["--do", "cut_base 5 deg"], "is not a unit of length"),
    (["--do", "grind_roof boost 0.5 mm"], "there is no port 'boost'; the ports are exhaust, main, intake"),
    (["--do", "grind_roof 0.5 mm"], "none is named"),
    (["--do", "cut_base 70 mm"], "more is taken off than there is"),
    (["--do", "trim_skirt 0.1", "--stage", "ground"], "there is no 'ground' map"),
]


@pytest.mark.parametrize(("options", "words"), REFUSED, ids=[" ".join(options) for options, _ in REFUSED])
def test_what_cannot_be_done_is_one_line_and_exit_1(job, capsys, options, words):
    assert main(["work", job, *options]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert words in said.err
    assert main(["work", job, *options, "--json"]) == 1
    assert words.split(";")[0] in " ".join(json.loads(capsys.readouterr().out)["error"].values())


def test_neither_work_nor_table_is_wrong_usage(job, capsys):
    assert main(["work", job]) == 2
    assert "--table" in capsys.readouterr().err


def test_a_limit_that_there_is_not_names_its_place(tmp_path, capsys):
    document = sample()
    document["limits"] = {"sqish": 0.65}
    assert main(["work", written(tmp_path, document), "--do", "cut_base 0.1"]) == 1
    assert "limits.sqish: there is no such limit; did you mean squish?" in capsys.readouterr().err
