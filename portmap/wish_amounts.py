"""The amounts of a wish, from plain words: ``at least 20``, ``0.45 to 0.6 mm``, ``20 thou ± 1 thou``.

What follows the figure's name is one of four forms: a value, with or without a tolerance; ``at least``; ``at
most``; or a range. Each figure has one unit here, and takes those that people type; of two amounts, the unit
may stand once.

Glossary
--------
form
    Which of the four: whether a figure is to be something, or no less, or no more, or between.
"""

from __future__ import annotations

import math
import re
from typing import Literal

from portmap.errors import QuantityError
from portmap.quantity import angle_deg, length_mm, pressure_pa, volume_cm3
from portmap.roof_typed import time_area_of

__all__ = ["UNITS", "Form", "Quantity", "wished_amounts"]

Quantity = Literal[
    "squish",
    "opens",
    "closes",
    "duration",
    "blowdown",
    "cranking",
    "trapped_ratio",
    "geometric_ratio",
    "head_volume",
    "time_area",
    "specific_time_area",
    "residual",
]
Form = Literal["value", "at least", "at most", "range"]

UNITS: dict[Quantity, str] = {
    "squish": "mm",
    "opens": "deg",
    "closes": "deg",
    "duration": "deg",
    "blowdown": "deg",
    "cranking": "bar",
    "trapped_ratio": "",
    "geometric_ratio": "",
    "head_volume": "cm3",
    "time_area": "mm2 s",
    "specific_time_area": "s/m",
    "residual": "bar",
}

_LEAST = r"at\s+least|no(?:t)?\s+(?:less|lower|smaller)\s+than|min(?:imum)?|>=|≥"
_MOST = r"at\s+most|no(?:t)?\s+(?:more|higher|larger|greater)\s+than|up\s+to|max(?:imum)?|<=|≤"
_FORM = re.compile(
    rf"(?:(?P<least>{_LEAST})|(?P<most>{_MOST})|(?:about|around|at|=|of|between|from))\s*", re.I
)
_AND_BETWEEN = re.compile(r"\s+(?:to|and|until)\s+|\s*(?:\.\.\.?|…|–)\s*", re.I)
_HYPHEN = re.compile(r"(?<=[\d.,])\s*-\s*(?=[\d.,]+\s*[^\d\s/]*$)")
_GIVE_OR_TAKE = re.compile(r"\s*(?:±|\+/-|\+-|plus\s+or\s+minus)\s*", re.I)


def wished_amounts(rest: str, quantity: Quantity, where: str) -> tuple[Form, tuple[float, ...], float | None]:
    """Return what a figure is wished to be.

    Parameters
    ----------
    rest : str
        What a wish says after its figure's name.
    quantity : Quantity
        Which figure.
    where : str
        What the phrase is for; it opens the message of an error.

    Returns
    -------
    form : {'value', 'at least', 'at most', 'range'}
    amounts : tuple of float
        One or two, in the figure's unit (`UNITS`).
    tolerance : float or None
        None if none was typed.

    Raises
    ------
    QuantityError
        If there is no number, its unit does not fit, or a range or tolerance makes no sense.

    Examples
    --------
    >>> wished_amounts("0.45 to 0.6 mm", "squish", "")
    ('range', (0.45, 0.6), None)
    >>> wished_amounts("at least 20", "blowdown", "")
    ('at least', (20.0,), None)
    """
    form: Form = "value"
    found = _FORM.match(rest)
    if found:
        form = "at least" if found["least"] else "at most" if found["most"] else "value"
        rest = rest[found.end() :]
    rest = rest.strip()
    if not rest:
        raise QuantityError("it has no number", where=where, remedy=f"write one, as {_example(quantity)}")
    if _GIVE_OR_TAKE.search(rest):
        amount, tolerance, *more = (part.strip() for part in _GIVE_OR_TAKE.split(rest))
        if more or form != "value":
            raise QuantityError(
                "it mixes a tolerance with a limit", where=where, remedy="write one or the other"
            )
        amount, tolerance = _with_unit([amount, tolerance])
        told = _read(tolerance, quantity, where, may_be_nothing=True)
        return "value", (_read(amount, quantity, where),), told
    parts = _AND_BETWEEN.split(rest)
    if len(parts) == 1:
        parts = _HYPHEN.split(rest)
    if len(parts) == 1:
        return form, (_read(rest, quantity, where),), None
    if len(parts) > 2 or form != "value":
        raise QuantityError(
            "it has more limits than two", where=where, remedy='write a range as "0.45 to 0.6 mm"'
        )
    low, high = (_read(part, quantity, where) for part in _with_unit([part.strip() for part in parts]))
    if not low <= high:
        raise QuantityError(
            f"its range runs from {low:g} down to {high:g}", where=where, remedy="write the smaller first"
        )
    return "range", (low, high), None


def _with_unit(parts: list[str]) -> list[str]:
    """Return the two amounts, the unit of one lent to the other that has none."""
    units = []
    for part in parts:
        found = re.search(r"[^\d.,/⁄+\-−\s].*$", part)
        units.append(found.group() if found else "")
    first, last = units
    if first and not last:
        return [parts[0], f"{parts[1]} {first}"]
    if last and not first:
        return [f"{parts[0]} {last}", parts[1]]
    return parts


def _read(text: str, quantity: Quantity, where: str, *, may_be_nothing: bool = False) -> float:
    sign: Literal["not negative", "positive"] = "not negative" if may_be_nothing else "positive"
    if quantity == "blowdown":
        sign = "not negative"
    if UNITS[quantity] == "mm":
        return length_mm(text, where=where, sign=sign)
    if UNITS[quantity] == "deg":
        degrees = angle_deg(text, where=where, sign=sign)
        if degrees > 360:
            raise QuantityError(
                f"{degrees:g} degrees is more than a revolution", where=where, remedy="give 0 to 360"
            )
        return degrees
    if quantity == "residual":  # below 0 the case has more
        return pressure_pa(text, where=where, sign="any") / 1e5
    if UNITS[quantity] == "bar":
        return pressure_pa(text, where=where, sign=sign) / 1e5
    if quantity in ("time_area", "specific_time_area"):
        return time_area_of(text, 1.0, where=where)  # the swept volume is the engine's, and known later
    if UNITS[quantity] == "cm3":
        return volume_cm3(text, where=where, sign=sign)
    return _ratio(text, where, may_be_nothing=may_be_nothing)


def _ratio(text: str, where: str, *, may_be_nothing: bool) -> float:
    found = re.fullmatch(r"(\d{1,3}(?:[.,]\d{0,9})?)\s*(?::\s*1)?", text.strip())
    number = float(found[1].replace(",", ".")) if found else math.nan
    if not (number >= 0 if may_be_nothing else number > 1):
        raise QuantityError(
            f"{text.strip()!r} is not a compression ratio",
            where=where,
            remedy="write a number above 1 without a unit, such as 7 or 7:1",
        )
    return number


def _example(quantity: Quantity) -> str:
    return {
        "mm": '"0.5 mm"',
        "deg": '"100" or "at least 20"',
        "bar": '"at most 11 bar"',
        "": '"at most 7"',
        "cm3": '"6 cm3"',
        "mm2 s": '"at least 0.03 mm2 s"',
        "s/m": '"at least 0.0006 s/m"',
    }[UNITS[quantity]]
