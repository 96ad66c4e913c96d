"""From photos of a lifted impression on the flat card to one scaled image.

Each photo's pose and lens are found together from the card's corners in that photo alone (`sight.py`); then
every pixel of the result looks up where its place was seen. The result has the card frame: x right and y up
from where the datum line meets the tick, as seen from the bore axis.

Which way round
---------------
A rubbing, a tracing through the bore or a cut-out is laid on the card with the side up that faced the bore
axis: the photo then shows it as seen from the axis, and nothing is turned over (``marked="axis"``). Marks
that only show on the side that touched the wall are laid up too; the photo then shows them as seen from
the metal, left and right exchanged, and ``marked="wall"`` puts that right: the result's x is the card's −x.

Glossary
--------
print scale
    True length of the printed 100 mm bars over 100 mm, across and down. All of the card is taken to be
    stretched like its bars.
residual
    Root mean square distance of the used corners from where the fitted photo has them, in mm on the card.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.card import BAR_MM, FlatCard, corner_places, marker_squares
from portmap.picture.corners import Corners, corners_in
from portmap.picture.load import Picture
from portmap.picture.scaled import PlaceDoubt, ScaledImage
from portmap.picture.sight import (
    Fit,
    fitted_sight,
    parameter_slopes,
    place_jacobian,
    projected,
)

__all__ = ["Marked", "flatten"]

Marked = Literal["axis", "wall"]
Floats = NDArray[np.float64]

CALIPER_MM = 0.02  # doubt of a bar's measured length, one standard deviation (common practice, no source)
_BAR_RANGE_MM = (97.0, 103.0)
_NICE = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_NODES = 20  # Chebyshev polynomials each way in the map from result to photo
_NOISE_FLOOR_PX = 0.01
_PIXEL_LIMIT = 60_000_000


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shot:
    """One photo with what was found in it."""

    picture: Picture
    corners: Corners
    fit: Fit


def flatten(
    pictures: Picture | Sequence[Picture],
    *,
    bar_measured_mm: tuple[float, float] | None = None,
    mm_per_px: float | None = None,
    marked: Marked = "axis",
) -> ScaledImage:
    """Return the free area of the flat card, seen straight from above and to scale.

    Parameters
    ----------
    pictures : Picture or sequence of Picture
        Photos of the same card with the same sheet on it. Of several, each place is taken from the photo
        that shows it largest.
    bar_measured_mm : tuple of float, optional
        What a caliper finds on the printed 100 mm bars, across and down [mm]. Without it the print is taken
        to be true, and a notice says so.
    mm_per_px : float, optional
        Size of a pixel of the result [mm]; the photo's own, rounded down to a handy figure, unless given.
    marked : {'axis', 'wall'}, optional
        Which side of the lifted sheet lies up: the one that faced the bore axis, or the one that touched
        the wall.

    Returns
    -------
    ScaledImage
        In the card frame, with its doubt and notices. ``source`` tells the card, the print scale, the side,
        and for each photo the markers and corners seen, the lens and the tilt.

    Raises
    ------
    PictureError
        If a photo shows no usable flat card, or photos show different cards.
    QuantityError
        If the bars or the pixel size make no sense.
    """
    photos = [pictures] if isinstance(pictures, Picture) else list(pictures)
    if not photos:
        raise PictureError("no photo was given", remedy="name one photo or more")
    if marked not in ("axis", "wall"):
        raise QuantityError(f"marked {marked!r} is neither axis nor wall", where="marked", remedy="say which")
    stretch = _print_scale(bar_measured_mm)
    shots = [_shot(photo) for photo in photos]
    card = shots[0].corners.card
    for shot in shots[1:]:
        if shot.corners.card != card:
            raise PictureError(
                f"this photo shows the {shot.corners.card.paper} card, the first one the {card.paper} card",
                where=shot.picture.name,
                remedy="give photos of one card",
            )
    step = _pixel_size(shots, mm_per_px, stretch)
    x0, y0, x1, y1 = card.free_area_mm
    columns = math.floor((x1 - x0) * stretch[0] / step + 1e-6) + 1
    rows = math.floor((y1 - y0) * stretch[1] / step + 1e-6) + 1
    if columns * rows > _PIXEL_LIMIT:
        raise QuantityError(
            f"{step:g} mm a pixel makes {columns} × {rows} pixels",
            where="mm_per_px",
            remedy="take larger pixels",
        )
    sign = -1.0 if marked == "wall" else 1.0
    left = x0 * stretch[0] if marked == "axis" else -x1 * stretch[0]
    top = y1 * stretch[1]
    pixels = _warped(shots[0], (columns, rows), (left, top), step, sign, stretch)
    doubt = _doubt(shots[0], (left, top, step, columns, rows), sign, stretch, bar_measured_mm is not None)
    residual = math.sqrt(float(np.mean(_miss_mm(shots[0])[shots[0].fit.used] ** 2)) * 2)
    notices = list(photos[0].notices)
    return ScaledImage(
        pixels=pixels,
        mm_per_px=step,
        x0_mm=left,
        y0_mm=top,
        residual_mm=residual,
        source=_source(shots, card, stretch, bar_measured_mm, marked),
        doubt=doubt,
        notices=tuple(notices),
    )


def _print_scale(bar_measured_mm: tuple[float, float] | None) -> tuple[float, float]:
    if bar_measured_mm is None:
        return 1.0, 1.0
    low, high = _BAR_RANGE_MM
    for name, length in zip(("across", "down"), bar_measured_mm, strict=True):
        if not low <= length <= high:
            raise QuantityError(
                f"the bar {name} cannot measure {length:g} mm",
                where="bar_measured_mm",
                remedy=f"give {low:g} to {high:g} mm; print it anew, at 100 %, if it is further out",
            )
    return bar_measured_mm[0] / BAR_MM, bar_measured_mm[1] / BAR_MM


def _shot(picture: Picture) -> _Shot:
    gray = np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    try:
        corners = corners_in(gray)
        fit = fitted_sight(corners.start, corners.places_mm, corners.pixels, noise_px=_NOISE_FLOOR_PX)
    except PictureError as error:
        raise error.at(picture.name) from None
    return _Shot(picture=picture, corners=corners, fit=fit)


def _free_grid(card: FlatCard, count: tuple[int, int] = (9, 7)) -> Floats:
    x0, y0, x1, y1 = card.free_area_mm
    grid = np.meshgrid(np.linspace(x0, x1, count[0]), np.linspace(y0, y1, count[1]))
    return np.stack(grid, axis=-1).reshape(-1, 2)


def _pixel_size(shots: list[_Shot], wanted: float | None, stretch: tuple[float, float]) -> float:
    if wanted is not None:
        if not 0.005 <= wanted <= 2.0:
            raise QuantityError(
                f"{wanted:g} mm a pixel", where="mm_per_px", remedy="give 0.005 to 2 mm, such as 0.05"
            )
        return float(wanted)
    grid = _free_grid(shots[0].corners.card)
    scales = [np.sqrt(np.abs(np.linalg.det(place_jacobian(shot.fit.sight, grid)))) for shot in shots]
    native = math.sqrt(stretch[0] * stretch[1]) / float(np.median(np.max(scales, axis=0)))
    decade = 10.0 ** math.floor(math.log10(native))
    return max(round(nice * decade, 6) for nice in _NICE if nice * decade <= native * 1.001)


def _warped(
    shot: _Shot,
    size: tuple[int, int],
    corner_mm: tuple[float, float],
    step: float,
    sign: float,
    stretch: tuple[float, float],
) -> NDArray[np.uint8]:
    """Return the photo's view of the result's pixels.

    Where a pixel looks is smooth, so that it is computed at 20 × 20 Chebyshev nodes and multiplied out from
    there; a test holds that to 0.002 px of the full model.
    """
    columns, rows = size
    angles = (np.arange(_NODES) + 0.5) * math.pi / _NODES
    fit = np.cos(np.arange(_NODES)[:, None] * angles) * 2 / _NODES
    fit[0] /= 2
    nodes, bases = [], []
    for count in (columns, rows):
        half = max(count - 1, 1) / 2
        nodes.append(half + half * np.cos(angles))
        share = np.clip(np.arange(count) / half - 1, -1, 1)
        bases.append(np.cos(np.arange(_NODES) * np.arccos(share)[:, None]))
    x = sign * (corner_mm[0] + step * nodes[0]) / stretch[0]
    y = (corner_mm[1] - step * nodes[1]) / stretch[1]
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    seen = projected(shot.fit.sight, places).reshape(_NODES, _NODES, 2)
    if shot.corners.mirrored:
        seen[:, :, 0] = shot.picture.pixels.shape[1] - 1 - seen[:, :, 0]
    across = bases[0].astype(np.float32).T
    parts = [(fit @ seen[:, :, k] @ fit.T) for k in (0, 1)]
    down = [(bases[1] @ part).astype(np.float32) for part in parts]
    result = np.empty((rows, columns, 3), np.uint8)
    strip = max(16, 2_000_000 // columns)
    for top in range(0, rows, strip):
        lines = slice(top, min(rows, top + strip))
        cv2.remap(
            shot.picture.pixels,
            down[0][lines] @ across,
            down[1][lines] @ across,
            cv2.INTER_LINEAR,
            dst=result[lines],
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(255, 255, 255),
        )
    return result


def _miss_mm(shot: _Shot) -> Floats:
    """Return the corners' misses on the card, shape (N, 2)."""
    slopes = place_jacobian(shot.fit.sight, shot.corners.places_mm)
    return np.asarray(np.linalg.solve(slopes, shot.fit.miss_px[:, :, None])[:, :, 0])


def _doubt(
    shot: _Shot,
    frame: tuple[float, float, float, int, int],
    sign: float,
    stretch: tuple[float, float],
    measured: bool,
) -> PlaceDoubt:
    left, top, step, columns, rows = frame
    grid_x = np.linspace(left, left + step * (columns - 1), 13)
    grid_y = np.linspace(top - step * (rows - 1), top, 9)
    places = np.stack(np.meshgrid(grid_x, grid_y), axis=-1).reshape(-1, 2)
    on_card = places * [sign, 1.0] / stretch
    modes = _pose_modes(shot.fit, on_card) * [sign * stretch[0], stretch[1]]
    if measured:
        share = CALIPER_MM / BAR_MM
        scale = np.zeros((2, len(places), 2))
        scale[0, :, 0], scale[1, :, 1] = share * places[:, 0], share * places[:, 1]
        modes = np.concatenate([modes, scale])
    return PlaceDoubt(
        grid_x_mm=grid_x, grid_y_mm=grid_y, modes_mm=modes.reshape(-1, len(grid_y), len(grid_x), 2)
    )


def _pose_modes(fit: Fit, places_mm: Floats) -> Floats:
    """Return displacement modes (K, N, 2) [mm] of places that follow from the doubt of pose and lens.

    A pixel that is taken for place X truly shows X + d where the true sight has that pixel: to first order
    d = −(∂pixel/∂X)⁻¹ (∂pixel/∂theta) Δtheta.
    """
    values, vectors = np.linalg.eigh(fit.covariance)
    roots = vectors * np.sqrt(np.clip(values, 0.0, None))
    slopes = parameter_slopes(fit.sight, places_mm) @ roots
    moves = -np.linalg.solve(place_jacobian(fit.sight, places_mm), slopes)
    flat = moves.reshape(-1, moves.shape[-1])
    left, size, _ = np.linalg.svd(flat, full_matrices=False)
    keep = size > 1e-3 * size[0]
    return np.asarray((left[:, keep] * size[keep]).T.reshape(int(keep.sum()), len(places_mm), 2))


def _source(
    shots: list[_Shot],
    card: FlatCard,
    stretch: tuple[float, float],
    bar_measured_mm: tuple[float, float] | None,
    marked: Marked,
) -> dict[str, Any]:
    return {
        "card": f"flat {card.paper}",
        "marked": marked,
        "mirrored": marked == "wall",
        "print_scale": list(stretch),
        "bar_measured_mm": None if bar_measured_mm is None else list(bar_measured_mm),
        "markers_found": max(shot.corners.markers for shot in shots),
        "markers_on_card": len(marker_squares(card)),
        "corners_on_card": len(corner_places(card)),
        "pictures": [
            {
                "name": shot.picture.name,
                "sha256": shot.picture.sha256,
                "size_px": list(shot.fit.sight.size_px),
                "markers_found": shot.corners.markers,
                "corners_used": int(shot.fit.used.sum()),
                "noise_px": round(shot.fit.noise_px, 4),
            }
            for shot in shots
        ],
    }
