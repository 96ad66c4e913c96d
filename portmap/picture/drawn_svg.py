"""Outlines from an SVG file, read through svgelements, in millimetres with y up.

Paths, polygons, polylines, rectangles, circles and ellipses count; their fill and stroke do not. A document
type declaration is refused before any parser sees it, since that is where an XML file hides its bombs.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from typing import Any

import numpy as np
import svgelements
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.drawn_curves import CHAIN_LIMIT, POINT_LIMIT, Chain

__all__ = ["svg_chains"]

PX_PER_INCH = 96.0  # of CSS; the parser's points and picas are 1/72 and 1/6 inch only if told so
MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6}  # CSS Values and Units 3, 5.2
ALIKE = 1e-3  # share by which programs round a page's width and height
_ABSOLUTE = re.compile(r"\s*((?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(mm|cm|in|pt|pc)\s*")


def svg_chains(
    data: bytes, name: str, mm_per_unit: float | None, tolerance_mm: float
) -> tuple[list[Chain], float, list[Notice]]:
    """Return the chains of an SVG drawing.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for messages.
    mm_per_unit : float or None
        Length of a user unit [mm]; None to go by the document's own width.
    tolerance_mm : float
        Greatest distance between a curve and its chords [mm].

    Returns
    -------
    chains : list of Chain
    mm_per_unit : float
        Length of a user unit [mm].
    notices : list of Notice

    Raises
    ------
    PictureError
        If it is no SVG, or declares a document type.
    QuantityError
        If it does not say how large it is.
    """
    _refuse_declarations(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the parser's own, about attributes it does not know
            page = svgelements.SVG.parse(io.BytesIO(data), ppi=PX_PER_INCH, reify=True)
    except Exception as error:
        raise PictureError(
            f"cannot be read as SVG ({_short(error)})", where=name, remedy="save it again as plain SVG"
        ) from None
    if not isinstance(page, svgelements.SVG):
        raise PictureError("is no SVG", where=name, remedy="save it again as plain SVG")
    box = _view_box(page)
    scale, unit = _scale(page, box, mm_per_unit, name)
    height = float(page.height) * scale
    left, top = box[0] * unit, box[1] * unit
    own_origin = box[0] != 0.0 or box[1] != 0.0
    origin = np.array([left, -top]) if own_origin else np.array([0.0, height])
    chains: list[Chain] = []
    points = 0
    for element in page.elements():
        if not isinstance(element, svgelements.Shape):
            continue
        for piece in _pieces(element, tolerance_mm / scale, name):
            points += len(piece.points_mm)
            if len(chains) > CHAIN_LIMIT or points > POINT_LIMIT:
                raise PictureError(
                    "holds too many curves", where=name, remedy="save only the windows' outlines"
                )
            placed = piece.points_mm * np.array([scale, -scale]) + origin
            chains.append(Chain(points_mm=placed, closed=piece.closed))
    where = "the page's own origin" if own_origin else "the page's lower left corner"
    return chains, unit, [Notice(code="drawing-origin", message=f"x = 0 and y = 0 are at {where}.")]


def _refuse_declarations(data: bytes, name: str) -> None:
    if b"\x00" in data or re.search(rb"<!\s*(DOCTYPE|ENTITY)", data, re.IGNORECASE):
        raise PictureError(
            "declares a document type or entities, which are not read",
            where=name,
            remedy="save it as plain SVG in UTF-8, without a DOCTYPE",
        )
    declared = re.match(rb"\s*(?:\xef\xbb\xbf)?\s*<\?xml[^>]*encoding\s*=\s*['\"]([^'\"]+)", data)
    if declared and declared.group(1).lower() not in {b"utf-8", b"us-ascii", b"iso-8859-1"}:
        raise PictureError("is not written in UTF-8", where=name, remedy="save it as plain SVG in UTF-8")


def _short(error: Exception) -> str:
    return (str(error) or type(error).__name__).splitlines()[0][:80]


def _view_box(page: Any) -> tuple[float, float, float, float]:
    box = page.viewbox
    if box is None or None in (box.x, box.y, box.width, box.height):
        return 0.0, 0.0, float(page.width), float(page.height)
    return float(box.x), float(box.y), float(box.width), float(box.height)


def _scale(
    page: Any, box: tuple[float, float, float, float], mm_per_unit: float | None, name: str
) -> tuple[float, float]:
    """Return the lengths of a parser's pixel and of a user unit [mm]."""
    width = float(page.width)
    if not (0.0 < box[2] < math.inf and 0.0 < box[3] < math.inf and 0.0 < width < math.inf):
        raise PictureError("has no size", where=name, remedy="give the page a width and a height in mm")
    unit = width / box[2]
    if not math.isclose(float(page.height) / box[3], unit, rel_tol=ALIKE):
        raise PictureError(
            "has a page of other proportions than its view box, so that its scale is unclear",
            where=name,
            remedy="give the page width and height in the proportions of the view box",
        )
    if mm_per_unit is not None:
        return mm_per_unit / unit, mm_per_unit
    stated = str(page.values.get("attributes", {}).get("width", page.values.get("width", "")))
    absolute = _ABSOLUTE.fullmatch(stated)
    if not absolute:
        raise QuantityError(
            f"does not say how large it is in mm (its width is {stated[:20] or 'not given'!r})",
            where=name,
            remedy="set the page's width in mm, or give the length of a unit with --unit",
        )
    scale = float(absolute.group(1)) * MM_PER[absolute.group(2)] / width
    return scale, unit * scale


def _pieces(element: Any, tolerance: float, name: str) -> list[Chain]:
    """Return an element's runs as chords, in the parser's own unit."""
    pieces: list[Chain] = []
    run: list[NDArray[np.float64]] = []
    closed = False
    try:
        segments = list(svgelements.Path(element).reify())  # a turned rectangle still waits for its turn
        for segment in segments:
            if isinstance(segment, svgelements.Move):
                pieces += _ended(run, closed)
                run, closed = [], False
            elif isinstance(segment, svgelements.Close):
                closed = True
            elif segment.start is not None and segment.end is not None:
                if not run:
                    run.append(np.array([[segment.start.x, segment.start.y]], np.float64))
                run.append(_chords(segment, tolerance))
        pieces += _ended(run, closed)
    except (ValueError, TypeError, ZeroDivisionError, OverflowError, AttributeError, IndexError) as error:
        raise PictureError(
            f"holds a curve that cannot be followed ({_short(error)})", where=name, remedy="redraw it"
        ) from None
    return pieces


def _ended(run: list[NDArray[np.float64]], closed: bool) -> list[Chain]:
    return [Chain(points_mm=np.vstack(run), closed=closed)] if run else []


def _chords(segment: Any, tolerance: float) -> NDArray[np.float64]:
    """Return points of a segment after its start, doubled until chords are within the tolerance."""
    if isinstance(segment, svgelements.Line):
        return np.array([[segment.end.x, segment.end.y]], np.float64)
    count = 4
    while True:
        at = np.linspace(0.0, 1.0, 2 * count + 1)
        points = np.array([[(p := segment.point(float(t))).x, p.y] for t in at], np.float64)
        middle = (points[0:-1:2] + points[2::2]) / 2
        sag = np.hypot(*(points[1::2] - middle).T)
        if not (sag > tolerance).any() or count >= 2048:
            return points[1:]
        count *= 2
