"""Stated doubts: the outlines' alone until a fit has spoken of the engine, then both with correlations."""

from dataclasses import replace

import numpy as np
import pytest

from portmap import outline_spread, stated_spread
from portmap.engine import EngineDoubt
from portmap.figures import timearea_document, timing_document
from portmap.port import PortMap, Window, WindowDoubt
from portmap.timearea import map_spans
from portmap.timing import blowdown_deg, port_timing
from tests.gallery import ENGINE, box, port

SURE = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.2, edge_u_mm=0.02)


def traced(window: Window) -> Window:
    return replace(window, doubt=SURE)


EXHAUST = port(traced(box(-14, 28, 14, 40)), name="e")
TRANSFER = port(traced(box(20, 28, 30, 36)), name="t", kind="transfer")
INTAKE = port(traced(box(60, 8, 80, 17)), name="in", kind="intake", control="skirt")
MAP = PortMap(stage="stock", ports=(EXHAUST, TRANSFER, INTAKE))


def doubted(figures: tuple[str, ...], covariance) -> object:
    table = tuple(tuple(float(cell) for cell in row) for row in np.atleast_2d(covariance))
    return replace(ENGINE, doubt=EngineDoubt(figures=figures, covariance=table))


CROWN = doubted(("crown_height_mm",), [[0.02**2]])


@pytest.mark.parametrize("one", [EXHAUST, TRANSFER, INTAKE], ids=lambda one: one.id)
def test_without_a_fit_it_is_the_outlines_doubt(one):
    alone = outline_spread.opening_u_deg(ENGINE, one)
    assert stated_spread.opening_u_deg(ENGINE, one) == alone
    assert stated_spread.duration_u_deg(ENGINE, one) == 2 * alone


@pytest.mark.parametrize("one", [EXHAUST, TRANSFER, INTAKE], ids=lambda one: one.id)
def test_the_crown_s_doubt_joins_the_outline_s(one):
    # both are heights along the wall: √(0.01² + 0.02²) over the piston's speed
    alone = outline_spread.opening_u_deg(ENGINE, one)
    assert stated_spread.opening_u_deg(CROWN, one) == pytest.approx(alone * np.sqrt(5), rel=1e-3)


def test_an_engine_surely_known_changes_nothing():
    sure = doubted(("crown_height_mm", "stroke_mm"), np.zeros((2, 2)))
    assert stated_spread.opening_u_deg(sure, EXHAUST) == pytest.approx(
        outline_spread.opening_u_deg(ENGINE, EXHAUST), rel=1e-3
    )
    assert stated_spread.blowdown_u_deg(sure, MAP) == pytest.approx(
        outline_spread.blowdown_u_deg(ENGINE, MAP), rel=1e-3
    )
    for span in map_spans(ENGINE, MAP)[0]:
        own = outline_spread.span_u_mm2_deg(ENGINE, MAP, span)
        assert stated_spread.span_u_mm2_deg(sure, MAP, span) == pytest.approx(own, rel=0.01), span.name


def test_a_height_read_against_the_crown_cancels_in_its_opening():
    joint = doubted(("crown_height_mm", "roof_mm:e"), 0.03**2 * np.ones((2, 2)))
    assert stated_spread.opening_u_deg(joint, EXHAUST) == pytest.approx(0.0, abs=1e-6)


def test_the_crown_shifts_both_openings_so_blowdown_feels_little_of_it():
    both = stated_spread.blowdown_u_deg(CROWN, MAP)
    moved = [
        blowdown_deg(replace(ENGINE, crown_height_mm=ENGINE.crown_height_mm + step), MAP)
        for step in (0.02, -0.02)
    ]
    alone = outline_spread.blowdown_u_deg(ENGINE, MAP)
    assert both == pytest.approx(np.hypot(alone, (moved[0] - moved[1]) / 2), rel=1e-3)


def test_a_span_s_doubt_is_that_of_the_engine_really_moved():
    span = map_spans(CROWN, MAP)[0][0]
    ends = [
        map_spans(replace(ENGINE, crown_height_mm=ENGINE.crown_height_mm + step), MAP)[0][0]
        for step in (0.02, -0.02)
    ]
    crown = (ends[0].angle_area_mm2_deg - ends[1].angle_area_mm2_deg) / 2
    sure = doubted(("crown_height_mm",), [[0.0]])
    alone = stated_spread.span_u_mm2_deg(sure, MAP, span)
    assert stated_spread.span_u_mm2_deg(CROWN, MAP, span) == pytest.approx(np.hypot(alone, crown), rel=1e-3)


def test_the_chord_s_doubt_is_in_proportion():
    wall, chord = (map_spans(CROWN, MAP, area=area)[0][0] for area in ("wall", "chord"))
    found = [
        stated_spread.span_u_mm2_deg(CROWN, MAP, span, area=area)
        for span, area in ((wall, "wall"), (chord, "chord"))
    ]
    assert found[1] / found[0] == pytest.approx(chord.angle_area_mm2_deg / wall.angle_area_mm2_deg)


def test_what_nobody_said_is_none_though_the_engine_is_doubted():
    bare = port(box(-14, 28, 14, 40), name="e")
    told = PortMap(stage="stock", ports=(bare, TRANSFER))
    assert stated_spread.opening_u_deg(CROWN, bare) is None
    assert stated_spread.duration_u_deg(CROWN, bare) is None
    assert stated_spread.blowdown_u_deg(CROWN, told) is None
    assert stated_spread.span_u_mm2_deg(CROWN, told, map_spans(CROWN, told)[0][0]) is None


def test_a_fitted_height_needs_no_outline_s_doubt():
    bare = port(box(-14, 28, 14, 40), name="e")
    fitted = doubted(("crown_height_mm", "roof_mm:e"), np.diag([0.0, 0.01**2]))
    expected = outline_spread.opening_u_deg(ENGINE, EXHAUST)
    assert stated_spread.opening_u_deg(fitted, bare) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    "shut",
    [
        pytest.param(port(traced(box(-5, 20, 5, 25)), name="s"), id="never opens"),
        pytest.param(port(traced(box(-5, 20, 5, 25)), name="s", control="none"), id="no control"),
    ],
)
def test_no_opening_no_doubt(shut):
    assert not port_timing(CROWN, shut).openings
    assert stated_spread.opening_u_deg(CROWN, shut) is None


def test_the_documents_say_what_the_doubt_covers():
    before, after = timing_document(ENGINE, MAP), timing_document(CROWN, MAP)
    assert before["doubt_covers"].startswith("the outlines alone")
    assert "readings were fitted" in after["doubt_covers"]
    assert after["ports"][0]["opens_u_deg"] > before["ports"][0]["opens_u_deg"]
    assert after["blowdown_u_deg"] > before["blowdown_u_deg"]
    span = timearea_document(CROWN, MAP, [9000])["spans"][0]
    assert (
        span["angle_area_u_mm2_deg"]
        > timearea_document(ENGINE, MAP, [9000])["spans"][0]["angle_area_u_mm2_deg"]
    )
