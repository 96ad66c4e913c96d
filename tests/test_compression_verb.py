"""The compression verb: what it says to a person and to a program, and how it meets bad input."""

import json
import math

import pytest

from portmap.atmosphere import air
from portmap.cli import main
from portmap.compression import Starter, compression_document
from portmap.crank import Crank
from portmap.engine import Engine, Piston
from portmap.port import PortEdges
from tests.sample_job import sample

BORE_AREA = math.pi / 4 * 46**2 / 1000  # cm³ for each mm
CLOSING_MM = 61 - 0.4 - 40  # crown height − gasket − roof of the sample's exhaust
TRAPPED = (6.1 + BORE_AREA * CLOSING_MM) / 6.1


def document(**changes) -> dict:
    """The sample with all that the verb can use."""
    found = sample()
    found["engine"]["case_volume_cm3"] = 190.0
    found["cylinder"]["squish_band_width_mm"] = 5.0
    found["engine"] |= changes.pop("engine", {})
    found["cylinder"] |= changes.pop("cylinder", {})
    return {**found, **changes}


@pytest.fixture
def job(tmp_path):
    """Write a job and give its path."""

    def write(**changes) -> str:
        path = tmp_path / "job.json"
        path.write_text(json.dumps(document(**changes)))
        return str(path)

    return write


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    code = main(["compression", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *arguments: str) -> dict:
    code, out, err = run(capsys, *arguments, "--json")
    assert code == 0, err
    return json.loads(out)


def test_ratios_and_cranking_by_hand(job, capsys):
    found = answer(capsys, job())
    ratios, cranking = found["ratios"], found["cranking"]
    assert ratios["geometric_ratio"] == pytest.approx(1 + BORE_AREA * 32 / 6.1)
    assert ratios["trapped_ratio"] == pytest.approx(TRAPPED)
    assert ratios["case_ratio"] == pytest.approx(190 / (190 - BORE_AREA * 32))
    assert cranking["sea_level_low_bar"] == pytest.approx(1.01325 * (TRAPPED**1.2 - 1))
    assert cranking["sea_level_high_bar"] == pytest.approx(1.01325 * (TRAPPED**1.3 - 1))
    assert cranking["here_low_bar"] == cranking["sea_level_low_bar"]
    assert found["volumes"]["trapped_volume_cm3"] == pytest.approx(6.1 * TRAPPED)
    assert found["stage"] == "stock"
    assert found["warnings"] == []


# ISO 2533, 1000 m geometric: 89 876.3 Pa (from memory); a gauge's reading goes to sea level by the ratio
def test_a_reading_at_altitude_is_carried_down_and_held_against_the_model(job, capsys):
    found = answer(capsys, job(), "--altitude", "1000 m", "--reading", "9 bar")
    (read,) = found["readings"]
    assert found["air"]["air_pressure_bar"] == pytest.approx(0.898763, abs=5e-7)
    assert read["sea_level_bar"] == pytest.approx(9 * 1.01325 / 0.898763, rel=1e-6)
    assert read["gauge_u_bar"] == pytest.approx(0.15)  # a gauge is good to ± 0.3 bar (k = 2), common practice
    assert found["cranking"]["here_low_bar"] == pytest.approx(0.898763 * (TRAPPED**1.2 - 1), rel=1e-6)
    assert read["words"] == "It fits the model."
    n = math.log(1 + 9 / 0.898763) / math.log(TRAPPED)
    assert read["implied_exponent"] == pytest.approx(n, rel=1e-6)
    assert read["trapped_ratio_low"] < TRAPPED < read["trapped_ratio_high"]


def test_the_model_is_that_of_the_place_where_it_was_read(job, capsys):
    # 8 bar is 0.8 below what the model allows at sea level, and fits at 2000 m
    thin = answer(capsys, job(), "--altitude", "2000 m", "--reading", "8 bar")["readings"][0]
    assert thin["words"] == "It fits the model."
    assert (
        "It is 0.8 bar below the model" in answer(capsys, job(), "--reading", "8 bar")["readings"][0]["words"]
    )


def test_a_barometer_counts_before_the_altitude(job, capsys):
    found = answer(capsys, job(), "--altitude", "1000 m", "--barometer", "950 hPa")
    assert found["air"]["air_pressure_bar"] == pytest.approx(0.95)
    assert found["air"]["pressure_from"] == "barometer"


def test_temperatures_may_be_typed_in_either_degree(job, capsys):
    celsius = answer(capsys, job(), "--temperature", "20 C")
    fahrenheit = answer(capsys, job(), "--temperature", "68 F")
    assert celsius["air"]["temperature_c"] == pytest.approx(20)
    assert fahrenheit["air"]["density_kg_per_m3"] == pytest.approx(celsius["air"]["density_kg_per_m3"])
    assert answer(capsys, job(), "--temperature", "-30")["air"]["temperature_c"] == pytest.approx(-30)


def test_readings_of_the_job_are_held_against_the_model_where_they_were_read(job, capsys):
    readings = [
        {"kind": "cranking_pressure", "value": 9.0, "unit": "bar", "altitude_m": 1000},
        {"kind": "squish", "value": 0.6, "unit": "mm"},
        {"kind": "cranking_pressure", "value": 6.0, "unit": "bar", "doubt": 0.1},
    ]
    found = answer(capsys, job(readings=readings))
    high, low = found["readings"]
    assert (high["reading"], low["reading"]) == ("readings[0]", "readings[2]")
    assert high["air_pressure_bar"] == pytest.approx(0.898763, abs=5e-7)
    assert low["air_pressure_bar"] == pytest.approx(1.01325)
    assert low["gauge_u_bar"] == pytest.approx(0.1)
    assert "below the model: look for a leak" in low["words"]


def test_squish_at_several_speeds(job, capsys):
    squish = answer(capsys, job(), "--rpm", "6000,9000")["squish"]
    slow, fast = squish["speeds"]
    assert fast["peak_m_per_s"] == pytest.approx(1.5 * slow["peak_m_per_s"])
    assert squish["area_ratio"] == pytest.approx(1 - (36 / 46) ** 2)
    assert max(at["velocity_m_per_s"] for at in fast["through"]) <= fast["peak_m_per_s"]
    assert "hearsay" in squish["guide_basis"]


def test_rope_cold_and_warm_without_and_with_a_bleed(job, capsys):
    # the hole's upper edge 50 mm above the base face is 10.6 mm below the crown at TDC
    rope = answer(capsys, job(), "--pulley", "64 mm", "--hole-roof", "50 mm", "--hole", "3 mm")["rope"]
    assert rope["pulley_radius_mm"] == pytest.approx(32)
    assert not rope["pulley_assumed"]
    assert rope["bleed"]["closes_at_depth_mm"] == pytest.approx(10.6)
    assert rope["bleed"]["area_mm2"] == pytest.approx(math.pi * 2.25)
    kinds = [(start["temperature_c"], start["bleed"]) for start in rope["starts"]]
    assert kinds == [(-30, False), (20, False), (-30, True), (20, True)]
    cold, warm, cold_bled, _ = rope["starts"]
    assert cold["high"]["work_j"] > warm["high"]["work_j"]
    assert cold_bled["high"]["peak_pull_n"] < cold["high"]["peak_pull_n"]
    assert cold["low"]["gauge_bar"] == pytest.approx(1.01325 * (TRAPPED**1.2 - 1))


def test_before_and_after_some_work(job, capsys):
    found = answer(
        capsys, job(), "--do", "cut_base 0.5 mm", "--do", "base_gasket 0.2", "--hole-roof", "50 mm"
    )
    now = found["after"]
    assert found["done"] == ["cut_base 0.5 mm", "base_gasket 0.2 mm"]
    # 0.5 mm off the base and 0.2 mm less gasket: 0.7 mm of the bore less above the piston, and every port and
    # the hole 0.7 mm lower under the crown
    head = 6.1 - BORE_AREA * 0.7
    closing = CLOSING_MM + 0.7
    assert now["volumes"]["head_volume_cm3"] == pytest.approx(head)
    assert now["volumes"]["exhaust_closing_depth_mm"] == pytest.approx(closing)
    assert now["ratios"]["trapped_ratio"] == pytest.approx(1 + BORE_AREA * closing / head)
    assert now["rope"]["bleed"]["closes_at_depth_mm"] == pytest.approx(10.6 + 0.7)
    assert found["rope"]["bleed"]["closes_at_depth_mm"] == pytest.approx(10.6)
    pulls = [state["rope"]["starts"][0]["high"]["peak_pull_n"] for state in (found, now)]
    assert pulls[1] > pulls[0]
    code, out, _ = run(capsys, job(), "--do", "cut_base 0.5 mm")
    assert code == 0
    assert "Before and after: cut_base 0.5 mm." in out
    assert "Cranking pressure on a gauge, after:" in out


def test_without_a_pulley_one_is_assumed_and_said(job, capsys):
    assert answer(capsys, job())["rope"]["pulley_assumed"]
    assert "(assumed; give --pulley)" in run(capsys, job())[1]


def test_a_valve_in_the_head_is_never_covered(job, capsys):
    bleed = answer(capsys, job(), "--valve", "2 mm")["rope"]["bleed"]
    assert bleed["closes_at_depth_mm"] == 0
    assert bleed["area_mm2"] == pytest.approx(math.pi)


def test_a_person_is_told_ranges_their_basis_and_the_price(job, capsys):
    code, out, err = run(capsys, job(), "--altitude", "600 m", "--reading", "10.5 bar")
    assert (code, err) == (0, "")
    words = " ".join(out.split())
    for said in (
        "10.0 bar here, 8.8 to 10.8 bar at sea level",
        "common practice, no source",
        "10.5 ± 0.3 bar in 943 hPa is 11.3 ± 0.4 bar at sea level",
        "Guide, not checked: 15 to 20 m/s",
        "−30 °C, no decompression",
        "hard pulls and kick-back at the rope, more heat",
        "bearings",
    ):
        assert said in words
    psi = run(capsys, job(), "--units", "inch")[1]
    assert "psi at sea level" in psi
    assert "peak pull, lbf" in psi


@pytest.mark.parametrize(
    ("change", "empty", "warning"),
    [
        ({"engine": {"head_volume_cm3": None}}, "cranking", "the head's volume is not known; measure"),
        ({"cylinder": {"squish_band_width_mm": None}}, "squish", "the squish band's width is not known"),
        ({"maps": []}, "rope", "no exhaust port that the crown closes is known"),
    ],
    ids=["no head volume", "no band width", "no ports"],
)
def test_what_is_not_known_is_left_out_and_said_once(job, capsys, change, empty, warning):
    found = answer(capsys, job(**change))
    assert found[empty] is None
    assert sum(warning in one["message"] for one in found["warnings"]) == 1
    code, out, err = run(capsys, job(**change))
    assert code == 0
    assert warning in err
    assert out.strip()


def test_ports_known_from_readings_alone_are_enough(job, capsys):
    edges = [{"id": "exhaust", "kind": "exhaust", "control": "crown", "roof_mm": 40.0}]
    assert answer(capsys, job(maps=[], edges=edges))["ratios"]["trapped_ratio"] == pytest.approx(TRAPPED)


@pytest.mark.parametrize(
    ("arguments", "where", "message"),
    [
        (["--altitude", "60 bar"], "--altitude", "'bar' in '60 bar' is not a unit of altitude"),
        (["--stage", "ground"], "maps", "there is no 'ground' map"),
        (["--altitude", "-2500 m"], "altitude", "beyond the standard atmosphere's lowest layer"),
        (["--temperature", "cold"], "--temperature", "'cold' is not a temperature"),
        (["--barometer", "1013"], "barometer", "hPa is no pressure of the open air"),
        (["--rpm", "0"], "--rpm", "'0' is not a speed above 0"),
        (["--reading", "0 bar"], "--reading", "'0 bar' is not a pressure above 0"),
        (["--reading", "10 mm"], "--reading", "'mm' in '10 mm' is not a unit of pressure"),
        (["--pulley", "0"], "--pulley", "'0' is not a length above 0"),
        (["--hole", "2 mm"], "--hole", "where the hole is covered is not known"),
        (["--hole-roof", "61"], "--hole-roof", "above the crown at TDC and never covered"),
        (["--valve", "2", "--hole-roof", "50"], "--valve", "a valve and a hole at once"),
        (["--do", "polish 1 mm"], "--do", "polish"),
        (["--do", "grind_roof boost 1 mm"], "grind_roof boost 1 mm", "there is no port 'boost'"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_line_with_place_and_remedy(job, capsys, arguments, where, message):
    code, out, _ = run(capsys, job(), *arguments, "--json")
    assert code == 1
    error = json.loads(out)["error"]
    assert where in error["where"]
    assert message in error["message"]
    assert error["remedy"]
    code, out, err = run(capsys, job(), *arguments)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1


def test_a_crown_profile_has_its_volume_said(capsys):
    engine = Engine(
        bore_mm=46.0,
        crank=Crank(stroke_mm=32.0, rod_mm=58.0),
        crown_height_mm=61.0,
        head_volume_cm3=6.1,
        piston=Piston(crown_profile_mm=((0.0, 3.0), (20.0, 0.0))),
    )
    exhaust = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=40.0)
    found = compression_document(engine, [exhaust], at=air(), rpm=[], starter=Starter(pulley_radius_mm=30))
    assert found["volumes"]["crown_volume_cm3"] == pytest.approx(math.pi * 400 * 3 / 3000)  # a cone
