"""The build sheet, read back as a reader of PDF sees it (pypdfium2, an independent implementation)."""

import ctypes
import functools
import hashlib
import math
import os
import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdf
import pytest
import shapely

from portmap.crank import crank_with_guessed_rod
from portmap.engine import Engine
from portmap.errors import Notice, QuantityError
from portmap.look import KIND_COLOURS
from portmap.outline_spread import opening_u_deg
from portmap.port import Port, PortMap, Window, WindowDoubt, window_polygon
from portmap.sheet import MOST_SPEEDS, SheetRecord, sheet_pdf
from portmap.timearea import map_spans, specific_time_area, time_area
from portmap.timing import blowdown_deg, port_timing
from portmap.volume import swept_volume_cm3
from tests.gallery import ENGINE, WINDOWS, box, port

ON_PAPER_MM = 0.1  # the sheet's promise: a reader's ruler
DRAWN_MM = 0.01  # what rounding of coordinates in the file may do
POINT_MM = 25.4 / 72

DOUBT = WindowDoubt(roof_u_mm=0.008, floor_u_mm=0.009, wall_area_u_mm2=0.25, edge_u_mm=0.02)
TRANSFER = [[28.2, 27.5], [40.5, 27.5], [39.0, 35.0], [28.6, 34.6]]


def doubted(window: Window) -> Window:
    return replace(window, doubt=DOUBT)


PORTS = (
    port(doubted(WINDOWS["arched"]), name="exhaust"),
    port(Window(outline=window_polygon(TRANSFER), doubt=DOUBT), name="transfer-right", kind="transfer"),
    port(
        Window(outline=window_polygon([[-x, y] for x, y in TRANSFER]), doubt=DOUBT),
        name="transfer-left",
        kind="transfer",
    ),
    port(doubted(box(61.0, 10.4, 84.0, 22.0)), name="intake", kind="intake", control="skirt"),
)
RECORD = SheetRecord(
    name="sample pump engine (made up)",
    engine=ENGINE,
    port_map=PortMap(stage="stock", ports=PORTS),
    date="2026-03-14",
    file_sha256="0123456789abcdef" * 4,
    notices=(Notice(code="sheet-thickness", message="The lifted sheet's thickness was not given."),),
)


@functools.cache
def sheet_of(record: SheetRecord, **options) -> bytes:
    return sheet_pdf(record, **options)


def page_of(data: bytes) -> pdfium.PdfPage:
    document = pdfium.PdfDocument(data)
    assert len(document) == 1
    return document[0]


def text_of(data: bytes) -> str:
    return page_of(data).get_textpage().get_text_range()


def drawn_lines(data: bytes, hue: str) -> list[np.ndarray]:
    """Return the points [mm of paper] of each path stroked in a hue."""
    wanted = tuple(int(hue[at : at + 2], 16) for at in (1, 3, 5))
    found = []
    for thing in page_of(data).get_objects(filter=[pdf.FPDF_PAGEOBJ_PATH], max_depth=1):
        parts = [ctypes.c_uint() for _ in range(4)]
        pdf.FPDFPageObj_GetStrokeColor(thing, *parts)
        mode, stroked = ctypes.c_int(), ctypes.c_int()
        pdf.FPDFPath_GetDrawMode(thing, mode, stroked)
        if not stroked.value or tuple(part.value for part in parts[:3]) != wanted:
            continue
        points = []
        for number in range(pdf.FPDFPath_CountSegments(thing)):
            x, y = ctypes.c_float(), ctypes.c_float()
            pdf.FPDFPathSegment_GetPoint(pdf.FPDFPath_GetPathSegment(thing, number), x, y)
            points.append((x.value, y.value))
        matrix = thing.get_matrix()
        found.append(np.array([matrix.on_point(*point) for point in points]) * POINT_MM)
    return found


def dark_run_mm(data: bytes, dpi: int = 600) -> float:
    """Return the length of the longest level run of solid black a millimetre high, as printed."""
    picture = page_of(data).render(scale=dpi / 72, grayscale=True).to_numpy()
    deep = round(0.7 / 25.4 * dpi)
    dark = picture < 64
    solid = dark[deep:] & dark[:-deep] & dark[deep // 2 : -deep + deep // 2]
    longest = 0
    for row in solid[solid.sum(axis=1) > 10 / 25.4 * dpi]:
        edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(np.int8)))
        longest = max(longest, int((edges[1::2] - edges[::2]).max()))
    return longest / dpi * 25.4


def scale_of(text: str) -> float:
    left, right = re.search(r"scale ([\d.]+) : ([\d.]+)", text).groups()
    return float(left) / float(right)


def many_ports(count: int) -> tuple[Port, ...]:
    step = math.pi * ENGINE.bore_mm / count
    kinds = ("exhaust", "transfer", "boost", "intake")
    found = []
    for number in range(count):
        kind = kinds[number % 4]
        left, low = -math.pi * 23 + number * step + 0.5, 8.0 if kind == "intake" else 27.0
        window = doubted(box(left, low, left + 0.8 * step, low + 8 + number % 4))
        control = "skirt" if kind == "intake" else "crown"
        found.append(
            replace(
                port(window, name=f"{kind} number {number + 1}", kind=kind, control=control),
                kind_guessed=True,
            )
        )
    return tuple(found)


CROWDED = SheetRecord(
    name="A long name that a job may well have. " * 5,
    engine=replace(
        ENGINE,
        crank=crank_with_guessed_rod(32.0),
        head_volume_cm3=6.1,
        case_volume_cm3=210.0,
        assumed=("rod length 57.6 mm, taken as 1.8 × stroke", "no base gasket"),
    ),
    port_map=PortMap(stage="proposed", ports=many_ports(16)),
    notices=tuple(Notice(code=f"n{k}", message=f"{k} " + "A warning that goes on. " * 12) for k in range(12)),
)
BIG = replace(RECORD, engine=replace(ENGINE, bore_mm=102.0))
EMPTY = replace(RECORD, port_map=PortMap(stage="stock", ports=()))
SIXTEEN_WORDS = {"rpm": tuple(float(speed) for speed in range(5000, 5000 + 1000 * MOST_SPEEDS, 1000))}
CASES = {
    "plain": (RECORD, {}),
    "inch on Letter": (RECORD, {"units": "inch", "paper": "Letter"}),
    "big bore": (BIG, {}),
    "twelve windows": (replace(RECORD, port_map=PortMap(stage="ground", ports=many_ports(12))), {}),
    "crowded on A4": (CROWDED, SIXTEEN_WORDS),
    "crowded on Letter": (CROWDED, {"paper": "Letter", "units": "inch", **SIXTEEN_WORDS}),
    "empty map": (EMPTY, {}),
}
each_case = pytest.mark.parametrize(("record", "options"), CASES.values(), ids=CASES.keys())


@pytest.mark.parametrize(
    ("options", "bar_mm"),
    [({}, 20.0), ({"paper": "Letter"}, 20.0), ({"units": "inch"}, 25.4)],
    ids=["A4", "Letter", "inch"],
)
def test_the_bar_is_as_long_as_it_says_when_printed(options, bar_mm):
    assert dark_run_mm(sheet_of(RECORD, **options)) == pytest.approx(bar_mm, abs=ON_PAPER_MM)


@pytest.mark.parametrize(
    ("record", "options"),
    [(RECORD, {}), (BIG, {}), (RECORD, {"paper": "Letter", "units": "inch"})],
    ids=["bore 46", "bore 102", "Letter in inches"],
)
def test_the_exhaust_is_drawn_true_to_the_stated_scale(record, options):
    data = sheet_of(record, **options)
    scale = scale_of(text_of(data))
    lines = [line for line in drawn_lines(data, KIND_COLOURS["exhaust"]) if len(line) > 3]
    on_paper = shapely.Polygon(min(lines, key=lambda line: np.ptp(line[:, 0])))
    truth = shapely.affinity.scale(WINDOWS["arched"].outline, scale, scale, origin=(0, 0))
    drawn = shapely.affinity.translate(
        on_paper, truth.bounds[0] - on_paper.bounds[0], truth.bounds[1] - on_paper.bounds[1]
    )
    assert drawn.hausdorff_distance(truth) < DRAWN_MM
    assert drawn.area == pytest.approx(truth.area, rel=1e-3)


def test_a_port_across_the_back_is_drawn_in_two_parts_that_fit_together():
    data = sheet_of(RECORD)
    assert scale_of(text_of(data)) == 1.0
    lines = [
        line
        for line in drawn_lines(data, KIND_COLOURS["intake"])
        if len(line) > 3 and np.ptp(line[:, 1]) < 15
    ]
    assert len(lines) == 2
    widths = [float(np.ptp(line[:, 0])) for line in lines]
    assert sum(widths) == pytest.approx(84.0 - 61.0, abs=DRAWN_MM)
    ends = [float(line[:, 0].min()) for line in lines] + [float(line[:, 0].max()) for line in lines]
    assert max(ends) - min(ends) == pytest.approx(math.pi * ENGINE.bore_mm, abs=DRAWN_MM)


def test_every_figure_on_the_sheet_is_the_librarys():
    text = " ".join(text_of(sheet_of(RECORD, rpm=(9000.0,))).split())
    spans, _ = map_spans(ENGINE, RECORD.port_map)
    swept = swept_volume_cm3(ENGINE)
    for found in PORTS:
        timing = port_timing(ENGINE, found)
        u = opening_u_deg(ENGINE, found)
        opens = f"{timing.openings[0].opens_deg:.1f} ± {math.ceil(20 * u) / 10:.1f}"
        assert f"{opens} {timing.openings[0].closes_deg:.1f} {timing.duration_deg:.1f}" in text
        assert f"{max(w.outline.bounds[3] for w in found.windows):.2f} ± 0.02" in text
    for span in spans:
        amount = float(time_area(span.angle_area_mm2_deg, 9000.0))
        assert f"{span.angle_area_mm2_deg:.0f} ±" in text
        assert f"{amount:.4f} {1000 * float(specific_time_area(amount, swept)):.3f}" in text
    assert f"{blowdown_deg(ENGINE, RECORD.port_map):.1f} ±" in text
    assert f"{swept:.2f} cm³" in text


def test_inches_are_those_of_1959():
    # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959): a bore of 46 mm is 1.8110 in
    text = text_of(sheet_of(RECORD, units="inch"))
    assert "1.8110 in" in text
    assert "46.00" not in text
    assert "0.0236 in" in text  # squish of 0.6 mm


@pytest.mark.parametrize(
    "words",
    [
        "2026-03-14",
        "stage: stock",
        "0123456789ab",
        "base face, y 0 (datum)",
        "exhaust centre",
        "quarter turn",
        "back",
        "wall area",
        "chord area",
        "The lifted sheet's thickness was not given.",
        "chamfer every plating edge",
        "Local codes and licensed practice decide.",
        "0.015 mg/m³",  # NIOSH's limit for nickel, read in OSHA's page CH 256200
        "□ assumed",
        "■ measured",
    ],
)
def test_the_sheet_says(words):
    assert words in " ".join(text_of(sheet_of(RECORD)).split())


def test_what_nobody_measured_is_marked_by_word_and_sign():
    text = " ".join(text_of(sheet_of(CROWDED)).split())
    assert "rod length between centres 57.60 mm □ assumed" in text
    assert "base gasket 0.40 mm □ assumed" in text
    assert "stroke 32.00 mm ■ measured" in text
    assert "Nobody measured, so assumed: rod length 57.6 mm, taken as 1.8 × stroke" in text
    assert "boost (guessed), crown" in text


@each_case
def test_words_keep_to_the_page_and_out_of_each_other(record, options):
    page = page_of(sheet_of(record, **options))
    width, height = page.get_size()
    words = page.get_textpage()
    boxes = np.array([words.get_charbox(k) for k in range(words.count_chars())])
    inked = boxes[(boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])]
    assert inked[:, 0].min() > 5 / POINT_MM
    assert inked[:, 2].max() < width - 5 / POINT_MM
    assert inked[:, 1].min() > 5 / POINT_MM
    assert inked[:, 3].max() < height - 5 / POINT_MM
    tree = shapely.STRtree([shapely.box(*letter) for letter in inked])
    first, second = tree.query(tree.geometries, predicate="intersects")
    both = shapely.area(shapely.intersection(tree.geometries[first], tree.geometries[second]))
    small = np.minimum(shapely.area(tree.geometries[first]), shapely.area(tree.geometries[second]))
    clash = (first < second) & (both > 0.3 * small)
    assert not clash.any(), [tuple(inked[k].round()) for k in first[clash][:5]]


@each_case
def test_the_same_record_gives_the_same_bytes(record, options):
    assert sheet_pdf(record, **options) == sheet_of(record, **options)


def test_the_bytes_depend_neither_on_the_day_nor_on_the_process():
    code = (
        "import hashlib, sys; sys.path.insert(0, '.');"
        "from tests.test_sheet import RECORD; from portmap.sheet import sheet_pdf;"
        "print(hashlib.sha256(sheet_pdf(RECORD)).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
    )
    assert run.stdout.strip() == hashlib.sha256(sheet_of(RECORD)).hexdigest()


@pytest.mark.parametrize(
    ("name", "seen"),
    [
        ("Zylinder für die Pumpe, geändert", "Zylinder für die Pumpe, geändert"),
        ("шлифовка цилиндра", "шлифовка цилиндра"),
        ("κύλινδρος θ é", "κύλινδρος θ é"),
        ("水 pump", "▯ pump"),
        ("line\nbreak\tand \x07 bell", "line break and bell"),
    ],
)
def test_names_of_any_script_are_shown_or_boxed(name, seen):
    assert seen in text_of(sheet_of(replace(RECORD, name=name))).splitlines()[0]


def test_a_port_that_never_opens_is_said_so():
    text = text_of(sheet_of(replace(RECORD, engine=replace(ENGINE, crown_height_mm=75.0))))
    assert "never uncovered" in text
    assert "Port exhaust is never uncovered" in " ".join(text.split())
    assert "nan" not in text.lower().replace("nano", "")


def test_a_port_that_cannot_be_timed_says_what_is_missing():
    engine: Engine = replace(ENGINE, skirt_length_mm=None)
    text = " ".join(text_of(sheet_of(replace(RECORD, engine=engine))).split())
    assert "cannot be timed" in text
    assert "measure from the crown edge to the skirt edge" in text


def test_an_empty_map_says_so():
    text = text_of(sheet_of(EMPTY))
    assert text.count("no ports in this map") == 2
    assert "nothing opens" in text


def test_more_ports_than_the_page_holds_are_counted():
    ports = many_ports(20)
    text = text_of(sheet_of(replace(RECORD, port_map=PortMap(stage="stock", ports=ports))))
    assert "and 4 more ports" in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rpm": tuple(range(1000, 20000, 1000))}, f"19 speeds, but the sheet has room for {MOST_SPEEDS}"),
        ({"rpm": (0.0,)}, "a speed must be above 0 rpm"),
        ({"rpm": (math.nan,)}, "a speed must be above 0 rpm"),
        ({"units": "furlong"}, "'furlong' is not a system of units; take mm or inch"),
        ({"paper": "A5"}, "no sheet for paper 'A5'; take A4 or Letter"),
    ],
    ids=["too many speeds", "no speed", "speed not a number", "unknown units", "unknown paper"],
)
def test_what_cannot_be_is_refused(options, words):
    with pytest.raises(QuantityError, match=words):
        sheet_of(RECORD, **options)
