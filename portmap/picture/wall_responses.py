"""How strongly the light of a bore wall changes across edges of each direction.

The wall's light is taken relative to its surroundings, as a logarithm, and differentiated along many
directions by filters long along the edge. Each direction is measured against its own usual response, so that
honing, which fills two directions, counts in these for little.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

__all__ = ["CAP", "DIRECTIONS", "Responses", "edge_responses", "reduced"]

Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

STEP_MM = 0.12  # a pixel of the reduced copy
DIRECTIONS = 12
ACROSS_MM, ALONG_MM = 0.18, 0.7  # the filters' standard deviations
REACH_MM = 14.0  # of the surroundings that light is compared with; half a wide window
RIM_MM = 1.1  # of what photos show, all round: light falls off there, which looks like an edge
DARK_SHARE = 0.15  # of the surroundings' light, added before the logarithm: noise of dark places stays small
LEAST_NOISE = 0.004  # of a natural logarithm
CAP = 10.0  # responses above it are as good as it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Responses:
    """Edge responses of a reduced copy.

    Parameters
    ----------
    strength : ndarray of shape (K, M, N)
        For each of K directions across the edge, from 0° (an upright edge) by 180°/K; 0 where nothing was
        seen.
    bright : ndarray of shape (M, N)
        Logarithm of the light against its surroundings.
    seen : ndarray of shape (M, N) and dtype bool
        Where a photo shows the wall well inside what it shows.
    factor : float
        Pixels of the image to one of the copy.
    step_mm : float
        Size of a pixel of the copy [mm].
    """

    strength: Floats32
    bright: Floats32
    seen: Bools
    factor: float
    step_mm: float


def reduced(
    light: Floats32, seen: Bools, *, mm_per_px: float, step_mm: float
) -> tuple[Floats32, Bools, float]:
    """Return a reduced copy of a wall: its light, where it is seen, and pixels of the image to one of it.

    Parameters
    ----------
    light, seen, mm_per_px
        As `edge_responses` takes them.
    step_mm : float
        Size of a pixel of the copy, at the least.

    Returns
    -------
    ndarray of shape (V, W)
    ndarray of shape (V, W) and dtype bool
    float
    """
    factor = max(1.0, step_mm / mm_per_px)
    size = (max(8, round(light.shape[1] / factor)), max(8, round(light.shape[0] / factor)))
    small = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
    shown = np.asarray(cv2.resize(seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), bool)
    return small, shown, factor


def edge_responses(light: Floats32, seen: Bools, *, mm_per_px: float) -> Responses:
    """Return the edge responses of a wall.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Linear light.
    seen : ndarray of shape (M, N) and dtype bool
        Where a photo shows the wall.
    mm_per_px : float

    Returns
    -------
    Responses
    """
    small, shown, factor = reduced(light, seen, mm_per_px=mm_per_px, step_mm=STEP_MM)
    step = mm_per_px * factor
    if shown.any() and not shown.all():
        row, column = distance_transform_edt(~shown, return_distances=False, return_indices=True)
        small = small[row, column]
    bright = np.log(small / _surroundings(small, step) + DARK_SHARE).astype(np.float32)
    margin = round(RIM_MM / step)
    inner = cv2.erode(
        shown.astype(np.uint8), np.ones((2 * margin + 1, 2 * margin + 1), np.uint8), borderValue=0
    )
    well = inner.astype(bool)
    found = np.empty((DIRECTIONS, *bright.shape), np.float32)
    for k in range(DIRECTIONS):
        found[k] = np.abs(cv2.filter2D(bright, cv2.CV_32F, _filter(k, step), borderType=cv2.BORDER_REFLECT))
        usual = float(np.median(found[k][well])) if well.any() else 1.0
        found[k] /= max(usual, LEAST_NOISE)
    found[:, ~well] = 0.0
    return Responses(strength=found, bright=bright, seen=well, factor=factor, step_mm=step)


def _surroundings(light: Floats32, step: float) -> Floats32:
    """Return the median light around each place."""
    coarse = max(1, round(1.2 / step))
    size = (max(light.shape[1] // coarse, 3), max(light.shape[0] // coarse, 3))
    less = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    reach = min(round(REACH_MM / (step * coarse)) | 1, 255)
    codes = np.clip(np.sqrt(less) * 255.0, 0, 255).astype(np.uint8)
    median = (cv2.medianBlur(codes, reach).astype(np.float32) / 255.0) ** 2
    level = cv2.GaussianBlur(median, (0, 0), reach / 6)
    wide = cv2.resize(level, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.maximum(wide, 0.005), np.float32)


def _filter(k: int, step: float) -> Floats32:
    """Return the derivative of a Gaussian across direction `k`, its positive half summing to 1."""
    half = round(3.0 * ALONG_MM / step)
    down, right = np.mgrid[-half : half + 1, -half : half + 1] * step
    turn = np.pi * k / DIRECTIONS
    across, along = right * np.cos(turn) + down * np.sin(turn), down * np.cos(turn) - right * np.sin(turn)
    made = across * np.exp(-0.5 * (across / ACROSS_MM) ** 2 - 0.5 * (along / ALONG_MM) ** 2)
    return np.asarray(made / (np.abs(made).sum() / 2), np.float32)
