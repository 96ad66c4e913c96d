"""What a workshop has to plan with: tools, base gaskets on hand, the step that each tool holds, limits.

Glossary
--------
step
    The least difference that a porter holds with a tool; amounts in a plan are whole steps.
tier
    0 for no tool, 1 for tools held by hand, 2 for a lathe.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from portmap.errors import QuantityError
from portmap.quantity import length_mm
from portmap.shop_limits import ShopLimit, usual_limits

__all__ = ["MOST_MM", "STEP_MM", "TIERS", "TOOLS", "Shop", "shop_of"]

TOOLS = ("grinder", "lathe", "files")
TIERS = {"files": 1, "grinder": 1, "lathe": 2}
STEP_MM = 0.05  # what a porter holds; common practice, no source
MOST_MM = 3.0  # more than this is not taken in one piece of work; common practice, no source
THICKEST_MM = 3.0  # of a base gasket that anybody cuts


@dataclass(frozen=True, kw_only=True, slots=True)
class Shop:
    """What a workshop has.

    Parameters
    ----------
    tools : tuple of str
        Of `TOOLS`.
    gaskets_mm : tuple of float or None
        Thicknesses on hand [mm], 0 for none; None for the one that is fitted.
    steps_mm : dict of str to float
        For each tool the step that it holds [mm].
    limits : tuple of ShopLimit
    most_mm : float
        Most that one piece of work takes [mm].
    """

    tools: tuple[str, ...] = TOOLS
    gaskets_mm: tuple[float, ...] | None = None
    steps_mm: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys(TOOLS, STEP_MM))
    limits: tuple[ShopLimit, ...] = field(default_factory=usual_limits)
    most_mm: float = MOST_MM


def shop_of(
    *,
    have: str | None = None,
    gaskets_mm: Sequence[float] | None = None,
    step: str | None = None,
    limits: tuple[ShopLimit, ...] | None = None,
) -> Shop:
    """Return a workshop from what somebody typed.

    Parameters
    ----------
    have : str or None, optional
        Tools, such as ``grinder,lathe``; ``none`` for none; None for all that a plan knows.
    gaskets_mm : sequence of float or None, optional
        Thicknesses on hand [mm].
    step : str or None, optional
        One step for all tools, ``0.05 mm``, or one each, ``lathe 0.02 mm; grinder 4 thou``.
    limits : tuple of ShopLimit or None, optional
        The usual ones unless told.

    Returns
    -------
    Shop

    Raises
    ------
    QuantityError
        If a tool is not known, a thickness is beyond any gasket, or a step is none.

    Examples
    --------
    >>> shop = shop_of(have="grinder", step="lathe 0.02 mm; grinder 0.1 mm")
    >>> shop.tools, shop.steps_mm["lathe"], shop.steps_mm["files"]
    (('grinder',), 0.02, 0.05)
    >>> shop_of(have="grindr")
    Traceback (most recent call last):
    portmap.errors.QuantityError: --have: 'grindr' is not a tool that a plan knows; did you mean grinder?
    """
    tools = TOOLS if have is None else _tools(have)
    thicknesses = None if gaskets_mm is None else tuple(dict.fromkeys(round(each, 6) for each in gaskets_mm))
    for thickness in thicknesses or ():
        if not 0 <= thickness <= THICKEST_MM:
            raise QuantityError(
                f"{thickness:g} mm is not the thickness of a base gasket",
                where="--gaskets",
                remedy=f"give 0 to {THICKEST_MM:g} mm",
            )
    if thicknesses == ():
        raise QuantityError("no thickness is named", where="--gaskets", remedy="write 0 for no gasket")
    return Shop(
        tools=tools,
        gaskets_mm=thicknesses,
        steps_mm=_steps(step),
        limits=usual_limits() if limits is None else limits,
    )


def _tools(have: str) -> tuple[str, ...]:
    words = [word.strip().casefold() for word in have.replace(";", ",").split(",") if word.strip()]
    if words == ["none"]:
        return ()
    alike = {"file": "files", "hand grinder": "grinder", "mill": "lathe"}
    found = []
    for word in words or [""]:
        tool = alike.get(word, word)
        if tool not in TOOLS:
            near = difflib.get_close_matches(tool, TOOLS, n=1)
            remedy = f"did you mean {near[0]}?" if near else f"name some of {', '.join(TOOLS)}, or none"
            raise QuantityError(f"{word!r} is not a tool that a plan knows", where="--have", remedy=remedy)
        found.append(tool)
    return tuple(tool for tool in TOOLS if tool in found)


def _steps(step: str | None) -> dict[str, float]:
    steps = dict.fromkeys(TOOLS, STEP_MM)
    if step is None:
        return steps
    for part in step.split(";"):
        words = part.split(maxsplit=1)
        named = len(words) == 2 and words[0].casefold() in TOOLS
        size = length_mm(words[1] if named else part, where="--step", sign="positive")
        if not 0.001 <= size <= 1.0:
            raise QuantityError(
                f"a step of {size:g} mm is not what a tool holds", where="--step", remedy="give 0.001 to 1 mm"
            )
        steps |= {words[0].casefold(): size} if named else dict.fromkeys(TOOLS, size)
    return steps
