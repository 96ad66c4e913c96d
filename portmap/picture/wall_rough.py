"""Rough borders on a wall, to be measured: of all that looks like a window, or where a user points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from scipy.ndimage import maximum_filter1d
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError, PictureError
from portmap.matching import shared_part
from portmap.picture.scaled import ScaledImage
from portmap.picture.wall_border import Sought, snapped
from portmap.picture.wall_neighbours import window_worth
from portmap.picture.wall_responses import Responses
from portmap.picture.wall_search import WIDTHS_MM, chamfer_merits
from portmap.picture.wall_seek import boxes_in, windows_sought
from portmap.picture.wall_shown import ShownWall, points_on, sightings_of
from portmap.picture.wall_sight import seen_at
from portmap.picture.wall_window import How, window_of

__all__ = [
    "LEAST_HINTED",
    "LEAST_WIDTH_MM",
    "MOSTLY_HIDDEN",
    "ROUGH_REACH_MM",
    "chamfer_widths",
    "rough_borders",
]

MOSTLY_HIDDEN = 0.4  # of a border: what is mostly unseen may be no window at all
ROUGH_REACH_MM = 1.6  # how far rough corners may lie off the edge
LEAST_HINTED = 3.0  # mean response at a border that the user pointed at; the bare wall's is about 2
LEAST_WIDTH_MM = 2.5
# Of a window, round the bore, as a share of the bore: rings stand no wider a port without a bridge than some
# 0.7 of it straight across, 0.78 round it (common practice, no source).
WIDEST_SHARE = 0.82
ENDS_SHARE = 0.05  # of a turn, at either end of a view that goes round one and a half times
# Of the merit of the likeliest width of a bore's chamfers, that another has which may be right too; steps of
# `WIDTHS_MM` between two such.
NEARLY, APART = 0.95, 5
TWICE = 0.9  # of what two rough outlines cover together, a turn apart: they are one window's


def rough_borders(
    wall: ShownWall,
    responses: Responses,
    bore_mm: float,
    *,
    inside_mm: Sequence[tuple[float, float]] = (),
    rough: Sequence[Polygon] = (),
) -> list[Sought]:
    """Return rough borders, each of them once.

    Parameters
    ----------
    wall : ShownWall
    responses : Responses
    bore_mm : float
    inside_mm : sequence of tuple of float, optional
        Places (x, y), one inside each window that is wanted.
    rough : sequence of shapely.Polygon, optional
        Rough outlines [mm] of the windows that are wanted. Without either all are sought.

    Returns
    -------
    list of Sought
        [px of the wall's view].

    Raises
    ------
    PictureError
        If a hint leads to none.
    """
    hinted = bool(inside_mm or rough)
    widest_mm = WIDEST_SHARE * bore_mm
    found = sought = windows_sought(responses, widest_mm=widest_mm) if inside_mm or not hinted else []
    if hinted:
        found = [_near_place(wall, responses, place, sought) for place in inside_mm]
        found += [_near_outline(wall, responses, shape) for shape in rough]
    turn_px = wall.image.pixels.shape[1] if wall.image.wraps else None
    found = [each for each in found if _whole(each, wall.view.pixels.shape[1], turn_px)]
    found = [each for each in found if _wide(each, wall.view) and (hinted or _shown(wall, each))]
    return _once(found, turn_px)


def chamfer_widths(wall: ShownWall, found: Sequence[Sought]) -> list[float]:
    """Return about how wide the chamfers of a bore may be: windows of one bore are chamfered alike.

    Each window's own width is fitted from there. A window counts by the share of its border, so that a large
    one outweighs no others.

    Parameters
    ----------
    wall : ShownWall
    found : sequence of Sought

    Returns
    -------
    list of float
        [mm]; the likeliest first. In one picture alone a lit edge in the passages may look like the true one,
        so that another width is nearly as likely; measuring tells. 0 of no borders.
    """
    if not found:
        return [0.0]
    told = [
        chamfer_merits(sightings_of(wall, each.outline_px), each.outline_px, mm_per_px=wall.view.mm_per_px)
        / len(each.outline_px)
        for each in found
    ]
    merits = np.sum(told, axis=0)
    peaks = np.flatnonzero(merits >= maximum_filter1d(merits, 2 * APART + 1))
    peaks = peaks[merits[peaks] >= NEARLY * merits.max()]
    return [float(width) for width in WIDTHS_MM[peaks[np.argsort(-merits[peaks])]]]


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
        how = How(edge="true", tolerance_mm=0.0, width_mm=chamfer_widths(wall, [found, *sought])[0])
        found = max((found, *others), key=lambda each: _measured_worth(wall, each, how))
    return _firm(found, told)


def _measured_worth(wall: ShownWall, found: Sought, how: How) -> float:
    """Return what a border is worth once it is measured, the mean over it."""
    try:
        return window_worth(wall, window_of(wall, found, how))
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


def _whole(found: Sought, columns: int, turn_px: int | None) -> bool:
    """Return whether an outline keeps off the left and the right end of the view.

    A view of all the bore goes round one and a half times: whatever stands near its end, perhaps a window
    that is cut by it, stands a turn away further in.
    """
    margin = 3.0 if turn_px is None else ENDS_SHARE * turn_px
    low, high = found.outline_px[:, 0].min(), found.outline_px[:, 0].max()
    return bool(low > margin and high < columns - 1 - margin)


def _wide(found: Sought, view: ScaledImage) -> bool:
    """Return whether an outline is no sliver, whose chamfers would meet."""
    return bool(np.ptp(found.outline_px, axis=0).min() * view.mm_per_px > LEAST_WIDTH_MM)


def _shown(wall: ShownWall, found: Sought) -> bool:
    """Return whether photos show most of a border: the end of what they show is a firm edge too."""
    return float(seen_at(wall.sight, found.outline_px).mean()) > 1.0 - MOSTLY_HIDDEN


def _once(found: list[Sought], turn_px: int | None) -> list[Sought]:
    """Return outlines without those that are another one, a turn further on."""
    if turn_px is None:
        return found
    kept: list[tuple[Sought, Polygon]] = []
    for each in found:
        shape = Polygon(each.outline_px).buffer(0)
        again = [translate(shape, away, 0.0) for away in (-turn_px, turn_px)]
        if not any(shared_part(one, other) > TWICE for one in again for _, other in kept):
            kept.append((each, shape))
    return [each for each, _ in kept]
