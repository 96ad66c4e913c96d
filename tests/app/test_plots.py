"""Figures for the screen: their curves are the library's, their lines legible without colour."""

import numpy as np
import pytest

from portmap.job import engine_of, job_of, port_map_of
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.planner import planned
from portmap.shop import shop_of
from portmap.shopwork import build_of
from portmap.shown import unit_system
from portmap.spread_document import spread_document
from portmap.timearea import map_spans, time_area
from portmap.timing import blowdown_deg
from portmap.window import opened_area, port_area
from portmap.wishes import wishes_of
from tests.app import opened  # noqa: F401 - makes portmap.app importable
from tests.cylinders import ground, job_document, proposed, stock

from portmap.app.plots import (  # isort: skip
    budget_figure,
    opened_figure,
    recipes_figure,
    stage_dash,
    stage_width_px,
    time_area_figure,
)

STAGES = ("stock", "proposed", "ground")
INCH2_MM2 = 25.4**2  # international yard and pound agreement, 1959


@pytest.fixture(scope="module")
def job():
    document = job_document(stock(), proposed(), ground())
    document["cylinder"]["squish_band_height_mm"] = 61.2
    document["engine"]["head_volume_cm3"] = 6.1
    return job_of(document)


@pytest.fixture(scope="module")
def maps(job):
    return [port_map_of(job, stage) for stage in STAGES]


def line(figure, name):
    return next(trace for trace in figure.data if trace.name == name)


def at(trace, x):
    return trace.y[int(np.flatnonzero(np.isclose(trace.x, x))[0])]


@pytest.mark.parametrize(("units", "factor"), [("mm", 1.0), ("inch", 1 / INCH2_MM2)])
def test_opened_area_is_the_librarys_in_both_units(job, maps, units, factor):
    engine = engine_of(job)
    figure = opened_figure(engine, maps, system=unit_system(units))
    exhaust = maps[1].ports[0]
    for angle in (100.0, 120.0, 180.0):
        expected = float(opened_area(engine, exhaust, angle)) * factor
        assert at(line(figure, "exhaust, proposed"), angle) == pytest.approx(expected, rel=1e-12)


def test_a_shut_port_draws_no_line(job, maps):
    figure = opened_figure(engine_of(job), maps[:1], system=unit_system("mm"))
    assert np.isnan(at(line(figure, "exhaust, stock"), 30.0))


def test_against_height_the_whole_port_is_open_at_its_far_edge(job, maps):
    figure = opened_figure(engine_of(job), maps[:1], system=unit_system("mm"), against="height")
    for port in maps[0].ports:
        trace = line(figure, f"{port.id}, stock")
        assert max(trace.x) == pytest.approx(port_area(port, 46.0), rel=1e-9)
        open_at_roof = port.control == "skirt"  # a skirt opens from below, a crown from above
        assert (trace.x[-1] > trace.x[0]) == open_at_roof


def test_together_is_the_sum_of_a_kind(job, maps):
    engine = engine_of(job)
    figure = opened_figure(engine, maps[:1], system=unit_system("mm"), together=True)
    both = [port for port in maps[0].ports if port.kind == "transfer"]
    expected = sum(float(opened_area(engine, port, 150.0)) for port in both)
    assert at(line(figure, "all transfer, stock"), 150.0) == pytest.approx(expected, rel=1e-12)


def test_stages_differ_without_colour_and_kinds_have_their_hue(job, maps):
    figure = opened_figure(engine_of(job), maps, system=unit_system("mm"))
    looks = {(stage_dash(stage), stage_width_px(stage)) for stage in STAGES}
    assert len(looks) == len(STAGES)
    for stage in STAGES:
        trace = line(figure, f"exhaust, {stage}")
        assert trace.line.color == KIND_COLOURS["exhaust"]
        assert (trace.line.dash, trace.line.width) == (stage_dash(stage), stage_width_px(stage))
        assert bool(STAGE_STROKES[stage].dash_mm) == (stage_dash(stage) != "solid")


def test_every_port_is_named_at_its_line(job, maps):
    figure = opened_figure(engine_of(job), maps, system=unit_system("mm"))
    named = {note.text for note in figure.layout.annotations}
    assert {port.id for port in maps[0].ports} <= named


def test_the_blowdown_is_shaded_from_exhaust_to_transfer(job, maps):
    engine = engine_of(job)
    figure = opened_figure(engine, maps, system=unit_system("mm"))
    (band,) = [shape for shape in figure.layout.shapes if shape.type == "rect"]
    assert band.x1 - band.x0 == pytest.approx(blowdown_deg(engine, maps[-1]), abs=1e-9)


@pytest.mark.parametrize("dark", [False, True])
def test_a_light_figure_prints_on_white(job, maps, dark):
    figure = opened_figure(engine_of(job), maps, system=unit_system("mm"), dark=dark)
    assert (figure.layout.paper_bgcolor == "#FFFFFF") is not dark


def test_time_areas_are_the_librarys_and_fall_as_one_over_speed(job, maps):
    engine = engine_of(job)
    figure = time_area_figure(engine, maps, [6000, 12000], system=unit_system("mm"))
    spans, _ = map_spans(engine, maps[2])
    for span in spans:
        trace = line(figure, f"{span.name}, ground")
        assert trace.y[0] == pytest.approx(float(time_area(span.angle_area_mm2_deg, 6000)), rel=1e-12)
        assert trace.y[0] == pytest.approx(2 * trace.y[1], rel=1e-12)


@pytest.mark.parametrize(("units", "factor"), [("mm", 1.0), ("inch", 1 / 25.4)])
def test_recipes_stand_side_by_side_with_the_engine_as_it_is(job, units, factor):
    wishes = wishes_of(["squish 0.5 mm", "blowdown at least 18"])
    plan = planned(build_of(job, "stock"), wishes, shop_of())
    figure = recipes_figure(plan, system=unit_system(units))
    squish, blowdown = figure.data
    assert list(squish.y) == ["now", *(str(number) for number in range(1, len(plan.recipes) + 1))]
    assert squish.x[0] == pytest.approx(0.6 * factor, abs=1e-9)  # 61.2 − (61.0 − 0.4) mm, by hand
    assert squish.x[1] == pytest.approx(plan.recipes[0].outcomes[0].after * factor, rel=1e-12)
    assert blowdown.x[1] == pytest.approx(plan.recipes[0].outcomes[1].after, rel=1e-12)
    assert squish.error_x.array[1] == pytest.approx(2 * plan.recipes[0].outcomes[0].u * factor, rel=1e-12)


def test_a_budget_holds_all_of_the_doubt_largest_first(job):
    document = spread_document(build_of(job, "stock"), ["blowdown"], count=200)
    figure = budget_figure(document["results"][0])
    (bars,) = figure.data
    assert sum(bars.x) == pytest.approx(100.0, abs=0.1)
    assert list(bars.x) == sorted(bars.x, reverse=True)
    assert "/" in bars.marker.pattern.shape  # what nobody measured is hatched
