"""Windows drawn by hand in an open format: SVG paths, DXF curves, points in a CSV.

For a porter who has already drawn round the windows in a program of their own. Curves become chords within a
tolerance; pieces that meet end to end become one outline; an outline inside another is an island in it.

Frames
------
DXF, CSV
    x and y are those of the bore frame.
SVG
    y runs down. The page's lower left corner is x = 0, y = 0, unless the page's view box puts its own origin
    elsewhere than in the upper left corner: then that origin is meant.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from portmap.errors import Notice, PictureError, PortmapError, QuantityError
from portmap.picture.drawn_csv import csv_outlines
from portmap.picture.drawn_curves import Chain, joined_outlines
from portmap.picture.drawn_dxf import dxf_chains
from portmap.picture.drawn_svg import svg_chains
from portmap.picture.outline_doubt import SIDES
from portmap.picture.sheet_curl import wall_x_factor
from portmap.picture.traced import Trace, TracedWindow, check_count, numbered, picked
from portmap.port import Window, WindowDoubt, window_polygon

__all__ = ["FORMATS", "drawn_windows"]

SIZE_LIMIT_BYTES = 32 * 1024 * 1024
FARTHEST_MM = 10_000.0

FORMATS: dict[str, str] = {".svg": "SVG", ".dxf": "DXF", ".csv": "CSV"}


def drawn_windows(
    path: Path | str,
    *,
    mm_per_unit: float | None = None,
    close_gap_mm: float = 0.5,
    tolerance_mm: float = 0.01,
    min_area_mm2: float = 1.0,
    expect: int | None = None,
    keep: Sequence[int] = (),
    drop: Sequence[int] = (),
    edge_u_mm: float | None = None,
    sheet_thickness_mm: float | None = None,
    bore_mm: float | None = None,
) -> Trace:
    """Return the windows that a drawing holds.

    Parameters
    ----------
    path : Path or str
        A file whose name ends in .svg, .dxf or .csv.
    mm_per_unit : float, optional
        Length of one unit of the drawing [mm]; needed if the drawing does not say, and stands above what it
        says. Not for CSV, which is in mm.
    close_gap_mm : float, optional
        Ends closer than this are joined [mm].
    tolerance_mm : float, optional
        Greatest distance between a curve and its chords [mm].
    min_area_mm2 : float, optional
        Smaller outlines are no windows [mm²].
    expect, keep, drop : optional
        As in `portmap.picture.trace.trace`.
    edge_u_mm : float, optional
        How sure the drawn edge is, as a standard uncertainty [mm]; without it the windows have no doubt.
    sheet_thickness_mm, bore_mm : float, optional
        Given both, x is corrected for the curl of the sheet that was drawn from.

    Returns
    -------
    Trace
        ``lift`` is 'drawn'.

    Raises
    ------
    PictureError
        If the file cannot be read, holds no closed outline, or one that stays open (with the place).
    QuantityError
        If the drawing does not say its unit, or a length makes no sense.
    GeometryError
        If an outline crosses itself (with the place).
    """
    place = Path(path)
    name = place.name
    kind = place.suffix.lower()
    if kind not in FORMATS:
        raise PictureError(
            f"{kind or 'a file without ending'} is no drawing that is read",
            where=name,
            remedy="give .svg, .dxf or .csv",
        )
    for label, value in (("mm_per_unit", mm_per_unit), ("tolerance_mm", tolerance_mm)):
        if value is not None and not 0.0 < value < math.inf:
            raise QuantityError(f"{value:g} is no length", where=label, remedy="give one above 0")
    factor = None
    if sheet_thickness_mm is not None and bore_mm is not None:
        factor = wall_x_factor(bore_mm, sheet_thickness_mm)
    data = _content(place)
    outlines, unit, notices = _outlines(data, kind, name, mm_per_unit, close_gap_mm, tolerance_mm)
    shapes = _nested(outlines, name, min_area_mm2, factor or 1.0)
    if not shapes:
        raise PictureError(
            "holds no closed outline as large as a window",
            where=name,
            remedy="draw each window as one outline",
        )
    windows = picked(numbered([_drawn_window(shape, edge_u_mm) for shape in shapes]), keep, drop)
    check_count(windows, expect)
    source: dict[str, Any] = {
        "drawing": {"name": name, "format": FORMATS[kind], "sha256": hashlib.sha256(data).hexdigest()},
        "mm_per_unit": unit,
        "lift": "drawn",
        "edge": None,
        "mirrored": False,
        "tolerance_mm": tolerance_mm,
        "sheet_thickness_mm": sheet_thickness_mm,
        "bore_mm": bore_mm,
        "wall_x_factor": factor,
    }
    return Trace(windows=windows, lift="drawn", source=source, notices=tuple(notices))


def _content(place: Path) -> bytes:
    try:
        with place.open("rb") as stream:
            data = stream.read(SIZE_LIMIT_BYTES + 1)
    except FileNotFoundError:
        raise PictureError("there is no such file", where=place.name, remedy="check the name") from None
    except OSError as error:
        raise PictureError(
            f"cannot be read ({error.strerror or error})", where=place.name, remedy="name a file you may read"
        ) from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise PictureError(
            "the file is larger than 32 MiB", where=place.name, remedy="save only the windows' outlines"
        )
    return data


def _outlines(
    data: bytes, kind: str, name: str, mm_per_unit: float | None, gap_mm: float, tolerance_mm: float
) -> tuple[list[NDArray[np.float64]], float, list[Notice]]:
    """Return closed outlines in mm, the unit's length and what is to be said."""
    if kind == ".csv":
        return csv_outlines(data, name), 1.0, []
    read: Callable[[bytes, str, float | None, float], tuple[list[Chain], float, list[Notice]]]
    read = svg_chains if kind == ".svg" else dxf_chains
    chains, unit, notices = read(data, name, mm_per_unit, tolerance_mm)
    outlines, ignored = joined_outlines(chains, gap_mm, name)
    if ignored:
        notices.append(
            Notice(
                code="lines-ignored",
                message=f"{ignored} straight line{'s' if ignored != 1 else ''} that closed no outline "
                f"{'were' if ignored != 1 else 'was'} not taken for windows.",
            )
        )
    return outlines, unit, notices


def _nested(
    outlines: list[NDArray[np.float64]], name: str, min_area_mm2: float, factor: float
) -> list[Polygon]:
    """Return checked windows; an outline inside an odd number of others is an island of the smallest."""
    simple: list[Polygon] = []
    for number, outline in enumerate(outlines, 1):
        if not np.isfinite(outline).all() or np.abs(outline).max() > FARTHEST_MM:
            raise PictureError(
                f"outline {number} reaches out of all bounds", where=name, remedy="check the drawing's unit"
            )
        try:
            simple.append(window_polygon(outline * np.array([factor, 1.0])))
        except PortmapError as error:
            raise error.at(f"outline {number}").at(name) from None
    simple = sorted((s for s in simple if s.area >= min_area_mm2), key=lambda s: -float(s.area))
    around = [
        [j for j, outer in enumerate(simple) if j < k and outer.contains(inner.representative_point())]
        for k, inner in enumerate(simple)
    ]
    shapes = []
    for k, shape in enumerate(simple):
        if len(around[k]) % 2 == 0:
            islands = [simple[m].exterior.coords[:-1] for m in range(len(simple)) if around[m][-1:] == [k]]
            islands = [island for island in islands if len(around[k]) % 2 == 0]
            try:
                shapes.append(window_polygon(shape.exterior.coords[:-1], tuple(islands)))
            except PortmapError as error:
                raise error.at(name) from None
    return shapes


def _drawn_window(shape: Polygon, edge_u_mm: float | None) -> TracedWindow:
    doubt = None
    if edge_u_mm is not None:
        doubt = WindowDoubt(
            roof_u_mm=edge_u_mm,
            floor_u_mm=edge_u_mm,
            wall_area_u_mm2=edge_u_mm * float(shape.length) / math.sqrt(SIDES),
            edge_u_mm=edge_u_mm,
        )
    return TracedWindow(
        number=0,
        window=Window(outline=shape, doubt=doubt),
        roof_mm=float(shape.bounds[3]),
        floor_mm=float(shape.bounds[1]),
        roof_degree=None,
        floor_degree=None,
        area_mm2=float(shape.area),
        darkness=None,
        blur_mm=None,
        line_width_mm=None,
        seen_share=1.0,
    )
