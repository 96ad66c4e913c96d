"""The verb that draws 1:1 sheets: template."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, JobFile
from portmap.commands.screen import answer, show_basis

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.errors import Notice
    from portmap.template_drawing import SheetDrawing
    from portmap.template_lay import Lay, TemplateRecord
    from portmap.template_pages import Paper

__all__ = ["template"]

DRAWN = ("pdf", "svg", "dxf")
LISTED = ("csv", "pdf", "json")


def template(
    job: JobFile,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="The file to write; JOB-template.pdf or the like unless told."
        ),
    ] = None,
    file_format: Annotated[
        Literal["pdf", "svg", "dxf", "csv", "json"] | None,
        typer.Option(
            "--format",
            help="pdf, svg or dxf; with --table csv, pdf or json. By the name of --out unless told.",
        ),
    ] = None,
    paper: Annotated[
        Literal["A4", "A3", "Letter"],
        typer.Option("--paper", help="Sheet size of the PDF, on its long side."),
    ] = "A4",
    tiles: Annotated[
        bool, typer.Option("--tiles", help="Let a PDF too large for the paper come in pages to be joined.")
    ] = False,
    outside: Annotated[
        bool,
        typer.Option(
            "--outside/--inside",
            help="Wrap it round the outside of a liner, print facing out, or inside the bore, print facing"
            " the axis.",
        ),
    ] = False,
    outside_diameter: Annotated[
        str | None,
        typer.Option(
            "--outside-diameter", metavar="LENGTH", help="Of the liner, for --outside, as in 52 mm."
        ),
    ] = None,
    paper_thickness: Annotated[
        str, typer.Option("--paper-thickness", metavar="LENGTH", help="Of the paper, as in 0.1 mm.")
    ] = "0.1 mm",
    from_deck: Annotated[
        bool,
        typer.Option("--from-deck", help="The deck is the datum, at the upper edge, and not the base face."),
    ] = False,
    gauge: Annotated[
        str | None,
        typer.Option(
            "--gauge", metavar="PORT", help="Flat gauges for this port's windows, in place of the wall sheet."
        ),
    ] = None,
    table: Annotated[
        bool,
        typer.Option(
            "--table",
            help="The scribe table in place of the sheet: heights to mark along each new edge, and the piston"
            " at each.",
        ),
    ] = False,
    step: Annotated[
        str, typer.Option("--step", metavar="LENGTH|ANGLE", help="Of the table: 1 mm, or 5 deg of bore.")
    ] = "1 mm",
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Draw the ports at true size, to wrap in the bore; or a flat gauge for one port; or list marks.

    All stages that the job has are drawn: stock thin, proposed dashed, ground thick, with the metal to take
    tinted. Print it at 100 % and measure the two 100 mm bars. SVG and DXF come in one piece, in mm.
    """
    if table:
        _table(job, out, file_format, paper=paper, step=step, gauge=gauge, force=force, as_json=as_json)
        return
    from portmap.files import check_free, write_whole
    from portmap.job import read_job
    from portmap.job_template import template_record
    from portmap.quantity import length_mm
    from portmap.template_lay import lay_on, sheet_x_factor
    from portmap.template_pages import BAR_MM

    kind = _format_of(out, file_format, DRAWN)
    thickness = length_mm(paper_thickness, where="--paper-thickness", sign="not negative")
    diameter = None
    if outside_diameter is not None:
        diameter = length_mm(outside_diameter, where="--outside-diameter", sign="positive")
    place = out or Path(f"{job.stem}-{'template' if gauge is None else 'gauge'}.{kind}")
    check_free(place, force=force)
    found = read_job(job)
    record = template_record(found, job.read_bytes())
    lay, notices = lay_on(
        record.engine,
        side="outside" if outside or diameter is not None else "inside",
        paper_thickness_mm=thickness,
        outside_diameter_mm=diameter,
        datum="deck" if from_deck else "base",
    )
    record = _with_notices(record, notices)
    sheet = _sheet(record, lay, gauge, paper if kind == "pdf" else None, tiles=tiles)
    write_whole(place, _bytes_of(sheet, kind), force=force)
    first = sheet.pages[0]
    document: dict[str, Any] = {
        "template": str(place),
        "format": kind,
        "job": record.name,
        "job_sha256": record.file_sha256,
        "stages": [port_map.stage for port_map in record.port_maps],
        "gauge": gauge,
        "side": lay.side,
        "datum": lay.datum,
        "bore_mm": record.engine.bore_mm,
        "paper_thickness_mm": lay.paper_thickness_mm,
        "outside_diameter_mm": lay.outside_diameter_mm,
        "x_factor": None if gauge is not None else sheet_x_factor(record.engine.bore_mm, lay),
        "paper": paper if kind == "pdf" else None,
        "page_mm": [first.width_mm, first.height_mm],
        "pages": len(sheet.pages),
        "bar_mm": BAR_MM,
        "assumed": list(record.engine.assumed),
        "fitted": list(record.engine.fitted),
        "warnings": [notice.as_dict() for notice in record.notices],
    }

    def show(console: Console) -> None:
        stages = ", ".join(document["stages"])
        console.print(f"{record.name}: {stages}")
        if gauge is not None:
            console.print(f"Flat gauge for {gauge}: widths are chords, as seen from the bore axis.")
        else:
            facing = "the bore axis" if lay.side == "inside" else "out"
            console.print(
                f"Lies {lay.side}, print facing {facing}; x is {abs(document['x_factor']):.5f} of the wall's"
                f" for paper of {thickness:g} mm."
            )
        show_basis(console, document)
        pages = "one page" if len(sheet.pages) == 1 else f"{len(sheet.pages)} pages to be joined"
        console.print(f"Wrote {place}, {pages}. Print at 100 % and measure both bars: 100.0 mm.")

    answer(document, as_json=as_json, show=show)


def _table(
    job: Path,
    out: Path | None,
    file_format: str | None,
    *,
    paper: str,
    step: str,
    gauge: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Write the marks to scribe."""
    from portmap.errors import QuantityError
    from portmap.files import check_free, write_whole
    from portmap.job import engine_of, read_job
    from portmap.job_review import job_notices
    from portmap.job_template import job_marks
    from portmap.scribe_table import scribe_bytes, scribe_document, scribe_format

    if gauge is not None:
        raise QuantityError(
            "the scribe table is of all ports, a gauge of one", where="--gauge", remedy="ask for one of them"
        )
    kind = scribe_format(f".{_format_of(out, file_format, LISTED)}")
    place = out or Path(f"{job.stem}-scribe.{kind}")
    check_free(place, force=force)
    found = read_job(job)
    engine = engine_of(found)
    marks = job_marks(found, _step_mm(step, engine.bore_mm))
    size: Any = paper
    content = scribe_bytes(kind, marks.rows, found.name, marks.stage, basis=marks.basis, paper=size)
    write_whole(place, content, force=force)
    document: dict[str, Any] = {
        "table": str(place),
        "format": kind,
        "job": found.name,
        "stage": marks.stage,
        "start": marks.start,
        "rows": scribe_document(marks.rows),
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in job_notices(found, marks.stage)],
    }

    def show(console: Console) -> None:
        what = "all roofs" if marks.start is None else f"what changes from {marks.start}"
        console.print(f"{found.name}: {marks.stage}, {what}")
        show_basis(console, document)
        console.print(f"Wrote {place}, {len(marks.rows)} marks.")

    answer(document, as_json=as_json, show=show)


def _step_mm(text: str, bore_mm: float) -> float:
    """Return a step along the wall, from a length or from degrees of bore."""
    import math

    from portmap.errors import QuantityError
    from portmap.quantity import angle_deg, length_mm

    if text.strip().lower().rstrip(".").endswith(("°", "deg", "degree", "degrees")):
        return math.radians(angle_deg(text, where="--step", sign="positive")) * bore_mm / 2
    try:
        return length_mm(text, where="--step", sign="positive")
    except QuantityError as error:
        raise QuantityError(error.message, where="--step", remedy="give 1 mm, or 5 deg of bore") from None


def _format_of(out: Path | None, asked: str | None, known: tuple[str, ...]) -> str:
    """Return the kind of file, from what was asked for and the file's name."""
    from portmap.errors import QuantityError

    if asked is not None and asked not in known:
        raise QuantityError(
            f"{asked} is not a kind for this", where="--format", remedy=f"take {', '.join(known)}"
        )
    ending = "" if out is None else out.suffix.lower().lstrip(".")
    if asked is None:
        if out is not None and ending not in known:
            raise QuantityError(
                f"{out.name} ends in none of {', '.join(f'.{kind}' for kind in known)}",
                where="--out",
                remedy="name it so, or give --format",
            )
        return ending or known[0]
    if ending in {*DRAWN, *LISTED} and ending != asked:
        raise QuantityError(
            f"the file's name ends in .{ending}, but --format is {asked}",
            where="--out",
            remedy="leave one of them out",
        )
    return asked


def _with_notices(record: TemplateRecord, notices: tuple[Notice, ...]) -> TemplateRecord:
    from dataclasses import replace

    return replace(record, notices=(*notices, *record.notices))


def _sheet(
    record: TemplateRecord, lay: Lay, gauge: str | None, paper: Paper | None, *, tiles: bool
) -> SheetDrawing:
    from portmap.template import gauge_sheet, wall_sheet

    if gauge is not None:
        return gauge_sheet(record, gauge, lay, paper=paper)
    return wall_sheet(record, lay, paper=paper, tiles=tiles)


def _bytes_of(sheet: SheetDrawing, kind: str) -> bytes:
    if kind == "svg":
        from portmap.template_svg import template_svg

        return template_svg(sheet)
    if kind == "dxf":
        from portmap.template_dxf import template_dxf

        return template_dxf(sheet)
    from portmap.template_pdf import template_pdf

    return template_pdf(sheet)
