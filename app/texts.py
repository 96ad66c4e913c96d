"""All words of the screens, by key, so that another language needs no change of a page.

The English words stand in the modules of `portmap.app.words`, one for each part of the app; a key is
``part.what``. A translation is one more table of the same keys and the same names in braces.
"""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

from portmap.app import words

__all__ = ["all_words", "say"]


@cache
def all_words() -> dict[str, str]:
    """Return every key and its words.

    Returns
    -------
    dict of str to str

    Raises
    ------
    KeyError
        If two parts use the same key.
    """
    found: dict[str, str] = {}
    for part in pkgutil.iter_modules(words.__path__):
        more: dict[str, str] = import_module(f"{words.__name__}.{part.name}").WORDS
        if twice := sorted(found.keys() & more.keys()):
            raise KeyError(f"{part.name}: {twice[0]} stands in another part too")
        found |= more
    return found


def say(key: str, **values: object) -> str:
    """Return the words of a key.

    Parameters
    ----------
    key : str
        Such as ``job.none``.
    **values : object
        What stands for the names in braces.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        If there is no such key, or a name in braces has no value.
    """
    return all_words()[key].format(**values)
