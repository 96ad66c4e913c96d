"""Which doubt each figure takes: the fit's, a stated one, or the tool's."""

from dataclasses import replace

import numpy as np
import pytest

from portmap.crank import Crank, crank_with_guessed_rod
from portmap.cranking import EXPONENTS
from portmap.doubts import EXPONENT, SIZE, doubts_of, drawn_values, relative_area_u
from portmap.engine import Engine, EngineDoubt
from portmap.errors import QuantityError
from portmap.port import PortEdges, PortMap, Window, WindowDoubt, edges_of
from portmap.shopwork import Build
from portmap.tools import assumptions, tool_doubt, tools
from tests.gallery import ENGINE, box, port


def figure(build: Build, name: str):
    return next(one for one in doubts_of(build).figures if one.name == name)


def sure(window: Window) -> Window:
    doubt = WindowDoubt(roof_u_mm=0.011, floor_u_mm=0.013, wall_area_u_mm2=0.3, edge_u_mm=0.02)
    return replace(window, doubt=doubt)


def built(*ports, engine: Engine = ENGINE) -> Build:
    return Build(
        engine=engine,
        edges=tuple(edges_of(one) for one in ports),
        port_map=PortMap(stage="stock", ports=ports),
    )


READ = Build(
    engine=ENGINE, edges=(PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.0, roof_u_mm=0.04),)
)


@pytest.mark.parametrize(
    ("name", "u", "source"),
    [
        pytest.param("bore_mm", tool_doubt(tools()["caliper"]), "assumed", id="bore as by caliper"),
        pytest.param("roof_mm:e", 0.04, "stated", id="height with its own doubt"),
        pytest.param("pin_offset_mm", assumptions().pin_offset_u_mm, "assumed", id="offset nobody spoke of"),
    ],
)
def test_source_of_a_doubt(name, u, source):
    found = figure(READ, name)
    assert (found.u, found.source) == (u, source)


def test_a_guessed_rod_takes_the_guess_s_doubt():
    engine = replace(ENGINE, crank=crank_with_guessed_rod(32.0))
    assert figure(Build(engine=engine, edges=()), "rod_mm").u == pytest.approx(32 * assumptions().rod_ratio_u)


def test_no_gasket_is_surely_none():
    assert figure(Build(engine=replace(ENGINE, base_gasket_mm=0.0), edges=()), "base_gasket_mm").u == 0.0


def test_figures_that_nobody_knows_are_left_out():
    engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    names = doubts_of(Build(engine=engine, edges=())).names
    assert not {"skirt_length_mm", "head_volume_cm3", "squish_band_height_mm", SIZE, EXPONENT} & set(names)


def test_the_fit_s_covariance_stands_and_the_rest_is_independent():
    table = ((0.0004, 0.0003), (0.0003, 0.0009))
    said = EngineDoubt(figures=("roof_mm:e", "crown_height_mm"), covariance=table)
    build = replace(READ, engine=replace(ENGINE, doubt=said))
    doubts = doubts_of(build)
    matrix = np.array(doubts.covariance)
    roof, crown = doubts.names.index("roof_mm:e"), doubts.names.index("crown_height_mm")
    assert matrix[np.ix_([roof, crown], [roof, crown])] == pytest.approx(np.array(table))
    matrix[np.ix_([roof, crown], [roof, crown])] = 0
    assert not np.any(matrix - np.diag(np.diag(matrix)))
    assert figure(build, "crown_height_mm").source == "fit"


def test_a_fitted_figure_of_another_job_is_passed_over():
    said = EngineDoubt(figures=("roof_mm:gone", "crown_height_mm"), covariance=((1.0, 0.5), (0.5, 1.0)))
    doubts = doubts_of(replace(READ, engine=replace(ENGINE, doubt=said)))
    assert "roof_mm:gone" not in doubts.names
    assert figure(replace(READ, engine=replace(ENGINE, doubt=said)), "crown_height_mm").u == 1.0


def test_an_impossible_covariance_is_refused():
    said = EngineDoubt(figures=("roof_mm:e", "crown_height_mm"), covariance=((1.0, 2.0), (2.0, 1.0)))
    with pytest.raises(QuantityError, match="variance below 0"):
        doubts_of(replace(READ, engine=replace(ENGINE, doubt=said)))


def test_outlines_bring_heights_and_one_common_size():
    build = built(port(sure(box(-14, 28, 14, 40)), name="e"), port(sure(box(20, 28, 30, 36)), name="t"))
    assert figure(build, "roof_mm:e").u == 0.011
    assert figure(build, "floor_mm:t").u == 0.013
    assert doubts_of(build).names.count(SIZE) == 1
    assert figure(build, SIZE).source == "stated"


def test_roof_and_floor_of_one_outline_move_together_and_those_of_two_do_not():
    build = built(port(sure(box(-14, 28, 14, 40)), name="e"), port(sure(box(20, 28, 30, 36)), name="t"))
    doubts = doubts_of(build)
    matrix = np.array(doubts.covariance)
    place = doubts.names.index
    assert matrix[place("roof_mm:e"), place("floor_mm:e")] == pytest.approx(0.011 * 0.013)
    assert matrix[place("roof_mm:e"), place("roof_mm:t")] == 0


def test_outlines_without_doubt_are_assumed_ones():
    build = built(port(box(-14, 28, 14, 40), name="e"))
    assert (figure(build, "roof_mm:e").u, figure(build, "roof_mm:e").source) == (
        assumptions().outline_u_mm,
        "assumed",
    )
    assert figure(build, SIZE).source == "assumed"


def test_relative_area_of_an_undoubted_rectangle():
    # each of the four sides off by itself: u(A)² = 2 (w u)² + 2 (h u)², by hand
    u = assumptions().outline_u_mm
    expected = u * np.sqrt(2 * 28**2 + 2 * 12**2) / (28 * 12)
    assert relative_area_u(port(box(-14, 28, 14, 40))) == pytest.approx(expected)


def test_stated_keeps_what_somebody_doubted():
    doubts = doubts_of(READ).stated()
    assert doubts.names == ("roof_mm:e",)
    assert doubts.covariance == ((0.04**2,),)


def test_the_notice_names_assumed_doubts_only():
    (notice,) = doubts_of(READ).notices()
    assert notice.code == "assumed-doubt"
    assert "bore (±0.02 mm)" in notice.message
    assert "roof of e" not in notice.message


def test_nothing_assumed_needs_no_notice():
    assert doubts_of(READ).stated().notices() == ()


def test_draws_stand_in_the_figures_order_and_the_exponent_keeps_its_range():
    build = Build(engine=replace(ENGINE, head_volume_cm3=6.1), edges=READ.edges)
    doubts = doubts_of(build)
    drawn = drawn_values(doubts, 5000, 3)
    assert drawn.mean(axis=1) == pytest.approx(
        doubts.values, abs=5 * max(one.u for one in doubts.figures) / np.sqrt(5000)
    )
    exponent = drawn[doubts.names.index(EXPONENT)]
    assert EXPONENTS[0] <= exponent.min() < exponent.max() <= EXPONENTS[1]
    assert np.ptp(exponent) > 0.95 * (EXPONENTS[1] - EXPONENTS[0])
