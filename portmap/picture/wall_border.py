"""The border of a window on a bore wall: the best closed path along edges, from a box or a rough outline.

Points are (column, row) [px] of the image given; lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from portmap.picture.edge import evenly_spaced, outward_normals
from portmap.picture.wall_responses import CAP, DIRECTIONS, Responses

__all__ = [
    "CORNER_SHARE",
    "SIDE_LEVEL",
    "Box",
    "Sought",
    "best_sum",
    "bordered",
    "closed_path",
    "firm_all_round",
    "firmest",
    "sides_of",
    "snapped",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Box = tuple[float, float, float, float]

CORNER_SHARE = 0.16  # of a box's side at either end that round corners take
SIDE_LEVEL = 0.85  # of a border's normal: it belongs to a side, not to a corner
CORNER_SHARES = (CORNER_SHARE, 0.3, 0.45)  # that are tried for a window
MOVE_COST = 3.0  # of a step of `STEP_MM` across the border, in responses over 0.3 mm along it
LEAST_MEAN, LEAST_SHARE = 7.4, 0.74  # of a window's border: mean response, share of it above `FIRM`
FIRM = 4.0
# Mean response along roof, floor and each side; a side of bare wall has about 2. A floor seen from below is
# nearly lost where the passage behind it is lit like the wall.
LEAST_OF_LEVEL, LEAST_OF_UPRIGHT = 2.2, 4.5
# Three sides so firm as this are no soot's, and the fourth, a floor or a roof, may be as faint as this.
FIRM_SIDE, FAINT_SIDE = 7.8, 2.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sought:
    """A window's rough outline.

    Parameters
    ----------
    outline_px : ndarray of shape (N, 2)
        (column, row) of the full image, about along where the wall ends.
    strength : ndarray of shape (N,)
        Response at each point, at most `CAP`.
    """

    outline_px: Floats
    strength: Floats


def sides_of(normals: Floats) -> list[Bools]:
    """Return which places of a border are its roof, floor, left and right side.

    Parameters
    ----------
    normals : ndarray of shape (N, 2)
        Outward, (column, row).

    Returns
    -------
    list of ndarray of shape (N,) and dtype bool

    Examples
    --------
    >>> [side.tolist() for side in sides_of(np.array([[0.0, -1.0], [1.0, 0.0]]))]
    [[True, False], [False, False], [False, False], [False, True]]
    """
    right, down = normals.T
    return [side > SIDE_LEVEL for side in (-down, down, -right, right)]


def firm_all_round(found: Sought) -> bool:
    """Return whether a border is firm, for most of its length and on each of its sides.

    Of three sides that are firmer the fourth, a floor or roof, may be fainter. A side that no photo shows is
    not asked for.

    Parameters
    ----------
    found : Sought

    Returns
    -------
    bool
    """
    seen = found.strength > 0
    if not seen.any():
        return False
    own = [found.strength[seen & side] for side in sides_of(outward_normals(found.outline_px, 2.0))]
    roof, floor, left, right = (float(side.mean()) if len(side) else np.inf for side in own)
    firm = min(max(roof, floor), left, right) > FIRM_SIDE and min(roof, floor) > FAINT_SIDE
    if firm and all(len(side) for side in own):
        return True
    if found.strength[seen].mean() < LEAST_MEAN:
        return False
    if min(roof, floor) < LEAST_OF_LEVEL or min(left, right) < LEAST_OF_UPRIGHT:
        return False
    return bool((found.strength[seen] > FIRM).mean() > LEAST_SHARE)


def firmest(responses: Responses, box_px: Box) -> Sought:
    """Return the firmest border of a window from its box, its corners tight or wide.

    Parameters
    ----------
    responses : Responses
    box_px : tuple of float
        Left, top, right, bottom [px of the image].

    Returns
    -------
    Sought
    """
    tried = [bordered(responses, box_px, share) for share in CORNER_SHARES]
    return max(tried, key=lambda border: float(border.strength.mean()))


def bordered(responses: Responses, box_px: Box, corner_share: float = CORNER_SHARE) -> Sought:
    """Return the border of a window from its box.

    Parameters
    ----------
    responses : Responses
    box_px : tuple of float
        Left, top, right, bottom [px of the image].
    corner_share : float, optional
        Radius of the corners that the search begins with, of the lesser side.

    Returns
    -------
    Sought
    """
    left, top, right, bottom = box_px
    radius = corner_share * min(right - left, bottom - top)
    turn = np.linspace(0, np.pi / 2, 9)
    corners = []
    for k, (x, y) in enumerate(
        (
            (right - radius, bottom - radius),
            (left + radius, bottom - radius),
            (left + radius, top + radius),
            (right - radius, top + radius),
        )
    ):
        corners.append(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]))
        turn = turn + np.pi / 2 * (k < 3)
    return snapped(responses, np.vstack(corners), reach_mm=1.0)


def snapped(responses: Responses, rough_px: Floats, *, reach_mm: float) -> Sought:
    """Return the outline drawn to the edges beside it.

    Parameters
    ----------
    responses : Responses
    rough_px : ndarray of shape (N, 2)
        Rough outline (column, row) [px of the image].
    reach_mm : float
        How far off the edge may lie [mm].

    Returns
    -------
    Sought
        The closed path along which the responses, each in its own direction, sum highest; of two equal ones
        the outer.
    """
    ring = (rough_px + 0.5) / responses.factor - 0.5
    best = np.zeros(0)
    for reach in (reach_mm, min(reach_mm, 1.0), 0.6):
        ring = evenly_spaced(ring, 0.3 / responses.step_mm)
        normals = outward_normals(ring, 2.0)
        count = max(3, round(reach / responses.step_mm))
        offsets = np.arange(-count, count + 1, dtype=np.float64)
        strength = _across_ring(responses, ring, normals, offsets)
        chosen = closed_path(np.minimum(strength, CAP) + 0.02 * CAP * offsets / count, cost=MOVE_COST)
        best = strength[np.arange(len(ring)), chosen]
        moved = ring + offsets[chosen][:, None] * normals
        ring = gaussian_filter1d(moved, 1.0, axis=0, mode="wrap")
    full = (ring + 0.5) * responses.factor - 0.5
    return Sought(outline_px=full, strength=np.minimum(best, CAP))


def _across_ring(responses: Responses, ring: Floats, normals: Floats, offsets: Floats) -> Floats:
    """Return each place's response in the direction of its normal, one row a normal."""
    place = (ring[:, None, :] + offsets[None, :, None] * normals[:, None, :]).astype(np.float32)
    turn = np.mod(np.arctan2(normals[:, 1], normals[:, 0]), np.pi) * DIRECTIONS / np.pi
    low = np.floor(turn).astype(int)
    share = turn - low
    found = np.zeros(place.shape[:2])
    for k in range(DIRECTIONS):
        for which, weight in ((low % DIRECTIONS, 1.0 - share), ((low + 1) % DIRECTIONS, share)):
            rows = np.flatnonzero(which == k)
            if len(rows):
                part = cv2.remap(
                    responses.strength[k],
                    np.ascontiguousarray(place[rows, :, 0]),
                    np.ascontiguousarray(place[rows, :, 1]),
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REPLICATE,
                )
                found[rows] += weight[rows, None] * part
    return found


def closed_path(reward: Floats, jump: int = 2, cost: float = 0.3) -> NDArray[np.intp]:
    """Return for each row the column of the closed path of highest sum.

    The path is sought thrice round and the middle turn is kept, which closes it but for rare ties.

    Parameters
    ----------
    reward : ndarray of shape (N, W)
        One row a point of the ring.
    jump : int, optional
        Most columns that it moves from row to row.
    cost : float, optional
        Of each column moved.

    Returns
    -------
    ndarray of shape (N,) and dtype intp

    Examples
    --------
    >>> closed_path(np.eye(4)[[1, 1, 2, 1, 1, 1]])
    array([1, 1, 2, 1, 1, 1])
    """
    count, width = reward.shape
    turns = np.vstack([reward, reward, reward])
    total = turns[0].copy()
    back = np.zeros(turns.shape, np.int8)
    moves = np.arange(-jump, jump + 1)
    for row in range(1, 3 * count):
        options = np.full((len(moves), width), -np.inf)
        for k, move in enumerate(range(-jump, jump + 1)):
            low, high = max(0, move), min(width, width + move)
            options[k, low - move : high - move] = total[low:high] - cost * abs(move)
        best = np.argmax(options, axis=0)
        back[row] = moves[best]
        total = options[best, np.arange(width)] + turns[row]
    path = np.empty(len(turns), np.intp)
    path[-1] = int(np.argmax(total))
    for row in range(len(turns) - 1, 0, -1):
        path[row - 1] = path[row] + back[row, path[row]]
    return path[count : 2 * count]


def best_sum(reward: Floats, jump: int = 2) -> Floats:
    """Return the highest sum of a path that need not close; see `closed_path`.

    Parameters
    ----------
    reward : ndarray of shape (N, W) or (N, K, W)
        One row a point of the ring; K rewards are summed side by side.
    jump : int, optional

    Returns
    -------
    ndarray of shape () or (K,)

    Examples
    --------
    >>> float(best_sum(np.eye(4)[[1, 1, 2, 1, 1, 1]]))
    5.4
    """
    width = reward.shape[-1]
    total = reward[0].copy()
    for row in reward[1:]:
        best = total.copy()
        for move in (m for k in range(1, jump + 1) for m in (-k, k)):
            low, high = max(0, move), min(width, width + move)
            part = best[..., low - move : high - move]
            np.maximum(part, total[..., low:high] - 0.3 * abs(move), out=part)
        total = best + row
    return np.asarray(total.max(axis=-1), np.float64)
