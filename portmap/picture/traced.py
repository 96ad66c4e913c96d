"""What a trace holds: windows by number, where they came from, what makes them doubtful.

Windows are numbered from left to right by the middle of their width, two above each other from the top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from portmap.errors import Notice, PictureError
from portmap.picture.outline import ring_area
from portmap.port import Window

__all__ = [
    "Trace",
    "TracedWindow",
    "check_count",
    "middle_x",
    "numbered",
    "once_round",
    "picked",
    "untangled",
]

SAME_MM = 0.5  # two windows closer than this, one turn apart, are one
TANGLE_SHARE = 0.02  # of the area: loops smaller than that are cut off an outline without a word


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TracedWindow:
    """One window found in the picture.

    Parameters
    ----------
    number : int
        From 1; stays the same whatever `keep` and `drop` leave out.
    window : Window
        Outline in the bore frame and its doubt.
    roof_mm, floor_mm : float
        Greatest and least y of the outline, from the fitted edges [mm].
    roof_degree, floor_degree : int or None
        Of the fitted curve: 0 level, 1 tilted, 2 and more arched; None where there was no stretch to fit.
    area_mm2 : float
        Wall area [mm²].
    darkness : float or None
        Of the window or its line against the sheet, 0 to 1; None if drawn and not photographed.
    blur_mm : float or None
        Standard deviation of the edge's blur [mm]; None if drawn.
    line_width_mm : float or None
        Mean width of the pencil line [mm].
    seen_share : float
        Share of the outline where an edge was seen and not bridged.
    """

    number: int
    window: Window
    roof_mm: float
    floor_mm: float
    roof_degree: int | None
    floor_degree: int | None
    area_mm2: float
    darkness: float | None
    blur_mm: float | None
    line_width_mm: float | None
    seen_share: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Trace:
    """All windows of a picture or drawing.

    Parameters
    ----------
    windows : tuple of TracedWindow
        Ascending by number.
    lift : {'filled', 'line', 'cut', 'wall', 'drawn'}
        How the shapes were lifted, as told or as found.
    source : dict
        What a later reader must know: picture, lift, line's side, scale, whether x was corrected for the
        sheet's thickness (``wall_x_factor``, None if not), whether it was mirrored.
    notices : tuple of Notice
        What makes the outlines doubtful.
    """

    windows: tuple[TracedWindow, ...]
    lift: Literal["filled", "line", "cut", "wall", "drawn"]
    source: dict[str, Any] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()


def middle_x(window: TracedWindow) -> float:
    """Return the middle of a window's width.

    Parameters
    ----------
    window : TracedWindow

    Returns
    -------
    float
        x [mm].
    """
    low, _, high, _ = window.window.outline.bounds
    return float(low + high) / 2


def numbered(windows: Sequence[TracedWindow]) -> tuple[TracedWindow, ...]:
    """Return the windows in order, numbered from 1.

    Parameters
    ----------
    windows : sequence of TracedWindow
        In any order; their numbers are not looked at.

    Returns
    -------
    tuple of TracedWindow
        From left to right by the middle of their width, to 0.1 mm; then from the top.
    """
    ordered = sorted(windows, key=lambda w: (round(middle_x(w), 1), -w.roof_mm))
    return tuple(replace(window, number=k) for k, window in enumerate(ordered, 1))


def once_round(windows: Sequence[TracedWindow], turn_mm: float | None) -> list[TracedWindow]:
    """Return the windows without those seen again a whole turn further.

    Parameters
    ----------
    windows : sequence of TracedWindow
        In any order.
    turn_mm : float or None
        Length of a turn; None if the picture does not wrap.

    Returns
    -------
    list of TracedWindow
    """
    if turn_mm is None:
        return list(windows)
    kept: list[TracedWindow] = []
    for window in windows:
        turns = [(middle_x(window) - middle_x(other)) / turn_mm for other in kept if _level(window, other)]
        if all(abs(turn - round(turn)) * turn_mm > SAME_MM for turn in turns):
            kept.append(window)
    return kept


def _level(one: TracedWindow, other: TracedWindow) -> bool:
    return abs(one.roof_mm - other.roof_mm) < SAME_MM and abs(one.floor_mm - other.floor_mm) < SAME_MM


def untangled(
    ring: NDArray[np.float64], islands: Sequence[NDArray[np.float64]]
) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], ...]]:
    """Return rings without small loops, which a ragged edge can make; a large tangle stays to be told.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)
    islands : sequence of ndarray of shape (M, 2)

    Returns
    -------
    ndarray of shape (N', 2)
    tuple of ndarray
        The islands.
    """
    shape = Polygon(ring, islands)
    if not shape.is_valid:
        parts = shapely.get_parts(shapely.make_valid(shape))
        largest = max(
            (p for p in parts if p.geom_type == "Polygon"), key=lambda p: float(p.area), default=shape
        )
        if abs(largest.area - abs(ring_area(ring))) < TANGLE_SHARE * abs(ring_area(ring)):
            return (
                shapely.get_coordinates(largest.exterior)[:-1],
                tuple(shapely.get_coordinates(hole)[:-1] for hole in largest.interiors),
            )
    return ring, tuple(islands)


def picked(
    windows: tuple[TracedWindow, ...], keep: Sequence[int], drop: Sequence[int]
) -> tuple[TracedWindow, ...]:
    """Return the windows that the user wants.

    Parameters
    ----------
    windows : tuple of TracedWindow
        Numbered.
    keep, drop : sequence of int
        Numbers of those to keep (none: all) and of those to leave out.

    Returns
    -------
    tuple of TracedWindow
        At least one; their numbers stay.

    Raises
    ------
    PictureError
        If a number is not among them or none is left.
    """
    known = {window.number for window in windows}
    for name, numbers in (("--keep", keep), ("--drop", drop)):
        for number in numbers:
            if number not in known:
                raise PictureError(
                    f"there is no window {number}", where=name, remedy=f"the windows are 1 to {len(windows)}"
                )
    left = tuple(w for w in windows if (not keep or w.number in keep) and w.number not in drop)
    if not left:
        raise PictureError("no window is left", where="--drop", remedy="leave out fewer")
    return left


def check_count(windows: Sequence[TracedWindow], expect: int | None) -> None:
    """Refuse a number of windows other than expected.

    Parameters
    ----------
    windows : sequence of TracedWindow
        Those kept.
    expect : int or None
        How many there must be; None for any number.

    Raises
    ------
    PictureError
        With the areas of what was found.
    """
    if expect is None or len(windows) == expect:
        return
    areas = ", ".join(f"{w.number}: {w.area_mm2:.1f} mm²" for w in windows)
    raise PictureError(
        f"{len(windows)} window{'s' if len(windows) != 1 else ''} found where {expect} "
        f"{'were' if expect != 1 else 'was'} expected ({areas})",
        where="--expect",
        remedy="look at the --overlay; leave some out with --drop, or change --min-area",
    )
