"""The verb that gives compression: ratios, cranking pressure, squish velocity and pull at the rope."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from portmap.atmosphere import Air
    from portmap.compression import GaugeReading, Starter
    from portmap.engine import Engine
    from portmap.job import Job
    from portmap.shown import UnitSystem

__all__ = ["compression"]

DASH = "–"
RPM_UNLESS_TOLD = "9000"

Text = str | None


def compression(
    job: JobFile,
    altitude: Annotated[
        Text, typer.Option("--altitude", metavar="HEIGHT", help="Above the sea, as in 600 m or 2000 ft.")
    ] = None,
    temperature: Annotated[
        Text, typer.Option("--temperature", metavar="DEGREES", help="Of the air, as in 20, -5 C or 68 F.")
    ] = None,
    barometer: Annotated[
        Text,
        typer.Option(
            "--barometer",
            metavar="PRESSURE",
            help="At the engine, not reduced to sea level, as in 945 hPa; counts before the altitude.",
        ),
    ] = None,
    rpm: Annotated[
        str, typer.Option("--rpm", metavar="SPEEDS", help="For the squish velocity, as in timearea.")
    ] = RPM_UNLESS_TOLD,
    reading: Annotated[
        Text,
        typer.Option("--reading", metavar="PRESSURE", help="A cranking pressure read there, as in 10.5 bar."),
    ] = None,
    pulley: Annotated[
        Text,
        typer.Option("--pulley", metavar="DIAMETER", help="Of the rope's pulley, to the middle of the rope."),
    ] = None,
    valve: Annotated[
        Text, typer.Option("--valve", metavar="DIAMETER", help="Of a decompression valve in the head.")
    ] = None,
    hole: Annotated[
        Text, typer.Option("--hole", metavar="DIAMETER", help="Of a decompression hole in the wall.")
    ] = None,
    hole_roof: Annotated[
        Text,
        typer.Option("--hole-roof", metavar="HEIGHT", help="Of that hole's upper edge above the base face."),
    ] = None,
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Compression: volumes, ratios, cranking pressure, squish velocity, and the pull at the rope.

    Nobody knows how much heat a cranked engine loses, nor how much it rubs, so pressures and pulls are
    ranges. A hole without a diameter is taken as so large that nothing is squeezed until the piston covers
    it.
    """
    from portmap.atmosphere import air
    from portmap.compression import compression_document
    from portmap.job import engine_of, map_entry_of, port_edges_of, read_job
    from portmap.job_review import job_notices
    from portmap.quantity import altitude_m, pressure_pa, speeds_rpm, temperature_c
    from portmap.shown import unit_system

    speeds = speeds_rpm(rpm, where="--rpm")
    at = air(
        altitude_m=None if altitude is None else altitude_m(altitude, where="--altitude"),
        temperature_c=None if temperature is None else temperature_c(temperature, where="--temperature"),
        barometer_pa=None if barometer is None else pressure_pa(barometer, where="--barometer"),
    )
    typed = None if reading is None else pressure_pa(reading, where="--reading", sign="positive")
    found = read_job(job)
    engine = engine_of(found)
    document = {
        "job": found.name,
        "stage": map_entry_of(found, stage).stage if found.maps else stage,
        **compression_document(
            engine,
            port_edges_of(found, stage),
            at=at,
            rpm=speeds,
            starter=_starter(engine, pulley, valve, hole, hole_roof),
            readings=_readings(found, stage, typed, at),
            notices=job_notices(found, stage) if found.maps else (),
        ),
    }
    system = unit_system(units)

    def show(console: Console) -> None:
        ports = f", {document['stage']} ports" if document["stage"] else ""
        console.print(f"{document['job']}{ports}")
        _show_volumes(console, document, system)
        _show_cranking(console, document, system)
        _show_squish(console, document, system)
        _show_rope(console, document, system)
        console.print(f"{document['caution']}.")
        show_basis(console, document)

    answer(document, as_json=as_json, show=show)


def _starter(engine: Engine, pulley: Text, valve: Text, hole: Text, hole_roof: Text) -> Starter:
    import math

    from portmap.compression import Starter
    from portmap.engine import depth_below_crown
    from portmap.errors import QuantityError
    from portmap.quantity import length_mm
    from portmap.rope import PULLEY_RADIUS_GUESS_MM, Bleed

    def bore_area(text: Text, where: str) -> float | None:
        return None if text is None else math.pi / 4 * length_mm(text, where=where, sign="positive") ** 2

    if valve is not None and (hole is not None or hole_roof is not None):
        raise QuantityError(
            "a valve and a hole at once are not computed", where="--valve", remedy="give one of them"
        )
    bleed = None
    if valve is not None:
        bleed = Bleed(area_mm2=bore_area(valve, "--valve"))
    elif hole_roof is not None:
        height = length_mm(hole_roof, where="--hole-roof")
        depth = float(depth_below_crown(engine, height))
        if not depth > 0:
            raise QuantityError(
                f"a hole {height:g} mm above the base face is above the crown at TDC and never covered",
                where="--hole-roof",
                remedy="measure from the base face, or give --valve",
            )
        bleed = Bleed(closes_at_depth_mm=depth, area_mm2=bore_area(hole, "--hole"))
    elif hole is not None:
        raise QuantityError(
            "where the hole is covered is not known",
            where="--hole",
            remedy="give --hole-roof, the height of its upper edge above the base face",
        )
    if pulley is None:
        return Starter(pulley_radius_mm=PULLEY_RADIUS_GUESS_MM, pulley_assumed=True, bleed=bleed)
    return Starter(pulley_radius_mm=length_mm(pulley, where="--pulley", sign="positive") / 2, bleed=bleed)


def _readings(job: Job, stage: str | None, typed_pa: float | None, at: Air) -> Iterator[GaugeReading]:
    from portmap.atmosphere import air
    from portmap.compression import PA_PER_BAR, GaugeReading
    from portmap.readings import Reading, reading_doubt, readings_of

    if typed_pa is not None:
        one = Reading(kind="cranking_pressure", value=typed_pa / PA_PER_BAR)
        yield GaugeReading(gauge_pa=typed_pa, u_pa=reading_doubt(one) * PA_PER_BAR, air=at, name="as typed")
    for number, one in enumerate(readings_of(job, stage)):
        if one.kind == "cranking_pressure":
            where = at if one.altitude_m is None else air(altitude_m=one.altitude_m)
            yield GaugeReading(
                gauge_pa=one.value * PA_PER_BAR,
                u_pa=reading_doubt(one) * PA_PER_BAR,
                air=where,
                name=f"readings[{number}]",
            )


def _show_volumes(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    volumes, ratios = document["volumes"], document["ratios"]
    closes = volumes["exhaust_closes_deg"]
    trapped = "trapped at exhaust closing" + ("" if closes is None else f", {closes:.1f}°")
    names = {
        "swept_volume_cm3": "swept",
        "head_volume_cm3": "above the piston at TDC",
        "squish_band_volume_cm3": "of that, over the squish band",
        "crown_volume_cm3": "crown above its edge",
        "trapped_volume_cm3": trapped,
        "case_volume_cm3": "case at TDC",
    }
    rows = [
        (words, DASH if volumes[key] is None else system.volumes(volumes[key]))
        for key, words in names.items()
        if key != "crown_volume_cm3" or volumes[key] is not None
    ]
    table(console, ["volume", system.volume], rows)
    words = {"geometric_ratio": "geometric", "trapped_ratio": "trapped", "case_ratio": "case (primary)"}
    shown = [(name, DASH if ratios[key] is None else f"{ratios[key]:.2f}") for key, name in words.items()]
    table(console, ["ratio", "to 1"], shown)


def _show_cranking(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    air, cranking = document["air"], document["cranking"]
    origin = {"barometer": "by barometer", "altitude": "by altitude, ISO 2533", "standard": "sea level"}
    console.print(
        f"Air: {1000 * air['air_pressure_bar']:.0f} hPa ({origin[air['pressure_from']]}),"
        f" {air['temperature_c']:.1f} °C, {air['density_kg_per_m3']:.3f} kg/m³."
    )
    if cranking is not None:
        here, sea = (
            f"{system.pressures(cranking[f'{place}_low_bar'])} to"
            f" {system.pressures(cranking[f'{place}_high_bar'])} {system.pressure}"
            for place in ("here", "sea_level")
        )
        console.print(f"Cranking pressure on a gauge: {here} here, {sea} at sea level.")
        console.print(f"  {cranking['words']}")
        for basis in cranking["basis"]:
            console.print(f"  Basis: {basis}.")
    for one in document["readings"]:
        read = system.pressures(one["gauge_bar"], one["gauge_u_bar"])
        sea = system.pressures(one["sea_level_bar"], one["sea_level_u_bar"])
        console.print(
            f"Reading {one['reading']}: {read} {system.pressure} in {1000 * one['air_pressure_bar']:.0f} hPa"
            f" is {sea} {system.pressure} at sea level; that asks for a trapped ratio of"
            f" {one['trapped_ratio_low']:.1f} to {one['trapped_ratio_high']:.1f}."
        )
        if one["words"] is not None:
            console.print(f"  {one['words']}")


def _show_squish(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    squish, clearance = document["squish"], document["squish_clearance_mm"]
    if clearance is not None:
        share = "" if squish is None else f", band {100 * squish['area_ratio']:.0f} % of the bore's area"
        console.print(f"Squish clearance {system.lengths(clearance)} {system.length}{share}.")
    if squish is None or not squish["speeds"]:
        return
    rows = [
        (f"{one['rpm']:g}", f"{one['peak_m_per_s']:.1f}", f"{one['peak_before_tdc_deg']:.1f}°")
        for one in squish["speeds"]
    ]
    table(console, ["rpm", "squish velocity at its peak, m/s", "before TDC"], rows, left=0)
    console.print(f"Guide, not checked: {squish['guide_basis']}.")


def _show_rope(console: Console, document: dict[str, Any], system: UnitSystem) -> None:
    rope = document["rope"]
    if rope is None:
        return

    def both(start: dict[str, Any], key: str) -> tuple[float, float]:
        return start["low"][key], start["high"][key]

    rows = [
        (
            f"{start['temperature_c']:.0f} °C".replace("-", "−"),
            "bleed" if start["bleed"] else "none",
            "{:.1f} to {:.1f}".format(*both(start, "work_j")),
            " to ".join(system.forces(force) for force in both(start, "mean_pull_n")),
            " to ".join(system.forces(force) for force in both(start, "peak_pull_n")),
            "{:.0f}°".format(start["high"]["peak_before_tdc_deg"]),
            " to ".join(system.pressures(bar) for bar in both(start, "gauge_bar")),
            "{:.0f} to {:.0f}".format(*both(start, "charge_c")),
        )
        for start in rope["starts"]
    ]
    columns = [
        "cold and warm",
        "decompression",
        "work, J",
        f"mean pull, {system.force}",
        f"peak pull, {system.force}",
        "before TDC",
        f"gauge at TDC, {system.pressure}",
        "charge at TDC, °C",
    ]
    radius = f"{system.lengths(rope['pulley_radius_mm'])} {system.length}"
    assumed = " (assumed; give --pulley)" if rope["pulley_assumed"] else ""
    title = f"Slow pull from exhaust closing to TDC, pulley radius {radius}{assumed}"
    table(console, columns, rows, title=title, left=2)
    for start in rope["starts"]:
        bleed = "with the bleed" if start["bleed"] else "no decompression"
        console.print(f"{start['temperature_c']:.0f} °C, {bleed}: {start['words']}".replace("-", "−", 1))
    console.print(f"From 20 to −30 °C: {rope['cold_words']}")
    for basis in rope["basis"]:
        console.print(f"  Basis: {basis}.")
