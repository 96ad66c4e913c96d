"""1:1 sheets: the wall to wrap in the bore or round the liner, and flat gauges for single windows.

What is drawn is described once, in mm (`portmap.template_drawing`); `template_pdf`, `template_svg` and
`template_dxf` write the same description. The same record gives the same bytes.

Frames and sides are those of `portmap.template_lay`; how large drawings come on paper, of
`portmap.template_pages`.
"""

from __future__ import annotations

from portmap.errors import GeometryError
from portmap.template_drawing import SheetDrawing, SheetPage
from portmap.template_gauge import gauge_drawings
from portmap.template_lay import Lay, TemplateRecord
from portmap.template_pages import Paper, Surround, natural_page, paper_pages, row_pages
from portmap.template_strip import TAKE_TINT, wall_strip
from portmap.template_wall import ordered_maps
from portmap.template_words import fact_lines, gauge_notes, strip_notes

__all__ = ["gauge_sheet", "wall_sheet"]


def wall_sheet(
    record: TemplateRecord, lay: Lay, *, paper: Paper | None = None, tiles: bool = False
) -> SheetDrawing:
    """Return the sheet that goes round the wall.

    Parameters
    ----------
    record : TemplateRecord
    lay : Lay
        From `lay_on`.
    paper : {'A4', 'A3', 'Letter'} or None, optional
        Lying on its long side; None for one page made to measure, as for SVG and DXF.
    tiles : bool, optional
        Whether it may come in several pages to be joined.

    Returns
    -------
    SheetDrawing

    Raises
    ------
    GeometryError, QuantityError
        As `wall_strip` and `paper_pages`.

    Examples
    --------
    >>> import shapely
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import Port, PortMap, Window
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40))
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> record = TemplateRecord(name="saw", engine=engine, port_maps=(PortMap(stage="stock", ports=(port,)),))
    >>> len(wall_sheet(record, Lay(), paper="A4").pages)
    1
    """
    strip = wall_strip(record, lay)

    def surround(in_tiles: bool) -> Surround:
        return _surround(record, lay, "1:1 wall sheet", strip_notes(record, lay, tiles=in_tiles))

    if paper is None:
        one = natural_page([(strip.drawing, strip.whole_mm)], surround(False))
        pages: tuple[SheetPage, ...] = (one,)
    else:
        about = (strip.drawing, strip.whole_mm)
        pages = paper_pages(*about, surround(False), paper, tiles=tiles, busy_mm=strip.busy_mm)
        if len(pages) > 1:
            pages = paper_pages(*about, surround(True), paper, tiles=True, busy_mm=strip.busy_mm)
    return SheetDrawing(title=f"1:1 wall sheet: {record.name}", pages=pages)


def gauge_sheet(
    record: TemplateRecord, port_id: str, lay: Lay, *, paper: Paper | None = None
) -> SheetDrawing:
    """Return flat gauges for a port's windows.

    Parameters
    ----------
    record : TemplateRecord
    port_id : str
    lay : Lay
        Its datum says which edge lies flush; a gauge is not wrapped round anything.
    paper : {'A4', 'A3', 'Letter'} or None, optional
        None for one page made to measure, as for SVG and DXF.

    Returns
    -------
    SheetDrawing

    Raises
    ------
    GeometryError
        As `gauge_drawings`, or if the sheet is to go round the outside.
    QuantityError
        If a gauge is larger than the paper.

    Examples
    --------
    >>> import shapely
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.port import Port, PortMap, Window
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> window = Window(outline=shapely.box(-14, 28, 14, 40))
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(window,))
    >>> record = TemplateRecord(name="saw", engine=engine, port_maps=(PortMap(stage="stock", ports=(port,)),))
    >>> gauge_sheet(record, "e", Lay(), paper="A4").title
    '1:1 flat gauge: saw, e'
    """
    if lay.side == "outside":
        raise GeometryError(
            "a flat gauge goes across a window, seen from the bore axis",
            where="--outside",
            remedy="leave it out, or leave out --gauge",
        )
    drawings = gauge_drawings(record, port_id, lay)
    surround = _surround(record, None, "1:1 flat gauge", gauge_notes(record, lay))
    pages = (natural_page(drawings, surround),) if paper is None else row_pages(drawings, surround, paper)
    return SheetDrawing(title=f"1:1 flat gauge: {record.name}, {port_id}", pages=pages)


def _surround(record: TemplateRecord, lay: Lay | None, kind: str, notes: tuple[str, ...]) -> Surround:
    stages = tuple(port_map.stage for port_map in ordered_maps(record.port_maps))
    return Surround(
        name=record.name,
        kind=kind,
        facts=fact_lines(record, lay),
        notes=notes,
        stages=stages,
        take_tint=TAKE_TINT if "proposed" in stages and len(stages) > 1 else None,
    )
