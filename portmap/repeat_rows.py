"""A repeat build as rows of a table and sentences for a person, in mm or in inch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from portmap.repeat import RepeatedPort
from portmap.shown import COVERAGE, UnitSystem
from portmap.wall_change import place_words

__all__ = ["lacking_words", "made_of_words", "repeat_columns", "repeat_rows", "transfer_words"]

DASH = "–"


def repeat_columns(system: UnitSystem) -> list[str]:
    """Return the heads of `repeat_rows`.

    Parameters
    ----------
    system : UnitSystem

    Returns
    -------
    list of str
    """
    return ["port", "good opens", "here", "proposed", f"deepest [{system.length}]", f"area [{system.area}]"]


def repeat_rows(ports: Sequence[RepeatedPort], system: UnitSystem) -> list[list[str]]:
    """Return what becomes of each port: when it opens there, here and as proposed, and what is to be ground.

    Degrees count after TDC, as on the sheets.

    Parameters
    ----------
    ports : sequence of RepeatedPort
    system : UnitSystem

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> port = RepeatedPort(id="boost", id_good=None, carried=False, stock_opens_deg=118.04)
    >>> repeat_rows([port], unit_system("mm"))
    [['boost', '–', '118.0°', '–', 'nothing', '–']]
    """
    return [
        [
            port.id,
            _degrees(port.good_opens_deg),
            _degrees(port.stock_opens_deg),
            _degrees(port.proposed_opens_deg, port.opens_u_deg),
            system.lengths(port.deepest_mm) if port.carried else "nothing",
            system.areas(port.area_mm2) if port.carried else DASH,
        ]
        for port in ports
    ]


def lacking_words(
    ports: Sequence[RepeatedPort], system: UnitSystem, *, deepest_alone: bool = False
) -> list[str]:
    """Return what the new casting cannot give, a sentence each.

    Parameters
    ----------
    ports : sequence of RepeatedPort
    system : UnitSystem
    deepest_alone : bool, optional
        Name one place of each port, and count the others.

    Returns
    -------
    list of str
    """
    words = []
    for port in ports:
        for place in port.already_open[: 1 if deepest_alone else None]:
            depth = f"{system.lengths(place.depth_mm)} {system.length}"
            others = len(port.already_open) - 1 if deepest_alone else 0
            more = f", and at {others} more place{'' if others == 1 else 's'}" if others else ""
            words.append(
                f"Cannot be given: {port.id} is open {depth} past the line already"
                f" ({place_words(place, system)}){more}."
            )
    return words


def transfer_words(u_mm: float | None, system: UnitSystem) -> str:
    """Return how sure the transfer is, as a sentence.

    Parameters
    ----------
    u_mm : float or None
        Standard uncertainty of its height [mm]; None if nobody said.
    system : UnitSystem

    Returns
    -------
    str

    Examples
    --------
    >>> from portmap.shown import unit_system
    >>> transfer_words(0.03, unit_system("mm"))
    'The transfer adds ± 0.06 mm (k = 2) to each height.'
    """
    if u_mm is None:
        return "How sure the transfer is, nobody said."
    doubt = system.lengths(COVERAGE * u_mm)
    return f"The transfer adds ± {doubt} {system.length} (k = 2) to each height."


def made_of_words(source: Mapping[str, Any] | None) -> str | None:
    """Return whose ports a proposed map carries over, in words.

    Parameters
    ----------
    source : mapping or None
        What the map says that it was made of (`portmap.repeat_document.with_repeat`).

    Returns
    -------
    str or None
        None if it is no repeat build.

    Examples
    --------
    >>> made_of_words({"made_of": "repeat", "job": "red saw", "by": "degrees"})
    'the ports of red saw, carried over with its timing'
    """
    if source is None or source.get("made_of") != "repeat":
        return None
    kept = "its timing" if source.get("by") == "degrees" else "its millimetres"
    return f"the ports of {source.get('job', 'an archived job')}, carried over with {kept}"


def _degrees(angle_deg: float | None, u_deg: float | None = None) -> str:
    if angle_deg is None:
        return DASH
    return f"{angle_deg:.1f}°" if u_deg is None else f"{angle_deg:.1f}° ± {COVERAGE * u_deg:.1f}"
