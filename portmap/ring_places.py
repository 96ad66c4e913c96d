"""Where rings stand against windows, and what metal stands between windows.

Frame: the bore frame (`portmap.port`); letters as in `portmap.engine`.

Glossary
--------
sweep
    The heights that any ring passes between TDC and BDC.
near window
    Of a window: the nearest one of the same port (a bridge stands between) or of another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.affinity import translate

from portmap.crank import travel
from portmap.engine import Engine

__all__ = ["NearWindow", "RingPlaces", "island_widths", "joined_windows", "near_window", "ring_places"]

COARSE = 16  # every so many corners tell well enough how near two windows may be
SLACK_MM = 0.01  # more than rounding; what is cut away is further off


@dataclass(frozen=True, kw_only=True, slots=True)
class RingPlaces:
    """Heights of crown edge and rings where the piston turns; None where nobody measured.

    Parameters
    ----------
    crown_tdc_mm, crown_bdc_mm : float
        Of the crown edge [mm].
    top_tdc_mm, top_bdc_mm : float or None
        Of the top ring's upper side [mm].
    low_bdc_mm : float or None
        Of the lowest ring's lower side [mm].
    """

    crown_tdc_mm: float
    crown_bdc_mm: float
    top_tdc_mm: float | None
    top_bdc_mm: float | None
    low_bdc_mm: float | None

    def passes(self, roof_mm: float) -> bool | None:
        """Return whether a ring comes as low as a roof at a height [mm]; None if nobody can tell."""
        if self.low_bdc_mm is not None:
            return roof_mm > self.low_bdc_mm
        top = self.crown_bdc_mm if self.top_bdc_mm is None else self.top_bdc_mm
        return True if roof_mm > top else None  # rings stand below the crown edge


@dataclass(frozen=True, kw_only=True, slots=True)
class NearWindow:
    """The metal between two windows.

    Parameters
    ----------
    metal_mm : float
        At its narrowest [mm].
    x_mm, y_mm : float
        The middle of that place [mm].
    """

    metal_mm: float
    x_mm: float
    y_mm: float


def ring_places(engine: Engine) -> RingPlaces:
    """Return where crown edge and rings stand at TDC and BDC.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    RingPlaces

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Piston
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 piston=Piston(ring_below_crown_mm=2.5))
    >>> places = ring_places(engine)
    >>> places.top_tdc_mm, places.top_bdc_mm, places.passes(27.0), places.passes(17.0)
    (58.5, 26.5, True, None)
    """
    piston = engine.piston
    top = engine.crown_height_mm - engine.base_gasket_mm
    bottom = top - travel(engine.crank)
    ring, lowest = piston.ring_below_crown_mm, piston.lowest_ring_below_crown_mm
    return RingPlaces(
        crown_tdc_mm=top,
        crown_bdc_mm=bottom,
        top_tdc_mm=None if ring is None else top - ring,
        top_bdc_mm=None if ring is None else bottom - ring,
        low_bdc_mm=None if lowest is None else bottom - lowest,
    )


def near_window(
    shape: Polygon, others: Sequence[Polygon], bore_mm: float, *, within_mm: float = math.inf
) -> NearWindow | None:
    """Return the metal between a window and the nearest of others, wherever the wrap falls.

    Parameters
    ----------
    shape : shapely.Polygon
    others : sequence of shapely.Polygon
    bore_mm : float
        Bore [mm].
    within_mm : float, optional
        Others further away are not looked at, which saves time [mm].

    Returns
    -------
    NearWindow or None
        None if there are no others.

    Examples
    --------
    >>> near_window(shapely.box(60, 8, 70, 17), [shapely.box(-70, 8, -60, 17)], 46.0).metal_mm
    4.513...
    """
    best: NearWindow | None = None
    for gap, other, shift_mm in _images(shape, others, bore_mm):
        if gap > within_mm or (best is not None and gap >= best.metal_mm):
            break  # the boxes around them are further apart already
        line = _shortest_line(shape, _moved(other, shift_mm))
        if best is None or line.length < best.metal_mm:
            middle = line.centroid if line.length > 0 else shapely.Point(line.coords[0])
            best = NearWindow(metal_mm=float(line.length), x_mm=float(middle.x), y_mm=float(middle.y))
    return best if best is not None and best.metal_mm <= within_mm else None


def _shortest_line(first: Polygon, second: Polygon) -> LineString:
    """Return the shortest line between two windows, looking only at what of them stands near the other."""
    corners, other_corners = (shapely.get_coordinates(shape.exterior)[::COARSE] for shape in (first, second))
    apart = corners[:, None, :] - other_corners[None, :, :]
    reach = math.sqrt(float(np.einsum("ijk,ijk->ij", apart, apart).min())) + SLACK_MM
    near = [
        shapely.clip_by_rect(shape, left - reach, floor - reach, right + reach, roof + reach)
        for shape, (left, floor, right, roof) in ((first, second.bounds), (second, first.bounds))
    ]
    return shapely.shortest_line(*near)


def _images(shape: Polygon, others: Sequence[Polygon], bore_mm: float) -> list[tuple[float, Polygon, float]]:
    """Return how far the boxes around windows are from one, with the window and its move round the bore."""
    round_mm = math.pi * bore_mm
    left, floor, right, roof = shape.bounds
    found = []
    for other, (other_left, other_floor, other_right, other_roof) in zip(
        others, shapely.bounds(list(others)).reshape(-1, 4).tolist(), strict=True
    ):
        along = max(other_floor - roof, floor - other_roof, 0.0)
        for turn in (-1, 0, 1):
            shift_mm = turn * round_mm
            across = max(other_left + shift_mm - right, left - other_right - shift_mm, 0.0)
            found.append((math.hypot(across, along), other, shift_mm))
    return sorted(found, key=lambda image: image[0])


def _moved(shape: Polygon, shift_mm: float) -> Polygon:
    return shape if shift_mm == 0 else translate(shape, shift_mm, 0.0)


def island_widths(shape: Polygon) -> tuple[NearWindow, ...]:
    """Return how narrow the islands of metal in a window are.

    Parameters
    ----------
    shape : shapely.Polygon

    Returns
    -------
    tuple of NearWindow
        The short side of the smallest rectangle around each island [mm].

    Examples
    --------
    >>> window = shapely.box(-14, 28, 14, 40).difference(shapely.box(-1, 30, 1, 38))
    >>> island_widths(window)[0].metal_mm
    2.0
    """
    found = []
    for ring in shape.interiors:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(Polygon(ring)))
        sides = [math.dist(corners[number], corners[number + 1]) for number in (0, 1)]
        middle = Polygon(ring).centroid
        found.append(NearWindow(metal_mm=min(sides), x_mm=float(middle.x), y_mm=float(middle.y)))
    return tuple(found)


def joined_windows(
    shapes: Sequence[Polygon], holds_mm: float, bore_mm: float
) -> tuple[tuple[tuple[int, Polygon], ...], ...]:
    """Return windows in groups within which metal is narrower than what holds a ring.

    Parameters
    ----------
    shapes : sequence of shapely.Polygon
    holds_mm : float
        Least metal that holds [mm].
    bore_mm : float
        Bore [mm].

    Returns
    -------
    tuple of tuple of (int, shapely.Polygon)
        Each window's number, and its shape moved round the bore so that a group stands together.

    Examples
    --------
    >>> groups = joined_windows([shapely.box(60, 8, 71.5, 17), shapely.box(-72, 8, -60, 17)], 1.5, 46.0)
    >>> [[number for number, _ in group] for group in groups]
    [[0, 1]]
    """
    left = dict(enumerate(shapes))
    groups = []
    while left:
        number = next(iter(left))
        group = [(number, left.pop(number))]
        for _, shape in group:  # grows while it is walked through
            shapely.prepare(shape)
            for other in list(left):
                for gap, window, shift_mm in _images(shape, [left[other]], bore_mm):
                    if gap >= holds_mm:
                        break
                    image = _moved(window, shift_mm)
                    if shapely.dwithin(shape, image, holds_mm):
                        group.append((other, image))
                        del left[other]
                        break
        groups.append(tuple(group))
    return tuple(groups)
