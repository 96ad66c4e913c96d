"""The same places of a bore's wall in two frames of a scope, with no card in sight.

Unrolled by the poses so far (`bare_panel`), neighbouring frames show nearly the same picture. Pieces of one
are sought in the other by correlation, those kept on whose move their neighbourhood agrees, and each is
brought to a small part of a pixel by least squares of the grey levels [1]_, which also tells how sure it is
in each direction: an edge says nothing of the way along it.

What lies behind the wall, in the windows, moves otherwise than the wall: pieces that reach into a window, or
are far richer in contrast than the others, are not taken.

References
----------
.. [1] B. D. Lucas, T. Kanade, An iterative image registration technique, IJCAI 1981, 674-679; slopes of both
   pictures taken together as S. Benhimane, E. Malis, IROS 2004, 943-948 (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.bare_panel import Panel, looked_up

__all__ = ["Matches", "Search", "matches"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_TOO_RICH = 3.0  # times the median contrast of a frame's pieces
_LEAST_CONTRAST = 0.008  # of the logarithm: below that only noise is left
_FLAT_MM = 0.3  # beside its neighbours' move, for a piece to agree with them
_BENT = 0.12  # and by that share of the way to them
_AGREE = 0.4  # of the best piece's company
_MOST_PIECES = 120  # of a pair
_ROUNDS = 6
_LOST_PX = 1.5  # a piece that runs further than that has no firm place


@dataclass(frozen=True, kw_only=True, slots=True)
class Search:
    """How pieces are sought.

    Parameters
    ----------
    step_mm : float
        Size of a panel's pixel.
    piece_mm, apart_mm : float
        Side of a piece, and how far apart they are taken.
    reach_mm : float
        How far a piece may have moved.
    alike : float
        Least correlation.
    across_mm : float, optional
        How far it may have moved round the bore, if that is further.
    """

    step_mm: float
    piece_mm: float
    apart_mm: float
    reach_mm: float
    alike: float
    across_mm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Matches:
    """Places of the wall that two frames show.

    Parameters
    ----------
    first, second : int
        The frames.
    tried : int
        Pieces that were sought.
    first_mm, second_mm : ndarray of shape (N, 2)
        The same place by the pose of either.
    whitening : ndarray of shape (N, 2, 2)
        Makes independent figures of about equal variance of a miss.
    """

    first: int
    second: int
    tried: int
    first_mm: Floats
    second_mm: Floats
    whitening: Floats

    def __len__(self) -> int:
        """Return how many."""
        return len(self.first_mm)


def matches(panels: Sequence[Panel | None], first: int, second: int, search: Search) -> Matches | None:
    """Return the places that two frames show, each to a small part of a pixel.

    Parameters
    ----------
    panels : sequence of Panel or None
        Of one step.
    first, second : int
        The frames.
    search : Search

    Returns
    -------
    Matches or None
        None if there are none.
    """
    one, other = panels[first], panels[second]
    if one is None or other is None:
        return None
    step, half = one.step_mm, max(4, round(search.piece_mm / one.step_mm / 2))
    across = max(search.across_mm, search.reach_mm)
    reach = max(2, round(across / step)), max(2, round(search.reach_mm / step))
    over = _turns_between(one, other)
    far = search.across_mm > search.piece_mm
    centres = _centres(one, other, over, half, max(2, round(search.apart_mm / step)), far=far)
    if len(centres) < 4:
        return None
    tried = len(centres)
    found = _sought(one, other, over, centres, half, reach, search.alike)
    if found is None:
        return None
    centres, moves = found
    kept = _agreeing(np.asarray(centres * step, np.float64), moves * step)
    if kept.sum() < 4:
        return None
    moves, precision, firm = _refined(one, other, over, centres[kept], moves[kept], half)
    centres = centres[kept][firm]
    if len(centres) < 4:
        return None
    places = (centres + np.array([one.left_px, one.top_px])) * [step, -step]
    return Matches(
        first=first,
        second=second,
        tried=tried,
        first_mm=places,
        second_mm=places + moves[firm] * [step, -step],
        whitening=_whitening(precision[firm], step),
    )


def _turns_between(one: Panel, other: Panel) -> int:
    """Return by how many columns the second panel must be moved to lie over the first."""
    middle = [panel.left_px + panel.even.shape[1] / 2 for panel in (one, other)]
    return int(round((middle[0] - middle[1]) / one.turn_px) * one.turn_px)


def _offset(one: Panel, other: Panel, over: int) -> NDArray[np.int64]:
    """Return what is added to (column, row) in the first panel to have it in the second."""
    return np.array([one.left_px - other.left_px - over, one.top_px - other.top_px])


def _centres(one: Panel, other: Panel, over: int, half: int, apart: int, *, far: bool) -> NDArray[np.int64]:
    """Return where pieces of wall lie that both show, their contrast that of the wall."""
    square = np.ones((2 * half + 1, 2 * half + 1), np.uint8)
    whole, there = (cv2.erode(p.good.astype(np.uint8), square, borderValue=0) > 0 for p in (one, other))
    rows, columns = one.good.shape
    # both ways the grid stands on the wall, not on the panel
    c = np.arange((-one.left_px) % apart, columns, apart)
    r = np.arange((-one.top_px) % apart, rows, apart)
    grid = np.stack([part.ravel() for part in np.meshgrid(c, r)], axis=1)
    grid = grid[whole[grid[:, 1], grid[:, 0]]]
    at = grid + _offset(one, other, over)
    if far:  # where it will be found nobody knows
        there = np.ones_like(there)
        at = np.clip(at, 0, np.array(there.shape[::-1]) - 1)
    inside = (at >= 0).all(axis=1) & (at < [other.good.shape[1], other.good.shape[0]]).all(axis=1)
    grid, at = grid[inside], at[inside]
    grid = grid[there[at[:, 1], at[:, 0]]]
    if not len(grid):
        return np.asarray(grid, np.int64)
    side = 2 * half + 1
    rich = np.sqrt(np.maximum(cv2.boxFilter(one.even * one.even, -1, (side, side)), 0.0))
    own = rich[grid[:, 1], grid[:, 0]]
    grid = grid[(own < _TOO_RICH * np.median(own)) & (own > _LEAST_CONTRAST)]
    return np.asarray(grid[:: 1 + len(grid) // _MOST_PIECES], np.int64)


def _sought(
    one: Panel,
    other: Panel,
    over: int,
    centres: NDArray[np.int64],
    half: int,
    reach: tuple[int, int],
    alike: float,
) -> tuple[NDArray[np.int64], Floats] | None:
    """Return the pieces found in the second panel and their moves [px], whole pixels."""
    offset = _offset(one, other, over)
    kept, moves = [], []
    for centre in centres:
        c, r = centre
        piece = one.even[r - half : r + half + 1, c - half : c + half + 1]
        x, y = centre + offset
        low_c, low_r = max(0, x - half - reach[0]), max(0, y - half - reach[1])
        area = other.even[low_r : y + half + reach[1] + 1, low_c : x + half + reach[0] + 1]
        if min(area.shape[0] - piece.shape[0], area.shape[1] - piece.shape[1]) < 2:
            continue
        score = cv2.matchTemplate(area, piece, cv2.TM_CCOEFF_NORMED)
        _, best, _, (at_c, at_r) = cv2.minMaxLoc(score)
        if best < alike or not (0 < at_c < score.shape[1] - 1 and 0 < at_r < score.shape[0] - 1):
            continue
        kept.append(centre)
        moves.append([low_c + at_c + half - x, low_r + at_r + half - y])
    if len(kept) < 4:
        return None
    return np.array(kept), np.array(moves, np.float64)


def _agreeing(places: Floats, moves: Floats) -> NDArray[np.bool_]:
    """Return which moves have company: others that differ no more than a bent wall makes them."""
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    differ = np.linalg.norm(moves[:, None] - moves[None], axis=2)
    company = (differ < _FLAT_MM + _BENT * apart).sum(axis=1)
    best = int(np.argmax(company))
    near = differ[best] < _FLAT_MM + _BENT * apart[best]
    return np.asarray(near & (company > _AGREE * company[best]))


def _refined(
    one: Panel, other: Panel, over: int, centres: NDArray[np.int64], moves: Floats, half: int
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return moves [px], their precision (inverse covariance), and which are firm."""
    reach = np.arange(-half, half + 1)
    window = np.exp(-0.5 * (reach / (0.55 * half)) ** 2)
    weight = (window[:, None] * window).astype(np.float32)
    weight /= weight.sum()
    r, c = (centres[:, k, None, None] for k in (1, 0))
    near = r + reach[None, :, None], c + reach[None, None, :]
    piece, flat = _unit(one.even[near], weight)
    slope = [np.asarray(cv2.Sobel(p.even, cv2.CV_32F, 1, 0, ksize=3) / 8, np.float32) for p in (one, other)]
    rise = [np.asarray(cv2.Sobel(p.even, cv2.CV_32F, 0, 1, ksize=3) / 8, np.float32) for p in (one, other)]
    own_c, own_r = slope[0][near] / flat, rise[0][near] / flat
    start = centres + _offset(one, other, over)
    moves = moves.copy()
    shape = (len(centres) * len(reach), len(reach))
    first = moves.copy()
    for _ in range(_ROUNDS):
        at = start + moves
        map_c = np.broadcast_to(at[:, 0, None, None] + reach[None, None, :], piece.shape)
        map_r = np.broadcast_to(at[:, 1, None, None] + reach[None, :, None], piece.shape)
        maps = np.stack([map_c, map_r], axis=-1).astype(np.float32).reshape(*shape, 2)

        def looked(image: Floats32, maps: Floats32 = maps) -> Floats32:
            return looked_up(image, maps).reshape(piece.shape)

        seen, level = _unit(looked(other.even), weight)
        gc = (own_c + looked(slope[1]) / level) / 2
        gr = (own_r + looked(rise[1]) / level) / 2
        miss = piece - seen
        normal = np.stack(
            [(weight * a * b).sum(axis=(1, 2)) for a, b in ((gc, gc), (gc, gr), (gr, gc), (gr, gr))], axis=1
        ).reshape(-1, 2, 2)
        right = np.stack([(weight * g * miss).sum(axis=(1, 2)) for g in (gc, gr)], axis=1)
        normal[:, (0, 1), (0, 1)] += 1e-6
        moved = _solved(normal, right)
        moves += np.clip(moved, -1.0, 1.0)
        if np.abs(moved).max() < 0.01:
            break
    left = (weight * miss * miss).sum(axis=(1, 2))
    # how many independent grey levels a piece has is the same for all: the adjustment finds the scale
    precision = normal / np.maximum(left, 1e-3)[:, None, None]
    firm = (np.abs(moves - first).max(axis=1) < _LOST_PX) & (np.abs(moved).max(axis=1) < 0.1) & (left < 1.0)
    return moves, precision, firm


def _solved(normal: Floats, right: Floats) -> Floats:
    """Return x of normal·x = right for symmetric 2 × 2 matrices, shape (N, 2)."""
    a, b, d = normal[:, 0, 0], normal[:, 0, 1], normal[:, 1, 1]
    u, v = right.T
    return np.asarray(np.stack([d * u - b * v, a * v - b * u], axis=1) / (a * d - b * b)[:, None])


def _unit(pieces: Floats32, weight: Floats32) -> tuple[Floats32, Floats32]:
    """Return pieces with weighted mean 0 and variance 1, and by what they were divided."""
    mean = (pieces * weight).sum(axis=(1, 2), keepdims=True)
    off = pieces - mean
    size = np.sqrt(np.maximum((off * off * weight).sum(axis=(1, 2), keepdims=True), 1e-8))
    return np.asarray(off / size, np.float32), np.asarray(size, np.float32)


def _whitening(precision: Floats, step_mm: float) -> Floats:
    """Return W with WᵀW the precision of places [1/mm²]; rows point down, y points up."""
    turned = precision * np.array([[1.0, -1.0], [-1.0, 1.0]]) / step_mm**2
    return np.asarray(np.linalg.cholesky(turned).transpose(0, 2, 1))
