"""Where the camera stood over the card, from one photo's pose.

The plane's projection holds the camera's focal length too, but barely so where the photo was taken from
straight above; what the camera noted, or what phones have, then decides. That is enough for its use here: how
far a sheet's thickness shifts what it shows, and the tilt.

Card frame, mm, z from the card toward the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.picture.sight import UNIT_MM, Sight

__all__ = ["Standpoint", "standpoint_of"]

Floats = NDArray[np.float64]

_HALF_DIAGONAL_35MM = math.hypot(36.0, 24.0) / 2
_USUAL_35MM = 26.0  # main cameras of phones: 24 to 28 mm (common practice, no source)
_SPREAD = 0.15  # relative doubt of that, and of what a camera notes
_SLIP = 2e-3  # how far the two conditions of a rigid pose may be missed, relative


@dataclass(frozen=True, kw_only=True, slots=True)
class Standpoint:
    """The camera's place.

    Parameters
    ----------
    x_mm, y_mm : float
        Point of the card that lies straight under the camera.
    height_mm : float
        Height above it.
    tilt_deg : float
        Angle between the camera's axis and the card's normal.
    """

    x_mm: float
    y_mm: float
    height_mm: float
    tilt_deg: float

    def seen_shift_mm(self, raised_mm: float, places_mm: Floats) -> Floats:
        """Return how far places above the card are seen from where they stand.

        Parameters
        ----------
        raised_mm : float
            Height above the card [mm].
        places_mm : ndarray of shape (N, 2)
            Places (x, y) [mm].

        Returns
        -------
        ndarray of shape (N, 2)
            Shift (x, y) [mm], away from the camera.

        Examples
        --------
        >>> stand = Standpoint(x_mm=0.0, y_mm=-100.0, height_mm=300.1, tilt_deg=18.0)
        >>> stand.seen_shift_mm(0.1, np.array([[0.0, 50.0]])).round(3)
        array([[0.  , 0.05]])
        """
        away = places_mm - np.array([self.x_mm, self.y_mm])
        return np.asarray(away * raised_mm / (self.height_mm - raised_mm))


def standpoint_of(sight: Sight, focal_35mm_mm: float | None) -> Standpoint:
    """Return where the camera stood.

    With a = K⁻¹h1 and b = K⁻¹h2, the first two columns of the projection freed of the focal length, a rigid
    pose has a·b = 0 and |a| = |b|; the focal length that fits these and what is known of it best is taken.

    Parameters
    ----------
    sight : Sight
        Pose and lens.
    focal_35mm_mm : float or None
        What the camera noted [mm], for a frame of 36 × 24 mm.

    Returns
    -------
    Standpoint
        In the card frame.
    """
    h = np.append(sight.theta[:8], 1.0).reshape(3, 3)
    centre = np.eye(3)
    centre[:2, 2] = -sight.theta[13:15]
    plane = centre @ h
    usual = (focal_35mm_mm or _USUAL_35MM) / _HALF_DIAGONAL_35MM
    trial = usual * np.exp(np.linspace(-0.6, 0.6, 241))
    first = plane[:, 0] / np.stack([trial, trial, np.ones_like(trial)], axis=1)
    second = plane[:, 1] / np.stack([trial, trial, np.ones_like(trial)], axis=1)
    size = ((first**2).sum(axis=1) + (second**2).sum(axis=1)) / 2
    square = (first * second).sum(axis=1) / size
    equal = ((first**2).sum(axis=1) - (second**2).sum(axis=1)) / (2 * size)
    cost = (square**2 + equal**2) / _SLIP**2 + (np.log(trial / usual) / _SPREAD) ** 2
    focal = trial[np.argmin(cost)]
    columns = plane / np.array([focal, focal, 1.0])[:, None]
    scale = (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1])) / 2
    a, b, away = (columns / scale).T
    # the nearest pair of unit vectors at right angles
    total, cross = (a + b) / np.linalg.norm(a + b), (a - b) / np.linalg.norm(a - b)
    a, b = (total + cross) / math.sqrt(2), (total - cross) / math.sqrt(2)
    normal = np.cross(a, b)
    x, y, z = -np.array([a @ away, b @ away, normal @ away]) * UNIT_MM
    return Standpoint(
        x_mm=float(x),
        y_mm=float(y),
        height_mm=float(abs(z)),
        tilt_deg=math.degrees(math.acos(min(1.0, abs(float(normal[2]))))),
    )
