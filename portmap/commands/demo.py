"""The verb that shows the main job on the samples: demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, table

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.demo import Step

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
    out: Annotated[
        Path, typer.Option("--out", help="Folder for all results; must be new or empty unless --force.")
    ] = Path("portmap-demo"),
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Do the main job, from photo to build sheet, on sample photos of a made-up engine.

    Says what it does at each step, and compares what was measured with the truth, which is known since the
    samples are invented.
    """
    from portmap.commands.screen import say
    from portmap.demo import run_demo

    if as_json:
        answer(run_demo(out, force=force), as_json=True, show=lambda console: None)
        return
    number = 0

    def tell(step: Step) -> None:
        nonlocal number
        number += 1
        say(f"{number:2}. {step.title} ({step.seconds:.1f} s): {step.said}.")
        if step.command:
            say(f"    by hand: {step.command}")
        if step.files:
            say(f"    wrote {', '.join(step.files)}")

    document = run_demo(out, force=force, tell=tell)
    warnings = document.pop("warnings")  # told below, under their photos, not as this run's own
    answer(document, as_json=False, show=lambda console: _show(console, document, warnings, out))


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
