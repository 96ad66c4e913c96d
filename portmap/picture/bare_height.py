"""Frames without a card, tied to heights that were measured: the exhaust's roof, or another roof or floor.

Overlaps and bore tell everything of the wall but how high it stands and from where x counts. The named window
is traced in an image of its own neighbourhood, unrolled by the poses as they are; then all poses are moved
up and turned as a whole so that its roof (or floor) stands where it was measured and, if an exhaust is named,
x = 0 lies in the middle of that.

What the tie leaves open moves the whole wall, and goes into its doubt. Modes that the overlaps left open are
held where the tie holds the wall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bare_frames import BareFrames, bare_views
from portmap.picture.bare_strip import hidden_by_strip
from portmap.picture.bore_shots import BorePoses
from portmap.picture.scaled import PlaceDoubt, displacements
from portmap.picture.traced import TracedWindow
from portmap.picture.wall_heights import ToldHeight, agreed_off, edge_seen

__all__ = ["Tie", "height_tie", "tied_doubt", "tied_poses"]

Floats = NDArray[np.float64]

_LIFT = 4.0  # bores by which the wall is lifted meanwhile, so that no height is below 0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Tie:
    """By how much the wall as a whole is moved so that the heights come right.

    Parameters
    ----------
    up_mm : float
    turn_rad : float
        Taken off the wall's angle x/R.
    up_u_mm, across_u_mm : float
        Standard uncertainties of height and x; of x 0 where no window tells it.
    places_mm : ndarray of shape (N, 2)
        Where the wall is held, after it was moved: (x, y) of each height.
    shares : ndarray of shape (N,)
        By how much each height counts.
    middle_mm : float or None
        Height of the exhaust's middle, where x is held; None if no exhaust is named.
    strip_mm : tuple of float or None
        From where to where a strip hides the wall, after it was moved; None if none is in sight.
    """

    up_mm: float
    turn_rad: float
    up_u_mm: float
    across_u_mm: float
    places_mm: Floats
    shares: Floats
    middle_mm: float | None
    strip_mm: tuple[float, float] | None = None


def height_tie(frames: BareFrames, bore_mm: float, heights: Sequence[ToldHeight]) -> Tie:
    """Return by how much the wall is to be moved so that the windows stand where they were measured.

    Parameters
    ----------
    frames : BareFrames
    bore_mm : float
    heights : sequence of ToldHeight
        At least one.

    Returns
    -------
    Tie

    Raises
    ------
    PictureError
        If a window is not found, or the heights contradict one another.
    """
    if not heights:
        raise PictureError(
            "frames without a card do not tell how high the wall stands",
            where="--height",
            remedy='measure one height and give it: --height "exhaust roof 38.2 mm"',
        )
    lifted = replace(frames, poses=_moved(frames.poses, _LIFT * bore_mm, 0.0))
    views = bare_views(lifted, lifted.poses)
    traced: dict[tuple[float, str], list[TracedWindow]] = {}
    strip = hidden_by_strip(views, bore_mm / 2)
    found = [edge_seen(views, bore_mm, told, traced=traced, strip_mm=strip) for told in heights]
    offs = np.array([told.height_mm - at.place_mm[1] for told, at in zip(heights, found, strict=True)])
    u = np.array([math.hypot(told.u_mm, at.u_mm) for told, at in zip(heights, found, strict=True)])
    off, off_u, shares = agreed_off(heights, offs, u)
    named = [at for told, at in zip(heights, found, strict=True) if told.window == "exhaust"]
    turn = named[0].middle_mm[0] / (bore_mm / 2) if named else 0.0
    across = [math.remainder(at.middle_mm[0] - turn * bore_mm / 2, math.pi * bore_mm) for at in found]
    return Tie(
        up_mm=_LIFT * bore_mm + off,
        turn_rad=turn,
        up_u_mm=off_u,
        across_u_mm=named[0].u_mm if named else 0.0,
        places_mm=np.column_stack([across, [at.place_mm[1] + off for at in found]]),
        shares=shares,
        middle_mm=named[0].middle_mm[1] + off if named else None,
        strip_mm=None if strip is None else (strip[0] + off, strip[1] + off),
    )


def tied_poses(poses: BorePoses, tie: Tie) -> BorePoses:
    """Return poses moved as a whole.

    Parameters
    ----------
    poses : BorePoses
        As `bare_frames` gives them.
    tie : Tie

    Returns
    -------
    BorePoses
        In the frame of the bore.
    """
    return _moved(poses, tie.up_mm, tie.turn_rad)


def tied_doubt(doubt: PlaceDoubt, tie: Tie) -> PlaceDoubt:
    """Return the doubt of a wall that is held at a measured height, with the doubt of that height.

    Parameters
    ----------
    doubt : PlaceDoubt
        Of the tied poses, the wall as a whole held anywhere.
    tie : Tie

    Returns
    -------
    PlaceDoubt
        Two modes more: the wall as a whole up, and round.
    """
    held = displacements(doubt, tie.places_mm)
    modes = doubt.modes_mm.copy()
    modes[..., 1] -= (held[..., 1] @ tie.shares)[:, None, None]
    if tie.middle_mm is not None:
        middle = displacements(doubt, [[0.0, tie.middle_mm]])
        modes[..., 0] -= middle[:, 0, 0][:, None, None]
    whole = np.zeros((2, *modes.shape[1:]))
    whole[0, ..., 1], whole[1, ..., 0] = tie.up_u_mm, tie.across_u_mm
    return PlaceDoubt(
        grid_x_mm=doubt.grid_x_mm, grid_y_mm=doubt.grid_y_mm, modes_mm=np.concatenate([modes, whole])
    )


def _moved(poses: BorePoses, up_mm: float, turn_rad: float) -> BorePoses:
    """Return poses in a frame in which the wall stands higher and its angle x/R is less."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    back = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])

    def moved(pose: Floats) -> Floats:
        turned = cv2.Rodrigues(pose[:3])[0] @ back
        return np.concatenate([cv2.Rodrigues(turned)[0].ravel(), pose[3:] - turned[:, 2] * up_mm])

    first = sum(len(guess.free) for guess in poses.lenses)
    slopes = np.eye(len(poses.covariance))
    made = []
    for k, pose in enumerate(poses.poses):
        own = np.concatenate([pose.turn, pose.shift_mm])
        at = moved(own)
        made.append(replace(pose, turn=at[:3], shift_mm=at[3:]))
        for j in range(6):
            step = np.zeros(6)
            step[j] = 1e-6
            block = slice(first + 6 * k, first + 6 * k + 6)
            slopes[block, block.start + j] = (moved(own + step) - moved(own - step)) / 2e-6
    return replace(poses, poses=tuple(made), covariance=slopes @ poses.covariance @ slopes.T)
