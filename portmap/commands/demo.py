"""The verb that shows the main job on the samples: demo."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.demo_steps import Step

__all__ = ["demo"]

# figure: name in words, unit, decimals
SHOWN = {
    "roof_mm": ("roof", "mm", 3),
    "floor_mm": ("floor", "mm", 3),
    "wall_area_mm2": ("wall area", "mm²", 2),
    "opens_deg": ("opens", "°", 2),
    "blowdown_deg": ("degrees", "°", 2),
    "time_area_mm2_s": ("time-area", "mm²·s", 5),
}


def demo(
    bore: Annotated[
        bool,
        typer.Option(
            "--bore", help="Measure the cylinder from pictures of its bore: by phone, by scope, from a video."
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="For all results, portmap-demo or portmap-demo-bore unless told; must be new or empty"
            " unless --force.",
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Do the main job, from photo to build sheet, on sample photos of a made-up engine.

    Says what it does at each step, and compares what was measured with the truth, which is known since the
    samples are invented. With --bore, pictures of the bore itself stand in for the impression: each way of
    taking them goes to a map, beside the impression's.
    """
    if bore:
        folder = out or Path("portmap-demo-bore")
        from portmap.demo_bore import run_bore_demo as run
    else:
        folder = out or Path("portmap-demo")
        from portmap.demo import run_demo as run
    if as_json:
        answer(run(folder, force=force), as_json=True, show=lambda console: None)
        return
    document = run(folder, force=force, tell=_told())
    warnings = document.pop("warnings")  # told below, under their photos, not as this run's own
    show = _show_bore if bore else _show
    answer(document, as_json=False, show=lambda console: show(console, document, warnings, folder))


def _told() -> Callable[[Step], None]:
    """Return what tells each step, numbered."""
    from portmap.commands.screen import say

    numbers = itertools.count(1)

    def tell(step: Step) -> None:
        say(f"{next(numbers):2}. {step.title} ({step.seconds:.1f} s): {step.said}.")
        if step.command:
            say(f"    by hand: {step.command}")
        if step.files:
            say(f"    wrote {', '.join(step.files)}")

    return tell


def _show(console: Console, document: dict[str, Any], warnings: list[dict[str, str]], out: Path) -> None:
    console.print()
    main = document["comparison"][0]["photo"]
    _show_main(console, document["comparison"], main)
    _show_photos(console, document["comparison"])
    for warning in warnings:
        console.print(f"Noted: {warning['message']}")
    console.print(
        f"{document['inside']} of {document['of']} true figures lie inside their ±, which is two standard"
        f" uncertainties (95 of 100 are to be expected). Done in {document['seconds']:.0f} s."
    )
    console.print(f"Look at {out / 'sheet.pdf'} and at the outlines in {out}.")


def _show_main(console: Console, comparison: list[dict[str, Any]], main: str) -> None:
    from portmap.shown import number_text, with_doubt

    rows = []
    for each in comparison:
        if each["photo"] != main:
            continue
        words, unit, decimals = SHOWN[each["figure"]]
        rows.append(
            [
                each["port"],
                f"{words}, {unit}",
                with_doubt(each["measured"], each["u"], decimals),
                number_text(each["true"], decimals),
                number_text(each["off"], decimals),
                "yes" if each["inside"] else "no",
            ]
        )
    columns = ["port", "figure", "measured ± (k = 2)", "true", "off by", "inside"]
    table(console, columns, rows, title=f"The job, from {main}: measured and true", left=2)


def _show_photos(console: Console, comparison: list[dict[str, Any]]) -> None:
    """Print the greatest errors of each photo."""
    from portmap.shown import number_text

    rows = []
    for photo in dict.fromkeys(each["photo"] for each in comparison):
        own = [each for each in comparison if each["photo"] == photo and each["figure"] in SHOWN]
        heights = [abs(e["off"]) for e in own if e["figure"] in ("roof_mm", "floor_mm")]
        areas = [abs(e["off"] / e["true"]) for e in own if e["figure"] == "wall_area_mm2"]
        inside = f"{sum(e['inside'] for e in own)} of {len(own)}"
        rows.append([photo, number_text(max(heights), 3), number_text(100 * max(areas), 2), inside])
    columns = ["photo", "greatest error of a roof or floor, mm", "of an area, %", "inside"]
    table(console, columns, rows, title="All four photos")


def _show_bore(console: Console, document: dict[str, Any], warnings: list[dict[str, str]], out: Path) -> None:
    console.print()
    for figure in ("wall_area_mm2", "roof_mm"):
        _show_ways(console, document, figure)
    for warning in warnings:
        console.print(f"Noted: {warning['message']}")
    _show_faults(console, document)
    console.print(
        f"{document['inside']} of {document['of']} true roofs, floors and areas lie inside their ±, which is"
        f" two standard uncertainties (95 of 100 are to be expected). Done in {document['seconds']:.0f} s."
    )
    console.print(f"The pictures are made up, as all samples. Look at the wall images and outlines in {out}.")


def _show_ways(console: Console, document: dict[str, Any], figure: str) -> None:
    """Print one figure of each window, as each way gives it, beside the truth."""
    from portmap.shown import number_text, with_doubt

    words, unit, decimals = SHOWN[figure]
    own = {(each["port"], each["photo"]): each for each in document["comparison"] if each["figure"] == figure}
    rows = []
    for port in dict.fromkeys(port for port, _ in own):
        row = [port, number_text(next(e["true"] for (p, _), e in own.items() if p == port), decimals)]
        for way in document["ways"]:
            each = own.get((port, way))
            text = "not found" if each is None else with_doubt(each["measured"], each["u"], decimals)
            row.append(text if each is None or each["inside"] else f"{text} *")
        rows.append(row)
    title = f"{words[0].upper()}{words[1:]}, {unit} ± (k = 2); * where the true one lies outside"
    table(console, ["window", "true", *document["ways"]], rows, title=title, left=1)


def _show_faults(console: Console, document: dict[str, Any]) -> None:
    """Print what was not found, what is none, and what is further off than it should be."""
    from portmap.demo_bore import AREA_SHARE, ROOF_MM
    from portmap.shown import number_text

    for each in document["missed"]:
        console.print(f"Missed: {each['photo']} did not find {each['port']}.")
    for each in document["invented"]:
        console.print(
            f"Invented: {each['photo']} found a window of {each['area_mm2']:.1f} mm² where none is."
        )
    for each in document["far"]:
        words, unit, decimals = SHOWN[each["figure"]]
        off = number_text(each["off"], decimals)
        console.print(
            f"Off: {words} of {each['port']} by {each['photo']}, {off} {unit}: more than pictures of a bore"
            f" should be (area {100 * AREA_SHARE:g} %, roof {ROOF_MM:g} mm)."
        )
