"""Running one verb: what becomes of errors, interruptions and a reader that went away.

A fault of the input is one line on standard error (or, with ``--json``, an object on standard output) and
exit code 1. A fault of portmap itself is left to Python, with its traceback.
"""

from __future__ import annotations

import functools
import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

from portmap.errors import JobError, OutputError, PortmapError

__all__ = ["error_document", "error_lines", "run"]

INTERRUPTED = 130  # 128 + SIGINT, as shells have it
NOBODY_READS = 141  # 128 + SIGPIPE


def run(arguments: Sequence[str]) -> int:
    """Run a verb and return the exit code.

    Parameters
    ----------
    arguments : sequence of str
        What was typed after ``portmap``.

    Returns
    -------
    int
        0 done, 1 the input is at fault, 2 wrong usage, 130 interrupted, 141 nobody reads the output.

    Examples
    --------
    >>> run(["timing", "no-such-job.json", "--json"])  # doctest: +NORMALIZE_WHITESPACE
    {"error": {"message": "there is no such file", "where": "no-such-job.json", "remedy": "check the name"}}
    1
    """
    _forgive_narrow_terminals()
    output = sys.stdout
    try:
        _command()(args=list(arguments), prog_name="portmap")
    except SystemExit as leaving:
        if sys.stdout is not output:  # typer has put a muted stream in place of one that nobody reads
            sys.stdout = output
            return _unread()
        code = leaving.code if isinstance(leaving.code, int) else 0 if leaving.code is None else 1
        return _flushed(code)
    except PortmapError as error:
        return _failed(error, arguments)
    except BrokenPipeError:
        return _unread()
    except OSError as error:
        return _failed(_plain(error), arguments)
    except KeyboardInterrupt:
        return INTERRUPTED
    return _flushed(0)


def error_document(error: PortmapError) -> dict[str, Any]:
    """Return an error as ``--json`` gives it.

    Parameters
    ----------
    error : PortmapError

    Returns
    -------
    dict
        ``error`` with ``message``, ``where`` and ``remedy``; of several faults the first, and all of them
        in ``faults``.

    Examples
    --------
    >>> error_document(PortmapError("rpm 0 is not a speed", where="--rpm"))
    {'error': {'message': 'rpm 0 is not a speed', 'where': '--rpm', 'remedy': ''}}
    """
    found: dict[str, Any] = _parts(error)
    if isinstance(error, JobError) and len(error.faults) > 1:
        found["faults"] = [_parts(fault) for fault in error.faults]
    return {"error": found}


def error_lines(error: PortmapError) -> list[str]:
    r"""Return an error as a person reads it.

    Parameters
    ----------
    error : PortmapError

    Returns
    -------
    list of str
        One line for each fault, whatever the names in it hold.

    Examples
    --------
    >>> error_lines(PortmapError("there is no such file", where="a\nb.json"))
    ['a\\nb.json: there is no such file']
    """
    faults = error.faults if isinstance(error, JobError) and error.faults else (error,)
    return [_one_line(str(fault)) for fault in faults]


@functools.cache  # a program that runs many verbs builds their options once
def _command() -> Callable[..., Any]:
    import typer

    from portmap.cli import full_app

    return typer.main.get_command(full_app())


def _parts(error: PortmapError) -> dict[str, str]:
    return {"message": error.message, "where": error.where, "remedy": error.remedy}


def _one_line(text: str) -> str:
    """Return the text with whatever would break the line, or move the cursor, written out."""
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
    )


def _plain(error: OSError) -> PortmapError:
    """Return an error of the system in our words."""
    place = error.filename if isinstance(error.filename, str) else ""
    return OutputError(
        f"the system refused it ({(error.strerror or str(error)).lower()})",
        where=place,
        remedy="check the disk's free space and your rights there",
    )


def _failed(error: PortmapError, arguments: Sequence[str]) -> int:
    if "--json" in arguments:
        print(json.dumps(error_document(error), ensure_ascii=False))
    else:
        for line in error_lines(error):
            print(line, file=sys.stderr)
    return _flushed(1)


def _flushed(code: int) -> int:
    """Return the code if all was written, so that a full disk or a closed pipe is not found out too late."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        return _unread()
    except OSError as error:
        print(error_lines(_plain(error))[0], file=sys.stderr)
        _give_up_output()
        return 1
    return code


def _unread() -> int:
    _give_up_output()
    return NOBODY_READS


def _give_up_output() -> None:
    """Let Python's own flush at the end find nothing to complain of."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _forgive_narrow_terminals() -> None:
    """Let a terminal that knows no ° or ² show a substitute rather than fail."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
