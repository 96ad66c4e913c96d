"""The verbs about pictures: card, flatten, trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.scaled import ScaledImage
    from portmap.picture.trace import Trace, TracedWindow

__all__ = ["card_flat", "flatten", "trace"]

Marked = Annotated[
    Literal["axis", "wall"],
    typer.Option(
        "--marked",
        help="Which face of the sheet lies up: the one that faced the bore axis, or the one that touched the"
        " wall, which shows everything mirrored.",
    ),
]


def card_flat(
    paper: Annotated[
        Literal["A4", "A3", "Letter"], typer.Option("--paper", help="Sheet, laid landscape.")
    ] = "A4",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="A .pdf, .svg or .png; card-flat-PAPER.pdf unless told."),
    ] = None,
    dpi: Annotated[float, typer.Option("--dpi", metavar="DPI", help="Pixels to the inch of a PNG.")] = 600.0,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the flat card, on which a lifted impression is laid and photographed.

    Print it at 100 %, nothing scaled or fitted, and measure its two 100 mm bars.
    """
    from portmap.errors import OutputError
    from portmap.files import check_free, write_whole
    from portmap.picture.card import flat_card
    from portmap.picture.card_drawing import card_pdf, card_png, card_svg, png_scale

    place = out or Path(f"card-flat-{paper}.pdf")
    kind = place.suffix.lower()
    if kind not in {".pdf", ".svg", ".png"}:
        raise OutputError(
            "a card is a PDF, SVG or PNG", where=str(place), remedy="let its name end in .pdf, .svg or .png"
        )
    check_free(place, force=force)
    card = flat_card(paper)
    document: dict[str, Any] = {"card": str(place), "paper": paper, "page_mm": list(card.page_mm)}
    if kind == ".png":
        document |= png_scale(card, dpi)
        content = card_png(card, dpi)
    else:
        document["free_area_mm"] = list(card.free_area_mm)
        content = card_pdf(card) if kind == ".pdf" else card_svg(card)
    write_whole(place, content, force=force)

    def show(console: Console) -> None:
        x0, y0, x1, y1 = card.free_area_mm
        console.print(f"Wrote {place}: {paper}, room for a sheet of {x1 - x0:.0f} × {y1 - y0:.0f} mm.")
        console.print("Print it at 100 % (nothing fitted or scaled) and measure both 100 mm bars.")

    answer(document, as_json=as_json, show=show)


def flatten(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO...", help="One or more photos of the same sheet on the same card."),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE", help="The PNG to write; a .json of its name stands beside it."),
    ],
    bar_measured: Annotated[
        str | None,
        typer.Option(
            "--bar-measured",
            metavar="LENGTH[,LENGTH]",
            help="What a caliper finds on the printed 100 mm bars: one length for both, or across and down,"
            " as in 99.6,100.2.",
        ),
    ] = None,
    mm_per_px: Annotated[
        str | None,
        typer.Option(
            "--mm-per-px", metavar="LENGTH", help="Pixel size of the result; the photo's own unless told."
        ),
    ] = None,
    marked: Marked = "axis",
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Make a scaled image of a photo: seen straight from above, without the lens's distortion, in true mm."""
    from portmap.files import check_free
    from portmap.picture.flatten import flatten as flattened
    from portmap.picture.load import load_picture
    from portmap.picture.scaled import write_scaled
    from portmap.picture.sidecar import sidecar_of
    from portmap.quantity import length_mm

    bars = None if bar_measured is None else _bars(bar_measured)
    step = None
    if mm_per_px is not None:
        step = length_mm(mm_per_px, where="--mm-per-px", sign="positive")
    for place in (out, sidecar_of(out)):
        check_free(place, force=force)
    with waiting(f"Measuring {', '.join(photo.name for photo in photos)}"):
        pictures = [load_picture(photo) for photo in photos]
        image = flattened(pictures, bar_measured_mm=bars, mm_per_px=step, marked=marked)
        write_scaled(image, out, force=force)
    rows, columns = image.pixels.shape[:2]
    document = {
        "image": str(out),
        "sidecar": str(sidecar_of(out)),
        "mm_per_px": image.mm_per_px,
        "size_px": [columns, rows],
        "x0_mm": image.x0_mm,
        "y0_mm": image.y0_mm,
        "residual_mm": image.residual_mm,
        "markers_found": image.source["markers_found"],
        "markers_on_card": image.source["markers_on_card"],
        "card": image.source["card"],
        "print_scale": image.source["print_scale"],
        "warnings": [notice.as_dict() for notice in image.notices],
    }

    def show(console: Console) -> None:
        console.print(
            f"Wrote {out}: {columns} × {rows} pixels of {image.mm_per_px:g} mm, from the"
            f" {document['card']} card, {document['markers_found']} of"
            f" {document['markers_on_card']} markers seen,"
            f" misfit {image.residual_mm:.3f} mm."
        )

    answer(document, as_json=as_json, show=show)


def _bars(text: str) -> tuple[float, float]:
    from portmap.errors import QuantityError
    from portmap.quantity import lengths_mm

    found = lengths_mm(text, where="--bar-measured", sign="positive")
    if len(found) > 2:
        raise QuantityError(
            f"{len(found)} lengths are too many",
            where="--bar-measured",
            remedy="give one for both bars, or across and down",
        )
    return found[0], found[-1]


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
    from portmap.files import check_free, write_json
    from portmap.map_file import map_of, traced_document
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
    _check_not_input(out, image)
    check_free(out, force=force)
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
    map_of(document)
    write_json(out, document, force=force)
    _answer_trace(found, out, as_json=as_json)


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


def _answer_trace(found: Trace, out: Path, *, as_json: bool) -> None:
    from portmap.shown import with_doubt

    windows = [_window_figures(window) for window in found.windows]
    document = {
        "map": str(out),
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
        console.print(f"Wrote {out}.")

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
