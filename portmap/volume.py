"""Volumes and clearances of the cylinder and the case.

All volumes are in cm³, heights in mm. Functions that take an `Engine` say what they lack; those that take
plain numbers broadcast over arrays of any shape, for draws. Swept volume uses the piston's true travel, which
with an offset pin is a little more than the stroke.

Glossary
--------
head volume
    All that is left above the piston at TDC: chamber, squish gap and what lies over the top ring's land.
squish band
    The ring of the head, `squish_band_width_mm` wide from the bore inward, that the crown's rim comes near.
trapped volume
    Cylinder volume at the instant the rising crown edge closes the exhaust.
case volume
    Below the piston at TDC, passages and the intake up to its closing edge included.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import piston_depth, travel
from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.port import PortEdges
from portmap.timing import edge_depths

__all__ = [
    "assembled_head_volume_cm3",
    "bore_slice_cm3",
    "carried_head_volume_cm3",
    "case_volume_cm3",
    "cylinder_volume_cm3",
    "exhaust_closing_depth_mm",
    "head_volume_cm3",
    "squish_band_area_mm2",
    "squish_band_volume_cm3",
    "squish_clearance_mm",
    "swept_volume_cm3",
    "trapped_volume_cm3",
]

Floats = NDArray[np.float64]

MM3_PER_CM3 = 1000.0


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
    return float(bore_slice_cm3(engine.bore_mm, travel(engine.crank)))


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


def bore_slice_cm3(bore_mm: ArrayLike, height_mm: ArrayLike) -> Floats:
    """Return the volume of a slice of the bore.

    Parameters
    ----------
    bore_mm, height_mm : array_like of shape (...)
        Bore and the slice's height [mm].

    Returns
    -------
    ndarray of the broadcast shape
        Volume [cm³], with the height's sign.

    Examples
    --------
    >>> bore_slice_cm3(46, [0.1, 32]).round(3)
    array([ 0.166, 53.181])
    """
    bore = np.asarray(bore_mm, np.float64)
    return np.asarray(np.pi / 4 * bore**2 * np.asarray(height_mm, np.float64) / MM3_PER_CM3)


def squish_band_area_mm2(bore_mm: ArrayLike, width_mm: ArrayLike) -> Floats:
    """Return the squish band's area, as seen along the bore.

    π·w·(B − w): a ring of width w inside the bore B.

    Parameters
    ----------
    bore_mm, width_mm : array_like of shape (...)
        Bore and the band's width from the wall inward [mm].

    Returns
    -------
    ndarray of the broadcast shape
        Area [mm²]; NaN for a width below 0 or beyond half the bore.

    Examples
    --------
    >>> squish_band_area_mm2(46, [0, 5, 23]).round(1)
    array([   0. ,  644. , 1661.9])
    """
    bore, width = np.asarray(bore_mm, np.float64), np.asarray(width_mm, np.float64)
    fits = (width >= 0) & (width <= bore / 2)
    return np.asarray(np.where(fits, np.pi * width * (bore - width), np.nan))


def carried_head_volume_cm3(
    head_volume_cm3: ArrayLike,
    bore_mm: ArrayLike,
    *,
    gasket_change_mm: ArrayLike = 0.0,
    base_cut_mm: ArrayLike = 0.0,
    crown_cut_mm: ArrayLike = 0.0,
    crown_cut_area_mm2: ArrayLike | None = None,
    band_cut_mm: ArrayLike = 0.0,
    band_area_mm2: ArrayLike = 0.0,
) -> Floats:
    """Return the head volume after a change of gasket and level cuts, from the one before.

    V + A·Δgasket − A·base cut + A_crown·crown cut + A_band·band cut.

    Parameters
    ----------
    head_volume_cm3 : array_like of shape (...)
        As measured [cm³].
    bore_mm : array_like of shape (...)
        Bore [mm].
    gasket_change_mm : array_like of shape (...), optional
        New base gasket less the one fitted when the volume was measured [mm].
    base_cut_mm : array_like of shape (...), optional
        Taken off the base face [mm].
    crown_cut_mm : array_like of shape (...), optional
        Taken off the crown [mm].
    crown_cut_area_mm2 : array_like of shape (...) or None, optional
        Over which area [mm²]; None for the whole bore (a flat crown). Where the crown is not level take
        `portmap.crown.rim_cut_volume_cm3` instead.
    band_cut_mm, band_area_mm2 : array_like of shape (...), optional
        Taken off the squish band [mm], and its area [mm²].

    Returns
    -------
    ndarray of the broadcast shape
        Volume [cm³]; at or below 0 nothing would be left.

    Examples
    --------
    >>> carried_head_volume_cm3(6.1, 46, gasket_change_mm=[0.1, -0.4]).round(3)
    array([6.266, 5.435])
    """
    lift = np.asarray(gasket_change_mm, np.float64) - np.asarray(base_cut_mm, np.float64)
    bore_area = np.pi / 4 * np.asarray(bore_mm, np.float64) ** 2
    crown_area = bore_area if crown_cut_area_mm2 is None else np.asarray(crown_cut_area_mm2, np.float64)
    gained = (
        bore_area * lift
        + crown_area * np.asarray(crown_cut_mm, np.float64)
        + np.asarray(band_area_mm2, np.float64) * np.asarray(band_cut_mm, np.float64)
    )
    return np.asarray(np.asarray(head_volume_cm3, np.float64) + gained / MM3_PER_CM3)


def assembled_head_volume_cm3(
    chamber_volume_cm3: ArrayLike,
    bore_mm: ArrayLike,
    deck_gap_mm: ArrayLike,
    crown_volume_cm3: ArrayLike = 0.0,
) -> Floats:
    """Return the head volume of an engine whose head comes off, from its parts.

    Chamber under a flat plate + bore area × gap − what the crown fills of it.

    Parameters
    ----------
    chamber_volume_cm3 : array_like of shape (...)
        The head's own, measured under a plate [cm³].
    bore_mm : array_like of shape (...)
        Bore [mm].
    deck_gap_mm : array_like of shape (...)
        From the crown edge at TDC to the head's face [mm]: deck height − crown height + base gasket + head
        gasket.
    crown_volume_cm3 : array_like of shape (...), optional
        Of the crown above its edge, minus for a dish [cm³]: `portmap.crown.crown_volume_cm3`.

    Returns
    -------
    ndarray of the broadcast shape
        Volume [cm³].

    Examples
    --------
    >>> assembled_head_volume_cm3(5.4, 46, 0.8, 0.6).round(3)
    np.float64(6.13)
    """
    gap = bore_slice_cm3(bore_mm, deck_gap_mm)
    chamber, crown = (np.asarray(part, np.float64) for part in (chamber_volume_cm3, crown_volume_cm3))
    return np.asarray(chamber + gap - crown)


def head_volume_cm3(engine: Engine) -> float:
    """Return the head volume, or refuse if nobody gave it.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Above the piston at TDC [cm³].

    Raises
    ------
    GeometryError
        If it is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> head_volume_cm3(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61))
    Traceback (most recent call last):
    portmap.errors.GeometryError: engine.head_volume_cm3: the head's volume is not known; measure ...
    """
    if engine.head_volume_cm3 is None:
        raise GeometryError(
            "the head's volume is not known",
            where="engine.head_volume_cm3",
            remedy="measure it with a burette through the plug hole, piston at TDC",
        )
    return engine.head_volume_cm3


def case_volume_cm3(engine: Engine) -> float:
    """Return the case's volume at TDC, or refuse if nobody gave it.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Below the piston at TDC [cm³].

    Raises
    ------
    GeometryError
        If it is not known, or not larger than the swept volume.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> case_volume_cm3(Engine(bore_mm=46, crank=crank, crown_height_mm=61, case_volume_cm3=50))
    Traceback (most recent call last):
    portmap.errors.GeometryError: engine.case_volume_cm3: 50 cm³ is less than the piston sweeps, 53.18 ...
    """
    if engine.case_volume_cm3 is None:
        raise GeometryError(
            "the case's volume is not known",
            where="engine.case_volume_cm3",
            remedy="fill the case with oil from a burette, piston at TDC",
        )
    swept = swept_volume_cm3(engine)
    if not engine.case_volume_cm3 > swept:
        raise GeometryError(
            f"{engine.case_volume_cm3:g} cm³ is less than the piston sweeps, {swept:.2f} cm³",
            where="engine.case_volume_cm3",
            remedy="measure it again with the piston at TDC",
        )
    return engine.case_volume_cm3


def squish_band_volume_cm3(engine: Engine) -> float:
    """Return the volume over the squish band at TDC, its two faces taken as parallel.

    Parameters
    ----------
    engine : Engine
        With the band's height and width.

    Returns
    -------
    float
        Band area × squish clearance [cm³].

    Raises
    ------
    GeometryError
        If height or width is not known, the width is beyond half the bore, or the piston touches.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2, squish_band_width_mm=5)
    >>> round(squish_band_volume_cm3(engine), 4)
    0.3864
    """
    clearance = squish_clearance_mm(engine)
    if engine.squish_band_width_mm is None:
        raise GeometryError(
            "the squish band's width is not known",
            where="cylinder.squish_band_width_mm",
            remedy="measure it from the bore's wall inward",
        )
    area = float(squish_band_area_mm2(engine.bore_mm, engine.squish_band_width_mm))
    if math.isnan(area):
        raise GeometryError(
            f"{engine.squish_band_width_mm:g} mm is beyond half the bore of {engine.bore_mm:g} mm",
            where="cylinder.squish_band_width_mm",
            remedy="measure it from the bore's wall inward",
        )
    if not clearance > 0:
        raise GeometryError(
            f"the piston touches the squish band by {-clearance:.3g} mm",
            where="cylinder.squish_band_height_mm",
            remedy="check it, the crown height and the base gasket",
        )
    return area * clearance / MM3_PER_CM3


def cylinder_volume_cm3(engine: Engine, angle_deg: ArrayLike) -> Floats:
    """Return the volume above the piston.

    Parameters
    ----------
    engine : Engine
        With a head volume.
    angle_deg : array_like of shape (...)
        Crank angle after true TDC [deg].

    Returns
    -------
    ndarray of shape (...)
        Volume [cm³].

    Raises
    ------
    GeometryError
        If the head's volume is not known.

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.4 (number from memory).

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> cylinder_volume_cm3(engine, [0, 90, 180]).round(2)
    array([ 6.1 , 36.43, 59.28])
    """
    depth = piston_depth(engine.crank, angle_deg)
    return np.asarray(head_volume_cm3(engine) + bore_slice_cm3(engine.bore_mm, depth))


def exhaust_closing_depth_mm(engine: Engine, edges: Iterable[PortEdges]) -> float:
    """Return how deep the rising piston stands when it closes the exhaust.

    Parameters
    ----------
    engine : Engine
    edges : iterable of PortEdges
        All of a cylinder's ports; only those of kind exhaust count.

    Returns
    -------
    float
        Depth of the highest exhaust roof below the crown edge at TDC [mm].

    Raises
    ------
    GeometryError
        If there is no exhaust that the crown opens and closes, or a roof is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> exhaust_closing_depth_mm(engine, [PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40.0)])
    21.0
    """
    exhausts = [port for port in edges if port.kind == "exhaust" and port.control == "crown"]
    if not exhausts:
        raise GeometryError(
            "no exhaust port that the crown closes is known",
            where="ports",
            remedy="trace it, or read its roof's height or the degree at which it opens",
        )
    depth, first = min((edge_depths(engine, port)[0], port.id) for port in exhausts)
    bottom = travel(engine.crank)
    if not 0 < depth < bottom:
        state = "is never closed" if depth <= 0 else "is never opened"
        raise GeometryError(
            f"it {state}: its roof lies {depth:.2f} mm below the crown at TDC, and the piston travels"
            f" {bottom:.2f} mm",
            where=f"port {first}",
            remedy="check its roof's height, the crown height and the base gasket",
        )
    return depth


def trapped_volume_cm3(engine: Engine, closing_depth_mm: float) -> float:
    """Return the cylinder's volume when the exhaust closes.

    Parameters
    ----------
    engine : Engine
        With a head volume.
    closing_depth_mm : float
        From `exhaust_closing_depth_mm` [mm].

    Returns
    -------
    float
        Volume, head included [cm³].

    Raises
    ------
    GeometryError
        If the head's volume is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> round(trapped_volume_cm3(engine, 20.6), 2)
    40.34
    """
    return head_volume_cm3(engine) + float(bore_slice_cm3(engine.bore_mm, closing_depth_mm))
