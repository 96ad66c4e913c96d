"""The flat card: what its description promises, and its PDF, SVG and PNG measured from outside."""

import functools
import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pypdfium2
import pytest
import shapely
from PIL import Image
from reportlab.pdfbase.pdfmetrics import stringWidth

from portmap.errors import QuantityError
from portmap.picture.card import (
    BAR_MM,
    MARKER_RANGES,
    FlatCard,
    band_squares,
    card_of_marker,
    corner_places,
    flat_card,
    marker_corners,
    marker_squares,
)
from portmap.picture.card_drawing import card_pdf, card_pixels, card_png, card_svg, png_scale

PAPERS = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "Letter": (279.4, 215.9),
}  # ISO 216; ANSI Y14.1 (from memory)
BAR_TOLERANCE_MM = 0.1  # what the rendered PDF must keep
POINT_MM = 25.4 / 72
cards = pytest.mark.parametrize("paper", list(PAPERS))


def bars(card: FlatCard) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return the two long black rules, across first."""
    long = [r for r in card.rules if not r.blue and np.ptp([r.start_mm, r.end_mm], axis=0).max() > 50]
    assert len(long) == 2
    return [(r.start_mm, r.end_mm) for r in long]


@cards
def test_the_page_is_the_paper_and_all_ink_keeps_clear_of_its_edge(paper):
    card = flat_card(paper)
    assert card.page_mm == PAPERS[paper]
    low = np.array(card.board_mm) + card.origin_page_mm
    high = low + np.array([card.columns, card.rows]) * card.square_mm
    assert low.min() >= 4.0  # printers leave 3 to 4.2 mm bare (common practice, no source)
    assert (np.array(card.page_mm) - high).min() >= 4.0


@cards
def test_there_are_corners_and_room_enough(paper):
    card = flat_card(paper)
    places = corner_places(card)
    x0, y0, x1, y1 = card.free_area_mm
    assert len(places) >= 160
    assert len(np.unique(places.round(6), axis=0)) == len(places)
    assert y0 < 0 < y1
    assert x0 == pytest.approx(-x1)
    assert x1 - x0 >= 190
    assert y1 >= 90


def test_a3_takes_a_strip_from_a_bore_of_100_mm():
    x0, _, x1, _ = flat_card("A3").free_area_mm
    assert x1 - x0 > np.pi * 100


@cards
def test_nothing_but_the_datum_line_enters_the_free_area(paper):
    card = flat_card(paper)
    free = shapely.box(*card.free_area_mm)
    squares = np.array(list(marker_squares(card).values()))
    assert len(squares) > 150
    low = np.array(card.board_mm)
    for x, y in low + squares * card.square_mm:
        assert not free.intersects(shapely.box(x, y, x + card.square_mm, y + card.square_mm))
    crossing = [
        r
        for r in card.rules
        if free.intersects(shapely.LineString([r.start_mm, r.end_mm]).buffer(r.width_mm))
    ]
    assert all(r.blue for r in crossing)
    for rule in crossing:
        level = rule.start_mm[1] == rule.end_mm[1] == 0.0
        tick = rule.start_mm[0] == rule.end_mm[0] == 0.0
        assert level or tick


@cards
def test_words_keep_inside_the_band_and_out_of_the_free_area(paper):
    card = flat_card(paper)
    free = shapely.box(*card.free_area_mm)
    inner = card.square_mm * 3
    low = np.array(card.board_mm) + inner
    high = np.array(card.board_mm) + np.array([card.columns, card.rows]) * card.square_mm - inner
    for caption in card.captions:
        # a tenth wider than Helvetica: room for the fonts that a browser or Pillow takes instead
        width = 1.1 * stringWidth(caption.text, "Helvetica", caption.size_mm / POINT_MM) * POINT_MM
        (x, y), size = caption.place_mm, caption.size_mm
        box = (
            shapely.box(x - 0.75 * size, y, x + 0.22 * size, y + width)
            if caption.upward
            else shapely.box(x, y - 0.22 * size, x + width, y + 0.75 * size)
        )
        assert shapely.box(*low, *high).contains(box), caption.text
        assert not free.intersects(box), caption.text
        for rule in card.rules:
            line = shapely.LineString([rule.start_mm, rule.end_mm]).buffer(rule.width_mm / 2)
            assert not line.intersects(box), (caption.text, rule)


@cards
def test_bars_are_100_mm_over_their_end_strokes(paper):
    card = flat_card(paper)
    for start, end in bars(card):
        assert np.abs(np.subtract(end, start)).max() == pytest.approx(BAR_MM)


def test_every_card_has_numbers_of_its_own():
    taken: list[int] = []
    for low, high in MARKER_RANGES.values():
        taken += range(low, high + 1)
    assert len(taken) == len(set(taken)) <= 1000
    for paper in PAPERS:
        numbers = list(marker_squares(flat_card(paper)))
        assert {card_of_marker(n) for n in numbers} == {f"flat {paper}"}
    assert card_of_marker(975) is None


def test_a_marker_stands_in_the_middle_of_its_white_square():
    card = flat_card("A4")
    for number, (column, row) in marker_squares(card).items():
        assert (column + row) % 2 == 1
        middle = np.array(card.board_mm) + (np.array([column, row]) + 0.5) * card.square_mm
        assert marker_corners(card, number).mean(axis=0) == pytest.approx(middle)


def test_an_unknown_paper_is_refused():
    with pytest.raises(QuantityError, match="take A4, A3 or Letter"):
        flat_card("B5")


# --- drawings, measured from outside ---------------------------------------------------------


@functools.cache
def png_of(paper: str, dpi: float = 250.0) -> bytes:
    return card_png(flat_card(paper), dpi)


def test_the_png_holds_the_pixels_that_are_drawn():
    # the tests' own photos are taken of the pixels; what is printed is the PNG
    with Image.open(io.BytesIO(png_of("A4"))) as image:
        assert (np.asarray(image) == card_pixels(flat_card("A4"), 250.0)).all()


def rendered(pdf: bytes, dpi: float) -> np.ndarray:
    document = pypdfium2.PdfDocument(pdf)
    gray = document[0].render(scale=dpi / 72, grayscale=True).to_numpy()
    document.close()
    return np.asarray(gray).reshape(gray.shape[:2])


def measured_bars(gray: np.ndarray, card: FlatCard, px_per_mm: float) -> list[float]:
    """Return the lengths over the end strokes, from the share of ink along lines just beside the bars."""
    found = []
    for (start, end), axis in zip(bars(card), (0, 1), strict=True):
        # cut through both end strokes 0.9 mm off the bar itself
        off = np.array([0.0, 0.9]) if axis == 0 else np.array([0.9, 0.0])
        ends = []
        for place, sign in ((start, -1), (end, 1)):
            x, y = np.array(place) + off + card.origin_page_mm
            column, row = x * px_per_mm, (card.page_mm[1] - y) * px_per_mm
            reach = int(1.2 * px_per_mm)
            if axis == 0:
                line, first = gray[int(row), int(column) - reach : int(column) + reach], int(column) - reach
            else:
                line, first = gray[int(row) - reach : int(row) + reach, int(column)], int(row) - reach
            ink = 1 - line / 255.0
            # outer side of the stroke: its middle and half its width, both from the ink
            middle = first + 0.5 + (ink * np.arange(len(ink))).sum() / ink.sum()
            outward = sign if axis == 0 else -sign
            ends.append(middle + outward * ink.sum() / 2)
        found.append(abs(ends[1] - ends[0]) / px_per_mm)
    return found


@cards
@pytest.mark.parametrize("dpi", [300, 437])
def test_bars_in_the_rendered_pdf(paper, dpi):
    card = flat_card(paper)
    gray = rendered(card_pdf(card), dpi)
    assert gray.shape == pytest.approx((card.page_mm[1] / 25.4 * dpi, card.page_mm[0] / 25.4 * dpi), abs=1.01)
    assert measured_bars(gray, card, dpi / 25.4) == pytest.approx([BAR_MM, BAR_MM], abs=BAR_TOLERANCE_MM)


@cards
def test_bars_in_the_png(paper):
    card = flat_card(paper)
    image = Image.open(io.BytesIO(png_of(paper)))
    scale = png_scale(card, 250)
    assert image.info["dpi"] == pytest.approx((250, 250), abs=0.013)  # whole pixels per metre
    gray = np.asarray(image.convert("L"))
    assert measured_bars(gray, card, scale["px_per_mm"]) == pytest.approx([BAR_MM, BAR_MM], abs=0.02)


def test_the_png_and_the_rendered_pdf_show_the_same_band():
    card, dpi = flat_card("A4"), 250
    drawn = np.asarray(Image.open(io.BytesIO(png_of("A4"))).convert("L")).astype(float)
    pdf = rendered(card_pdf(card), dpi).astype(float)
    rows, columns = (min(pair) - 4 for pair in zip(drawn.shape, pdf.shape, strict=True))
    edge = int((7 + 3 * 7) / 25.4 * dpi)
    band = np.ones((rows, columns), bool)[2:, 2:]
    band[edge:-edge, edge:-edge] = False

    def difference(down: int, right: int) -> float:
        moved = pdf[2 + down : rows + down, 2 + right : columns + right]
        return float(np.abs(drawn[2:rows, 2:columns] - moved)[band].mean())

    there = difference(0, 0)
    # pdfium shades cut pixels in its own way, but a shift of one pixel must be plainly worse
    assert all(
        there < 0.85 * difference(down, right)
        for down in (-1, 0, 1)
        for right in (-1, 0, 1)
        if (down, right) != (0, 0)
    )
    assert there < 4.0


def test_origin_and_scale_of_the_png_are_those_of_the_blue_lines():
    card = flat_card("Letter")
    scale = png_scale(card, 250)
    pixels = np.asarray(Image.open(io.BytesIO(png_of("Letter")))).astype(float)
    column, row = scale["origin_px"]
    ink = 255 - pixels[:, :, 0]
    down = ink[int(row) - 8 : int(row) + 10, int(column) + 200 : int(column) + 600].mean(axis=1)
    assert (down * np.arange(len(down))).sum() / down.sum() + int(row) - 8 == pytest.approx(row, abs=0.02)
    tick = ink[int(row) + 12 : int(row) + 40, int(column) - 8 : int(column) + 10].mean(axis=0)
    assert (tick * np.arange(len(tick))).sum() / tick.sum() + int(column) - 8 == pytest.approx(
        column, abs=0.02
    )
    assert scale["free_area_mm"] == list(card.free_area_mm)


@cards
def test_the_pdf_is_of_true_size_and_asks_not_to_be_scaled(paper):
    card = flat_card(paper)
    content = card_pdf(card)
    document = pypdfium2.PdfDocument(content)
    assert len(document) == 1
    width, height = document[0].get_size()
    document.close()
    assert (width * POINT_MM, height * POINT_MM) == pytest.approx(card.page_mm, abs=0.01)
    assert re.search(rb"/PrintScaling\s*/None", content)
    assert card_pdf(card) == content  # no date, no chance
    assert b"/Subtype /Image" not in content


@cards
def test_the_svg_is_in_true_millimetres(paper):
    card = flat_card(paper)
    root = ET.fromstring(card_svg(card))  # noqa: S314 - our own drawing
    width, height = card.page_mm
    assert root.get("width") == f"{width:g}mm"
    assert root.get("viewBox") == f"0 0 {width:g} {height:g}"
    rings = [
        np.array([pair.split(",") for pair in re.split("[ML]", ring)[1:]], float)
        for path in root.iter("{http://www.w3.org/2000/svg}path")
        for ring in path.get("d").removesuffix("Z").split("Z")
    ]
    sizes = np.array([np.ptp(ring, axis=0) for ring in rings])
    # the rules of one colour are joined where they meet: a bar with its end strokes is one ring
    for axis in (0, 1):
        assert ((np.abs(sizes[:, axis] - BAR_MM) < 0.01) & (sizes[:, 1 - axis] < 4)).sum() == 1
    squares = (np.abs(sizes - card.square_mm) < 1e-3).all(axis=1).sum()
    markers = (np.abs(sizes - card.marker_mm) < 1e-3).all(axis=1).sum()
    assert markers == len(marker_squares(card))
    assert squares == len(band_squares(card)) - markers
    texts = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts == [caption.text for caption in card.captions]


@pytest.mark.parametrize("dpi", [0.0, 50.0, 5000.0, float("nan"), float("inf")])
def test_a_senseless_resolution_is_refused(dpi):
    with pytest.raises(QuantityError, match="dots per inch; give 100 to 1200"):
        card_png(flat_card("A4"), dpi)
