"""Windows that overlap, parted: two ports have wall between them.

A side that is lit like the wall is easily passed over for the firmer side of the window beside it. So of two
outlines that overlap each is tried once more, kept off the other, and what is worth more along both borders
is taken.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import shapely
from shapely import Polygon
from shapely.affinity import translate

from portmap.picture.wall_notices import WallWindow
from portmap.picture.wall_shown import ShownWall, outline_worth

__all__ = ["kept_off", "parted", "turns", "wall_end", "window_worth"]

_SHARED_MM2 = 0.3  # of both with their chamfers: less is the doubt of their sides
_BRIDGE_MM = 1.6  # that a search sets out from: it finds a side from 1 mm nearer to 1.6 mm further

Again = Callable[[WallWindow, Polygon], WallWindow | None]


def wall_end(window: WallWindow) -> Polygon:
    """Return the outline of a window's chamfer, where the wall ends [mm].

    Parameters
    ----------
    window : WallWindow

    Returns
    -------
    shapely.Polygon
    """
    return window.traced.window.outline.buffer(window.wall_away_mm)


def window_worth(wall: ShownWall, window: WallWindow) -> float:
    """Return what a window's border is worth, the mean over it.

    Parameters
    ----------
    wall : ShownWall
    window : WallWindow

    Returns
    -------
    float
        As `portmap.picture.wall_shown.outline_worth`.
    """
    return outline_worth(wall, wall_end(window), window.chamfer_mm)


def turns(turn_mm: float | None) -> tuple[float, ...]:
    """Return by what an outline may be moved and still be the same place of the bore.

    Parameters
    ----------
    turn_mm : float or None
        Once round the bore; None of an image that does not go round.

    Returns
    -------
    tuple of float

    Examples
    --------
    >>> turns(144.0)
    (0.0, 144.0, -144.0)
    """
    return (0.0,) if turn_mm is None else (0.0, turn_mm, -turn_mm)


def kept_off(own: Polygon, other: Polygon) -> Polygon:
    """Return what of an outline lies further from another than a bridge is commonly wide.

    Parameters
    ----------
    own, other : shapely.Polygon

    Returns
    -------
    shapely.Polygon
        The largest part; empty if nothing is left.

    Examples
    --------
    >>> kept_off(shapely.box(0, 0, 10, 8), shapely.box(9, 0, 20, 8)).bounds
    (0.0, 0.0, 7.4, 8.0)
    """
    rest = own.difference(other.buffer(_BRIDGE_MM, join_style="mitre"))
    return max(shapely.get_parts(rest), key=lambda part: float(part.area), default=Polygon())


def parted(
    windows: list[WallWindow],
    again: Again,
    worth: Callable[[WallWindow], float],
    turn_mm: float | None,
) -> list[WallWindow]:
    """Return windows of which none overlaps another, as far as that can be mended.

    Parameters
    ----------
    windows : list of WallWindow
    again : callable
        Takes a window and the outline, with its chamfer, of another beside it; measures the first once more,
        kept off the other. None if none is found so.
    worth : callable
        What a window's border is worth, the mean over it.
    turn_mm : float or None
        Once round the bore.

    Returns
    -------
    list of WallWindow
        In the same order.
    """
    made = list(windows)
    for i, j in combinations(range(len(made)), 2):
        for away in turns(turn_mm):
            one, other = wall_end(made[i]), translate(wall_end(made[j]), away, 0.0)
            if one.intersection(other).area < _SHARED_MM2:
                continue
            tried = (
                (again(made[i], other), made[j]),
                (made[i], again(made[j], translate(one, -away, 0.0))),
            )
            sound = [(a, b) for a, b in tried if a is not None and b is not None]
            sound = [
                (a, b)
                for a, b in sound
                if wall_end(a).intersection(translate(wall_end(b), away, 0.0)).area < _SHARED_MM2
            ]
            if sound:
                made[i], made[j] = max(sound, key=lambda pair: worth(pair[0]) + worth(pair[1]))
    return made
