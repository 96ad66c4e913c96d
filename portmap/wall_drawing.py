"""The bore wall laid flat, with its ports, to a stated scale on a page.

The wall reaches from one back of the bore to the other: x from −π·bore/2 to π·bore/2, the exhaust centre
line in the middle, seen from the bore axis. A window that runs across the back is drawn in two parts, one at
each end. y runs up from the base face.

Glossary
--------
scale
    Paper over wall, as on any drawing: 1 : 1.5 shows 30 mm of wall as 20 mm of paper.
quarter turn
    A quarter of the way round from the exhaust centre line, at x = ±π·bore/4; half a turn is the back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.affinity import translate

from portmap.crank import travel
from portmap.engine import Engine, crown_height_at, skirt_height_at
from portmap.look import KIND_COLOURS, STAGE_STROKES, rgb
from portmap.page import BLACK, GREY, PALE, POINT_MM, Pen, fitted, printable, text_width_mm
from portmap.port import Port, PortMap, floor_of, roof_of
from portmap.shown import UnitSystem

__all__ = ["WallPlan", "draw_wall", "wall_plan"]

# paper over wall; the usual steps of workshop drawings and some between, so that the sheet is well used
_SCALES = (
    2.0,
    1.5,
    1.0,
    1 / 1.25,
    1 / 1.5,
    1 / 2,
    1 / 2.5,
    1 / 3,
    1 / 4,
    1 / 5,
    1 / 7.5,
    1 / 10,
    1 / 20,
    1 / 50,
)
_LEFT_MM, _RIGHT_MM = 12.0, 25.0  # for heights; for the names of level lines
_HEAD_MM, _FOOT_MM = 9.5, 9.0  # for the heading and the quarter turns' names; for x and the bar
_BADGE_MM, _LEAST_BADGE_MM = 1.7, 1.1
_QUARTER_MM = 21.0  # of paper: a quarter turn that is shorter is not written out
_LABEL_PT = 6.3


@dataclass(frozen=True, kw_only=True, slots=True)
class WallPlan:
    """What part of the wall is drawn, and how large.

    Parameters
    ----------
    scale : float
        Paper over wall.
    low_mm, high_mm : float
        Lowest and highest y drawn [mm of wall].
    round_mm : float
        π·bore [mm of wall].
    height_mm : float
        Of the whole drawing with its words [mm of paper].
    """

    scale: float
    low_mm: float
    high_mm: float
    round_mm: float
    height_mm: float

    @property
    def scale_text(self) -> str:
        """Return the scale in words, such as ``1 : 1.5``."""
        return f"1 : {1 / self.scale:g}" if self.scale <= 1 else f"{self.scale:g} : 1"


def wall_plan(
    engine: Engine,
    port_map: PortMap,
    *,
    width_mm: float,
    height_mm: float,
    others: tuple[PortMap, ...] = (),
) -> WallPlan:
    """Return the largest usual scale at which the wall fits.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    width_mm, height_mm : float
        Room on paper [mm], for the drawing with its words.
    others : tuple of PortMap, optional
        Other stages that are drawn with it.

    Returns
    -------
    WallPlan
        At the smallest scale known if none fits.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> wall_plan(engine, PortMap(stage="stock", ports=()), width_mm=186, height_mm=70).scale_text
    '1 : 1'
    """
    bottom = float(crown_height_at(engine, 0.0)) - travel(engine.crank)
    ports = [port for drawn in (port_map, *others) for port in drawn.ports]
    low = min([0.0, *(floor_of(port) for port in ports)])
    high = max([bottom, *(roof_of(port) for port in ports)])
    around = math.pi * engine.bore_mm
    for scale in _SCALES:
        top = high + 6.5 / scale  # room for the roofs' figures, and a name over them
        tall = _HEAD_MM + (top - low) * scale + _FOOT_MM
        if _LEFT_MM + around * scale + _RIGHT_MM <= width_mm and tall <= height_mm:
            break
    return WallPlan(scale=scale, low_mm=low, high_mm=top, round_mm=around, height_mm=tall)


class _Sheet:
    """The wall's frame on the page, and where words already stand."""

    def __init__(self, page: Pen, plan: WallPlan, left_mm: float, top_mm: float, width_mm: float) -> None:
        self.page, self.plan = page, plan
        spare = width_mm - _LEFT_MM - _RIGHT_MM - plan.round_mm * plan.scale
        self.middle = left_mm + _LEFT_MM + max(spare, 0.0) / 2 + plan.round_mm * plan.scale / 2
        self.left, self.top = left_mm, top_mm
        self.foot = top_mm - plan.height_mm + _FOOT_MM
        self.taken: list[tuple[float, float, float, float]] = []

    def x(self, x_mm: float) -> float:
        return self.middle + x_mm * self.plan.scale

    def y(self, y_mm: float) -> float:
        return self.foot + (y_mm - self.plan.low_mm) * self.plan.scale

    @property
    def ends(self) -> tuple[float, float]:
        half = self.plan.round_mm / 2
        return self.x(-half), self.x(half)

    def place(self, middle: float, base: float, text: str) -> bool:
        """Write a word unless another one, or the drawing's end, is in its way."""
        half, high = text_width_mm(text, _LABEL_PT) / 2 + 0.4, _LABEL_PT * POINT_MM
        box = (middle - half, base - 0.2 * high, middle + half, base + 0.9 * high)
        if not self.take(box):
            return False
        self.page.words((middle, base), text, size_pt=_LABEL_PT, anchor="middle", ground=True)
        return True

    def take(self, box: tuple[float, float, float, float]) -> bool:
        """Keep a box for words; say whether it was free."""
        left, right = self.ends
        if box[0] < left or box[2] > right or box[1] < self.y(self.plan.low_mm):
            return False
        if any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in self.taken):
            return False
        self.taken.append(box)
        return True


def draw_wall(
    page: Pen,
    plan: WallPlan,
    engine: Engine,
    port_map: PortMap,
    units: UnitSystem,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    others: tuple[PortMap, ...] = (),
) -> None:
    """Draw the wall on a page.

    Parameters
    ----------
    page : Pen
    plan : WallPlan
        From `wall_plan`.
    engine : Engine
    port_map : PortMap
        Its ports are numbered from 1 in their order.
    units : UnitSystem
        For the figures.
    left_mm, top_mm, width_mm : float
        Where on the page [mm].
    others : tuple of PortMap, optional
        Other stages, of which the bare outlines are drawn over the map's.
    """
    sheet = _Sheet(page, plan, left_mm, top_mm, width_mm)
    _draw_frame(sheet, engine, port_map, units)
    for drawn in (port_map, *others):
        for port in drawn.ports:
            for window in port.windows:
                _draw_window(sheet, window.outline, port, drawn, filled=drawn is port_map)
    numbered = sorted(enumerate(port_map.ports, 1), key=lambda item: -_span_of(item[1]))
    windows = [(number, port, window.outline) for number, port in numbered for window in port.windows]
    unnamed = [
        (port, outline)
        for number, port, outline in windows
        if not _badge_window(sheet, outline, number, port)
    ]
    for _, _, outline in windows:
        _figure_window(sheet, outline, units)
    for port, outline in unnamed:
        _name_window(sheet, outline, port)
    if not port_map.ports:
        place = (sheet.middle, sheet.y(plan.high_mm / 2))
        page.words(place, "no ports in this map", size_pt=9, anchor="middle", ground=True)


def _span_of(port: Port) -> float:
    return max(float(window.outline.area) for window in port.windows)


def _draw_frame(sheet: _Sheet, engine: Engine, port_map: PortMap, units: UnitSystem) -> None:
    page, plan = sheet.page, sheet.plan
    left, right = sheet.ends
    low, high = sheet.y(plan.low_mm), sheet.y(plan.high_mm)
    step = (
        _round_step((plan.high_mm - plan.low_mm) * units.per_mm, 5 if plan.scale > 0.3 else 3) / units.per_mm
    )
    for mark in np.arange(math.ceil(plan.low_mm / step), math.floor(plan.high_mm / step) + 1):
        height = float(mark) * step
        if mark:
            page.line((left, sheet.y(height)), (right, sheet.y(height)), width_mm=0.08, colour=PALE)
        page.line((left - 1.2, sheet.y(height)), (left, sheet.y(height)))
        page.words(
            (left - 1.8, sheet.y(height) - 0.8), f"{height * units.per_mm:g}", size_pt=6, anchor="right"
        )
    page.words((left - 4.2, high + 1.2), units.length, size_pt=6, anchor="right")
    half = plan.round_mm / 2
    for turn, name in (
        (-180, "back"),
        (-90, "quarter turn"),
        (0, "exhaust centre"),
        (90, "quarter turn"),
        (180, "back"),
    ):
        x = half * turn / 180
        dash, heavy = ((4.0, 0.8, 0.8, 0.8), 0.25) if turn == 0 else ((1.2, 0.8), 0.12)
        page.line((sheet.x(x), low - 1.2), (sheet.x(x), high + 0.8), width_mm=heavy, dash_mm=dash)
        if abs(turn) == 90 and half / 2 * plan.scale < _QUARTER_MM:
            continue
        page.words((sheet.x(x), high + 2.0), name, size_pt=6, anchor="middle", bold=turn == 0)
        figure = f"x {units.lengths(x)}" if turn else "x 0"
        page.words((sheet.x(x), low - 3.8), figure, size_pt=6, anchor="middle")
    page.line((left, sheet.y(0.0)), (right + 1.0, sheet.y(0.0)), width_mm=0.4)
    page.words((right + 1.5, sheet.y(0.0) - 0.3), "base face, y 0 (datum)", size_pt=6, bold=True)

    levels = [("crown at BDC", float(crown_height_at(engine, 0.0)) - travel(engine.crank))]
    if engine.skirt_length_mm is not None and any(port.control == "skirt" for port in port_map.ports):
        levels.append(("skirt at TDC", float(skirt_height_at(engine, 0.0))))
    floor_of_words = sheet.y(0.0) + 2.6
    for name, height in sorted(levels, key=lambda level: level[1]):
        if plan.low_mm < height < plan.high_mm:
            at = sheet.y(height)
            page.line((left, at), (right + 1.0, at), width_mm=0.15, colour=GREY, dash_mm=(0.4, 0.6))
            base = max(at - 0.8, floor_of_words)
            page.words((right + 1.5, base), f"{name} {units.lengths(height)}", size_pt=5.6)
            floor_of_words = base + 2.4
    _draw_bar(sheet, units)


def _draw_bar(sheet: _Sheet, units: UnitSystem) -> None:
    """Draw a bar of a round length on paper: a ruler on it tells whether the print is true."""
    page, scale = sheet.page, sheet.plan.scale
    on_paper = 20.0 if units.name == "mm" else 25.4
    left, y = sheet.ends[0], sheet.y(sheet.plan.low_mm) - 7.6
    page.shape(
        [_box(left, y, left + on_paper, y + 1.0)], width_mm=0.05, colour=BLACK, fill=BLACK, stroked=False
    )
    shown = f"{on_paper * units.per_mm:g} {units.length}"
    on_wall = f"{on_paper * units.per_mm / scale:.4g} {units.length}"
    words = f"bar: {shown} on paper (check your print) = {on_wall} on the wall"
    page.words((left + on_paper + 1.5, y), words, size_pt=6)
    heading = f"bore wall laid flat, seen from the bore axis; scale {sheet.plan.scale_text}"
    page.words((sheet.left, sheet.top - 2.4), heading, size_pt=6.5, bold=True)


def _box(left: float, low: float, right: float, high: float) -> list[tuple[float, float]]:
    return [(left, low), (right, low), (right, high), (left, high)]


def _round_step(span: float, parts: int) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that cuts a span into at least so many parts."""
    rough = span / parts
    power = 10.0 ** math.floor(math.log10(rough))
    return max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= rough * (1 + 1e-9))


def _parts(outline: shapely.Polygon, round_mm: float) -> list[shapely.Geometry]:
    """Return the outline's images that show in the strip."""
    strip = shapely.box(-round_mm / 2, outline.bounds[1] - 1, round_mm / 2, outline.bounds[3] + 1)
    first = round((outline.bounds[0] + outline.bounds[2]) / 2 / round_mm)
    images = [translate(outline, -turn * round_mm, 0.0) for turn in (first, first - 1, first + 1)]
    found = []
    for image in images:
        if strip.covers(image):
            found.append(image)
        else:
            cut = image.intersection(strip)
            found += [part for part in shapely.get_parts(cut) if part.area > 0]
    return found


def _draw_window(
    sheet: _Sheet, outline: shapely.Polygon, port: Port, port_map: PortMap, *, filled: bool
) -> None:
    hue, stroke = KIND_COLOURS[port.kind], STAGE_STROKES[port_map.stage]
    half = sheet.plan.round_mm / 2
    for part in _parts(outline, sheet.plan.round_mm):
        rings = [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
        placed = [
            np.column_stack(
                [sheet.x(0) + ring[:, 0] * sheet.plan.scale, sheet.y(0) + ring[:, 1] * sheet.plan.scale]
            )
            for ring in rings
        ]
        if filled:
            sheet.page.shape(
                [ring[:-1] for ring in placed],
                width_mm=0.1,
                colour=BLACK,
                fill=rgb(hue, tint=0.16),
                stroked=False,
            )
        for ring, on_paper in zip(rings, placed, strict=True):
            at_end = np.abs(np.abs(ring[:, 0]) - half) < 1e-6
            cut = at_end[:-1] & at_end[1:]  # sides that the strip's end made: no edge of the port
            for line, closed in _runs(on_paper, cut):
                sheet.page.shape(
                    [line], width_mm=stroke.width_mm, colour=rgb(hue), dash_mm=stroke.dash_mm, closed=closed
                )


def _runs(ring: np.ndarray, cut: np.ndarray) -> list[tuple[np.ndarray, bool]]:
    """Return a closed ring without the sides in `cut`, as lines."""
    if not cut.any():
        return [(ring[:-1], True)]
    first = int(np.argmax(cut)) + 1
    points = np.roll(ring[:-1], -first, axis=0)
    points, sides = np.vstack([points, points[:1]]), np.roll(cut, -first)
    lines, start = [], 0
    for side in np.flatnonzero(sides):
        if side > start:
            lines.append((points[start : side + 1], False))
        start = int(side) + 1
    return lines


def _largest(sheet: _Sheet, outline: shapely.Polygon) -> shapely.Geometry:
    return max(_parts(outline, sheet.plan.round_mm), key=lambda part: float(part.area))


def _badge_window(sheet: _Sheet, outline: shapely.Polygon, number: int, port: Port) -> bool:
    """Put the port's number in the middle of a window, its name below; say whether that had room."""
    scale, named = sheet.plan.scale, True
    for part in _parts(outline, sheet.plan.round_mm):
        left, low, right, high = part.bounds
        wide, tall = (right - left) * scale, (high - low) * scale
        x, y = sheet.x((left + right) / 2), sheet.y((low + high) / 2)
        name, size = fitted(port.id, wide - 3.0, _LABEL_PT, least_pt=4.8)
        room = not name.endswith("…") and tall > 4 * _BADGE_MM
        radius = min(max(0.45 * min(wide, tall), _LEAST_BADGE_MM), _BADGE_MM)
        y += 1.3 if room else 0.0
        sheet.page.badge((x, y), str(number), radius_mm=radius)
        sheet.taken.append((x - radius, y - radius, x + radius, y + radius))
        if room:
            sheet.page.words((x, y - radius - 2.2), name, size_pt=size, anchor="middle")
        named = named and room
    return named


def _name_window(sheet: _Sheet, outline: shapely.Polygon, port: Port) -> None:
    """Put a name that has no room inside its window over the roof's figure."""
    left, _, right, high = _largest(sheet, outline).bounds
    sheet.place(sheet.x((left + right) / 2), sheet.y(high) + 3.5, printable(port.id))


def _figure_window(sheet: _Sheet, outline: shapely.Polygon, units: UnitSystem) -> None:
    part = _largest(sheet, outline)
    left, low, right, high = part.bounds
    middle = sheet.x((left + right) / 2)
    for text, base in (
        (f"roof {units.lengths(high)}", sheet.y(high) + 1.0),
        (f"floor {units.lengths(low)}", sheet.y(low) - 2.7),
    ):
        short = text.split()[1]
        if not sheet.place(middle, base, text):
            sheet.place(middle, base, short)
