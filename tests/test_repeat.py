"""Repeat build: the good job's timing or millimetres on another casting, and what that one cannot give."""

import copy
import json
import math

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
    start = repeated(job_of(good()), job_of(new)).ports
    for port, own in zip(found.ports, start, strict=True):
        assert port.proposed_opens_deg == pytest.approx(
            min(port.carried_opens_deg, own.stock_opens_deg), abs=1e-5
        )
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
