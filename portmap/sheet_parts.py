"""What the build sheet's further pages are made of, before anybody lays it out for paper or a browser.

A section has a heading and parts that stand under one another. Paper (`portmap.sheet_pages`) breaks them over
pages; a browser (`portmap.sheet_html`) shows them as they come.

Glossary
--------
ruled
    Lines to write on.
code
    A QR code (ISO/IEC 18004), which a phone reads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from portmap.page import Pen
from portmap.sheet_rows import SheetTable

__all__ = ["Code", "Drawing", "Part", "Photo", "Prose", "Ruled", "Section"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Prose:
    """Sentences, a paragraph each.

    Parameters
    ----------
    lines : tuple of str
        Plain words, of any length.
    """

    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawing:
    """Something drawn to a size.

    Parameters
    ----------
    words : str
        What it shows, for those who cannot see it.
    width_mm, height_mm : float
        On paper [mm].
    draw : callable
        Draws it with a pen, under and to the right of its upper left corner [mm].
    """

    words: str
    width_mm: float
    height_mm: float
    draw: Callable[[Pen, float, float], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Photo:
    """A photo small enough for a page.

    Parameters
    ----------
    number : int
        From 1, by which other parts name it.
    name : str
        Of the file that it came from.
    words : str
        When, who, and what was noted with it.
    jpeg : bytes
        Upright; empty if it cannot be shown.
    size_px : tuple of int
        Width and height [pixels].
    trouble : str
        Why it cannot be shown; empty if it can.
    """

    number: int
    name: str
    words: str
    jpeg: bytes = b""
    size_px: tuple[int, int] = (0, 0)
    trouble: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ruled:
    """Lines to write on.

    Parameters
    ----------
    columns : tuple of (str, float)
        What stands over each, and its share of the width.
    lines : int
    """

    columns: tuple[tuple[str, float], ...]
    lines: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Code:
    """A code to be read by a phone, with words beside it.

    Parameters
    ----------
    text : str
        What it holds.
    lines : tuple of str
        What stands beside it.
    """

    text: str
    lines: tuple[str, ...]


Part = SheetTable | Prose | Drawing | tuple[Photo, ...] | Ruled | Code


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """A heading and what stands under it.

    Parameters
    ----------
    heading : str
    parts : tuple of Part
    """

    heading: str
    parts: tuple[Part, ...]
