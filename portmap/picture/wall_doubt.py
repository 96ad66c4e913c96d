"""How sure the places of a wall image are: displacement modes from lens, poses, card and cylinder.

A pixel taken for place (x, y) truly shows (x, y) + d where the true sight has that pixel. To first order
d = −(∂pixel/∂(x, y))⁻¹ (∂pixel/∂θ) Δθ for each doubtful figure θ. The figures are those of lenses and poses,
with the covariance that the adjustment found; how the card lies; the print's true size; and by how much the
wall stands further out than the bore says. The more aslant a place is seen, the further such errors move it.

Where no photo shows the wall the doubt of the nearest place that is seen stands in.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.ndimage import distance_transform_edt

from portmap.picture.bore_seat import WALL_OUT_SD_MM, moves_in_card
from portmap.picture.bore_shots import BorePoses
from portmap.picture.scaled import PlaceDoubt
from portmap.picture.wall_view import Nodes, View, wall_in_bore, wall_slopes

__all__ = ["doubt_mm", "wall_doubt"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_GRID = (37, 13)
_MODES_MOST = 60
_LEAST_MODE = 2e-3  # of the largest


def wall_doubt(
    views: Sequence[View],
    poses: BorePoses,
    share: Floats32,
    nodes: Nodes,
    radius_mm: float,
    card_height_mm: float,
) -> PlaceDoubt:
    """Return the modes of doubt over a wall image.

    Parameters
    ----------
    views : sequence of View
        In the order of the poses.
    poses : BorePoses
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes.
    nodes : Nodes
    radius_mm : float
    card_height_mm : float
        Of the card's middle above the base face; its tilts turn about there.

    Returns
    -------
    PlaceDoubt
    """
    down = np.unique(np.linspace(0, len(nodes.y_mm) - 1, _GRID[1]).round().astype(int))
    across = np.unique(np.linspace(0, len(nodes.x_mm) - 1, _GRID[0]).round().astype(int))
    x, y = np.meshgrid(nodes.x_mm[across], nodes.y_mm[down])
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    mixed = share[:, down][:, :, across].reshape(len(views), -1)
    root = _root(poses)
    count = len(root)
    slopes = np.zeros((len(places), 2, count))
    first = np.cumsum([0, *(len(guess.free) for guess in poses.lenses)])
    for k, (view, pose) in enumerate(zip(views, poses.poses, strict=True)):
        used = mixed[k] > 0
        if not used.any():
            continue
        _, along_wall, along_pose, along_lens = wall_slopes(view, radius_mm, places[used])
        moved = moves_in_card(wall_in_bore(radius_mm, places[used]), card_height_mm)
        turned = cv2.Rodrigues(view.turn)[0]
        free = poses.lenses[pose.lens].free
        own = np.zeros((int(used.sum()), 2, count))
        own[..., first[pose.lens] : first[pose.lens + 1]] = along_lens[..., free]
        start = int(first[-1]) + 6 * k
        own[..., start : start + 6] = along_pose
        own[..., count - 8 :] = np.einsum("nij,jk,nkl->nil", along_pose[..., 3:], turned, moved)
        slopes[used] -= np.linalg.solve(along_wall, own) * mixed[k, used][:, None, None]
    _fill_unseen(slopes, mixed.sum(axis=0) > 0, (len(down), len(across)))
    modes = _modes(slopes, root)
    # rows of nodes descend, grids ascend
    field = modes.reshape(-1, len(down), len(across), 2)[:, ::-1]
    return PlaceDoubt(
        grid_x_mm=nodes.x_mm[across],
        grid_y_mm=nodes.y_mm[down][::-1].copy(),
        modes_mm=np.ascontiguousarray(field),
    )


def _root(poses: BorePoses) -> Floats:
    """Return a square root of the covariance of all doubtful figures."""
    values, vectors = np.linalg.eigh(poses.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    # a strip goes once round the bore whatever its print: only a ring's size is doubtful
    return root if poses.kind == "ring" else np.asarray(block_diag(root, 0.0, WALL_OUT_SD_MM))


def _fill_unseen(slopes: Floats, seen: NDArray[np.bool_], shape: tuple[int, int]) -> None:
    if seen.all() or not seen.any():
        return
    row, column = distance_transform_edt(~seen.reshape(shape), return_distances=False, return_indices=True)
    slopes[:] = slopes[(row * shape[1] + column).ravel()]


def _modes(slopes: Floats, root: Floats) -> Floats:
    """Return independent modes, largest first, shape (K, N, 2)."""
    count = slopes.shape[0]
    moves = slopes.reshape(2 * count, -1) @ root
    left, size, _ = np.linalg.svd(moves, full_matrices=False)
    keep = np.flatnonzero(size > _LEAST_MODE * size[0])[:_MODES_MOST]
    return np.asarray((left[:, keep] * size[keep]).T.reshape(len(keep), count, 2))


def doubt_mm(doubt: PlaceDoubt) -> Floats:
    """Return the standard uncertainty of places on the doubt's grid, the worse of x and y.

    Parameters
    ----------
    doubt : PlaceDoubt

    Returns
    -------
    ndarray of shape (V, W)
        Rows ascending in y [mm].
    """
    return np.asarray(np.sqrt((doubt.modes_mm**2).sum(axis=0)).max(axis=-1))
