"""What is drawn on a page, as SVG for a screen: lines, shapes and letters, placed in millimetres.

Frame: mm, x to the right and y up from the lower left corner, as on `portmap.page.Page`, so that the same
drawing serves paper and screen. Letters are the reader's own, of about the width of those on paper; what was
measured there has its length told, so that words do not run into one another.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np
from numpy.typing import ArrayLike

from portmap.page import (
    BLACK,
    BOLD,
    POINT_MM,
    REGULAR,
    Anchor,
    Colour,
    badge_size,
    printable,
    text_width_mm,
)

__all__ = ["SvgDrawing", "screen_text"]

_ANCHORS: dict[Anchor, str] = {"left": "start", "middle": "middle", "right": "end"}
_LETTERS = "DejaVu Sans, Verdana, sans-serif"


def screen_text(words: str) -> str:
    r"""Return words as they may stand in a file for a browser.

    Parameters
    ----------
    words : str
        Any, such as what a person wrote.

    Returns
    -------
    str
        Nothing in it is markup, and no control signs but the ends of lines.

    Examples
    --------
    >>> screen_text("5 < 6\x07")
    '5 &lt; 6 '
    """
    return escape("".join(sign if sign.isprintable() or sign == "\n" else " " for sign in words))


class SvgDrawing:
    """A drawing for a screen.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the drawing [mm].
    words : str
        What it shows, for those who cannot see it.

    Examples
    --------
    >>> drawing = SvgDrawing(40.0, 20.0, "a line")
    >>> drawing.line((0.0, 0.0), (40.0, 20.0))
    >>> drawing.file().count("<path")
    1
    """

    def __init__(self, width_mm: float, height_mm: float, words: str) -> None:
        self.width_mm, self.height_mm = width_mm, height_mm
        self._title = words
        self._parts: list[str] = []

    def line(
        self,
        start_mm: tuple[float, float],
        end_mm: tuple[float, float],
        *,
        width_mm: float = 0.15,
        colour: Colour = BLACK,
        dash_mm: Sequence[float] = (),
    ) -> None:
        """Draw a straight line."""
        self.shape([[start_mm, end_mm]], width_mm=width_mm, colour=colour, dash_mm=dash_mm, closed=False)

    def shape(
        self,
        rings_mm: Iterable[ArrayLike],
        *,
        width_mm: float,
        colour: Colour,
        dash_mm: Sequence[float] = (),
        fill: Colour | None = None,
        stroked: bool = True,
        closed: bool = True,
    ) -> None:
        """Draw rings, or lines if not `closed`, of shape (N, 2); a ring in a ring is a hole."""
        path = "".join(self._way(ring, closed=closed) for ring in rings_mm)
        style = f'fill="{_hex(fill)}" fill-rule="evenodd"' if fill is not None else 'fill="none"'
        if stroked:
            style += f' stroke="{_hex(colour)}" stroke-width="{_text(width_mm)}"'
            if dash_mm:
                style += f' stroke-dasharray="{" ".join(_text(part) for part in dash_mm)}"'
        self._parts.append(f'<path d="{path}" {style}/>')

    def words(
        self,
        place_mm: tuple[float, float],
        text: str,
        *,
        size_pt: float = 7.0,
        bold: bool = False,
        colour: Colour = BLACK,
        anchor: Anchor = "left",
        ground: bool = False,
    ) -> None:
        """Write a line; `place_mm` is on its base line, `ground` clears the paper under it."""
        shown = printable(text, BOLD if bold else REGULAR)
        if not shown:
            return
        wide, high = text_width_mm(shown, size_pt, BOLD if bold else REGULAR), size_pt * POINT_MM
        x, y = place_mm
        if ground:
            left = x - {"left": 0.0, "middle": wide / 2, "right": wide}[anchor] - 0.3
            low, top = y - 0.25 * high, y + 0.85 * high
            box = [(left, low), (left + wide + 0.6, low), (left + wide + 0.6, top), (left, top)]
            self.shape([box], width_mm=0.0, colour=BLACK, fill=(1.0, 1.0, 1.0), stroked=False)
        weight = ' font-weight="bold"' if bold else ""
        self._parts.append(
            f'<text x="{_text(x)}" y="{_text(self.height_mm - y)}" font-size="{_text(high)}"'
            f' text-anchor="{_ANCHORS[anchor]}" textLength="{_text(wide)}" lengthAdjust="spacingAndGlyphs"'
            f' fill="{_hex(colour)}"{weight}>{escape(shown)}</text>'
        )

    def badge(self, middle_mm: tuple[float, float], text: str, *, radius_mm: float = 1.7) -> None:
        """Write a number or two in a white disc, or in an oval if they are wider."""
        size, half = badge_size(text, radius_mm)
        x, y = middle_mm
        self._parts.append(
            f'<rect x="{_text(x - half)}" y="{_text(self.height_mm - y - radius_mm)}"'
            f' width="{_text(2 * half)}" height="{_text(2 * radius_mm)}" rx="{_text(radius_mm)}"'
            ' fill="#ffffff" stroke="#000000" stroke-width="0.18"/>'
        )
        self.words((x, y - 0.36 * size * POINT_MM), text, size_pt=size, bold=True, anchor="middle")

    def file(self) -> str:
        """Return the drawing as an SVG element that takes the width of where it stands."""
        title = screen_text(self._title)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_text(self.width_mm)}'
            f' {_text(self.height_mm)}" role="img" aria-label="{title}" font-family="{_LETTERS}">'
            f"<title>{title}</title>{''.join(self._parts)}</svg>"
        )

    def _way(self, ring: ArrayLike, *, closed: bool) -> str:
        points = np.asarray(ring, np.float64)
        steps = "L".join(f"{_text(x)} {_text(self.height_mm - y)}" for x, y in points)
        return f"M{steps}{'Z' if closed else ''}"


def _text(value: float) -> str:
    """Return a length to a hundredth of a millimetre, as short as it may be written."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _hex(colour: Colour) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour)
