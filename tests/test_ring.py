"""Verdicts of ring safety against plane geometry and published fractions of the bore."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import scale, translate

from portmap.engine import Piston
from portmap.port import PortMap, WindowDoubt, mirrored_window
from portmap.ring import ring_document, ring_verdicts, worst_grades
from portmap.ring_gaps import given_back, level_width_mm, stretches_of, widest_stretch
from portmap.ring_places import near_window
from portmap.ring_roof import roof_lean_mm, tightest_radius
from portmap.ring_rules import GRADES, ring_rules
from tests.ring_windows import BORE, MEASURED, arched, cylinder, ellipse, engine, port, rounded

EXACT = 1e-9
RULES = ring_rules({})


def verdicts(*ports, on=None, rules=RULES):
    """Verdicts by (port, window, rule); those on the whole map by rule alone."""
    found = ring_verdicts(on or engine(), cylinder(*ports), rules)
    return {(one.port, one.window, one.rule) if one.port else one.rule: one for one in found}


def exhaust(shape, **more):
    return port("exhaust", "exhaust", shape, **more)


class TestWidth:
    @pytest.mark.parametrize(
        ("share", "arc_share"),
        # chord c/B and arc/B, segments of circles (Machinery's Handbook, formula from memory)
        [(0.62, 0.668743), (0.65, 0.707584), (0.70, 0.775397), (0.75, 0.848062)],
    )
    def test_chord_and_arc_are_those_of_the_table_of_segments(self, share, arc_share):
        half = arc_share * BORE / 2
        found = verdicts(exhaust(shapely.box(-half, 28, half, 40)))
        assert found["exhaust", 0, "ring_width"].value == pytest.approx(share, abs=1e-6)
        degrees = math.degrees(2 * arc_share)
        assert found["exhaust", 0, "ring_arc"].value == pytest.approx(degrees, abs=1e-4)

    @pytest.mark.parametrize(
        ("share", "grade"), [(0.55, "fine"), (0.63, "look again"), (0.69, "look again"), (0.71, "don't")]
    )
    def test_grades_go_by_published_fractions(self, share, grade):
        """Jennings, 1973: start near 62 %, 70 % is the limit."""
        half = BORE * math.asin(share) / 2
        found = verdicts(exhaust(ellipse(0, 34, half, 6)))
        assert found["exhaust", 0, "ring_width"].grade == grade
        assert found["exhaust", 0, "ring_arc"].grade == grade

    def test_a_bridge_halves_the_width_and_a_thread_of_metal_does_not(self):
        whole = shapely.box(-16, 28, 16, 40)
        bridged = verdicts(exhaust(whole.difference(shapely.box(-1.5, 30, 1.5, 38))))
        # above and below the island the window is as wide as ever
        assert bridged["exhaust", 0, "ring_width"].value == pytest.approx(math.sin(32 / BORE))
        twin = verdicts(port("exhaust", "exhaust", shapely.box(-16, 28, -1, 40), shapely.box(1, 28, 16, 40)))
        assert twin["exhaust", 0, "ring_width"].value == pytest.approx(math.sin(15 / BORE))
        assert twin["exhaust", 0, "ring_arc"].value == pytest.approx(math.degrees(15 * 2 / BORE))
        thread = verdicts(
            port("exhaust", "exhaust", shapely.box(-16, 28, -0.5, 40), shapely.box(0.5, 28, 16, 40))
        )
        assert thread["exhaust", 0, "ring_width"].value == pytest.approx(math.sin(15.5 / BORE))
        assert thread["exhaust", 0, "ring_arc"].value == pytest.approx(math.degrees(32 * 2 / BORE))
        assert thread["exhaust", 0, "ring_arc"].x_mm == pytest.approx(0)

    def test_windows_on_both_sides_of_the_wrap_are_joined_by_a_thread(self):
        half = math.pi * BORE / 2
        found = verdicts(
            port("a", "transfer", shapely.box(half - 10, 28, half - 0.25, 36)),
            port("b", "transfer", shapely.box(-half + 0.25, 28, -half + 10, 36)),
        )
        assert found["a", 0, "ring_arc"].value == pytest.approx(math.degrees(20 * 2 / BORE))

    def test_more_than_half_the_bore_is_no_narrower_than_half(self):
        found = verdicts(exhaust(shapely.box(-50, 28, 50, 40)))["exhaust", 0, "ring_width"]
        assert (found.value, found.grade) == (pytest.approx(1.0), "don't")

    def test_a_stated_doubt_travels_and_is_said_near_a_bound(self):
        doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.2, edge_u_mm=0.05)
        half = BORE * math.asin(0.6205) / 2
        found = verdicts(exhaust(ellipse(0, 34, half, 6), doubt=doubt))["exhaust", 0, "ring_width"]
        # d(sin(w/B))/dw = cos(w/B)/B; two places of the edge
        assert found.u == pytest.approx(math.sqrt(2) * 0.05 * math.cos(math.asin(0.6205)) / BORE, rel=1e-6)
        assert "too near a bound to be sure" in found.words


class TestCorners:
    @pytest.mark.parametrize("radius", [1.0, 2.0, 3.0, 5.0])
    def test_the_radius_of_round_corners_is_found(self, radius):
        found, x, y = tightest_radius(rounded(-13, 28, 13, 40, radius))
        # 64 pieces a quarter lie up to a sagitta inside the circle, and three places 0.75 mm of arc apart are
        # h = r(1 − cos(0.75/r)) deep, so that the radius may be off by r/h of the sagitta (plane geometry)
        sagitta = radius * (1 - math.cos(math.pi / 256))
        assert found == pytest.approx(radius, abs=1.1 * sagitta / (1 - math.cos(0.75 / radius)))
        assert abs(x) > 13 - radius
        assert y > 40 - radius - EXACT

    def test_a_corner_without_a_round_has_none(self):
        assert tightest_radius(shapely.box(-13, 28, 13, 40))[0] < 0.05

    def test_a_very_small_round_is_told_from_none(self):
        assert tightest_radius(rounded(-13, 28, 13, 40, 0.4))[0] == pytest.approx(0.4, abs=0.02)

    def test_an_ellipse_is_tightest_where_its_axis_ends(self):
        # least radius of curvature b²/a at the ends of the long axis (plane geometry)
        found, x, _ = tightest_radius(ellipse(0, 34, 12, 8, corners=2000))
        assert found == pytest.approx(64 / 12, rel=0.01)
        assert abs(x) == pytest.approx(12, abs=0.05)

    def test_noise_of_a_trace_does_not_make_a_corner(self):
        """A round of 3 mm traced every 0.08 mm to 0.005 mm is still well above the bound of 2.5 mm."""
        line = shapely.segmentize(rounded(-13, 28, 13, 40, 3.0, 16).exterior, 0.08)
        points = shapely.get_coordinates(line)[:-1]
        noisy = points + np.random.default_rng(6).normal(0, 0.004, points.shape)
        assert tightest_radius(shapely.Polygon(noisy))[0] > 2.5

    def test_a_narrow_window_needs_no_larger_round_than_it_has_room_for(self):
        slot = verdicts(port("t", "transfer", rounded(20, 28, 23, 38, 1.5)))["t", 0, "ring_corner"]
        assert (slot.grade, slot.threshold) == ("fine", pytest.approx(0.95 * 1.5))

    @pytest.mark.parametrize(("radius", "grade"), [(0.5, "don't"), (1.5, "look again"), (3.0, "fine")])
    def test_grades(self, radius, grade):
        found = verdicts(exhaust(rounded(-13, 28, 13, 40, radius)))
        assert found["exhaust", 0, "ring_corner"].grade == grade

    def test_a_nib_of_metal_in_the_roof_is_a_corner_too(self):
        nib = shapely.Polygon([[-5, 41], [5, 41], [0, 38]])
        shape = rounded(-13, 28, 13, 40, 3).difference(nib)
        radius, x, y = tightest_radius(shape)
        assert (radius < 0.3, abs(x) < 5, y < 40.1) == (True, True, True)


class TestRoof:
    def test_a_flat_roof_gives_all_of_it_back_at_once(self):
        found = verdicts(exhaust(shapely.box(-14, 28, 14, 40)))
        assert found["exhaust", 0, "ring_lead"].value == pytest.approx(28 / BORE, abs=EXACT)
        assert found["exhaust", 0, "ring_lead"].y_mm == 40
        assert found["exhaust", 0, "ring_flat"].value == pytest.approx(1.0)
        assert found["exhaust", 0, "ring_flat"].grade == "don't"

    @pytest.mark.parametrize("rise", [1.0, 2.0, 4.0])
    def test_an_arch_gives_back_what_a_parabola_does(self, rise):
        """Width of a parabola at depth d under its top: w·√(d/rise); plane geometry."""
        found = verdicts(exhaust(arched(26, 28, 40, rise, corners=4001)))
        lead = found["exhaust", 0, "ring_lead"].value * BORE
        assert lead == pytest.approx(26 * math.sqrt(0.01 * BORE / rise), rel=1e-3)
        level = found["exhaust", 0, "ring_flat"].value
        assert level == pytest.approx(math.sqrt(0.001 * BORE / rise), rel=1e-3)

    def test_the_more_it_is_arched_the_gentler_it_leads(self):
        grades = [
            verdicts(exhaust(arched(26, 28, 40, rise)))["exhaust", 0, "ring_lead"].grade
            for rise in (0.05, 1.0, 3.0)
        ]
        assert [GRADES.index(grade) for grade in grades] == sorted(GRADES.index(grade) for grade in grades)
        assert grades[-1] == "fine"

    def test_a_ledge_under_the_roof_counts_as_well(self):
        ledge = shapely.union(shapely.box(-13, 28, 13, 38), shapely.box(-2, 37, 2, 40))
        lost, y = given_back(stretches_of([ledge]), 0.46)
        assert (lost, y) == (pytest.approx(22), pytest.approx(38))

    def test_a_narrow_window_may_be_flat(self):
        found = verdicts(port("t", "transfer", rounded(20, 28, 30, 36, 2.5)))["t", 0, "ring_flat"]
        assert (found.grade, found.value > 0.5) == ("fine", True)

    def test_level_is_measured_just_below_the_top(self):
        roof = stretches_of([rounded(-14, 28, 14, 40, 3.0, 256)])
        # a circle's half width at depth d: √(2rd − d²)
        expected = 22 + 2 * math.sqrt(2 * 3 * 0.046 - 0.046**2)
        assert level_width_mm(roof, 0.046) == pytest.approx(expected, abs=0.01)


class TestTurning:
    def test_a_tilted_roof_leans_by_its_triangle(self):
        """Centroid of a trapezium: the triangle's moment w²·t/12 over the area (plane geometry)."""
        tilted = shapely.Polygon([[-14, 28], [14, 28], [14, 40], [-14, 39]])
        lean, half = roof_lean_mm(tilted, 2.3)
        assert (lean, half) == (pytest.approx(28**2 / 12 / (28 * 1.8)), pytest.approx(14))
        assert verdicts(exhaust(tilted))["exhaust", 0, "ring_turn"].grade == "look again"

    def test_two_that_mirror_each_other_hold_the_ring(self):
        right = shapely.Polygon([[18, 28], [30, 28], [30, 34], [18, 36]])
        left = scale(right, -1, 1, origin=(0, 0))
        both = verdicts(port("main", "transfer", right, left))
        assert both["main", 0, "ring_turn"].value == pytest.approx(0, abs=EXACT)
        alone = verdicts(port("main", "transfer", right))
        assert alone["main", 0, "ring_turn"].grade == "don't"


class TestRings:
    @pytest.mark.parametrize(
        ("end", "value", "grade"),
        [
            (18.0, 4.0, "fine"),
            (16.0, 2.0, "look again"),
            (14.5, 0.5, "don't"),
            (10.0, -4.0, "don't"),
            (18.0 - math.pi * BORE, 4.0, "fine"),
        ],
    )
    def test_ends_are_kept_from_windows(self, end, value, grade):
        on = engine(replace(MEASURED, ring_ends_x_mm=(end,)))
        found = verdicts(exhaust(ellipse(0, 34, 14, 6)), on=on)["exhaust", 0, "ring_ends"]
        assert (found.value, found.grade) == (pytest.approx(value), grade)
        assert found.x_mm == pytest.approx(18.0 if abs(end) > 20 else end)

    @pytest.mark.parametrize(
        ("roof", "value", "grade"),
        # the top ring's upper side stands at 61 − 2.5 mm at TDC
        [(40.0, 18.5, "fine"), (57.9, 0.6, "look again"), (58.6, -0.1, "don't")],
    )
    def test_a_roof_stays_below_the_ring_at_tdc(self, roof, value, grade):
        found = verdicts(exhaust(ellipse(0, (28 + roof) / 2, 12, (roof - 28) / 2)))
        one = found["exhaust", 0, "ring_tdc"]
        assert (one.value, one.grade) == (pytest.approx(value), grade)

    @pytest.mark.parametrize(
        ("floor", "roof", "value", "grade"),
        # at BDC the rings stand between 29 − 2.5 and 29 − 7.5 mm
        [
            (28.0, 36.0, 1.5, "fine"),
            (26.7, 36.0, 0.2, "look again"),
            (24.0, 36.0, -2.5, "look again"),
            (12.0, 20.0, 1.5, "fine"),
            (12.0, 21.4, 0.1, "look again"),
            (12.0, 23.0, -1.5, "look again"),
        ],
    )
    def test_a_window_stays_clear_of_the_rings_at_bdc(self, floor, roof, value, grade):
        found = verdicts(port("t", "transfer", shapely.box(20, floor, 30, roof)))["t", 0, "ring_bdc"]
        assert (found.value, found.grade) == (pytest.approx(value), grade)

    def test_where_no_ring_comes_the_roof_is_not_looked_at(self):
        found = verdicts(port("intake", "intake", shapely.box(60, 8, 84, 17)))
        rules = {key[2] for key in found if isinstance(key, tuple)}
        assert rules == {"ring_bdc", "ring_base"}

    def test_what_nobody_measured_is_named_and_not_passed(self):
        found = verdicts(
            exhaust(ellipse(0, 34, 14, 6)),
            port("intake", "intake", shapely.box(60, 8, 84, 17)),
            on=engine(Piston()),
        )
        assert {key for key in found if isinstance(key, str)} == {"ring_ends", "ring_tdc", "ring_bdc"}
        assert found["ring_ends"].grade == "not checked"
        assert found["ring_ends"].value is None
        assert "(exhaust); measure where the rings' ends (pins) run" in found["ring_ends"].words
        assert "(exhaust, intake)" in found["ring_bdc"].words

    def test_a_roof_above_the_crown_edge_is_known_to_be_wrong_without_the_ring(self):
        found = verdicts(exhaust(shapely.box(-10, 28, 10, 61.5)), on=engine(Piston()))
        assert found["exhaust", 0, "ring_tdc"].grade == "don't"


class TestMetal:
    @pytest.mark.parametrize(("gap", "grade"), [(1.2, "don't"), (2.0, "look again"), (3.0, "fine")])
    def test_a_bridge_between_windows(self, gap, grade):
        twin = port(
            "exhaust", "exhaust", shapely.box(-12, 28, -gap / 2, 40), shapely.box(gap / 2, 28, 12, 40)
        )
        found = verdicts(twin)
        assert found["exhaust", 0, "ring_bridge"].value == pytest.approx(gap)
        assert found["exhaust", 1, "ring_bridge"].grade == grade
        assert found["ring_relief"].grade == "not checked"

    def test_an_island_is_a_bridge(self):
        island = translate(shapely.affinity.rotate(shapely.box(-1, -4, 1, 4), 20), 0, 34)
        found = verdicts(exhaust(shapely.box(-14, 28, 14, 40).difference(island)))
        assert found["exhaust", 0, "ring_bridge"].value == pytest.approx(2.0)
        assert found["exhaust", 0, "ring_bridge"].y_mm == pytest.approx(34.0)

    def test_transfers_on_either_side_have_no_bridge_between_them(self):
        found = verdicts(port("main", "transfer", shapely.box(20, 28, 32, 36), shapely.box(-32, 28, -20, 36)))
        assert ("main", 0, "ring_bridge") not in found

    def test_metal_to_the_next_port_reaches_across_the_wrap(self):
        half = math.pi * BORE / 2
        found = verdicts(
            port("a", "transfer", shapely.box(half - 12, 28, half - 1, 36)),
            port("b", "boost", shapely.box(-half + 1, 28, -half + 9, 36)),
        )
        assert found["a", 0, "ring_neighbour"].value == pytest.approx(2.0)
        assert found["a", 0, "ring_neighbour"].x_mm == pytest.approx(half)

    @given(
        x=st.floats(9, 20),
        y=st.floats(-14, 14),
        turn=st.floats(0, 360),
        corners=st.integers(3, 300),
    )
    @settings(max_examples=60, deadline=None)
    def test_the_nearest_metal_is_shapelys_own_distance(self, x, y, turn, corners):
        """The shortcut that looks only at near parts must not change the answer."""
        here = ellipse(0, 34, 6, 4, corners=corners)
        there = translate(shapely.affinity.rotate(ellipse(0, 34, 6, 4, corners=350), turn), x, y)
        found = near_window(here, [there], 1000.0)
        assert found.metal_mm == pytest.approx(shapely.distance(here, there), abs=1e-9)

    @pytest.mark.parametrize(("floor", "grade"), [(0.3, "don't"), (1.5, "look again"), (2.5, "fine")])
    def test_metal_above_the_base_face(self, floor, grade):
        found = verdicts(port("intake", "intake", shapely.box(60, floor, 80, 10)))
        assert found["intake", 0, "ring_base"].grade == grade


class TestExhaustOpens:
    def test_it_is_the_crank_angle_of_the_roof(self):
        """Depth at a right angle between crank and rod: r + l − √(r² + l²) at atan(l/r) (Pythagoras)."""
        angle, depth = math.degrees(math.atan2(58, 16)), 16 + 58 - math.hypot(16, 58)
        found = verdicts(exhaust(ellipse(0, 50 - depth / 2, 12, 11 - depth / 2)))
        one = found["exhaust", 0, "ring_exhaust_opens"]
        assert (one.value, one.grade) == (pytest.approx(angle, abs=1e-9), "look again")

    def test_a_stated_limit_makes_it_a_dont(self):
        rules = ring_rules({"ring_exhaust_opens_dont": 101.0})
        found = verdicts(exhaust(ellipse(0, 34, 14, 6)), rules=rules)
        assert found["exhaust", 0, "ring_exhaust_opens"].grade == "don't"
        assert "the job's own" in found["exhaust", 0, "ring_exhaust_opens"].source

    def test_only_the_exhaust_is_looked_at(self):
        found = verdicts(port("t", "transfer", ellipse(25, 40, 6, 11)))
        assert ("t", 0, "ring_exhaust_opens") not in found


class TestDocument:
    def test_it_holds_all_and_counts(self):
        found = ring_verdicts(engine(Piston()), cylinder(exhaust(shapely.box(-14, 28, 14, 40))), RULES)
        document = ring_document(found)
        assert document["worst"] == {"exhaust": "don't"} == worst_grades(found)
        assert sum(document["counts"].values()) == len(document["verdicts"]) == len(found)
        assert document["verdicts"][-1]["port"] is None

    def test_words_say_grade_value_bound_and_reason(self):
        words = verdicts(exhaust(shapely.box(-16, 28, 16, 40)))["exhaust", 0, "ring_width"].words
        assert words.startswith(
            "Look again: widest unsupported stretch, as a chord: 0.641 of bore, more than 0.620:"
        )
        assert words.endswith(".")


def shapes():
    """Windows as they are drawn: round-cornered, arched or elliptic, anywhere on the wall."""
    width, height = st.floats(6, 26), st.floats(5, 14)
    return st.one_of(
        st.builds(
            lambda w, h, r: rounded(-w / 2, 40 - h, w / 2, 40, r * min(w, h)),
            width,
            height,
            st.floats(0.05, 0.45),
        ),
        st.builds(lambda w, h: ellipse(0, 40 - h / 2, w / 2, h / 2, corners=200), width, height),
        st.builds(
            lambda w, h, r: arched(w, 40 - h, 40, r * h, corners=60), width, height, st.floats(0.02, 0.8)
        ),
    )


OF_SHAPE = ("ring_width", "ring_arc", "ring_corner", "ring_lead", "ring_flat", "ring_turn")


class TestLaws:
    @given(shape=shapes(), x=st.floats(-60, 60), tilt=st.floats(-0.1, 0.1))
    @settings(max_examples=40, deadline=None)
    def test_mirrored_windows_have_mirrored_verdicts(self, shape, x, tilt):
        window = translate(shapely.affinity.skew(shape, ys=math.degrees(tilt)), x, 0)
        one = cylinder(port("t", "transfer", window))
        other = PortMap(
            stage="stock",
            ports=tuple(
                replace(part, windows=tuple(mirrored_window(each) for each in part.windows))
                for part in one.ports
            ),
        )
        for here, there in zip(
            ring_verdicts(engine(), one, RULES), ring_verdicts(engine(), other, RULES), strict=True
        ):
            assert (here.rule, here.grade) == (there.rule, there.grade)
            assert there.value == pytest.approx(here.value, rel=1e-6, abs=1e-6)
            assert there.y_mm == pytest.approx(here.y_mm, abs=0.05) or here.rule == "ring_corner"

    @given(shape=shapes(), factor=st.floats(0.6, 3.0))
    @settings(max_examples=40, deadline=None)
    def test_fractions_do_not_change_with_size(self, shape, factor):
        """A cylinder twice as large is as wide, as flat and as lopsided for its bore."""
        small = verdicts(exhaust(shape))
        large_engine = engine(bore_mm=BORE * factor)
        large = ring_verdicts(
            large_engine, cylinder(exhaust(scale(shape, factor, factor, origin=(0, 40)))), RULES
        )
        found = {one.rule: one for one in large}
        for rule in ("ring_width", "ring_arc", "ring_lead", "ring_flat", "ring_turn"):
            expected = small["exhaust", 0, rule].value
            assert found[rule].value == pytest.approx(expected, rel=1e-6, abs=1e-6)

    @given(shape=shapes(), factor=st.floats(1.0, 1.8))
    @settings(max_examples=40, deadline=None)
    def test_a_wider_window_never_grades_better(self, shape, factor):
        narrow = verdicts(exhaust(shape))
        wide = verdicts(exhaust(scale(shape, factor, 1.0, origin=(0, 0))))
        for rule in ("ring_width", "ring_arc", "ring_lead", "ring_ends", "ring_flat"):
            before, after = narrow["exhaust", 0, rule], wide["exhaust", 0, rule]
            assert GRADES.index(after.grade) <= GRADES.index(before.grade)

    @given(shape=shapes(), x=st.floats(-100, 100))
    @settings(max_examples=40, deadline=None)
    def test_turning_a_window_round_the_bore_changes_nothing_of_its_shape(self, shape, x):
        here, there = verdicts(exhaust(shape)), verdicts(exhaust(translate(shape, x, 0)))
        for rule in OF_SHAPE:
            assert there["exhaust", 0, rule].value == pytest.approx(
                here["exhaust", 0, rule].value, rel=1e-5, abs=1e-6
            )

    @given(shape=shapes(), height=st.floats(34, 39.9))
    @settings(max_examples=40, deadline=None)
    def test_the_widest_stretch_is_no_narrower_than_any_cut(self, shape, height):
        """Against shapely's own cut at a height."""
        cut = shapely.intersection(shape, shapely.linestrings([[-50, height], [50, height]]))
        widest = max((part.length for part in shapely.get_parts(cut)), default=0.0)
        assert widest_stretch(stretches_of([shape])).width_mm >= widest - 1e-9
