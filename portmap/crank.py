"""Piston depth from crank angle and back, with or without an offset pin.

Depth is in mm, positive down the bore, zero with the piston at its highest. Degrees count from that
position (true TDC) in the direction of rotation, 0 to 360.

Glossary
--------
stroke
    Twice the crank throw. With an offset pin the piston travels a little further: see `travel`.
pin offset
    Distance of the wrist pin from the bore axis, positive toward the side to which the crankpin goes
    after TDC.
true TDC, true BDC
    Where the piston turns round. With an offset pin they are not 180° apart: see `bdc_angle`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import GeometryError

__all__ = [
    "ROD_RATIO_GUESS",
    "Crank",
    "angle_at",
    "angle_of_depth",
    "bdc_angle",
    "crank_with_guessed_rod",
    "depth_at",
    "depth_per_degree",
    "piston_depth",
    "travel",
]

Floats = NDArray[np.float64]

ROD_RATIO_GUESS = 1.8  # rod to stroke; common practice for small saws, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class Crank:
    """Crank, rod and pin.

    Parameters
    ----------
    stroke_mm : float
        Twice the crank throw [mm].
    rod_mm : float
        Rod length between centres [mm].
    pin_offset_mm : float, optional
        Positive where the crankpin goes after TDC [mm].
    rod_assumed : bool, optional
        Whether the rod was estimated and not measured; every result that leans on it says so.

    Raises
    ------
    GeometryError
        If a length is not a positive finite number, or the rod is too short for the crank to turn
        right round.

    Examples
    --------
    >>> Crank(stroke_mm=32, rod_mm=15)
    Traceback (most recent call last):
    portmap.errors.GeometryError: rod_mm: 15 mm is too short for a stroke of 32 mm: the rod must be ...
    """

    stroke_mm: float
    rod_mm: float
    pin_offset_mm: float = 0.0
    rod_assumed: bool = False

    def __post_init__(self) -> None:
        """Refuse a mechanism that cannot turn."""
        for name, length in (("stroke_mm", self.stroke_mm), ("rod_mm", self.rod_mm)):
            if not 0 < length < np.inf:
                raise GeometryError(f"{length:g} mm is not a length", where=name, remedy="measure it again")
        if not abs(self.pin_offset_mm) < np.inf:
            raise GeometryError(
                f"{self.pin_offset_mm:g} mm is not a length", where="pin_offset_mm", remedy="give 0 for none"
            )
        least = self.stroke_mm / 2 + abs(self.pin_offset_mm)
        if not self.rod_mm > least:
            raise GeometryError(
                f"{self.rod_mm:g} mm is too short for a stroke of {self.stroke_mm:g} mm:"
                f" the rod must be longer than {least:g} mm",
                where="rod_mm",
                remedy="measure it between the centres of its two eyes",
            )


def crank_with_guessed_rod(
    stroke_mm: float, *, rod_ratio: float = ROD_RATIO_GUESS, pin_offset_mm: float = 0.0
) -> Crank:
    """Return a crank whose rod is estimated from the stroke and marked as assumed.

    Parameters
    ----------
    stroke_mm : float
        Twice the crank throw [mm].
    rod_ratio : float, optional
        Rod length over stroke [-]; common practice, no source.
    pin_offset_mm : float, optional
        As in `Crank` [mm].

    Returns
    -------
    Crank
        With `rod_assumed` set.

    Raises
    ------
    GeometryError
        As `Crank`.

    Examples
    --------
    >>> crank_with_guessed_rod(32.0).rod_mm
    57.6
    """
    return Crank(
        stroke_mm=stroke_mm,
        rod_mm=round(rod_ratio * stroke_mm, 6),
        pin_offset_mm=pin_offset_mm,
        rod_assumed=True,
    )


def _heights(throw: Floats, rod: Floats, offset: Floats) -> tuple[Floats, Floats]:
    """Return the wrist pin's height above the crank axis at true TDC and true BDC [mm]."""
    top = np.sqrt((rod + throw - offset) * (rod + throw + offset))
    bottom = np.sqrt((rod - throw - offset) * (rod - throw + offset))
    return top, bottom


def _parts(crank: Crank) -> tuple[Floats, Floats, Floats]:
    return np.asarray(crank.stroke_mm / 2), np.asarray(crank.rod_mm), np.asarray(crank.pin_offset_mm)


def travel(crank: Crank) -> float:
    """Return how far the piston moves between true TDC and true BDC.

    √((l + a)² − e²) − √((l − a)² − e²) with throw a, rod l, offset e; plane geometry.

    Parameters
    ----------
    crank : Crank
        Lengths [mm].

    Returns
    -------
    float
        Travel [mm]; equal to the stroke without an offset.

    Examples
    --------
    >>> round(travel(Crank(stroke_mm=10, rod_mm=15, pin_offset_mm=3)), 6)
    10.234328
    """
    top, bottom = _heights(*_parts(crank))
    return float(top - bottom)


def bdc_angle(crank: Crank) -> float:
    """Return the crank angle at which the piston is lowest.

    Parameters
    ----------
    crank : Crank
        Lengths [mm].

    Returns
    -------
    float
        Degrees after true TDC; 180 without an offset.

    Examples
    --------
    >>> round(bdc_angle(Crank(stroke_mm=10, rod_mm=15, pin_offset_mm=3)), 6)
    188.830677
    """
    throw, rod, offset = crank.stroke_mm / 2, crank.rod_mm, crank.pin_offset_mm
    return float(180 + np.degrees(np.arcsin(offset / (rod - throw)) - np.arcsin(offset / (rod + throw))))


def piston_depth(crank: Crank, angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Return the depth of the piston below true TDC.

    Parameters
    ----------
    crank : Crank
        Lengths [mm].
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg]. NaN stays NaN.

    Returns
    -------
    ndarray of shape (...) and dtype float64
        Depth [mm], 0 at true TDC.

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.5 (no offset; number from
       memory). The offset term is plane trigonometry on it.

    Examples
    --------
    >>> piston_depth(Crank(stroke_mm=32, rod_mm=58), [0, 90, 180]).round(3)
    array([ 0.   , 18.251, 32.   ])
    """
    return depth_at(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm, angle_deg)


def depth_at(
    stroke_mm: ArrayLike, rod_mm: ArrayLike, pin_offset_mm: ArrayLike, angle_deg: ArrayLike
) -> NDArray[np.float64]:
    """Return the depth of the piston below true TDC, for many mechanisms at once.

    Parameters
    ----------
    stroke_mm, rod_mm, pin_offset_mm : array_like
        As in `Crank` [mm]; they broadcast with the angle. Where the rod is too short for the crank to turn,
        the answer is NaN.
    angle_deg : array_like
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of the broadcast shape
        Depth [mm], 0 at true TDC.

    References
    ----------
    .. [1] As `piston_depth`.

    Examples
    --------
    >>> depth_at(32, [57.6, 58.0], 0, 104).round(3)
    array([22.002, 21.987])
    """
    throw, rod, offset = (np.asarray(part, np.float64) for part in (stroke_mm, rod_mm, pin_offset_mm))
    throw = throw / 2
    with np.errstate(invalid="ignore"):
        phi = np.radians(np.asarray(angle_deg, np.float64)) + np.arcsin(offset / (rod + throw))
        sideways = throw * np.sin(phi) - offset
        height = throw * np.cos(phi) + np.sqrt((rod - sideways) * (rod + sideways))
        return np.asarray(np.maximum(_heights(throw, rod, offset)[0] - height, 0.0))


def depth_per_degree(crank: Crank, angle_deg: ArrayLike) -> NDArray[np.float64]:
    """Return how fast the depth grows with the crank angle.

    Parameters
    ----------
    crank : Crank
        Lengths [mm].
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...) and dtype float64
        Slope [mm/deg]; negative while the piston rises.

    References
    ----------
    .. [1] Heywood, 1988, eq. 2.11 (piston speed without offset; number from memory), differentiated
       here with the offset term.

    Examples
    --------
    >>> depth_per_degree(Crank(stroke_mm=32, rod_mm=58), [0, 104, 180]).round(3)
    array([0.   , 0.252, 0.   ])
    """
    throw, rod, offset = crank.stroke_mm / 2, crank.rod_mm, crank.pin_offset_mm
    phi = np.radians(np.asarray(angle_deg, np.float64)) + np.arcsin(offset / (rod + throw))
    sideways = throw * np.sin(phi) - offset
    slope = throw * np.sin(phi) + sideways * throw * np.cos(phi) / np.sqrt(
        (rod - sideways) * (rod + sideways)
    )
    return np.asarray(slope * np.pi / 180)


def angle_of_depth(crank: Crank, depth_mm: ArrayLike, *, rising: bool = False) -> NDArray[np.float64]:
    """Return the crank angle at which the piston stands at a depth.

    The closed form solves the triangle of throw, rod and the line from crank axis to wrist pin by its
    half angle, with the differences taken as products, so that it keeps its digits near TDC and BDC.

    Parameters
    ----------
    crank : Crank
        Lengths [mm].
    depth_mm : array_like of shape (...)
        Depth below true TDC [mm].
    rising : bool, optional
        Answer for the piston on its way up, not down.

    Returns
    -------
    ndarray of shape (...) and dtype float64
        Degrees after true TDC, up to true BDC going down and from there to 360 going up. NaN for a depth
        that the piston never reaches; ask `travel` first.

    Examples
    --------
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> angle_of_depth(crank, [0, 21.6, 32]).round(2)
    array([  0.  , 102.48, 180.  ])
    >>> angle_of_depth(crank, 21.6, rising=True).round(2)
    np.float64(257.52)
    """
    return angle_at(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm, depth_mm, rising=rising)


def angle_at(
    stroke_mm: ArrayLike,
    rod_mm: ArrayLike,
    pin_offset_mm: ArrayLike,
    depth_mm: ArrayLike,
    *,
    rising: bool = False,
) -> NDArray[np.float64]:
    """Return the crank angle at which the piston stands at a depth, for many mechanisms at once.

    Parameters
    ----------
    stroke_mm, rod_mm, pin_offset_mm : array_like
        As in `Crank` [mm]; they broadcast with the depth.
    depth_mm : array_like
        Depth below true TDC [mm].
    rising : bool, optional
        As in `angle_of_depth`.

    Returns
    -------
    ndarray of the broadcast shape
        As `angle_of_depth` [deg]; NaN too where the rod is too short for the crank to turn.

    Examples
    --------
    >>> angle_at(32, [57.6, 58.0], 0, 21.6).round(2)
    array([102.42, 102.48])
    """
    throw, rod, offset = (np.asarray(part, np.float64) for part in (stroke_mm, rod_mm, pin_offset_mm))
    throw = throw / 2
    with np.errstate(invalid="ignore"):
        top, bottom = _heights(throw, rod, offset)
        depth = np.asarray(depth_mm, np.float64)
        reach = (depth >= 0) & (depth <= top - bottom)
        depth = np.where(reach, depth, np.nan)
        height = top - depth
        left = (top - bottom) - depth  # still to go to true BDC
        line = np.sqrt(offset**2 + height**2)  # crank axis to wrist pin
        # (rod + throw)² − line² and line² − (rod − throw)², without subtracting squares
        above = depth * (top + height)
        below = left * (bottom + height)
        half_sine = above / (rod + throw + line) * (line + rod - throw)
        half_cosine = below / (line + rod - throw) * (line + rod + throw)
        spread = 2 * np.arctan2(np.sqrt(half_sine), np.sqrt(half_cosine))
        lean = np.arctan2(offset * depth, height * top + offset**2)  # of the wrist pin, from its lean at TDC
    angle = lean - spread if rising else lean + spread
    return np.asarray(np.degrees(angle) + (360.0 if rising else 0.0))
