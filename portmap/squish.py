"""How fast the charge is squeezed out from under the squish band as the piston comes up.

The band is a ring at the bore's wall whose two faces are parallel, a clearance apart at TDC. Velocity is in
m/s at the band's inner edge, positive toward the axis; it is what continuity asks for with one density in the
whole cylinder, without friction, leak, heat or flow through a port. Degrees count from true TDC.

Glossary
--------
squish area ratio
    The band's area over the bore's.
bowl
    All of the head volume that is not the bore's area times the clearance.
peak
    The greatest velocity of the upward stroke, some degrees before TDC.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import bdc_angle, depth_per_degree, piston_depth
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.volume import (
    bore_slice_cm3,
    head_volume_cm3,
    squish_band_area_mm2,
    squish_band_volume_cm3,
    squish_clearance_mm,
)

__all__ = [
    "VELOCITY_GUIDE_BASIS",
    "VELOCITY_GUIDE_M_PER_S",
    "SquishPeak",
    "bowl_volume_cm3",
    "squish_area_ratio",
    "squish_peak",
    "squish_velocity_at",
    "squish_velocity_m_per_s",
]

Floats = NDArray[np.float64]

VELOCITY_GUIDE_M_PER_S = (15.0, 20.0)
VELOCITY_GUIDE_BASIS = (
    "15 to 20 m/s at the speed of peak power is hearsay attributed to a book on two-stroke design, which"
    " nobody checked; other hearsay says 15 to 30. Not a limit, and not a verdict"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class SquishPeak:
    """The fastest squish of a revolution.

    Parameters
    ----------
    velocity_m_per_s : float
        At the band's inner edge, toward the axis [m/s].
    angle_deg : float
        Degrees after true TDC, near 350 [deg].
    rpm : float
        Crank speed [rev/min].
    """

    velocity_m_per_s: float
    angle_deg: float
    rpm: float

    @property
    def before_tdc_deg(self) -> float:
        """Return the degrees before true TDC."""
        return 360.0 - self.angle_deg


def squish_area_ratio(bore_mm: ArrayLike, width_mm: ArrayLike) -> Floats:
    """Return the share of the bore's area that the squish band takes.

    1 − (1 − 2w/B)².

    Parameters
    ----------
    bore_mm, width_mm : array_like of shape (...)
        Bore and the band's width from the wall inward [mm].

    Returns
    -------
    ndarray of the broadcast shape
        Ratio, 0 to 1 [-]; NaN for a width below 0 or beyond half the bore.

    Examples
    --------
    >>> squish_area_ratio(46, [5, 6.7]).round(3)
    array([0.388, 0.498])
    """
    bore = np.asarray(bore_mm, np.float64)
    return np.asarray(squish_band_area_mm2(bore, width_mm) / (np.pi / 4 * bore**2))


def squish_velocity_m_per_s(
    bore_mm: ArrayLike,
    width_mm: ArrayLike,
    gap_mm: ArrayLike,
    bowl_volume_cm3: ArrayLike,
    closing_speed_m_per_s: ArrayLike,
) -> Floats:
    """Return the velocity of the charge across the inner edge of the squish band.

    S·(D/4z)·[(B/D)² − 1]·V_b / (A·z + V_b), with piston speed S, bowl diameter D = B − 2w, gap z, bowl volume
    V_b and bore area A.

    Parameters
    ----------
    bore_mm, width_mm : array_like of shape (...)
        Bore and the band's width from the wall inward [mm].
    gap_mm : array_like of shape (...)
        Between crown and band at that moment [mm].
    bowl_volume_cm3 : array_like of shape (...)
        From `bowl_volume_cm3` [cm³].
    closing_speed_m_per_s : array_like of shape (...)
        How fast the gap closes, minus while it opens [m/s].

    Returns
    -------
    ndarray of the broadcast shape
        Velocity toward the axis [m/s]; NaN without a gap, or for a band as wide as the bore.

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, s. 8.4, eq. 8.34 (bowl in piston; formula
       and number from memory). With a bowl so large that the density stands still it becomes the
       incompressible A_s·S / (π·D·z), with the band's area A_s.

    Examples
    --------
    >>> squish_velocity_m_per_s(46, 5, 1.2, 5.1, 4.0).round(2)
    np.float64(13.65)
    """
    bore, width, gap, bowl, speed = (
        np.asarray(part, np.float64)
        for part in (bore_mm, width_mm, gap_mm, bowl_volume_cm3, closing_speed_m_per_s)
    )
    inner = bore - 2 * width
    possible = (gap > 0) & (inner > 0) & (width >= 0) & (bowl >= 0)
    inner, gap = np.where(possible, inner, np.nan), np.where(possible, gap, np.nan)
    form = inner / (4 * gap) * ((bore / inner) ** 2 - 1)
    return np.asarray(speed * form * bowl / (bore_slice_cm3(bore, gap) + bowl))


def bowl_volume_cm3(engine: Engine) -> float:
    """Return the part of the head volume that does not change its share as the piston moves.

    Head volume − bore area × squish clearance.

    Parameters
    ----------
    engine : Engine
        With head volume and squish band height.

    Returns
    -------
    float
        Volume [cm³].

    Raises
    ------
    GeometryError
        If one of them is not known, or the head volume is less than the slice of the bore at the clearance.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2, head_volume_cm3=6.1)
    >>> round(bowl_volume_cm3(engine), 3)
    5.103
    """
    head, clearance = head_volume_cm3(engine), squish_clearance_mm(engine)
    slice_cm3 = float(bore_slice_cm3(engine.bore_mm, clearance))
    if not head > slice_cm3:
        raise GeometryError(
            f"{head:g} cm³ is less than the bore holds over the squish clearance alone, {slice_cm3:.2f} cm³",
            where="engine.head_volume_cm3",
            remedy="measure head volume and squish again",
        )
    return head - slice_cm3


def squish_velocity_at(engine: Engine, angle_deg: ArrayLike, rpm: float) -> Floats:
    """Return the squish velocity through the revolution.

    Parameters
    ----------
    engine : Engine
        With head volume, squish band height and width.
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].
    rpm : float
        Crank speed [rev/min].

    Returns
    -------
    ndarray of shape (...)
        Velocity toward the axis [m/s], minus where the charge is drawn back. With a port open it is what the
        shape alone would give.

    Raises
    ------
    GeometryError
        If a size is not known or cannot be.
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2, squish_band_width_mm=5,
    ...                 head_volume_cm3=6.1)
    >>> squish_velocity_at(engine, [340, 350, 360], 9000).round(1)
    array([12.7, 16.1,  0. ])
    """
    if not 0 < rpm < np.inf:
        raise QuantityError(f"{rpm:g} rpm is not a speed", where="rpm", remedy="give a number above 0")
    squish_band_volume_cm3(engine)  # refuses a band that is not known or cannot be
    width = engine.squish_band_width_mm or 0.0
    if not engine.bore_mm > 2 * width:
        raise GeometryError(
            f"a band {width:g} mm wide leaves no bowl in a bore of {engine.bore_mm:g} mm",
            where="cylinder.squish_band_width_mm",
            remedy="measure it from the bore's wall inward",
        )
    bowl = bowl_volume_cm3(engine)
    gap = squish_clearance_mm(engine) + piston_depth(engine.crank, angle_deg)
    closing = -depth_per_degree(engine.crank, angle_deg) * 6 * rpm / 1000
    return squish_velocity_m_per_s(engine.bore_mm, width, gap, bowl, closing)


def squish_peak(engine: Engine, rpm: float) -> SquishPeak:
    """Return the greatest squish velocity of the upward stroke, and where it falls.

    Parameters
    ----------
    engine : Engine
        As in `squish_velocity_at`.
    rpm : float
        Crank speed [rev/min].

    Returns
    -------
    SquishPeak

    Raises
    ------
    GeometryError, QuantityError
        As `squish_velocity_at`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2, squish_band_width_mm=5,
    ...                 head_volume_cm3=6.1)
    >>> found = squish_peak(engine, 9000)
    >>> round(found.velocity_m_per_s, 1), round(found.before_tdc_deg, 1)
    (16.2, 11.3)
    """
    low, high = bdc_angle(engine.crank), 360.0
    # the velocity has one hump on the way up; each pass looks between the neighbours of the best place
    while True:
        angles = np.linspace(low, high, 201)
        speeds = squish_velocity_at(engine, angles, rpm)
        best = int(np.argmax(speeds))
        low, high = float(angles[max(best - 1, 0)]), float(angles[min(best + 1, 200)])
        if high - low < 1e-6:
            return SquishPeak(
                velocity_m_per_s=float(speeds[best]), angle_deg=float(angles[best]), rpm=float(rpm)
            )
