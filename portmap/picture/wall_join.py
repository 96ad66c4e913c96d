"""One wall image out of several photos: the best view of each place, joined without seams.

Each place is taken from the photo that is worth most there; at the seams two are mixed over a millimetre or
two. The mix is decided at coarse nodes and spread between them, so that a photo is only looked up where it
counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.wall_light import EVEN_LEVEL, light_gain
from portmap.picture.wall_view import (
    Nodes,
    Shown,
    View,
    WallFrame,
    nodes_of,
    pixel_map,
    shown_by,
    spread_out,
)

__all__ = ["CELL_PX", "MARGIN", "Joined", "Lit", "joined", "lit_views", "shares", "wall_pixels"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

CELL_PX = 32  # of the nodes at which photos are judged
MARGIN = 6  # cells kept round them, as far as shares are smoothed, so that the two ends agree
_MAP_CELL_PX = 8  # of the nodes between which a photo's map is straight: under 0.02 px off at 20 px/mm
_TILE_ROWS, _TILE_COLUMNS = 128, 128
_SHARPNESS = 150.0  # power of worth by which photos share a place
_LEAST_SHARE = 0.06
_GLARE = 0.6  # of a logarithm of brightness: over that glare takes a photo's worth by e
_CALM_NODES = 2.0  # standard deviation by which worth is smoothed before the best photo is taken
# And by which shares are smoothed after: seams are narrow. A chamfer and what lies behind it are seen beside
# their place, each photo's to another side, so that two photos mixed show two edges.
_SOFT_NODES = 0.5


def shares(shown: Sequence[Shown], nodes: Nodes, lit: Sequence[Lit] | None = None) -> Floats32:
    """Return how much of each place is taken from each photo.

    Parameters
    ----------
    shown : sequence of Shown
        How well each photo shows the nodes.
    nodes : Nodes
    lit : sequence of Lit, optional
        Where glare hides the wall a photo is worth less.

    Returns
    -------
    ndarray of shape (P, V, W) and dtype float32
        Their sum is 1, or 0 where no photo shows the place.
    """
    worth = np.stack([each.worth.reshape(nodes.shape) for each in shown])
    if lit is not None:
        worth = worth * np.stack([np.exp(-each.glare / _GLARE) for each in lit])
    most = worth.max(axis=0)
    # what is judged is worth over some millimetres: photos that took turns place by place would join badly
    there = (worth > 0).astype(np.float64)
    calm = _blurred(np.log(np.where(worth > 0, worth, 1.0)), _CALM_NODES) / np.maximum(
        _blurred(there, _CALM_NODES), 1e-9
    )
    calm = np.where(worth > 0, calm, -np.inf)
    best = calm.max(axis=0)
    share = np.exp(_SHARPNESS * (calm - np.where(np.isfinite(best), best, 0.0)))
    share /= np.maximum(share.sum(axis=0), 1e-12)
    soft = _blurred(share, _SOFT_NODES)
    soft *= np.clip(worth / np.maximum(0.2 * most, 1e-12), 0.0, 1.0)
    total = soft.sum(axis=0)
    soft = np.where(total > 0, soft / np.where(total > 0, total, 1.0), 0.0)
    soft[soft < _LEAST_SHARE] = 0.0
    total = soft.sum(axis=0)
    return np.asarray(np.where(total > 0, soft / np.where(total > 0, total, 1.0), 0.0), np.float32)


def _blurred(fields: Floats, sd: float) -> Floats:
    return np.stack([cv2.GaussianBlur(each, (0, 0), sd, borderType=cv2.BORDER_REPLICATE) for each in fields])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lit:
    """A photo's light over the nodes.

    Parameters
    ----------
    gain : ndarray of shape (V, W) and dtype float32
        By what its brightness is multiplied to be even.
    glare : ndarray of shape (V, W)
        Logarithm of how much brighter than the even wall a place still is; 0 and more.
    """

    gain: Floats32
    glare: Floats


def lit_views(views: Sequence[View], shown: Sequence[Shown], nodes: Nodes, radius_mm: float) -> list[Lit]:
    """Return each photo's light over the nodes.

    Parameters
    ----------
    views : sequence of View
    shown : sequence of Shown
    nodes : Nodes
    radius_mm : float

    Returns
    -------
    list of Lit
    """
    made = []
    cell_mm = float(nodes.x_mm[1] - nodes.x_mm[0])
    for view, each in zip(views, shown, strict=True):
        weight = each.worth.reshape(nodes.shape)
        if not weight.any():
            made.append(Lit(gain=np.ones(nodes.shape, np.float32), glare=np.zeros(nodes.shape)))
            continue
        typical = float(np.median(each.px_per_mm[each.worth > 0])) * cell_mm
        factor = max(1, round(typical / 2))
        gray = cv2.cvtColor(view.pixels, cv2.COLOR_RGB2GRAY)
        size = (max(1, gray.shape[1] // factor), max(1, gray.shape[0] // factor))
        whole = gray[: size[1] * factor, : size[0] * factor]
        small = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
        at = _map_at(view, radius_mm, nodes, factor)
        level = np.asarray(_looked_up(small, at, cv2.INTER_LINEAR), np.float32)
        gain = light_gain(level, weight / weight.max(), nodes.x_mm / radius_mm, nodes.y_mm)
        glare = np.maximum(0.0, np.log(np.maximum(level * gain, 1.0) / EVEN_LEVEL))
        made.append(Lit(gain=gain, glare=np.asarray(glare, np.float64)))
    return made


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Joined:
    """A wall image's pixels, and how they were come by.

    Parameters
    ----------
    nodes : Nodes
    shown : list of Shown
        How well each photo shows the nodes.
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes.
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, the light evened.
    """

    nodes: Nodes
    shown: list[Shown]
    share: Floats32
    pixels: NDArray[np.uint8]


def joined(views: Sequence[View], frame: WallFrame) -> Joined:
    """Return the wall in a frame, each place from the photo that shows it best.

    Parameters
    ----------
    views : sequence of View
    frame : WallFrame

    Returns
    -------
    Joined
    """
    nodes, radius = nodes_of(frame, CELL_PX, MARGIN), frame.bore_mm / 2
    shown = [shown_by(view, radius, nodes.places_mm) for view in views]
    lit = lit_views(views, shown, nodes, radius)
    share = shares(shown, nodes, lit)
    pixels = wall_pixels(views, frame, share, [each.gain for each in lit], nodes)
    return Joined(nodes=nodes, shown=shown, share=share, pixels=pixels)


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
        RGB; an even grey where no photo shows the wall, and anything close by.
    """
    made = np.full((frame.rows, frame.columns, 3), round(EVEN_LEVEL), np.uint8)
    radius, fine = frame.bore_mm / 2, nodes_of(frame, _MAP_CELL_PX)
    used = share > 0

    def source(number: int) -> _Source | None:
        if not used[number].any():
            return None
        factor, pixels = _reduced(views[number], frame, radius)
        at = _map_where(views[number], radius, nodes, used[number], fine, factor)
        light = None if gain is None else gain[number]
        return _Source(pixels=pixels, at=at, share=share[number], gain=light)

    def filled(top: int) -> None:
        rows = slice(top, min(frame.rows, top + _TILE_ROWS))
        for left in range(0, frame.columns, _TILE_COLUMNS):
            columns = slice(left, min(frame.columns, left + _TILE_COLUMNS))
            near = used[:, _cells(rows, nodes), _cells(columns, nodes)]
            here = [(found, near[k]) for k, found in enumerate(sources) if found and near[k].any()]
            if len(here) == 1:
                _lay_whole(made, rows, columns, here[0][0], nodes, fine)
            elif here:
                made[rows, columns] = 0
                for found, where in here:
                    _add_share(made, (rows, columns), found, where, nodes, fine)

    # OpenCV lets go of Python while it works, and takes one core for a tile
    with ThreadPoolExecutor(max_workers=max(1, cv2.getNumThreads())) as pool:
        sources = list(pool.map(source, range(len(views))))
        list(pool.map(filled, range(0, frame.rows, _TILE_ROWS)))
    return made


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Source:
    """A photo, perhaps reduced, with its map at the fine nodes, its share and its gain at the nodes."""

    pixels: NDArray[np.uint8]
    at: Floats32
    share: Floats32
    gain: Floats32 | None


def _cells(part: slice, nodes: Nodes) -> slice:
    """Return the nodes between which a part of the image's rows or columns lies."""
    more = nodes.margin - 1
    return slice(part.start // nodes.cell_px + more, math.ceil(part.stop / nodes.cell_px) + 2 + more)


def _lay_whole(
    made: NDArray[np.uint8], rows: slice, columns: slice, source: _Source, nodes: Nodes, fine: Nodes
) -> None:
    """Lay a photo over a tile that it alone shows, also where it is cut off: the caller masks."""
    seen = _looked_up(source.pixels, spread_out(source.at, fine, rows, columns), cv2.INTER_CUBIC)
    tile = made[rows, columns]
    if source.gain is None:
        tile[:] = seen
    else:
        cv2.multiply(seen, _level(source.gain, nodes, rows, columns), tile, dtype=cv2.CV_8U)


def _add_share(
    made: NDArray[np.uint8],
    tile: tuple[slice, slice],
    source: _Source,
    used: NDArray[np.bool_],
    nodes: Nodes,
    fine: Nodes,
) -> None:
    """Add a photo's share to the part of a tile where it has one."""
    rows, columns = (
        _around(part, np.flatnonzero(used.any(axis=axis)), nodes.cell_px)
        for part, axis in zip(tile, (1, 0), strict=True)
    )
    field = source.share if source.gain is None else source.share * source.gain
    seen = _looked_up(source.pixels, spread_out(source.at, fine, rows, columns), cv2.INTER_CUBIC)
    part = made[rows, columns]
    cv2.add(part, cv2.multiply(seen, _level(field, nodes, rows, columns), dtype=cv2.CV_8U), part)


def _around(part: slice, used: NDArray[np.intp], cell_px: int) -> slice:
    """Return what of a tile's rows or columns lies between used nodes and those beside them, in cells."""
    start = part.start + max(0, int(used[0]) - 2) * cell_px
    return slice(start, min(part.stop, part.start + (int(used[-1]) + 1) * cell_px))


def _level(field: Floats32, nodes: Nodes, rows: slice, columns: slice) -> Floats32:
    """Return a field over a tile, once for each colour."""
    return np.asarray(cv2.merge([spread_out(field, nodes, rows, columns)] * 3), np.float32)


def _looked_up(source: NDArray[np.uint8], places: Floats32, how: int) -> NDArray[np.uint8]:
    """Return a photo's pixels at places, both coordinates in one array."""
    # OpenCV's stubs do not know that the second map may be missing; an empty array in its place gives garbage
    found = cv2.remap(source, places, None, how, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found, np.uint8)


def _map_at(view: View, radius_mm: float, nodes: Nodes, factor: int) -> Floats32:
    """Return where a photo, reduced by a factor, shows the nodes, shape (V, W, 2) [px]."""
    at = (pixel_map(view, radius_mm, nodes.places_mm) + 0.5) / factor - 0.5
    # beside its picture a pinhole's formula runs off without end
    near = np.clip(np.nan_to_num(at, nan=-9.0), -1e6, 1e6)
    return np.asarray(near, np.float32).reshape(*nodes.shape, 2)


def _map_where(
    view: View, radius_mm: float, nodes: Nodes, needed: NDArray[np.bool_], fine: Nodes, factor: int
) -> Floats32:
    """Return the map of a photo at fine nodes, worked out only near the columns where it is needed."""
    x = nodes.x_mm[needed.any(axis=0)]
    cell_mm = float(nodes.x_mm[1] - nodes.x_mm[0])
    near = (_TILE_COLUMNS / nodes.cell_px + 3) * cell_mm
    there = np.abs(fine.x_mm[:, None] - x[None, :]).min(axis=1) <= near
    made = np.full((*fine.shape, 2), -9.0, np.float32)
    some = Nodes(cell_px=fine.cell_px, margin=fine.margin, x_mm=fine.x_mm[there], y_mm=fine.y_mm)
    made[:, there] = _map_at(view, radius_mm, some, factor)
    return made


def _reduced(view: View, frame: WallFrame, radius_mm: float) -> tuple[int, NDArray[np.uint8]]:
    """Return the photo reduced by a whole factor, if it is much finer than the wall image."""
    away = abs(float(view.shift_mm[2]))
    per_mm = view.lens.fx_px / max(away - radius_mm, radius_mm)
    factor = max(1, math.floor(per_mm * frame.step_mm))
    if factor == 1:
        return 1, view.pixels
    size = (view.pixels.shape[1] // factor, view.pixels.shape[0] // factor)
    whole = view.pixels[: size[1] * factor, : size[0] * factor]
    return factor, np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
