"""How sure results are: first order and draws against each other and against brute force, budgets, gains."""

from dataclasses import replace

import numpy as np
import pytest

from portmap.crank import depth_per_degree
from portmap.doubts import Doubts, Figure, doubts_of
from portmap.engine import EngineDoubt
from portmap.errors import QuantityError
from portmap.further_readings import Candidate, candidates_of, covariance_after, gains_of
from portmap.gum import first_order
from portmap.job import job_of
from portmap.port import PortEdges
from portmap.shopwork import Build, build_of
from portmap.spread import Cause, chance, first_order_u, spreads_of
from portmap.timing import edge_timing
from portmap.tools import tool_doubt, tools
from tests.gallery import ENGINE
from tests.sample_job import sample

EXHAUST = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.02)
TRANSFER = PortEdges(id="t", kind="transfer", control="crown", roof_mm=36.0, roof_u_mm=0.03)
READ = Build(engine=ENGINE, edges=(EXHAUST, TRANSFER))
SAMPLE = build_of(job_of(sample()))


def only(**u: float) -> Doubts:
    """Doubts of the build from readings of the named figures alone."""
    known = {figure.name: figure for figure in doubts_of(READ).figures}
    figures = tuple(replace(known[name.replace("__", ":")], u=doubt) for name, doubt in u.items())
    return Doubts(
        figures=figures, covariance=tuple(map(tuple, np.diag([one.u**2 for one in figures]).tolist()))
    )


def test_doubt_of_an_opening_is_the_roof_s_over_the_piston_s_speed():
    opens = edge_timing(ENGINE, EXHAUST).openings[0].opens_deg
    found = first_order_u(READ, only(roof_mm__e=0.02), areas=False)
    assert found["e:opens_deg"] == pytest.approx(
        0.02 / float(depth_per_degree(ENGINE.crank, opens)), rel=1e-4
    )
    assert found["t:opens_deg"] == 0.0


def test_blowdown_takes_both_roofs_squared():
    found = first_order_u(READ, only(roof_mm__e=0.02, roof_mm__t=0.03), areas=False)
    assert found["blowdown_deg"] == pytest.approx(np.hypot(found["e:opens_deg"], found["t:opens_deg"]))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # common practice, no source, and geometry: squish changes by the gasket, one for one
        pytest.param("squish_mm", 0.05, id="squish by the gasket"),
        pytest.param("e:roof_depth_mm", 0.05, id="depth by the gasket"),
    ],
)
def test_what_moves_one_for_one(name, value):
    assert first_order_u(READ, only(base_gasket_mm=0.05))[name] == pytest.approx(value)


@pytest.fixture(scope="module")
def spreads():
    return spreads_of(SAMPLE, rpm=9000.0)


def test_every_result_is_there(spreads):
    wanted = {
        "exhaust:opens_deg",
        "main:closes_deg",
        "intake:duration_deg",
        "blowdown_deg",
        "squish_mm",
        "trapped_ratio",
        "cranking_bar",
        "exhaust:wall_area_mm2",
        "blowdown_angle_area_mm2_deg",
        "transfer_specific_s_per_m",
    }
    assert wanted <= set(spreads)


def test_draws_and_first_order_agree_but_for_the_cranking_pressure(spreads):
    # its exponent is rectangular and most of its doubt, so a normal interval is too wide (JCGM 101, 9.2.4)
    disagreeing = {name for name, one in spreads.items() if not one.agrees.agrees}
    assert disagreeing == {"cranking_bar"}
    for name, one in spreads.items():
        # four standard deviations of the standard deviation of 10,000 draws
        assert one.drawn.u == pytest.approx(one.first.u, rel=4 / np.sqrt(2 * 10_000) + 0.01), name


def test_budgets_add_up(spreads):
    for name, one in spreads.items():
        assert sum(row.share for row in one.budget) == pytest.approx(1.0), name
        assert [row.share for row in one.budget] == sorted((row.share for row in one.budget), reverse=True)


def test_a_result_that_is_not_there_is_left_out():
    shut = replace(TRANSFER, roof_mm=20.0)
    found = spreads_of(Build(engine=ENGINE, edges=(EXHAUST, shut)), count=200)
    assert "t:opens_deg" not in found
    assert "blowdown_deg" not in found
    assert "e:opens_deg" in found


def test_a_result_on_the_brink_says_in_how_many_draws_it_is_missing():
    brink = replace(TRANSFER, roof_mm=28.62, roof_u_mm=0.02)
    found = spreads_of(Build(engine=ENGINE, edges=(brink,)), count=1000)["t:opens_deg"]
    assert found.first is None
    assert found.agrees is None
    assert found.budget == found.gains == ()
    assert found.notices[0].code == "missing-in-draws"
    assert found.drawn.count + found.drawn.without == 1000


def test_correlated_figures_share_what_they_have_in_common():
    table = ((4e-4, 4e-4), (4e-4, 4e-4))
    said = EngineDoubt(figures=("crown_height_mm", "roof_mm:e"), covariance=table)
    doubts = doubts_of(replace(READ, engine=replace(ENGINE, doubt=said))).stated()
    doubts = Doubts(figures=doubts.figures[:2], covariance=tuple(row[:2] for row in doubts.covariance[:2]))
    assert doubts.names == ("crown_height_mm", "roof_mm:e")
    assert first_order_u(READ, doubts)["e:roof_depth_mm"] == pytest.approx(0.0, abs=1e-9)
    assert first_order_u(READ, doubts)["t:roof_depth_mm"] == pytest.approx(0.02)


# --- what a further reading gains ---


def test_measuring_again_with_the_same_tool_gains_what_varies():
    tool = tools()["caliper"]
    figure = Figure(
        name="squish_band_height_mm",
        words="band",
        value=61.0,
        u=tool_doubt(tool),
        unit="mm",
        source="assumed",
        tool="caliper",
    )
    doubts = Doubts(figures=(figure,), covariance=((figure.u**2,),))
    (again,) = candidates_of(doubts)
    assert again.words == "measure the band again with a caliper"
    first = first_order([61.0], u=[figure.u], sensitivities=[1.0])
    build = replace(READ, engine=replace(ENGINE, squish_band_height_mm=61.2))
    gain = spreads_of(build, doubts=doubts, count=200)["squish_mm"].gains[0]
    assert gain.u_after == pytest.approx(tool_doubt(tool, times=2))
    assert gain.gain == pytest.approx(1 - tool_doubt(tool, times=2) / first.u)


def test_a_guess_is_measured_at_last():
    doubts = only(rod_mm=3.0)
    found = spreads_of(READ, doubts=doubts, count=200)["e:opens_deg"]
    assert found.gains[0].words == "measure the rod length with a caliper"
    assert found.gains[0].gain > 0.99


def test_a_range_is_no_reading():
    names = [one.words for one in candidates_of(doubts_of(SAMPLE))]
    assert not [words for words in names if "exponent" in words]


def test_tracing_again_halves_the_variance_of_outlines():
    wall = spreads_of(SAMPLE, count=200)["exhaust:wall_area_mm2"]
    (gain,) = wall.gains
    assert gain.words == "trace the ports again from another photograph"
    assert gain.u_after == pytest.approx(wall.first.u / np.sqrt(2))


def test_gains_equal_a_fit_with_one_more_reading():
    # brute force: two figures, five readings of random combinations, one of them made once more
    random = np.random.default_rng(12)
    rows, weights = random.normal(size=(5, 2)), random.uniform(1, 3, 5)
    before = np.linalg.inv((rows * weights[:, None]).T @ rows)
    again = weights.copy()
    again[2] += 1.7
    after = np.linalg.inv((rows * again[:, None]).T @ rows)
    factors = np.array([1.0, -2.0])
    figures = tuple(
        Figure(name=name, words=name, value=0.0, u=float(np.sqrt(u2)), unit="mm", source="fit")
        for name, u2 in zip("ab", np.diag(before), strict=True)
    )
    doubts = Doubts(figures=figures, covariance=tuple(map(tuple, before.tolist())))
    candidate = Candidate(words="once more", rows=((tuple(rows[2]), 1.7),))
    first = first_order([0.0, 0.0], covariance=before, sensitivities=factors)
    (gain,) = gains_of(first, [candidate], [covariance_after(doubts, candidate)])
    assert gain.u_after == pytest.approx(np.sqrt(factors @ after @ factors))


def test_a_budget_by_causes_adds_up_squared():
    doubts = only(crown_height_mm=0.02, base_gasket_mm=0.02)
    causes = [
        Cause(
            name="reading:1",
            words="squish",
            value=0.6,
            u=0.02,
            unit="mm",
            source="reading",
            moves=(0.02, 0.0),
        ),
        Cause(
            name="base_gasket_mm",
            words="gasket",
            value=0.4,
            u=0.02,
            unit="mm",
            source="stated",
            moves=(0.0, 0.02),
        ),
    ]
    depth = spreads_of(READ, doubts=doubts, causes=causes, count=200)["e:roof_depth_mm"]
    assert {(row.name, round(row.share, 6)) for row in depth.budget} == {
        ("reading:1", 0.5),
        ("base_gasket_mm", 0.5),
    }


# --- chances ---


@pytest.mark.parametrize(
    ("bounds", "expected"),
    [
        pytest.param({}, 1.0, id="no wish"),
        pytest.param({"a": (2, np.inf)}, 0.75, id="at least"),
        pytest.param({"a": (-np.inf, 2)}, 0.5, id="at most"),
        pytest.param({"a": (2, 3), "b": (0, 5)}, 0.25, id="both"),
        pytest.param({"b": (-np.inf, np.inf)}, 0.75, id="a draw without the result is a miss"),
    ],
)
def test_chance_is_counted_over_draws(bounds, expected):
    drawn = {"a": np.array([1.0, 2, 3, 4]), "b": np.array([9.0, 9, 5, np.nan])}
    assert chance(drawn, bounds) == expected


def test_a_wish_for_what_is_not_drawn_is_refused():
    with pytest.raises(QuantityError, match="not among the draws"):
        chance({"a": np.zeros(3)}, {"squish_mm": (0, 1)})


@pytest.mark.parametrize("count", [0, 99])
def test_too_few_draws_are_refused(count):
    with pytest.raises(QuantityError, match="too few"):
        spreads_of(READ, count=count)
