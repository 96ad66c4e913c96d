"""A book's straight lines of specific time-area against mean effective pressure, as a user enters them.

STA = (bmep + c)/m. portmap ships none: their coefficients could not be verified. A user who has the book may
enter them, with the source, in a file.

Glossary
--------
line
    c [bar] and m [bar·m/s] of one kind of port.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path

from portmap.errors import QuantityError

__all__ = ["Line", "line_pressure_bar", "line_specific_s_per_m", "read_lines"]

_LARGEST_FILE = 1_000_000  # bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A straight line of specific time-area against mean effective pressure, entered by a user.

    Parameters
    ----------
    of : str
        Span.
    offset_bar : float
        c [bar].
    slope_bar_m_per_s : float
        m [bar·m/s], above 0.
    source : str
        Book and page.
    checked_by : str
        Who read it there.
    """

    of: str
    offset_bar: float
    slope_bar_m_per_s: float
    source: str
    checked_by: str


def line_specific_s_per_m(line: Line, pressure_bar: float) -> float:
    """Return the specific time-area that a line asks for at a mean effective pressure.

    (bmep + c)/m.

    Parameters
    ----------
    line : Line
    pressure_bar : float
        Brake mean effective pressure [bar].

    Returns
    -------
    float
        [s/m]

    References
    ----------
    .. [1] The form, not its coefficients: Blair, Design and Simulation of Two-Stroke Engines, 1996, ch. 6
       (from memory).

    Examples
    --------
    >>> made_up = Line(of="exhaust", offset_bar=2.0, slope_bar_m_per_s=800.0, source="made up", checked_by="")
    >>> line_specific_s_per_m(made_up, 10.0)
    0.015
    """
    return (pressure_bar + line.offset_bar) / line.slope_bar_m_per_s


def line_pressure_bar(line: Line, specific_s_per_m: float) -> float:
    """Return the mean effective pressure that a line reads from a specific time-area.

    Parameters
    ----------
    line : Line
    specific_s_per_m : float
        [s/m]

    Returns
    -------
    float
        [bar]; below 0 means that the line does not reach so far down.

    Examples
    --------
    >>> made_up = Line(of="exhaust", offset_bar=2.0, slope_bar_m_per_s=800.0, source="made up", checked_by="")
    >>> round(line_pressure_bar(made_up, 0.015), 9)
    10.0
    """
    return specific_s_per_m * line.slope_bar_m_per_s - line.offset_bar


def read_lines(path: Path | str) -> tuple[Line, ...]:
    """Return the lines that a user entered.

    Parameters
    ----------
    path : Path or str
        TOML: for each span a table with ``offset_bar``, ``slope_bar_m_per_s``, ``source`` and, if somebody
        read it in the book, ``checked_by``.

    Returns
    -------
    tuple of Line

    Raises
    ------
    QuantityError
        If the file cannot be read, or a line is not one.

    Examples
    --------
    >>> read_lines("no-such-lines.toml")
    Traceback (most recent call last):
    portmap.errors.QuantityError: no-such-lines.toml: there is no such file; check the name
    """
    place = Path(path)
    try:
        if place.stat().st_size > _LARGEST_FILE:
            raise QuantityError("the file is too large", where=place.name, remedy="keep to a few lines")
        data = tomllib.loads(place.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise QuantityError("there is no such file", where=place.name, remedy="check the name") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise QuantityError(
            f"it cannot be read ({error})", where=place.name, remedy="write it as TOML, a table for each span"
        ) from None
    return tuple(_line(place.name, of, entry) for of, entry in data.items())


def _line(file: str, of: str, entry: object) -> Line:
    where = f"{file}: {of}"
    spans = ("exhaust", "blowdown", "transfer", "intake")
    if of not in spans or not isinstance(entry, dict):
        raise QuantityError("there is no such span", where=where, remedy=f"name one of {', '.join(spans)}")
    for key in ("offset_bar", "slope_bar_m_per_s"):
        figure = entry.get(key)
        if isinstance(figure, bool) or not isinstance(figure, int | float) or not math.isfinite(figure):
            raise QuantityError("it is not a number", where=f"{where}.{key}", remedy="copy it from the book")
    if not entry["slope_bar_m_per_s"] > 0:
        raise QuantityError(
            "a slope must be above 0", where=f"{where}.slope_bar_m_per_s", remedy="copy it from the book"
        )
    if not isinstance(entry.get("source"), str) or not entry["source"].strip():
        raise QuantityError("its source is missing", where=f"{where}.source", remedy="name book and page")
    return Line(
        of=of,
        offset_bar=float(entry["offset_bar"]),
        slope_bar_m_per_s=float(entry["slope_bar_m_per_s"]),
        source=entry["source"].strip(),
        checked_by=str(entry.get("checked_by", "")).strip(),
    )
