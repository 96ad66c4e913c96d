"""A scaled image: a picture of the wall in which every pixel has a known place in millimetres.

On disk it is a PNG and a sidecar of the same name ending ``.json``. Pixel (column c, row r), centres
at integers, lies at x = x0_mm + c·mm_per_px, y = y0_mm − r·mm_per_px.

Glossary
--------
place doubt
    How far a place in the image may be from where it is said to be. The causes (lens, card, pose) move
    neighbouring places together, so the doubt is kept as *modes*: each is a field of displacements, one
    standard deviation large, independent of the other modes, sampled on a coarse grid. The standard
    uncertainty of anything measured in the image is the root sum of squares of what each mode does to it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import JobError, Notice, OutputError, PictureError
from portmap.files import check_free, read_json, write_together
from portmap.picture.sidecar import SIDECAR_FORMAT, SIDECAR_VERSION, sidecar_faults, sidecar_of

__all__ = [
    "PlaceDoubt",
    "ScaledImage",
    "displacements",
    "encoded_png",
    "place_of",
    "read_scaled",
    "write_scaled",
]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlaceDoubt:
    """Displacement modes on a coarse grid, each one standard deviation large.

    Parameters
    ----------
    grid_x_mm : ndarray of shape (W,)
        Ascending.
    grid_y_mm : ndarray of shape (V,)
        Ascending.
    modes_mm : ndarray of shape (K, V, W, 2)
        Displacement (x, y) of each mode at each grid point.
    """

    grid_x_mm: NDArray[np.float64]
    grid_y_mm: NDArray[np.float64]
    modes_mm: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScaledImage:
    """A picture with a known place in millimetres for every pixel.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    mm_per_px : float
        Size of a pixel [mm], the same both ways.
    x0_mm, y0_mm : float
        Place of the centre of the first pixel [mm].
    wraps : bool
        Whether the right edge continues at the left one, as on a whole unrolled bore.
    residual_mm : float or None
        Root mean square misfit of the markers [mm]; None if no markers were used.
    source : dict
        Where the picture came from: file name, SHA-256, markers, card, and the like.
    doubt : PlaceDoubt or None
        How sure the places are; None if unknown.
    notices : tuple of Notice
        What makes the image doubtful.
    """

    pixels: NDArray[np.uint8]
    mm_per_px: float
    x0_mm: float
    y0_mm: float
    wraps: bool = False
    residual_mm: float | None = None
    source: dict[str, Any] = field(default_factory=dict)
    doubt: PlaceDoubt | None = None
    notices: tuple[Notice, ...] = ()


def place_of(image: ScaledImage, column_row: ArrayLike) -> NDArray[np.float64]:
    """Return the place on the wall of points in the picture.

    Parameters
    ----------
    image : ScaledImage
        The picture.
    column_row : array_like of shape (..., 2)
        Points (column, row) [px], pixel centres at integers.

    Returns
    -------
    ndarray of shape (..., 2)
        Points (x, y) [mm].

    Examples
    --------
    >>> flat = ScaledImage(pixels=np.zeros((4, 5, 3), np.uint8), mm_per_px=0.1, x0_mm=-20.0, y0_mm=40.0)
    >>> place_of(flat, [10, 30])
    array([-19.,  37.])
    """
    points = np.asarray(column_row, np.float64)
    step = np.array([image.mm_per_px, -image.mm_per_px])
    return np.asarray(np.array([image.x0_mm, image.y0_mm]) + points * step)


def displacements(doubt: PlaceDoubt, places_mm: ArrayLike) -> NDArray[np.float64]:
    """Return what each mode of doubt does at given places.

    Parameters
    ----------
    doubt : PlaceDoubt
        Modes on their grid; linear between grid points, held constant outside.
    places_mm : array_like of shape (N, 2)
        Places (x, y) [mm].

    Returns
    -------
    ndarray of shape (K, N, 2)
        Displacement (x, y) [mm] of each mode, one standard deviation large.

    Examples
    --------
    >>> tilt = np.zeros((1, 2, 2, 2)); tilt[0, 1, :, 1] = 0.02
    >>> doubt = PlaceDoubt(grid_x_mm=np.array([0., 10]), grid_y_mm=np.array([0., 40]), modes_mm=tilt)
    >>> displacements(doubt, [[5, 20]])[0, 0].round(3)
    array([0.  , 0.01])
    """
    places = np.asarray(places_mm, np.float64).reshape(-1, 2)
    col, u = _cell(doubt.grid_x_mm, places[:, 0])
    row, v = _cell(doubt.grid_y_mm, places[:, 1])
    modes = doubt.modes_mm
    u, v = u[:, None], v[:, None]
    lower = modes[:, row, col] * (1 - u) + modes[:, row, col + 1] * u
    upper = modes[:, row + 1, col] * (1 - u) + modes[:, row + 1, col + 1] * u
    return np.asarray(lower * (1 - v) + upper * v)


def _cell(
    grid: NDArray[np.float64], value: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    index = np.clip(np.searchsorted(grid, value, side="right") - 1, 0, len(grid) - 2)
    share = (value - grid[index]) / (grid[index + 1] - grid[index])
    return index, np.clip(share, 0.0, 1.0)


def encoded_png(pixels: NDArray[np.uint8]) -> bytes:
    """Return pixels as a PNG file.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) or (M, N) and dtype uint8
        RGB, or grey.

    Returns
    -------
    bytes
        Packed in the quickest way that still takes a photo to a third: differences from row to row.

    Examples
    --------
    >>> encoded_png(np.zeros((4, 5, 3), np.uint8))[1:4]
    b'PNG'
    """
    import cv2

    options = [
        cv2.IMWRITE_PNG_COMPRESSION,
        1,
        cv2.IMWRITE_PNG_FILTER,
        cv2.IMWRITE_PNG_FILTER_UP,
    ]
    packable = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    done, packed = cv2.imencode(".png", packable, options)
    if not done:
        raise PictureError("the picture could not be packed", remedy="take larger pixels")
    return bytes(packed.tobytes())


def write_scaled(
    image: ScaledImage, path: Path | str, *, force: bool = False, beside: Mapping[Path, bytes] | None = None
) -> Path:
    """Write a scaled image and its sidecar, all or nothing.

    Parameters
    ----------
    image : ScaledImage
        What to write.
    path : Path or str
        The PNG; its name must end in ``.png``.
    force : bool, optional
        Replace an existing image and its sidecar. A JSON file of another kind is never replaced.
    beside : mapping of Path to bytes, optional
        Other files that belong to it.

    Returns
    -------
    Path
        The PNG written.

    Raises
    ------
    OutputError
        If the name is wrong, a file exists or cannot be written.
    """
    place = Path(path)
    if place.suffix.lower() != ".png":
        raise OutputError("a scaled image is a PNG file", where=str(place), remedy="let its name end in .png")
    check_free(place, force=force)
    sidecar = sidecar_of(place)
    check_free(sidecar, force=force)
    if sidecar.exists() and not _is_sidecar(sidecar):
        raise OutputError(
            "this file belongs to something else and would be replaced",
            where=str(sidecar),
            remedy="choose another name for the image",
        )
    text = json.dumps(_document(image), ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    files = {place: encoded_png(image.pixels), **(beside or {}), sidecar: (text + "\n").encode()}
    write_together(files, force=force)
    return place


def _is_sidecar(path: Path) -> bool:
    try:
        found = read_json(path)
    except JobError:
        return False
    return isinstance(found, dict) and found.get("format") == SIDECAR_FORMAT


def _document(image: ScaledImage) -> dict[str, Any]:
    doubt = image.doubt
    return {
        "format": SIDECAR_FORMAT,
        "version": SIDECAR_VERSION,
        "mm_per_px": image.mm_per_px,
        "x0_mm": image.x0_mm,
        "y0_mm": image.y0_mm,
        "wraps": image.wraps,
        "residual_mm": image.residual_mm,
        "size_px": [image.pixels.shape[1], image.pixels.shape[0]],
        "source": image.source,
        "warnings": [notice.as_dict() for notice in image.notices],
        "doubt": None
        if doubt is None
        else {
            "grid_x_mm": doubt.grid_x_mm.tolist(),
            "grid_y_mm": doubt.grid_y_mm.tolist(),
            "modes_mm": np.round(doubt.modes_mm, 7).tolist(),  # a tenth of a nanometre: keeps the file small
        },
    }


def read_scaled(path: Path | str) -> ScaledImage:
    """Return the scaled image in a PNG and the sidecar beside it.

    Parameters
    ----------
    path : Path or str
        The PNG.

    Returns
    -------
    ScaledImage
        Its pixels read-only.

    Raises
    ------
    PictureError
        If the picture cannot be read or is not of the size that the sidecar states.
    JobError
        If the sidecar is missing or breaks its rules; every fault is told.

    Examples
    --------
    >>> read_scaled("no-such.png")
    Traceback (most recent call last):
    portmap.errors.PictureError: no-such.png: there is no such file; check the name
    """
    from portmap.picture.load import load_picture

    picture = load_picture(path)
    sidecar = sidecar_of(path)
    if not sidecar.exists():
        raise PictureError(
            f"has no {sidecar.name} beside it to say how large a pixel is",
            where=str(path),
            remedy="make a scaled image of it: portmap flatten",
        )
    document = read_json(sidecar)
    faults = sidecar_faults(document)
    if faults:
        raise JobError.of(faults).at(str(sidecar))
    rows, columns = picture.pixels.shape[:2]
    stated = document.get("size_px")
    if stated is not None and stated != [columns, rows]:
        raise PictureError(
            f"is {columns} × {rows} pixels, but {sidecar.name} speaks of {stated[0]} × {stated[1]}",
            where=str(path),
            remedy="keep the size when you retouch it, or make it anew",
        )
    doubt = document.get("doubt")
    return ScaledImage(
        pixels=picture.pixels,
        mm_per_px=float(document["mm_per_px"]),
        x0_mm=float(document["x0_mm"]),
        y0_mm=float(document["y0_mm"]),
        wraps=document["wraps"],
        residual_mm=None if document["residual_mm"] is None else float(document["residual_mm"]),
        source=document["source"],
        doubt=None
        if doubt is None
        else PlaceDoubt(
            grid_x_mm=_array(doubt["grid_x_mm"]),
            grid_y_mm=_array(doubt["grid_y_mm"]),
            modes_mm=_array(doubt["modes_mm"]).reshape(
                -1, len(doubt["grid_y_mm"]), len(doubt["grid_x_mm"]), 2
            ),
        ),
        notices=tuple(
            Notice(code=entry["code"], message=entry["message"]) for entry in document.get("warnings", [])
        ),
    )


def _array(values: Any) -> NDArray[np.float64]:
    made = np.array(values, np.float64)
    made.flags.writeable = False
    return made
