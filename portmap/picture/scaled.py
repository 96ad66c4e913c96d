"""A scaled image: a picture of the wall in which every pixel has a known place in millimetres.

On disk it is a PNG and a sidecar of the same name ending ``.json``. Pixel (column c, row r), centres
at integers, lies at x = x0_mm + c·mm_per_px, y = y0_mm − r·mm_per_px.

Glossary
--------
place doubt
    How far a place in the image may be from where it is said to be. The causes (lens, card, pose) move
    neighbouring places together, so the doubt is kept as *modes*: each is a field of displacements, one
    standard deviation large, independent of the other modes, sampled on a coarse grid. The standard
    uncertainty of anything measured in the image is the root sum of squares of what each mode does to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import Notice

__all__ = ["PlaceDoubt", "ScaledImage", "displacements", "place_of"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlaceDoubt:
    """Displacement modes on a coarse grid, each one standard deviation large.

    Parameters
    ----------
    grid_x_mm : ndarray of shape (W,)
        Ascending.
    grid_y_mm : ndarray of shape (V,)
        Ascending.
    modes_mm : ndarray of shape (K, V, W, 2)
        Displacement (x, y) of each mode at each grid point.
    """

    grid_x_mm: NDArray[np.float64]
    grid_y_mm: NDArray[np.float64]
    modes_mm: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScaledImage:
    """A picture with a known place in millimetres for every pixel.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    mm_per_px : float
        Size of a pixel [mm], the same both ways.
    x0_mm, y0_mm : float
        Place of the centre of the first pixel [mm].
    wraps : bool
        Whether the right edge continues at the left one, as on a whole unrolled bore.
    residual_mm : float or None
        Root mean square misfit of the markers [mm]; None if no markers were used.
    source : dict
        Where the picture came from: file name, SHA-256, markers, card, and the like.
    doubt : PlaceDoubt or None
        How sure the places are; None if unknown.
    notices : tuple of Notice
        What makes the image doubtful.
    """

    pixels: NDArray[np.uint8]
    mm_per_px: float
    x0_mm: float
    y0_mm: float
    wraps: bool = False
    residual_mm: float | None = None
    source: dict[str, Any] = field(default_factory=dict)
    doubt: PlaceDoubt | None = None
    notices: tuple[Notice, ...] = ()


def place_of(image: ScaledImage, column_row: ArrayLike) -> NDArray[np.float64]:
    """Return the place on the wall of points in the picture.

    Parameters
    ----------
    image : ScaledImage
        The picture.
    column_row : array_like of shape (..., 2)
        Points (column, row) [px], pixel centres at integers.

    Returns
    -------
    ndarray of shape (..., 2)
        Points (x, y) [mm].

    Examples
    --------
    >>> flat = ScaledImage(pixels=np.zeros((4, 5, 3), np.uint8), mm_per_px=0.1, x0_mm=-20.0, y0_mm=40.0)
    >>> place_of(flat, [10, 30])
    array([-19.,  37.])
    """
    points = np.asarray(column_row, np.float64)
    step = np.array([image.mm_per_px, -image.mm_per_px])
    return np.asarray(np.array([image.x0_mm, image.y0_mm]) + points * step)


def displacements(doubt: PlaceDoubt, places_mm: ArrayLike) -> NDArray[np.float64]:
    """Return what each mode of doubt does at given places.

    Parameters
    ----------
    doubt : PlaceDoubt
        Modes on their grid; linear between grid points, held constant outside.
    places_mm : array_like of shape (N, 2)
        Places (x, y) [mm].

    Returns
    -------
    ndarray of shape (K, N, 2)
        Displacement (x, y) [mm] of each mode, one standard deviation large.

    Examples
    --------
    >>> tilt = np.zeros((1, 2, 2, 2)); tilt[0, 1, :, 1] = 0.02
    >>> doubt = PlaceDoubt(grid_x_mm=np.array([0., 10]), grid_y_mm=np.array([0., 40]), modes_mm=tilt)
    >>> displacements(doubt, [[5, 20]])[0, 0].round(3)
    array([0.  , 0.01])
    """
    places = np.asarray(places_mm, np.float64).reshape(-1, 2)
    col, u = _cell(doubt.grid_x_mm, places[:, 0])
    row, v = _cell(doubt.grid_y_mm, places[:, 1])
    modes = doubt.modes_mm
    u, v = u[:, None], v[:, None]
    lower = modes[:, row, col] * (1 - u) + modes[:, row, col + 1] * u
    upper = modes[:, row + 1, col] * (1 - u) + modes[:, row + 1, col + 1] * u
    return np.asarray(lower * (1 - v) + upper * v)


def _cell(grid: NDArray[np.float64], value: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    index = np.clip(np.searchsorted(grid, value, side="right") - 1, 0, len(grid) - 2)
    share = (value - grid[index]) / (grid[index + 1] - grid[index])
    return index, np.clip(share, 0.0, 1.0)
