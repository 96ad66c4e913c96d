"""A 1:1 sheet as DXF R2010: units millimetres, a layer for each stage and each purpose.

Frame of the file: that of the sheet's first drawing, not of the page, so that for a wall sheet x 0 is the
exhaust centre line and y 0 the base face. Lines are polylines; filled areas are solid hatches on a layer
that can be switched off before cutting.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from portmap.errors import QuantityError
from portmap.page import POINT_MM, printable
from portmap.template_drawing import LAYERS, Drawing, Layer, Pen, Shape, SheetDrawing, Words

__all__ = ["DXF_LAYERS", "template_dxf"]

DXF_LAYERS: dict[Layer, str] = {
    "take": "METAL_TO_TAKE",
    "stock": "STOCK",
    "proposed": "PROPOSED",
    "ground": "GROUND",
    "cut": "CUT",
    "overlap": "OVERLAP",
    "datum": "DATUM",
    "scale": "SCALES",
    "join": "JOINS",
    "bars": "BARS",
    "words": "WORDS",
}
_CAPITAL = 0.729  # height of DejaVu Sans's H over the letter size: 1493 of 2048 units
_FONT = "DejaVuSans.ttf"
_CONTINUOUS_DASHES = 128  # LWPOLYLINE flag: dashes run on past the corners


def template_dxf(sheet: SheetDrawing) -> bytes:
    """Return a sheet of one page as DXF.

    Parameters
    ----------
    sheet : SheetDrawing

    Returns
    -------
    bytes
        R2010, UTF-8; the same for the same sheet, whenever it is made.

    Raises
    ------
    QuantityError
        If the sheet has several pages.

    Examples
    --------
    >>> from portmap.template_drawing import SheetPage
    >>> page = SheetPage(width_mm=297, height_mm=210, furniture=Drawing(), pieces=())
    >>> b"AC1024" in template_dxf(SheetDrawing(title="empty", pages=(page,)))
    True
    """
    if len(sheet.pages) != 1:
        raise QuantityError(
            f"{len(sheet.pages)} pages, but a DXF is one drawing",
            where="tiles",
            remedy="draw it in one piece",
        )
    from ezdxf import units
    from ezdxf.filemanagement import new

    page = sheet.pages[0]
    origin = page.pieces[0].place_mm if page.pieces else (0.0, 0.0)
    placed = [(piece.drawing, piece.place_mm) for piece in page.pieces] + [(page.furniture, (0.0, 0.0))]
    with _fixed_dates():
        document: Any = new("R2010", units=units.MM)
        document.header["$MEASUREMENT"] = 1
        document.styles.add("PORTMAP", font=_FONT)
        used = {shape.layer for drawing, _ in placed for shape in drawing.shapes}
        used |= {words.layer for drawing, _ in placed for words in drawing.words}
        for layer in LAYERS:
            if layer in used:
                document.layers.add(DXF_LAYERS[layer])
        for drawing, place in placed:
            shift = (place[0] - origin[0], place[1] - origin[1])
            _draw(document, drawing, shift)
        for name in sorted(
            document.entitydb.dxf_types_in_use()
        ):  # the library takes them as a set gives them
            document.classes.add_class(name)
        stream = io.StringIO()
        document.write(stream)
    return stream.getvalue().encode("utf-8")


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """Let the library write fixed dates and marks in place of the moment's."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _draw(document: Any, drawing: Drawing, shift: tuple[float, float]) -> None:
    space = document.modelspace()
    for shape in drawing.shapes:
        _draw_shape(document, space, shape, shift)
    for words in drawing.words:
        _write(space, words, shift)


def _draw_shape(document: Any, space: Any, shape: Shape, shift: tuple[float, float]) -> None:
    layer = DXF_LAYERS[shape.layer]
    lines = [line + np.array(shift) for line in shape.lines]
    if shape.fill:
        hatch = space.add_hatch(dxfattribs={"layer": layer, "true_color": _number(shape.fill)})
        for number, line in enumerate(lines):
            hatch.paths.add_polyline_path(line.tolist(), is_closed=True, flags=16 if number else 1)
    pen = shape.pen or (Pen(width_mm=0.0, colour=shape.fill or "#000000") if shape.layer == "bars" else None)
    if pen is None:
        return
    look = {"layer": layer, "true_color": _number(pen.colour), "lineweight": _weight(pen.width_mm)}
    if pen.dash_mm:
        look |= {"linetype": _linetype(document, pen.dash_mm), "flags": _CONTINUOUS_DASHES}
    for line in lines:
        space.add_lwpolyline(line.tolist(), close=shape.closed, dxfattribs=look)


def _write(space: Any, words: Words, shift: tuple[float, float]) -> None:
    from ezdxf.enums import TextEntityAlignment as Alignment

    aligned = {"left": Alignment.LEFT, "middle": Alignment.CENTER, "right": Alignment.RIGHT}
    look = {
        "layer": DXF_LAYERS[words.layer],
        "style": "PORTMAP",
        "true_color": _number(words.colour),
        "rotation": words.turn_deg,
    }
    height = words.size_pt * POINT_MM * _CAPITAL
    text = space.add_text(printable(words.text), height=height, dxfattribs=look)
    place = (words.place_mm[0] + shift[0], words.place_mm[1] + shift[1])
    text.set_placement(place, align=aligned[words.anchor])


def _number(colour: str) -> int:
    return int(colour[1:], 16)


def _weight(width_mm: float) -> int:
    """Return the standard line weight [1/100 mm] next to a breadth."""
    from ezdxf.lldxf.const import VALID_DXF_LINEWEIGHTS

    known = [int(weight) for weight in VALID_DXF_LINEWEIGHTS]
    return min(known, key=lambda weight: abs(weight - 100 * width_mm))


def _linetype(document: Any, dash_mm: tuple[float, ...]) -> str:
    name = "DASH_" + "_".join(f"{part:g}" for part in dash_mm)
    if name not in document.linetypes:
        parts = [part if place % 2 == 0 else -part for place, part in enumerate(dash_mm)]
        document.linetypes.add(name, pattern=[sum(dash_mm), *parts], description=name.lower())
    return name
