"""Photos of a bore: what each shows of card, rim and measured heights, and where the camera stood.

Frame of the bore: as in `bore_cards`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_rim import Rim
from portmap.picture.lens_doubt import LensGuess

__all__ = ["BorePoses", "MarkedPhoto", "Pose", "SeenHeight"]

Floats = NDArray[np.float64]


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
    """A photo's corners, which of the lenses took it, and the rims and measured heights that it shows."""

    name: str
    marks: BoreMarks
    lens: int
    rim: Rim | None = None
    far_rim: Rim | None = None
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
        the six of the seat; of a ring then its size and the wall's place.
    kind : {'ring', 'strip', 'bare'}
        Of card; bare if there is none.
    seat : ndarray of shape (6,)
        How the card was found to lie; the poses are those in the bore's frame.
    rim_photos : int
        In how many photos the bore's rim was seen.
    far_rim_photos : int
        In how many photos the rim of its far end was seen.
    ring_larger : float
        By what share a ring's print is larger than it should be, as far as measured heights tell.
    wall_out_mm : float
        By how much the wall stands further out than the bore says, beside a ring, as far as they tell.
    set_aside : tuple of str
        Photos that contradict the others.
    """

    poses: tuple[Pose, ...]
    lenses: tuple[LensGuess, ...]
    covariance: Floats
    kind: Literal["ring", "strip", "bare"]
    seat: Floats
    rim_photos: int = 0
    far_rim_photos: int = 0
    ring_larger: float = 0.0
    wall_out_mm: float = 0.0
    set_aside: tuple[str, ...] = ()

    @property
    def rms_mm(self) -> float:
        """Return the root mean square miss of all used corners on the card [mm]."""
        return math.sqrt(
            sum(pose.used * pose.rms_mm**2 for pose in self.poses) / sum(pose.used for pose in self.poses)
        )
