"""Bench tools: the figures asked for, names forgiven, repeats that help only in part."""

import math

import pytest

from portmap.errors import QuantityError
from portmap.tools import SOURCE, _data, assumptions, tool_doubt, tool_named, tool_of_spelling, tools

# what the work order asks for; common practice, no source
ASKED = {
    "degree wheel": ("deg", 0.5),
    "caliper": ("mm", 0.02),
    "solder": ("mm", 0.01),
    "burette": ("cm3", 0.1),
    "pressure gauge": ("bar", 0.3),
}


@pytest.mark.parametrize("name", ASKED)
def test_tool_is_good_for_what_common_practice_says(name):
    assert (tools()[name].unit, tools()[name].plus_minus) == ASKED[name]


def test_the_data_say_that_they_have_no_source():
    assert _data()["note"] == SOURCE == "common practice, no source"


@pytest.mark.parametrize("tool", tools().values(), ids=lambda tool: tool.name)
def test_every_tool_has_sensible_figures(tool):
    assert tool.plus_minus > 0
    assert 0 <= tool.varies <= 1
    assert tool.kinds
    assert tool_of_spelling()[tool.name] == tool.name


def test_no_two_tools_share_a_name():
    spelled = [name for tool in tools().values() for name in (tool.name, *tool.also)]
    assert len(spelled) == len(set(spelled)) == len(tool_of_spelling())


@pytest.mark.parametrize(
    ("typed", "name"),
    [("Degree Wheel", "degree wheel"), ("vernier", "caliper"), ("  dial   indicator ", "dial gauge")],
)
def test_names_are_forgiven(typed, name):
    assert tool_named(typed).name == name


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("degre wheel", "did you mean degree wheel"),
        ("calliperr", "did you mean caliper"),
        ("hammer and tongs", "take one of degree wheel"),
        ("x" * 500, r"xxx\.\.\."),
    ],
)
def test_unknown_tool_is_refused_with_the_nearest(typed, message):
    with pytest.raises(QuantityError, match=message):
        tool_named(typed, where="--add")


def test_repeats_take_away_only_what_varies():
    wheel = tools()["degree wheel"]
    # by hand: u = 0.25; varies 0.8 of it, 0.20; stays 0.6 of it, 0.15
    assert tool_doubt(wheel) == pytest.approx(0.25)
    assert tool_doubt(wheel, times=4) == pytest.approx(math.hypot(0.10, 0.15))
    assert tool_doubt(wheel, times=10**9) == pytest.approx(0.15, rel=1e-6)


def test_scatter_counts_where_it_is_larger():
    solder = tools()["solder"]
    assert tool_doubt(solder, times=3, scatter=0.0) == tool_doubt(solder, times=3)
    # stays 0.6 × 0.005 = 0.003
    assert tool_doubt(solder, times=3, scatter=0.03) == pytest.approx(math.hypot(0.03 / math.sqrt(3), 0.003))


def test_what_is_assumed_has_a_doubt():
    found = assumptions()
    assert found.rod_ratio_u > 0
    assert found.pin_offset_u_mm > 0
    assert 0 < found.figure_share_u < 1
    assert found.outline_u_mm > 0
