"""One printed page: letters, lines, shapes and tables, placed in millimetres.

Frame: mm, x to the right and y up from the lower left corner of the sheet, which stands upright. Sizes of
letters are in points, as printers give them.

The letters are DejaVu Sans, which comes with matplotlib and may be embedded (its licence stands beside it
there); the standard PDF fonts have no θ, superscript minus or box signs. A letter that it lacks, Chinese
for instance, is shown as an empty box: a page never falls back on what a reader's machine happens to have.

The same calls make the same bytes, whenever they are made.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, Literal, Protocol, get_args

import numpy as np
from numpy.typing import ArrayLike

from portmap.errors import QuantityError

__all__ = [
    "BOLD",
    "PAPER_MM",
    "POINT_MM",
    "REGULAR",
    "Anchor",
    "Colour",
    "Page",
    "PaperName",
    "Pen",
    "badge_size",
    "fitted",
    "printable",
    "text_width_mm",
]

PaperName = Literal["A4", "Letter"]
Colour = tuple[float, float, float]
Anchor = Literal["left", "middle", "right"]

PAPER_MM: dict[PaperName, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
POINT_MM = 25.4 / 72

REGULAR, BOLD = "portmap-regular", "portmap-bold"
_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
_NO_LETTER = "\N{WHITE VERTICAL RECTANGLE}"
_ELLIPSIS = "…"

BLACK: Colour = (0.0, 0.0, 0.0)
GREY: Colour = (0.45, 0.45, 0.45)
PALE: Colour = (0.78, 0.78, 0.78)


@cache
def _letters() -> dict[str, frozenset[int]]:
    """Register the fonts and return the code points that each can show."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    known = {}
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known[name] = frozenset(font.face.charToGlyph)
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
    return known


def printable(text: str, font: str = REGULAR) -> str:
    r"""Return a text as the page can show it, on one line.

    Parameters
    ----------
    text : str
        Any text, such as a job's name.
    font : str, optional
        `REGULAR` or `BOLD`.

    Returns
    -------
    str
        Composed (NFC), white space and control characters as single spaces, letters without a glyph as
        empty boxes.

    Examples
    --------
    >>> printable("pump\n53  cm³ \u6c34")
    'pump 53 cm³ ▯'
    """
    known = _letters()[font]
    composed = unicodedata.normalize("NFC", text)
    spaced = "".join(" " if unicodedata.category(sign)[0] in "CZ" else sign for sign in composed)
    return "".join(sign if ord(sign) in known else _NO_LETTER for sign in " ".join(spaced.split()))


def text_width_mm(text: str, size_pt: float, font: str = REGULAR) -> float:
    """Return how wide a text is.

    Parameters
    ----------
    text : str
        From `printable`.
    size_pt : float
        Letter size [pt].
    font : str, optional
        `REGULAR` or `BOLD`.

    Returns
    -------
    float
        Width [mm].

    Examples
    --------
    >>> text_width_mm("38.61", 7.0) > text_width_mm("38.6", 7.0)
    True
    """
    _letters()
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, size_pt)) * POINT_MM


def fitted(
    text: str, width_mm: float, size_pt: float, *, least_pt: float, font: str = REGULAR
) -> tuple[str, float]:
    """Return a text that fits a width: smaller first, then cut short.

    Parameters
    ----------
    text : str
        Any text.
    width_mm : float
        Room for it [mm].
    size_pt : float
        Letter size wished for [pt].
    least_pt : float
        Smallest that can be read [pt]; beyond it the end is cut and marked with an ellipsis.
    font : str, optional
        `REGULAR` or `BOLD`.

    Returns
    -------
    text : str
    size_pt : float

    Examples
    --------
    >>> fitted("exhaust", 40.0, 8.0, least_pt=6.0)
    ('exhaust', 8.0)
    >>> fitted("a name that never ends" * 9, 20.0, 8.0, least_pt=6.0)[0][-1]
    '…'
    """
    shown = printable(text, font)
    wide = text_width_mm(shown, size_pt, font)
    if wide <= width_mm:
        return shown, size_pt
    size = max(size_pt * width_mm / wide, least_pt)
    while len(shown) > 1 and text_width_mm(shown, size, font) > width_mm * (1 + 1e-9):
        shown = shown.rstrip(_ELLIPSIS)[:-1].rstrip() + _ELLIPSIS
    return shown, size


def badge_size(text: str, radius_mm: float) -> tuple[float, float]:
    """Return the size of the letters of a badge, and its half width.

    Parameters
    ----------
    text : str
        A number or two.
    radius_mm : float
        Half the badge's height [mm].

    Returns
    -------
    size_pt : float
    half_mm : float
        No less than the radius [mm].

    Examples
    --------
    >>> badge_size("1", 1.7)[1], badge_size("1 2 3", 1.7)[1] > 1.7
    (1.7, True)
    """
    size = 1.75 * radius_mm / POINT_MM / 1.25
    return size, max(text_width_mm(text, size, BOLD) / 2 + 0.35 * radius_mm, radius_mm)


class Pen(Protocol):
    """What draws lines, shapes and letters in millimetres, on paper or on a screen."""

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

    def badge(self, middle_mm: tuple[float, float], text: str, *, radius_mm: float = 1.7) -> None:
        """Write a number or two in a white disc, or in an oval if they are wider."""


class Page:
    """A sheet being drawn.

    Parameters
    ----------
    paper : {'A4', 'Letter'} or tuple of float
        A sheet that stands upright, or any width and height [mm].
    title : str
        For the reader's window.
    subject : str, optional
        What kind of sheet it is, for the reader's window.

    Raises
    ------
    QuantityError
        If there is no such paper.
    """

    def __init__(
        self, paper: PaperName | tuple[float, float], title: str, *, subject: str = "build sheet"
    ) -> None:
        from reportlab.pdfgen.canvas import Canvas

        if not isinstance(paper, tuple) and paper not in get_args(PaperName):
            raise QuantityError(f"no sheet for paper {paper!r}", where="paper", remedy="take A4 or Letter")
        _letters()
        self.width_mm, self.height_mm = paper if isinstance(paper, tuple) else PAPER_MM[paper]
        self._stream = io.BytesIO()
        size = (self.width_mm / POINT_MM, self.height_mm / POINT_MM)
        self.canvas: Any = Canvas(self._stream, pagesize=size, invariant=1, pageCompression=1)
        self.canvas.setViewerPreference("PrintScaling", "None")
        self.canvas.setTitle(printable(title))
        self.canvas.setAuthor("portmap")
        self.canvas.setSubject(subject)

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
        self._pen(width_mm, colour, dash_mm)
        self.canvas.line(*(value / POINT_MM for value in (*start_mm, *end_mm)))

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
        from reportlab.pdfgen.canvas import FILL_EVEN_ODD

        path = self.canvas.beginPath()
        for ring in rings_mm:
            points = np.asarray(ring, np.float64) / POINT_MM
            path.moveTo(*points[0])
            for point in points[1:]:
                path.lineTo(*point)
            if closed:
                path.close()
        self._pen(width_mm, colour, dash_mm)
        if fill is not None:
            self.canvas.setFillColorRGB(*fill)
        self.canvas.drawPath(path, stroke=int(stroked), fill=int(fill is not None), fillMode=FILL_EVEN_ODD)

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
        turn_deg: float = 0.0,
    ) -> None:
        """Write a line; `place_mm` is on its base line, `ground` clears the paper under it.

        It is turned anticlockwise about that place.
        """
        if turn_deg:
            self.canvas.saveState()
            self.canvas.translate(place_mm[0] / POINT_MM, place_mm[1] / POINT_MM)
            self.canvas.rotate(turn_deg)
            self.words(
                (0.0, 0.0), text, size_pt=size_pt, bold=bold, colour=colour, anchor=anchor, ground=ground
            )
            self.canvas.restoreState()
            return
        font = BOLD if bold else REGULAR
        shown = printable(text, font)
        wide = text_width_mm(shown, size_pt, font)
        x = place_mm[0] - {"left": 0.0, "middle": wide / 2, "right": wide}[anchor]
        if ground:
            self.canvas.setFillColorRGB(1.0, 1.0, 1.0)
            high = size_pt * POINT_MM
            box = (x - 0.3, place_mm[1] - 0.25 * high, wide + 0.6, 1.1 * high)
            self.canvas.rect(*(value / POINT_MM for value in box), stroke=0, fill=1)
        self.canvas.setFillColorRGB(*colour)
        self.canvas.setFont(font, size_pt)
        self.canvas.drawString(x / POINT_MM, place_mm[1] / POINT_MM, shown)

    def badge(self, middle_mm: tuple[float, float], text: str, *, radius_mm: float = 1.7) -> None:
        """Write a number or two in a white disc, or in an oval if they are wider."""
        size, half = badge_size(text, radius_mm)
        x, y = middle_mm
        self._pen(0.18, BLACK, ())
        self.canvas.setFillColorRGB(1.0, 1.0, 1.0)
        box = (x - half, y - radius_mm, 2 * half, 2 * radius_mm, radius_mm)
        self.canvas.roundRect(*(value / POINT_MM for value in box), stroke=1, fill=1)
        self.words((x, y - 0.36 * size * POINT_MM), text, size_pt=size, bold=True, anchor="middle")

    def picture(self, jpeg: bytes, box_mm: tuple[float, float, float, float]) -> None:
        """Place a JPEG in a box: left, low, width, height."""
        from reportlab.lib.utils import ImageReader

        left, low, wide, high = (value / POINT_MM for value in box_mm)
        self.canvas.drawImage(ImageReader(io.BytesIO(jpeg)), left, low, wide, high)

    def flow_height_mm(self, flowable: Any, width_mm: float) -> float:
        """Return how high a table or paragraph of reportlab is at a width [mm]."""
        return float(flowable.wrapOn(self.canvas, width_mm / POINT_MM, 1e6)[1]) * POINT_MM

    def flow(self, flowable: Any, left_mm: float, top_mm: float, width_mm: float) -> float:
        """Place a table or paragraph of reportlab under a height; return its own height [mm]."""
        high = self.flow_height_mm(flowable, width_mm)
        flowable.drawOn(self.canvas, left_mm / POINT_MM, (top_mm - high) / POINT_MM)
        return high

    @contextmanager
    def part(
        self, window_mm: tuple[float, float, float, float], place_mm: tuple[float, float]
    ) -> Iterator[None]:
        """Move the frame's origin to `place_mm`; within, only what lies in the window shows.

        The window is left, low, right, high in the moved frame.
        """
        left, low, right, high = (value / POINT_MM for value in window_mm)
        self.canvas.saveState()
        self.canvas.translate(place_mm[0] / POINT_MM, place_mm[1] / POINT_MM)
        path = self.canvas.beginPath()
        path.rect(left, low, right - left, high - low)
        self.canvas.clipPath(path, stroke=0, fill=0)
        yield
        self.canvas.restoreState()

    def turn_over(self) -> None:
        """Begin a further page of the same size."""
        self.canvas.showPage()

    def file(self) -> bytes:
        """Return the finished PDF."""
        self.canvas.showPage()
        self.canvas.save()
        return self._stream.getvalue()

    def _pen(self, width_mm: float, colour: Colour, dash_mm: Sequence[float]) -> None:
        self.canvas.setLineWidth(width_mm / POINT_MM)
        self.canvas.setStrokeColorRGB(*colour)
        self.canvas.setDash([part / POINT_MM for part in dash_mm] if dash_mm else [])
