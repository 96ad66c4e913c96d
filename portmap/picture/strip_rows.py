"""What frames show of a strip card, and of measured heights, as equations for `bare_adjust`.

Frame of the bore: as in `bore_cards`; a frame's figures as in `frame_figures`. How the strip lies is held to
how a hand lays it; heights that were measured tell it better.

Glossary
--------
laid
    Eight figures: the strip's seat, and by what share it reaches further round the bore and is taller.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_seat import (
    STRIP_STRETCH_SD,
    CardSeat,
    card_in_bore,
    card_middle_mm,
    seat_moves,
    seat_sd,
    strip_stretches,
)
from portmap.picture.bore_shots import SeenHeight
from portmap.picture.frame_figures import FRAME, pose_of, pose_slopes
from portmap.picture.lens_doubt import LensGuess, seen_and_slopes

__all__ = ["StripRows"]

Floats = NDArray[np.float64]

_NOISE_FLOOR_PX = 0.1  # blur and brightness move even the best
_POOLED = 8.0  # points: a frame's own scatter counts against that of all frames as its points against these
_HUBER, _FAR_OUT = 2.5, 6.0
_SHARED_ERROR = 1.25  # neighbouring corners do not err quite independently; as in bore_adjust


class StripRows:
    """The points' and heights' misses over their noise, and their slopes along lens, frame and strip."""

    def __init__(
        self,
        marks: Sequence[BoreMarks | None],
        heights: Sequence[SeenHeight | None],
        lens: LensGuess,
        seat: CardSeat,
        radius_mm: float,
    ) -> None:
        self.marks, self.heights, self.lens, self.radius = marks, heights, lens, radius_mm
        self.sd = np.array([*seat_sd("strip", seat), *STRIP_STRETCH_SD])
        self.count = len(self.sd)
        self.places = [None if each is None else card_in_bore(each, seat) for each in marks]
        self.moves: list[Floats | None] = []
        for each, places in zip(marks, self.places, strict=True):
            if each is None or places is None:
                self.moves.append(None)
                continue
            # seat_moves carries the bore's places into the card's frame: the card's go the other way
            own = -seat_moves(places, card_middle_mm(each, seat))
            self.moves.append(np.concatenate([own, strip_stretches(each, seat)], axis=2))
        self.noise = np.ones(len(marks))
        self.weight = [np.ones(0 if each is None else len(each.places_mm)) for each in marks]

    def misses(self, frame: int, bent: Floats, figures: Floats, laid: Floats) -> tuple[Floats, Floats]:
        """Return by how much a frame's points miss [px], and the slopes of that.

        Parameters
        ----------
        frame : int
        bent : ndarray of shape (L,)
            What is added to the lens's free figures.
        figures : ndarray of shape (6,)
            Of the frame.
        laid : ndarray of shape (8,)

        Returns
        -------
        ndarray of shape (N, 2)
        ndarray of shape (N, 2, L + 14)
            Along lens, frame and strip.
        """
        marks, places, moves = self.marks[frame], self.places[frame], self.moves[frame]
        if marks is None or places is None or moves is None:
            return np.zeros((0, 2)), np.zeros((0, 2, len(bent) + FRAME + self.count))
        pose = pose_of(figures)
        seen, along_pose, along_lens = seen_and_slopes(
            self.lens.lens, pose[:3], pose[3:], places + moves @ laid
        )
        free = along_lens[..., self.lens.free]
        by_strip = along_pose[..., 3:] @ cv2.Rodrigues(pose[:3])[0] @ moves
        slopes = np.concatenate([free, along_pose @ pose_slopes(figures), by_strip], axis=2)
        return seen + free @ bent - marks.pixels_px, slopes

    def rows(self, frame: int, bent: Floats, figures: Floats, laid: Floats) -> tuple[Floats, Floats]:
        """Return what a frame adds to an adjustment: misses of variance 1, and their slopes.

        Parameters
        ----------
        frame : int
        bent, figures, laid : ndarray
            As for `misses`.

        Returns
        -------
        ndarray of shape (M,)
        ndarray of shape (M, L + 14)
        """
        miss, slopes = self.misses(frame, bent, figures, laid)
        share = np.sqrt(self.weight[frame] / _SHARED_ERROR) / self.noise[frame]
        off, along = self._height_rows(frame, bent, figures)
        return (
            np.concatenate([(miss * share[:, None]).ravel(), off]),
            np.concatenate([(slopes * share[:, None, None]).reshape(-1, slopes.shape[2]), along]),
        )

    def _height_rows(self, frame: int, bent: Floats, figures: Floats) -> tuple[Floats, Floats]:
        """Return by how much measured heights lie above where they are seen, over their doubt, and slopes."""
        told = self.heights[frame]
        if told is None:
            return np.zeros(0), np.zeros((0, len(bent) + FRAME + self.count))
        cos, sin = np.cos(told.angle_rad), np.sin(told.angle_rad)
        place = np.stack([self.radius * cos, -self.radius * sin, told.height_mm], axis=1)
        pose = pose_of(figures)
        seen, along_pose, along_lens = seen_and_slopes(self.lens.lens, pose[:3], pose[3:], place)
        free = along_lens[..., self.lens.free]
        by = told.up_px / (told.up_px**2).sum(axis=1)[:, None] / told.u_mm[:, None]
        none = np.zeros((len(place), 2, self.count))
        slopes = np.concatenate([free, along_pose @ pose_slopes(figures), none], axis=2)
        off = seen + free @ bent - told.pixels_px
        return (off * by).sum(axis=1), np.einsum("nij,ni->nj", slopes, by)

    def judge(self, bent: Floats, figures: Floats, laid: Floats, *, patient: bool) -> None:
        """Set noise and weights by the misses.

        Parameters
        ----------
        bent : ndarray of shape (L,)
        figures : ndarray of shape (F, 6)
        laid : ndarray of shape (8,)
        patient : bool
            Nothing far off is thrown away yet.
        """
        found = [self.misses(k, bent, figures[k], laid)[0] for k in range(len(self.marks))]
        every = np.concatenate([np.zeros((0, 2)), *found])
        if not len(every):
            return
        scatter = 1.4826 * float(np.median(np.abs(every)))
        for k, miss in enumerate(found):
            if not len(miss):
                continue
            own = 1.4826 * float(np.median(np.abs(miss)))
            pooled = (len(miss) * own**2 + _POOLED * scatter**2) / (len(miss) + _POOLED)
            self.noise[k] = max(_NOISE_FLOOR_PX, math.sqrt(pooled))
            far = np.hypot(*miss.T) / self.noise[k]
            self.weight[k] = np.minimum(1.0, _HUBER / np.maximum(far, _HUBER))
            if not patient:
                self.weight[k][far > _FAR_OUT] = 0.0
