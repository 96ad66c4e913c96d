"""The verbs about the job file: new, check, schema."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, JobFile
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.job import Job
    from portmap.port import PortMap

__all__ = ["check", "new", "schema"]


def new(
    map_file: Annotated[Path, typer.Option("--map", metavar="FILE", help="A map that portmap trace wrote.")],
    engine: Annotated[
        Path,
        typer.Option(
            "--engine",
            metavar="FILE",
            help='JSON with bore_mm, stroke_mm, crown_height_mm and more: {"engine": {...},'
            ' "cylinder": {...}} or side by side; or another job of the same engine.',
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The job file to write.")],
    assign: Annotated[
        list[str] | None,
        typer.Option(
            "--assign",
            metavar="NUMBERS=KIND[:NAME]",
            help="Which windows are what: NUMBERS=KIND or NUMBERS=KIND:NAME, as in 2,3=transfer:main. May be"
            " given several times; windows of one kind make one port unless named. The rest is guessed from"
            " its place and marked as a guess.",
        ),
    ] = None,
    control: Annotated[
        list[str] | None,
        typer.Option(
            "--control",
            metavar="PORT=EDGE",
            help="What opens a port if not the usual edge: PORT=crown, skirt, pocket or none, as in"
            " intake=none for a reed or a rotary valve.",
        ),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", metavar="NAME", help="The job's name.")] = None,
    stage: Annotated[
        Literal["stock", "proposed", "ground"], typer.Option("--stage", help="What the map shows.")
    ] = "stock",
    sheet_thickness: Annotated[
        str | None,
        typer.Option(
            "--sheet-thickness",
            metavar="LENGTH",
            help="Of the lifted sheet, as in 0.1 mm; corrects x for its curl.",
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Make a job of a traced map and what is known of the engine."""
    from datetime import date

    from portmap.assign import assignment_of, control_of
    from portmap.files import check_free, read_json
    from portmap.job import engine_of, port_map_of, write_job
    from portmap.job_new import new_job
    from portmap.map_file import read_map
    from portmap.quantity import length_mm

    check_free(out, force=force)
    thickness = None
    if sheet_thickness is not None:
        thickness = length_mm(sheet_thickness, where="--sheet-thickness", sign="not negative")
    job, notices = new_job(
        read_map(map_file),
        read_json(engine),
        assignments=[assignment_of(text) for text in assign or ()],
        controls=[control_of(text) for text in control or ()],
        name=name,
        stage=stage,
        sheet_thickness_mm=thickness,
        created=date.today().isoformat(),
    )
    write_job(out, job, force=force)
    known = engine_of(job)
    document = {
        "job": str(out),
        "name": job.name,
        "stage": stage,
        "ports": _port_list(port_map_of(job, stage)),
        "assumed": list(known.assumed),
        "fitted": list(known.fitted),
        "warnings": [notice.as_dict() for notice in notices],
    }

    def show(console: Console) -> None:
        _show_ports(console, document)
        show_basis(console, document)
        console.print(f"Wrote {out}.")

    answer(document, as_json=as_json, show=show)


def check(job: JobFile, as_json: AsJson = False) -> None:
    """List all faults of a job; or, if it is sound, what is in it, what it lacks and what is doubtful."""
    from portmap.fit import fit_readings
    from portmap.job import engine_of, read_job
    from portmap.job_review import missing_fields, reviewed
    from portmap.readings import readings_of
    from portmap.shop_limits import limits_of
    from portmap.volume import swept_volume_cm3

    found = read_job(job)
    engine = engine_of(found)
    limits_of(found)
    notices = list(reviewed(found))
    if readings_of(found):
        notices += fit_readings(found).notices
    document: dict[str, Any] = {
        "job": found.name,
        "sound": True,
        "readings": len(found.readings),
        "swept_volume_cm3": swept_volume_cm3(engine),
        "maps": _map_list(found),
        "missing": [{"where": path, "for": use} for path, use in missing_fields(found)],
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys(notices)],
    }

    def show(console: Console) -> None:
        console.print(f"{found.name}: the file is sound.")
        console.print(
            f"Bore {engine.bore_mm:g} mm, stroke {engine.crank.stroke_mm:g} mm,"
            f" swept volume {document['swept_volume_cm3']:.2f} cm³."
        )
        for port_map in document["maps"]:
            _show_ports(console, port_map)
        for gap in document["missing"]:
            console.print(f"Not given: {gap['where']} ({gap['for']}).")
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def schema(
    of: Annotated[
        Literal["job", "map"], typer.Argument(metavar="[job|map]", help="Which kind of file.")
    ] = "job",
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write it to this file.")] = None,
    force: Force = False,
    as_json: Annotated[bool, typer.Option("--json", help="The schema is JSON in any case.")] = False,
) -> None:
    """Print the JSON Schema of job or map files."""
    from portmap.files import write_json
    from portmap.job import job_schema
    from portmap.map_file import map_schema

    document = job_schema() if of == "job" else map_schema()
    if out is None:
        answer(document, as_json=True, show=lambda console: None)
        return
    write_json(out, document, force=force)
    answer({"schema": str(out)}, as_json=as_json, show=lambda console: console.print(f"Wrote {out}."))


def _map_list(job: Job) -> list[dict[str, Any]]:
    from portmap.job import port_map_of

    maps = (port_map_of(job, entry.stage) for entry in job.maps)
    return [{"stage": port_map.stage, "ports": _port_list(port_map)} for port_map in maps]


def _port_list(port_map: PortMap) -> list[dict[str, Any]]:
    return [
        {
            "id": port.id,
            "kind": port.kind,
            "kind_guessed": port.kind_guessed,
            "control": port.control,
            "windows": len(port.windows),
        }
        for port in port_map.ports
    ]


def _show_ports(console: Console, port_map: dict[str, Any]) -> None:
    rows = [
        [
            port["id"],
            f"{port['kind']} (guessed)" if port["kind_guessed"] else port["kind"],
            port["control"],
            str(port["windows"]),
        ]
        for port in port_map["ports"]
    ]
    title = f"{port_map['stage'].capitalize()} ports"
    table(console, ["port", "kind", "opened by", "windows"], rows, title=title, left=3)
