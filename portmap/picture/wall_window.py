"""One window of a wall, measured at full size: its outline, and how sure that is.

Both edges of the border (`wall_edge`); then, as for flat images, smoothing, fitted roof and floor,
simplification (`outline`) and doubt (`outline_doubt`), to which come those of the chamfer's width, of other
edges beside the ones that were taken, and of what no photo shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from portmap.picture.edge import Edge, tone_doubt
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
from portmap.picture.scaled import place_of
from portmap.picture.traced import TracedWindow, untangled
from portmap.picture.wall_border import Sought, sides_of
from portmap.picture.wall_edge import WallEdge, wall_edge
from portmap.picture.wall_notices import WallWindow
from portmap.picture.wall_open import ends_unsure, gone_on, hidden_places, open_doubt, straightened
from portmap.picture.wall_search import Sighting
from portmap.picture.wall_shown import ShownWall, image_sighting, sight_by, sightings_of
from portmap.picture.wall_sight import seen_at
from portmap.picture.wall_texture import likeness
from portmap.port import Window, WindowDoubt, window_polygon

__all__ = ["WALL_EDGES", "How", "WallEdgeName", "window_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WallEdgeName = Literal["true", "chamfer"]
WALL_EDGES: tuple[WallEdgeName, ...] = get_args(WallEdgeName)

LEAST_FITTED = 0.85  # of the border that photos show
OPEN_SHARE = 0.004  # of a border: less that is not seen is bridged without a word
# Of the blur: so far off a side of a window is seen, by what lies behind it. Found in the study of rendered
# bore photos (RESULTS.md, first four seeds).
BLUR_SHARE = 0.05
# Along so much of a border what the fit could not follow draws it alike: beside a window's place and shape,
# borders in that study err by as much as the fit leaves over, and 1.8 mm on in another way (median of 68).
DRAWN_ALIKE_MM = 2.0
# Roof and floor wave by so much of the blur, over so much of their length, as the wall's texture draws them.
WAVES_SHARE, WAVES_MM, HAIR_WAVES = 0.15, 1.5, 3.0
UNKNOWN_DRIFT = 0.6  # standard deviation of a sight that nobody knows: 30° off


@dataclass(frozen=True, kw_only=True, slots=True)
class How:
    """How windows are to be measured.

    Parameters
    ----------
    edge : {'true', 'chamfer'}
        Which edge of the border is given.
    tolerance_mm : float
        Of the simplified outline.
    width_mm : float
        About how wide the chamfers are.
    """

    edge: WallEdgeName
    tolerance_mm: float
    width_mm: float


def window_of(wall: ShownWall, found: Sought, how: How) -> WallWindow:
    """Return one window measured at full size.

    Parameters
    ----------
    wall : ShownWall
    found : Sought
        Its rough border.
    how : How

    Returns
    -------
    WallWindow
        Its number is 0.

    Raises
    ------
    GeometryError
        If its outline crosses itself.
    """
    view, sight, mm = wall.view, sight_by(wall, found.outline_px), wall.view.mm_per_px
    whole = image_sighting(wall)

    def edge_near(sightings: Sequence[Sighting], rough: Floats) -> WallEdge:
        return wall_edge(
            sightings,
            rough,
            mm_per_px=mm,
            width_mm=how.width_mm,
            shown=partial(seen_at, sight),
            like=lambda: likeness(wall.texture(), rough),
        )

    edge = edge_near(sightings_of(wall, found.outline_px), found.outline_px)
    on = gone_on(wall.light, sight, edge, mm)
    if on is not None:
        edge = edge_near([replace(whole, light=on[1])], on[0])
    hidden = unseen = hidden_places(sight, edge, view)
    if wall.image.wraps:  # a single photo's wall ends beside every window, and is asked only for heights
        hidden = hidden | ends_unsure(sight, edge, view)
    known = bool(np.isfinite(whole.drift(edge.points_px, edge.normals)).any())
    inset = edge.chamfer_mm / mm if how.edge == "true" else 0.0
    points = straightened(edge.points_px - inset * edge.normals, unseen)
    normals = edge.normals * [1.0, -1.0]
    places, seen = place_of(view, points), edge.seen & ~hidden
    slope = (edge.slope_px * mm - (1.0 if how.edge == "true" else 0.0)) * ~hidden
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
        alike_mm=DRAWN_ALIKE_MM,
    )
    doubt = _with_chamfer(doubt, ring, fits, slope, edge.chamfer_u_mm)
    if not known:
        doubt = _with_chamfer(doubt, ring, fits, np.full(len(ring), UNKNOWN_DRIFT), edge.chamfer_mm)
    blurred = BLUR_SHARE * edge.blur_px * mm
    doubt = _with_sides(doubt, ring, edge.normals[order], np.hypot(edge.sides.rival_px * mm, blurred))
    roof_u, floor_u, area_u = open_doubt(ring, normals, hidden)
    doubt = _rooted(doubt, _Moved(roof_u, floor_u, area_u, 0.0))
    shape = window_polygon(*untangled(simplified(ring, how.tolerance_mm), []))
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

    Seen along the bore a floor may be lost in a passage that is lit like the wall, or a roof, from above.
    """
    if float(fitted.mean()) > LEAST_FITTED:
        return True
    if not edge.along_bore:
        return False
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


def _with_sides(doubt: WindowDoubt, ring: Floats, normals: Floats, off_mm: Floats) -> WindowDoubt:
    """Return the doubt with that of roof, floor, left and right side, each off by itself.

    By other edges beside it, and by what the blur hides: what lies behind a side is lit in its own way. The
    normals are outward, (column, row); a corner belongs to the side that it is nearer to.
    """
    right, down = normals.T
    side = np.argmax([-down, down, -right, right], axis=0)
    length = np.bincount(side, weights=_lengths(ring), minlength=len(off_mm))
    area = float(np.sqrt(np.sum((off_mm * length) ** 2)))
    edge = float(np.sqrt(np.sum(off_mm**2 * length) / length.sum()))
    return _rooted(doubt, _Moved(float(off_mm[0]), float(off_mm[1]), area, edge))


def _rooted(doubt: WindowDoubt, more: _Moved) -> WindowDoubt:
    return WindowDoubt(
        roof_u_mm=float(np.hypot(doubt.roof_u_mm, more.roof)),
        floor_u_mm=float(np.hypot(doubt.floor_u_mm, more.floor)),
        wall_area_u_mm2=float(np.hypot(doubt.wall_area_u_mm2, more.area)),
        edge_u_mm=float(np.hypot(doubt.edge_u_mm, more.edge)),
    )
