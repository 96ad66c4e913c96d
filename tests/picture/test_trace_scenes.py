"""Windows traced from made-up scaled images with known truth."""

from functools import cache

import numpy as np
import pytest
import shapely
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import PictureError, QuantityError
from portmap.picture.scaled import ScaledImage
from portmap.picture.sheet_curl import wall_x_factor
from portmap.picture.trace import Trace, trace
from tests.impressions import arched, leaning
from tests.picture.flat_scenes import BACKING, Scene

PX_MM = 0.08
HAUSDORFF_MM = 2.0 * PX_MM  # two pixels, the design's aim on clean edges
MEAN_MM = 0.3 * PX_MM  # and three tenths of one
HEIGHT_MM = 0.02  # under a tenth of a degree at most roofs
AREA_SHARE = 0.0015

SHAPES = (
    translate(leaning(11.0, 8.0, lean=-1.0, radius=1.8, slope=0.04), -31.0, 24.0),
    translate(arched(29.0, 11.5, radius=3.5, arch=0.8, narrower=1.0), 0.2, 23.0),
    translate(leaning(11.5, 8.4, lean=0.8, radius=1.8, slope=-0.03), 31.0, 23.8),
)


@cache
def scene(lift: str, *, ruled: bool = False, shaded: bool = False, side: str = "inner") -> ScaledImage:
    made = Scene(mm_per_px=PX_MM)
    if ruled:
        made.rule(pitch=5.0)
    for number, shape in enumerate(SHAPES):
        if lift == "filled":
            made.rub(shape, grain=0.1, seed=number)
        elif lift == "line":
            made.pencil(shape, width=0.5, side=side)
        else:
            made.lay(shape, BACKING)
    if shaded:
        made.shade(across=0.35, spot=0.3)
    return made.image()


def edge_distance(found: Polygon, true: Polygon) -> tuple[float, float]:
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(found.exterior, 0.05)))
    return float(shapely.hausdorff_distance(found.exterior, true.exterior, densify=0.01)), float(
        np.mean(shapely.distance(points, true.exterior))
    )


def check(traced: Trace) -> None:
    assert [window.number for window in traced.windows] == [1, 2, 3]
    for window, true in zip(traced.windows, SHAPES, strict=True):
        far, mean = edge_distance(window.window.outline, true)
        assert far <= HAUSDORFF_MM
        assert mean <= MEAN_MM
        assert window.roof_mm == pytest.approx(true.bounds[3], abs=HEIGHT_MM)
        assert window.floor_mm == pytest.approx(true.bounds[1], abs=HEIGHT_MM)
        assert window.area_mm2 == pytest.approx(true.area, rel=2 * AREA_SHARE)
        assert (window.roof_mm, window.floor_mm) == (
            window.window.outline.bounds[3],
            window.window.outline.bounds[1],
        )
        doubt = window.window.doubt
        assert doubt is not None
        assert 0 < doubt.roof_u_mm < HEIGHT_MM
        assert 0 < doubt.wall_area_u_mm2 < 0.02 * true.area


@pytest.mark.parametrize("shaded", [False, True], ids=["even light", "shadow across"])
@pytest.mark.parametrize("lift", ["filled", "cut"])
def test_dark_and_cut_windows(lift, shaded):
    check(trace(scene(lift, shaded=shaded), lift=lift, expect=3))


@pytest.mark.parametrize("side", ["inner", "middle", "outer"])
def test_a_pencil_line_by_its_stated_side(side):
    check(trace(scene("line", side=side), lift="line", edge=side, expect=3))


def test_ruling_is_no_window_and_moves_none():
    check(trace(scene("line", ruled=True), lift="line", edge="inner", expect=3))


def test_the_wrong_side_of_the_line_is_half_a_line_off():
    right = trace(scene("line", side="inner"), lift="line", edge="inner")
    wrong = trace(scene("line", side="inner"), lift="line", edge="outer")
    for one, other in zip(right.windows, wrong.windows, strict=True):
        assert other.roof_mm - one.roof_mm == pytest.approx(
            0.5, abs=2 * HEIGHT_MM
        )  # the line drawn is 0.5 mm


@pytest.mark.parametrize("lift", ["filled", "line", "cut"])
def test_the_way_of_lifting_is_found_and_said(lift):
    traced = trace(scene(lift))
    assert traced.lift == lift
    assert any("lift" in notice.code for notice in traced.notices)
    assert len(traced.windows) == 3


def test_an_island_is_kept_and_a_gap_in_the_rubbing_filled():
    island, gap = shapely.box(-3.0, 27.0, 0.0, 31.0), shapely.box(6.0, 28.0, 6.8, 28.8)
    made = Scene(mm_per_px=PX_MM)
    made.rub(SHAPES[1].difference(island).difference(gap))
    (window,) = trace(made.image(), lift="filled").windows
    assert len(window.window.outline.interiors) == 1
    assert window.area_mm2 == pytest.approx(SHAPES[1].area - island.area, rel=2 * AREA_SHARE)


def test_keep_and_drop_leave_the_numbers_as_they_were():
    image = scene("filled")
    assert [window.number for window in trace(image, lift="filled", keep=[3]).windows] == [3]
    assert [window.number for window in trace(image, lift="filled", drop=[2]).windows] == [1, 3]


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"expect": 4}, r"3 windows found where 4 were expected \(1: .* mm², 2: .* mm², 3: .* mm²\)"),
        ({"keep": [7]}, "--keep: there is no window 7; the windows are 1 to 3"),
        ({"drop": [1, 2, 3]}, "no window is left"),
        ({"min_area_mm2": 4000.0}, "no window found: the darkest place is .* or lower --min-area"),
    ],
    ids=["more expected", "kept one that is not there", "all dropped", "all too small"],
)
def test_a_wish_that_cannot_be_met_is_said(wish, words):
    with pytest.raises(PictureError, match=words):
        trace(scene("filled"), lift="filled", **wish)


def test_a_bare_sheet_has_no_window():
    with pytest.raises(PictureError, match="no window found: the darkest place is"):
        trace(Scene(mm_per_px=PX_MM).image(), lift="filled")


def test_a_window_at_the_border_is_no_window():
    made = Scene(mm_per_px=PX_MM)
    made.rub(shapely.box(-75, 20, -60, 30))
    with pytest.raises(PictureError, match=r"touches the picture.s border"):
        trace(made.image(), lift="filled")


def test_the_sheet_s_curl_stretches_x_alone():
    image = scene("filled")
    flat, curled = (
        trace(image, lift="filled"),
        trace(image, lift="filled", sheet_thickness_mm=0.1, bore_mm=46.0),
    )
    factor = wall_x_factor(46.0, 0.1)
    assert "sheet-thickness-unknown" in [notice.code for notice in flat.notices]
    assert "sheet-thickness-unknown" not in [notice.code for notice in curled.notices]
    for one, other in zip(flat.windows, curled.windows, strict=True):
        assert other.roof_mm == pytest.approx(one.roof_mm)
        width = [w.window.outline.bounds[2] - w.window.outline.bounds[0] for w in (one, other)]
        assert width[1] / width[0] == pytest.approx(factor, abs=1e-6)
    with pytest.raises(QuantityError):
        trace(image, lift="filled", sheet_thickness_mm=-0.1, bore_mm=46.0)


def test_a_wall_marked_sheet_is_mirrored():
    image = scene("filled")
    as_is, turned = trace(image, lift="filled"), trace(image, lift="filled", marked="wall")
    for one, other in zip(as_is.windows, reversed(turned.windows), strict=True):
        low, high = one.window.outline.bounds[0], one.window.outline.bounds[2]
        # the ring is gone round the other way, which changes where smoothing starts
        assert other.window.outline.bounds[0] == pytest.approx(-high, abs=1e-3)
        assert other.window.outline.bounds[2] == pytest.approx(-low, abs=1e-3)
