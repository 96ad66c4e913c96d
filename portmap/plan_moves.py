"""What a plan chooses from: an engine on one gasket, the work that may be done to it, and amounts.

Every measure and every room left to a limit goes in proportion to the amounts taken.

Glossary
--------
tier
    0 if nothing but a gasket is needed, 1 for tools held by hand, 2 for a lathe.
set-up
    One clamping; works that share it count once.
metal
    Sum of the amounts taken [mm].
room
    What is left to a limit [mm]; below 0 it is broken.
margin
    The least room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank
from portmap.errors import QuantityError

__all__ = ["MARGIN_CAP_MM", "SLIP", "Bench", "Choice", "Move", "Signature", "reachable"]

Floats = NDArray[np.float64]
Signature = frozenset[int]  # places of the moves that are used

SLIP = 2e-7  # mm, cm³: bounds are widened by this much, so that a figure exactly on its limit is met
MARGIN_CAP_MM = 10.0  # more room than this is as good as any
TABLE_LIMIT = 20_000  # entries of a table of depths


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A piece of work that may be chosen, in whole steps.

    Parameters
    ----------
    name : str
        Of the work.
    port : str or None
        Id, for work on one port.
    step_mm : float
        Of the amount [mm].
    most : int
        Number of steps at most.
    tier : int
        See the glossary.
    setup : str
        Name of the clamping.
    effects : dict of str to float
        Change of each measure for one millimetre taken.
    rooms : tuple of float
        Change of the room left to each limit for one millimetre taken.
    """

    name: str
    port: str | None
    step_mm: float
    most: int
    tier: int
    setup: str
    effects: Mapping[str, float]
    rooms: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """An engine on one gasket, before any work.

    Parameters
    ----------
    crank : Crank
    measures : dict of str to float
        From `portmap.demands.measures_of`.
    rooms : tuple of float
        Left to each limit [mm].
    """

    crank: Crank
    measures: Mapping[str, float]
    rooms: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """Amounts that were chosen.

    Parameters
    ----------
    steps : tuple of int
        For each move.
    miss : float
        Sum of what is missed, each in its own tolerance; 0 if nothing is.
    tier : int
        The highest that is needed.
    setups : int
    metal_mm : float
        Sum of the amounts [mm].
    margin_mm : float
        Least room left to a limit [mm]; `MARGIN_CAP_MM` if there are no limits.
    """

    steps: tuple[int, ...]
    miss: float
    tier: int
    setups: int
    metal_mm: float
    margin_mm: float

    @property
    def signature(self) -> Signature:
        """Return which moves are used."""
        return frozenset(place for place, count in enumerate(self.steps) if count)

    @property
    def rank(self) -> tuple[float, int, int, float, float]:
        """Return the key by which choices are put in order, best first."""
        return (
            round(self.miss, 5),
            self.tier,
            self.setups,
            round(self.metal_mm, 7),
            -round(min(self.margin_mm, MARGIN_CAP_MM), 7),
        )


def reachable(start: float, moves: Sequence[Move], measure: str, low: float, high: float) -> Floats:
    """Return every value of a measure that whole steps can make.

    Parameters
    ----------
    start : float
        Before any work [mm].
    moves : sequence of Move
    measure : str
    low, high : float
        Only values between are wanted [mm].

    Returns
    -------
    ndarray of shape (N,)
        Rising [mm].

    Raises
    ------
    QuantityError
        If there are more than `TABLE_LIMIT`.

    Examples
    --------
    >>> move = Move(name="grind_roof", port="e", step_mm=0.5, most=4, tier=1, setup="",
    ...             effects={"low:e": -1.0}, rooms=())
    >>> reachable(21.0, [move], "low:e", 19.4, 30.0)
    array([19.5, 20. , 20.5, 21. ])
    """
    moving = [(move, move.effects.get(measure, 0.0)) for move in moves]
    values = np.array([start])
    for move, effect in moving:
        if effect != 0.0:
            steps = move.step_mm * effect * np.arange(move.most + 1)
            values = np.unique(np.round(np.add.outer(values, steps).ravel(), 9))
            if len(values) > TABLE_LIMIT:
                raise QuantityError(
                    f"the steps of the tools make more than {TABLE_LIMIT:,} different depths",
                    where="--step",
                    remedy="let one tool's step be a multiple of the other's",
                )
    return np.asarray(values[(values >= low - SLIP) & (values <= high + SLIP)])
