"""Many draws at once against portmap's ordinary functions, one draw after the other."""

from dataclasses import replace

import numpy as np
import pytest

from portmap.doubts import doubts_of, drawn_values
from portmap.drawn_figures import bench_of, figure_draws, results_at
from portmap.effects import bench_figures
from portmap.errors import QuantityError
from portmap.job import job_of
from portmap.port import Pocket, Port, PortEdges, PortMap, edges_of
from portmap.shopwork import Build, build_of
from tests.gallery import ENGINE, OFFSET_ENGINE, WINDOWS, box, port
from tests.one_draw import ordinary_results, traced_build
from tests.sample_job import sample

RPM = 9000.0
DRAWS = 8
ROUNDING = 1e-9
# of an angle-area: what a dead centre inside a window costs the quadrature; its doubt is some 2.5e-3 of it
QUADRATURE = 5e-5


def gallery_build(engine) -> Build:
    """Ports that the piston opens by crown, skirt and pocket, over and under the dead centres."""
    pocket = Pocket(top_below_crown_mm=15.0, bottom_below_crown_mm=27.0)
    ports = (
        port(WINDOWS["bridged"], name="e"),
        port(WINDOWS["slanted"], name="e2"),
        port(WINDOWS["arched"], name="t", kind="transfer"),
        port(box(30, 24, 40, 35), name="low", kind="boost"),
        port(box(60, 5, 80, 16), name="in", kind="intake", control="skirt"),
        Port(id="air", kind="strato", control="pocket", windows=(box(-40, 24, -30, 31),), pocket=pocket),
        port(box(50, 20, 55, 25), name="shut", kind="other"),
        port(box(50, 60, 55, 70), name="always", kind="other", control="skirt"),
    )
    return Build(
        engine=engine,
        edges=tuple(edges_of(one) for one in ports),
        port_map=PortMap(stage="stock", ports=ports),
    )


BUILDS = {
    "traced outlines": traced_build(300),
    "sample job": build_of(job_of(sample())),
    "every control": gallery_build(replace(ENGINE, head_volume_cm3=6.1, case_volume_cm3=180.0)),
    "offset pin": gallery_build(OFFSET_ENGINE),
    "readings alone": Build(
        engine=ENGINE,
        edges=(
            PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.03),
            PortEdges(id="t", kind="transfer", control="crown", roof_mm=36.0),
            PortEdges(id="in", kind="intake", control="skirt", floor_mm=6.0, floor_u_mm=0.05),
        ),
    ),
}


@pytest.mark.parametrize("name", BUILDS)
def test_each_draw_is_what_the_ordinary_functions_give(name):
    build = BUILDS[name]
    doubts = doubts_of(build)
    x = drawn_values(doubts, DRAWS, 5)
    together = results_at(bench_of(build, doubts.names), x, rpm=RPM)
    for number in range(DRAWS):
        alone = ordinary_results(build, dict(zip(doubts.names, x[:, number], strict=True)), RPM)
        for result, value in alone.items():
            if np.isnan(value) or result in together:
                span = "_angle_area_" in result or result.endswith("_s_per_m")
                allowed = QUADRATURE if span else ROUNDING
                got = together.get(result, np.full(DRAWS, np.nan))[number]
                assert got == pytest.approx(value, rel=allowed, abs=1e-7, nan_ok=True), result
            else:  # a port without a control's length is not timed here, and always open there
                assert value == 360.0, result


@pytest.mark.parametrize("name", BUILDS)
def test_at_the_figures_themselves_stand_the_bench_figures(name):
    build = BUILDS[name]
    doubts = doubts_of(build)
    found = results_at(bench_of(build, doubts.names), doubts.values[:, None])
    expected = {key: value for key, value in bench_figures(build).items() if key in found}
    assert expected
    for key, value in expected.items():
        assert found[key].item() == pytest.approx(np.nan if value is None else value, nan_ok=True), key


def test_a_port_that_opens_in_some_draws_only_is_missing_in_the_others():
    low = PortEdges(id="t", kind="transfer", control="crown", roof_mm=28.6, roof_u_mm=0.05)
    opens = figure_draws(Build(engine=ENGINE, edges=(low,)), count=2000)["t:opens_deg"]
    # its roof stands just where the crown does at BDC: open in half of the draws
    assert np.isnan(opens).mean() == pytest.approx(0.5, abs=0.06)


def test_without_areas_only_the_angle_areas_are_missing():
    build = BUILDS["sample job"]
    fewer, more = (set(figure_draws(build, count=100, areas=areas)) for areas in (False, True))
    assert {name for name in more - fewer} == {name for name in more if "angle_area" in name}


def test_blocks_of_draws_are_joined_in_order():
    build = BUILDS["readings alone"]
    doubts = doubts_of(build)
    x = drawn_values(doubts, 4500, 2)
    bench = bench_of(build, doubts.names)
    whole = results_at(bench, x)
    for part in (slice(0, 10), slice(1990, 2010), slice(4490, 4500)):
        for name, values in results_at(bench, x[:, part]).items():
            assert np.array_equal(values, whole[name][part], equal_nan=True)


def test_a_build_and_the_same_one_ground_are_drawn_alike():
    build = BUILDS["readings alone"]
    raised = replace(
        build, edges=tuple(replace(one, roof_mm=one.roof_mm and one.roof_mm + 0.2) for one in build.edges)
    )
    before, after = (figure_draws(one, count=500, seed=9)["e:roof_depth_mm"] for one in (build, raised))
    assert before - after == pytest.approx(np.full(500, 0.2))


def test_no_speed_is_refused():
    with pytest.raises(QuantityError, match="above 0 rpm"):
        figure_draws(BUILDS["sample job"], count=100, rpm=0.0)
