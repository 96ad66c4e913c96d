"""What stands on a 1:1 sheet: shapes and words in millimetres, before any file format.

One description serves PDF, SVG and DXF: each of them draws these shapes and nothing else.

Frames: mm, x to the right, y up. A drawing has a frame of its own; a page says where the frame's origin
lies on it, and which part of the drawing shows.

Glossary
--------
layer
    What a shape is about, so that a drawing program can show or hide it.
piece
    A drawing as it lies on a page. A drawing too large for one page shows in several pieces.
furniture
    What stands round the pieces on a page: heading, bars, notes. It is in the page's frame, whose origin is
    the page's lower left corner.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.page import BOLD, POINT_MM, REGULAR, Anchor, printable, text_width_mm

__all__ = [
    "BLACK",
    "GREY",
    "LAYERS",
    "Box",
    "Draft",
    "Drawing",
    "Layer",
    "Pen",
    "Piece",
    "Shape",
    "SheetDrawing",
    "SheetPage",
    "Words",
]

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, low, right, high
Layer = Literal[
    "take", "stock", "proposed", "ground", "cut", "overlap", "datum", "scale", "join", "bars", "words"
]

LAYERS: tuple[Layer, ...] = get_args(Layer)
BLACK, GREY = "#000000", "#6E6E6E"


@dataclass(frozen=True, kw_only=True, slots=True)
class Pen:
    """How a line is drawn.

    Parameters
    ----------
    width_mm : float
        Breadth [mm].
    colour : str, optional
        Such as ``#D55E00``.
    dash_mm : tuple of float, optional
        Lengths of dash and gap [mm]; empty for a solid line.
    """

    width_mm: float
    colour: str = BLACK
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Shape:
    """Rings, or open lines.

    Parameters
    ----------
    layer : str
        One of `LAYERS`.
    lines : tuple of ndarray of shape (N, 2)
        Corners [mm], read-only, the first not repeated. Of a filled shape, a ring in a ring is a hole.
    closed : bool, optional
        Whether each line returns to its start.
    pen : Pen or None, optional
        None for no line.
    fill : str or None, optional
        Colour; None for none.
    """

    layer: Layer
    lines: tuple[Floats, ...]
    closed: bool = True
    pen: Pen | None = None
    fill: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A line of words.

    Parameters
    ----------
    text : str
    place_mm : tuple of float
        On the base line: its left end, middle or right end, as `anchor` says.
    size_pt : float
        Letter size [pt].
    anchor : {'left', 'middle', 'right'}, optional
    bold : bool, optional
    turn_deg : float, optional
        Anticlockwise about `place_mm`: 0, or 90 to read upward.
    colour : str, optional
    layer : str, optional
        One of `LAYERS`.
    ground : bool, optional
        Whether the lines under the words are to be covered, where the file format can do so.
    """

    text: str
    place_mm: tuple[float, float]
    size_pt: float
    anchor: Anchor = "left"
    bold: bool = False
    turn_deg: float = 0.0
    colour: str = BLACK
    layer: Layer = "words"
    ground: bool = False

    @property
    def box_mm(self) -> Box:
        """Return what the words take up, level or turned by a quarter [mm]."""
        wide = _width(self.text, self.size_pt, self.bold)
        start = -{"left": 0.0, "middle": wide / 2, "right": wide}[self.anchor]
        under, over = 0.24 * self.size_pt * POINT_MM, 0.78 * self.size_pt * POINT_MM
        x, y = self.place_mm
        if self.turn_deg == 90.0:
            return x - over, y + start, x + under, y + start + wide
        return x + start, y - under, x + start + wide, y + over


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Drawing:
    """Shapes and words in one frame; those that come first lie under the others."""

    shapes: tuple[Shape, ...] = ()
    words: tuple[Words, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Piece:
    """A drawing as it lies on a page.

    Parameters
    ----------
    drawing : Drawing
    window_mm : tuple of float
        What of it shows, in its own frame: left, low, right, high.
    place_mm : tuple of float
        Where its frame's origin lies on the page.
    """

    drawing: Drawing
    window_mm: Box
    place_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SheetPage:
    """A page.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the paper [mm].
    furniture : Drawing
        In the page's frame.
    pieces : tuple of Piece
    """

    width_mm: float
    height_mm: float
    furniture: Drawing
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SheetDrawing:
    """All that is printed, on one page or several of one size.

    Parameters
    ----------
    title : str
        For the reader's window.
    pages : tuple of SheetPage
        At least one.
    """

    title: str
    pages: tuple[SheetPage, ...]


class Draft:
    """A drawing in the making."""

    def __init__(self) -> None:
        self._shapes: list[Shape] = []
        self._words: list[Words] = []

    def line(self, layer: Layer, pen: Pen, *places_mm: tuple[float, float]) -> None:
        """Draw a line from place to place."""
        self._shapes.append(Shape(layer=layer, lines=(_fixed(places_mm),), closed=False, pen=pen))

    def lines(self, layer: Layer, lines: Iterable[ArrayLike], *, closed: bool, pen: Pen) -> None:
        """Draw rings or lines, each a shape of its own."""
        self._shapes += [Shape(layer=layer, lines=(_fixed(one),), closed=closed, pen=pen) for one in lines]

    def area(self, layer: Layer, rings: Iterable[ArrayLike], fill: str) -> None:
        """Fill rings; a ring in a ring is a hole."""
        self._shapes.append(Shape(layer=layer, lines=tuple(_fixed(ring) for ring in rings), fill=fill))

    def box(self, layer: Layer, box_mm: Box, *, pen: Pen | None = None, fill: str | None = None) -> None:
        """Draw an upright rectangle."""
        left, low, right, high = box_mm
        ring = _fixed([(left, low), (right, low), (right, high), (left, high)])
        self._shapes.append(Shape(layer=layer, lines=(ring,), pen=pen, fill=fill))

    def write(self, words: Words) -> None:
        """Add a line of words."""
        self._words.append(words)

    def add(self, drawing: Drawing) -> None:
        """Lay another drawing of the same frame over this one."""
        self._shapes += drawing.shapes
        self._words += drawing.words

    def finished(self) -> Drawing:
        """Return the drawing."""
        return Drawing(shapes=tuple(self._shapes), words=tuple(self._words))


@lru_cache(maxsize=1024)
def _width(text: str, size_pt: float, bold: bool) -> float:
    """Return a text's width; the same words are tried in many places."""
    return text_width_mm(printable(text), size_pt, BOLD if bold else REGULAR)


def _fixed(points: ArrayLike) -> Floats:
    fixed = np.array(points, np.float64)
    fixed.setflags(write=False)
    return fixed
