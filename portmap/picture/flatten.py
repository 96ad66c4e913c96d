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
raised sheet
    A sheet of some thickness shows its marks above the card, and a camera that does not stand over them sees
    them shifted. With the thickness given that is put right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.card import BAR_MM, FlatCard, corner_places, marker_squares
from portmap.picture.corners import Corners, corners_in
from portmap.picture.flat_doubt import Bend, bend_of, caliper_modes, miss_on_card, pose_modes
from portmap.picture.flat_notices import Circumstances, flat_notices
from portmap.picture.load import Picture
from portmap.picture.scaled import PlaceDoubt, ScaledImage
from portmap.picture.sight import Fit, fitted_sight, place_jacobian
from portmap.picture.standpoint import Standpoint, standpoint_of
from portmap.picture.tone_curve import ToneCurve, card_tone, even_values
from portmap.picture.warp import Frame, Lit, grid_of, joined, lattice, on_card, shares

__all__ = ["Marked", "flatten"]

Marked = Literal["axis", "wall"]
Floats = NDArray[np.float64]

_BAR_RANGE_MM = (97.0, 103.0)
_THICKEST_MM = 2.0
_NICE = (1.0, 1.2, 1.5, 1.8, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)
_NOISE_FLOOR_PX = 0.01
_PIXEL_LIMIT = 60_000_000
_DOUBT_GRID = (13, 9)
_ROUGH_MM = 0.5  # pixels of a frame that only serves to judge the photo
_SIDE_LIMIT_PX = 32_000  # what OpenCV's remap takes
_DOUBT_LIMIT_MM = 1.0  # 95 %: an image less sure than that serves nobody


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shot:
    """One photo with what was found in it."""

    picture: Picture
    corners: Corners
    fit: Fit
    bend: Bend
    standpoint: Standpoint
    tone: ToneCurve


def flatten(
    pictures: Picture | Sequence[Picture],
    *,
    bar_measured_mm: tuple[float, float] | None = None,
    mm_per_px: float | None = None,
    marked: Marked = "axis",
    sheet_thickness_mm: float | None = None,
) -> ScaledImage:
    """Return the free area of the flat card, seen straight from above and to scale.

    Parameters
    ----------
    pictures : Picture or sequence of Picture
        Photos of the same card with the same sheet on it. Of several, each place is taken from the photo
        that shows it largest; each must show enough of the card by itself.
    bar_measured_mm : tuple of float, optional
        What a caliper finds on the printed 100 mm bars, across and down [mm]. Without it the print is taken
        to be true, and a notice says so.
    mm_per_px : float, optional
        Size of a pixel of the result [mm]; the photo's own, rounded down to a handy figure, unless given.
    marked : {'axis', 'wall'}, optional
        Which side of the lifted sheet lies up: the one that faced the bore axis, or the one that touched
        the wall.
    sheet_thickness_mm : float, optional
        Height [mm] of the marked face above the card; 0 unless given.

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
        If the bars, the thickness or the pixel size make no sense.
    """
    photos = [pictures] if isinstance(pictures, Picture) else list(pictures)
    if not photos:
        raise PictureError("no photo was given", remedy="name one photo or more")
    if marked not in ("axis", "wall"):
        raise QuantityError(f"marked {marked!r} is neither axis nor wall", where="marked", remedy="say which")
    if sheet_thickness_mm is not None and not 0.0 <= sheet_thickness_mm <= _THICKEST_MM:
        raise QuantityError(
            f"{sheet_thickness_mm:g} mm is no thickness for a lifted sheet",
            where="sheet_thickness_mm",
            remedy=f"give 0 to {_THICKEST_MM:g} mm; office paper is about 0.1 mm",
        )
    stretch = _print_scale(bar_measured_mm)
    shots = [_shot(photo) for photo in photos]
    card = _one_card(shots)
    rough = _frame(card, stretch, _ROUGH_MM, marked)
    lit = [_lit(shot, sheet_thickness_mm or 0.0) for shot in shots]
    grid_x, grid_y = lattice(rough, _DOUBT_GRID)
    places = grid_of(grid_x, grid_y)
    weights = shares(lit, rough, places)
    modes = _modes(shots, weights, rough, places)
    reached = weights.sum(axis=0) > 0
    worst = _worst_doubt(shots, modes, reached)
    frame = _frame(card, stretch, _pixel_size(shots, mm_per_px, stretch), marked)
    if bar_measured_mm is not None:
        modes = np.concatenate([modes, caliper_modes(places)])
    pixels = joined(lit, frame)
    squares = [miss_on_card(shot.fit, shot.corners.places_mm)[shot.fit.used] ** 2 for shot in shots]
    residual = math.sqrt(float(np.concatenate(squares).sum(axis=1).mean()))
    notices = [notice for photo in photos for notice in photo.notices]
    notices += flat_notices(
        card,
        [
            Circumstances(
                name=shot.picture.name,
                corners=shot.corners,
                fit=shot.fit,
                bend=shot.bend,
                standpoint=shot.standpoint,
            )
            for shot in shots
        ],
        pixels=pixels,
        native_mm_per_px=_native(shots, stretch),
        reached_share=float(reached.mean()),
        worst_mm=worst,
        measured=bar_measured_mm is not None,
        thickness_told=sheet_thickness_mm is not None,
    )
    notices += [
        Notice(
            code="tone-corrected",
            message=f"{shot.picture.name}: its grey values are not those of a usual photo; they were put"
            " right by the card's own edges. If it was scanned or edited, give the camera's own file.",
        )
        for shot in shots
        if shot.tone.share != 1.0
    ]
    return ScaledImage(
        pixels=pixels,
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        residual_mm=residual,
        source=_source(shots, card, stretch, bar_measured_mm, marked, sheet_thickness_mm),
        doubt=PlaceDoubt(
            grid_x_mm=grid_x,
            grid_y_mm=grid_y,
            modes_mm=modes.reshape(-1, len(grid_y), len(grid_x), 2),
        ),
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
    return _Shot(
        picture=picture,
        corners=corners,
        fit=fit,
        bend=bend_of(corners.card, fit, corners.places_mm),
        standpoint=standpoint_of(fit.sight, picture.focal_35mm_mm),
        tone=card_tone(gray[:, ::-1] if corners.mirrored else gray, fit.sight, corners.card),
    )


def _worst_doubt(shots: list[_Shot], modes: Floats, reached: NDArray[np.bool_]) -> float:
    """Return the largest doubt of a place, 95 % [mm], or refuse photos that show no place well enough."""
    name = shots[0].picture.name
    if not reached.any():
        raise PictureError(
            "the free area of the card is outside the picture", where=name, remedy="photograph the whole card"
        )
    doubt_mm = 1.96 * np.sqrt((modes**2).sum(axis=0).max(axis=1))
    worst = float(doubt_mm[reached].max())
    if worst <= _DOUBT_LIMIT_MM:
        return worst
    bent = max(shots, key=lambda shot: shot.bend.clear * shot.bend.size_mm)
    if bent.bend.clear and bent.bend.largest_mm > _DOUBT_LIMIT_MM / 4:
        raise PictureError(
            f"the card does not lie flat: its corners are up to {bent.bend.largest_mm:.1f} mm off",
            where=bent.picture.name,
            remedy="tape it down to a flat board and photograph it anew",
        )
    raise PictureError(
        f"too little of the card is seen ({_counted(shots)}): places may be {min(worst, 999.0):.1f} mm off",
        where=name,
        remedy="photograph the whole card from above, sharp and evenly lit",
    )


def _one_card(shots: list[_Shot]) -> FlatCard:
    card = shots[0].corners.card
    for shot in shots[1:]:
        if shot.corners.card != card:
            raise PictureError(
                f"this photo shows the {shot.corners.card.paper} card, the first one the {card.paper} card",
                where=shot.picture.name,
                remedy="give photos of one card",
            )
    return card


def _counted(shots: list[_Shot]) -> str:
    best = max(shots, key=lambda shot: shot.corners.markers)
    return f"{best.corners.markers} of {len(marker_squares(best.corners.card))} markers"


def _native(shots: list[_Shot], stretch: tuple[float, float]) -> float:
    """Return the size on the card of a photo's pixel, the median over the free area [mm]."""
    x0, y0, x1, y1 = shots[0].corners.card.free_area_mm
    grid = grid_of(np.linspace(x0, x1, 9), np.linspace(y0, y1, 7))
    scales = [np.sqrt(np.abs(np.linalg.det(place_jacobian(shot.fit.sight, grid)))) for shot in shots]
    return math.sqrt(stretch[0] * stretch[1]) / float(np.median(np.max(scales, axis=0)))


def _pixel_size(shots: list[_Shot], wanted: float | None, stretch: tuple[float, float]) -> float:
    if wanted is not None:
        if not 0.005 <= wanted <= 2.0:
            raise QuantityError(
                f"{wanted:g} mm a pixel", where="mm_per_px", remedy="give 0.005 to 2 mm, such as 0.05"
            )
        return float(wanted)
    native = _native(shots, stretch)
    decade = 10.0 ** math.floor(math.log10(native))
    return max(round(nice * decade, 6) for nice in _NICE if nice * decade <= native * 1.02)


def _frame(card: FlatCard, stretch: tuple[float, float], step: float, marked: Marked) -> Frame:
    x0, y0, x1, y1 = card.free_area_mm
    columns = math.floor((x1 - x0) * stretch[0] / step + 1e-6) + 1
    rows = math.floor((y1 - y0) * stretch[1] / step + 1e-6) + 1
    if columns * rows > _PIXEL_LIMIT or max(columns, rows) > _SIDE_LIMIT_PX:
        raise QuantityError(
            f"{step:g} mm a pixel makes {columns} × {rows} pixels",
            where="mm_per_px",
            remedy="take larger pixels",
        )
    return Frame(
        left_mm=x0 * stretch[0] if marked == "axis" else -x1 * stretch[0],
        top_mm=y1 * stretch[1],
        step_mm=step,
        columns=columns,
        rows=rows,
        stretch=stretch,
        turn=1.0 if marked == "axis" else -1.0,
    )


def _lit(shot: _Shot, thickness_mm: float) -> Lit:
    stand, pixels = shot.standpoint, shot.picture.pixels
    return Lit(
        pixels=pixels
        if shot.tone.share == 1.0
        else np.asarray(cv2.LUT(pixels, even_values(shot.tone)), np.uint8),
        sight=shot.fit.sight,
        mirrored=shot.corners.mirrored,
        raised=(stand.x_mm, stand.y_mm, stand.height_mm / (stand.height_mm - thickness_mm)),
    )


def _modes(shots: list[_Shot], weights: Floats, frame: Frame, places: Floats) -> Floats:
    """Return the displacement modes of poses and lenses in the result's frame, shape (K, N, 2) [mm]."""
    card = on_card(frame, places)
    back = np.array([frame.turn * frame.stretch[0], frame.stretch[1]])
    modes = [
        pose_modes(shot.fit, card, shot.bend) * back * weight[:, None]
        for shot, weight in zip(shots, weights, strict=True)
    ]
    return np.concatenate(modes)


def _source(
    shots: list[_Shot],
    card: FlatCard,
    stretch: tuple[float, float],
    bar_measured_mm: tuple[float, float] | None,
    marked: Marked,
    sheet_thickness_mm: float | None,
) -> dict[str, Any]:
    return {
        "card": f"flat {card.paper}",
        "marked": marked,
        "mirrored": marked == "wall",
        "print_scale": list(stretch),
        "bar_measured_mm": None if bar_measured_mm is None else list(bar_measured_mm),
        "sheet_thickness_mm": sheet_thickness_mm,
        "markers_found": max(shot.corners.markers for shot in shots),
        "markers_on_card": len(marker_squares(card)),
        "corners_on_card": len(corner_places(card)),
        "pictures": [_shot_facts(shot) for shot in shots],
    }


def _shot_facts(shot: _Shot) -> dict[str, Any]:
    names = ("k1", "k2", "k3", "p1", "p2", "axis_x", "axis_y")
    return {
        "name": shot.picture.name,
        "sha256": shot.picture.sha256,
        "size_px": list(shot.fit.sight.size_px),
        "markers_found": shot.corners.markers,
        "corners_found": len(shot.corners.pixels),
        "corners_used": int(shot.fit.used.sum()),
        "corner_noise_px": round(shot.fit.noise_px, 4),
        "blur_px": round(shot.corners.blur_px, 2),
        "bend_mm": round(shot.bend.size_mm, 4),
        "tone_share": round(shot.tone.share, 3),
        "tone_edges": shot.tone.edges,
        "card_edges_off_mm": round(shot.tone.off_mm, 4),
        "tilt_deg": round(shot.standpoint.tilt_deg, 1),
        "camera_height_mm": round(shot.standpoint.height_mm),
        "lens": {
            name: round(float(value), 6) for name, value in zip(names, shot.fit.sight.theta[8:], strict=True)
        },
    }
