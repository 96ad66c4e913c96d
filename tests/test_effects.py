"""What a little work does, against slopes worked out apart from the library."""

import json
import math
from dataclasses import replace

import pytest

from portmap.effects import (
    THOU_MM,
    area_figures,
    bench_figures,
    changes,
    effect_table,
    work_document,
)
from portmap.engine import Piston
from portmap.errors import Notice
from portmap.operation import parse_operation
from portmap.port import Pocket, PortEdges, PortMap, edges_of
from portmap.shop_limits import Breach
from portmap.shopwork import Build, after
from tests.gallery import box, port
from tests.test_shopwork import A_BAND, BORE_AREA_MM2, BUILD, ENGINE

SLOPE_DEG_PER_MM = 1e-6  # a central difference of 1e-3 mm: h²/6 of a third slope near 1 deg/mm³
EXACT = 1e-9
AREA_SHARE = 1e-4  # of a slope: one-sided over 0.02 mm, where the opened width changes at the far corners


def table(build: Build, **options):
    return {(effect.operation, effect.port): effect.per_mm for effect in effect_table(build, **options)}


def degrees_per_mm(degree: float) -> float:
    """Crank degrees for a millimetre of piston depth, from the slider-crank's own geometry.

    With throw r, rod l, angle t: depth = r + l − r·cos t − √(l² − r²·sin² t); differentiated by hand.
    """
    r, rod, t = 16.0, 58.0, math.radians(degree)
    slope = r * math.sin(t) * (1 + r * math.cos(t) / math.sqrt(rod**2 - (r * math.sin(t)) ** 2))
    return math.degrees(1 / slope)


class TestSlopes:
    EFFECTS = table(BUILD)
    NOW = bench_figures(BUILD)

    @pytest.mark.parametrize(
        ("operation", "where", "port_id", "sign"),
        [
            ("grind_roof", "exhaust", "exhaust", -1),
            ("cut_base", None, "exhaust", 1),
            ("cut_base", None, "main", 1),
            ("base_gasket", None, "exhaust", -1),
            ("cut_crown", None, "main", -1),
            ("cut_rim", None, "main", -1),
            ("grind_roof", "main", "exhaust", 0),
            ("cut_band", None, "exhaust", 0),
            ("trim_skirt", None, "exhaust", 0),
        ],
    )
    def test_degrees_of_crown_ports_are_the_slider_cranks(self, operation, where, port_id, sign):
        expected = sign * degrees_per_mm(self.NOW[f"{port_id}:opens_deg"])
        found = self.EFFECTS[operation, where]
        assert found[f"{port_id}:opens_deg"] == pytest.approx(expected, abs=SLOPE_DEG_PER_MM)
        assert found[f"{port_id}:duration_deg"] == pytest.approx(-2 * expected, abs=2 * SLOPE_DEG_PER_MM)

    @pytest.mark.parametrize(
        ("operation", "where", "sign"),
        [
            # the skirt edge rises less before it uncovers the floor: sooner is fewer degrees before 360
            ("trim_skirt", None, -1),
            ("grind_floor", "intake", -1),
            ("cut_base", None, -1),
            ("base_gasket", None, 1),
            ("cut_crown", None, 0),
            ("grind_roof", "intake", 0),
        ],
    )
    def test_degrees_of_the_intake(self, operation, where, sign):
        expected = sign * degrees_per_mm(360 - self.NOW["intake:opens_deg"])
        found = self.EFFECTS[operation, where]["intake:opens_deg"]
        assert found == pytest.approx(expected, abs=SLOPE_DEG_PER_MM)

    @pytest.mark.parametrize(
        ("operation", "squish", "volume"),
        [
            ("base_gasket", 1, BORE_AREA_MM2 / 1000),
            ("cut_base", -1, -BORE_AREA_MM2 / 1000),
            ("cut_crown", 1, BORE_AREA_MM2 / 1000),
            ("cut_rim", 1, A_BAND),
            ("cut_band", 1, A_BAND),
            ("trim_skirt", 0, 0),
        ],
    )
    def test_lengths_and_volume_go_in_proportion(self, operation, squish, volume):
        found = self.EFFECTS[operation, None]
        assert found["squish_mm"] == pytest.approx(squish, abs=EXACT)
        assert found["head_volume_cm3"] == pytest.approx(volume, abs=EXACT)

    def test_blowdown_is_transfer_less_exhaust(self):
        for found in self.EFFECTS.values():
            difference = found["main:opens_deg"] - found["exhaust:opens_deg"]
            assert found["blowdown_deg"] == pytest.approx(difference, abs=2 * SLOPE_DEG_PER_MM)

    def test_trapped_ratio_by_hand(self):
        # R = 1 + A·d/V: dR = A·(dd·V − d·dV)/V²; a base cut takes 1 mm of d and A mm³ of V for each mm
        volume, depth, area = 6.1, 61 - 0.4 - 40, BORE_AREA_MM2 / 1000
        expected = area * (1 * volume + depth * area) / volume**2
        assert self.EFFECTS["cut_base", None]["trapped_ratio"] == pytest.approx(expected, abs=1e-6)

    def test_an_angle_area_grows_by_width_times_duration(self):
        # ∫ w·(roof − crown) dθ while the floor stays hidden, as it does here: the slope is w·duration
        found = self.EFFECTS["grind_roof", "exhaust"]
        expected = 26 * self.NOW["exhaust:duration_deg"]
        assert found["exhaust_angle_area_mm2_deg"] == pytest.approx(expected, rel=AREA_SHARE)
        assert found["exhaust:wall_area_mm2"] == pytest.approx(26, rel=AREA_SHARE)

    def test_without_areas_there_are_none(self):
        assert not any("area" in name for name in table(BUILD, areas=False)["cut_base", None])

    def test_only_work_that_can_be_done_here_is_listed(self):
        names = set(self.EFFECTS)
        assert ("file_pocket_top", "air") in names
        assert ("file_pocket_top", "exhaust") not in names
        assert ("sealant", None) not in names
        bare = replace(BUILD, engine=replace(ENGINE, skirt_length_mm=None), port_map=None)
        assert ("trim_skirt", None) not in table(bare)


def test_without_a_gasket_the_slope_is_taken_from_one_side():
    build = after(BUILD, parse_operation("base_gasket 0"))
    found = table(build, areas=False)
    for name, slope in found["base_gasket", None].items():
        if name.endswith("opens_deg"):  # a thinner gasket and a cut base do the same to timing
            assert slope == pytest.approx(-found["cut_base", None][name], abs=10 * SLOPE_DEG_PER_MM)


def test_a_pocket_up_to_the_crown_edge_has_its_slope_from_the_other_side():
    edges = PortEdges(
        id="air",
        kind="strato",
        control="pocket",
        roof_mm=20.0,
        floor_mm=14.0,
        pocket=Pocket(top_below_crown_mm=0.0, bottom_below_crown_mm=22.0),
    )
    found = table(Build(engine=ENGINE, edges=(edges,)))
    assert found["cut_crown", None]["squish_mm"] == pytest.approx(1, abs=EXACT)
    assert found["file_pocket_top", "air"]["squish_mm"] == pytest.approx(0, abs=EXACT)


class TestFigures:
    def test_hand_worked_figures(self):
        figures = bench_figures(BUILD)
        assert figures["squish_mm"] == pytest.approx(61.2 - (61 - 0.4))
        assert figures["trapped_ratio"] == pytest.approx(1 + BORE_AREA_MM2 * 20.6 / 6100)
        assert figures["geometric_ratio"] == pytest.approx(1 + BORE_AREA_MM2 * 32 / 6100)
        assert figures["exhaust:roof_depth_mm"] == pytest.approx(20.6)
        assert figures["intake:floor_depth_mm"] == pytest.approx(52.6)

    def test_what_nobody_knows_is_none(self):
        bare = replace(ENGINE, head_volume_cm3=None, squish_band_height_mm=None, skirt_length_mm=None)
        figures = bench_figures(replace(BUILD, engine=bare))
        for name in (
            "squish_mm",
            "trapped_ratio",
            "cranking_low_bar",
            "intake:opens_deg",
            "intake:duration_deg",
        ):
            assert figures[name] is None, name

    def test_a_port_that_never_opens_has_a_duration_of_none_and_no_degree(self):
        low = PortEdges(id="low", kind="transfer", control="crown", roof_mm=20.0)
        figures = bench_figures(Build(engine=ENGINE, edges=(low,)))
        assert figures["low:opens_deg"] is None
        assert figures["low:duration_deg"] == 0.0

    def test_a_crown_at_the_exhausts_roof_gives_no_ratio(self):
        high = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=61.0)
        assert bench_figures(Build(engine=ENGINE, edges=(high,)))["trapped_ratio"] is None

    def test_areas_need_outlines(self):
        assert area_figures(replace(BUILD, port_map=None)) == {}
        found = area_figures(BUILD)
        assert found["exhaust:wall_area_mm2"] == pytest.approx(26 * 12)
        assert {name for name in found if "angle" in name} == {
            f"{span}_angle_area_mm2_deg" for span in ("exhaust", "blowdown", "transfer", "intake")
        }

    def test_a_port_that_cannot_be_timed_is_left_out_of_the_spans(self):
        found = area_figures(replace(BUILD, engine=replace(ENGINE, skirt_length_mm=None)))
        assert "intake_angle_area_mm2_deg" not in found
        assert found["intake:wall_area_mm2"] == pytest.approx(24 * 9)


class TestChanges:
    def test_after_less_before(self):
        now = after(BUILD, parse_operation("grind_roof exhaust 0.5"))
        found = {change.name: change for change in changes(BUILD, now)}
        assert found["exhaust:wall_area_mm2"].change == pytest.approx(26 * 0.5)
        assert found["squish_mm"].change == 0
        for change in found.values():
            if change.change is not None:
                assert change.change == change.after - change.before

    def test_a_figure_lost_by_the_work_is_shown_without_a_change(self):
        now = after(BUILD, parse_operation("grind_roof exhaust 40"))  # open all round: it opens nowhere
        found = {change.name: change for change in changes(BUILD, now)}
        assert found["blowdown_deg"].before is not None
        assert found["blowdown_deg"].after is None
        assert found["blowdown_deg"].change is None


class TestDocument:
    WORK = tuple(map(parse_operation, ("cut_base 0.2", "grind_roof exhaust 0.3", "trim_skirt 0.4")))

    def test_it_is_plain_json_and_says_what_was_done_in_order(self):
        document = work_document(BUILD, self.WORK, (), table=True)
        again = json.loads(json.dumps(document, allow_nan=False))
        assert again["operations"] == [
            {"operation": "cut_base", "amount_mm": 0.2, "needs": ["lathe"]},
            {"operation": "grind_roof", "amount_mm": 0.3, "port": "exhaust", "needs": ["grinder"]},
            {"operation": "trim_skirt", "amount_mm": 0.4, "needs": ["grinder", "files"]},
        ]
        assert again["needs"] == ["lathe", "grinder"]
        assert again["figures"]["squish_mm"]["change"] == pytest.approx(-0.2)

    def test_the_table_says_a_millimetre_a_tenth_and_ten_thou(self):
        effects = work_document(BUILD, (), (), table=True)["effects"]
        for effect in effects:
            for name, slope in effect["per_mm"].items():
                assert effect["per_0_1_mm"][name] == pytest.approx(0.1 * slope)
                assert effect["per_10_thou"][name] == pytest.approx(10 * THOU_MM * slope)
        assert "effects" not in work_document(BUILD, (), ())

    def test_limits_and_the_jobs_doubts_are_warnings_once(self):
        breach = Breach(limit="squish", grade="look again", message="Look again: squish.")
        doubt = Notice(code="kind-guessed", message="Guessed.")
        document = work_document(BUILD, self.WORK, (breach, breach), notices=(doubt,))
        codes = [warning["code"] for warning in document["warnings"]]
        assert codes == ["look-again-squish", "kind-guessed", "assumed-doubt"]
        assert document["limits"][0]["message"] == "Look again: squish."

    def test_a_port_that_the_work_leaves_always_open_is_said(self):
        document = work_document(BUILD, (parse_operation("grind_roof exhaust 21"),), ())
        first = document["warnings"][0]
        assert first["code"] == "never-closes"
        assert "Port exhaust is never wholly covered" in first["message"]

    def test_a_film_of_sealant_nobody_measured_is_said(self):
        said = work_document(BUILD, (parse_operation("sealant"),), ())["assumed"]
        assert "film of sealant 0.03 mm, common practice, no source" in said
        measured = work_document(BUILD, (parse_operation("sealant 0.05 mm"),), ())["assumed"]
        assert not any("sealant" in words for words in measured)

    def test_the_table_says_what_its_cuts_take_for_granted(self):
        bare = replace(BUILD, engine=replace(ENGINE, squish_band_width_mm=None, piston=Piston()))
        said = work_document(bare, (), (), table=True)["assumed"]
        assert "crown taken as level" in said
        assert any("squish band 6.74 mm wide" in words for words in said)
        assert not any("crown" in words for words in work_document(bare, (), ())["assumed"])

    def test_what_cranking_leans_on_is_said_only_if_there_is_any(self):
        assert any("exponent" in words for words in work_document(BUILD, (), ())["assumed"])
        dry = replace(BUILD, engine=replace(ENGINE, head_volume_cm3=None))
        assert not any("exponent" in words for words in work_document(dry, (), ())["assumed"])


def test_work_on_a_map_moves_time_areas_like_outlines_drawn_anew():
    now = after(BUILD, parse_operation("grind_roof exhaust 0.5"), parse_operation("base_gasket 0.2"))
    drawn = PortMap(
        stage="proposed",
        ports=(
            port(box(-14, 28, -1, 40.5), box(1, 28, 14, 40.5), name="exhaust"),
            *BUILD.port_map.ports[1:],
        ),
    )
    anew = Build(
        engine=replace(ENGINE, base_gasket_mm=0.2),
        edges=tuple(edges_of(known) for known in drawn.ports),
        port_map=drawn,
    )
    assert area_figures(now) == pytest.approx(area_figures(anew), rel=1e-9)
