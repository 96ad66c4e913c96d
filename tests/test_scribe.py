"""Scribe tables against triangles with whole sides, plane geometry, and read back from their files."""

import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import scale, translate

from portmap.crank import Crank, depth_per_degree
from portmap.engine import Engine, EngineDoubt
from portmap.errors import GeometryError, QuantityError
from portmap.port import PortMap, Window, WindowDoubt
from portmap.scribe import changed_edges, scribe_map_rows, scribe_rows
from portmap.scribe_table import COLUMNS, scribe_bytes, scribe_csv, scribe_document, scribe_format, scribe_pdf
from tests.ring_windows import BORE, arched, ellipse, engine, port, rounded

EXACT = 1e-9
DRAWN = WindowDoubt(roof_u_mm=0.0, floor_u_mm=0.0, wall_area_u_mm2=0.0, edge_u_mm=0.0)
TRACED = WindowDoubt(roof_u_mm=0.02, floor_u_mm=0.03, wall_area_u_mm2=0.2, edge_u_mm=0.02)


def rows_of(shape, step=1.0, on=None, doubt=None, **more):
    return scribe_rows(on or engine(), port("e", "exhaust", shape, doubt=doubt), step, **more)


class TestPiston:
    @pytest.mark.parametrize(
        ("throw", "rod", "degrees", "depth"),
        # right triangles with whole sides (Pythagoras): crank square to rod, then crank square to the bore
        [
            (15.0, 20.0, math.degrees(math.atan2(20, 15)), 10.0),
            (20.0, 48.0, math.degrees(math.atan2(48, 20)), 16.0),
            (15.0, 25.0, 90.0, 20.0),
            (20.0, 52.0, 90.0, 24.0),
        ],
        ids=["3-4-5 square to the rod", "5-12-13 square to the rod", "3-4-5 at 90", "5-12-13 at 90"],
    )
    def test_the_crown_edge_stands_at_the_mark_at_the_triangles_angle(self, throw, rod, degrees, depth):
        on = Engine(
            bore_mm=BORE,
            crank=Crank(stroke_mm=2 * throw, rod_mm=rod),
            crown_height_mm=70.0,
            base_gasket_mm=0.5,
        )
        row = rows_of(shapely.box(-10, 30, 10, 69.5 - depth), 5.0, on)[2]
        assert row.below_crown_mm == pytest.approx(depth, abs=EXACT)
        assert row.piston_deg == pytest.approx(degrees, abs=1e-7)

    def test_where_the_crown_never_comes_there_is_no_angle(self):
        low, high = (
            rows_of(shapely.box(60, 8, 84, 17), 30.0)[0],
            rows_of(shapely.box(0, 30, 9, 61.5), 30.0)[0],
        )
        assert (low.piston_deg, low.below_crown_mm) == (None, 44.0)
        assert (high.piston_deg, high.below_crown_mm) == (None, -0.5)


class TestHeights:
    def test_three_ways_of_saying_one_height_add_up(self):
        row = rows_of(arched(26, 28, 40, 2.0), 4.0, engine(deck_height_mm=80.0, base_gasket_mm=0.4))[3]
        assert row.height_mm + row.from_deck_mm == pytest.approx(80.0, abs=EXACT)
        assert row.height_mm + row.below_crown_mm == pytest.approx(60.6, abs=EXACT)

    def test_no_deck_no_depth_from_it(self):
        assert {row.from_deck_mm for row in rows_of(ellipse(0, 34, 12, 6))} == {None}

    def test_an_ellipses_roof_is_its_equation(self):
        """y = y0 + b·√(1 − (x/a)²), plane geometry; 4,000 corners leave a few millionths."""
        for row in rows_of(ellipse(0, 34, 12, 6, corners=4000), 1.0):
            if not row.mark:
                assert row.height_mm == pytest.approx(34 + 6 * math.sqrt(1 - (row.x_mm / 12) ** 2), abs=2e-4)

    def test_round_corners_are_marked_to_where_the_sides_stop(self):
        found = rows_of(rounded(-13, 28, 13, 40, 3.0), 2.0)
        assert (found[0].mark, found[-1].mark) == ("left end", "right end")
        assert found[0].x_mm == pytest.approx(-13, abs=0.01)
        assert found[0].height_mm == pytest.approx(37, abs=0.2)  # the round begins 3 mm under the roof
        assert {round(row.height_mm, 6) for row in found if abs(row.x_mm) <= 10} == {40.0}

    def test_the_floor_is_marked_where_asked(self):
        found = rows_of(ellipse(0, 34, 12, 6, corners=4000), 3.0, edges=("floor",))
        middle = next(row for row in found if row.x_mm == 0)
        assert (middle.edge, middle.height_mm) == ("floor", pytest.approx(28, abs=1e-6))

    def test_marks_stand_at_whole_steps_from_the_exhausts_middle(self):
        found = rows_of(shapely.box(19.5, 28, 31.2, 36), 2.0)
        assert [row.x_mm for row in found] == [19.5, 20, 22, 24, 26, 28, 30, 31.2]
        # five degrees of a 46 mm bore are 2.007 mm of wall
        step = math.pi * BORE * 5 / 360
        turned = rows_of(shapely.box(19.5, 28, 31.2, 36), step)
        assert [row.bore_deg for row in turned if not row.mark] == pytest.approx([50, 55, 60, 65, 70, 75])


class TestDoubt:
    def test_without_a_word_on_either_nothing_is_said(self):
        row = rows_of(shapely.box(-9, 28, 9, 40))[0]
        assert (row.height_u_mm, row.below_crown_u_mm, row.piston_u_deg) == (None, None, None)

    def test_a_drawn_edge_makes_the_piston_no_surer(self):
        row = rows_of(shapely.box(-9, 28, 9, 40), doubt=DRAWN)[0]
        assert (row.height_u_mm, row.below_crown_u_mm, row.piston_u_deg) == (0.0, None, None)

    def test_an_outlines_own_doubt_goes_by_the_pistons_speed(self):
        row = rows_of(shapely.box(-9, 28, 9, 40), doubt=TRACED)[0]
        slope = float(depth_per_degree(engine().crank, row.piston_deg))
        assert row.below_crown_u_mm == pytest.approx(0.02)
        assert row.piston_u_deg == pytest.approx(0.02 / slope, rel=1e-6)

    def test_crown_and_gasket_that_were_fitted_together_may_cancel(self):
        """Var(H − g) = Var H + Var g − 2·Cov (JCGM 100, 5.2.2)."""
        doubt = EngineDoubt(
            figures=("base_gasket_mm", "crown_height_mm"), covariance=((0.0004, 0.0005), (0.0005, 0.0009))
        )
        row = rows_of(shapely.box(-9, 28, 9, 40), on=replace(engine(), doubt=doubt), doubt=DRAWN)[0]
        assert row.below_crown_u_mm == pytest.approx(math.sqrt(0.0004 + 0.0009 - 0.001))

    def test_the_angles_doubt_is_that_of_many_draws(self):
        """Against a Monte Carlo of the closed form on other numbers of the same distribution (JCGM 101)."""
        u = {"stroke_mm": 0.03, "rod_mm": 0.3, "crown_height_mm": 0.05}
        table = np.diag([value**2 for value in u.values()])
        doubt = EngineDoubt(figures=tuple(u), covariance=tuple(map(tuple, table.tolist())))
        on = replace(engine(), doubt=doubt)
        row = rows_of(shapely.box(-9, 28, 9, 40), on=on, doubt=TRACED)[0]
        random = np.random.default_rng(11)
        stroke, rod, crown, roof = (
            centre + spread * random.standard_normal(200_000)
            for centre, spread in ((32, 0.03), (58, 0.3), (61, 0.05), (40, 0.02))
        )
        # the triangle of throw, rod and the line from crank axis to pin, by the law of cosines
        line = stroke / 2 + rod - (crown - roof)
        angle = np.degrees(np.arccos(((stroke / 2) ** 2 + line**2 - rod**2) / (stroke * line)))
        assert row.piston_deg == pytest.approx(angle.mean(), abs=0.005)
        assert row.piston_u_deg == pytest.approx(angle.std(), rel=0.01)


class TestMaps:
    def stages(self, *pairs):
        maps = []
        for stage, column in (("stock", 0), ("proposed", 1)):
            ports = tuple(port(name, kind, pair[column]) for name, kind, pair in pairs)
            maps.append(PortMap(stage=stage, ports=ports))
        return maps

    def test_only_what_changed_is_marked(self):
        same = shapely.box(20, 28, 30, 36)
        stock, wish = self.stages(
            ("exhaust", "exhaust", (shapely.box(-10, 28, 10, 40), shapely.box(-10, 28, 10, 41))),
            ("main", "transfer", (same, same)),
            ("intake", "intake", (shapely.box(60, 8, 80, 17), shapely.box(60, 7, 80, 17))),
        )
        rows = scribe_map_rows(engine(), wish, start=stock)
        assert {(row.port, row.edge) for row in rows} == {("exhaust", "roof"), ("intake", "floor")}

    def test_without_a_start_all_roofs_are(self):
        stock, _ = self.stages(("exhaust", "exhaust", (shapely.box(-10, 28, 10, 40),) * 2))
        assert {row.edge for row in scribe_map_rows(engine(), stock)} == {"roof"}

    def test_a_port_that_there_is_not_is_refused(self):
        stock, _ = self.stages(("exhaust", "exhaust", (shapely.box(-10, 28, 10, 40),) * 2))
        with pytest.raises(GeometryError, match="port boost: there is no such port; take one of exhaust"):
            scribe_map_rows(engine(), stock, port="boost")

    def test_a_window_that_was_not_there_is_marked_all_round(self):
        assert changed_edges(None, Window(outline=shapely.box(0, 0, 9, 5))) == ("roof", "floor")


class TestFaults:
    @pytest.mark.parametrize("step", [0.0, -1.0, math.nan, math.inf])
    def test_a_step_is_a_length(self, step):
        with pytest.raises(QuantityError, match="is not a step; give a length above 0"):
            rows_of(shapely.box(-9, 28, 9, 40), step)

    def test_nobody_scribes_a_hundred_thousand_marks(self):
        with pytest.raises(QuantityError, match="marks on one edge; take a longer one"):
            rows_of(shapely.box(-9, 28, 9, 40), 1e-4)

    @pytest.mark.parametrize("name", ["marks.txt", "marks", "csv"])
    def test_a_files_kind_is_in_its_name(self, name):
        with pytest.raises(QuantityError, match=r"ends in none of \.csv, \.json, \.pdf"):
            scribe_format(name)


class TestFiles:
    ROWS = rows_of(
        arched(26, 28, 40, 2.0), 1.0, engine(deck_height_mm=80.0), doubt=TRACED, edges=("roof", "floor")
    )

    def test_csv_reads_back(self):
        found = list(csv.DictReader(io.StringIO(scribe_csv(self.ROWS))))
        assert tuple(found[0]) == COLUMNS
        assert len(found) == len(self.ROWS)
        for line, row in zip(found, self.ROWS, strict=True):
            assert float(line["height_mm"]) == pytest.approx(row.height_mm, abs=1e-6)
            assert float(line["piston_deg"] or "nan") == pytest.approx(
                math.nan if row.piston_deg is None else row.piston_deg, abs=1e-6, nan_ok=True
            )

    def test_json_reads_back(self):
        content = json.loads(scribe_bytes("json", self.ROWS, "saw", "proposed", basis=("rod assumed",)))
        assert content["rows"] == json.loads(json.dumps(scribe_document(self.ROWS)))
        assert (content["job"], content["stage"], content["basis"]) == ("saw", "proposed", ["rod assumed"])

    def test_the_pdf_says_the_same_on_as_many_pages_as_it_needs(self):
        import pypdfium2

        many = rows_of(arched(26, 28, 40, 2.0), 0.2, engine(deck_height_mm=80.0), doubt=TRACED)
        pages = pypdfium2.PdfDocument(scribe_pdf(many, "saw", "proposed", basis=("rod assumed",)))
        texts = [page.get_textpage().get_text_bounded() for page in pages]
        assert len(texts) >= 3
        assert all("piston" in text for text in texts[:3])
        assert "left end" in texts[0]
        assert f"{many[40].height_mm:.2f}" in texts[0]
        assert "rod assumed" in "".join(texts)
        assert "Eyes" in texts[-1]

    def test_the_same_marks_give_the_same_bytes(self):
        for kind in ("csv", "json", "pdf"):
            assert scribe_bytes(kind, self.ROWS, "saw", "stock") == scribe_bytes(
                kind, self.ROWS, "saw", "stock"
            )


class TestLaws:
    @given(width=st.floats(4, 28), rise=st.floats(0.1, 5), x=st.floats(-60, 60), step=st.floats(0.3, 4))
    @settings(max_examples=40, deadline=None)
    def test_marks_lie_on_the_outline(self, width, rise, x, step):
        shape = translate(arched(width, 28, 40, rise, corners=80), x, 0)
        for row in rows_of(shape, step, edges=("roof", "floor")):
            away = shapely.distance(shape.exterior, shapely.Point(row.x_mm, row.height_mm))
            assert away == pytest.approx(0, abs=1e-9)

    @given(width=st.floats(4, 28), rise=st.floats(0.1, 5), step=st.floats(0.3, 4), x=st.floats(-20, 20))
    @settings(max_examples=40, deadline=None)
    def test_a_mirrored_window_has_mirrored_marks(self, width, rise, step, x):
        shape = translate(arched(width, 28, 40, rise, corners=80), x, 0)
        here, there = rows_of(shape, step), rows_of(scale(shape, -1, 1, origin=(0, 0)), step)
        assert [-row.x_mm for row in reversed(there)] == pytest.approx([row.x_mm for row in here], abs=1e-9)
        assert [row.height_mm for row in reversed(there)] == pytest.approx(
            [row.height_mm for row in here], abs=1e-9
        )

    @given(depth=st.floats(0.5, 31.5), gasket=st.floats(0, 1))
    @settings(max_examples=40, deadline=None)
    def test_set_to_the_degree_the_piston_stands_at_the_mark(self, depth, gasket):
        """Depth from the angle by the law of cosines, not by portmap's own crank."""
        on = engine(base_gasket_mm=gasket)
        row = rows_of(shapely.box(-5, 20, 5, 61 - gasket - depth), 5.0, on)[0]
        turn = math.radians(row.piston_deg)
        stands = 16 + 58 - 16 * math.cos(turn) - math.sqrt(58**2 - (16 * math.sin(turn)) ** 2)
        assert stands == pytest.approx(row.below_crown_mm, abs=1e-9)
