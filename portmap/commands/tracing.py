"""The verb that traces outlines: trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, Marked
from portmap.commands.screen import answer, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.scaled import ScaledImage
    from portmap.picture.trace import Trace, TracedWindow

__all__ = ["trace"]


def trace(
    image: Annotated[
        Path, typer.Argument(metavar="IMAGE", help="A scaled image (PNG) that portmap flatten wrote.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The map file to write, JSON.")],
    lift: Annotated[
        Literal["filled", "line", "cut"] | None,
        typer.Option(
            "--lift",
            help="How the shapes were lifted: rubbed or inked dark; a pencil line round the edge; cut out"
            " over another colour. Found out unless told.",
        ),
    ] = None,
    edge: Annotated[
        Literal["inner", "middle", "outer"] | None,
        typer.Option("--edge", help="Which side of a pencil line is the port's edge; inner unless told."),
    ] = None,
    overlay: Annotated[
        Path | None,
        typer.Option(
            "--overlay", metavar="FILE", help="Write a PNG with the numbered outlines drawn on the picture."
        ),
    ] = None,
    keep: Annotated[
        str | None, typer.Option("--keep", metavar="NUMBERS", help="Windows to keep, by number: 1,2,4-6.")
    ] = None,
    drop: Annotated[
        str | None, typer.Option("--drop", metavar="NUMBERS", help="Windows to leave out, by number.")
    ] = None,
    min_area: Annotated[
        str, typer.Option("--min-area", metavar="AREA", help="Smaller regions are no windows.")
    ] = "12 mm²",
    expect: Annotated[
        int | None, typer.Option("--expect", metavar="N", min=1, help="How many windows there must be.")
    ] = None,
    tolerance: Annotated[
        str,
        typer.Option(
            "--tolerance",
            metavar="LENGTH",
            help="How far a simplified outline may lie from the measured one.",
        ),
    ] = "0.01 mm",
    marked: Marked = "axis",
    sheet_thickness: Annotated[
        str | None,
        typer.Option(
            "--sheet-thickness",
            metavar="LENGTH",
            help="Of the lifted sheet; with --bore, corrects x for its curl.",
        ),
    ] = None,
    bore: Annotated[
        str | None, typer.Option("--bore", metavar="LENGTH", help="Bore that the sheet was lifted from.")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Trace the ports' outlines in a scaled image, each with its doubt, into a map file."""
    from portmap.assign import numbers_of
    from portmap.files import check_free, json_bytes, write_together
    from portmap.map_file import map_of, traced_document
    from portmap.picture.overlay import overlay_png
    from portmap.picture.scaled import read_scaled
    from portmap.picture.trace import trace as traced
    from portmap.quantity import area_mm2, length_mm

    tolerance_mm = length_mm(tolerance, where="--tolerance", sign="positive")
    thickness_mm = bore_mm = None
    if sheet_thickness is not None:
        thickness_mm = length_mm(sheet_thickness, where="--sheet-thickness", sign="not negative")
    if bore is not None:
        bore_mm = length_mm(bore, where="--bore", sign="positive")
    least = area_mm2(min_area, where="--min-area")
    kept, dropped = (
        [] if text is None else numbers_of(text, where=where)
        for text, where in ((keep, "--keep"), (drop, "--drop"))
    )
    _check_overlay(overlay)
    for place in (out, overlay):
        if place is not None:
            _check_not_input(place, image)
            check_free(place, force=force)
    with waiting(f"Tracing {image.name}"):
        scaled = read_scaled(image)
        _check_mirrored_once(scaled, marked)
        found = traced(
            scaled,
            lift=lift,
            edge=edge,
            expect=expect,
            min_area_mm2=least,
            keep=kept,
            drop=dropped,
            tolerance_mm=tolerance_mm,
            marked=marked,
            sheet_thickness_mm=thickness_mm,
            bore_mm=bore_mm,
        )
    document = traced_document(
        {window.number: window.window for window in found.windows}, source=found.source, notices=found.notices
    )
    map_of(document)  # what is written can be read again
    contents = {out: json_bytes(document)}
    if overlay is not None:
        contents = {overlay: overlay_png(scaled, found), **contents}
    write_together(contents, force=force)
    _answer_trace(found, out, overlay, as_json=as_json)


def _check_overlay(overlay: Path | None) -> None:
    from portmap.errors import OutputError

    if overlay is not None and overlay.suffix.lower() != ".png":
        raise OutputError("an overlay is a PNG", where=str(overlay), remedy="let its name end in .png")


def _check_mirrored_once(image: ScaledImage, marked: str) -> None:
    from portmap.errors import QuantityError

    if marked == "wall" and image.source.get("mirrored") is True:
        raise QuantityError(
            "the image was mirrored when it was flattened", where="--marked", remedy="leave it away here"
        )


def _check_not_input(place: Path, image: Path) -> None:
    """Refuse to write over what is read, even when forced."""
    from portmap.errors import OutputError
    from portmap.picture.sidecar import sidecar_of

    for given in (image, sidecar_of(image)):
        if given.exists() and place.exists() and place.samefile(given):
            raise OutputError("this file is read", where=str(place), remedy="name another one to write")


def _answer_trace(found: Trace, out: Path, overlay: Path | None, *, as_json: bool) -> None:
    from portmap.shown import with_doubt

    windows = [_window_figures(window) for window in found.windows]
    document = {
        "map": str(out),
        "overlay": None if overlay is None else str(overlay),
        "lift": found.lift,
        "windows": windows,
        "wall_x_factor": found.source.get("wall_x_factor"),
        "warnings": [notice.as_dict() for notice in found.notices],
    }

    def show(console: Console) -> None:
        rows = [
            [
                str(window["number"]),
                with_doubt(window["wall_area_mm2"], window["wall_area_u_mm2"], 1),
                with_doubt(window["roof_mm"], window["roof_u_mm"], 2),
                with_doubt(window["floor_mm"], window["floor_u_mm"], 2),
                with_doubt(window["width_mm"], None, 2),
            ]
            for window in windows
        ]
        table(console, ["window", "area, mm²", "roof, mm", "floor, mm", "width, mm"], rows)
        console.print(f"Wrote {out}{'' if overlay is None else f' and {overlay}'}.")

    answer(document, as_json=as_json, show=show)


def _window_figures(window: TracedWindow) -> dict[str, Any]:
    doubt, bounds = window.window.doubt, window.window.outline.bounds
    return {
        "number": window.number,
        "wall_area_mm2": window.area_mm2,
        "wall_area_u_mm2": None if doubt is None else doubt.wall_area_u_mm2,
        "roof_mm": window.roof_mm,
        "roof_u_mm": None if doubt is None else doubt.roof_u_mm,
        "floor_mm": window.floor_mm,
        "floor_u_mm": None if doubt is None else doubt.floor_u_mm,
        "width_mm": float(bounds[2] - bounds[0]),
        "centre_x_mm": float(bounds[2] + bounds[0]) / 2,
        "corners": len(window.window.outline.exterior.coords) - 1,
    }
