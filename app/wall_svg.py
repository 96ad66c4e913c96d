"""The bore wall laid flat, as a drawing in SVG for the screen: ports by stage, the piston, what is open.

Frame: the bore frame (`portmap.port`), seen from the bore axis, y up. A window that runs across the back is
drawn at both ends. What the piston has opened is tinted and hatched, so that it is seen without colour too.

Glossary
--------
view
    The part of the wall that is drawn [mm].
dot
    One unit of the drawing; it is `WIDE` dots broad, however broad the screen shows it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from portmap.engine import Engine, crown_height_at, skirt_height_at
from portmap.errors import GeometryError
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.port import Port, PortMap, Stage, floor_of, roof_of
from portmap.shown import UnitSystem, number_text
from portmap.window import open_band, opened_area, port_area

__all__ = ["OpenShare", "View", "open_shares", "view_of", "wall_svg"]

Floats = NDArray[np.float64]

WIDE = 380.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 8.0, 12.0, 22.0  # dots about the wall
FONT = 14.0
LETTER = 7.5  # breadth of one
DOTS_PER_MM = 2.6  # of a line's breadth
MOST_TALL = 330.0
ROOM_SHARE, ROOM_MM = 0.18, 2.5
TICKS_MM = {"mm": (0.5, 1.0, 2.0, 5.0, 10.0), "inch": (0.635, 1.27, 2.54, 6.35, 12.7)}
MOST_TICKS = 9
INKS = {
    False: {"ink": "#1B1F24", "grid": "#D9DDE2", "paper": "#FFFFFF", "piston": "#C9CED4"},
    True: {"ink": "#F2F4F6", "grid": "#3A424C", "paper": "#14181D", "piston": "#57606A"},
}
SIGNS = {"don't": "✕", "look again": "!"}


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """What part of the wall is drawn.

    Parameters
    ----------
    left_mm, right_mm, low_mm, high_mm : float
        Bounds in the bore frame [mm].
    """

    left_mm: float
    right_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenShare:
    """How much of a port the piston has opened.

    Parameters
    ----------
    port : str
    area_mm2 : float
        Opened wall area [mm²].
    share : float
        Of the whole port, 0 to 1.
    """

    port: str
    area_mm2: float
    share: float


def open_shares(engine: Engine, port_map: PortMap, at_deg: float) -> tuple[OpenShare, ...]:
    """Return how much of each port is open at a crank angle.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    at_deg : float
        Degrees after true TDC.

    Returns
    -------
    tuple of OpenShare
        Ports whose opening nobody can know are left out.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> round(open_shares(engine, PortMap(stage="stock", ports=(port,)), 180)[0].share, 3)
    0.917
    """
    found = []
    for port in port_map.ports:
        try:
            area = float(opened_area(engine, port, at_deg))
        except GeometryError:
            continue  # its control is not known: `portmap.figures.timeable` tells the user
        found.append(OpenShare(port=port.id, area_mm2=area, share=area / port_area(port, engine.bore_mm)))
    return tuple(found)


def view_of(engine: Engine, port_maps: Sequence[PortMap], port_id: str | None = None) -> View:
    """Return the view of one port with some room about it, or of the whole wall.

    Parameters
    ----------
    engine : Engine
    port_maps : sequence of PortMap
        All that are drawn.
    port_id : str or None, optional
        None for the whole wall.

    Returns
    -------
    View
    """
    around = math.pi * engine.bore_mm / 2
    ports = [port for each in port_maps for port in each.ports if port_id in (None, port.id)]
    if not ports:
        return View(left_mm=-around, right_mm=around, low_mm=0.0, high_mm=engine.crown_height_mm)
    low, high = min(map(floor_of, ports)), max(map(roof_of, ports))
    if port_id is None:
        return View(left_mm=-around, right_mm=around, low_mm=low - ROOM_MM, high_mm=high + 2 * ROOM_MM)
    bounds = np.array([window.outline.bounds for port in ports for window in port.windows])
    left, right = float(bounds[:, 0].min()), float(bounds[:, 2].max())
    room = max(ROOM_SHARE * (right - left), ROOM_MM)
    return View(left_mm=left - room, right_mm=right + room, low_mm=low - ROOM_MM, high_mm=high + 2 * ROOM_MM)


class _Sheet:
    """Turns places on the wall into dots of the drawing, and keeps what was drawn."""

    def __init__(self, view: View, *, dark: bool) -> None:
        self.view = view
        breadth = WIDE - LEFT - RIGHT
        span, rise = view.right_mm - view.left_mm, view.high_mm - view.low_mm
        self.scale = min(breadth / span, (MOST_TALL - TOP - BOTTOM) / rise)
        self.shift = LEFT + (breadth - span * self.scale) / 2
        self.tall = TOP + rise * self.scale + BOTTOM
        self.ink = INKS[dark]
        self.parts: list[str] = []

    def x(self, x_mm: float) -> float:
        return self.shift + (x_mm - self.view.left_mm) * self.scale

    def y(self, y_mm: float) -> float:
        return TOP + (self.view.high_mm - y_mm) * self.scale

    def path(self, shape: shapely.Geometry, attributes: str) -> None:
        rings = [ring for part in _polygons(shape) for ring in (part.exterior, *part.interiors)]
        if not rings:
            return
        runs = []
        for ring in rings:
            corners = np.asarray(ring.coords)[:-1, :2]
            dots = (f"{self.x(x):.2f} {self.y(y):.2f}" for x, y in corners)
            runs.append(f"M{'L'.join(dots)}Z")
        self.parts.append(f'<path clip-path="url(#wall)" d="{"".join(runs)}" {attributes}/>')

    def words(self, x: float, y: float, text: str, *, anchor: str = "start", size: float = FONT) -> None:
        ink, paper = self.ink["ink"], self.ink["paper"]
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" fill="{ink}"'
            f' stroke="{paper}" stroke-width="3" paint-order="stroke">{escape(text)}</text>'
        )


def _polygons(shape: shapely.Geometry) -> Iterable[shapely.Polygon]:
    return (part for part in shapely.get_parts(shape) if isinstance(part, shapely.Polygon))


def wall_svg(
    engine: Engine,
    port_maps: Sequence[PortMap],
    view: View,
    *,
    system: UnitSystem,
    words: Mapping[str, str],
    at_deg: float | None = None,
    verdicts: Sequence[Mapping[str, Any]] = (),
    dark: bool = False,
) -> str:
    """Return a drawing of the wall.

    Parameters
    ----------
    engine : Engine
    port_maps : sequence of PortMap
        From the back to the front; what is open is shown of the last.
    view : View
    system : UnitSystem
        Of the height scale.
    words : mapping
        ``title``, what the drawing shows, for who cannot see it; ``crown`` and ``skirt``, the names of
        the piston's edges.
    at_deg : float or None, optional
        Where the crank stands; no piston is drawn unless told.
    verdicts : sequence of mapping, optional
        As `portmap.ring.ring_document` holds them; those that are not fine are marked where they hold.
    dark : bool, optional

    Returns
    -------
    str
        One ``svg`` element, without styles of its own that a content policy would refuse.
    """
    sheet = _Sheet(view, dark=dark)
    around = math.pi * engine.bore_mm
    frame = shapely.box(view.left_mm, view.low_mm, view.right_mm, view.high_mm)
    sheet.path(frame, f'fill="{sheet.ink["paper"]}" stroke="none"')
    if at_deg is not None:
        _draw_piston(sheet, engine, at_deg, frame)
    _draw_heights(sheet, system)
    for layer, port_map in enumerate(port_maps):
        front = layer == len(port_maps) - 1
        for port in port_map.ports:
            _draw_port(sheet, engine, port, port_map.stage, at_deg if front else None, around, frame)
    if port_maps:
        shares = (
            {} if at_deg is None else {one.port: one for one in open_shares(engine, port_maps[-1], at_deg)}
        )
        taken: list[tuple[float, float, int]] = []
        for port in port_maps[-1].ports:
            _name_port(sheet, port, shares.get(port.id), around, taken)
    if at_deg is not None:
        _name_piston(sheet, engine, at_deg, words)
    _mark_verdicts(sheet, verdicts)
    _draw_legend(sheet, [port_map.stage for port_map in port_maps])
    title = escape(words["title"], quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:g} {sheet.tall:.0f}" width="100%"'
        f' role="img" aria-label="{title}" font-family="sans-serif">'
        f'<defs><pattern id="open" width="6" height="6" patternUnits="userSpaceOnUse"'
        f' patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="6" stroke="{sheet.ink["ink"]}"'
        f' stroke-width="1" opacity="0.55"/></pattern><clipPath id="wall"><rect x="{LEFT:g}" y="0"'
        f' width="{WIDE - LEFT - RIGHT:g}" height="{sheet.tall:.0f}"/></clipPath></defs>'
        f"{''.join(sheet.parts)}</svg>"
    )


def _draw_heights(sheet: _Sheet, system: UnitSystem) -> None:
    span = sheet.view.high_mm - sheet.view.low_mm
    steps = TICKS_MM[system.name]
    step = next((each for each in steps if span / each <= MOST_TICKS), steps[-1])
    ink = sheet.ink
    decimals = 2 if system.name == "inch" else 0 if step >= 1 else 1
    for number in range(math.ceil(sheet.view.low_mm / step), math.floor(sheet.view.high_mm / step) + 1):
        y = sheet.y(number * step)
        sheet.parts.append(
            f'<line x1="{LEFT:g}" x2="{WIDE - RIGHT:g}" y1="{y:.2f}" y2="{y:.2f}" stroke="{ink["grid"]}"/>'
        )
        text = number_text(number * step * system.per_mm, decimals)
        sheet.words(LEFT - 5, y + 5, text, anchor="end", size=13)
    sheet.words(4, sheet.tall - 6, system.length, size=12)


def _draw_piston(sheet: _Sheet, engine: Engine, at_deg: float, frame: shapely.Polygon) -> None:
    crown = float(crown_height_at(engine, at_deg))
    low = float(skirt_height_at(engine, at_deg)) if engine.skirt_length_mm is not None else sheet.view.low_mm
    body = shapely.box(sheet.view.left_mm, min(low, crown), sheet.view.right_mm, crown)
    sheet.path(shapely.intersection(body, frame), f'fill="{sheet.ink["piston"]}" opacity="0.45"')


def _name_piston(sheet: _Sheet, engine: Engine, at_deg: float, words: Mapping[str, str]) -> None:
    edges = [(words["crown"], float(crown_height_at(engine, at_deg)))]
    if engine.skirt_length_mm is not None:
        edges.append((words["skirt"], float(skirt_height_at(engine, at_deg))))
    for name, height in edges:
        if not sheet.view.low_mm < height < sheet.view.high_mm:
            continue
        y = sheet.y(height)
        sheet.parts.append(
            f'<line x1="{LEFT:g}" x2="{WIDE - RIGHT:g}" y1="{y:.2f}" y2="{y:.2f}"'
            f' stroke="{sheet.ink["ink"]}" stroke-width="2"/>'
        )
        sheet.words(WIDE - RIGHT - 3, y - 4, name, anchor="end", size=12)


def _draw_port(
    sheet: _Sheet,
    engine: Engine,
    port: Port,
    stage: Stage,
    at_deg: float | None,
    around: float,
    frame: shapely.Polygon,
) -> None:
    stroke, hue = STAGE_STROKES[stage], KIND_COLOURS[port.kind]
    dashes = " ".join(f"{DOTS_PER_MM * each:g}" for each in stroke.dash_mm)
    line = f'fill="none" stroke="{hue}" stroke-width="{2 * DOTS_PER_MM * stroke.width_mm:g}"'
    line += f' stroke-dasharray="{dashes}"' if dashes else ""
    band = None
    if at_deg is not None:
        try:
            low, high = (float(edge) for edge in open_band(engine, port, at_deg))
        except GeometryError:
            low = high = 0.0
        if high > low:
            band = shapely.box(-2 * around, max(low, -1e4), 2 * around, min(high, 1e4))
    for window in port.windows:
        for shift in (-around, 0.0, around):
            outline = shapely.affinity.translate(window.outline, shift, 0.0) if shift else window.outline
            if not outline.intersects(frame):
                continue
            if band is not None:
                opened = outline.intersection(band)
                sheet.path(opened, f'fill="{hue}" opacity="0.5"')
                sheet.path(opened, 'fill="url(#open)"')
            sheet.path(outline, line)


def _name_port(
    sheet: _Sheet, port: Port, share: OpenShare | None, around: float, taken: list[tuple[float, float, int]]
) -> None:
    """Set a port's name in each of its windows, or below it where the window is too small on the screen."""
    for number, window in enumerate(port.windows):
        for shift in (-around, 0.0, around):
            x, y = window.outline.centroid.x + shift, window.outline.centroid.y
            inside = sheet.view.left_mm < x < sheet.view.right_mm
            if not inside or not sheet.view.low_mm < y < sheet.view.high_mm:
                continue
            left, low, right, high = window.outline.bounds
            open_words = f"{100 * share.share:.0f} %" if share is not None and number == 0 else ""
            wide = LETTER * max(len(port.id), len(open_words))
            if wide < (right - left) * sheet.scale and (high - low) * sheet.scale > 2 * FONT:
                sheet.words(sheet.x(x), sheet.y(y) + 4, port.id, anchor="middle")
                sheet.words(sheet.x(x), sheet.y(y) + 4 + FONT, open_words, anchor="middle", size=13)
                continue
            text = f"{port.id} {open_words}".strip()
            half = LETTER * len(text) / 2
            middle = min(max(sheet.x(x), LEFT + half), WIDE - RIGHT - half)
            row = next(
                row
                for row in range(len(taken) + 1)
                if all(at != row or end < middle - half or start > middle + half for start, end, at in taken)
            )
            taken.append((middle - half, middle + half, row))
            below = sheet.y(low) + FONT + row * (FONT + 2)
            sheet.words(middle, below, text, anchor="middle", size=12)


def _mark_verdicts(sheet: _Sheet, verdicts: Sequence[Mapping[str, Any]]) -> None:
    for one in verdicts:
        sign, x_mm, y_mm = SIGNS.get(one["grade"]), one["x_mm"], one["y_mm"]
        if sign is None or x_mm is None or y_mm is None:
            continue
        if not sheet.view.left_mm < x_mm < sheet.view.right_mm:
            continue
        x, y = sheet.x(x_mm), sheet.y(y_mm)
        sheet.parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="{sheet.ink["paper"]}"'
            f' stroke="{sheet.ink["ink"]}" stroke-width="1.5"/>'
        )
        sheet.words(x, y + 5, sign, anchor="middle", size=13)


def _draw_legend(sheet: _Sheet, stages: Sequence[Stage]) -> None:
    x, y = LEFT, sheet.tall - 6
    for stage in dict.fromkeys(stages):
        stroke = STAGE_STROKES[stage]
        dashes = " ".join(f"{DOTS_PER_MM * each:g}" for each in stroke.dash_mm)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        sheet.parts.append(
            f'<line x1="{x:g}" x2="{x + 28:g}" y1="{y - 4:.1f}" y2="{y - 4:.1f}"'
            f' stroke="{sheet.ink["ink"]}" stroke-width="{2 * DOTS_PER_MM * stroke.width_mm:g}"{dashed}/>'
        )
        sheet.words(x + 33, y, stage, size=13)
        x += 33 + 8 * len(stage) + 22
