"""A camera in the frame of a bore: pinhole with Brown's distortion, or fisheye. Nothing of portmap is used.

Frames
------
bore [mm]
    Z is the bore's axis, up from the base face; X points to the exhaust centre line.
camera
    x right, y down, z forward. `turn` takes directions of the bore's frame to the camera's, `place_mm` is
    where the camera stands.
picture [px]
    column, row; centres at integers.

Pinhole, on x/z, y/z of the ideal ray: (k1, k2, p1, p2, k3) [1]_. Fisheye, on the angle θ from the axis:
r = f·θ·(1 + k1 θ² + k2 θ⁴ + k3 θ⁶ + k4 θ⁸) [2]_.

References
----------
.. [1] D. C. Brown, Decentering distortion of lenses, Photogrammetric Engineering 32 (1966) 444-462 (from
   memory).
.. [2] J. Kannala, S. S. Brandt, A generic camera model and calibration method, IEEE TPAMI 28 (2006)
   1335-1340 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "RayMap", "ray_map", "turned_to"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_NODES = 32  # of the polynomials that carry rays over the picture; a test holds them to 1e-3 px


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A camera and where it stands; a mirrored one delivers its picture with left and right exchanged."""

    model: Literal["pinhole", "fisheye"]
    size_px: tuple[int, int]  # columns, rows
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...]
    turn: Floats
    place_mm: Floats
    mirrored: bool = False

    def project(self, points_mm: Floats) -> Floats:
        """Return where points of the bore's frame fall in the picture as delivered; NaN behind a pinhole."""
        ray = (np.asarray(points_mm, np.float64).reshape(-1, 3) - self.place_mm) @ self.turn.T
        u, v = self._bent(ray)
        columns = self.cx + self.fx * u
        if self.mirrored:
            columns = self.size_px[0] - 1 - columns
        return np.column_stack([columns, self.cy + self.fy * v])

    def _bent(self, ray: Floats) -> tuple[Floats, Floats]:
        x, y, z = ray.T
        if self.model == "fisheye":
            k1, k2, k3, k4 = self.distortion
            off = np.hypot(x, y)
            angle = np.arctan2(off, z)
            q = angle * angle
            reach = angle * (1 + q * (k1 + q * (k2 + q * (k3 + q * k4))))
            share = np.divide(reach, off, out=np.zeros_like(off), where=off > 0)
            return x * share, y * share
        k1, k2, p1, p2, k3 = self.distortion
        front = np.where(z > 0, z, np.nan)
        x, y = x / front, y / front
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        return (
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        )

    def directions(self, pixels: Floats) -> Floats:
        """Return the unit vectors, in the bore's frame, along which pixels of the delivered picture look.

        Found by iteration on the formula that `project` uses.
        """
        pixels = np.array(pixels, np.float64).reshape(-1, 2)
        if self.mirrored:
            pixels[:, 0] = self.size_px[0] - 1 - pixels[:, 0]
        return self._unbent(pixels) @ self.turn

    def _unbent(self, pixels: Floats) -> Floats:
        a, b = (pixels[:, 0] - self.cx) / self.fx, (pixels[:, 1] - self.cy) / self.fy
        if self.model == "fisheye":
            return self._fisheye_rays(a, b)
        k1, k2, p1, p2, k3 = self.distortion
        x, y = a.copy(), b.copy()
        for _ in range(400):
            r2 = x * x + y * y
            radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
            new_x = (a - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / radial
            new_y = (b - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / radial
            moved = max(np.abs(new_x - x).max(), np.abs(new_y - y).max())
            x, y = new_x, new_y
            if moved < 1e-14:
                break
        if moved > 1e-10:
            raise ValueError("this lens's distortion cannot be undone over the whole picture")
        rays = np.column_stack([x, y, np.ones_like(x)])
        return rays / np.linalg.norm(rays, axis=1, keepdims=True)

    def _fisheye_rays(self, a: Floats, b: Floats) -> Floats:
        k1, k2, k3, k4 = self.distortion
        reach = np.hypot(a, b)
        low, high = np.zeros_like(reach), np.full_like(reach, math.pi)
        for _ in range(60):
            angle = (low + high) / 2
            q = angle * angle
            beyond = angle * (1 + q * (k1 + q * (k2 + q * (k3 + q * k4)))) > reach
            high = np.where(beyond, angle, high)
            low = np.where(beyond, low, angle)
        share = np.divide(np.sin(angle), reach, out=np.ones_like(reach), where=reach > 1e-12)
        return np.column_stack([a * share, b * share, np.cos(angle)])


@dataclass(frozen=True)
class RayMap:
    """Directions for every pixel, as products of Chebyshev polynomials in column and row."""

    across: Floats32  # (columns, nodes)
    down: Floats32  # (rows, nodes)
    coefficients: Floats32  # (3, nodes, nodes)

    def rows(self, first: int, last: int) -> Floats32:
        """Return unit vectors of the rows from `first` up to `last`, shape (3, last − first, columns)."""
        found = np.stack([(self.down[first:last] @ part) @ self.across.T for part in self.coefficients])
        return np.asarray(found / np.sqrt((found * found).sum(axis=0)), np.float32)


def ray_map(camera: Camera) -> RayMap:
    """Return the rays of the whole picture as delivered, in the bore's frame."""
    angles = (np.arange(_NODES) + 0.5) * math.pi / _NODES
    grids, bases = [], []
    for count in camera.size_px:
        low, high = -1.0, float(count)
        grids.append((low + high) / 2 + (high - low) / 2 * np.cos(angles))
        share = np.clip((2 * np.arange(count) - low - high) / (high - low), -1.0, 1.0)
        bases.append(np.cos(np.arange(_NODES) * np.arccos(share)[:, None]).astype(np.float32))
    across, down = np.meshgrid(grids[0], grids[1])
    rays = camera.directions(np.column_stack([across.ravel(), down.ravel()]))
    fit = np.cos(np.arange(_NODES)[:, None] * angles) * 2 / _NODES
    fit[0] /= 2
    parts = [fit @ rays[:, k].reshape(_NODES, _NODES) @ fit.T for k in range(3)]
    return RayMap(bases[0], bases[1], np.asarray(parts, np.float32))


def turned_to(forward: Floats, up: Floats, roll_deg: float = 0.0) -> Floats:
    """Return the turn of a camera that looks along `forward` with `up` up in its picture.

    `roll_deg` then turns the camera about its axis, so that the picture turns counterclockwise.
    """
    ahead = np.asarray(forward, np.float64) / np.linalg.norm(forward)
    right = np.cross(ahead, np.asarray(up, np.float64))
    right /= np.linalg.norm(right)
    below = np.cross(ahead, right)
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    return np.array([c * right + s * below, c * below - s * right, ahead])
