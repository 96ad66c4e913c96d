"""What is printed on a card: squares, markers, lines and words, each placed in the card's own frame.

Every card describes itself so once, as a `CardPrint`; every drawing follows that. Millimetres, x to the right
and y up from the card's origin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

__all__ = ["Caption", "Card", "CardPrint", "Rule"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """A straight printed line.

    Parameters
    ----------
    start_mm, end_mm : tuple of float
        Ends (x, y) of its middle, in the card frame; along x or along y.
    width_mm : float
        Breadth of the ink.
    blue : bool
        Light blue rather than black.
    """

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float
    blue: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Caption:
    """A line of words.

    Parameters
    ----------
    text : str
        The words.
    place_mm : tuple of float
        Start of the base line (x, y), in the card frame.
    size_mm : float
        Letter size (font size).
    upward : bool
        Reads from bottom to top rather than left to right.
    blue : bool
        Blue rather than black.
    """

    text: str
    place_mm: tuple[float, float]
    size_mm: float
    upward: bool = False
    blue: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class CardPrint:
    """Everything that a printed card shows.

    Parameters
    ----------
    title : str
        The card's name, for the file.
    page_mm : tuple of float
        Width and height of the sheet.
    origin_page_mm : tuple of float
        The card frame's origin, from the sheet's lower left corner.
    squares_mm : tuple of tuple of float
        Black squares: left, bottom and side.
    markers_mm : tuple of tuple
        Number, left, top and side of each marker.
    rules, captions : tuple
        Straight lines; words.
    paths_mm : tuple of tuple of (float, float)
        Thin blue lines to cut or to set by, each from corner to corner.
    free_area_mm : tuple of float or None
        x0, y0, x1, y1 left blank for what is laid on the card.
    """

    title: str
    page_mm: tuple[float, float]
    origin_page_mm: tuple[float, float]
    squares_mm: tuple[tuple[float, float, float], ...]
    markers_mm: tuple[tuple[int, float, float, float], ...]
    rules: tuple[Rule, ...] = ()
    captions: tuple[Caption, ...] = ()
    paths_mm: tuple[tuple[tuple[float, float], ...], ...] = ()
    free_area_mm: tuple[float, float, float, float] | None = None


class Card(Protocol):
    """A card that can be printed."""

    def printed(self) -> CardPrint:
        """Return all that is printed on it."""
        ...
