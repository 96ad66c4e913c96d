"""The wall as a strip of paper: outlines, datum, scales and names at true size for one turn of the bore.

Frame: the sheet's. x [mm of paper] from the exhaust centre line, y [mm] above the base face. Paper x is wall
x times the factor of `portmap.template_lay`. The strip is cut along its frame; at its right end a tab goes
under the left edge, so that the seam lies at the back of the bore.

Glossary
--------
seam
    Where the strip's ends meet, half a turn from the exhaust centre line.
metal to take
    What the proposed windows have beyond those that are there, stock or, once there is such a map, ground.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from portmap.engine import crown_height_at
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.page import text_width_mm
from portmap.template_drawing import GREY, Box, Drawing, Pen, Words
from portmap.template_lay import Lay, TemplateRecord, deck_height
from portmap.template_names import write_names
from portmap.template_wall import SCALE_MM, Wall, crown_levels, ordered_maps, rings_to_take

__all__ = ["TAKE_TINT", "Strip", "wall_strip"]

Floats = NDArray[np.float64]

TAKE_TINT = "#F3D2B8"
_LEAST_TITLED_MM = 60.0  # a shorter strip's scales have no titles

CUT = Pen(width_mm=0.35)
DATUM = Pen(width_mm=0.5)
THIN = Pen(width_mm=0.1)
CENTRE = Pen(width_mm=0.25, dash_mm=(4.0, 0.8, 0.8, 0.8))
QUARTER = Pen(width_mm=0.12, colour=GREY, dash_mm=(1.2, 0.8))
CROWN = Pen(width_mm=0.18, colour=GREY, dash_mm=(0.5, 0.7))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Strip:
    """The strip with its measures, and what pages had better not be joined across.

    Parameters
    ----------
    drawing : Drawing
    turn_mm : tuple of float
        One turn of the wall: left, low, right, high [mm of paper].
    whole_mm : tuple of float
        The same with the tab.
    busy_mm : tuple of tuple of float
        Where windows and the centre line stand: left, low, right, high of each [mm of paper].
    """

    drawing: Drawing
    turn_mm: Box
    whole_mm: Box
    busy_mm: tuple[Box, ...]


def wall_strip(record: TemplateRecord, lay: Lay) -> Strip:
    """Return the wall as a strip of paper.

    Parameters
    ----------
    record : TemplateRecord
    lay : Lay
        From `lay_on`.

    Returns
    -------
    Strip

    Raises
    ------
    GeometryError
        If no map has a port, the deck is the datum and lies under a roof, or a window goes round the bore.
    QuantityError
        As `sheet_x_factor`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import Port, PortMap, Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> record = TemplateRecord(name="saw", engine=engine, port_maps=(PortMap(stage="stock", ports=(port,)),))
    >>> [round(side, 2) for side in wall_strip(record, Lay()).turn_mm]
    [-72.1, 0.0, 72.1, 67.0]
    """
    engine = record.engine
    wall = Wall(engine, lay, ordered_maps(record.port_maps))
    _draw_metal_to_take(wall)
    _draw_outlines(wall)
    _draw_frame(wall)
    _draw_levels(wall)
    _draw_scales(wall)
    write_names(wall, record)
    left, low, right, high = wall.box
    return Strip(
        drawing=wall.draft.finished(),
        turn_mm=wall.box,
        whole_mm=(left, low, right + wall.tab_mm, high),
        busy_mm=(
            (-1.0, low, 1.0, high),
            *(part.bounds for *_, images in wall.windows for part in wall.parts(images)),
        ),
    )


def _draw_metal_to_take(wall: Wall) -> None:
    shapes = ((stage, part) for stage, *_, images in wall.windows for part in wall.parts(images))
    for rings in rings_to_take(shapes):
        wall.draft.area("take", rings, TAKE_TINT)


def _corners(ring: shapely.LinearRing) -> Floats:
    return np.asarray(shapely.get_coordinates(ring)[:-1])


def _draw_outlines(wall: Wall) -> None:
    left, low, right, high = wall.box
    for stage, port, _, _, images in wall.windows:
        stroke = STAGE_STROKES[stage]
        hue = KIND_COLOURS[port.kind]
        pen = Pen(width_mm=stroke.width_mm, colour=hue, dash_mm=stroke.dash_mm)
        for image in images:
            for ring in (image.exterior, *image.interiors):
                on_paper = shapely.transform(ring, wall.paper)
                x = on_paper.bounds[0], on_paper.bounds[2]
                if left <= x[0] and x[1] <= right:
                    wall.draft.lines(stage, [_corners(on_paper)], closed=True, pen=pen)
                elif x[0] < right and left < x[1]:
                    wall.draft.lines(stage, _clipped(on_paper, wall.box), closed=False, pen=pen)
                if x[1] > right and x[0] < right + wall.tab_mm:
                    tab = (right, low, right + wall.tab_mm, high)
                    faint = Pen(width_mm=stroke.width_mm / 2, colour=hue, dash_mm=stroke.dash_mm)
                    wall.draft.lines("overlap", _clipped(on_paper, tab), closed=False, pen=faint)


def _clipped(ring: shapely.LinearRing, box: Box) -> Iterator[Floats]:
    """Give the lines that are left of a ring inside a box."""
    line = shapely.LineString(shapely.get_coordinates(ring))
    inside = shapely.clip_by_rect(line, *box)
    joined = shapely.line_merge(inside) if inside.geom_type == "MultiLineString" else inside
    for part in shapely.get_parts(joined):
        if part.length > 0:
            yield shapely.get_coordinates(part)


def _draw_frame(wall: Wall) -> None:
    left, low, right, high = wall.box
    draft, tab = wall.draft, wall.tab_mm
    slope = min(3.0, tab / 2)
    corners = [
        (left, low),
        (right, low),
        (right + tab, low + slope),
        (right + tab, high - slope),
        (right, high),
        (left, high),
    ]
    draft.lines("cut", [corners], closed=True, pen=CUT)
    draft.line("overlap", CENTRE, (right, low), (right, high))
    words = "tab: the left edge lies over it, up to the line"
    size = min(5.0, 5.0 * (high - low - 2 * slope) / text_width_mm(words, 5.0))
    end = (right + tab / 2 + 0.7, high - slope - 0.5)
    if tab > 3.0:
        draft.write(Words(text=words, place_mm=end, size_pt=size, anchor="right", turn_deg=90.0, ground=True))


def _draw_levels(wall: Wall) -> None:
    left, low, right, high = wall.box
    draft = wall.draft
    draft.line("datum", CENTRE, (0.0, low), (0.0, high))
    wall.taken.append(wall.centre)
    for x in (left / 2, right / 2):
        draft.line("datum", QUARTER, (x, low), (x, high))
    datum = high if wall.top_datum else 0.0
    draft.line("datum", DATUM, (left, datum), (right, datum))
    for _, y in crown_levels(wall.engine):
        if low < y < high:
            draft.line("datum", CROWN, (left, y), (right, y))
            wall.taken.append((left, y - 0.2, right, y + 0.2))


def _draw_scales(wall: Wall) -> None:
    left, low, _, high = wall.box
    draft = wall.draft
    if wall.top_datum:
        deck = deck_height(wall.engine)
        heights = [(deck - n, n) for n in range(math.floor(deck - low) + 1)]
    else:
        heights = [(float(n), n) for n in range(math.ceil(low), math.floor(high) + 1)]
    for y, number in heights:
        long = _tick(number)
        draft.line("scale", THIN, (left, y), (left + long, y))
        if number % 10 == 0 and low + 1.0 < y < high - 1.0:
            wall.write_on_metal(
                Words(text=f"{number}", place_mm=(left + 3.0, y - 0.65), size_pt=5.0, layer="scale")
            )
    wall.scales.append((left, low, left + 2.8, high))
    wall.taken.append((left, low, left + SCALE_MM, high))
    _entitle(wall, left + 7.6, "mm below deck" if wall.top_datum else "mm above base face")
    _draw_degrees(wall)
    _draw_along(wall)
    wall.taken += wall.scales


def _tick(number: int) -> float:
    return 2.6 if number % 10 == 0 else 1.8 if number % 5 == 0 else 1.0


def _entitle(wall: Wall, x: float, text: str) -> None:
    """Write upward what a scale shows, as near the middle of its height as windows leave room."""
    left, low, right, high = wall.box
    if right - left < _LEAST_TITLED_MM:
        return
    middle = (low + high) / 2
    for step in np.arange(0.0, (high - low) / 2, 1.0):
        for y in (middle + step, middle - step):
            words = Words(
                text=text,
                place_mm=(x, float(y)),
                size_pt=4.6,
                anchor="middle",
                turn_deg=90.0,
                layer="scale",
            )
            if low + 5.0 < words.box_mm[1] and words.box_mm[3] < high - 1.0 and wall.write_on_metal(words):
                return


def _draw_degrees(wall: Wall) -> None:
    """Draw the degrees at which the crown edge stands at a height, at the right end."""
    _, low, right, high = wall.box
    degrees = np.arange(5.0, 181.0, 5.0)
    written = math.inf
    for angle, y in zip(degrees, crown_height_at(wall.engine, degrees), strict=True):
        if not low < y < high:
            continue
        ten = angle % 10 == 0
        wall.draft.line("scale", THIN, (right - (2.6 if ten else 1.6), float(y)), (right, float(y)))
        if ten and written - y > 1.9 and y > low + 2.5:
            text = f"{angle:.0f}°"
            place = (right - 3.0, float(y) - 0.65)
            wall.write_on_metal(Words(text=text, place_mm=place, size_pt=5.0, anchor="right", layer="scale"))
            written = float(y)
    wall.scales.append((right - 2.8, low, right, high))
    wall.taken.append((right - SCALE_MM - 1.0, low, right, high))
    _entitle(wall, right - 8.2, "crown edge, ° after TDC")


def _draw_along(wall: Wall) -> None:
    """Draw mm of wall along the datum edge."""
    left, low, right, high = wall.box
    edge, way = (high, -1.0) if wall.top_datum else (low, 1.0)
    last = math.floor(wall.round_mm / 2)
    for number in range(-last, last + 1):
        x = number * wall.factor
        if not left + 1.0 < x < right - 1.0:
            continue
        wall.draft.line("scale", THIN, (x, edge), (x, edge + way * _tick(number)))
        if number % 10 or not left + SCALE_MM + 1.0 < x < right - SCALE_MM - 2.0:
            continue
        place = (x, edge + way * 3.1 - (1.3 if wall.top_datum else 0.0))
        shown = f"{number}".replace("-", "−")
        wall.write_on_metal(Words(text=shown, place_mm=place, size_pt=5.0, anchor="middle", layer="scale"))
    wall.scales.append((left, min(edge, edge + 5.0 * way), right, max(edge, edge + 5.0 * way)))
