"""Where the camera stood in each photo of a bore, and what lens it had: one adjustment over all corners.

All photos are adjusted together [1]_: six figures a photo, and the figures of each lens that are not held,
so that the corners of the card are seen where they were found. Each lens starts as what is known of it and
is held to that by its standard deviations; corners that miss by far count less and less (Huber's weights,
found anew in each round).

How the card lies on the cylinder is not to be seen from the card's corners: it is held to lie as it should by
a hand's error in laying it, `SEAT_SD`, and where photos show the bore's rim beside a ring that tells it.

Frame of the bore: as in `bore_cards`.

Glossary
--------
seat
    How the card lies: shifts along X, Y, Z [mm] and turns about X, Y, Z [rad] of the card's frame against
    the bore's, all 0 if it lies as it should.

References
----------
.. [1] B. Triggs and others, Bundle adjustment: a modern synthesis, Vision Algorithms (1999) 298-372 (from
   memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from portmap.errors import PictureError
from portmap.picture.bore_cards import Seat, StripCard, ring_places, strip_places
from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_rim import Rim
from portmap.picture.bore_start import first_pose
from portmap.picture.camera import Lens
from portmap.picture.lens_doubt import LensGuess, changed, seen_and_slopes

__all__ = [
    "SEAT_SD",
    "BorePoses",
    "CardSeat",
    "MarkedPhoto",
    "Pose",
    "SeenHeight",
    "card_in_bore",
    "card_middle_mm",
    "posed",
    "seat_moves",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# One standard deviation of a card laid by hand; common practice, no source. A ring is centred on the bore by
# eye and fingernail, its arrow set to the port's middle; a strip springs against the wall, and its mark and
# edge are set.
SEAT_SD: dict[str, tuple[float, float, float, float, float, float]] = {
    "ring": (0.05, 0.05, 0.02, 0.0005, 0.0005, 0.003),
    "strip": (0.01, 0.01, 0.05, 0.001, 0.001, 0.003),
}
_WIDER_SD_MM = 0.3  # of the rim's radius over the bore's: it may be chamfered
_RIM_NOISE_PX = (
    0.15  # at least: a rim is turned, filed and dented, and the wall behind it shines here and there
)
_RIM_SHARED = 3.0  # by what neighbouring places of a rim err alike, their variance counts more
_FOCAL_TRIES = (0.5, 0.62, 0.75, 0.9, 1.1, 1.4, 1.9)  # of the long side
_NOISE_FLOOR_PX = 0.03
_HUBER = 2.5
_ROUNDS = 6
_FAR_OUT = 6.0  # times the noise: such a corner is set aside
# Neighbouring corners do not err quite independently; as for the flat card, see flat_doubt.
_SHARED_ERROR = 1.25
_LEAST_CORNERS = 6
_CONTRADICTS = 6.0  # times the other photos' root mean square miss
_CONTRADICTS_PX = 1.5


@dataclass(frozen=True, kw_only=True, slots=True)
class CardSeat:
    """How the card was laid.

    Parameters
    ----------
    on : {'base', 'deck'}
        The face that a ring lies on.
    deck_mm : float
        Height of the deck above the base face, if the ring lies there [mm].
    low_mm : float
        Height of a strip's lower edge above the base face [mm].
    thickness_mm : float
        Of the paper [mm].
    bore_mm : float, optional
        Of the cylinder; that the card was printed for unless told [mm].
    """

    on: Seat = "base"
    deck_mm: float = 0.0
    low_mm: float = 0.0
    thickness_mm: float = 0.1
    bore_mm: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SeenHeight:
    """Places of the wall in a photo whose height was measured.

    Parameters
    ----------
    angle_rad, height_mm, u_mm : ndarray of shape (N,)
        Where they stand round the bore (x/R), their height above the base face, its standard uncertainty.
    pixels_px : ndarray of shape (N, 2)
        Where they are seen; of a mirrored photo, turned right.
    up_px : ndarray of shape (N, 2)
        By how much and where to a millimetre up the wall goes in the photo.
    """

    angle_rad: Floats
    height_mm: Floats
    u_mm: Floats
    pixels_px: Floats
    up_px: Floats


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MarkedPhoto:
    """A photo's corners, which of the lenses took it, and the rim and measured heights that it shows."""

    name: str
    marks: BoreMarks
    lens: int
    rim: Rim | None = None
    heights: SeenHeight | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pose:
    """Where a camera stood.

    Parameters
    ----------
    name : str
        The photo.
    lens : int
        Which of the lenses.
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame to the camera's.
    noise_px : float
        Standard deviation of a corner's coordinate, as found.
    rms_px, rms_mm : float
        Root mean square miss of the used corners, in the picture and on the card.
    corners, used : int
        How many were found, and served.
    """

    name: str
    lens: int
    turn: Floats
    shift_mm: Floats
    noise_px: float
    rms_px: float
    rms_mm: float
    corners: int
    used: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BorePoses:
    """What the adjustment found.

    Parameters
    ----------
    poses : tuple of Pose
        In the order of the photos.
    lenses : tuple of LensGuess
        The lens of each as adjusted, with the covariance that it was known by before.
    covariance : ndarray of shape (P, P)
        Of the lenses' free figures, lens by lens, then six a photo (turn, shift), in the card's frame, then
        the six of the seat.
    kind : {'ring', 'strip'}
        Of card.
    seat : ndarray of shape (6,)
        How the card was found to lie; the poses are those in the bore's frame.
    rim_photos : int
        In how many photos the bore's rim was seen.
    set_aside : tuple of str
        Photos that contradict the others.
    """

    poses: tuple[Pose, ...]
    lenses: tuple[LensGuess, ...]
    covariance: Floats
    kind: Literal["ring", "strip"]
    seat: Floats
    rim_photos: int = 0
    set_aside: tuple[str, ...] = ()

    @property
    def rms_mm(self) -> float:
        """Return the root mean square miss of all used corners on the card [mm]."""
        return math.sqrt(
            sum(pose.used * pose.rms_mm**2 for pose in self.poses) / sum(pose.used for pose in self.poses)
        )


def card_in_bore(marks: BoreMarks, seat: CardSeat) -> Floats:
    """Return where the corners that a photo shows stand in the bore.

    Parameters
    ----------
    marks : BoreMarks
    seat : CardSeat

    Returns
    -------
    ndarray of shape (N, 3)
        (X, Y, Z) [mm].
    """
    if isinstance(marks.card, StripCard):
        return strip_places(marks.card, marks.places_mm, low_mm=seat.low_mm, bore_mm=seat.bore_mm)
    height = seat.deck_mm if seat.on == "deck" else 0.0
    return ring_places(marks.places_mm, seat=seat.on, seat_height_mm=height, thickness_mm=seat.thickness_mm)


def card_middle_mm(marks: BoreMarks, seat: CardSeat) -> float:
    """Return the height of a card's middle above the base face, about which its turns are counted [mm].

    Parameters
    ----------
    marks : BoreMarks
    seat : CardSeat

    Returns
    -------
    float
    """
    if isinstance(marks.card, StripCard):
        return seat.low_mm + marks.card.height_mm / 2
    return seat.deck_mm if seat.on == "deck" else 0.0


def seat_moves(places_mm: Floats, height_mm: float) -> Floats:
    """Return how places of the bore move in the card's frame with the six figures of its seat.

    Parameters
    ----------
    places_mm : ndarray of shape (N, 3)
        (X, Y, Z) of the bore.
    height_mm : float
        About which the card turns.

    Returns
    -------
    ndarray of shape (N, 3, 6)

    Examples
    --------
    >>> seat_moves(np.array([[20.0, 0, 30]]), 0.0)[0] + 0.0
    array([[ -1.,   0.,   0.,   0., -30.,   0.],
           [  0.,  -1.,   0.,  30.,   0., -20.],
           [  0.,   0.,  -1.,   0.,  20.,   0.]])
    """
    x, y, z = (places_mm - [0.0, 0.0, height_mm]).T
    none = np.zeros_like(x)
    turns = np.stack(
        [np.stack([none, -z, y], 1), np.stack([z, none, -x], 1), np.stack([-y, x, none], 1)], axis=2
    )
    return np.concatenate([-np.broadcast_to(np.eye(3), turns.shape), -turns], axis=2)


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
        work = _Adjustment(own, [places[k] for k in kept], starts, list(lenses), seat)
        found = work.solved(np.concatenate([poses[k] for k in kept if poses[k] is not None]))
        worst = _contradicting(found.poses)
        if worst is None:
            return BorePoses(
                poses=found.poses,
                lenses=found.lenses,
                covariance=found.covariance,
                kind=kind,
                seat=found.seat,
                rim_photos=sum(photo.rim is not None for photo in own),
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
            remedy="print one (portmap card ring --bore), lay it at the bore and photograph it with the wall",
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    poses: tuple[Pose, ...]
    lenses: tuple[LensGuess, ...]
    covariance: Floats
    seat: Floats


class _Adjustment:
    """The corners' and the rim's misses and their slopes as functions of all figures at once.

    The figures: what is added to each lens's free figures, lens by lens; six a photo; six of the seat; by how
    much the rim is wider than the bore in each photo, as its blur and light draw it in or out.
    """

    def __init__(
        self,
        photos: Sequence[MarkedPhoto],
        places: Sequence[Floats],
        starts: Sequence[LensGuess],
        lenses: Sequence[LensGuess],
        seat: CardSeat,
    ) -> None:
        self.photos, self.places, self.lenses = photos, places, lenses
        self.first = np.cumsum([0, *(len(guess.free) for guess in lenses)])
        self.seat_at = int(self.first[-1]) + 6 * len(photos)
        self.known = block_diag(*(guess.whitening for guess in lenses))
        self.seat_sd = np.array([*SEAT_SD[photos[0].marks.kind], *[_WIDER_SD_MM] * len(photos)])
        self.count = self.seat_at + len(self.seat_sd)
        self.middle_mm = card_middle_mm(photos[0].marks, seat)
        self.radius_mm = (seat.bore_mm or photos[0].marks.card.bore_mm) / 2
        self.level_mm = seat.deck_mm if seat.on == "deck" else 0.0
        ahead = [start.lens.fx_px / guess.lens.fx_px for start, guess in zip(starts, lenses, strict=True)]
        self.start = np.concatenate(
            [
                np.where(guess.free == 0, math.log(stretch), 0.0)
                for guess, stretch in zip(lenses, ahead, strict=True)
            ]
        )
        self.noise = np.ones(len(photos))
        self.weight = [np.ones(len(where)) for where in places]
        rims = [0 if photo.rim is None else len(photo.rim.angle_rad) for photo in photos]
        self.rim_noise = np.ones(len(photos))
        self.rim_weight = [np.ones(size) for size in rims]

    def lens(self, number: int, figures: Floats) -> Lens:
        guess = self.lenses[number]
        added = np.zeros(len(guess.sd))
        added[guess.free] = figures[self.first[number] : self.first[number + 1]]
        return changed(guess.lens, added)

    def _pose_at(self, photo: int) -> slice:
        start = int(self.first[-1]) + 6 * photo
        return slice(start, start + 6)

    def misses(self, figures: Floats) -> tuple[list[Floats], list[tuple[Floats, Floats]]]:
        """Return each photo's misses [px] and their slopes along pose and along its lens's free figures."""
        found, slopes = [], []
        for k, (photo, where) in enumerate(zip(self.photos, self.places, strict=True)):
            pose = figures[self._pose_at(k)]
            seen, along_pose, along_lens = seen_and_slopes(
                self.lens(photo.lens, figures), pose[:3], pose[3:], where
            )
            found.append(seen - photo.marks.pixels_px)
            slopes.append((along_pose, along_lens[..., self.lenses[photo.lens].free]))
        return found, slopes

    def rim_misses(self, figures: Floats, photo: int) -> tuple[Floats, Floats]:
        """Return by how much a photo's rim lies outside where it is seen [px], and the slopes of that."""
        rim = self.photos[photo].rim
        if rim is None:
            return np.zeros(0), np.zeros((0, self.count))
        out = np.stack([np.cos(rim.angle_rad), -np.sin(rim.angle_rad), np.zeros(len(rim.angle_rad))], axis=1)
        wider_at = self.seat_at + 6 + photo
        place = (self.radius_mm + figures[wider_at]) * out + [0.0, 0.0, self.level_mm]
        seen, slopes, along_place = self._seen_in_bore(figures, photo, place)
        slopes[..., wider_at] = (along_place @ out[..., None])[..., 0]
        miss = ((seen - rim.pixels_px) * rim.outward_px).sum(axis=1)
        return miss, np.einsum("nij,ni->nj", slopes, rim.outward_px)

    def height_misses(self, figures: Floats, photo: int) -> tuple[Floats, Floats]:
        """Return by how much measured heights lie above where they are seen, over their doubt, and slopes."""
        told = self.photos[photo].heights
        if told is None:
            return np.zeros(0), np.zeros((0, self.count))
        cos, sin = np.cos(told.angle_rad), np.sin(told.angle_rad)
        place = np.stack([self.radius_mm * cos, -self.radius_mm * sin, told.height_mm], axis=1)
        seen, slopes, _ = self._seen_in_bore(figures, photo, place)
        by = told.up_px / (told.up_px**2).sum(axis=1)[:, None] / told.u_mm[:, None]
        return ((seen - told.pixels_px) * by).sum(axis=1), np.einsum("nij,ni->nj", slopes, by)

    def _seen_in_bore(self, figures: Floats, photo: int, place: Floats) -> tuple[Floats, Floats, Floats]:
        """Return where a photo shows places of the bore, and the slopes of that along figures and places."""
        own, lens = slice(self.seat_at, self.seat_at + 6), self.photos[photo].lens
        moves = seat_moves(place, self.middle_mm)
        pose = figures[self._pose_at(photo)]
        seen, along_pose, along_lens = seen_and_slopes(
            self.lens(lens, figures), pose[:3], pose[3:], place + moves @ figures[own]
        )
        along_place = along_pose[..., 3:] @ cv2.Rodrigues(pose[:3])[0]
        slopes = np.zeros((len(seen), 2, self.count))
        slopes[..., self.first[lens] : self.first[lens + 1]] = along_lens[..., self.lenses[lens].free]
        slopes[..., self._pose_at(photo)] = along_pose
        slopes[..., own] = along_place @ moves
        return seen, slopes, along_place

    def residuals(self, figures: Floats) -> Floats:
        found, _ = self.misses(figures)
        parts = [
            (miss * (np.sqrt(weight) / noise)[:, None]).ravel()
            for miss, weight, noise in zip(found, self.weight, self.noise, strict=True)
        ]
        rims = [
            self.rim_misses(figures, k)[0] * np.sqrt(self.rim_weight[k] / _RIM_SHARED) / self.rim_noise[k]
            for k in range(len(self.photos))
        ]
        heights = [self.height_misses(figures, k)[0] for k in range(len(self.photos))]
        held = figures[self.seat_at :] / self.seat_sd
        return np.concatenate([*parts, *rims, *heights, self.known @ figures[: len(self.known)], held])

    def slopes(self, figures: Floats) -> Floats:
        _, found = self.misses(figures)
        rows = []
        for k, (along_pose, along_lens) in enumerate(found):
            first = self.photos[k].lens
            share = (np.sqrt(self.weight[k]) / self.noise[k])[:, None, None]
            block = np.zeros((2 * len(share), self.count))
            block[:, self.first[first] : self.first[first + 1]] = (along_lens * share).reshape(len(block), -1)
            block[:, self._pose_at(k)] = (along_pose * share).reshape(len(block), 6)
            rows.append(block)
        for k in range(len(self.photos)):
            share = np.sqrt(self.rim_weight[k] / _RIM_SHARED) / self.rim_noise[k]
            rows.append(self.rim_misses(figures, k)[1] * share[:, None])
        rows += [self.height_misses(figures, k)[1] for k in range(len(self.photos))]
        known = np.zeros((len(self.known) + len(self.seat_sd), self.count))
        known[: len(self.known), : len(self.known)] = self.known
        known[len(self.known) :, self.seat_at :] = np.diag(1 / self.seat_sd)
        return np.vstack([*rows, known])

    def solved(self, poses: Floats) -> _Found:
        figures = np.concatenate([self.start, poses, np.zeros(len(self.seat_sd))])
        for _ in range(_ROUNDS):
            figures = least_squares(self.residuals, figures, self.slopes, method="lm", x_scale="jac").x
            found, _ = self.misses(figures)
            moved = [self._judged(found), self._rims_judged(figures)]
            if not any(moved):
                break
        seated = self.seat_at + 6
        return _Found(
            poses=self._poses(figures, found),
            lenses=tuple(
                LensGuess(lens=self.lens(k, figures), covariance=guess.covariance, told=guess.told)
                for k, guess in enumerate(self.lenses)
            ),
            covariance=self._covariance(figures)[:seated, :seated],
            seat=figures[self.seat_at : seated].copy(),
        )

    def _judged(self, found: list[Floats]) -> bool:
        """Set noise and weights by the misses; return whether that changed anything that matters."""
        moved = False
        for k, miss in enumerate(found):
            # six figures were fitted to the photo: the scatter that is left is less than the noise
            free = 2 * len(miss) / max(1.0, 2 * len(miss) - 6.0)
            noise = max(_NOISE_FLOOR_PX, 1.4826 * float(np.median(np.abs(miss))) * math.sqrt(free))
            far = np.hypot(*miss.T) / noise
            weight = np.where(far < _FAR_OUT, np.minimum(1.0, _HUBER / np.maximum(far, _HUBER)), 0.0)
            if (weight > 0).sum() < _LEAST_CORNERS:
                weight = np.ones(len(miss))
            moved |= abs(math.log(noise / self.noise[k])) > 0.1
            moved |= float(np.abs(weight - self.weight[k]).max()) > 0.2
            self.noise[k], self.weight[k] = noise, weight
        return moved

    def _rims_judged(self, figures: Floats) -> bool:
        """Set the rims' noise and weights by their misses; return whether that changed anything."""
        moved = False
        for k in range(len(self.photos)):
            miss, _ = self.rim_misses(figures, k)
            if not len(miss):
                continue
            noise = max(_RIM_NOISE_PX, 1.4826 * float(np.median(np.abs(miss))))
            far = np.abs(miss) / noise
            weight = np.where(far < _FAR_OUT, np.minimum(1.0, _HUBER / np.maximum(far, _HUBER)), 0.0)
            moved |= abs(math.log(noise / self.rim_noise[k])) > 0.1
            moved |= float(np.abs(weight - self.rim_weight[k]).max()) > 0.2
            self.rim_noise[k], self.rim_weight[k] = noise, weight
        return moved

    def _covariance(self, figures: Floats) -> Floats:
        slopes = self.slopes(figures)
        corners = 2 * sum(len(where) for where in self.places)
        slopes[:corners] /= math.sqrt(_SHARED_ERROR)
        scale = 1 / np.linalg.norm(slopes, axis=0)
        inverse = np.linalg.pinv((slopes * scale).T @ (slopes * scale), rcond=1e-13, hermitian=True)
        return np.asarray(inverse * np.outer(scale, scale))

    def _in_bore(self, figures: Floats, photo: int) -> tuple[Floats, Floats]:
        """Return a photo's pose in the bore's frame: that in the card's, after the card's seat."""
        pose, seat = figures[self._pose_at(photo)], figures[self.seat_at : self.seat_at + 6]
        turned, back = cv2.Rodrigues(pose[:3])[0], cv2.Rodrigues(-seat[3:])[0]
        middle = np.array([0.0, 0.0, self.middle_mm])
        turn = np.asarray(cv2.Rodrigues(turned @ back)[0], np.float64).reshape(3)
        return turn, np.asarray(pose[3:] + turned @ (middle - back @ middle - seat[:3]), np.float64)

    def _poses(self, figures: Floats, found: list[Floats]) -> tuple[Pose, ...]:
        made = []
        for k, (photo, miss, weight) in enumerate(zip(self.photos, found, self.weight, strict=True)):
            used = weight > 0
            turn, shift = self._in_bore(figures, k)
            far = np.hypot(*miss[used].T)
            size = photo.marks.card.square_mm / photo.marks.pitch_px[used]
            made.append(
                Pose(
                    name=photo.name,
                    lens=photo.lens,
                    turn=turn,
                    shift_mm=shift,
                    noise_px=float(self.noise[k]),
                    rms_px=math.sqrt(float(np.mean(far**2))),
                    rms_mm=math.sqrt(float(np.mean((far * size) ** 2))),
                    corners=len(miss),
                    used=int(used.sum()),
                )
            )
        return tuple(made)
