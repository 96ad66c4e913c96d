"""1:1 sheets read back with other people's readers: pypdfium2 for PDF, svgelements for SVG, ezdxf for DXF."""

import ctypes
import functools
import hashlib
import io
import math
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import ezdxf
import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdf
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from svgelements import SVG, Path

from portmap.errors import GeometryError, Notice, QuantityError
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.picture.sheet_curl import wall_x_factor
from portmap.port import Port, PortMap, Window, mirrored_window, turned_window, wall_area
from portmap.template import gauge_sheet, wall_sheet
from portmap.template_drawing import SheetDrawing
from portmap.template_dxf import DXF_LAYERS, template_dxf
from portmap.template_gauge import gauge_drawings
from portmap.template_lay import Lay, TemplateRecord, lay_on, sheet_x_factor
from portmap.template_pages import PAPERS
from portmap.template_pdf import template_pdf
from portmap.template_strip import wall_strip
from portmap.template_svg import template_svg
from tests.gallery import ENGINE, HALF_TURN_MM, WINDOWS, box, port

BAR_MM, ON_PAPER_MM = 100.0, 0.1  # the sheet's promise: a reader's ruler
AREA = 1e-4  # of an outline, after undoing the curl
DRAWN_MM = 0.002  # what rounding of coordinates in the files may do
POINT_MM = 25.4 / 72
PAPER_MM = 0.1

RIGHT_TRANSFER = Window(outline=shapely.Polygon([[28.2, 27.5], [40.5, 27.5], [39.0, 35.0], [28.6, 34.6]]))
LEFT_TRANSFER = Window(outline=shapely.Polygon([[-41.0, 27.5], [-28.0, 27.5], [-28.5, 36.0], [-40.0, 35.5]]))
RAISED = Window(outline=shapely.affinity.scale(WINDOWS["arched"].outline, 1.0, 1.12, origin=(0.0, 28.0)))


def stock_ports(exhaust: Window = WINDOWS["arched"]) -> tuple[Port, ...]:
    return (
        port(exhaust, name="exhaust"),
        port(RIGHT_TRANSFER, name="main right", kind="transfer"),
        port(LEFT_TRANSFER, name="main left", kind="transfer"),
        port(
            turned_window(box(-12.0, 9.0, 11.0, 21.0), HALF_TURN_MM),
            name="intake",
            kind="intake",
            control="skirt",
        ),
    )


STOCK = PortMap(stage="stock", ports=stock_ports())
PROPOSED = PortMap(stage="proposed", ports=stock_ports(RAISED))
RECORD = TemplateRecord(
    name="sample pump engine (made up)",
    engine=replace(ENGINE, deck_height_mm=65.0),
    port_maps=(STOCK, PROPOSED),
    date="2026-03-14",
    file_sha256="0123456789abcdef" * 4,
)
BRIDGED = replace(
    RECORD,
    port_maps=(PortMap(stage="ground", ports=(port(WINDOWS["bridged"], name="exhaust"),)),),
)
INSIDE = Lay(paper_thickness_mm=PAPER_MM)
OUTSIDE = Lay(side="outside", paper_thickness_mm=PAPER_MM, outside_diameter_mm=54.0)
DECK = replace(INSIDE, datum="deck")
BIG = replace(RECORD, engine=replace(RECORD.engine, bore_mm=96.0))
TALL = replace(BIG, engine=replace(BIG.engine, crown_height_mm=330.0, deck_height_mm=None))


@dataclass(frozen=True, kw_only=True)
class Read:
    """A line read back: points [mm], y up; what it was drawn with."""

    points: np.ndarray
    layer: str
    hue: str = ""
    width_mm: float = 0.0


def pdf_lines(data: bytes, page: int = 0) -> list[Read]:
    """Return the stroked or filled paths of a page; the layer is told by pen, as a reader tells it."""
    found = []
    for thing in pdfium.PdfDocument(data)[page].get_objects(filter=[pdf.FPDF_PAGEOBJ_PATH], max_depth=2):
        mode, stroked, width = ctypes.c_int(), ctypes.c_int(), ctypes.c_float()
        parts = [ctypes.c_uint() for _ in range(4)]
        pdf.FPDFPath_GetDrawMode(thing, mode, stroked)
        pdf.FPDFPageObj_GetStrokeColor(thing, *parts)
        pdf.FPDFPageObj_GetStrokeWidth(thing, width)
        hue = "#" + "".join(f"{part.value:02X}" for part in parts[:3]) if stroked.value else ""
        broad = width.value * POINT_MM
        dashed = pdf.FPDFPageObj_GetDashCount(thing) > 0
        matrix, runs, points = thing.get_matrix(), [], []
        for number in range(pdf.FPDFPath_CountSegments(thing)):
            segment = pdf.FPDFPath_GetPathSegment(thing, number)
            x, y = ctypes.c_float(), ctypes.c_float()
            pdf.FPDFPathSegment_GetPoint(segment, x, y)
            if pdf.FPDFPathSegment_GetType(segment) == pdf.FPDF_SEGMENT_MOVETO and points:
                runs.append(points)
                points = []
            points.append(matrix.on_point(x.value, y.value))
        for run in [*runs, points]:
            stage = next(
                (
                    name
                    for name, stroke in STAGE_STROKES.items()
                    if hue in KIND_COLOURS.values()
                    and abs(stroke.width_mm - broad) < 0.01
                    and bool(stroke.dash_mm) == dashed
                ),
                "",
            )
            found.append(Read(points=np.array(run) * POINT_MM, layer=stage, hue=hue, width_mm=broad))
    return found


def svg_lines(data: bytes) -> list[Read]:
    """Return an SVG's lines in mm, y up from the page's foot."""
    drawing = SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
    height = float(drawing.height)
    found = []
    for group in drawing:
        name = getattr(group, "id", None)
        for thing in group if name else ():
            if not isinstance(thing, Path):
                continue
            for part in thing.as_subpaths():
                points = [(p.end.x, height - p.end.y) for p in part if p.end is not None]
                found.append(Read(points=np.array(points), layer=name, hue=str(thing.stroke.hex).upper()))
    return found


def dxf_lines(data: bytes) -> list[Read]:
    document = ezdxf.read(io.StringIO(data.decode()))
    names = {name: layer for layer, name in DXF_LAYERS.items()}
    return [
        Read(
            points=np.array(line.get_points("xy")),
            layer=names[line.dxf.layer],
            hue=f"#{line.dxf.true_color:06X}",
            width_mm=line.dxf.lineweight / 100,
        )
        for line in document.modelspace().query("LWPOLYLINE")
    ]


def origin_of(lines: list[Read]) -> np.ndarray:
    """Return where the exhaust centre line meets the heavy datum line, as drawn in a PDF."""
    upright = [
        line for line in lines if abs(line.width_mm - 0.25) < 0.01 and np.ptp(line.points[:, 0]) < 1e-3
    ]
    level = [line for line in lines if abs(line.width_mm - 0.5) < 0.01 and np.ptp(line.points[:, 1]) < 1e-3]
    assert len(upright) == 2  # the other one is the seam, at the right
    assert len(level) == 1
    return np.array([min(line.points[0, 0] for line in upright), level[0].points[0, 1]])


@functools.cache
def pdf_of(record: TemplateRecord, lay: Lay, paper: str = "A4", *, tiles: bool = False) -> bytes:
    return template_pdf(wall_sheet(record, lay, paper=paper, tiles=tiles))


def read_back(kind: str, record: TemplateRecord, lay: Lay) -> list[Read]:
    """Return a wall sheet's lines as a reader of the format finds them, in the strip's frame."""
    sheet = wall_sheet(record, lay)
    if kind == "pdf":
        lines = pdf_lines(template_pdf(sheet))
        origin = origin_of(lines)
        datum = record.engine.deck_height_mm if lay.datum == "deck" else 0.0
        return [replace(line, points=line.points - origin + [0.0, datum]) for line in lines]
    if kind == "svg":
        place = sheet.pages[0].pieces[0].place_mm
        return [replace(line, points=line.points - place) for line in svg_lines(template_svg(sheet))]
    return dxf_lines(template_dxf(sheet))


KINDS = ("pdf", "svg", "dxf")
each_kind = pytest.mark.parametrize("kind", KINDS)


def outlines_on_wall(lines: list[Read], stage: str, hue: str, factor: float) -> list[shapely.Polygon]:
    """Return what a stage's lines of a hue enclose, the sheet's curl undone."""
    return [
        shapely.Polygon(line.points / [factor, 1.0])
        for line in lines
        if line.layer == stage and line.hue == hue.upper() and len(line.points) > 2
    ]


# the curl by plane geometry, worked out here and not by the library
CURLS = {"inside": (INSIDE, (23.0 - 0.05) / 23.0), "outside": (OUTSIDE, -(27.0 + 0.05) / 23.0)}


@each_kind
@pytest.mark.parametrize(("lay", "factor"), CURLS.values(), ids=CURLS.keys())
@pytest.mark.parametrize("stage", ["stock", "proposed"])
def test_outlines_are_the_windows_when_the_curl_is_undone(kind, lay, factor, stage):
    lines = read_back(kind, RECORD, lay)
    port_map = STOCK if stage == "stock" else PROPOSED
    for kind_of_port in ("exhaust", "transfer"):
        drawn = outlines_on_wall(lines, stage, KIND_COLOURS[kind_of_port], factor)
        meant = [w.outline for found in port_map.ports if found.kind == kind_of_port for w in found.windows]
        assert len(drawn) == len(meant)
        for truth in meant:
            near = min(drawn, key=lambda shape: shape.hausdorff_distance(truth))
            assert near.area == pytest.approx(truth.area, rel=AREA)
            assert near.hausdorff_distance(truth) < DRAWN_MM


@each_kind
def test_a_window_across_the_seam_is_drawn_in_two_open_parts_of_its_whole_area(kind):
    factor = CURLS["inside"][1]
    lines = read_back(kind, RECORD, INSIDE)
    parts = outlines_on_wall(lines, "stock", KIND_COLOURS["intake"], factor)
    assert len(parts) == 2
    assert sum(part.area for part in parts) == pytest.approx(23.0 * 12.0, rel=AREA)
    edges = sorted([parts[0].bounds[0], parts[1].bounds[0], parts[0].bounds[2], parts[1].bounds[2]])
    assert edges[3] - edges[0] == pytest.approx(2 * HALF_TURN_MM, abs=DRAWN_MM)
    seam = [line for line in lines if line.layer == "stock" and line.hue == KIND_COLOURS["intake"].upper()]
    for line in seam:  # no stroke along the seam
        assert np.linalg.norm(line.points[0] - line.points[-1]) == pytest.approx(12.0, abs=DRAWN_MM)


@each_kind
def test_islands_of_metal_are_drawn_as_rings_of_their_own(kind):
    factor = CURLS["inside"][1]
    rings = outlines_on_wall(read_back(kind, BRIDGED, INSIDE), "ground", KIND_COLOURS["exhaust"], factor)
    areas = sorted(ring.area for ring in rings)
    assert areas == pytest.approx([30.0, 384.0], rel=AREA)


@pytest.mark.parametrize("kind", ["svg", "dxf"])
def test_the_bars_are_100_mm_in_the_drawing(kind):
    bars = [line.points for line in read_back(kind, RECORD, INSIDE) if line.layer == "bars"]
    sizes = sorted(tuple(np.ptp(bar, axis=0).round(4)) for bar in bars)
    assert len(sizes) == 2
    assert sizes[0][1] == pytest.approx(BAR_MM, abs=1e-3)
    assert sizes[1][0] == pytest.approx(BAR_MM, abs=1e-3)


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("paper", list(PAPERS))
def test_the_bars_are_100_mm_as_printed(paper, dpi):
    page = pdfium.PdfDocument(pdf_of(RECORD, INSIDE, paper))[0]
    dark = page.render(scale=dpi / 72, grayscale=True).to_numpy() < 128
    for picture in (dark, dark.T):
        assert longest_run_mm(picture, dpi) == pytest.approx(BAR_MM, abs=ON_PAPER_MM)


def longest_run_mm(dark: np.ndarray, dpi: int) -> float:
    """Return the longest level run of ink that is 1 mm deep: no line of the drawing is."""
    deep = round(1.0 / 25.4 * dpi)
    solid = ndimage.minimum_filter1d(dark.astype(np.uint8), deep, axis=0)
    longest = 0
    for row in solid[solid.sum(axis=1) > 50 / 25.4 * dpi]:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row, [0]]).astype(np.int8)))
        longest = max(longest, int((edges[1::2] - edges[::2]).max()))
    return longest / dpi * 25.4


@pytest.mark.parametrize("side", CURLS)
def test_bent_into_place_each_mark_meets_its_place_of_the_wall(side):
    """The sheet is bent as a sheet bends, and looked at from the axis with head up.

    Somebody in the axis who faces the exhaust along f with u up has r = f × u to the right (right-hand rule);
    x of the bore frame turns toward r. Paper that is read along its own right a with its own up b faces its
    reader along a × b. With b = u, print facing the axis means a × u = −f, so a = r; print facing away means
    a × u = f, so a = −r.
    """
    lay, _ = CURLS[side]
    up, front = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    right = np.cross(front, up)
    facing = -front if side == "inside" else front
    along = np.cross(up, facing)
    assert np.allclose(np.cross(along, up), facing)
    middle_mm = 23.0 - PAPER_MM / 2 if side == "inside" else 27.0 + PAPER_MM / 2
    lines = read_back("pdf", RECORD, lay)
    marks = [
        line.points
        for line in lines
        if line.layer == "stock" and line.hue == KIND_COLOURS["transfer"].upper()
    ]
    met = []
    for window in (RIGHT_TRANSFER, LEFT_TRANSFER):
        for x, y in shapely.get_coordinates(window.outline)[:-1]:
            on_wall = math.cos(x / 23.0) * front + math.sin(x / 23.0) * right + y * up
            bent = [
                math.cos(sx / middle_mm) * front + math.sin(sx / middle_mm) * along + sy * up
                for mark in marks
                for sx, sy in mark
            ]
            met.append(min(float(np.linalg.norm(place - on_wall)) for place in bent))
    assert max(met) < DRAWN_MM / 23.0 + DRAWN_MM


@pytest.mark.parametrize(
    ("lay", "order"), [(INSIDE, ["LEFT", "RIGHT"]), (OUTSIDE, ["RIGHT", "LEFT"])], ids=["inside", "outside"]
)
def test_the_named_sides_stand_where_they_are(lay, order):
    data = pdf_of(RECORD, lay)
    words = pdfium.PdfDocument(data)[0].get_textpage()
    place = {}
    for name in ("LEFT", "RIGHT", "main right", "main left"):
        index, _ = words.search(name, match_case=True).get_next()
        place[name] = words.get_charbox(index)[0] * POINT_MM
    assert sorted(("LEFT", "RIGHT"), key=place.__getitem__) == order
    centre = origin_of(pdf_lines(data))[0]
    assert (place["RIGHT"] > centre) == (place["main right"] > centre)
    assert (place["LEFT"] > centre) == (place["main left"] > centre)
    text = words.get_text_range()
    assert ("print faces the bore axis" if lay is INSIDE else "print faces out") in " ".join(text.split())


def test_the_strip_closes_round_the_bore_and_has_a_tab():
    strip = wall_strip(RECORD, INSIDE)
    # the paper's middle lies on a circle of 46 − 0.1 mm
    assert strip.turn_mm[2] - strip.turn_mm[0] == pytest.approx(math.pi * 45.9, rel=1e-12)
    assert strip.whole_mm[2] - strip.turn_mm[2] == pytest.approx(10.0)
    assert strip.turn_mm[1] == 0.0
    round_it = wall_strip(RECORD, OUTSIDE)
    assert round_it.turn_mm[2] - round_it.turn_mm[0] == pytest.approx(math.pi * 54.1, rel=1e-12)


@given(bore=st.floats(20.0, 150.0), share=st.floats(0.0, 0.0999))
def test_the_curl_undoes_that_of_a_lifted_sheet(bore, share):
    lay = Lay(paper_thickness_mm=share * bore)
    assert sheet_x_factor(bore, lay) * wall_x_factor(bore, share * bore) == pytest.approx(1.0, rel=1e-12)


@given(
    bore=st.floats(30.0, 110.0),
    turn=st.floats(-2.0, 2.0),
    width=st.floats(0.03, 0.6),
    floor=st.floats(-5.0, 40.0),
    side=st.sampled_from(["inside", "outside"]),
)
@settings(max_examples=25, deadline=None)
def test_wherever_a_window_lies_all_of_it_is_drawn_once(bore, turn, width, floor, side):
    half = width * bore / 2
    window = turned_window(box(-half, floor, half, floor + 11.0), turn * math.pi * bore)
    found = port(window, name="w", kind="transfer")
    record = replace(
        RECORD,
        engine=replace(ENGINE, bore_mm=bore),
        port_maps=(PortMap(stage="stock", ports=(found,)),),
    )
    lay = Lay(side=side, outside_diameter_mm=1.2 * bore if side == "outside" else None)
    strip = wall_strip(record, lay)
    drawn = [line for shape in strip.drawing.shapes if shape.layer == "stock" for line in shape.lines]
    area = sum(shapely.Polygon(line).area for line in drawn)
    assert area == pytest.approx(wall_area(found) * abs(sheet_x_factor(bore, lay)), rel=1e-9)
    left, _, right, _ = strip.turn_mm
    assert all(left - 1e-9 <= line[:, 0].min() and line[:, 0].max() <= right + 1e-9 for line in drawn)


@given(shift=st.floats(-70.0, 70.0))
@settings(max_examples=10, deadline=None)
def test_the_outside_of_a_cylinder_is_the_inside_of_its_mirror_image(shift):
    lay = Lay(side="outside", paper_thickness_mm=0.0, outside_diameter_mm=54.0)
    windows = {
        "outside": turned_window(RIGHT_TRANSFER, shift),
        "inside": mirrored_window(turned_window(RIGHT_TRANSFER, shift)),
    }
    drawn = {}
    for side, window in windows.items():
        record = replace(
            RECORD, port_maps=(PortMap(stage="stock", ports=(port(window, name="w", kind="transfer"),)),)
        )
        strip = wall_strip(record, lay if side == "outside" else Lay(paper_thickness_mm=0.0))
        shapes = [shapely.Polygon(s.lines[0]) for s in strip.drawing.shapes if s.layer == "stock"]
        grown = 1.0 if side == "outside" else 54.0 / 46.0
        drawn[side] = shapely.union_all(
            [shapely.affinity.scale(s, grown, 1.0, origin=(0, 0)) for s in shapes]
        )
    assert drawn["outside"].symmetric_difference(drawn["inside"]).area < 1e-6


def test_metal_to_take_is_what_the_proposed_windows_have_beyond_the_stock_ones():
    factor = CURLS["inside"][1]
    sheet = wall_sheet(RECORD, INSIDE)
    hatches = ezdxf.read(io.StringIO(template_dxf(sheet).decode())).modelspace().query("HATCH")
    taken = [
        shapely.Polygon([(x, y) for x, y, _ in path.vertices])
        for hatch in hatches
        if hatch.dxf.layer == "METAL_TO_TAKE"
        for path in hatch.paths
    ]
    more = RAISED.outline.area - WINDOWS["arched"].outline.area
    assert sum(shape.area for shape in taken) == pytest.approx(more * factor, rel=AREA)


def test_the_dxf_is_in_mm_of_release_2010_and_sound():
    document = ezdxf.read(io.StringIO(template_dxf(wall_sheet(RECORD, INSIDE)).decode()))
    assert document.dxfversion == "AC1024"  # the release's own mark, from the DXF reference
    assert document.units == ezdxf.units.MM
    assert not document.audit().errors
    names = {layer.dxf.name for layer in document.layers}
    assert {"STOCK", "PROPOSED", "CUT", "DATUM", "WORDS", "BARS"} <= names
    assert "GROUND" not in names
    dashed = {line.dxf.linetype for line in document.modelspace().query('LWPOLYLINE[layer=="PROPOSED"]')}
    assert all(name.startswith("DASH") for name in dashed)


@each_kind
def test_the_deck_is_the_upper_edge_when_it_is_the_datum(kind):
    lines = read_back(kind, RECORD, DECK)
    drawn = outlines_on_wall(lines, "stock", KIND_COLOURS["exhaust"], CURLS["inside"][1])
    assert drawn[0].bounds[3] == pytest.approx(WINDOWS["arched"].outline.bounds[3], abs=DRAWN_MM)
    strip = wall_strip(RECORD, DECK)
    assert strip.turn_mm[3] == 65.0
    text = pdfium.PdfDocument(pdf_of(RECORD, DECK))[0].get_textpage().get_text_range()
    assert "deck (datum)" in text
    roof = RAISED.outline.bounds[3]
    assert f"{65.0 - roof:.2f}" in text


@pytest.mark.parametrize(
    "words",
    [
        "sample pump engine (made up)",
        "2026-03-14",
        "0123456789ab",
        "stage: stock, proposed",
        "bore 46.00 mm",
        "paper 0.10 mm: x is drawn at 0.99783",
        "measure both bars: 100.0 mm",
        "base face, y 0 (datum)",
        "crown edge at TDC, 60.60",
        "crown edge at BDC, 28.60",
        "metal to take",
        "the left edge lies over it",
        "eye protection and a dust mask",
        "Chamfer every plating edge",
        "licensed practice decides",
        "1:1 wall sheet, page 1 of 1",
        "exhaust",
        "main right",
        "main left",
        "intake",
    ],
)
def test_the_sheet_says(words):
    text = pdfium.PdfDocument(pdf_of(RECORD, INSIDE))[0].get_textpage().get_text_range()
    assert words in " ".join(text.split())


@pytest.mark.parametrize("lay", [INSIDE, OUTSIDE, DECK], ids=["inside", "outside", "from the deck"])
def test_centre_line_and_sides_are_named_wherever_the_sheet_goes(lay):
    text = pdfium.PdfDocument(pdf_of(RECORD, lay))[0].get_textpage().get_text_range()
    assert text.count("exhaust centre") == 2  # on the line, and in what to do
    assert text.count("◀") == text.count("▶") == 1
    assert text.count("seen from the bore axis") == 3


def test_what_nobody_measured_is_said():
    record = replace(
        RECORD,
        engine=replace(ENGINE, assumed=("rod length 57.6 mm, taken as 1.8 × stroke",)),
        notices=(Notice(code="x", message="The lifted sheet's thickness was not given."),),
    )
    text = " ".join(pdfium.PdfDocument(pdf_of(record, INSIDE))[0].get_textpage().get_text_range().split())
    assert "so assumed: rod length 57.6 mm" in text
    assert "The lifted sheet's thickness was not given." in text


MANY = replace(
    RECORD,
    name="A long name that a job may well have. " * 4,
    port_maps=tuple(
        PortMap(
            stage=stage,
            ports=tuple(
                port(
                    box(-70.0 + 12.0 * k, 20.0, -61.0 + 12.0 * k, 31.0 + lift + k % 3),
                    name=f"port number {k}",
                    kind="transfer",
                )
                for k in range(12)
            ),
        )
        for stage, lift in (("stock", 0.0), ("proposed", 0.8), ("ground", 0.7))
    ),
)
SHEETS: dict[str, Callable[[], bytes]] = {
    "wall": lambda: pdf_of(RECORD, INSIDE),
    "outside": lambda: pdf_of(RECORD, OUTSIDE),
    "from the deck": lambda: pdf_of(RECORD, DECK, "Letter"),
    "twelve ports in three stages": lambda: pdf_of(MANY, INSIDE),
    "gauge": lambda: template_pdf(gauge_sheet(RECORD, "exhaust", INSIDE, paper="A4")),
    "gauge from the deck": lambda: template_pdf(gauge_sheet(RECORD, "main right", DECK, paper="A4")),
}


@pytest.mark.parametrize("make", SHEETS.values(), ids=SHEETS.keys())
def test_words_keep_to_the_page_and_out_of_each_other(make):
    page = pdfium.PdfDocument(make())[0]
    width, height = page.get_size()
    words = page.get_textpage()
    boxes = np.array([words.get_charbox(k) for k in range(words.count_chars())])
    inked = boxes[(boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])]
    assert inked.min() > 5 / POINT_MM
    assert inked[:, 2].max() < width - 5 / POINT_MM
    assert inked[:, 3].max() < height - 5 / POINT_MM
    tree = shapely.STRtree([shapely.box(*letter) for letter in inked])
    first, second = tree.query(tree.geometries, predicate="intersects")
    both = shapely.area(shapely.intersection(tree.geometries[first], tree.geometries[second]))
    small = np.minimum(shapely.area(tree.geometries[first]), shapely.area(tree.geometries[second]))
    clash = (first < second) & (both > 0.3 * small)
    assert not clash.any(), [tuple((inked[k] * POINT_MM).round()) for k in first[clash][:5]]


def test_every_port_of_a_crowded_wall_keeps_its_name():
    text = pdfium.PdfDocument(pdf_of(MANY, INSIDE))[0].get_textpage().get_text_range()
    assert all(f"port number {k}" in text for k in range(12))


@pytest.mark.parametrize(
    ("record", "paper"),
    [(BIG, "A4"), (BIG, "Letter"), (TALL, "A4")],
    ids=["wide", "wide on Letter", "tall too"],
)
def test_tiles_cover_the_strip_and_overlap(record, paper):
    sheet = wall_sheet(record, INSIDE, paper=paper, tiles=True)
    windows = [page.pieces[0].window_mm for page in sheet.pages]
    whole = shapely.box(*wall_strip(record, INSIDE).whole_mm)
    assert len(windows) > 1
    assert shapely.union_all([shapely.box(*window) for window in windows]).covers(whole)
    for page in sheet.pages:
        (x, y), window = page.pieces[0].place_mm, page.pieces[0].window_mm
        assert x + window[0] > 8.0
        assert x + window[2] < page.width_mm - 7.0
        assert y + window[1] > 8.0
        assert y + window[3] < page.height_mm - 8.0
    joined = [
        (first, second)
        for k, first in enumerate(windows)
        for second in windows[k + 1 :]
        if shapely.box(*first).intersection(shapely.box(*second)).area > 13.0 * 40.0
    ]
    assert len(joined) >= len(windows) - 1


def crosses(lines: list[Read]) -> np.ndarray:
    """Return the middles of the registration marks: thin rings of 1.5 mm radius."""
    rings = [line.points for line in lines if len(line.points) >= 24 and np.ptp(line.points[:, 0]) < 3.1]
    return np.array([ring[:24].mean(axis=0) for ring in rings if abs(np.ptp(ring[:, 0]) - 3.0) < 0.02])


def test_registration_marks_of_neighbours_coincide_and_so_does_what_is_drawn_round_them():
    data = pdf_of(BIG, INSIDE, tiles=True)
    document = pdfium.PdfDocument(data)
    assert len(document) == 2
    first, second = (crosses(pdf_lines(data, page)) for page in (0, 1))
    assert len(first) == len(second) == 2
    shift = second[0] - first[0]
    assert second[1] - first[1] == pytest.approx(shift, abs=1e-3)
    dpi = 300
    scale = dpi / 25.4
    dark = [page.render(scale=dpi / 72, grayscale=True).to_numpy() < 160 for page in document]
    rows = dark[0].shape[0]
    low, high = sorted(first[:, 1])
    x = first[0, 0]
    parts = []
    for picture, move in zip(dark, (np.zeros(2), shift), strict=True):
        left, top = round((x - 6.0 + move[0]) * scale), rows - round((high + 4.0 + move[1]) * scale)
        parts.append(
            picture[top : top + round((high - low + 8.0) * scale), left : left + round(12.0 * scale)]
        )
    assert parts[0].sum() > 1000
    near = np.ones((5, 5), bool)  # pages are placed to a fraction of a pixel
    for one, other in (parts, parts[::-1]):
        alone = one & ~ndimage.binary_dilation(other, near)
        assert not alone[3:-3, 3:-3].any()  # at the rim the other page's ink may lie just outside


def test_each_tile_has_its_page_number_and_both_bars():
    data = pdf_of(BIG, INSIDE, tiles=True)
    for number, page in enumerate(pdfium.PdfDocument(data)):
        text = " ".join(page.get_textpage().get_text_range().split())
        assert f"page {number + 1} of 2" in text
        assert "Join the pages first" in text
        dark = page.render(scale=300 / 72, grayscale=True).to_numpy() < 128
        assert longest_run_mm(dark, 300) == pytest.approx(BAR_MM, abs=ON_PAPER_MM)
        assert longest_run_mm(dark.T, 300) == pytest.approx(BAR_MM, abs=ON_PAPER_MM)


def test_joins_keep_clear_of_windows_where_they_can():
    sheet = wall_sheet(BIG, INSIDE, paper="A4", tiles=True)
    first, second = (page.pieces[0].window_mm for page in sheet.pages)
    join = (first[2] + second[0]) / 2
    for found in STOCK.ports[:3]:
        left, _, right, _ = found.windows[0].outline.bounds
        assert not left - 1.0 < join < right + 1.0


# Segments of circles, R = 1: an arc of 1.0472 has a chord of 1.0000, one of 1.5708 has 1.4142, one of 2.0944
# has 1.7321 (Machinery's Handbook, segments of circles; from memory, as in the project's reference notes).
# Chord of 0.70 of the bore: arc 0.775397 of the bore (same source, worked).
ARCS = {
    "60°": (1.0472 / 2, 0.5),
    "90°": (1.5708 / 2, 0.70710),
    "120°": (2.0944 / 2, 0.86603),
    "0.70": (0.775397, 0.70),
}


@each_kind
@pytest.mark.parametrize(("arc", "chord"), ARCS.values(), ids=ARCS.keys())
def test_a_flat_gauge_is_as_wide_as_the_chord(kind, arc, chord):
    window = turned_window(box(-arc * 23.0, 28.0, arc * 23.0, 40.0), 31.0)
    record = replace(RECORD, port_maps=(PortMap(stage="stock", ports=(port(window, name="e"),)),))
    sheet = gauge_sheet(record, "e", INSIDE)
    write = {"pdf": template_pdf, "svg": template_svg, "dxf": template_dxf}[kind]
    read = {"pdf": pdf_lines, "svg": svg_lines, "dxf": dxf_lines}[kind]
    (drawn,) = [line.points for line in read(write(sheet)) if line.layer == "stock"]
    # the table's arcs are rounded to 4 digits
    assert np.ptp(drawn[:, 0]) == pytest.approx(chord * 46.0, abs=0.003)
    assert np.ptp(drawn[:, 1]) == pytest.approx(12.0, abs=DRAWN_MM)


def test_a_gauges_area_is_the_chord_area_by_quadrature():
    outline = WINDOWS["arched"].outline
    x = np.linspace(-13.0, 13.0, 200_001)
    corners = shapely.get_coordinates(outline.exterior)
    upper = corners[corners[:, 1] > 36.0]
    order = np.argsort(upper[:, 0], kind="stable")
    roof = np.interp(x, upper[order, 0], upper[order, 1])
    area = np.trapezoid(
        (roof - 28.0) * np.cos(x / 23.0), x
    )  # dA seen square to the middle: × cos of the turn
    drawing, _ = gauge_drawings(replace(RECORD, port_maps=(STOCK,)), "exhaust", INSIDE)[0]
    (shape,) = [shape for shape in drawing.shapes if shape.layer == "stock"]
    assert shapely.Polygon(shape.lines[0]).area == pytest.approx(area, rel=AREA)


def test_a_gauge_is_seen_from_the_axis_whichever_side_its_window_is_on():
    drawing, _ = gauge_drawings(replace(RECORD, port_maps=(STOCK,)), "main right", INSIDE)[0]
    (shape,) = [shape for shape in drawing.shapes if shape.layer == "stock"]
    top = shape.lines[0][np.argmax(shape.lines[0][:, 1])]
    assert top[0] > 0  # the higher corner lies at the greater x, to the right
    assert any("on the right" in words.text for words in drawing.words)


def test_a_port_of_several_windows_has_a_gauge_for_each():
    both = Port(
        id="main", kind="transfer", control="crown", windows=(RIGHT_TRANSFER, mirrored_window(RIGHT_TRANSFER))
    )
    record = replace(RECORD, port_maps=(PortMap(stage="stock", ports=(both,)),))
    drawings = gauge_drawings(record, "main", INSIDE)
    assert len(drawings) == 2
    first, second = (
        shapely.Polygon(next(s for s in drawing.shapes if s.layer == "stock").lines[0])
        for drawing, _ in drawings
    )
    image = shapely.affinity.scale(second, -1.0, 1.0, origin=(0.0, 0.0))
    assert image.hausdorff_distance(first) < 1e-9


def outlier(window: Window) -> TemplateRecord:
    return replace(RECORD, port_maps=(PortMap(stage="stock", ports=(port(window, name="e"),)),))


@pytest.mark.parametrize(
    ("work", "error", "words"),
    [
        (
            lambda: wall_sheet(BIG, INSIDE, paper="A4"),
            QuantityError,
            r"the drawing is 311 × 65 mm, and A4 has room for .*; take A3, or add --tiles",
        ),
        (lambda: wall_sheet(TALL, INSIDE, paper="A4"), QuantityError, "A4 has room for .*; add --tiles"),
        (lambda: wall_sheet(RECORD, INSIDE, paper="A5"), QuantityError, "take A4, A3 or Letter"),
        (
            lambda: lay_on(ENGINE, side="outside"),
            GeometryError,
            "the liner's outside diameter is not known; measure it and give --outside-diameter",
        ),
        (
            lambda: lay_on(ENGINE, side="outside", outside_diameter_mm=45.0),
            QuantityError,
            "45 mm is no outside diameter for a bore of 46 mm; give one above the bore",
        ),
        (
            lambda: lay_on(ENGINE, paper_thickness_mm=5.0),
            QuantityError,
            "5 mm is no thickness for paper in a bore of 46 mm",
        ),
        (lambda: lay_on(ENGINE, paper_thickness_mm=math.nan), QuantityError, "nan mm is no thickness"),
        (
            lambda: lay_on(ENGINE, datum="deck"),
            GeometryError,
            "cylinder.deck_height_mm: the deck's height is not known; measure from the base face",
        ),
        (
            lambda: wall_strip(replace(RECORD, engine=replace(ENGINE, deck_height_mm=35.0)), DECK),
            GeometryError,
            "the deck at 35 mm is not above the highest roof at",
        ),
        (
            lambda: wall_strip(replace(RECORD, port_maps=(PortMap(stage="stock", ports=()),)), INSIDE),
            GeometryError,
            "maps: there is no port to draw",
        ),
        (
            lambda: wall_strip(outlier(box(-80, 20, 80, 30)), INSIDE),
            GeometryError,
            "the window is 160.0 mm wide, more than the bore's 144.5 mm all round",
        ),
        (
            lambda: gauge_sheet(RECORD, "boost", INSIDE),
            GeometryError,
            "there is no port 'boost'; the job has exhaust, intake, main left, main right",
        ),
        (
            lambda: gauge_sheet(outlier(box(-40, 20, 40, 30)), "e", INSIDE),
            GeometryError,
            r"port e.windows\[0\]: the window reaches 40.0 mm from its middle, more than a quarter turn",
        ),
        (lambda: gauge_sheet(RECORD, "exhaust", OUTSIDE), GeometryError, "a flat gauge goes across a window"),
        (
            lambda: template_svg(wall_sheet(BIG, INSIDE, paper="A4", tiles=True)),
            QuantityError,
            "2 pages, but an SVG is one drawing",
        ),
        (
            lambda: template_dxf(wall_sheet(BIG, INSIDE, paper="A4", tiles=True)),
            QuantityError,
            "2 pages, but a DXF is one drawing",
        ),
    ],
    ids=[
        "paper too small",
        "no paper large enough",
        "unknown paper",
        "no outside diameter",
        "outside within",
        "paper too thick",
        "thickness not a number",
        "deck unknown",
        "deck under the roof",
        "no port",
        "window all round",
        "no such port",
        "gauge too wide",
        "gauge outside",
        "tiles in SVG",
        "tiles in DXF",
    ],
)
def test_what_cannot_be_is_said(work, error, words):
    with pytest.raises(error, match=words):
        work()


def test_the_outside_diameter_follows_from_a_known_wall_and_says_so():
    lay, notices = lay_on(replace(ENGINE, wall_thickness_mm=3.5), side="outside")
    assert lay.outside_diameter_mm == pytest.approx(53.0)
    assert [notice.code for notice in notices] == ["outside-worked-out"]


WRITERS: dict[str, Callable[[SheetDrawing], bytes]] = {
    "pdf": template_pdf,
    "svg": template_svg,
    "dxf": template_dxf,
}


def digests() -> str:
    sheet = wall_sheet(RECORD, INSIDE)
    return " ".join(hashlib.sha256(write(sheet)).hexdigest() for write in WRITERS.values())


def test_the_bytes_depend_neither_on_the_day_nor_on_the_process():
    run = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; sys.path.insert(0, '.'); from tests.test_template import *; print(digests())",
        ],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
    )
    assert run.stdout.strip() == digests()


def test_names_cannot_break_the_drawing():
    record = replace(RECORD, name='<g id="x"> & "quotes" \\P {x} %%d\n水')
    sheet = wall_sheet(record, INSIDE)
    assert len(svg_lines(template_svg(sheet))) == len(svg_lines(template_svg(wall_sheet(RECORD, INSIDE))))
    document = ezdxf.read(io.StringIO(template_dxf(sheet).decode()))
    assert not document.audit().errors
