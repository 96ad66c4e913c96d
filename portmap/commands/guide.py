"""The verb that holds an engine beside published guide figures: guide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage
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
    stage: Stage = None,
    as_json: AsJson = False,
) -> None:
    """Where the ports stand beside published guide figures, and which runs short first as speed rises.

    A guide is no permission and no target; each figure shows its source and who checked it.
    """
    from portmap.gas_rows import guide_source, short_first_words
    from portmap.guide import guide_document, read_lines
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.quantity import speeds_rpm

    speeds = speeds_rpm(rpm, where="--rpm")
    entered = () if lines is None else read_lines(lines)
    read = read_job(job)
    engine, port_map = engine_of(read), port_map_of(read, stage)
    document = {
        "job": read.name,
        "stage": port_map.stage,
        **guide_document(engine, port_map, speeds, lines=entered),
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in job_notices(read, stage)],
    }

    def show(console: Console) -> None:
        console.print(f"{read.name}, {port_map.stage} ports, beside guide figures; wall area")
        for found in document["speeds"]:
            _show_speed(console, found)
        if first := short_first_words(document):
            console.print(first)
        for entry in document["speeds"][0]["guides"]:
            console.print(f"  {guide_source(entry)}")
        console.print("Guides, not permission: most are from books on quicker engines than a saw.")
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def _show_speed(console: Console, found: dict[str, Any]) -> None:
    from portmap.gas_rows import GUIDE_COLUMNS, guide_rows

    table(console, GUIDE_COLUMNS, guide_rows(found), title=f"At {found['rpm']:g} rpm", left=1)
    for line in found["lines"]:
        pressure = DASH if line["pressure_bar"] is None else f"{line['pressure_bar']:.1f} bar"
        checked = f"checked by {line['checked_by']}" if line["checked_by"] else "not checked"
        console.print(f"Your line for {line['of']}: {pressure} mean pressure; {line['source']}, {checked}.")
