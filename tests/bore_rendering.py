"""Pictures of a cylinder's bore with known truth, by rays of our own.

Nothing here is imported from portmap. A `BoreScene` (`tests.bore_parts`) says what is there, a `Camera`
(`tests.bore_camera`) where it is seen from, `render` gives the picture.

One ray a pixel, then 3 × 3 rays where neighbours differ. Blur that grows with the distance from the focus is
laid on by levels of a Gaussian. Light is linear until the tone curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bore_camera import Camera, ray_map
from tests.bore_maps import Floats32
from tests.bore_parts import Bore, BoreScene, Lamp, Opening, Optics, Ring, Strip, wall_point
from tests.bore_rays import RING, STRIP, lights_of, met

__all__ = [
    "Bore",
    "BoreScene",
    "Camera",
    "Lamp",
    "Opening",
    "Optics",
    "Ring",
    "Strip",
    "Traced",
    "render",
    "traced",
    "wall_point",
]

Floats = NDArray[np.float64]

_CHUNK = 1 << 17  # rays at a time
_FINE = 3  # rays across and down in a pixel where neighbours differ


def render(scene: BoreScene, camera: Camera, seed: int) -> NDArray[np.uint8]:
    """Return the picture as an 8-bit file would hold it, blue green red, rows first."""
    picture = traced(scene, camera)
    linear, far = picture.light, picture.far_mm
    optics = scene.optics
    rng = np.random.default_rng([seed, 23])
    linear = _blurred(linear, far, optics, math.sqrt(camera.fx * camera.fy))
    rows, columns = linear.shape[:2]
    down, across = np.ogrid[-1.0 : 1.0 : rows * 1j, -1.0 : 1.0 : columns * 1j]
    linear *= (1 - optics.vignette * (down**2 + across**2) / 2).astype(np.float32)[:, :, None]
    level = np.partition(linear[::7, ::7, 1].ravel(), -max(1, linear[::7, ::7, 1].size // 100))
    white = float(level[-max(1, level.size // 100)])
    linear *= np.float32(optics.bright / max(white, 1e-6))
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    noise *= np.sqrt(np.clip(linear, 0, 1) / np.float32(optics.white_electrons) + optics.read_noise**2)
    linear += noise
    codes = np.clip(linear * 65535.0, 0.0, 65535.0).astype(np.uint16)
    return np.ascontiguousarray(_tone_table(optics.contrast)[codes][:, :, ::-1])


@dataclass(frozen=True, kw_only=True, eq=False)
class Traced:
    """What each pixel sees: its light before blur and sensor (red green blue), how far off, and what.

    `far_mm` counts along the camera's axis, `kind` is one of the numbers of `tests.bore_rays`; both are of
    the pixel's middle.
    """

    light: Floats32
    far_mm: Floats32
    kind: NDArray[np.uint8]


def traced(scene: BoreScene, camera: Camera) -> Traced:
    """Return what each pixel of the picture sees."""
    columns, rows = camera.size_px
    lights, eye = lights_of(scene, camera), np.asarray(camera.place_mm, np.float64)
    rays = ray_map(camera)
    axis = camera.turn[2].astype(np.float32)[:, None]
    linear = np.empty((rows, columns, 3), np.float32)
    far = np.empty((rows, columns), np.float32)
    kind = np.empty((rows, columns), np.uint8)
    strip = max(1, _CHUNK // columns)
    for top in range(0, rows, strip):
        bottom = min(rows, top + strip)
        ray = rays.rows(top, bottom).reshape(3, -1)
        seen = met(scene, lights, eye, ray)
        linear[top:bottom] = seen.colour.reshape(bottom - top, columns, 3)
        far[top:bottom] = (seen.far * (axis * ray).sum(axis=0)).reshape(bottom - top, columns)
        kind[top:bottom] = seen.kind.reshape(bottom - top, columns)
    rough = _differing(linear, kind)
    steps = ((np.arange(_FINE) + 0.5) / _FINE - 0.5).astype(np.float32)
    band = max(1, 4 * _CHUNK // columns)
    for top in range(0, rows, band):
        bottom = min(rows, top + band)
        row, column = np.nonzero(rough[top:bottom])
        if not len(row):
            continue
        low, high = max(0, top - 1), min(rows, bottom + 1)
        ray = rays.rows(low, high)
        across, down = (np.gradient(ray, axis=k)[:, row + top - low, column] for k in (2, 1))
        middle = ray[:, row + top - low, column]
        each = max(1, _CHUNK // _FINE**2)
        for first in range(0, len(row), each):
            own = slice(first, first + each)
            parts = [middle[:, own] + a * across[:, own] + b * down[:, own] for b in steps for a in steps]
            seen = met(scene, lights, eye, np.concatenate(parts, axis=1))
            mean = seen.colour.reshape(_FINE**2, -1, 3).mean(axis=0)
            linear[row[own] + top, column[own]] = mean
    return Traced(light=linear, far_mm=far, kind=kind)


def _differing(linear: Floats32, kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return the pixels that a neighbour differs from, in kind or, on printed paper, in light."""
    square = np.ones((3, 3), np.uint8)
    green = np.ascontiguousarray(linear[:, :, 1])
    most, least = cv2.dilate(green, square), cv2.erode(green, square)
    differs = cv2.dilate(kind, square) != cv2.erode(kind, square)
    paper = (kind == RING) | (kind == STRIP)
    return np.asarray(differs | (paper & (most - least > 0.12 * most + 1e-4)))


def _blurred(linear: Floats32, far: Floats32, optics: Optics, focal_px: float) -> Floats32:
    # a disc of diameter d spreads as a Gaussian of standard deviation d/4
    if optics.aperture_mm:
        off = np.abs(1 / np.maximum(far, 1.0) - np.float32(1 / optics.focus_mm))
        spread = np.float32(optics.aperture_mm * focal_px / 4) * off
        spread = np.sqrt(spread**2 + np.float32(optics.blur_px**2))
        spread = cv2.blur(spread, (5, 5))
        levels = np.geomspace(optics.blur_px, max(float(spread.max()), optics.blur_px * 1.01), 5)
        place = np.log(spread / np.float32(levels[0])) / np.float32(math.log(levels[1] / levels[0]))
        done = np.zeros_like(linear)
        for k, sigma in enumerate(levels):
            share = np.maximum(1 - np.abs(place - np.float32(k)), 0)
            if share.any():
                done += share[:, :, None] * cv2.GaussianBlur(linear, (0, 0), float(sigma))
        linear = done
    elif optics.blur_px:
        linear = cv2.GaussianBlur(linear, (0, 0), optics.blur_px)
    length = math.hypot(*optics.motion_px)
    if length > 0:
        reach = math.ceil(length / 2) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        for share in np.linspace(-0.5, 0.5, 65):
            x, y = reach + share * optics.motion_px[0], reach + share * optics.motion_px[1]
            c, r = int(x), int(y)
            kernel[r : r + 2, c : c + 2] += np.outer([1 - (y - r), y - r], [1 - (x - c), x - c])
        linear = cv2.filter2D(linear, -1, kernel / kernel.sum())
    return linear


def _tone_table(contrast: float) -> NDArray[np.uint8]:
    """Return the sRGB curve (IEC 61966-2-1, from memory) for 16-bit light, bent to an S by `contrast`."""
    light = np.arange(65536) / 65535.0
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    value = value + contrast * np.sin(2 * math.pi * (value - 0.5)) / (2 * math.pi)
    return np.clip(np.rint(255 * value), 0, 255).astype(np.uint8)
