"""Volumes and clearances of the cylinder.

Swept volume uses the piston's true travel, which with an offset pin is a little more than the stroke.
"""

from __future__ import annotations

import math

from portmap.crank import travel
from portmap.engine import Engine
from portmap.errors import GeometryError

__all__ = ["squish_clearance_mm", "swept_volume_cm3"]


def swept_volume_cm3(engine: Engine) -> float:
    """Return the volume that the piston sweeps.

    π·B²/4 × travel.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Volume of the one cylinder, whole stroke [cm³].

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.4 (number from memory).

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> round(swept_volume_cm3(engine), 2)
    53.18
    """
    return math.pi * engine.bore_mm**2 / 4 * travel(engine.crank) / 1000


def squish_clearance_mm(engine: Engine) -> float:
    """Return the gap between crown edge and squish band at TDC.

    Band height above the base face − (crown height − base gasket).

    Parameters
    ----------
    engine : Engine
        With a squish band height.

    Returns
    -------
    float
        Clearance [mm]; at or below 0 the piston touches.

    Raises
    ------
    GeometryError
        If the band's height is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2)
    >>> round(squish_clearance_mm(engine), 3)
    0.6
    """
    if engine.squish_band_height_mm is None:
        raise GeometryError(
            "the squish band's height is not known",
            where="cylinder.squish_band_height_mm",
            remedy="measure it from the base face, or measure squish with solder",
        )
    return engine.squish_band_height_mm - (engine.crown_height_mm - engine.base_gasket_mm)
