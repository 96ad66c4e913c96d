"""A few heights with weights that stand for all of a port, for angle-areas of many engines at once.

The angle-area of a port is ∫ A dθ over a turn. Summed the other way, over heights and not over angles, it is
∫ w(y)·D(y) dy: the port's width at each height, times the degrees for which that height is uncovered. The
widths belong to the casting and stay; only D changes from one engine to the next, and it is smooth except
where the controlling edge turns round. So the integral becomes a sum over a Gauss quadrature that has the
widths as its weight, cut at those heights and crowded toward the cuts; nodes are found once for a port.

Glossary
--------
node
    A height [mm] with the area [mm²] that it stands for; a port's nodes add up to its wall area.
turning height
    Where on the wall a controlling edge stands at a dead centre.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from portmap.port import Port, floor_of, roof_of
from portmap.profile import Profile
from portmap.window import port_profiles

__all__ = ["gauss_of_measure", "port_nodes"]

Floats = NDArray[np.float64]

NODES = 16  # for each stretch; angle-areas then hold to rounding while the turning heights stand still
# With the draws a turning height moves by a few hundredths: so much on either side is a stretch of its own,
# which leaves some 3e-5 of an angle-area, a hundredth of its doubt.
MARGIN_MM = 0.06
NODES_BESIDE = 10
WIDEST_PIECE = np.pi / 24
_PIECE, _PIECE_WEIGHTS = np.polynomial.legendre.leggauss(4)


def port_nodes(port: Port, bore_mm: float, turning_mm: Iterable[float] = ()) -> tuple[Floats, Floats]:
    """Return heights and the areas that they stand for.

    Parameters
    ----------
    port : Port
    bore_mm : float
        Bore [mm].
    turning_mm : iterable of float, optional
        Turning heights of the controlling edges [mm above the base face].

    Returns
    -------
    heights : ndarray of shape (K,)
        [mm].
    areas : ndarray of shape (K,)
        [mm²], above 0; they add up to the port's wall area.

    Raises
    ------
    GeometryError
        As `port_profiles`.

    References
    ----------
    .. [1] Golub and Welsch, Calculation of Gauss quadrature rules, Math. Comp. 23 (1969) 221 (from memory).

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> port = Port(id="t", kind="transfer", control="crown", windows=(Window(outline=shape),))
    >>> heights, areas = port_nodes(port, 46.0)
    >>> len(heights), round(float(areas.sum()), 9), round(float(heights @ areas / areas.sum()), 9)
    (16, 80.0, 34.0)
    """
    floor, roof = floor_of(port), roof_of(port)
    profiles = port_profiles(port, bore_mm)
    turning = [*turning_mm]
    around = {height + side * MARGIN_MM for height in turning for side in (-1, 0, 1)}
    cuts = [floor, *sorted(height for height in around if floor < height < roof), roof]
    heights, areas = [], []
    for low, high in pairwise(cuts):
        parts = [_points(profile, low, high) for profile in profiles]
        phi, mass = (np.concatenate(side) for side in zip(*parts, strict=True))
        if len(phi):
            beside = any(abs((low + high) / 2 - height) < MARGIN_MM for height in turning)
            nodes, weights = gauss_of_measure(phi, mass, NODES_BESIDE if beside else NODES)
            heights.append(low + (high - low) * (1 - np.cos(nodes)) / 2)
            areas.append(weights)
    return np.concatenate(heights), np.concatenate(areas)


def _points(profile: Profile, low: float, high: float) -> tuple[Floats, Floats]:
    """Return many places of a window between two heights, and the area that each stands for.

    A place is an angle φ of a half circle over the stretch, y = low + (high − low)·(1 − cos φ)/2: in φ the
    roots √(y − low) and √(high − y), as a dead centre makes them, are smooth.
    """
    corners = profile.heights_mm
    bounds = np.unique(np.clip(corners, low, high))
    if len(bounds) < 2:
        return np.empty(0), np.empty(0)
    span = high - low
    turn = np.arccos(1 - 2 * np.clip((bounds - low) / span, 0.0, 1.0))
    counts = np.maximum(np.ceil(np.diff(turn) / WIDEST_PIECE), 1).astype(int)
    piece = np.repeat(np.arange(len(counts)), counts)
    width = (np.diff(turn) / counts)[piece]
    number = np.arange(len(piece)) - np.repeat(np.cumsum(counts) - counts, counts)
    phi = turn[piece][:, None] + width[:, None] * (number[:, None] + (1 + _PIECE) / 2)
    y = low + span * (1 - np.cos(phi)) / 2
    index = np.searchsorted(corners, (bounds[piece] + bounds[piece + 1]) / 2, side="right") - 1
    step = corners[index + 1] - corners[index]
    share = np.clip((y - corners[index][:, None]) / step[:, None], 0.0, 1.0)
    begin, end = profile.widths_mm[index, :1], profile.widths_mm[index, 1:]
    per_phi = (begin + (end - begin) * share) * span / 2 * np.sin(phi)
    mass = per_phi * width[:, None] * _PIECE_WEIGHTS / 2
    kept = mass > 0
    return phi[kept], mass[kept]


def gauss_of_measure(points: Floats, mass: Floats, count: int) -> tuple[Floats, Floats]:
    """Return the Gauss quadrature of a measure given by many points.

    Parameters
    ----------
    points : ndarray of shape (N,)
        Anywhere on a line, in any unit.
    mass : ndarray of shape (N,)
        Above 0.
    count : int
        Nodes wanted; fewer come back where the measure has fewer points.

    Returns
    -------
    nodes : ndarray of shape (count,)
        Ascending.
    weights : ndarray of shape (count,)
        Above 0; Σ weights·nodesᵏ equals that of the points for k up to 2·count − 1.

    References
    ----------
    .. [1] Golub and Welsch, 1969, with the recurrence found by Lanczos steps on the points (from memory).

    Examples
    --------
    >>> nodes, weights = gauss_of_measure(np.linspace(-1, 1, 1001), np.full(1001, 1.0), 2)
    >>> (nodes @ weights).round(9), (nodes**2 @ weights).round(6)  # 334.334 is Σ x² of the points
    (np.float64(0.0), np.float64(334.334))
    """
    middle, half = (points.max() + points.min()) / 2, max(float(np.ptp(points)) / 2, 1e-300)
    x = (points - middle) / half
    total = float(mass.sum())
    basis = [np.sqrt(mass / total)]
    diagonal, beside = [], []
    for step in range(min(count, len(x))):
        grown = x * basis[-1]
        diagonal.append(float(basis[-1] @ grown))
        for _ in range(2):  # once would leave the basis askew by rounding
            grown = grown - np.array(basis).T @ (np.array(basis) @ grown)
        length = float(np.linalg.norm(grown))
        if step + 1 == count or length < 1e-12:
            break
        beside.append(length)
        basis.append(grown / length)
    beside = beside[: len(diagonal) - 1]
    values, vectors = np.linalg.eigh(np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1))
    return np.asarray(middle + half * values), np.asarray(total * vectors[0] ** 2)
