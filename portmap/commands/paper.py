"""The verbs that draw on paper: sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, JobFile, Units
from portmap.commands.screen import answer

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["sheet"]

RPM_UNLESS_TOLD = "6000:12000:2000"


def sheet(
    job: JobFile,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="A PDF, or HTML if it ends in .html.")],
    rpm: Annotated[
        str, typer.Option("--rpm", help="Speeds for the time-areas: 9000, or 6000,9000, or FROM:TO:STEP.")
    ] = RPM_UNLESS_TOLD,
    units: Units = "mm",
    paper: Annotated[Literal["A4", "Letter"], typer.Option("--paper", help="Sheet size, upright.")] = "A4",
    stage: Annotated[
        Literal["stock", "proposed", "ground"] | None,
        typer.Option(
            "--stage",
            help="Of the first page: the ground ports if the job has them, else stock, unless told.",
        ),
    ] = None,
    reader: Annotated[
        Literal["customer", "bench", "all"],
        typer.Option(
            "--for",
            help="Whom the pages after the first are for: the customer has no readings, effects and steps;"
            " the bench no lines for handing over. Both have the log and its photos.",
        ),
    ] = "all",
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write the build sheet: engine, ports to scale, timings, areas, time-areas, doubts and cautions.

    One page holds those; before and after, plan, log, photos, readings and lines to write on follow it. The
    same job file and pictures give the same bytes. HTML is one file that needs no other.
    """
    from portmap.errors import Notice
    from portmap.files import check_free, write_whole
    from portmap.job import read_job
    from portmap.job_sheet import sheet_record
    from portmap.pack import job_picture_bytes
    from portmap.quantity import speeds_rpm
    from portmap.sheet import sheet_pdf
    from portmap.sheet_html import sheet_html

    speeds = speeds_rpm(rpm, where="--rpm")
    check_free(out, force=force)
    record = sheet_record(
        read_job(job),
        job.read_bytes(),
        stage=stage,
        reader=reader,
        picture_bytes=lambda picture: job_picture_bytes(job, picture),
    )
    as_html = out.suffix.lower() in (".html", ".htm")
    if as_html:
        content = sheet_html(record, rpm=speeds, units=units)
    else:
        content = sheet_pdf(record, rpm=speeds, units=units, paper=paper)
    write_whole(out, content, force=force)
    photos = record.further.photos if record.further is not None else ()
    hidden = [
        Notice(code="photo-not-shown", message=f"Photo {one.name} is not on the sheet: {one.trouble}.")
        for one in photos
        if one.trouble
    ]
    document: dict[str, Any] = {
        "sheet": str(out),
        "job": record.name,
        "stage": record.port_map.stage,
        "job_sha256": record.file_sha256,
        "for": reader,
        "paper": None if as_html else paper,
        "units": units,
        "rpm": list(speeds),
        "photos": sum(not one.trouble for one in photos),
        "warnings": [notice.as_dict() for notice in (*record.notices, *hidden)],
    }

    def show(console: Console) -> None:
        console.print(f"{record.name}, {record.port_map.stage} ports")
        for notice in hidden:
            console.print(notice.message, soft_wrap=True)
        if as_html:
            console.print(f"Wrote {out}, one file for any browser.")
        else:
            console.print(f"Wrote {out}, {paper}. Print at 100 %, nothing fitted or scaled.")

    answer(document, as_json=as_json, show=show)
