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
from portmap.intake_valve import IntakeValve

__all__ = [
    "Engine",
    "EngineDoubt",
    "Piston",
    "angle_at_crown_height",
    "crown_height_at",
    "depth_below_crown",
    "skirt_height_at",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Piston:
    """What is known of the piston beside its crown edge and skirt; None where nobody measured.

    Parameters
    ----------
    crown_thickness_mm : float or None
        Metal of the crown at its thinnest [mm].
    ring_below_crown_mm : float or None
        Upper side of the top ring below the crown edge [mm].
    ring_height_mm : float or None
        Of one ring [mm].
    lowest_ring_below_crown_mm : float or None
        Lower side of the lowest ring below the crown edge [mm].
    exhaust_skirt_length_mm : float or None
        Crown edge to skirt edge on the exhaust side [mm].
    ring_ends_x_mm : tuple of float
        Where the rings' ends (pins) run on the wall [mm]; empty if nobody noted it.
    crown_profile_mm : tuple of (float, float)
        Radius and height above the crown edge (minus for a dish), from the axis outward [mm]; empty for
        a flat crown or if nobody measured it.
    """

    crown_thickness_mm: float | None = None
    ring_below_crown_mm: float | None = None
    ring_height_mm: float | None = None
    lowest_ring_below_crown_mm: float | None = None
    exhaust_skirt_length_mm: float | None = None
    ring_ends_x_mm: tuple[float, ...] = ()
    crown_profile_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class EngineDoubt:
    """How sure an engine's figures are, with their correlations.

    Parameters
    ----------
    figures : tuple of str
        Names of fields of `Engine` or its crank, such as ``crown_height_mm``; a port's height is
        ``roof_mm:ID`` or ``floor_mm:ID``.
    covariance : tuple of tuple of float
        Square, in that order; units are the products of the figures' own.

    Raises
    ------
    GeometryError
        If the table is not square, not symmetric, or has a variance below 0.
    """

    figures: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        """Refuse what is not a covariance."""
        table = np.asarray(self.covariance, np.float64).reshape(len(self.covariance), -1)
        count = len(self.figures)
        square = table.shape == (count, count) if count else table.size == 0
        if not square or not np.isfinite(table).all() or len(set(self.figures)) != count:
            raise GeometryError(
                f"{count} figures need a covariance of {count} by {count} numbers",
                where="doubt.covariance",
                remedy="run portmap fit again",
            )
        scale = np.sqrt(np.abs(np.diag(table))) if count else np.zeros(0)
        limit = 1e-6 * np.outer(scale, scale) + 1e-18
        if count and ((np.diag(table) < 0).any() or (np.abs(table - table.T) > limit).any()):
            raise GeometryError(
                "it is not symmetric, or a variance is below 0",
                where="doubt.covariance",
                remedy="run portmap fit again",
            )

    def u(self, figure: str) -> float | None:
        """Return the standard uncertainty of a figure, None if it is not among them."""
        if figure not in self.figures:
            return None
        place = self.figures.index(figure)
        return float(np.sqrt(self.covariance[place][place]))


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
    squish_band_width_mm : float or None, optional
        From the bore's wall inward [mm].
    deck_height_mm : float or None, optional
        Of the cylinder's upper face above its base face [mm].
    base_flange_mm : float or None, optional
        Thickness of the flange that stands on the gasket [mm].
    wall_thickness_mm : float or None, optional
        Metal between the bore and the passage at a port's edge [mm].
    piston : Piston, optional
    intake : IntakeValve or None, optional
        A rotary or reed valve of the case; None where windows in the wall let the air in.
    doubt : EngineDoubt or None, optional
        How sure the figures are; None if nobody said.
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
    squish_band_width_mm: float | None = None
    deck_height_mm: float | None = None
    base_flange_mm: float | None = None
    wall_thickness_mm: float | None = None
    piston: Piston = Piston()
    intake: IntakeValve | None = None
    doubt: EngineDoubt | None = None
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
            "squish_band_width_mm",
            "deck_height_mm",
            "base_flange_mm",
            "wall_thickness_mm",
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
