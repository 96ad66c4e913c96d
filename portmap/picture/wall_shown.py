"""A wall image as windows are traced on it: its light, how it was seen, and what single photos show of it.

Some of the image's left part stands repeated on its right, so that windows over the seam are whole. Points
are (column, row) [px] of that view.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from shapely import Polygon
from shapely.affinity import translate

from portmap.picture.edge import outward_normals
from portmap.picture.scaled import ScaledImage, place_of
from portmap.picture.tone import LUMA, linear_light, linear_light_of_grey
from portmap.picture.wall_photos import PhotoWall
from portmap.picture.wall_search import Sighting, along_bore, border_worth, known_drift, shares_at
from portmap.picture.wall_sight import (
    WallSight,
    away_from,
    drift_at,
    drift_from,
    fineness,
    seen_at,
    unwrapped,
)
from portmap.picture.wall_texture import Texture, texture_of

__all__ = [
    "ShownWall",
    "image_sighting",
    "outline_worth",
    "points_on",
    "shown_wall",
    "sightings_of",
    "walled_up",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

COARSE = 4  # pixels in a step when light is continued
LEAST_SHARE = 0.1  # of what all photos tell of a window: a photo that tells less is not asked
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
    photos : tuple of Sighting
        What single photos show of the view.
    """

    image: ScaledImage
    view: ScaledImage
    sight: WallSight
    seen_light: NDArray[np.float32]
    light: NDArray[np.float32]
    texture: Callable[[], Texture]
    photos: tuple[Sighting, ...] = ()


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
        photos=tuple(_sighting_of(photo, view, wide, repeated) for photo in photos),
    )


def _sighting_of(photo: PhotoWall, view: ScaledImage, sight: WallSight, repeated: int) -> Sighting:
    """Return what a photo shows of the wall as it is traced."""
    gray = np.hstack([photo.gray, photo.gray[:, :repeated]])
    own, radius_mm = replace(sight, seen=gray > 0), sight.bore_mm / 2

    def drift(points: Floats, normals: Floats) -> Floats:
        return _along(drift_from(photo.eye_mm, radius_mm, place_of(view, points)), normals)

    def counts(points: Floats) -> Floats:
        return seen_at(own, points) * fineness(photo.eye_mm, radius_mm, place_of(view, points))

    def away_mm(points: Floats) -> Floats:
        return away_from(photo.eye_mm, radius_mm, place_of(view, points))

    light = _continued(linear_light_of_grey(gray), own.seen)
    return Sighting(light=light, drift=drift, away_mm=away_mm, counts=counts, radius_mm=radius_mm)


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
        Of a window that is seen along the bore the photos that tell of it, if the wall has them; else the
        wall image.
    """
    whole = image_sighting(wall)
    normals = outward_normals(outline_px, 2.0)
    if not wall.photos or not along_bore(known_drift(whole.drift(outline_px, normals)), normals):
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
        photos=tuple(replace(each, light=_filled(wall, each.light, window)) for each in wall.photos),
    )


def _filled(wall: ShownWall, light: NDArray[np.float32], window: Polygon) -> NDArray[np.float32]:
    """Return the light with wall where a window is, as beside it."""
    points = _point(wall.view, shapely.get_coordinates(window.buffer(FILLED_MM).exterior))
    mask = np.zeros(light.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(points).astype(np.int32)], 1)
    beside = cv2.dilate(mask, np.ones((9, 9), np.uint8)) > mask
    level = float(np.median(light[beside])) if beside.any() else 0.0
    return np.asarray(np.where(mask > 0, np.float32(level), light), np.float32)


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
