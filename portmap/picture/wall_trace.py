"""Windows traced on the bore wall itself, from an image unrolled of photos.

The way: rough borders by their long edges, or by a place inside or rough corners that the user gives
(`wall_rough`); each measured by itself (`wall_window`); then those that overlap, are odd or are none told
apart (`wall_among`).

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
from shapely import Polygon

from portmap.errors import GeometryError, PictureError
from portmap.picture.scaled import ScaledImage
from portmap.picture.trace_notices import window_notices
from portmap.picture.traced import Trace, check_count, middle_x, numbered, picked
from portmap.picture.wall_among import Search, windows_among
from portmap.picture.wall_border import Sought
from portmap.picture.wall_notices import WallWindow, missing_part, partner_notice, wall_notices
from portmap.picture.wall_partners import unpaired
from portmap.picture.wall_photos import PhotoWall
from portmap.picture.wall_responses import edge_responses
from portmap.picture.wall_rough import chamfer_widths, rough_borders
from portmap.picture.wall_shown import shown_wall
from portmap.picture.wall_sight import WallSight
from portmap.picture.wall_window import WALL_EDGES, How, WallEdgeName, window_of

__all__ = ["PARTS", "WALL_EDGES", "Part", "WallEdgeName", "trace_wall"]

Part = Literal["roof", "floor", "whole"]
PARTS: tuple[Part, ...] = get_args(Part)


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
    borders = rough_borders(wall, responses, sight.bore_mm, inside_mm=inside_mm, rough=rough)
    turn = np.pi * sight.bore_mm if image.wraps else None
    every = _worthiest(
        borders,
        [
            Search(
                wall=wall,
                responses=responses,
                how=How(edge=wall_edge_name, tolerance_mm=tolerance_mm, width_mm=width_mm),
                turn_mm=turn,
                least_mm2=min_area_mm2,
                pointed_at=hinted,
            )
            for width_mm in chamfer_widths(wall, borders)
        ],
    )
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
        if one.partner is None
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


def _worthiest(borders: Sequence[Sought], searches: Sequence[Search]) -> list[WallWindow]:
    """Return the windows of the search whose borders are worth most together; there is mostly one search."""
    tried, failed = list[tuple[float, list[WallWindow]]](), None
    for search in searches:
        try:
            every = windows_among(_measured(borders, search), search)
        except GeometryError as error:
            failed = error
            continue
        tried.append((sum(search.worth(window) for window in every), every))
    if failed is not None and not tried:
        raise failed
    return max(tried, key=lambda one: one[0])[1]


def _measured(borders: Sequence[Sought], search: Search) -> list[WallWindow]:
    """Return the outlines of rough borders, measured side by side on all cores."""

    def measured(border: Sought) -> WallWindow | None:
        try:
            return window_of(search.wall, border, search.how)
        except GeometryError:
            if search.pointed_at:
                raise
            # an outline that crosses itself goes round no window, but round soot, glare or noise
            return None

    with ThreadPoolExecutor(max_workers=max(1, cv2.getNumThreads())) as pool:
        return [each for each in pool.map(measured, borders) if each is not None]
