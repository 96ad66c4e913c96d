"""The verbs about photos: card, flatten."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force, Marked
from portmap.commands.screen import answer, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.card_print import Card

__all__ = ["card_board", "card_flat", "card_ring", "card_strip", "flatten"]


Paper = Annotated[Literal["A4", "A3", "Letter"], typer.Option("--paper", help="Sheet, laid landscape.")]
Dpi = Annotated[float, typer.Option("--dpi", metavar="DPI", help="Pixels to the inch of a PNG.")]
Bore = Annotated[str, typer.Option("--bore", metavar="LENGTH", help="The bore, as 46 mm or 1.811 in.")]
CardOut = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="A .pdf, .svg or .png; a PDF named for the card unless told."),
]


def card_flat(
    paper: Paper = "A4",
    out: CardOut = None,
    dpi: Dpi = 600.0,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the flat card, on which a lifted impression is laid and photographed.

    Print it at 100 %, nothing scaled or fitted, and measure its two 100 mm bars.
    """
    from portmap.picture.card import flat_card

    card = flat_card(paper)
    x0, y0, x1, y1 = card.free_area_mm
    words = (
        f"{paper}, room for a sheet of {x1 - x0:.0f} × {y1 - y0:.0f} mm.",
        "Print it at 100 % (nothing fitted or scaled) and measure both 100 mm bars.",
    )
    _print_card(card, out or Path(f"card-flat-{paper}.pdf"), {"paper": paper}, words, dpi, force, as_json)


def card_ring(
    bore: Bore,
    out: CardOut = None,
    dpi: Dpi = 600.0,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the ring card, which lies round the bore on the base face or the deck.

    With it, photos taken end-on into the bore find their place and scale.
    """
    from portmap.picture.bore_cards import RING_SQUARES, ring_card
    from portmap.quantity import length_mm

    card = ring_card(length_mm(bore, where="--bore", sign="positive"))
    side = RING_SQUARES * card.square_mm
    words = (
        f"a ring for a bore of {card.bore_mm:g} mm, {side:.2f} mm from edge to edge of the chessboard.",
        "Print it at 100 % (nothing fitted or scaled), measure that, and cut out the circle.",
    )
    more = {"bore_mm": card.bore_mm, "square_mm": card.square_mm}
    _print_card(card, out or Path(f"card-ring-{card.bore_mm:g}.pdf"), more, words, dpi, force, as_json)


def card_strip(
    bore: Bore,
    height: Annotated[
        str, typer.Option("--height", metavar="LENGTH", help="How high the strip is to be.")
    ] = "20 mm",
    paper_thickness: Annotated[
        str, typer.Option("--paper-thickness", metavar="LENGTH", help="Of the paper that it is printed on.")
    ] = "0.1 mm",
    out: CardOut = None,
    dpi: Dpi = 600.0,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the strip card, which is rolled and laid inside the bore, print toward the axis.

    With it, a scope that looks sideways at the wall finds its place and scale.
    """
    from portmap.picture.bore_cards import strip_card
    from portmap.quantity import length_mm

    card = strip_card(
        length_mm(bore, where="--bore", sign="positive"),
        height_mm=length_mm(height, where="--height", sign="positive"),
        thickness_mm=length_mm(paper_thickness, where="--paper-thickness", sign="not negative"),
    )
    words = (
        f"a strip for a bore of {card.bore_mm:g} mm, {card.columns * card.square_mm:.2f} mm long without its"
        f" tab, {card.height_mm:g} mm high.",
        "Print it at 100 % (nothing fitted or scaled), measure that, and cut along the blue line.",
    )
    more = {
        "bore_mm": card.bore_mm,
        "square_mm": card.square_mm,
        "height_mm": card.height_mm,
        "paper_thickness_mm": card.thickness_mm,
    }
    _print_card(card, out or Path(f"card-strip-{card.bore_mm:g}.pdf"), more, words, dpi, force, as_json)


def card_board(
    paper: Paper = "A4",
    out: CardOut = None,
    dpi: Dpi = 600.0,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the board, a sheet full of chessboard, for calibrating a camera or a scope."""
    from portmap.picture.board_card import board_card

    card = board_card(paper)
    words = (
        f"{card.columns} by {card.rows} squares of {card.square_mm:g} mm.",
        "Print it at 100 %, measure ten squares, and stick it on something flat.",
    )
    more = {"paper": paper, "square_mm": card.square_mm}
    _print_card(card, out or Path(f"card-board-{paper}.pdf"), more, words, dpi, force, as_json)


def _print_card(
    card: Card,
    place: Path,
    more: dict[str, Any],
    words: tuple[str, str],
    dpi: float,
    force: bool,
    as_json: bool,
) -> None:
    from portmap.errors import OutputError
    from portmap.files import check_free, write_whole
    from portmap.picture.card_drawing import card_pdf, card_png, card_svg, png_scale

    kind = place.suffix.lower()
    if kind not in {".pdf", ".svg", ".png"}:
        raise OutputError(
            "a card is a PDF, SVG or PNG", where=str(place), remedy="let its name end in .pdf, .svg or .png"
        )
    check_free(place, force=force)
    page = card.printed()
    document: dict[str, Any] = {"card": str(place), **more, "page_mm": list(page.page_mm)}
    if kind == ".png":
        document |= png_scale(card, dpi)
        content = card_png(card, dpi)
    else:
        if page.free_area_mm is not None:
            document["free_area_mm"] = list(page.free_area_mm)
        content = card_pdf(card) if kind == ".pdf" else card_svg(card)
    write_whole(place, content, force=force)

    def show(console: Console) -> None:
        console.print(f"Wrote {place}: {words[0]}")
        console.print(words[1])

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
    sheet_thickness: Annotated[
        str | None,
        typer.Option(
            "--sheet-thickness",
            metavar="LENGTH",
            help="Of the lifted sheet, as in 0.1 mm: its marked face lies that much above the card.",
        ),
    ] = None,
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
    thickness_mm = None
    if sheet_thickness is not None:
        thickness_mm = length_mm(sheet_thickness, where="--sheet-thickness", sign="not negative")
    for place in (out, sidecar_of(out)):
        check_free(place, force=force)
    with waiting(f"Measuring {', '.join(photo.name for photo in photos)}"):
        pictures = [load_picture(photo) for photo in photos]
        image = flattened(
            pictures, bar_measured_mm=bars, mm_per_px=step, marked=marked, sheet_thickness_mm=thickness_mm
        )
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
        "marked": marked,
        "mirrored": image.source["mirrored"],
        "warnings": [notice.as_dict() for notice in image.notices],
    }

    def show(console: Console) -> None:
        console.print(
            f"Wrote {out}: {columns} × {rows} pixels of {image.mm_per_px:g} mm, from the"
            f" {document['card']} card, {document['markers_found']} of"
            f" {document['markers_on_card']} markers seen,"
            f" misfit {image.residual_mm:.3f} mm."
        )
        side = (
            "touched the wall, so left and right were exchanged"
            if marked == "wall"
            else "faced the bore axis"
        )
        console.print(f"Taken to be marked on the side that {side} (--marked).")

    answer(document, as_json=as_json, show=show)


def _bars(text: str) -> tuple[float, float]:
    import re

    from portmap.errors import QuantityError
    from portmap.quantity import lengths_mm

    # 99,6 is one length with a decimal comma; 100,100 can only be two; 99,98 may be either
    whole = re.fullmatch(r"\s*(\d{2,3}),(\d{2,3})\s*", text)
    if whole and len(whole[2]) == 2 and int(whole[2]) >= 90:
        raise QuantityError(
            f"{text.strip()} may be one length or two",
            where="--bar-measured",
            remedy=f"write {whole[1]}.{whole[2]} for one, {whole[1]};{whole[2]} for across and down",
        )
    if whole and len(whole[2]) == 3:
        text = f"{whole[1]};{whole[2]}"
    found = lengths_mm(text, where="--bar-measured", sign="positive")
    if len(found) > 2:
        raise QuantityError(
            f"{len(found)} lengths are too many",
            where="--bar-measured",
            remedy="give one for both bars, or across and down",
        )
    return found[0], found[-1]
