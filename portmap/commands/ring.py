"""The verb that says whether a ring is safe on the ports: ring."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.shown import UnitSystem

__all__ = ["ring"]

DASH = "–"
MARKS = {"fine": "", "look again": "!", "don't": "!!", "not checked": "?"}


def ring(
    job: JobFile,
    stage: Stage = None,
    port: Annotated[
        str | None, typer.Option("--port", metavar="ID", help="One port alone; all of them unless told.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Show what is fine too, and the source of each rule.")
    ] = False,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Whether a piston ring is safe on each window as drawn: fine, look again, or don't.

    The rules are a guide and no permission; most have no source but common practice, and each says so. A job
    may set its own bounds under limits, as in ring_width_dont.
    """
    from portmap.errors import JobError
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.ring import ring_document, ring_verdicts
    from portmap.ring_rules import ring_rules
    from portmap.roof_figures import CARE_LINE
    from portmap.shown import unit_system

    found = read_job(job)
    port_map = port_map_of(found, stage)
    if port is not None and port not in [one.id for one in port_map.ports]:
        names = ", ".join(one.id for one in port_map.ports)
        raise JobError("there is no such port", where="--port", remedy=f"take one of {names}")
    verdicts = ring_verdicts(engine_of(found), port_map, ring_rules(found.limits))
    document = {
        "job": found.name,
        "stage": port_map.stage,
        **ring_document(one for one in verdicts if port is None or one.port in (port, "")),
        "care": CARE_LINE,
        "warnings": [notice.as_dict() for notice in job_notices(found, stage)],
    }
    system = unit_system(units)
    answer(document, as_json=as_json, show=lambda console: _show(console, document, system, everything))


def _show(console: Console, document: dict[str, Any], system: UnitSystem, everything: bool) -> None:
    console.print(f"{document['job']}, {document['stage']} ports: ring safety, by rules that are a guide")
    found = document["verdicts"]
    shown = [one for one in found if one["port"] and (everything or one["grade"] != "fine")]
    if shown:
        columns = ["port, window", "grade", "what", "value", "bound", f"at x, {system.length}"]
        rows = [_row(one, system) for one in shown]
        table(console, [*columns, f"at y, {system.length}"], rows, left=3)
    for one in dict.fromkeys((one["what"], one["why"]) for one in shown if one["grade"] != "fine"):
        console.print(f"  {one[0].capitalize()}: {one[1]}.")
    for one in found:
        if not one["port"]:
            console.print(f"? {one['words']}")
    counts = ", ".join(f"{count} {grade}" for grade, count in document["counts"].items() if count)
    console.print(f"In all: {counts or 'no window to look at'}.")
    if everything:
        console.print("Where the bounds come from:")
        for what, source in dict.fromkeys((one["what"], one["source"]) for one in found):
            console.print(f"  {what}: {source}.")
    console.print(document["care"])


def _row(one: dict[str, Any], system: UnitSystem) -> list[str]:
    bound = one["threshold"]
    return [
        f"{one['port']}, {one['window']}",
        f"{MARKS[one['grade']]:<2} {one['grade']}",
        one["what"],
        _amount(one["value"], one["u"], one["unit"], system),
        DASH if bound is None else _amount(bound, None, one["unit"], system).split(" ")[0],
        system.lengths(one["x_mm"]),
        system.lengths(one["y_mm"]),
    ]


def _amount(value: float, u: float | None, unit: str, system: UnitSystem) -> str:
    from portmap.shown import with_doubt

    if unit == "mm":
        return f"{system.lengths(value, u)} {system.length}"
    decimals = 1 if unit.startswith("deg") else 3
    return f"{with_doubt(value, u, decimals)} {unit}"
