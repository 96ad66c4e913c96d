"""Propagation of whole distributions by drawing at random (JCGM 101), any number of draws at once.

Each input is a distribution; `portmap.distributions.draws` gives an array of shape (N, count), which a model
(see `portmap.gum`) takes as it is. Nothing loops over draws.

Glossary
--------
draw
    One set of values of all inputs, taken from their distributions.
coverage interval
    Holds the result with the stated probability: *symmetric* leaves as much outside below as above,
    *shortest* is the shortest that holds as many draws.

References
----------
.. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method: 7.6 (estimate and standard
   uncertainty), 7.7 (coverage intervals), 8 (validation of the first order). From memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.distributions import Distribution, draws
from portmap.errors import QuantityError
from portmap.gum import FirstOrder, Model, expanded_u

__all__ = [
    "FEWEST_DRAWS",
    "Agreement",
    "MonteCarlo",
    "agreement",
    "interval_of",
    "monte_carlo",
    "shortest_interval_of",
    "summary_of",
]

Floats = NDArray[np.float64]

FEWEST_DRAWS = 100  # below this an interval's ends are two draws and no more


@dataclass(frozen=True, kw_only=True, slots=True)
class MonteCarlo:
    """What the draws of a result show.

    Parameters
    ----------
    mean, u : float
        Mean and standard deviation of the draws, in the result's unit.
    coverage : float
        Probability that the intervals hold [-].
    interval, shortest : tuple of float
        Symmetric and shortest coverage interval, in the result's unit.
    count : int
        How many draws gave a result.
    without : int
        How many gave none: a port that never opened in them, for instance.
    """

    mean: float
    u: float
    coverage: float
    interval: tuple[float, float]
    shortest: tuple[float, float]
    count: int
    without: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """Whether the first order may be trusted, by comparison with draws.

    Parameters
    ----------
    agrees : bool
        Both ends of the interval differ by no more than tolerance and scatter together.
    tolerance : float
        Half of the last digit of u that is meant, in the result's unit.
    scatter : float
        How far the draws' ends may be off by their number alone, in the result's unit.
    low_off, high_off : float
        How far apart the lower and the upper ends are, in the result's unit.
    """

    agrees: bool
    tolerance: float
    scatter: float
    low_off: float
    high_off: float


def monte_carlo(
    model: Model,
    inputs: Sequence[Distribution],
    *,
    count: int = 10_000,
    seed: int = 1,
    coverage: float = 0.95,
) -> MonteCarlo:
    """Return what a model's result does when its inputs are drawn at random.

    Parameters
    ----------
    model : callable
        Takes an array of shape (N, count), answers (count,).
    inputs : sequence of Distribution
    count : int, optional
        How many draws.
    seed : int, optional
        The same seed gives the same draws.
    coverage : float, optional
        Of the intervals [-].

    Returns
    -------
    MonteCarlo

    Raises
    ------
    QuantityError
        As `draws` and `summary_of`.

    Examples
    --------
    >>> from portmap.distributions import Normal
    >>> found = monte_carlo(np.exp, [Normal(mean=0.0, u=0.1)], seed=3)
    Traceback (most recent call last):
    portmap.errors.QuantityError: model: answered with shape (1, 10000) where 10000 draws were wanted; ...
    >>> found = monte_carlo(lambda x: np.exp(x[0]), [Normal(mean=0.0, u=0.1)], seed=3)
    >>> round(found.u, 2), [round(end, 2) for end in found.interval]
    (0.1, [0.82, 1.22])
    """
    found = np.asarray(model(draws(inputs, count, np.random.default_rng(seed))), np.float64)
    if found.shape != (count,):
        raise QuantityError(
            f"answered with shape {found.shape} where {count} draws were wanted",
            where="model",
            remedy="take one row of the argument for each input",
        )
    return summary_of(found, coverage)


def summary_of(values: ArrayLike, coverage: float = 0.95) -> MonteCarlo:
    """Return what draws of a result show.

    Parameters
    ----------
    values : array_like of shape (M,)
        The result in each draw, in its unit; NaN where a draw has none.
    coverage : float, optional
        Of the intervals [-].

    Returns
    -------
    MonteCarlo

    Raises
    ------
    QuantityError
        If fewer than 100 draws gave a result, or the coverage is not between 0 and 1.

    Examples
    --------
    >>> summary_of(np.arange(1.0, 1001.0)).interval
    (25.0, 975.0)
    """
    drawn = np.asarray(values, np.float64).ravel()
    known = drawn[np.isfinite(drawn)]
    ordered = np.sort(known)
    symmetric = interval_of(ordered, coverage)
    return MonteCarlo(
        mean=float(np.mean(known)),
        u=float(np.std(known, ddof=1)),
        coverage=coverage,
        interval=symmetric,
        shortest=shortest_interval_of(ordered, coverage),
        count=len(known),
        without=len(drawn) - len(known),
    )


def interval_of(ordered: Floats, coverage: float = 0.95) -> tuple[float, float]:
    """Return the probabilistically symmetric coverage interval (JCGM 101, 7.7.2).

    Parameters
    ----------
    ordered : ndarray of shape (M,)
        Draws of a result, ascending.
    coverage : float, optional
        Probability [-].

    Returns
    -------
    tuple of float
        Lower and upper end, in the result's unit.

    Raises
    ------
    QuantityError
        As `summary_of`.

    Examples
    --------
    >>> interval_of(np.arange(1.0, 1001.0), 0.9)
    (50.0, 950.0)
    """
    inside = _inside(ordered, coverage)
    first = (len(ordered) - inside + 1) // 2  # counted from 1
    return float(ordered[first - 1]), float(ordered[first - 1 + inside])


def shortest_interval_of(ordered: Floats, coverage: float = 0.95) -> tuple[float, float]:
    """Return the shortest coverage interval (JCGM 101, 7.7.4).

    Parameters
    ----------
    ordered : ndarray of shape (M,)
        Draws of a result, ascending.
    coverage : float, optional
        Probability [-].

    Returns
    -------
    tuple of float
        Lower and upper end, in the result's unit.

    Raises
    ------
    QuantityError
        As `summary_of`.

    Examples
    --------
    >>> shortest_interval_of(np.arange(0.0, 1000.0) ** 2, 0.9)
    (0.0, 810000.0)
    """
    inside = _inside(ordered, coverage)
    widths = ordered[inside:] - ordered[:-inside]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + inside])


def _inside(ordered: Floats, coverage: float) -> int:
    """Return how many steps between neighbours the interval spans."""
    if not 0 < coverage < 1:
        raise QuantityError(
            f"a coverage of {coverage:g} is no probability", where="coverage", remedy="give for instance 0.95"
        )
    if len(ordered) < FEWEST_DRAWS:
        raise QuantityError(
            f"{len(ordered)} draws with a result are too few for an interval",
            where="draws",
            remedy=f"take at least {FEWEST_DRAWS}, better 10000",
        )
    return min(math.floor(coverage * len(ordered) + 0.5), len(ordered) - 1)


def agreement(first: FirstOrder, drawn: MonteCarlo, *, digits: int = 1) -> Agreement:
    """Return whether the first order gives the same interval as the draws (JCGM 101, clause 8).

    Parameters
    ----------
    first : FirstOrder
    drawn : MonteCarlo
    digits : int, optional
        How many digits of u are meant. With 10,000 draws the ends of an interval are sure to some 3 % of
        u: enough to tell the first digit, not the second, which needs a million.

    Returns
    -------
    Agreement

    Notes
    -----
    The standard asks for so many draws that their scatter does not count; here three standard deviations of
    it (those of a quantile of normal draws) are allowed for, so that few draws are no reproach.

    Raises
    ------
    QuantityError
        If no digit is meant.

    Examples
    --------
    >>> from portmap.gum import first_order
    >>> first = first_order([0.0], u=[1.0], sensitivities=[1.0])
    >>> values = np.random.default_rng(1).normal(size=10_000)
    >>> agreement(first, summary_of(values)).agrees
    True
    """
    from scipy.special import ndtri

    if digits < 1:
        raise QuantityError(f"{digits} digits say nothing", where="digits", remedy="give 1 or 2")
    _, half = expanded_u(first, drawn.coverage)
    low_off = abs(first.value - half - drawn.interval[0])
    high_off = abs(first.value + half - drawn.interval[1])
    tolerance = 0.0 if first.u == 0 else 0.5 * 10.0 ** (_decade(first.u, digits))
    upper = (1 + drawn.coverage) / 2
    density = math.exp(-(float(ndtri(upper)) ** 2) / 2) / math.sqrt(2 * math.pi)
    scatter = 3 * drawn.u * math.sqrt(upper * (1 - upper) / drawn.count) / density
    allowed = scatter + 1e-9 * max(abs(first.value), abs(drawn.interval[0]), 1e-300)
    return Agreement(
        agrees=max(low_off, high_off) <= tolerance + allowed,
        tolerance=tolerance,
        scatter=scatter,
        low_off=low_off,
        high_off=high_off,
    )


def _decade(u: float, digits: int) -> int:
    """Return the power of ten of the last of so many digits, after u has been rounded to them."""
    last = math.floor(math.log10(u)) - (digits - 1)
    return last + 1 if round(u / 10.0**last) >= 10**digits else last
