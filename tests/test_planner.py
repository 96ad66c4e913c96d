"""Recipes: rules of the trade, limits, tools, steps, ranking; and wishes that cannot be had."""

import itertools
import math
from dataclasses import replace

import pytest

from portmap.characters import character_of, characters, with_character
from portmap.crank import Crank
from portmap.demands import is_met, wished_figure
from portmap.engine import Engine, EngineDoubt, Piston
from portmap.errors import QuantityError
from portmap.freeing import binding_limits, conflicts_of, freeings_of
from portmap.operation import OPERATIONS, Operation, kind_of
from portmap.plan_search import FEW
from portmap.planner import planned
from portmap.port import PortEdges
from portmap.recipe import SETUPS, in_working_order, working_steps
from portmap.shop import TOOLS, Shop, shop_of
from portmap.shop_limits import breaches, usual_limits
from portmap.shopwork import Build, after
from portmap.timing import edge_blowdown_deg
from portmap.wishes import wish_of, wishes_of

THOU = 0.0254  # mm, exact
MM = 1e-9
WORK_EXACT = 1e-9  # mm: whole steps come out as whole steps

ENGINE = Engine(
    bore_mm=50.0,
    crank=Crank(stroke_mm=34.0, rod_mm=61.2),
    crown_height_mm=62.0,
    base_gasket_mm=0.4,
    skirt_length_mm=37.0,
    squish_band_height_mm=62.4,
    squish_band_width_mm=7.0,
    head_volume_cm3=7.0,
    base_flange_mm=6.0,
    piston=Piston(crown_thickness_mm=5.0, ring_below_crown_mm=3.0),
)
PORTS = (
    PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=38.4, floor_mm=27.6),
    PortEdges(id="main", kind="transfer", control="crown", roof_mm=34.1, floor_mm=27.6),
    PortEdges(id="intake", kind="intake", control="skirt", roof_mm=21.0, floor_mm=12.0),
)
BUILD = Build(engine=ENGINE, edges=PORTS)


def plan(wants, *, build=BUILD, count=5, **told):
    shop = told.pop("shop", None) or shop_of(**told)
    return planned(build, wishes_of(wants), shop, count=count, odds=False)


def work(recipe):
    return {(one.operation, one.port): one.amount_mm for one in recipe.operations}


def test_rule_of_the_trade_base_20_thou_lower_needs_30_thou_off_the_rim():
    """From a squish of 10 thou to one of 20: common practice, no source.

    The wish for the intake leaves the base as the one thing that may move it by just that much.
    """
    engine = replace(ENGINE, squish_band_height_mm=61.6 + 10 * THOU)
    build = Build(engine=engine, edges=PORTS)
    lowered = after(build, Operation(operation="cut_base", amount_mm=20 * THOU))
    opens = 360 - wished_figure(_demand("intake opens 76"), lowered.engine, lowered.edges)
    shop = shop_of(have="lathe", step="1 thou")
    found = planned(
        build, wishes_of(["squish 20 ± 0.2 thou", f"intake opens {opens:.3f} ± 0.02"]), shop, odds=False
    )
    assert found.possible
    crowns = [work(recipe) for recipe in found.recipes if ("cut_crown", None) in work(recipe)]
    assert crowns[0][("cut_base", None)] == pytest.approx(20 * THOU, abs=WORK_EXACT)
    assert crowns[0][("cut_crown", None)] == pytest.approx(30 * THOU, abs=WORK_EXACT)


def _demand(text):
    from portmap.demands import demands_of

    return demands_of(wishes_of([text]), ENGINE, PORTS)[0]


def test_a_thinner_gasket_alone_brings_squish_down_by_what_it_is_thinner():
    best = plan(["squish 0.7 ± 0.01 mm"], gaskets_mm=[0.1, 0.3, 0.5]).recipes[0]
    assert work(best) == {("base_gasket", None): 0.3}  # 0.8 less 0.1
    assert best.needs == ()
    assert best.setups == 0
    assert best.metal_mm == 0.0


def test_every_recipe_is_worked_through_again_and_meets_every_wish():
    wants = [
        "squish 0.45 to 0.6 mm",
        "exhaust opens 97 ± 1",
        "blowdown at least 18",
        "cranking at most 13 bar",
    ]
    found = plan(wants, gaskets_mm=[0, 0.3, 0.5])
    assert found.possible
    assert len(found.recipes) == 4
    for recipe in found.recipes:
        again = after(BUILD, *recipe.operations)
        for outcome in recipe.outcomes:
            figure = wished_figure(outcome.demand, again.engine, again.edges)
            assert outcome.demand.low - 1e-5 <= figure <= outcome.demand.high + 1e-5
            assert outcome.after == figure
        assert not [one for one in breaches(BUILD, again, usual_limits()) if one.grade == "limit"]


def test_recipes_differ_in_work_or_gasket_and_come_in_order():
    found = plan(["squish 0.5 mm", "exhaust opens 98 ± 1"], gaskets_mm=[0, 0.1, 0.4], count=12)
    signatures = [(frozenset(work(recipe)), recipe.build.engine.base_gasket_mm) for recipe in found.recipes]
    assert len(set(signatures)) == len(signatures) >= FEW
    ranks = [
        (
            max((2 if tool == "lathe" else 1 for tool in recipe.needs), default=0),
            recipe.setups,
            round(recipe.metal_mm, 7),
        )
        for recipe in found.recipes
        if not recipe.more_than_needed
    ]
    assert ranks == sorted(ranks)


def test_a_job_that_a_gasket_does_is_not_sent_to_the_lathe():
    first, second, *_ = plan(["squish 0.5 mm"], gaskets_mm=[0.1, 0.4]).recipes
    assert first.needs == ()
    assert second.needs == ("lathe",)


@pytest.mark.parametrize("have", ["grinder", "lathe", "files", "grinder,lathe", "none"])
def test_only_tools_on_hand_are_used(have):
    found = plan(["exhaust opens 96 ± 2", "intake opens 82 ± 4"], have=have, gaskets_mm=[0.0, 0.4])
    on_hand = set() if have == "none" else set(have.split(","))
    for recipe in found.recipes:
        assert set(recipe.needs) <= on_hand
        for one in recipe.operations:
            assert not kind_of(one.operation).needs or set(kind_of(one.operation).needs) & on_hand


@pytest.mark.parametrize(
    ("step", "operation", "unit"),
    [
        ("0.05 mm", "grind_roof", 0.05),
        ("5 thou", "grind_roof", 5 * THOU),
        ("lathe 0.02 mm; grinder 0.15 mm", "grind_roof", 0.15),
        ("lathe 0.02 mm; grinder 0.15 mm", "cut_base", 0.02),
    ],
)
def test_amounts_are_whole_steps_of_the_tool(step, operation, unit):
    found = plan(["squish 0.45 to 0.65 mm", "exhaust opens 97 ± 1"], step=step, count=8)
    amounts = [
        one.amount_mm for recipe in found.recipes for one in recipe.operations if one.operation == operation
    ]
    assert amounts
    assert all(abs(amount / unit - round(amount / unit)) < 1e-6 for amount in amounts)


def test_a_limit_of_the_shop_is_never_broken_for_a_wish():
    thin = replace(ENGINE, base_flange_mm=4.15)
    found = plan(["squish 0.3 mm"], build=Build(engine=thin, edges=PORTS), have="lathe")
    assert not found.possible
    assert found.recipes[0].build.engine.base_flange_mm >= 4.0 - MM
    shop = shop_of(have="lathe")
    assert any("base flange" in words for words in binding_limits(found, shop))
    assert any(one.granted == "limit" and "base flange" in one.words for one in freeings_of(found, shop))


def test_a_limit_that_is_broken_already_only_may_not_get_worse():
    thin = replace(ENGINE, base_flange_mm=3.5)
    found = plan(["exhaust opens 97 ± 1"], build=Build(engine=thin, edges=PORTS))
    assert found.possible
    assert all(recipe.build.engine.base_flange_mm == 3.5 for recipe in found.recipes)


def test_squish_keeps_its_usual_limit_unless_a_wish_names_it():
    wants = ["exhaust opens 101 ± 0.6"]  # later than now: only the base brings it there, and squish with it
    alone = plan(wants, have="lathe")
    assert all(recipe.build.engine.squish_band_height_mm for recipe in alone.recipes)
    for recipe in alone.recipes:
        engine = recipe.build.engine
        squish = engine.squish_band_height_mm - engine.crown_height_mm + engine.base_gasket_mm
        assert squish >= 0.5 - 1e-6
    named = plan([*wants, "squish at least 0.3 mm"], have="lathe")
    assert named.recipes[0].metal_mm <= alone.recipes[0].metal_mm


def test_of_wishes_that_cannot_be_had_the_nearest_is_shown_with_what_it_misses():
    shop = shop_of(have="grinder")
    found = plan(["blowdown at least 60"], shop=shop)
    assert not found.possible
    best = found.recipes[0]
    assert best.misses[0].miss < 0
    assert best.misses[0].after == pytest.approx(60 + best.misses[0].miss)
    # the roof goes as far up as one piece of work may
    assert work(best) == {("grind_roof", "exhaust"): shop.most_mm}
    assert any("no more than 3 mm" in words for words in binding_limits(found, shop))


@pytest.mark.parametrize(
    ("wants", "told", "granted", "words"),
    [
        (["squish 0.5 mm"], {"have": "grinder"}, "tool", "a lathe"),
        (["squish 0.5 mm"], {"have": "grinder"}, "gasket", "a base gasket of 0.10 mm"),
        (["exhaust opens 97 ± 0.5"], {"have": "files"}, "tool", "a grinder"),
        (["squish 0.513 ± 0.005 mm"], {"have": "lathe"}, "step", "work held to 0.01 mm"),
        (
            [
                "squish 0.8 ± 0.02 mm",
                "exhaust opens 95.0 ± 0.3",
                "main opens at least 118",
                "blowdown at most 18",
            ],
            {"have": "grinder", "gaskets_mm": [0.4]},
            "wish",
            'leaving out "blowdown at most 18"',
        ),
    ],
    ids=["a lathe", "a gasket", "a grinder", "a finer step", "a wish less"],
)
def test_what_would_free_it_does_free_it(wants, told, granted, words):
    shop = shop_of(**told)
    found = plan(wants, shop=shop)
    assert not found.possible
    freed = [one for one in freeings_of(found, shop) if one.granted == granted]
    assert words in [one.words for one in freed]
    for one in freed:
        again = after(BUILD, *one.recipe.operations)
        for outcome in one.recipe.outcomes:
            assert outcome.demand.low - 1e-5 <= wished_figure(outcome.demand, again.engine, again.edges)
            assert wished_figure(outcome.demand, again.engine, again.edges) <= outcome.demand.high + 1e-5


def test_wishes_in_each_others_way_are_named():
    shop = shop_of(have="grinder")
    found = plan(["exhaust opens 97 ± 0.5", "main opens 110 ± 0.5", "blowdown at least 20"], shop=shop)
    groups = [[wish.text for wish in group] for group in conflicts_of(found, shop)]
    assert not found.possible
    assert groups in ([], [["main opens 110 ± 0.5", "blowdown at least 20"]])  # 97 + 20 > 110 takes all three
    assert [one.words for one in freeings_of(found, shop) if one.granted == "wish"]


def test_when_nothing_needs_doing_no_work_is_planned():
    found = plan(["squish 0.8 mm"])
    assert found.recipes[0].operations == ()
    assert found.recipes[0].needs == ()
    assert len(found.recipes) == 1


def test_work_is_done_in_an_order_that_spoils_no_mark():
    names = [kind.name for kind in OPERATIONS if kind.name in SETUPS] + ["base_gasket"]
    jumbled = [
        Operation(operation=name, amount_mm=0.1, port="intake" if kind_of(name).takes_port else None)
        for name in sorted(names)
    ]
    order = [one.operation for one in in_working_order(jumbled)]
    # the casting and the crown before any roof is marked from them; the skirt, which no one puts back, last
    assert order == [
        "cut_base",
        "cut_band",
        "cut_crown",
        "base_gasket",
        "grind_roof",
        "grind_floor",
        "trim_skirt",
    ]


def test_steps_begin_and_end_with_measuring_and_say_what_to_look_for():
    found = plan(["squish 0.5 mm", "exhaust opens 97 ± 0.6", "intake opens 83 ± 1.5"], gaskets_mm=[0.1])
    recipe = found.recipes[0]
    steps = working_steps(BUILD, recipe.operations, found.demands)
    assert steps[0].startswith("Measure squish with solder and the degrees of exhaust, intake first")
    assert "look for squish 0.50 mm, exhaust opens 9" in steps[-1]
    assert any("Put it together dry" in step for step in steps)


def test_a_figure_in_the_middle_of_its_wish_has_better_odds_than_one_on_its_edge():
    names = ("crown_height_mm", "squish_band_height_mm")
    doubt = EngineDoubt(figures=names, covariance=((0.02**2, 0.0), (0.0, 0.0)))
    build = Build(engine=replace(ENGINE, doubt=doubt), edges=PORTS)
    middle, edge = (
        planned(build, wishes_of([want]), shop_of()).recipes[0].outcomes[0]
        for want in ("squish 0.8 ± 0.04 mm", "squish at least 0.8 mm")
    )
    # crown height alone is in doubt, by 0.02 mm, and the gasket by what a caliper leaves: two sigma or none
    assert middle.chance == pytest.approx(0.93, abs=0.04)
    assert edge.chance == pytest.approx(0.5, abs=0.05)
    assert middle.u == pytest.approx(math.hypot(0.02, 0.01), rel=0.35)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"have": "hammer"}, "'hammer' is not a tool that a plan knows; name some of grinder, lathe, files"),
        ({"have": "lath"}, "did you mean lathe?"),
        ({"have": ""}, "is not a tool"),
        ({"gaskets_mm": [0.3, 7.0]}, "7 mm is not the thickness of a base gasket"),
        ({"gaskets_mm": [-0.1]}, "-0.1 mm is not the thickness of a base gasket"),
        ({"gaskets_mm": []}, "no thickness is named"),
        ({"step": "0 mm"}, "is not a length above 0"),
        ({"step": "5 mm"}, "a step of 5 mm is not what a tool holds"),
        ({"step": "0.05 bar"}, "is not a unit of length"),
        ({"step": "hammer 0.05 mm"}, "is not a length"),
    ],
)
def test_a_shop_that_cannot_be_is_said_in_one_line(told, words):
    with pytest.raises(QuantityError) as caught:
        shop_of(**told)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_aiming_at_the_middle_keeps_the_work_and_comes_nearer_to_each_wish():
    wants = ["squish 0.5 ± 0.1 mm", "exhaust opens 97 ± 1", "blowdown at least 20", "cranking at most 14 bar"]
    shop = shop_of(gaskets_mm=[0.1, 0.4])
    least, steady = (
        planned(BUILD, wishes_of(wants), shop, odds=False, steady=steady) for steady in (False, True)
    )
    assert least.possible
    assert [set(work(one)) for one in steady.recipes] == [set(work(one)) for one in least.recipes]

    def off(recipe):
        pairs = ((one.demand, one.after) for one in recipe.outcomes if one.demand.wish.form == "value")
        return sum(abs(after_ - (one.low + one.high) / 2) / one.wish.tolerance for one, after_ in pairs)

    for before, now in zip(least.recipes, steady.recipes, strict=True):
        assert now.misses == ()
        assert now.metal_mm >= before.metal_mm - WORK_EXACT
        assert off(now) <= off(before) + 1e-6
    assert off(steady.recipes[0]) < 0.5 * off(least.recipes[0])


@pytest.mark.parametrize("want", ["blowdown 20 to 21", "blowdown at least 19", "blowdown at most 17"])
def test_with_two_transfers_and_two_exhausts_the_first_to_open_counts(want):
    """Against every pair of roofs, with the blowdown read off the timings themselves."""
    twins = (
        PortEdges(id="left", kind="exhaust", control="crown", roof_mm=38.4),
        PortEdges(id="right", kind="exhaust", control="crown", roof_mm=38.1),
        PortEdges(id="main", kind="transfer", control="crown", roof_mm=34.1),
        PortEdges(id="boost", kind="boost", control="crown", roof_mm=34.4),
    )
    build = Build(engine=ENGINE, edges=twins)
    step, most = 0.3, 3
    shop = replace(shop_of(have="grinder", step=f"{step} mm"), most_mm=step * most)
    found = planned(build, wishes_of([want]), shop, odds=False)
    demand = found.demands[0]
    best = None
    for steps in itertools.product(range(most + 1), repeat=len(twins)):
        pieces = [
            Operation(operation="grind_roof", amount_mm=step * count, port=port.id)
            for port, count in zip(twins, steps, strict=True)
            if count
        ]
        now = after(build, *pieces)
        if is_met(demand, edge_blowdown_deg(now.engine, now.edges)):
            rank = (bool(pieces), step * sum(steps))
            best = rank if best is None else min(best, rank)
    assert found.possible == (best is not None)
    if best is not None:
        first = found.recipes[0]
        assert (bool(first.operations), first.metal_mm) == (best[0], pytest.approx(best[1]))


def test_a_shop_has_all_tools_unless_told():
    assert shop_of().tools == TOOLS == Shop().tools
    assert shop_of(have="none").tools == ()


def test_steps_that_share_no_measure_still_get_an_answer():
    shop = shop_of(step="lathe 1 thou; grinder 0.1 mm", gaskets_mm=[0.0, 0.4])
    found = planned(BUILD, wishes_of(["blowdown at least 35", "squish 0.5 mm"]), shop, odds=False)
    assert not found.possible
    assert found.recipes[0].misses[0].demand.quantity == "blowdown"
    assert {one.granted for one in freeings_of(found, shop)} <= {"range", "wish"}
    assert conflicts_of(found, shop) == ((found.demands[0].wish,),)


def test_steps_that_make_too_fine_a_grid_are_refused_with_advice():
    shop = shop_of(step="lathe 0.0017 mm; grinder 0.0013 mm")
    with pytest.raises(QuantityError, match=r"multiple of the other"):
        planned(BUILD, wishes_of(["blowdown at least 20"]), shop, odds=False)


def test_characters_are_guides_and_typed_wishes_go_before_theirs():
    assert set(characters()) == {"steady", "quick", "cold"}
    assert {one.basis for one in characters().values()} == {"common practice, no source"}
    typed = (wish_of("Exhaust opens 104"), wish_of("squish 0.6 mm"))
    wishes, notices = with_character(typed, character_of("steady"), PORTS)
    assert wishes[:2] == typed
    assert [wish.quantity for wish in wishes].count("squish") == 1
    assert sum(wish.quantity == "opens" and (wish.port or "").casefold() == "exhaust" for wish in wishes) == 1
    assert all(wish.character == "steady" for wish in wishes[2:])
    assert "guide: common practice, no source" in notices[0].message


def test_a_characters_wish_for_a_port_that_is_not_there_is_left_out_and_said():
    wishes, notices = with_character((), character_of("steady"), PORTS[:1])
    assert {wish.port for wish in wishes} == {None, "exhaust"}
    assert "blowdown 16 to 20" in notices[1].message
    with pytest.raises(QuantityError, match="did you mean steady"):
        character_of("stedy")
