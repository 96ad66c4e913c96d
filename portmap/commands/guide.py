"""The verb that holds an engine beside published guide figures: guide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force, JobFile, Stage
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["guide"]

DASH = "–"


def guide(
    job: JobFile,
    rpm: Annotated[
        str,
        typer.Option("--rpm", metavar="SPEEDS", help="Speeds that the engine is for: 9000, or 6000,9000."),
    ],
    lines: Annotated[
        Path | None,
        typer.Option(
            "--lines",
            metavar="FILE",
            help="Your own lines of specific time-area against mean pressure, with their source (TOML).",
        ),
    ] = None,
    unverified: Annotated[
        bool,
        typer.Option(
            "--unverified",
            help="Hold the engine beside figures from memory that nobody verified, too; marked.",
        ),
    ] = False,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write the verdicts to this file, a row a speed and guide."
        ),
    ] = None,
    stage: Stage = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Where the ports stand beside published guide figures, and which runs short first as speed rises.

    A guide is no permission and no target; each figure shows its source and who checked it.
    """
    from portmap.files import check_free, write_whole
    from portmap.gas_rows import guide_source, short_first_words, switched_off_lines
    from portmap.gas_table import guide_csv
    from portmap.guide import guide_document
    from portmap.guide_lines import read_lines
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.quantity import speeds_rpm

    speeds = speeds_rpm(rpm, where="--rpm")
    if csv is not None:
        check_free(csv, force=force)
    entered = () if lines is None else read_lines(lines)
    read = read_job(job)
    engine, port_map = engine_of(read), port_map_of(read, stage)
    document = {
        "job": read.name,
        "stage": port_map.stage,
        **guide_document(engine, port_map, speeds, lines=entered, unverified=unverified),
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in job_notices(read, stage)],
    }

    if csv is not None:
        write_whole(csv, guide_csv(document).encode(), force=force)
        document["csv"] = str(csv)

    def show(console: Console) -> None:
        console.print(f"{read.name}, {port_map.stage} ports, beside guide figures; wall area")
        for found in document["speeds"]:
            _show_speed(console, found)
        if first := short_first_words(document):
            console.print(first)
        for entry in document["speeds"][0]["guides"]:
            console.print(f"  {guide_source(entry)}")
        if off := switched_off_lines(document):
            console.print(
                "Switched off, for nobody could verify them; --unverified holds the engine beside them:"
            )
            for line in off:
                console.print(f"  {line}")
        console.print("Guides, not permission: most are from books on quicker engines than a saw.")
        show_basis(console, document)
        if csv is not None:
            console.print(f"Wrote {csv}.")

    answer(document, as_json=as_json, show=show)


def _show_speed(console: Console, found: dict[str, Any]) -> None:
    from portmap.gas_rows import GUIDE_COLUMNS, guide_rows

    table(console, GUIDE_COLUMNS, guide_rows(found), title=f"At {found['rpm']:g} rpm", left=1)
    for line in found["lines"]:
        pressure = DASH if line["pressure_bar"] is None else f"{line['pressure_bar']:.1f} bar"
        checked = f"checked by {line['checked_by']}" if line["checked_by"] else "not checked"
        console.print(f"Your line for {line['of']}: {pressure} mean pressure; {line['source']}, {checked}.")
