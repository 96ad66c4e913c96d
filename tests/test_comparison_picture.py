"""The picture and the plot of a comparison, read back: outlines in their places, marks, names, same bytes."""

import io
import re
from xml.etree import ElementTree

import numpy as np
import pypdfium2 as pdfium
import pytest
from PIL import Image

from portmap.compare import Side, compared, compared_degrees
from portmap.comparison_picture import comparison_picture, side_strokes
from portmap.comparison_plot import comparison_plot
from portmap.errors import GeometryError
from portmap.port import PortMap
from portmap.shown import unit_system
from portmap.window import opened_area
from tests.cylinders import BORE_MM, ground, proposed, stock, with_window
from tests.gallery import ENGINE, HALF_TURN_MM, box

SVG = "{http://www.w3.org/2000/svg}"
DRAWN_MM = 0.02  # of wall: digits of an SVG path


def side(port_map: PortMap, **more) -> Side:
    return Side(**{"name": "invented", "port_map": port_map, "bore_mm": BORE_MM, "engine": ENGINE} | more)


@pytest.fixture(scope="module")
def found():
    return compared(side(stock()), side(ground()), wish=proposed())


@pytest.fixture(scope="module")
def drawn(found):
    return {form: comparison_picture(found, form) for form in ("svg", "png")}


@pytest.fixture(scope="module")
def svg(drawn):
    return ElementTree.fromstring(drawn["svg"])  # noqa: S314 - our own file


def points_of(root, name: str) -> list[np.ndarray]:
    """Every path drawn under a name, the wall's first, the enlargements' after it."""
    paths = [
        path.get("d")
        for group in root.iter(f"{SVG}g")
        if group.get("id") == name
        for path in group.iter(f"{SVG}path")
    ]
    return [
        np.array([[float(x), float(y)] for x, y in re.findall(r"[ML] (-?[\d.]+) (-?[\d.]+)", path)])
        for path in paths
        if path
    ]


def wall_scale(root) -> float:
    """Return points of paper for a mm of wall, from the exhaust's own width of 28 mm."""
    (across, *_) = points_of(root, "opening-exhaust")
    return float(np.ptp(across[:, 0])) / 28.0


@pytest.mark.parametrize("name", ["exhaust", "main", "second", "boost"])
def test_openings_lie_on_the_wall_where_the_map_has_them(svg, name):
    scale = wall_scale(svg)
    middle = float(
        np.mean(
            [
                points_of(svg, "opening-exhaust")[0][:, 0].min(),
                points_of(svg, "opening-exhaust")[0][:, 0].max(),
            ]
        )
    )
    port = next(one for one in ground().ports if one.id == name)
    drawn = points_of(svg, f"opening-{name}")[: len(port.windows)]
    for points, window in zip(drawn, port.windows, strict=True):
        left, floor, right, roof = window.outline.bounds
        x = (points[:, 0] - middle) / scale
        assert (x.min(), x.max()) == pytest.approx((left, right), abs=DRAWN_MM)
        assert np.ptp(points[:, 1]) / scale == pytest.approx(roof - floor, abs=DRAWN_MM)


def test_a_window_across_the_back_is_drawn_at_both_ends(svg):
    scale = wall_scale(svg)
    wide = [float(np.ptp(points[:, 0])) / scale for points in points_of(svg, "opening-intake")[:2]]
    assert sorted(wide) == pytest.approx(sorted([HALF_TURN_MM - 62.0, 84.0 - HALF_TURN_MM]), abs=DRAWN_MM)


def test_the_slip_is_hatched_marked_and_named(svg, drawn):
    scale = wall_scale(svg)
    (past, *_) = points_of(svg, "past-exhaust")
    assert np.ptp(past[:, 0]) / scale == pytest.approx(2.0, abs=DRAWN_MM)
    assert np.ptp(past[:, 1]) / scale == pytest.approx(0.4, abs=DRAWN_MM)
    identities = {group.get("id") for group in svg.iter(f"{SVG}g")}
    assert {"mark-1", "mark-2", "to-take-main", "a-exhaust", "b-exhaust", "wish-exhaust"} <= identities
    comments = drawn["svg"].decode()  # matplotlib writes each text beside its letters
    assert "▲1 exhaust: 0.40 mm past the line; roof, at 42.00 mm above base" in comments
    assert (
        "△2 main: 0.35 mm still to take; roof, at 36.60 mm above base, 26.50 mm right of centre" in comments
    )


def test_a_place_at_the_back_is_enlarged_whole():
    roof, at_back = 17.5 + 0.5, HALF_TURN_MM
    slipped = ground().ports[-1].windows[0].outline.union(box(at_back - 2, 15, at_back + 3, roof).outline)
    b = compared(side(ground()), side(with_window(ground(), "intake", 0, slipped)))
    (mine,) = [place for port in b.ports if port.id == "intake" for place in port.gained_places]
    assert mine.right_mm - mine.left_mm == pytest.approx(5.0, abs=1e-6)
    root = ElementTree.fromstring(comparison_picture(b, "svg"))  # noqa: S314 - our own file
    scale = wall_scale(root)
    widths = [float(np.ptp(points[:, 0])) / scale for points in points_of(root, "gained-intake")]
    # cut in two on the wall, 2 and 3 mm; in its enlargement in one piece
    assert sorted(widths[:2]) == pytest.approx([2.0, 3.0], abs=DRAWN_MM)
    assert max(widths[2:]) > 5.0


def test_each_port_carries_its_name_in_every_window(svg):
    names = [group.get("id") for group in svg.iter(f"{SVG}g")]
    for one in ground().ports:
        shown = 2 if one.id == "intake" else len(one.windows)  # the intake is cut in two at the back
        assert names.count(f"name-{one.id}") == shown


def test_lengths_may_be_in_inches(found):
    comments = comparison_picture(found, "svg", units=unit_system("inch")).decode()
    assert "0.0157 in past the line" in comments  # 0.4 mm
    assert "in above base" in comments


def test_two_maps_of_one_stage_are_told_apart_by_the_line():
    same = compared(side(stock()), side(stock()))
    assert [stroke.words for stroke in side_strokes(same)] == ["dotted line", "thin line"]
    assert "invented, stock: dotted line" in comparison_picture(same, "svg").decode()


def test_the_png_is_a_picture_of_some_size_and_not_blank(drawn):
    image = Image.open(io.BytesIO(drawn["png"]))
    assert image.size[0] == pytest.approx(297 / 25.4 * 200, abs=2)
    pixels = np.asarray(image.convert("RGB")).reshape(-1, 3).astype(int)
    # the hue of the exhaust, Okabe and Ito's vermillion #D55E00, is there
    assert (np.abs(pixels - [0xD5, 0x5E, 0x00]).max(axis=1) < 12).sum() > 300


@pytest.mark.parametrize("form", ["svg", "png"])
def test_the_same_comparison_makes_the_same_bytes(found, drawn, form):
    assert comparison_picture(found, form) == drawn[form]


def test_nothing_to_compare_is_drawn_without_complaint():
    empty = PortMap(stage="stock", ports=())
    assert comparison_picture(compared(side(empty), side(empty)), "png")[1:4] == b"PNG"


def test_degrees_alone_have_no_wall():
    with pytest.raises(GeometryError, match="no wall to draw"):
        comparison_picture(compared_degrees(side(stock()), side(stock())), "svg")


def test_the_plot_has_a_line_for_each_port_of_both_maps(found):
    root = ElementTree.fromstring(comparison_plot(found, "svg"))  # noqa: S314 - our own file
    for port in ground().ports:
        (line, *_) = points_of(root, f"b-{port.id}")
        (before, *_) = points_of(root, f"a-{port.id}")
        area, old = (
            opened_area(ENGINE, one, 180.0 if port.kind != "intake" else 0.0)
            for one in (port, next(one for one in stock().ports if one.id == port.id))
        )
        # heights of the lines' tops are as the areas' (y runs down in an SVG, 0 at the foot of each line)
        foot = max(points_of(root, "b-exhaust")[0][:, 1])
        assert (foot - line[:, 1].min()) / (foot - before[:, 1].min()) == pytest.approx(area / old, rel=2e-3)


def test_the_plot_of_other_bores_is_in_shares():
    from dataclasses import replace

    wide = side(stock(), bore_mm=52.0, engine=replace(ENGINE, bore_mm=52.0))
    text = comparison_plot(compared_degrees(side(stock()), wide), "svg").decode()
    assert "% of the port" in text


@pytest.mark.parametrize("form", ["png", "svg", "pdf"])
def test_plots_come_in_each_form_and_the_same_each_time(found, form):
    first = comparison_plot(found, form)
    assert first == comparison_plot(found, form)
    if form == "pdf":
        assert len(pdfium.PdfDocument(first)) == 1
    elif form == "png":
        assert Image.open(io.BytesIO(first)).size[0] > 1000


def test_a_map_alone_has_nothing_to_plot():
    with pytest.raises(GeometryError, match="no timing to plot"):
        comparison_plot(compared(side(stock(), engine=None), side(ground(), engine=None)), "png")
