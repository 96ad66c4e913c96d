"""Scaled images of impressions, made without a camera: every pixel is the mean over its own square.

Coverage is exact along a row and summed over 48 lines to a pixel's height; light is mixed in linear
proportion, blurred, and only then turned into sRGB values, as in a camera. Shares no code with portmap
but the class that is to be fed.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter
from shapely import Polygon

from portmap.picture.scaled import ScaledImage

FINE = 48  # lines to a pixel's height: a level edge is then right within 1/96 of a pixel
PAPER = np.array([0.80, 0.79, 0.75])
GRAPHITE = np.array([0.09, 0.09, 0.10])
BACKING = np.array([0.10, 0.22, 0.50])


def encoded(light: np.ndarray) -> np.ndarray:
    """Return sRGB values of light (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    return 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


class Scene:
    """A sheet of `width` by `height` mm whose lower left corner lies at (x0, y0)."""

    def __init__(
        self,
        *,
        x0: float = -70.0,
        y0: float = 0.0,
        width: float = 140.0,
        height: float = 50.0,
        mm_per_px: float = 0.08,
    ) -> None:
        self.mm_per_px = mm_per_px
        self.columns, self.rows = round(width / mm_per_px), round(height / mm_per_px)
        self.x0, self.y_top = x0, y0 + height
        self.light = np.ones((self.rows, self.columns, 3)) * PAPER

    def coverage(self, shape: Polygon) -> tuple[slice, slice, np.ndarray]:
        """Return rows, columns and the share of each pixel that lies in the shape."""
        low_x, low_y, high_x, high_y = shape.bounds
        first = max(int((low_x - self.x0) / self.mm_per_px) - 2, 0)
        last = min(int((high_x - self.x0) / self.mm_per_px) + 3, self.columns)
        top = max(int((self.y_top - high_y) / self.mm_per_px) - 2, 0)
        bottom = min(int((self.y_top - low_y) / self.mm_per_px) + 3, self.rows)
        lines = np.arange(top * FINE, bottom * FINE)
        heights = -0.5 + (lines + 0.5) / FINE
        # what lies right of a crossing: one sign where the shape begins, the other where it ends
        steps = np.zeros((bottom - top, last - first + 1))
        for ring in shapely.get_rings(shapely.orient_polygons(shape)):
            at = _in_pixels(shapely.get_coordinates(ring), self.x0, self.y_top, self.mm_per_px)
            line, columns, sign = _crossings(at, heights)
            whole = np.clip(np.floor(columns + 0.5), first, last - 1).astype(int) - first
            part = np.clip(columns + 0.5 - first - whole, 0.0, 1.0)
            np.add.at(steps, (line // FINE, whole), sign * (1 - part))
            np.add.at(steps, (line // FINE, whole + 1), sign * part)
        share = np.cumsum(steps, axis=1)[:, :-1] / FINE
        return slice(top, bottom), slice(first, last), share

    def lay(self, shape: Polygon, colour: np.ndarray, opacity: float | np.ndarray = 1.0) -> None:
        """Cover the shape with a colour."""
        rows, columns, share = self.coverage(shape)
        grain = opacity[rows, columns] if isinstance(opacity, np.ndarray) else opacity
        share = (share * grain)[:, :, None]
        self.light[rows, columns] = self.light[rows, columns] * (1 - share) + colour * share

    def rub(
        self, shape: Polygon, *, colour: np.ndarray = GRAPHITE, grain: float = 0.0, seed: int = 0
    ) -> None:
        """Rub the shape dark; `grain` lets paper show through in specks, more the larger it is."""
        g = np.random.default_rng(seed)
        speckle = gaussian_filter(g.normal(size=(self.rows, self.columns)), 1.2) * 4.0
        self.lay(shape, colour, np.clip(1.0 - grain * np.clip(speckle, 0.0, 2.0), 0.0, 1.0))

    def pencil(
        self, shape: Polygon, *, width: float = 0.5, side: str = "inner", darkness: float = 1.0
    ) -> None:
        """Draw round the shape so that its edge is the line's inner side, middle or outer side."""
        shift = {"inner": (0.0, width), "middle": (-width / 2, width / 2), "outer": (-width, 0.0)}[side]
        outer = shape.buffer(shift[1], quad_segs=48) if shift[1] else shape
        inner = shape.buffer(shift[0], quad_segs=48) if shift[0] else shape
        self.lay(outer.difference(inner), GRAPHITE * 1.5, darkness)

    def rule(self, *, pitch: float = 1.0, colour: np.ndarray | None = None, width: float = 0.12) -> None:
        """Print graph-paper ruling."""
        tint = np.array([0.45, 0.62, 0.80]) if colour is None else colour
        across = _ruled(
            self.x0 - pitch * np.floor(self.x0 / pitch), self.columns, pitch, width, self.mm_per_px
        )
        down = _ruled(pitch - self.y_top % pitch, self.rows, pitch, width, self.mm_per_px)
        share = (1.0 - (1.0 - across)[None, :] * (1.0 - down)[:, None])[:, :, None]
        self.light = self.light * (1 - share) + tint * share

    def shade(self, *, across: float = 0.0, spot: float = 0.0) -> None:
        """Let the light fall off to the right by `across`, and lay a hard-edged shadow over one corner."""
        ramp = 1.0 - across * np.linspace(0.0, 1.0, self.columns)[None, :, None]
        self.light *= ramp
        if spot:
            row, column = np.mgrid[0 : self.rows, 0 : self.columns]
            dark = 1.0 / (
                1.0 + np.exp(-(row + 0.5 * column - 0.55 * (self.rows + 0.5 * self.columns)) / 12.0)
            )
            self.light *= 1.0 - spot * dark[:, :, None]

    def image(self, *, blur_px: float = 1.0, noise: float = 2.0, seed: int = 1) -> ScaledImage:
        """Return the picture; `noise` is one standard deviation in steps of 255."""
        blurred = gaussian_filter(self.light, (blur_px, blur_px, 0.0))
        g = np.random.default_rng(seed)
        value = encoded(blurred) + g.normal(scale=noise, size=blurred.shape)
        return ScaledImage(
            pixels=np.clip(np.rint(value), 0, 255).astype(np.uint8),
            mm_per_px=self.mm_per_px,
            x0_mm=self.x0,
            y0_mm=self.y_top,
            source={"file": "made up"},
        )


def _in_pixels(ring: np.ndarray, x0: float, y_top: float, mm_per_px: float) -> np.ndarray:
    return np.column_stack([(ring[:, 0] - x0) / mm_per_px, (y_top - ring[:, 1]) / mm_per_px])


def _crossings(ring: np.ndarray, heights: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which of the rising heights a closed ring crosses, at which columns, and which way (1 or -1)."""
    first = np.searchsorted(heights, ring[:, 1])
    lines, columns, signs = [], [], []
    for (x0, y0), (x1, y1), start, end in zip(ring[:-1], ring[1:], first[:-1], first[1:], strict=True):
        line = np.arange(min(start, end), max(start, end))
        lines.append(line)
        columns.append(x0 + (heights[line] - y0) / (y1 - y0 or 1.0) * (x1 - x0))
        signs.append(np.full(line.size, np.sign(end - start), float))
    return np.concatenate(lines), np.concatenate(columns), np.concatenate(signs)


def _ruled(start: float, count: int, pitch: float, width: float, step: float) -> np.ndarray:
    """Return how much of each pixel along one axis is covered by lines at multiples of the pitch."""
    edges = start + (np.arange(count + 1) - 0.5) * step + width / 2
    ink = np.floor(edges / pitch) * width + np.minimum(edges % pitch, width)
    return np.asarray(np.diff(ink) / step)
