"""A 1:1 sheet as SVG: one drawing whose units are millimetres, a group for each layer.

Frame of the file: mm, x to the right, y down from the upper left corner of the page, as SVG has it.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from portmap.errors import QuantityError
from portmap.page import POINT_MM, printable
from portmap.template_drawing import LAYERS, Shape, SheetDrawing, Words

__all__ = ["template_svg"]

_ANCHORS = {"left": "start", "middle": "middle", "right": "end"}


def template_svg(sheet: SheetDrawing) -> bytes:
    """Return a sheet of one page as SVG.

    Parameters
    ----------
    sheet : SheetDrawing

    Returns
    -------
    bytes
        UTF-8; the same for the same sheet.

    Raises
    ------
    QuantityError
        If the sheet has several pages.

    Examples
    --------
    >>> from portmap.template_drawing import Drawing, SheetPage
    >>> page = SheetPage(width_mm=297, height_mm=210, furniture=Drawing(), pieces=())
    >>> b'width="297mm"' in template_svg(SheetDrawing(title="empty", pages=(page,)))
    True
    """
    if len(sheet.pages) != 1:
        raise QuantityError(
            f"{len(sheet.pages)} pages, but an SVG is one drawing",
            where="tiles",
            remedy="draw it in one piece",
        )
    page = sheet.pages[0]
    width, height = page.width_mm, page.height_mm
    placed = [(page.furniture, (0.0, 0.0)), *((piece.drawing, piece.place_mm) for piece in page.pieces)]
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.6g}mm" height="{height:.6g}mm" '
        f'viewBox="0 0 {width:.6g} {height:.6g}">',
        f"<title>{escape(printable(sheet.title))}</title>",
        f'<rect width="{width:.6g}" height="{height:.6g}" fill="#FFFFFF"/>',
    ]
    for layer in LAYERS:
        inside = [
            _path(shape, place, height)
            for drawing, place in placed
            for shape in drawing.shapes
            if shape.layer == layer
        ]
        inside += [
            _text(words, place, height)
            for drawing, place in placed
            for words in drawing.words
            if words.layer == layer
        ]
        if inside:
            lines += [f'<g id="{layer}">', *inside, "</g>"]
    return "\n".join([*lines, "</svg>", ""]).encode()


def _path(shape: Shape, place: tuple[float, float], height: float) -> str:
    end = "Z" if shape.closed else ""
    steps = []
    for line in shape.lines:
        corners = [f"{place[0] + x:.4f},{height - place[1] - y:.4f}" for x, y in line.tolist()]
        steps.append("M" + "L".join(corners) + end)
    look = [f'fill="{shape.fill}" fill-rule="evenodd"' if shape.fill else 'fill="none"']
    if shape.pen:
        look.append(f'stroke="{shape.pen.colour}" stroke-width="{shape.pen.width_mm:g}"')
        if shape.pen.dash_mm:
            look.append(f'stroke-dasharray="{" ".join(f"{part:g}" for part in shape.pen.dash_mm)}"')
    return f'<path d="{"".join(steps)}" {" ".join(look)}/>'


def _text(words: Words, place: tuple[float, float], height: float) -> str:
    x, y = place[0] + words.place_mm[0], height - place[1] - words.place_mm[1]
    turn = f" rotate({-words.turn_deg:g})" if words.turn_deg else ""
    bold = ' font-weight="bold"' if words.bold else ""
    if words.ground:
        bold += ' stroke="#FFFFFF" stroke-width="0.6" stroke-linejoin="round" paint-order="stroke"'
    return (
        f'<text transform="translate({x:.4f} {y:.4f}){turn}" font-family="DejaVu Sans, Verdana, sans-serif" '
        f'font-size="{words.size_pt * POINT_MM:.4f}" text-anchor="{_ANCHORS[words.anchor]}" '
        f'fill="{words.colour}"{bold}>{escape(printable(words.text))}</text>'
    )
