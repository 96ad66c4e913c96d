"""Whether a strip's squares have the size that the told bore gives them.

A strip's numbers tell its bore only where a frame sees enough of them, and a print may be scaled. Its squares
tell too: bent to the wall of the told bore, larger squares bend more. The corners are tried with squares of
several sizes; the size that is theirs leaves the least misfit, and by far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_cards import StripCard, strip_card, strip_places
from portmap.picture.bore_seat import CardSeat
from portmap.picture.bore_shots import MarkedPhoto
from portmap.picture.bore_start import first_pose
from portmap.picture.lens_doubt import LensGuess

__all__ = ["StripSize", "strip_size"]

Floats = NDArray[np.float64]

_REACH = 0.08  # of the squares' size, up and down
_STEP_MM = 0.5  # of bore, between the sizes tried, as between cards
_CORNERS = 10  # in a photo, to try it
_PHOTOS = 8  # those with the most corners
_SEAM = 0.4  # of the turn, either side of the middle: further out a photo may show both ends
_SURE, _LIKELY = 4.0, 2.0  # times the misfit of the best size
_LEAST_PX = 0.15  # that the misfit falls by


@dataclass(frozen=True, kw_only=True, slots=True)
class StripSize:
    """Another size that suits a strip's squares better than that of the card for the told bore.

    Parameters
    ----------
    names : tuple of str
        Of the photos that tell.
    stretch : float
        How large the squares are, against those of the card for the told bore.
    bore_mm : float or None
        Whose card has squares of that size, if any has.
    told_mm : float
        Bore that the card is said to be for.
    miss_px, told_miss_px : float
        Root mean square misses of the corners with either.
    sure : bool
    """

    names: tuple[str, ...]
    stretch: float
    bore_mm: float | None
    told_mm: float
    miss_px: float
    told_miss_px: float
    sure: bool


def strip_size(
    photos: Sequence[MarkedPhoto], lenses: Sequence[LensGuess], seat: CardSeat
) -> StripSize | None:
    """Return the size that suits a strip's squares, if it is another than the told one.

    Parameters
    ----------
    photos : sequence of MarkedPhoto
        All of one card.
    lenses : sequence of LensGuess
        As adjusted.
    seat : CardSeat

    Returns
    -------
    StripSize or None
        None for a ring, for squares of the size that was told, and where that cannot be told.
    """
    card = photos[0].marks.card
    if not isinstance(card, StripCard):
        return None
    tried = [photo for photo in photos if len(photo.marks.places_mm) >= _CORNERS]
    tried = sorted(tried, key=lambda photo: -len(photo.marks.places_mm))[:_PHOTOS]
    told = card.bore_mm
    steps = range(math.ceil((1 - _REACH) * told / _STEP_MM), math.floor((1 + _REACH) * told / _STEP_MM) + 1)
    misses = {
        bore: _miss(tried, lenses, seat, bore / told) for bore in (told, *(k * _STEP_MM for k in steps))
    }
    best = min(misses, key=lambda bore: misses[bore])
    own, least = misses[told], misses[best]
    if not (math.isfinite(own) and own > _LIKELY * least and own - least > _LEAST_PX):
        return None
    return StripSize(
        names=tuple(photo.name for photo in photos if any(photo is each for each in tried)),
        stretch=best / told,
        bore_mm=best if _columns(best, card) == card.columns else None,
        told_mm=told,
        miss_px=least,
        told_miss_px=own,
        sure=own > _SURE * least,
    )


def _columns(bore_mm: float, like: StripCard) -> int:
    """Return how many squares the card for a bore has round it."""
    return strip_card(bore_mm, height_mm=like.height_mm, thickness_mm=like.thickness_mm).columns


def _miss(
    photos: Sequence[MarkedPhoto], lenses: Sequence[LensGuess], seat: CardSeat, stretch: float
) -> float:
    """Return the root mean square miss with the squares so much larger [px]; infinite if no pose is found."""
    squares, count = 0.0, 0
    for photo in photos:
        card = photo.marks.card
        if not isinstance(card, StripCard):
            continue
        places = photo.marks.places_mm
        near = np.abs(places[:, 0]) < _SEAM * card.columns * card.square_mm
        if near.sum() < _CORNERS:  # it looks at the seam: one side of that will do
            near = places[:, 0] > 0 if (places[:, 0] > 0).mean() > 0.5 else places[:, 0] <= 0
        if near.sum() < _CORNERS:
            continue
        where = strip_places(card, places[near] * stretch, low_mm=seat.low_mm, bore_mm=seat.bore_mm)
        found = first_pose(lenses[photo.lens].lens, where, photo.marks.pixels_px[near], "any")
        if found is not None:
            squares += found[2] ** 2 * int(near.sum())
            count += int(near.sum())
    return math.sqrt(squares / count) if count else math.inf
