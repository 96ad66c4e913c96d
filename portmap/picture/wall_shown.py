"""A wall image as windows are traced on it: its light, how it was seen, and what single photos show of it.

Some of the image's left part stands repeated on its right, so that windows over the seam are whole. Points
are (column, row) [px] of that view.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import TypeVar

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from shapely import Polygon
from shapely.affinity import translate

from portmap.picture.scaled import ScaledImage, place_of
from portmap.picture.tone import LUMA, linear_light, linear_light_of_grey
from portmap.picture.wall_photos import PhotoWall
from portmap.picture.wall_search import Sighting, border_worth
from portmap.picture.wall_sight import (
    WallSight,
    away_from,
    drift_at,
    drift_from,
    fineness,
    shown_at,
    unwrapped,
)
from portmap.picture.wall_texture import Texture, texture_of

__all__ = [
    "ShownWall",
    "image_sighting",
    "outline_worth",
    "points_on",
    "shown_wall",
    "sight_by",
    "sightings_of",
    "walled_up",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_Light = TypeVar("_Light", bound=np.generic)

COARSE = 4  # pixels in a step when light is continued
# Photos in which a window is measured, no more; how much better it must be told by one photo more, by the
# root of how finely its border is shown; how far past its outline they are looked at.
PHOTOS_MOST, LEAST_GAIN, AROUND_MM = 4, 0.02, 6.0
NOT_TOLD = 10.0  # times, that a place counts of which no photo taken so far tells
UNTOLD_MM = 1.0  # from the end of what a photo shows
TOLD_EVERY = 8  # points of an outline: so far along it photos tell alike
FILLED_MM = 0.2  # past a window's chamfer, so that nothing of its border is left


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ShownWall:
    """A wall image as windows are traced on it.

    Parameters
    ----------
    image : ScaledImage
        As it was given.
    view : ScaledImage
        With some of its left part repeated on the right, if it wraps.
    sight : WallSight
        Of the view.
    seen_light : ndarray of shape (M, N)
        Linear light of the view.
    light : ndarray of shape (M, N)
        The same, continued where no photo shows the wall, so that no edge stands there.
    texture : callable
        Works out the texture of the view.
    photos : tuple of PhotoWall
        What single photos show of the view.
    """

    image: ScaledImage
    view: ScaledImage
    sight: WallSight
    seen_light: NDArray[np.float32]
    light: NDArray[np.float32]
    texture: Callable[[], Texture]
    photos: tuple[PhotoWall, ...] = ()


def shown_wall(image: ScaledImage, sight: WallSight, photos: Sequence[PhotoWall] = ()) -> ShownWall:
    """Return a wall image as windows are traced on it.

    Parameters
    ----------
    image : ScaledImage
    sight : WallSight
    photos : sequence of PhotoWall, optional

    Returns
    -------
    ShownWall
    """
    repeated = image.pixels.shape[1] // 2 if image.wraps else 0
    view = replace(image, pixels=np.hstack([image.pixels, image.pixels[:, :repeated]]), wraps=False)
    wide = unwrapped(sight, repeated)
    seen_light = linear_light(np.ascontiguousarray(view.pixels), LUMA)
    light = _continued(seen_light, wide.seen)
    return ShownWall(
        image=image,
        view=view,
        sight=wide,
        seen_light=seen_light,
        light=light,
        # only windows that are seen along the bore ask for it, some of them more than once
        texture=cache(partial(texture_of, light, wide.seen, mm_per_px=view.mm_per_px)),
        photos=tuple(
            replace(photo, gray=np.hstack([photo.gray, photo.gray[:, :repeated]])) for photo in photos
        ),
    )


def image_sighting(wall: ShownWall) -> Sighting:
    """Return what the wall image itself shows.

    Parameters
    ----------
    wall : ShownWall

    Returns
    -------
    Sighting
    """

    def drift(points: Floats, normals: Floats) -> Floats:
        return _along(drift_at(wall.sight, place_of(wall.view, points)), normals)

    return Sighting(
        light=wall.light,
        drift=drift,
        away_mm=lambda points: np.full(len(points), wall.sight.bore_mm / 2),  # as if from the axis
        counts=lambda points: np.ones(len(points)),
        radius_mm=wall.sight.bore_mm / 2,
    )


def _along(drift: Floats, normals: Floats) -> Floats:
    """Return a drift of (x, y) along normals of (column, row)."""
    return np.asarray((drift * normals * [1.0, -1.0]).sum(axis=1), np.float64)


def sightings_of(wall: ShownWall, outline_px: Floats) -> list[Sighting]:
    """Return the pictures in which a window is measured.

    Parameters
    ----------
    wall : ShownWall
    outline_px : ndarray of shape (N, 2)
        About where the wall ends.

    Returns
    -------
    list of Sighting
        The photos that tell of it, if the wall has them; else the wall image.
    """
    told = _told_by(wall, outline_px)
    return [_sighting_of(photo, wall, outline_px) for photo in told] or [image_sighting(wall)]


def _told_by(wall: ShownWall, outline_px: Floats) -> list[PhotoWall]:
    """Return the photos that tell of a window, so many that each part of its border is shown well.

    They are taken one by one, each the one that adds most: twice what is told of a place is less than twice
    as good, and a place of which nothing was told counts by far the most.
    """
    left = list(wall.photos)
    if not left:
        return []
    points = outline_px[::TOLD_EVERY]
    tells = [shown_at(photo.gray, points) * _fineness(photo, wall, points) for photo in left]
    best = np.max(tells, axis=0)
    best = np.where(best > 0, best, 1.0)
    had, chosen = np.zeros(len(points)), list[PhotoWall]()
    while left and len(chosen) < PHOTOS_MOST:
        weight = np.where(had > 0, 1.0, NOT_TOLD)
        gains = [float(np.mean(weight * (np.sqrt(had + own / best) - np.sqrt(had)))) for own in tells]
        k = int(np.argmax(gains))
        if gains[k] < LEAST_GAIN:
            break
        chosen.append(left.pop(k))
        had = had + tells.pop(k) / best
    return chosen


def _fineness(photo: PhotoWall, wall: ShownWall, points: Floats) -> Floats:
    return fineness(photo.eye_mm, wall.sight.bore_mm / 2, place_of(wall.view, points))


def _sighting_of(photo: PhotoWall, wall: ShownWall, outline_px: Floats) -> Sighting:
    """Return what a photo shows round a window."""
    view, radius_mm, beside = wall.view, wall.sight.bore_mm / 2, AROUND_MM / wall.view.mm_per_px
    low = np.maximum(np.floor(outline_px.min(axis=0) - beside).astype(int), 0)
    high = np.ceil(outline_px.max(axis=0) + beside).astype(int) + 1
    gray = np.ascontiguousarray(photo.gray[low[1] : high[1], low[0] : high[0]])
    # beside the end of what it shows a photo tells nothing: that end may look like an edge
    size = 2 * round(UNTOLD_MM / view.mm_per_px) + 1
    tells = cv2.erode((gray > 0).astype(np.uint8), np.ones((size, size), np.uint8))

    def drift(points: Floats, normals: Floats) -> Floats:
        return _along(drift_from(photo.eye_mm, radius_mm, place_of(view, points)), normals)

    def away_mm(points: Floats) -> Floats:
        return away_from(photo.eye_mm, radius_mm, place_of(view, points))

    return Sighting(
        light=_continued(linear_light_of_grey(gray), gray > 0),
        corner_px=low.astype(np.float64),
        drift=drift,
        away_mm=away_mm,
        counts=lambda points: shown_at(tells, points - low) * _fineness(photo, wall, points),
        radius_mm=radius_mm,
    )


def sight_by(wall: ShownWall, outline_px: Floats) -> WallSight:
    """Return how the wall was seen, where the pictures show it in which a window is measured.

    Parameters
    ----------
    wall : ShownWall
    outline_px : ndarray of shape (N, 2)
        As `sightings_of` takes it.

    Returns
    -------
    WallSight
    """
    told = _told_by(wall, outline_px)
    if not told:
        return wall.sight
    shown = np.logical_or.reduce([photo.gray > 0 for photo in told])
    return replace(wall.sight, seen=wall.sight.seen & shown)


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


def outline_worth(wall: ShownWall, end: Polygon, width_mm: float) -> float:
    """Return what a border is worth in all pictures of it, the mean over it.

    Parameters
    ----------
    wall : ShownWall
    end : shapely.Polygon
        Where the wall ends [mm].
    width_mm : float
        Of the chamfer.

    Returns
    -------
    float
    """
    points = points_on(wall, shapely.get_coordinates(end.exterior)[:-1])
    return border_worth(sightings_of(wall, points), points, mm_per_px=wall.view.mm_per_px, width_mm=width_mm)


def walled_up(wall: ShownWall, end: Polygon, beside: Floats) -> ShownWall:
    """Return the wall without one of its windows.

    Parameters
    ----------
    wall : ShownWall
    end : shapely.Polygon
        Where the wall ends round it [mm].
    beside : ndarray of shape (N, 2)
        Places that are beside it on the wall, near which it is taken away [mm].

    Returns
    -------
    ShownWall
    """
    near = place_of(wall.view, points_on(wall, beside))
    window = translate(end, float(near[0, 0] - beside[0, 0]), 0.0)
    return replace(
        wall,
        light=_filled(wall, wall.light, window),
        # 0 is left: the photo does not show that
        photos=tuple(
            replace(each, gray=_filled(wall, each.gray, window) * (each.gray > 0)) for each in wall.photos
        ),
    )


def _filled(wall: ShownWall, light: NDArray[_Light], window: Polygon) -> NDArray[_Light]:
    """Return the light, or grey, with wall where a window is, as beside it."""
    points = _point(wall.view, shapely.get_coordinates(window.buffer(FILLED_MM).exterior))
    mask = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(points).astype(np.int32)], 1)
    beside = cv2.dilate(mask, np.ones((9, 9), np.uint8)) > mask
    level = float(np.median(light[beside].astype(np.float32))) if beside.any() else 0.0
    return np.where(mask > 0, level, light).astype(light.dtype)


def _point(view: ScaledImage, places_mm: Floats) -> Floats:
    """Return points [px] of places; `place_of` goes the other way."""
    return np.asarray((places_mm - [view.x0_mm, view.y0_mm]) / [view.mm_per_px, -view.mm_per_px], np.float64)


def points_on(wall: ShownWall, places_mm: Floats) -> Floats:
    """Return points [px] of places, moved by whole turns so that they lie in the middle of the view.

    Parameters
    ----------
    wall : ShownWall
    places_mm : ndarray of shape (N, 2)

    Returns
    -------
    ndarray of shape (N, 2)
    """
    points = _point(wall.view, places_mm)
    if wall.image.wraps:
        columns = wall.image.pixels.shape[1]
        middle = float(points[:, 0].min() + points[:, 0].max()) / 2
        home = np.mod(middle, columns)
        if home < columns / 4:
            home += columns
        points[:, 0] += home - middle
    return np.asarray(points, np.float64)
