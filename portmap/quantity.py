"""What people type as a size, turned into numbers: ``20 thou``, ``1 1/2 in``, ``0,5 mm``, ``104°``.

A quantity is a number, then a unit. The number is plain (``0.5``, ``.5``, ``5e-1``), has a decimal comma
(``0,5``), or is a fraction as on a rule (``1/16``, ``1 1/2``, ``1-1/2``); nothing is evaluated. The unit is
one of a closed list of spellings; without one the number is in the library's own unit: millimetre, degree,
cm³, revolutions per minute, degree Celsius, or metre for an altitude; a pressure is in bar. pint converts,
and is only loaded for a unit that is not the library's own.

Glossary
--------
thou
    A thousandth of an inch, 0.0254 mm.
sweep
    ``FROM:TO:STEP``, both ends included when the step meets them.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import Literal

from portmap.errors import QuantityError
from portmap.units import (
    ALTITUDE,
    ANGLE,
    AREA,
    LENGTH,
    PRESSURE,
    SPEED,
    TEMPERATURE,
    VOLUME,
    Measure,
    converted,
    spelled_units,
)

__all__ = [
    "altitude_m",
    "angle_deg",
    "angles_deg",
    "area_mm2",
    "length_mm",
    "lengths_mm",
    "pressure_pa",
    "speeds_rpm",
    "temperature_c",
    "volume_cm3",
]

Sign = Literal["any", "not negative", "positive"]

SWEEP_LIMIT = 2000  # values; more is a slip of the keyboard

_NUMBER = re.compile(
    r"""(?P<sign>[+\-−]?)\s*
    (?: (?:(?P<whole>\d{1,6})(?:\s+|-))? (?P<top>\d{1,6})\s*[/⁄]\s*(?P<bottom>\d{1,6})
      | (?P<plain>(?:\d{1,20}(?:[.,]\d{0,20})?|[.,]\d{1,20})(?:[eE][+\-]?\d{1,3})?) )
    \s*(?P<unit>.*)""",
    re.VERBOSE | re.DOTALL,
)


def length_mm(text: str, *, where: str = "", sign: Sign = "any") -> float:
    """Return the length that somebody typed.

    Parameters
    ----------
    text : str
        A number and mm, cm, m, µm, in (``"``), thou or ft; without a unit, mm.
    where : str, optional
        What the length is for, such as ``--sheet-thickness``; it opens the message of an error.
    sign : {'any', 'not negative', 'positive'}, optional
        What makes sense there.

    Returns
    -------
    float
        Length [mm].

    Raises
    ------
    QuantityError
        If it is not a number with a unit of length, has the wrong sign, or is beyond 10 m.

    Examples
    --------
    >>> [round(length_mm(text), 4) for text in ("0,5 mm", "20 thou", "1/16 in", '1 1/2"', "46")]
    [0.5, 0.508, 1.5875, 38.1, 46.0]
    >>> length_mm("3 inchs")
    Traceback (most recent call last):
    portmap.errors.QuantityError: 'inchs' in '3 inchs' is not a unit of length; did you mean inches? ...
    """
    return _value(text, LENGTH, where, sign)


def angle_deg(text: str, *, where: str = "", sign: Sign = "any") -> float:
    """Return the angle that somebody typed.

    Parameters
    ----------
    text : str
        A number and deg (``°``) or rad; without a unit, degrees.
    where : str, optional
        As in `length_mm`.
    sign : {'any', 'not negative', 'positive'}, optional
        As in `length_mm`.

    Returns
    -------
    float
        Angle [deg].

    Raises
    ------
    QuantityError
        As `length_mm`; the limit is 3600 degrees.

    Examples
    --------
    >>> angle_deg("104°"), angle_deg("97,5"), round(angle_deg("1.8 rad"), 3)
    (104.0, 97.5, 103.132)
    """
    return _value(text, ANGLE, where, sign)


def area_mm2(text: str, *, where: str = "", sign: Sign = "not negative") -> float:
    """Return the area that somebody typed.

    Parameters
    ----------
    text : str
        A number and mm², cm² or in² (sq in); without a unit, mm².
    where : str, optional
        As in `length_mm`.
    sign : {'any', 'not negative', 'positive'}, optional
        As in `length_mm`.

    Returns
    -------
    float
        Area [mm²].

    Raises
    ------
    QuantityError
        As `length_mm`; the limit is 1 m².

    Examples
    --------
    >>> area_mm2("12,5"), round(area_mm2("0.02 sq in"), 3)
    (12.5, 12.903)
    """
    return _value(text, AREA, where, sign)


def volume_cm3(text: str, *, where: str = "", sign: Sign = "not negative") -> float:
    """Return the volume that somebody typed.

    Parameters
    ----------
    text : str
        A number and cm³ (cc, ml), mm³, l or in³ (cu in); without a unit, cm³.
    where : str, optional
        As in `length_mm`.
    sign : {'any', 'not negative', 'positive'}, optional
        As in `length_mm`.

    Returns
    -------
    float
        Volume [cm³].

    Raises
    ------
    QuantityError
        As `length_mm`; the limit is 1 m³.

    Examples
    --------
    >>> volume_cm3("6,1 cc"), round(volume_cm3("0.5 cu in"), 3)
    (6.1, 8.194)
    """
    return _value(text, VOLUME, where, sign)


def pressure_pa(text: str, *, where: str = "", sign: Sign = "not negative") -> float:
    """Return the pressure that somebody read off a gauge.

    Parameters
    ----------
    text : str
        A number and bar, psi, kPa, MPa, hPa (mbar), Pa, kg/cm² (at), atm, mmHg or inHg; without a unit, bar.
        Whether it counts from the atmosphere or from nothing is for the caller to know: the figure is only
        converted.
    where : str, optional
        As in `length_mm`.
    sign : {'any', 'not negative', 'positive'}, optional
        As in `length_mm`.

    Returns
    -------
    float
        Pressure [Pa].

    Raises
    ------
    QuantityError
        As `length_mm`; the limit is 1 GPa.

    Examples
    --------
    >>> [round(pressure_pa(text)) for text in ("11 bar", "150 psi", "9 kg/cm²")]
    [1100000, 1034214, 882598]
    """
    return _value(text, PRESSURE, where, sign)


def temperature_c(text: str, *, where: str = "") -> float:
    """Return the temperature of the air that somebody typed.

    Parameters
    ----------
    text : str
        A number and °C (C), °F (F) or K; without a unit, degrees Celsius.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    float
        Temperature [°C].

    Raises
    ------
    QuantityError
        If it is not a number with a unit of temperature, or is beyond 100 °C on either side of freezing.

    Examples
    --------
    >>> temperature_c("-30"), round(temperature_c("68 F"), 6), round(temperature_c("243.15 K"), 6)
    (-30.0, 20.0, -30.0)
    """
    return _value(text, TEMPERATURE, where, "any")


def altitude_m(text: str, *, where: str = "") -> float:
    """Return the height above the sea that somebody typed.

    Parameters
    ----------
    text : str
        A number and m, km or ft; without a unit, m.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    float
        Altitude [m], below 0 under the level of the sea.

    Raises
    ------
    QuantityError
        If it is not a number with a unit of altitude, or is beyond 11 km.

    Examples
    --------
    >>> altitude_m("600 m"), round(altitude_m("2000 ft"), 1)
    (600.0, 609.6)
    """
    return _value(text, ALTITUDE, where, "any")


def speeds_rpm(text: str, *, where: str = "") -> tuple[float, ...]:
    """Return the engine speeds that somebody typed.

    Parameters
    ----------
    text : str
        One speed, several (``6000 8000``, ``6000,8000`` or ``6000;8000``), or a sweep
        ``6000:14000:500``; each with or without rpm (1/min) or rps.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    tuple of float
        Revolutions per minute [1/min], in the order typed.

    Raises
    ------
    QuantityError
        As `length_mm`, if a speed is not above 0 or is beyond 100,000, or if a sweep never ends.

    Examples
    --------
    >>> speeds_rpm("9000"), speeds_rpm("6000,8000 rpm"), speeds_rpm("6000:7000:500")
    ((9000.0,), (6000.0, 8000.0), (6000.0, 6500.0, 7000.0))
    """
    return _values(text, SPEED, where, "positive")


def angles_deg(text: str, *, where: str = "") -> tuple[float, ...]:
    """Return the crank angles that somebody typed.

    Parameters
    ----------
    text : str
        One angle, several, or a sweep, as in `speeds_rpm`.
    where : str, optional
        As in `length_mm`.

    Returns
    -------
    tuple of float
        Angles [deg], in the order typed.

    Raises
    ------
    QuantityError
        As `angle_deg` and `speeds_rpm`.

    Examples
    --------
    >>> angles_deg("110,120,130"), angles_deg("90:120:15")
    ((110.0, 120.0, 130.0), (90.0, 105.0, 120.0))
    """
    return _values(text, ANGLE, where, "any")


def lengths_mm(text: str, *, where: str = "", sign: Sign = "any") -> tuple[float, ...]:
    """Return the lengths that somebody typed.

    Parameters
    ----------
    text : str
        One length, several, or a sweep, as in `speeds_rpm`. A single comma between digits is a decimal
        comma, as in ``0,5``; with a decimal point in the text, or a space after it, it separates.
    where : str, optional
        As in `length_mm`.
    sign : {'any', 'not negative', 'positive'}, optional
        As in `length_mm`.

    Returns
    -------
    tuple of float
        Lengths [mm], in the order typed.

    Raises
    ------
    QuantityError
        As `length_mm` and `speeds_rpm`.

    Examples
    --------
    >>> lengths_mm("99.6,100.2"), lengths_mm("99,6; 100,2"), lengths_mm("99,6")
    ((99.6, 100.2), (99.6, 100.2), (99.6,))
    """
    return _values(text, LENGTH, where, sign)


def _values(text: str, measure: Measure, where: str, sign: Sign) -> tuple[float, ...]:
    if ":" in text:
        return _sweep(text, measure, where, sign)
    parts = [part.strip() for part in _separated(text, measure)]
    _, _, last_unit = _split(parts[-1], measure, where)
    values = []
    for part in parts:
        _, _, unit = _split(part, measure, where)
        # a unit after the last number is meant for all: 6000,8000 rpm
        values.append(_value(part if unit or not last_unit else f"{part} {last_unit}", measure, where, sign))
    return tuple(values)


def _separated(text: str, measure: Measure) -> list[str]:
    """Return the numbers of a list, whichever sign separates them."""
    if ";" in text:
        return text.split(";")
    words = text.split()
    if len(words) > 1 and all(re.fullmatch(r"[\d.,+\-−]*[\d.]", word) for word in words):
        return words
    if "," not in text:
        return [text]
    if measure is LENGTH and text.count(",") == 1 and "." not in text and not re.search(r",\s", text):
        return [text]  # a decimal comma
    return text.split(",")


def _sweep(text: str, measure: Measure, where: str, sign: Sign) -> tuple[float, ...]:
    parts = text.split(":")
    if len(parts) != 3:
        raise QuantityError(f"{_quoted(text)} is not a sweep", where=where, remedy="write FROM:TO:STEP")
    # the unit may stand once, at the end
    _, _, unit = _split(parts[2], measure, where)
    first, last, step = (
        _value(part if _split(part, measure, where)[2] else f"{part} {unit}", measure, where, "any")
        for part in parts
    )
    if not step * (last - first) > 0 and first != last:
        raise QuantityError(
            f"a step of {step:g} never leads from {first:g} to {last:g}",
            where=where,
            remedy="write FROM:TO:STEP with a step in that direction",
        )
    count = 1 if first == last else math.floor((last - first) / step * (1 + 1e-12)) + 1
    if count > SWEEP_LIMIT:
        raise QuantityError(
            f"{_quoted(text)} has {count:,} values, more than {SWEEP_LIMIT:,}",
            where=where,
            remedy="take a wider step",
        )
    values = tuple(first + number * step for number in range(count))
    for value in values:
        _check(value, text, measure, where, sign)
    return values


def _value(text: str, measure: Measure, where: str, sign: Sign) -> float:
    number, shown, unit = _split(text, measure, where)
    name = _unit(unit, text, measure, where) if unit else measure.bare
    value = number if name == measure.own else converted(number, name, measure.own)
    _check(value, shown, measure, where, sign)
    return value


def _split(text: str, measure: Measure, where: str) -> tuple[float, str, str]:
    """Return the number, the whole as typed, and the unit as typed."""
    typed = text.strip()
    found = _NUMBER.fullmatch(typed) if len(typed) <= 60 else None
    if found is None:
        raise QuantityError(
            f"{_quoted(text)} is not {measure.with_article}",
            where=where,
            remedy=f"write it like {measure.example}",
        )
    unit = found["unit"].strip()
    if unit[:1] in {".", ","} and unit[1:2].isdigit():
        raise QuantityError(
            f"{_quoted(text)} has two decimal signs", where=where, remedy="write one, and no thousands sign"
        )
    if found["plain"] is not None:
        number = float(found["plain"].replace(",", "."))
    elif int(found["bottom"]) == 0:
        raise QuantityError(
            f"{_quoted(text)} divides by nothing", where=where, remedy=f"write it like {measure.example}"
        )
    else:
        number = int(found["whole"] or 0) + int(found["top"]) / int(found["bottom"])
    return (-number if found["sign"] in {"-", "−"} else number), typed, unit


def _unit(unit: str, text: str, measure: Measure, where: str) -> str:
    """Return pint's name of a unit that somebody spelled."""
    known = spelled_units(measure)
    exact = " ".join(unit.split())
    if exact in known:
        return known[exact]
    folded = {spelling.casefold(): name for spelling, name in known.items()}
    # case is forgiven, except where it tells a thousandth from a million
    if exact.casefold() in folded and not exact.startswith("mP"):
        return folded[exact.casefold()]
    near = difflib.get_close_matches(exact.casefold()[:40], [*folded], n=1, cutoff=0.6)
    others = ", ".join(group[0] for group in measure.spellings.values())
    raise QuantityError(
        f"{_quoted(unit)} in {_quoted(text)} is not a unit of {measure.name}",
        where=where,
        remedy=f"did you mean {near[0]}? Others are {others}" if near else f"use one of {others}",
    )


def _check(value: float, shown: str, measure: Measure, where: str, sign: Sign) -> None:
    if not abs(value) <= measure.limit:
        raise QuantityError(
            f"{_quoted(shown)} is no {measure.name} that an engine has",
            where=where,
            remedy=f"the limit is {measure.limit:,.0f} {measure.shown}",
        )
    if (sign == "positive" and not value > 0) or (sign == "not negative" and not value >= 0):
        limit = "above 0" if sign == "positive" else "0 or more"
        raise QuantityError(
            f"{_quoted(shown)} is not {measure.with_article} {limit}", where=where, remedy=f"give one {limit}"
        )


def _quoted(text: str) -> str:
    short = text if len(text) <= 40 else f"{text[:37]}..."
    return repr(short)
