"""Windows traced on the bore wall itself, from an image unrolled of photos.

The way: rough borders by their long edges (`wall_seek`), or by a place inside or rough corners that the user
gives; both edges of the border (`wall_edge`) with the sight from the photos' poses (`wall_sight`); then, as
for flat images, smoothing, fitted roof and floor, simplification (`outline`) and doubt (`outline_doubt`).

Glossary
--------
true edge, chamfer edge
    Where the window begins behind its chamfer; where the wall's surface ends, at the chamfer's upper edge. On
    the developed wall the second lies outside the first by the chamfer's width.
open
    A stretch of border that no photo shows. It is drawn straight, told, and never taken for measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Literal, get_args

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError, PictureError
from portmap.picture.edge import Edge, outward_normals, tone_doubt
from portmap.picture.outline import (
    HAIR_MM,
    Smoothed,
    fitted_extreme,
    ring_area,
    simplified,
    smoothed_outline,
    spacing_mm,
    with_run,
)
from portmap.picture.outline_doubt import outline_doubt
from portmap.picture.scaled import ScaledImage, place_of
from portmap.picture.tone import LUMA, linear_light, linear_light_of_value
from portmap.picture.trace_notices import window_notices
from portmap.picture.traced import Trace, TracedWindow, check_count, middle_x, numbered, picked, untangled
from portmap.picture.wall_border import Sought, sides_of, snapped
from portmap.picture.wall_edge import WallEdge, wall_edge
from portmap.picture.wall_neighbours import kept_off, parted, wall_end
from portmap.picture.wall_notices import WallWindow, missing_part, partner_notice, wall_notices
from portmap.picture.wall_open import gone_on, hidden_places, open_doubt, straightened
from portmap.picture.wall_partners import without_partner
from portmap.picture.wall_photos import PhotoWall
from portmap.picture.wall_responses import Responses, edge_responses
from portmap.picture.wall_search import (
    WIDTHS_MM,
    Drift,
    Sighting,
    along_bore,
    border_worth,
    chamfer_merits,
    known_drift,
    shares_at,
)
from portmap.picture.wall_seek import OVERLAP, boxes_in, windows_sought
from portmap.picture.wall_sight import WallSight, drift_at, drift_from, fineness, seen_at, unwrapped
from portmap.picture.wall_texture import Texture, likeness, texture_of
from portmap.port import Window, WindowDoubt, window_polygon

__all__ = ["PARTS", "WALL_EDGES", "Part", "WallEdgeName", "trace_wall"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WallEdgeName = Literal["true", "chamfer"]
WALL_EDGES: tuple[WallEdgeName, ...] = get_args(WallEdgeName)
Part = Literal["roof", "floor", "whole"]
PARTS: tuple[Part, ...] = get_args(Part)

MOSTLY_HIDDEN = 0.4
LEAST_FITTED = 0.85  # of the border that photos show
COARSE = 4  # pixels in a step when light is continued
ROUGH_REACH_MM = 1.6  # how far rough corners may lie off the edge
OPEN_SHARE = 0.004  # of a border: less that is not seen is bridged without a word
LEAST_HINTED = 3.0  # mean response at a border that the user pointed at; the bare wall's is about 2
LEAST_WIDTH_MM = 2.5
LEAST_SHARE = 0.1  # of what all photos tell of a window: a photo that tells less is not asked
LEAST_WORTH = 0.8  # of a window's border; in the study (RESULTS.md) the faintest has 1.65, soot had 0.13
LEAST_ALIKE, UNLIKE_MM = 3, 0.04  # windows whose chamfers tell what is usual; further off one is odd
SAME = 0.7  # of an outline, within another: both go round one window
PARTED_ROUNDS = 2  # the first sets out from corners that are far off
FILLED_MM = 0.2  # past a neighbour's chamfer, so that nothing of its border is left
# Of the blur: true edges of rendered walls are seen so far outward. Found there; what causes it is not known.
# Square on; along the bore, by all photos together.
BLUR_SHARE, BLUR_SHARE_ALONG_BORE = 0.2, 0.1
# Roof and floor wave by so much of the blur, over so much of their length, as the wall's texture draws them.
WAVES_SHARE, WAVES_MM, HAIR_WAVES = 0.15, 1.5, 3.0
UNKNOWN_DRIFT = 0.6  # standard deviation of a sight that nobody knows: 30° off


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
    repeated = image.pixels.shape[1] // 2 if image.wraps else 0
    view = replace(image, pixels=np.hstack([image.pixels, image.pixels[:, :repeated]]), wraps=False)
    wide = unwrapped(sight, repeated)
    light = linear_light(np.ascontiguousarray(view.pixels), LUMA)
    responses = edge_responses(light, wide.seen, mm_per_px=view.mm_per_px)
    hinted = bool(inside_mm or rough)
    found = [_near_place(view, responses, place, image) for place in inside_mm]
    found += [_near_outline(view, responses, shape, image) for shape in rough]
    if not hinted:
        found = windows_sought(responses)
    found = [each for each in found if _whole(each, view.pixels.shape[1])]
    found = [each for each in found if _wide(each, view)]
    light = _continued(light, wide.seen)
    # only windows that are seen along the bore ask for it, some of them more than once
    texture = cache(partial(texture_of, light, wide.seen, mm_per_px=view.mm_per_px))
    own = tuple(_sighting_of(photo, view, sight.bore_mm, repeated) for photo in photos)
    wall = _Wall(image=image, view=view, sight=wide, light=light, texture=texture, photos=own)
    how = wall_edge_name, tolerance_mm, _chamfer_width(wall, found)
    every = []
    for each in found:
        try:
            every.append(_window(wall, each, *how))
        except GeometryError:
            if hinted:
                raise
            # an outline that crosses itself goes round no window, but round soot, glare or noise
    every = [each for each in every if hinted or each.traced.area_mm2 >= min_area_mm2]
    # a border where no edge can be fitted is none: the bridge between two windows has sides, no roof
    every = [each for each in every if hinted or each.bordered]
    turn = np.pi * sight.bore_mm if image.wraps else None
    every = [_brought_home(each, turn) for each in every]
    # nor is soot that an outline goes round a window: it must not take the place of one
    worth = {id(each): _worth(wall, each) for each in every}
    poor = [each for each in every if not hinted and worth[id(each)] <= LEAST_WORTH]
    every = _apart([each for each in every if each not in poor], worth, turn)
    freed = _freed(wall, poor, every, turn, how)
    every = _apart([*every, *freed], worth | {id(each): _worth(wall, each) for each in freed}, turn)
    every = parted(
        every,
        lambda window, beside: _kept_off(wall, window, beside, turn, how),
        partial(_worth, wall),
        turn,
    )
    every = _alike(wall, every, turn, how)
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
    alone = without_partner(outlines, turn) if turn is not None and not hinted else []
    traced = numbered([each.traced for each in kept])
    traced = picked(traced, keep, drop)
    check_count(traced, expect)
    facts = {id(each.traced.window.doubt): each for each in kept}
    walls = [replace(facts[id(window.window.doubt)], traced=window) for window in traced]
    notices = wall_notices(walls, refused, wall_edge_name, sight, guessed=guessed, whole=not hinted)
    notices += [partner_notice(middle_x(kept[number].traced), place) for number, place in alone]
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


_How = tuple[WallEdgeName, float, float]  # what else `_window` takes


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Wall:
    """A wall image as it is traced.

    `image` as it was given; `view` with some of its left part repeated on the right, if it wraps; `sight`,
    linear `light` of the view, and what works out its `texture`; what single `photos` show of the view.
    """

    image: ScaledImage
    view: ScaledImage
    sight: WallSight
    light: NDArray[np.float32]
    texture: Callable[[], Texture]
    photos: tuple[Sighting, ...] = ()


def _sighting_of(photo: PhotoWall, view: ScaledImage, bore_mm: float, repeated: int) -> Sighting:
    """Return what a photo shows of the wall as it is traced."""
    gray = np.hstack([photo.gray, photo.gray[:, :repeated]])
    seen = gray > 0
    light = _continued(linear_light_of_value(gray / 255.0).astype(np.float32), seen)

    def drift(points: Floats, normals: Floats) -> Floats:
        both = drift_from(photo.eye_mm, bore_mm / 2, place_of(view, points))
        return np.asarray((both * normals * [1.0, -1.0]).sum(axis=1))

    def counts(points: Floats) -> Floats:
        column, row = np.rint(points).astype(int).T
        inside = (column >= 0) & (row >= 0) & (column < seen.shape[1]) & (row < seen.shape[0])
        there = inside & seen[np.clip(row, 0, seen.shape[0] - 1), np.clip(column, 0, seen.shape[1] - 1)]
        return np.asarray(there * fineness(photo.eye_mm, bore_mm / 2, place_of(view, points)))

    return Sighting(light=light, drift=drift, counts=counts)


def _sightings(wall: _Wall, outline_px: Floats) -> list[Sighting]:
    """Return the pictures in which a window is measured."""
    whole = Sighting(light=wall.light, drift=_drift_of(wall), counts=lambda points: np.ones(len(points)))
    drift = known_drift(whole.drift(outline_px, outward_normals(outline_px, 2.0)))
    if not wall.photos or not along_bore(drift, outward_normals(outline_px, 2.0)):
        return [whole]
    shares = shares_at(wall.photos, outline_px)
    good = [one for one, share in zip(wall.photos, shares, strict=True) if float(share.mean()) > LEAST_SHARE]
    return good or [whole]


def _continued(light: NDArray[np.float32], seen: Bools) -> NDArray[np.float32]:
    """Return the light with that of the nearest wall where none is seen, so that no edge stands there."""
    if seen.all() or not seen.any():
        return light
    less = seen[::COARSE, ::COARSE]
    row, column = distance_transform_edt(~less, return_distances=False, return_indices=True)
    near = light[::COARSE, ::COARSE][row, column]
    size = (light.shape[1], light.shape[0])
    wide = cv2.resize(near, size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(np.where(seen, light, wide), np.float32)


def _worth(wall: _Wall, window: WallWindow) -> float:
    """Return what a window's border is worth, the mean over it."""
    ends = shapely.get_coordinates(wall_end(window).exterior)[:-1]
    points = _pixel(wall.view, ends, wall.image)
    return border_worth(
        _sightings(wall, points), points, mm_per_px=wall.view.mm_per_px, width_mm=window.chamfer_mm
    )


def _kept_off(
    wall: _Wall, window: WallWindow, beside: Polygon, turn_mm: float | None, how: _How
) -> WallWindow | None:
    """Return a window measured once more, kept off another's outline; None if none is found so."""
    outline, made = kept_off(wall_end(window), beside), None
    for _ in range(PARTED_ROUNDS):
        if outline.is_empty:
            return None
        corners = shapely.get_coordinates(outline.exterior)[:-1]
        rough = _pixel(wall.view, corners, wall.image)
        other = translate(beside, float(place_of(wall.view, rough)[0, 0] - corners[0, 0]), 0.0)
        alone = replace(
            wall,
            light=_filled(wall, wall.light, other),
            photos=tuple(replace(each, light=_filled(wall, each.light, other)) for each in wall.photos),
        )
        sought = Sought(outline_px=rough, strength=np.full(len(rough), LEAST_HINTED))
        try:
            made = _window(alone, sought, *how)
        except GeometryError:
            return None
        outline = wall_end(made)
    return None if made is None or not made.bordered else _brought_home(made, turn_mm)


def _freed(
    wall: _Wall, poor: list[WallWindow], kept: list[WallWindow], turn_mm: float | None, how: _How
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


def _alike(wall: _Wall, windows: list[WallWindow], turn_mm: float | None, how: _How) -> list[WallWindow]:
    """Return the windows, one whose chamfer is unlike the others' measured anew with theirs."""
    usual = float(np.median([each.chamfer_mm for each in windows])) if len(windows) >= LEAST_ALIKE else None
    made = []
    for window in windows:
        if usual is not None and abs(window.chamfer_mm - usual) > UNLIKE_MM:
            ends = _pixel(wall.view, shapely.get_coordinates(wall_end(window).exterior)[:-1], wall.image)
            sought = Sought(outline_px=ends, strength=np.full(len(ends), LEAST_HINTED))
            try:
                again = _brought_home(_window(wall, sought, *how[:2], usual), turn_mm)
            except GeometryError:
                again = window
            if _worth(wall, again) > _worth(wall, window):
                window = again
        made.append(window)
    return made


def _filled(wall: _Wall, light: NDArray[np.float32], window: Polygon) -> NDArray[np.float32]:
    """Return the light with wall where a window is, as beside it."""
    points = _point(wall.view, shapely.get_coordinates(window.buffer(FILLED_MM).exterior))
    mask = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(points).astype(np.int32)], 1)
    beside = cv2.dilate(mask, np.ones((9, 9), np.uint8)) > mask
    level = float(np.median(light[beside])) if beside.any() else 0.0
    return np.asarray(np.where(mask > 0, np.float32(level), light), np.float32)


def _whole(found: Sought, columns: int) -> bool:
    """Return whether an outline keeps off the left and the right end of the image."""
    return bool(found.outline_px[:, 0].min() > 3 and found.outline_px[:, 0].max() < columns - 4)


def _point(view: ScaledImage, places_mm: Floats) -> Floats:
    """Return points [px] of places; `place_of` goes the other way."""
    return np.asarray((places_mm - [view.x0_mm, view.y0_mm]) / [view.mm_per_px, -view.mm_per_px], np.float64)


def _pixel(view: ScaledImage, places_mm: Floats, image: ScaledImage) -> Floats:
    """Return points [px] of places, moved by whole turns so that they lie in the middle of the view."""
    points = _point(view, places_mm)
    if image.wraps:
        columns = image.pixels.shape[1]
        middle = float(points[:, 0].min() + points[:, 0].max()) / 2
        home = np.mod(middle, columns)
        if home < columns / 4:
            home += columns
        points[:, 0] += home - middle
    return np.asarray(points, np.float64)


def _near_place(
    view: ScaledImage, responses: Responses, place_mm: tuple[float, float], image: ScaledImage
) -> Sought:
    """Return the best border round a place."""
    told = f"--inside {place_mm[0]:g},{place_mm[1]:g}"
    point = _pixel(view, np.array([place_mm], np.float64), image)[0]
    if not (0 <= point[0] < view.pixels.shape[1] and 0 <= point[1] < view.pixels.shape[0]):
        raise PictureError("this place lies outside the picture", where=told, remedy="give x and y in mm")
    boxes = boxes_in(responses, inside_px=point)
    found = boxes[0][1] if boxes else None
    if found is None or not Polygon(found.outline_px).buffer(0).contains(shapely.points(point)):
        raise PictureError(
            "no border is seen round this place", where=told, remedy="give rough corners: --rough FILE"
        )
    return _firm(found, told)


def _near_outline(view: ScaledImage, responses: Responses, shape: Polygon, image: ScaledImage) -> Sought:
    x, y = shape.centroid.x, shape.centroid.y
    told = f"--rough, outline at x {x:.1f}, y {y:.1f} mm"
    ring = shapely.get_coordinates(shape.exterior)[:-1]
    points = _pixel(view, ring, image)
    rows, columns = view.pixels.shape[:2]
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


def _drift_of(wall: _Wall) -> Drift:
    def drift(points: Floats, normals: Floats) -> Floats:
        both = drift_at(wall.sight, place_of(wall.view, points))
        return np.asarray((both * normals * [1.0, -1.0]).sum(axis=1))

    return drift


def _chamfer_width(wall: _Wall, found: Sequence[Sought]) -> float:
    """Return about how wide the chamfers of a bore are: windows of one bore are chamfered alike.

    Each window's own width is fitted from there. A window counts by the share of its border, so that a large
    one outweighs no others.
    """
    if not found:
        return 0.0
    merits = [
        chamfer_merits(_sightings(wall, each.outline_px), each.outline_px, mm_per_px=wall.view.mm_per_px)
        / len(each.outline_px)
        for each in found
    ]
    return float(WIDTHS_MM[int(np.argmax(np.sum(merits, axis=0)))])


def _window(
    wall: _Wall,
    found: Sought,
    edge_name: WallEdgeName,
    tolerance_mm: float,
    width_mm: float,
) -> WallWindow:
    """Return one window measured at full size; its number is set later."""
    view, sight, mm = wall.view, wall.sight, wall.view.mm_per_px
    drift = _drift_of(wall)

    def edge_near(sightings: Sequence[Sighting], rough: Floats) -> WallEdge:
        return wall_edge(
            sightings,
            rough,
            mm_per_px=mm,
            width_mm=width_mm,
            shown=partial(seen_at, sight),
            like=lambda: likeness(wall.texture(), rough),
        )

    sightings = _sightings(wall, found.outline_px)
    edge = edge_near(sightings, found.outline_px)
    on = gone_on(wall.light, sight, edge, mm)
    if on is not None:
        edge = edge_near([Sighting(light=on[1], drift=drift, counts=sightings[0].counts)], on[0])
    hidden = unseen = hidden_places(sight, edge, mm)
    known = bool(np.isfinite(drift(edge.points_px, edge.normals)).any())
    inset = edge.chamfer_mm / mm if edge_name == "true" else 0.0
    points = straightened(edge.points_px - inset * edge.normals, hidden)
    normals = edge.normals * [1.0, -1.0]
    places, seen = place_of(view, points), edge.seen & ~hidden
    slope = (edge.slope_px * mm - (1.0 if edge_name == "true" else 0.0)) * ~hidden
    misfit = np.where(hidden, 0.0, edge.misfit_px * mm)
    order = slice(None, None, -1) if ring_area(places) < 0 else slice(None)
    places, normals, seen, hidden = places[order], normals[order], seen[order], hidden[order]
    slope, misfit = slope[order], misfit[order]
    smoothed = smoothed_outline(places, normals, seen, blur_mm=edge.blur_px * mm, misfit_mm=misfit)
    waved = WAVES_SHARE * edge.blur_px * mm
    calm = _waved(smoothed, waved)
    fits = (fitted_extreme(calm, 1), fitted_extreme(calm, -1))
    ring = with_run(smoothed, fits, hair_mm=max(HAIR_MM, HAIR_WAVES * waved))
    doubt = outline_doubt(
        smoothed,
        ring,
        fits,
        _as_edge(edge, seen),
        mm_per_px=mm,
        places=view.doubt,
        card_off_mm=(BLUR_SHARE_ALONG_BORE if edge.along_bore else BLUR_SHARE) * edge.blur_px * mm,
    )
    doubt = _with_chamfer(doubt, ring, fits, slope, edge.chamfer_u_mm)
    if not known:
        doubt = _with_chamfer(doubt, ring, fits, np.full(len(ring), UNKNOWN_DRIFT), edge.chamfer_mm)
    doubt = _with_rivals(doubt, ring, edge.rival_px * mm, [side[order] for side in sides_of(edge.normals)])
    roof_u, floor_u, area_u = open_doubt(ring, normals, hidden)
    doubt = _rooted(doubt, _Moved(roof_u, floor_u, area_u, 0.0))
    shape = window_polygon(*untangled(simplified(ring, tolerance_mm), []))
    traced = TracedWindow(
        number=0,
        window=Window(outline=shape, doubt=doubt),
        roof_mm=float(shape.bounds[3]),
        floor_mm=float(shape.bounds[1]),
        roof_degree=fits[0].degree,
        floor_degree=fits[1].degree,
        area_mm2=float(shape.area),
        darkness=None,
        blur_mm=edge.blur_px * mm,
        line_width_mm=None,
        seen_share=float(np.mean(edge.seen | unseen)),
    )
    return WallWindow(
        traced=traced,
        chamfer_mm=edge.chamfer_mm,
        chamfer_u_mm=edge.chamfer_u_mm,
        wall_away_mm=inset * mm,
        ring_mm=ring,
        normals=normals,
        hidden=hidden if float(hidden.mean()) > OPEN_SHARE else np.zeros(len(hidden), bool),
        sight_known=known,
        bordered=_bordered(edge, edge.seen | unseen),
    )


def _bordered(edge: WallEdge, fitted: Bools) -> bool:
    """Return whether edges are fitted along most of a border, or on all its sides but roof or floor.

    A floor seen from below may be lost in a passage that is lit like the wall, and so may a roof from above.
    """
    if float(fitted.mean()) > LEAST_FITTED:
        return True
    roof, floor, left, right = (
        float(fitted[side].mean()) if side.any() else 0.0 for side in sides_of(edge.normals)
    )
    return min(left, right, max(roof, floor)) > LEAST_FITTED


def _waved(outline: Smoothed, waved_mm: float) -> Smoothed:
    """Return the outline with the scatter that a wall's texture makes: it waves over a millimetre or so."""
    return replace(
        outline,
        scatter_mm=float(np.hypot(outline.scatter_mm, waved_mm)),
        kinship=max(outline.kinship, WAVES_MM / spacing_mm(outline.ring_mm)),
    )


def _as_edge(edge: WallEdge, seen: Bools) -> Edge:
    return Edge(
        points_px=edge.points_px,
        normals=edge.normals,
        seen=seen,
        blur_px=edge.blur_px,
        contrast=edge.contrast,
        tone_px=tone_doubt(max(0.25 - 0.25 * edge.contrast, 0.0), 0.25, edge.blur_px),
        misfit_px=edge.misfit_px,
    )


@dataclass(frozen=True, slots=True)
class _Moved:
    """What one cause does to roof, floor and area."""

    roof: float
    floor: float
    area: float
    edge: float


def _with_chamfer(
    doubt: WindowDoubt, ring: Floats, fits: Sequence[object], slope: Floats, u_mm: float
) -> WindowDoubt:
    """Return the doubt with that of the chamfer's width: it moves the whole border at once."""
    length = _lengths(ring)
    runs = [getattr(fit, "run", np.zeros(0, np.intp)) for fit in fits]
    roof, floor = (float(np.mean(slope[run])) * u_mm if len(run) else u_mm for run in runs)
    return _rooted(
        doubt,
        _Moved(roof, floor, float(np.sum(slope * length)) * u_mm, float(np.sqrt(np.mean(slope**2))) * u_mm),
    )


def _lengths(ring: Floats) -> Floats:
    """Return how much of a border each of its places stands for."""
    ahead = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    return np.asarray(np.hypot(ahead[:, 0], ahead[:, 1]) / 2)


def _with_rivals(doubt: WindowDoubt, ring: Floats, rival_mm: Floats, sides: Sequence[Bools]) -> WindowDoubt:
    """Return the doubt with that of other edges beside roof, floor and sides, each taken by itself."""
    length = _lengths(ring)
    lengths = np.array([length[side].sum() for side in sides])
    area = float(np.sqrt(np.sum((rival_mm * lengths) ** 2)))
    edge = float(np.sqrt(np.sum(rival_mm**2 * lengths) / length.sum()))
    return _rooted(doubt, _Moved(float(rival_mm[0]), float(rival_mm[1]), area, edge))


def _rooted(doubt: WindowDoubt, more: _Moved) -> WindowDoubt:
    return WindowDoubt(
        roof_u_mm=float(np.hypot(doubt.roof_u_mm, more.roof)),
        floor_u_mm=float(np.hypot(doubt.floor_u_mm, more.floor)),
        wall_area_u_mm2=float(np.hypot(doubt.wall_area_u_mm2, more.area)),
        edge_u_mm=float(np.hypot(doubt.edge_u_mm, more.edge)),
    )


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

    Of a window that was found twice the outline is kept that is worth more.
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
        same = shared[within[0]] > SAME * other.traced.area_mm2
        if len(within) == 1 and same and worth[id(window)] > worth[id(other)]:
            kept[within[0]] = window
    return kept


def _wide(found: Sought, view: ScaledImage) -> bool:
    """Return whether an outline is no sliver, whose chamfers would meet."""
    return bool(np.ptp(found.outline_px, axis=0).min() * view.mm_per_px > LEAST_WIDTH_MM)
