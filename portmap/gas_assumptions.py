"""What the gas model leans on beside the outlines (`gas.toml`): its values, their ranges, draws from them.

None of these figures was measured on the engine at hand. Somebody who knows better may state one, alone or
with a range of its own: ``displacement=0.7``, ``discharge_exhaust=0.70..0.80``.

Glossary
--------
openness
    Opened area over what the outlines say, drawn from the outlines' own doubt; it multiplies a discharge
    coefficient, for the flow knows only their product.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import QuantityError
from portmap.gas_case import GasInputs

__all__ = [
    "STATED",
    "Assumption",
    "assumption_draws",
    "assumptions",
    "gas_inputs",
    "opened_draws",
    "stated_assumptions",
]

Floats = NDArray[np.float64]

STATED = "stated by the user"

_FACTORS = {"heat_mj_per_kg": 1e6}
_FIELDS = {"heat_mj_per_kg": "heat_j_per_kg"}
_STATED = re.compile(r"\s*(?P<key>\w+)\s*[= ]\s*(?P<least>\S+?)\s*(?:(?:\.\.|…| to )\s*(?P<most>\S+?)\s*)?")


@dataclass(frozen=True, kw_only=True, slots=True)
class Assumption:
    """A figure that the model leans on.

    Parameters
    ----------
    key, what : str
    value, least, most : float
        Used; and the ends from which draws are taken, each value between them as likely.
    sense : tuple of float
        Outside which a value is refused.
    unit, basis : str
    """

    key: str
    what: str
    value: float
    least: float
    most: float
    sense: tuple[float, float]
    unit: str
    basis: str


@cache
def assumptions() -> tuple[Assumption, ...]:
    """Return what the gas model leans on.

    Returns
    -------
    tuple of Assumption

    Examples
    --------
    >>> [one.value for one in assumptions() if one.key == "displacement"]
    [0.4]
    """
    data = tomllib.loads(files("portmap").joinpath("gas.toml").read_text(encoding="utf-8"))
    return tuple(
        Assumption(key=key, **{**entry, "sense": tuple(entry["sense"])}) for key, entry in data.items()
    )


def stated_assumptions(texts: Sequence[str], *, where: str = "--lean") -> tuple[Assumption, ...]:
    """Return what the gas model leans on, with what somebody stated in place of the usual.

    Parameters
    ----------
    texts : sequence of str
        ``NAME=VALUE``, which is then taken as sure, or ``NAME=LEAST..MOST``.
    where : str, optional
        What the texts are for; it opens the message of an error.

    Returns
    -------
    tuple of Assumption
        All of them, in their usual order.

    Raises
    ------
    QuantityError
        If a text is no such statement, names no figure of the model or one twice, or makes no sense.

    Examples
    --------
    >>> [(one.least, one.value, one.most) for one in stated_assumptions(["displacement=0.2..0.6"])
    ...  if one.key == "displacement"]
    [(0.2, 0.4, 0.6)]
    >>> stated_assumptions(["discharge_exhaust=1.3"])
    Traceback (most recent call last):
    portmap.errors.QuantityError: --lean "discharge_exhaust=1.3": 1.3 makes no sense; give 0.05 to 1
    """
    known = {one.key: one for one in assumptions()}
    found: dict[str, Assumption] = {}
    for text in texts:
        place = f'{where} "{text if len(text) <= 60 else text[:57] + "..."}"'
        match = _STATED.fullmatch(text)
        if match is None:
            raise QuantityError(
                "it does not state a figure", where=place, remedy='write it like "displacement=0.7"'
            )
        key = match["key"]
        if key not in known:
            near = get_close_matches(key, known, n=1)
            remedy = f"did you mean {near[0]}?" if near else f"name one of {', '.join(known)}"
            raise QuantityError(f"the model has no figure {key!r}", where=place, remedy=remedy)
        if key in found:
            raise QuantityError(f"{key} is stated twice", where=place, remedy="state it once")
        ends = [_number(match[name], place) for name in ("least", "most") if match[name]]
        low, high = known[key].sense
        for end in ends:
            if not low <= end <= high:
                unit = f" {known[key].unit}".rstrip()
                raise QuantityError(
                    f"{end:g}{unit} makes no sense", where=place, remedy=f"give {low:g} to {high:g}"
                )
        if not ends[0] <= ends[-1]:
            raise QuantityError(
                f"its range runs from {ends[0]:g} down to {ends[-1]:g}",
                where=place,
                remedy="write the smaller first",
            )
        found[key] = replace(
            known[key], value=sum(ends) / len(ends), least=ends[0], most=ends[-1], basis=STATED
        )
    return tuple(found.get(key, usual) for key, usual in known.items())


def _number(text: str, where: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise QuantityError(f"{text!r} is not a number", where=where, remedy="write one, such as 0.7")
    return value


def assumption_draws(
    count: int, seed: int, *, among: Sequence[Assumption] | None = None
) -> dict[str, Floats]:
    """Return draws of all that the gas model leans on, each value between its ends as likely.

    Parameters
    ----------
    count : int
    seed : int
    among : sequence of Assumption or None, optional
        From `stated_assumptions`; None takes the usual ones.

    Returns
    -------
    dict of str to ndarray of shape (count,)
        By the assumptions' keys, each in its unit.

    Examples
    --------
    >>> draws = assumption_draws(100, 1)["displacement"]
    >>> bool(draws.min() >= 0.0 and draws.max() <= 0.8)
    True
    """
    random = np.random.default_rng(seed)
    chosen = assumptions() if among is None else among
    return {one.key: random.uniform(one.least, one.most, count) for one in chosen}


def opened_draws(drawn: Mapping[str, Floats], openness: Mapping[str, Floats]) -> dict[str, Floats]:
    """Return draws in which the outlines' own doubt is too.

    Parameters
    ----------
    drawn : mapping of str to ndarray of shape (N,)
        From `assumption_draws`.
    openness : mapping of str to ndarray of shape (N,)
        By ``exhaust``, ``transfer``, ``intake``, as far as somebody said how sure the outlines are [-].

    Returns
    -------
    dict of str to ndarray of shape (N,)

    Examples
    --------
    >>> opened_draws({"discharge_exhaust": np.array([0.7, 0.95])}, {"exhaust": np.array([0.9, 1.1])})
    {'discharge_exhaust': array([0.63, 1.  ])}
    """
    return {
        **drawn,
        **{
            f"discharge_{kind}": np.clip(drawn[f"discharge_{kind}"] * open_, 0.0, 1.0)
            for kind, open_ in openness.items()
        },
    }


def gas_inputs(
    rpm: ArrayLike,
    drawn: Mapping[str, Floats] | None = None,
    *,
    among: Sequence[Assumption] | None = None,
    air_pa: float = 101_325.0,
    air_k: float = 293.15,
    pipe_mm2: float = math.inf,
) -> GasInputs:
    """Return what the gas model is run with.

    Parameters
    ----------
    rpm : array_like of shape (N,)
        Crank speeds [rev/min].
    drawn : mapping of str to ndarray of shape (N,), or None, optional
        From `assumption_draws`; None takes the values that are used unless told.
    among : sequence of Assumption or None, optional
        From `stated_assumptions`; None takes the usual ones.
    air_pa, air_k : float, optional
        Outside [Pa, K].
    pipe_mm2 : float, optional
        As in `GasInputs` [mm²].

    Returns
    -------
    GasInputs

    Examples
    --------
    >>> gas_inputs([9000.0]).displacement
    0.4
    """
    found: dict[str, Any] = {}
    for one in assumptions() if among is None else among:
        amount = one.value if drawn is None else drawn[one.key]
        found[_FIELDS.get(one.key, one.key)] = amount * _FACTORS.get(one.key, 1.0)
    found["exhaust_pa"] = found.pop("exhaust_bar") * air_pa
    return GasInputs(rpm=np.asarray(rpm, np.float64), air_pa=air_pa, air_k=air_k, pipe_mm2=pipe_mm2, **found)
