"""The photos that are to be unrolled: which of them show the card, which are blurred, and with what lens.

Glossary
--------
sharpness
    Steepness of a picture's steepest edges, as a share of its contrast.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bore_far_rim import far_level, far_rim_in_photo
from portmap.picture.bore_marks import BoreMarks, bore_marks
from portmap.picture.bore_rim import rim_in_photo
from portmap.picture.bore_seat import CardSeat
from portmap.picture.bore_shots import BorePoses, MarkedPhoto
from portmap.picture.camera import Lens, resized
from portmap.picture.lens_doubt import LensGuess, guessed_lens, known_lens
from portmap.picture.load import Picture
from portmap.picture.wall_view import View

__all__ = [
    "FoundPhotos",
    "card_views",
    "lens_known_at",
    "marked_photos",
    "photo_facts",
    "with_far_rims",
    "with_rims",
]

_BLURRED = 0.4  # of the photos' median sharpness
_FAR = (1.6, 5.0)  # radii: heights between which a far end is looked for that nobody told
_ONE_HEIGHT_MM = 0.4  # poses by the card alone may be off by so much at the far end
_DROP_FROM = 4  # photos: of fewer each is needed


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FoundPhotos:
    """The photos sorted by what they are good for."""

    pictures: list[Picture]
    photos: list[MarkedPhoto]
    guesses: list[LensGuess]
    unmarked: list[str]
    blurred: list[str]


def marked_photos(
    pictures: Sequence[Picture],
    card_bore_mm: float,
    lens: Lens | None,
    lens_u: dict[str, Any] | None,
    strip_height_mm: float,
    seat: CardSeat,
    tell: Callable[[str], None],
) -> FoundPhotos:
    """Return the photos sorted by what they are good for.

    Parameters
    ----------
    pictures : sequence of Picture
    card_bore_mm : float
        That the card was printed for [mm].
    lens : Lens or None
    lens_u : dict or None
        Standard uncertainties of its figures, as a lens file states them.
    strip_height_mm : float
        Of a strip's paper [mm].
    seat : CardSeat
    tell : callable

    Returns
    -------
    FoundPhotos

    Raises
    ------
    PictureError
        If a photo shows another card, or the lens file does not suit it.
    """
    kept: list[tuple[Picture, BoreMarks, float]] = []
    without: list[tuple[str, float]] = []
    for number, picture in enumerate(pictures):
        tell(f"Looking for the card in {picture.name} ({number + 1} of {len(pictures)})")
        gray = np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
        try:
            marks = bore_marks(
                gray, card_bore_mm, strip_height_mm=strip_height_mm, thickness_mm=seat.thickness_mm
            )
        except PictureError as error:
            raise error.at(picture.name) from None
        if marks is None:
            without.append((picture.name, _sharpness(gray)))
        else:
            kept.append((picture, marks, _sharpness(gray)))
    least = _BLURRED * float(np.median([sharp for _, _, sharp in kept])) if kept else 0.0
    # a blurred photo may have lost its card to that
    blurred = [name for name, sharp in without if sharp < least]
    unmarked = [name for name, sharp in without if sharp >= least]
    if len(kept) >= _DROP_FROM:
        blurred += [picture.name for picture, _, sharp in kept if sharp < least]
        kept = [each for each in kept if each[2] >= least]
    kinds: dict[tuple[tuple[int, int], float | None], int] = {}
    guesses: list[LensGuess] = []
    photos: list[MarkedPhoto] = []
    for picture, marks, _ in kept:
        rows, columns = picture.pixels.shape[:2]
        focal = None if lens is not None else picture.focal_35mm_mm
        kind = ((columns, rows), focal)
        if kind not in kinds:
            kinds[kind] = len(guesses)
            try:
                guesses.append(
                    guessed_lens((columns, rows), focal)
                    if lens is None
                    else lens_known_at(lens, lens_u, (columns, rows))
                )
            except PictureError as error:
                raise error.at(picture.name) from None
        photos.append(MarkedPhoto(name=picture.name, marks=marks, lens=kinds[kind]))
    return FoundPhotos(
        pictures=[picture for picture, _, _ in kept],
        photos=photos,
        guesses=guesses,
        unmarked=unmarked,
        blurred=blurred,
    )


def lens_known_at(lens: Lens, lens_u: dict[str, Any] | None, size_px: tuple[int, int]) -> LensGuess:
    """Return a calibrated lens, with its doubt, for pictures of a size.

    Parameters
    ----------
    lens : Lens
    lens_u : dict or None
        As `portmap.picture.lens_doubt.known_lens` takes it.
    size_px : tuple of int
        Columns and rows.

    Returns
    -------
    LensGuess

    Raises
    ------
    PictureError
        If the lens was calibrated for pictures of another shape.
    """
    guess = known_lens(lens, lens_u)
    same = resized(lens, size_px)
    scale = size_px[0] / lens.size_px[0]
    stretch = np.ones(len(guess.sd))
    stretch[1:3] = scale
    return LensGuess(lens=same, covariance=guess.covariance * np.outer(stretch, stretch), told=True)


def _sharpness(gray: NDArray[np.uint8]) -> float:
    """Return the steepness of the steepest thousandth of a picture, as a share of its contrast.

    Across or down, whichever is less steep: a photo may be shaken one way only.
    """
    small = gray[::2, ::2] if gray.size > 4_000_000 else gray
    low, high = np.percentile(small[::8, ::8], (2, 99))
    steepest = []
    for along in ((1, 0), (0, 1)):
        steep = np.abs(cv2.Scharr(small, cv2.CV_16S, *along)[::2, ::2]).ravel()
        rank = max(1, steep.size // 1000)
        steepest.append(float(np.partition(steep, -rank)[-rank]))
    return min(steepest) / max(float(high - low), 1.0)


def card_views(found: FoundPhotos, poses: BorePoses, deck_mm: float | None) -> list[View]:
    """Return the photos with their poses, ready to be unrolled.

    Parameters
    ----------
    found : FoundPhotos
    poses : BorePoses
    deck_mm : float or None
        Height of the deck, if it is known [mm].

    Returns
    -------
    list of View
    """
    by_name = {
        photo.name: (photo, picture) for photo, picture in zip(found.photos, found.pictures, strict=True)
    }
    views = []
    for pose in poses.poses:
        photo, picture = by_name[pose.name]
        views.append(
            View(
                name=pose.name,
                pixels=picture.pixels,
                lens=poses.lenses[pose.lens].lens,
                turn=pose.turn,
                shift_mm=pose.shift_mm,
                mirrored=photo.marks.mirrored,
                ends_mm=(0.0, math.inf if deck_mm is None else deck_mm),
            )
        )
    return views


def with_rims(found: FoundPhotos, poses: BorePoses, seat: CardSeat) -> list[MarkedPhoto]:
    """Return the photos with the bore's rim in those that show it.

    Parameters
    ----------
    found : FoundPhotos
    poses : BorePoses
        As the card alone tells them.
    seat : CardSeat

    Returns
    -------
    list of MarkedPhoto
    """
    radius = (seat.bore_mm or found.photos[0].marks.card.bore_mm) / 2
    level = seat.deck_mm if seat.on == "deck" else 0.0
    rims = [
        None if each is None else rim_in_photo(*each, radius_mm=radius, level_mm=level)
        for each in _posed(found, poses)
    ]
    return [replace(photo, rim=rim) for photo, rim in zip(found.photos, rims, strict=True)]


def _posed(
    found: FoundPhotos, poses: BorePoses
) -> list[tuple[NDArray[np.uint8], Lens, NDArray[np.float64], NDArray[np.float64]] | None]:
    """Return each photo's pixels, turned right if it is mirrored, its lens and pose; None without a pose."""
    known = {pose.name: pose for pose in poses.poses}
    made: list[tuple[NDArray[np.uint8], Lens, NDArray[np.float64], NDArray[np.float64]] | None] = []
    for photo, picture in zip(found.photos, found.pictures, strict=True):
        pose = known.get(photo.name)
        if pose is None:
            made.append(None)
            continue
        pixels = picture.pixels[:, ::-1] if photo.marks.mirrored else picture.pixels
        made.append((pixels, poses.lenses[pose.lens].lens, pose.turn, pose.shift_mm))
    return made


def with_far_rims(
    found: FoundPhotos,
    photos: Sequence[MarkedPhoto],
    poses: BorePoses,
    seat: CardSeat,
    deck_mm: float | None,
) -> list[MarkedPhoto]:
    """Return the photos with the rim of the bore's far end in those that show it.

    Parameters
    ----------
    found : FoundPhotos
    photos : sequence of MarkedPhoto
        Of the same, with what else they show.
    poses : BorePoses
        As card and rim tell them.
    seat : CardSeat
    deck_mm : float or None
        Height of the deck, if it is told.

    Returns
    -------
    list of MarkedPhoto
        Rims that are not at one height are left out.
    """
    radius = (seat.bore_mm or photos[0].marks.card.bore_mm) / 2
    near, far = (seat.deck_mm, 0.0) if seat.on == "deck" else (0.0, deck_mm)
    seen = _posed(found, poses)
    if far is None:
        levels = [
            far_level(*each, radius_mm=radius, near_mm=near, between_mm=(_FAR[0] * radius, _FAR[1] * radius))
            for each in seen
            if each is not None
        ]
        far = _at_one_height([level for level in levels if level is not None])
        if far is None:
            return list(photos)
    rims = [
        None if each is None else far_rim_in_photo(*each, radius_mm=radius, near_mm=near, level_mm=far)
        for each in seen
    ]
    height = _at_one_height([rim.level_mm for rim in rims if rim is not None])
    return [
        replace(photo, far_rim=rim)
        if rim is not None and height is not None and abs(rim.level_mm - height) < _ONE_HEIGHT_MM
        else photo
        for photo, rim in zip(photos, rims, strict=True)
    ]


def _at_one_height(heights: Sequence[float]) -> float | None:
    """Return the height at which most of several are, None if they are at odds."""
    if len(heights) < 2:
        return None
    middle = float(np.median(heights))
    alike = [height for height in heights if abs(height - middle) < _ONE_HEIGHT_MM]
    return float(np.mean(alike)) if len(alike) > len(heights) / 2 and len(alike) > 1 else None


def photo_facts(found: FoundPhotos, poses: BorePoses) -> list[dict[str, Any]]:
    """Return what the sidecar says of each photo with a card.

    Parameters
    ----------
    found : FoundPhotos
    poses : BorePoses

    Returns
    -------
    list of dict
    """
    marks = {photo.name: photo.marks for photo in found.photos}
    return [
        {"markers_found": marks[pose.name].markers, "mirrored": marks[pose.name].mirrored}
        for pose in poses.poses
    ]
