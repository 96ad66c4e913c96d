"""The verbs that draw on paper: sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, JobFile, Stage, Units
from portmap.commands.screen import answer

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["sheet"]

RPM_UNLESS_TOLD = "6000:12000:2000"


def sheet(
    job: JobFile,
    out: Annotated[Path, typer.Option("--out", help="The PDF to write.")],
    rpm: Annotated[
        str, typer.Option("--rpm", help="Speeds for the time-areas: 9000, or 6000,9000, or FROM:TO:STEP.")
    ] = RPM_UNLESS_TOLD,
    units: Units = "mm",
    paper: Annotated[Literal["A4", "Letter"], typer.Option("--paper", help="Sheet size, upright.")] = "A4",
    stage: Stage = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Write the build sheet: engine, ports to scale, timings, areas, time-areas, doubts and cautions.

    One page; the same job file gives the same bytes.
    """
    from portmap.files import check_free, write_whole
    from portmap.job import read_job
    from portmap.job_sheet import sheet_record
    from portmap.quantity import speeds_rpm
    from portmap.sheet import sheet_pdf

    speeds = speeds_rpm(rpm, where="--rpm")
    check_free(out, force=force)
    record = sheet_record(read_job(job), job.read_bytes(), stage=stage)
    write_whole(out, sheet_pdf(record, rpm=speeds, units=units, paper=paper), force=force)
    document: dict[str, Any] = {
        "sheet": str(out),
        "job": record.name,
        "stage": record.port_map.stage,
        "job_sha256": record.file_sha256,
        "paper": paper,
        "units": units,
        "rpm": list(speeds),
        "warnings": [notice.as_dict() for notice in record.notices],
    }

    def show(console: Console) -> None:
        console.print(f"{record.name}, {record.port_map.stage} ports")
        console.print(f"Wrote {out}, {paper}. Print at 100 %, nothing fitted or scaled.")

    answer(document, as_json=as_json, show=show)
