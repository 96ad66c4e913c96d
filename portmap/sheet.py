"""The build sheet: printed pages that keep a cylinder's figures, the first of them those at one stage.

On the first page stand the engine, the ports to scale on the wall laid flat, when each opens and closes,
areas, time-areas at chosen speeds, what is doubtful, and what to take care of. Every figure of the engine
says whether it was measured, fitted, assumed or worked out, by a word and a mark. A doubt after ± is k = 2.
What follows it is from `portmap.sheet_further`.

The sheet is a PDF of shapes and letters, readable in black and white. The same record gives the same bytes.

Glossary
--------
record
    What the sheet is about: engine, one port map, name, date, warnings.
basis
    As in `portmap.engine`; *worked out* is a figure that follows from others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from portmap.area_plot import draw_area_plot
from portmap.engine import Engine
from portmap.errors import Notice, QuantityError
from portmap.figures import timeable
from portmap.look import STAGE_STROKES
from portmap.page import BOLD, GREY, Page, PaperName, fitted, text_width_mm
from portmap.port import PortMap
from portmap.sheet_further import Further, further_sections
from portmap.sheet_pages import Placed, draw_placed, sheet_pages
from portmap.sheet_tables import ROOMY, TIGHT, Density, engine_table, port_table, span_table
from portmap.sheet_words import all_told, care_words, note_words
from portmap.shown import UnitName, UnitSystem, unit_system
from portmap.timearea import Span, map_spans
from portmap.wall_drawing import draw_wall, wall_plan

__all__ = ["MOST_SPEEDS", "SheetFigures", "SheetRecord", "sheet_figures", "sheet_pdf"]

MOST_SPEEDS = 8  # rows that the page has room for

_MARGIN_MM = 11.0
_HEAD_MM, _FOOT_MM = 14.5, 4.0
_GAP_MM = 3.2
_GAPS = 4  # between wall, ports, engine with plot, spans and words
_LEAST_PLOT_MM, _MOST_PLOT_MM = 34.0, 66.0
_WISHED_WALL_MM, _LEAST_WALL_MM = 56.0, 36.0
_ENGINE_SHARE = 0.40  # of the width, for the engine's table; the plot has the rest


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetRecord:
    """What a build sheet is about.

    Parameters
    ----------
    name : str
        The job's name.
    engine : Engine
    port_map : PortMap
        One stage.
    date : str, optional
        Of the job, as it is to be printed; empty if nobody noted it.
    file_sha256 : str, optional
        Of the job file, so that the sheet can be matched with it; empty without a file.
    notices : tuple of Notice, optional
        Warnings that travel with the job.
    further : Further or None, optional
        What the pages after the first are made from; None leaves them out.
    """

    name: str
    engine: Engine
    port_map: PortMap
    date: str = ""
    file_sha256: str = ""
    notices: tuple[Notice, ...] = ()
    further: Further | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetFigures:
    """What the first page is drawn from beside its record.

    Parameters
    ----------
    known : PortMap
        The ports that can be timed.
    spans : tuple of Span
    notices : tuple of Notice
        All warnings, each once.
    middle_rpm : float
        The speed in the middle of those asked for [rev/min].
    """

    known: PortMap
    spans: tuple[Span, ...]
    notices: tuple[Notice, ...]
    middle_rpm: float


def sheet_figures(record: SheetRecord, rpm: tuple[float, ...]) -> SheetFigures:
    """Return the spans of a record, and its warnings.

    Parameters
    ----------
    record : SheetRecord
    rpm : tuple of float
        Speeds [rev/min].

    Returns
    -------
    SheetFigures

    Raises
    ------
    QuantityError
        If there are no speeds or more than `MOST_SPEEDS`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> record = SheetRecord(name="sample", engine=engine, port_map=PortMap(stage="stock", ports=()))
    >>> sheet_figures(record, (6000.0, 9000.0)).middle_rpm
    9000.0
    """
    if not 0 < len(rpm) <= MOST_SPEEDS:
        raise QuantityError(
            f"{len(rpm)} speeds, but the sheet has room for {MOST_SPEEDS}",
            where="rpm",
            remedy="take a wider step" if rpm else "name one",
        )
    known, left_out = timeable(record.engine, record.port_map)
    spans, span_notices = map_spans(record.engine, known)
    notices = tuple(dict.fromkeys((*left_out, *span_notices, *record.notices)))
    return SheetFigures(known=known, spans=spans, notices=notices, middle_rpm=rpm[len(rpm) // 2])


def sheet_pdf(
    record: SheetRecord,
    *,
    rpm: tuple[float, ...] = (6000.0, 8000.0, 10000.0, 12000.0),
    units: UnitName = "mm",
    paper: PaperName = "A4",
) -> bytes:
    """Return the build sheet.

    Parameters
    ----------
    record : SheetRecord
    rpm : tuple of float, optional
        Speeds for the time-areas [rev/min], at most `MOST_SPEEDS`.
    units : {'mm', 'inch'}, optional
        Of the figures.
    paper : {'A4', 'Letter'}, optional
        Upright.

    Returns
    -------
    bytes
        A PDF of one page, and as many more as what follows it needs.

    Raises
    ------
    QuantityError
        If there are no or too many speeds, one of them is not above 0, or units or paper are not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> record = SheetRecord(name="sample", engine=engine, port_map=PortMap(stage="stock", ports=()))
    >>> sheet_pdf(record)[:5]
    b'%PDF-'
    """
    system = unit_system(units)
    engine, port_map = record.engine, record.port_map
    figures = sheet_figures(record, rpm)
    page = Page(paper, f"Build sheet: {record.name} ({port_map.stage})")
    left, width = _MARGIN_MM, page.width_mm - 2 * _MARGIN_MM
    top, bottom = page.height_mm - _MARGIN_MM + 1.0, _MARGIN_MM - 2.0
    top -= _draw_head(page, record, system, left, top, width)
    high = top

    about = (page, record, figures, rpm, system, width)
    room = top - bottom - _FOOT_MM
    for density, most_notices in ((ROOMY, 7), (TIGHT, 7), (TIGHT, 5), (TIGHT, 3), (TIGHT, 1)):
        blocks = _blocks(*about, density, most_notices)
        if room - blocks.fixed_mm - blocks.beside_mm >= _WISHED_WALL_MM:
            break
    further: tuple[tuple[Placed, ...], ...] = ()
    if record.further is not None:
        sections = further_sections(
            record.further,
            engine,
            system,
            name=record.name,
            file_sha256=record.file_sha256,
            rpm=figures.middle_rpm,
            width_mm=width,
            notices=() if all_told(figures.notices, most_notices) else figures.notices,
        )
        further = sheet_pages(page, sections, width_mm=width, height_mm=high - bottom - _FOOT_MM)
    _draw_foot(page, record, left, bottom, width, (1, 1 + len(further)))
    room -= blocks.fixed_mm
    plan = wall_plan(engine, port_map, width_mm=width, height_mm=max(room - blocks.beside_mm, _LEAST_WALL_MM))
    plot = min(max(room - plan.height_mm, blocks.beside_mm), _MOST_PLOT_MM)
    gap = _GAP_MM + min(max(room - plan.height_mm - plot, 0.0) / _GAPS, _GAP_MM)

    draw_wall(page, plan, engine, port_map, system, left_mm=left, top_mm=top, width_mm=width)
    top -= plan.height_mm + gap
    top -= page.flow(blocks.ports, left, top, width) + gap
    own = width * _ENGINE_SHARE
    page.flow(blocks.engine, left, top, own)
    draw_area_plot(
        page,
        engine,
        port_map,
        system,
        left_mm=left + own + _GAP_MM,
        top_mm=top,
        width_mm=width - own - _GAP_MM,
        height_mm=plot,
    )
    top -= plot + gap
    if blocks.spans is not None:
        top -= page.flow(blocks.spans, left, top, width) + gap
    column = (width - _GAP_MM) / 2
    page.flow(blocks.notes, left, top, column)
    page.flow(blocks.care, left + column + _GAP_MM, top, column)
    for number, placed in enumerate(further, 2):
        page.turn_over()
        _draw_head(page, record, system, left, high + _HEAD_MM, width)
        draw_placed(page, placed, left_mm=left, top_mm=high)
        _draw_foot(page, record, left, bottom, width, (number, 1 + len(further)))
    return page.file()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Blocks:
    """The page's tables and words, and the height that those under one another take with their gaps [mm]."""

    engine: Any
    ports: Any
    spans: Any
    notes: Any
    care: Any
    fixed_mm: float
    beside_mm: float


def _blocks(
    page: Page,
    record: SheetRecord,
    figures: SheetFigures,
    rpm: tuple[float, ...],
    system: UnitSystem,
    width: float,
    density: Density,
    most_notices: int,
) -> _Blocks:
    engine, port_map = record.engine, record.port_map
    about_engine = engine_table(engine, system, width * _ENGINE_SHARE, density=density)
    about_ports = port_table(engine, port_map, figures.spans, system, width, density=density)
    about_spans = span_table(engine, figures.known, figures.spans, rpm, system, width, density=density)
    notes, care = (
        note_words(engine, port_map, figures.notices, density=density, most_notices=most_notices),
        care_words(density=density),
    )
    column = (width - _GAP_MM) / 2
    stacked = [page.flow_height_mm(table, width) for table in (about_ports, about_spans) if table is not None]
    stacked.append(max(page.flow_height_mm(words, column) for words in (notes, care)))
    return _Blocks(
        engine=about_engine,
        ports=about_ports,
        spans=about_spans,
        notes=notes,
        care=care,
        fixed_mm=sum(stacked) + _GAPS * _GAP_MM,
        beside_mm=max(page.flow_height_mm(about_engine, width * _ENGINE_SHARE), _LEAST_PLOT_MM),
    )


def _draw_head(
    page: Page, record: SheetRecord, units: UnitSystem, left: float, top: float, width: float
) -> float:
    """Write name, date, stage and file; return the height used [mm]."""
    right = left + width
    facts = [f"stage: {record.port_map.stage}", f"date of the job: {record.date or 'not noted'}"]
    if record.file_sha256:
        facts.append(f"job file: {record.file_sha256[:12]}")
    shown = [fitted(fact, 62.0, 7.5, least_pt=5.5) for fact in facts]
    beside = max(text_width_mm(fact, size) for fact, size in shown) + 6.0
    name, size = fitted(record.name, width - beside, 14.0, least_pt=8.0, font=BOLD)
    page.words((left, top - 4.6), name, size_pt=size, bold=True)
    frame = (
        f"Build sheet. Lengths in {units.length_words}; heights above the base face; x along the wall from"
        " the exhaust centre line; degrees after true TDC."
    )
    words, size = fitted(frame, width - beside, 6.5, least_pt=5.5)
    page.words((left, top - 9.3), words, size_pt=size)
    for line, (fact, size) in enumerate(shown):
        page.words((right, top - 3.2 - 3.4 * line), fact, size_pt=size, bold=line == 0, anchor="right")
    page.line((left, top - 12.0), (right, top - 12.0), width_mm=0.4)
    return _HEAD_MM


def _draw_foot(
    page: Page, record: SheetRecord, left: float, low: float, width: float, number: tuple[int, int]
) -> None:
    from portmap import __version__

    stroke = STAGE_STROKES[record.port_map.stage]
    page.line((left, low + 3.2), (left + width, low + 3.2), width_mm=0.15, colour=GREY)
    page.words((left, low), f"{record.port_map.stage} ports: {stroke.words}", size_pt=6)
    page.words(
        (left + width, low),
        f"portmap {__version__}, page {number[0]} of {number[1]}",
        size_pt=6,
        anchor="right",
    )
