"""Where the windows of a bore wall roughly are, in an unrolled image of a shiny, honed, sooty wall.

A window of a wall is no dark patch on a light sheet: lit from the camera, its passage is as bright as soot.
What it always has is a border of long, even edges where honing and soot have short or crossing ones. So:

1. Responses of filters long along the edge are taken in many directions (`wall_responses`).
2. Boxes with a roof, a floor and two sides of such edges are sought on a coarse grid, all of them.
3. From the best box on, the border is drawn to the edges near it (`wall_border`). If it is firm all round,
   the box is a window's, and what lies in it is none; a box round two windows, with wall between them, is
   none either.
4. Firm boxes with hardly any wall between them are one window; a side is moved out past a passage's own wall.
5. Under a scope's own light a window is dark all over. Such patches are taken too, where no box lies as they
   do: two windows with a narrow bridge between them part by their darkness when lines lead across it.

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
from shapely import LinearRing

from portmap.picture.edge import outward_normals
from portmap.picture.wall_border import (
    CORNER_SHARE,
    SIDE_LEVEL,
    Box,
    Sought,
    bordered,
    firm_all_round,
    firmest,
    snapped,
)
from portmap.picture.wall_responses import CAP, DIRECTIONS, Responses

__all__ = ["OVERLAP", "boxes_in", "windows_sought"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

GRID_MM = 0.75  # of the boxes
SLACK_MM = 0.7  # a box's side may lie so far beside the edge
LEAST_SIDE_MM, WIDEST_MM, TALLEST_MM = 4.0, 60.0, 40.0
UNSEEN, UNSEEN_COST = 3.0, 1.0  # what a side that no photo shows counts as; what it costs
FINER = 3
LEAST_SCORE = 6.0  # geometric mean of the four sides' responses
# Bare wall has less along the best line within `SLACK_MM`. Each millimetre of a side counts by what it has
# above that: the border of a window wins over what is inside it, and bare wall beside it costs. A side as a
# whole counts nothing at the least, as a floor or roof may be lost in a passage that is lit like the wall.
NEUTRAL = 7.0
BAND_MM, BESIDE_MM = 2.4, 0.9  # how far out of a box a firmer roof or floor, or side, is looked for
OUTERMOST = 6.5  # its mean response
ASIDE_MM = 4.0  # how far out a side beyond the passage's own is looked for
LEVEL = 0.7  # of a border's normal: it is roof or floor there, or a corner's half beside it
GAP = 5.5  # where neither roof nor floor is as strong, between upright edges that are, there is wall
DARKER = 0.4  # in the logarithm: a window so much darker than the wall tells itself from wall
EACH_SIZE = 60  # boxes of one size that are looked at further
OVERLAP = 0.25  # of the smaller box's area
ALIKE = 0.55  # of what two boxes cover together: where one has no firm border, the other is not tried
TWO_ALIKE = 0.65  # the same where a box goes round two windows
MOST_TRIED = 200
LEAST_WALL_MM = 1.0  # between two windows: a bridge is wider (judgement)
DARK, SOFT_MM, FULL = -0.5, 0.2, 0.75  # a patch's light, its smoothing, and how much of its box it fills
PATCH_REACH_MM = 1.0  # from where a patch ends to the window's border: a chamfer is as bright as the wall
SAME_MM = 0.8  # a patch's outline nowhere further from another's than that leads to the same edge
BESIDE_SHARE = 0.7  # of the lesser side of two boxes, that they must have in common to be parts of one window


def windows_sought(responses: Responses, *, widest_mm: float = WIDEST_MM) -> list[Sought]:
    """Return the rough outlines of all that looks like a window.

    Parameters
    ----------
    responses : Responses
    widest_mm : float, optional
        No window is wider.

    Returns
    -------
    list of Sought
        Best first. Some lie in others, such as the parts of which one was put together, and dark patches:
        measured, they tell which is right.
    """
    lines, widest_mm = _lines(responses), min(widest_mm, WIDEST_MM)
    boxes = _boxes(responses, lines, widest_mm=widest_mm)
    kept: list[Sought] = []
    for found, parts in _put_together(responses, lines, boxes, widest_mm):
        kept += [found, *parts]
    known = [LinearRing(found.outline_px) for found in kept]
    near = SAME_MM * responses.factor / responses.step_mm
    for patch in _dark_patches(responses, widest_mm):
        ring = LinearRing(patch.outline_px)
        if all(ring.hausdorff_distance(each) > near for each in known):
            kept.append(patch)
    return kept


def _dark_patches(responses: Responses, widest_mm: float) -> list[Sought]:
    """Return the borders of patches that are darker than the wall all over."""
    step = responses.step_mm
    soft = cv2.GaussianBlur(responses.bright, (0, 0), SOFT_MM / step)
    dark = ((soft < DARK) & responses.seen).astype(np.uint8)
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour in contours:
        _, _, wide, tall = cv2.boundingRect(contour)
        if min(wide, tall) * step < LEAST_SIDE_MM or wide * step > widest_mm or tall * step > TALLEST_MM:
            continue
        if cv2.contourArea(contour) < FULL * wide * tall:
            continue
        rough = (contour[:, 0].astype(np.float64) + 0.5) * responses.factor - 0.5
        border = snapped(responses, rough, reach_mm=PATCH_REACH_MM)
        if firm_all_round(border):
            found.append(border)
    return found


def _put_together(
    responses: Responses, lines: _Lines, boxes: list[tuple[Box, Sought]], widest_mm: float
) -> list[tuple[Sought, list[Sought]]]:
    """Return the borders of boxes, those that an edge within one window parted put together, with the parts.

    Two windows have wall between them. Where hardly any is left, and the border round both is firm, they are
    one, parted by the edge of its passage or by soot.
    """
    scale = responses.factor * GRID_MM / responses.step_mm
    px_per_mm = responses.factor / responses.step_mm
    left, made = list(boxes), []
    while left:
        own, border = left.pop(0)
        parts: list[Sought] = []
        for other, beside in list(left):
            if not _touch(own, other, LEAST_WALL_MM * px_per_mm):
                continue
            both = (
                min(own[0], other[0]),
                min(own[1], other[1]),
                max(own[2], other[2]),
                max(own[3], other[3]),
            )
            if both[2] - both[0] > widest_mm * px_per_mm:
                continue
            round_both = bordered(responses, both)
            on_grid = np.array([0.0, *both]) / scale
            if firm_all_round(round_both) and not _bridges(on_grid, round_both, lines, scale):
                parts += [beside] if parts else [border, beside]
                own, border = both, firmest(responses, both)
                left = [each for each in left if each[1] is not beside]
        others = [each for each, _ in boxes if not _touch(own, each, 0.0)]
        made.append((_widened(responses, lines, scale, own, border, others), parts))
    return made


def _widened(
    responses: Responses, lines: _Lines, scale: float, box: Box, border: Sought, others: list[Box]
) -> Sought:
    """Return the border, a side moved out to a further upright edge if roof and floor reach there.

    A passage's side wall is often lit like the wall, and its inner end is a firm edge. Over a bridge to the
    next window there is neither roof nor floor; a side that reaches into another box has crossed one.
    """
    reach, least = round(ASIDE_MM / GRID_MM * FINER), round(BESIDE_MM / GRID_MM * FINER)
    tall = slice(round(box[1] / scale) + 2, max(round(box[1] / scale) + 3, round(box[3] / scale) - 1))
    mean = lines.upright[tall].mean(axis=0)
    peak = (mean >= np.roll(mean, 1)) & (mean > np.roll(mean, -1)) & (mean > GAP)
    for side, sense in ((0, -1), (2, 1)):
        at = round(box[side] / scale * FINER) + sense * np.arange(reach, least - 1, -1)
        for place in at[(at >= 0) & (at < len(mean))]:
            if not peak[place]:
                continue
            ends = list(box)
            ends[side] = float(place) / FINER * scale
            wider = (ends[0], ends[1], ends[2], ends[3])
            if any(_touch(wider, each, 0.0) for each in others):
                continue
            if not _darker_than_beyond(lines, tall, box[side] / scale, ends[side] / scale):
                continue
            tried = firmest(responses, wider)
            added = sense * (tried.outline_px[:, 0] - box[side]) > 0
            added &= np.abs(outward_normals(tried.outline_px, 2.0)[:, 0]) < SIDE_LEVEL
            added &= tried.strength > 0
            if firm_all_round(tried) and added.any() and float(tried.strength[added].mean()) > OUTERMOST:
                box, border = wider, tried
                break
    return border


def _darker_than_beyond(lines: _Lines, tall: slice, side: float, further: float) -> bool:
    """Return whether a strip between two upright edges is darker than the wall beyond: it is no bridge."""
    low, high = sorted((round(side), round(further)))
    outer = round(further) + (np.arange(1, 4) if further > side else np.arange(-3, 0))
    outer = outer[(outer >= 0) & (outer < lines.bright.shape[1])]
    if high <= low or not len(outer):
        return False
    strip = float(np.median(lines.bright[tall, low:high]))
    return strip < float(np.median(lines.bright[tall][:, outer])) - DARKER / 2


def _touch(one: Box, other: Box, apart: float) -> bool:
    """Return whether two boxes lie side by side, or one above the other, with less than `apart` between."""
    wide, tall = (
        (
            max(one[k], other[k]) - min(one[k + 2], other[k + 2]),
            min(one[k + 2] - one[k], other[k + 2] - other[k]),
        )
        for k in (0, 1)
    )
    beside = wide[0] < apart and -tall[0] > BESIDE_SHARE * tall[1]
    above = tall[0] < apart and -wide[0] > BESIDE_SHARE * wide[1]
    return bool(beside or above)


def boxes_in(responses: Responses, *, inside_px: Floats | None = None) -> list[tuple[Box, Sought]]:
    """Return the boxes that have firm borders all round, best first, each with its border.

    Large boxes come before small ones of the same strength, so that a box within a window gives way to the
    window; a large box that has no firm border takes no room from what lies in it.

    Parameters
    ----------
    responses : Responses
    inside_px : ndarray of shape (2,), optional
        Only the best box round this place (column, row) of the image, however weak.

    Returns
    -------
    list of tuple
        The box (left, top, right, bottom [px of the image]) and its border.
    """
    return _boxes(responses, _lines(responses), inside_px)


def _boxes(
    responses: Responses, lines: _Lines, inside_px: Floats | None = None, *, widest_mm: float = WIDEST_MM
) -> list[tuple[Box, Sought]]:
    """Return what `boxes_in` does, of lines that are there already."""
    rows, columns = lines.told.shape
    found = [np.zeros((0, 5))]
    inside = None if inside_px is None else inside_px / (responses.factor * GRID_MM / responses.step_mm)
    wide = np.arange(round(LEAST_SIDE_MM / GRID_MM), min(round(widest_mm / GRID_MM), columns - 2) + 1)
    tall = np.arange(round(LEAST_SIDE_MM / GRID_MM), min(round(TALLEST_MM / GRID_MM), rows - 2) + 1)
    sides = {int(h): _along(lines.upright, lines.told, int(h), axis=0) for h in tall}
    for w in (int(n) for n in wide):
        flat, flat_worth = _along(lines.level, lines.told, w, axis=1)
        for h in (int(n) for n in tall):
            side, side_worth = sides[h]
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
                worth = side_worth[row, column] + side_worth[row, column + w]
                worth = worth + flat_worth[row, column] + flat_worth[row + h, column]
                found.append(np.column_stack([worth, column, row, column + w, row + h]))
    boxes = np.vstack(found)
    boxes = boxes[np.argsort(-boxes[:, 0], kind="stable")]
    scale = responses.factor * GRID_MM / responses.step_mm
    kept: list[tuple[Box, Sought]] = []
    for _ in range(MOST_TRIED):
        if not len(boxes) or (inside is not None and kept):
            break
        best = _outermost(boxes[0], lines)
        shared, alike = _overlaps(boxes[:, 1:5], best[1:5])
        box = (best[1] * scale, best[2] * scale, best[3] * scale, best[4] * scale)
        border = bordered(responses, box)
        bridges = _bridges(best, border, lines, scale)
        if bridges:
            alike[_over(boxes[:, 1:5], best[1:5], bridges)] = 1.0
            boxes = boxes[1:][alike[1:] < TWO_ALIKE]
            continue
        firm = inside is not None or firm_all_round(border)
        if firm:
            kept.append((box, firmest(responses, box)))
        boxes = boxes[1:][((shared < OVERLAP) if firm else (alike < ALIKE))[1:]]
    return kept


def _outermost(box: Floats, lines: _Lines) -> Floats:
    """Return a box with each side moved out to the last firm edge near it: the wall's end.

    Seen aslant, a chamfer is a broad band, whose inner edge is often the stronger.
    """
    left, top, right, bottom = (int(v) for v in box[1:])
    ends, slack = box[1:].copy(), round(SLACK_MM / GRID_MM * FINER)
    for axis, strength, reach_mm, low, high in (
        (1, lines.level, BAND_MM, left, right),
        (0, lines.upright, BESIDE_MM, top, bottom),
    ):
        cut = max(1, round(CORNER_SHARE * (high - low)))
        part = strength[:, low + cut : high - cut + 1] if axis else strength[low + cut : high - cut + 1].T
        if not part.size:
            continue
        mean = part.mean(axis=1)
        reach = round(reach_mm / GRID_MM * FINER)
        for sense, place, which in ((-1, (left, top)[axis], axis), (1, (right, bottom)[axis], axis + 2)):
            # from the box's own edge on; of two as strong, the inner, as the outer may be a neighbour's
            near = np.clip(place * FINER + sense * np.arange(-slack, slack + 1), 0, len(mean) - 1)
            at = int(near[np.argmax(mean[near])]) + sense * np.arange(reach + 1)
            at = at[(at >= 0) & (at < len(mean))]
            firm = np.flatnonzero(mean[at] > OUTERMOST)
            if len(firm):
                ends[which] = at[firm[-1]] / FINER
    return np.concatenate([box[:1], ends])


def _bridges(box: Floats, border: Sought, lines: _Lines, scale: float) -> list[tuple[float, float]]:
    """Return from where to where a box crosses wall between two windows side by side; empty round one.

    Between two windows lies wall, with an upright edge at either end. It has neither roof nor floor; or it is
    as bright as the wall beside them, where they are darker, or their chamfers brighter. `scale` is the size
    of a step of the grid [px].
    """
    left, top, right, bottom = (int(v) for v in box[1:])
    least = round(LEAST_SIDE_MM / GRID_MM)
    if right - left < 2 * least + 2:
        return []
    firm = _level_strength(border, left, right, scale)
    tall = slice(top + 2, max(top + 3, bottom - 1))
    upright = lines.upright[tall, left * FINER : (right + 1) * FINER].mean(axis=0)
    light = np.median(lines.bright[tall], axis=0)
    beside = np.concatenate([light[max(0, left - 4) : max(0, left - 1)], light[right + 2 : right + 5]])
    own = light[left : right + 1]
    like_wall = np.zeros(len(own), bool)
    if len(beside):
        wall, most = float(np.median(beside)), float(np.median(own))
        sense = np.sign(most - wall)
        if abs(most - wall) > DARKER:
            like_wall = sense * (own - wall) < DARKER / 2
    between = (((firm < GAP) & (firm > 0)) | like_wall).astype(int)
    between[:least] = between[len(own) - least :] = 0
    runs = np.flatnonzero(np.diff(between, prepend=0, append=0)).reshape(-1, 2)
    return [
        (float(left + run[0]), float(left + run[1]))
        for run in runs
        if all(upright[max(0, (k - 2) * FINER) : (k + 2) * FINER].max() > GAP for k in run)
    ]


def _over(boxes: Floats, box: Floats, bridges: list[tuple[float, float]]) -> Bools:
    """Return which boxes cross a bridge that a box crosses, at its height: they go round two as well."""
    reach = (BAND_MM + SLACK_MM) / GRID_MM + 1  # by which `_outermost` moves a roof or floor
    near = (np.abs(boxes[:, 1] - box[1]) <= reach) & (np.abs(boxes[:, 3] - box[3]) <= reach)
    least = round(LEAST_SIDE_MM / GRID_MM)
    crosses = np.zeros(len(boxes), bool)
    for low, high in bridges:
        crosses |= (boxes[:, 0] <= low - least) & (boxes[:, 2] >= high + least)
    return np.asarray(near & crosses, bool)


def _level_strength(border: Sought, left: int, right: int, scale: float) -> Floats:
    """Return the response of roof or floor, the stronger, in each column of a box; 0 where none is seen.

    Along the border, not along the box: a curved roof lies off its box at the ends.
    """
    level = np.abs(outward_normals(border.outline_px, 2.0)[:, 1]) > LEVEL
    column = np.rint(border.outline_px[:, 0] / scale).astype(int) - left
    inner = level & (column >= 0) & (column <= right - left)
    firm = np.zeros(right - left + 1)
    np.maximum.at(firm, column[inner], border.strength[inner])
    return firm


def _overlaps(boxes: Floats, other: Floats) -> tuple[Floats, Floats]:
    """Return the area shared with another box over the smaller of both, and over both together."""
    wide = np.minimum(boxes[:, 2], other[2]) - np.maximum(boxes[:, 0], other[0])
    high = np.minimum(boxes[:, 3], other[3]) - np.maximum(boxes[:, 1], other[1])
    own = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    another = (other[2] - other[0]) * (other[3] - other[1])
    shared = np.maximum(wide, 0) * np.maximum(high, 0)
    return shared / np.minimum(own, another), shared / (own + another - shared)


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


def _along(strength: Floats32, told: Floats32, length: int, *, axis: int) -> tuple[Floats32, Floats32]:
    """Return the mean response along sides of a length, round corners left out, and the side's worth.

    Of both the best within `SLACK_MM`; one value a place of the grid at which a side can begin. The worth is
    summed nearly from end to end, so that a stretch of bare wall at an end tells.
    """
    slack = 2 * round(SLACK_MM / GRID_MM * FINER) + 1
    square = np.ones((slack, 1) if axis else (1, slack), np.uint8)

    def summed(values: Floats32, cut: int) -> Floats32:
        found = cv2.dilate(_spans(values, cut, length - 2 * cut + 1, length, axis), square)
        return np.asarray(found[::FINER] if axis else found[:, ::FINER], np.float32)

    cut = max(1, round(CORNER_SHARE * length))
    count = length - 2 * cut + 1
    shown = _spans(told, cut, count, length, axis)
    mean = np.where(shown < 0.3 * count, UNSEEN, summed(strength, cut) / np.maximum(shown, 1.0))
    fine = np.repeat(told, FINER, axis=0 if axis else 1)
    above = np.asarray(np.where(fine > 0, strength - NEUTRAL, -UNSEEN_COST), np.float32)
    worth = np.maximum(summed(above, 1), 0.0)
    return np.asarray(mean, np.float32), worth


def _spans(values: Floats32, cut: int, count: int, length: int, axis: int) -> Floats32:
    summed = np.cumsum(np.insert(values, 0, 0.0, axis=axis), axis=axis, dtype=np.float64)
    low = np.arange(cut, values.shape[axis] - length + cut)
    return np.asarray(np.take(summed, low + count, axis=axis) - np.take(summed, low, axis=axis), np.float32)
