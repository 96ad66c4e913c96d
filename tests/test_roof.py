"""Proposed edges: their shapes against tables of circles, their heights against crank identities."""

import math

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from scipy.integrate import quad

from portmap.crank import Crank
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.port import PortMap, Window, WindowDoubt, mirrored_window, turned_window, window_polygon
from portmap.roof import RoofEdit, edited_map, edited_window, metal_to_take, proposed_map, roof_ends
from portmap.roof_metal import height_at, taking
from portmap.roof_typed import area_at_of, time_area_of, width_of, window_numbers
from portmap.roof_wish import RoofWish, height_that_opens, wall_top, wished_edit
from portmap.timing import blowdown_deg, port_timing
from tests.gallery import BORE_MM, ENGINE, HALF_TURN_MM, WINDOWS, box, port

SAGITTA_MM = 5e-5  # arcs are polylines that stay this near: two thirds of it times their length in area
HEIGHT_MM = 1e-9
TURN_MM = math.pi * BORE_MM


def stock_map(*ports) -> PortMap:
    return PortMap(stage="stock", ports=ports)


def sample() -> PortMap:
    side = box(20, 28, 32, 36)
    return stock_map(
        port(box(-14, 28, 14, 40), name="exhaust"),
        port(side, mirrored_window(side), name="main", kind="transfer"),
        port(box(60, 8, 84, 17), name="intake", kind="intake", control="skirt"),
    )


def taken(old: Window, **edit) -> float:
    return metal_to_take(old, edited_window(old, RoofEdit(port="p", **edit), BORE_MM)).area


# --- shapes against tables ---

# Machinery's Handbook, segments of circles, R = 1 (values from memory, each checked by its formula):
# angle [deg], height, chord, area
SEGMENTS = [(60, 0.1340, 1.0000, 0.0906), (90, 0.2929, 1.4142, 0.2854), (120, 0.5000, 1.7321, 0.6142)]
LAST_DIGIT = 0.5e-4


@pytest.mark.parametrize(("angle", "height", "chord", "area"), SEGMENTS, ids=lambda value: f"{value:g}")
def test_an_arched_roof_is_a_segment_of_a_circle(angle, height, chord, area):
    radius = 10.0
    half, rise = radius * math.sin(math.radians(angle / 2)), radius * (1 - math.cos(math.radians(angle / 2)))
    assert rise / radius == pytest.approx(height, abs=LAST_DIGIT)
    assert 2 * half / radius == pytest.approx(chord, abs=LAST_DIGIT)
    got = taken(box(-half, 28, half, 38), family="arched", height_mm=38 + rise, rise_mm=rise)
    assert got / radius**2 == pytest.approx(area, abs=LAST_DIGIT)
    turn = math.radians(angle)
    assert got == pytest.approx(radius**2 / 2 * (turn - math.sin(turn)), abs=SAGITTA_MM * radius * turn)


def test_an_arched_roof_across_seventy_percent_of_a_bore():
    # bore 54, chord 37.8: sagitta 7.718143 and segment 200.837682 (formula, worked outside)
    old = Window(outline=shapely.box(-18.9, 28, 18.9, 36))
    new = edited_window(
        old, RoofEdit(port="p", family="arched", height_mm=36 + 7.718143, rise_mm=7.718143), 54.0
    )
    assert metal_to_take(old, new).area == pytest.approx(200.837682, abs=SAGITTA_MM * 41.9)


@pytest.mark.parametrize("radius", [0.5, 2.0, 6.0])
def test_round_corners_leave_what_a_quarter_circle_leaves_of_a_square(radius):
    got = taken(box(-7, 28, 7, 38), family="flat", height_mm=38 + radius, radius_mm=radius)
    assert got == pytest.approx(
        14 * radius - 2 * (1 - math.pi / 4) * radius**2, abs=SAGITTA_MM * math.pi * radius
    )


@pytest.mark.parametrize("rise", [0.4, 1.5, 5.0])
def test_round_corners_of_an_arch_touch_arch_and_side(rise):
    radius, half = 1.5, 10.0
    old = box(-half, 28, half, 38)
    edit = RoofEdit(port="p", family="arched", height_mm=46, rise_mm=rise, radius_mm=radius)
    corner = np.asarray(edited_window(old, edit, BORE_MM).outline.exterior.coords)
    bow = (half**2 + rise**2) / (2 * rise)
    middle = (half - radius, 46 - bow + math.sqrt((bow - radius) ** 2 - (half - radius) ** 2))
    # every corner on the right, above the round's centre, lies on the round or on the arch
    right = corner[(corner[:, 0] > 0) & (corner[:, 1] > middle[1] - 1e-9)]
    off_round = np.abs(np.hypot(*(right - middle).T) - radius)
    off_arch = np.abs(np.hypot(right[:, 0], right[:, 1] - (46 - bow)) - bow)
    assert np.minimum(off_round, off_arch).max() < 1e-9
    assert right[:, 0].max() == pytest.approx(half, abs=1e-9)


def test_a_moved_roof_keeps_its_shape_and_its_sides():
    old = WINDOWS["slanted"]
    assert roof_ends(old) == (-13, 9)
    new = edited_window(old, RoofEdit(port="p", by_mm=0.8), BORE_MM)
    expected = window_polygon([[-10, 27.5], [12, 29], [9, 41], [9, 41.8], [-13, 38.8], [-13, 38]])
    assert new.outline.symmetric_difference(expected).area < 1e-9


@pytest.mark.parametrize("name", ["plain", "slanted", "bridged", "arched", "across the wrap", "smooth"])
def test_a_moved_roof_takes_its_width_times_the_way(name):
    old = WINDOWS[name]
    left, right = roof_ends(old)
    assert taken(old, by_mm=0.7) == pytest.approx(0.7 * (right - left), rel=1e-9)


def test_a_traced_side_stays_a_side_and_a_round_corner_belongs_to_the_roof():
    # round corners of 3 mm between upright sides: all of the round moves, the sides stay
    old = Window(outline=shapely.box(-7, 31, 7, 35).buffer(3.0, quad_segs=64))
    left, right = roof_ends(old)
    assert (left, right) == (pytest.approx(-10, abs=0.005), pytest.approx(10, abs=0.005))
    new = edited_window(old, RoofEdit(port="p", by_mm=1.0), BORE_MM)
    expected = shapely.box(-7, 31, 7, 36).buffer(3.0, quad_segs=64)
    assert new.outline.hausdorff_distance(expected) < 0.02


def test_a_blended_roof_is_mirrored_with_its_window():
    right = box(20, 28, 32, 36)
    edit = RoofEdit(port="p", family="blended", height_mm=38, drop_mm=1.5)
    new = edited_window(right, edit, BORE_MM)
    assert new.outline.symmetric_difference(
        window_polygon([[20, 28], [32, 28], [32, 36.5], [20, 38]])
    ).area == pytest.approx(0, abs=1e-9)
    other = edited_window(mirrored_window(right), edit, BORE_MM)
    assert other.outline.symmetric_difference(mirrored_window(new).outline).area < 1e-9


def test_a_step_passes_half_a_wave_from_one_height_to_the_other():
    edit = RoofEdit(port="p", family="blended", height_mm=38, drop_mm=-1.0, step_mm=4.0)
    old = box(20, 28, 32, 36)
    metal = metal_to_take(old, edited_window(old, edit, BORE_MM))
    # low at the exhaust's side: 1 mm to x 24, then ½(1 − cos), 2 mm from x 28
    assert_allclose(height_at(metal, [22, 25, 26, 27, 30]), [1, 1.146447, 1.5, 1.853553, 2], atol=1e-4)
    assert metal.area == pytest.approx(12 * 1.5, rel=1e-5)


def test_a_tilted_roof_with_round_corners_still_reaches_its_height():
    edit = RoofEdit(port="p", family="blended", height_mm=38, drop_mm=1.5, radius_mm=1.5)
    assert edited_window(box(20, 28, 32, 36), edit, BORE_MM).outline.bounds[3] == pytest.approx(38, abs=1e-4)


def test_a_floor_is_a_roof_upside_down():
    old = WINDOWS["slanted"]
    flipped = Window(outline=shapely.transform(old.outline, lambda p: p * [-1, -1] + [0, 60]))
    roof = edited_window(flipped, RoofEdit(port="p", family="flat", height_mm=33.5, radius_mm=1), BORE_MM)
    floor = edited_window(
        old, RoofEdit(port="p", edge="floor", family="flat", height_mm=26.5, radius_mm=1), BORE_MM
    )
    back = shapely.transform(roof.outline, lambda p: p * [-1, -1] + [0, 60])
    assert back.symmetric_difference(floor.outline).area < 1e-9


@pytest.mark.parametrize("family", ["moved", "flat"])
def test_wider_sides_come_to_the_width_asked(family):
    new = edited_window(
        WINDOWS["arched"], RoofEdit(port="p", edge="sides", family=family, width_mm=28), BORE_MM
    )
    top = WINDOWS["arched"].outline.bounds[3]
    assert new.outline.bounds == pytest.approx((-14, 28, 14, top), abs=1e-9)


# REFERENCE: chord c over bore B to arc over B, worked outside
@pytest.mark.parametrize(("chord", "arc"), [(62, 0.668743), (65, 0.707584), (70, 0.775397), (75, 0.848062)])
def test_a_chord_asked_for_is_an_arc_on_the_wall(chord, arc):
    width = width_of(f"chord {chord} %", 54.0)
    assert width / 54 == pytest.approx(arc, abs=0.5e-6)
    new = edited_window(box(-14, 28, 14, 40), RoofEdit(port="p", edge="sides", width_mm=width), 54.0)
    left, _, right, _ = new.outline.bounds
    assert 54 * math.sin((right - left) / 54) == pytest.approx(0.54 * chord)


def test_islands_and_bridges_stay():
    old = WINDOWS["bridged"]
    edit = RoofEdit(port="p", family="arched", height_mm=42, rise_mm=1)
    new = edited_window(old, edit, BORE_MM)
    assert shapely.equals(
        shapely.Polygon(new.outline.interiors[0]), shapely.Polygon(old.outline.interiors[0])
    )
    two = port(box(-15, 28, -1.5, 40), box(1.5, 28, 15, 40))
    arched = RoofEdit(port="p", family="arched", height_mm=42, rise_mm=1.5, as_one=True)
    left, right = edited_map(stock_map(two), arched, BORE_MM)[0].ports[0].windows
    assert left.outline.bounds[2] == -1.5
    assert right.outline.bounds[0] == 1.5
    # one circle over both: outer ends 1.5 mm below the crown that the bridge has taken out of the middle
    assert max(left.outline.bounds[3], right.outline.bounds[3]) == pytest.approx(42, abs=1e-9)
    bow = (15**2 + 1.5**2) / 3
    top = np.asarray(right.outline.exterior.coords)
    top = top[top[:, 1] > 40.1]
    crown = 42 + bow - math.sqrt(bow**2 - 1.5**2)
    assert_allclose(np.hypot(top[:, 0], top[:, 1] - (crown - bow)), bow, atol=1e-6)


def test_wider_as_one_moves_the_outer_sides_alone():
    two = port(box(-15, 28, -1.5, 40), box(1.5, 28, 15, 40))
    edit = RoofEdit(port="p", edge="sides", width_mm=32, as_one=True)
    left, right = edited_map(stock_map(two), edit, BORE_MM)[0].ports[0].windows
    assert left.outline.bounds == (-16, 28, -1.5, 40)
    assert right.outline.bounds == (1.5, 28, 16, 40)


def test_windows_of_one_port_keep_their_stagger_when_moved():
    two = port(box(20, 28, 26, 36), box(28, 28, 34, 35), kind="transfer")
    new, _ = edited_map(stock_map(two), RoofEdit(port="p", height_mm=37), BORE_MM)
    assert [window.outline.bounds[3] for window in new.ports[0].windows] == [37, 36]


# --- heights against the crank ---


@pytest.mark.parametrize(("throw", "rod", "depth"), [(3, 5, 4), (7, 25, 8), (5, 13, 6)])
def test_at_ninety_degrees_a_pythagorean_crank_stands_at_a_whole_depth(throw, rod, depth):
    scale = 18 / throw
    crank = Crank(stroke_mm=36, rod_mm=scale * rod)
    engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, base_gasket_mm=0.4)
    exhaust = port(box(-14, 20, 14, 25))
    height = height_that_opens(engine, exhaust, 90)
    assert height == pytest.approx(60.6 - scale * depth, abs=HEIGHT_MM)
    new = edited_window(exhaust.windows[0], RoofEdit(port="p", family="flat", height_mm=height), 46.0)
    assert port_timing(engine, port(new)).openings[0].opens_deg == pytest.approx(90, abs=1e-9)


# bore 54 × stroke 54.5, rod 110 mm: drop from TDC by the slider-crank formula, worked outside to 0.0001 mm
@pytest.mark.parametrize(("angle", "depth"), [(80, 25.8418), (82, 26.8188), (90, 30.6787), (120, 43.4363)])
def test_height_that_opens_at_a_degree(angle, depth):
    engine = Engine(bore_mm=54, crank=Crank(stroke_mm=54.5, rod_mm=110), crown_height_mm=80)
    assert height_that_opens(engine, port(box(0, 20, 10, 30)), angle) == pytest.approx(80 - depth, abs=0.5e-4)


def test_a_skirt_opens_before_tdc_and_by_the_floor():
    intake = sample().ports[2]
    assert height_that_opens(ENGINE, intake, 74) == height_that_opens(ENGINE, intake, 286)
    edit = wished_edit(
        ENGINE,
        sample(),
        RoofEdit(port="intake", edge="floor", height_mm=8),
        RoofWish(kind="opens", value=height_to_open_earlier(intake)),
    )
    new, _ = edited_map(sample(), edit, BORE_MM)
    opening = port_timing(ENGINE, new.ports[2]).openings[0]
    assert 360 - opening.opens_deg == pytest.approx(height_to_open_earlier(intake), abs=1e-9)


def height_to_open_earlier(intake) -> float:
    return 360 - port_timing(ENGINE, intake).openings[0].opens_deg + 3


# --- solved wishes against quadrature that shares nothing with ours ---


def drop(angle_deg: float) -> float:
    """Slider-crank, Heywood (1988) eq. 2.5, written here anew."""
    a, rod, turn = ENGINE.crank.stroke_mm / 2, ENGINE.crank.rod_mm, math.radians(angle_deg)
    return rod + a - a * math.cos(turn) - math.sqrt(rod**2 - (a * math.sin(turn)) ** 2)


def clipped(windows, angle_deg: float) -> float:
    crown = ENGINE.crown_height_mm - ENGINE.base_gasket_mm - drop(angle_deg)
    return sum(
        shapely.intersection(window.outline, shapely.box(-100, crown, 100, 100)).area for window in windows
    )


def by_quadrature(windows, begin: float, end: float) -> float:
    value, _ = quad(lambda angle: clipped(windows, angle), begin, end, limit=200, epsabs=1e-3, epsrel=1e-7)
    return value


QUAD = 1e-5  # relative: its own stated error, over kinks


@pytest.mark.parametrize(
    "draft",
    [
        {"family": "moved"},
        {"family": "flat", "radius_mm": 2.0},
        {"family": "arched", "rise_mm": 1.0, "radius_mm": 1.5},
    ],
    ids=lambda draft: draft["family"],
)
def test_a_time_area_solved_for_is_there(draft):
    edit = wished_edit(
        ENGINE,
        sample(),
        RoofEdit(port="exhaust", height_mm=40, **draft),
        RoofWish(kind="time-area", value=0.72, rpm=9000),
    )
    exhaust = edited_map(sample(), edit, BORE_MM)[0].ports[0]
    opening = port_timing(ENGINE, exhaust).openings[0]
    total = 2 * by_quadrature(exhaust.windows, opening.opens_deg, 180)
    assert total / (6 * 9000) == pytest.approx(0.72, rel=QUAD)


def test_a_blowdown_time_area_solved_for_is_there():
    edit = wished_edit(
        ENGINE,
        sample(),
        RoofEdit(port="exhaust", family="flat", height_mm=40, radius_mm=2),
        RoofWish(kind="blowdown time-area", value=0.03, rpm=9000),
    )
    new = edited_map(sample(), edit, BORE_MM)[0]
    opens = port_timing(ENGINE, new.ports[0]).openings[0].opens_deg
    span = blowdown_deg(ENGINE, new)
    assert by_quadrature(new.ports[0].windows, opens, opens + span) / 54_000 == pytest.approx(0.03, rel=QUAD)


def test_an_area_at_a_degree_solved_for_is_there():
    edit = wished_edit(
        ENGINE,
        sample(),
        RoofEdit(port="exhaust", family="arched", height_mm=40, rise_mm=1),
        RoofWish(kind="area at", value=130, at_deg=110),
    )
    windows = edited_map(sample(), edit, BORE_MM)[0].ports[0].windows
    assert clipped(windows, 110) == pytest.approx(130, rel=1e-8)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (RoofWish(kind="time-area", value=0.2), r"0.2 mm²·s .* it has 0.6363 .* cannot be put back"),
        (RoofWish(kind="time-area", value=9.0), r"the nearest is 3.196.*just short of the crown edge at TDC"),
        (RoofWish(kind="area at", value=1.0, at_deg=170), "out of reach"),
        (RoofWish(kind="area at", value=50.0, at_deg=0), "0 mm² of opened wall area at 0°, does not change"),
        (RoofWish(kind="opens", value=200), "not on the piston's way down"),
        (RoofWish(kind="by", value=-1), "no metal is taken"),
    ],
    ids=["less than it has", "more than the wall has", "an area less", "shut at TDC", "after BDC", "down"],
)
def test_out_of_reach_names_the_nearest_and_why(wish, words):
    with pytest.raises(GeometryError, match=words):
        wished_edit(ENGINE, sample(), RoofEdit(port="exhaust", height_mm=40), wish)


def test_out_of_reach_by_the_shape_says_what_the_shape_gives():
    arch = RoofEdit(port="p", family="flat", height_mm=40)
    with pytest.raises(GeometryError, match="as soon as this shape is cut"):
        wished_edit(
            ENGINE,
            stock_map(port(WINDOWS["arched"])),
            arch,
            RoofWish(kind="area at", value=113.0, at_deg=120),
        )


# --- what is refused ---

REFUSED = {
    "under the old roof": ({"family": "flat", "height_mm": 39.5}, "0.500 mm under the old one at 40.000 mm"),
    "above the old floor": ({"edge": "floor", "height_mm": 28.2}, "0.200 mm above the old one at 28.000 mm"),
    "narrower": ({"edge": "sides", "width_mm": 27.0}, "1.000 mm less than the old one"),
    "nothing to take": ({"family": "flat", "height_mm": 40.0}, "nothing is left to take"),
    "round beyond half the width": (
        {"family": "flat", "height_mm": 41, "radius_mm": 14.5},
        "larger than the window allows: 14.00 mm, half its width",
    ),
    "round beyond the height": (
        {"family": "flat", "height_mm": 41, "radius_mm": 13.5},
        "larger than the window allows: 13.00 mm, its height",
    ),
    "arched beyond half a circle": (
        {"family": "arched", "height_mm": 56, "rise_mm": 15},
        "cannot be arched by 15 mm",
    ),
    "two heights astride the exhaust": (
        {"family": "blended", "height_mm": 41, "drop_mm": 1},
        "neither end of this window is the nearer",
    ),
    "into the neighbour": ({"edge": "sides", "width_mm": 42.0}, "would meet window 0 of port main.* 6.00 mm"),
    "above TDC": ({"height_mm": 60.7}, "the crown edge at TDC is at 60.600 mm; stay below"),
    "no such port": ({"port": "exhuast", "by_mm": 1.0}, "no port 'exhuast'; the map has exhaust, main"),
    "no such window": ({"windows": (1,), "by_mm": 1.0}, "has no window 1; it has window 0 alone"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name):
    fields, words = REFUSED[name]
    edit = RoofEdit(**{"port": "exhaust", **fields})
    with pytest.raises(GeometryError, match=words):
        edited_map(sample(), edit, BORE_MM, top=wall_top(ENGINE))


SENSELESS = {
    "arched without a rise": ({"family": "arched", "height_mm": 41}, "rise_mm: an arched edge needs a rise"),
    "blended without two heights": ({"family": "blended", "height_mm": 41}, "drop_mm: .* two heights"),
    "a flat one by a length": ({"family": "flat", "by_mm": 1}, "by_mm: only a moved roof"),
    "no height at all": ({}, "height_mm: a roof needs a height or a distance"),
    "a height and a length": ({"by_mm": 1, "height_mm": 41}, "needs a height or a distance, one of them"),
    "downward": ({"by_mm": -0.5}, "none can be put back"),
    "not a number": ({"height_mm": math.nan}, "height_mm: nan is not a length"),
    "arched sides": ({"edge": "sides", "family": "arched", "width_mm": 20}, "sides cannot be arched"),
    "sides without a width": ({"edge": "sides"}, "wider sides need a width"),
    "a moved one with corners": ({"by_mm": 1, "radius_mm": 2}, "radius_mm: a moved edge keeps its corners"),
    "the same window twice": ({"by_mm": 1, "windows": (0, 0)}, "windows: a window stands there twice"),
    "a step in a flat one": ({"family": "flat", "height_mm": 41, "step_mm": 2}, "has one height"),
}


@pytest.mark.parametrize("name", SENSELESS)
def test_edits_that_make_no_sense(name):
    fields, words = SENSELESS[name]
    with pytest.raises(GeometryError, match=words):
        RoofEdit(port="p", **fields)


def test_neighbours_are_seen_across_the_wrap():
    right = box(HALF_TURN_MM - 10, 28, HALF_TURN_MM - 1, 36)
    left = box(-HALF_TURN_MM + 1, 28, -HALF_TURN_MM + 10, 36)
    both = stock_map(port(right, name="a", kind="transfer"), port(left, name="b", kind="transfer"))
    with pytest.raises(GeometryError, match=r"meet window 0 of port b: the metal between them, 2.00 mm"):
        edited_map(both, RoofEdit(port="a", edge="sides", width_mm=14), BORE_MM)
    edited_map(both, RoofEdit(port="a", edge="sides", width_mm=12), BORE_MM)


def test_a_window_cannot_reach_round_the_bore():
    with pytest.raises(GeometryError, match="quarter turn"):
        edited_window(box(-14, 28, 14, 40), RoofEdit(port="p", edge="sides", width_mm=73), BORE_MM)


def test_an_edit_changes_nothing_but_its_windows_wherever_they_lie():
    old = WINDOWS["across the wrap"]
    edit = RoofEdit(port="p", family="flat", height_mm=35, radius_mm=1)
    here = edited_window(old, edit, BORE_MM)
    there = edited_window(turned_window(old, -TURN_MM), edit, BORE_MM)
    assert turned_window(there, TURN_MM).outline.symmetric_difference(here.outline).area < 1e-9
    stock = sample()
    new, _ = edited_map(stock, RoofEdit(port="main", windows=(1,), by_mm=0.5), BORE_MM)
    assert new.ports[0] is stock.ports[0]
    assert new.ports[1].windows[0] is stock.ports[1].windows[0]
    assert new.ports[1].windows[1].outline.bounds[3] == 36.5


# --- maps, doubts, metal ---


def test_edits_go_one_after_another_and_name_the_one_at_fault():
    edits = [RoofEdit(port="exhaust", by_mm=0.5), RoofEdit(port="exhaust", family="flat", height_mm=41)]
    new = proposed_map(sample(), edits, BORE_MM)
    assert new.stage == "proposed"
    assert new.ports[0].windows[0].outline.bounds[3] == 41
    with pytest.raises(GeometryError, match=r"edits\[1\].height_mm: the roof at 40.200 mm"):
        proposed_map(sample(), [edits[0], RoofEdit(port="exhaust", height_mm=40.2)], BORE_MM)


def test_an_old_roof_that_stands_out_stays_and_is_said():
    edit = RoofEdit(port="exhaust", family="arched", height_mm=40.4, rise_mm=1)
    new, notices = edited_map(sample(), edit, BORE_MM)
    assert [notice.code for notice in notices] == ["old-edge-stays"]
    # from the old corner to a circle of radius (14² + 1²)/2 about (0, 40.4 − 98.5): 0.594 mm
    assert "0.59 mm" in notices[0].message
    assert new.ports[0].windows[0].outline.covers(sample().ports[0].windows[0].outline)
    _, none = edited_map(
        sample(), RoofEdit(port="exhaust", family="arched", height_mm=41, rise_mm=1), BORE_MM
    )
    assert not none


def test_a_floor_that_passes_the_base_face_is_said():
    _, notices = edited_map(sample(), RoofEdit(port="intake", edge="floor", by_mm=8.5), BORE_MM)
    assert [notice.message for notice in notices] == [
        "Port intake: window 0 would reach 0.50 mm below the base face."
    ]


DOUBT = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.012, wall_area_u_mm2=0.2, edge_u_mm=0.02)


@pytest.mark.parametrize(
    ("edit", "roof_u", "floor_u"),
    [
        (RoofEdit(port="p", height_mm=41), 0.0, 0.012),
        (RoofEdit(port="p", by_mm=1), 0.01, 0.012),
        (RoofEdit(port="p", edge="floor", height_mm=27), 0.01, 0.0),
        (RoofEdit(port="p", edge="sides", width_mm=30), 0.01, 0.012),
    ],
    ids=["a stated height", "measured off from the old roof", "a floor", "sides"],
)
def test_a_drawn_edge_has_no_doubt_of_its_own(edit, roof_u, floor_u):
    doubt = edited_window(Window(outline=shapely.box(-14, 28, 14, 40), doubt=DOUBT), edit, BORE_MM).doubt
    assert (doubt.roof_u_mm, doubt.floor_u_mm) == (roof_u, floor_u)
    assert (doubt.wall_area_u_mm2, doubt.edge_u_mm) == (0.2, 0.02)


def test_metal_to_take_by_hand():
    old, new = (
        box(-14, 28, 14, 40),
        Window(outline=shapely.Polygon([[-14, 28], [14, 28], [14, 41], [-14, 43]])),
    )
    found = taking(old, new, wall_mm=4.0)
    assert found.area_mm2 == pytest.approx(56)
    assert found.volume_mm3 == pytest.approx(224)
    assert found.deepest_mm == pytest.approx(3)
    assert found.deepest_at_mm == pytest.approx((-14, 43))
    assert dict(found.heights_mm)[0.0] == pytest.approx(2)
    assert dict(found.heights_mm)[7.0] == pytest.approx(1.5)
    assert taking(old, old) is None
    with pytest.raises(GeometryError, match="wall_mm: -1 mm is not a length"):
        taking(old, new, wall_mm=-1)


def test_heights_leave_gaps_and_islands_out():
    ring = shapely.Polygon(shapely.box(0, 0, 10, 10).exterior, [shapely.box(4, 4, 6, 6).exterior])
    assert_allclose(height_at(ring, [2.0, 5.0, 11.0]), [10, 8, 0])
    assert_allclose(height_at(shapely.union(ring, shapely.box(0, 12, 10, 13)), [5.0]), [9])


# --- what is typed ---


@pytest.mark.parametrize(
    ("read", "words"),
    [
        (lambda: width_of("70 %", 54), "does not say whether it is chord or arc"),
        (lambda: width_of("chord 101 %", 54), "is not a width of a window"),
        (lambda: width_of("chord wide", 54), "wide"),
        (lambda: area_at_of("110", where="--area-at"), "--area-at: '110' is not an angle and an area"),
        (lambda: time_area_of("0.5 mm2", 53), "is not a time-area"),
        (lambda: time_area_of("-1", 53), "is not a time-area"),
        (lambda: window_numbers(["a"], where="--window"), "--window: 'a' is not a window's number"),
    ],
)
def test_typed_nonsense_is_refused(read, words):
    with pytest.raises(QuantityError, match=words):
        read()


def test_typed_sizes_are_read():
    assert width_of("arc 33 mm", 46) == 33
    assert width_of("Chord 62,5 % of bore", 54) == pytest.approx(54 * math.asin(0.625))
    assert time_area_of("0.55 mm²·s", 53) == 0.55
    assert area_at_of("110 deg 0.2 in2")[1] == pytest.approx(129.032)  # 1 in = 25.4 mm exactly
    assert window_numbers(["0,1", "1"]) == (0, 1)
