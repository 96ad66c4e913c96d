"""What can be printed or taken along, as files: each from the job as it is on the screen."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import Literal

from portmap.app.store import OpenJob, content_of
from portmap.area_table import area_csv
from portmap.job import Job, engine_of, port_map_of
from portmap.job_template import job_marks, template_record
from portmap.scribe_table import ScribeFormat, scribe_bytes
from portmap.shown import UnitName
from portmap.template_drawing import SheetDrawing
from portmap.template_lay import TemplateRecord, lay_on
from portmap.template_pages import Paper

__all__ = [
    "MIME",
    "WallWishes",
    "areas_file",
    "card_file",
    "file_of",
    "gauge_file",
    "marks_file",
    "sheet_file",
    "wall_file",
]

Drawn = Literal["pdf", "svg", "dxf"]
CardKind = Literal["flat", "ring", "strip", "board"]

MIME = {
    "pdf": "application/pdf",
    "svg": "image/svg+xml",
    "dxf": "image/vnd.dxf",
    "csv": "text/csv",
    "html": "text/html",
    "json": "application/json",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class WallWishes:
    """How the sheet for the wall is wanted.

    Parameters
    ----------
    kind : {'pdf', 'svg', 'dxf'}
    paper : {'A4', 'A3', 'Letter'}
        Of a PDF.
    tiles : bool
        Whether a PDF may come in several pages to be joined.
    side : {'inside', 'outside'}
    thickness_mm : float
        Of the paper [mm].
    outside_diameter_mm : float or None
        Of the liner [mm].
    datum : {'base', 'deck'}
    """

    kind: Drawn
    paper: Paper
    tiles: bool
    side: Literal["inside", "outside"]
    thickness_mm: float
    outside_diameter_mm: float | None
    datum: Literal["base", "deck"]


def file_of(opened: OpenJob) -> bytes:
    """Return the job's file; if it does not hold what is on the screen, what it would be."""
    if opened.saved:
        content = opened.path.read_bytes()
        if hashlib.sha256(content).hexdigest() == opened.revision:
            return content
    return content_of(opened.job)


def sheet_file(
    opened: OpenJob,
    *,
    kind: Literal["pdf", "html"],
    reader: Literal["customer", "bench", "all"],
    stage: str,
    rpm: tuple[float, ...],
    units: UnitName,
    paper: Literal["A4", "Letter"],
) -> bytes:
    """Return the build sheet, with the photos that stand beside the job's file.

    Raises
    ------
    PortmapError
        If the job has no such map, or the sheet cannot be made.
    """
    from portmap.job_sheet import sheet_record
    from portmap.pack import job_picture_bytes
    from portmap.sheet import sheet_pdf
    from portmap.sheet_html import sheet_html

    record = sheet_record(
        opened.job,
        file_of(opened),
        stage=stage,
        reader=reader,
        picture_bytes=lambda picture: job_picture_bytes(opened.path, picture),
    )
    if kind == "html":
        return sheet_html(record, rpm=rpm, units=units)
    return sheet_pdf(record, rpm=rpm, units=units, paper=paper)


def wall_file(job: Job, file: bytes, wishes: WallWishes) -> bytes:
    """Return the sheet that goes round the wall at true size.

    Raises
    ------
    PortmapError
        If it cannot be laid so.
    """
    from portmap.template import wall_sheet

    record = template_record(job, file)
    lay, notices = lay_on(
        record.engine,
        side=wishes.side,
        paper_thickness_mm=wishes.thickness_mm,
        outside_diameter_mm=wishes.outside_diameter_mm,
        datum=wishes.datum,
    )
    record = replace(record, notices=(*notices, *record.notices))
    paper = wishes.paper if wishes.kind == "pdf" else None
    return _drawn(wall_sheet(record, lay, paper=paper, tiles=wishes.tiles), wishes.kind)


def gauge_file(job: Job, file: bytes, port: str, *, kind: Drawn, paper: Paper) -> bytes:
    """Return the flat gauges of a port's windows.

    Raises
    ------
    PortmapError
        If there is no such port.
    """
    from portmap.template import gauge_sheet

    record: TemplateRecord = template_record(job, file)
    lay, _ = lay_on(record.engine)
    return _drawn(gauge_sheet(record, port, lay, paper=paper if kind == "pdf" else None), kind)


def marks_file(job: Job, *, kind: ScribeFormat, step_mm: float, units: UnitName) -> bytes:
    """Return the table of heights to scribe.

    Raises
    ------
    PortmapError
        If there is nothing to mark.
    """
    marks = job_marks(job, step_mm)
    return scribe_bytes(kind, marks.rows, job.name, marks.stage, basis=marks.basis, units=units)


def areas_file(job: Job, *, stage: str) -> bytes:
    """Return opened area against degree and height, CSV.

    Raises
    ------
    PortmapError
        If the job has no such map.
    """
    return area_csv(engine_of(job), port_map_of(job, stage)).encode()


def card_file(kind: CardKind, *, paper: Paper, bore_mm: float, height_mm: float) -> bytes:
    """Return a calibration card, a PDF.

    Parameters
    ----------
    kind : {'flat', 'ring', 'strip', 'board'}
    paper : {'A4', 'A3', 'Letter'}
        For the flat card and the board.
    bore_mm : float
        For ring and strip [mm].
    height_mm : float
        Of the strip [mm].

    Raises
    ------
    PortmapError
        If no card fits.
    """
    from portmap.picture.board_card import board_card
    from portmap.picture.bore_cards import ring_card, strip_card
    from portmap.picture.card import flat_card
    from portmap.picture.card_drawing import card_pdf

    if kind == "ring":
        return card_pdf(ring_card(bore_mm))
    if kind == "strip":
        return card_pdf(strip_card(bore_mm, height_mm=height_mm))
    return card_pdf(flat_card(paper) if kind == "flat" else board_card(paper))


def _drawn(sheet: SheetDrawing, kind: Drawn) -> bytes:
    from portmap.template_dxf import template_dxf
    from portmap.template_pdf import template_pdf
    from portmap.template_svg import template_svg

    return {"pdf": template_pdf, "svg": template_svg, "dxf": template_dxf}[kind](sheet)
