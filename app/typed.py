"""What is typed into a field of lengths: a bare number is in the unit that stands in the field's name."""

from __future__ import annotations

import re

from portmap.app import store
from portmap.app.texts import say

__all__ = ["length_label", "with_unit"]

A_UNIT = re.compile(r"[^\W\d_]|[\"'″′]")  # a letter, or the sign of an inch


def length_label(key: str) -> str:
    """Return what a field of lengths is called, with the unit of a bare number."""
    return f"{say(key)}, {store.system().length}"


def with_unit(text: str) -> str:
    """Return one length or several as typed, with the reader's unit where none was typed.

    Parameters
    ----------
    text : str
        As the library reads lengths, to which a bare number is millimetres.

    Returns
    -------
    str
    """
    system = store.system()
    if system.name == "mm" or not text.strip() or A_UNIT.search(text):
        return text
    return f"{text.strip()} {system.length}"
