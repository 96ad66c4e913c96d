"""What a trace holds: windows by number, where they came from, what makes them doubtful.

Windows are numbered from left to right by the middle of their width, two above each other from the top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from portmap.errors import Notice, PictureError
from portmap.port import Window

__all__ = ["Trace", "TracedWindow", "check_count", "middle_x", "numbered", "picked"]


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
    lift : {'filled', 'line', 'cut', 'drawn'}
        How the shapes were lifted, as told or as found.
    source : dict
        What a later reader must know: picture, lift, line's side, scale, whether x was corrected for the
        sheet's thickness (``wall_x_factor``, None if not), whether it was mirrored.
    notices : tuple of Notice
        What makes the outlines doubtful.
    """

    windows: tuple[TracedWindow, ...]
    lift: Literal["filled", "line", "cut", "drawn"]
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
