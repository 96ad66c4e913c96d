"""Starting wishes for an engine's character: steady work, quick, for cold starts.

They are data, in ``characters.toml`` beside this module: common practice, no source; a guide to start from.
Nothing here is applied unless somebody asks for it by name.

Glossary
--------
character
    A name for what an engine is meant to be good at, with the wishes that porters commonly start from.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from portmap.errors import Notice, QuantityError
from portmap.port import PortEdges
from portmap.wishes import Wish, wish_of

__all__ = ["Character", "character_of", "characters", "with_character"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Character:
    """What an engine is meant to be good at.

    Parameters
    ----------
    key : str
        By which it is asked for.
    name, about : str
        For a person.
    wishes : tuple of Wish
    basis : str
        Where the wishes come from.
    """

    key: str
    name: str
    about: str
    wishes: tuple[Wish, ...]
    basis: str


@cache
def characters() -> dict[str, Character]:
    """Return all characters.

    Returns
    -------
    dict of str to Character
        By key.

    Examples
    --------
    >>> {key: character.basis for key, character in characters().items()}["steady"]
    'common practice, no source'
    """
    data = tomllib.loads(files("portmap").joinpath("characters.toml").read_text(encoding="utf-8"))
    return {
        key: Character(
            key=key,
            name=entry["name"],
            about=entry["about"],
            wishes=tuple(wish_of(text, where="characters.toml", character=key) for text in entry["wishes"]),
            basis=data["basis"],
        )
        for key, entry in data.items()
        if isinstance(entry, dict)
    }


def character_of(key: str) -> Character:
    """Return the character of a name.

    Parameters
    ----------
    key : str

    Returns
    -------
    Character

    Raises
    ------
    QuantityError
        If there is none of that name.

    Examples
    --------
    >>> character_of("cold").name
    'for cold starts'
    """
    found = characters().get(key.strip().casefold())
    if found is None:
        near = difflib.get_close_matches(key.casefold(), characters(), n=1)
        known = ", ".join(characters())
        raise QuantityError(
            f"there is no character {key!r}",
            where="--character",
            remedy=f"did you mean {near[0]}?" if near else f"take one of {known}",
        )
    return found


def with_character(
    wishes: Sequence[Wish], character: Character, edges: Sequence[PortEdges]
) -> tuple[tuple[Wish, ...], tuple[Notice, ...]]:
    """Return wishes with a character's put behind them.

    Parameters
    ----------
    wishes : sequence of Wish
        As typed; they go before the character's about the same figure.
    character : Character
    edges : sequence of PortEdges
        The engine's ports; the character's wishes about others are left out.

    Returns
    -------
    wishes : tuple of Wish
    notices : tuple of Notice
        What the character is, and which of its wishes were left out.

    Examples
    --------
    >>> ports = [PortEdges(id="ex", kind="exhaust", control="crown", roof_mm=39.4)]
    >>> typed = (wish_of("squish 0.5 mm"),)
    >>> [wish.text for wish in with_character(typed, character_of("cold"), ports)[0]]
    ['squish 0.5 mm', 'exhaust opens 100 to 106', 'cranking at most 9 bar']
    """
    kinds = {port.kind for port in edges}
    taken = {(wish.quantity, _kind_of(wish, edges)) for wish in wishes}
    kept, without = [], []
    for wish in character.wishes:
        blind = wish.quantity == "blowdown" and not ("exhaust" in kinds and kinds & {"transfer", "boost"})
        if blind or (wish.port is not None and wish.port not in kinds):
            without.append(wish.text)
        elif (wish.quantity, wish.port) not in taken:
            kept.append(wish)
    notices = [
        Notice(
            code="character",
            message=f"The wishes of character {character.key} ({character.name}: {character.about}) are a"
            f" guide: {character.basis}.",
        )
    ]
    if without:
        message = f"Left out of character {character.key}, for want of the port: {'; '.join(without)}."
        notices.append(Notice(code="character-left-out", message=message))
    return (*wishes, *kept), tuple(notices)


def _kind_of(wish: Wish, edges: Sequence[PortEdges]) -> str | None:
    """Return the kind of port that a wish is about, whether it names the kind or the port."""
    named = (wish.port or "").casefold()
    for port in edges:
        if port.id.casefold() == named:
            return port.kind
    return named or None
