"""Mass flow of air through a small hole, from one pressure to a lower one, choked or not.

Quasi-steady and isentropic up to the hole, with a discharge coefficient for what the hole's shape takes away.
Pressures are absolute, in Pa; areas in mm².
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K

__all__ = ["GAMMA_AIR", "critical_pressure_ratio", "flow_factor", "orifice_flow_kg_per_s"]

Floats = NDArray[np.float64]

GAMMA_AIR = 1.4  # dry air at ordinary temperatures

M2_PER_MM2 = 1e-6


def critical_pressure_ratio(gamma: ArrayLike = GAMMA_AIR) -> Floats:
    """Return the pressure ratio below which the flow is at the speed of sound.

    (2/(γ + 1))^(γ/(γ − 1)).

    Parameters
    ----------
    gamma : array_like of shape (...), optional
        Ratio of the specific heats [-].

    Returns
    -------
    ndarray of shape (...)
        Outside pressure over inside pressure [-].

    References
    ----------
    .. [1] Heywood, Internal Combustion Engine Fundamentals, 1988, app. C (from memory).

    Examples
    --------
    >>> critical_pressure_ratio().round(4)
    np.float64(0.5283)
    """
    g = np.asarray(gamma, np.float64)
    return np.asarray((2 / (g + 1)) ** (g / (g - 1)))


def flow_factor(pressure_ratio: ArrayLike, gamma: ArrayLike = GAMMA_AIR) -> Floats:
    """Return the mass flow through a hole, made dimensionless.

    ṁ·√(R·T0) / (C·A·p0).

    Parameters
    ----------
    pressure_ratio : array_like of shape (...)
        Lower pressure over higher one, 0 to 1 [-].
    gamma : array_like of shape (...), optional
        Ratio of the specific heats [-].

    Returns
    -------
    ndarray of the broadcast shape
        Factor [-], 0 where the pressures are equal; NaN for a ratio outside 0 to 1.

    References
    ----------
    .. [1] Heywood, 1988, eq. C.8 and C.9 (numbers from memory).

    Examples
    --------
    >>> flow_factor([0.2, 0.8, 1.0]).round(4)
    array([0.6847, 0.5607, 0.    ])
    """
    g, ratio = np.asarray(gamma, np.float64), np.asarray(pressure_ratio, np.float64)
    ratio = np.where((ratio >= 0) & (ratio <= 1), ratio, np.nan)
    ratio = np.maximum(ratio, critical_pressure_ratio(g))  # below it the hole passes no more
    spread = np.abs(np.expm1((g - 1) / g * np.log(ratio)))  # 1 − ratio^((γ−1)/γ), whole digits near 1
    return np.asarray(ratio ** (1 / g) * np.sqrt(2 * g / (g - 1) * spread))


def orifice_flow_kg_per_s(
    area_mm2: ArrayLike,
    inside_pa: ArrayLike,
    inside_k: ArrayLike,
    outside_pa: ArrayLike,
    *,
    discharge: ArrayLike = 1.0,
) -> Floats:
    """Return the mass of air that a hole lets out.

    Parameters
    ----------
    area_mm2 : array_like of shape (...)
        Of the hole [mm²].
    inside_pa : array_like of shape (...)
        Absolute pressure inside [Pa].
    inside_k : array_like of shape (...)
        Temperature of the air inside [K].
    outside_pa : array_like of shape (...)
        Absolute pressure outside [Pa].
    discharge : array_like of shape (...), optional
        Share of the ideal flow that passes [-].

    Returns
    -------
    ndarray of the broadcast shape
        Flow [kg/s]; 0 where the outside pressure is the higher.

    References
    ----------
    .. [1] As `flow_factor`.

    Examples
    --------
    >>> (1000 * orifice_flow_kg_per_s(5.0, 3e5, 330.0, 101325.0, discharge=0.7)).round(3)
    np.float64(2.336)
    """
    area, inside, warmth, outside = (
        np.asarray(part, np.float64) for part in (area_mm2, inside_pa, inside_k, outside_pa)
    )
    factor = flow_factor(np.minimum(outside / inside, 1.0))
    ideal = area * M2_PER_MM2 * inside / np.sqrt(GAS_CONSTANT_J_PER_KG_K * warmth)
    return np.asarray(np.asarray(discharge, np.float64) * ideal * factor)
