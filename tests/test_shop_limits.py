"""Limits of work: each one kept and broken, and what nobody measured is never passed in silence."""

import math
from dataclasses import replace

import pytest

from portmap.engine import Piston
from portmap.errors import JobError
from portmap.job import job_of
from portmap.operation import parse_operation
from portmap.port import Pocket, PortEdges, PortMap, edges_of
from portmap.shop_limits import Breach, breaches, limit_margins, limits_of, usual_limits
from portmap.shopwork import Build, after
from tests.gallery import BORE_MM, box, port
from tests.sample_job import sample
from tests.test_shopwork import BUILD, ENGINE

MM = 1e-9

LIMITS = {limit.name: limit for limit in usual_limits()}
# a build whose squish leaves room for work, so that each limit can be met alone
ROOMY = replace(BUILD, engine=replace(ENGINE, squish_band_height_mm=63.0))


def with_own(**bounds: float):
    return tuple(
        replace(limit, bound_mm=bounds[name], basis="the job's own") if name in bounds else limit
        for name, limit in LIMITS.items()
    )


def found(build: Build, *texts: str, limits=None) -> dict[tuple[str, str], Breach]:
    now = after(build, *(parse_operation(text) for text in texts))
    return {
        (breach.limit, breach.where): breach
        for breach in breaches(build, now, limits or tuple(LIMITS.values()))
    }


# limit, place, work just within it, work just beyond it, by how much beyond; all from ENGINE's sizes by hand
KEPT_AND_BROKEN = [
    ("base_flange", "", "cut_base 3", "cut_base 3.1", 0.1),  # 7 to 4
    ("crown_thickness", "", "cut_crown 1.5", "cut_crown 1.6", 0.1),  # 4.5 to 3
    ("ring_land", "", "cut_rim 1.5", "cut_rim 1.6", 0.1),  # 3 to 1.5
    ("squish", "", "cut_base 1.9", "cut_base 2.0", 0.1),  # 63 − 60.6 = 2.4 to 0.5
    ("strike", "", "cut_base 2.2", "cut_base 2.3", 0.1),  # 2.4 to 0.2
    ("roof_below_crown", "exhaust", "grind_roof exhaust 20.6", "grind_roof exhaust 20.7", 0.1),
    ("roof_below_crown", "intake", "grind_roof intake 43.6", "grind_roof intake 43.8", 0.2),
    ("hidden_at_bdc", "exhaust", "base_gasket 0.5", "base_gasket 0.3", 0.2),  # 61 − 0.3 − 28 − 32; most 0.5
    ("floor_above_base", "intake", "grind_floor intake 6", "grind_floor intake 6.1", 0.1),  # 8 to 2
    (
        "exhaust_covered",
        "exhaust",
        "grind_floor exhaust 4.4",
        "grind_floor exhaust 4.5",
        0.1,
    ),  # 38 − 32.6 to 1
    ("ring_above_intake", "intake", "grind_roof intake 3.6", "grind_roof intake 3.7", 0.1),  # 4.1 to 0.5
    ("pocket_land", "air", "file_pocket_top air 2.5", "file_pocket_top air 2.6", 0.1),  # 12 − 7.5 to 2
    ("pocket_above_skirt", "air", "trim_skirt 12", "file_pocket_bottom air 12.1", 0.1),  # 36 − 22 to 2
]


@pytest.mark.parametrize(
    ("name", "where", "within", "beyond", "by_mm"),
    KEPT_AND_BROKEN,
    ids=[f"{entry[0]} {entry[1]}" for entry in KEPT_AND_BROKEN],
)
def test_a_limit_holds_to_the_last_and_not_beyond(name, where, within, beyond, by_mm):
    assert (name, where) not in found(ROOMY, within)
    breach = found(ROOMY, beyond)[name, where]
    assert breach.grade == LIMITS[name].grade
    assert breach.beyond_mm == pytest.approx(by_mm, abs=MM)
    assert breach.bound_mm == LIMITS[name].bound_mm
    assert "common practice, no source" in breach.message
    assert breach.message.count("\n") == 0


def test_every_usual_limit_is_tried_here():
    tried = {entry[0] for entry in KEPT_AND_BROKEN} | {"bridge", *GIVEN}
    assert tried == set(LIMITS)


# limits that have no usual figure: what the job gives, and work that goes beyond it by 0.1 mm
GIVEN = {
    "skirt_dip": (6.9, ("trim_skirt 0", "cut_base 0.1")),  # 36 + 32 − 61 = 7, which no work makes worse
    "cylinder_lowered": (0.6, ("base_gasket 0.2", "cut_base 0.5")),
    "head_over_dome": (0.6, ("cut_rim 0.2", "base_gasket 0", "cut_base 0.3")),
    "band_cut": (0.4, ("cut_band 0.2", "cut_band 0.3")),
}


@pytest.mark.parametrize("name", GIVEN)
def test_a_limit_without_a_usual_figure_is_checked_if_the_job_gives_one(name):
    bound, texts = GIVEN[name]
    breach = found(ROOMY, *texts, limits=with_own(**{name: bound}))[name, ""]
    assert breach.beyond_mm == pytest.approx(0.1, abs=MM)
    assert "the job's own" in breach.message
    assert (name, "") not in found(ROOMY, *texts, limits=with_own(**{name: bound + 0.1}))


@pytest.mark.parametrize(
    ("name", "texts"),
    [(name, texts) for name, (_, texts) in GIVEN.items() if name != "skirt_dip"],
)
def test_and_is_said_not_to_be_checked_if_it_gives_none(name, texts):
    breach = found(ROOMY, *texts)[name, ""]
    assert breach.grade == "not checked"
    assert f"limits.{name}" in breach.message


# a figure taken away, work that the limit is about, and work that leaves it alone
UNMEASURED = [
    ("base_flange", "", {"base_flange_mm": None}, "cut_base 0.1", "cut_crown 0.1"),
    ("crown_thickness", "", {"piston": Piston()}, "cut_crown 0.1", "cut_base 0.1"),
    ("ring_land", "", {"piston": Piston()}, "cut_rim 0.1", "cut_band 0.1"),
    ("strike", "", {"squish_band_height_mm": None}, "cut_base 0.1", "cut_band 0.1"),
    ("exhaust_covered", "exhaust", {"piston": Piston()}, "grind_floor exhaust 0.1", "grind_roof exhaust 0.1"),
    ("ring_above_intake", "intake", {"piston": Piston()}, "base_gasket 0.9", "base_gasket 0"),
    ("pocket_land", "air", {"piston": Piston()}, "file_pocket_top air 0.1", "cut_crown 0.1"),
    ("pocket_above_skirt", "air", {"skirt_length_mm": None}, "file_pocket_bottom air 0.1", "cut_crown 0.1"),
]


@pytest.mark.parametrize(
    ("name", "where", "unknown", "touching", "apart"), UNMEASURED, ids=[entry[0] for entry in UNMEASURED]
)
def test_what_nobody_measured_is_said_where_work_makes_it_worse(name, where, unknown, touching, apart):
    build = replace(ROOMY, engine=replace(ROOMY.engine, **unknown))
    breach = found(build, touching)[name, where]
    assert breach.grade == "not checked"
    assert LIMITS[name].measure in breach.message
    assert breach.value_mm is None
    assert (name, where) not in found(build, apart)


@pytest.mark.parametrize(
    ("name", "edge", "text"),
    [
        ("roof_below_crown", {"roof_mm": None, "floor_mm": 28.0}, "base_gasket 0"),
        ("hidden_at_bdc", {"roof_mm": 40.0, "floor_mm": None}, "cut_base 0.1"),
        ("floor_above_base", {"roof_mm": 40.0, "floor_mm": None}, "cut_base 0.1"),
        ("exhaust_covered", {"roof_mm": 40.0, "floor_mm": None}, "cut_base 0.1"),
    ],
)
def test_a_height_nobody_read_is_said_too(name, edge, text):
    build = Build(engine=ROOMY.engine, edges=(PortEdges(id="e", kind="exhaust", control="crown", **edge),))
    thicker = text if name != "roof_below_crown" else "base_gasket 0.9"
    assert found(build, thicker)[name, "e"].grade == "not checked"


def test_nothing_done_is_nothing_said():
    assert breaches(BUILD, BUILD, tuple(LIMITS.values())) == ()


class TestWhatWasSoBefore:
    TIGHT = replace(BUILD, engine=replace(ENGINE, squish_band_height_mm=60.7))  # squish 0.1

    def test_a_limit_passed_before_is_named_but_not_laid_to_the_work(self):
        breach = found(self.TIGHT, "trim_skirt 0.1")["strike", ""]
        assert breach.grade == "look again"
        assert "it was so before the work" in breach.message

    def test_and_if_the_work_makes_it_worse_it_is(self):
        breach = found(self.TIGHT, "cut_base 0.05")["strike", ""]
        assert breach.grade == "limit"
        assert "before the work" not in breach.message

    def test_work_that_mends_it_mends_the_message(self):
        assert ("strike", "") not in found(self.TIGHT, "cut_crown 0.5")

    def test_what_was_only_doubtful_before_is_not_repeated(self):
        assert ("hidden_at_bdc", "exhaust") not in found(BUILD, "trim_skirt 0.1")


def test_a_piston_that_strikes_is_not_also_a_small_squish():
    assert ("squish", "") not in found(ROOMY, "cut_base 2.3")
    unknown = replace(ROOMY, engine=replace(ROOMY.engine, squish_band_height_mm=None))
    assert ("squish", "") not in found(unknown, "cut_base 2.3")


def test_a_level_crown_has_no_dome_for_the_head_to_come_down_on():
    assert ("head_over_dome", "") not in found(ROOMY, "cut_crown 0.2", "base_gasket 0", "cut_base 0.3")


def test_the_worst_comes_first():
    now = after(ROOMY, *map(parse_operation, ("cut_base 2.3", "cut_band 0.01", "grind_floor intake 5")))
    grades = [breach.grade for breach in breaches(ROOMY, now, tuple(LIMITS.values()))]
    assert grades == sorted(grades, key=("limit", "look again", "not checked").index)
    assert set(grades) == {"limit", "look again", "not checked"}


class TestBridge:
    @staticmethod
    def build(*windows) -> Build:
        ports = tuple(
            port(window, name=f"p{number}", kind="transfer") for number, window in enumerate(windows)
        )
        return Build(
            engine=ROOMY.engine,
            edges=tuple(edges_of(known) for known in ports),
            port_map=PortMap(stage="stock", ports=ports),
        )

    def test_a_floor_ground_toward_a_window_below(self):
        build = self.build(box(0, 33, 8, 38), box(0, 25, 8, 30))
        assert ("bridge", "p0 and p1") not in found(build, "grind_floor p0 1")
        breach = found(build, "grind_floor p0 1.2")["bridge", "p0 and p1"]
        assert breach.grade == "look again"
        assert breach.beyond_mm == pytest.approx(0.2, abs=MM)

    def test_windows_that_run_into_each_other_have_no_metal_left(self):
        build = self.build(box(0, 33, 8, 38), box(0, 25, 8, 30))
        assert found(build, "grind_floor p0 4")["bridge", "p0 and p1"].value_mm == 0

    def test_across_the_wrap(self):
        half = math.pi * BORE_MM / 2
        build = self.build(box(half - 6, 33, half - 0.5, 38), box(-half + 0.5, 25, -half + 6, 30))
        margins = limit_margins(build, build, tuple(LIMITS.values()))
        gap = next(margin.value_mm for margin in margins if margin.limit.name == "bridge")
        assert gap == pytest.approx(math.hypot(1, 3))

    def test_two_windows_of_one_port(self):
        margins = limit_margins(BUILD, BUILD, tuple(LIMITS.values()))
        gaps = {margin.where: margin.value_mm for margin in margins if margin.limit.name == "bridge"}
        assert gaps["exhaust"] == pytest.approx(2)


class TestOwnLimits:
    def test_a_jobs_own_goes_before_the_usual_one(self):
        document = sample()
        document["limits"] = {"squish": 0.7, "cylinder_lowered": 1.0}
        own = {limit.name: limit for limit in limits_of(job_of(document))}
        assert (own["squish"].bound_mm, own["squish"].basis) == (0.7, "the job's own")
        assert own["cylinder_lowered"].sense == "most"
        assert own["base_flange"] == LIMITS["base_flange"]

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("squitch", r"limits\.squitch: there is no such limit; did you mean squish\?"),
            ("x", "take one of"),
        ],
    )
    def test_a_limit_that_there_is_not_is_refused(self, name, words):
        document = sample()
        document["limits"] = {name: 1.0}
        with pytest.raises(JobError, match=words):
            limits_of(job_of(document))


def test_a_breach_travels_as_a_notice_with_a_stable_code():
    assert found(ROOMY, "cut_base 3.1")["base_flange", ""].notice().code == "limit-base-flange"
    assert found(ROOMY, "cut_base 2")["squish", ""].notice().code == "look-again-squish"
    assert found(ROOMY, "cut_band 0.1")["band_cut", ""].notice().code == "not-checked-band-cut"


def test_margins_go_in_proportion_to_the_work():
    """What a planner leans on: but for metal between windows, twice the work is twice the change."""
    limits = tuple(LIMITS.values())
    for text in (
        "cut_base {}",
        "cut_crown {}",
        "trim_skirt {}",
        "grind_floor intake {}",
        "file_pocket_top air {}",
    ):
        none, one, two = (
            limit_margins(ROOMY, after(ROOMY, parse_operation(text.format(amount))), limits)
            for amount in (0, 0.2, 0.4)
        )
        for start, small, large in zip(none, one, two, strict=True):
            if start.margin_mm is not None and start.limit.name != "bridge":
                change = small.margin_mm - start.margin_mm
                assert large.margin_mm - start.margin_mm == pytest.approx(2 * change, abs=10 * MM)


def test_a_pocket_that_goes_with_the_crown_keeps_its_land():
    edges = PortEdges(
        id="a",
        kind="strato",
        control="pocket",
        roof_mm=20.0,
        floor_mm=14.0,
        pocket=Pocket(top_below_crown_mm=9.4, bottom_below_crown_mm=22.0),
    )
    build = Build(engine=ROOMY.engine, edges=(edges,))
    breach = found(build, "cut_crown 0.5")["pocket_land", "a"]
    assert breach.grade == "look again"  # 1.9 mm, as before the work
