"""Distributions of inputs, and values drawn from them (JCGM 101), any number of draws at once.

Inputs in different distributions are independent of one another; what hangs together stands in one `Joint`.

Glossary
--------
draw
    One set of values of all inputs, taken from their distributions.

References
----------
.. [1] JCGM 101:2008, Propagation of distributions using a Monte Carlo method: 6.4 and table 1. From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.errors import QuantityError
from portmap.gum import checked_covariance

__all__ = [
    "Arcsine",
    "Certain",
    "Distribution",
    "Joint",
    "Normal",
    "Rectangular",
    "StudentT",
    "Triangular",
    "draws",
]

Floats = NDArray[np.float64]

ROUNDING = 1e-13  # of a correlation: what an eigenvalue of nothing comes out as


@dataclass(frozen=True, kw_only=True, slots=True)
class Certain:
    """A value without doubt.

    Parameters
    ----------
    value : float
        In the input's unit.
    """

    value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Normal:
    """Known by a best estimate and a standard uncertainty (JCGM 101, 6.4.7).

    Parameters
    ----------
    mean, u : float
        In the input's unit.
    """

    mean: float
    u: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Rectangular:
    """Anywhere between two limits alike (JCGM 101, 6.4.2); u is the width over √12.

    Parameters
    ----------
    low, high : float
        In the input's unit.
    """

    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Triangular:
    """The sum of two rectangular inputs of one width (JCGM 101, 6.4.5); u is the width over √24.

    Parameters
    ----------
    low, high : float
        In the input's unit; likeliest half-way.
    """

    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Arcsine:
    """Cycling between two limits at an unknown phase (JCGM 101, 6.4.6); u is the width over √8.

    Parameters
    ----------
    low, high : float
        In the input's unit.
    """

    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class StudentT:
    """The mean of few readings of unknown scatter (JCGM 101, 6.4.9).

    Parameters
    ----------
    mean, scale : float
        Mean of the readings, and their standard deviation over √n, in the input's unit.
    degrees_of_freedom : float
        n − 1 [-]; the standard deviation is infinite up to 2.
    """

    mean: float
    scale: float
    degrees_of_freedom: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Joint:
    """Several inputs, jointly normal (JCGM 101, 6.4.8).

    Parameters
    ----------
    means : tuple of float
        Each in its input's unit.
    covariance : tuple of tuple of float
        In products of those units; may be singular.
    """

    means: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]


Distribution = Certain | Normal | Rectangular | Triangular | Arcsine | StudentT | Joint


def draws(inputs: Sequence[Distribution], count: int, random: np.random.Generator) -> Floats:
    """Return values of all inputs, drawn from their distributions.

    Parameters
    ----------
    inputs : sequence of Distribution
        Independent of one another; what hangs together stands in one `Joint`, which gives several rows.
    count : int
        How many draws.
    random : numpy.random.Generator
        Seeded by the caller, so that the same draws can be had again.

    Returns
    -------
    ndarray of shape (N, count)
        One row for each input, in their order.

    Raises
    ------
    QuantityError
        If a distribution cannot be, or there are no draws.

    Examples
    --------
    >>> inputs = [Rectangular(low=1.2, high=1.3), Joint(means=(61, 39), covariance=((1, 1), (1, 1)))]
    >>> drawn = draws(inputs, 1000, np.random.default_rng(1))
    >>> drawn.shape, round(float(np.ptp(drawn[1] - drawn[2])), 9)
    ((3, 1000), 0.0)
    """
    if count < 1:
        raise QuantityError(f"{count} draws are none", where="draws", remedy="give for instance 10000")
    rows = [_rows(each, count, random) for each in inputs]
    return np.concatenate(rows) if rows else np.empty((0, count))


def _rows(one: Distribution, count: int, random: np.random.Generator) -> Floats:
    if isinstance(one, Certain):
        return np.full((1, count), one.value)
    if isinstance(one, Normal):
        _check(one.u >= 0, f"a standard uncertainty of {one.u:g} is below 0")
        return np.asarray(one.mean + one.u * random.standard_normal((1, count)))
    if isinstance(one, StudentT):
        _check(one.scale >= 0 and one.degrees_of_freedom > 0, "a t distribution needs a scale and freedom")
        return np.asarray(one.mean + one.scale * random.standard_t(one.degrees_of_freedom, (1, count)))
    if isinstance(one, Joint):
        matrix = checked_covariance(one.covariance)
        _check(len(matrix) == len(one.means), "the covariance does not fit the means")
        u = np.sqrt(np.diag(matrix))
        scale = np.where(u > 0, u, 1.0)
        sizes, axes = np.linalg.eigh(matrix / np.outer(scale, scale))
        sizes = np.where(sizes > ROUNDING * len(sizes), sizes, 0.0)  # a singular covariance stays so
        root = scale[:, None] * axes * np.sqrt(sizes)
        means = np.asarray(one.means, np.float64)[:, None]
        return np.asarray(means + root @ random.standard_normal((len(matrix), count)))
    middle, half = (one.low + one.high) / 2, (one.high - one.low) / 2
    _check(half >= 0, f"the limits {one.low:g} and {one.high:g} are the wrong way round")
    if isinstance(one, Rectangular):
        unit = random.uniform(-1.0, 1.0, (1, count))
    elif isinstance(one, Triangular):
        unit = random.uniform(-0.5, 0.5, (1, count)) + random.uniform(-0.5, 0.5, (1, count))
    else:
        unit = np.sin(2 * np.pi * random.uniform(0.0, 1.0, (1, count)))
    return np.asarray(middle + half * unit)


def _check(sound: bool, message: str) -> None:
    if not sound:  # a comparison with NaN is False
        raise QuantityError(message, where="inputs", remedy="check the doubt stated for that input")
