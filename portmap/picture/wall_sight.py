"""From where each place of a wall image was seen, and what no photo shows.

A window's true edge lies behind the wall by the chamfer's depth, so that it is seen beside its place by depth
times the tangent of the angle of sight. The sidecar of an unrolled image holds the sight of its places as the
photos were joined.

Frame of the bore and of the wall: as in `portmap.picture.bore_cards`.

Glossary
--------
drift
    By how much (x, y) on the developed wall a sight line moves for each millimetre that it goes outward from
    the wall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bore_start import camera_place
from portmap.picture.scaled import ScaledImage
from portmap.picture.wall_view import Nodes, View, wall_in_bore

__all__ = [
    "WallSight",
    "away_from",
    "drift_at",
    "drift_from",
    "fineness",
    "is_wall",
    "seen_at",
    "shown_at",
    "sight_document",
    "unwrapped",
    "wall_sight",
    "wall_unseen",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WallSight:
    """What is known of how a wall image was seen.

    Parameters
    ----------
    bore_mm : float
    seen : ndarray of shape (M, N) and dtype bool
        Of each pixel, whether a photo shows the wall there.
    x_mm, y_mm : ndarray of shape (W,), (V,)
        Grid of the drift, both ascending; empty if the sight is not known.
    drift : ndarray of shape (V, W, 2)
        Of (x, y), each mm outward.
    strip_mm : tuple of float, optional
        From where to where in y a strip hides the wall.
    """

    bore_mm: float
    seen: Bools
    x_mm: Floats
    y_mm: Floats
    drift: Floats
    strip_mm: tuple[float, float] | None = None


def is_wall(image: ScaledImage) -> bool:
    """Return whether an image says that it was unrolled from photos of the wall.

    Parameters
    ----------
    image : ScaledImage

    Returns
    -------
    bool

    Examples
    --------
    >>> is_wall(ScaledImage(pixels=np.zeros((4, 5, 3), np.uint8), mm_per_px=0.1, x0_mm=0.0, y0_mm=9.0))
    False
    """
    return isinstance(image.source.get("bore_mm"), int | float) and "covered_share" in image.source


def wall_sight(
    image: ScaledImage, coverage: NDArray[np.uint8] | None = None, *, bore_mm: float | None = None
) -> WallSight:
    """Return how the places of a wall image were seen.

    Parameters
    ----------
    image : ScaledImage
    coverage : ndarray of shape (M, N) and dtype uint8, optional
        0 where no photo shows the wall; all is seen unless given.
    bore_mm : float, optional
        Stands above what the image says [mm], unless its width does: the image goes once round.

    Returns
    -------
    WallSight

    Raises
    ------
    PictureError
        If nothing says how large the bore is, or the coverage is not of the image's size.
    """
    size = image.pixels.shape[:2]
    told = image.source.get("bore_mm")
    bore = bore_mm if bore_mm is not None else told
    if image.wraps:
        bore = size[1] * image.mm_per_px / math.pi
    if not isinstance(bore, int | float) or not 5.0 < bore < 500.0:
        raise PictureError(
            "the image does not say of which bore it is", where="--bore", remedy="give it: --bore 46"
        )
    if coverage is not None and coverage.shape != size:
        raise PictureError("the coverage is not of the size of the wall image", where="coverage")
    seen = np.ones(size, bool) if coverage is None else coverage > 0
    none = np.zeros(0)
    x, y, drift = _kept_sight(image.source.get("sight")) or (none, none, np.zeros((0, 0, 2)))
    strip = _kept_strip(image.source.get("strip_mm"))
    return WallSight(bore_mm=float(bore), seen=seen, x_mm=x, y_mm=y, drift=drift, strip_mm=strip)


def sight_document(
    views: Sequence[View], share: NDArray[np.float32], nodes: Nodes, radius_mm: float
) -> dict[str, Any]:
    """Return the sight of a wall image's places as its sidecar holds it.

    Parameters
    ----------
    views : sequence of View
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes, as they were joined.
    nodes : Nodes
    radius_mm : float

    Returns
    -------
    dict
        ``x_mm`` and ``y_mm``, ascending, and ``drift``: of (x, y) at each, row by row, rounded to a
        thousandth; None where no photo shows the place.
    """
    drift = np.round(_mixed_drift(views, share, nodes, radius_mm)[::-1], 3)
    return {
        "x_mm": [round(float(x), 4) for x in nodes.x_mm],
        "y_mm": [round(float(y), 4) for y in nodes.y_mm[::-1]],
        "drift": [[None if np.isnan(a) else [float(a), float(b)] for a, b in row] for row in drift],
    }


def _mixed_drift(views: Sequence[View], share: NDArray[np.float32], nodes: Nodes, radius_mm: float) -> Floats:
    """Return the drift at the nodes, shape (V, W, 2); NaN where no photo shows the wall."""
    total = np.zeros((*nodes.shape, 2))
    for view, part in zip(views, share, strict=True):
        drift = drift_from(camera_place(view.turn, view.shift_mm), radius_mm, nodes.places_mm)
        total += np.where(part[..., None] > 0, part[..., None] * drift.reshape(*nodes.shape, 2), 0.0)
    total[share.sum(axis=0) <= 0] = np.nan
    return total


def _kept_sight(told: object) -> tuple[Floats, Floats, Floats] | None:
    """Return the grid and the drift that a sidecar holds; None if it holds none that makes sense."""
    if not isinstance(told, dict):
        return None
    none = [math.nan, math.nan]
    try:
        x, y = (np.array(told[key], np.float64) for key in ("x_mm", "y_mm"))
        drift = np.array([[none if at is None else at for at in row] for row in told["drift"]], np.float64)
    except (KeyError, TypeError, ValueError):
        return None
    good = x.ndim == y.ndim == 1 and min(len(x), len(y)) > 1 and drift.shape == (len(y), len(x), 2)
    if not good or not (np.diff(x) > 0).all() or not (np.diff(y) > 0).all():
        return None
    return x, y, drift


def _kept_strip(told: object) -> tuple[float, float] | None:
    """Return from where to where a strip lies as a sidecar has it; None if that makes no sense."""
    if not isinstance(told, list | tuple) or len(told) != 2:
        return None
    low, high = told
    if not isinstance(low, int | float) or not isinstance(high, int | float) or not low < high:
        return None
    return float(low), float(high)


def drift_from(eye_mm: Floats, radius_mm: float, places_mm: Floats) -> Floats:
    """Return the drift of the sight from one camera at places of the wall.

    Parameters
    ----------
    eye_mm : ndarray of shape (3,)
        Where the camera stands, in the bore's frame.
    radius_mm : float
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N, 2)

    Examples
    --------
    >>> drift_from(np.array([-20.0, 0.0, -60.0]), 20.0, np.array([[0.0, 20.0]]))
    array([[0., 2.]])
    """
    sight = wall_in_bore(radius_mm, places_mm) - eye_mm
    angle = places_mm[:, 0] / radius_mm
    around = np.stack([-np.sin(angle), -np.cos(angle), np.zeros_like(angle)], axis=1)
    out = np.maximum(away_from(eye_mm, radius_mm, places_mm), 1e-6)
    return np.stack([(sight * around).sum(axis=1) / out, sight[:, 2] / out], axis=1)


def away_from(eye_mm: Floats, radius_mm: float, places_mm: Floats) -> Floats:
    """Return how far a camera is from the wall, square on, at places of it.

    Parameters
    ----------
    eye_mm, radius_mm, places_mm
        As `drift_from` takes them.

    Returns
    -------
    ndarray of shape (N,)

    Examples
    --------
    >>> away_from(np.array([-20.0, 0.0, -60.0]), 20.0, np.array([[0.0, 20.0]]))
    array([40.])
    """
    angle = places_mm[:, 0] / radius_mm
    return np.asarray(radius_mm - eye_mm[0] * np.cos(angle) + eye_mm[1] * np.sin(angle))


def fineness(eye_mm: Floats, radius_mm: float, places_mm: Floats) -> Floats:
    """Return how finely one camera shows places of the wall, squared, against another of the same lens.

    Parameters
    ----------
    eye_mm, radius_mm, places_mm
        As `drift_from` takes them.

    Returns
    -------
    ndarray of shape (N,)
        The cosine of the angle of sight over the distance, squared [1/mm²].
    """
    sight = wall_in_bore(radius_mm, places_mm) - eye_mm
    facing = np.maximum(away_from(eye_mm, radius_mm, places_mm), 0.0)
    return np.asarray((facing / (sight**2).sum(axis=1)) ** 2)


def drift_at(sight: WallSight, places_mm: Floats) -> Floats:
    """Return the drift of the sight at places of the wall.

    Parameters
    ----------
    sight : WallSight
    places_mm : ndarray of shape (N, 2)
        (x, y); x may lie beyond the seam.

    Returns
    -------
    ndarray of shape (N, 2)
        NaN where it is not known.
    """
    if not len(sight.x_mm):
        return np.full((len(places_mm), 2), np.nan)
    step = sight.x_mm[1] - sight.x_mm[0]
    rise = sight.y_mm[1] - sight.y_mm[0]
    turn = math.pi * sight.bore_mm
    # of the turn in the middle of the grid: what lies past that is of no part of the picture
    start = (sight.x_mm[0] + sight.x_mm[-1] - turn) / 2
    x = np.mod(places_mm[:, 0] - start, turn) + start
    column = ((x - sight.x_mm[0]) / step).astype(np.float32)
    row = ((places_mm[:, 1] - sight.y_mm[0]) / rise).astype(np.float32)
    found = [
        cv2.remap(
            np.ascontiguousarray(sight.drift[..., k], np.float32),
            column[None],
            row[None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )[0]
        for k in (0, 1)
    ]
    return np.asarray(np.stack(found, axis=1), np.float64)


def seen_at(sight: WallSight, column_row: Floats) -> Bools:
    """Return whether a photo shows the wall at points of the image.

    Parameters
    ----------
    sight : WallSight
    column_row : ndarray of shape (N, 2)
        [px]; columns may lie beyond the seam.

    Returns
    -------
    ndarray of shape (N,) and dtype bool
        False above and below the image.
    """
    return shown_at(sight.seen, column_row)


def shown_at(shown: NDArray[np.generic], column_row: Floats) -> Bools:
    """Return whether a picture that is 0 where nothing is shown shows anything at points of it.

    Parameters
    ----------
    shown : ndarray of shape (M, N)
        Of the image's size.
    column_row : ndarray of shape (N, 2)
        As `seen_at` takes them.

    Returns
    -------
    ndarray of shape (N,) and dtype bool
    """
    rows, columns = shown.shape
    column = np.mod(np.rint(column_row[:, 0]).astype(int), columns)
    row = np.rint(column_row[:, 1]).astype(int)
    inside = (row >= 0) & (row < rows)
    return np.asarray(inside & shown[np.clip(row, 0, rows - 1), column].astype(bool))


def wall_unseen(sight: WallSight, places_mm: Floats) -> Bools:
    """Return whether there is wall at places though no photo may show it: behind a strip.

    Past the base face there is none, but no window either.

    Parameters
    ----------
    sight : WallSight
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N,) and dtype bool
    """
    y = places_mm[:, 1]
    low, high = sight.strip_mm or (np.inf, -np.inf)
    return np.asarray(((y > low) & (y < high)) | (y < 0.0))


def unwrapped(sight: WallSight, columns: int) -> WallSight:
    """Return the same for an image some of whose left part stands repeated on its right.

    Parameters
    ----------
    sight : WallSight
    columns : int
        How many columns stand repeated.

    Returns
    -------
    WallSight
    """
    return replace(sight, seen=np.hstack([sight.seen, sight.seen[:, :columns]]))
