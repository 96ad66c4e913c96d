"""A family of wishes from one phrase with a range in it: ``exhaust opens 96:104:2`` is five wishes.

Numbers are stepped as decimals, so that 0.45:0.6:0.05 gives 0.55 and not 0.5500000000000000444.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import product

from portmap.errors import QuantityError
from portmap.wishes import wish_of

__all__ = ["MOST_CASES", "Case", "cases_of"]

MOST_CASES = 1000  # plans of one job: a coffee break; more is a slip of the keyboard

_NUMBER = r"[+-]?\d{1,6}(?:[.,]\d{1,6})?"
_RANGE = re.compile(
    rf"(?P<head>[^:]*?)(?P<first>{_NUMBER})\s*:\s*(?P<last>{_NUMBER})\s*:\s*(?P<step>{_NUMBER})(?P<tail>[^:]*)"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """One member of a family.

    Parameters
    ----------
    wishes : tuple of str
        One for each swept phrase.
    wanted : float
        The number that stands in the first of them.
    """

    wishes: tuple[str, ...]
    wanted: float

    @property
    def text(self) -> str:
        """Return the wishes in one line."""
        return "; ".join(self.wishes)


def cases_of(phrases: Sequence[str], *, where: str = "--sweep") -> tuple[Case, ...]:
    """Return every combination of the values of swept wishes.

    Parameters
    ----------
    phrases : sequence of str
        Wishes, each with ``FROM:TO:STEP`` in place of its number.
    where : str, optional
        What the phrases are for; it opens the message of an error.

    Returns
    -------
    tuple of Case
        The last phrase changes quickest.

    Raises
    ------
    QuantityError
        If a phrase has no range or one that never ends, is no wish, or there are too many combinations.

    Examples
    --------
    >>> [case.text for case in cases_of(["exhaust opens 96:100:2", "squish 0.5:0.6:0.1 mm"])][:3]
    ['exhaust opens 96; squish 0.5 mm', 'exhaust opens 96; squish 0.6 mm', 'exhaust opens 98; squish 0.5 mm']
    """
    families = [_family(phrase, where) for phrase in phrases]
    count = 1
    for family in families:
        count *= len(family)
    if not families or count > MOST_CASES:
        raise QuantityError(
            f"{count:,} plans for each job are more than {MOST_CASES:,}" if families else "nothing is swept",
            where=where,
            remedy="take wider steps" if families else 'name a wish, as in "exhaust opens 96:104:2"',
        )
    return tuple(
        Case(wishes=tuple(text for _, text in chosen), wanted=float(chosen[0][0]))
        for chosen in product(*families)
    )


def _family(phrase: str, where: str) -> list[tuple[Decimal, str]]:
    found = _RANGE.fullmatch(phrase.strip())
    if found is None:
        raise QuantityError(
            f"{phrase[:60]!r} has no range in it",
            where=where,
            remedy='write FROM:TO:STEP where the number stands, as in "exhaust opens 96:104:2"',
        )
    first, last, step = (Decimal(found[name].replace(",", ".")) for name in ("first", "last", "step"))
    if first != last and not step * (last - first) > 0:
        raise QuantityError(
            f"a step of {step} never leads from {first} to {last}",
            where=where,
            remedy="write FROM:TO:STEP with a step in that direction",
        )
    count = 1 if first == last else int((last - first) / step) + 1
    if count > MOST_CASES:
        raise QuantityError(
            f"{phrase[:60]!r} has {count:,} values, more than {MOST_CASES:,}",
            where=where,
            remedy="take a wider step",
        )
    values = [first + number * step for number in range(count)]
    texts = [f"{found['head']}{value:f}{found['tail']}" for value in values]
    for text in texts:
        wish_of(text, where=where)
    return list(zip(values, texts, strict=True))
