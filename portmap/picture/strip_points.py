"""Points of a strip card in frames of a scope that show little of it: one row of markers may be all.

A chessboard's corner needs four squares in the picture. Where the strip's edge is all that a frame shows
there are few or none, but each whole marker has a middle, and its number tells where that stands. Both
serve here; where a frame shows several, a marker is taken only if another of the card stands beside it where
it should.

Glossary
--------
middle
    Of a marker: that of its four corners. Blur and brightness move corners in or out, but all four alike.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_cards import StripCard
from portmap.picture.bore_marks import BoreMarks
from portmap.picture.marked_corners import carried, perspective_of, saddles
from portmap.picture.markers import markers_in

__all__ = ["strip_points"]

Floats = NDArray[np.float64]
Grays = Sequence[NDArray[np.uint8]]

_TRIED = 6  # frames all round: where none of them shows a strip there is none
_LEAST_SIDE_PX = 10.0  # of a marker
_NEAR = 0.3  # of the way to a neighbour: how far beside it may be seen, as the strip is bent
_STEPS = ((2, 0), (-2, 0), (1, 1), (1, -1), (-1, 1), (-1, -1))  # squares to a neighbour with a marker
_WINDOW = 0.08  # of a marker's side: half the window in which a corner is looked for
_MOVED = 0.1  # of the side: a corner that is found further off is none


def strip_points(
    grays: Grays, card: StripCard, marks: Sequence[BoreMarks | None]
) -> tuple[list[BoreMarks | None], bool]:
    """Return what each frame shows of a strip, and whether the frames are mirrored.

    Parameters
    ----------
    grays : sequence of ndarray of shape (M, N) and dtype uint8
        The frames as they were read, all of one scope.
    card : StripCard
    marks : sequence of BoreMarks or None
        Of each frame that shows enough of the card for `bore_marks`.

    Returns
    -------
    list of BoreMarks or None
        Chessboard corners and markers' middles; None where no marker is seen.
    bool
        Whether the frames are mirrored; the pixels are then those of the frames turned right.
    """
    tried = [grays[k] for k in np.unique(np.linspace(0, len(grays) - 1, _TRIED).round().astype(int))]
    plain, over = (sum(len(_standing(card, gray)) for gray in each) for each in (tried, _turned(tried)))
    if max(plain, over) < 2:
        return [None] * len(grays), False
    mirrored = over > plain
    right = _turned(grays) if mirrored else list(grays)
    found = [_standing(card, gray) for gray in right]
    return [
        _points(gray, card, each, None if own is None or own.mirrored != mirrored else own, mirrored)
        for gray, each, own in zip(right, found, marks, strict=True)
    ], mirrored


def _turned(grays: Grays) -> list[NDArray[np.uint8]]:
    return [np.ascontiguousarray(gray[:, ::-1]) for gray in grays]


def _standing(card: StripCard, gray: NDArray[np.uint8]) -> dict[int, Floats]:
    """Return the corners of the card's markers that have a neighbour where it should be, by number."""
    sighting = markers_in(gray, thorough=True)
    known = card.markers()
    seen: dict[int, list[Floats]] = {}
    for number, corners in zip(sighting.ids.tolist(), sighting.corners_px, strict=True):
        if number in known:
            seen.setdefault(number, []).append(corners)
    single = {number: each[0] for number, each in seen.items() if len(each) == 1}
    side, length = card.square_mm, card.columns * card.square_mm
    at = {_square(place, side, length): number for number, place in known.items()}
    kept = {}
    for number, corners in single.items():
        if float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).min()) < _LEAST_SIDE_PX:
            continue
        column, row = _square(known[number], side, length)
        matrix = perspective_of((0.0, 0.0), card.marker_mm, corners)
        middle = np.array([1.0, -1.0]) * card.marker_mm / 2
        own = carried(matrix, middle[None])[0]
        for across, up in _STEPS:
            other = single.get(at.get(((column + across) % card.columns, row + up), -1))
            if other is None:
                continue
            expected = carried(matrix, (middle + np.array([across, up]) * side)[None])[0]
            miss = np.linalg.norm(other.mean(axis=0) - expected)
            if miss < _NEAR * np.linalg.norm(expected - own):
                kept[number] = corners
                break
    # one marker alone has no neighbour to agree with: its frame's heading is judged by those before and after
    return kept or (single if len(single) == 1 else {})


def _square(place: tuple[float, float], side: float, length: float) -> tuple[int, int]:
    """Return the column, counted once round from 0, and the row of a marker; rows from any one on."""
    return round((place[0] % length - 0.1 * side) / side), round(place[1] / side)


def _points(
    gray: NDArray[np.uint8],
    card: StripCard,
    standing: dict[int, Floats],
    corners: BoreMarks | None,
    mirrored: bool,
) -> BoreMarks | None:
    known, half = card.markers(), card.marker_mm / 2
    places, pixels, pitch = [], [], []
    for number, rough in standing.items():
        side = float(np.linalg.norm(rough - np.roll(rough, 1, axis=0), axis=1).min())
        fine = saddles(gray, rough, np.full(4, _WINDOW * side))
        if not (np.hypot(*(fine - rough).T) < max(2.0, _MOVED * side)).all():
            continue
        x, top = known[number]
        matrix = perspective_of((x, top), card.marker_mm, fine)
        places.append((x + half, top - half))
        pixels.append(carried(matrix, np.array([[x + half, top - half]]))[0])
        pitch.append(side * card.square_mm / card.marker_mm)
    if corners is not None:
        places += corners.places_mm.tolist()
        pixels += corners.pixels_px.tolist()
        pitch += corners.pitch_px.tolist()
    if not places:
        return None
    return BoreMarks(
        card=card,
        markers=len(standing),
        places_mm=np.array(places, np.float64),
        pixels_px=np.array(pixels, np.float64),
        pitch_px=np.array(pitch, np.float64),
        mirrored=mirrored,
    )
