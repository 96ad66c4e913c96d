"""How sure a change is: what stands behind both sides drops out, what does not stays."""

import math
from dataclasses import replace

import pytest

from portmap.change_doubt import change_doubts
from portmap.crank import Crank, depth_per_degree
from portmap.doubts import doubts_of
from portmap.effects import bench_figures
from portmap.engine import Engine
from portmap.operation import parse_operation
from portmap.port import PortEdges
from portmap.shopwork import Build, after
from portmap.tools import tool_doubt, tools

COUNT = 20_000
SHARE = 0.03  # of a doubt: 1/√(2·COUNT) is 0.5 %, so six of its standard deviations

ENGINE = Engine(
    bore_mm=46.0,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    squish_band_height_mm=61.2,
    head_volume_cm3=6.1,
)
BUILD = Build(
    engine=ENGINE,
    edges=(PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=40.0, roof_u_mm=0.05),),
)
CALIPER_U_MM = tool_doubt(tools()["caliper"])


def doubts(*texts: str, build: Build = BUILD):
    return change_doubts(build, after(build, *map(parse_operation, texts)), count=COUNT)


def test_a_cut_leaves_the_doubt_of_lengths_and_volume_as_it_was_and_none_in_their_change():
    found = doubts("cut_base 0.2 mm")
    for name in ("squish_mm", "head_volume_cm3", "exhaust:roof_depth_mm", "base_gasket_mm"):
        assert found[name].after_u == pytest.approx(found[name].before_u, rel=1e-9), name
        assert found[name].change_u == pytest.approx(0, abs=1e-9), name


def test_squish_leans_on_three_readings():
    # band height, crown height and gasket, each by caliper: root of three of one
    assert doubts("cut_base 0.2")["squish_mm"].before_u == pytest.approx(
        math.sqrt(3) * CALIPER_U_MM, rel=SHARE
    )


def test_without_a_gasket_there_is_no_doubt_of_it():
    found = doubts("base_gasket 0")
    assert found["base_gasket_mm"].after_u == 0
    assert found["squish_mm"].after_u == pytest.approx(math.sqrt(2) * CALIPER_U_MM, rel=SHARE)
    # what was taken away was as thick as its reading
    assert found["squish_mm"].change_u == pytest.approx(CALIPER_U_MM, rel=SHARE)
    # π·46²/4 mm² of it
    volume = math.pi * 46**2 / 4 * CALIPER_U_MM / 1000
    assert found["head_volume_cm3"].change_u == pytest.approx(volume, rel=SHARE)


def test_another_gasket_is_another_reading():
    found = doubts("base_gasket 0.6")
    assert found["base_gasket_mm"].change_u == pytest.approx(math.sqrt(2) * CALIPER_U_MM, rel=SHARE)


def test_a_degree_is_as_sure_as_the_roof_that_opens_it():
    now = after(BUILD, parse_operation("grind_roof exhaust 0.5"))
    stated = doubts_of(BUILD).stated()  # the roof's alone
    found = change_doubts(BUILD, now, doubts=stated, count=COUNT)["exhaust:opens_deg"]
    for build, u in ((BUILD, found.before_u), (now, found.after_u)):
        slope = float(depth_per_degree(ENGINE.crank, bench_figures(build)["exhaust:opens_deg"]))
        assert u == pytest.approx(0.05 / slope, rel=SHARE)
    # both sides lean on the one roof: of the change only the difference of the two is left
    assert found.change_u == pytest.approx(found.before_u - found.after_u, rel=SHARE)


def test_a_figure_that_some_draws_do_not_have_has_no_doubt():
    # roof 0.01 mm below the crown at TDC with a doubt of 0.05 mm: in two draws of five it is above it
    shallow = replace(BUILD, edges=(replace(BUILD.edges[0], roof_mm=60.59),))
    assert doubts("cut_base 0.1", build=shallow)["exhaust:opens_deg"].before_u is None


def test_the_same_seed_gives_the_same_doubts():
    assert doubts("base_gasket 0.2") == doubts("base_gasket 0.2")
