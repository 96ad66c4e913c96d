"""Pieces of work that a workshop does, by name: what each is, the tools it asks for, how it is typed.

What each does to engine and ports is `portmap.shopwork`'s. An amount is what is taken off, in mm; for a
setting (another gasket, a film of sealant) it is the new thickness.

Glossary
--------
setting
    Work whose amount is the new figure and not a change of the old one.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass

from portmap.errors import QuantityError
from portmap.quantity import length_mm

__all__ = [
    "OPERATIONS",
    "SEALANT_FILM_MM",
    "Operation",
    "OperationKind",
    "kind_of",
    "operation_text",
    "parse_operation",
    "tools_needed",
]

SEALANT_FILM_MM = 0.03  # squeezed out between two flat faces; common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class OperationKind:
    """A kind of work.

    Parameters
    ----------
    name : str
        As in recipes and on the command line.
    words : str
        What it does.
    needs : tuple of str
        Tools, any one of which will do: ``lathe``, ``grinder``, ``files``; empty for none.
    takes_port : bool
        Whether it is done to one port and must name it.
    sets : bool
        Whether the amount is the new figure (a gasket's thickness) and not what is taken off.
    takes_metal : bool
        Whether it can't be undone.
    """

    name: str
    words: str
    needs: tuple[str, ...] = ()
    takes_port: bool = False
    sets: bool = False
    takes_metal: bool = True


OPERATIONS: tuple[OperationKind, ...] = (
    OperationKind(
        name="base_gasket", words="fit a base gasket of this thickness", sets=True, takes_metal=False
    ),
    OperationKind(
        name="sealant",
        words="leave the base gasket out and seal with a film of this thickness",
        sets=True,
        takes_metal=False,
    ),
    OperationKind(name="cut_base", words="turn the cylinder's base face down", needs=("lathe",)),
    OperationKind(
        name="cut_crown",
        words="turn the crown down, timing edge and squish rim together; a dome it has is left standing",
        needs=("lathe",),
    ),
    OperationKind(
        name="cut_rim",
        words="turn a step into the crown under the squish band, the middle left standing",
        needs=("lathe",),
    ),
    OperationKind(name="cut_band", words="turn the squish band up into the head", needs=("lathe",)),
    OperationKind(
        name="trim_skirt", words="shorten the skirt on the intake side", needs=("grinder", "files")
    ),
    OperationKind(
        name="grind_roof",
        words="grind a port's roof up, all its windows",
        needs=("grinder",),
        takes_port=True,
    ),
    OperationKind(
        name="grind_floor",
        words="grind a port's floor down, all its windows",
        needs=("grinder",),
        takes_port=True,
    ),
    OperationKind(
        name="file_pocket_top",
        words="file the upper edge of an air channel's pocket toward the crown",
        needs=("files", "grinder"),
        takes_port=True,
    ),
    OperationKind(
        name="file_pocket_bottom",
        words="file the lower edge of an air channel's pocket toward the skirt",
        needs=("files", "grinder"),
        takes_port=True,
    ),
)
_KINDS = {kind.name: kind for kind in OPERATIONS}


def kind_of(name: str) -> OperationKind:
    """Return the kind of work that a name stands for.

    Parameters
    ----------
    name : str

    Returns
    -------
    OperationKind

    Raises
    ------
    QuantityError
        If there is none of that name; the nearest is offered.

    Examples
    --------
    >>> kind_of("cut_base").needs
    ('lathe',)
    >>> kind_of("cut_bas")
    Traceback (most recent call last):
    portmap.errors.QuantityError: 'cut_bas' is no piece of work; did you mean cut_base?
    """
    found = _KINDS.get(name)
    if found is None:
        near = difflib.get_close_matches(name, _KINDS, n=1)
        remedy = f"did you mean {near[0]}?" if near else f"take one of {', '.join(_KINDS)}"
        raise QuantityError(f"{_quoted(name)} is no piece of work", remedy=remedy)
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Operation:
    """One piece of work.

    Parameters
    ----------
    operation : str
        The name of its kind.
    amount_mm : float
        What is taken off, or the new thickness of a gasket or film [mm]; 0 or more.
    port : str or None, optional
        For work on one port, its id.

    Raises
    ------
    QuantityError
        If there is no such work, the amount is below 0 or not finite, or a port is missing or too much.

    Examples
    --------
    >>> Operation(operation="cut_base", amount_mm=-0.2)
    Traceback (most recent call last):
    portmap.errors.QuantityError: cut_base: an amount of -0.2 mm is below 0; give what is taken off
    """

    operation: str
    amount_mm: float
    port: str | None = None

    def __post_init__(self) -> None:
        """Refuse work that nobody can do."""
        kind = kind_of(self.operation)
        if not math.isfinite(self.amount_mm):
            raise QuantityError("its amount is not a number", where=kind.name, remedy="give it in mm")
        if not self.amount_mm >= 0:
            raise QuantityError(
                f"an amount of {self.amount_mm:g} mm is below 0",
                where=kind.name,
                remedy="give the new thickness, 0 for none" if kind.sets else "give what is taken off",
            )
        if kind.takes_port and not self.port:
            raise QuantityError(
                "it is done to one port, and none is named",
                where=kind.name,
                remedy=f"write for instance {kind.name} exhaust {self.amount_mm:g} mm",
            )
        if self.port and not kind.takes_port:
            raise QuantityError(
                f"it is not done to one port, yet {_quoted(self.port)} is named",
                where=kind.name,
                remedy="leave the port out",
            )


def parse_operation(text: str, *, where: str = "--do") -> Operation:
    """Return the work that somebody typed.

    Parameters
    ----------
    text : str
        The name, for some the port, and the amount: ``cut_base 0.5 mm``, ``grind_roof exhaust 20 thou``.
        Words of a name may stand apart (``cut base``); ``sealant`` may come without an amount.
    where : str, optional
        What the text was typed for; it opens the message of an error.

    Returns
    -------
    Operation

    Raises
    ------
    QuantityError
        If the work is not known, a port is missing or too much, or the amount is not a length from 0 on.

    Examples
    --------
    >>> parse_operation("cut_base 0.5 mm")
    Operation(operation='cut_base', amount_mm=0.5, port=None)
    >>> parse_operation("grind_roof exhaust 20 thou")
    Operation(operation='grind_roof', amount_mm=0.508, port='exhaust')
    >>> parse_operation("cut_base 3 deg")
    Traceback (most recent call last):
    portmap.errors.QuantityError: --do 'cut_base 3 deg': 'deg' in '3 deg' is not a unit of length; ...
    """
    place = f"{where} {_quoted(text)}".strip()
    kind, words = _named(text.split(), place)
    port: str | None = None
    if kind.takes_port:
        port, words = _port_named(kind, words, place)
    elif len(words) > 1 and not _is_length(words) and _is_length(words[1:]):
        raise QuantityError(
            f"{kind.name} is not done to one port, yet {_quoted(words[0])} is named",
            where=place,
            remedy=f"write {kind.name} {' '.join(words[1:])}",
        )
    if not words and kind.name == "sealant":
        amount = SEALANT_FILM_MM
    elif not words:
        raise QuantityError(
            "the amount is missing",
            where=place,
            remedy=f"write for instance {kind.name} {'exhaust ' if kind.takes_port else ''}0.5 mm",
        )
    else:
        amount = length_mm(" ".join(words), where=place, sign="not negative")
    return Operation(operation=kind.name, amount_mm=amount, port=port)


def _named(words: list[str], place: str) -> tuple[OperationKind, list[str]]:
    """Return the kind of work that the first words name, and the words after it."""
    if not words:
        raise QuantityError("no work is named", where=place, remedy="write for instance cut_base 0.5 mm")
    spelled = [word.lower().replace("-", "_") for word in words]
    for count in (3, 2, 1):
        name = "_".join(spelled[:count])
        if name in _KINDS:
            return _KINDS[name], words[count:]
    letters = [word for word in spelled[:3] if word[0].isalpha()]
    guesses = ["_".join(letters[:count]) for count in range(1, len(letters) + 1)] or spelled[:1]
    near = [difflib.get_close_matches(guess, _KINDS, n=1) for guess in guesses]
    best = max(
        (found[0] for found in near if found),
        key=lambda name: max(difflib.SequenceMatcher(None, name, guess).ratio() for guess in guesses),
        default=None,
    )
    remedy = f"did you mean {best}?" if best else f"take one of {', '.join(_KINDS)}"
    raise QuantityError(f"{_quoted(words[0])} is no piece of work", where=place, remedy=remedy)


def _port_named(kind: OperationKind, words: list[str], place: str) -> tuple[str, list[str]]:
    """Return the port, whose name may hold spaces, and the words of the amount after it."""
    for count in range(1, len(words)):
        if _is_length(words[count:]):
            return " ".join(words[:count]), words[count:]
    if not words or _is_length(words):
        amount = " ".join(words) or "0.5 mm"
        raise QuantityError(
            f"{kind.name} is done to one port, and none is named",
            where=place,
            remedy=f"write for instance {kind.name} exhaust {amount}",
        )
    return words[0], words[1:]


def _is_length(words: list[str]) -> bool:
    try:
        length_mm(" ".join(words))
    except QuantityError:
        return False
    return True


def operation_text(operation: Operation) -> str:
    """Return work as it may be typed.

    Parameters
    ----------
    operation : Operation

    Returns
    -------
    str

    Examples
    --------
    >>> operation_text(Operation(operation="grind_roof", amount_mm=0.508, port="exhaust"))
    'grind_roof exhaust 0.508 mm'
    """
    parts = (operation.operation, operation.port, f"{operation.amount_mm:.6g} mm")
    return " ".join(part for part in parts if part)


def tools_needed(operations: Iterable[Operation], have: Iterable[str] | None = None) -> tuple[str, ...]:
    """Return the tools that some work asks for.

    Parameters
    ----------
    operations : iterable of Operation
    have : iterable of str or None, optional
        Tools at hand; where several would do, one of them is taken. None takes the first that would do.

    Returns
    -------
    tuple of str
        Each once, in the order in which they are first needed.

    Raises
    ------
    QuantityError
        If a piece of work needs a tool that is not at hand.

    Examples
    --------
    >>> work = [parse_operation("trim_skirt 0.5 mm"), parse_operation("cut_base 0.2 mm")]
    >>> tools_needed(work)
    ('grinder', 'lathe')
    >>> tools_needed(work, ["files"])
    Traceback (most recent call last):
    portmap.errors.QuantityError: cut_base 0.2 mm: it needs a lathe, which is not at hand
    """
    at_hand = None if have is None else set(have)
    found: dict[str, None] = {}
    for operation in operations:
        needs = kind_of(operation.operation).needs
        fit = needs if at_hand is None else tuple(tool for tool in needs if tool in at_hand)
        if needs and not fit:
            words = " or ".join(tool if tool == "files" else f"a {tool}" for tool in needs)
            raise QuantityError(f"it needs {words}, which is not at hand", where=operation_text(operation))
        if fit and not any(tool in found for tool in fit):
            found[fit[0]] = None
    return tuple(found)


def _quoted(text: str) -> str:
    return repr(text if len(text) <= 60 else f"{text[:57]}...")
