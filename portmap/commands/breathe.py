"""The verb that runs the gas model: breathe."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force, JobFile
from portmap.commands.screen import answer, show_basis, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.gasflow import Breath

__all__ = ["breathe"]


def breathe(
    job: JobFile,
    rpm: Annotated[str, typer.Option("--rpm", metavar="SPEEDS", help="9000, or 6000,9000, or FROM:TO:STEP.")],
    stages: Annotated[
        str | None,
        typer.Option("--stages", metavar="NAMES", help="Of stock, proposed, ground; all the job has."),
    ] = None,
    case_volume: Annotated[
        str | None,
        typer.Option("--case-volume", metavar="VOLUME", help="Of the case, piston at TDC, as in 190 cc."),
    ] = None,
    assume_case: Annotated[
        bool,
        typer.Option(
            "--assume-case", help="Take a usual case volume, marked as assumed, if nobody measured it."
        ),
    ] = False,
    reed: Annotated[
        str | None,
        typer.Option("--reed", metavar="AREA", help="Open area of a reed valve, instead of intake ports."),
    ] = None,
    draws: Annotated[
        int, typer.Option("--draws", min=0, max=5000, help="Draws of what is uncertain, at the first speed.")
    ] = 0,
    seed: Annotated[int, typer.Option("--seed", help="Of the draws.")] = 1,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the pressures by degree to this file.")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """How the cylinder fills and empties through its real ports, and whether the blowdown is long enough.

    A model without waves: what changes between two stages is believed more than what is. No power is
    promised.
    """
    from portmap.breath import NO_WAVES, breath_document, engine_with_case
    from portmap.errors import QuantityError
    from portmap.files import check_free, write_whole
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.quantity import area_mm2, speeds_rpm, volume_cm3

    speeds = speeds_rpm(rpm, where="--rpm")
    if csv is not None:
        check_free(csv, force=force)
    read = read_job(job)
    engine = engine_of(read)
    if assume_case and case_volume is None:
        engine = engine_with_case(engine)
    have = [entry.stage for entry in read.maps]
    chosen = have if stages is None else [name.strip() for name in stages.split(",")]
    maps = {name: port_map_of(read, name) for name in chosen}
    if not maps:
        raise QuantityError("the job has no map of its ports", where="maps", remedy="trace one")
    with waiting("Breathing until every cycle is like the last"):
        document, breaths = breath_document(
            engine,
            maps,
            speeds,
            case_volume_cm3=None
            if case_volume is None
            else volume_cm3(case_volume, where="--case-volume", sign="positive"),
            reed_mm2=None if reed is None else area_mm2(reed, where="--reed", sign="positive"),
            draws=draws,
            seed=seed,
        )
    document = {
        "job": read.name,
        **document,
        "assumed": [*engine.assumed, "all that the gas model leans on: see assumptions"],
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for name in maps for notice in job_notices(read, name)],
    }
    if csv is not None:
        write_whole(csv, _csv(breaths, speeds).encode(), force=force)
        document["csv"] = str(csv)

    def show(console: Console) -> None:
        console.print(f"{read.name}: {', '.join(maps)}")
        _show(console, document)
        console.print(NO_WAVES)
        show_basis(console, document)
        if csv is not None:
            console.print(f"Wrote {csv}.")

    answer(document, as_json=as_json, show=show)


def _csv(breaths: dict[str, Breath], speeds: tuple[float, ...]) -> str:
    names = list(breaths)
    lines = ["stage,rpm,deg,cylinder_bar,case_bar,fresh_share"]
    for name in names:
        breath = breaths[name]
        for number, speed in enumerate(speeds):
            for row, deg in enumerate(breath.deg):
                lines.append(
                    f"{name},{speed:g},{deg:.4f},{breath.cylinder_pa[row, number] / 1e5:.6g},"
                    f"{breath.case_pa[row, number] / 1e5:.6g},{breath.fresh_share[row, number]:.6g}"
                )
    return "\n".join(lines) + "\n"


def _show(console: Console, document: dict[str, Any]) -> None:
    from portmap.gas_rows import BREATH_COLUMNS, breath_rows, change_lines
    from portmap.shown import number_text, unit_system

    system = unit_system("mm")
    columns = [name.format(pressure=system.pressure) for name in BREATH_COLUMNS]
    table(console, columns, breath_rows(document, system), left=1)
    console.print("Residual pressure: cylinder over case when the first transfer opens.")
    for line in change_lines(document, system):
        console.print(line)
    balance = document["balance"]
    console.print(
        f"Balance over a turn: mass to {number_text(1e9 * balance['mass'], 1)} in 10⁹,"
        f" energy to {number_text(1e9 * balance['energy'], 1)} in 10⁹."
    )
