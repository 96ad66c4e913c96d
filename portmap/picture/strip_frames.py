"""Frames of a scope turned in the bore that show a little of a strip card: placed by that and by overlap.

A scope that hardly looks up sees one row of the strip's markers, or two far aslant. That tells the heading
of a frame to a hundredth of a degree, and roll and height, but not how far it looks up: the pose that follows
from it alone may be off by degrees. What frames share of the wall tells the rest. So both serve in one
adjustment (`bare_adjust` with `strip_rows`), with heights that were measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError
from portmap.picture.bare_adjust import Adjusted, adjusted
from portmap.picture.bare_frames import AGAIN, LEAST_FRAMES, SEARCHES, frame_views, gray_view, joined_poses
from portmap.picture.bare_match import Matches
from portmap.picture.bare_pairs import closed_round, renumbered, shared_places
from portmap.picture.bare_panel import lights_of, px_per_mm
from portmap.picture.bare_start import fitting, posed_view
from portmap.picture.bore_cards import StripCard
from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_seat import CardSeat, seat_by_height, strip_span
from portmap.picture.bore_shots import BorePoses
from portmap.picture.bore_start import camera_place
from portmap.picture.camera import rays
from portmap.picture.frame_figures import FRAME
from portmap.picture.lens_doubt import LensGuess
from portmap.picture.load import Picture
from portmap.picture.strip_points import strip_points
from portmap.picture.strip_rows import StripRows
from portmap.picture.wall_heights import ToldHeight, seen_heights
from portmap.picture.wall_view import View, wall_slopes

__all__ = ["StripFrames", "alone_unsure", "strip_frames", "strip_scant_notice"]

Floats = NDArray[np.float64]

_UNSURE_MM = 0.08  # where a frame looks: so unsure by the strip alone, overlap is needed
_BACKS = np.linspace(0.0, 0.85, 18)  # of the radius, tried
_AHEAD = 0.15  # of a sight line: cosine from the lens's axis at least
_MISREAD_RAD = math.radians(30.0)  # from where the frames before and after have it
_ALONE = 6  # points: a frame that shares nothing is placed by so many
_PAPER_MM = 0.8  # beside the strip nothing is sought on the wall: its edge is none


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StripFrames:
    """Frames placed by a strip and by overlap.

    Parameters
    ----------
    pictures : tuple of Picture
        Those that were placed, in the order of the poses.
    poses : BorePoses
        In the frame of the bore; ``set_aside`` holds the names of those that stand alone.
    marks : tuple of BoreMarks or None
        What each shows of the strip.
    mirrored, closed : bool
        Whether the frames are mirrored; whether they are joined all round.
    seat : CardSeat
        How the strip lies: as told, or by heights that were measured.
    """

    pictures: tuple[Picture, ...]
    poses: BorePoses
    marks: tuple[BoreMarks | None, ...]
    mirrored: bool
    closed: bool
    seat: CardSeat


def alone_unsure(poses: BorePoses, views: Sequence[View], radius_mm: float) -> bool:
    """Return whether a strip alone leaves a frame in doubt about the wall at which it looks.

    Parameters
    ----------
    poses : BorePoses
        As `posed` gives them.
    views : sequence of View
        The same frames.
    radius_mm : float

    Returns
    -------
    bool
    """
    first = sum(len(guess.free) for guess in poses.lenses)
    for k, view in enumerate(views):
        eye, look = camera_place(view.turn, view.shift_mm), cv2.Rodrigues(view.turn)[0][2]
        a, b, c = (
            float(look[:2] @ look[:2]),
            float(look[:2] @ eye[:2]),
            float(eye[:2] @ eye[:2]) - radius_mm**2,
        )
        if b * b < a * c or a <= 0:
            return True
        met = eye + (math.sqrt(b * b - a * c) - b) / a * look
        place = np.array([[radius_mm * math.atan2(-met[1], met[0]), met[2]]])
        _, along_wall, along_pose, _ = wall_slopes(view, radius_mm, place)
        moves = np.linalg.solve(along_wall[0], along_pose[0])
        own = slice(first + FRAME * k, first + FRAME * (k + 1))
        if np.sqrt(np.diag(moves @ poses.covariance[own, own] @ moves.T)).max() > _UNSURE_MM:
            return True
    return False


def strip_frames(
    pictures: Sequence[Picture],
    marks: Sequence[BoreMarks | None],
    card: StripCard,
    lens: LensGuess,
    seat: CardSeat,
    bore_mm: float,
    heights: Sequence[ToldHeight] = (),
    tell: Callable[[str], None] = lambda message: None,
) -> StripFrames | None:
    """Return where a scope stood in frames that show a little of a strip.

    Parameters
    ----------
    pictures : sequence of Picture
        In the order in which they were taken.
    marks : sequence of BoreMarks or None
        Of each that shows enough for `bore_marks`.
    card : StripCard
    lens : LensGuess
        Calibrated, for pictures of this size turned right.
    seat : CardSeat
    bore_mm : float
    heights : sequence of ToldHeight, optional
    tell : callable, optional
        Is told what is being done.

    Returns
    -------
    StripFrames or None
        None if too few frames show any of it, or share too little.
    """
    if len(pictures) < LEAST_FRAMES or any(_size(each) != lens.lens.size_px for each in pictures):
        return None
    tell("Looking for what the frames show of the strip")
    grays = [np.asarray(cv2.cvtColor(each.pixels, cv2.COLOR_RGB2GRAY), np.uint8) for each in pictures]
    points, mirrored = strip_points(grays, card, marks)
    if sum(each is not None for each in points) < LEAST_FRAMES:
        return None
    radius = bore_mm / 2
    views = [gray_view(each, lens, mirrored) for each in pictures]
    lights = lights_of(views)
    numbers = np.arange(len(views))
    figures, points = _started(points, lens, seat, radius)
    rows = StripRows(points, [None] * len(views), lens, seat, radius)
    step = float(np.median(np.diff(figures[:, 0])))
    done = adjusted([], figures, lens, radius, step, numbers, slip_rad=math.pi, strip=rows)
    figures, at = done.figures, figures
    hidden = seat.low_mm - _PAPER_MM, seat.low_mm + card.height_mm + _PAPER_MM
    searches = list(SEARCHES)
    pairs: list[Matches] = []
    for number, search in enumerate(searches):
        tell(f"Joining the frames by what they share (round {number + 1} of {len(searches)})")
        suited = fitting(search, views[0], radius)
        pairs = shared_places(views, lights, figures, radius, suited, wide=number > 0, hidden_mm=hidden)
        if number == len(SEARCHES) - 1 and not closed_round(pairs, figures):
            searches += AGAIN
        elif number == len(searches) - 1:
            kept = _placed(pairs, points)
            if len(kept) < LEAST_FRAMES:
                return None
            pairs = [renumbered(p, kept) for p in pairs if p.first in kept and p.second in kept]
            figures, numbers = figures[kept], numbers[kept]
            points, views = [points[k] for k in kept], [views[k] for k in kept]
            rows = StripRows(points, [None] * len(kept), lens, seat, radius)
        at = figures
        done = adjusted(pairs, at, lens, radius, step, numbers, slip_rad=math.pi, strip=rows)
        figures, step = done.figures, done.step_rad
    placed = tuple(pictures[int(k)] for k in numbers)
    alone = [each.name for k, each in enumerate(pictures) if k not in numbers]
    per_mm = px_per_mm(posed_view(views[0], figures[0]), radius, figures[0, 0], figures[0, 5])

    def poses_of(adjustment: Adjusted) -> BorePoses:
        return joined_poses(placed, pairs, adjustment, lens, alone, per_mm, kind="strip")

    poses = poses_of(done)
    if heights:
        tell("Looking for what was measured")
        seen_by = frame_views(placed, poses, mirrored, (0.0, math.inf))
        there = seen_heights(seen_by, bore_mm, heights, strip_span(card, seat))
        seat = seat_by_height(seat, there.off_mm, there.u_mm)
        rows = StripRows(points, [there.photos.get(each.name) for each in placed], lens, seat, radius)
        poses = poses_of(adjusted(pairs, at, lens, radius, step, numbers, slip_rad=math.pi, strip=rows))
    return StripFrames(
        pictures=placed,
        poses=poses,
        marks=tuple(points),
        mirrored=mirrored,
        closed=closed_round(pairs, figures),
        seat=seat,
    )


def _size(picture: Picture) -> tuple[int, int]:
    rows, columns = picture.pixels.shape[:2]
    return columns, rows


def _started(
    points: Sequence[BoreMarks | None], lens: LensGuess, seat: CardSeat, radius_mm: float
) -> tuple[Floats, list[BoreMarks | None]]:
    """Return the figures of frames that look level, as the strip's points roughly tell them, and the points.

    The points' angles round the bore tell the heading, and how they are spread how far behind the axis the
    eye stands; their height in the picture tells its height. A frame that shows none is put between those
    before and after it, and so is one whose only marker would have it elsewhere: that was misread.
    """
    sights = [None if each is None else rays(lens.lens, each.pixels_px) for each in points]
    best: tuple[float, float, Floats] | None = None
    for back in _BACKS * radius_mm:
        made, spread = np.full((len(points), 2), np.nan), []
        for k, (each, sight) in enumerate(zip(points, sights, strict=True)):
            if each is None or sight is None:
                continue
            good = np.isfinite(sight).all(axis=1) & (np.nan_to_num(sight[:, 2]) > _AHEAD)
            if not good.any():
                continue
            right, down, ahead = sight[good].T
            level = np.hypot(right, ahead)
            c, s = ahead / level, right / level
            far = back * c + np.sqrt(radius_mm**2 - (back * s) ** 2)
            turn = each.places_mm[good, 0] / (radius_mm - seat.thickness_mm / 2)
            heading = turn - np.arctan2(far * s, far * c - back)
            middle = math.atan2(np.sin(heading).mean(), np.cos(heading).mean())
            off = np.remainder(heading - middle + math.pi, 2 * math.pi) - math.pi
            spread.append(np.abs(off))
            heights = each.places_mm[good, 1] + seat.low_mm + down / level * far
            made[k] = middle + float(np.median(off)), float(np.median(heights))
        miss = float(np.concatenate([np.full(1, math.pi), *spread]).mean())
        if best is None or miss < best[0]:
            best = miss, float(back), made
    if best is None:
        raise PictureError("no frame shows any of the strip")
    _, back, made = best
    lone = [each is not None and len(each.places_mm) == 1 for each in points]
    sure = np.where(np.array(lone)[:, None], np.nan, made)
    expected = _between(sure[:, 0], turns=True)
    off = np.remainder(made[:, 0] - expected + math.pi, 2 * math.pi) - math.pi
    misread = np.array(lone) & ~(np.abs(off) < _MISREAD_RAD)
    made[misread] = np.nan
    figures = np.zeros((len(points), FRAME))
    figures[:, 0], figures[:, 5] = _between(made[:, 0], turns=True), _between(made[:, 1], turns=False)
    figures[:, 3] = -back * np.cos(figures[:, 0])
    figures[:, 4] = back * np.sin(figures[:, 0])
    return figures, [None if bad else each for each, bad in zip(points, misread, strict=True)]


def _between(values: Floats, *, turns: bool) -> Floats:
    """Return values with those that are missing put between their neighbours; angles run on without jumps."""
    there = np.flatnonzero(np.isfinite(values))
    known = np.unwrap(values[there]) if turns else values[there]
    return np.interp(np.arange(len(values)), there, known)


def _placed(pairs: Sequence[Matches], points: Sequence[BoreMarks | None]) -> list[int]:
    """Return the frames that hang together with the strip."""
    held = {k for k, each in enumerate(points) if each is not None and len(each.places_mm) >= _ALONE}
    some = {k for k, each in enumerate(points) if each is not None}
    grown = True
    joined = held | {k for pair in pairs for k in (pair.first, pair.second) if k in some}
    while grown:
        grown = False
        for pair in pairs:
            if (pair.first in joined) != (pair.second in joined):
                joined |= {pair.first, pair.second}
                grown = True
    return sorted(joined)


def strip_scant_notice(frames: StripFrames) -> Notice:
    """Return what is said of frames that show little of a strip.

    Parameters
    ----------
    frames : StripFrames

    Returns
    -------
    Notice
    """
    open_ = "" if frames.closed else " They do not hang together all round."
    return Notice(
        code="strip-scant",
        message="So little of the strip is in sight that it alone does not place the frames: what they share"
        f" of the wall was used beside it.{open_} Let more rows of its squares be seen, and places are"
        " surer.",
    )
