"""Windows without one like them opposite: bores are mostly alike left and right, so one may have been missed.

That the ports of a two-stroke cylinder lie in pairs either side of exhaust and boost is common practice, no
source; cylinders that are made otherwise exist. So a missing one is looked for there, and where none is found
that is told; nothing is made up for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

from shapely import Polygon
from shapely.affinity import scale, translate

from portmap.matching import shared_part
from portmap.picture.wall_neighbours import turns

__all__ = ["Unpaired", "unpaired"]

_ALIKE = 0.4  # of what a mirrored window and another cover together, that both must: they are a pair
# Of that: below it one of a pair may be amiss. Pairs of the study's bores (RESULTS.md), which are not quite
# alike, have 0.92 and more, half of them 0.99.
_UNLIKE = 0.965
# A window that stands astride the middle is its own partner. One side may have been taken too far in.
_ASTRIDE = 0.95
_LEAST_WINDOWS = 3
_LEAST_PAIRED = 0.5  # of the windows: with fewer in pairs the bore may well be made otherwise


@dataclass(frozen=True, kw_only=True, slots=True)
class Unpaired:
    """A window without one like it opposite.

    Parameters
    ----------
    number : int
        In the sequence of windows.
    opposite : shapely.Polygon
        The outline that its partner would have; of a window astride the bore's middle, the one round it and
        its mirror image. Its middle is within half a turn of x = 0.
    partner : int or None
        The one that stands there and is unlike it, itself if it stands astride the middle; None of bare wall.
    """

    number: int
    opposite: Polygon
    partner: int | None


def unpaired(outlines: Sequence[Polygon], turn_mm: float) -> list[Unpaired]:
    """Return the windows that have none like them opposite.

    The bore's middle is not taken to be at x = 0: it is where most windows pair off.

    Parameters
    ----------
    outlines : sequence of shapely.Polygon
        (x, y) on the wall.
    turn_mm : float
        Once round the bore.

    Returns
    -------
    list of Unpaired
        Empty for few windows, and where less than half of them pair off.

    Examples
    --------
    >>> from shapely import box
    >>> bore = [box(-10, 24, 10, 34), box(-36, 23, -26, 30), box(68, 23, 76, 30)]
    >>> [(each.number, each.opposite.bounds, each.partner) for each in unpaired(bore, turn_mm=144.0)]
    [(1, (26.0, 23.0, 36.0, 30.0), None)]
    """
    if len(outlines) < _LEAST_WINDOWS:
        return []
    middles = [(shape.bounds[0] + shape.bounds[2]) / 2 for shape in outlines]
    axes = [(one + other) / 2 for one, other in combinations_with_replacement(middles, 2)]
    every = [
        (number, translate(shape, away, 0.0))
        for number, shape in enumerate(outlines)
        for away in turns(turn_mm)
    ]

    def opposite(shape: Polygon, axis: float) -> Polygon:
        mirrored = scale(shape, -1.0, 1.0, origin=(axis, 0.0))
        x = mirrored.centroid.x
        return translate(mirrored, -turn_mm * float(round(x / turn_mm)), 0.0)

    def partner(shape: Polygon, axis: float) -> tuple[float, int]:
        """Return how like the likest window is, and its number."""
        other = opposite(shape, axis)
        return max(((shared_part(other, each), number) for number, each in every), key=lambda found: found[0])

    paired = {axis: [partner(shape, axis) for shape in outlines] for axis in axes}
    axis = max(axes, key=lambda at: sum(alike for alike, _ in paired[at]))
    if sum(alike > _ALIKE for alike, _ in paired[axis]) < _LEAST_PAIRED * len(outlines):
        return []
    found = []
    for number, (alike, likest) in enumerate(paired[axis]):
        shape, other = outlines[number], opposite(outlines[number], axis)
        if alike > 0.0 and likest == number:
            if alike < _ASTRIDE:
                both = _both(shape, other, turn_mm)
                found.append(Unpaired(number=number, opposite=both, partner=number))
        elif alike < _UNLIKE:
            there = likest if alike > 0.0 else None
            found.append(Unpaired(number=number, opposite=other, partner=there))
    return found


def _both(shape: Polygon, mirrored: Polygon, turn_mm: float) -> Polygon:
    """Return the outline round a window that stands astride the middle and round its mirror image."""
    nearest = round((shape.centroid.x - mirrored.centroid.x) / turn_mm)
    return translate(mirrored, turn_mm * nearest, 0.0).union(shape).convex_hull
