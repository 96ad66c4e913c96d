"""What a pressure gauge in the plug hole shows when the engine is cranked, and what a reading tells.

The charge is squeezed from exhaust closing to TDC along p·Vⁿ = constant, from the pressure of the day. Nobody
knows n of a given engine, so it is a range and so is the answer. Pressures are in Pa; *gauge* ones count from
the air about us, so that a gauge shows less on a mountain.

Glossary
--------
exponent, n
    1 if the metal took all the heat of squeezing, 1.4 if it took none.
standard ambient
    101 325 Pa, the standard sea level of ISO 2533.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import GeometryError

__all__ = [
    "EXPONENTS",
    "EXPONENTS_BASIS",
    "TOO_MUCH",
    "USUAL_BASIS",
    "USUAL_PA",
    "CrankingRange",
    "compressed_temperature_k",
    "cranking_gauge_pa",
    "cranking_range",
    "implied_exponent",
    "ratio_for_cranking",
    "reading_words",
    "work_engine_words",
]

Floats = NDArray[np.float64]

EXPONENTS = (1.2, 1.3)
# An encyclopedia's article on compression ratio, seen in a copy; 1.4 is no heat lost
EXPONENTS_BASIS = "1.2 to 1.3 for a cranked engine, which loses heat; a published range, not measured here"

STANDARD_PA = 101_325.0  # ISO 2533:1975, sea level

USUAL_PA = (8e5, 12.5e5)
USUAL_BASIS = "about 8 to 12.5 bar (115 to 180 psi) in working two-strokes; common practice, no source"

TOO_MUCH = (
    "Too much compression costs a work engine: hard pulls and kick-back at the rope, more heat in piston and"
    " head, knock on plain fuel, and more load on bearings, rod and crankpin; common practice, no source"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class CrankingRange:
    """Gauge pressures that the model allows.

    Parameters
    ----------
    low_pa, high_pa : float
        At the least and the greatest exponent [Pa].
    exponents : tuple of float
        Those two [-].
    ambient_pa : float
        Absolute pressure of the air about the engine [Pa].
    """

    low_pa: float
    high_pa: float
    exponents: tuple[float, float]
    ambient_pa: float

    @property
    def middle_pa(self) -> float:
        """Return the middle of the range [Pa]."""
        return (self.low_pa + self.high_pa) / 2


def cranking_gauge_pa(
    trapped_ratio: ArrayLike, exponent: ArrayLike, ambient_pa: ArrayLike = STANDARD_PA
) -> Floats:
    """Return the gauge pressure at TDC of a cranked engine.

    p_ambient·(rⁿ − 1).

    Parameters
    ----------
    trapped_ratio : array_like of shape (...)
        From exhaust closing to TDC [-].
    exponent : array_like of shape (...)
        Of the squeezing [-].
    ambient_pa : array_like of shape (...), optional
        Absolute pressure of the air about the engine [Pa].

    Returns
    -------
    ndarray of the broadcast shape
        Gauge pressure [Pa]; NaN for a ratio below 1.

    Notes
    -----
    No leak, and a charge that starts at ambient pressure. A gauge's own hose adds to the head volume, and the
    gauge reads lower, by much on a small engine; a worn ring, a scored wall or an open bleed do the same.

    References
    ----------
    .. [1] Polytropic change of state; any text on thermodynamics.

    Examples
    --------
    >>> (cranking_gauge_pa(6.6, [1.2, 1.3]) / 1e5).round(1)
    array([ 8.7, 10.8])
    """
    ratio = np.asarray(trapped_ratio, np.float64)
    ratio = np.where(ratio >= 1, ratio, np.nan)
    squeezed = ratio ** np.asarray(exponent, np.float64)
    return np.asarray(np.asarray(ambient_pa, np.float64) * (squeezed - 1))


def cranking_range(
    trapped_ratio: float,
    *,
    ambient_pa: float = STANDARD_PA,
    exponents: tuple[float, float] = EXPONENTS,
) -> CrankingRange:
    """Return the range of gauge pressures that a trapped ratio allows.

    Parameters
    ----------
    trapped_ratio : float
        From exhaust closing to TDC [-].
    ambient_pa : float, optional
        Absolute pressure of the air about the engine [Pa].
    exponents : tuple of float, optional
        Least and greatest exponent [-].

    Returns
    -------
    CrankingRange

    Raises
    ------
    GeometryError
        If the ratio or the ambient pressure makes no sense.

    Examples
    --------
    >>> found = cranking_range(6.6)
    >>> round(found.low_pa / 1e5, 1), round(found.high_pa / 1e5, 1)
    (8.7, 10.8)
    """
    _check_ambient(ambient_pa)
    if not 1 < trapped_ratio < np.inf:
        raise GeometryError(
            f"{trapped_ratio:g} is not a trapped ratio above 1",
            where="trapped ratio",
            remedy="check the head volume and the exhaust roof's height",
        )
    low, high = (float(p) for p in cranking_gauge_pa(trapped_ratio, exponents, ambient_pa))
    return CrankingRange(low_pa=low, high_pa=high, exponents=exponents, ambient_pa=ambient_pa)


def ratio_for_cranking(
    gauge_pa: ArrayLike, exponent: ArrayLike, ambient_pa: ArrayLike = STANDARD_PA
) -> Floats:
    """Return the trapped ratio that gives a gauge pressure.

    (1 + p_gauge / p_ambient)^(1/n).

    Parameters
    ----------
    gauge_pa : array_like of shape (...)
        Gauge pressure [Pa].
    exponent : array_like of shape (...)
        Of the squeezing [-].
    ambient_pa : array_like of shape (...), optional
        Absolute pressure of the air about the engine [Pa].

    Returns
    -------
    ndarray of the broadcast shape
        Ratio [-]; NaN for a gauge pressure below 0.

    Examples
    --------
    >>> ratio_for_cranking(11e5, [1.2, 1.3]).round(2)
    array([7.85, 6.7 ])
    """
    gauge = np.asarray(gauge_pa, np.float64)
    gauge = np.where(gauge >= 0, gauge, np.nan)
    return np.asarray(
        (1 + gauge / np.asarray(ambient_pa, np.float64)) ** (1 / np.asarray(exponent, np.float64))
    )


def implied_exponent(
    gauge_pa: ArrayLike, trapped_ratio: ArrayLike, ambient_pa: ArrayLike = STANDARD_PA
) -> Floats:
    """Return the exponent that a reading and a known ratio imply.

    ln(1 + p_gauge / p_ambient) / ln r.

    Parameters
    ----------
    gauge_pa : array_like of shape (...)
        Gauge pressure [Pa].
    trapped_ratio : array_like of shape (...)
        From exhaust closing to TDC [-].
    ambient_pa : array_like of shape (...), optional
        Absolute pressure of the air about the engine [Pa].

    Returns
    -------
    ndarray of the broadcast shape
        Exponent [-]; NaN for a ratio not above 1 or a gauge pressure below 0.

    Examples
    --------
    >>> implied_exponent(10e5, 6.6).round(3)
    np.float64(1.264)
    """
    ratio, gauge = np.asarray(trapped_ratio, np.float64), np.asarray(gauge_pa, np.float64)
    ratio = np.where(ratio > 1, ratio, np.nan)
    gauge = np.where(gauge >= 0, gauge, np.nan)
    return np.asarray(np.log1p(gauge / np.asarray(ambient_pa, np.float64)) / np.log(ratio))


def compressed_temperature_k(trapped_ratio: ArrayLike, exponent: ArrayLike, ambient_k: ArrayLike) -> Floats:
    """Return the charge's temperature at TDC.

    T·r^(n − 1).

    Parameters
    ----------
    trapped_ratio : array_like of shape (...)
        From exhaust closing to TDC [-].
    exponent : array_like of shape (...)
        Of the squeezing [-].
    ambient_k : array_like of shape (...)
        Temperature of the charge at the start [K].

    Returns
    -------
    ndarray of the broadcast shape
        Temperature [K].

    Notes
    -----
    Fuel that turns to vapour on the way makes it colder.

    References
    ----------
    .. [1] Polytropic change of state; any text on thermodynamics.

    Examples
    --------
    >>> compressed_temperature_k(6.6, [1.2, 1.3], 243.15).round()
    array([355., 428.])
    """
    ratio = np.asarray(trapped_ratio, np.float64)
    squeezed = np.where(ratio >= 1, ratio, np.nan) ** (np.asarray(exponent, np.float64) - 1)
    return np.asarray(np.asarray(ambient_k, np.float64) * squeezed)


def reading_words(reading_pa: float, model: CrankingRange, *, doubt_pa: float = 0.0) -> str:
    """Return what a gauge reading says of the engine, beside the model.

    Parameters
    ----------
    reading_pa : float
        Gauge pressure at the model's ambient pressure [Pa].
    model : CrankingRange
    doubt_pa : float, optional
        Standard uncertainty of the reading [Pa]; twice that is allowed on each side.

    Returns
    -------
    str
        One sentence. What lowers and raises a reading is common practice, no source.

    Examples
    --------
    >>> reading_words(10e5, cranking_range(6.6))
    'It fits the model.'
    """
    allowed = 2 * doubt_pa
    if reading_pa < model.low_pa - allowed:
        return (
            f"It is {(model.low_pa - reading_pa) / 1e5:.1f} bar below the model: look for a leak (rings,"
            " plug, decompressor, head joint), the volume of the gauge's hose, or a slow pull; if there is"
            " none, measure head volume and exhaust roof again."
        )
    if reading_pa > model.high_pa + allowed:
        return (
            f"It is {(reading_pa - model.high_pa) / 1e5:.1f} bar above the model: look for carbon or oil"
            " in the chamber; if there is none, the head is smaller or the exhaust lower than measured."
        )
    return "It fits the model."


def work_engine_words(gauge_pa: float) -> str:
    """Return what a cranking pressure means for an engine that has to work, plainly.

    Parameters
    ----------
    gauge_pa : float
        Gauge pressure at sea level [Pa].

    Returns
    -------
    str
        One or two sentences; limits are common practice, no source.

    Examples
    --------
    >>> work_engine_words(9e5)
    'Usual for a working engine.'
    """
    if gauge_pa > USUAL_PA[1]:
        return (
            "High for a working engine: hard pulls at the rope, more heat, more load on the bearings. Keep a"
            " bleed, and do not go further without a reason."
        )
    if gauge_pa < USUAL_PA[0]:
        return "Low for a working engine: easy to pull, slow to start in the cold, and power is left behind."
    return "Usual for a working engine."


def _check_ambient(ambient_pa: float) -> None:
    if not 0 < ambient_pa < np.inf:
        raise GeometryError(
            f"{ambient_pa:g} Pa is not an air pressure", where="ambient pressure", remedy="give one above 0"
        )
