"""One adjustment over all corners of a bore card in all photos, with the rims and measured heights.

All photos are adjusted together [1]_: six figures a photo, and the figures of each lens that are not held,
so that the corners of the card are seen where they were found. Each lens starts as what is known of it and
is held to that by its standard deviations; corners that miss by far count less and less (Huber's weights,
found anew in each round).

How the card lies on the cylinder is not to be seen from the card's corners: it is held to lie as it should
by a hand's error in laying it (`seat_sd`). Where photos show the bore's rim beside a ring, the rim of its far
end, or a place whose height was measured, that tells it. Nor is a ring's true size, or how far out the wall
stands, to be seen; both move heights all alike, and a measured height tells them.

References
----------
.. [1] B. Triggs and others, Bundle adjustment: a modern synthesis, Vision Algorithms (1999) 298-372 (from
   memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from portmap.picture.bore_cards import StripCard
from portmap.picture.bore_seat import (
    PRINT_SD,
    STRIP_STRETCH_SD,
    WALL_OUT_SD_MM,
    CardSeat,
    card_middle_mm,
    moves_in_card,
    seat_sd,
    strip_stretches,
)
from portmap.picture.bore_shots import MarkedPhoto, Pose
from portmap.picture.camera import Lens
from portmap.picture.lens_doubt import LensGuess, changed, seen_and_slopes

__all__ = ["Adjustment", "Found"]

Floats = NDArray[np.float64]

_WIDER_SD_MM = 0.3  # of the rim's radius over the bore's: it may be chamfered
# Of the rim's middle in one photo: blur draws its near side otherwise than its far one.
_RIM_OFF_SD_MM = 0.01
# Of the far end: its height, beside where it is seen; its middle and how wide it looks, in one photo.
_FAR_LEVEL_SD_MM, _FAR_OFF_SD_MM, _FAR_WIDER_SD_MM = 1.0, 0.01, 0.02
# At least: a rim is turned, filed and dented, and the wall behind it shines here and there.
_RIM_NOISE_PX = 0.15
_RIM_SHARED = 20.0  # so many neighbouring places of a rim, a tenth of it, err alike
_NOISE_FLOOR_PX = 0.03
_HUBER = 2.5
_ROUNDS = 6
_FAR_OUT = 6.0  # times the noise: such a corner is set aside
# Neighbouring corners do not err quite independently; as for the flat card, see flat_doubt.
_SHARED_ERROR = 1.25
_LEAST_CORNERS = 6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Found:
    """What an adjustment found; see `BorePoses`."""

    poses: tuple[Pose, ...]
    lenses: tuple[LensGuess, ...]
    covariance: Floats
    seat: Floats
    ring_larger: float
    wall_out_mm: float


class Adjustment:
    """The corners' and the rim's misses and their slopes as functions of all figures at once.

    The figures: what is added to each lens's free figures, lens by lens; six a photo; six of the seat; of a
    ring by what share its print is larger than it should be, by how much the wall stands further out than the
    bore says, and by how much the rim is wider than the bore and off its middle in each photo, as blur and
    light draw it (three); of a strip by what share it reaches further round the bore, and is taller, than it
    should; of the far rim by how much it is wider than the bore and higher than it is seen, then three a
    photo, as of the rim.
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
        rimmed = any(photo.rim is not None for photo in photos)
        drawn = [_WIDER_SD_MM, _RIM_OFF_SD_MM, _RIM_OFF_SD_MM] * len(photos) if rimmed else []
        strip = isinstance(photos[0].marks.card, StripCard)
        held = list(seat_sd(photos[0].marks.kind, seat))
        held += STRIP_STRETCH_SD if strip else [PRINT_SD, WALL_OUT_SD_MM, *drawn]
        self.seated = self.seat_at + (6 if strip else 8)
        self.far_at = self.seat_at + len(held)
        far = [photo.far_rim.level_mm for photo in photos if photo.far_rim is not None]
        self.far_level_mm = float(np.median(far)) if far else 0.0
        if far:
            held += [_WIDER_SD_MM, _FAR_LEVEL_SD_MM]
            held += [_FAR_WIDER_SD_MM, _FAR_OFF_SD_MM, _FAR_OFF_SD_MM] * len(photos)
        self.seat_sd = np.array(held)
        self.count = self.seat_at + len(self.seat_sd)
        self.middle_mm = card_middle_mm(photos[0].marks, seat)
        self.radius_mm = (seat.bore_mm or photos[0].marks.card.bore_mm) / 2
        self.level_mm = seat.deck_mm if seat.on == "deck" else 0.0
        self.stretches = [strip_stretches(photo.marks, seat) for photo in photos] if strip else []
        ahead = [start.lens.fx_px / guess.lens.fx_px for start, guess in zip(starts, lenses, strict=True)]
        self.start = np.concatenate(
            [
                np.where(guess.free == 0, math.log(stretch), 0.0)
                for guess, stretch in zip(lenses, ahead, strict=True)
            ]
        )
        self.noise = np.ones(len(photos))
        self.weight = [np.ones(len(where)) for where in places]
        # each with its photo, and whether it is the far one
        self.rims = [(k, photo.rim, False) for k, photo in enumerate(photos) if photo.rim is not None]
        self.rims += [(k, photo.far_rim, True) for k, photo in enumerate(photos) if photo.far_rim is not None]
        self.rim_noise = np.ones(len(self.rims))
        self.rim_weight = [np.ones(len(rim.angle_rad)) for _, rim, _ in self.rims]

    def lens(self, number: int, figures: Floats) -> Lens:
        """Return a lens as the figures have it."""
        guess = self.lenses[number]
        added = np.zeros(len(guess.sd))
        added[guess.free] = figures[self.first[number] : self.first[number + 1]]
        return changed(guess.lens, added)

    def _pose_at(self, photo: int) -> slice:
        start = int(self.first[-1]) + 6 * photo
        return slice(start, start + 6)

    def _stretched(self, figures: Floats, photo: int) -> Floats:
        """Return where a photo's corners stand in the card's frame, a strip as long and tall as it is."""
        where = self.places[photo]
        if not self.stretches:
            return where
        at = self.seat_at + 6
        return np.asarray(where + self.stretches[photo] @ figures[at : at + 2])

    def misses(self, figures: Floats) -> tuple[list[Floats], list[tuple[Floats, Floats]]]:
        """Return each photo's misses [px] and their slopes along pose and along its lens's free figures."""
        found, slopes = [], []
        for k, photo in enumerate(self.photos):
            where = self._stretched(figures, k)
            pose = figures[self._pose_at(k)]
            seen, along_pose, along_lens = seen_and_slopes(
                self.lens(photo.lens, figures), pose[:3], pose[3:], where
            )
            found.append(seen - photo.marks.pixels_px)
            slopes.append((along_pose, along_lens[..., self.lenses[photo.lens].free]))
        return found, slopes

    def rim_misses(self, figures: Floats, number: int) -> tuple[Floats, Floats]:
        """Return by how much a rim lies outside where its photo shows it [px], and the slopes of that."""
        photo, rim, far = self.rims[number]
        out = np.stack([np.cos(rim.angle_rad), -np.sin(rim.angle_rad), np.zeros(len(rim.angle_rad))], axis=1)
        at = self.far_at + 2 + 3 * photo if far else self.seated + 3 * photo
        wider, right, up = figures[at : at + 3]
        level = self.level_mm
        if far:
            wider += figures[self.far_at]
            level = self.far_level_mm + figures[self.far_at + 1]
        place = (self.radius_mm + wider) * out + [right, up, level]
        # a rim is as wide as it is: it tells neither the print's size nor where the wall is
        seen, slopes, along_place = self._seen_in_bore(figures, photo, place, self.seat_at + 6)
        slopes[..., at] = (along_place @ out[..., None])[..., 0]
        slopes[..., at + 1 : at + 3] = along_place[..., :2]
        if far:
            slopes[..., self.far_at] = slopes[..., at]
            slopes[..., self.far_at + 1] = along_place[..., 2]
        miss = ((seen - rim.pixels_px) * rim.outward_px).sum(axis=1)
        return miss, np.einsum("nij,ni->nj", slopes, rim.outward_px)

    def height_misses(self, figures: Floats, photo: int) -> tuple[Floats, Floats]:
        """Return by how much measured heights lie above where they are seen, over their doubt, and slopes."""
        told = self.photos[photo].heights
        if told is None:
            return np.zeros(0), np.zeros((0, self.count))
        cos, sin = np.cos(told.angle_rad), np.sin(told.angle_rad)
        place = np.stack([self.radius_mm * cos, -self.radius_mm * sin, told.height_mm], axis=1)
        seen, slopes, _ = self._seen_in_bore(figures, photo, place, self.seated)
        by = told.up_px / (told.up_px**2).sum(axis=1)[:, None] / told.u_mm[:, None]
        return ((seen - told.pixels_px) * by).sum(axis=1), np.einsum("nij,ni->nj", slopes, by)

    def _seen_in_bore(
        self, figures: Floats, photo: int, place: Floats, last: int
    ) -> tuple[Floats, Floats, Floats]:
        """Return where a photo shows places of the bore, and the slopes of that along figures and places.

        Of the figures that move places in the card's frame those before the last are heeded.
        """
        own, lens = slice(self.seat_at, last), self.photos[photo].lens
        moves = moves_in_card(place, self.middle_mm)[..., : last - self.seat_at]
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
        """Return all misses over their noise, and what is held over its doubt."""
        found, _ = self.misses(figures)
        parts = [
            (miss * (np.sqrt(weight) / noise)[:, None]).ravel()
            for miss, weight, noise in zip(found, self.weight, self.noise, strict=True)
        ]
        rims = [
            self.rim_misses(figures, k)[0] * np.sqrt(self.rim_weight[k] / _RIM_SHARED) / self.rim_noise[k]
            for k in range(len(self.rims))
        ]
        heights = [self.height_misses(figures, k)[0] for k in range(len(self.photos))]
        held = figures[self.seat_at :] / self.seat_sd
        return np.concatenate([*parts, *rims, *heights, self.known @ figures[: len(self.known)], held])

    def slopes(self, figures: Floats) -> Floats:
        """Return the slopes of the residuals along the figures."""
        _, found = self.misses(figures)
        rows = []
        for k, (along_pose, along_lens) in enumerate(found):
            first = self.photos[k].lens
            share = (np.sqrt(self.weight[k]) / self.noise[k])[:, None, None]
            block = np.zeros((2 * len(share), self.count))
            block[:, self.first[first] : self.first[first + 1]] = (along_lens * share).reshape(len(block), -1)
            block[:, self._pose_at(k)] = (along_pose * share).reshape(len(block), 6)
            if self.stretches:
                turned = cv2.Rodrigues(figures[self._pose_at(k)][:3])[0]
                along = along_pose[..., 3:] @ turned @ self.stretches[k]
                block[:, self.seat_at + 6 : self.seat_at + 8] = (along * share).reshape(len(block), 2)
            rows.append(block)
        for k in range(len(self.rims)):
            share = np.sqrt(self.rim_weight[k] / _RIM_SHARED) / self.rim_noise[k]
            rows.append(self.rim_misses(figures, k)[1] * share[:, None])
        rows += [self.height_misses(figures, k)[1] for k in range(len(self.photos))]
        known = np.zeros((len(self.known) + len(self.seat_sd), self.count))
        known[: len(self.known), : len(self.known)] = self.known
        known[len(self.known) :, self.seat_at :] = np.diag(1 / self.seat_sd)
        return np.vstack([*rows, known])

    def solved(self, poses: Floats) -> Found:
        """Return what suits all best, from where six figures a photo say that it begins."""
        figures = np.concatenate([self.start, poses, np.zeros(len(self.seat_sd))])
        for _ in range(_ROUNDS):
            figures = least_squares(self.residuals, figures, self.slopes, method="lm", x_scale="jac").x
            found, _ = self.misses(figures)
            moved = [self._judged(found), self._rims_judged(figures)]
            if not any(moved):
                break
        larger, wall_out = (0.0, 0.0) if self.stretches else figures[self.seat_at + 6 : self.seated]
        return Found(
            poses=self._poses(figures, found),
            lenses=tuple(
                LensGuess(lens=self.lens(k, figures), covariance=guess.covariance, told=guess.told)
                for k, guess in enumerate(self.lenses)
            ),
            covariance=self._covariance(figures)[: self.seated, : self.seated],
            seat=figures[self.seat_at : self.seat_at + 6].copy(),
            ring_larger=float(larger),
            wall_out_mm=float(wall_out),
        )

    def _judged(self, found: list[Floats]) -> bool:
        """Set noise and weights by the misses; return whether that changed anything that matters."""
        moved = False
        for k, miss in enumerate(found):
            # six figures were fitted to the photo: the scatter that is left is less than the noise
            free = 2 * len(miss) / max(1.0, 2 * len(miss) - 6.0)
            noise = max(_NOISE_FLOOR_PX, 1.4826 * float(np.median(np.abs(miss))) * math.sqrt(free))
            far = np.hypot(*miss.T) / noise
            weight = _weight_of(far)
            if (weight > 0).sum() < _LEAST_CORNERS:
                weight = np.ones(len(miss))
            moved |= abs(math.log(noise / self.noise[k])) > 0.1
            moved |= float(np.abs(weight - self.weight[k]).max()) > 0.2
            self.noise[k], self.weight[k] = noise, weight
        return moved

    def _rims_judged(self, figures: Floats) -> bool:
        """Set the rims' noise and weights by their misses; return whether that changed anything."""
        moved = False
        for k in range(len(self.rims)):
            miss, _ = self.rim_misses(figures, k)
            noise = max(_RIM_NOISE_PX, 1.4826 * float(np.median(np.abs(miss))))
            far = np.abs(miss) / noise
            weight = _weight_of(far)
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
        """Return a photo's pose in the bore's frame: that in the card's, after the card's seat and size."""
        pose, seat = figures[self._pose_at(photo)], figures[self.seat_at : self.seat_at + 6]
        size = 1.0 if self.stretches else 1.0 + figures[self.seat_at + 6]
        turned, back = cv2.Rodrigues(pose[:3])[0], cv2.Rodrigues(-seat[3:])[0]
        middle = np.array([0.0, 0.0, self.middle_mm])
        turn = np.asarray(cv2.Rodrigues(turned @ back)[0], np.float64).reshape(3)
        # all that the camera sees may be scaled alike: what the card measures is made as large as the bore
        shift = size * (pose[3:] + turned @ middle) - turned @ (back @ middle + seat[:3])
        return turn, np.asarray(shift, np.float64)

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


def _weight_of(far: Floats) -> Floats:
    """Return Huber's weights of misses over their noise; 0 for what is set aside."""
    return np.where(far < _FAR_OUT, np.minimum(1.0, _HUBER / np.maximum(far, _HUBER)), 0.0)
