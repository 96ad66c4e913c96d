"""What people type of a roof: ``chord 70 %``, ``110 deg 120 mm2``, ``0.55 mm²·s``.

Lengths, angles and areas are read as everywhere else (`portmap.quantity`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from portmap.errors import QuantityError
from portmap.quantity import angle_deg, area_mm2, length_mm

__all__ = ["area_at_of", "time_area_of", "width_of", "window_numbers"]

_NUMBER = r"[+\-]?(?:\d{1,20}(?:[.,]\d{0,20})?|[.,]\d{1,20})(?:[eE][+\-]?\d{1,3})?"
_TIME_AREA = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*", re.S)
_SQUARE_MM_S = ("", "mm2s", "mm²s", "mm^2s", "mm2·s", "mm²·s", "mm2*s", "mm²*s")
_SHARE = re.compile(rf"({_NUMBER})\s*(?:%|percent|per cent)(?:\s*of\s*(?:the\s*)?bore)?", re.I)


def time_area_of(text: str, swept_cm3: float, *, where: str = "") -> float:
    """Return the time-area that somebody typed.

    Parameters
    ----------
    text : str
        A number and ``mm²·s`` (or none); or ``s/m`` for a specific time-area.
    swept_cm3 : float
        Swept volume, for a specific one [cm³].
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    float
        Time-area [mm²·s].

    Raises
    ------
    QuantityError
        If it is not a time-area above 0.

    Examples
    --------
    >>> time_area_of("0,55 mm2 s", 53.2), time_area_of("0.01 s/m", 53.2)
    (0.55, 0.532)
    """
    found = _TIME_AREA.fullmatch(text)
    if found is not None:
        value = float(found[1].replace(",", "."))
        unit = re.sub(r"\s+", "", found[2].lower())
        factor = 1.0 if unit in _SQUARE_MM_S else swept_cm3 if unit == "s/m" else None
        if factor is not None and 0 < value < 1e6:
            return value * factor
    raise QuantityError(
        f"{text[:40]!r} is not a time-area",
        where=where,
        remedy="write for instance 0.55 mm2 s, or 0.0105 s/m for a specific one",
    )


def area_at_of(text: str, *, where: str = "") -> tuple[float, float]:
    """Return the angle and the area that somebody typed.

    Parameters
    ----------
    text : str
        Degrees after TDC, then an area: ``110 deg 120 mm2``.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    tuple of float
        Angle [deg] and area [mm²].

    Raises
    ------
    QuantityError
        If it is not both.

    Examples
    --------
    >>> area_at_of("110 deg 120 mm2"), area_at_of("110° 120")
    ((110.0, 120.0), (110.0, 120.0))
    """
    words = text.split()
    for cut in range(1, len(words)):
        try:
            angle = angle_deg(" ".join(words[:cut]), where=where, sign="not negative")
            return angle, area_mm2(" ".join(words[cut:]), where=where, sign="positive")
        except QuantityError:
            continue
    raise QuantityError(
        f"{text[:40]!r} is not an angle and an area", where=where, remedy="write for instance 110 deg 120 mm2"
    )


def width_of(text: str, bore_mm: float, *, where: str = "") -> float:
    """Return the width along the wall that somebody typed as chord or arc.

    Parameters
    ----------
    text : str
        ``chord`` or ``arc``, then a length or a share of the bore: ``chord 70 %``, ``arc 32 mm``.
    bore_mm : float
        Bore [mm].
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    float
        Width along the wall [mm]: bore·asin(chord / bore).

    Raises
    ------
    QuantityError
        If it does not say which of the two it is, or is more than the bore allows.

    References
    ----------
    .. [1] Machinery's Handbook, segments of circles: chord = D·sin(arc/D) (from memory).

    Examples
    --------
    >>> round(width_of("chord 70 %", 54.0), 4), width_of("arc 32 mm", 54.0)
    (41.8715, 32.0)
    """
    found = re.fullmatch(r"\s*(chord|arc)\s+(.*?)\s*", text, re.I | re.S)
    if found is None:
        raise QuantityError(
            f"{text[:40]!r} does not say whether it is chord or arc",
            where=where,
            remedy="write chord 70 % (straight across) or arc 32 mm (along the wall)",
        )
    share = _SHARE.fullmatch(found[2])
    if share is not None:
        width = float(share[1].replace(",", ".")) / 100 * bore_mm
    else:
        width = length_mm(found[2], where=where, sign="positive")
    chord = found[1].lower() == "chord"
    most = bore_mm if chord else math.pi * bore_mm / 2
    if not 0 < width < most:
        raise QuantityError(
            f"{width:g} mm is not a width of a window in a {bore_mm:g} mm bore",
            where=where,
            remedy=f"stay below {most:.1f} mm",
        )
    return bore_mm * math.asin(width / bore_mm) if chord else width


def window_numbers(texts: Iterable[str], *, where: str = "") -> tuple[int, ...]:
    """Return the window numbers that somebody typed.

    Parameters
    ----------
    texts : iterable of str
        Each one number or several with commas.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    tuple of int
        From 0; empty for none.

    Raises
    ------
    QuantityError
        If one is no number.

    Examples
    --------
    >>> window_numbers(["0,2"]), window_numbers([])
    ((0, 2), ())
    """
    found: list[int] = []
    for text in texts:
        for part in text.split(","):
            if not re.fullmatch(r"\s*\d{1,4}\s*", part):
                raise QuantityError(
                    f"{part[:40]!r} is not a window's number", where=where, remedy="count from 0, as in 0,1"
                )
            found.append(int(part))
    return tuple(dict.fromkeys(found))
