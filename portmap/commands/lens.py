"""The verb that calibrates a camera or a scope: lens."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from portmap.commands.options import AsJson, Force
from portmap.commands.screen import answer, table, waiting

if TYPE_CHECKING:
    from rich.console import Console

    from portmap.picture.board_view import BoardView, Chessboard
    from portmap.picture.lens import Calibration, PhotoReport

__all__ = ["lens"]


def lens(
    photos: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO...", help="10 to 20 photos of the board, focus and zoom locked, each tilted."
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The lens file to write, JSON.")],
    chessboard: Annotated[
        str | None,
        typer.Option(
            "--chessboard",
            metavar="COLUMNSxROWS",
            help="Inner corners of a plain chessboard, as in 9x6; portmap's own board card unless told.",
        ),
    ] = None,
    square: Annotated[
        str | None,
        typer.Option(
            "--square",
            metavar="LENGTH",
            help="Side of the board's squares as measured. The lens does not depend on it, distances do.",
        ),
    ] = None,
    model: Annotated[
        Literal["auto", "pinhole", "fisheye"],
        typer.Option("--model", help="Kind of lens; auto takes the one that foretells unseen photos better."),
    ] = "auto",
    show: Annotated[
        Path | None,
        typer.Option(
            "--show", metavar="FILE", help="Write a PNG: a photo before and after its lens is taken out."
        ),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Calibrate a camera or a scope from photos of a board.

    Lock focus and zoom. Tilt the board another way in each photo, 20 to 40 degrees, and let it reach every
    corner of the picture in some of them.
    """
    from portmap.errors import OutputError
    from portmap.files import check_free, json_bytes, write_together
    from portmap.picture.camera import lens_document
    from portmap.picture.lens import calibrated_lens

    if show is not None and show.suffix.lower() != ".png":
        raise OutputError("this picture is a PNG", where=str(show), remedy="let its name end in .png")
    for place in (out, show):
        if place is not None:
            check_free(place, force=force)
            _check_not_input(place, photos)
    board = _board(chessboard, square)
    with waiting(f"Looking for the board in {len(photos)} photos"):
        views, left_out = _views(photos, board, square)
    with waiting("Fitting the lens"):
        found = calibrated_lens(views, model=model, left_out=left_out)
    files: dict[Path, bytes] = {}
    if show is not None:
        files[show] = _picture(photos, views, found)
    files[out] = json_bytes(
        {
            **lens_document(found.lens),
            "u": found.u,
            "rms_px": found.rms_px,
            "warnings": [notice.as_dict() for notice in found.notices],
            "source": {
                "photos": [photo.name for photo in found.photos if photo.used],
                "board": chessboard or "board card",
                "why": found.why,
            },
        }
    )
    write_together(files, force=force)
    _answer_lens(found, out, show, as_json=as_json)


def _check_not_input(place: Path, photos: list[Path]) -> None:
    """Refuse to write over a photo, even when forced."""
    from portmap.errors import OutputError

    for photo in photos:
        if photo.exists() and place.exists() and place.samefile(photo):
            raise OutputError("this file is read", where=str(place), remedy="name another one to write")


def _board(chessboard: str | None, square: str | None) -> Chessboard | None:
    import re

    from portmap.errors import QuantityError
    from portmap.picture.board_view import Chessboard
    from portmap.quantity import length_mm

    if chessboard is None:
        return None
    counts = re.fullmatch(r"\s*(\d{1,3})\s*[x×X]\s*(\d{1,3})\s*", chessboard)
    if counts is None:
        raise QuantityError(
            f"{chessboard!r} is not two counts",
            where="--chessboard",
            remedy="give the inner corners across and down, as in 9x6",
        )
    if square is None:
        raise QuantityError(
            "the size of the squares is missing", where="--square", remedy='add it, as in --square "25 mm"'
        )
    return Chessboard(
        columns=int(counts[1]),
        rows=int(counts[2]),
        square_mm=length_mm(square, where="--square", sign="positive"),
    )


def _views(
    photos: list[Path], board: Chessboard | None, square: str | None
) -> tuple[list[BoardView], list[PhotoReport]]:
    """Return the board in each photo, and the photos in which there is none."""
    import cv2
    import numpy as np

    from portmap.errors import PictureError
    from portmap.picture.board_view import board_view
    from portmap.picture.lens import PhotoReport
    from portmap.picture.load import load_picture
    from portmap.quantity import length_mm

    square_mm = None if square is None else length_mm(square, where="--square", sign="positive")
    names = _names(photos)
    views: list[BoardView] = []
    left_out: list[PhotoReport] = []
    seen: dict[str, str] = {}
    for path, name in zip(photos, names, strict=True):
        picture = load_picture(path)
        why = ""
        if picture.sha256 in seen:
            why = f"is the same picture as {seen[picture.sha256]}"
        else:
            gray = np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
            try:
                views.append(board_view(gray, name=name, chessboard=board, square_mm=square_mm))
            except PictureError as error:
                why = f"shows {error.message}"
        seen.setdefault(picture.sha256, name)
        if why:
            left_out.append(PhotoReport(name=name, why_not=why))
    return views, left_out


def _names(photos: list[Path]) -> list[str]:
    """Return what to call photos: the file's name, or the whole path if two have the same."""
    short = [photo.name for photo in photos]
    return [name if short.count(name) == 1 else str(photo) for name, photo in zip(short, photos, strict=True)]


def _picture(photos: list[Path], views: list[BoardView], found: Calibration) -> bytes:
    import numpy as np

    from portmap.picture.lens_show import shown_view, straightened_png
    from portmap.picture.load import load_picture

    used = {photo.name for photo in found.photos if photo.used}
    view = shown_view([view for view in views if view.name in used])
    path = photos[_names(photos).index(view.name)]
    pixels = load_picture(path).pixels
    if view.mirrored:
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    return straightened_png(pixels, view, found.lens)


def _answer_lens(found: Calibration, out: Path, show: Path | None, *, as_json: bool) -> None:
    from portmap.picture.camera import lens_document

    figures = {
        key: value for key, value in lens_document(found.lens).items() if key not in ("format", "version")
    }
    document: dict[str, Any] = {
        "lens": str(out),
        "show": None if show is None else str(show),
        **figures,
        "u": found.u,
        "rms_px": found.rms_px,
        "rms_all_px": found.rms_all_px,
        "foretold_px": found.foretold_px,
        "foretold_by_model_px": found.foretold,
        "measure": "root mean square distance over all corners",
        "why": found.why,
        "photos": [
            {
                "photo": photo.name,
                "used": photo.used,
                "why_not": photo.why_not or None,
                "corners": photo.corners,
                "rms_px": photo.rms_px,
                "focal_change": photo.focal_change,
                "tilt_deg": photo.tilt_deg,
                "distance_mm": photo.distance_mm,
            }
            for photo in found.photos
        ],
        "corners_by_field": found.covered.tolist(),
        "warnings": [notice.as_dict() for notice in found.notices],
    }

    def told(console: Console) -> None:
        _tell(console, found, out, show)

    answer(document, as_json=as_json, show=told)


def _tell(console: Console, found: Calibration, out: Path, show: Path | None) -> None:
    from portmap.shown import with_doubt

    def cell(value: float | None, form: str) -> str:
        return "" if value is None else format(value, form)

    table(
        console,
        ["photo", "", "corners", "RMS, px", "tilt, °", "away, mm", "focal length without it, %"],
        [
            [
                photo.name,
                "" if photo.used else "left out",
                str(photo.corners),
                cell(photo.rms_px, ".2f"),
                cell(photo.tilt_deg, ".0f"),
                cell(photo.distance_mm, ".0f"),
                cell(None if photo.focal_change is None else 100 * photo.focal_change, "+.2f"),
            ]
            for photo in found.photos
        ],
        left=2,
    )
    lens, u = found.lens, found.u
    size = f"{lens.size_px[0]} × {lens.size_px[1]}"
    console.print(f"{lens.model}, for pictures of {size} px. Doubts are with k = 2.")
    rows = [
        ["focal length, px", with_doubt(lens.fx_px, u["fx_px"], 1)],
        ["middle across, px", with_doubt(lens.cx_px, u["cx_px"], 1)],
        ["middle down, px", with_doubt(lens.cy_px, u["cy_px"], 1)],
    ]
    if lens.fy_px != lens.fx_px:
        rows.insert(1, ["focal length down, px", with_doubt(lens.fy_px, u["fy_px"], 1)])
    names = ("k1", "k2", "p1", "p2", "k3") if lens.model == "pinhole" else ("k1", "k2", "k3", "k4")
    for name, value, doubt in zip(names, lens.distortion, u["distortion"], strict=True):
        rows.append([name, with_doubt(value, doubt, 4) if doubt > 0 else "held at 0"])
    table(console, ["figure", "value"], rows)
    used = sum(photo.used for photo in found.photos)
    console.print(
        f"RMS over all corners of {used} photos: {found.rms_px:.3f} px; of a photo not yet seen:"
        f" {found.foretold_px:.3f} px."
    )
    if used < sum(photo.corners > 0 for photo in found.photos):
        console.print(f"With nothing left out it would be {found.rms_all_px:.3f} px.")
    console.print(f"{found.why[:1].upper()}{found.why[1:]}.")
    console.print(f"Wrote {out}{'' if show is None else f' and {show}'}.")
