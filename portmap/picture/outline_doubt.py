"""How sure a traced outline is: its roof, floor, area and a single point.

Root sum of squares [1]_ over independent causes:

- the picture's place doubt: each mode moves the whole outline, so that its effect on a height or an area is
  one number, taken with its sign before squaring;
- scatter of the measured edge points, fewer in effect than counted since neighbours share their error;
- the camera's tone curve, which moves the whole edge in or out, and how far the card's own edges stand off;
- of a pencil line, its width, half of which lies between its middle and its side;
- what the fit of the edge could not follow, such as ruling beside it (`Edge.misfit_px`);
- what no scatter shows: the pixel grid against the edge (`GRID_SHARE`), and what heights err by besides, such
  as corners that blur and noise let run into a short roof (`HEIGHT_REST_MM`).

References
----------
.. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from portmap.picture.edge import Edge
from portmap.picture.outline import Fitted, Smoothed, ring_area, spacing_mm
from portmap.picture.scaled import PlaceDoubt, displacements
from portmap.port import WindowDoubt

__all__ = ["outline_doubt"]

# Heights err by so much more than the causes above make, in the study of flat photos (RESULTS.md): found
# there, on rendered photos, and no better known than they are like real ones.
HEIGHT_REST_MM = 0.004
GRID_SHARE = 0.02  # of a pixel: bias of a fitted edge by where it lies among the pixels, seen in our tests
SIDES = 4  # of a window, each drawn its own way by what lies beside it


def outline_doubt(
    outline: Smoothed,
    ring_mm: NDArray[np.float64],
    fits: tuple[Fitted, Fitted],
    edge: Edge,
    *,
    mm_per_px: float,
    places: PlaceDoubt | None,
    line_side: float = 0.0,
    card_off_mm: float = 0.0,
    alike_mm: float | None = None,
) -> WindowDoubt:
    """Return the standard uncertainties of an outline.

    Parameters
    ----------
    outline : Smoothed
        The measured ring.
    ring_mm : ndarray of shape (N, 2)
        The final ring, point for point with `outline`.
    fits : tuple of Fitted
        Roof and floor.
    edge : Edge
        As measured in the picture.
    mm_per_px : float
        Size of a pixel [mm].
    places : PlaceDoubt or None
        Of the picture; None counts as none.
    line_side : float, optional
        Share of a pencil line's width between its middle and the edge taken: 0.5 for inner and outer.
    card_off_mm : float, optional
        How far the card's own edges were seen off their places in the same photo [mm]; 0 for the middle of a
        line, whose two sides are off by the same.
    alike_mm : float, optional
        Along how much of the border what the fit could not follow draws it alike; along a side unless told.

    Returns
    -------
    WindowDoubt
        k = 1.
    """
    spacing = spacing_mm(ring_mm)
    length = spacing * len(ring_mm)
    # what moves all of the edge in or out
    of_tone, of_line = edge.tone_px * mm_per_px, line_side * edge.line_width_u_px * mm_per_px
    whole = float(np.sqrt(of_tone**2 + of_line**2 + card_off_mm**2))
    grid = GRID_SHARE * mm_per_px
    misfit = outline.misfit_mm
    heights = []
    for fit, sense in zip(fits, (1.0, -1.0), strict=True):
        standing = sense * (ring_mm[:, 1] - fit.height_mm)
        beyond = int(np.argmax(standing))
        own = fit.error_mm if standing[beyond] <= 1e-6 else float(outline.error_mm[beyond])
        moved = 0.0
        if places is not None:
            at = ring_mm[fit.run]
            moved = float(np.sqrt(np.sum((displacements(places, at)[:, :, 1] @ fit.shares) ** 2)))
        drawn = float(np.sqrt(np.mean(misfit[fit.run] ** 2)))
        causes = (moved, own, whole, grid, drawn, HEIGHT_REST_MM)
        heights.append(float(np.sqrt(sum(cause**2 for cause in causes))))
    area_moved = point_moved = 0.0
    if places is not None:
        field = displacements(places, ring_mm)
        along = (np.roll(ring_mm, -1, axis=0) - np.roll(ring_mm, 1, axis=0)) / 2
        outward = np.column_stack([along[:, 1], -along[:, 0]]) * np.sign(ring_area(ring_mm))
        area_moved = float(np.sqrt(np.sum(np.einsum("kni,ni->k", field, outward) ** 2)))
        point_moved = float(
            np.sqrt(np.mean(np.sum(np.einsum("kni,ni->kn", field, outline.normals) ** 2, axis=0)))
        )
    shared = outline.scatter_mm * float(np.sqrt(outline.kinship * spacing * length))
    drawn = float(np.sqrt(np.mean(misfit**2)))
    pieces = SIDES if alike_mm is None else max(SIDES, length / alike_mm)
    return WindowDoubt(
        roof_u_mm=heights[0],
        floor_u_mm=heights[1],
        wall_area_u_mm2=float(
            np.sqrt(area_moved**2 + shared**2 + (whole * length) ** 2 + (drawn * length) ** 2 / pieces)
        ),
        edge_u_mm=float(
            np.sqrt(point_moved**2 + np.mean(outline.error_mm**2) + whole**2 + grid**2 + drawn**2)
        ),
    )
