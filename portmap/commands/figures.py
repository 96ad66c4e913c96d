"""The verbs that give figures: timing, areas, timearea."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import Area, AsJson, Force, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.engine import Engine
    from portmap.errors import Notice
    from portmap.port import PortMap
    from portmap.shown import UnitSystem

__all__ = ["areas", "timearea", "timing"]

AT_UNLESS_TOLD = "0:180:10"
DASH = "–"


def timing(job: JobFile, stage: Stage = None, as_json: AsJson = False) -> None:
    """When each port opens and closes, in crank degrees after top dead centre, and the blowdown.

    The doubt shown (±, two standard uncertainties) is that of the outlines alone, until portmap fit has said
    how sure the engine's figures are; portmap spread takes the doubt of every figure into account.
    """
    from portmap.figures import edge_timing_document, timing_document
    from portmap.job import engine_of, notices_of, port_edges_of, port_map_of, read_job
    from portmap.job_review import job_notices
    from portmap.shown import with_doubt

    read = read_job(job)
    engine, name = engine_of(read), read.name
    if read.maps or stage is not None or not read.edges:
        found = timing_document(engine, port_map_of(read, stage), notices=job_notices(read, stage))
    else:
        found = edge_timing_document(engine, port_edges_of(read), notices=notices_of(read.warnings))
    document = {"job": name, **found}

    def show(console: Console) -> None:
        ports = "ports from readings" if document["stage"] is None else f"{document['stage']} ports"
        console.print(f"{name}, {ports}")
        rows = [row for port in document["ports"] for row in _timing_rows(port)]
        table(console, ["port", "kind", "opens", "closes", "open for"], rows, left=2)
        blowdown, u_deg = document["blowdown_deg"], document["blowdown_u_deg"]
        if blowdown is not None:
            console.print(f"Blowdown: {with_doubt(blowdown, u_deg, 1 if u_deg is None else 2)} degrees.")
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def areas(
    job: JobFile,
    at: Annotated[
        str, typer.Option("--at", metavar="ANGLES", help="Crank angles: 110,120,130 or FROM:TO:STEP.")
    ] = AT_UNLESS_TOLD,
    area: Area = "wall",
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write opened area against degree and against height to this file."
        ),
    ] = None,
    stage: Stage = None,
    units: Units = "mm",
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Each port's area, whole and opened at given crank angles.

    Wall area is that of the developed wall, chord area what a flat gauge laid across the window sees.
    """
    from portmap.area_table import area_csv
    from portmap.figures import areas_document
    from portmap.files import check_free, write_whole
    from portmap.quantity import angles_deg
    from portmap.shown import unit_system

    angles = angles_deg(at, where="--at")
    if csv is not None:
        check_free(csv, force=force)
    engine, port_map, notices, name = _read(job, stage)
    document = {"job": name, **areas_document(engine, port_map, angles, area=area, notices=notices)}
    if csv is not None:
        write_whole(csv, area_csv(engine, port_map).encode(), force=force)
        document["csv"] = str(csv)
    system = unit_system(units)

    def show(console: Console) -> None:
        console.print(f"{name}, {port_map.stage} ports")
        _show_whole_areas(console, document, system)
        _show_opened_areas(console, document, system)
        show_basis(console, document)
        if csv is not None:
            console.print(f"Wrote {csv}.")

    answer(document, as_json=as_json, show=show)


def timearea(
    job: JobFile,
    rpm: Annotated[
        str,
        typer.Option(
            "--rpm",
            metavar="SPEEDS",
            help="Speeds: 9000, or 6000,9000, or FROM:TO:STEP as in 6000:14000:500.",
        ),
    ],
    area: Area = "wall",
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Angle-areas, time-areas and specific time-areas of exhaust, blowdown, transfer and intake.

    Specific time-area is time-area over swept volume.
    """
    from portmap.figures import timearea_document
    from portmap.quantity import speeds_rpm
    from portmap.shown import unit_system

    speeds = speeds_rpm(rpm, where="--rpm")
    engine, port_map, notices, name = _read(job, stage)
    document = {"job": name, **timearea_document(engine, port_map, speeds, area=area, notices=notices)}
    system = unit_system(units)

    def show(console: Console) -> None:
        swept = system.volumes(document["swept_volume_cm3"])
        console.print(f"{name}, {port_map.stage} ports, {area} area; swept volume {swept} {system.volume}")
        if "sweep" in document:
            _show_sweep(console, document, system)
        else:
            _show_spans(console, document, system)
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def _read(path: Path, stage: str | None) -> tuple[Engine, PortMap, tuple[Notice, ...], str]:
    from portmap.job import engine_of, port_map_of, read_job
    from portmap.job_review import job_notices

    job = read_job(path)
    return engine_of(job), port_map_of(job, stage), job_notices(job, stage), job.name


def _kind(port: dict[str, Any]) -> str:
    return f"{port['kind']} (guessed)" if port.get("kind_guessed") else str(port["kind"])


def _timing_rows(port: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    from portmap.shown import with_doubt

    name, kind, u_deg, lasts_u_deg = port["id"], _kind(port), port["opens_u_deg"], port["duration_u_deg"]
    if port["state"] != "opens and closes":
        yield name, kind, DASH, DASH, port["state"]
        return
    decimals = 1 if u_deg is None else 2
    for opening in port.get("openings", [port]):
        opens, closes = opening["opens_deg"], opening["closes_deg"]
        before = f" ({with_doubt(360.0 - opens, None, 1)}° before TDC)" if opens > closes else ""
        yield (
            name,
            kind,
            f"{with_doubt(opens, u_deg, decimals)}°{before}",
            f"{with_doubt(closes, u_deg, decimals)}°",
            f"{with_doubt(opening['duration_deg'], lasts_u_deg, decimals)}°",
        )
        name = kind = ""


def _show_whole_areas(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    directed = any(port["directed_area_mm2"] is not None for port in document["ports"])
    columns = ["port", "kind", f"wall area, {system.area}", f"chord area, {system.area}"]
    columns += [f"directed area, {system.area}"] * directed
    columns += [f"roof, {system.length}", f"floor, {system.length}"]
    rows = []
    for port in document["ports"]:
        row = [port["id"], _kind(port), system.areas(port["wall_area_mm2"], port["wall_area_u_mm2"])]
        row.append(system.areas(port["chord_area_mm2"]))
        if directed:
            amount = port["directed_area_mm2"]
            row.append(DASH if amount is None else system.areas(amount))
        row.append(system.lengths(port["roof_mm"], port["roof_u_mm"]))
        row.append(system.lengths(port["floor_mm"], port["floor_u_mm"]))
        rows.append(row)
    table(console, columns, rows, left=2)


def _show_opened_areas(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    timed = [port for port in document["ports"] if port["at"]]
    if not timed:
        return
    rows = [
        [f"{at['deg']:g}°", *(system.areas(port["at"][number]["area_mm2"]) for port in timed)]
        for number, at in enumerate(timed[0]["at"])
    ]
    title = f"Opened {document['area']} area, {system.area}, by degrees after TDC"
    table(console, ["degree", *(port["id"] for port in timed)], rows, title=title, left=0)


def _show_spans(console: Console, figures: dict[str, Any], system: UnitSystem) -> None:
    rows = []
    for span in figures["spans"]:
        ends = [DASH if span[end] is None else f"{span[end]:.1f}°" for end in ("opens_deg", "closes_deg")]
        rows.append(
            [
                span["span"],
                *ends,
                f"{span['duration_deg']:.1f}°",
                system.areas(span["mean_area_mm2"]),
                system.angle_areas(span["angle_area_mm2_deg"], span["angle_area_u_mm2_deg"]),
                system.time_areas(span["time_area_mm2_s"]),
                *_specific(span),
            ]
        )
        if len(span["ports"]) > 1:
            rows += [
                [
                    f"  {part['id']}, {100 * part['share']:.1f} %",
                    *[""] * 4,
                    system.angle_areas(part["angle_area_mm2_deg"]),
                    system.time_areas(part["time_area_mm2_s"]),
                    "",
                    "",
                ]
                for part in span["ports"]
            ]
    columns = [
        "span",
        "from",
        "to",
        "degrees",
        f"mean area, {system.area}",
        f"angle-area, {system.angle_area}",
        f"time-area, {system.time_area}",
        "specific, 10⁻³ s/m",
        "10⁻⁴ s·cm²/cm³",
    ]
    table(console, columns, rows, title=f"At {figures['rpm']:g} rpm")


def _show_sweep(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    names = [span["span"] for span in document["sweep"][0]["spans"]]
    rows = []
    for figures in document["sweep"]:
        amounts = [system.time_areas(span["time_area_mm2_s"]) for span in figures["spans"]]
        rows.append([f"{figures['rpm']:g}", *amounts, *(_specific(span)[0] for span in figures["spans"])])
    heads = [f"{name}, {system.time_area}" for name in names] + [f"{name}, 10⁻³ s/m" for name in names]
    table(console, ["rpm", *heads], rows, title="Time-area, and specific time-area", left=0)


def _specific(span: dict[str, Any]) -> tuple[str, str]:
    return f"{1000 * span['specific_s_per_m']:.3f}", f"{10_000 * span['specific_s_cm2_per_cm3']:.4f}"
