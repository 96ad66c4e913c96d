"""Windows without a window opposite: bores are mostly alike left and right, so one may have been missed.

That the ports of a two-stroke cylinder lie in pairs either side of exhaust and boost is common practice, no
source; cylinders that are made otherwise exist. So it is told, and nothing is made up for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations_with_replacement

from shapely import Polygon
from shapely.affinity import scale, translate

__all__ = ["without_partner"]

_ALIKE = 0.4  # of what a mirrored window and another cover together, that both must: they are a pair
_LEAST_WINDOWS = 3
_LEAST_PAIRED = 0.5  # of the windows: with fewer in pairs the bore may well be made otherwise


def without_partner(outlines: Sequence[Polygon], turn_mm: float) -> list[tuple[int, tuple[float, float]]]:
    """Return the windows that have wall opposite, each with the place where a partner would be.

    The bore's middle is not taken to be at x = 0: it is where most windows pair off.

    Parameters
    ----------
    outlines : sequence of shapely.Polygon
        (x, y) on the wall.
    turn_mm : float
        Once round the bore.

    Returns
    -------
    list of tuple
        The window's number in the sequence, and (x, y) [mm], x within half a turn of 0. Empty for few
        windows, and where less than half of them pair off.

    Examples
    --------
    >>> from shapely import box
    >>> bore = [box(-10, 24, 10, 34), box(-36, 23, -26, 30), box(68, 23, 76, 30)]
    >>> without_partner(bore, turn_mm=144.0)
    [(1, (31.0, 26.5))]
    """
    if len(outlines) < _LEAST_WINDOWS:
        return []
    middles = [(shape.bounds[0] + shape.bounds[2]) / 2 for shape in outlines]
    axes = [(one + other) / 2 for one, other in combinations_with_replacement(middles, 2)]
    every = [translate(shape, away, 0.0) for shape in outlines for away in (-turn_mm, 0.0, turn_mm)]

    def opposite(shape: Polygon, axis: float) -> Polygon:
        mirrored = scale(shape, -1.0, 1.0, origin=(axis, 0.0))
        x = mirrored.centroid.x
        return translate(mirrored, -turn_mm * float(round(x / turn_mm)), 0.0)

    def likeness(shape: Polygon, axis: float) -> float:
        other = opposite(shape, axis)
        return max(float(other.intersection(each).area / other.union(each).area) for each in every)

    paired = {axis: [likeness(shape, axis) for shape in outlines] for axis in axes}
    axis = max(axes, key=lambda at: sum(paired[at]))
    if sum(alike > _ALIKE for alike in paired[axis]) < _LEAST_PAIRED * len(outlines):
        return []
    found = []
    for number, alike in enumerate(paired[axis]):
        if alike == 0.0:
            place = opposite(outlines[number], axis).centroid
            found.append((number, (float(place.x), float(place.y))))
    return found
