"""The picture with the traced outlines drawn in, numbered, with heights, area and doubt beside each.

Outlines are yellow with a black rim, which stands out on paper as on graphite and to colour-blind eyes:
yellow is the one hue of Okabe and Ito that no kind of port has, as nobody said yet which port is which.
Roof and floor are drawn on a little to both sides, so that the fitted heights can be seen against the mark.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from portmap.picture.scaled import ScaledImage
from portmap.picture.trace import Trace, TracedWindow
from portmap.shown import with_doubt

__all__ = ["overlay_png"]

YELLOW = (240, 228, 66)  # #F0E442, Okabe and Ito 2008 (from memory)
BLACK = (0, 0, 0)
PAPER = (255, 255, 255)

MARGIN_MM = 12.0  # of the picture round the outermost windows
WIDTH_PX = 2200  # greatest, of the result
LETTER_SHARE = 1 / 56  # of the width: to be read on a phone held across
_GAP_SHARE = 0.6  # of a letter's height, between label and window

_Box = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Sheet:
    """The crop that is shown, and how its pixels relate to the picture's."""

    picture: Image.Image
    scale: float
    corner_px: tuple[int, int]


def overlay_png(image: ScaledImage, trace: Trace) -> bytes:
    """Return the picture with numbered outlines as a PNG.

    Parameters
    ----------
    image : ScaledImage
        The picture that was traced.
    trace : Trace
        What was found in it.

    Returns
    -------
    bytes
        A PNG of at most 2,200 px width, cropped to the windows. Doubts are with k = 2.
    """
    rings = {w.number: _rings_px(image, trace, w) for w in trace.windows}
    if image.wraps:
        image, rings = _unparted(image, rings)
    sheet = _shown(image, [ring for own in rings.values() for ring in own])
    placed = {n: [_on_sheet(sheet, ring) for ring in own] for n, own in rings.items()}
    letter = max(16, round(sheet.picture.width * LETTER_SHARE))
    font = _font(letter)
    labels = {w.number: _words(w) for w in trace.windows}
    boxes = {n: _bounds(own[0]) for n, own in placed.items()}
    places, low, high = _label_places(boxes, labels, font, sheet.picture.size)
    canvas = Image.new("RGB", (sheet.picture.width, round(high - low)), PAPER)
    canvas.paste(sheet.picture, (0, round(-low)))
    draw = ImageDraw.Draw(canvas)
    shift = np.array([0.0, float(round(-low))])
    for own in placed.values():
        _draw_outline(canvas, [ring + shift for ring in own], letter)
        _draw_heights(draw, own[0] + shift, letter)
    for number in placed:
        box = _moved(places[number], float(shift[1]))
        _draw_leader(draw, box, _moved(boxes[number], float(shift[1])), letter)
    for number in placed:
        _draw_label(draw, labels[number], number, _moved(places[number], float(shift[1])), font)
    stream = io.BytesIO()
    canvas.save(stream, "PNG", compress_level=3)
    return stream.getvalue()


def _font(size_px: int) -> ImageFont.FreeTypeFont:
    """Return the sans serif that comes with matplotlib: unlike Pillow's own it has a raised 2."""
    return ImageFont.truetype(str(Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size_px)


def _rings_px(image: ScaledImage, trace: Trace, window: TracedWindow) -> list[NDArray[np.float64]]:
    """Return exterior and islands in pixels of the picture: curl and mirroring taken back."""
    factor = trace.source.get("wall_x_factor") or 1.0
    flip = bool(trace.source.get("mirrored")) != bool(image.source.get("mirrored"))
    turn = -1.0 if flip else 1.0
    outline = window.window.outline
    rings = []
    for ring in (outline.exterior, *outline.interiors):
        places = np.asarray(ring.coords)[:-1]
        column = (turn * places[:, 0] / factor - image.x0_mm) / image.mm_per_px
        row = (image.y0_mm - places[:, 1]) / image.mm_per_px
        rings.append(np.column_stack([column, row]))
    return rings


def _unparted(
    image: ScaledImage, rings: dict[int, list[NDArray[np.float64]]]
) -> tuple[ScaledImage, dict[int, list[NDArray[np.float64]]]]:
    """Return a picture that goes once round, cut where it parts no window, and the rings as they then lie."""
    columns = image.pixels.shape[1]
    taken = np.zeros(columns, bool)
    for own in rings.values():
        low, high = math.floor(own[0][:, 0].min()), math.ceil(own[0][:, 0].max())
        taken[np.arange(low, high + 1) % columns] = True
    if taken.all() or not (taken[0] and taken[-1]):
        return image, rings
    # the middle of the widest stretch without a window
    first = int(np.argmax(taken))
    free = np.flatnonzero(~np.roll(taken, -first))
    runs = np.split(free, np.flatnonzero(np.diff(free) > 1) + 1)
    widest = max(runs, key=len)
    cut = (int(widest[len(widest) // 2]) + first) % columns
    moved = {}
    for number, own in rings.items():
        turns = np.floor((own[0][:, 0].min() - cut) / columns) * columns
        moved[number] = [ring - [cut + turns, 0.0] for ring in own]
    return replace(image, pixels=np.roll(image.pixels, -cut, axis=1)), moved


def _shown(image: ScaledImage, rings: list[NDArray[np.float64]]) -> _Sheet:
    rows, columns = image.pixels.shape[:2]
    points = np.vstack(rings)
    margin = MARGIN_MM / image.mm_per_px
    low = np.clip(np.floor(points.min(axis=0) - margin), 0, [columns - 1, rows - 1]).astype(int)
    high = np.clip(np.ceil(points.max(axis=0) + margin), low + 1, [columns, rows]).astype(int)
    part = image.pixels[low[1] : high[1], low[0] : high[0]]
    scale = min(WIDTH_PX / part.shape[1], 4.0)
    size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(np.ascontiguousarray(part), size, interpolation=way), np.uint8)
    return _Sheet(picture=Image.fromarray(small), scale=scale, corner_px=(int(low[0]), int(low[1])))


def _on_sheet(sheet: _Sheet, ring: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray((ring - np.array(sheet.corner_px) + 0.5) * sheet.scale - 0.5)


def _words(window: TracedWindow) -> tuple[str, ...]:
    doubt = window.window.doubt
    roof, floor, area = (
        (None, None, None) if doubt is None else (doubt.roof_u_mm, doubt.floor_u_mm, doubt.wall_area_u_mm2)
    )
    return (
        f"roof {with_doubt(window.roof_mm, roof, 2)} mm",
        f"floor {with_doubt(window.floor_mm, floor, 2)} mm",
        f"{with_doubt(window.area_mm2, area, 1)} mm²",
    )


def _bounds(ring: NDArray[np.float64]) -> _Box:
    (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _moved(box: _Box, down: float) -> _Box:
    return box[0], box[1] + down, box[2], box[3] + down


def _label_size(words: tuple[str, ...], font: ImageFont.FreeTypeFont) -> tuple[float, float]:
    line = font.size * 1.25
    return max(font.getlength(text) for text in words) + 3.2 * font.size, line * len(words) + 0.5 * font.size


def _label_places(
    boxes: dict[int, _Box],
    labels: dict[int, tuple[str, ...]],
    font: ImageFont.FreeTypeFont,
    size: tuple[int, int],
) -> tuple[dict[int, _Box], float, float]:
    """Return where each label goes, near its window and over no other, and the canvas's top and bottom."""
    taken: list[_Box] = list(boxes.values())
    places: dict[int, _Box] = {}
    for number, box in boxes.items():
        width, height = _label_size(labels[number], font)
        for place in _tries(box, width, height, font.size * _GAP_SHARE, size[0]):
            if not any(_overlap(place, other, font.size * 0.25) for other in taken):
                break
        places[number] = place
        taken.append(place)
    low = min([0.0, *(place[1] - font.size * 0.5 for place in places.values())])
    high = max([float(size[1]), *(place[3] + font.size * 0.5 for place in places.values())])
    return places, low, high


def _tries(box: _Box, width: float, height: float, gap: float, columns: int) -> Iterator[_Box]:
    """Yield places under the window, over it, and farther and farther away; the last ones lie under all."""
    middle = (box[0] + box[2]) / 2
    for away in range(40):
        for side in (0.0, -0.5, 0.5):
            left = float(np.clip(middle - width / 2 + side * width, 2.0, max(2.0, columns - width - 2.0)))
            for top in (box[3] + gap + away * height / 2, box[1] - gap - height - away * height / 2):
                yield left, top, left + width, top + height


def _overlap(one: _Box, other: _Box, gap: float) -> bool:
    return (
        one[0] < other[2] + gap
        and other[0] < one[2] + gap
        and one[1] < other[3] + gap
        and other[1] < one[3] + gap
    )


def _draw_outline(canvas: Image.Image, rings: list[NDArray[np.float64]], letter: int) -> None:
    """Draw yellow on black, smooth; written into the canvas through cv2, which places lines to 1/16 px."""
    pixels = np.array(canvas)
    fixed = [np.round(ring * 16).astype(np.int32) for ring in rings]
    for colour, width in ((BLACK, max(4, letter // 7)), (YELLOW, max(2, letter // 14))):
        cv2.polylines(pixels, fixed, True, colour, width, cv2.LINE_AA, shift=4)
    canvas.paste(Image.fromarray(pixels))


def _draw_heights(draw: ImageDraw.ImageDraw, ring: NDArray[np.float64], letter: int) -> None:
    x0, y0, x1, y1 = _bounds(ring)
    for y in (y0, y1):
        for start, end in ((x0 - letter, x0 - letter * 0.2), (x1 + letter * 0.2, x1 + letter)):
            draw.line([(start, y), (end, y)], fill=BLACK, width=max(4, letter // 7))
            draw.line([(start, y), (end, y)], fill=YELLOW, width=max(2, letter // 14))


def _draw_leader(draw: ImageDraw.ImageDraw, label: _Box, window: _Box, letter: int) -> None:
    """Join a label to its window if it does not lie right beside it."""
    below = label[1] > window[3]
    start = (float(np.clip((window[0] + window[2]) / 2, label[0], label[2])), label[1] if below else label[3])
    end = (float(np.clip(start[0], window[0], window[2])), window[3] if below else window[1])
    if abs(start[1] - end[1]) > 1.5 * letter or abs(start[0] - end[0]) > letter:
        draw.line([start, end], fill=PAPER, width=max(5, letter // 6))
        draw.line([start, end], fill=BLACK, width=max(2, letter // 14))


def _draw_label(
    draw: ImageDraw.ImageDraw,
    words: tuple[str, ...],
    number: int,
    box: _Box,
    font: ImageFont.FreeTypeFont,
) -> None:
    size = font.size
    draw.rounded_rectangle(box, radius=size * 0.3, fill=PAPER, outline=BLACK, width=max(1, round(size / 16)))
    radius, centre = size * 0.95, (box[0] + 1.35 * size, (box[1] + box[3]) / 2)
    disc = (centre[0] - radius, centre[1] - radius, centre[0] + radius, centre[1] + radius)
    draw.ellipse(disc, fill=BLACK)
    draw.text(centre, str(number), fill=YELLOW, font=font, anchor="mm")
    line = size * 1.25
    for k, text in enumerate(words):
        place = (box[0] + 2.7 * size, box[1] + 0.25 * size + line * (k + 0.5))
        draw.text(place, text, fill=BLACK, font=font, anchor="lm")
