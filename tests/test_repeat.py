"""Repeat build: the good job's timing or millimetres on another casting, and what that one cannot give."""

import copy
import hashlib
import json
import math
import re

import pypdfium2 as pdfium
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from portmap.cli import main
from portmap.errors import GeometryError, JobError
from portmap.files import read_json, write_json
from portmap.job import job_of
from portmap.repeat import repeated
from portmap.repeat_document import with_repeat
from portmap.revisions import earlier_document
from portmap.shown import unit_system
from portmap.standing import standing_of
from tests.sample_job import DOUBT, box, sample

HEIGHT_MM = 1e-9  # closed forms on both sides
ANGLE_DEG = 1e-6


def good(**changes) -> dict:
    """A job well done: exhaust roof from 40 to 41 mm and wider, transfers from 36 to 36.6 mm."""
    document = {**sample(), **changes}
    ports = copy.deepcopy(document["maps"][0]["ports"])
    ports[0]["windows"] = [{"outline_mm": box(-14.5, 28.6, 14.5, 41), "doubt": DOUBT}]
    ports[1]["windows"] = [{"outline_mm": box(20, 28.6, 32, 36.6), "doubt": DOUBT}]
    document["maps"].append({"stage": "ground", "ports": ports})
    return document


def casting(**engine) -> dict:
    document = sample()
    document["name"] = "another casting"
    document["engine"].update(engine)
    document["cylinder"] = {"base_gasket_mm": 0.4}
    return document


def roofs(found) -> dict[str, float]:
    ports = found.proposed.ports
    return {port.id: max(window.outline.bounds[3] for window in port.windows) for port in ports}


def slider_crank_drop(angle: float, stroke: float, rod: float) -> float:
    """Heywood (1988) eq. 2.5, written here anew."""
    throw, turn = stroke / 2, math.radians(angle)
    return rod + throw - throw * math.cos(turn) - math.sqrt(rod**2 - (throw * math.sin(turn)) ** 2)


def test_the_same_casting_again_gets_the_same_ports():
    found = repeated(job_of(good()), job_of(sample()))
    assert roofs(found) == pytest.approx({"exhaust": 41, "main": 36.6, "intake": 17}, abs=HEIGHT_MM)
    assert [port.already_open for port in found.ports] == [(), (), ()]
    exhaust = found.ports[0]
    assert exhaust.proposed_opens_deg == pytest.approx(exhaust.good_opens_deg, abs=ANGLE_DEG)


def test_another_crown_height_and_gasket_shift_every_roof():
    new = casting(crown_height_mm=61.35)
    new["cylinder"]["base_gasket_mm"] = 0.5
    found = repeated(job_of(good()), job_of(new))
    up = 61.35 - 0.5 - (61.0 - 0.4)
    assert roofs(found)["exhaust"] == pytest.approx(41 + up, abs=HEIGHT_MM)
    assert found.ports[0].proposed_opens_deg == pytest.approx(found.ports[0].good_opens_deg, abs=ANGLE_DEG)
    assert found.ports[0].deepest_mm == pytest.approx(math.hypot(1 + up, 0.5), abs=0.01)


def test_degrees_are_kept_on_another_crank_as_the_slider_crank_has_them():
    found = repeated(job_of(good()), job_of(casting(stroke_mm=33.0, rod_mm=60.0)))
    opens = found.ports[0].good_opens_deg
    assert slider_crank_drop(opens, 32.0, 58.0) == pytest.approx(60.6 - 41, abs=1e-6)
    assert roofs(found)["exhaust"] == pytest.approx(60.6 - slider_crank_drop(opens, 33.0, 60.0), abs=1e-6)
    assert "strokes-differ" in [notice.code for notice in found.notices]


def test_an_intake_keeps_its_degrees_by_the_skirt():
    document = good()
    document["maps"][1]["ports"][2]["windows"] = [{"outline_mm": box(60, 7, 84, 17), "doubt": DOUBT}]
    found = repeated(job_of(document), job_of(casting(skirt_length_mm=36.5)))
    intake = found.proposed.ports[2].windows[0].outline
    assert intake.bounds[1] == pytest.approx(7 - 0.5, abs=HEIGHT_MM)
    assert found.ports[2].proposed_opens_deg == pytest.approx(found.ports[2].good_opens_deg, abs=ANGLE_DEG)


@pytest.mark.parametrize(
    ("datum", "roof"),
    [("base", 41.0), ("crown", 41.3), ("ports", 41.2)],
)
def test_millimetres_count_from_the_datum_that_is_asked_for(datum, roof):
    """Crown 0.3 mm higher, and all ports of the new casting 0.2 mm higher than the good one's."""
    new = casting(crown_height_mm=61.3)
    for port in new["maps"][0]["ports"]:
        for window in port["windows"]:
            window["outline_mm"] = [[x, y + 0.2] for x, y in window["outline_mm"]]
    found = repeated(job_of(good()), job_of(new), way="mm", datum=datum)
    assert roofs(found)["exhaust"] == pytest.approx(roof, abs=1e-4)


def test_what_the_new_casting_has_open_already_is_listed_and_stays_open():
    new = casting()
    new["maps"][0]["ports"][0]["windows"] = [{"outline_mm": box(-14, 28, 14, 41.5)}]
    found = repeated(job_of(good()), job_of(new))
    place = found.ports[0].already_open[0]
    assert (place.edge, place.depth_mm) == ("roof", pytest.approx(0.5, abs=1e-6))
    assert roofs(found)["exhaust"] == 41.5
    assert found.ports[0].proposed_opens_deg < found.ports[0].carried_opens_deg
    assert found.proposed.ports[0].windows[0].outline.bounds[0] == -14.5  # the width is still to be had


def test_floors_are_not_ground_below_the_crown_at_bdc():
    document = good()
    document["maps"][1]["ports"][0]["windows"] = [{"outline_mm": box(-14, 26, 14, 41)}]
    new = casting()
    new["maps"][0]["ports"][0]["windows"] = [{"outline_mm": box(-14, 29, 14, 40)}]
    found = repeated(job_of(document), job_of(new))
    assert found.proposed.ports[0].windows[0].outline.bounds[1] == pytest.approx(61 - 0.4 - 32, abs=1e-9)


def doubt(u_mm: float) -> dict:
    return {"figures": ["crown_height_mm"], "covariance": [[u_mm**2]]}


def test_the_doubt_of_the_transfer_is_that_of_both_crowns():
    document, new = good(), casting(doubt=doubt(0.04))
    document["engine"]["doubt"] = doubt(0.03)
    found = repeated(job_of(document), job_of(new))
    assert found.u_mm == pytest.approx(0.05)
    line = found.proposed.ports[0].windows[0].doubt
    assert line.roof_u_mm == pytest.approx(math.hypot(DOUBT["roof_u_mm"], 0.03))
    whole = math.hypot(DOUBT["roof_u_mm"], 0.05)
    opens = found.ports[0].proposed_opens_deg
    per_degree = slider_crank_drop(opens + 0.5, 32, 58) - slider_crank_drop(opens - 0.5, 32, 58)
    assert found.ports[0].opens_u_deg == pytest.approx(whole / per_degree, rel=0.02)


def test_a_doubt_that_nobody_stated_is_said():
    found = repeated(job_of(good()), job_of(casting()))
    assert found.u_mm is None
    assert "transfer-doubt-unknown" in [notice.code for notice in found.notices]


def bent(**changes) -> dict:
    document = casting()
    for place, value in changes.items():
        document[place] = value
    return document


def without_intake() -> dict:
    document = casting()
    document["maps"][0]["ports"] = document["maps"][0]["ports"][:2]
    return document


def with_boost() -> dict:
    document = casting()
    document["maps"][0]["ports"].append(
        {
            "id": "boost",
            "kind": "boost",
            "control": "crown",
            "windows": [{"outline_mm": box(-70, 30, -62, 36)}],
        }
    )
    return document


def near_transfer() -> dict:
    document = casting()
    document["maps"][0]["ports"][1]["windows"] = [{"outline_mm": box(14.3, 28, 32, 36)}]
    return document


@pytest.mark.parametrize(
    ("new", "code"),
    [
        (without_intake, "no-such-port"),
        (with_boost, "port-stays"),
        (near_transfer, "would-meet"),
        (lambda: bent(cylinder={"base_gasket_mm": 0.4, "wall_thickness_mm": 3.0}), "wall-thinner"),
        (lambda: bent(cylinder={"base_gasket_mm": 0.4, "wall_thickness_mm": 0.5}), "deeper-than-the-wall"),
        (casting, "wall-unknown"),
        (lambda: casting(skirt_length_mm=None), "not-carried"),
        (lambda: casting(bore_mm=46.3), "bores-differ"),
    ],
    ids=[
        "a port fewer",
        "a port more",
        "ports would meet",
        "thinner wall",
        "wall cut through",
        "wall unknown",
        "skirt unknown",
        "oversize",
    ],
)
def test_what_cannot_be_had_is_said(new, code):
    document = good(cylinder={"base_gasket_mm": 0.4, "wall_thickness_mm": 5.0})
    found = repeated(job_of(document), job_of(new()))
    assert code in [notice.code for notice in found.notices]
    assert found.proposed.ports[0].id == "exhaust"


def low_deck() -> dict:
    return bent(cylinder={"base_gasket_mm": 0.4, "deck_height_mm": 40.7})


def low_exhaust() -> dict:
    document = casting()
    document["maps"][0]["ports"][0]["windows"] = [{"outline_mm": box(-14, 28, 14, 31)}]
    return document


def wide_transfer() -> dict:
    document = casting()
    document["maps"][0]["ports"][1]["windows"] = [{"outline_mm": box(15.2, 28, 32, 36)}]
    return document


def with_port(document: dict, stage: int, roof: float) -> dict:
    """The job with a port beside that no piston edge times."""
    port = {"id": "sub", "kind": "other", "control": "none"}
    document["maps"][stage]["ports"].append(
        {**port, "windows": [{"outline_mm": box(-60, 10, -52, roof), "doubt": DOUBT}]}
    )
    return document


def bridged() -> dict:
    document = good()
    halves = [{"outline_mm": box(-14.5, 28.6, -1, 41)}, {"outline_mm": box(1, 28.6, 14.5, 41)}]
    document["maps"][1]["ports"][0]["windows"] = halves
    return document


def high_exhaust() -> dict:
    document = good()
    document["maps"][1]["ports"][0]["windows"] = [{"outline_mm": box(-14.5, 33, 14.5, 41)}]
    return document


@pytest.mark.parametrize(
    ("made", "new", "roof", "words"),
    [
        (good, low_deck, 40.7, "would come to 41.00 mm, and the deck is at 40.70 mm"),
        (bridged, casting, 41.0, r"not as many windows here \(1\) as in the good job \(2\)"),
        (high_exhaust, low_exhaust, 31.0, "does not meet the window: it stays as it is"),
        (good, wide_transfer, 41.0, "between windows of exhaust and main would be 0.70 mm"),
    ],
    ids=["clipped at the deck", "another number of windows", "nothing in common", "thin bridge"],
)
def test_what_is_clipped_or_left_is_said_in_figures(made, new, roof, words):
    found = repeated(job_of(made()), job_of(new()))
    assert roofs(found)["exhaust"] == pytest.approx(roof, abs=HEIGHT_MM)
    assert [notice for notice in found.notices if re.search(words, notice.message)]


def test_a_port_that_no_edge_times_keeps_its_millimetres_from_the_crown():
    document = with_port(with_port(good(), 0, 16.0), 1, 16.5)
    new = with_port(casting(crown_height_mm=61.3), 0, 16.0)
    found = repeated(job_of(document), job_of(new))
    assert roofs(found)["sub"] == pytest.approx(16.5 + 0.3, abs=HEIGHT_MM)
    assert "carried-in-mm" in [notice.code for notice in found.notices]
    assert found.ports[3].proposed_opens_deg is None


def turned(document: dict, by_mm: float) -> dict:
    """The same job with every port so far round the bore."""
    for entry in document["maps"]:
        for port in entry["ports"]:
            for window in port["windows"]:
                window["outline_mm"] = [[x + by_mm, y] for x, y in window["outline_mm"]]
    return document


@pytest.mark.parametrize("by_mm", [-60.0, 30.0, 55.0])
def test_where_the_wall_was_cut_open_to_draw_it_does_not_matter(by_mm):
    """Both castings drawn from another seam, so that ports lie across it: the same is ground off."""

    def plain(document):
        for entry in document["maps"]:
            entry["ports"][1].pop("mirror", None)
        return document

    first = repeated(job_of(plain(good())), job_of(plain(casting())))
    other = repeated(job_of(turned(plain(good()), by_mm)), job_of(turned(plain(casting()), by_mm)))
    for one, two in zip(first.ports, other.ports, strict=True):
        assert two.area_mm2 == pytest.approx(one.area_mm2, abs=1e-6)
        assert two.deepest_mm == pytest.approx(one.deepest_mm, abs=1e-6)
        assert len(two.already_open) == len(one.already_open)


def test_ports_that_would_meet_stay_as_they_are():
    found = repeated(job_of(good()), job_of(near_transfer()))
    assert found.proposed.ports[0].windows[0].outline.bounds == (-14, 28, 14, 40)
    assert not found.ports[0].carried


@pytest.mark.parametrize(
    ("document", "new", "error", "words"),
    [
        (good(), casting(bore_mm=48.0), GeometryError, "bores differ, 46 and 48 mm"),
        (sample(), casting(), JobError, "no ground or proposed map to carry"),
        (good(), {**casting(), "maps": []}, JobError, "no stock or ground map to put it on"),
    ],
    ids=["another bore", "nothing done", "no map"],
)
def test_what_makes_no_repeat(document, new, error, words):
    with pytest.raises(error, match=words):
        repeated(job_of(document), job_of(new))


@given(st.floats(60.2, 62.0), st.floats(0.0, 1.0), st.floats(31.0, 33.0), st.floats(54.0, 64.0))
@settings(deadline=None, max_examples=30)
def test_no_proposed_port_ever_puts_metal_back_and_each_opens_as_the_good_one_or_earlier(
    crown, gasket, stroke, rod
):
    new = casting(crown_height_mm=crown, stroke_mm=stroke, rod_mm=rod)
    new["cylinder"]["base_gasket_mm"] = gasket
    found = repeated(job_of(good()), job_of(new))
    for port in found.ports:
        earliest = min(port.carried_opens_deg, port.stock_opens_deg)
        assert port.proposed_opens_deg == pytest.approx(earliest, abs=1e-5)
    stock = {"exhaust": (-14, 28, 14, 40), "intake": (60, 8, 84, 17)}
    for port in found.proposed.ports:
        if port.id in stock:
            left, low, right, high = port.windows[0].outline.bounds
            assert left <= stock[port.id][0]
            assert low <= stock[port.id][1] + 1e-9
            assert right >= stock[port.id][2]
            assert high >= stock[port.id][3] - 1e-9


def test_the_new_job_gets_it_as_its_proposed_map_and_keeps_the_one_it_had():
    new = casting()
    found = repeated(job_of(good()), job_of(new))
    document = with_repeat(new, found, source={"uid": "x"})
    assert [entry["stage"] for entry in document["maps"]] == ["stock", "proposed"]
    with pytest.raises(JobError, match="has a proposed map already"):
        with_repeat(document, found, source={})
    assert with_repeat(document, found, source={"uid": "x"}, replace_proposed=True) == document


def test_what_cannot_be_had_and_the_doubt_travel_with_the_proposed_map():
    document, new = good(), casting(crown_height_mm=60.9, doubt=doubt(0.04))
    document["engine"]["doubt"] = doubt(0.03)
    found = repeated(job_of(document), job_of(new))
    warnings = with_repeat(new, found, source={"uid": "x"})["maps"][1]["warnings"]
    told = {warning["code"]: warning["message"] for warning in warnings}
    assert [warning["code"] for warning in warnings][:2] == ["transfer-doubt", "already-open"]
    assert told["already-open"].startswith("Cannot be given: intake is open 0.10 mm past the line already")
    # JCGM 100, 5.1.2 and 6.2.1: root sum of squares, and k = 2
    assert told["transfer-doubt"] == "The transfer adds ± 0.10 mm (k = 2) to each height."


@pytest.mark.parametrize(("way", "kept"), [("degrees", "its timing"), ("mm", "its millimetres")])
def test_where_the_new_job_stands_names_the_good_one(way, kept):
    new = casting()
    found = repeated(job_of(good()), job_of(new), way=way)
    document = with_repeat(new, found, source={"uid": "x", "job": "the good one"})
    standing = standing_of(job_of(document), unit_system("mm"))
    assert standing.decided == f"the ports of the good one, carried over with {kept}."


def run(capsys, *arguments) -> tuple[int, str, str]:
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_verb_writes_it_and_says_what_to_do_next(capsys, tmp_path):
    write_json(tmp_path / "good.json", good())
    new = write_json(tmp_path / "new.json", casting(crown_height_mm=60.9))
    db = ["--db", tmp_path / "archive.db"]
    assert run(capsys, "archive", "add", tmp_path / "good.json", *db)[0] == 0
    before = new.read_bytes()
    code, out, _ = run(capsys, "archive", "repeat", 1, "--on", new, "--dry-run", *db)
    assert (code, new.read_bytes()) == (0, before)
    assert "Cannot be given: intake" in out
    code, out, _ = run(capsys, "archive", "repeat", 1, "--on", new, "--json", *db)
    report = json.loads(out)
    assert (code, report["ports"][0]["id_good"]) == (0, "exhaust")
    assert report["ports"][0]["proposed_opens_deg"] == pytest.approx(
        report["ports"][0]["good_opens_deg"], abs=1e-6
    )
    assert earlier_document(read_json(new), 1) == casting(crown_height_mm=60.9)
    assert run(capsys, "template", new, "--out", tmp_path / "marks.pdf")[0] == 0
    code, _, err = run(capsys, "archive", "repeat", 1, "--on", new, *db)
    assert (code, "add --force" in err) == (1, True)
    assert run(capsys, "archive", "repeat", 2, "--on", new, *db)[0] == 1
    assert run(capsys, "archive", "repeat", 1, "--on", new, "--datum", "base", *db)[0] == 2


def kept(tmp_path, capsys, **engine):
    """The good job in an archive, another casting's file, and the words that lead to the archive."""
    write_json(tmp_path / "good.json", good())
    db = ["--db", tmp_path / "archive.db"]
    assert run(capsys, "archive", "add", tmp_path / "good.json", *db)[0] == 0
    return write_json(tmp_path / "new.json", casting(**engine)), db


def test_another_bore_is_refused_in_one_line_and_nothing_is_written(capsys, tmp_path):
    new, db = kept(tmp_path, capsys, bore_mm=48.0)
    before = new.read_bytes()
    asked = ["archive", "repeat", 1, "--on", new, "--marks", tmp_path / "marks.pdf"]
    code, out, err = run(capsys, *asked, *db)
    assert (code, out, len(err.splitlines())) == (1, "", 1)
    assert "the bores differ, 46 and 48 mm: this is another engine" in err
    assert new.read_bytes() == before
    assert not (tmp_path / "marks.pdf").exists()


def test_the_marks_sheet_comes_with_it_and_says_what_the_casting_cannot_give(capsys, tmp_path):
    new, db = kept(tmp_path, capsys, crown_height_mm=60.9)
    marks = tmp_path / "marks.pdf"
    asked = ["archive", "repeat", 1, "--on", new, "--marks", marks, *db]
    code, out, _ = run(capsys, *asked)
    assert code == 0
    assert f"Wrote {new} and {marks}." in " ".join(out.split())
    text = " ".join(pdfium.PdfDocument(marks.read_bytes())[0].get_textpage().get_text_range().split())
    assert "Cannot be given: intake is open 0.10 mm past the line already" in text
    assert hashlib.sha256(new.read_bytes()).hexdigest()[:12] in text
    assert re.search(r"proposed roof 40.90 ± 0.02, opens \d\d.\d ± 0.\d°", text)
    assert run(capsys, "template", new, "--out", tmp_path / "again.pdf")[0] == 0
    assert (tmp_path / "again.pdf").read_bytes() == marks.read_bytes()
    sheet = tmp_path / "sheet.pdf"
    assert run(capsys, "sheet", new, "--for", "customer", "--out", sheet)[0] == 0
    pages = [page.get_textpage().get_text_range() for page in pdfium.PdfDocument(sheet.read_bytes())]
    text = " ".join(" ".join(pages).split())
    assert f"The ports of {sample()['name']}, carried over with its timing." in text
    assert "Cannot be given: intake is open 0.10 mm past the line already" in text
    code, _, err = run(capsys, *asked)
    assert (code, "marks.pdf: the file exists" in err) == (1, True)
    assert run(capsys, *asked, "--dry-run")[0] == 2
