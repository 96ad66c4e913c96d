"""The names by which a job may set limits of its own: one list for limits of work and bounds of ring safety.

A limit of work goes by its name in ``shop_limits.toml``. A bound of ring safety goes by the rule's name in
``ring_rules.toml`` and the grade, as in ``ring_width_dont``; a setting by its name alone.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files

from portmap.errors import JobError

__all__ = ["check_limit_names", "limit_names"]


@cache
def limit_names() -> tuple[str, ...]:
    """Return all names that a job's `limits` may hold.

    Returns
    -------
    tuple of str
        Limits of work, then bounds of ring safety; none stands twice.

    Examples
    --------
    >>> "squish" in limit_names(), "ring_width_dont" in limit_names()
    (True, True)
    """
    work, ring = (
        tomllib.loads(files("portmap").joinpath(name).read_text(encoding="utf-8"))
        for name in ("shop_limits.toml", "ring_rules.toml")
    )
    bounds = [f"{rule}_{grade}" for rule in ring["rules"] for grade in ("look_again", "dont")]
    return (*work["limits"], *bounds, *ring["settings"])


def check_limit_names(names: Iterable[str]) -> None:
    """Refuse a limit that there isn't.

    Parameters
    ----------
    names : iterable of str
        As in a job's `limits`.

    Raises
    ------
    JobError
        With the nearest name that there is, if any is near.

    Examples
    --------
    >>> check_limit_names(["squich"])
    Traceback (most recent call last):
    portmap.errors.JobError: limits.squich: there is no such limit; did you mean squish?
    """
    known = limit_names()
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            remedy = f"did you mean {near[0]}?" if near else f"take one of {', '.join(known)}"
            raise JobError("there is no such limit", where=f"limits.{name}", remedy=remedy)
