"""Where a camera stood, from one photo of a bore card alone: good enough to start an adjustment from."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.camera import Lens, rays, seen_px

__all__ = ["camera_place", "first_pose"]

Floats = NDArray[np.float64]

_AHEAD = 0.15  # cosine of the angle from the lens's axis up to which a direction serves on a flat picture


def camera_place(turn: Floats, shift_mm: Floats) -> Floats:
    """Return where a camera stands, from its pose.

    Parameters
    ----------
    turn, shift_mm : ndarray of shape (3,)
        From the bore's frame to the camera's.

    Returns
    -------
    ndarray of shape (3,)
        In the bore's frame [mm].

    Examples
    --------
    >>> camera_place(np.array([np.pi, 0, 0]), np.array([0.0, 0, 90])).round(6) + 0.0
    array([ 0.,  0., 90.])
    """
    return np.asarray(-cv2.Rodrigues(np.asarray(turn, np.float64))[0].T @ shift_mm)


def first_pose(
    lens: Lens, places_mm: Floats, pixels_px: Floats, side: Literal["below", "above", "any"]
) -> tuple[Floats, Floats, float] | None:
    """Return the pose that suits the corners of one photo best.

    Parameters
    ----------
    lens : Lens
    places_mm : ndarray of shape (N, 3)
        Corners in the bore's frame.
    pixels_px : ndarray of shape (N, 2)
        Where they were seen.
    side : {'below', 'above', 'any'}
        On which side of the corners' plane the camera must stand; any if they lie in no plane.

    Returns
    -------
    tuple or None
        Turn [rad], shift [mm], root mean square miss [px]; None if no pose is possible.

    Notes
    -----
    Corners in a plane suit two poses, a right one and one tilted the other way [1]_; both are refined.

    References
    ----------
    .. [1] T. Collins, A. Bartoli, Infinitesimal plane-based pose estimation, IJCV 109 (2014) 252-286; as
       OpenCV's IPPE. The other start is its SQPNP: G. Terzakis, M. Lourakis, ECCV 2020. Both from memory.

    Examples
    --------
    >>> lens = Lens(model="pinhole", size_px=(640, 480), fx_px=500, fy_px=500, cx_px=320, cy_px=240,
    ...             distortion=(0, 0, 0, 0, 0))
    >>> card = np.array([[20.0, 0, 0], [0, 30, 0], [-25, 5, 0], [3, -28, 0], [15, 15, 0]])
    >>> seen = seen_px(lens, (0.1, 0.2, 0.1), (0, 0, 100), card)
    >>> first_pose(lens, card, seen, "below")[1].round(3)
    array([  0.,   0., 100.])
    """
    look = rays(lens, pixels_px)
    good = np.isfinite(look).all(axis=1) & (np.nan_to_num(look[:, 2]) > _AHEAD)
    if good.sum() < 5:
        return None
    places = np.ascontiguousarray(places_mm[good]).reshape(-1, 1, 3)
    flat = np.ascontiguousarray(look[good, :2] / look[good, 2:]).reshape(-1, 1, 2)
    kind = cv2.SOLVEPNP_SQPNP if side == "any" else cv2.SOLVEPNP_IPPE
    best: tuple[Floats, Floats, float] | None = None
    try:
        _, turns, shifts, _ = cv2.solvePnPGeneric(places, flat, np.eye(3), None, flags=kind)
    except cv2.error:  # corners on a line, or so few that no pose follows
        return None
    for first_turn, first_shift in zip(turns, shifts, strict=True):
        turn, shift = cv2.solvePnPRefineLM(places, flat, np.eye(3), None, first_turn, first_shift)
        turn, shift = (np.asarray(part, np.float64).reshape(3) for part in (turn, shift))
        height = float(camera_place(turn, shift)[2] - places_mm[:, 2].mean())
        if (side == "below" and height >= 0) or (side == "above" and height <= 0):
            continue
        miss = seen_px(lens, turn, shift, places_mm[good]) - pixels_px[good]
        rms = float(np.sqrt(np.mean(np.sum(miss**2, axis=1))))
        if np.isfinite(rms) and (best is None or rms < best[2]):
            best = turn, shift, rms
    return best
