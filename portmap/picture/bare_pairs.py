"""Which frames of a turned scope are compared, what they share, and which hang together by it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bare_match import Matches, Search, matches
from portmap.picture.bare_panel import Panel, panel_of
from portmap.picture.bare_start import LEAST_SHARED, posed_view
from portmap.picture.wall_view import View

__all__ = ["closed_round", "hanging_together", "renumbered", "shared_places"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_WIDE_DEG = 50.0  # a wider pair, beside neighbours: seen from more different sides, it tells more
_WIDEST_DEG = 75.0
_WORKERS = 4  # at once; most of their time is OpenCV's


def shared_places(
    views: Sequence[View],
    lights: Sequence[Floats32],
    figures: Floats,
    radius: float,
    search: Search,
    *,
    wide: bool,
    hidden_mm: tuple[float, float] | None = None,
) -> list[Matches]:
    """Return what the frames share with their neighbours, and with one further off.

    Parameters
    ----------
    views : sequence of View
    lights : sequence of ndarray
        As `lights_of` gives them.
    figures : ndarray of shape (F, 6)
        As in `bare_adjust`.
    radius : float
        Of the bore [mm].
    search : Search
    wide : bool
        Whether to compare with one further off too.
    hidden_mm : tuple of float, optional
        From where to where in y a card hides the wall: nothing is sought there.

    Returns
    -------
    list of Matches
        Of pairs that share enough.
    """
    with ThreadPoolExecutor(_WORKERS) as pool:

        def panel(number: int) -> Panel | None:
            view, own = posed_view(views[number], figures[number]), figures[number]
            made = panel_of(view, lights[number], radius, float(own[0]), search.step_mm)
            return made if made is None or hidden_mm is None else _without(made, *hidden_mm)

        panels = list(pool.map(panel, range(len(views))))
        found = pool.map(
            lambda pair: matches(panels, pair[0], pair[1], search), _pairs(figures[:, 0], wide=wide)
        )
        return [got for got in found if got is not None and len(got) >= LEAST_SHARED]


def _without(panel: Panel, low_mm: float, high_mm: float) -> Panel:
    """Return a panel that shows no wall from one height to another."""
    y = -(panel.top_px + np.arange(panel.good.shape[0])) * panel.step_mm
    bare = ~((y > low_mm) & (y < high_mm))
    return replace(panel, good=panel.good & bare[:, None])


def _pairs(headings: Floats, *, wide: bool) -> list[tuple[int, int]]:
    """Return which frames to compare: each with its two next to the right, and one further."""
    turn = 2 * math.pi
    chosen: set[tuple[int, int]] = set()
    for k, heading in enumerate(headings):
        right = np.remainder(headings - heading, turn)
        right[k] = turn
        order = np.argsort(right)
        near = [int(j) for j in order[:2] if right[j] < math.radians(_WIDEST_DEG)]
        if wide:
            far = int(np.argmin(np.abs(right - math.radians(_WIDE_DEG))))
            if right[far] < math.radians(_WIDEST_DEG):
                near.append(far)
        chosen |= {(min(k, j), max(k, j)) for j in near}
    return sorted(chosen)


def hanging_together(pairs: Sequence[Matches], count: int) -> list[int]:
    """Return the largest set of frames that hang together.

    Parameters
    ----------
    pairs : sequence of Matches
    count : int
        Of frames.

    Returns
    -------
    list of int
        Their numbers, rising.
    """
    group = list(range(count))
    for pair in pairs:
        one, other = group[pair.first], group[pair.second]
        group = [one if g == other else g for g in group]
    most = max(set(group), key=group.count)
    return [k for k in range(count) if group[k] == most]


def renumbered(pair: Matches, joined: Sequence[int]) -> Matches:
    """Return a pair as it is numbered among the frames that are left.

    Parameters
    ----------
    pair : Matches
    joined : sequence of int
        The frames that are left.

    Returns
    -------
    Matches
    """
    return Matches(
        first=joined.index(pair.first),
        second=joined.index(pair.second),
        tried=pair.tried,
        first_mm=pair.first_mm,
        second_mm=pair.second_mm,
        whitening=pair.whitening,
    )


def closed_round(pairs: Sequence[Matches], figures: Floats) -> bool:
    """Return whether the frames hang together all round: over each gap between two, some pair reaches.

    Parameters
    ----------
    pairs : sequence of Matches
    figures : ndarray of shape (F, 6)

    Returns
    -------
    bool
    """
    turn = 2 * math.pi
    order = np.argsort(np.remainder(figures[:, 0], turn))
    rank = np.argsort(order)
    bridged = np.zeros(len(order), bool)
    for pair in pairs:
        first, second = pair.first, pair.second
        if np.remainder(figures[second, 0] - figures[first, 0], turn) > math.pi:
            first, second = second, first
        gaps = np.arange(rank[first], rank[first] + (rank[second] - rank[first]) % len(order))
        bridged[gaps % len(order)] = True
    return bool(bridged.all())
