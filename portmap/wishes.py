"""What a porter wants, from plain words: ``squish 0.5 mm``, ``exhaust opens 100``, ``blowdown at least 20``.

A wish names a figure, and a port where the figure is a port's. Then comes one of four forms: a value, with
or without ``± tolerance``; ``at least``; ``at most``; or a range ``0.45 to 0.6 mm``. Sizes take the units
that people type everywhere else; of a range, the unit may stand once, at its end. Time-areas and the residual
pressure hold at a speed, which ends the phrase (`portmap.wish_spans`).

A port is named by its id or its kind; a kind means every port of that kind. Degrees of an opening count
after TDC, but a port that the skirt controls opens before it, so there a number below 180 counts before TDC;
``before TDC`` or ``after TDC`` may be said too. `said_back` repeats how a wish was understood.

Glossary
--------
tolerance
    How far from its value a figure may lie, and the measure in which a miss is weighed. What nobody typed
    comes from ``wishes.toml``: common practice, no source.
compression ratio
    Trapped, unless *geometric* is said: from the exhaust's closing, not from the whole stroke.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

from portmap.errors import QuantityError
from portmap.quantity import angle_deg, length_mm, pressure_pa, volume_cm3
from portmap.shown import UnitSystem, number_text, unit_system
from portmap.timearea import SpanName
from portmap.wish_amounts import UNITS, Form, Quantity, wished_amounts
from portmap.wish_spans import SPEED_QUANTITIES, speed_apart, speed_subject

__all__ = [
    "UNITS",
    "Form",
    "Quantity",
    "Wish",
    "amount_text",
    "default_tolerance",
    "said_back",
    "wish_name",
    "wish_of",
    "wishes_of",
]

Side = Literal["before", "after"]

PORT_QUANTITIES = ("opens", "closes", "duration")
LONGEST = 120  # characters; a wish is a phrase

NAMES: dict[Quantity, str] = {
    "squish": "squish",
    "opens": "opens",
    "closes": "closes",
    "duration": "duration",
    "blowdown": "blowdown",
    "cranking": "cranking pressure",
    "trapped_ratio": "trapped compression ratio",
    "geometric_ratio": "geometric compression ratio",
    "head_volume": "head volume",
    "time_area": "time-area",
    "specific_time_area": "specific time-area",
    "residual": "residual pressure",
}
_WHOLE: tuple[tuple[Quantity, str], ...] = (
    ("squish", r"squish(?:\s+(?:clearance|gap))?"),
    ("blowdown", r"blow-?\s?down"),
    ("cranking", r"cranking(?:\s+(?:pressure|compression))?"),
    ("geometric_ratio", r"geometric(?:al)?(?:\s+compression)?\s+ratio"),
    ("trapped_ratio", r"(?:(?:trapped|corrected)(?:\s+compression)?|compression)\s+ratio"),
    ("head_volume", r"(?:head|chamber)\s+volume"),
)
_PORT_WORDS: dict[str, Quantity] = {
    "opens": "opens",
    "opening": "opens",
    "closes": "closes",
    "closing": "closes",
    "duration": "duration",
    "open for": "duration",
}
_SIDE = re.compile(r"\s*\b(?:(?P<before>before\s+(?:top|tdc)|btdc)|(?:after\s+(?:top|tdc)|atdc))\b\s*", re.I)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """One thing wanted.

    Parameters
    ----------
    text : str
        As it was typed.
    quantity : Quantity
        Which figure.
    form : {'value', 'at least', 'at most', 'range'}
    low, high : float
        What the figure may be, tolerance included, in mm, degrees, bar, cm³ or none; infinite where there
        is no limit; mm²·s, s/m for time-areas. Degrees as they were typed: see `side`.
    tolerance : float
        The measure of a miss, in the same unit; above 0.
    tolerance_told : bool
        Whether the wish itself named it.
    port : str or None
        Id or kind, as typed; None where the figure is the whole engine's.
    side : {'before', 'after'} or None
        Of TDC, if the wish said so.
    character : str or None
        The starting wishes that it came from; None if somebody typed it.
    span : {'exhaust', 'blowdown', 'transfer', 'intake'} or None
        Of a time-area.
    rpm : float or None
        At which it holds, for a time-area or the residual pressure [rev/min].
    """

    text: str
    quantity: Quantity
    form: Form
    low: float
    high: float
    tolerance: float
    tolerance_told: bool = False
    port: str | None = None
    side: Side | None = None
    character: str | None = None
    span: SpanName | None = None
    rpm: float | None = None

    @property
    def value(self) -> float | None:
        """Return the one figure aimed at; None for a limit or a range."""
        return (self.low + self.high) / 2 if self.form == "value" else None


def wishes_of(texts: Sequence[str], *, where: str = "--want") -> tuple[Wish, ...]:
    """Return what several phrases ask for.

    Parameters
    ----------
    texts : sequence of str
    where : str, optional
        What the phrases are for; it opens the message of an error.

    Returns
    -------
    tuple of Wish
        In the order typed; the same wish typed twice stands once.

    Raises
    ------
    QuantityError
        As `wish_of`, or if there is none.

    Examples
    --------
    >>> [wish.quantity for wish in wishes_of(["squish 20 thou", "blowdown at least 20"])]
    ['squish', 'blowdown']
    """
    if not texts:
        raise QuantityError(
            "there is no wish to plan for", where=where, remedy='name one, such as "squish 0.5 mm"'
        )
    return tuple(dict.fromkeys(wish_of(text, where=where) for text in texts))


def wish_of(text: str, *, where: str = "--want", character: str | None = None) -> Wish:
    """Return what one phrase asks for.

    Parameters
    ----------
    text : str
    where : str, optional
        What the phrase is for; it opens the message of an error.
    character : str or None, optional
        The starting wishes that it belongs to.

    Returns
    -------
    Wish

    Raises
    ------
    QuantityError
        If it is not a wish, has a unit that does not fit, or its range or tolerance makes no sense.

    Examples
    --------
    >>> wish = wish_of("squish 0.45 to 0.6 mm")
    >>> wish.form, wish.low, wish.high
    ('range', 0.45, 0.6)
    >>> wish_of("squish 100 deg")
    Traceback (most recent call last):
    portmap.errors.QuantityError: --want "squish 100 deg": 'deg' in '100 deg' is not a unit of length; ...
    """
    phrase = " ".join(text.split())
    where = f'{where} "{phrase if len(phrase) <= 60 else phrase[:57] + "..."}"'
    if len(phrase) > LONGEST:
        raise QuantityError("it is too long for a wish", where=where, remedy="ask for one figure at a time")
    phrase_alone, rpm = speed_apart(phrase, where)
    span: SpanName | None = None
    quantity: Quantity
    port: str | None = None
    at_speed = speed_subject(phrase_alone)
    if at_speed is not None:
        quantity, span, rest = at_speed
    else:
        quantity, port, rest = _subject(phrase_alone, where)
    if (rpm is None) == (quantity in SPEED_QUANTITIES):
        raise QuantityError(
            "it does not say at what speed" if rpm is None else "it is the same at every speed",
            where=where,
            remedy='end it with the speed, as in "at 9000 rpm"' if rpm is None else "leave the speed out",
        )
    side: Side | None = None
    if quantity in ("opens", "closes"):
        found = _SIDE.search(rest)
        if found:
            side = "before" if found["before"] else "after"
            rest = f"{rest[: found.start()]} {rest[found.end() :]}".strip()
    form, amounts, tolerance = wished_amounts(rest, quantity, where)
    told = tolerance is not None
    usual = default_tolerance(quantity, about=max(map(abs, amounts)))
    measure = usual if tolerance is None else tolerance
    if form == "value":
        low, high = amounts[0] - measure, amounts[0] + measure
    elif form == "range":
        low, high = amounts
    else:
        low, high = (amounts[0], math.inf) if form == "at least" else (-math.inf, amounts[0])
    return Wish(
        text=phrase,
        quantity=quantity,
        form=form,
        low=low,
        high=high,
        # a tolerance of nothing is a wish for the figure itself; its misses are still weighed
        tolerance=measure if measure > 0 else usual,
        tolerance_told=told,
        port=port,
        side=side,
        character=character,
        span=span,
        rpm=rpm,
    )


def _subject(phrase: str, where: str) -> tuple[Quantity, str | None, str]:
    """Return the figure, the port, and what is left of the phrase."""
    for quantity, pattern in _WHOLE:
        found = re.match(rf"(?:{pattern})(?:\s+|(?=[<>=≤≥±]))", phrase, re.I)
        if found:
            return quantity, None, phrase[found.end() :].strip()
    words = "|".join(word.replace(" ", r"\s+") for word in _PORT_WORDS)
    found = re.match(rf"(?P<port>.+?)\s+(?P<word>{words})(?:\s+|(?=[<>=≤≥±]))", phrase, re.I)
    if found:
        word = " ".join(found["word"].casefold().split())
        return _PORT_WORDS[word], found["port"].strip(), phrase[found.end() :].strip()
    first = phrase.split()[0].casefold() if phrase else ""
    known = [name.split()[0] for name in NAMES.values() if name not in PORT_QUANTITIES]
    near = difflib.get_close_matches(first, known, n=1, cutoff=0.7)
    hint = f"did you mean {near[0]}?" if near and near[0] != first else "write it like"
    raise QuantityError(
        "it is not a wish that is understood",
        where=where,
        remedy=f'{hint} "squish 0.5 mm", "exhaust opens 100 ± 0.5", "blowdown at least 20",'
        ' "cranking at most 11 bar", "compression ratio at most 7", "head volume 6 cm3", or, at a speed,'
        ' "residual pressure at most 0.6 bar at 9000 rpm" or'
        ' "blowdown time-area at least 0.03 mm2 s at 9000 rpm"',
    )


def default_tolerance(quantity: Quantity, *, about: float = 1.0) -> float:
    """Return how near counts as met where a wish does not say.

    Parameters
    ----------
    quantity : Quantity
    about : float, optional
        The figure wished for, of which the tolerance of a time-area is a share; no matter for others.

    Returns
    -------
    float
        In mm, degrees, bar, cm³, mm²·s, s/m or none; common practice, no source.

    Examples
    --------
    >>> default_tolerance("squish"), default_tolerance("opens")
    (0.03, 0.5)
    """
    share = about if quantity in ("time_area", "specific_time_area") else 1.0
    return _tolerances()[quantity] * share


@cache
def _tolerances() -> dict[Quantity, float]:
    import tomllib
    from importlib.resources import files

    told = tomllib.loads(files("portmap").joinpath("wishes.toml").read_text(encoding="utf-8"))["tolerance"]
    readers: dict[str, Callable[[str], float]] = {
        "mm": length_mm,
        "deg": angle_deg,
        "bar": lambda text: pressure_pa(text) / 1e5,
        "": float,
        "cm3": volume_cm3,
        "mm2 s": _share,
        "s/m": _share,
    }
    return {quantity: readers[UNITS[quantity]](told[quantity]) for quantity in get_args(Quantity)}


def _share(text: str) -> float:
    return float(text.removesuffix("%")) / 100


def amount_text(amount: float, quantity: Quantity, system: UnitSystem | None = None) -> str:
    """Return an amount of a wished figure as a person reads it.

    Parameters
    ----------
    amount : float
        In mm, degrees, bar, cm³, mm²·s, s/m or none.
    quantity : Quantity
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    str
        With its unit.

    Examples
    --------
    >>> amount_text(0.508, "squish"), amount_text(100, "opens"), amount_text(11, "cranking")
    ('0.51 mm', '100.0°', '11.0 bar')
    """
    system = system or unit_system("mm")
    unit = UNITS[quantity]
    if unit == "mm":
        return f"{system.lengths(amount)} {system.length}"
    if unit == "cm3":
        return f"{system.volumes(amount)} {system.volume}"
    if unit == "deg":
        return f"{number_text(amount, 1)}°"
    if unit == "mm2 s":
        return f"{system.time_areas(amount)} {system.time_area}"
    if unit == "s/m":
        return f"{number_text(amount, 5)} s/m"
    if quantity == "residual":
        return f"{system.pressures(amount, finer=True)} {system.pressure}"
    if unit == "bar":
        return f"{system.pressures(amount)} {system.pressure}"
    return number_text(amount, 2)


def wish_name(wish: Wish, port: str | None) -> str:
    """Return what the figure that a wish is about is called.

    Parameters
    ----------
    wish : Wish
    port : str or None
        Id of the one port that is meant.

    Returns
    -------
    str

    Examples
    --------
    >>> wish_name(wish_of("exhaust opens 100"), "main"), wish_name(wish_of("squish 0.5 mm"), None)
    ('main opens', 'squish')
    """
    return " ".join(part for part in (port, wish.span, NAMES[wish.quantity]) if part)


def said_back(wish: Wish, *, before_tdc: bool = False, system: UnitSystem | None = None) -> str:
    """Return how a wish was understood.

    Parameters
    ----------
    wish : Wish
    before_tdc : bool, optional
        Whether its degrees count before TDC though it did not say so.
    system : UnitSystem or None, optional
        mm unless told.

    Returns
    -------
    str

    Examples
    --------
    >>> said_back(wish_of("intake opens 76"), before_tdc=True)
    'intake opens 75.5° to 76.5° before TDC'
    >>> said_back(wish_of("compression ratio at most 7"))
    'trapped compression ratio at most 7.00'
    """
    name = wish_name(wish, wish.port)
    low, high = (amount_text(edge, wish.quantity, system) for edge in (wish.low, wish.high))
    if wish.form == "at least":
        limits = f"at least {low}"
    elif wish.form == "at most":
        limits = f"at most {high}"
    else:
        limits = low if wish.low == wish.high else f"{low} to {high}"
    side = "before" if before_tdc else wish.side
    speed = "" if wish.rpm is None else f" at {wish.rpm:g} rpm"
    return f"{name} {limits}{f' {side} TDC' if side else ''}{speed}"
