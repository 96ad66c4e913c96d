"""Graph-paper ruling, found by its straightness, so that edges can be measured as if it were not there.

A ruled line beside the edge of a mark looks like a part of the mark and draws the edge by some hundredths of
a millimetre. But it runs on straight over the whole sheet. So the sheet's darkness is averaged along the
ruling (a median, with the marks left out), for rows and for columns, each at the angle at which the sheet
lies. What is left is how much darker the sheet is at each distance across.

Glossary
--------
ruling
    Share of the sheet's light that the printed line takes away, 0 on bare paper.
lines
    Ruling of one direction: a profile across, and the slope at which it runs.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from portmap.picture.tone import linear_light, sheet_light

__all__ = ["Lines", "Ruling", "found_ruling", "ruling_image"]

STEEPEST = 0.026  # slope: a sheet laid up to 1.5 degrees askew
STEP = 0.0014  # of slopes tried first: less than half a line's width over 100 mm
SAMPLES = 360  # places along a line that are looked at
LEAST = 0.02  # of the sheet's light: fainter ruling does no harm
MARK = 0.6  # of the sheet's light: what is darker over a wide spot is a mark


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lines:
    """Ruling of one direction.

    Parameters
    ----------
    profile : ndarray of shape (N,)
        Share of light taken, at each whole pixel across the lines, counted on the line of pixels 0.
    slope : float
        Pixels across for each pixel along.
    """

    profile: NDArray[np.float64]
    slope: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ruling:
    """Ruling of a sheet.

    Parameters
    ----------
    level, upright : Lines or None
        Lines along the rows and along the columns; None where there are none.
    corner_px : tuple of int
        Column and row of the picture from which the profiles count.
    """

    level: Lines | None
    upright: Lines | None
    corner_px: tuple[int, int]


def found_ruling(
    pixels: NDArray[np.uint8],
    *,
    mm_per_px: float,
    box_px: tuple[int, int, int, int],
    clear_mm: float = 0.8,
) -> Ruling | None:
    """Return the ruling round the windows.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    mm_per_px : float
        Size of a pixel [mm].
    box_px : tuple of int
        Columns and rows to look at: left, top, right, bottom.
    clear_mm : float, optional
        Rim round marks that is left out [mm].

    Returns
    -------
    Ruling or None
        None on bare paper.
    """
    left, top, right, bottom = box_px
    light = linear_light(np.ascontiguousarray(pixels[top:bottom, left:right]))
    rows, columns = light.shape
    coarse = max(1, round(0.6 / mm_per_px))
    if min(rows, columns) < 12 * coarse:
        return None
    size = (columns // coarse, rows // coarse)
    small = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
    even = sheet_light(small, reach_px=round(24.0 / (mm_per_px * coarse)) | 1)
    marks = (small < MARK * even).astype(np.uint8)
    reach = 2 * max(1, round(clear_mm / (mm_per_px * coarse))) + 1
    marks = np.asarray(cv2.dilate(marks, np.ones((reach, reach), np.uint8)), np.uint8)
    level = np.asarray(cv2.resize(even, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)
    bare = cv2.resize(marks, (columns, rows), interpolation=cv2.INTER_NEAREST) == 0
    dark = np.where(bare, 1.0 - light / level, np.nan).astype(np.float32)
    across = round(1.2 / mm_per_px) | 1
    lines = [_lines(part, across) for part in (dark, np.ascontiguousarray(dark.T))]
    if lines[0] is None and lines[1] is None:
        return None
    return Ruling(level=lines[0], upright=lines[1], corner_px=(left, top))


def ruling_image(ruling: Ruling, *, corner_px: tuple[int, int], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the ruling of each pixel of a part of the picture.

    Parameters
    ----------
    ruling : Ruling
    corner_px : tuple of int
        Column and row of the part's first pixel.
    size : tuple of int
        Rows and columns of the part.

    Returns
    -------
    ndarray of shape `size` and dtype float32
        Share of light taken, 0 to under 1.
    """
    row = np.arange(size[0])[:, None] + corner_px[1] - ruling.corner_px[1]
    column = np.arange(size[1])[None, :] + corner_px[0] - ruling.corner_px[0]
    left = np.ones(size)
    for lines, across, along in ((ruling.level, row, column), (ruling.upright, column, row)):
        if lines is not None:
            at = across - lines.slope * along
            left *= 1.0 - np.interp(at, np.arange(len(lines.profile)), lines.profile, left=0.0, right=0.0)
    return (1.0 - left).astype(np.float32)


def _lines(dark: NDArray[np.float32], across: int) -> Lines | None:
    """Return the lines along the rows of a picture of darkness, NaN where marks are."""
    rows, columns = dark.shape
    few = np.linspace(0, columns - 1, min(columns, SAMPLES // 3)).astype(int)
    slopes = np.arange(-STEEPEST, STEEPEST + STEP / 2, STEP)
    sharp = [_sharpness(dark, few, float(slope)) for slope in slopes]
    best = float(slopes[int(np.argmax(sharp))])
    finer = best + np.linspace(-STEP, STEP, 15)
    sharp = [_sharpness(dark, few, float(slope)) for slope in finer]
    best = float(finer[int(np.argmax(sharp))])
    many = np.linspace(0, columns - 1, min(columns, SAMPLES)).astype(int)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows that lie wholly under marks
        course = np.nanmedian(_straightened(dark, many, best), axis=1)
    known = np.isfinite(course)
    if known.sum() < rows // 3:
        return None
    profile = np.interp(np.arange(rows), np.flatnonzero(known), course[known])
    profile = profile - median_filter(profile, size=across * 2 + 1, mode="nearest")
    noise = 1.4826 * float(np.median(np.abs(profile)))
    if not float(np.quantile(profile, 0.995)) > max(LEAST, 6.0 * noise):
        return None
    return Lines(profile=np.clip(profile - noise, 0.0, 0.9), slope=best)


def _straightened(dark: NDArray[np.float32], columns: NDArray[np.intp], slope: float) -> NDArray[np.float32]:
    """Return chosen columns, each moved so that lines of the given slope lie level."""
    row = np.arange(dark.shape[0], dtype=np.float32)[:, None] + (slope * columns).astype(np.float32)[None, :]
    column = np.broadcast_to(columns.astype(np.float32)[None, :], row.shape).copy()
    moved = cv2.remap(
        dark, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    return np.asarray(moved, np.float32)


def _sharpness(dark: NDArray[np.float32], columns: NDArray[np.intp], slope: float) -> float:
    """Return how much the mean along the lines varies from one row to the next."""
    moved = _straightened(dark, columns, slope)
    seen = np.isfinite(moved)
    mean = np.where(seen, moved, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    return float(np.mean(np.diff(mean[seen.sum(axis=1) > len(columns) // 6]) ** 2))
