"""Tables that can be read on a phone: below a certain width each row becomes a card with named lines."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import streamlit as st

__all__ = ["show_rows", "table_html"]


def table_html(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    title: str,
    words: Sequence[int] = (0,),
    marked: Sequence[int] = (),
    named: bool = False,
) -> str:
    """Return a table.

    Parameters
    ----------
    columns : sequence of str
    rows : sequence of sequence of str
        Plain text.
    title : str
        What it shows, for those who listen rather than look.
    words : sequence of int, optional
        Columns of words, set to the left; figures stand to the right.
    marked : sequence of int, optional
        Rows to be looked at first.
    named : bool, optional
        Have the second column named on a phone too, where the title does not say what it is.

    Returns
    -------
    str
        HTML in which nothing but the table is markup.
    """
    sides = ["w" if number in words else "f" for number in range(len(columns))]
    head = "".join(
        f'<th scope="col" class="{side}">{escape(name)}</th>'
        for name, side in zip(columns, sides, strict=True)
    )
    body = []
    for number, row in enumerate(rows):
        cells = "".join(
            f'<td class="{side}" data-name="{escape(name)}">{escape(text)}</td>'
            for text, name, side in zip(row, columns, sides, strict=True)
        )
        body.append(f'<tr class="{"marked" if number in marked else "plain"}">{cells}</tr>')
    kind = "pm-table named" if named else "pm-table"
    return (
        f'<table class="{kind}"><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table>"
    )


def show_rows(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    title: str,
    words: Sequence[int] = (0,),
    marked: Sequence[int] = (),
    named: bool = False,
) -> None:
    """Draw a table, as `table_html`."""
    st.html(table_html(columns, rows, title=title, words=words, marked=marked, named=named))
