"""Guide figures: as they were read, where an engine stands beside them, and a user's own lines."""

import csv
import io
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.cli import main
from portmap.errors import QuantityError
from portmap.guide import guide_applies, guide_document, guide_verdicts, guides
from portmap.guide_lines import Line, line_pressure_bar, line_specific_s_per_m, read_lines
from portmap.job import engine_of, job_of, port_map_of
from tests.sample_job import sample

# As the books have them, with the status that each has: from memory (Jennings 1973, in s·cm²/cm³), page seen
# (Gorr), reprint seen (Jennings on width), from memory medium (Blair, Jennings on the case).
PUBLISHED = {
    "intake_piston": (100 * 0.00014, 100 * 0.00016),
    "intake_rotary": (100 * 0.00018, 100 * 0.00019),
    "transfer": (100 * 0.00008, 100 * 0.00010),
    "exhaust": (100 * 0.00014, 100 * 0.00015),
    "blowdown_span": (20.0, 35.0),
    "exhaust_opens": (90.0, None),
    "exhaust_width": (0.62, 0.70),
    "case_ratio": (1.3, 1.55),
}
# From memory with little confidence, or hearsay: Bell ch. 2 by cylinder size, Jennings' 0.015 to 0.060 in,
# squish velocity attributed to Blair ch. 4. Switched off until somebody has read them in the book.
UNVERIFIED = {
    "squish_50": (0.6, 0.8),
    "squish_100": (0.8, 0.9),
    "squish_175": (1.0, 1.2),
    "squish_300": (1.1, 1.5),
    "squish_any": (0.015 * 25.4, 0.060 * 25.4),
    "squish_velocity": (15.0, 20.0),
}


def sample_engine():
    job = job_of(sample())
    return engine_of(job), port_map_of(job)


@pytest.mark.parametrize(("key", "ends"), {**PUBLISHED, **UNVERIFIED}.items(), ids=[*PUBLISHED, *UNVERIFIED])
def test_a_guide_is_as_published(key, ends):
    guide = next(one for one in guides() if one.key == key)
    assert guide.low == pytest.approx(ends[0])
    assert guide.high == (None if ends[1] is None else pytest.approx(ends[1]))
    assert guide.source
    assert guide.confidence
    assert guide.checked_by == ""  # nobody has compared it with the printed page yet


def test_every_guide_is_known_to_the_test():
    assert {guide.key for guide in guides()} == {*PUBLISHED, *UNVERIFIED}


def test_what_nobody_verified_is_switched_off_and_marked():
    for guide in guides():
        assert guide.switched_on == (guide.key not in UNVERIFIED)
        assert (guide.confidence == "from memory, unverified") == (not guide.switched_on)


def test_a_guide_by_size_is_for_that_size():
    engine, _ = sample_engine()  # 53 cm³
    assert [one.key for one in guides() if one.swept_cm3 and guide_applies(one, engine)] == ["squish_50"]


def test_switched_off_figures_are_named_and_not_judged():
    engine, port_map = sample_engine()
    found = guide_document(engine, port_map, [9000.0])
    assert [one["guide"] for one in found["switched_off"]] == ["squish_50", "squish_any", "squish_velocity"]
    assert all(one["unverified"] and "value" not in one for one in found["switched_off"])
    assert not any(one["unverified"] for one in found["speeds"][0]["guides"])


def test_asked_for_they_are_judged_and_marked():
    engine, port_map = sample_engine()
    engine = replace(engine, squish_band_width_mm=5.0)
    found = guide_document(engine, port_map, [9000.0], unverified=True)
    assert found["switched_off"] == []
    marked = {one["guide"]: one for one in found["speeds"][0]["guides"] if one["unverified"]}
    # 61.2 mm band, 61.0 mm crown on a gasket of 0.4 mm
    assert marked["squish_50"]["value"] == pytest.approx(0.6)
    assert marked["squish_velocity"]["value"] > 10
    assert marked["squish_50"]["confidence"] == "from memory, unverified"


def test_the_doubt_of_outlines_reaches_degrees_and_width():
    engine, port_map = sample_engine()
    found = {one.guide.key: one for one in guide_verdicts(engine, port_map, 9000.0)}
    # a roof 0.01 mm off moves the opening by 0.01 mm over the piston's mm a degree there
    r, rod, turned = 16.0, 58.0, math.radians(found["exhaust_opens"].value)
    pace = r * math.sin(turned) * (1 + r * math.cos(turned) / math.sqrt(rod**2 - (r * math.sin(turned)) ** 2))
    assert found["exhaust_opens"].u == pytest.approx(0.01 / (pace * math.pi / 180), rel=1e-3)
    # two sides 0.02 mm off each, at an arc of 28 mm round 46 mm
    assert found["exhaust_width"].u == pytest.approx(math.sqrt(2) * 0.02 * math.cos(28 / 46) / 46, rel=1e-6)


def test_nothing_unverified_about_mean_pressure_is_shipped():
    assert not any("pressure" in guide.what and "mean" in guide.what for guide in guides())


def test_the_speed_it_is_good_to_puts_it_on_the_bound():
    engine, port_map = sample_engine()
    for one in guide_verdicts(engine, port_map, 9000.0):
        if one.good_to_rpm is None:
            continue
        again = {v.guide.key: v for v in guide_verdicts(engine, port_map, one.good_to_rpm)}[one.guide.key]
        assert again.value == pytest.approx(one.guide.low, rel=1e-9)
        widest = {v.guide.key: v for v in guide_verdicts(engine, port_map, one.good_from_rpm)}[one.guide.key]
        assert widest.value == pytest.approx(one.guide.high, rel=1e-9)


def test_time_areas_are_those_of_the_timearea_verb(tmp_path, capsys):
    place = tmp_path / "job.json"
    place.write_text(json.dumps(sample()))
    assert main(["timearea", str(place), "--rpm", "9000", "--json"]) == 0
    spans = {one["span"]: one for one in json.loads(capsys.readouterr().out)["spans"]}
    assert main(["guide", str(place), "--rpm", "9000", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    for one in found["speeds"][0]["guides"]:
        if one["unit"] == "s/m":
            assert one["value"] == pytest.approx(spans[one["of"]]["specific_s_per_m"])


def test_what_runs_short_first_is_the_least_speed():
    engine, port_map = sample_engine()
    found = guide_document(engine, port_map, [6000.0, 9000.0])
    speeds = [one["good_to_rpm"] for one in found["speeds"][0]["guides"] if one["good_to_rpm"]]
    assert found["runs_short_first"]["rpm"] == pytest.approx(min(speeds))
    later = [one["good_to_rpm"] for one in found["speeds"][1]["guides"] if one["good_to_rpm"]]
    assert later == pytest.approx(speeds)  # it does not hang on the speed asked


def test_the_doubt_tells_whether_a_standing_is_sure():
    engine, port_map = sample_engine()
    exhaust = next(one for one in guide_verdicts(engine, port_map, 9000.0) if one.guide.key == "exhaust")
    at_bound = next(
        one for one in guide_verdicts(engine, port_map, exhaust.good_to_rpm) if one.guide.key == "exhaust"
    )
    far = next(one for one in guide_verdicts(engine, port_map, 20000.0) if one.guide.key == "exhaust")
    assert at_bound.sure is False
    assert far.sure is True
    assert far.standing == "below"


def test_a_case_that_nobody_measured_is_not_known():
    engine, port_map = sample_engine()
    case = next(one for one in guide_verdicts(engine, port_map, 9000.0) if one.guide.key == "case_ratio")
    assert (case.value, case.standing) == (None, "not known")


# The lines' coefficients are made up: those of the book could not be verified.
MADE_UP = Line(of="exhaust", offset_bar=1.5, slope_bar_m_per_s=700.0, source="made up", checked_by="")


@given(
    pressure=st.floats(0, 20),
    offset=st.floats(-5, 5),
    slope=st.floats(100, 10_000),
)
def test_a_line_and_its_inverse_agree(pressure, offset, slope):
    line = Line(of="exhaust", offset_bar=offset, slope_bar_m_per_s=slope, source="made up", checked_by="")
    assert line_pressure_bar(line, line_specific_s_per_m(line, pressure)) == pytest.approx(pressure, abs=1e-9)


def test_a_line_by_hand():
    assert line_specific_s_per_m(MADE_UP, 9.0) == pytest.approx(10.5 / 700)


GOOD = '[exhaust]\noffset_bar = 1.5\nslope_bar_m_per_s = 700.0\nsource = "made up, p. 0"\n'


def test_a_users_line_is_read_with_its_source(tmp_path, capsys):
    job, lines = tmp_path / "job.json", tmp_path / "lines.toml"
    job.write_text(json.dumps(sample()))
    lines.write_text(GOOD)
    assert main(["guide", str(job), "--rpm", "9000", "--lines", str(lines), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["speeds"][0]
    line = found["lines"][0]
    specific = next(one["value"] for one in found["guides"] if one["guide"] == "exhaust")
    assert line["pressure_bar"] == pytest.approx(700 * specific - 1.5)
    assert line["source"] == "made up, p. 0"
    assert line["checked_by"] is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[muffler]\n", "there is no such span; name one of exhaust"),
        (GOOD.replace("700.0", "0.0"), "a slope must be above 0"),
        (GOOD.replace("1.5", '"much"'), "exhaust.offset_bar: it is not a number"),
        (GOOD.replace("700.0", "nan"), "it is not a number"),
        (GOOD.replace('"made up, p. 0"', '""'), "its source is missing; name book and page"),
        ("[exhaust\n", "it cannot be read"),
    ],
    ids=["no such span", "level line", "word for number", "not a number", "no source", "not TOML"],
)
def test_a_bad_line_is_refused_in_one_line(tmp_path, text, words):
    place = tmp_path / "lines.toml"
    place.write_text(text)
    with pytest.raises(QuantityError, match=words) as caught:
        read_lines(place)
    assert "\n" not in str(caught.value)


def test_the_screen_names_sources_and_says_it_is_a_guide(tmp_path, capsys):
    place = tmp_path / "job.json"
    place.write_text(json.dumps(sample()))
    assert main(["guide", str(place), "--rpm", "9000"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Guides, not permission" in shown
    assert "not checked with the page" in shown
    assert "Runs short first as speed rises" in shown


def test_the_table_has_doubts_notices_and_what_is_switched_off(tmp_path, capsys):
    place, table = tmp_path / "job.json", tmp_path / "guide.csv"
    document = sample()
    document["warnings"] = [{"code": "card-bent", "message": "The card was bent."}]
    place.write_text(json.dumps(document))
    assert main(["guide", str(place), "--rpm", "8000,9000", "--csv", str(table), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    rows = list(csv.DictReader(io.StringIO(table.read_text())))
    judged = [row for row in rows if row["standing"] != "switched off"]
    by_json = [entry for speed in found["speeds"] for entry in speed["guides"]]
    for row, entry in zip(judged, by_json, strict=True):
        assert row["guide"] == entry["guide"]
        if entry["value"] is not None:
            assert float(row["value"]) == pytest.approx(entry["value"], rel=1e-5)
        if entry["value_u"] is not None:
            assert float(row["value_u"]) == pytest.approx(entry["value_u"], rel=1e-5)
        assert "The card was bent." in row["notices"]
    off = [row for row in rows if row["standing"] == "switched off"]
    assert {row["guide"] for row in off} == {"squish_50", "squish_any", "squish_velocity"}
    assert {row["confidence"] for row in off} == {"from memory, unverified"}
    assert {(row["value"], row["unverified"]) for row in off} == {("", "yes")}
    assert main(["guide", str(place), "--rpm", "9000", "--csv", str(table)]) == 1
    assert "exists" in capsys.readouterr().err


def test_the_screen_marks_what_nobody_verified(tmp_path, capsys):
    place = tmp_path / "job.json"
    place.write_text(json.dumps(sample()))
    assert main(["guide", str(place), "--rpm", "9000"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Switched off, for nobody could verify them" in shown
    assert "squish clearance of 50 to 80 cm³: 0.60 to 0.80 mm by A. G. Bell" in shown
    assert main(["guide", str(place), "--rpm", "9000", "--unverified"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "squish clearance of 50 to 80 cm³ (from memory, unverified)" in shown


@pytest.mark.parametrize("speed", ["0", "-9000", "fast", "9000:1000:0"])
def test_a_speed_that_is_none_is_one_line(speed, tmp_path, capsys):
    place, table = tmp_path / "job.json", tmp_path / "guide.csv"
    place.write_text(json.dumps(sample()))
    assert main(["guide", str(place), "--rpm", speed, "--csv", str(table)]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not table.exists()
