"""A 1:1 sheet as PDF: shapes and letters at true size, one page for each part.

The viewer is asked not to scale it; whether it did, the 100 mm bars tell.
"""

from __future__ import annotations

from portmap.look import rgb
from portmap.page import Page
from portmap.template_drawing import Drawing, SheetDrawing

__all__ = ["template_pdf"]


def template_pdf(sheet: SheetDrawing) -> bytes:
    """Return a sheet as PDF.

    Parameters
    ----------
    sheet : SheetDrawing

    Returns
    -------
    bytes
        The same for the same sheet, whenever it is made.

    Examples
    --------
    >>> from portmap.template_drawing import SheetPage
    >>> page = SheetPage(width_mm=297, height_mm=210, furniture=Drawing(), pieces=())
    >>> template_pdf(SheetDrawing(title="empty", pages=(page,)))[:5]
    b'%PDF-'
    """
    first = sheet.pages[0]
    page = Page((first.width_mm, first.height_mm), sheet.title, subject="1:1 sheet")
    for number, one in enumerate(sheet.pages):
        if number:
            page.turn_over()
        for piece in one.pieces:
            with page.part(piece.window_mm, piece.place_mm):
                _draw(page, piece.drawing)
        _draw(page, one.furniture)
    return page.file()


def _draw(page: Page, drawing: Drawing) -> None:
    for shape in drawing.shapes:
        pen = shape.pen
        page.shape(
            shape.lines,
            width_mm=pen.width_mm if pen else 0.0,
            colour=rgb(pen.colour) if pen else (0.0, 0.0, 0.0),
            dash_mm=pen.dash_mm if pen else (),
            fill=rgb(shape.fill) if shape.fill else None,
            stroked=pen is not None,
            closed=shape.closed,
        )
    for words in drawing.words:
        page.words(
            words.place_mm,
            words.text,
            size_pt=words.size_pt,
            bold=words.bold,
            colour=rgb(words.colour),
            anchor=words.anchor,
            turn_deg=words.turn_deg,
            ground=words.ground,
        )
