"""The corners of a flat card in a photo, to a small part of a pixel.

First the markers are found, in a reduced picture where that is enough; they give the card, and a first sight
(pose and lens). That tells where each chessboard corner must be to about a pixel; there the full picture is
searched for the middle of the saddle.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.card import (
    FlatCard,
    card_of_marker,
    corner_places,
    flat_card,
    marker_corners,
    marker_squares,
)
from portmap.picture.markers import SEARCH_SIDE_PX, Sighting, searched_markers
from portmap.picture.sight import Fit, Sight, fitted_sight, place_jacobian, projected, start_sight

__all__ = ["Corners", "corners_in"]

Floats = NDArray[np.float64]

_LEAST_MARKERS = 6
_PLENTY, _NEARLY_ALL = 60, 150  # of the 183 to 189 on a card
_PHOTOGRAPH = "photograph the whole card from above, sharp and evenly lit"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Corners:
    """Chessboard corners found in a photo.

    Parameters
    ----------
    card : FlatCard
        The card.
    places_mm : ndarray of shape (N, 2)
        Where each stands on the card.
    pixels : ndarray of shape (N, 2)
        Where each was seen, (column, row) in the photo as it was read.
    blur_px : float
        Standard deviation [px] of the blur across the chessboard's edges, as a Gaussian has it.
    contrast : float
        Grey levels between its white and black, of 255; the median over corners.
    markers : int
        How many of the card's markers were seen.
    start : Sight
        Pose and lens from the markers alone.
    mirrored : bool
        The photo is mirrored, as some front cameras make it; `pixels` are those of the photo turned right.
    """

    card: FlatCard
    places_mm: Floats
    pixels: Floats
    blur_px: float
    contrast: float
    markers: int
    start: Sight
    mirrored: bool


def corners_in(gray: NDArray[np.uint8]) -> Corners:
    """Return the card's corners in a grey photo.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The photo in full size.

    Returns
    -------
    Corners
        Only corners that look like one: two dark and two light quarters.

    Raises
    ------
    PictureError
        If no card, another card or two cards are in view, or too little of one.
    """
    sighting, mirrored = searched_markers(gray, least=_LEAST_MARKERS, plenty=_PLENTY, nearly_all=_NEARLY_ALL)
    if mirrored:
        gray = np.ascontiguousarray(gray[:, ::-1])
    card = _card_seen(sighting)
    start, count = _start(card, sighting, (gray.shape[1], gray.shape[0]))
    places = corner_places(card)
    guess = projected(start, places)
    slopes = place_jacobian(start, places)
    pitch = np.sqrt(np.abs(np.linalg.det(slopes))) * card.square_mm
    margin = 0.25 * pitch
    inside = np.all(
        (guess > margin[:, None]) & (guess < np.array(gray.shape[::-1]) - 1 - margin[:, None]), axis=1
    )
    places, guess, slopes, pitch = places[inside], guess[inside], slopes[inside], pitch[inside]
    found = _refined(gray, guess, pitch)
    near = np.hypot(*(found - guess).T) < np.maximum(2.0, 0.08 * pitch)
    alike, contrast = _like_a_corner(gray, found, slopes, card, places)
    good = near & alike
    if good.sum() < 24:
        raise PictureError(
            f"{count} of {len(marker_squares(card))} markers were seen, but only {int(good.sum())} of "
            f"{len(corner_places(card))} corners are sharp",
            remedy=_PHOTOGRAPH,
        )
    return Corners(
        card=card,
        places_mm=places[good],
        pixels=found[good],
        blur_px=_edge_blur(gray, found[good], slopes[good], card),
        contrast=float(np.median(contrast[good])),
        markers=count,
        start=start,
        mirrored=mirrored,
    )


def _card_seen(sighting: Sighting) -> FlatCard:
    kinds = Counter(filter(None, (card_of_marker(int(k)) for k in sighting.ids)))
    total = len(sighting.ids)
    if total < _LEAST_MARKERS:
        seen = (
            "no marker was"
            if total == 0
            else f"only {total} marker{'s' * (total > 1)} w{'ere' if total > 1 else 'as'}"
        )
        raise PictureError(f"no flat card found: {seen} seen", remedy=_PHOTOGRAPH)
    # A chance look-alike of another card's marker is no second card.
    strong = [name for name, count in kinds.most_common() if count >= max(_LEAST_MARKERS, 0.1 * total)]
    if not strong:
        raise PictureError(f"no flat card found: {total} markers of no one card", remedy=_PHOTOGRAPH)
    if not strong[0].startswith("flat "):
        raise PictureError(
            f"this is the {strong[0]} card, not a flat one", remedy="print a flat card: portmap card flat"
        )
    if len(strong) > 1:
        raise PictureError(
            f"two cards are in view, {strong[0]} and {strong[1]}", remedy="have only one in the picture"
        )
    return flat_card(strong[0].removeprefix("flat "))


def _start(card: FlatCard, sighting: Sighting, size_px: tuple[int, int]) -> tuple[Sight, int]:
    squares = marker_squares(card)
    mine = np.array([int(k) in squares for k in sighting.ids])
    ids, corners = sighting.ids[mine], sighting.corners_px[mine]
    doubled = [k for k, count in Counter(ids.tolist()).items() if count > 1]
    if len(doubled) > max(3, 0.2 * len(set(ids.tolist()))):
        raise PictureError(
            f"two cards of the same kind are in view: {len(doubled)} markers were seen twice",
            remedy="have only one in the picture",
        )
    places = marker_corners(card, ids).reshape(-1, 2)
    pixels = corners.reshape(-1, 2)
    rough = start_sight(places, pixels, size_px)
    fit: Fit = fitted_sight(
        rough, places, pixels, noise_px=0.3 * max(1, round(max(size_px) / SEARCH_SIDE_PX))
    )
    agreed = fit.used.reshape(-1, 4).all(axis=1)
    return fit.sight, len(set(ids[agreed].tolist()))


def _refined(gray: NDArray[np.uint8], guess: Floats, pitch: Floats) -> Floats:
    """Return the middles of the saddles near `guess`, each in a window that fits its square's size."""
    found = guess.astype(np.float32)
    half = np.clip(np.round(0.14 * pitch).astype(int), 3, 16)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    for size in np.unique(half):
        some = np.ascontiguousarray(found[half == size].reshape(-1, 1, 2))
        cv2.cornerSubPix(gray, some, (int(size), int(size)), (-1, -1), criteria)
        found[half == size] = some.reshape(-1, 2)
    return found.astype(np.float64)


def _like_a_corner(
    gray: NDArray[np.uint8], found: Floats, slopes: Floats, card: FlatCard, places: Floats
) -> tuple[NDArray[np.bool_], Floats]:
    """Return which points have dark and light quarters where the card has them, and how far these differ."""
    rim = (card.square_mm - card.marker_mm) / 2
    offsets = 0.55 * rim * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], np.float64)
    spots = (found[:, None] + np.einsum("nij,kj->nki", slopes, offsets)).astype(np.float32)
    soft = cv2.remap(gray, spots[:, :, 0], spots[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = soft.astype(np.float64)
    index = np.rint((places - card.board_mm) / card.square_mm).astype(int)
    dark_first = (index.sum(axis=1) % 2 == 0)[:, None]  # the square up and right of it
    dark = np.where(dark_first, level[:, [0, 2]], level[:, [1, 3]])
    light = np.where(dark_first, level[:, [1, 3]], level[:, [0, 2]])
    step = light.min(axis=1) - dark.max(axis=1)
    span = light.mean(axis=1) - dark.mean(axis=1)
    return (step > 0.4 * span) & (span > 12.0) & (span > 0.25 * np.median(span)), span


def _edge_blur(gray: NDArray[np.uint8], found: Floats, slopes: Floats, card: FlatCard) -> float:
    """Return the blur across the edges that run up from the corners, in pixels.

    A step blurred by a Gaussian of standard deviation s rises by 1/(s sqrt(2 pi)) of its height per pixel.
    """
    rim = (card.square_mm - card.marker_mm) / 2
    along = np.linspace(-0.9, 0.9, 37) * rim
    line = np.stack([along, np.full_like(along, 0.35 * card.square_mm)], axis=1)
    spots = (found[:, None] + np.einsum("nij,kj->nki", slopes, line)).astype(np.float32)
    seen = cv2.remap(gray, spots[:, :, 0], spots[:, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = seen.astype(np.float64)
    height = level.max(axis=1) - level.min(axis=1)
    step_px = np.hypot(*slopes[:, :, 0].T) * (along[1] - along[0])
    # over three steps, lest noise make the steepest one
    rise = np.abs(level[:, 3:] - level[:, :-3]).max(axis=1) / 3
    clear = (height > 12.0) & (rise > 0)
    if not clear.any():
        return 0.0
    return float(np.median(height[clear] * step_px[clear] / (rise[clear] * np.sqrt(2 * np.pi))))
