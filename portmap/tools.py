"""Bench tools: what each reads, and how far its readings are good.

The figures are data, in ``tools.toml`` beside this module, and common practice without a source. There a
tool's ± is two standard uncertainties (k = 2), like every ± that portmap shows.

Glossary
--------
varies
    The share of a tool's ± that differs from one reading to the next. Repeating divides it by the root of
    the count.
stays
    The rest, in quadrature: what no repeating takes away, such as the wheel's zero.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from portmap.errors import QuantityError

__all__ = [
    "SOURCE",
    "Assumptions",
    "Tool",
    "ToolUnit",
    "assumptions",
    "tool_doubt",
    "tool_named",
    "tool_of_spelling",
    "tools",
]

ToolUnit = Literal["deg", "mm", "cm3", "bar"]

SOURCE = "common practice, no source"
COVERAGE = 2.0  # standard uncertainties in a tool's ±


@dataclass(frozen=True, kw_only=True, slots=True)
class Tool:
    """A bench tool.

    Parameters
    ----------
    name : str
        As the trade calls it.
    unit : {'deg', 'mm', 'cm3', 'bar'}
        What it is read in.
    plus_minus : float
        Two standard uncertainties of one reading, in that unit.
    varies : float
        Share of it that differs between readings, 0 to 1.
    kinds : tuple of str
        Readings that it can give.
    also : tuple of str, optional
        Other names of it.
    """

    name: str
    unit: ToolUnit
    plus_minus: float
    varies: float
    kinds: tuple[str, ...]
    also: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Assumptions:
    """How far a figure may be off that nobody measured.

    Parameters
    ----------
    rod_ratio_u : float
        Standard uncertainty of a guessed rod's ratio to the stroke [-].
    pin_offset_u_mm : float
        Of a pin offset taken as none [mm].
    figure_share_u : float
        Of any other assumed figure, as a share of it [-].
    outline_u_mm : float
        Of a height of an outline that states no doubt [mm].
    """

    rod_ratio_u: float
    pin_offset_u_mm: float
    figure_share_u: float
    outline_u_mm: float


def tools() -> Mapping[str, Tool]:
    """Return every tool by its name.

    Returns
    -------
    mapping of str to Tool

    Examples
    --------
    >>> tools()["degree wheel"].plus_minus, tools()["solder"].plus_minus
    (0.5, 0.01)
    """
    return _all_tools()


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads(files("portmap").joinpath("tools.toml").read_text(encoding="utf-8"))


@cache
def _all_tools() -> dict[str, Tool]:
    return {
        name: Tool(
            name=name,
            unit=entry["unit"],
            plus_minus=float(entry["plus_minus"]),
            varies=float(entry["varies"]),
            kinds=tuple(entry["kinds"]),
            also=tuple(entry["also"]),
        )
        for name, entry in _data()["tools"].items()
    }


@cache
def _spellings() -> dict[str, str]:
    return {
        spelling.casefold(): tool.name
        for tool in _all_tools().values()
        for spelling in (tool.name, *tool.also)
    }


def assumptions() -> Assumptions:
    """Return how far the figures may be off that nobody measured.

    Returns
    -------
    Assumptions
        Common practice, no source.

    Examples
    --------
    >>> assumptions().rod_ratio_u
    0.1
    """
    entry = _data()["assumed"]
    return Assumptions(
        rod_ratio_u=entry["rod_ratio_plus_minus"] / COVERAGE,
        pin_offset_u_mm=entry["pin_offset_plus_minus_mm"] / COVERAGE,
        figure_share_u=entry["figure_plus_minus_share"] / COVERAGE,
        outline_u_mm=entry["outline_plus_minus_mm"] / COVERAGE,
    )


def tool_of_spelling() -> Mapping[str, str]:
    """Return the tool that each spelling means.

    Returns
    -------
    mapping of str to str
        Spelling in lower case to the tool's name.

    Examples
    --------
    >>> tool_of_spelling()["vernier"]
    'caliper'
    """
    return _spellings()


def tool_named(name: str, *, where: str = "") -> Tool:
    """Return the tool of a name.

    Parameters
    ----------
    name : str
        One of its names, in any case.
    where : str, optional
        The field or option, which opens the message of an error.

    Returns
    -------
    Tool

    Raises
    ------
    QuantityError
        If there is no such tool; with the nearest name.

    Examples
    --------
    >>> tool_named("Degree Wheel").unit
    'deg'
    >>> tool_named("degre wheel")
    Traceback (most recent call last):
    portmap.errors.QuantityError: 'degre wheel' is not a tool known here; did you mean degree wheel? ...
    """
    known = _spellings()
    typed = " ".join(name.split()).casefold()
    if typed in known:
        return _all_tools()[known[typed]]
    near = difflib.get_close_matches(typed[:40], [*known], n=1, cutoff=0.6)
    shown = name if len(name) <= 40 else f"{name[:37]}..."
    others = ", ".join(_all_tools())
    raise QuantityError(
        f"{shown!r} is not a tool known here",
        where=where,
        remedy=f"did you mean {known[near[0]]}? Others are {others}" if near else f"take one of {others}",
    )


def tool_doubt(tool: Tool, *, times: int = 1, scatter: float | None = None) -> float:
    """Return the standard uncertainty of a mean of readings with a tool.

    u² = (varies · u₁)² / n + (1 − varies²) · u₁², with u₁ half of the tool's ±. Where the readings' own
    scatter is known and larger than the part that varies, it takes that part's place (a type A evaluation,
    JCGM 100, 4.2, from memory).

    Parameters
    ----------
    tool : Tool
    times : int, optional
        How often it was read.
    scatter : float or None, optional
        Standard deviation of the single readings, in the tool's unit.

    Returns
    -------
    float
        In the tool's unit, k = 1.

    Examples
    --------
    >>> wheel = tools()["degree wheel"]
    >>> tool_doubt(wheel), round(tool_doubt(wheel, times=4), 3), round(tool_doubt(wheel, times=10**6), 3)
    (0.25, 0.18, 0.15)
    """
    single = tool.plus_minus / COVERAGE
    varying = max(tool.varies * single, scatter or 0.0)
    return math.sqrt(varying**2 / times + (1 - tool.varies**2) * single**2)
