"""Maps laid on the wall of a rendered bore: how far off a window's edge is, how the metal looks."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from tests.bore_parts import Bore

__all__ = ["Floats32", "WallMaps", "sampled_at", "wall_maps"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_GRID_MM = 0.05
_NEAR_MM = 1.2  # cv2's distances err by less than the difference from _EXACT_MM
_EXACT_MM = 1.0  # distances from a window's edge are exact so far; further out they only guide a search


@dataclass(frozen=True, eq=False)
class WallMaps:
    """`edge`: distance outside the windows' polygons and its slope; `face`: scratches, soot, roughness."""

    edge: Floats32
    distance: Floats32  # of `edge`, alone
    face: Floats32
    columns: int
    step_mm: float

    def sampled(self, which: Floats32, x: Floats32, y: Floats32) -> Floats32:
        """Return a map at places of the wall; x may be beyond the seam."""
        column = np.mod(x * np.float32(1 / self.step_mm), np.float32(self.columns)) + np.float32(2)
        row = y * np.float32(1 / _GRID_MM)
        return sampled_at(which, column, row)


def sampled_at(image: NDArray[np.generic], column: Floats32, row: Floats32) -> Floats32:
    # cv2.remap takes no more than 32767 columns, so that the list is folded
    count = len(column)
    if not count:
        return np.empty((0, *image.shape[2:]), np.float32)
    width = 1024
    fold = -(-count // width) * width
    lists = [np.pad(part, (0, fold - count)).reshape(-1, width) for part in (column, row)]
    found = cv2.remap(image, lists[0], lists[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found.reshape(fold, *image.shape[2:])[:count], np.float32)


@functools.lru_cache(maxsize=2)
def wall_maps(bore: Bore) -> WallMaps:
    turn = 2 * math.pi * bore.radius_mm
    columns = round(turn / _GRID_MM)
    rows = math.ceil(bore.deck_mm / _GRID_MM) + 1
    step = turn / columns
    distance = _edge_distance(bore, columns, rows, step)
    slope_x = (np.roll(distance, -1, 1) - np.roll(distance, 1, 1)) / (2 * step)
    slope_y = np.gradient(distance, _GRID_MM, axis=0)
    edge = np.stack([distance, slope_x, slope_y], axis=2).astype(np.float32)
    face = np.stack(_textures(bore, columns, rows), axis=2).astype(np.float32)
    around = [(2, 2), (0, 0)]
    padded = [np.pad(part, [(0, 0), around[0], around[1]], mode="wrap") for part in (edge, face)]
    return WallMaps(padded[0], np.ascontiguousarray(padded[0][:, :, 0]), padded[1], columns, step)


def _edge_distance(bore: Bore, columns: int, rows: int, step: float) -> Floats32:
    """Return how far each node lies outside the nearest window (inside: negative), at most 4 mm."""
    distance = np.full((rows, columns), 4.0, np.float32)
    for opening in bore.openings:
        shape = opening.outline
        x0, y0, x1, y1 = shape.buffer(4.0).bounds
        across = np.arange(math.floor(x0 / step), math.ceil(x1 / step) + 1)
        up = np.arange(max(0, math.floor(y0 / _GRID_MM)), min(rows, math.ceil(y1 / _GRID_MM) + 1))
        corners = shapely.get_coordinates(shape.exterior) / [step, _GRID_MM] - [across[0], up[0]]
        inside = np.zeros((len(up), len(across)), np.uint8)
        cv2.fillPoly(inside, [np.rint(corners * 16).astype(np.int32)], 1, shift=4)
        near = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5) - cv2.distanceTransform(
            inside, cv2.DIST_L2, 5
        )
        near *= _GRID_MM
        row, column = np.nonzero(np.abs(near) < _EXACT_MM)
        exact = _ring_distance(shape.exterior, across * step, up * _GRID_MM)[row, column]
        shapely.prepare(shape)
        inside_it = shapely.contains_xy(shape, across[column] * step, up[row] * _GRID_MM)
        near[row, column] = np.where(inside_it, -exact, exact)
        at = np.ix_(up, np.mod(across, columns))
        distance[at] = np.minimum(distance[at], near)
    return distance


def _ring_distance(ring: shapely.LinearRing, x: Floats, y: Floats) -> Floats:
    """Return how far nodes lie from a ring, at least where that is under `_EXACT_MM` and a little more.

    Each piece of the ring is measured from the nodes round it alone.
    """
    found = np.full((len(y), len(x)), np.inf)
    corners = shapely.get_coordinates(ring)
    for start, end in pairwise(corners):
        (left, low), (right, high) = np.minimum(start, end) - _NEAR_MM, np.maximum(start, end) + _NEAR_MM
        rows, columns = (
            slice(*np.searchsorted(axis, ends)) for axis, ends in ((y, (low, high)), (x, (left, right)))
        )
        (dx, dy), px, py = end - start, x[columns] - start[0], y[rows, None] - start[1]
        along = np.clip((px * dx + py * dy) / (dx * dx + dy * dy), 0.0, 1.0)
        away = np.hypot(px - along * dx, py - along * dy)
        np.minimum(found[rows, columns], away, out=found[rows, columns])
    return found


def _textures(bore: Bore, columns: int, rows: int) -> tuple[Floats32, Floats32, Floats32]:
    """Return scratches (standard deviation about 1), soot (0 to 1) and the roughness of cast metal."""
    if not (bore.honing or bore.soot or bore.casting):
        smooth = np.zeros((rows, columns), np.float32)
        return smooth, smooth, smooth
    rng = np.random.default_rng([bore.seed, 17])
    tall = cv2.getOptimalDFTSize(rows)
    across = np.fft.rfftfreq(columns)[None].astype(np.float32) * 2 * np.pi / _GRID_MM
    up = np.fft.fftfreq(tall)[:, None].astype(np.float32) * 2 * np.pi / _GRID_MM
    white = np.fft.rfft2(rng.standard_normal((tall, columns), dtype=np.float32))

    def lines(angle_deg: float, long_mm: float, wide_mm: float) -> Floats32:
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        along, over = across * c + up * s, up * c - across * s
        pass_band = np.exp(-((along * long_mm) ** 2 + (over * wide_mm) ** 2) / 2)
        made = np.fft.irfft2(white * pass_band, (tall, columns))[:rows]
        return np.asarray(made / made.std(), np.float32)

    hone = lines(bore.hone_deg, 5.0, 0.05) + lines(-bore.hone_deg, 5.0, 0.05)
    scuffs = lines(90.0, 7.0, 0.08)
    hone = 0.65 * hone + 0.5 * np.maximum(scuffs - 1.5, 0.0)
    soot = np.zeros((rows, columns))
    if bore.soot:
        cloud = lines(0.0, 6.0, 4.0) + 0.5 * lines(0.0, 1.5, 1.5) + 0.25 * lines(0.0, 0.4, 0.4)
        height = (np.arange(rows) * _GRID_MM / bore.deck_mm)[:, None]
        soot = bore.soot / (1 + np.exp(-(1.5 * cloud + 5.0 * (height - 0.75))))
    cast = 0.7 * lines(0.0, 0.25, 0.25) + 0.5 * lines(0.0, 1.2, 1.2)
    return hone, soot.astype(np.float32), cast
