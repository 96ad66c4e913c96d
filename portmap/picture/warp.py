"""The flat image made from one photo or several, once each photo's pose and lens are known.

The result's pixel (column c, row r) lies at x = left + c·step, y = top − r·step [mm]; on the card that is
x·turn/stretch_x, y/stretch_y, where turn is −1 if left and right are exchanged and stretch is the print's
true size over its nominal one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.sight import Sight, place_jacobian, projected

__all__ = ["Frame", "Lit", "grid_of", "joined", "lattice", "on_card", "shares", "warped"]

Floats = NDArray[np.float64]

_NODES = 20  # Chebyshev polynomials each way in the map from result to photo
_STRIP_PIXELS = 1_500_000
_EDGE_SHARE = 0.02  # of the photo's short side: over that depth its share falls to nothing toward its edge
_SHARPER_WINS = 16.0  # how steeply the share rises with the size at which a photo shows a place


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """Where the result's pixels lie.

    Parameters
    ----------
    left_mm, top_mm : float
        Place of the first pixel's centre.
    step_mm : float
        Size of a pixel.
    columns, rows : int
        Size of the result.
    stretch : tuple of float
        Print scale, across and down.
    turn : float
        −1 if left and right are exchanged, else 1.
    """

    left_mm: float
    top_mm: float
    step_mm: float
    columns: int
    rows: int
    stretch: tuple[float, float] = (1.0, 1.0)
    turn: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lit:
    """A photo that can be looked up.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        As it was read.
    sight : Sight
        Its pose and lens; of the photo turned right if it is mirrored.
    mirrored : bool
        Whether the photo itself is mirrored.
    raised : tuple of float
        What lies above the card is seen further from the point (x, y) [mm] under the camera, by the factor
        that stands third.
    """

    pixels: NDArray[np.uint8]
    sight: Sight
    mirrored: bool = False
    raised: tuple[float, float, float] = (0.0, 0.0, 1.0)


def on_card(frame: Frame, places_mm: Floats) -> Floats:
    """Return where places of the result stand on the card as drawn.

    Parameters
    ----------
    frame : Frame
        The result's frame.
    places_mm : ndarray of shape (..., 2)
        Places (x, y) in the result [mm].

    Returns
    -------
    ndarray of shape (..., 2)
        Places on the nominal card [mm].
    """
    return np.asarray(places_mm * [frame.turn / frame.stretch[0], 1 / frame.stretch[1]])


def lattice(frame: Frame, count: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return evenly spaced x and y that span the result, both rising.

    Parameters
    ----------
    frame : Frame
        The result's frame.
    count : tuple of int
        How many across and up.

    Returns
    -------
    tuple of ndarray
        x of shape (W,) and y of shape (V,) [mm].
    """
    right = frame.left_mm + frame.step_mm * (frame.columns - 1)
    bottom = frame.top_mm - frame.step_mm * (frame.rows - 1)
    return np.linspace(frame.left_mm, right, count[0]), np.linspace(bottom, frame.top_mm, count[1])


def grid_of(x: Floats, y: Floats) -> Floats:
    """Return all pairs of x and y, row by row.

    Parameters
    ----------
    x, y : ndarray of shape (W,), (V,)
        Coordinates.

    Returns
    -------
    ndarray of shape (V·W, 2)
        Pairs; x runs fastest.
    """
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def _photo_pixels(lit: Lit, places_mm: Floats) -> Floats:
    x, y, factor = lit.raised
    under = np.array([x, y])
    seen = projected(lit.sight, under + (places_mm - under) * factor)
    if lit.mirrored:
        seen[:, 0] = lit.pixels.shape[1] - 1 - seen[:, 0]
    return seen


def _lookup(lit: Lit, frame: Frame) -> tuple[list[NDArray[np.float32]], NDArray[np.float32]]:
    """Return factors whose product says where each pixel of the result looks: [columns, rows] by row, across.

    That is smooth, so that it is computed at 20 × 20 Chebyshev nodes and multiplied out from there; a test
    holds it to 0.002 px of the full model.
    """
    angles = (np.arange(_NODES) + 0.5) * math.pi / _NODES
    fit = np.cos(np.arange(_NODES)[:, None] * angles) * 2 / _NODES
    fit[0] /= 2
    nodes, bases = [], []
    for count in (frame.columns, frame.rows):
        half = max(count - 1, 1) / 2
        nodes.append(half + half * np.cos(angles))
        share = np.clip(np.arange(count) / half - 1, -1, 1)
        bases.append(np.cos(np.arange(_NODES) * np.arccos(share)[:, None]))
    places = grid_of(frame.left_mm + frame.step_mm * nodes[0], frame.top_mm - frame.step_mm * nodes[1])
    seen = _photo_pixels(lit, on_card(frame, places)).reshape(_NODES, _NODES, 2)
    down = [_product(bases[1], fit @ seen[:, :, k] @ fit.T) for k in (0, 1)]
    return down, np.ascontiguousarray(bases[0].T, np.float32)


def _product(left: NDArray[Any], right: NDArray[Any]) -> NDArray[np.float32]:
    """Return the matrix product by OpenCV: NumPy's would leave idle threads spinning beside the look-up."""
    # its stubs do not know that None stands for no third matrix
    product = cv2.gemm(np.ascontiguousarray(left), right, 1.0, None, 0.0)  # type: ignore[call-overload]
    return np.asarray(product, np.float32)


def warped(lit: Lit, frame: Frame) -> NDArray[np.uint8]:
    """Return one photo's view of the result's pixels.

    Parameters
    ----------
    lit : Lit
        The photo.
    frame : Frame
        The result's frame.

    Returns
    -------
    ndarray of shape (rows, columns, 3) and dtype uint8
        Cubic between the photo's pixels, since straight lines between values are not straight in light: on
        a sharp edge that alone would move the half level by 0.005 mm. White where the photo does not reach.
    """
    down, across = _lookup(lit, frame)
    result = np.empty((frame.rows, frame.columns, 3), np.uint8)
    strip = max(16, _STRIP_PIXELS // frame.columns)
    for top in range(0, frame.rows, strip):
        lines = slice(top, min(frame.rows, top + strip))
        cv2.remap(
            lit.pixels,
            _product(down[0][lines], across),
            _product(down[1][lines], across),
            cv2.INTER_CUBIC,
            dst=result[lines],
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(255, 255, 255),
        )
    return result


def shares(photos: Sequence[Lit], frame: Frame, places_mm: Floats) -> Floats:
    """Return how much of each place is to be taken from each photo.

    Parameters
    ----------
    photos : sequence of Lit
        The photos.
    frame : Frame
        The result's frame.
    places_mm : ndarray of shape (N, 2)
        Places (x, y) in the result [mm].

    Returns
    -------
    ndarray of shape (P, N)
        Adds up to 1 at each place; the photo that shows the place largest gets nearly all, none where it is
        out of the frame. All zero where no photo reaches.
    """
    weights = np.zeros((len(photos), len(places_mm)))
    card = on_card(frame, places_mm)
    sizes = np.stack([np.abs(np.linalg.det(place_jacobian(lit.sight, card))) for lit in photos]) ** 0.5
    for k, lit in enumerate(photos):
        seen = _photo_pixels(lit, card)
        rows, columns = lit.pixels.shape[:2]
        room = np.min([seen[:, 0], columns - 1 - seen[:, 0], seen[:, 1], rows - 1 - seen[:, 1]], axis=0)
        inside = np.clip(room / (_EDGE_SHARE * min(rows, columns)), 0.0, 1.0)
        if len(photos) == 1:
            inside = (room >= 0).astype(np.float64)
        weights[k] = inside * (sizes[k] / sizes.max(axis=0)) ** _SHARPER_WINS
    total = weights.sum(axis=0)
    return np.asarray(np.divide(weights, total, out=np.zeros_like(weights), where=total > 0))


def joined(photos: Sequence[Lit], frame: Frame) -> NDArray[np.uint8]:
    """Return the result from all photos, each place from the one that shows it largest.

    Parameters
    ----------
    photos : sequence of Lit
        One or more.
    frame : Frame
        The result's frame.

    Returns
    -------
    ndarray of shape (rows, columns, 3) and dtype uint8
        Photos are brought to the brightness of the first where they overlap, and run into each other softly.
    """
    if len(photos) == 1:
        return warped(photos[0], frame)
    x, y = lattice(frame, (65, 49))
    weights = shares(photos, frame, grid_of(x, y)).reshape(len(photos), len(y), len(x))[:, ::-1]
    views = [warped(lit, frame) for lit in photos]
    gains = _gains(views, weights)
    total = np.zeros((frame.rows, frame.columns, 3), np.float32)
    for view, weight, gain in zip(views, weights, gains, strict=True):
        # the lattice's ends are the first and last pixels' centres
        down = np.linspace(0, len(y) - 1, frame.rows, dtype=np.float32)[:, None]
        right = np.linspace(0, len(x) - 1, frame.columns, dtype=np.float32)[None]
        size = (frame.rows, frame.columns)
        fine = cv2.remap(
            weight.astype(np.float32),
            np.broadcast_to(right, size),
            np.broadcast_to(down, size),
            cv2.INTER_LINEAR,
        )
        total += fine[:, :, None] * (view * gain)
    reached = weights.sum(axis=0).min() > 0
    if not reached:
        total[cv2.resize(weights.sum(axis=0), (frame.columns, frame.rows)) < 0.5] = 255.0
    return np.clip(np.rint(total), 0, 255).astype(np.uint8)


def _gains(views: list[NDArray[np.uint8]], weights: Floats) -> list[NDArray[np.float32]]:
    """Return by what each photo's colours are to be multiplied to match the first one's."""
    small = [
        cv2.resize(view, weights.shape[:0:-1], interpolation=cv2.INTER_AREA).astype(float) for view in views
    ]
    gains = [np.ones(3, np.float32)]
    for k in range(1, len(views)):
        both = np.minimum(weights[0] > 0, weights[k] > 0)
        if both.sum() < 8:
            gains.append(np.ones(3, np.float32))
            continue
        gains.append(
            (small[0][both].mean(axis=0) / np.maximum(small[k][both].mean(axis=0), 1.0)).astype(np.float32)
        )
    return gains
