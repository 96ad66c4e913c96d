"""First-order propagation of doubt through any function of any inputs (JCGM 100).

A *model* is a function of one array whose first axis runs over the inputs: it takes shape (N,) or (N, M)
and answers with shape () or (M,). So a model written with numpy serves one set of values, the differences
taken here, and the draws of `portmap.monte_carlo` alike.

Glossary
--------
u
    Standard uncertainty, k = 1.
sensitivity
    Change of the result for one unit of an input.
contribution
    Sensitivity × u of an input: the change of the result for one standard uncertainty, with its sign.
share
    Part of the result's variance. An input that is correlated with others takes its own variance and half
    of each covariance it has a part in, so that the shares add up to 1; a share below 0 belongs to an input
    whose errors are mostly taken back by another's.
coverage
    Probability that the stated interval holds the value.

References
----------
.. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement: 5.1.2 (independent inputs, and
   the terms of higher order in its note), 5.1.3 note 2 (differences over one standard uncertainty), 5.2.2
   (correlated inputs), G.4.1 (effective degrees of freedom), G.6.4 (expanded uncertainty). From memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import QuantityError

__all__ = [
    "FirstOrder",
    "Model",
    "checked_covariance",
    "correlation_of",
    "covariance_of",
    "expanded_u",
    "first_order",
    "joint_u",
]

Floats = NDArray[np.float64]
Model = Callable[[Floats], Floats]

ROUNDING = 1e-9  # of the largest variance: how far a computed covariance may be from symmetric or positive
TINY_STEP = 1e-6  # of an input's size: the step for an input of no doubt, whose sensitivity alone is wanted


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstOrder:
    """A result with its standard uncertainty and where that comes from.

    Parameters
    ----------
    value : float
        The model at the inputs' values, in the result's unit.
    u : float
        Standard uncertainty, in the result's unit.
    degrees_of_freedom : float
        Effective ones; infinite where every input's doubt is certain.
    sensitivities : tuple of float
        Of each input, in the result's unit per unit of the input.
    contributions : tuple of float
        Sensitivity × u of each input, in the result's unit.
    shares : tuple of float
        Of the variance of first order, adding up to 1; all 0 if there is no doubt.
    second_order_u : float
        What the terms of second order add to the variance, as a standard uncertainty; 0 unless asked for.
    """

    value: float
    u: float
    degrees_of_freedom: float
    sensitivities: tuple[float, ...]
    contributions: tuple[float, ...]
    shares: tuple[float, ...]
    second_order_u: float = 0.0


def covariance_of(u: ArrayLike, correlation: ArrayLike | None = None) -> Floats:
    """Return the covariance of inputs.

    Parameters
    ----------
    u : array_like of shape (N,)
        Standard uncertainty of each, in its own unit.
    correlation : array_like of shape (N, N) or None, optional
        Correlation coefficients [-]; None for independent inputs.

    Returns
    -------
    ndarray of shape (N, N)
        Covariance, in products of the inputs' units.

    Raises
    ------
    QuantityError
        If a standard uncertainty is below 0, or the correlation is none.

    Examples
    --------
    >>> covariance_of([0.1, 0.2], [[1, 0.5], [0.5, 1]])
    array([[0.01, 0.01],
           [0.01, 0.04]])
    """
    doubts = np.atleast_1d(np.asarray(u, np.float64))
    if doubts.ndim != 1 or not np.all((doubts >= 0) & np.isfinite(doubts)):
        raise QuantityError(
            "a standard uncertainty is below 0 or no number",
            where="u",
            remedy="give 0 or more for each input",
        )
    if correlation is None:
        return np.diag(doubts**2)
    ties = np.asarray(correlation, np.float64)
    if ties.shape != (len(doubts), len(doubts)) or not np.allclose(np.diag(ties), 1.0, rtol=0, atol=ROUNDING):
        raise QuantityError(
            f"a correlation of {len(doubts)} inputs has that many rows and columns and 1 on its diagonal",
            where="correlation",
            remedy="give the coefficients as a square",
        )
    return checked_covariance(ties * np.outer(doubts, doubts))


def checked_covariance(covariance: ArrayLike) -> Floats:
    """Return a covariance that has been found to be one.

    Parameters
    ----------
    covariance : array_like of shape (N, N)
        In products of the inputs' units.

    Returns
    -------
    ndarray of shape (N, N)
        Made exactly symmetric.

    Raises
    ------
    QuantityError
        If it is not square, finite and symmetric, or some combination of the inputs would have a variance
        below 0.

    Examples
    --------
    >>> checked_covariance([[1.0, 2.0], [2.0, 1.0]])
    Traceback (most recent call last):
    portmap.errors.QuantityError: covariance: some combination of the inputs has a variance below 0; ...
    """
    matrix = np.asarray(covariance, np.float64)
    square = matrix.ndim == 2 and matrix.shape[0] == matrix.shape[1]
    if not square or not np.isfinite(matrix).all():
        raise QuantityError(
            "this is not a square of finite numbers", where="covariance", remedy="give one row for each input"
        )
    u = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale = np.where(u > 0, u, 1.0)
    ties = matrix / np.outer(scale, scale)  # to judge each input in its own unit
    if not np.allclose(ties, ties.T, rtol=0, atol=ROUNDING):
        raise QuantityError(
            "this is not symmetric", where="covariance", remedy="each pair of inputs has one covariance"
        )
    if matrix.size and not float(np.linalg.eigvalsh((ties + ties.T) / 2)[0]) >= -ROUNDING * len(matrix):
        raise QuantityError(
            "some combination of the inputs has a variance below 0",
            where="covariance",
            remedy="take the covariance as one fit gave it, whole",
        )
    return np.asarray((matrix + matrix.T) / 2)


def correlation_of(covariance: ArrayLike) -> Floats:
    """Return the correlation coefficients of a covariance.

    Parameters
    ----------
    covariance : array_like of shape (N, N)

    Returns
    -------
    ndarray of shape (N, N)
        [-]; an input of no doubt has none with any other.

    Raises
    ------
    QuantityError
        As `checked_covariance`.

    Examples
    --------
    >>> correlation_of([[0.01, 0.01], [0.01, 0.04]])
    array([[1. , 0.5],
           [0.5, 1. ]])
    """
    matrix = checked_covariance(covariance)
    u = np.sqrt(np.diag(matrix))
    scale = np.where(u > 0, u, 1.0)
    ties: Floats = matrix / np.outer(scale, scale)
    np.fill_diagonal(ties, 1.0)
    return ties


def joint_u(sensitivities: ArrayLike, covariance: ArrayLike) -> float:
    """Return the standard uncertainty of a linear combination of correlated inputs.

    √(cᵀ V c), JCGM 100, 5.2.2.

    Parameters
    ----------
    sensitivities : array_like of shape (N,)
        c, in the result's unit per unit of each input.
    covariance : array_like of shape (N, N)
        V.

    Returns
    -------
    float
        In the result's unit.

    Examples
    --------
    >>> joint_u([1.0, -1.0], [[0.01, 0.01], [0.01, 0.01]])
    0.0
    """
    factors, matrix = np.asarray(sensitivities, np.float64), np.asarray(covariance, np.float64)
    return math.sqrt(max(float(factors @ matrix @ factors), 0.0))


def first_order(
    values: ArrayLike,
    *,
    covariance: ArrayLike | None = None,
    u: ArrayLike | None = None,
    correlation: ArrayLike | None = None,
    model: Model | None = None,
    sensitivities: ArrayLike | None = None,
    degrees_of_freedom: ArrayLike | None = None,
    second_order: bool = False,
) -> FirstOrder:
    """Return a result's standard uncertainty from those of its inputs.

    Give either `covariance`, or `u` and, for correlated inputs, `correlation`; and either `model` or, for a
    linear combination of the inputs, `sensitivities`.

    Parameters
    ----------
    values : array_like of shape (N,)
        The inputs' values, each in its own unit.
    covariance : array_like of shape (N, N) or None, optional
        Of the inputs.
    u : array_like of shape (N,) or None, optional
        Standard uncertainty of each input.
    correlation : array_like of shape (N, N) or None, optional
        Correlation coefficients [-].
    model : callable or None, optional
        Takes an array of shape (N, M), answers (M,). Sensitivities are differences over one standard
        uncertainty up and down.
    sensitivities : array_like of shape (N,) or None, optional
        Known beforehand; without a model the value is their sum of products with `values`.
    degrees_of_freedom : array_like of shape (N,) or None, optional
        Of each input's doubt [-]; None, or infinite, where that is certain.
    second_order : bool, optional
        Add the next terms of the series (JCGM 100, 5.1.2, note), for independent inputs.

    Returns
    -------
    FirstOrder

    Raises
    ------
    QuantityError
        If the inputs do not fit together, or terms are asked for that hold for independent inputs only.

    Notes
    -----
    Effective degrees of freedom by Welch–Satterthwaite, u⁴ / Σ (c u)ᵢ⁴ / νᵢ, hold for independent inputs.

    Examples
    --------
    >>> found = first_order([38.6, 35.0], u=[0.02, 0.02], model=lambda x: x[0] - x[1])
    >>> round(found.value, 3), round(found.u, 4), found.shares
    (3.6, 0.0283, (0.5, 0.5))
    """
    x = np.atleast_1d(np.asarray(values, np.float64))
    matrix = _one_covariance(len(x), covariance, u, correlation)
    doubts = np.sqrt(np.diag(matrix))
    independent = not np.any(matrix - np.diag(np.diag(matrix)))
    if model is None:
        if sensitivities is None:
            raise QuantityError("neither a model nor sensitivities are given", remedy="give one of them")
        factors = np.asarray(sensitivities, np.float64)
        if factors.shape != x.shape:
            raise QuantityError(
                f"{factors.size} sensitivities do not fit {x.size} inputs", remedy="give one for each"
            )
        value = float(factors @ x)
    else:
        value, factors = _differences(model, x, doubts)
        if sensitivities is not None:
            factors = np.asarray(sensitivities, np.float64)
    parts = factors * doubts
    variance = max(float(factors @ matrix @ factors), 0.0)
    shares = factors * (matrix @ factors) / variance if variance > 0 else np.zeros(len(x))
    more = 0.0
    if second_order:
        if not independent or model is None:
            raise QuantityError(
                "the terms of second order here hold for a model of independent inputs",
                where="second_order",
                remedy="draw at random instead (portmap.monte_carlo)",
            )
        more = _second_order_variance(model, x, doubts, value)
    return FirstOrder(
        value=value,
        u=math.sqrt(variance + more) if variance + more > 0 else 0.0,
        degrees_of_freedom=_effective(parts, variance, degrees_of_freedom, independent=independent),
        sensitivities=tuple(factors.tolist()),
        contributions=tuple(parts.tolist()),
        shares=tuple(shares.tolist()),
        second_order_u=math.copysign(math.sqrt(abs(more)), more),
    )


def _one_covariance(
    count: int, covariance: ArrayLike | None, u: ArrayLike | None, correlation: ArrayLike | None
) -> Floats:
    if (covariance is None) == (u is None) or (covariance is not None and correlation is not None):
        raise QuantityError(
            "the doubt of the inputs is given twice or not at all",
            remedy="give covariance alone, or u with or without correlation",
        )
    matrix = (
        checked_covariance(covariance)
        if u is None and covariance is not None
        else covariance_of([] if u is None else u, correlation)
    )
    if len(matrix) != count:
        raise QuantityError(
            f"the doubt of {len(matrix)} inputs does not fit {count} values", remedy="give one for each"
        )
    return matrix


def _differences(model: Model, x: Floats, u: Floats) -> tuple[float, Floats]:
    """Return the model's value and its sensitivities, from one call."""
    steps = np.where(u > 0, u, TINY_STEP * np.maximum(np.abs(x), 1.0))
    moves = np.diag(steps)
    found = np.asarray(model(np.concatenate([x[:, None], x[:, None] + moves, x[:, None] - moves], axis=1)))
    count = len(x)
    return float(found[0]), np.asarray((found[1 : count + 1] - found[count + 1 :]) / (2 * steps))


def _second_order_variance(model: Model, x: Floats, u: Floats, value: float) -> float:
    """Return Σᵢⱼ (½ fᵢⱼ² + fᵢ fᵢⱼⱼ) uᵢ² uⱼ², each derivative a difference over standard uncertainties."""
    count = len(x)
    shifts = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)], np.float64)

    def at(first: int, second: int) -> dict[tuple[int, int], float]:
        points = np.repeat(x[:, None], len(shifts), axis=1)
        points[first] += shifts[:, 0] * u[first]
        points[second] += shifts[:, 1] * u[second]
        found = np.asarray(model(points), np.float64)
        return {(int(i), int(j)): float(answer) for (i, j), answer in zip(shifts, found, strict=True)}

    total = 0.0
    for i in range(count):
        for j in range(count):
            f = at(i, j)  # with i = j the shifts add, so that (1, 1) is two steps
            if i == j:
                one, two = f[1, 0], f[1, 1]
                less, least = f[-1, 0], f[-1, -1]
                bend = one - 2 * value + less
                slope, third = (one - less) / 2, (two - 2 * one + 2 * less - least) / 2
            else:
                bend = (f[1, 1] - f[1, -1] - f[-1, 1] + f[-1, -1]) / 4
                slope = (f[1, 0] - f[-1, 0]) / 2
                above = f[1, 1] - 2 * f[1, 0] + f[1, -1]
                below = f[-1, 1] - 2 * f[-1, 0] + f[-1, -1]
                third = (above - below) / 2
            total += bend**2 / 2 + slope * third
    return total


def _effective(
    parts: Floats, variance: float, degrees_of_freedom: ArrayLike | None, *, independent: bool
) -> float:
    if degrees_of_freedom is None:
        return math.inf
    freedom = np.broadcast_to(np.asarray(degrees_of_freedom, np.float64), parts.shape)
    if not np.all(freedom > 0):
        raise QuantityError(
            "degrees of freedom must be above 0", where="degrees_of_freedom", remedy="give readings less one"
        )
    if not independent and np.isfinite(freedom).any():
        raise QuantityError(
            "effective degrees of freedom hold for independent inputs only",
            where="degrees_of_freedom",
            remedy="give none for correlated inputs",
        )
    lost = float(np.sum(parts**4 / freedom))
    return variance**2 / lost if lost > 0 else math.inf


def expanded_u(found: FirstOrder, coverage: float = 0.95) -> tuple[float, float]:
    """Return the expanded uncertainty at a coverage.

    Parameters
    ----------
    found : FirstOrder
    coverage : float, optional
        Probability, between 0 and 1 [-].

    Returns
    -------
    k : float
        Coverage factor [-]: the t factor for the effective degrees of freedom, cut down to a whole number
        as JCGM 100 G.4.1 allows; the normal one where they are infinite.
    expanded : float
        k × u, in the result's unit.

    Raises
    ------
    QuantityError
        If the coverage is not between 0 and 1.

    Examples
    --------
    >>> k, _ = expanded_u(first_order([0.0], u=[1.0], sensitivities=[1.0], degrees_of_freedom=[16.7]), 0.99)
    >>> round(k, 2)  # JCGM 100, table G.2, 16 degrees of freedom
    2.92
    """
    from scipy.special import ndtri, stdtrit

    if not 0 < coverage < 1:
        raise QuantityError(
            f"a coverage of {coverage:g} is no probability", where="coverage", remedy="give for instance 0.95"
        )
    upper, freedom = (1 + coverage) / 2, found.degrees_of_freedom
    factor = float(ndtri(upper) if math.isinf(freedom) else stdtrit(max(math.floor(freedom), 1), upper))
    return factor, factor * found.u
