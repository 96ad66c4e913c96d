"""Figures as a person reads them, in mm or in inch.

Inside the library everything is mm, degree, cm³ and s. What is shown is rounded to what a workshop can
use; a doubt (k = 2) is rounded up to the last digit shown, so that it never reads as none.

Glossary
--------
system
    The units that somebody chose to read: mm, or inch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from portmap.errors import QuantityError

__all__ = [
    "COVERAGE",
    "UnitName",
    "UnitSystem",
    "number_text",
    "opening_words",
    "unit_system",
    "with_doubt",
]

UnitName = Literal["mm", "inch"]

COVERAGE = 2.0  # k of a shown doubt: about 95 % for a normal distribution (JCGM 100, G.1.3, from memory)
INCH_MM = 25.4  # exact by definition: international yard and pound agreement, 1959
POUND_FORCE_N = 4.4482216152605  # exact: that agreement's pound, 0.45359237 kg, times 9.80665 m/s²
PSI_BAR = POUND_FORCE_N / INCH_MM**2 * 10  # newton per mm² is 10 bar


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitSystem:
    """How each quantity is shown.

    Parameters
    ----------
    name : {'mm', 'inch'}
    length_words : str
        The unit of length in words.
    length, area, volume, angle_area, time_area, pressure, force : str
        Unit signs.
    per_mm : float
        Shown length for one millimetre.
    length_decimals, area_decimals, volume_decimals : int
        Digits after the point.
    time_area_factor : float
        Shown time-area for one mm²·s.
    """

    name: UnitName
    length_words: str
    length: str
    area: str
    volume: str
    angle_area: str
    time_area: str
    pressure: str
    force: str
    per_mm: float
    length_decimals: int
    area_decimals: int
    volume_decimals: int
    time_area_factor: float

    def lengths(self, length_mm: float, u_mm: float | None = None) -> str:
        """Return a length as shown, with its doubt (k = 2) if `u_mm`, its standard one, is known."""
        return with_doubt(length_mm * self.per_mm, _scaled(u_mm, self.per_mm), self.length_decimals)

    def areas(self, area_mm2: float, u_mm2: float | None = None) -> str:
        """Return an area as shown, with its doubt (k = 2) if `u_mm2`, its standard one, is known."""
        return with_doubt(area_mm2 * self.per_mm**2, _scaled(u_mm2, self.per_mm**2), self.area_decimals)

    def volumes(self, volume_cm3: float) -> str:
        """Return a volume as shown."""
        return number_text(
            volume_cm3 * (1.0 if self.name == "mm" else 1000 / INCH_MM**3), self.volume_decimals
        )

    def angle_areas(self, angle_area_mm2_deg: float, u_mm2_deg: float | None = None) -> str:
        """Return an angle-area as shown, with its doubt (k = 2) if the standard one is known."""
        factor, decimals = self.per_mm**2, 0 if self.name == "mm" else 2
        return with_doubt(angle_area_mm2_deg * factor, _scaled(u_mm2_deg, factor), decimals)

    def pressures(self, pressure_bar: float, u_bar: float | None = None, *, finer: bool = False) -> str:
        """Return a pressure as shown, with its doubt (k = 2) if the standard one is known.

        One digit more if `finer`, for pressures of which a tenth of a bar is much.
        """
        factor, decimals = (1.0, 1) if self.name == "mm" else (1 / PSI_BAR, 0)
        return with_doubt(pressure_bar * factor, _scaled(u_bar, factor), decimals + finer)

    def forces(self, force_n: float) -> str:
        """Return a force as shown."""
        return number_text(force_n * (1.0 if self.name == "mm" else 1 / POUND_FORCE_N), 0)

    def time_areas(self, time_area_mm2_s: float) -> str:
        """Return a time-area as shown, in the unit `time_area`."""
        return number_text(time_area_mm2_s * self.time_area_factor, 4)


_SYSTEMS: dict[UnitName, UnitSystem] = {
    "mm": UnitSystem(
        name="mm",
        length_words="millimetres",
        length="mm",
        area="mm²",
        volume="cm³",
        angle_area="mm²·deg",
        time_area="mm²·s",
        pressure="bar",
        force="N",
        per_mm=1.0,
        length_decimals=2,
        area_decimals=1,
        volume_decimals=2,
        time_area_factor=1.0,
    ),
    "inch": UnitSystem(
        name="inch",
        length_words="inches",
        length="in",
        area="in²",
        volume="in³",
        angle_area="in²·deg",
        time_area="10⁻³ in²·s",
        pressure="psi",
        force="lbf",
        per_mm=1 / INCH_MM,
        length_decimals=4,
        area_decimals=4,
        volume_decimals=3,
        time_area_factor=1000 / INCH_MM**2,
    ),
}


def _scaled(doubt: float | None, factor: float) -> float | None:
    return None if doubt is None else doubt * factor


def unit_system(name: str) -> UnitSystem:
    """Return the units of a system.

    Parameters
    ----------
    name : {'mm', 'inch'}

    Returns
    -------
    UnitSystem

    Raises
    ------
    QuantityError
        If there is no such system.

    Examples
    --------
    >>> unit_system("inch").lengths(25.4 * 1.5)
    '1.5000'
    >>> unit_system("mm").lengths(38.614, 0.007)
    '38.61 ± 0.02'
    """
    for known in get_args(UnitName):
        if name == known:
            return _SYSTEMS[known]
    raise QuantityError(f"{name!r} is not a system of units", where="units", remedy="take mm or inch")


def number_text(value: float, decimals: int) -> str:
    """Return a number with a fixed count of decimals, never as minus nothing.

    Parameters
    ----------
    value : float
        In any unit.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
        With a true minus sign.

    Examples
    --------
    >>> number_text(-0.001, 2), number_text(-1.5, 1)
    ('0.00', '−1.5')
    """
    text = f"{value:.{decimals}f}"
    if text.startswith("-"):
        text = f"−{text[1:]}" if any(digit in "123456789" for digit in text) else text[1:]
    return text


def with_doubt(value: float, u: float | None, decimals: int) -> str:
    """Return a number with its expanded doubt (k = 2).

    Parameters
    ----------
    value : float
        In any unit.
    u : float or None
        Standard uncertainty in the same unit; None if nobody said.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
        The doubt is rounded up to the last digit.

    Examples
    --------
    >>> with_doubt(104.03, 0.031, 1), with_doubt(104.03, None, 1)
    ('104.0 ± 0.1', '104.0')
    """
    text = number_text(value, decimals)
    if u is None:
        return text
    step = 10.0**-decimals
    shown = math.ceil(COVERAGE * u / step - 1e-9) * step
    return f"{text} ± {shown:.{decimals}f}"


def opening_words(angle_deg: float) -> str:
    """Return a port's opening as a person says it: after TDC, or before it in the second half of the turn.

    Parameters
    ----------
    angle_deg : float
        After true TDC, 0 to 360 [deg].

    Returns
    -------
    str

    Examples
    --------
    >>> opening_words(104.03), opening_words(284.0)
    ('104.0°', '76.0° before TDC')
    """
    return f"{angle_deg:.1f}°" if angle_deg <= 180.0 else f"{360.0 - angle_deg:.1f}° before TDC"
