"""The pixels of a wall image, looked up in the photos that have a share in each.

The image is filled in bands of rows; along a band runs are laid in which the same photos have a share, so
that two photos are only looked up side by side where they go over into one another. A photo's map is worked
out at coarse nodes, refined by cubics and straight between what is then 8 pixels apart. Photos are looked up
as floats, so that only the finished pixel is rounded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.wall_light import EVEN_LEVEL
from portmap.picture.wall_view import Nodes, View, WallFrame, nodes_of, pixel_map, spread_out

__all__ = ["looked_up", "map_at", "wall_pixels"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]
_Value = TypeVar("_Value", np.uint8, np.float32)

_MAP_CELL_PX = 8  # of the nodes between which a photo's map is straight: under 0.02 px off at 20 px/mm
_BLOCK_PX = 32  # at which photos are told apart, and of the nodes at which their maps are worked out
_ROUGH_MARGIN = 3  # cells: as far as cubics reach that are taken twice
_FINER = _BLOCK_PX // _MAP_CELL_PX
_BAND_PX, _RUN_PX = 128, 512  # of rows that are filled at once; and of columns at most
# Lagrange's cubic through four nodes, a quarter of the way from the third to the second.
_CUBIC = np.array([-0.0390625, 0.2734375, 0.8203125, -0.0546875, 0.0])
_ROUNDED = 1e-4
_LEAST_TOTAL = 1e-3  # of all shares: the image is masked where they are less than half
_ROUND_PX = 8  # of a photo beside the places that are looked up


def wall_pixels(
    views: Sequence[View],
    frame: WallFrame,
    share: Floats32,
    gain: Sequence[Floats32] | None,
    nodes: Nodes,
) -> NDArray[np.uint8]:
    """Return the wall image.

    Parameters
    ----------
    views : sequence of View
    frame : WallFrame
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes.
    gain : sequence of ndarray of shape (V, W) and dtype float32, or None
        Of each photo; None leaves the light as it is.
    nodes : Nodes

    Returns
    -------
    ndarray of shape (M, N, 3) and dtype uint8
        RGB; an even grey where no photo shows the wall.
    """
    made = np.full((frame.rows, frame.columns, 3), round(EVEN_LEVEL), np.uint8)
    fine = nodes_of(frame, _MAP_CELL_PX, _ROUGH_MARGIN * _FINER)
    blocks, total = _blocks_used(share, nodes, frame), share.sum(axis=0)

    def source(number: int) -> _Source | None:
        if not blocks[number].any():
            return None
        light = None if gain is None else gain[number]
        return _source(views[number], frame, blocks[number], share[number], light)

    def filled(band: int) -> None:
        each = _BAND_PX // _BLOCK_PX
        rows = slice(band * _BAND_PX, min(frame.rows, (band + 1) * _BAND_PX))
        here = np.asarray(blocks[:, band * each : (band + 1) * each].any(axis=1))
        for first, last in _runs(here):
            columns = slice(first * _BLOCK_PX, min(frame.columns, last * _BLOCK_PX))
            photos = [found for k, found in enumerate(sources) if found is not None and here[k, first]]
            if len(photos) == 1:
                _lay_whole(made[rows, columns], rows, columns, photos[0], nodes, fine)
            elif photos:
                _lay_shares(made[rows, columns], rows, columns, photos, total, nodes, fine)

    # OpenCV lets go of Python while it works, and takes one core for a run
    with ThreadPoolExecutor(max_workers=max(1, cv2.getNumThreads())) as pool:
        sources = list(pool.map(source, range(len(views))))
        list(pool.map(filled, range(math.ceil(frame.rows / _BAND_PX))))
    return made


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Source:
    """A photo, cut out and perhaps reduced, its map at the fine nodes, its gain, and its share times that."""

    pixels: Floats32
    at: Floats32
    gain: Floats32 | None
    light: Floats32


def _blocks_used(share: Floats32, nodes: Nodes, frame: WallFrame) -> Bools:
    """Return in which blocks of the image each photo has a share, shape (P, rows, columns of blocks)."""
    square, each = np.ones((3, 3), np.uint8), _BLOCK_PX // nodes.cell_px
    rows, columns = (math.ceil(size / _BLOCK_PX) for size in (frame.rows, frame.columns))
    made = np.zeros((len(share), rows, columns), bool)
    inner = slice(nodes.margin, nodes.shape[0] - nodes.margin), slice(nodes.margin, -nodes.margin)
    for k, own in enumerate(share):
        # a pixel's share lies between those of the nodes round it
        near = cv2.dilate((own > 0).astype(np.uint8), square)[inner]
        whole = np.zeros((rows * each, columns * each), np.uint8)
        whole[: near.shape[0], : near.shape[1]] = near
        made[k] = whole.reshape(rows, each, columns, each).any(axis=(1, 3))
    return made


def _runs(here: Bools) -> list[tuple[int, int]]:
    """Return from which block to which the same photos have a share, the last not included."""
    most, count = _RUN_PX // _BLOCK_PX, here.shape[1]
    changes = np.flatnonzero((here[:, 1:] != here[:, :-1]).any(axis=0)) + 1
    ends = [0, *changes.tolist(), count]
    return [
        (start, min(start + most, last))
        for first, last in pairwise(ends)
        for start in range(first, last, most)
    ]


def _lay_whole(
    made: NDArray[np.uint8], rows: slice, columns: slice, source: _Source, nodes: Nodes, fine: Nodes
) -> None:
    """Lay a photo where it alone has a share, also where it is cut off: the caller masks."""
    seen = _seen(source, rows, columns, fine)
    if source.gain is not None:
        cv2.multiply(seen, _level(source.gain, nodes, rows, columns), seen)
    cv2.convertScaleAbs(seen, made)


def _lay_shares(
    made: NDArray[np.uint8],
    rows: slice,
    columns: slice,
    photos: Sequence[_Source],
    total: Floats32,
    nodes: Nodes,
    fine: Nodes,
) -> None:
    """Lay what photos show, mixed by their shares."""
    seen, weights = [], []
    for source in photos:
        seen.append(_seen(source, rows, columns, fine))
        weights.append(spread_out(source.light, nodes, rows, columns))
    mixed, weight = seen[0], weights[0]
    for other, own in zip(seen[1:], weights[1:], strict=True):
        mixed, weight = np.asarray(cv2.blendLinear(mixed, other, weight, own), np.float32), weight + own
    part = _nodes_of_part(total, nodes, rows, columns)
    if float(part.min()) < 1.0 - _ROUNDED:  # beside what no photo shows
        weight /= np.maximum(spread_out(total, nodes, rows, columns), np.float32(_LEAST_TOTAL))
    cv2.convertScaleAbs(cv2.multiply(mixed, cv2.merge([weight] * 3)), made)


def _seen(source: _Source, rows: slice, columns: slice, fine: Nodes) -> Floats32:
    """Return what a photo shows over a part of the image, one value of 0 to 255 for each colour."""
    seen = looked_up(source.pixels, spread_out(source.at, fine, rows, columns), cv2.INTER_CUBIC)
    return np.clip(seen, 0.0, 255.0, out=seen)  # cubics pass beyond what they go through


def _nodes_of_part(field: Floats32, nodes: Nodes, rows: slice, columns: slice) -> Floats32:
    """Return what of a field tells it over a part of the image."""
    more = nodes.margin - 1
    top, left = (part.start // nodes.cell_px + more for part in (rows, columns))
    down, right = (math.ceil(part.stop / nodes.cell_px) + 2 + more for part in (rows, columns))
    return field[top:down, left:right]


def _level(field: Floats32, nodes: Nodes, rows: slice, columns: slice) -> Floats32:
    """Return a field over a part of the image, once for each colour."""
    return np.asarray(cv2.merge([spread_out(field, nodes, rows, columns)] * 3), np.float32)


def looked_up(source: NDArray[_Value], places: Floats32, how: int) -> NDArray[_Value]:
    """Return a photo's pixels at places.

    Parameters
    ----------
    source : ndarray of shape (M, N) or (M, N, 3)
    places : ndarray of shape (V, W, 2) and dtype float32
        (column, row) [px].
    how : int
        OpenCV's interpolation.

    Returns
    -------
    ndarray of shape (V, W) or (V, W, 3)
        Of the photo's dtype; beyond the photo's edge what lies on it.
    """
    # OpenCV's stubs do not know that the second map may be missing; an empty array in its place gives garbage
    found = cv2.remap(source, places, None, how, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found, source.dtype)


def map_at(view: View, radius_mm: float, nodes: Nodes, factor: int) -> Floats32:
    """Return where a photo, reduced by a factor, shows nodes.

    Parameters
    ----------
    view : View
    radius_mm : float
    nodes : Nodes
    factor : int

    Returns
    -------
    ndarray of shape (V, W, 2) and dtype float32
        (column, row) [px].
    """
    at = (pixel_map(view, radius_mm, nodes.places_mm) + 0.5) / factor - 0.5
    # beside its picture a pinhole's formula runs off without end
    near = np.clip(np.nan_to_num(at, nan=-9.0), -1e6, 1e6)
    return np.asarray(near, np.float32).reshape(*nodes.shape, 2)


def _source(view: View, frame: WallFrame, blocks: Bools, share: Floats32, gain: Floats32 | None) -> _Source:
    """Return what is looked up of a photo: no more of it than the blocks in which it has a share show."""
    radius = frame.bore_mm / 2
    at = _fine_map(view, frame, blocks)
    factor = _factor(view, frame, radius)
    low, count = _cut_out(at, blocks, np.array(view.pixels.shape[1::-1]), factor)
    right, below = low + count * factor
    pixels = view.pixels[low[1] : below, low[0] : right]
    if factor > 1:
        reduced = cv2.resize(pixels, (int(count[0]), int(count[1])), interpolation=cv2.INTER_AREA)
        pixels = np.asarray(reduced, np.uint8)
    moved = (0.5 - low) / factor - 0.5
    at = np.asarray(cv2.transform(at, np.array([[1 / factor, 0, moved[0]], [0, 1 / factor, moved[1]]])))
    # OpenCV looks floats up by cubics in half the time that bytes take
    return _Source(
        pixels=pixels.astype(np.float32), at=at, gain=gain, light=share if gain is None else share * gain
    )


def _fine_map(view: View, frame: WallFrame, blocks: Bools) -> Floats32:
    """Return where a photo shows the fine nodes of its blocks, and of some round them."""
    rough = nodes_of(frame, _BLOCK_PX, _ROUGH_MARGIN)
    made = np.full((_FINER * rough.shape[0], _FINER * rough.shape[1], 2), -9.0, np.float32)
    rows, columns = (np.flatnonzero(blocks.any(axis=axis)) for axis in (1, 0))
    round_ = 2 * _ROUGH_MARGIN + 1
    top, bottom = int(rows[0]), int(rows[-1]) + round_
    gaps = np.flatnonzero(np.diff(columns) > round_)  # over the seam a photo shows both ends of the image
    for left, last in zip(columns[[0, *(gaps + 1)]].tolist(), columns[[*gaps, -1]].tolist(), strict=True):
        right = last + round_
        some = Nodes(
            cell_px=_BLOCK_PX,
            margin=_ROUGH_MARGIN,
            x_mm=rough.x_mm[left:right],
            y_mm=rough.y_mm[top:bottom],
        )
        made[_FINER * top : _FINER * bottom, _FINER * left : _FINER * right] = _refined(
            map_at(view, frame.bore_mm / 2, some, 1)
        )
    return made


def _cut_out(
    at: Floats32, blocks: Bools, size: NDArray[np.intp], factor: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where the part of a photo begins that its blocks show, and how many reduced pixels it has."""
    each = _BLOCK_PX // _MAP_CELL_PX
    rows, columns = (own * each + _ROUGH_MARGIN * _FINER for own in np.nonzero(blocks))
    # over a block a map is so nearly straight that its corners, and some pixels round them, bound it
    beside = (-1, each)
    across, down = (
        np.concatenate([at[rows + below, columns + right, axis] for below in beside for right in beside])
        for axis in (0, 1)
    )
    least, most = np.array([across.min(), down.min()]), np.array([across.max(), down.max()])
    low = np.clip(np.floor(least) - _ROUND_PX * factor, 0, size - factor).astype(np.int64)
    high = np.clip(np.ceil(most) + _ROUND_PX * factor, 0, size - 1).astype(np.int64)
    low -= low % factor
    return low, np.clip((high - low) // factor + 1, 1, (size - low) // factor)


def _refined(at: Floats32) -> Floats32:
    """Return a map at the fine nodes from that at the rough ones, by cubics."""
    one = np.ones(1)
    for _ in range(round(math.log2(_FINER))):
        taller = np.empty((2 * at.shape[0], at.shape[1], 2), np.float32)
        taller[0::2] = cv2.sepFilter2D(at, -1, one, _CUBIC)
        taller[1::2] = cv2.sepFilter2D(at, -1, one, _CUBIC[::-1])
        at = np.empty((taller.shape[0], 2 * taller.shape[1], 2), np.float32)
        at[:, 0::2] = cv2.sepFilter2D(taller, -1, _CUBIC, one)
        at[:, 1::2] = cv2.sepFilter2D(taller, -1, _CUBIC[::-1], one)
    return at


def _factor(view: View, frame: WallFrame, radius_mm: float) -> int:
    """Return the whole number by which a photo is reduced, if it is much finer than the wall image."""
    away = abs(float(view.shift_mm[2]))
    per_mm = view.lens.fx_px / max(away - radius_mm, radius_mm)
    return max(1, math.floor(per_mm * frame.step_mm))
