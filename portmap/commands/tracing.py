"""The verb that traces outlines: trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from portmap.commands.options import AsJson, Force, Marked
from portmap.commands.screen import answer, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.edge import Side
    from portmap.picture.scaled import ScaledImage
    from portmap.picture.segment import Lift
    from portmap.picture.traced import Trace, TracedWindow

__all__ = ["trace"]

DRAWINGS = {".csv", ".dxf", ".svg"}


def trace(
    image: Annotated[
        Path,
        typer.Argument(
            metavar="IMAGE",
            help="A scaled image (PNG) that portmap flatten wrote; or a drawing: SVG, DXF, or a CSV of"
            " points with the columns x_mm, y_mm and window.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The map file to write, JSON.")],
    lift: Annotated[
        Literal["filled", "line", "cut", "wall"] | None,
        typer.Option(
            "--lift",
            help="How the shapes were lifted: rubbed or inked dark; a pencil line round the edge; cut out"
            " over another colour; or the picture is of the wall itself, by portmap unroll. Found out unless"
            " told.",
        ),
    ] = None,
    edge: Annotated[
        Literal["inner", "middle", "outer", "true", "chamfer"] | None,
        typer.Option(
            "--edge",
            help="Which side of a pencil line is the port's edge; inner unless told. On the wall: the"
            " window's true edge behind its chamfer, or the chamfer's upper edge; true unless told.",
        ),
    ] = None,
    inside: Annotated[
        list[str] | None,
        typer.Option(
            "--inside",
            metavar="X,Y",
            help="On the wall: a place in mm inside a window, to find its border by; once for each window.",
        ),
    ] = None,
    rough: Annotated[
        Path | None,
        typer.Option(
            "--rough",
            metavar="FILE",
            help="On the wall: rough outlines (CSV, SVG or DXF), drawn to the edges beside them.",
        ),
    ] = None,
    need: Annotated[
        Literal["roof", "floor", "whole"] | None,
        typer.Option(
            "--need",
            help="On the wall: what of a window photos must show for it to count; its roof unless told.",
        ),
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
        str | None,
        typer.Option(
            "--min-area",
            metavar="AREA",
            help="Smaller regions are no windows; 12 mm² in an image, 1 mm² in a drawing unless told.",
        ),
    ] = None,
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
    unit: Annotated[
        str | None,
        typer.Option(
            "--unit", metavar="LENGTH", help="Length of a drawing's unit, as in 1 mm, if it does not say."
        ),
    ] = None,
    edge_doubt: Annotated[
        str | None,
        typer.Option(
            "--edge-doubt",
            metavar="LENGTH",
            help="How sure a drawing's edges are, as a standard uncertainty; not known unless told.",
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Trace the ports' outlines in a scaled image, each with its doubt, into a map file.

    Outlines drawn by hand come in the same way: SVG paths, DXF curves, or a CSV of points.
    """
    from portmap.assign import numbers_of
    from portmap.files import check_free, json_bytes, write_together
    from portmap.map_file import map_of, traced_document
    from portmap.quantity import area_mm2, length_mm

    shared: dict[str, Any] = {
        "expect": expect,
        "keep": [] if keep is None else numbers_of(keep, where="--keep"),
        "drop": [] if drop is None else numbers_of(drop, where="--drop"),
        "tolerance_mm": length_mm(tolerance, where="--tolerance", sign="positive"),
        "sheet_thickness_mm": _length(sheet_thickness, "--sheet-thickness"),
        "bore_mm": _length(bore, "--bore"),
    }
    if min_area is not None:
        shared["min_area_mm2"] = area_mm2(min_area, where="--min-area")
    mm_per_unit, edge_u_mm = _length(unit, "--unit"), _length(edge_doubt, "--edge-doubt")
    drawing = image.suffix.lower() in DRAWINGS
    for_images: dict[str, object] = {
        "--lift": lift,
        "--edge": edge,
        "--inside": inside or None,
        "--rough": rough,
        "--need": need,
        "--overlay": overlay,
        "--marked": None if marked == "axis" else marked,
    }
    for_drawings: dict[str, object] = {"--unit": unit, "--edge-doubt": edge_doubt}
    _check_meant(for_images if drawing else for_drawings, "an image" if drawing else "a drawing")
    _check_overlay(overlay)
    for place in (out, overlay):
        if place is not None:
            _check_not_input(place, image)
            check_free(place, force=force)
    pictures: dict[Path, bytes] = {}
    with waiting(f"Tracing {image.name}"):
        if drawing:
            from portmap.picture.drawn import drawn_windows

            found = drawn_windows(image, mm_per_unit=mm_per_unit, edge_u_mm=edge_u_mm, **shared)
        else:
            from portmap.picture.overlay import overlay_png
            from portmap.picture.scaled import read_scaled
            from portmap.picture.wall_sight import is_wall

            scaled = read_scaled(image)
            for_walls: dict[str, object] = {"--inside": inside or None, "--rough": rough, "--need": need}
            if lift == "wall" or (lift is None and is_wall(scaled)):
                _check_meant({"--marked": for_images["--marked"]}, "lifted sheets")
                _check_meant({"--sheet-thickness": sheet_thickness}, "lifted sheets")
                found = _traced_wall(image, scaled, lift, edge, inside or [], rough, need, shared)
            else:
                _check_meant(for_walls, "images of the wall")
                found = _traced_sheet(scaled, lift, edge, marked, shared)
            if overlay is not None:
                pictures[overlay] = overlay_png(scaled, found)
    document = traced_document(
        {window.number: window.window for window in found.windows}, source=found.source, notices=found.notices
    )
    map_of(document)  # what is written can be read again
    write_together({**pictures, out: json_bytes(document)}, force=force)
    _answer_trace(found, out, overlay, as_json=as_json)


def _traced_sheet(
    scaled: ScaledImage,
    lift: Lift | None,
    edge: str | None,
    marked: Literal["axis", "wall"],
    shared: dict[str, Any],
) -> Trace:
    from portmap.errors import QuantityError
    from portmap.picture.trace import trace as traced

    if edge not in {None, "inner", "middle", "outer"}:
        raise QuantityError(
            f"{edge} is an edge of the wall, not of a pencil line",
            where="--edge",
            remedy="leave it away here",
        )
    _check_mirrored_once(scaled, marked)
    return traced(scaled, lift=lift, edge=cast("Side | None", edge), marked=marked, **shared)


def _traced_wall(
    path: Path,
    scaled: ScaledImage,
    lift: str | None,
    edge: str | None,
    inside: list[str],
    rough: Path | None,
    need: Literal["roof", "floor", "whole"] | None,
    shared: dict[str, Any],
) -> Trace:
    from portmap.errors import QuantityError
    from portmap.picture.coverage import read_coverage
    from portmap.picture.drawn import drawn_windows
    from portmap.picture.wall_photos import read_photos
    from portmap.picture.wall_sight import wall_sight
    from portmap.picture.wall_trace import trace_wall

    if edge not in {None, "true", "chamfer"}:
        raise QuantityError(
            f"{edge} is a side of a pencil line, not of the wall",
            where="--edge",
            remedy="say true or chamfer",
        )
    outlines = []
    if rough is not None:
        if rough.suffix.lower() not in DRAWINGS:
            raise QuantityError(
                "rough outlines are a drawing", where="--rough", remedy="give CSV, SVG or DXF"
            )
        outlines = [drawn.window.outline for drawn in drawn_windows(rough).windows]
    told = {name: value for name, value in shared.items() if name not in {"sheet_thickness_mm", "bore_mm"}}
    sight = wall_sight(scaled, read_coverage(path, scaled), bore_mm=shared["bore_mm"])
    return trace_wall(
        scaled,
        sight,
        photos=read_photos(path, scaled),
        wall_edge_name="chamfer" if edge == "chamfer" else "true",
        inside_mm=[_place(text) for text in inside],
        rough=outlines,
        part=need or "roof",
        guessed=lift is None,
        **told,
    )


def _place(text: str) -> tuple[float, float]:
    """Return the place that "x,y" names [mm]."""
    from portmap.errors import QuantityError
    from portmap.quantity import length_mm

    parts = text.replace(";", ",").split(",")
    if len(parts) != 2:
        raise QuantityError(f"{text[:30]!r} is no place", where="--inside", remedy='give x and y: "12.5,40"')
    x, y = (length_mm(part.strip(), where="--inside", sign="any") for part in parts)
    return x, y


def _length(text: str | None, option: str) -> float | None:
    from portmap.quantity import length_mm

    if text is None:
        return None
    return length_mm(text, where=option, sign="not negative" if option == "--sheet-thickness" else "positive")


def _check_meant(options: dict[str, object], kind: str) -> None:
    """Refuse options that mean nothing for what is traced."""
    from portmap.errors import QuantityError

    for name, value in options.items():
        if value is not None:
            raise QuantityError(f"this is for {kind} only", where=name, remedy="leave it away here")


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
