"""Windows traced from a scaled image: outlines in millimetres, their roofs and floors, and how sure they are.

The way: regions on a reduced copy (`segment`), the edge to a few hundredths of a pixel at full size
(`edge`), smoothing, fitted roof and floor, simplification (`outline`), doubt (`outline_doubt`).

Glossary
--------
lift
    How the shape was lifted: 'filled' (rubbed or inked dark), 'line' (pencil round the edge), 'cut' (a
    hole with another colour under it).
marked
    Which face of the sheet carries the mark and lies up in the picture: the one that faced the bore's
    axis, or the one that touched the wall, which shows everything mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from portmap.errors import PictureError
from portmap.picture.edge import Edge, Side, line_edge, step_edge
from portmap.picture.mark_colours import mark_colours
from portmap.picture.outline import (
    Fitted,
    Smoothed,
    fitted_extreme,
    ring_area,
    simplified,
    smoothed_outline,
    with_run,
)
from portmap.picture.outline_doubt import outline_doubt
from portmap.picture.ruling import Ruling, found_ruling, ruling_image
from portmap.picture.scaled import ScaledImage, place_of
from portmap.picture.segment import Found, Lift, Limits, Region, found_regions, weight
from portmap.picture.sheet_curl import wall_x_factor
from portmap.picture.tone import LUMA, linear_light
from portmap.picture.tone_curve import INK_MM
from portmap.picture.trace_notices import picture_notices, sheet_notice, window_notices
from portmap.picture.traced import Trace, TracedWindow, check_count, numbered, once_round, picked, untangled
from portmap.port import Window, WindowDoubt, window_polygon

__all__ = ["Marked", "Trace", "TracedWindow", "trace"]

Marked = Literal["axis", "wall"]

MARGIN_MM = 3.0  # sheet round a window that is looked at with it
RULING_MM = 6.0  # round all windows together, to look for ruling in
STRONG_COLOUR = 40.0  # steps of 255 between the strongest and the weakest of red, green and blue


def trace(
    image: ScaledImage,
    *,
    lift: Lift | None = None,
    edge: Side | None = None,
    expect: int | None = None,
    min_area_mm2: float = 12.0,
    min_island_mm2: float = 4.0,
    keep: Sequence[int] = (),
    drop: Sequence[int] = (),
    tolerance_mm: float = 0.01,
    marked: Marked = "axis",
    sheet_thickness_mm: float | None = None,
    bore_mm: float | None = None,
) -> Trace:
    """Return the windows that a scaled image shows.

    Parameters
    ----------
    image : ScaledImage
        The picture.
    lift : {'filled', 'line', 'cut'}, optional
        How the shapes were lifted. Unless told it is chosen by what is seen, and a notice says so.
    edge : {'inner', 'middle', 'outer'}, optional
        Which part of a pencil line is the port's edge; 'inner' (the side toward the window) unless told,
        and a notice says what the choice is worth. Only for 'line'.
    expect : int, optional
        How many windows there must be.
    min_area_mm2, min_island_mm2 : float, optional
        Smaller regions are no windows; smaller islands in a window are gaps in the rubbing [mm²].
    keep, drop : sequence of int, optional
        Numbers of the windows to keep (all others go) or to leave out.
    tolerance_mm : float, optional
        Greatest distance between the outline measured and the one given [mm].
    marked : {'axis', 'wall'}, optional
        Which face of the sheet is up; 'wall' mirrors x.
    sheet_thickness_mm, bore_mm : float, optional
        Given both, x is corrected for the sheet's curl (`wall_x_factor`).

    Returns
    -------
    Trace
        With at least one window.

    Raises
    ------
    PictureError
        If no window is found, not as many as expected, or `keep` or `drop` names one that is not there.
    QuantityError
        If bore or thickness make no sense.
    GeometryError
        If an outline crosses itself.
    """
    factor = None
    if sheet_thickness_mm is not None and bore_mm is not None:
        factor = wall_x_factor(bore_mm, sheet_thickness_mm)
    limits = Limits(min_area_mm2=min_area_mm2, min_island_mm2=min_island_mm2)
    view = _unwrapped(image)
    chosen, found, guessed = _seen(view, lift, limits)
    side: Side = edge or "inner"
    ruling = _ruling_round(view, found)
    every = [
        _window(view, region, chosen, side, tolerance_mm, marked, factor, ruling) for region in found.regions
    ]
    turn = image.pixels.shape[1] * image.mm_per_px if image.wraps else None
    windows = numbered(once_round(every, turn))
    notices = picture_notices(image, chosen, guessed=guessed, found=found)
    windows = picked(windows, keep, drop)
    check_count(windows, expect)
    notices += window_notices(windows, chosen, side, edge_told=edge is not None, found=found)
    notices += sheet_notice(factor, sheet_thickness_mm, bore_mm, windows)
    source = {
        "image": image.source,
        "mm_per_px": image.mm_per_px,
        "residual_mm": image.residual_mm,
        "lift": chosen,
        "edge": side if chosen == "line" else None,
        "mirrored": (marked == "wall") != bool(image.source.get("mirrored")),
        "tolerance_mm": tolerance_mm,
        "sheet_thickness_mm": sheet_thickness_mm,
        "bore_mm": bore_mm,
        "wall_x_factor": factor,
    }
    return Trace(windows=windows, lift=chosen, source=source, notices=(*image.notices, *notices))


def _unwrapped(image: ScaledImage) -> ScaledImage:
    """Return a picture that wraps with its left half repeated on the right, so that no window is cut."""
    if not image.wraps:
        return image
    half = image.pixels.shape[1] // 2
    return replace(image, pixels=np.hstack([image.pixels, image.pixels[:, :half]]), wraps=False)


def _seen(image: ScaledImage, lift: Lift | None, limits: Limits) -> tuple[Lift, Found, bool]:
    """Return the way of lifting, what was found in it, and whether the way was chosen here."""
    if lift:
        found = found_regions(image, lift, limits)
        if not found.regions:
            raise _nothing({lift: found}, lift)
        return lift, found, False
    results: dict[Lift, Found] = {way: found_regions(image, way, limits) for way in ("filled", "line")}
    way: Lift = "filled" if weight(results["filled"]) >= weight(results["line"]) else "line"
    if way == "filled" and (not results[way].regions or _coloured(image, results[way])):
        results["cut"] = found_regions(image, "cut", limits)
        way = "cut"
    if not results[way].regions:
        raise _nothing(results, None)
    return way, results[way], True


def _coloured(image: ScaledImage, found: Found) -> bool:
    """Return whether the windows are of a strong colour, as a sheet under a hole is and graphite is not."""
    colours = []
    for region in found.regions:
        column, row = np.clip(region.outline_px.mean(axis=0).round().astype(int), 4, None)
        colours.append(image.pixels[row - 4 : row + 5, column - 4 : column + 5].reshape(-1, 3).mean(axis=0))
    return bool(np.ptp(np.mean(colours, axis=0)) > STRONG_COLOUR)


def _nothing(results: dict[Lift, Found], lift: Lift | None) -> PictureError:
    """Return the error for a picture without windows, with what was seen and what to do."""
    best = max(results.values(), key=lambda found: found.darkest)
    seen = f"the darkest place is {100 * max(best.darkest, 0.0):.0f} % darker than the sheet"
    dropped = [d for found in results.values() for d in found.dropped if d.reason in {"border", "small"}]
    if dropped:
        largest = max(dropped, key=lambda d: d.area_mm2)
        why = "touches the picture's border" if largest.reason == "border" else "is too small"
        seen += f"; the largest spot, {largest.area_mm2:.1f} mm², {why}"
    if lift == "line":
        remedy = "close the pencil line all round (gaps under 1 mm are bridged), or name another --lift"
    elif best.darkest < best.threshold:
        remedy = "rub the windows darker, or lay a darker sheet under the holes, and photograph in even light"
    else:
        remedy = "lay the sheet so that all windows lie inside, or lower --min-area"
    return PictureError(f"no window found: {seen}", where="picture", remedy=remedy)


def _window(
    image: ScaledImage,
    region: Region,
    lift: Lift,
    side: Side,
    tolerance_mm: float,
    marked: Marked,
    factor: float | None,
    ruling: Ruling | None,
) -> TracedWindow:
    """Return one window measured at full size; its number is set later."""
    rows, columns, corner = _crop(image, region.outline_px)
    pixels = image.pixels[rows, columns]
    colours = mark_colours(pixels, region.outline_px - corner, mm_per_px=image.mm_per_px, line=lift == "line")
    light = linear_light(np.ascontiguousarray(pixels), colours.band)
    lines = None
    if ruling is not None and colours.band == LUMA:
        lines = ruling_image(ruling, corner_px=(int(corner[0]), int(corner[1])), size=light.shape[:2])
    rings: list[NDArray[np.float64]] = []
    measured: tuple[Smoothed, tuple[Fitted, Fitted], Edge, NDArray[np.float64]] | None = None
    for rough in (region.outline_px, *region.islands_px):
        is_island = measured is not None
        own_side: Side = side
        if is_island and side != "middle":  # the window lies outside an island's line
            own_side = "outer" if side == "inner" else "inner"
        found = (
            line_edge(light, rough - corner, mm_per_px=image.mm_per_px, side=own_side, ruling=lines)
            if lift == "line"
            else step_edge(
                light, rough - corner, mm_per_px=image.mm_per_px, colours=colours.to_mix, ruling=lines
            )
        )
        smoothed = _in_millimetres(image, found, corner, marked)
        if measured is None:
            fits = (fitted_extreme(smoothed, 1), fitted_extreme(smoothed, -1))
            ring = with_run(smoothed, fits)
            measured = smoothed, fits, found, ring
        else:
            ring = smoothed.ring_mm
        rings.append(simplified(ring, tolerance_mm))
    assert measured is not None  # noqa: S101 - a region has an outline
    smoothed, fits, found, ring = measured
    doubt = outline_doubt(
        smoothed,
        ring,
        fits,
        found,
        mm_per_px=image.mm_per_px,
        places=image.doubt,
        line_side=0.5 if lift == "line" and side != "middle" else 0.0,
        card_off_mm=0.0 if lift == "line" and side == "middle" else _card_off_mm(image),
    )
    shape, doubt = _on_the_wall(rings, doubt, factor)
    return TracedWindow(
        number=0,
        window=Window(outline=shape, doubt=doubt),
        roof_mm=float(shape.bounds[3]),
        floor_mm=float(shape.bounds[1]),
        roof_degree=fits[0].degree,
        floor_degree=fits[1].degree,
        area_mm2=float(shape.area),
        darkness=region.darkness,
        blur_mm=found.blur_px * image.mm_per_px,
        line_width_mm=None if found.line_width_px is None else found.line_width_px * image.mm_per_px,
        seen_share=float(np.mean(found.seen)),
    )


def _card_off_mm(image: ScaledImage) -> float:
    """Return how far the card's own edges stood off in the photos that the picture was made from."""
    shots = image.source.get("pictures")
    facts = [shot for shot in shots if isinstance(shot, dict)] if isinstance(shots, list) else []
    offs = [shot.get("card_edges_off_mm") for shot in facts]
    known = [abs(float(off)) for off in offs if isinstance(off, int | float)]
    return max((off for off in known if off < INK_MM), default=0.0)


def _ruling_round(image: ScaledImage, found: Found) -> Ruling | None:
    """Return the ruling of the sheet, looked for within 6 mm of the windows' common box."""
    corners = np.vstack([region.outline_px for region in found.regions])
    margin = RULING_MM / image.mm_per_px
    rows, columns = image.pixels.shape[:2]
    low = np.maximum(np.floor(corners.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + margin).astype(int) + 1, [columns, rows])
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    return found_ruling(image.pixels, mm_per_px=image.mm_per_px, box_px=box)


def _crop(image: ScaledImage, outline: NDArray[np.float64]) -> tuple[slice, slice, NDArray[np.float64]]:
    margin = MARGIN_MM / image.mm_per_px
    low = np.maximum(np.floor(outline.min(axis=0) - margin), 0).astype(int)
    high = np.ceil(outline.max(axis=0) + margin).astype(int) + 1
    return slice(low[1], high[1]), slice(low[0], high[0]), low.astype(np.float64)


def _in_millimetres(image: ScaledImage, edge: Edge, corner: NDArray[np.float64], marked: Marked) -> Smoothed:
    """Return the edge's points on the wall, anticlockwise, smoothed."""
    points = place_of(image, edge.points_px + corner)
    normals = edge.normals * np.array([1.0, -1.0])
    seen, misfit = edge.seen, edge.misfit_px * image.mm_per_px
    if marked == "wall":
        points, normals = points * np.array([-1.0, 1.0]), normals * np.array([-1.0, 1.0])
    if ring_area(points) < 0:
        points, normals, seen, misfit = points[::-1], normals[::-1], seen[::-1], misfit[::-1]
    return smoothed_outline(points, normals, seen, blur_mm=edge.blur_px * image.mm_per_px, misfit_mm=misfit)


def _on_the_wall(
    rings: list[NDArray[np.float64]], doubt: WindowDoubt, factor: float | None
) -> tuple[Polygon, WindowDoubt]:
    """Return the checked shape with x corrected for the sheet's curl."""
    stretch = np.array([factor or 1.0, 1.0])
    shape = window_polygon(*untangled(rings[0] * stretch, [ring * stretch for ring in rings[1:]]))
    return shape, replace(doubt, wall_area_u_mm2=doubt.wall_area_u_mm2 * (factor or 1.0))
