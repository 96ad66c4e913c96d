"""What a verb says: exact figures to standard output, tables for a person, messages to standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["answer", "say", "show_basis", "table", "waiting"]

PIPED_WIDTH = 160  # columns when nobody's terminal sets them


def answer(document: dict[str, Any], *, as_json: bool, show: Callable[[Console], None]) -> None:
    """Give a verb's answer once: as JSON, or as tables with its warnings on standard error.

    Parameters
    ----------
    document : dict
        The answer; its ``warnings``, if any, are said.
    as_json : bool
        Print the document itself.
    show : callable
        Prints the answer for a person.

    Examples
    --------
    >>> answer({"blowdown_deg": 16.7}, as_json=True, show=lambda console: None)
    {
     "blowdown_deg": 16.7
    }
    """
    if as_json:
        print(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
    else:
        show(_console())
    for warning in document.get("warnings", ()):
        say(f"warning: {warning['message']}")


def say(message: str) -> None:
    """Print a message for a person on standard error.

    Parameters
    ----------
    message : str
        One line.

    Examples
    --------
    >>> say("warning: only 12 of 88 markers were seen")
    """
    print(message, file=sys.stderr)


def _console() -> Console:
    from rich.console import Console

    width = None if sys.stdout.isatty() else PIPED_WIDTH
    return Console(width=width, markup=False, highlight=False, emoji=False)


def table(
    console: Console,
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    title: str = "",
    left: int = 1,
    wrapped: int | None = None,
) -> None:
    """Print a table.

    Parameters
    ----------
    console : rich.console.Console
    columns : sequence of str
        Heads, with units.
    rows : iterable of sequence of str
    title : str, optional
    left : int, optional
        How many of the first columns are words and stand to the left.
    wrapped : int or None, optional
        The one column, from 0, that takes several lines in a narrow window, so that no other has to.

    Examples
    --------
    >>> import io
    >>> from rich.console import Console
    >>> page = io.StringIO()
    >>> table(Console(file=page, width=40), ["port", "opens"], [["exhaust", "102.5°"]])
    >>> page.getvalue().split()[:2]
    ['port', 'opens']
    """
    from rich import box
    from rich.table import Table

    if title:
        console.print(title, style="bold")
    drawn = Table(box=box.SIMPLE_HEAD)
    for number, head in enumerate(columns):
        fixed = number < left if wrapped is None else number != wrapped
        drawn.add_column(head, justify="left" if number < left else "right", no_wrap=fixed)
    for row in rows:
        drawn.add_row(*row)
    console.print(drawn)


def show_basis(console: Console, document: dict[str, Any]) -> None:
    """Print what the figures lean on though nobody measured it.

    Parameters
    ----------
    console : rich.console.Console
    document : dict
        With ``assumed`` and ``fitted``.

    Examples
    --------
    >>> from rich.console import Console
    >>> show_basis(Console(width=60), {"assumed": ["rod length 57.6 mm"], "fitted": []})
    Assumed, not measured: rod length 57.6 mm.
    """
    if document["assumed"]:
        console.print(f"Assumed, not measured: {'; '.join(document['assumed'])}.")
    if document["fitted"]:
        console.print(f"Fitted from readings: {'; '.join(document['fitted'])}.")


@contextmanager
def waiting(message: str) -> Iterator[Callable[[str], None]]:
    """Show that work goes on, on a terminal only.

    Parameters
    ----------
    message : str
        What is being done.

    Yields
    ------
    callable
        Is told what is being done next.

    Examples
    --------
    >>> with waiting("Measuring the card") as tell:
    ...     tell("Tracing")
    """
    if not sys.stderr.isatty():
        yield lambda message: None
        return
    from rich.console import Console

    with Console(stderr=True, markup=False, highlight=False).status(message) as status:
        yield status.update
