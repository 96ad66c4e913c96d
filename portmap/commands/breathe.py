"""The verb that runs the gas model: breathe."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force, JobFile
from portmap.commands.screen import answer, show_basis, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

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
        typer.Option(
            "--reed",
            metavar="AREA",
            help="Open area of a reed valve, instead of intake ports; one that opens by pressure stands in"
            " the job's engine.intake, as a rotary valve does.",
        ),
    ] = None,
    pipe: Annotated[
        str | None,
        typer.Option(
            "--pipe",
            metavar="BORE",
            help="Bore of a plain pipe on the exhaust, taken as endless: it holds back what blows into it,"
            " and no wave comes back. A muffler whose pressure stays unless told.",
        ),
    ] = None,
    lean: Annotated[
        list[str] | None,
        typer.Option(
            "--lean",
            metavar="NAME=VALUE",
            help="What the model is to lean on in place of the usual: displacement=0.7 or, with a range to"
            " draw from, discharge_exhaust=0.70..0.80. May be repeated; --json lists the names.",
        ),
    ] = None,
    draws: Annotated[
        int,
        typer.Option("--draws", min=0, max=5000, help="Draws of what is uncertain, at every speed, for ±."),
    ] = 0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Of the draws.")] = 1,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write the figures to this file, a row a stage and speed."
        ),
    ] = None,
    traces: Annotated[
        Path | None,
        typer.Option("--traces", metavar="FILE", help="Write the pressures by degree to this file (CSV)."),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """How the cylinder fills and empties through its real ports, and whether the blowdown is long enough.

    A model without waves: what changes between two stages is believed more than what is. No power is
    promised.
    """
    from portmap.breath import NO_WAVES, assumed_case_cm3, breath_notices, breath_run, engine_with_case
    from portmap.errors import QuantityError
    from portmap.files import check_free, write_whole
    from portmap.gas_assumptions import stated_assumptions
    from portmap.gas_table import breath_csv, trace_csv
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.quantity import area_mm2, length_mm, speeds_rpm, volume_cm3

    speeds = speeds_rpm(rpm, where="--rpm")
    wanted = [place for place in (csv, traces) if place is not None]
    if len(wanted) != len(set(wanted)):
        raise QuantityError("both tables cannot be one file", where="--traces", remedy="name another")
    for place in wanted:
        check_free(place, force=force)
    among = stated_assumptions(lean or [])
    volume = _told(case_volume, volume_cm3, "--case-volume")
    reed_mm2, pipe_mm = _told(reed, area_mm2, "--reed"), _told(pipe, length_mm, "--pipe")
    read = read_job(job)
    engine = engine_of(read)
    case_range = None
    if assume_case and volume is None and engine.case_volume_cm3 is None:
        case_range = assumed_case_cm3(engine)
        engine = engine_with_case(engine)
    have = [entry.stage for entry in read.maps]
    chosen = have if stages is None else [name.strip() for name in stages.split(",")]
    maps = {name: port_map_of(read, name) for name in chosen}
    if not maps:
        raise QuantityError("the job has no map of its ports", where="maps", remedy="trace one")
    with waiting("Breathing until every cycle is like the last"):
        run = breath_run(
            engine,
            maps,
            speeds,
            case_volume_cm3=volume,
            case_range_cm3=case_range,
            reed_mm2=reed_mm2,
            pipe_bore_mm=pipe_mm,
            among=among,
            draws=draws,
            drawn_rpm=speeds,
            seed=seed,
        )
    notices = [notice for name in maps for notice in job_notices(read, name)]
    notices += breath_notices(engine, maps, reed_mm2=reed_mm2)
    document = run.document
    document |= {
        "job": read.name,
        "assumed": [*engine.assumed, "all that the gas model leans on: see assumptions"],
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(notices)],
    }
    if csv is not None:
        write_whole(csv, breath_csv(document).encode(), force=force)
        document["csv"] = str(csv)
    if traces is not None:
        write_whole(traces, trace_csv(run).encode(), force=force)
        document["traces"] = str(traces)

    def show(console: Console) -> None:
        console.print(f"{read.name}: {', '.join(maps)}")
        _show(console, document)
        console.print(NO_WAVES)
        show_basis(console, document)
        for place in wanted:
            console.print(f"Wrote {place}.")

    answer(document, as_json=as_json, show=show)


def _told(text: str | None, reader: Callable[..., float], where: str) -> float | None:
    """Return an amount above 0 that was typed, if one was."""
    return None if text is None else float(reader(text, where=where, sign="positive"))


def _show(console: Console, document: dict[str, Any]) -> None:
    from portmap.gas_assumptions import STATED
    from portmap.gas_rows import BREATH_COLUMNS, breath_rows, change_lines, limit_lines
    from portmap.shown import number_text, unit_system

    system = unit_system("mm")
    columns = [name.format(pressure=system.pressure) for name in BREATH_COLUMNS]
    table(console, columns, breath_rows(document, system), left=1)
    console.print("Residual pressure: cylinder over case when the first transfer opens.")
    for line in (*limit_lines(document), *change_lines(document, system)):
        console.print(line)
    if document["draws"]:
        console.print(f"± (k = 2) is from {document['draws']} draws; that the model is right is not in it.")
    if document["exhaust"]["end"] == "pipe":
        bore = document["exhaust"]["pipe_bore_mm"]
        console.print(f"The exhaust blows into a {bore:g} mm pipe, taken as {document['exhaust']['words']}.")
    stated = [
        f"{one['key']} {one['value']:g}"
        + (f" ({one['least']:g} to {one['most']:g})" if one["least"] < one["most"] else "")
        for one in document["assumptions"]
        if one["basis"] == STATED
    ]
    if stated:
        console.print(f"Stated with --lean: {'; '.join(stated)}.")
    cycles = max(stage["cycles"] for stage in document["stages"])
    left = max(stage["left_moving"] for stage in document["stages"])
    console.print(
        f"Steady after {cycles} turns: masses and energies move by {number_text(1e6 * left, 1)} in 10⁶ a turn"
        " at most."
    )
    balance = document["balance"]
    console.print(
        f"Balance over a turn: mass to {number_text(1e9 * balance['mass'], 1)} in 10⁹,"
        f" energy to {number_text(1e9 * balance['energy'], 1)} in 10⁹."
    )
