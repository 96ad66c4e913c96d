"""What pages of deciding, marking out and comparing tell beside their figures.

Glossary
--------
trouble
    An error of the library, said where the user is: what is wrong and what to do.
basis
    What figures lean on though nobody measured it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from portmap.app import store
from portmap.app.lettering import lettered_drawing
from portmap.app.said import plain
from portmap.app.texts import say
from portmap.errors import PortmapError
from portmap.shown import number_text

__all__ = [
    "explain_figures",
    "is_dark",
    "offer_drawings",
    "show_basis",
    "show_care",
    "show_drawing",
    "show_trouble",
    "show_warnings",
    "trouble_words",
]


LENGTH = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?) mm\b")
COMMANDS = {  # of the command line, and how the same is done here
    "portmap fit JOB --write again": "figure.fit.again",
    "portmap fit JOB --write": "figure.fit",
}


def is_dark() -> bool:
    """Return whether the page is dark.

    Where the server names one set of colours, the page has these whatever the browser would like; the
    browser's own wish is all that is known in the first run.
    """
    if st.get_option("theme.primaryColor") and not st.get_option("theme.dark.primaryColor"):
        return st.get_option("theme.base") == "dark"
    return st.context.theme.type == "dark"


def trouble_words(error: PortmapError, *, where: str = "") -> str:
    """Return what is wrong and what to do, without the signs of the command line.

    Parameters
    ----------
    error : PortmapError
    where : str, optional
        The place in the page's own words; the error's own unless told.

    Returns
    -------
    str
    """
    place = where or error.where.removeprefix("--").removeprefix("want ")
    words = f"{place}: {error.message}" if place else error.message
    parts = [words, error.remedy.replace("--", "")]
    return " ".join(f"{part[:1].upper()}{part[1:].rstrip('.')}." for part in parts if part)


def show_trouble(error: PortmapError, *, where: str = "") -> None:
    """Say what is wrong and what to do, as `trouble_words`."""
    st.error(plain(trouble_words(error, where=where)))


def show_care(line: str) -> None:
    """Say what to take care of where metal is cut: its heads at once, the whole a touch away.

    Parameters
    ----------
    line : str
        The library's own words.
    """
    with st.expander(say("care.heads"), icon=":material/warning:"):
        st.warning(plain(line))


def show_basis(document: Mapping[str, Any]) -> None:
    """Say what figures lean on though nobody measured it, and which came from readings."""
    for key in ("assumed", "fitted"):
        if document.get(key):
            words = "; ".join(document[key])
            st.caption(plain(say(f"figure.{key}", what=LENGTH.sub(_length_in_units, words))))


def _length_in_units(found: re.Match[str]) -> str:
    """Return a length of a figure's record in the units that are read; the record itself is in mm."""
    system = store.system()
    if system.name == "mm":
        return found[0]
    decimals = len(found[1].partition(".")[2]) + 2  # a hundredth of an inch is about a quarter millimetre
    return f"{number_text(float(found[1]) * system.per_mm, decimals)} {system.length}"


def show_warnings(document: Mapping[str, Any]) -> None:
    """Say what there is to doubt."""
    for warning in document.get("warnings", ()):
        message = warning["message"]
        for command, key in COMMANDS.items():
            message = message.replace(command, say(key))
        st.warning(plain(message))


def explain_figures(names: Sequence[str]) -> None:
    """Offer in a small window what figures mean, how sure they are and where they come from.

    Parameters
    ----------
    names : sequence of str
        Keys of `portmap.app.words.figures` without ``figure.``.
    """
    with st.popover(say("figure.explain"), icon=":material/help:"):
        for name in names:
            st.markdown(say(f"figure.{name}"))


def show_drawing(name: str) -> None:
    """Show one of the line drawings of `app/drawings` with its words, which say the same as the picture.

    Parameters
    ----------
    name : {'lift', 'photograph', 'wheel', 'squish'}
    """
    st.image(lettered_drawing(name), width=460, alt=say(f"drawing.{name}.alt"))
    st.markdown(say(f"drawing.{name}"))


def offer_drawings(words: str, *names: str) -> None:
    """Offer drawings with their words, folded away under a line that says what they show.

    Parameters
    ----------
    words : str
        The line.
    *names : str
        As `show_drawing` takes them.
    """
    with st.expander(words, icon=":material/help:"):
        for name in names:
            show_drawing(name)
