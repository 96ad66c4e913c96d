"""Unrolled images of made-up bore walls, drawn place by place: no camera, no code of portmap's.

Every place of the wall is seen along one sight line whose drift (how far it moves along x and y for each mm
outward) is told. A chamfer at 45°, w wide, lies round each window: the wall ends w outside the window's true
edge; the sight line meets the chamfer where the distance to that edge is w less the depth.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import translate

Floats = NDArray[np.float64]

FINE = 3  # places across and down a pixel
GRID_MM = 0.2
WALL, CHAMFER, HOLE = 0.32, 0.24, 0.012  # linear light


def wall_picture(
    windows: list[shapely.Polygon],
    *,
    bore_mm: float = 36.0,
    low_mm: float = 10.0,
    high_mm: float = 44.0,
    mm_per_px: float = 0.075,
    chamfer_mm: float = 0.35,
    drift: tuple[float, float] = (0.0, 0.0),
    passage: float = 0.05,
    honing: float = 0.1,
    soot: float = 0.0,
    streak_x_mm: float | None = None,
    blur_px: float = 1.3,
    noise: float = 1.5,
    chamfer: float = CHAMFER,
    seed: int = 0,
) -> tuple[NDArray[np.uint8], float, float, float]:
    """Return pixels (RGB), millimetres a pixel, and x, y of the first pixel; the picture goes once round."""
    rng = np.random.default_rng(seed)
    turn = math.pi * bore_mm
    columns = round(turn / mm_per_px)
    step = turn / columns
    rows = round((high_mm - low_mm) / step)
    x = -turn / 2 + np.arange(columns) * step
    y = high_mm - np.arange(rows) * step
    grid_x, grid_y = np.meshgrid(x, y)
    light = WALL * (1 + honing * _honed(rng, rows, columns, step))
    light *= 1 - soot * _clouds(rng, rows, columns, step)
    if streak_x_mm is not None:
        light += 0.35 * np.exp(-(((grid_x - streak_x_mm) / 1.6) ** 2))
    for window in windows:
        for away in (-turn, 0.0, turn):
            _lay(light, translate(window, away, 0.0), grid_x, grid_y, chamfer_mm, drift, passage, chamfer)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    value = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )  # IEC 61966-2-1, from memory
    codes = 255 * value + noise * rng.standard_normal(light.shape)
    gray = np.clip(np.rint(codes), 0, 255).astype(np.uint8)
    return np.repeat(gray[:, :, None], 3, axis=2), step, float(x[0]), float(y[0])


def _lay(
    light: Floats,
    window: shapely.Polygon,
    x: Floats,
    y: Floats,
    wide: float,
    drift: tuple[float, float],
    passage: float,
    chamfer: float,
) -> None:
    """Lay a window into the light; each pixel is the mean of `FINE` × `FINE` places in it."""
    step = float(x[0, 1] - x[0, 0])
    left, low, right, high = window.buffer(wide + 0.5).bounds
    columns = np.flatnonzero((x[0] > left) & (x[0] < right))
    rows = np.flatnonzero((y[:, 0] > low) & (y[:, 0] < high))
    if not len(columns) or not len(rows):
        return
    own = light[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    count = (own.shape[0] * FINE, own.shape[1] * FINE)
    fine_x = x[0, columns[0]] + (np.arange(count[1]) - (FINE - 1) / 2) * step / FINE
    fine_y = y[rows[0], 0] - (np.arange(count[0]) - (FINE - 1) / 2) * step / FINE
    made = np.repeat(np.repeat(own, FINE, axis=0), FINE, axis=1)
    away = _Outside(window)
    inside = away.at(fine_x, fine_y) < wide
    made[inside] = HOLE
    met = ~inside
    for depth in np.linspace(0.0, wide, 15)[1:]:
        hit = ~met & (away.at(fine_x + depth * drift[0], fine_y + depth * drift[1]) > wide - depth)
        made[hit] = chamfer
        met |= hit
    for depth in np.linspace(wide, 6.0, 25)[1:]:  # the passage's wall, lit less the deeper
        hit = ~met & (away.at(fine_x + depth * drift[0], fine_y + depth * drift[1]) > 0)
        made[hit] = HOLE + passage * math.exp(-depth / 4)
        met |= hit
    own[:] = made.reshape(own.shape[0], FINE, own.shape[1], FINE).mean(axis=(1, 3))


class _Outside:
    """How far places lie outside a polygon, inside negative: exact on a grid, linear between."""

    def __init__(self, window: shapely.Polygon) -> None:
        left, low, right, high = window.buffer(4.5).bounds
        self.low = (left, low)
        x, y = np.arange(left, right, GRID_MM), np.arange(low, high, GRID_MM)
        points = shapely.points(*np.meshgrid(x, y))
        shapely.prepare(window)
        shapely.prepare(window.exterior)
        away = shapely.distance(window.exterior, points)
        self.grid = np.where(shapely.contains(window, points), -away, away).astype(np.float32)

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the distance at every pair of the places."""
        column = np.clip((x - self.low[0]) / GRID_MM, 0, self.grid.shape[1] - 1).astype(np.float32)
        row = np.clip((y - self.low[1]) / GRID_MM, 0, self.grid.shape[0] - 1).astype(np.float32)
        maps = (np.tile(column, (len(row), 1)), np.tile(row[:, None], (1, len(column))))
        return np.asarray(cv2.remap(self.grid, *maps, cv2.INTER_LINEAR), np.float64)


def _honed(rng: np.random.Generator, rows: int, columns: int, step: float) -> Floats:
    """Return crossing scratches, mean 0, standard deviation 1."""
    total = np.zeros((rows, columns))
    for turn in (28.0, -28.0):
        noise = rng.standard_normal((rows, columns)).astype(np.float32)
        size = round(5.0 / step) | 1
        line = np.zeros((size, size), np.float32)
        half = size // 2
        along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))]) * half
        ends = [(round(half - s * along[0]), round(half - s * along[1])) for s in (1, -1)]
        cv2.line(line, ends[0], ends[1], 1.0, 1, cv2.LINE_AA)
        wide = np.pad(noise, ((0, 0), (size, size)), mode="wrap")
        made = cv2.filter2D(wide, cv2.CV_32F, line / np.sqrt((line**2).sum()))
        total += made[:, size:-size]
    return np.asarray(total / total.std())


def _clouds(rng: np.random.Generator, rows: int, columns: int, step: float) -> Floats:
    """Return soot, 0 to 1, in soft patches."""
    margin = round(10.0 / step)
    noise = np.pad(
        rng.standard_normal((rows, columns)).astype(np.float32), ((0, 0), (margin, margin)), mode="wrap"
    )
    noise = cv2.GaussianBlur(noise, (0, 0), 2.5 / step)[:, margin:-margin]
    return np.asarray(1 / (1 + np.exp(-2 * noise / noise.std())), np.float64)
