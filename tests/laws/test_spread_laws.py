"""Laws of doubt carried to results.

No doubt gives no spread; draws agree with the first order while doubts are small; what hangs wholly together
cancels; twice the doubt is twice the spread; turning the ports round the bore changes nothing; a further
reading never makes a result less sure.
"""

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from portmap.crank import travel
from portmap.doubts import Doubts, doubts_of
from portmap.drawn_figures import figure_draws
from portmap.engine import Engine, EngineDoubt
from portmap.port import Port, PortEdges, PortMap, edges_of, turned_window
from portmap.shopwork import Build
from portmap.spread import first_order_u, spreads_of
from tests.strategies import engines, windows

COUNT = 4000
SCATTER = 4 / np.sqrt(2 * COUNT)  # four standard deviations of a standard deviation from so many draws
BENT = 0.02  # what small doubts leave of curvature


@st.composite
def builds(draw: st.DrawFn) -> Build:
    """An engine with an exhaust and a transfer that it opens well clear of its dead centres."""
    engine = draw(engines())
    bottom = travel(engine.crank)
    depths = sorted(draw(st.tuples(st.floats(0.5, 0.9), st.floats(0.5, 0.9))))
    assume(depths[1] - depths[0] > 0.02)
    crown = engine.crown_height_mm - engine.base_gasket_mm
    edges = tuple(
        PortEdges(id=kind, kind=kind, control="crown", roof_mm=crown - share * bottom, roof_u_mm=0.01)
        for kind, share in zip(("exhaust", "transfer"), depths, strict=True)
    )
    return Build(engine=engine, edges=edges)


def scaled(doubts: Doubts, factor: float) -> Doubts:
    return Doubts(
        figures=tuple(replace(one, u=one.u * factor) for one in doubts.figures),
        covariance=tuple(tuple(cell * factor**2 for cell in row) for row in doubts.covariance),
    )


@settings(max_examples=20, deadline=None)
@given(builds())
def test_no_doubt_gives_no_spread(build):
    sure = scaled(doubts_of(build), 0.0)
    for name, one in spreads_of(build, doubts=sure, count=100).items():
        assert one.drawn.u <= 1e-9 * max(abs(one.value), 1.0), name
        assert one.first.u == 0.0
        assert one.budget == one.gains == ()


@settings(max_examples=20, deadline=None)
@given(builds(), st.integers(0, 1000))
def test_draws_agree_with_the_first_order_while_doubts_are_small(build, seed):
    doubts = scaled(doubts_of(build), 0.1)
    for name, one in spreads_of(build, doubts=doubts, count=COUNT, seed=seed).items():
        assert abs(one.drawn.u / one.first.u - 1) < SCATTER + BENT, name


@settings(max_examples=20, deadline=None)
@given(builds(), st.floats(1.5, 4.0))
def test_so_many_times_the_doubt_is_so_many_times_the_spread(build, factor):
    doubts = scaled(doubts_of(build), 0.01)
    one, more = (first_order_u(build, each, areas=False) for each in (doubts, scaled(doubts, factor)))
    for name, u in one.items():
        assert abs(more[name] - factor * u) <= 1e-3 * factor * u, name


@settings(max_examples=20, deadline=None)
@given(builds(), st.floats(0.001, 0.1))
def test_a_roof_and_a_crown_of_one_datum_cancel_in_the_opening(build, u):
    figures = ("crown_height_mm", "roof_mm:exhaust", "roof_mm:transfer")
    said = EngineDoubt(figures=figures, covariance=tuple((u**2,) * 3 for _ in range(3)))
    joint = replace(build, engine=replace(build.engine, doubt=said))
    stated = doubts_of(joint).stated()
    found = figure_draws(joint, doubts=stated, count=200)
    for name in ("exhaust:opens_deg", "transfer:closes_deg", "blowdown_deg"):
        assert np.ptp(found[name]) < 1e-5, name
        assert first_order_u(joint, stated)[name] < 1e-5, name


@settings(max_examples=20, deadline=None)
@given(engines(), windows(), st.floats(-60, 60))
def test_turning_the_ports_round_the_bore_changes_nothing(engine: Engine, window, turn):
    def build(one) -> Build:
        port = Port(id="e", kind="exhaust", control="crown", windows=(one,))
        return Build(engine=engine, edges=(edges_of(port),), port_map=PortMap(stage="stock", ports=(port,)))

    here, there = (figure_draws(build(one), count=50) for one in (window, turned_window(window, turn)))
    for name, values in here.items():
        assert np.allclose(values, there[name], rtol=1e-7, atol=1e-6, equal_nan=True), name


@settings(max_examples=20, deadline=None)
@given(builds())
def test_a_further_reading_never_makes_a_result_less_sure(build):
    for name, one in spreads_of(build, count=100).items():
        assert all(0 < gain.gain <= 1 and gain.u_after <= one.first.u for gain in one.gains), name
