"""Compression ratios of the cylinder and of the case.

A ratio is a volume over the least that it is squeezed to, so always above 1.

Glossary
--------
geometric ratio
    (head + swept volume) / head volume.
trapped ratio
    (head volume + volume from exhaust closing to TDC) / head volume: what the charge is really squeezed by.
case ratio, primary ratio
    Case volume at TDC / case volume at BDC.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import travel
from portmap.engine import Engine
from portmap.volume import bore_slice_cm3, case_volume_cm3, head_volume_cm3, swept_volume_cm3

__all__ = [
    "USUAL_CASE_RATIO",
    "case_ratio",
    "compression_ratio",
    "geometric_ratio",
    "primary_ratio",
    "trapped_ratio",
    "usual_case_cm3",
]

Floats = NDArray[np.float64]

USUAL_CASE_RATIO = (1.3, 1.55)  # Blair 1996, Jennings 1973, from memory, medium


def compression_ratio(bore_mm: ArrayLike, head_volume_cm3: ArrayLike, depth_mm: ArrayLike) -> Floats:
    """Return how many times a charge is squeezed from a depth to TDC.

    1 + A·d / V_head: with the exhaust roof's depth the trapped ratio, with the travel the geometric one.

    Parameters
    ----------
    bore_mm : array_like of shape (...)
        Bore [mm].
    head_volume_cm3 : array_like of shape (...)
        Above the piston at TDC [cm³].
    depth_mm : array_like of shape (...)
        Piston depth where the squeezing begins [mm].

    Returns
    -------
    ndarray of the broadcast shape
        Ratio [-]; NaN without a head volume above 0.

    References
    ----------
    .. [1] Blair, Design and Simulation of Two-Stroke Engines, 1996 (R-161), ch. 1 (from memory).

    Examples
    --------
    >>> compression_ratio(46, 6.1, [20.6, 32]).round(2)
    array([6.61, 9.72])
    """
    head = np.asarray(head_volume_cm3, np.float64)
    return np.asarray(1 + bore_slice_cm3(bore_mm, depth_mm) / np.where(head > 0, head, np.nan))


def primary_ratio(case_volume_cm3: ArrayLike, swept_volume_cm3: ArrayLike) -> Floats:
    """Return how many times the case is squeezed by the piston's way down.

    V_case / (V_case − V_swept), with the case's volume at TDC.

    Parameters
    ----------
    case_volume_cm3 : array_like of shape (...)
        Below the piston at TDC, passages and intake up to its closing edge included [cm³].
    swept_volume_cm3 : array_like of shape (...)
        Swept by the piston [cm³].

    Returns
    -------
    ndarray of the broadcast shape
        Ratio [-]; NaN where the case is not larger than what is swept.

    References
    ----------
    .. [1] Blair, Design and Simulation of Two-Stroke Engines, 1996 (R-161), ch. 1 (from memory).

    Examples
    --------
    >>> primary_ratio(190.0, 53.18).round(3)
    np.float64(1.389)
    """
    case = np.asarray(case_volume_cm3, np.float64)
    left = case - np.asarray(swept_volume_cm3, np.float64)
    return np.asarray(case / np.where(left > 0, left, np.nan))


def trapped_ratio(engine: Engine, closing_depth_mm: float) -> float:
    """Return the ratio by which the charge is squeezed from exhaust closing to TDC.

    Parameters
    ----------
    engine : Engine
        With a head volume.
    closing_depth_mm : float
        From `exhaust_closing_depth_mm` [mm].

    Returns
    -------
    float
        Ratio [-].

    Raises
    ------
    GeometryError
        If the head's volume is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> round(trapped_ratio(engine, 20.6), 2)
    6.61
    """
    return float(compression_ratio(engine.bore_mm, head_volume_cm3(engine), closing_depth_mm))


def geometric_ratio(engine: Engine) -> float:
    """Return the ratio of the whole cylinder's volume to the head's.

    Parameters
    ----------
    engine : Engine
        With a head volume.

    Returns
    -------
    float
        Ratio [-].

    Raises
    ------
    GeometryError
        If the head's volume is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> round(geometric_ratio(engine), 2)
    9.72
    """
    return float(compression_ratio(engine.bore_mm, head_volume_cm3(engine), travel(engine.crank)))


def case_ratio(engine: Engine) -> float:
    """Return the ratio of the case's volume at TDC to that at BDC.

    Parameters
    ----------
    engine : Engine
        With a case volume.

    Returns
    -------
    float
        Ratio [-].

    Raises
    ------
    GeometryError
        As `case_volume_cm3`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, case_volume_cm3=190)
    >>> round(case_ratio(engine), 3)
    1.389
    """
    return float(primary_ratio(case_volume_cm3(engine), swept_volume_cm3(engine)))


def usual_case_cm3(swept_cm3: float) -> tuple[float, float]:
    """Return the range of case volumes that engines commonly have.

    From the case ratio V/(V − V_swept) of 1.3 to 1.55.

    Parameters
    ----------
    swept_cm3 : float
        Swept volume [cm³].

    Returns
    -------
    tuple of float
        Least and greatest, piston at TDC [cm³].

    References
    ----------
    .. [1] Blair, Design and Simulation of Two-Stroke Engines, 1996; Jennings 1973 (from memory, medium).

    Examples
    --------
    >>> [round(volume) for volume in usual_case_cm3(53.2)]
    [150, 231]
    """
    low, high = USUAL_CASE_RATIO
    return swept_cm3 * high / (high - 1), swept_cm3 * low / (low - 1)
