"""Regions of windows in a scaled image: where they are, within a tenth of a millimetre or two.

Works on a reduced copy, normalised to the light of the bare sheet, and leaves the exact place of the
edge to `portmap.picture.edge`. Points are (column, row) [px] of the full picture, centres at integers.

Glossary
--------
darkness
    1 − light / light of the bare sheet: 0 on paper, near 1 on ink. Of a window brighter than the sheet,
    the same with the sign turned.
lift
    How the shape was lifted: 'filled' (rubbed or inked dark), 'line' (pencil round the edge), 'cut' (a
    hole with another colour under it).
island
    Sheet inside a window: metal, unless it is only a gap in the rubbing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from portmap.picture.outline import ring_area
from portmap.picture.scaled import ScaledImage
from portmap.picture.tone import BLUE, GREEN, RED, linear_light, sheet_light

__all__ = ["LIFTS", "Dropped", "Found", "Lift", "Limits", "Region", "found_regions", "weight"]

Lift = Literal["filled", "line", "cut"]
LIFTS: tuple[Lift, ...] = get_args(Lift)

REDUCED_MM = 0.15  # a pixel of the reduced copy: a 0.3 mm pencil line still covers two
SHEET_REACH_MM = 24.0  # wider than the lesser width of any window of a bore up to 100 mm
LINE_REACH_MM = 2.4  # wider than any pencil line
THIN_MM = 1.2  # ruling, datum lines and writing are thinner, windows are not
GRAIN_MM = 0.6  # specks of paper in a rubbed window are smaller
LINE_SMOOTH_MM = 0.2  # a ruled line is thin as well as faint, and smoothing thins it out
GAP_MM = 1.3  # a pencil line broken up to 1 mm is bridged: its blurred ends stand back a little
LEAST_DARKNESS = 0.10  # under it, paper and its stains
WEAK_SHARE = 0.4  # of the strongest window's darkness; weaker ones are stains and smudges


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What counts as a window.

    Parameters
    ----------
    min_area_mm2 : float
        Smaller regions are dropped [mm²].
    min_island_mm2 : float
        Smaller islands are taken for gaps in the rubbing and filled [mm²].
    """

    min_area_mm2: float = 12.0
    min_island_mm2: float = 4.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Region:
    """A window's rough outline.

    Parameters
    ----------
    outline_px : ndarray of shape (N, 2)
        Exterior (column, row), not closed by a repeated point.
    islands_px : tuple of ndarray of shape (M, 2)
        Outlines of the islands.
    darkness : float
        Mean darkness of the window, or of its pencil line.
    bright : bool
        The window is brighter than the sheet.
    filled_gaps : int
        Number of islands that were filled.
    """

    outline_px: NDArray[np.float64]
    islands_px: tuple[NDArray[np.float64], ...]
    darkness: float
    bright: bool = False
    filled_gaps: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Dropped:
    """Something seen that was not taken for a window.

    Parameters
    ----------
    reason : {'border', 'small', 'thin', 'faint', 'frame'}
    column_px, row_px : float
        Its centre [px].
    area_mm2 : float
    darkness : float
        Median, against the sheet.
    """

    reason: Literal["border", "small", "thin", "faint", "frame"]
    column_px: float
    row_px: float
    area_mm2: float
    darkness: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """All that was seen in one way of lifting.

    Parameters
    ----------
    regions : tuple of Region
    dropped : tuple of Dropped
    darkest : float
        The greatest darkness of anything as large as a window (or of a line), whether taken or not.
    threshold : float
        Least darkness that counted.
    """

    regions: tuple[Region, ...]
    dropped: tuple[Dropped, ...]
    darkest: float
    threshold: float


def found_regions(image: ScaledImage, lift: Lift, limits: Limits) -> Found:
    """Return the windows' rough outlines and what was dropped.

    Parameters
    ----------
    image : ScaledImage
        The picture.
    lift : {'filled', 'line', 'cut'}
        How the shapes were lifted. For 'line' the outline runs along the line's inner side.
    limits : Limits
        What counts as a window.

    Returns
    -------
    Found
        Regions in no particular order; none if nothing was seen.
    """
    factor = max(1, round(REDUCED_MM / image.mm_per_px))
    rows, columns = (n // factor * factor for n in image.pixels.shape[:2])
    step = image.mm_per_px * factor
    small = image.pixels[:rows, :columns]
    if factor > 1:
        size = (columns // factor, rows // factor)
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.uint8)
    planes = [linear_light(small, band) for band in (RED, GREEN, BLUE)]
    if lift == "line":
        found = _enclosed_by_lines(planes, step, limits)
    else:
        found = _areas(planes, step, limits, bright=False, grain=lift == "filled")
        if lift == "cut":
            other = _areas(planes, step, limits, bright=True, grain=False)
            if weight(other) > weight(found):
                found = other
    return _at_full_size(found, factor)


def weight(found: Found) -> float:
    """Return how much was found: area [px²] times darkness, summed over the regions.

    Parameters
    ----------
    found : Found
        What one way of looking has found.

    Returns
    -------
    float
        0 if there are no regions.

    Examples
    --------
    >>> weight(Found(regions=(), dropped=(), darkest=0.1, threshold=0.2))
    0.0
    """
    return float(sum(r.darkness * abs(ring_area(r.outline_px)) for r in found.regions))


def _disc(diameter_mm: float, step: float) -> NDArray[np.uint8]:
    size = max(1, round(diameter_mm / step)) | 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _square(side_mm: float, step: float) -> NDArray[np.uint8]:
    size = max(3, round(side_mm / step)) | 1
    return np.ones((size, size), np.uint8)


def _darkness(
    planes: list[NDArray[np.float32]], step: float, reach_mm: float, *, bright: bool
) -> list[NDArray[np.float32]]:
    """Return each band's darkness; the sheet's light is found on a still smaller copy, as it is smooth."""
    coarse = max(1, round(min(0.8, reach_mm / 12) / step))
    result = []
    for plane in planes:
        rows, columns = plane.shape
        size = (max(columns // coarse, 1), max(rows // coarse, 1))
        less = np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)
        level = sheet_light(less, reach_px=max(3, round(reach_mm / (step * coarse))) | 1, bright=bright)
        wide = np.asarray(cv2.resize(level, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)
        ratio = plane / wide
        result.append(1.0 - 1.0 / np.maximum(ratio, 1e-3) if bright else 1.0 - ratio)
    return result


def _areas(
    planes: list[NDArray[np.float32]], step: float, limits: Limits, *, bright: bool, grain: bool
) -> Found:
    """Find regions that differ from the sheet."""
    raw = np.max(_darkness(planes, step, SHEET_REACH_MM, bright=bright), axis=0)
    calm = cv2.GaussianBlur(raw.astype(np.float32), (0, 0), max(0.2 / step, 0.5))
    if grain:
        calm = cv2.morphologyEx(calm, cv2.MORPH_CLOSE, _disc(GRAIN_MM, step))
    dark = np.asarray(cv2.morphologyEx(calm, cv2.MORPH_OPEN, _disc(THIN_MM, step)), np.float32)
    threshold = max(LEAST_DARKNESS, 5.0 * _spread(dark))
    near = cv2.dilate(dark, _square(8.0, step))
    mask = (dark > threshold) & (dark > 0.5 * near)
    labels, dropped, kept = _sorted_out(mask, dark, step, limits)
    regions = []
    for label in kept:
        own = labels == label
        full, islands, gaps = _islands(own, step, limits.min_island_mm2)
        regions.append(
            Region(
                outline_px=_contour(full),
                islands_px=tuple(_contour(island) for island in islands),
                darkness=float(np.median(dark[own])),
                bright=bright,
                filled_gaps=gaps,
            )
        )
    darkest = float(np.quantile(dark, 0.999))
    return Found(regions=tuple(regions), dropped=tuple(dropped), darkest=darkest, threshold=float(threshold))


def _spread(dark: NDArray[np.float32]) -> float:
    """Return the standard deviation of the bare sheet's darkness, from its median distance."""
    sample = dark[::3, ::3]
    return float(1.4826 * np.median(np.abs(sample - np.median(sample))))


def _sorted_out(
    mask: NDArray[np.bool_], dark: NDArray[np.float32], step: float, limits: Limits
) -> tuple[NDArray[np.int32], list[Dropped], list[int]]:
    """Label the mask and tell windows from what only looks like one."""
    count, *parts = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    labels, stats = (np.asarray(part, np.int32) for part in parts[:2])
    centres = np.asarray(parts[2], np.float64)
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    kept: list[int] = []
    dropped: list[Dropped] = []
    strengths: dict[int, float] = {}
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        if area < 0.25 * limits.min_area_mm2:
            continue
        box = _box(stats[label])
        own = labels[box] == label
        reason = _reason(stats[label], mask.shape, area, float(depth[box][own].max()) * step, limits)
        if reason:
            dropped.append(_dropped(reason, centres[label], area, float(np.median(dark[box][own]))))
        else:
            kept.append(label)
            strengths[label] = float(np.median(dark[box][own]))
    strongest = max(strengths.values(), default=0.0)
    for label in [k for k in kept if strengths[k] < WEAK_SHARE * strongest]:
        kept.remove(label)
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        dropped.append(_dropped("faint", centres[label], area, strengths[label]))
    for label in _frames(labels, stats, kept):
        kept.remove(label)
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        dropped.append(_dropped("frame", centres[label], area, strengths[label]))
    return labels, dropped, kept


def _dropped(
    reason: Literal["border", "small", "thin", "faint", "frame"],
    centre: NDArray[np.float64],
    area: float,
    darkness: float,
) -> Dropped:
    return Dropped(
        reason=reason,
        column_px=float(centre[0]),
        row_px=float(centre[1]),
        area_mm2=area,
        darkness=darkness,
    )


def _box(stats: NDArray[np.int32]) -> tuple[slice, slice]:
    left, top, width, height = (int(v) for v in stats[:4])
    return slice(top, top + height), slice(left, left + width)


def _reason(
    stats: NDArray[np.int32], shape: tuple[int, ...], area: float, depth_mm: float, limits: Limits
) -> Literal["border", "small", "thin"] | None:
    left, top, width, height = (int(v) for v in stats[:4])
    if left <= 1 or top <= 1 or left + width >= shape[1] - 1 or top + height >= shape[0] - 1:
        return "border"
    if area < limits.min_area_mm2:
        return "small"
    return "thin" if depth_mm < 0.8 * THIN_MM else None


def _frames(labels: NDArray[np.int32], stats: NDArray[np.int32], kept: list[int]) -> list[int]:
    """Return labels that go round a region as large as a window in a hole larger than themselves."""
    frames = []
    for label in kept:
        box = _box(stats[label])
        own = (labels[box] == label).astype(np.uint8)
        hole = _filled(own) & ~own.astype(bool)
        inside = np.unique(labels[box][hole])
        if any(other in inside for other in kept if other != label) and hole.sum() > own.sum():
            frames.append(label)
    return frames


def _filled(own: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return the mask with all its holes filled."""
    padded = np.pad(own, 1)
    flood = padded.copy()
    cv2.floodFill(flood, None, (0, 0), 1)
    return np.asarray((padded > 0) | (flood == 0))[1:-1, 1:-1]


def _islands(
    own: NDArray[np.bool_], step: float, least_mm2: float
) -> tuple[NDArray[np.bool_], list[NDArray[np.bool_]], int]:
    """Return the region with its holes filled, the holes worth keeping, and how many were not."""
    full = _filled(own.astype(np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats((full & ~own).astype(np.uint8), connectivity=8)
    kept, gaps = [], 0
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        if area >= least_mm2:
            kept.append(labels == label)
        elif area > 0.2:
            gaps += 1
    return full, kept, gaps


def _contour(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the longest contour of a mask as (column, row), not closed by a repeated point."""
    soft = cv2.GaussianBlur(np.pad(mask, 3).astype(np.float32), (0, 0), 1.0)
    around = max(find_contours(soft, 0.5), key=len)[:-1]  # type: ignore[no-untyped-call]
    return np.asarray(around[:, ::-1] - 3.0)


def _enclosed_by_lines(planes: list[NDArray[np.float32]], step: float, limits: Limits) -> Found:
    """Find regions of sheet that a pencil line goes round.

    Coloured ruling is bright in one band; so the least darkness of the three leaves only neutral lines.
    A coloured pencil is caught by a second try with the greatest.
    """
    bands = _darkness(planes, step, LINE_REACH_MM, bright=False)
    neutral = _line_regions(np.min(bands, axis=0).astype(np.float32), step, limits)
    if neutral.regions:
        return neutral
    coloured = _line_regions(np.max(bands, axis=0).astype(np.float32), step, limits)
    return coloured if coloured.regions else neutral


def _line_regions(dark: NDArray[np.float32], step: float, limits: Limits) -> Found:
    calm = np.asarray(cv2.GaussianBlur(dark, (0, 0), LINE_SMOOTH_MM / step), np.float32)
    threshold = max(0.6 * LEAST_DARKNESS, 6.0 * _spread(calm))
    near = cv2.GaussianBlur(cv2.dilate(calm, _square(16.0, step)), (0, 0), 2.0 / step)
    line = (calm > threshold) & (calm > WEAK_SHARE * near)
    line = cv2.morphologyEx(line.astype(np.uint8), cv2.MORPH_CLOSE, _disc(GAP_MM, step)).astype(bool)
    strength = np.asarray(cv2.dilate(calm, _disc(1.0, step)), np.float32)
    labels, dropped, kept = _sorted_out(~line, np.zeros_like(dark), step, limits)
    dropped = [d for d in dropped if d.reason != "border"]  # the open sheet is no finding
    edge = {label: _rim_darkness(labels, label, strength) for label in kept}
    strongest = max(edge.values(), default=0.0)
    regions = []
    inside = _nesting(labels, kept)
    for label in kept:
        if edge[label] < WEAK_SHARE * strongest:
            centre = np.argwhere(labels == label).mean(axis=0)[::-1]
            dropped.append(_dropped("faint", centre, float((labels == label).sum()) * step**2, edge[label]))
        elif inside[label] % 2 == 0:
            own = labels == label
            islands = [labels == other for other in kept if inside[other] == inside[label] + 1]
            full = _filled(own.astype(np.uint8))
            regions.append(
                Region(
                    outline_px=_contour(full),
                    islands_px=tuple(_contour(i) for i in islands if bool((i & full).any())),
                    darkness=edge[label],
                )
            )
    return Found(
        regions=tuple(regions),
        dropped=tuple(dropped),
        darkest=float(np.quantile(calm, 0.999)),
        threshold=float(threshold),
    )


def _rim_darkness(labels: NDArray[np.int32], label: int, strength: NDArray[np.float32]) -> float:
    """Return the median darkness of the line along a region's rim."""
    own = (labels == label).astype(np.uint8)
    rim = cv2.dilate(own, np.ones((3, 3), np.uint8)).astype(bool) & ~own.astype(bool)
    return float(np.median(strength[rim])) if rim.any() else 0.0


def _nesting(labels: NDArray[np.int32], kept: list[int]) -> dict[int, int]:
    """Return how many of the other regions go round each region."""
    depth = dict.fromkeys(kept, 0)
    for outer in kept:
        own = (labels == outer).astype(np.uint8)
        hole = _filled(own) & ~own.astype(bool)
        for other in np.intersect1d(np.unique(labels[hole]), kept):
            depth[int(other)] += 1
    return depth


def _at_full_size(found: Found, factor: int) -> Found:
    """Return the same with places in pixels of the full picture."""

    def full(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((points + 0.5) * factor - 0.5)

    regions = tuple(
        replace(r, outline_px=full(r.outline_px), islands_px=tuple(full(i) for i in r.islands_px))
        for r in found.regions
    )
    dropped = tuple(
        replace(
            d,
            column_px=(d.column_px + 0.5) * factor - 0.5,
            row_px=(d.row_px + 0.5) * factor - 0.5,
        )
        for d in found.dropped
    )
    return replace(found, regions=regions, dropped=dropped)
