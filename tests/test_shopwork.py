"""Work on cylinder and piston, against the trade's rules and against arithmetic done by hand.

The trade's rules are common practice, no source. They are said in whole degrees and whole thou, for short
strokes; each tolerance says what the rule itself can hold.
"""

import math
from dataclasses import replace

import pytest

from portmap.crank import Crank, crank_with_guessed_rod, piston_depth
from portmap.effects import bench_figures
from portmap.engine import Engine, Piston
from portmap.errors import GeometryError, QuantityError
from portmap.job import job_of
from portmap.operation import (
    OPERATIONS,
    SEALANT_FILM_MM,
    Operation,
    kind_of,
    operation_text,
    parse_operation,
    tools_needed,
)
from portmap.port import Pocket, PortEdges, PortMap, edges_of
from portmap.shopwork import Build, after, build_of, rim_area_mm2
from tests.gallery import box, port
from tests.sample_job import sample

THOU = 0.0254
EXACT_DEG = 1e-9  # closed forms both ways
EXACT_MM = 1e-12
# "near one degree" of ten thou: the rule rounds to a whole degree, and a degree wheel is read to half of one
RULE_DEG = 0.3
# "near two degrees" of twenty thou: the same rounding, of twice the amount
TWO_RULES_DEG = 0.6

BORE_AREA_MM2 = math.pi * 46**2 / 4  # 1661.9


def short_stroke(exhaust_deg=104.0, transfer_deg=120.0, intake_deg=75.0, squish_mm=10 * THOU) -> Build:
    """A 50 mm by 34 mm engine whose ports open at given degrees: after TDC, of the intake before it."""
    crank = crank_with_guessed_rod(34.0)
    crown, gasket, skirt = 60.0, 0.5, 38.0
    roof = {
        name: crown - gasket - float(piston_depth(crank, degree))
        for name, degree in (("exhaust", exhaust_deg), ("transfer", transfer_deg))
    }
    floor = crown - gasket - skirt - float(piston_depth(crank, intake_deg))
    engine = Engine(
        bore_mm=50.0,
        crank=crank,
        crown_height_mm=crown,
        base_gasket_mm=gasket,
        skirt_length_mm=skirt,
        squish_band_height_mm=crown - gasket + squish_mm,
        head_volume_cm3=7.5,
    )
    edges = (
        PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=roof["exhaust"]),
        PortEdges(id="transfer", kind="transfer", control="crown", roof_mm=roof["transfer"]),
        PortEdges(id="intake", kind="intake", control="skirt", floor_mm=floor),
    )
    return Build(engine=engine, edges=edges)


def worked(build: Build, *texts: str) -> dict[str, float | None]:
    return bench_figures(after(build, *(parse_operation(text) for text in texts)))


class TestRulesOfTheTrade:
    """Common practice, no source."""

    def test_ten_thou_of_roof_is_near_one_degree_of_exhaust(self):
        now = worked(short_stroke(), "grind_roof exhaust 10 thou")
        assert now["exhaust:opens_deg"] - 104 == pytest.approx(-1, abs=RULE_DEG)

    def test_opening_at_104_after_tdc_is_a_duration_of_152(self):
        # twice the way from 104 to BDC at 180: no rule of thumb but symmetry, so exact
        assert bench_figures(short_stroke())["exhaust:duration_deg"] == pytest.approx(152, abs=EXACT_DEG)

    def test_a_roof_raised_from_104_to_98_lengthens_the_exhaust_by_12(self):
        build = short_stroke()
        crank = build.engine.crank
        lift = float(piston_depth(crank, 104) - piston_depth(crank, 98))
        now = after(build, Operation(operation="grind_roof", amount_mm=lift, port="exhaust"))
        figures = bench_figures(now)
        assert figures["exhaust:opens_deg"] == pytest.approx(98, abs=EXACT_DEG)
        assert figures["exhaust:duration_deg"] == pytest.approx(152 + 12, abs=EXACT_DEG)

    def test_transfers_at_120_with_exhaust_at_104_leave_16_of_blowdown(self):
        assert bench_figures(short_stroke())["blowdown_deg"] == pytest.approx(16, abs=EXACT_DEG)

    def test_an_intake_that_opens_75_before_tdc_is_open_for_150(self):
        figures = bench_figures(short_stroke())
        assert figures["intake:opens_deg"] == pytest.approx(360 - 75, abs=EXACT_DEG)
        assert figures["intake:duration_deg"] == pytest.approx(150, abs=EXACT_DEG)

    def test_a_gasket_eleven_thou_thicker(self):
        before, thicker = short_stroke(), 0.5 + 11 * THOU
        then, now = bench_figures(before), worked(before, f"base_gasket {thicker} mm")
        assert now["squish_mm"] - then["squish_mm"] == pytest.approx(11 * THOU, abs=EXACT_MM)
        for name, change in (("exhaust", -1), ("transfer", -1), ("intake", 1)):
            moved = now[f"{name}:opens_deg"] - then[f"{name}:opens_deg"]
            assert moved == pytest.approx(change, abs=RULE_DEG), name

    def test_ten_thou_off_the_rim_makes_a_squish_of_twenty_from_ten(self):
        for text in ("cut_crown 10 thou", "cut_rim 10 thou"):
            assert worked(short_stroke(), text)["squish_mm"] == pytest.approx(20 * THOU, abs=EXACT_MM)

    def test_twenty_off_the_base_needs_thirty_off_the_rim_to_end_at_twenty(self):
        now = worked(short_stroke(), "cut_base 20 thou", "cut_rim 30 thou")
        assert now["squish_mm"] == pytest.approx(20 * THOU, abs=EXACT_MM)

    def test_twenty_thou_off_the_base_moves_intake_and_exhaust_near_two_degrees(self):
        then, now = bench_figures(short_stroke()), worked(short_stroke(), "cut_base 20 thou")
        assert now["intake:opens_deg"] - then["intake:opens_deg"] == pytest.approx(-2, abs=TWO_RULES_DEG)
        assert now["exhaust:opens_deg"] - then["exhaust:opens_deg"] == pytest.approx(2, abs=TWO_RULES_DEG)


ENGINE = Engine(
    bore_mm=46.0,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    skirt_length_mm=36.0,
    squish_band_height_mm=61.2,
    squish_band_width_mm=5.0,
    deck_height_mm=66.0,
    base_flange_mm=7.0,
    head_volume_cm3=6.1,
    case_volume_cm3=190.0,
    piston=Piston(
        crown_thickness_mm=4.5,
        ring_below_crown_mm=3.0,
        ring_height_mm=1.5,
        lowest_ring_below_crown_mm=7.5,
        exhaust_skirt_length_mm=38.0,
        crown_profile_mm=((0.0, 0.0), (23.0, 0.0)),
    ),
)
PORTS = PortMap(
    stage="stock",
    ports=(
        port(box(-14, 28, -1, 40), box(1, 28, 14, 40), name="exhaust"),
        port(box(20, 28, 32, 36), name="main", kind="transfer"),
        port(box(60, 8, 84, 17), name="intake", kind="intake", control="skirt"),
        replace(
            port(box(36, 14, 44, 20), name="air", kind="strato", control="pocket"),
            pocket=Pocket(top_below_crown_mm=12.0, bottom_below_crown_mm=22.0),
        ),
    ),
)
BUILD = Build(engine=ENGINE, edges=tuple(edges_of(known) for known in PORTS.ports), port_map=PORTS)


def sizes(build: Build) -> dict[str, float]:
    """Every size that any work moves, flat."""
    engine = build.engine
    found = {
        "H": engine.crown_height_mm,
        "g": engine.base_gasket_mm,
        "L": engine.skirt_length_mm,
        "band": engine.squish_band_height_mm,
        "deck": engine.deck_height_mm,
        "flange": engine.base_flange_mm,
        "V": engine.head_volume_cm3,
        "case": engine.case_volume_cm3,
        "crown": engine.piston.crown_thickness_mm,
        "ring": engine.piston.ring_below_crown_mm,
        "ring height": engine.piston.ring_height_mm,
        "lowest ring": engine.piston.lowest_ring_below_crown_mm,
        "exhaust skirt": engine.piston.exhaust_skirt_length_mm,
    }
    for edge in build.edges:
        found |= {f"{edge.id} roof": edge.roof_mm, f"{edge.id} floor": edge.floor_mm}
        if edge.pocket is not None:
            found |= {
                "pocket top": edge.pocket.top_below_crown_mm,
                "pocket bottom": edge.pocket.bottom_below_crown_mm,
            }
    return {name: size for name, size in found.items() if size is not None}


CASTING = ("band", "deck", "flange", *(f"{p.id} {e}" for p in PORTS.ports for e in ("roof", "floor")))
PISTON = ("H", "L", "crown", "ring", "lowest ring", "exhaust skirt", "pocket top", "pocket bottom")
A = BORE_AREA_MM2 / 1000  # cm³ for a millimetre
A_BAND = math.pi * 5 * (46 - 5) / 1000  # a ring 5 mm wide: 0.644

MOVES = [
    # worked by hand from the definition of each piece of work
    ("base_gasket 0.6", {"g": 0.2, "V": 0.2 * A}),
    ("base_gasket 0", {"g": -0.4, "V": -0.4 * A}),
    ("sealant 0.05", {"g": -0.35, "V": -0.35 * A}),
    ("cut_base 0.5", dict.fromkeys(CASTING, -0.5) | {"V": -0.5 * A}),
    ("cut_crown 0.3", dict.fromkeys(PISTON, -0.3) | {"V": 0.3 * A}),
    ("cut_rim 0.3", dict.fromkeys(PISTON, -0.3) | {"V": 0.3 * A_BAND}),
    ("cut_band 0.3", {"band": 0.3, "V": 0.3 * A_BAND}),
    ("trim_skirt 0.8", {"L": -0.8}),
    ("grind_roof exhaust 0.7", {"exhaust roof": 0.7}),
    ("grind_floor intake 0.7", {"intake floor": -0.7}),
    ("file_pocket_top air 0.9", {"pocket top": -0.9}),
    ("file_pocket_bottom air 0.9", {"pocket bottom": 0.9}),
]


@pytest.mark.parametrize(("text", "moved"), MOVES, ids=[text for text, _ in MOVES])
def test_each_piece_of_work_moves_what_it_should_and_nothing_else(text, moved):
    then, now = sizes(BUILD), sizes(after(BUILD, parse_operation(text)))
    changes = {name: now[name] - then[name] for name in then}
    assert changes == pytest.approx(dict.fromkeys(then, 0.0) | moved, abs=EXACT_MM)


def test_every_kind_of_work_is_in_that_table():
    assert {kind.name for kind in OPERATIONS} == {text.split()[0] for text, _ in MOVES}


@pytest.mark.parametrize("text", [text for text, _ in MOVES])
def test_outlines_say_the_same_as_heights(text):
    now = after(BUILD, parse_operation(text))
    for edges, mapped in zip(now.edges, now.port_map.ports, strict=True):
        outlined = edges_of(mapped)
        assert (edges.roof_mm, edges.floor_mm) == pytest.approx(
            (outlined.roof_mm, outlined.floor_mm), abs=EXACT_MM
        )
        assert edges.pocket == mapped.pocket


def test_what_stood_on_the_bench_is_left_as_it_was():
    before = sizes(BUILD), PORTS.ports
    after(BUILD, *(parse_operation(text) for text, _ in MOVES))
    assert (sizes(BUILD), BUILD.port_map.ports) == before
    assert BUILD.done == ()


def test_work_done_is_noted_in_order():
    pieces = tuple(parse_operation(text) for text in ("cut_base 0.2", "grind_roof main 0.3"))
    assert after(after(BUILD, pieces[0]), pieces[1]).done == pieces


@pytest.mark.parametrize(
    ("text", "stage"),
    [("base_gasket 0", "stock"), ("cut_base 0.1", "proposed"), ("grind_roof main 0.1", "proposed")],
)
def test_outlines_that_are_not_cut_yet_are_proposed(text, stage):
    assert after(BUILD, parse_operation(text)).port_map.stage == stage


class TestCrown:
    DOME = replace(
        BUILD,
        engine=replace(
            ENGINE, piston=replace(ENGINE.piston, crown_profile_mm=((0.0, 2.0), (16.0, 0.0), (23.0, 0.0)))
        ),
    )

    def test_a_dome_stays_when_the_rim_is_cut(self):
        now = after(self.DOME, parse_operation("cut_crown 0.5")).engine
        assert now.head_volume_cm3 == pytest.approx(6.1 + 0.5 * A_BAND, abs=EXACT_MM)
        # from the new, lower edge: the dome stands half a millimetre prouder, a step 5 mm in from the wall
        assert now.piston.crown_profile_mm == ((0.0, 2.5), (16.0, 0.5), (18.0, 0.5), (18.0, 0.0), (23.0, 0.0))

    def test_a_step_cut_twice_is_one_step(self):
        once = after(BUILD, parse_operation("cut_rim 0.5")).engine
        twice = after(BUILD, parse_operation("cut_rim 0.2"), parse_operation("cut_rim 0.3")).engine
        assert [r for r, _ in twice.piston.crown_profile_mm] == [r for r, _ in once.piston.crown_profile_mm]
        assert twice.head_volume_cm3 == pytest.approx(once.head_volume_cm3)

    def test_a_crown_nobody_measured_is_taken_as_level_and_that_is_said(self):
        unknown = replace(BUILD, engine=replace(ENGINE, piston=Piston()))
        for text, area in (("cut_crown 0.5", A), ("cut_rim 0.5", A_BAND)):
            now = after(unknown, parse_operation(text)).engine
            assert now.head_volume_cm3 == pytest.approx(6.1 + 0.5 * area)
            assert now.assumed == ("crown taken as level",)
        assert now.piston.crown_profile_mm == ((0.0, 0.5), (18.0, 0.5), (18.0, 0.0), (23.0, 0.0))

    def test_a_band_nobody_measured_is_half_the_bores_area_and_that_is_said(self):
        engine = replace(ENGINE, squish_band_width_mm=None)
        area, words = rim_area_mm2(engine)
        assert area == pytest.approx(BORE_AREA_MM2 / 2)
        now = after(replace(BUILD, engine=engine), parse_operation("cut_band 0.5")).engine
        assert now.assumed == (words,)
        assert "6.74 mm wide, half the area" in words  # 23·(1 − 1/√2)

    def test_nothing_is_assumed_where_no_figure_leans_on_it(self):
        engine = replace(ENGINE, squish_band_width_mm=None, head_volume_cm3=None)
        assert after(replace(BUILD, engine=engine), parse_operation("cut_band 0.5")).engine.assumed == ()


def test_unknown_sizes_stay_unknown():
    bare = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    edges = (PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4),)
    now = after(Build(engine=bare, edges=edges), *map(parse_operation, ("cut_base 0.2", "cut_crown 0.2")))
    assert now.engine.squish_band_height_mm is None
    assert now.engine.head_volume_cm3 is None
    assert now.edges[0].floor_mm is None
    assert now.engine.assumed == ()


REFUSED = [
    ("grind_roof exhuast 0.3", r"no port 'exhuast'; did you mean exhaust\?"),
    ("grind_roof 7 0.3", r"no port '7'; the ports are exhaust, main, intake, air"),
    ("file_pocket_top main 0.3", "port main has no pocket"),
    ("file_pocket_top air 12.5", r"goes 0\.5 mm past the crown edge: .* was 12 mm below it; take less"),
    ("cut_base 8", r"cut_base 8 mm: more is taken off than there is: the base flange was 7; take less"),
    ("cut_crown 40", "the skirt length was 36"),
    ("trim_skirt 36", "the skirt length was 36"),
]


@pytest.mark.parametrize(("text", "words"), REFUSED, ids=[text for text, _ in REFUSED])
def test_work_that_cannot_be_done_is_refused_in_one_line(text, words):
    with pytest.raises(GeometryError, match=words) as refusal:
        after(BUILD, parse_operation(text))
    assert "\n" not in str(refusal.value)


def test_work_on_a_height_or_skirt_nobody_knows_is_refused():
    bare = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    edges = (PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4),)
    build = Build(engine=bare, edges=edges)
    with pytest.raises(GeometryError, match="height of its floor is not known; read it"):
        after(build, parse_operation("grind_floor e 0.2"))
    with pytest.raises(GeometryError, match="skirt's length is not known; measure"):
        after(build, parse_operation("trim_skirt 0.2"))
    with pytest.raises(GeometryError, match="no port is known"):
        after(replace(build, edges=()), parse_operation("grind_roof e 0.2"))


READ = [
    ("cut_base 0.5 mm", "cut_base", 0.5, None),
    ("cut_base 0,5", "cut_base", 0.5, None),
    ("Cut base 20 thou", "cut_base", 0.508, None),
    ("cut-crown 1/64 in", "cut_crown", 0.396875, None),
    ("base_gasket 0", "base_gasket", 0.0, None),
    ("sealant", "sealant", SEALANT_FILM_MM, None),
    ("sealant 0.05 mm", "sealant", 0.05, None),
    ("grind_roof exhaust 20 thou", "grind_roof", 0.508, "exhaust"),
    ("grind roof left boost 0.3mm", "grind_roof", 0.3, "left boost"),
    ("grind_floor 3 0.25", "grind_floor", 0.25, "3"),
    ("file pocket top air 0.5", "file_pocket_top", 0.5, "air"),
]


@pytest.mark.parametrize(("text", "name", "amount", "where"), READ, ids=[entry[0] for entry in READ])
def test_work_is_read_as_people_type_it(text, name, amount, where):
    piece = parse_operation(text)
    assert (piece.operation, piece.port) == (name, where)
    assert piece.amount_mm == pytest.approx(amount, abs=1e-12)
    again = parse_operation(operation_text(piece))
    assert (again.operation, again.port) == (name, where)
    assert again.amount_mm == pytest.approx(amount, rel=1e-5)  # six digits are typed


UNREADABLE = [
    ("", "no work is named"),
    ("   ", "no work is named"),
    ("cut_bas 0.5", r"'cut_bas' is no piece of work; did you mean cut_base\?"),
    ("grnd roof exhaust 0.3", r"'grnd' is no piece of work; did you mean grind_roof\?"),
    ("polish 0.3", "'polish' is no piece of work; take one of base_gasket"),
    ("cut_base", "amount is missing"),
    ("cut_base -0.5", "not a length 0 or more"),
    ("cut_base 0.5 deg", "'deg' in .* is not a unit of length"),
    ("cut_base 0.5 bar", "'bar' in .* is not a unit of length"),
    ("cut_base nan", "is not a length|number"),
    ("cut_base exhaust 0.5", "'exhaust' is named; write cut_base 0.5"),
    ("grind_roof 0.5 mm", "none is named; write for instance grind_roof exhaust 0.5 mm"),
    ("grind_roof", "none is named"),
    ("grind_roof exhaust", "amount is missing"),
    ("grind_roof exhaust deep", "is not a length|number"),
]


@pytest.mark.parametrize(("text", "words"), UNREADABLE, ids=[text or "nothing" for text, _ in UNREADABLE])
def test_what_is_no_work_is_said_in_one_line(text, words):
    with pytest.raises(QuantityError, match=words) as refusal:
        parse_operation(text)
    assert refusal.value.where.startswith("--do")
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        (
            {"operation": "cut_base", "amount_mm": -0.1},
            "an amount of -0.1 mm is below 0; give what is taken off",
        ),
        ({"operation": "base_gasket", "amount_mm": -0.1}, "give the new thickness, 0 for none"),
        ({"operation": "cut_base", "amount_mm": math.nan}, "not a number"),
        ({"operation": "cut_base", "amount_mm": math.inf}, "not a number"),
        ({"operation": "grind_roof", "amount_mm": 0.1}, "none is named"),
        ({"operation": "cut_base", "amount_mm": 0.1, "port": "exhaust"}, "leave the port out"),
        ({"operation": "cut", "amount_mm": 0.1}, "is no piece of work"),
    ],
)
def test_work_that_makes_no_sense_cannot_be_made(fields, words):
    with pytest.raises(QuantityError, match=words):
        Operation(**fields)


@pytest.mark.parametrize(
    ("name", "needs"),
    [
        # the issue: cuts of base, crown and band are lathe work, grinding is a grinder's
        ("cut_base", ("lathe",)),
        ("cut_crown", ("lathe",)),
        ("cut_band", ("lathe",)),
        ("grind_roof", ("grinder",)),
        ("base_gasket", ()),
        ("sealant", ()),
    ],
)
def test_what_it_needs(name, needs):
    assert kind_of(name).needs == needs


def test_one_of_several_tools_will_do_and_none_is_fetched_twice():
    work = [parse_operation(text) for text in ("trim_skirt 0.5", "grind_roof e 0.2", "base_gasket 0")]
    assert tools_needed(work) == ("grinder",)
    assert tools_needed(work[:1], ["files"]) == ("files",)
    with pytest.raises(
        QuantityError, match=r"grind_roof e 0\.2 mm: it needs a grinder, which is not at hand"
    ):
        tools_needed(work, ["files", "lathe"])


class TestBuildOfAJob:
    def test_a_job_with_a_map(self):
        build = build_of(job_of(sample()))
        assert [edges.id for edges in build.edges] == ["exhaust", "main", "intake"]
        assert len(build.port_map.ports[1].windows) == 2
        assert build.done == ()

    def test_a_job_with_readings_alone(self):
        document = sample()
        document["maps"] = []
        document["edges"] = [{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 39.4}]
        build = build_of(job_of(document))
        assert build.port_map is None
        assert [edges.id for edges in build.edges] == ["e"]

    def test_a_port_known_by_readings_is_cut_beside_the_map(self):
        document = sample()
        document["edges"] = [{"id": "boost", "kind": "boost", "control": "crown", "roof_mm": 36.5}]
        now = after(
            build_of(job_of(document)),
            parse_operation("cut_base 0.5"),
            parse_operation("grind_roof boost 0.2"),
        )
        assert {edges.id: edges.roof_mm for edges in now.edges}["boost"] == pytest.approx(36.2)
