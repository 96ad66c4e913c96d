"""The verb that gives compression: ratios, cranking pressure, squish velocity and pull at the rope."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, JobFile, Stage, Units
from portmap.commands.screen import answer, show_basis, table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.console import Console

    from portmap.compression import GaugeReading
    from portmap.errors import Notice
    from portmap.shopwork import Build
    from portmap.shown import UnitSystem

__all__ = ["compression"]

DASH = "–"
RPM_UNLESS_TOLD = "9000"

Text = str | None
States = list[tuple[str, dict[str, Any]]]  # before and after some work, or one without a name


def compression(
    job: JobFile,
    altitude: Annotated[
        Text,
        typer.Option(
            "--altitude",
            metavar="HEIGHT",
            help="Above the sea, as in 600 m or 2000 ft; also of readings that name none.",
        ),
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
    do: Annotated[
        list[str] | None,
        typer.Option(
            "--do",
            metavar="WORK",
            help="Show before and after this piece of work, as in portmap work. May be given several times.",
        ),
    ] = None,
    stage: Stage = None,
    units: Units = "mm",
    as_json: AsJson = False,
) -> None:
    """Compression: ratios, cranking pressure, squish velocity, rope pull.

    Nobody knows how much heat a cranked engine loses nor how much it rubs,
    so pressures and pulls are ranges. A hole without a diameter is taken as
    so large that nothing is squeezed until the piston covers it.
    """
    from portmap.atmosphere import air
    from portmap.compression import compression_document
    from portmap.compression_typed import build_with_hole, gauge_readings, typed_starter
    from portmap.job import read_job
    from portmap.job_review import job_notices
    from portmap.operation import operation_text, parse_operation
    from portmap.quantity import altitude_m, pressure_pa, speeds_rpm, temperature_c
    from portmap.shopwork import after, build_of
    from portmap.shown import unit_system

    speeds = speeds_rpm(rpm, where="--rpm")
    at = air(
        altitude_m=None if altitude is None else altitude_m(altitude, where="--altitude"),
        temperature_c=None if temperature is None else temperature_c(temperature, where="--temperature"),
        barometer_pa=None if barometer is None else pressure_pa(barometer, where="--barometer"),
    )
    typed = None if reading is None else pressure_pa(reading, where="--reading", sign="positive")
    pieces = tuple(parse_operation(text, where="--do") for text in do or ())
    found = read_job(job)
    build = build_with_hole(build_of(found, stage), valve, hole, hole_roof)
    now = after(build, *pieces)

    def figures(build: Build, readings: Iterable[GaugeReading], notices: Iterable[Notice]) -> dict[str, Any]:
        starter = typed_starter(build, pulley, valve, hole)
        return compression_document(
            build.engine, build.edges, at=at, rpm=speeds, starter=starter, readings=readings, notices=notices
        )

    notices = job_notices(found, stage) if found.maps else ()
    document = {
        "job": found.name,
        "stage": None if build.port_map is None else build.port_map.stage,
        **figures(build, gauge_readings(found, stage, typed, at), notices),
    }
    states = [("", document)]
    if pieces:
        document["done"] = [operation_text(piece) for piece in pieces]
        document["after"] = figures(now, (), ())
        states = [("before", document), ("after", document["after"])]
    system = unit_system(units)

    def show(console: Console) -> None:
        ports = f", {document['stage']} ports" if document["stage"] else ""
        console.print(f"{document['job']}{ports}")
        if pieces:
            console.print(f"Before and after: {', '.join(document['done'])}.")
        _show_volumes(console, states, system)
        _show_air(console, document["air"])
        _show_cranking(console, states, system)
        _show_readings(console, document["readings"], system)
        _show_squish(console, states, system)
        _show_rope(console, states, system)
        console.print(f"{document['caution']}.")
        show_basis(console, states[-1][1])

    answer(document, as_json=as_json, show=show)


def _show_volumes(console: Console, states: States, system: UnitSystem) -> None:
    heads = [name for name, _ in states if name]
    names = {
        "swept_volume_cm3": "swept",
        "head_volume_cm3": "above the piston at TDC",
        "squish_band_volume_cm3": "of that, over the squish band",
        "crown_volume_cm3": "crown above its edge",
        "trapped_volume_cm3": "trapped at exhaust closing",
        "case_volume_cm3": "case at TDC",
    }

    def shown(words: str, key: str, text: Callable[[float], str], part: str) -> list[str]:
        figures = [state[part][key] for _, state in states]
        return [words, *(DASH if figure is None else text(figure) for figure in figures)]

    rows = [
        shown(words, key, system.volumes, "volumes")
        for key, words in names.items()
        if key != "crown_volume_cm3" or any(state["volumes"][key] is not None for _, state in states)
    ]
    unit = f"volume, {system.volume}"
    table(console, [unit, *heads] if heads else [unit, ""], rows)
    words = {"geometric_ratio": "geometric", "trapped_ratio": "trapped", "case_ratio": "case (primary)"}
    rows = [shown(name, key, "{:.2f}".format, "ratios") for key, name in words.items()]
    rows.append(shown("exhaust closes", "exhaust_closes_deg", "{:.1f}°".format, "volumes"))
    table(console, ["ratio", *heads] if heads else ["ratio", ""], rows)


def _show_air(console: Console, air: dict[str, Any]) -> None:
    origin = {"barometer": "by barometer", "altitude": "by altitude, ISO 2533", "standard": "sea level"}
    console.print(
        f"Air: {1000 * air['air_pressure_bar']:.0f} hPa ({origin[air['pressure_from']]}),"
        f" {air['temperature_c']:.1f} °C, {air['density_kg_per_m3']:.3f} kg/m³.".replace("-", "−")
    )


def _show_cranking(console: Console, states: States, system: UnitSystem) -> None:
    for name, state in states:
        cranking = state["cranking"]
        if cranking is None:
            continue
        here, sea = (
            f"{system.pressures(cranking[f'{place}_low_bar'])} to"
            f" {system.pressures(cranking[f'{place}_high_bar'])} {system.pressure}"
            for place in ("here", "sea_level")
        )
        when = f", {name}" if name else ""
        places = f"{sea} at sea level" if here == sea else f"{here} here, {sea} at sea level"
        console.print(f"Cranking pressure on a gauge{when}: {places}.")
        console.print(f"  {cranking['words']}")
    for basis in (states[0][1]["cranking"] or {"basis": ()})["basis"]:
        console.print(f"  Basis: {basis}.")


def _show_readings(console: Console, readings: list[dict[str, Any]], system: UnitSystem) -> None:
    for one in readings:
        read = system.pressures(one["gauge_bar"], one["gauge_u_bar"])
        sea = system.pressures(one["sea_level_bar"], one["sea_level_u_bar"])
        console.print(
            f"Reading {one['reading']}: {read} {system.pressure} in {1000 * one['air_pressure_bar']:.0f} hPa"
            f" is {sea} {system.pressure} at sea level; that asks for a trapped ratio of"
            f" {one['trapped_ratio_low']:.1f} to {one['trapped_ratio_high']:.1f}."
        )
        if one["words"] is not None:
            console.print(f"  {one['words']}")


def _show_squish(console: Console, states: States, system: UnitSystem) -> None:
    rows = []
    for name, state in states:
        squish, clearance = state["squish"], state["squish_clearance_mm"]
        if clearance is not None:
            share = "" if squish is None else f", band {100 * squish['area_ratio']:.0f} % of the bore's area"
            when = f", {name}," if name else ""
            console.print(f"Squish clearance{when} {system.lengths(clearance)} {system.length}{share}.")
        rows += [
            (name, f"{one['rpm']:g}", f"{one['peak_m_per_s']:.1f}", f"{one['peak_before_tdc_deg']:.1f}°")
            for one in (() if squish is None else squish["speeds"])
        ]
    if not rows:
        return
    table(console, ["", "rpm", "squish velocity at its peak, m/s", "before TDC"], rows)
    basis = next(state["squish"]["guide_basis"] for _, state in states if state["squish"] is not None)
    console.print(f"Guide, not checked: {basis}.")


def _show_rope(console: Console, states: States, system: UnitSystem) -> None:
    known = [(name, state["rope"]) for name, state in states if state["rope"] is not None]
    if not known:
        return
    _, first = known[0]

    def row(name: str, start: dict[str, Any]) -> tuple[str, ...]:
        def both(key: str, text: Callable[[float], str]) -> str:
            return f"{text(start['low'][key])} to {text(start['high'][key])}"

        return (
            name,
            _celsius(start),
            "bleed" if start["bleed"] else "none",
            both("work_j", "{:.1f}".format),
            both("mean_pull_n", system.forces),
            both("peak_pull_n", system.forces),
            f"{start['high']['peak_before_tdc_deg']:.0f}°",
            both("gauge_bar", system.pressures),
            both("charge_c", "{:.0f}".format),
        )

    columns = [
        "",
        "cold and warm",
        "decompression",
        "work, J",
        f"mean pull, {system.force}",
        f"peak pull, {system.force}",
        "before TDC",
        f"gauge at TDC, {system.pressure}",
        "charge at TDC, °C",
    ]
    radius = f"{system.lengths(first['pulley_radius_mm'])} {system.length}"
    assumed = " (assumed; give --pulley)" if first["pulley_assumed"] else ""
    title = f"Slow pull from exhaust closing to TDC, pulley radius {radius}{assumed}"
    rows = [row(name, start) for name, rope in known for start in rope["starts"]]
    table(console, columns, rows, title=title, left=3)
    said: dict[str, list[str]] = {}
    for name, rope in known:
        for start in rope["starts"]:
            bleed = "with the bleed" if start["bleed"] else "no decompression"
            when = f"{name}, " if name else ""
            said.setdefault(start["words"], []).append(f"{when}{_celsius(start)}, {bleed}")
    for words, starts in said.items():
        console.print(f"{'; '.join(starts)}: {words}")
    console.print(f"From 20 to −30 °C: {known[-1][1]['cold_words']}")
    for basis in first["basis"]:
        console.print(f"  Basis: {basis}.")


def _celsius(start: dict[str, Any]) -> str:
    return f"{start['temperature_c']:.0f} °C".replace("-", "−")
