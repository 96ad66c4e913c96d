"""Wishes that hold at a speed: ``blowdown time-area at least 0.03 mm2 s at 9000 rpm``, ``residual pressure``.

A time-area is that of a whole span, by the area in the wall, as `portmap.timearea` tells it; with the unit
``s/m`` it is a specific one. The residual pressure is that of the cylinder over the case when the first
transfer opens, as `portmap.gasflow` has it.
"""

from __future__ import annotations

import re
from typing import Literal, get_args

from portmap.errors import QuantityError
from portmap.quantity import speeds_rpm
from portmap.timearea import SpanName

__all__ = ["SPEED_QUANTITIES", "SpeedQuantity", "speed_apart", "speed_subject"]

SpeedQuantity = Literal["time_area", "specific_time_area", "residual"]
SPEED_QUANTITIES: tuple[SpeedQuantity, ...] = get_args(SpeedQuantity)

_RESIDUAL = re.compile(r"residual(?:\s+pressure)?(?:\s+|(?=[<>=≤≥±]))", re.I)
_TIME_AREA = re.compile(
    r"(?P<span>exhaust|blow-?\s?down|transfer|intake)s?\s+(?:specific\s+)?time[-\s]?area(?:\s+|(?=[<>=≤≥±]))",
    re.I,
)
_SPEED = re.compile(r"\s+(?:at|@)\s*(?P<rpm>\d[\d.,]*\s*(?:rpm|r/min|rev/min|1/min|rps|r/s|rev/s))\s*$", re.I)


def speed_apart(phrase: str, where: str) -> tuple[str, float | None]:
    """Return a phrase without the speed at its end, and the speed.

    Parameters
    ----------
    phrase : str
    where : str
        What the phrase is for.

    Returns
    -------
    str
    float or None
        [rev/min]; None if it names none.

    Raises
    ------
    QuantityError
        If the speed is not one above 0.

    Examples
    --------
    >>> speed_apart("residual pressure at most 0.6 bar at 9000 rpm", "")
    ('residual pressure at most 0.6 bar', 9000.0)
    """
    found = _SPEED.search(phrase)
    if found is None:
        return phrase, None
    speeds = speeds_rpm(found["rpm"], where=where)
    if len(speeds) > 1:
        raise QuantityError("it names several speeds", where=where, remedy="make a wish for each")
    return phrase[: found.start()], speeds[0]


def speed_subject(phrase: str) -> tuple[SpeedQuantity, SpanName | None, str] | None:
    """Return which figure at a speed a phrase is about, of which span, and what is left of it.

    Parameters
    ----------
    phrase : str
        Without the speed.

    Returns
    -------
    tuple or None
        None if it is about none of them.

    Examples
    --------
    >>> speed_subject("blowdown time-area at least 0.03 mm2 s")
    ('time_area', 'blowdown', 'at least 0.03 mm2 s')
    >>> speed_subject("exhaust time-area 0.014 s/m")[0], speed_subject("squish 0.5 mm")
    ('specific_time_area', None)
    """
    found = _RESIDUAL.match(phrase)
    if found:
        return "residual", None, phrase[found.end() :]
    found = _TIME_AREA.match(phrase)
    if not found:
        return None
    rest = phrase[found.end() :]
    word = re.sub(r"[-\s]", "", found["span"].lower())
    span: SpanName = next(name for name in get_args(SpanName) if name == word)
    specific = re.search(r"s\s*/\s*m(?![a-z])", rest, re.I) is not None
    return "specific_time_area" if specific else "time_area", span, rest
