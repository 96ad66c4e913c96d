"""The corners of a ring or strip card in a photo of a bore, to a small part of a pixel.

The markers tell which card it is, which bore it was made for, and where each chessboard corner must be: the
markers in the two white squares that meet there are carried on to it by their own perspective. There the
picture is searched for the middle of the saddle. Nothing is asked of the lens, nor of the paper's being flat:
each corner is found from its neighbours alone.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bore_cards import RingCard, StripCard, bore_of_start, ring_card, strip_card
from portmap.picture.card import MARKER_RANGES, card_of_marker
from portmap.picture.marked_corners import (
    AGREE_SQUARES,
    agreeing_markers,
    carried,
    perspective_of,
    saddles,
)
from portmap.picture.markers import Sighting, searched_markers

__all__ = ["BoreMarks", "bore_marks"]

Floats = NDArray[np.float64]
Kind = Literal["ring", "strip"]

_LEAST_MARKERS = 3
_PLENTY, _NEARLY_ALL = 12, 60
_LEAST_CORNERS = 6
_STRANGE = 3  # markers beside others that this card has not there: other bores' cards are tried
_BESIDE_MM = 5.0  # numbers begin again every 50 mm or more of bore: such cards are not meant
_LEAST_CONTRAST = 12.0  # of 255, between a corner's dark and light quarters
_LEAST_PITCH_PX = 6.0  # of a square: less holds no saddle
_WINDOW = 0.13  # of a square: up to the rim of the markers beside, whose edges would draw the middle away


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BoreMarks:
    """Corners of a bore card found in one picture.

    Parameters
    ----------
    card : RingCard or StripCard
        The card.
    markers : int
        How many of its markers were seen.
    places_mm : ndarray of shape (N, 2)
        Where each corner stands on the card.
    pixels_px : ndarray of shape (N, 2)
        Where it was seen, (column, row); in a mirrored picture, after it was turned right.
    pitch_px : ndarray of shape (N,)
        Side of a square there.
    mirrored : bool
        Whether the picture is mirrored, as scopes with a mirror make it.
    """

    card: RingCard | StripCard
    markers: int
    places_mm: Floats
    pixels_px: Floats
    pitch_px: Floats
    mirrored: bool

    @property
    def kind(self) -> Kind:
        """Return which card it is."""
        return "ring" if isinstance(self.card, RingCard) else "strip"


def bore_marks(
    gray: NDArray[np.uint8],
    bore_mm: float,
    *,
    strip_height_mm: float = 20.0,
    thickness_mm: float = 0.1,
) -> BoreMarks | None:
    """Return the corners of a ring or strip card in a grey picture.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The picture in full size.
    bore_mm : float
        The bore that is photographed [mm].
    strip_height_mm, thickness_mm : float, optional
        Of the strip's paper, as it was printed [mm].

    Returns
    -------
    BoreMarks or None
        None if no ring or strip is in the picture.

    Raises
    ------
    PictureError
        If the card is for another bore, or of another kind, or two cards are in view.
    """
    sighting, mirrored = searched_markers(gray, least=_LEAST_MARKERS, plenty=_PLENTY, nearly_all=_NEARLY_ALL)
    kind = _kind_seen(sighting)
    if kind is None:
        return None
    if mirrored:
        gray = np.ascontiguousarray(gray[:, ::-1])
    card = _card_for(kind, bore_mm, strip_height_mm, thickness_mm)
    agreed = agreeing_markers(card, sighting)
    _refuse_other_bore(kind, sighting, card, strip_height_mm, thickness_mm)
    if len(agreed) < _LEAST_MARKERS:
        return None
    guess, places, pitch = _expected(card, agreed)
    if len(guess) == 0:
        return None
    found = saddles(gray, guess, _WINDOW * pitch)
    near = np.hypot(*(found - guess).T) < np.maximum(2.0, 0.15 * pitch)
    good = near & _saddle_like(gray, found, card, places, agreed) & (pitch >= _LEAST_PITCH_PX)
    if good.sum() < _LEAST_CORNERS:
        return None
    return BoreMarks(
        card=card,
        markers=len(agreed),
        places_mm=places[good],
        pixels_px=found[good],
        pitch_px=pitch[good],
        mirrored=mirrored,
    )


def _card_for(
    kind: Kind, bore_mm: float, strip_height_mm: float, thickness_mm: float
) -> RingCard | StripCard:
    if kind == "ring":
        return ring_card(bore_mm)
    return strip_card(bore_mm, height_mm=strip_height_mm, thickness_mm=thickness_mm)


def _of_kind(kind: Kind, sighting: Sighting) -> int:
    first, last = MARKER_RANGES[kind]
    return int(((sighting.ids >= first) & (sighting.ids <= last)).sum())


def _kind_seen(sighting: Sighting) -> Kind | None:
    """Return whether a ring or a strip is in view, None for neither."""
    counts = {"ring": _of_kind("ring", sighting), "strip": _of_kind("strip", sighting)}
    others: dict[str, int] = defaultdict(int)
    for number in sighting.ids:
        name = card_of_marker(int(number))
        if name is not None and name not in counts:
            others[name] += 1
    most = max(others, key=lambda name: others[name], default=None)
    if most is not None and others[most] >= 6 and others[most] > max(counts.values()):
        raise PictureError(
            f"this is the {most} card, not one for a bore",
            remedy="print one: portmap card ring --bore, or portmap card strip --bore",
        )
    ring, strip = counts["ring"], counts["strip"]
    if min(ring, strip) >= 6:
        raise PictureError("a ring and a strip are both in view", remedy="have only one in the picture")
    if max(ring, strip) < _LEAST_MARKERS:
        return None
    return "ring" if ring > strip else "strip"


def _refuse_other_bore(
    kind: Kind,
    sighting: Sighting,
    card: RingCard | StripCard,
    strip_height_mm: float,
    thickness_mm: float,
) -> None:
    """Complain if the card that is seen was made for another bore.

    Which markers stand side by side in the picture is found once; each card is then only asked whether they
    do on it. Cards whose numbers are shifted a little share many such pairs, so that the best must be sought.
    """
    first, last = MARKER_RANGES[kind]
    pairs = _pairs_seen(sighting, card)
    own = _paired(card, pairs)
    if len({one for one, *_ in pairs}) < own + _STRANGE:
        return
    counts = {card.bore_mm: own}
    for start in range(last - first + 1):
        for bore in bore_of_start(kind, start):
            try:
                other = _card_for(kind, bore, strip_height_mm, thickness_mm)
            except ValueError:
                continue  # no such card is printed
            counts[bore] = max(_paired(other, pairs), counts.get(bore, 0))
    most = max(counts.values())
    fitting = sorted(bore for bore, count in counts.items() if count == most)
    if card.bore_mm not in fitting and most >= max(0.5 * _of_kind(kind, sighting), own + _STRANGE):
        near = min(fitting, key=lambda bore: abs(bore - card.bore_mm))
        # a few of a strip's markers may stand on several cards alike
        beside = [bore for bore in fitting if 0 < abs(bore - near) < _BESIDE_MM]
        others = " or one near it" if beside else ""
        raise PictureError(
            f"this {kind} card was made for a bore of {near:g} mm{others}, not {card.bore_mm:g} mm",
            remedy=f"print one for this bore (portmap card {kind} --bore {card.bore_mm:g}), or check --bore",
        )


def _pairs_seen(sighting: Sighting, card: RingCard | StripCard) -> list[tuple[int, int, int, int]]:
    """Return pairs of markers that stand corner to corner, and in which direction: columns, rows."""
    side, marker = card.square_mm, card.marker_mm
    square = np.array([[0, marker], [marker, marker], [marker, 0], [0, 0]], np.float32)
    middle = np.array([marker / 2, marker / 2])
    centres = sighting.corners_px.mean(axis=1)
    found = []
    for number, corners in zip(sighting.ids.tolist(), sighting.corners_px, strict=True):
        matrix = np.asarray(cv2.getPerspectiveTransform(square, corners.astype(np.float32)), np.float64)
        size = float(np.linalg.norm(corners[1] - corners[0])) * side / marker
        for step in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            off = np.hypot(*(centres - carried(matrix, (middle + np.array(step) * side)[None])[0]).T)
            nearest = int(np.argmin(off))
            if off[nearest] < AGREE_SQUARES * size * np.sqrt(2):
                found.append((number, int(sighting.ids[nearest]), *step))
    return found


def _paired(card: RingCard | StripCard, pairs: list[tuple[int, int, int, int]]) -> int:
    """Return how many markers stand beside another as the card has them."""
    places, side = card.markers(), card.square_mm
    good = set()
    for one, other, across, up in pairs:
        if one in places and other in places:
            (x0, y0), (x1, y1) = places[one], places[other]
            if abs(x1 - x0 - across * side) < 0.1 * side and abs(y1 - y0 - up * side) < 0.1 * side:
                good.add(one)
    return len(good)


def _expected(card: RingCard | StripCard, agreed: dict[int, Floats]) -> tuple[Floats, Floats, Floats]:
    """Return where each usable corner must be, its place on the card, and its square's side in pixels."""
    places, side = card.markers(), card.square_mm
    rim = (side - card.marker_mm) / 2
    votes: dict[tuple[int, int], list[Floats]] = defaultdict(list)
    sizes: dict[tuple[int, int], list[float]] = defaultdict(list)
    low = card.low_mm if isinstance(card, StripCard) else 0.0
    for number, corners in agreed.items():
        matrix = perspective_of(places[number], card.marker_mm, corners)
        x, top = places[number][0] - rim, places[number][1] + rim
        around = np.array([[x, top], [x + side, top], [x + side, top - side], [x, top - side]])
        seen = carried(matrix, around)
        size = float(np.linalg.norm(seen - np.roll(seen, 1, axis=0), axis=1).min())
        for place, pixel in zip(around, seen, strict=True):
            key = (round(place[0] / side), round((place[1] - low) / side))
            votes[key].append(pixel)
            sizes[key].append(size)
    usable = [
        (key, place)
        for place in card.corners()
        if (key := (round(place[0] / side), round((place[1] - low) / side))) in votes
    ]
    if not usable:
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0)
    guess = np.array([np.mean(votes[key], axis=0) for key, _ in usable])
    pitch = np.array([min(sizes[key]) for key, _ in usable])
    return guess, np.array([place for _, place in usable]), pitch


def _saddle_like(
    gray: NDArray[np.uint8],
    found: Floats,
    card: RingCard | StripCard,
    places: Floats,
    agreed: dict[int, Floats],
) -> NDArray[np.bool_]:
    """Return which points have dark and light quarters where the card has them."""
    side, known = card.square_mm, card.markers()
    numbers = list(agreed)
    middles = np.array([known[number] for number in numbers]) + np.array([0.5, -0.5]) * card.marker_mm
    matrices = [perspective_of(known[number], card.marker_mm, agreed[number]) for number in numbers]
    low = card.low_mm if isinstance(card, StripCard) else 0.0
    reach = 0.55 * (side - card.marker_mm) / 2
    offsets = reach * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    spots = np.zeros((len(found), 4, 2))
    for k, place in enumerate(places):
        matrix = matrices[int(np.argmin(np.hypot(*(middles - place).T)))]
        spots[k] = carried(matrix, place + offsets) - carried(matrix, place[None])
    there = np.asarray(np.isfinite(found).all(axis=1))
    spots += np.where(there[:, None], found, 0.0)[:, None]
    across, down = spots[:, :, 0].astype(np.float32), spots[:, :, 1].astype(np.float32)
    seen = cv2.remap(gray, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level = seen.reshape(-1, 4).astype(np.float64)
    even = (np.rint((places - np.array([0.0, low])) / side).astype(int).sum(axis=1) % 2 == 0)[:, None]
    dark = np.where(even, level[:, [0, 2]], level[:, [1, 3]])  # up right and down left, or the others
    light = np.where(even, level[:, [1, 3]], level[:, [0, 2]])
    step, span = light.min(axis=1) - dark.max(axis=1), light.mean(axis=1) - dark.mean(axis=1)
    return np.asarray(there & (step > 0.3 * span) & (span > _LEAST_CONTRAST))
