"""Windows traced on the bore wall itself, from an image unrolled of photos.

The way: rough borders by their long edges (`wall_seek`), or by a place inside or rough corners that the user
gives; each measured by itself (`wall_window`); then those that overlap, are odd or are none told apart.

Glossary
--------
true edge, chamfer edge
    Where the window begins behind its chamfer; where the wall's surface ends, at the chamfer's upper edge. On
    the developed wall the second lies outside the first by the chamfer's width.
open
    A stretch of border that no photo shows. It is drawn straight, told, and never taken for measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Literal, get_args

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError, PictureError
from portmap.picture.scaled import ScaledImage
from portmap.picture.trace_notices import window_notices
from portmap.picture.traced import Trace, check_count, middle_x, numbered, picked
from portmap.picture.wall_border import Sought, snapped
from portmap.picture.wall_neighbours import kept_off, parted, wall_end
from portmap.picture.wall_notices import WallWindow, missing_part, partner_notice, wall_notices
from portmap.picture.wall_partners import unpaired
from portmap.picture.wall_photos import PhotoWall
from portmap.picture.wall_responses import Responses, edge_responses
from portmap.picture.wall_search import WIDTHS_MM, chamfer_merits
from portmap.picture.wall_seek import OVERLAP, boxes_in, windows_sought
from portmap.picture.wall_shown import (
    ShownWall,
    outline_worth,
    points_on,
    shown_wall,
    sightings_of,
    walled_up,
)
from portmap.picture.wall_sight import WallSight, seen_at
from portmap.picture.wall_window import WALL_EDGES, How, WallEdgeName, window_of

__all__ = ["PARTS", "WALL_EDGES", "Part", "WallEdgeName", "trace_wall"]

Floats = NDArray[np.float64]

Part = Literal["roof", "floor", "whole"]
PARTS: tuple[Part, ...] = get_args(Part)

MOSTLY_HIDDEN = 0.4
ROUGH_REACH_MM = 1.6  # how far rough corners may lie off the edge
LEAST_HINTED = 3.0  # mean response at a border that the user pointed at; the bare wall's is about 2
LEAST_WIDTH_MM = 2.5
# Of a window, round the bore, as a share of the bore: rings stand no wider a port without a bridge than some
# 0.7 of it straight across, 0.78 round it (common practice, no source).
WIDEST_SHARE = 0.82
LEAST_WORTH = 0.8  # of a window's border; in the study (RESULTS.md) the faintest has 1.65, soot had 0.13
LEAST_ALIKE, UNLIKE_MM = 3, 0.04  # windows whose chamfers tell what is usual; further off one is odd
FAR_WORTHIER = 1.0  # of an outline's border than of another's
TWICE = 0.9  # of what two rough outlines cover together, a turn apart: they are one window's
SAME = 0.7  # of an outline, within another: both go round one window
PARTED_ROUNDS = 2  # the first sets out from corners that are far off


def trace_wall(
    image: ScaledImage,
    sight: WallSight,
    *,
    photos: Sequence[PhotoWall] = (),
    wall_edge_name: WallEdgeName = "true",
    inside_mm: Sequence[tuple[float, float]] = (),
    rough: Sequence[Polygon] = (),
    part: Part = "roof",
    expect: int | None = None,
    min_area_mm2: float = 12.0,
    keep: Sequence[int] = (),
    drop: Sequence[int] = (),
    tolerance_mm: float = 0.01,
    guessed: bool = False,
) -> Trace:
    """Return the windows that an unrolled image of the wall shows.

    Parameters
    ----------
    image : ScaledImage
        The wall, x right as seen from the axis.
    sight : WallSight
        How it was seen.
    photos : sequence of PhotoWall, optional
        What each photo shows. Windows that are seen along the bore are measured in all of them together.
    wall_edge_name : {'true', 'chamfer'}, optional
        Which edge of the border is given.
    inside_mm : sequence of tuple of float, optional
        Places (x, y), one inside each window that is wanted; then no others are sought.
    rough : sequence of shapely.Polygon, optional
        Rough outlines of the windows that are wanted [mm], within `ROUGH_REACH_MM` of the edge.
    part : {'roof', 'floor', 'whole'}, optional
        What of a window photos must show for it to count.
    expect, min_area_mm2, keep, drop, tolerance_mm : optional
        As in `portmap.picture.trace.trace`.
    guessed : bool, optional
        Whether the way of lifting was chosen by what the image says of itself.

    Returns
    -------
    Trace
        ``lift`` is 'wall'.

    Raises
    ------
    PictureError
        If no window is found, a hint leads to none, or none shows the part that is wanted.
    """
    wall = shown_wall(image, sight, photos)
    responses = edge_responses(wall.seen_light, wall.sight.seen, mm_per_px=image.mm_per_px)
    hinted = bool(inside_mm or rough)
    widest = WIDEST_SHARE * sight.bore_mm
    found = sought = windows_sought(responses, widest_mm=widest) if inside_mm or not hinted else []
    if hinted:
        found = [_near_place(wall, responses, place, sought) for place in inside_mm]
        found += [_near_outline(wall, responses, shape) for shape in rough]
    found = [each for each in found if _whole(each, wall.view.pixels.shape[1])]
    found = [each for each in found if _wide(each, wall.view) and (hinted or _shown(wall, each))]
    found = _once(found, image.pixels.shape[1] if image.wraps else None)
    how = How(edge=wall_edge_name, tolerance_mm=tolerance_mm, width_mm=_chamfer_width(wall, found))

    def measured(border: Sought) -> WallWindow | None:
        try:
            return window_of(wall, border, how)
        except GeometryError:
            if hinted:
                raise
            # an outline that crosses itself goes round no window, but round soot, glare or noise
            return None

    with ThreadPoolExecutor(max_workers=max(1, cv2.getNumThreads())) as pool:
        every = [each for each in pool.map(measured, found) if each is not None]
    every = [each for each in every if hinted or _large(each, min_area_mm2)]
    # a border where no edge can be fitted is none: the bridge between two windows has sides, no roof
    every = [each for each in every if hinted or each.bordered]
    turn = np.pi * sight.bore_mm if image.wraps else None
    every = [_brought_home(each, turn) for each in every]
    # nor is soot that an outline goes round a window: it must not take the place of one
    worth = {id(each): _worth(wall, each) for each in every}
    if not hinted:  # a chamfer's width that was mistaken makes an outline poor
        usual = _usual_width([each for each in every if worth[id(each)] > LEAST_WORTH])
        every = [
            each if worth[id(each)] > LEAST_WORTH else _like_others(wall, each, usual, turn, how)
            for each in every
        ]
        worth = {id(each): worth.get(id(each)) or _worth(wall, each) for each in every}
    poor = [each for each in every if not hinted and worth[id(each)] <= LEAST_WORTH]
    good = [each for each in every if each not in poor]
    every = _apart(good, worth, turn)
    # an outline over a bridge, in whose place a worthier one stands, goes round a window of its own too
    freed = _freed(wall, [*poor, *(each for each in good if each not in every)], every, turn, how)
    every = _apart([*every, *freed], worth | {id(each): _worth(wall, each) for each in freed}, turn)
    every = parted(
        every,
        lambda window, beside: _kept_off(wall, window, beside, turn, how),
        lambda window: _worth(wall, window),
        turn,
    )
    # what is left of soot beside a window may be a sliver
    every = [each for each in every if hinted or _large(each, min_area_mm2)]
    if turn is not None and not hinted:
        found_opposite = _opposite(wall, responses, every, turn, how)
        worth = {id(each): _worth(wall, each) for each in [*every, *found_opposite]}
        every = _apart([*every, *found_opposite], worth, turn)
    usual = _usual_width(every)
    every = [_like_others(wall, each, usual, turn, how) for each in every]
    # what is mostly unseen may be no window at all
    every = [each for each in every if hinted or float(each.hidden.mean()) < MOSTLY_HIDDEN]
    refused = [(each, words) for each in every if (words := missing_part(each, part)) is not None]
    kept = [each for each in every if missing_part(each, part) is None]
    if not kept:
        if refused:
            raise PictureError(
                f"of the {len(refused)} window{'s' if len(refused) != 1 else ''} found none is seen enough: "
                f"{refused[0][1]}",
                where="picture",
                remedy="take a photo that shows it and unroll anew, or ask for less with --need",
            )
        raise PictureError(
            "no window found: nothing has firm edges all round",
            where="picture",
            remedy='give a place in each window: --inside "x,y"; or rough corners: --rough FILE',
        )
    outlines = [each.traced.window.outline for each in kept]
    alone = unpaired(outlines, turn) if turn is not None and not hinted else []
    traced = numbered([each.traced for each in kept])
    traced = picked(traced, keep, drop)
    check_count(traced, expect)
    facts = {id(each.traced.window.doubt): each for each in kept}
    walls = [replace(facts[id(window.window.doubt)], traced=window) for window in traced]
    notices = wall_notices(walls, refused, wall_edge_name, sight, guessed=guessed, whole=not hinted)
    notices += [
        partner_notice(middle_x(kept[one.number].traced), (one.opposite.centroid.x, one.opposite.centroid.y))
        for one in alone
        if one.wall
    ]
    notices += window_notices(traced, "cut", "inner", edge_told=True, found=None)
    widths = [each.chamfer_mm for each in walls]
    source = {
        "image": image.source,
        "mm_per_px": image.mm_per_px,
        "residual_mm": image.residual_mm,
        "lift": "wall",
        "edge": wall_edge_name,
        "chamfer_mm": [round(width, 4) for width in widths],
        "hints": {"inside": len(inside_mm), "rough": len(rough)},
        "mirrored": bool(image.source.get("mirrored")),
        "tolerance_mm": tolerance_mm,
        "sheet_thickness_mm": None,
        "bore_mm": sight.bore_mm,
        "wall_x_factor": 1.0,
    }
    return Trace(windows=traced, lift="wall", source=source, notices=(*image.notices, *notices))


def _worth(wall: ShownWall, window: WallWindow) -> float:
    """Return what a window's border is worth, the mean over it."""
    return outline_worth(wall, wall_end(window), window.chamfer_mm)


def _kept_off(
    wall: ShownWall, window: WallWindow, beside: Polygon, turn_mm: float | None, how: How
) -> WallWindow | None:
    """Return a window measured once more, kept off another's outline; None if none is found so."""
    outline, made = kept_off(wall_end(window), beside), None
    for _ in range(PARTED_ROUNDS):
        if outline.is_empty:
            return None
        corners = shapely.get_coordinates(outline.exterior)[:-1]
        rough, alone = points_on(wall, corners), walled_up(wall, beside, corners)
        sought = Sought(outline_px=rough, strength=np.full(len(rough), LEAST_HINTED))
        try:
            made = window_of(alone, sought, how)
        except GeometryError:
            return None
        outline = wall_end(made)
    return None if made is None or not made.bordered else _brought_home(made, turn_mm)


def _freed(
    wall: ShownWall, poor: list[WallWindow], kept: list[WallWindow], turn_mm: float | None, how: How
) -> list[WallWindow]:
    """Return windows beside others, of whose outlines some went round a part of the other too."""
    made: list[WallWindow] = []
    for window in poor:
        for other in [*kept, *made]:
            for away in (0.0,) if turn_mm is None else (0.0, turn_mm, -turn_mm):
                end = translate(wall_end(other), away, 0.0)
                own = wall_end(window)
                if not 0.0 < own.intersection(end).area < SAME * min(own.area, end.area):
                    continue
                alone = _kept_off(wall, window, end, turn_mm, how)
                if alone is not None and _worth(wall, alone) > LEAST_WORTH:
                    made.append(alone)
    return made


def _opposite(
    wall: ShownWall, responses: Responses, windows: list[WallWindow], turn_mm: float, how: How
) -> list[WallWindow]:
    """Return windows that were missed, sought opposite those that have none like them there."""
    made = []
    for each in unpaired([wall_end(window) for window in windows], turn_mm):
        rough = points_on(wall, shapely.get_coordinates(each.opposite.exterior)[:-1])
        try:
            found = window_of(wall, snapped(responses, rough, reach_mm=ROUGH_REACH_MM), how)
        except GeometryError:
            continue
        if found.bordered and _worth(wall, found) > LEAST_WORTH:
            made.append(_brought_home(found, turn_mm))
    return made


def _usual_width(windows: Sequence[WallWindow]) -> float | None:
    """Return the width of most chamfers; None of windows too few to tell."""
    widths = [each.chamfer_mm for each in windows]
    return float(np.median(widths)) if len(widths) >= LEAST_ALIKE else None


def _like_others(
    wall: ShownWall, window: WallWindow, usual_mm: float | None, turn_mm: float | None, how: How
) -> WallWindow:
    """Return a window, measured anew if its chamfer is unlike the others' and that is worth more."""
    if usual_mm is None or abs(window.chamfer_mm - usual_mm) <= UNLIKE_MM:
        return window
    ends = points_on(wall, shapely.get_coordinates(wall_end(window).exterior)[:-1])
    sought = Sought(outline_px=ends, strength=np.full(len(ends), LEAST_HINTED))
    try:
        again = _brought_home(window_of(wall, sought, replace(how, width_mm=usual_mm)), turn_mm)
    except GeometryError:
        return window
    return again if again.bordered and _worth(wall, again) > _worth(wall, window) else window


def _whole(found: Sought, columns: int) -> bool:
    """Return whether an outline keeps off the left and the right end of the image."""
    return bool(found.outline_px[:, 0].min() > 3 and found.outline_px[:, 0].max() < columns - 4)


def _near_place(
    wall: ShownWall, responses: Responses, place_mm: tuple[float, float], sought: Sequence[Sought]
) -> Sought:
    """Return the best border round a place: of the best box round it, or of a window sought without it.

    The best box may end where a passage's dark side meets its lit one, which is no border of the window.
    """
    told = f"--inside {place_mm[0]:g},{place_mm[1]:g}"
    point, view = points_on(wall, np.array([place_mm], np.float64))[0], wall.view
    if not (0 <= point[0] < view.pixels.shape[1] and 0 <= point[1] < view.pixels.shape[0]):
        raise PictureError("this place lies outside the picture", where=told, remedy="give x and y in mm")
    boxes = boxes_in(responses, inside_px=point)
    found = boxes[0][1] if boxes else None
    if found is None or not Polygon(found.outline_px).buffer(0).contains(shapely.points(point)):
        raise PictureError(
            "no border is seen round this place", where=told, remedy="give rough corners: --rough FILE"
        )
    others = [each for each in sought if Polygon(each.outline_px).buffer(0).contains(shapely.points(point))]
    if others:
        how = How(edge="true", tolerance_mm=0.0, width_mm=_chamfer_width(wall, [found, *sought]))
        found = max((found, *others), key=lambda each: _measured_worth(wall, each, how))
    return _firm(found, told)


def _measured_worth(wall: ShownWall, found: Sought, how: How) -> float:
    """Return what a border is worth once it is measured, the mean over it."""
    try:
        return _worth(wall, window_of(wall, found, how))
    except GeometryError:
        return -np.inf


def _near_outline(wall: ShownWall, responses: Responses, shape: Polygon) -> Sought:
    x, y = shape.centroid.x, shape.centroid.y
    told = f"--rough, outline at x {x:.1f}, y {y:.1f} mm"
    ring = shapely.get_coordinates(shape.exterior)[:-1]
    points = points_on(wall, ring)
    rows, columns = wall.view.pixels.shape[:2]
    if points.min() < 0 or points[:, 0].max() > columns - 1 or points[:, 1].max() > rows - 1:
        raise PictureError("this outline reaches out of the picture", where=told, remedy="draw it inside")
    return _firm(snapped(responses, points, reach_mm=ROUGH_REACH_MM), told)


def _firm(found: Sought, told: str) -> Sought:
    seen = found.strength > 0
    if not seen.any() or float(found.strength[seen].mean()) < LEAST_HINTED:
        raise PictureError(
            "no border is seen near it", where=told, remedy="look at the picture, and give the right place"
        )
    return found


def _chamfer_width(wall: ShownWall, found: Sequence[Sought]) -> float:
    """Return about how wide the chamfers of a bore are: windows of one bore are chamfered alike.

    Each window's own width is fitted from there. A window counts by the share of its border, so that a large
    one outweighs no others.
    """
    if not found:
        return 0.0
    merits = [
        chamfer_merits(sightings_of(wall, each.outline_px), each.outline_px, mm_per_px=wall.view.mm_per_px)
        / len(each.outline_px)
        for each in found
    ]
    return float(WIDTHS_MM[int(np.argmax(np.sum(merits, axis=0)))])


def _brought_home(window: WallWindow, turn_mm: float | None) -> WallWindow:
    """Return the window moved by whole turns so that its middle is less than half a turn from x = 0."""
    if turn_mm is None:
        return window
    away = float(np.floor(middle_x(window.traced) / turn_mm + 0.5)) * turn_mm
    if away == 0.0:
        return window
    own = window.traced.window
    moved = replace(own, outline=translate(own.outline, -away, 0.0))
    return replace(window, traced=replace(window.traced, window=moved), ring_mm=window.ring_mm - [away, 0.0])


def _apart(windows: list[WallWindow], worth: dict[int, float], turn_mm: float | None) -> list[WallWindow]:
    """Return the windows without those that lie for a part in a larger one, also a turn further.

    Of a window that was found twice the outline is kept that is worth more; and one within a larger that is
    worth far less: the larger goes round a part of a neighbour too.
    """
    turns = (0.0,) if turn_mm is None else (-turn_mm, 0.0, turn_mm)
    kept: list[WallWindow] = []
    for window in sorted(windows, key=lambda each: -each.traced.area_mm2):
        shape = window.traced.window.outline
        shared = [
            max(translate(shape, turn, 0.0).intersection(other.traced.window.outline).area for turn in turns)
            for other in kept
        ]
        within = [k for k, area in enumerate(shared) if area >= OVERLAP * shape.area]
        if not within:
            kept.append(window)
            continue
        other = kept[within[0]]
        least = 0.0 if shared[within[0]] > SAME * other.traced.area_mm2 else FAR_WORTHIER
        if len(within) == 1 and worth[id(window)] > worth[id(other)] + least:
            kept[within[0]] = window
    return kept


def _wide(found: Sought, view: ScaledImage) -> bool:
    """Return whether an outline is no sliver, whose chamfers would meet."""
    return bool(np.ptp(found.outline_px, axis=0).min() * view.mm_per_px > LEAST_WIDTH_MM)


def _once(found: list[Sought], turn_px: int | None) -> list[Sought]:
    """Return outlines without those that are another one, a turn further on."""
    if turn_px is None:
        return found
    kept: list[tuple[Sought, Polygon]] = []
    for each in found:
        shape = Polygon(each.outline_px).buffer(0)
        again = [translate(shape, away, 0.0) for away in (-turn_px, turn_px)]
        if not any(
            one.intersection(other).area > TWICE * one.union(other).area for one in again for _, other in kept
        ):
            kept.append((each, shape))
    return [each for each, _ in kept]


def _shown(wall: ShownWall, found: Sought) -> bool:
    """Return whether photos show most of a border: the end of what they show is a firm edge too."""
    return float(seen_at(wall.sight, found.outline_px).mean()) > 1.0 - MOSTLY_HIDDEN


def _large(window: WallWindow, least_mm2: float) -> bool:
    """Return whether a measured window is large enough, and no sliver."""
    left, low, right, high = wall_end(window).bounds
    return window.traced.area_mm2 >= least_mm2 and bool(min(right - left, high - low) > LEAST_WIDTH_MM)
