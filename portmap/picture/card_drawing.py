"""A card as a printed sheet: PDF, SVG and PNG, all from the one description that the card gives of itself.

Page frame: mm, x right, y up from the lower left corner of the sheet. In the PNG, pixel centres stand at
integers and the sheet's upper left corner at (−0.5, −0.5).

PDF and SVG hold shapes, not pixels. The PDF asks the viewer not to scale it.
"""

from __future__ import annotations

import functools
import io
import math
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import shapely
from numpy.typing import NDArray

from portmap.errors import QuantityError
from portmap.picture.card_print import Caption, Card, CardPrint
from portmap.picture.markers import MODULES, marker_modules

__all__ = ["card_pdf", "card_pixels", "card_png", "card_svg", "png_scale"]

_BLUE = (0.30, 0.55, 0.85)
_LEAST_DPI, _MOST_DPI = 100.0, 1200.0
_POINT_MM = 25.4 / 72
_PATH_MM = 0.2  # breadth of a line to cut or to set by
_PATH_BITS = 4  # of a pixel's fraction, as OpenCV takes them


def _ink(card: CardPrint) -> tuple[list[shapely.Geometry], list[shapely.Geometry]]:
    """Return the black and the blue shapes in the page frame, no two of one colour overlapping by area."""
    origin = np.array(card.origin_page_mm)
    black: list[shapely.Geometry] = []
    for left, low, side in card.squares_mm:
        x, y = origin + np.array([left, low])
        black.append(shapely.box(x, y, x + side, y + side))
    for number, left, top, side in card.markers_mm:
        x, y = origin + np.array([left, top])
        black.append(_marker_shape(number, x, y, side / MODULES))
    lines: dict[bool, list[shapely.Geometry]] = {False: [], True: []}
    for rule in card.rules:
        ends, half = np.sort(np.array([rule.start_mm, rule.end_mm]), axis=0) + origin, rule.width_mm / 2
        along = ends[1] - ends[0] > 0
        low, high = ends[0] - half * ~along, ends[1] + half * ~along
        lines[rule.blue].append(shapely.box(*low, *high))
    ruled = {colour: [shapely.union_all(shapes)] if shapes else [] for colour, shapes in lines.items()}
    return [*black, *ruled[False]], ruled[True]


def _paths(card: CardPrint) -> list[NDArray[np.float64]]:
    return [np.array(path) + card.origin_page_mm for path in card.paths_mm]


def _marker_shape(number: int, x: float, top: float, module: float) -> shapely.Geometry:
    return shapely.transform(_joined_modules(number), lambda p: p * module + np.array([x, top]))


@functools.cache
def _joined_modules(number: int) -> shapely.Geometry:
    # Joined on the whole-number grid, where neighbours share their edges exactly: no hairlines in print.
    rows, columns = np.nonzero(marker_modules(number))
    return shapely.union_all(shapely.box(columns, -rows - 1, columns + 1, -rows))


def _rings(shape: shapely.Geometry) -> list[NDArray[np.float64]]:
    return [
        shapely.get_coordinates(ring)[:-1]
        for polygon in shapely.get_parts(shapely.orient_polygons(shape))
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def card_pdf(card: Card) -> bytes:
    """Return the card as a PDF page of true size.

    Parameters
    ----------
    card : Card
        Flat, ring, strip or board.

    Returns
    -------
    bytes
        The file; the same for the same card, whenever it is made.

    Examples
    --------
    >>> from portmap.picture.card import flat_card
    >>> card_pdf(flat_card("A4"))[:5]
    b'%PDF-'
    """
    from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

    page, stream = card.printed(), io.BytesIO()
    width, height = (side / _POINT_MM for side in page.page_mm)
    canvas = Canvas(stream, pagesize=(width, height), invariant=1, pageCompression=1)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setTitle(page.title)
    canvas.setAuthor("portmap")
    black, blue = _ink(page)
    for shapes, colour in ((black, (0.0, 0.0, 0.0)), (blue, _BLUE)):
        canvas.setFillColorRGB(*colour)
        for shape in shapes:
            path = canvas.beginPath()
            for ring in _rings(shape):
                points = ring / _POINT_MM
                path.moveTo(*points[0])
                for point in points[1:]:
                    path.lineTo(*point)
                path.close()
            canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
    canvas.setStrokeColorRGB(*_BLUE)
    canvas.setLineWidth(_PATH_MM / _POINT_MM)
    for line in _paths(page):
        path = canvas.beginPath()
        path.moveTo(*line[0] / _POINT_MM)
        for point in line[1:] / _POINT_MM:
            path.lineTo(*point)
        canvas.drawPath(path, stroke=1, fill=0)
    for caption in page.captions:
        x, y = (np.array(caption.place_mm) + page.origin_page_mm) / _POINT_MM
        canvas.setFillColorRGB(*(_BLUE if caption.blue else (0.0, 0.0, 0.0)))
        canvas.setFont("Helvetica", caption.size_mm / _POINT_MM)
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(90 if caption.upward else 0)
        canvas.drawString(0, 0, caption.text)
        canvas.restoreState()
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def card_svg(card: Card) -> bytes:
    """Return the card as an SVG drawing, its units millimetres.

    Parameters
    ----------
    card : Card
        Flat, ring, strip or board.

    Returns
    -------
    bytes
        The file, UTF-8.

    Examples
    --------
    >>> from portmap.picture.card import flat_card
    >>> b'width="297mm"' in card_svg(flat_card("A4"))
    True
    """
    page = card.printed()
    width, height = page.page_mm
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}">',
        f"<title>{escape(page.title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
    ]
    blue_name = "#" + "".join(f"{round(255 * share):02x}" for share in _BLUE)
    black, blue = _ink(page)
    for shapes, colour in ((black, "#000"), (blue, blue_name)):
        lines.append(f'<g fill="{colour}" fill-rule="evenodd">')
        for shape in shapes:
            steps = [
                "M" + "L".join(f"{x:.4f},{height - y:.4f}" for x, y in ring.tolist()) + "Z"
                for ring in _rings(shape)
            ]
            lines.append(f'<path d="{"".join(steps)}"/>')
        lines.append("</g>")
    for path in _paths(page):
        course = "L".join(f"{x:.4f},{height - y:.4f}" for x, y in path.tolist())
        lines.append(f'<path d="M{course}" fill="none" stroke="{blue_name}" stroke-width="{_PATH_MM:g}"/>')
    lines.append('<g font-family="Helvetica, Arial, sans-serif">')
    for caption in page.captions:
        x, y = np.array(caption.place_mm) + page.origin_page_mm
        turn = ' transform="rotate(-90)"' if caption.upward else ""
        lines.append(
            f'<g transform="translate({x:.4f} {height - y:.4f})"><text{turn} font-size="{caption.size_mm:g}" '
            f'fill="{blue_name if caption.blue else "#000"}">{escape(caption.text)}</text></g>'
        )
    lines += ["</g>", "</svg>", ""]
    return "\n".join(lines).encode()


def card_png(card: Card, dpi: float = 600.0) -> bytes:
    """Return the card as a picture in which an edge inside a pixel shades it by its share.

    Parameters
    ----------
    card : Card
        Flat, ring, strip or board.
    dpi : float, optional
        Pixels to the inch, 100 to 1200.

    Returns
    -------
    bytes
        PNG, RGB; its resolution is noted in it, to the whole pixel per metre that PNG allows. Exact
        figures come from `png_scale`.

    Raises
    ------
    QuantityError
        If `dpi` is out of range.
    """
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(card_pixels(card, dpi)).save(stream, "PNG", dpi=(dpi, dpi), compress_level=3)
    return stream.getvalue()


def card_pixels(card: Card, dpi: float = 600.0) -> NDArray[np.uint8]:
    """Return the pixels of a card's picture, in which an edge inside a pixel shades it by its share.

    Parameters
    ----------
    card, dpi
        As `card_png` takes them.

    Returns
    -------
    ndarray of shape (M, N, 3)
        RGB, rows from the top; `png_scale` says how they lie.

    Raises
    ------
    QuantityError
        If `dpi` is out of range.
    """
    from PIL import Image

    printed, scale = card.printed(), png_scale(card, dpi)["px_per_mm"]
    columns, rows = (round(side * scale) for side in printed.page_mm)
    page = np.full((rows, columns, 3), 255, np.uint8)
    black, blue = _ink(printed)
    for shapes, colour in ((black, (0.0, 0.0, 0.0)), (blue, _BLUE)):
        cover = np.zeros((rows, columns), np.float32)
        for shape in shapes:
            _add_cover(
                cover, [ring * [scale, -scale] + [0.0, printed.page_mm[1] * scale] for ring in _rings(shape)]
            )
        inked = np.flatnonzero(cover > 1e-6)
        share = np.minimum(cover.ravel()[inked], 1.0)[:, None]
        listed = page.reshape(-1, 3)
        bare = listed[inked].astype(np.float32)
        listed[inked] = np.rint(bare + share * (255.0 * np.array(colour, np.float32) - bare)).astype(np.uint8)
    for path in _paths(printed):
        _draw_path(page, path, printed.page_mm[1], scale)
    image = Image.fromarray(page)
    for caption in printed.captions:
        _write(image, printed, caption, scale)
    return np.asarray(image)


def _draw_path(page: NDArray[np.uint8], path: NDArray[np.float64], height_mm: float, scale: float) -> None:
    import cv2

    fine = 1 << _PATH_BITS
    points = (path * [scale, -scale] + [-0.5, height_mm * scale - 0.5]) * fine
    colour = [round(255 * share) for share in _BLUE]
    whole = np.rint(points).astype(np.int32).reshape(-1, 1, 2)
    width = max(1, round(_PATH_MM * scale))
    cv2.polylines(page, [whole], False, colour, width, cv2.LINE_AA, _PATH_BITS)


def _add_cover(cover: NDArray[np.float32], rings: list[NDArray[np.float64]]) -> None:
    """Add to `cover` the share of each pixel that a shape of level and upright edges covers.

    Corners are in pixel units from the picture's upper left corner. An upright edge adds the area to its
    right, with a sign by its direction, so that holes, which run the other way round, take away.
    """
    corners = np.concatenate(rings)
    left, top = np.floor(corners.min(axis=0)).astype(int)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int)
    steps = np.zeros((bottom - top, right - left + 2))
    for ring in rings:
        for (x0, y0), (x1, y1) in zip(
            ring - [left, top], np.roll(ring, -1, axis=0) - [left, top], strict=True
        ):
            if abs(x1 - x0) > abs(y1 - y0):
                continue
            low, high = min(y0, y1), max(y0, y1)
            first, last = math.floor(low), math.ceil(high)
            edges = np.arange(first, last)
            heights = (np.minimum(edges + 1, high) - np.maximum(edges, low)) * (1.0 if y1 > y0 else -1.0)
            column = math.floor(x0)
            steps[first:last, column] += (column + 1 - x0) * heights
            steps[first:last, column + 1] += (x0 - column) * heights
    share = np.abs(np.cumsum(steps, axis=1)[:, : right - left])
    cover[top:bottom, left:right] += share.astype(np.float32)


def _write(image: Any, card: CardPrint, caption: Caption, scale: float) -> None:
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(caption.size_mm * scale)
    box = [round(value) for value in font.getbbox(caption.text, anchor="ls")]
    pad = 2
    mask = Image.new("L", (box[2] + 2 * pad, box[3] - box[1] + 2 * pad), 0)
    ImageDraw.Draw(mask).text((pad, pad - box[1]), caption.text, font=font, fill=255, anchor="ls")
    x, y = np.array(caption.place_mm) + card.origin_page_mm
    column, row = round(x * scale), round((card.page_mm[1] - y) * scale)
    if caption.upward:
        mask = mask.transpose(Image.Transpose.ROTATE_90)
        corner = (column + box[1] - pad, row - box[2] - pad)
    else:
        corner = (column - pad, row + box[1] - pad)
    image.paste(tuple(round(255 * c) for c in (_BLUE if caption.blue else (0, 0, 0))), corner, mask)


def png_scale(card: Card, dpi: float = 600.0) -> dict[str, Any]:
    """Return how the PNG of a card lies in millimetres.

    Parameters
    ----------
    card : Card
        Flat, ring, strip or board.
    dpi : float, optional
        Pixels to the inch, 100 to 1200.

    Returns
    -------
    dict
        ``px_per_mm``; ``origin_px`` [column, row] of the card frame's origin, pixel centres at integers;
        for a flat card ``free_area_mm`` [x0, y0, x1, y1] in the card frame.

    Raises
    ------
    QuantityError
        If `dpi` is out of range.

    Examples
    --------
    >>> from portmap.picture.card import flat_card
    >>> png_scale(flat_card("A4"), 254)["origin_px"]
    [1484.5, 1679.5]
    """
    if not _LEAST_DPI <= dpi <= _MOST_DPI:
        raise QuantityError(
            f"{dpi:g} dots per inch",
            where="dpi",
            remedy=f"give {_LEAST_DPI:g} to {_MOST_DPI:g}; 600 is fine",
        )
    page, scale = card.printed(), dpi / 25.4
    x, y = page.origin_page_mm
    found = {"px_per_mm": scale, "origin_px": [x * scale - 0.5, (page.page_mm[1] - y) * scale - 0.5]}
    return found if page.free_area_mm is None else {**found, "free_area_mm": list(page.free_area_mm)}
