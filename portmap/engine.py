"""The engine that a cylinder stands on: crank, piston and what lies between base and deck.

Crank frame: the crown edge at TDC stands `crown_height_mm` above the case deck. On a base gasket of
thickness g it stands at y = crown_height − g in the bore frame, and a point of the wall at height y lies
at depth crown_height − g − y below it. Depth is the one quantity that ties the wall to the crank.

Glossary
--------
crown edge
    The piston edge that uncovers crown-controlled ports.
skirt edge
    The lower edge on the intake side, `skirt_length_mm` below the crown edge.
basis
    Whether a figure was measured, fitted from readings, or assumed. What is not listed was given by the
    user as measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import Crank, angle_of_depth, piston_depth
from portmap.errors import GeometryError

__all__ = [
    "Engine",
    "angle_at_crown_height",
    "crown_height_at",
    "depth_below_crown",
    "skirt_height_at",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """Bore, crank, piston and the cylinder's seat on the case.

    Parameters
    ----------
    bore_mm : float
        Bore [mm].
    crank : Crank
        Throw, rod and pin.
    crown_height_mm : float
        Crown edge above the case deck at TDC [mm].
    base_gasket_mm : float, optional
        Thickness fitted now [mm]; 0 for none.
    skirt_length_mm : float or None, optional
        Crown edge to skirt edge on the intake side [mm].
    squish_band_height_mm : float or None, optional
        Squish band above the base face [mm].
    head_volume_cm3, case_volume_cm3 : float or None, optional
        Above the piston at TDC, and the case with the piston at TDC [cm³].
    assumed : tuple of str, optional
        Which figures nobody measured, each in plain words.
    fitted : tuple of str, optional
        Which figures were fitted from readings.

    Raises
    ------
    GeometryError
        If a length or volume is not positive (the gasket: is negative) or not finite.

    Examples
    --------
    >>> engine = Engine(bore_mm=46.0, crank=Crank(stroke_mm=32.0, rod_mm=58.0), crown_height_mm=61.0,
    ...                 base_gasket_mm=0.4)
    >>> round(depth_below_crown(engine, 40.0).item(), 6)
    20.6
    """

    bore_mm: float
    crank: Crank
    crown_height_mm: float
    base_gasket_mm: float = 0.0
    skirt_length_mm: float | None = None
    squish_band_height_mm: float | None = None
    head_volume_cm3: float | None = None
    case_volume_cm3: float | None = None
    assumed: tuple[str, ...] = ()
    fitted: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse sizes that no engine has."""
        for name in (
            "bore_mm",
            "crown_height_mm",
            "skirt_length_mm",
            "squish_band_height_mm",
            "head_volume_cm3",
            "case_volume_cm3",
        ):
            size = getattr(self, name)
            if size is not None and not 0 < size < np.inf:
                raise GeometryError(f"{size:g} is not a size above 0", where=name, remedy="measure it again")
        if not 0 <= self.base_gasket_mm < np.inf:
            raise GeometryError(
                f"{self.base_gasket_mm:g} is not a thickness",
                where="base_gasket_mm",
                remedy="give 0 for no gasket",
            )


def depth_below_crown(engine: Engine, height_mm: ArrayLike) -> Floats:
    """Return how far places on the wall lie below the crown edge at TDC.

    Parameters
    ----------
    engine : Engine
    height_mm : array_like of shape (...)
        Height above the base face [mm].

    Returns
    -------
    ndarray of shape (...)
        Depth [mm]; negative above the crown edge.

    Examples
    --------
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> depth_below_crown(engine, [61.0, 39.4])
    array([ 0. , 21.6])
    """
    return np.asarray(engine.crown_height_mm - engine.base_gasket_mm - np.asarray(height_mm, np.float64))


def crown_height_at(engine: Engine, angle_deg: ArrayLike) -> Floats:
    """Return the crown edge's height above the base face.

    Parameters
    ----------
    engine : Engine
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Height [mm].

    Examples
    --------
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> crown_height_at(engine, [0, 180])
    array([61., 29.])
    """
    return np.asarray(engine.crown_height_mm - engine.base_gasket_mm - piston_depth(engine.crank, angle_deg))


def skirt_height_at(engine: Engine, angle_deg: ArrayLike) -> Floats:
    """Return the skirt edge's height above the base face.

    Parameters
    ----------
    engine : Engine
        With a skirt length.
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Height [mm].

    Raises
    ------
    GeometryError
        If the skirt length is unknown.

    Examples
    --------
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, skirt_length_mm=36)
    >>> skirt_height_at(engine, 0)
    array(25.)
    """
    return np.asarray(crown_height_at(engine, angle_deg) - skirt_length(engine))


def skirt_length(engine: Engine) -> float:
    """Return the skirt's length, or refuse if nobody gave it.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Crown edge to skirt edge [mm].

    Raises
    ------
    GeometryError
        If it is unknown.

    Examples
    --------
    >>> skirt_length(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61))
    Traceback (most recent call last):
    portmap.errors.GeometryError: engine.skirt_length_mm: the skirt's length is not known; measure ...
    """
    if engine.skirt_length_mm is None:
        raise GeometryError(
            "the skirt's length is not known",
            where="engine.skirt_length_mm",
            remedy="measure from the crown edge to the skirt edge on the intake side",
        )
    return engine.skirt_length_mm


def angle_at_crown_height(engine: Engine, height_mm: ArrayLike, *, rising: bool = False) -> Floats:
    """Return the crank angle at which the crown edge passes a height.

    Parameters
    ----------
    engine : Engine
    height_mm : array_like of shape (...)
        Height above the base face [mm].
    rising : bool, optional
        Answer for the piston on its way up.

    Returns
    -------
    ndarray of shape (...)
        Degrees after true TDC; NaN where the crown edge never comes.

    Examples
    --------
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> angle_at_crown_height(engine, 39.4).round(2)
    np.float64(102.48)
    """
    return angle_of_depth(engine.crank, depth_below_crown(engine, height_mm), rising=rising)
