"""Where a scope stood in each of its frames, from places of the wall that the frames share.

No card is in sight: a place that two frames show must lie, by the sight line of either, at the same (x, y) of
a cylinder of the bore's radius. As the frames look at it from different sides, they agree only if each stands
where it does within the cylinder; round the whole turn the angles add up to 360°. Height and turn as a whole
are not to be seen: the first frame is held at height 0, looking at x = 0. A strip in sight, little as it may
be, tells them, and much of each pose (`strip_rows`).

All frames are adjusted together, each by six figures (`frame_figures`). How a tube turns in its holder is
known roughly (`_JITTER` and what follows it) and is let in as such.

Glossary
--------
holder
    What is common to the frames: first heading and step; mean and once-a-turn wave of pitch, roll and height;
    how far the eye stands behind the tube's axis and beside it; where that axis stands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from portmap.picture.bare_match import Matches
from portmap.picture.frame_figures import FRAME, axes_of, pose_of, pose_slopes
from portmap.picture.lens_doubt import LensGuess, seen_and_slopes
from portmap.picture.strip_rows import StripRows

__all__ = ["Adjusted", "adjusted", "landed"]

Floats = NDArray[np.float64]

# Standard deviations of how a tube turns in a holder; common practice, no source.
_JITTER = (math.radians(1.0), math.radians(0.5), math.radians(0.5), 0.3, 0.3, 0.3)  # rad, mm
# Of frames that a hand holds: a strip and what they share place them.
_HAND_JITTER = (math.pi, math.radians(2.0), math.radians(2.0), 1.0, 1.0, 5.0)
_STEP_SD = math.radians(1.5)
_TILT_SD, _WAVE_SD = math.radians(8.0), math.radians(1.5)
_BESIDE_MM, _HEIGHT_WAVE_MM = 2.0, 0.5
_BACK, _BACK_SD, _BESIDE = 0.45, 0.3, 0.1  # of the radius
_ANY_MM = 1e3
_HELD = 1e-6
_FLOOR_MM = 2e-4  # the least scatter of a place
_SMALL = 1e-5  # rad or mm: of differences that stand for slopes
_HUBER, _FAR_OUT = 2.0, 6.0
_PATIENT = 8  # rounds in which a frame that the others have left behind may come up
_ROUNDS, _SETTLED = 25, 2e-6  # rad or mm
# Errors of neighbouring pieces are not quite independent: light, gloss, the same noise in several pairs.
_SHARED_ERROR = 2.0


def landed(sights: Floats, figures: Floats, radius_mm: float) -> Floats:
    """Return where sight lines meet the wall.

    Parameters
    ----------
    sights : ndarray of shape (N, 3)
        Directions in the camera's frame.
    figures : ndarray of shape (N, 6)
        Of the frame of each.
    radius_mm : float

    Returns
    -------
    ndarray of shape (N, 2)
        (x, y) [mm], x within half a turn.

    Examples
    --------
    >>> landed(np.array([[0.0, 0.0, 1.0]]), np.array([[0.5, 0, 0, 0, 0, 7.0]]), 20.0)
    array([[10.,  7.]])
    """
    return _met(np.einsum("ni,nij->nj", sights, axes_of(figures)), figures[:, 3:], radius_mm)


def _met(way: Floats, eye: Floats, radius_mm: float) -> Floats:
    """Return where lines from an eye meet the wall (x, y), the ways and eyes in the bore's frame."""
    a = (way[:, :2] ** 2).sum(axis=1)
    b = (way[:, :2] * eye[:, :2]).sum(axis=1)
    c = (eye[:, :2] ** 2).sum(axis=1) - radius_mm**2
    far = (np.sqrt(np.maximum(b * b - a * c, 0.0)) - b) / a
    met = eye + far[:, None] * way
    return np.stack([radius_mm * np.arctan2(-met[:, 1], met[:, 0]), met[:, 2]], axis=1)


def _sights(places_mm: Floats, figures: Floats, radius_mm: float) -> Floats:
    """Return the directions, in a camera's frame, in which it sees places of the wall."""
    turn = places_mm[:, 0] / radius_mm
    at = np.stack([radius_mm * np.cos(turn), -radius_mm * np.sin(turn), places_mm[:, 1]], axis=1)
    seen = (at - figures[3:]) @ axes_of(figures).T
    return np.asarray(seen / np.linalg.norm(seen, axis=1, keepdims=True))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Adjusted:
    """What an adjustment found.

    Parameters
    ----------
    figures : ndarray of shape (F, 6)
        Of each frame.
    step_rad : float
        Mean step of the headings.
    lens_moved : ndarray of shape (L,)
        What is added to the lens's free figures.
    misses_mm : tuple of ndarray of shape (N, 2)
        Of each pair's matches.
    weights : tuple of ndarray of shape (N,)
        0 to 1 for each match.
    scale : float
        Standard deviation of a whitened miss.
    covariance : ndarray of shape (L + 6 F, L + 6 F)
        Of the lens's free figures, then of each frame's turn and shift.
    """

    figures: Floats
    step_rad: float
    lens_moved: Floats
    misses_mm: tuple[Floats, ...]
    weights: tuple[Floats, ...]
    scale: float
    covariance: Floats


def adjusted(
    pairs: Sequence[Matches],
    figures: Floats,
    lens: LensGuess,
    radius_mm: float,
    step_rad: float,
    numbers: NDArray[np.intp],
    *,
    slip_rad: float | None = None,
    strip: StripRows | None = None,
) -> Adjusted:
    """Return the frames' figures under which the shared places agree best.

    Parameters
    ----------
    pairs : sequence of Matches
        Their places by the figures that are given. A frame that is in none of them is carried on by the
        holder.
    figures : ndarray of shape (F, 6)
        To start from.
    lens : LensGuess
        Held to what is known of it.
    radius_mm : float
    step_rad : float
        Between the headings of frames whose numbers follow each other.
    numbers : ndarray of shape (F,) and dtype int
        Of the frames; 0, 1, 2 and so on if none is left out.
    slip_rad : float, optional
        Standard deviation of a step; a holder's unless told.
    strip : StripRows, optional
        What the frames show of a strip card, which then tells height and turn as a whole too.

    Returns
    -------
    Adjusted
    """
    work = _Work(pairs, figures, lens, radius_mm, step_rad, numbers, slip_rad, strip)
    return work.solved()


class _Work:
    """All misses and their slopes as functions of all figures at once: lens, frames, holder."""

    def __init__(
        self,
        pairs: Sequence[Matches],
        figures: Floats,
        lens: LensGuess,
        radius_mm: float,
        step_rad: float,
        numbers: NDArray[np.intp],
        slip_rad: float | None,
        strip: StripRows | None,
    ) -> None:
        self.strip = strip
        self.numbers = numbers
        self.pairs, self.lens, self.radius = pairs, lens, radius_mm
        self.frames, self.gauge = len(figures), figures[0, [0, 5]].copy()
        self.bent = len(lens.free)
        self.whitening_lens = lens.whitening if self.bent else np.zeros((0, 0))
        self.frame = [
            np.concatenate([np.zeros(0, np.intp), *(np.full(len(p), getattr(p, side)) for p in pairs)])
            for side in ("first", "second")
        ]
        self.sights = [
            np.concatenate(
                [
                    np.zeros((0, 3)),
                    *(_sights(getattr(p, f"{side}_mm"), figures[getattr(p, side)], radius_mm) for p in pairs),
                ]
            )
            for side in ("first", "second")
        ]
        ends = np.cumsum([0, *(len(p) for p in pairs)])
        self.part = [slice(low, high) for low, high in pairwise(ends.tolist())]
        self.whitening = np.concatenate([np.zeros((0, 2, 2)), *(p.whitening for p in pairs)])
        slopes = [self._lens_slopes(p, figures) for p in pairs]
        self.along_lens = np.concatenate([np.zeros((0, 2, self.bent)), *slopes])
        back = _BACK * radius_mm
        # before anything is known to be shared a few points of a strip need what is known of holders
        jitter = np.array(_HAND_JITTER if strip is not None and pairs else _JITTER)
        if slip_rad is not None:
            jitter[0] = slip_rad
        self.jitter = np.tile(jitter, self.frames)
        # first heading, step; mean, cosine and sine of pitch, roll and height; back, side; the axis's place
        self.holder = np.array([0, step_rad, *[0.0] * 9, back, 0, 0, 0])
        tilts = (_TILT_SD, _WAVE_SD, _WAVE_SD)
        heights = (_ANY_MM, _HEIGHT_WAVE_MM, _HEIGHT_WAVE_MM)
        step_sd = _STEP_SD if slip_rad is None else math.pi
        places = (_BACK_SD * radius_mm, _BESIDE * radius_mm, _BESIDE_MM, _BESIDE_MM)
        self.holder_sd = np.array([math.pi, step_sd, *tilts, *tilts, *heights, *places])
        laid = np.zeros(0 if strip is None else strip.count)
        self.start = np.concatenate([np.zeros(self.bent), figures.ravel(), self._held_by(figures), laid])
        norms = np.linalg.norm(self.whitening, axis=(1, 2))
        self.floor = _FLOOR_MM * float(np.median(norms)) / math.sqrt(2) if len(norms) else 0.0
        self.weight = np.ones(len(self.whitening))
        self.scale = 1.0

    def _held_by(self, figures: Floats) -> Floats:
        """Return the holder that suits the figures roughly."""
        holder = self.holder.copy()
        heading = figures[:, 0]
        holder[0] = heading[0]
        ahead = np.stack([np.cos(heading), -np.sin(heading)], axis=1)
        holder[11] = -float((figures[:, 3:5] * ahead).sum(axis=1).mean())
        holder[2], holder[5], holder[8] = figures[:, 1].mean(), figures[:, 2].mean(), figures[:, 5].mean()
        return holder

    def _lens_slopes(self, pair: Matches, figures: Floats) -> Floats:
        """Return how a pair's misses change with the lens's free figures, shape (N, 2, L)."""
        if not self.bent:
            return np.zeros((len(pair), 2, 0))
        total = np.zeros((len(pair), 2, self.bent))
        for sign, frame, places in ((1, pair.first, pair.first_mm), (-1, pair.second, pair.second_mm)):
            turn = places[:, 0] / self.radius
            c, s = np.cos(turn), np.sin(turn)
            pose = pose_of(figures[frame])
            at = np.stack([self.radius * c, -self.radius * s, places[:, 1]], axis=1)
            _, by_pose, by_lens = seen_and_slopes(self.lens.lens, pose[:3], pose[3:], at)
            axes = axes_of(figures[frame])
            along_x = np.stack([-s, -c, np.zeros_like(c)], axis=1) @ axes.T
            along = np.stack([along_x, np.broadcast_to(axes[:, 2], along_x.shape)], axis=2)
            by_place = np.einsum("nij,njk->nik", by_pose[..., 3:], along)
            total -= sign * np.linalg.solve(by_place, by_lens[..., self.lens.free])
        return total

    def split(self, all_figures: Floats) -> tuple[Floats, Floats, Floats]:
        ends = self.bent, self.bent + FRAME * self.frames
        return (
            all_figures[: ends[0]],
            all_figures[ends[0] : ends[1]].reshape(-1, FRAME),
            all_figures[ends[1] : ends[1] + len(self.holder)],
        )

    def _laid(self, all_figures: Floats) -> Floats:
        """Return the figures of how a strip lies; none without one."""
        return all_figures[self.bent + FRAME * self.frames + len(self.holder) :]

    def _landed(self, side: int, figures: Floats) -> Floats:
        """Return where the matches lie by the first or the second frame of each."""
        frame = self.frame[side]
        way = np.einsum("ni,nij->nj", self.sights[side], axes_of(figures)[frame])
        return _met(way, figures[frame, 3:], self.radius)

    def misses(self, all_figures: Floats) -> Floats:
        bent, figures, _ = self.split(all_figures)
        one, other = (self._landed(side, figures) for side in (0, 1))
        miss = one - other + self.along_lens @ bent
        turn = 2 * math.pi * self.radius
        miss[:, 0] = np.remainder(miss[:, 0] + turn / 2, turn) - turn / 2
        return miss

    def slopes(self, all_figures: Floats) -> Floats:
        """Return the slopes of the misses along lens, first and second frame, shape (N, 2, L + 12)."""
        _, figures, _ = self.split(all_figures)
        made = [self.along_lens]
        for side, sign in ((0, 1), (1, -1)):
            along = np.empty((len(self.whitening), 2, FRAME))
            for k in range(FRAME):
                step = np.zeros(FRAME)
                step[k] = _SMALL
                up, down = (self._landed(side, figures + s * step) for s in (1, -1))
                along[:, :, k] = sign * (up - down) / (2 * _SMALL)
            made.append(along)
        return np.concatenate(made, axis=2)

    def beliefs(self, all_figures: Floats) -> Floats:
        """Return what is known beforehand as misses of variance 1."""
        bent, figures, holder = self.split(all_figures)
        off = figures - self._expected(figures[:, 0], holder)
        gauge = (figures[0, [0, 5]] - self.gauge) / _HELD
        if self.strip is not None:
            gauge = self._laid(all_figures) / self.strip.sd
        return np.concatenate(
            [
                self.whitening_lens @ bent,
                off.ravel() / self.jitter,
                (holder - self.holder) / self.holder_sd,
                gauge,
            ]
        )

    def _expected(self, heading: Floats, holder: Floats) -> Floats:
        c, s = np.cos(heading), np.sin(heading)
        waves = np.stack([np.ones_like(c), c, s], axis=1)
        back, side, beside = holder[11], holder[12], holder[13:15]
        return np.column_stack(
            [
                holder[0] + holder[1] * self.numbers,
                waves @ holder[2:5],
                waves @ holder[5:8],
                beside[0] - back * c - side * s,
                beside[1] + back * s - side * c,
                waves @ holder[8:11],
            ]
        )

    def belief_slopes(self, all_figures: Floats) -> Floats:
        _, figures, holder = self.split(all_figures)
        start, ends = self.bent, self.bent + FRAME * self.frames
        frames = np.arange(self.frames)
        held = ends + len(holder)
        made = np.zeros((held + (2 if self.strip is None else self.strip.count), len(all_figures)))
        made[:start, :start] = self.whitening_lens
        own = np.eye(FRAME * self.frames)
        step = 1e-6
        expected = self._expected(figures[:, 0], holder)
        by_heading = (self._expected(figures[:, 0] + step, holder) - expected) / step
        for k in range(FRAME):
            own[FRAME * frames + k, FRAME * frames] -= by_heading[:, k]
        made[start:ends, start:ends] = own / self.jitter[:, None]
        for k in range(len(holder)):
            moved = holder.copy()
            moved[k] += step
            by_holder = (self._expected(figures[:, 0], moved) - expected) / step
            made[start:ends, ends + k] = -by_holder.ravel() / self.jitter
        made[ends:held, ends:held] = np.diag(1 / self.holder_sd)
        if self.strip is None:
            made[-2, start] = made[-1, start + 5] = 1 / _HELD
        else:
            made[held:, held:] = np.diag(1 / self.strip.sd)
        return made

    def solved(self) -> Adjusted:
        figures = self.start
        for number in range(_ROUNDS):
            miss, slopes = self.misses(figures), self.slopes(figures)
            self._judged(miss, patient=number < _PATIENT)
            if self.strip is not None:
                bent, own, _ = self.split(figures)
                self.strip.judge(bent, own, self._laid(figures), patient=number < _PATIENT)
            normal, right = self._normal(figures, miss, slopes, 1.0)
            size = 1 / np.sqrt(np.diag(normal))
            moved = -size * cho_solve(cho_factor(normal * np.outer(size, size)), size * right)
            figures = figures + moved
            if (
                number > _PATIENT
                and np.abs(moved[self.bent : self.bent + FRAME * self.frames]).max() < _SETTLED
            ):
                break
        bent, own, holder = self.split(figures)
        miss = self.misses(figures)
        self._judged(miss, patient=False)
        return Adjusted(
            figures=own.copy(),
            step_rad=float(holder[1]),
            lens_moved=bent.copy(),
            misses_mm=tuple(miss[own] for own in self.part),
            weights=tuple(self.weight[own] for own in self.part),
            scale=self.scale,
            covariance=self._covariance(figures, miss),
        )

    def _judged(self, miss: Floats, *, patient: bool) -> None:
        """Set scale and weights by the misses; patiently, nothing far off is thrown away."""
        if not len(miss):
            return
        far = np.linalg.norm(np.einsum("nij,nj->ni", self.whitening, miss), axis=1)
        # the median of a Rayleigh distribution; no place is surer than the floor
        self.scale = max(float(np.median(far)) / 1.1774, self.floor)
        far = far / self.scale
        self.weight = np.minimum(1.0, _HUBER / np.maximum(far, _HUBER))
        if not patient:
            self.weight[far > _FAR_OUT] = 0.0

    def _normal(self, figures: Floats, miss: Floats, slopes: Floats, shared: float) -> tuple[Floats, Floats]:
        """Return the normal equations: each pair fills in the blocks of its two frames."""
        known, believed = self.belief_slopes(figures), self.beliefs(figures)
        normal, right = known.T @ known, known.T @ believed
        root = (np.sqrt(self.weight) / (self.scale * math.sqrt(shared)))[:, None, None] * self.whitening
        rows, off = root @ slopes, np.einsum("nij,nj->ni", root, miss)
        for pair, own in zip(self.pairs, self.part, strict=True):
            at = np.concatenate(
                [
                    np.arange(self.bent),
                    *(self.bent + FRAME * k + np.arange(FRAME) for k in (pair.first, pair.second)),
                ]
            )
            block = rows[own].reshape(-1, len(at))
            normal[np.ix_(at, at)] += block.T @ block
            right[at] += block.T @ off[own].ravel()
        if self.strip is not None:
            bent, frames, _ = self.split(figures)
            laid = np.arange(len(figures) - self.strip.count, len(figures))
            for k in range(self.frames):
                at = np.concatenate([np.arange(self.bent), self.bent + FRAME * k + np.arange(FRAME), laid])
                miss_there, along = self.strip.rows(k, bent, frames[k], self._laid(figures))
                normal[np.ix_(at, at)] += along.T @ along
                right[at] += along.T @ miss_there
        return normal, right

    def _covariance(self, figures: Floats, miss: Floats) -> Floats:
        """Return the covariance of lens and poses."""
        normal, _ = self._normal(figures, miss, self.slopes(figures), _SHARED_ERROR)
        size = 1 / np.sqrt(np.diag(normal))
        inverse = np.linalg.inv(normal * np.outer(size, size)) * np.outer(size, size)
        count = self.bent + FRAME * self.frames
        _, own, _ = self.split(figures)
        turned = np.eye(count)
        for k, frame in enumerate(own):
            block = slice(self.bent + FRAME * k, self.bent + FRAME * (k + 1))
            turned[block, block] = pose_slopes(frame)
        return np.asarray(turned @ inverse[:count, :count] @ turned.T)
