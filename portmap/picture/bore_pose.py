"""Where the camera stood in each photo of a bore with a card in it, and what lens it had.

Each photo is placed alone first (`bore_start`), then all together (`bore_adjust`); a photo that contradicts
the others is set aside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bore_adjust import Adjustment
from portmap.picture.bore_seat import CardSeat, card_in_bore
from portmap.picture.bore_shots import BorePoses, MarkedPhoto, Pose
from portmap.picture.bore_start import first_pose
from portmap.picture.lens_doubt import LensGuess, changed

__all__ = ["posed"]

Floats = NDArray[np.float64]

_FOCAL_TRIES = (0.5, 0.62, 0.75, 0.9, 1.1, 1.4, 1.9)  # of the long side
_CONTRADICTS = 6.0  # times the other photos' root mean square miss
_CONTRADICTS_PX = 1.5


def posed(photos: Sequence[MarkedPhoto], lenses: Sequence[LensGuess], seat: CardSeat) -> BorePoses:
    """Return where the camera stood in each photo, and its lens.

    Parameters
    ----------
    photos : sequence of MarkedPhoto
        All of one card.
    lenses : sequence of LensGuess
        What is known of each lens beforehand.
    seat : CardSeat
        How the card lies.

    Returns
    -------
    BorePoses

    Raises
    ------
    PictureError
        If no photo shows enough, the photos show different cards, or they contradict one another.
    """
    kind = _one_kind(photos)
    side: Literal["below", "above", "any"] = (
        "any" if kind == "strip" else "above" if seat.on == "deck" else "below"
    )
    places = [card_in_bore(photo.marks, seat) for photo in photos]
    starts = [_started_lens(guess, photos, places, k, side) for k, guess in enumerate(lenses)]
    poses, aside = [], []
    for photo, where in zip(photos, places, strict=True):
        first = first_pose(starts[photo.lens].lens, where, photo.marks.pixels_px, side)
        poses.append(None if first is None else np.concatenate(first[:2]))
        if first is None:
            aside.append(photo.name)
    kept = [k for k, pose in enumerate(poses) if pose is not None]
    while kept:
        own = [photos[k] for k in kept]
        work = Adjustment(own, [places[k] for k in kept], starts, list(lenses), seat)
        found = work.solved(np.concatenate([poses[k] for k in kept if poses[k] is not None]))
        worst = _contradicting(found.poses)
        if worst is None:
            return BorePoses(
                poses=found.poses,
                lenses=found.lenses,
                covariance=found.covariance,
                kind=kind,
                seat=found.seat,
                ring_larger=found.ring_larger,
                wall_out_mm=found.wall_out_mm,
                rim_photos=sum(photo.rim is not None for photo in own),
                far_rim_photos=sum(photo.far_rim is not None for photo in own),
                set_aside=tuple(aside),
            )
        if len(kept) < 3:
            _refuse(found.poses)
        aside.append(found.poses[worst].name)
        kept.pop(worst)
    raise PictureError(
        "the card's corners fit no place of a camera",
        where=photos[0].name,
        remedy="check --bore, --ring-on and the lens file, or photograph more of the card",
    )


def _one_kind(photos: Sequence[MarkedPhoto]) -> Literal["ring", "strip"]:
    if not photos:
        raise PictureError(
            "no ring or strip card is seen in any photo",
            remedy="print one (portmap card ring --bore), lay it at the bore and photograph it with the wall;"
            " or give --step and --height for frames without a card",
        )
    for photo in photos[1:]:
        if photo.marks.card != photos[0].marks.card:
            raise PictureError(
                f"this photo shows a {photo.marks.kind}, {photos[0].name} a {photos[0].marks.kind}",
                where=photo.name,
                remedy="give photos of one card",
            )
    return photos[0].marks.kind


def _started_lens(
    guess: LensGuess, photos: Sequence[MarkedPhoto], places: Sequence[Floats], lens: int, side: str
) -> LensGuess:
    """Return the guess, its focal length that of several tries under which the photos fit best."""
    if guess.told:
        return guess
    long = max(guess.lens.size_px)
    best: tuple[float, LensGuess] | None = None
    for focal in (guess.lens.fx_px, *(share * long for share in _FOCAL_TRIES)):
        tried = LensGuess(
            lens=changed(guess.lens, [math.log(focal / guess.lens.fx_px), *[0.0] * 7]),
            covariance=guess.covariance,
            told=False,
        )
        misses = [
            found[2]
            for photo, where in zip(photos, places, strict=True)
            if photo.lens == lens
            and (found := first_pose(tried.lens, where, photo.marks.pixels_px, side)) is not None  # type: ignore[arg-type]
        ]
        # a camera's own word on its focal length outweighs small differences
        off = math.log(focal / guess.lens.fx_px) / guess.sd[0]
        if misses and (best is None or float(np.median(misses)) + 0.2 * off**2 < best[0]):
            best = float(np.median(misses)) + 0.2 * off**2, tried
    return guess if best is None else best[1]


def _contradicting(poses: Sequence[Pose]) -> int | None:
    """Return which photo misses by far more than the others, if any."""
    if len(poses) < 2:
        return None
    rms = np.array([pose.rms_px for pose in poses])
    worst = int(np.argmax(rms))
    others = float(np.median(np.delete(rms, worst)))
    return worst if rms[worst] > max(_CONTRADICTS_PX, _CONTRADICTS * others) else None


def _refuse(poses: Sequence[Pose]) -> None:
    misses = ", ".join(f"{pose.name} {pose.rms_px:.1f} px" for pose in poses)
    raise PictureError(
        f"the photos contradict one another: their corners miss by {misses}",
        remedy="give photos of one cylinder, one card and one camera at one zoom",
    )
