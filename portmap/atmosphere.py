"""The air about the engine: pressure, temperature and density by altitude, and readings carried to sea level.

The standard atmosphere of ISO 2533 up to 11 km. Altitudes are in m above the sea, pressures in Pa and
absolute, temperatures in K, densities in kg/m³. A barometer at the engine knows better than any altitude, and
is taken where there is one.

Glossary
--------
geometric altitude
    What a map or a satellite receiver gives.
geopotential altitude
    What the standard's tables are ruled by: smaller, by 0.16 m at 1000 m, since gravity weakens with height.
standard day
    15 °C and 101 325 Pa at the sea.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import QuantityError

__all__ = [
    "EARTH_RADIUS_M",
    "GAS_CONSTANT_J_PER_KG_K",
    "SEA_LEVEL_PA",
    "ZERO_CELSIUS_K",
    "Air",
    "air",
    "air_density_kg_per_m3",
    "geometric_altitude_m",
    "geopotential_altitude_m",
    "sea_level_gauge_pa",
    "standard_pressure_pa",
    "standard_temperature_k",
]

Floats = NDArray[np.float64]
Altitude = Literal["geometric", "geopotential"]

# ISO 2533:1975, clause 2 (numbers from memory; sea level seen in other software's defaults)
SEA_LEVEL_PA = 101_325.0
SEA_LEVEL_K = 288.15
GRAVITY_M_PER_S2 = 9.80665
GAS_CONSTANT_J_PER_KG_K = 287.05287
LAPSE_K_PER_M = 0.0065
EARTH_RADIUS_M = 6_356_766.0
ZERO_CELSIUS_K = 273.15

LOWEST_M, HIGHEST_M = -2_000.0, 11_000.0  # the standard begins at −2 km; above 11 km it is another layer


@dataclass(frozen=True, kw_only=True, slots=True)
class Air:
    """The air that an engine breathes.

    Parameters
    ----------
    pressure_pa : float
        Absolute [Pa].
    temperature_k : float
        [K].
    pressure_from : {'barometer', 'altitude', 'standard'}
        Where the pressure was taken from.
    temperature_from : {'given', 'standard'}
        Where the temperature was taken from.
    """

    pressure_pa: float
    temperature_k: float
    pressure_from: Literal["barometer", "altitude", "standard"] = "standard"
    temperature_from: Literal["given", "standard"] = "standard"

    @property
    def density_kg_per_m3(self) -> float:
        """Return the density of the air, taken as dry [kg/m³]."""
        return float(air_density_kg_per_m3(self.pressure_pa, self.temperature_k))

    @property
    def temperature_c(self) -> float:
        """Return the temperature [°C]."""
        return self.temperature_k - ZERO_CELSIUS_K


def geopotential_altitude_m(geometric_m: ArrayLike) -> Floats:
    """Return the geopotential altitude of a height above the sea.

    r·h / (r + h), r = 6 356 766 m.

    Parameters
    ----------
    geometric_m : array_like of shape (...)
        Geometric altitude [m].

    Returns
    -------
    ndarray of shape (...)
        Geopotential altitude [m].

    References
    ----------
    .. [1] ISO 2533:1975, 2.3 (from memory).

    Examples
    --------
    >>> geopotential_altitude_m(1000).round(2)
    np.float64(999.84)
    """
    height = np.asarray(geometric_m, np.float64)
    return np.asarray(EARTH_RADIUS_M * height / (EARTH_RADIUS_M + height))


def geometric_altitude_m(geopotential_m: ArrayLike) -> Floats:
    """Return the height above the sea of a geopotential altitude.

    Parameters
    ----------
    geopotential_m : array_like of shape (...)
        Geopotential altitude [m].

    Returns
    -------
    ndarray of shape (...)
        Geometric altitude [m].

    References
    ----------
    .. [1] As `geopotential_altitude_m`.

    Examples
    --------
    >>> geometric_altitude_m(999.84).round(1)
    np.float64(1000.0)
    """
    height = np.asarray(geopotential_m, np.float64)
    return np.asarray(EARTH_RADIUS_M * height / (EARTH_RADIUS_M - height))


def standard_temperature_k(
    altitude_m: ArrayLike, *, altitude: Altitude = "geometric", offset_k: ArrayLike = 0.0
) -> Floats:
    """Return the standard temperature of the air at an altitude.

    Parameters
    ----------
    altitude_m : array_like of shape (...)
        From −2 to 11 km [m].
    altitude : {'geometric', 'geopotential'}, optional
        Which altitude is meant.
    offset_k : array_like of shape (...), optional
        How much warmer than the standard the day is [K].

    Returns
    -------
    ndarray of the broadcast shape
        Temperature [K]; NaN beyond the range.

    References
    ----------
    .. [1] ISO 2533:1975, 2.5 and table 4 (from memory): 288.15 K − 6.5 K for each geopotential km.

    Examples
    --------
    >>> standard_temperature_k([0, 1000], altitude="geopotential")
    array([288.15, 281.65])
    """
    height = _geopotential(altitude_m, altitude)
    return np.asarray(SEA_LEVEL_K - LAPSE_K_PER_M * height + np.asarray(offset_k, np.float64))


def standard_pressure_pa(altitude_m: ArrayLike, *, altitude: Altitude = "geometric") -> Floats:
    """Return the standard pressure of the air at an altitude.

    p0·(1 − L·H/T0)^(g/(R·L)).

    Parameters
    ----------
    altitude_m : array_like of shape (...)
        From −2 to 11 km [m].
    altitude : {'geometric', 'geopotential'}, optional
        Which altitude is meant.

    Returns
    -------
    ndarray of shape (...)
        Absolute pressure [Pa]; NaN beyond the range.

    References
    ----------
    .. [1] ISO 2533:1975, 2.6 (from memory).

    Examples
    --------
    >>> standard_pressure_pa([0, 1000], altitude="geopotential").round(1)
    array([101325. ,  89874.6])
    """
    height = _geopotential(altitude_m, altitude)
    exponent = GRAVITY_M_PER_S2 / (GAS_CONSTANT_J_PER_KG_K * LAPSE_K_PER_M)
    return np.asarray(SEA_LEVEL_PA * (1 - LAPSE_K_PER_M * height / SEA_LEVEL_K) ** exponent)


def air_density_kg_per_m3(pressure_pa: ArrayLike, temperature_k: ArrayLike) -> Floats:
    """Return the density of dry air.

    p / (R·T).

    Parameters
    ----------
    pressure_pa : array_like of shape (...)
        Absolute [Pa].
    temperature_k : array_like of shape (...)
        [K].

    Returns
    -------
    ndarray of the broadcast shape
        Density [kg/m³].

    References
    ----------
    .. [1] ISO 2533:1975, 2.7 (from memory).

    Examples
    --------
    >>> air_density_kg_per_m3(101325, [288.15, 243.15]).round(3)
    array([1.225, 1.452])
    """
    pressure, temperature = (np.asarray(part, np.float64) for part in (pressure_pa, temperature_k))
    return np.asarray(pressure / (GAS_CONSTANT_J_PER_KG_K * temperature))


def air(
    *,
    altitude_m: float | None = None,
    barometer_pa: float | None = None,
    temperature_c: float | None = None,
) -> Air:
    """Return the air about an engine, from what is known of it.

    Parameters
    ----------
    altitude_m : float or None, optional
        Height above the sea, as on a map [m]; None for the sea's own level.
    barometer_pa : float or None, optional
        Absolute pressure at the engine, not reduced to sea level as in a weather report [Pa]. It counts
        before the altitude.
    temperature_c : float or None, optional
        Of the air [°C]; None for the standard's at that altitude.

    Returns
    -------
    Air

    Raises
    ------
    QuantityError
        If the altitude is beyond the standard's lowest layer, or pressure or temperature cannot be.

    Notes
    -----
    A temperature off the standard changes density, not the pressure: how the air column's warmth shifts the
    pressure of the day only a barometer can tell.

    Examples
    --------
    >>> found = air(altitude_m=600)
    >>> round(found.pressure_pa), round(found.temperature_c, 1)
    (94322, 11.1)
    """
    height = 0.0 if altitude_m is None else altitude_m
    if not LOWEST_M <= height <= HIGHEST_M:
        raise QuantityError(
            f"{height:g} m is beyond the standard atmosphere's lowest layer",
            where="altitude",
            remedy=f"give one from {LOWEST_M:g} to {HIGHEST_M:g} m, or a barometer's pressure",
        )
    if barometer_pa is not None and not 20_000 <= barometer_pa <= 120_000:
        raise QuantityError(
            f"{barometer_pa / 100:g} hPa is no pressure of the open air",
            where="barometer",
            remedy="give the absolute pressure at the engine, about 1013 hPa at sea level",
        )
    if temperature_c is not None and not temperature_c > -ZERO_CELSIUS_K:
        raise QuantityError(
            f"{temperature_c:g} °C is no temperature", where="temperature", remedy="give one in °C"
        )
    return Air(
        pressure_pa=float(standard_pressure_pa(height)) if barometer_pa is None else barometer_pa,
        temperature_k=(
            float(standard_temperature_k(height)) if temperature_c is None else temperature_c + ZERO_CELSIUS_K
        ),
        pressure_from=(
            "barometer" if barometer_pa is not None else "standard" if altitude_m is None else "altitude"
        ),
        temperature_from="standard" if temperature_c is None else "given",
    )


def sea_level_gauge_pa(gauge_pa: ArrayLike, ambient_pa: ArrayLike) -> Floats:
    """Return what a cranking gauge would have shown on a standard day at sea level.

    reading × 101 325 / p_ambient: the gauge shows p_ambient·(rⁿ − 1), so it scales with the air's pressure.

    Parameters
    ----------
    gauge_pa : array_like of shape (...)
        As read [Pa].
    ambient_pa : array_like of shape (...)
        Absolute pressure of the air where it was read [Pa].

    Returns
    -------
    ndarray of the broadcast shape
        Gauge pressure [Pa].

    References
    ----------
    .. [1] Follows from the polytropic change of state, see `portmap.cranking.cranking_gauge_pa`.

    Examples
    --------
    >>> (sea_level_gauge_pa(10e5, 89874.6) / 1e5).round(2)
    np.float64(11.27)
    """
    return np.asarray(np.asarray(gauge_pa, np.float64) * SEA_LEVEL_PA / np.asarray(ambient_pa, np.float64))


def _geopotential(altitude_m: ArrayLike, altitude: Altitude) -> Floats:
    height = np.asarray(altitude_m, np.float64)
    if altitude == "geometric":
        height = geopotential_altitude_m(height)
    return np.where((height >= LOWEST_M) & (height <= HIGHEST_M), height, np.nan)
