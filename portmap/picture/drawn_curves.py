"""Chains of chords from a drawing, joined end to end into closed outlines.

Glossary
--------
chain
    A run of points, open or closed by the drawing's own word.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError

__all__ = ["CHAIN_LIMIT", "POINT_LIMIT", "Chain", "joined_outlines"]

CHAIN_LIMIT = 20_000
POINT_LIMIT = 1_000_000
STRAIGHT_MM = 0.01  # a chain that departs less from a straight line is a line and no outline


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Chain:
    """Points in the bore frame.

    Parameters
    ----------
    points_mm : ndarray of shape (N, 2)
        (x, y) [mm].
    closed : bool
        Whether the drawing says that the last point is joined to the first.
    """

    points_mm: NDArray[np.float64]
    closed: bool


def joined_outlines(chains: list[Chain], gap_mm: float, name: str) -> tuple[list[NDArray[np.float64]], int]:
    """Return closed outlines, and how many straight lines were left over.

    Open chains are joined at ends no farther apart than the gap, the nearest first.

    Parameters
    ----------
    chains : list of Chain
    gap_mm : float
        Greatest distance of ends that are joined [mm].
    name : str
        The file, for messages.

    Returns
    -------
    outlines : list of ndarray of shape (N, 2)
        Not closed by a repeated point.
    ignored : int

    Raises
    ------
    PictureError
        If an outline stays open, with the place and the width of its gap.

    Examples
    --------
    >>> half = Chain(points_mm=np.array([[0., 30], [10, 30], [10, 38]]), closed=False)
    >>> rest = Chain(points_mm=np.array([[0., 30], [0, 38], [10, 38]]), closed=False)
    >>> len(joined_outlines([half, rest], 0.5, "a.dxf")[0][0])
    4
    """
    outlines = [c.points_mm for c in chains if c.closed and len(c.points_mm) > 2]
    open_chains = [c.points_mm for c in chains if not c.closed and len(c.points_mm) > 1]
    ignored = 0
    for chain in _linked(open_chains, gap_mm):
        width = float(np.hypot(*(chain[-1] - chain[0])))
        if _is_straight(chain):
            ignored += 1
        elif width <= gap_mm:
            outlines.append(chain)
        else:
            (x0, y0), (x1, y1) = chain[0], chain[-1]
            raise PictureError(
                f"an outline is open: {width:.2f} mm between x {x0:.1f}, y {y0:.1f} mm"
                f" and x {x1:.1f}, y {y1:.1f} mm",
                where=name,
                remedy="close it there",
            )
    cleaned = (_without_repeats(outline) for outline in outlines)
    return [outline for outline in cleaned if len(outline) > 2], ignored


def _linked(chains: list[NDArray[np.float64]], gap_mm: float) -> list[NDArray[np.float64]]:
    """Return the chains joined where ends meet."""
    waiting = list(chains)
    done = []
    while waiting:
        chain = waiting.pop(0)
        while waiting and not (len(chain) > 2 and np.hypot(*(chain[-1] - chain[0])) <= gap_mm):
            ends = np.array([[other[0], other[-1]] for other in waiting])
            far = np.hypot(ends[:, :, 0] - chain[-1, 0], ends[:, :, 1] - chain[-1, 1])
            back = np.hypot(ends[:, :, 0] - chain[0, 0], ends[:, :, 1] - chain[0, 1])
            if min(far.min(), back.min()) > gap_mm:
                break
            if back.min() < far.min():
                chain, far = chain[::-1], back
            which, side = np.unravel_index(int(np.argmin(far)), far.shape)
            other = waiting.pop(int(which))
            chain = np.vstack([chain, other if side == 0 else other[::-1]])
        done.append(chain)
    return done


def _is_straight(chain: NDArray[np.float64]) -> bool:
    away = chain - chain[0]
    farthest = away[int(np.argmax(np.hypot(away[:, 0], away[:, 1])))]
    length = float(np.hypot(*farthest))
    if length == 0.0:
        return True
    return bool(np.abs(away[:, 0] * farthest[1] - away[:, 1] * farthest[0]).max() / length < STRAIGHT_MM)


def _without_repeats(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    step = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    return np.asarray(ring[step > 1e-9], np.float64)
