"""Readings: their doubts, and the refusal of those that cannot be."""

import math

import pytest

from portmap.errors import JobError, PortmapError
from portmap.job import job_of
from portmap.port import PortEdges
from portmap.reading_kinds import READING_KINDS
from portmap.readings import (
    Reading,
    checked_reading,
    entry_of_reading,
    port_named_by_kind,
    reading_doubt,
    reading_of_entry,
    reading_ports,
    readings_of,
    timed_edge,
)
from portmap.tools import tools
from tests.sample_job import sample

PORTS = {
    "exhaust": PortEdges(id="exhaust", kind="exhaust", control="crown"),
    "intake": PortEdges(id="intake", kind="intake", control="skirt"),
    "reed": PortEdges(id="reed", kind="intake", control="none"),
    "air": PortEdges(id="air", kind="strato", control="pocket"),
}


def job_with(*readings, maps=True):
    document = sample()
    document["readings"] = list(readings)
    if not maps:
        document["maps"] = []
    return job_of(document)


@pytest.mark.parametrize("kind", READING_KINDS)
def test_the_usual_tool_reads_its_kind_in_its_unit(kind):
    facts = READING_KINDS[kind]
    assert kind in tools()[facts.tool].kinds
    assert tools()[facts.tool].unit == facts.unit


@pytest.mark.parametrize("tool", tools().values(), ids=lambda tool: tool.name)
def test_every_tool_reads_kinds_that_there_are_in_its_own_unit(tool):
    assert {READING_KINDS[kind].unit for kind in tool.kinds} == {tool.unit}


@pytest.mark.parametrize(
    ("reading", "u"),
    [
        (Reading(kind="opens", port="exhaust", value=104.0), 0.25),  # ±0.5 is two of them
        (Reading(kind="squish", value=0.6), 0.005),
        (Reading(kind="head_volume", value=6.1), 0.05),
        (Reading(kind="cranking_pressure", value=10.5), 0.15),
        (Reading(kind="bore", value=46.0), 0.01),
        (Reading(kind="bore", value=46.0, tool="micrometer"), 0.005),
        (Reading(kind="bore", value=46.0, doubt=0.3, times=9), 0.3),  # stated: nothing is taken off
        # four times: 0.8 of 0.25 halved, and 0.6 of it that stays
        (Reading(kind="opens", port="exhaust", value=104.0, times=4), math.hypot(0.1, 0.15)),
        # places 0.1 mm apart: their scatter, 0.05 mm, over the root of three, and what stays of the solder
        (Reading(kind="squish", value=0.6, places_mm=(0.55, 0.6, 0.65)), math.hypot(0.05 / 3**0.5, 0.003)),
    ],
)
def test_doubt_of_a_reading(reading, u):
    assert reading_doubt(reading) == pytest.approx(u)


def test_a_depth_at_a_degree_carries_the_doubt_of_the_wheel():
    reading = Reading(kind="depth_at", at_deg=90.0, value=18.25)
    assert reading_doubt(reading) == pytest.approx(0.01)
    assert reading_doubt(reading, mm_per_deg=0.28) == pytest.approx(math.hypot(0.01, 0.28 * 0.25))


@pytest.mark.parametrize(
    ("reading", "message"),
    [
        (Reading(kind="opens", value=104.0), "of which port is not said"),
        (Reading(kind="opens", port="exhaus", value=104.0), "did you mean exhaust"),
        (Reading(kind="opens", port="west", value=104.0), "there is no port 'west'; the job has exhaust"),
        (Reading(kind="squish", port="exhaust", value=0.6), "squish belongs to no port"),
        (Reading(kind="opens", port="exhaust", value=400.0), "outside 0 to 360"),
        (Reading(kind="opens", port="exhaust", value=math.nan), "outside 0 to 360"),
        (Reading(kind="opens", port="exhaust", value=256.0), "did you mean 104° after TDC"),
        (Reading(kind="closes", port="exhaust", value=104.0), "did you mean 104° before TDC"),
        (Reading(kind="opens", port="intake", value=75.0), "did you mean 75° before TDC"),
        (Reading(kind="opens", port="exhaust", value=180.0), "cannot be"),
        (Reading(kind="opens", port="reed", value=75.0), "not opened by the piston"),
        (Reading(kind="depth_at", value=18.0), "the degree at which the depth was read is missing"),
        (Reading(kind="depth_at", at_deg=500.0, value=18.0), "outside 0 to 360"),
        (Reading(kind="squish", at_deg=90.0, value=0.6), "squish has no use for it"),
        (Reading(kind="bore", value=46.0, places_mm=(46.0,)), "has no use for it"),
        (Reading(kind="bore", value=46.0, altitude_m=100.0), "has no use for it"),
        (Reading(kind="squish", value=-0.1), "not above 0"),
        (Reading(kind="squish", value=math.nan), "no engine has that"),
        (Reading(kind="bore", value=5000.0), "no engine has that"),
        (Reading(kind="squish", value=0.7, places_mm=(0.5, 0.6)), "not the mean of its places, 0.550"),
        (Reading(kind="squish", value=0.6, times=0), "not how often"),
        (Reading(kind="squish", value=0.6, doubt=0.0), "not a doubt"),
        (Reading(kind="squish", value=0.6, gasket_mm=-0.1), "not a gasket"),
        (Reading(kind="squish", value=0.6, tool="burette"), "squish is not read with a burette; name one of"),
        (Reading(kind="squish", value=0.6, tool="soldr"), "did you mean solder"),
    ],
)
def test_what_makes_no_sense_is_refused(reading, message):
    with pytest.raises(PortmapError, match=message):
        checked_reading(reading, PORTS)


@pytest.mark.parametrize(
    "reading",
    [
        Reading(kind="opens", port="exhaust", value=104.0),
        Reading(kind="closes", port="exhaust", value=256.0),
        Reading(kind="opens", port="intake", value=285.0),
        Reading(kind="opens", port="air", value=300.0),  # a pocket may open either way
        Reading(kind="opens", port="air", value=60.0),
        Reading(kind="pin_offset", value=-0.5),
        Reading(kind="floor_height", port="exhaust", value=-1.0),
        Reading(kind="depth_at", at_deg=0.0, value=0.0),
    ],
)
def test_what_makes_sense_passes(reading):
    assert checked_reading(reading, PORTS) is reading


def test_all_faults_of_a_job_are_found_with_their_place():
    job = job_with(
        {"kind": "opens", "port": "exhaust", "value": 104.0, "unit": "deg"},
        {"kind": "opens", "port": "boost", "value": 104.0, "unit": "deg"},
        {"kind": "squish", "value": 0.6, "unit": "deg"},
        {"kind": "squish", "value": 0.6, "unit": "mm", "tool": "string"},
    )
    with pytest.raises(JobError) as caught:
        readings_of(job)
    lines = str(caught.value).splitlines()
    assert [line.split(":")[0] for line in lines] == [
        "readings[1].port",
        "readings[2].unit",
        "readings[3].tool",
    ]
    assert "the job has exhaust, main, intake" in lines[0]
    assert "squish is read in mm, not in degrees; give it in mm" in lines[1]


def test_a_job_with_a_map_takes_no_other_ports():
    reading = {"kind": "opens", "port": "transfer", "value": 120.0, "unit": "deg"}
    with pytest.raises(JobError, match=r"readings\[0\]\.port: there is no port 'transfer'"):
        readings_of(job_with(reading))
    job = job_with(reading, maps=False)
    assert readings_of(job)[0].port == "transfer"
    assert reading_ports(job)["transfer"].control == "crown"


@pytest.mark.parametrize(
    ("name", "kind"),
    [("exhaust", "exhaust"), ("transfer 2", "transfer"), ("boost-rear", "boost"), ("intake.a", "intake")],
)
def test_a_port_may_be_named_by_its_kind(name, kind):
    assert port_named_by_kind(name).kind == kind


@pytest.mark.parametrize("name", ["left", "exhausted", "ex", ""])
def test_other_names_say_no_kind(name):
    assert port_named_by_kind(name) is None


def test_entry_and_back():
    reading = Reading(kind="squish", value=0.6, places_mm=(0.55, 0.65), tool="solder", note="two places")
    assert reading_of_entry(entry_of_reading(reading)) == reading


def test_which_edge_times_a_port():
    assert [timed_edge(PORTS[name]) for name in ("exhaust", "intake", "air", "reed")] == [
        "roof",
        "floor",
        None,
        None,
    ]
