"""The verb that makes a scaled image of a bore's wall from photos of the bore: unroll."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.bore_seat import CardSeat
    from portmap.picture.load import Picture
    from portmap.picture.unroll import Unrolled

__all__ = ["unroll"]


def unroll(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...",
            help="Photos of the bore with a ring or strip card in them, or bare frames of a turned scope;"
            " or one video (MP4, AVI).",
        ),
    ],
    bore: Annotated[str, typer.Option("--bore", metavar="LENGTH", help="The cylinder's bore.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The wall image to write, a PNG.")],
    lens: Annotated[
        Path | None,
        typer.Option("--lens", metavar="FILE", help="The camera's lens file, from portmap lens."),
    ] = None,
    refine_lens: Annotated[
        bool, typer.Option("--refine-lens", help="Let the card correct the lens file a little.")
    ] = False,
    card_bore: Annotated[
        str | None,
        typer.Option(
            "--card-bore",
            metavar="LENGTH",
            help="The bore that the card was printed for, if it is not quite the cylinder's.",
        ),
    ] = None,
    ring_on: Annotated[
        Literal["base", "deck"],
        typer.Option(
            "--ring-on", help="The face that the ring lies on: read from below, or from above on the deck."
        ),
    ] = "base",
    deck_height: Annotated[
        str | None,
        typer.Option("--deck-height", metavar="LENGTH", help="Of the deck above the base face."),
    ] = None,
    strip_y: Annotated[
        str,
        typer.Option(
            "--strip-y", metavar="LENGTH", help="Height of the strip's lower edge above the base face."
        ),
    ] = "0 mm",
    strip_height: Annotated[
        str, typer.Option("--strip-height", metavar="LENGTH", help="Of the strip card, as printed.")
    ] = "20 mm",
    paper_thickness: Annotated[
        str, typer.Option("--paper-thickness", metavar="LENGTH", help="Of the card's paper.")
    ] = "0.1 mm",
    height: Annotated[
        list[str] | None,
        typer.Option(
            "--height",
            metavar="WORDS",
            help='A height that you measured, such as "exhaust roof 38.2 mm" (then perhaps ± 0.1 mm, and'
            ' "at 3" for a window that photo 3 looks at). It makes a card\'s heights surer; frames without a'
            " card need one.",
        ),
    ] = None,
    step: Annotated[
        str | None,
        typer.Option(
            "--step",
            metavar="ANGLE",
            help="Frames without a card: by how much the scope was turned from each to the next.",
        ),
    ] = None,
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="Frames without a card: they are mirrored.")
    ] = False,
    mm_per_px: Annotated[
        str | None,
        typer.Option("--mm-per-px", metavar="LENGTH", help="Pixel size of the result; 0.05 mm unless told."),
    ] = None,
    low: Annotated[
        str | None,
        typer.Option("--from", metavar="LENGTH", help="Where the image begins above the base face."),
    ] = None,
    high: Annotated[
        str | None, typer.Option("--to", metavar="LENGTH", help="Where it ends; what is seen unless told.")
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Make one scaled image of a bore's wall, unrolled, from photos of the bore with a card.

    The card tells where the camera stood: a ring round the bore, seen end-on by a phone, or a strip rolled
    inside it, seen by a scope. Frames of a scope turned in the bore without any card are joined by what they
    share of the wall, if --step and one --height are given. Each place is taken from the photo that shows it
    best. Places that are seen far aslant are less sure, and the image carries that into every figure.
    """
    from portmap.files import check_free
    from portmap.picture.unroll import unroll as unrolled
    from portmap.picture.wall_files import wall_files, write_wall
    from portmap.picture.wall_heights import told_height
    from portmap.quantity import angle_deg, length_mm

    def told(text: str | None, where: str) -> float | None:
        return None if text is None else length_mm(text, where=where)

    bore_mm = length_mm(bore, where="--bore", sign="positive")
    pixel_mm = None if mm_per_px is None else length_mm(mm_per_px, where="--mm-per-px", sign="positive")
    deck_mm = None if deck_height is None else length_mm(deck_height, where="--deck-height", sign="positive")
    seat = _seat(ring_on, deck_mm, strip_y, paper_thickness)
    card_mm = None if card_bore is None else length_mm(card_bore, where="--card-bore", sign="positive")
    strip_mm = length_mm(strip_height, where="--strip-height", sign="positive")
    heights = [told_height(text) for text in height or ()]
    step_deg = None if step is None else angle_deg(step, where="--step")
    low_mm, high_mm = told(low, "--from"), told(high, "--to")
    for place in wall_files(out):
        check_free(place, force=force)
    known, u = (None, None) if lens is None else _lens(lens)
    with waiting(f"Reading {len(photos)} photos") as tell:
        pictures = _pictures(photos, tell)
        made = unrolled(
            pictures,
            bore_mm,
            lens=known,
            lens_u=u,
            refine_lens=refine_lens,
            seat=seat,
            card_bore_mm=card_mm,
            strip_height_mm=strip_mm,
            deck_mm=deck_mm,
            mm_per_px=pixel_mm,
            low_mm=low_mm,
            high_mm=high_mm,
            heights=heights,
            step_deg=step_deg,
            mirrored=mirrored,
            tell=tell,
        )
        write_wall(made, out, force=force)
    _answer(made, out, as_json)


def _seat(ring_on: Literal["base", "deck"], deck_mm: float | None, strip_y: str, thickness: str) -> CardSeat:
    from portmap.errors import QuantityError
    from portmap.picture.bore_seat import CardSeat
    from portmap.quantity import length_mm

    if ring_on == "deck" and deck_mm is None:
        raise QuantityError(
            "the ring lies on the deck, but nobody tells how high that is",
            where="--deck-height",
            remedy="measure from the base face to the deck and give it",
        )
    return CardSeat(
        on=ring_on,
        deck_mm=deck_mm or 0.0,
        low_mm=length_mm(strip_y, where="--strip-y"),
        thickness_mm=length_mm(thickness, where="--paper-thickness", sign="not negative"),
    )


def _lens(path: Path) -> tuple[Any, dict[str, Any] | None]:
    """Return the lens in a file, and what it says of its doubt."""
    from portmap.files import read_json
    from portmap.picture.camera import lens_of

    document = read_json(path)
    lens = lens_of(document, where=path.name)
    u = document.get("u")
    return lens, u if isinstance(u, dict) else None


def _pictures(photos: list[Path], tell: Any) -> list[Picture]:
    from portmap.picture.frames import frames_in, is_video
    from portmap.picture.load import load_picture

    pictures: list[Picture] = []
    for photo in photos:
        tell(f"Reading {photo.name}")
        pictures += frames_in(photo) if is_video(photo) else [load_picture(photo)]
    return pictures


def _answer(made: Unrolled, out: Path, as_json: bool) -> None:
    from portmap.picture.coverage import coverage_beside
    from portmap.picture.sidecar import sidecar_of
    from portmap.picture.wall_photos import photos_beside

    image = made.image
    rows, columns = image.pixels.shape[:2]
    low_mm = image.y0_mm - (rows - 1) * image.mm_per_px
    source = image.source
    document = {
        "image": str(out),
        "sidecar": str(sidecar_of(out)),
        "coverage": str(coverage_beside(out)),
        "photos": str(photos_beside(out)) if made.photos else None,
        "mm_per_px": image.mm_per_px,
        "size_px": [columns, rows],
        "x0_mm": image.x0_mm,
        "y0_mm": image.y0_mm,
        "y_range_mm": [low_mm, image.y0_mm],
        "wraps": image.wraps,
        "residual_mm": image.residual_mm,
        "markers_found": source["markers_found"],
        "card": source["card"],
        "covered_share": source["covered_share"],
        "lenses": source["lenses"],
        "pictures": source["pictures"],
        "warnings": [notice.as_dict() for notice in image.notices],
    }

    def show(console: Console) -> None:
        used = len(source["pictures"])
        how = (
            f"joined from {used} frames without a card"
            if source["card"] == "none"
            else f"from {used} photo{'' if used == 1 else 's'} with the {source['card']} card"
        )
        console.print(
            f"Wrote {out}: {columns} × {rows} pixels of {image.mm_per_px:.4g} mm, once round the bore and"
            f" from {low_mm:.1f} to {image.y0_mm:.1f} mm above the base face, {how}, misfit"
            f" {image.residual_mm:.3f} mm."
        )
        console.print(
            f"{100 * source['covered_share']:.0f} % of it shows the wall; {coverage_beside(out)} tells where."
        )

    answer(document, as_json=as_json, show=show)
