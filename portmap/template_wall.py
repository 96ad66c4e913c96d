"""The wall of a 1:1 sheet while it is drawn: its extent on paper, its windows, and where words already stand.

Frame: that of `portmap.template_strip`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate

from portmap.crank import travel
from portmap.engine import Engine, crown_height_at
from portmap.errors import GeometryError
from portmap.port import Port, PortMap, Stage, Window
from portmap.shown import with_doubt
from portmap.template_drawing import Box, Draft, Words
from portmap.template_lay import Lay, deck_height, sheet_x_factor
from portmap.wall_change import area_beyond

__all__ = ["SCALE_MM", "Wall", "crown_levels", "ordered_maps", "rings_to_take"]

Floats = NDArray[np.float64]

SCALE_MM = 8.0  # breadth of the scales at the strip's ends
_TAB_MM = 10.0
_ABOVE_MM, _BELOW_MM = 6.0, 4.0  # paper beyond the highest and the lowest line
_LEAST_TAKE_MM2 = 0.02  # less is what rounding left
_STAGES: tuple[Stage, ...] = ("stock", "proposed", "ground")


def ordered_maps(port_maps: Sequence[PortMap]) -> tuple[PortMap, ...]:
    """Return maps in the order in which they are drawn over one another.

    Parameters
    ----------
    port_maps : sequence of PortMap

    Returns
    -------
    tuple of PortMap
        Stock, proposed, ground.

    Examples
    --------
    >>> maps = [PortMap(stage="ground", ports=()), PortMap(stage="stock", ports=())]
    >>> [port_map.stage for port_map in ordered_maps(maps)]
    ['stock', 'ground']
    """
    return tuple(sorted(port_maps, key=lambda port_map: _STAGES.index(port_map.stage)))


def rings_to_take(shapes: Iterable[tuple[Stage, shapely.Polygon]]) -> list[list[Floats]]:
    """Return the metal that stands between what is there and what is proposed.

    Parameters
    ----------
    shapes : iterable of (str, shapely.Polygon)
        Windows with their stages, in one frame [mm].

    Returns
    -------
    list of list of ndarray of shape (N, 2)
        For each piece of metal its rim and its holes, corners not repeated; nothing without a proposed
        window. What is there is the ground windows, or the stock ones if nothing has been ground.

    Examples
    --------
    >>> pair = [("stock", shapely.box(0, 0, 9, 5)), ("proposed", shapely.box(0, 0, 9, 6))]
    >>> [shapely.Polygon(piece[0]).area for piece in rings_to_take(pair)]
    [9.0]
    """
    by_stage: dict[Stage, list[shapely.Polygon]] = {}
    for stage, shape in shapes:
        by_stage.setdefault(stage, []).append(shape)
    there = by_stage.get("ground") or by_stage.get("stock") or []
    metal = area_beyond(shapely.union_all(there), shapely.union_all(by_stage.get("proposed", [])))
    return [
        [np.asarray(shapely.get_coordinates(ring)[:-1]) for ring in (part.exterior, *part.interiors)]
        for part in shapely.get_parts(metal)
        if part.geom_type == "Polygon" and part.area > _LEAST_TAKE_MM2
    ]


def crown_levels(engine: Engine) -> tuple[tuple[str, float], ...]:
    """Return where the crown edge turns, in words and as height above the base face [mm].

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    tuple of (str, float)
        At TDC, then at BDC.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crown_levels(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61))[1]
    ('crown edge at BDC', 29.0)
    """
    top = float(crown_height_at(engine, 0.0))
    return ("crown edge at TDC", top), ("crown edge at BDC", top - travel(engine.crank))


class Wall:
    """The strip in the making: its frame, its windows, and where words already stand."""

    def __init__(self, engine: Engine, lay: Lay, port_maps: tuple[PortMap, ...]) -> None:
        self.engine, self.lay, self.port_maps = engine, lay, port_maps
        self.factor = sheet_x_factor(engine.bore_mm, lay)
        self.round_mm = math.pi * engine.bore_mm
        half = abs(self.factor) * self.round_mm / 2
        self.low_mm, self.high_mm = _extent(engine, lay, port_maps)
        self.box: Box = (-half, self.low_mm, half, self.high_mm)
        self.tab_mm = min(_TAB_MM, 0.2 * half)
        self.draft = Draft()
        self.taken: list[Box] = []
        self.scales: list[Box] = []  # of those, the scales' own
        self.centre: Box = (-0.3, self.low_mm, 0.3, self.high_mm)  # and the exhaust centre line's
        self.windows = [
            (port_map.stage, port, number, window, _images(window, port, number, self.round_mm))
            for port_map in port_maps
            for port in port_map.ports
            for number, window in enumerate(port.windows)
        ]

        self.solid = shapely.union_all([part for *_, images in self.windows for part in self.parts(images)])

    @property
    def top_datum(self) -> bool:
        """Return whether the strip's upper edge, at the deck, is the datum."""
        return self.lay.datum == "deck"

    def paper(self, points: Floats) -> Floats:
        """Return wall places as places on paper."""
        return np.asarray(points * np.array([self.factor, 1.0]))

    def parts(self, images: Iterable[shapely.Polygon]) -> list[shapely.Polygon]:
        """Return what of a window's images lies in the strip, on paper."""
        strip = shapely.box(*self.box)
        found = [shapely.transform(image, self.paper).intersection(strip) for image in images]
        return [part for one in found for part in shapely.get_parts(one) if part.area > 0]

    def height_text(self, y_mm: float, u_mm: float | None = None) -> str:
        """Return a height as the strip's datum has it."""
        return with_doubt(deck_height(self.engine) - y_mm if self.top_datum else y_mm, u_mm, 2)

    def write_on_metal(self, words: Words) -> bool:
        """Write words unless a window is in their way; say whether they were written."""
        if self.solid.intersects(shapely.box(*words.box_mm)):
            return False
        self.draft.write(words)
        return True

    def place(self, *stack: Words, within: Box | None = None, over: Box | None = None) -> bool:
        """Write lines of words that belong together, unless something but what they may lie over is there."""
        limits = within or self.box
        boxes = [words.box_mm for words in stack]
        for box in boxes:
            if not (
                limits[0] <= box[0] and limits[1] <= box[1] and box[2] <= limits[2] and box[3] <= limits[3]
            ):
                return False
            if any(
                box[0] < b[2] + 1.2 and b[0] - 1.2 < box[2] and box[1] < b[3] and b[1] < box[3]
                for b in self.taken
                if b != over
            ):
                return False
        self.taken += boxes
        for words in stack:
            self.draft.write(replace(words, ground=True))
        return True


def _extent(engine: Engine, lay: Lay, port_maps: tuple[PortMap, ...]) -> tuple[float, float]:
    """Return the lowest and highest y of the strip."""
    bounds = [w.outline.bounds for m in port_maps for port in m.ports for w in port.windows]
    if not bounds:
        raise GeometryError("there is no port to draw", where="maps", remedy="trace one first")
    floor, roof = min(b[1] for b in bounds), max(b[3] for b in bounds)
    crown = float(crown_height_at(engine, 0.0))
    deck = engine.deck_height_mm
    base = 0.0 if floor >= 0 else floor - _BELOW_MM
    if lay.datum == "base":
        high = max(roof, crown) + _ABOVE_MM
        return base, high if deck is None or deck < roof + 1.0 else min(high, deck)
    deck = deck_height(engine)
    if not deck > roof:
        raise GeometryError(
            f"the deck at {deck:g} mm is not above the highest roof at {roof:.2f} mm",
            where="cylinder.deck_height_mm",
            remedy="measure the deck's height again",
        )
    return max(min(floor, crown - travel(engine.crank)) - _BELOW_MM - 3.0, base), deck


def _images(window: Window, port: Port, number: int, round_mm: float) -> list[shapely.Polygon]:
    """Return the window's outline wherever one turn from back to back may show it."""
    left, _, right, _ = window.outline.bounds
    if not right - left < round_mm:
        raise GeometryError(
            f"the window is {right - left:.1f} mm wide, more than the bore's {round_mm:.1f} mm all round",
            where=f"port {port.id}.windows[{number}]",
            remedy="check the bore and the outline's scale",
        )
    first = round((left + right) / 2 / round_mm)
    return [translate(window.outline, -turn * round_mm, 0.0) for turn in (first, first - 1, first + 1)]
