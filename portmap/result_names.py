"""The results that a build has, in words, and which of them somebody means.

Glossary
--------
name
    As in JSON, with its unit: ``exhaust:opens_deg``, ``blowdown_deg``.
words
    For a person, as typed on the command line: ``exhaust opens``, ``blowdown``. A port may be called by its
    kind, which then means every port of that kind.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from portmap.errors import QuantityError

if TYPE_CHECKING:
    from portmap.port import PortEdges

__all__ = ["names_meant", "result_unit", "result_words"]

ALL = "all"
MOST_LISTED = 12  # results in the answer to a name that is none

_WHOLE = {
    "blowdown_deg": "blowdown",
    "squish_mm": "squish",
    "swept_volume_cm3": "swept volume",
    "head_volume_cm3": "head volume",
    "geometric_ratio": "geometric ratio",
    "trapped_ratio": "trapped ratio",
    "case_ratio": "case ratio",
    "cranking_bar": "cranking pressure",
}
_OF_PORT = {
    "opens_deg": "opens",
    "closes_deg": "closes",
    "duration_deg": "duration",
    "roof_depth_mm": "roof depth",
    "floor_depth_mm": "floor depth",
    "wall_area_mm2": "wall area",
}
_OF_SPAN = {"angle_area_mm2_deg": "angle-area", "specific_s_per_m": "specific time-area"}
_UNITS = ("mm2_deg", "s_per_m", "deg", "mm2", "mm", "cm3", "bar")
_ALSO = {"cranking": "cranking pressure", "compression ratio": "trapped ratio", "squish clearance": "squish"}


def result_words(name: str) -> str:
    """Return a result's name in words.

    Parameters
    ----------
    name : str
        As in JSON.

    Returns
    -------
    str

    Raises
    ------
    QuantityError
        If no result has that name.

    Examples
    --------
    >>> result_words("exhaust:opens_deg"), result_words("transfer_angle_area_mm2_deg")
    ('exhaust opens', 'transfer angle-area')
    """
    if name in _WHOLE:
        return _WHOLE[name]
    port, _, figure = name.rpartition(":")
    if port and figure in _OF_PORT:
        return f"{port} {_OF_PORT[figure]}"
    for ending, words in _OF_SPAN.items():
        if name.endswith(f"_{ending}"):
            return f"{name.removesuffix(f'_{ending}')} {words}"
    raise QuantityError(f"{name} is no result", where="result", remedy="see what portmap spread lists")


def result_unit(name: str) -> str:
    """Return the unit that a result's name ends in.

    Parameters
    ----------
    name : str
        As in JSON.

    Returns
    -------
    str
        ``deg``, ``mm``, ``mm2``, ``mm2_deg``, ``s_per_m``, ``cm3``, ``bar``, or none for a ratio.

    Examples
    --------
    >>> result_unit("blowdown_deg"), result_unit("exhaust_angle_area_mm2_deg"), result_unit("trapped_ratio")
    ('deg', 'mm2_deg', '')
    """
    return next((unit for unit in _UNITS if name.endswith(f"_{unit}")), "")


def names_meant(typed: str, known: Sequence[str], ports: Iterable[PortEdges]) -> tuple[str, ...]:
    """Return the names of the results that somebody means.

    Parameters
    ----------
    typed : str
        Words or a name, in any case; ``all`` means all of them.
    known : sequence of str
        Names of the results there are.
    ports : iterable of PortEdges
        So that a port can be called by its kind.

    Returns
    -------
    tuple of str
        At least one.

    Raises
    ------
    QuantityError
        If nothing is called so; with the nearest.

    Examples
    --------
    >>> from portmap.port import PortEdges
    >>> port = PortEdges(id="main", kind="transfer", control="crown")
    >>> names_meant("transfer opens", ["blowdown_deg", "main:opens_deg"], [port])
    ('main:opens_deg',)
    >>> names_meant("blow down", ["blowdown_deg"], [])
    Traceback (most recent call last):
    portmap.errors.QuantityError: --of: 'blow down' is no result of this job; did you mean blowdown? ...
    """
    wanted = " ".join(typed.replace("_", " ").split()).casefold()
    if wanted == ALL:
        return tuple(known)
    spelled = _spellings(known, {port.id: port.kind for port in ports})
    wanted = _ALSO.get(wanted, wanted)
    if wanted in spelled:
        return tuple(spelled[wanted])
    listed = f"it has {', '.join(map(result_words, known))}"
    if len(known) > MOST_LISTED:
        listed = "all that it has is listed by portmap spread JOB"
    near = difflib.get_close_matches(wanted[:60], [*spelled], n=1, cutoff=0.6)
    shown = typed if len(typed) <= 60 else f"{typed[:57]}..."
    raise QuantityError(
        f"{shown!r} is no result of this job",
        where="--of",
        remedy=f"did you mean {near[0]}? {listed[0].upper()}{listed[1:]}" if near else listed,
    )


def _spellings(known: Sequence[str], kinds: Mapping[str, str]) -> dict[str, list[str]]:
    """Return which results each spelling means: a name, its words, or those with the port's kind."""
    found: dict[str, list[str]] = {}
    for name in known:
        words = result_words(name)
        port, _, figure = name.rpartition(":")
        spellings = {name.replace("_", " ").casefold(), words.casefold()}
        if port and port in kinds:
            spellings.add(f"{kinds[port]} {_OF_PORT[figure]}")
        for spelling in spellings:
            found.setdefault(spelling, []).append(name)
    return found
