"""What a further reading would gain, and which of them gains most.

It follows from the covariance V of the figures: a reading of a combination a of them, with standard
uncertainty s, leaves V − V a aᵀ V / (s² + aᵀ V a). Reading again with the same tool counts only for what
varies between its readings (see `portmap.tools`).

Glossary
--------
gain
    By what part a further reading lowers a result's standard uncertainty.

References
----------
.. [1] Sherman and Morrison, 1950, on the inverse of a matrix changed by one row (from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.doubts import Doubts
from portmap.gum import FirstOrder, joint_u
from portmap.tools import tool_doubt, tools

__all__ = ["Candidate", "Gain", "candidates_of", "covariance_after", "gains_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A further reading that could be made.

    Parameters
    ----------
    words : str
        What to do, as a sentence without its full stop.
    rows : tuple of (tuple of float, float)
        Which combination of the figures each of its readings is of, and the weight (1/s²) that it adds, in
        the figures' order and units.
    """

    words: str
    rows: tuple[tuple[tuple[float, ...], float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """What a further reading would do for a result.

    Parameters
    ----------
    words : str
        What to do.
    u_after : float
        Standard uncertainty of the result then, in its unit.
    gain : float
        By what part it is lowered, 0 to 1.
    """

    words: str
    u_after: float
    gain: float


def candidates_of(doubts: Doubts, measured: Collection[str] = ()) -> tuple[Candidate, ...]:
    """Return the further readings that would tell more of the figures themselves.

    Parameters
    ----------
    doubts : Doubts
    measured : collection of str, optional
        Names of fitted figures that have been measured themselves, too.

    Returns
    -------
    tuple of Candidate
        Each figure once more with the tool that reads it, or measured at last; and the outlines from one
        more photograph.

    Examples
    --------
    >>> from portmap.doubts import Figure
    >>> figure = Figure(name="rod_mm", words="rod length", value=57.6, u=3.2, unit="mm", source="assumed",
    ...                 tool="caliper")
    >>> candidates_of(Doubts(figures=(figure,), covariance=((10.24,),)))[0].words
    'measure the rod length with a caliper'
    """
    count = len(doubts.figures)
    found = []
    traced: list[tuple[tuple[float, ...], float]] = []
    for number, figure in enumerate(doubts.figures):
        row = tuple(1.0 if other == number else 0.0 for other in range(count))
        if not figure.u > 0:
            continue
        if figure.traced_u:
            traced.append((row, 1 / figure.traced_u**2))
        if figure.tool is None:
            continue
        tool = tools()[figure.tool]
        once, twice = (tool_doubt(tool, times=times) for times in (1, 2))
        known = figure.name in measured or figure.source != "fit"
        read = known and figure.u <= once * (1 + 1e-9)
        weight = 1 / twice**2 - 1 / once**2 if read else 1 / once**2
        words = f"measure the {figure.words} {'again ' if read else ''}with a {tool.name}"
        found.append(Candidate(words=words, rows=((row, weight),)))
    if traced:
        words = "trace the ports again from another photograph"
        found.append(Candidate(words=words, rows=tuple(traced)))
    return tuple(found)


def covariance_after(doubts: Doubts, reading: Candidate) -> Floats:
    """Return the figures' covariance once a further reading is made.

    Parameters
    ----------
    doubts : Doubts
        Of N figures.
    reading : Candidate

    Returns
    -------
    ndarray of shape (N, N)
        In products of the figures' units.

    Examples
    --------
    >>> from portmap.doubts import Figure
    >>> figure = Figure(name="bore_mm", words="bore", value=46.0, u=0.02, unit="mm", source="stated")
    >>> again = Candidate(words="measure it again", rows=(((1.0,), 1 / 0.02**2),))
    >>> covariance_after(Doubts(figures=(figure,), covariance=((0.0004,),)), again).round(6)
    array([[0.0002]])
    """
    matrix = np.asarray(doubts.covariance, np.float64).reshape(len(doubts.figures), -1)
    for row, weight in reading.rows:
        a = np.asarray(row)
        along = matrix @ a
        matrix = matrix - np.outer(along, along) / (1 / weight + float(a @ along))
    return np.asarray(matrix)


def gains_of(first: FirstOrder, readings: Sequence[Candidate], after: Sequence[Floats]) -> tuple[Gain, ...]:
    """Return what each further reading would do for a result.

    Parameters
    ----------
    first : FirstOrder
        Of the result.
    readings : sequence of Candidate
    after : sequence of ndarray of shape (N, N)
        The figures' covariance once each of those is made.

    Returns
    -------
    tuple of Gain
        Best first; those that gain nothing are left out.

    Examples
    --------
    >>> from portmap.gum import first_order
    >>> first = first_order([1.0, 2.0], u=[3.0, 4.0], sensitivities=[1.0, 1.0])
    >>> again = Candidate(words="measure the second again", rows=(((0.0, 1.0), 1 / 16),))
    >>> gains_of(first, [again], [np.diag([9.0, 8.0])])[0].u_after
    4.123
    """
    if not first.u > 0:
        return ()
    found = []
    for reading, covariance in zip(readings, after, strict=True):
        left = joint_u(first.sensitivities, covariance)
        gain = 1 - left / first.u
        if gain > 1e-9:
            found.append(Gain(words=reading.words, u_after=left, gain=gain))
    return tuple(sorted(found, key=lambda one: -one.gain))
