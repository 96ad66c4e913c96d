"""Six figures of a frame of a scope in a bore, and the pose that they make.

Frame of the bore: as in `bore_cards`.

Glossary
--------
heading, pitch, roll
    The wall's angle x/R at which a frame looks, how far up, and how far it is turned about its axis [rad].
place
    Where the frame's eye stands in the bore (X, Y, Z) [mm].
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["FRAME", "axes_of", "pose_of", "pose_slopes", "started"]

Floats = NDArray[np.float64]

FRAME = 6  # figures a frame: heading, pitch, roll, X, Y, Z
_SMALL = 1e-6  # rad or mm: of differences that stand for slopes


def started(headings_rad: Floats, back_mm: float) -> Floats:
    """Return the figures of frames that look level, their eye behind the bore's axis.

    Parameters
    ----------
    headings_rad : ndarray of shape (F,)
    back_mm : float

    Returns
    -------
    ndarray of shape (F, 6)

    Examples
    --------
    >>> started(np.array([0.0, np.pi / 2]), 10.0).round(3)[:, 3:] + 0.0
    array([[-10.,   0.,   0.],
           [  0.,  10.,   0.]])
    """
    made = np.zeros((len(headings_rad), FRAME))
    made[:, 0] = headings_rad
    made[:, 3] = -back_mm * np.cos(headings_rad)
    made[:, 4] = back_mm * np.sin(headings_rad)
    return made


def axes_of(figures: Floats) -> Floats:
    """Return the camera's right, down and ahead in the bore.

    Parameters
    ----------
    figures : ndarray of shape (..., 6)

    Returns
    -------
    ndarray of shape (..., 3, 3)

    Examples
    --------
    >>> axes_of(np.zeros(6)).round(6) + 0.0
    array([[ 0., -1.,  0.],
           [ 0.,  0., -1.],
           [ 1.,  0.,  0.]])
    """
    h, p, r = figures[..., 0], figures[..., 1], figures[..., 2]
    none = np.zeros_like(h)
    ch, sh, cp, sp = np.cos(h), np.sin(h), np.cos(p), np.sin(p)
    ahead = np.stack([cp * ch, -cp * sh, sp], axis=-1)
    right = np.stack([-sh, -ch, none], axis=-1)
    below = np.stack([sp * ch, -sp * sh, -cp], axis=-1)  # ahead × right
    c, s = np.cos(r)[..., None], np.sin(r)[..., None]
    return np.stack([c * right + s * below, c * below - s * right, ahead], axis=-2)


def pose_of(figures: Floats) -> Floats:
    """Return a frame's turn and shift from its figures.

    Parameters
    ----------
    figures : ndarray of shape (6,)

    Returns
    -------
    ndarray of shape (6,)
        Turn [rad] and shift [mm] from the bore's frame to the camera's.

    Examples
    --------
    >>> pose_of(np.array([0.0, 0.0, 0.0, -9.0, 2.0, 5.0]))[3:]
    array([2., 5., 9.])
    """
    return np.asarray(_poses_of(np.asarray(figures, np.float64)[None])[0])


def _poses_of(figures: Floats) -> Floats:
    """Return turns and shifts of many figures at once, shape (N, 6) like the figures."""
    axes = axes_of(figures)
    turns = np.stack([cv2.Rodrigues(each)[0].ravel() for each in axes])
    return np.concatenate([turns, -(axes @ figures[:, 3:, None])[..., 0]], axis=1)


def pose_slopes(figures: Floats) -> Floats:
    """Return how a frame's turn and shift change with its figures.

    Parameters
    ----------
    figures : ndarray of shape (6,)

    Returns
    -------
    ndarray of shape (6, 6)
        A column for each figure.

    Examples
    --------
    >>> pose_slopes(np.array([0.0, 0.0, 0.0, -9.0, 2.0, 5.0]))[3:, 3:].round(6) + 0.0
    array([[ 0.,  1.,  0.],
           [ 0.,  0.,  1.],
           [-1.,  0.,  0.]])
    """
    steps = _SMALL * np.eye(FRAME)
    poses = _poses_of(figures + np.concatenate([steps, -steps]))
    return (poses[:FRAME] - poses[FRAME:]).T / (2 * _SMALL)
