"""Where the windows of a bore wall roughly are, in an unrolled image of a shiny, honed, sooty wall.

A window of a wall is no dark patch on a light sheet: lit from the camera, its passage is as bright as soot.
What it always has is a border of long, even edges where honing and soot have short or crossing ones. So:

1. The wall's light is taken relative to its surroundings, as a logarithm, and differentiated along many
   directions by filters long along the edge. Each direction is measured against its own usual response
   (`noise`), so that honing, which fills two directions, counts in these for little.
2. Boxes with a roof, a floor and two sides of such edges are sought on a coarse grid, all of them.
3. From each box the border is drawn to the edges near it by the best closed path (dynamic programming).

Points are (column, row) [px] of the image given; lengths in mm.

Glossary
--------
response
    What an edge filter gives, in units of its usual response on this wall.
hint
    What the user says of a window: a place inside it, or a rough outline.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter1d
from shapely import Polygon

from portmap.picture.edge import evenly_spaced, outward_normals
from portmap.picture.tone import LUMA, linear_light

__all__ = [
    "OVERLAP",
    "Box",
    "Responses",
    "Sought",
    "best_sum",
    "bordered",
    "boxes_in",
    "closed_path",
    "edge_responses",
    "snapped",
    "windows_sought",
]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]
Box = tuple[float, float, float, float]

STEP_MM = 0.12  # a pixel of the reduced copy
DIRECTIONS = 12
ACROSS_MM, ALONG_MM = 0.18, 0.7  # the filters' standard deviations
REACH_MM = 14.0  # of the surroundings that light is compared with; half a wide window
DARK_SHARE = 0.15  # of the surroundings' light, added before the logarithm: noise of dark places stays small
LEAST_NOISE = 0.004  # of a natural logarithm
CAP = 10.0  # responses above it are as good as it
GRID_MM = 0.75  # of the boxes
SLACK_MM = 0.7  # a box's side may lie so far beside the edge
LEAST_SIDE_MM, WIDEST_MM, TALLEST_MM = 3.0, 42.0, 34.0
CORNER_SHARE = 0.16  # of a box's side at either end that round corners take
UNSEEN = 3.0  # what a side that no photo shows counts as
FINER = 3
LEAST_SCORE = 5.5  # geometric mean of the four sides' responses
SIZE_WORTH = 1.7  # for each e-fold of area: what is inside a window has edges too, and loses to its border
ROOF_GAP = 6.0  # a weaker stretch of roof between stronger upright edges is wall between two windows,
LIKE_WALL = 0.4  # if it is as bright as the wall beside them, to this in the logarithm
LEAST_MEAN, LEAST_SHARE = 7.5, 0.78  # of a window's border: mean response, share of it above `FIRM`
FIRM = 4.0
LEAST_OF_SIDE = 4.0  # mean response along roof, floor and each side; a side of bare wall has about 2
EACH_SIZE = 60  # boxes of one size that are looked at further
OVERLAP = 0.25  # of the smaller box's area


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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sought:
    """A window's rough outline.

    Parameters
    ----------
    outline_px : ndarray of shape (N, 2)
        (column, row) of the full image, about along where the wall ends.
    strength : ndarray of shape (N,)
        Response at each point, at most `CAP`.
    """

    outline_px: Floats
    strength: Floats


def edge_responses(pixels: NDArray[np.uint8], seen: Bools, *, mm_per_px: float) -> Responses:
    """Return the edge responses of a wall.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    seen : ndarray of shape (M, N) and dtype bool
        Where a photo shows the wall.
    mm_per_px : float

    Returns
    -------
    Responses
    """
    factor = max(1.0, STEP_MM / mm_per_px)
    size = (max(8, round(pixels.shape[1] / factor)), max(8, round(pixels.shape[0] / factor)))
    light = linear_light(np.ascontiguousarray(pixels), LUMA)
    small = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
    shown = np.asarray(cv2.resize(seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), bool)
    step = mm_per_px * factor
    if shown.any() and not shown.all():
        row, column = distance_transform_edt(~shown, return_distances=False, return_indices=True)
        small = small[row, column]
    bright = np.log(small / _surroundings(small, step) + DARK_SHARE).astype(np.float32)
    margin = round(2.5 * max(ACROSS_MM, 0.2) / step)
    inner = cv2.erode(
        shown.astype(np.uint8), np.ones((2 * margin + 1, 2 * margin + 1), np.uint8), borderValue=1
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


# --- boxes ------------------------------------------------------------


def boxes_in(responses: Responses, *, inside_px: Floats | None = None) -> list[Box]:
    """Return the boxes that have edges on all sides, best first.

    Parameters
    ----------
    responses : Responses
    inside_px : ndarray of shape (2,), optional
        Only the best box round this place (column, row) of the image, however weak.

    Returns
    -------
    list of tuple of float
        Left, top, right, bottom [px of the image].
    """
    lines = _lines(responses)
    rows, columns = lines.told.shape
    found = [np.zeros((0, 5))]
    inside = None if inside_px is None else inside_px / (responses.factor * GRID_MM / responses.step_mm)
    wide = np.arange(round(LEAST_SIDE_MM / GRID_MM), min(round(WIDEST_MM / GRID_MM), columns - 2) + 1)
    tall = np.arange(round(LEAST_SIDE_MM / GRID_MM), min(round(TALLEST_MM / GRID_MM), rows - 2) + 1)
    sides = {int(h): _along(lines.upright, lines.told, int(h), axis=0) for h in tall}
    for w in (int(n) for n in wide):
        flat = _along(lines.level, lines.told, w, axis=1)
        for h in (int(n) for n in tall):
            side = sides[h]
            score = np.sqrt(np.sqrt(flat[:-h] * flat[h:] * side[:, :-w] * side[:, w:]))
            if inside is None:
                good = score > LEAST_SCORE
            else:
                down, across = np.ogrid[: score.shape[0], : score.shape[1]]
                good = (down < inside[1] - 1) & (down + h > inside[1] + 1)
                good = good & (across < inside[0] - 1) & (across + w > inside[0] + 1)
            row, column = np.nonzero(good)
            if len(row) > EACH_SIZE:
                few = np.argpartition(-score[row, column], EACH_SIZE)[:EACH_SIZE]
                row, column = row[few], column[few]
            if len(row):
                worth = score[row, column] + SIZE_WORTH * np.log(w * h)
                found.append(np.column_stack([worth, column, row, column + w, row + h]))
    boxes = np.vstack(found)
    boxes = boxes[np.argsort(-boxes[:, 0], kind="stable")]
    kept: list[Floats] = []
    while len(boxes) and not (inside is not None and kept):
        best, boxes = boxes[0], boxes[_overlaps(boxes[:, 1:5], boxes[0, 1:5]) < OVERLAP]
        kept.extend([best] if inside is not None else _parted(best, lines))
    scale = responses.factor * GRID_MM / responses.step_mm
    return [
        (float(b[1] * scale), float(b[2] * scale), float(b[3] * scale), float(b[4] * scale)) for b in kept
    ]


def _parted(box: Floats, lines: _Lines) -> list[Floats]:
    """Return a box, or the two of windows side by side that it goes round: their roof is broken."""
    left, top, right, bottom = (int(v) for v in box[1:])
    reach = round(SLACK_MM / GRID_MM * FINER)
    rows = slice(max(0, top * FINER - reach), top * FINER + reach + 1)
    roof = lines.level[rows, left : right + 1].max(axis=0)
    least = round(LEAST_SIDE_MM / GRID_MM)
    if len(roof) < 2 * least + 3:
        return [box]
    tall = slice(top + 2, max(top + 3, bottom - 1))
    upright = lines.upright[tall, left * FINER : (right + 1) * FINER].mean(axis=0)
    light = lines.bright[tall].mean(axis=0)
    beside = np.concatenate([light[max(0, left - 3) : max(0, left - 1)], light[right + 2 : right + 4]])
    weak = (roof < np.minimum(ROOF_GAP, 0.75 * np.median(roof))) & (lines.told[top, left : right + 1] > 0)
    weak[:least] = weak[len(weak) - least :] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], weak, [False]]).astype(int)))
    runs = []
    for first, last in edges.reshape(-1, 2):
        ends = (upright[max(0, (k - 2) * FINER) : (k + 2) * FINER].max() for k in (first, last))
        like_wall = bool(np.abs(np.median(beside) - light[left + first : left + last].mean()) < LIKE_WALL)
        if len(beside) and like_wall and min(ends) > ROOF_GAP:
            runs.append((int(first), int(last)))
    if not runs:
        return [box]
    first, last = max(runs, key=lambda run: run[1] - run[0])
    parts = []
    for low, high in ((left, left + first), (left + last, right)):
        parts += _parted(np.array([box[0], low, top, high, bottom]), lines)
    return parts


def _overlaps(boxes: Floats, other: Floats) -> Floats:
    """Return the area shared with another box over the smaller area of both."""
    wide = np.minimum(boxes[:, 2], other[2]) - np.maximum(boxes[:, 0], other[0])
    high = np.minimum(boxes[:, 3], other[3]) - np.maximum(boxes[:, 1], other[1])
    own = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    least = np.minimum(own, (other[2] - other[0]) * (other[3] - other[1]))
    return np.asarray(np.maximum(wide, 0) * np.maximum(high, 0) / least, np.float64)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Lines:
    """Responses of level and of upright edges, finer square to the edge (`FINER`) than along it."""

    level: Floats32  # (M·FINER, N)
    upright: Floats32  # (M, N·FINER)
    told: Floats32  # (M, N)
    bright: Floats32  # (M, N)


def _lines(responses: Responses) -> _Lines:
    half = DIRECTIONS // 2
    capped = np.minimum(responses.strength, CAP)
    level = capped[half - 1 : half + 2].max(axis=0)
    upright = np.maximum(capped[[0, 1]].max(axis=0), capped[-1])
    scale = GRID_MM / responses.step_mm
    rows, columns = (int(n / scale) for n in level.shape)
    pool, pixels = max(1, round(scale / FINER)) | 1, max(1, round(scale))
    level = cv2.blur(cv2.dilate(level, np.ones((pool, 1), np.uint8)), (max(1, round(scale)), 1))
    upright = cv2.blur(cv2.dilate(upright, np.ones((1, pool), np.uint8)), (1, max(1, round(scale))))

    def spots(count: int, step: float, limit: int) -> NDArray[np.intp]:
        return np.minimum((np.arange(count) * step).round().astype(np.intp), limit - 1)

    down, right = spots(rows, scale, level.shape[0]), spots(columns, scale, level.shape[1])
    finer_down = spots(rows * FINER, scale / FINER, level.shape[0])
    finer_right = spots(columns * FINER, scale / FINER, level.shape[1])
    return _Lines(
        level=np.asarray(level[np.ix_(finer_down, right)], np.float32),
        upright=np.asarray(upright[np.ix_(down, finer_right)], np.float32),
        told=responses.seen[np.ix_(down, right)].astype(np.float32),
        bright=np.asarray(cv2.blur(responses.bright, (pixels, pixels))[np.ix_(down, right)], np.float32),
    )


def _along(strength: Floats32, told: Floats32, length: int, *, axis: int) -> Floats32:
    """Return the mean response along sides of a length, corners left out: the best within `SLACK_MM`.

    One value a place of the grid at which a side can begin.
    """
    cut = max(1, round(CORNER_SHARE * length))
    count = length - 2 * cut + 1
    shown = _spans(told, cut, count, length, axis)
    mean = _spans(strength, cut, count, length, axis)
    slack = 2 * round(SLACK_MM / GRID_MM * FINER) + 1
    square = np.ones((slack, 1) if axis else (1, slack), np.uint8)
    mean = np.asarray(cv2.dilate(mean, square), np.float32)
    mean = mean[::FINER] if axis else mean[:, ::FINER]
    return np.asarray(np.where(shown < 0.3 * count, UNSEEN, mean / np.maximum(shown, 1.0)), np.float32)


def _spans(values: Floats32, cut: int, count: int, length: int, axis: int) -> Floats32:
    summed = np.cumsum(np.insert(values, 0, 0.0, axis=axis), axis=axis, dtype=np.float64)
    low = np.arange(cut, values.shape[axis] - length + cut)
    return np.asarray(np.take(summed, low + count, axis=axis) - np.take(summed, low, axis=axis), np.float32)


# --- borders ------------------------------------------------------------


def windows_sought(responses: Responses) -> list[Sought]:
    """Return the rough outlines of all that looks like a window.

    Parameters
    ----------
    responses : Responses

    Returns
    -------
    list of Sought
        Best first; none lies for its greater part in another.
    """
    kept: list[tuple[Polygon, Sought]] = []
    for box in boxes_in(responses):
        found = bordered(responses, box)
        if not _looks_like_border(found):
            continue
        shape = Polygon(found.outline_px).buffer(0)
        if all(shape.intersection(other).area < OVERLAP * min(shape.area, other.area) for other, _ in kept):
            kept.append((shape, found))
    return [found for _, found in kept]


def _looks_like_border(found: Sought) -> bool:
    """Return whether a border is firm, for most of its length and on each of its sides."""
    seen = found.strength > 0
    if not seen.any() or found.strength[seen].mean() < LEAST_MEAN:
        return False
    normals = outward_normals(found.outline_px, 2.0)
    for axis in (0, 1):
        for sense in (-1, 1):
            side = found.strength[seen & (sense * normals[:, axis] > 0.85)]
            if len(side) and side.mean() < LEAST_OF_SIDE:
                return False
    return bool((found.strength[seen] > FIRM).mean() > LEAST_SHARE)


def bordered(responses: Responses, box_px: Box) -> Sought:
    """Return the border of a window from its box.

    Parameters
    ----------
    responses : Responses
    box_px : tuple of float
        Left, top, right, bottom [px of the image].

    Returns
    -------
    Sought
    """
    left, top, right, bottom = box_px
    radius = 0.28 * min(right - left, bottom - top)
    turn = np.linspace(0, np.pi / 2, 9)
    corners = []
    for k, (x, y) in enumerate(
        (
            (right - radius, bottom - radius),
            (left + radius, bottom - radius),
            (left + radius, top + radius),
            (right - radius, top + radius),
        )
    ):
        corners.append(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]))
        turn = turn + np.pi / 2 * (k < 3)
    return snapped(responses, np.vstack(corners), reach_mm=1.6)


def snapped(responses: Responses, rough_px: Floats, *, reach_mm: float) -> Sought:
    """Return the outline drawn to the edges beside it.

    Parameters
    ----------
    responses : Responses
    rough_px : ndarray of shape (N, 2)
        Rough outline (column, row) [px of the image].
    reach_mm : float
        How far off the edge may lie [mm].

    Returns
    -------
    Sought
        The closed path along which the responses, each in its own direction, sum highest; of two equal ones
        the outer.
    """
    ring = (rough_px + 0.5) / responses.factor - 0.5
    best = np.zeros(0)
    for reach in (reach_mm, min(reach_mm, 1.0), 0.6):
        ring = evenly_spaced(ring, 0.3 / responses.step_mm)
        normals = outward_normals(ring, 2.0)
        count = max(3, round(reach / responses.step_mm))
        offsets = np.arange(-count, count + 1, dtype=np.float64)
        strength = _across_ring(responses, ring, normals, offsets)
        chosen = closed_path(np.minimum(strength, CAP) + 0.02 * CAP * offsets / count)
        best = strength[np.arange(len(ring)), chosen]
        moved = ring + offsets[chosen][:, None] * normals
        ring = gaussian_filter1d(moved, 1.0, axis=0, mode="wrap")
    full = (ring + 0.5) * responses.factor - 0.5
    return Sought(outline_px=full, strength=np.minimum(best, CAP))


def _across_ring(responses: Responses, ring: Floats, normals: Floats, offsets: Floats) -> Floats:
    """Return each place's response in the direction of its normal, one row a normal."""
    place = (ring[:, None, :] + offsets[None, :, None] * normals[:, None, :]).astype(np.float32)
    turn = np.mod(np.arctan2(normals[:, 1], normals[:, 0]), np.pi) * DIRECTIONS / np.pi
    low = np.floor(turn).astype(int)
    share = turn - low
    found = np.zeros(place.shape[:2])
    for k in range(DIRECTIONS):
        for which, weight in ((low % DIRECTIONS, 1.0 - share), ((low + 1) % DIRECTIONS, share)):
            rows = np.flatnonzero(which == k)
            if len(rows):
                part = cv2.remap(
                    responses.strength[k],
                    np.ascontiguousarray(place[rows, :, 0]),
                    np.ascontiguousarray(place[rows, :, 1]),
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REPLICATE,
                )
                found[rows] += weight[rows, None] * part
    return found


def closed_path(reward: Floats, jump: int = 2) -> NDArray[np.intp]:
    """Return for each row the column of the closed path of highest sum.

    The path is sought thrice round and the middle turn is kept, which closes it but for rare ties.

    Parameters
    ----------
    reward : ndarray of shape (N, W)
        One row a point of the ring.
    jump : int, optional
        Most columns that it moves from row to row.

    Returns
    -------
    ndarray of shape (N,) and dtype intp

    Examples
    --------
    >>> closed_path(np.eye(4)[[1, 1, 2, 1, 1, 1]])
    array([1, 1, 2, 1, 1, 1])
    """
    count, width = reward.shape
    turns = np.vstack([reward, reward, reward])
    total = turns[0].copy()
    back = np.zeros(turns.shape, np.int8)
    moves = np.arange(-jump, jump + 1)
    for row in range(1, 3 * count):
        options = np.full((len(moves), width), -np.inf)
        for k, move in enumerate(range(-jump, jump + 1)):
            low, high = max(0, move), min(width, width + move)
            options[k, low - move : high - move] = total[low:high] - 0.3 * abs(move)
        best = np.argmax(options, axis=0)
        back[row] = moves[best]
        total = options[best, np.arange(width)] + turns[row]
    path = np.empty(len(turns), np.intp)
    path[-1] = int(np.argmax(total))
    for row in range(len(turns) - 1, 0, -1):
        path[row - 1] = path[row] + back[row, path[row]]
    return path[count : 2 * count]


def best_sum(reward: Floats, jump: int = 2) -> float:
    """Return the highest sum of a path that need not close; see `closed_path`.

    Parameters
    ----------
    reward : ndarray of shape (N, W)
    jump : int, optional

    Returns
    -------
    float

    Examples
    --------
    >>> best_sum(np.eye(4)[[1, 1, 2, 1, 1, 1]])
    5.4
    """
    width = reward.shape[1]
    total = reward[0].copy()
    for row in reward[1:]:
        best = total.copy()
        for move in (m for k in range(1, jump + 1) for m in (-k, k)):
            low, high = max(0, move), min(width, width + move)
            part = best[low - move : high - move]
            np.maximum(part, total[low:high] - 0.3 * abs(move), out=part)
        total = best + row
    return float(total.max())
