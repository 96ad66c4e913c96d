"""Windows from SVG, DXF and CSV drawings, against areas and heights that plane geometry gives."""

import io
import math
from collections.abc import Callable
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from portmap.errors import GeometryError, PictureError, PortmapError, QuantityError
from portmap.picture import drawn
from portmap.picture.drawn import drawn_windows
from portmap.picture.traced import Trace

TOLERANCE_MM = 0.01  # between a curve and its chords, the default
ROUNDING_MM = 1e-6  # of coordinates written with few digits and turned through mm
INCH_MM = 25.4  # exact: international yard and pound agreement, 1959
PARSER_SHARE = 1e-6  # svgelements takes a mm for 0.0393701 inch, which is 5e-7 too much
PAGE = 'width="100mm" height="60mm" viewBox="0 0 100 60"'
FUZZED = 200  # files of each format

Saver = Callable[[str, bytes | str], Path]


@pytest.fixture
def saved(tmp_path: Path) -> Saver:
    def save(name: str, content: bytes | str) -> Path:
        place = tmp_path / name
        place.write_bytes(content.encode() if isinstance(content, str) else content)
        return place

    return save


def svg(body: str, page: str = PAGE) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" {page}>{body}</svg>'


def path(d: str, more: str = "") -> str:
    return f'<path d="{d}" {more}/>'


def dxf(draw: Callable[..., object], insunits: int = 4, version: str = "R2000") -> bytes:
    document = ezdxf.new(version)
    document.header["$INSUNITS"] = insunits  # 1 inch, 4 mm: Autodesk's DXF reference, header variables
    draw(document.modelspace())
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def only(trace: Trace):
    assert [w.number for w in trace.windows] == [1]
    return trace.windows[0]


def chord_area_mm2(length_mm: float) -> float:
    """Greatest area between curves of that length and chords within the tolerance of them."""
    return length_mm * TOLERANCE_MM


def box_is(window, bounds: tuple[float, float, float, float], tolerance_mm: float = ROUNDING_MM):
    np.testing.assert_allclose(window.window.outline.bounds, bounds, rtol=0, atol=tolerance_mm)
    assert (window.floor_mm, window.roof_mm) == pytest.approx((bounds[1], bounds[3]), abs=tolerance_mm)


# Areas from plane geometry: a parabola's segment holds two thirds of its triangle (Archimedes); the cubic
# 0,0 0,h w,h w,0 holds the integral of 3·h·t(1 − t) · 6·w·t(1 − t) = 0.6·w·h; a
# rounded corner lacks (1 − π/4)·r².
SVG_AREAS = {
    "lines": (path("M10 10 H30 V20 H10 Z"), 200.0, 0.0),
    "relative lines": (path("m10 10 h20 v10 h-20 z"), 200.0, 0.0),
    "quadratic": (path("M10 30 Q25 0 40 30 Z"), 2 / 3 * 450, 50.0),
    "cubic": (path("M10 40 C10 20 40 20 40 40 Z"), 0.6 * 30 * 20, 60.0),
    "smooth cubics": (path("M10 30 C10 20 30 20 30 30 C30 40 10 40 10 30 Z"), 2 * 0.6 * 20 * 10, 60.0),
    "half disc by arc": (path("M10 30 A10 10 0 0 1 30 30 Z"), math.pi * 50, math.pi * 10),
    "disc by large arcs": (
        path("M10 30 A10 10 0 1 1 30 30 A10 10 0 1 1 10 30 Z"),
        math.pi * 100,
        math.pi * 20,
    ),
    "half ellipse turned": (
        path("M50 20 A15 5 90 0 1 50 50 Z"),
        math.pi * 15 * 5 / 2,
        60.0,
    ),
    "circle": ('<circle cx="40" cy="30" r="12"/>', math.pi * 144, math.pi * 24),
    "ellipse": ('<ellipse cx="40" cy="30" rx="20" ry="8"/>', math.pi * 160, math.pi * 40),
    "rounded rectangle": (
        '<rect x="20" y="20" width="30" height="20" rx="4" ry="4"/>',
        600 - (4 - math.pi) * 16,
        math.pi * 8,
    ),
    "polygon": ('<polygon points="10,10 30,10 30,40"/>', 300.0, 0.0),
}


@pytest.mark.parametrize(("body", "area_mm2", "curve_mm"), SVG_AREAS.values(), ids=SVG_AREAS)
def test_svg_shapes_have_their_areas(saved, body, area_mm2, curve_mm):
    window = only(drawn_windows(saved("a.svg", svg(body))))
    assert window.area_mm2 == pytest.approx(area_mm2, abs=chord_area_mm2(curve_mm) + ROUNDING_MM)


@pytest.mark.parametrize("tolerance_mm", [0.1, 0.01, 0.001])
def test_chords_stay_within_the_tolerance_of_a_circle(saved, tolerance_mm):
    place = saved("a.svg", svg('<circle cx="40" cy="30" r="12"/>'))
    window = only(drawn_windows(place, tolerance_mm=tolerance_mm))
    ring = np.asarray(window.window.outline.exterior.coords)
    middles = (ring[1:] + ring[:-1]) / 2
    distance = np.hypot(*(np.vstack([ring, middles]) - [40.0, 30.0]).T)
    assert np.abs(distance - 12.0).max() <= tolerance_mm


PAGES = {
    "a unit is 1 mm": (PAGE, 1.0, 60.0),
    "tenths of a mm": ('width="10mm" height="6mm" viewBox="0 0 100 60"', 0.1, 6.0),
    "cm": ('width="20cm" height="12cm" viewBox="0 0 100 60"', 2.0, 120.0),
    "inch": ('width="4in" height="2in" viewBox="0 0 100 50"', 4 * INCH_MM / 100, 2 * INCH_MM),
    "points, 72 an inch": ('width="144pt" height="72pt" viewBox="0 0 100 50"', 2 * INCH_MM / 100, INCH_MM),
    "picas, 6 an inch": ('width="12pc" height="6pc" viewBox="0 0 100 50"', 2 * INCH_MM / 100, INCH_MM),
}


# CSS Values and Units 3, 5.2: 1 in = 2.54 cm = 25.4 mm = 6 pc = 72 pt
@pytest.mark.parametrize(("page", "unit_mm", "height_mm"), PAGES.values(), ids=PAGES)
def test_the_page_width_gives_the_unit_and_y_is_turned_up(saved, page, unit_mm, height_mm):
    trace = drawn_windows(saved("a.svg", svg(path("M10 10 H40 V35 H10 Z"), page)), min_area_mm2=0.01)
    assert trace.source["mm_per_unit"] == pytest.approx(unit_mm, rel=1e-9)
    low, high = height_mm - 35 * unit_mm, height_mm - 10 * unit_mm
    box_is(only(trace), (10 * unit_mm, low, 40 * unit_mm, high), 1e-4 * unit_mm)


def test_without_a_view_box_a_unit_is_a_css_pixel(saved):
    """SVG 1.1, 7.2: the user unit is then one px, 1/96 inch, whatever unit the width is given in."""
    page = 'width="101.6mm" height="50.8mm"'
    trace = drawn_windows(saved("a.svg", svg(path("M96 96 h96 v48 h-96 Z"), page)))
    box_is(only(trace), (INCH_MM, INCH_MM / 2, 2 * INCH_MM, INCH_MM), PARSER_SHARE * 2 * INCH_MM)


def test_a_view_box_with_its_own_origin_keeps_it(saved):
    page = 'width="100mm" height="60mm" viewBox="-50 -60 100 60"'
    trace = drawn_windows(saved("a.svg", svg(path("M-10 -38 H10 V-30 H-10 Z"), page)))
    box_is(only(trace), (-10.0, 30.0, 10.0, 38.0))
    assert [n.message for n in trace.notices] == ["x = 0 and y = 0 are at the page's own origin."]


def test_a_given_unit_stands_above_the_page(saved):
    page = 'width="300px" height="200px" viewBox="0 0 300 200"'
    place = saved("a.svg", svg(path("M10 10 H30 V20 H10 Z"), page))
    with pytest.raises(QuantityError, match=r"a\.svg: does not say how large it is in mm .*'300px'.*--unit"):
        drawn_windows(place)
    trace = drawn_windows(place, mm_per_unit=0.5)
    box_is(only(trace), (5.0, 90.0, 15.0, 95.0))
    assert trace.source["mm_per_unit"] == 0.5


RECT = '<rect x="0" y="0" width="20" height="10" {}/>'
TRANSFORMS = {
    "translate": (RECT.format('transform="translate(10 5)"'), (10, 45, 30, 55)),
    "scale": (RECT.format('transform="scale(2 3)"'), (0, 30, 40, 60)),
    "rotate about a point": (RECT.format('transform="rotate(90 20 10)"'), (20, 50, 30, 70)),
    "mirror": (RECT.format('transform="translate(50 0) scale(-1 1)"'), (30, 50, 50, 60)),
    "matrix": (RECT.format('transform="matrix(0 1 1 0 7 3)"'), (7, 37, 17, 57)),
    "groups, the outer last": (
        f'<g transform="translate(10 0)"><g transform="scale(2)">{RECT.format("")}</g></g>',
        (10, 40, 50, 60),
    ),
    "used again": (
        f'<defs>{RECT.format(chr(105) + "d=" + chr(34) + "r" + chr(34))}</defs><use href="#r" x="5" y="5"/>',
        (5, 45, 25, 55),
    ),
}


# SVG 1.1, 7.5 and 7.6: the product of a group's and its child's matrix, worked by hand for each rectangle
@pytest.mark.parametrize(("body", "bounds"), TRANSFORMS.values(), ids=TRANSFORMS)
def test_svg_transforms_are_followed(saved, body, bounds):
    box_is(only(drawn_windows(saved("a.svg", svg(body)))), bounds)


BULGED = [(0, 30, 0), (20, 30, 1), (20, 40, 0), (0, 40, 0)]  # bulge = tan(angle / 4): 1 is a half circle
SPLINE = [(0, 40, 0), (0, 60, 0), (30, 60, 0), (30, 40, 0)]  # one Bézier span: the cubic above
DXF_SHAPES = {
    "bulge, a half disc": (
        lambda m: m.add_lwpolyline(BULGED, format="xyb", close=True),
        200 + math.pi * 25 / 2,
        (0, 30, 25, 40),
        math.pi * 5,
    ),
    "circle": (lambda m: m.add_circle((5, 40), 8), math.pi * 64, (-3, 32, 13, 48), math.pi * 16),
    "ellipse": (
        lambda m: m.add_ellipse((5, 40), (10, 0), 0.5),
        math.pi * 50,
        (-5, 35, 15, 45),
        math.pi * 20,
    ),
    "spline and line": (
        lambda m: (m.add_open_spline(SPLINE, degree=3), m.add_line((0, 40), (30, 40))),
        0.6 * 30 * 20,
        (0, 40, 30, 55),
        60.0,
    ),
    "arc and lines": (
        lambda m: (
            m.add_arc((10, 40), 10, 0, 180),
            m.add_line((0, 40), (0, 30)),
            m.add_line((20, 30), (0, 30)),
            m.add_line((20, 30), (20, 40)),
        ),
        200 + math.pi * 50,
        (0, 30, 20, 50),
        math.pi * 10,
    ),
}


@pytest.mark.parametrize("version", ["R2000", "R2018"])
@pytest.mark.parametrize(("draw", "area_mm2", "bounds", "curve_mm"), DXF_SHAPES.values(), ids=DXF_SHAPES)
def test_dxf_shapes_have_their_areas(saved, draw, area_mm2, bounds, curve_mm, version):
    window = only(drawn_windows(saved("a.dxf", dxf(draw, version=version))))
    assert window.area_mm2 == pytest.approx(area_mm2, abs=chord_area_mm2(curve_mm) + ROUNDING_MM)
    box_is(window, bounds, TOLERANCE_MM)


@pytest.mark.parametrize(
    ("insunits", "given", "unit_mm"),
    [
        pytest.param(1, None, INCH_MM, id="inch"),
        pytest.param(4, None, 1.0, id="mm"),
        pytest.param(5, None, 10.0, id="cm"),
        pytest.param(1, 1.0, 1.0, id="given above what it says"),
        pytest.param(0, 2.0, 2.0, id="given where it says nothing"),
    ],
)
def test_insunits_scale_a_dxf(saved, insunits, given, unit_mm):
    square = dxf(lambda m: m.add_lwpolyline([(1, 1), (3, 1), (3, 2), (1, 2)], close=True), insunits)
    trace = drawn_windows(saved("a.dxf", square), mm_per_unit=given)
    box_is(only(trace), (unit_mm, unit_mm, 3 * unit_mm, 2 * unit_mm))
    assert trace.source["mm_per_unit"] == pytest.approx(unit_mm, rel=1e-9)


def test_a_dxf_without_unit_is_asked_for_it(saved):
    place = saved("a.dxf", dxf(lambda m: m.add_circle((0, 40), 8), 0))
    with pytest.raises(QuantityError, match=r"a\.dxf: does not say its unit \(\$INSUNITS\).*--unit"):
        drawn_windows(place)


def test_a_block_is_followed_with_its_scale_and_place(saved):
    document = ezdxf.new("R2000", units=4)
    block = document.blocks.new("w")
    block.add_lwpolyline([(0, 0), (10, 0), (10, 5), (0, 5)], close=True)
    document.modelspace().add_blockref("w", (7, 30), dxfattribs={"xscale": 2, "yscale": 2})
    stream = io.StringIO()
    document.write(stream)
    box_is(only(drawn_windows(saved("a.dxf", stream.getvalue()))), (7, 30, 27, 40))


SQUARE = "0,30\n10,30\n10,38\n0,38\n"
CSV_FILES = {
    "plain": (SQUARE, [80.0]),
    "with a head": ("x_mm,y_mm\n" + SQUARE, [80.0]),
    "head the other way": ("y_mm,x_mm\n30,0\n30,10\n38,10\n38,0\n", [80.0]),
    "closed by a repeated corner": (SQUARE + "0,30\n", [80.0]),
    "byte order mark, CR LF, blank lines": ("\ufeffx_mm,y_mm\r\n\r\n" + SQUARE.replace("\n", "\r\n"), [80.0]),
    "decimal comma": ("0,0;30,5\n10,0;30,5\n10,0;38,0\n0,0;38,0\n", [75.0]),
    "tabs": (SQUARE.replace(",", "\t"), [80.0]),
    "two windows": (
        "x_mm,y_mm,window\n0,30,b\n10,30,b\n10,38,b\n-20,30,a\n-10,30,a\n-10,35,a\n-20,35,a\n",
        [50.0, 40.0],
    ),
    "two windows, rows mixed": (
        "0,30,b\n-20,30,a\n10,30,b\n-10,30,a\n10,38,b\n-10,35,a\n-20,35,a\n",
        [50.0, 40.0],
    ),
}


@pytest.mark.parametrize(("text", "areas_mm2"), CSV_FILES.values(), ids=CSV_FILES)
def test_csv_windows_from_left_to_right(saved, text, areas_mm2):
    trace = drawn_windows(saved("a.csv", text))
    assert [w.area_mm2 for w in trace.windows] == pytest.approx(areas_mm2, rel=1e-12)
    assert [w.number for w in trace.windows] == list(range(1, len(areas_mm2) + 1))


def test_the_three_formats_agree_on_one_window(saved):
    corners = [(-8, 30), (8, 29), (9, 38), (-8, 37)]
    flipped = " ".join(f"{50 + x},{60 - y}" for x, y in corners)
    page = 'width="100mm" height="60mm" viewBox="0 0 100 60"'
    files = [
        saved("a.csv", "\n".join(f"{x},{y}" for x, y in corners)),
        saved("a.dxf", dxf(lambda m: m.add_lwpolyline(corners, close=True))),
        saved("a.svg", svg(f'<polygon transform="translate(-50 0)" points="{flipped}"/>', page)),
    ]
    first, *others = [only(drawn_windows(place)).window.outline for place in files]
    for other in others:
        assert first.symmetric_difference(other).area < ROUNDING_MM * first.length


def test_an_outline_inside_another_is_an_island(saved):
    rings = ["M10 10 H50 V50 H10 Z", "M20 20 H30 V30 H20 Z", "M22 22 H28 V28 H22 Z"]
    trace = drawn_windows(saved("a.svg", svg("".join(path(d) for d in rings))))
    # 1600 less an island of 100; in the island a window of 36
    assert sorted(w.area_mm2 for w in trace.windows) == pytest.approx([36.0, 1500.0], abs=ROUNDING_MM)


def test_edge_doubt_and_curl_reach_the_windows(saved):
    place = saved("a.csv", "0,30\n10,30\n10,38\n0,38\n")
    plain = only(drawn_windows(place))
    assert plain.window.doubt is None
    trace = drawn_windows(place, edge_u_mm=0.1, bore_mm=46.0, sheet_thickness_mm=0.1)
    window = only(trace)
    assert window.area_mm2 == pytest.approx(80 * 23 / 22.95, rel=1e-12)
    assert (window.roof_mm, window.floor_mm) == (38.0, 30.0)
    assert window.window.doubt is not None
    assert (window.window.doubt.roof_u_mm, window.window.doubt.floor_u_mm) == (0.1, 0.1)
    assert trace.source["wall_x_factor"] == pytest.approx(23 / 22.95)


@pytest.mark.parametrize(
    ("gap_mm", "limit_mm", "joined"),
    [(0.0, 0.5, True), (0.4, 0.5, True), (0.6, 0.5, False), (0.6, 1.0, True)],
)
def test_pieces_are_joined_over_small_gaps_only(saved, gap_mm, limit_mm, joined):
    place = saved("a.svg", svg(path("M10 10 H30 V20") + path(f"M10 {10 + gap_mm} V20 H30")))
    if joined:
        area = only(drawn_windows(place, close_gap_mm=limit_mm)).area_mm2
        assert area == pytest.approx(200.0, abs=10 * gap_mm + ROUNDING_MM)
    else:
        with pytest.raises(PictureError, match=r"a\.svg: an outline is open: 0\.60 mm between .*close it"):
            drawn_windows(place, close_gap_mm=limit_mm)


def test_a_lone_line_is_left_out_and_said(saved):
    trace = drawn_windows(saved("a.svg", svg(path("M10 10 H30 V20 H10 Z") + path("M0 50 H90"))))
    assert only(trace).area_mm2 == pytest.approx(200.0)
    assert "1 straight line that closed no outline was not taken" in trace.notices[-1].message


def test_an_open_outline_says_where(saved):
    draw = dxf(lambda m: m.add_lwpolyline([(0, 30), (10, 30), (10, 38), (0, 38)]))
    said = r"a\.dxf: an outline is open: 8\.00 mm between x 0\.0, y 30\.0 mm and x 0\.0, y 38\.0 mm"
    with pytest.raises(PictureError, match=said):
        drawn_windows(saved("a.dxf", draw))


CROSSING = [(0, 30), (10, 38), (10, 30), (0, 38)]  # its diagonals meet at 5, 34
CROSSED = {
    "a.csv": "\n".join(f"{x},{y}" for x, y in CROSSING),
    "a.dxf": dxf(lambda m: m.add_lwpolyline(CROSSING, close=True)),
    "a.svg": svg(path("M0 30 L10 22 V30 L0 22 Z")),
}


@pytest.mark.parametrize("name", CROSSED)
def test_a_crossing_says_where(saved, name):
    with pytest.raises(
        GeometryError, match=r"outline 1: the outline crosses itself near x 5\.0 mm, y 34\.0 mm"
    ):
        drawn_windows(saved(name, CROSSED[name]))


BOMB = '<!DOCTYPE svg [<!ENTITY a "x"><!ENTITY b "&a;&a;&a;">]>'
REFUSED = {
    "document type": ("a.svg", BOMB + svg("&b;"), "declares a document type or entities"),
    "document type, small letters": ("a.svg", "<!doctype svg>" + svg(""), "declares a document type"),
    "entity": ("a.svg", '<!ENTITY a SYSTEM "file:///etc/hosts">' + svg(""), "declares a document type"),
    "UTF-16": ("a.svg", svg("").encode("utf-16"), "declares a document type or entities.*in UTF-8"),
    "UTF-7 declared": (
        "a.svg",
        '<?xml version="1.0" encoding="utf-7"?>' + svg(""),
        "is not written in UTF-8",
    ),
    "another root": ("a.svg", "<html><body/></html>", "is no SVG; save it again as plain SVG"),
    "no XML": ("a.svg", "hello", "cannot be read as SVG .*save it again"),
    "empty SVG": ("a.svg", "", "cannot be read as SVG"),
    "SVG without shapes": ("a.svg", svg(""), "holds no closed outline as large as a window"),
    "SVG page of no width": (
        "a.svg",
        svg(RECT.format(""), 'width="0mm" height="0mm" viewBox="0 0 1 1"'),
        "has no size",
    ),
    "SVG page unlike its view box": (
        "a.svg",
        svg(RECT.format(""), 'width="100mm" height="60mm" viewBox="0 0 100 100"'),
        "page of other proportions than its view box.*give the page width and height",
    ),
    "SVG out of all bounds": ("a.svg", svg(path("M0 0 H1e6 V1e6 Z")), "outline 1 reaches out of all bounds"),
    "window under 1 mm²": ("a.svg", svg(path("M0 0 h0.9 v0.9 h-0.9 Z")), "no closed outline as large"),
    "no DXF": ("a.dxf", "hello", "cannot be read as DXF .*save it again"),
    "empty DXF": ("a.dxf", "", "is empty; draw each window as one outline"),
    "DXF without curves": ("a.dxf", dxf(lambda m: m.add_text("w")), "holds no closed outline"),
    "empty CSV": ("a.csv", "", "is empty; give a line for each corner: x_mm,y_mm"),
    "CSV of blank lines": ("a.csv", "\n\n,,\n", "is empty"),
    "CSV with a head only": ("a.csv", "x_mm,y_mm\n", "holds no closed outline"),
    "a word for a number": ("a.csv", "0,30\n10,30\n1o,38\n", "'1o' in line 3 is no number"),
    "not a number": ("a.csv", "0,30\n10,nan\n10,38\n", "'nan' in line 2 is no number"),
    "not finite": ("a.csv", "x_mm,y_mm\n0,30\n10,inf\n10,38\n", "'inf' in line 3 is no number"),
    "unknown column": ("a.csv", "x_mm,z_mm\n0,30\n", "the column 'z_mm' is not known; name the columns"),
    "a cell missing": ("a.csv", "0,30\n10\n10,38\n", "line 2 has 1 of 2 columns; complete that line"),
    "two corners": ("a.csv", "0,30,a\n10,30,a\n", "window a has only 2 corners; give at least three"),
    "Latin-1": ("a.csv", "x_mm,y_mm,window\n0,30,\xe4\n".encode("latin-1"), "is not text in UTF-8"),
    "another ending": ("a.pdf", "hello", r"\.pdf is no drawing that is read; give \.svg, \.dxf or \.csv"),
}


@pytest.mark.parametrize(("name", "content", "said"), REFUSED.values(), ids=REFUSED)
def test_what_is_no_drawing_is_refused_in_one_line(saved, name, content, said):
    with pytest.raises(PictureError, match=said) as caught:
        drawn_windows(saved(name, content))
    assert str(caught.value).startswith(name)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["a.svg", "a.dxf", "a.csv"])
def test_a_file_too_large_is_refused_unread(saved, name):
    place = saved(name, "")
    with place.open("r+b") as stream:
        stream.truncate(drawn.SIZE_LIMIT_BYTES + 1)  # sparse: takes no room on the disk
    with pytest.raises(PictureError, match="the file is larger than 32 MiB; save only the windows' outlines"):
        drawn_windows(place)


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(PictureError, match=r"a\.svg: there is no such file; check the name"):
        drawn_windows(tmp_path / "a.svg")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("name", ["mm_per_unit", "tolerance_mm"])
def test_a_length_that_is_none_is_refused(saved, name, value):
    with pytest.raises(QuantityError, match=f"{name}: .* is no length; give one above 0"):
        drawn_windows(saved("a.svg", svg(RECT.format(""))), **{name: value})


def test_too_many_corners_in_a_csv_are_refused(saved):
    with pytest.raises(PictureError, match="has more than 500000 lines; give fewer points"):
        drawn_windows(saved("a.csv", "0,1\n" * 500_001))


def whole_files() -> dict[str, bytes]:
    drawing = ezdxf.new("R12")  # short files, read fast; they have no unit
    drawing.modelspace().add_polyline2d(BULGED, format="xyb", close=True)
    drawing.modelspace().add_circle((50, 40), 8)
    stream = io.StringIO()
    drawing.write(stream)
    body = path("M10 10 C10 0 40 0 40 10 V30 A15 9 0 0 1 10 30 Z", 'transform="rotate(3)"') + RECT.format(
        'rx="2"'
    )
    return {
        "a.svg": svg(body.replace('x="0"', 'x="60"')).encode(),
        "a.dxf": stream.getvalue().encode(),
        "a.csv": CSV_FILES["two windows"][0].encode(),
    }


UNITS = {"a.svg": None, "a.dxf": 1.0, "a.csv": None}


@pytest.mark.parametrize("name", ["a.svg", "a.dxf", "a.csv"])
def test_a_damaged_file_is_read_or_refused(saved, name):
    whole = whole_files()[name]
    assert len(drawn_windows(saved(name, whole), mm_per_unit=UNITS[name]).windows) == 2
    rng = np.random.default_rng(20)
    # in a DXF most bytes are tables: half of the files are hurt where its curves are
    curves = whole.rfind(b"ENTITIES") if name == "a.dxf" else 0
    outcomes = {"read": 0, "refused": 0}
    for turn in range(FUZZED):
        hurt = np.frombuffer(whole, np.uint8).copy()
        places = rng.integers(curves if turn % 2 else 0, len(hurt), rng.integers(1, 4))
        hurt[places] ^= (1 << rng.integers(0, 8, len(places))).astype(np.uint8)
        place = saved(name, hurt.tobytes())
        try:
            windows = drawn_windows(place, mm_per_unit=UNITS[name]).windows
        except PortmapError as error:
            assert "\n" not in str(error)  # noqa: PT017 - either way out is right
            outcomes["refused"] += 1
        else:
            assert all(w.window.outline.is_valid and math.isfinite(w.area_mm2) for w in windows)
            outcomes["read"] += 1
    assert min(outcomes.values()) > 0, outcomes


@pytest.mark.parametrize("name", ["a.svg", "a.dxf", "a.csv"])
def test_a_file_cut_short_is_read_or_refused(saved, name):
    whole = whole_files()[name]
    refused = 0
    for length in np.linspace(0, len(whole) - 20, 25).astype(int):
        try:
            drawn_windows(saved(name, whole[:length]), mm_per_unit=UNITS[name])
        except PortmapError as error:
            assert "\n" not in str(error)  # noqa: PT017 - either way out is right
            refused += 1
    assert refused > 0
