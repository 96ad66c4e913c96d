"""Frames of a scope turned in the bore, with no card in sight: joined by what they share of the wall.

The tube is turned in its holder by a step that is told, or found if it is not; each frame overlaps the next.
The poses come from a few rounds, each finer: unroll by the poses so far (`bare_match`), find shared places,
adjust (`bare_adjust`). The bore gives the scale. What stays open is where the whole stands: the first frame's
eye is at height 0 and looks at x = 0 until a known height ties it (`bare_height`).

A mirrored picture looks no different from a bore that is turned the other way: nothing here can tell it. It
must be told, and the result says which way the tube seems to have gone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NoReturn

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.bare_adjust import Adjusted, adjusted
from portmap.picture.bare_match import Matches, Search
from portmap.picture.bare_pairs import closed_round, hanging_together, renumbered, shared_places
from portmap.picture.bare_panel import lights_of, px_per_mm
from portmap.picture.bare_start import chained, fitting, posed_view, stepped
from portmap.picture.bore_shots import BorePoses, Pose
from portmap.picture.frame_figures import pose_of
from portmap.picture.lens_doubt import LensGuess, changed
from portmap.picture.load import Picture
from portmap.picture.wall_view import View

__all__ = [
    "AGAIN",
    "LEAST_FRAMES",
    "SEARCHES",
    "BareFrames",
    "bare_frames",
    "bare_notices",
    "bare_views",
    "frame_views",
    "gray_view",
    "joined_poses",
]

Floats = NDArray[np.float64]

LEAST_FRAMES = 6
_STEP_RANGE_DEG = (3.0, 75.0)
_STEP_OFF = 0.04  # of the step told: more does not close
_SLIP_UNKNOWN = 1.0  # of the step, where it is not told
_FAR = Search(step_mm=0.2, piece_mm=4.5, apart_mm=2.2, reach_mm=2.4, alike=0.35)
_NEAR = Search(step_mm=0.12, piece_mm=3.6, apart_mm=2.2, reach_mm=1.0, alike=0.4)
_FINE = Search(step_mm=0.07, piece_mm=3.0, apart_mm=2.2, reach_mm=0.28, alike=0.4)
SEARCHES = (_FAR, _NEAR, _FINE)
AGAIN = (_NEAR, _FINE)  # if the frames do not hang together all round by then


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BareFrames:
    """Frames joined by overlap.

    Parameters
    ----------
    pictures : tuple of Picture
        Those that were joined, in the order of the poses.
    poses : BorePoses
        In a frame whose height and turn are the first frame's; ``set_aside`` holds the names of those that
        stand alone.
    mirrored : bool
        As told.
    step_deg : float
        Mean step, as found; positive where the tube goes to the right as seen from the axis.
    closed : bool
        Whether the frames are joined all round.
    """

    pictures: tuple[Picture, ...]
    poses: BorePoses
    mirrored: bool
    step_deg: float
    closed: bool


def bare_frames(
    pictures: Sequence[Picture],
    bore_mm: float,
    lens: LensGuess | None,
    *,
    step_deg: float | None = None,
    mirrored: bool = False,
    tell: Callable[[str], None] = lambda message: None,
) -> BareFrames:
    """Return where the scope stood in each of its frames.

    Parameters
    ----------
    pictures : sequence of Picture
        In the order in which they were taken, at one height, the tube turned in between.
    bore_mm : float
        The bore [mm].
    lens : LensGuess or None
        Calibrated, for pictures of this size turned right.
    step_deg : float, optional
        By how much the tube was turned from frame to frame, either way [deg]. If it is not told, each frame
        is sought in the next, up to 40° away, as suits the frames of a video.
    mirrored : bool, optional
        Whether the pictures are mirrored.
    tell : callable, optional
        Is told what is being done.

    Returns
    -------
    BareFrames

    Raises
    ------
    PictureError
        If there is no lens, there are too few frames or overlaps, or the step told is not the one found.
    QuantityError
        If the step makes no sense.
    """
    guess = _checked(pictures, lens, step_deg)
    views = [gray_view(picture, guess, mirrored) for picture in pictures]
    lights = lights_of(views)
    radius = bore_mm / 2
    tell("Trying how the scope stood")
    if step_deg is None:
        figures, step = chained(views, lights, radius)
    else:
        figures, step = stepped(views, lights, radius, math.radians(step_deg))
    slip = None if step_deg is not None else _SLIP_UNKNOWN * abs(step)
    numbers = np.arange(len(views))
    pairs: list[Matches] = []
    searches = list(SEARCHES)
    for round_, search in enumerate(searches):
        tell(f"Joining the frames by what they share (round {round_ + 1} of {len(searches)})")
        suited = fitting(search, views[0], radius)
        pairs = shared_places(views, lights, figures, radius, suited, wide=round_ > 0)
        joined = hanging_together(pairs, len(views))
        if not pairs:
            _refuse_alone(pictures, joined)
        if round_ == len(SEARCHES) - 1 and not (len(joined) == len(views) and closed_round(pairs, figures)):
            searches += AGAIN
        elif round_ == len(searches) - 1:
            # until here a frame that shares nothing was carried on by the holder's step
            if len(joined) < LEAST_FRAMES:
                _refuse_alone(pictures, joined)
            pairs = [renumbered(p, joined) for p in pairs if p.first in joined and p.second in joined]
            numbers, figures = numbers[joined], figures[joined]
        done = adjusted(pairs, figures, guess, radius, step, numbers, slip_rad=slip)
        figures, step = done.figures, done.step_rad
    found = math.degrees(step)
    if step_deg is not None and abs(abs(found) - abs(step_deg)) > _STEP_OFF * abs(step_deg):
        raise PictureError(
            f"the step does not close: by their overlaps the frames are {abs(found):.1f}° apart,"
            f" not {abs(step_deg):g}°",
            where="--step",
            remedy="give the step by which the tube was turned, and the frames in their order",
        )
    kept = tuple(pictures[int(k)] for k in numbers)
    alone = [picture.name for k, picture in enumerate(pictures) if k not in numbers]
    per_mm = px_per_mm(posed_view(views[int(numbers[0])], figures[0]), radius, figures[0, 0], figures[0, 5])
    return BareFrames(
        pictures=kept,
        poses=joined_poses(kept, pairs, done, guess, alone, per_mm),
        mirrored=mirrored,
        step_deg=found,
        closed=closed_round(pairs, figures),
    )


def _checked(pictures: Sequence[Picture], lens: LensGuess | None, step_deg: float | None) -> LensGuess:
    """Refuse what cannot be joined; return the lens."""
    if lens is None:
        raise PictureError(
            "frames without a card need the scope's lens file",
            where="--lens",
            remedy="calibrate the scope once: portmap lens PHOTOS --out lens.json",
        )
    if len(pictures) < LEAST_FRAMES:
        raise PictureError(
            f"{len(pictures)} frame{'s' if len(pictures) != 1 else ''} without a card cannot be joined round"
            f" a bore, {LEAST_FRAMES} is the least",
            remedy="turn the tube in smaller steps, all round, or use a strip card",
        )
    low, high = _STEP_RANGE_DEG
    if step_deg is not None and not low <= abs(step_deg) <= high:
        raise QuantityError(
            f"a step of {step_deg:g}°", where="--step", remedy=f"give {low:g} to {high:g}°, such as 22.5"
        )
    for picture in pictures:
        rows, columns = picture.pixels.shape[:2]
        if (columns, rows) != lens.lens.size_px:
            was, now = (f"{a} × {b}" for a, b in (lens.lens.size_px, (columns, rows)))
            raise PictureError(
                f"this frame has {now} pixels, the lens is for {was}",
                where=picture.name,
                remedy="give frames of one scope at one size",
            )
    return lens


def gray_view(picture: Picture, lens: LensGuess, mirrored: bool) -> View:
    """Return a frame as a grey view whose pose is not known yet.

    Parameters
    ----------
    picture : Picture
    lens : LensGuess
    mirrored : bool

    Returns
    -------
    View
    """
    return View(
        name=picture.name,
        pixels=np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8),
        lens=lens.lens,
        turn=np.zeros(3),
        shift_mm=np.zeros(3),
        mirrored=mirrored,
    )


def _refuse_alone(pictures: Sequence[Picture], joined: Sequence[int]) -> NoReturn:
    apart = [picture.name for k, picture in enumerate(pictures) if k not in joined]
    listed = ", ".join(apart[:4]) + (f" and {len(apart) - 4} more" if len(apart) > 4 else "")
    rest = f"only {len(joined)} frames hang together" if len(joined) > 1 else "no two hang together"
    raise PictureError(
        f"too few overlaps: {listed} stand{'s' if len(apart) == 1 else ''} alone, {rest}",
        where="--step",
        remedy="turn the tube in smaller steps, or check --step, --bore and the lens file",
    )


def joined_poses(
    pictures: Sequence[Picture],
    pairs: Sequence[Matches],
    done: Adjusted,
    lens: LensGuess,
    alone: Sequence[str],
    per_mm: float,
    *,
    kind: Literal["bare", "strip"] = "bare",
) -> BorePoses:
    """Return what an adjustment of overlapping frames found.

    Parameters
    ----------
    pictures : sequence of Picture
        In the order of the figures.
    pairs : sequence of Matches
        That were adjusted.
    done : Adjusted
    lens : LensGuess
        As it was known before.
    alone : sequence of str
        Names of frames that were left out.
    per_mm : float
        Pixels of a millimetre of wall.
    kind : {'bare', 'strip'}, optional

    Returns
    -------
    BorePoses
    """
    moved = np.zeros(len(lens.sd))
    moved[lens.free] = done.lens_moved
    poses = []
    for k, picture in enumerate(pictures):
        far, used = [np.zeros(0)], [np.zeros(0, bool)]
        for pair, miss, weight in zip(pairs, done.misses_mm, done.weights, strict=True):
            if k in (pair.first, pair.second):
                far.append(np.hypot(*miss.T))
                used.append(weight > 0)
        apart, good = np.concatenate(far), np.concatenate(used)
        pose = pose_of(done.figures[k])
        # a miss is that of two frames: each has half of its variance
        rms = math.sqrt(float(np.mean(apart[good] ** 2)) / 2) if good.any() else 0.0
        poses.append(
            Pose(
                name=picture.name,
                lens=0,
                turn=pose[:3],
                shift_mm=pose[3:],
                noise_px=float(np.median(apart)) / 1.1774 / math.sqrt(2) * per_mm if len(apart) else 0.0,
                rms_px=rms * per_mm,
                rms_mm=rms,
                corners=len(apart),
                used=int(good.sum()),
            )
        )
    return BorePoses(
        poses=tuple(poses),
        lenses=(LensGuess(lens=changed(lens.lens, moved), covariance=lens.covariance, told=lens.told),),
        # there is no card whose seat could be doubtful beside the poses
        covariance=np.pad(done.covariance, (0, 6)),
        kind=kind,
        seat=np.zeros(6),
        set_aside=tuple(alone),
    )


def bare_views(
    frames: BareFrames, poses: BorePoses, ends_mm: tuple[float, float] = (-math.inf, math.inf)
) -> list[View]:
    """Return the frames with poses, ready to be unrolled.

    Parameters
    ----------
    frames : BareFrames
    poses : BorePoses
        Its own, or those tied to a height.
    ends_mm : tuple of float, optional
        Heights of the bore's open ends, once the poses are tied.

    Returns
    -------
    list of View
    """
    return frame_views(frames.pictures, poses, frames.mirrored, ends_mm)


def frame_views(
    pictures: Sequence[Picture],
    poses: BorePoses,
    mirrored: bool,
    ends_mm: tuple[float, float],
) -> list[View]:
    """Return the frames with their poses, ready to be unrolled.

    Parameters
    ----------
    pictures : sequence of Picture
        In the order of the poses.
    poses : BorePoses
    mirrored : bool
    ends_mm : tuple of float
        Heights of the bore's open ends; infinite if unknown.

    Returns
    -------
    list of View
    """
    return [
        View(
            name=pose.name,
            pixels=picture.pixels,
            lens=poses.lenses[pose.lens].lens,
            turn=pose.turn,
            shift_mm=pose.shift_mm,
            mirrored=mirrored,
            ends_mm=ends_mm,
        )
        for pose, picture in zip(poses.poses, pictures, strict=True)
    ]


def bare_notices(frames: BareFrames) -> list[Notice]:
    """Return what makes frames without a card doubtful.

    Parameters
    ----------
    frames : BareFrames

    Returns
    -------
    list of Notice
        ``bare-frames`` always; ``frame-alone`` if frames were left out, ``not-closed`` if they do not go all
        round.
    """
    way = "clockwise" if frames.step_deg > 0 else "anticlockwise"
    found = [
        Notice(
            code="bare-frames",
            message=f"No card was in sight: {len(frames.pictures)} frames were joined by what they share of"
            " the wall, scaled by the bore and tied to a measured height; this is less sure than with a card."
            f" Seen from above the deck the tube seems turned {way}; if it was turned the other way the"
            " pictures are mirrored.",
        )
    ]
    if frames.poses.set_aside:
        names = frames.poses.set_aside
        listed = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
        one = len(names) == 1
        found.append(
            Notice(
                code="frame-alone",
                message=f"{listed} share{'s' if one else ''} too little of the wall with the other frames"
                f" and {'was' if one else 'were'} left out.",
            )
        )
    if not frames.closed:
        found.append(
            Notice(
                code="not-closed",
                message="The frames do not hang together all round the bore: angles across the gap are less"
                " sure.",
            )
        )
    return found
