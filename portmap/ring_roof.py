"""How tight the corners of a window are near its roof, and how lopsided the roof is.

Frame: the bore frame (`portmap.port`).

Glossary
--------
local radius
    Of the circle through three places of the outline `REACH_MM` apart; where that is tight, of places
    nearer together. Noise of a traced outline is smaller than what the reach makes of it.
roof band
    What of the window lies within a share of the bore below its highest point.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.roof_shapes import roof_chain

__all__ = ["roof_lean_mm", "tightest_radius"]

Floats = NDArray[np.float64]

REACH_MM = 0.75  # arcs of a quarter turn and a radius of 0.95 mm or more are measured exactly
NEARER = 1 / 3  # where the radius comes out less than TIGHT times the reach, a third of it is tried
TIGHT = 1.3
NEAREST_MM = 0.05


def tightest_radius(outline: Polygon) -> tuple[float, float, float]:
    """Return the smallest local radius of the roof, its corners included.

    Parameters
    ----------
    outline : shapely.Polygon

    Returns
    -------
    radius_mm : float
        [mm]; a corner without a round has less than 0.05.
    x_mm, y_mm : float
        Where [mm].

    Examples
    --------
    >>> radius, x, y = tightest_radius(shapely.box(-14, 28, 14, 40))
    >>> radius < 0.05, abs(x), y
    (True, 14.0, 40.0)
    """
    chain = roof_chain(outline)
    ring = np.asarray(shapely.geometry.polygon.orient(outline).exterior.coords)[:-1, :2]
    first = int(np.flatnonzero((ring == chain[0]).all(axis=1))[0])
    ring = np.roll(ring, -first, axis=0)
    ring = np.concatenate([ring, ring[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    last = run[len(chain) - 1]
    reach = min(REACH_MM, float(run[-1]) / 12)
    at = np.unique(np.concatenate([run[: len(chain)], np.linspace(0.0, last, int(last / reach * 3) + 2)]))
    radius = _radii(ring, run, at, reach)
    while True:
        worst = int(np.argmin(radius))
        if radius[worst] >= TIGHT * reach or reach <= NEAREST_MM:
            x, y = _places(ring, run, at[worst : worst + 1])[0]
            return float(radius[worst]), float(x), float(y)
        tight = at[radius < TIGHT * reach]
        eased, kept = radius[radius >= TIGHT * reach], at[radius >= TIGHT * reach]
        nearer = max(reach * NEARER, NEAREST_MM)
        fine = np.concatenate([tight, (tight[:, None] + np.linspace(-reach, reach, 13)).ravel()])
        fine = np.unique(np.clip(fine, 0.0, last))
        at = np.concatenate([fine, kept])
        # what the longer reach found eased stays so; only tight places are looked at from nearer
        radius = np.concatenate([_radii(ring, run, fine, nearer), eased])
        reach = nearer


def _places(ring: Floats, run: Floats, at: Floats) -> Floats:
    along = np.mod(at, run[-1])
    return np.column_stack([np.interp(along, run, ring[:, 0]), np.interp(along, run, ring[:, 1])])


def _radii(ring: Floats, run: Floats, at: Floats, reach: float) -> Floats:
    before, here, after = (_places(ring, run, at + shift) for shift in (-reach, 0.0, reach))
    one, two, three = here - before, after - here, after - before
    area = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])  # twice the triangle's
    sides = np.hypot(*one.T) * np.hypot(*two.T) * np.hypot(*three.T)
    # circumradius = abc / 4A (plane geometry)
    return np.asarray(np.divide(sides, 2 * area, out=np.full(len(at), np.inf), where=area > 1e-12))


def roof_lean_mm(outline: Polygon, band_mm: float) -> tuple[float, float]:
    """Return how far the centroid of the roof band stands from the band's middle.

    Parameters
    ----------
    outline : shapely.Polygon
    band_mm : float
        Height of the band [mm].

    Returns
    -------
    lean_mm : float
        Positive to the right [mm].
    half_mm : float
        Half the band's width [mm].

    Examples
    --------
    >>> tilted = Polygon([[-14, 28], [14, 28], [14, 40], [-14, 39]])
    >>> [round(part, 3) for part in roof_lean_mm(tilted, 2.0)]
    [1.556, 14.0]
    """
    left, floor, right, roof = outline.bounds
    band = shapely.clip_by_rect(outline, left - 1, max(roof - band_mm, floor), right + 1, roof + 1)
    low, _, high, _ = band.bounds
    return float(band.centroid.x - (low + high) / 2), (high - low) / 2
