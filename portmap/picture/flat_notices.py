"""What makes a flattened photo doubtful, in words for the porter.

=================  =====================================================================================
code               when
=================  =====================================================================================
print-unchecked    the printed bars were not measured
few-markers        less than half of the card's markers were seen, and not most corners all the same
side-unseen        less than a quarter of the corners along one side of the card was used
not-flat           the corners' misses follow a smooth pattern, or many corners stand off
unsure-places      somewhere a place is known no better than 0.02 mm (95 %)
cut-off            part of the free area is outside every photo
blurred            edges are blurred by more than 0.2 mm (standard deviation)
coarse             a pixel of the photo is more than 0.2 mm of the card
dim                black and white of the card are less than 40 of 255 grey levels apart
glare              more than 1 % of the free area is burnt out
mirrored-photo     the photo itself was mirrored
raised-sheet       at this tilt a sheet of 0.1 mm would be seen more than 0.03 mm off, and its thickness was
                   not given
=================  =====================================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice
from portmap.picture.card import BAND, FlatCard, corner_places, marker_squares
from portmap.picture.corners import Corners
from portmap.picture.flat_doubt import Bend
from portmap.picture.sight import Fit, place_jacobian
from portmap.picture.standpoint import Standpoint
from portmap.picture.warp import grid_of

__all__ = ["Circumstances", "flat_notices"]

ROOF_AIM_MM = 0.02  # a tenth of a degree at most roofs: what a doubt of places should not exceed
_BLUR_MM = 0.2
_COARSE_MM = 0.2
_DIM = 40.0
_SIDE_SHARE = 0.25
_MOST_CORNERS = 0.75  # if so many serve, markers too small to be read are no loss
_BURNT, _BURNT_SHARE = 253, 0.01
_OFFICE_PAPER_MM = 0.1
_RAISED_MM = 0.03
# Where windows usually stand on the card [mm]: x from −80 to 80, y from 0 to 70.
_WINDOWS_X, _WINDOWS_Y = (-80.0, 0.0, 80.0), (0.0, 35.0, 70.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Circumstances:
    """What is known of one photo.

    Parameters
    ----------
    name : str
        The file's name.
    corners : Corners
        What was found.
    fit : Fit
        The sight fitted to it.
    bend : Bend
        What the corners say about flatness.
    standpoint : Standpoint
        Where the camera stood.
    """

    name: str
    corners: Corners
    fit: Fit
    bend: Bend
    standpoint: Standpoint


def flat_notices(
    card: FlatCard,
    photos: Sequence[Circumstances],
    *,
    pixels: NDArray[np.uint8],
    native_mm_per_px: float,
    reached_share: float,
    worst_mm: float,
    measured: bool,
    thickness_told: bool,
) -> list[Notice]:
    """Return the notices for a flattened image.

    Parameters
    ----------
    card : FlatCard
        The card.
    photos : sequence of Circumstances
        The photos that were used.
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        The result.
    native_mm_per_px : float
        Size of a photo's pixel on the card [mm].
    reached_share : float
        Share of the free area that the photos show.
    worst_mm : float
        Largest doubt of a place, 95 % [mm].
    measured : bool
        Whether the printed bars were measured.
    thickness_told : bool
        Whether the sheet's thickness was given.

    Returns
    -------
    list of Notice
        In the order of the module's table.
    """
    found: list[Notice] = []
    if not measured:
        found.append(
            Notice(
                code="print-unchecked",
                message="The print is taken to be true: measure the card's two 100 mm bars and give them "
                "(--bar-measured).",
            )
        )
    for photo in photos:
        found += _photo_notices(card, photo, sides=len(photos) == 1)
    if worst_mm > ROOF_AIM_MM:
        found.append(
            Notice(
                code="unsure-places",
                message=f"Places are only known to ±{worst_mm:.2g} mm (95 %) at worst.",
            )
        )
    if reached_share < 1.0:
        found.append(
            Notice(
                code="cut-off",
                message=f"{_percent(1 - reached_share)} of the free area is outside the picture, left white.",
            )
        )
    if native_mm_per_px > _COARSE_MM:
        found.append(
            Notice(
                code="coarse",
                message=f"A pixel of the photo is {native_mm_per_px:.2f} mm: come near or use more pixels.",
            )
        )
    burnt = float((pixels[::8, ::8].min(axis=2) >= _BURNT).mean()) - (1 - reached_share)
    if burnt > _BURNT_SHARE:
        found.append(
            Notice(
                code="glare",
                message=f"{_percent(burnt)} of the free area is burnt out: move the lamp or expose less.",
            )
        )
    if not thickness_told:
        found += _raised_notices(photos)
    return found


def _percent(share: float) -> str:
    return f"{max(100 * share, 1):.0f} %"


def _photo_notices(card: FlatCard, photo: Circumstances, *, sides: bool) -> list[Notice]:
    """Return what there is to say about one photo; of its `sides` only if it is the only one."""
    found: list[Notice] = []
    corners, name = photo.corners, photo.name
    total = len(marker_squares(card))
    if corners.mirrored:
        found.append(
            Notice(code="mirrored-photo", message=f"{name} is mirrored left to right; it was turned back.")
        )
    if corners.markers < total / 2 and photo.fit.used.sum() < _MOST_CORNERS * len(corner_places(card)):
        found.append(
            Notice(
                code="few-markers", message=f"Only {corners.markers} of {total} markers were seen in {name}."
            )
        )
    used = corners.places_mm[photo.fit.used]
    for side, share in _side_shares(card, used).items() if sides else ():
        if share < _SIDE_SHARE:
            found.append(
                Notice(
                    code="side-unseen",
                    message=f"Along the card's {side} only {100 * share:.0f} % of the corners serve in "
                    f"{name}: places toward it are less sure.",
                )
            )
    if photo.bend.clear:
        found.append(
            Notice(
                code="not-flat",
                message=f"The card does not lie flat in {name}: its corners are up to "
                f"{photo.bend.largest_mm:.2g} mm off. Tape it down to a flat board.",
            )
        )
    slopes = place_jacobian(photo.fit.sight, used)
    blur_mm = corners.blur_px / float(np.median(np.sqrt(np.abs(np.linalg.det(slopes)))))
    if blur_mm > _BLUR_MM:
        found.append(
            Notice(
                code="blurred",
                message=f"Edges in {name} are {2 * blur_mm:.1f} mm wide: hold still and focus on the card.",
            )
        )
    if corners.contrast < _DIM:
        found.append(
            Notice(
                code="dim",
                message=f"In {name} black and white are only {corners.contrast:.0f} of 255 levels apart: "
                "give more light.",
            )
        )
    return found


def _side_shares(card: FlatCard, used_mm: NDArray[np.float64]) -> dict[str, float]:
    """Return the share of the usable corners along each side of the card that were used."""
    low = np.array(card.board_mm)
    high = low + np.array([card.columns, card.rows]) * card.square_mm
    deep = BAND * card.square_mm

    def counts(places: NDArray[np.float64]) -> dict[str, int]:
        return {
            "left": int((places[:, 0] < low[0] + deep).sum()),
            "right": int((places[:, 0] > high[0] - deep).sum()),
            "lower edge": int((places[:, 1] < low[1] + deep).sum()),
            "upper edge": int((places[:, 1] > high[1] - deep).sum()),
        }

    there, seen = counts(corner_places(card)), counts(used_mm)
    return {side: seen[side] / there[side] for side in there}


def _raised_notices(photos: Sequence[Circumstances]) -> list[Notice]:
    places = grid_of(np.array(_WINDOWS_X), np.array(_WINDOWS_Y))
    shifts = [
        float(np.hypot(*photo.standpoint.seen_shift_mm(_OFFICE_PAPER_MM, places).mean(axis=0)))
        for photo in photos
    ]
    worst = int(np.argmax(shifts))
    if not shifts[worst] > _RAISED_MM:
        return []
    return [
        Notice(
            code="raised-sheet",
            message=f"Tilted by {photos[worst].standpoint.tilt_deg:.0f} degrees, a sheet "
            f"{_OFFICE_PAPER_MM:g} mm thick is seen {shifts[worst]:.2f} mm off: "
            "give its thickness, or stand over the middle.",
        )
    ]
