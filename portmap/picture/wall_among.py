"""Which of the outlines that were measured on a wall go round windows, each round one.

Rough borders lead to outlines of soot and glare as well, of a part of a window, of a window and some of its
neighbour, or twice to one. What is worth most along its border stays; what overlaps is measured once more,
kept off the other; what has hardly any wall between is tried as one; what was missed is sought opposite its
partner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
import shapely
from shapely import Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError
from portmap.matching import shared_part
from portmap.picture.traced import middle_x
from portmap.picture.wall_border import Sought, snapped
from portmap.picture.wall_neighbours import (
    kept_off,
    parted,
    turns,
    wall_end,
    window_worth,
)
from portmap.picture.wall_notices import WallWindow
from portmap.picture.wall_partners import unpaired
from portmap.picture.wall_responses import Responses
from portmap.picture.wall_rough import LEAST_HINTED, LEAST_WIDTH_MM, MOSTLY_HIDDEN, ROUGH_REACH_MM
from portmap.picture.wall_seek import OVERLAP
from portmap.picture.wall_shown import ShownWall, points_on, walled_up
from portmap.picture.wall_window import How, window_of

__all__ = ["Search", "windows_among"]

LEAST_WORTH = 0.8  # of a window's border; in the study (RESULTS.md) the faintest has 1.65, soot had 0.13
# Where a window is expected, and the outline is like its partner's, less will do: it is measured as well.
LEAST_WORTH_OPPOSITE, LIKE_PARTNER = 0.35, 0.8  # of what both outlines cover together
LEAST_ALIKE, UNLIKE_MM = 3, 0.04  # windows whose chamfers tell what most have; further off one is odd
FAR_WORTHIER = 1.0  # of an outline's border than of another's
# Between two windows' chamfers: with less wall they may be one, with more they are if that is worth far more
# (judgement).
LEAST_BRIDGE_MM, SURE_BRIDGE_MM = 1.0, 2.0
SAME = 0.7  # of an outline, within another: both go round one window
PARTED_ROUNDS = 2  # the first sets out from corners that are far off


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Search:
    """What windows are sought in, and how.

    Parameters
    ----------
    wall : ShownWall
    responses : Responses
        Of its edges.
    how : How
    turn_mm : float or None
        Once round the bore; None of an image that does not go round.
    least_mm2 : float
        No window is smaller.
    pointed_at : bool
        Whether the user pointed at each window; then none is left out for what it looks like.
    """

    wall: ShownWall
    responses: Responses
    how: How
    turn_mm: float | None
    least_mm2: float
    pointed_at: bool
    _worths: dict[WallWindow, float] = field(default_factory=dict, init=False, repr=False)

    def worth(self, window: WallWindow) -> float:
        """Return what a window's border is worth; worked out once, windows are compared again and again."""
        if window not in self._worths:
            self._worths[window] = window_worth(self.wall, window)
        return self._worths[window]


def windows_among(outlines: Sequence[WallWindow], search: Search) -> list[WallWindow]:
    """Return the outlines that go round windows.

    Parameters
    ----------
    outlines : sequence of WallWindow
        As measured from all rough borders.
    search : Search

    Returns
    -------
    list of WallWindow
        None lies in another; the middle of each is less than half a turn from x = 0.
    """
    every = [_brought_home(each, search.turn_mm) for each in outlines]
    if not search.pointed_at:
        # a border where no edge can be fitted is none: the bridge between two windows has sides, no roof
        every = [each for each in every if each.bordered and _large(each, search.least_mm2)]
    every = parted(
        _worthy(every, search),
        lambda window, beside: _kept_off(window, beside, search),
        search.worth,
        search.turn_mm,
    )
    if not search.pointed_at:
        every = _made_one(every, search)
        # what is left of soot beside a window may be a sliver
        every = [each for each in every if _large(each, search.least_mm2)]
        every = _apart([*every, *_opposite(every, search)], search)
    usual = _usual_widths(every)
    every = [_like_others(each, usual, search) for each in every]
    return [each for each in every if search.pointed_at or float(each.hidden.mean()) < MOSTLY_HIDDEN]


def _worthy(every: list[WallWindow], search: Search) -> list[WallWindow]:
    """Return the outlines whose borders are worth enough, none in another.

    Soot that an outline goes round must not take the place of a window. A chamfer's width that was mistaken
    makes an outline poor: what is odd is tried with the others' width. An outline over a bridge, in whose
    place a worthier one stands, goes round a window of its own too.
    """

    def is_poor(each: WallWindow) -> bool:
        return not search.pointed_at and search.worth(each) <= LEAST_WORTH

    usual = _usual_widths([each for each in every if not is_poor(each)])
    if not search.pointed_at:
        every = [_like_others(each, usual, search) for each in every]
    good = [each for each in every if not is_poor(each)]
    kept = _apart(good, search)
    left = [each for each in every if is_poor(each)] + [each for each in good if each not in kept]
    return _apart([*kept, *_freed(left, kept, search)], search)


def _apart(windows: list[WallWindow], search: Search) -> list[WallWindow]:
    """Return the windows without those that lie for a part in a larger one, also a turn further.

    Of a window that was found twice the outline is kept that is worth more; and one within a larger that is
    worth far less: the larger goes round a part of a neighbour too. One that goes round two with wall between
    them is left out.
    """
    kept: list[WallWindow] = []
    windows = [each for each in windows if not _spans_two(each, windows, search)]
    for window in sorted(windows, key=lambda each: -each.traced.area_mm2):
        shape = window.traced.window.outline
        copies = [translate(shape, away, 0.0) for away in turns(search.turn_mm)]
        shared = [
            max(copy.intersection(other.traced.window.outline).area for copy in copies) for other in kept
        ]
        within = [k for k, area in enumerate(shared) if area >= OVERLAP * shape.area]
        if not within:
            kept.append(window)
            continue
        other = kept[within[0]]
        least = 0.0 if shared[within[0]] > SAME * other.traced.area_mm2 else FAR_WORTHIER
        more = search.worth(window) - search.worth(other)
        if len(within) == 1 and more > least:
            kept[within[0]] = window
    return kept


def _spans_two(window: WallWindow, windows: Sequence[WallWindow], search: Search) -> bool:
    """Return whether two outlines that are worth more, side by side with wall between them, fill an outline.

    What lies one above the other, each as tall as a part of the outline, may be one window's passage.
    """
    whole = wall_end(window)
    within: list[Polygon] = []
    for other in windows:
        if other.traced.area_mm2 >= window.traced.area_mm2 or search.worth(other) <= search.worth(window):
            continue
        copies = [translate(wall_end(other), away, 0.0) for away in turns(search.turn_mm)]
        within += [
            copy
            for copy in copies
            if copy.intersection(whole).area > SAME * copy.area and _tall(copy) > SAME * _tall(whole)
        ]
    return any(
        one.distance(other) > LEAST_BRIDGE_MM
        and whole.intersection(one.union(other)).area > SAME * whole.area
        for one, other in combinations(within, 2)
    )


def _tall(shape: Polygon) -> float:
    return float(shape.bounds[3] - shape.bounds[1])


def _freed(left: list[WallWindow], kept: list[WallWindow], search: Search) -> list[WallWindow]:
    """Return windows beside others, of whose outlines some went round a part of the other too."""
    made: list[WallWindow] = []
    for window in left:
        for other in [*kept, *made]:
            for away in turns(search.turn_mm):
                own, end = wall_end(window), translate(wall_end(other), away, 0.0)
                if not 0.0 < own.intersection(end).area < SAME * min(own.area, end.area):
                    continue
                alone = _kept_off(window, end, search)
                if alone is not None and search.worth(alone) > LEAST_WORTH:
                    made.append(alone)
    return made


def _made_one(windows: list[WallWindow], search: Search) -> list[WallWindow]:
    """Return windows, those that have hardly any wall between them put together where that is worth more.

    Where a passage's dark side meets its lit one there may be an edge from roof to floor, and one window is
    taken for two.
    """
    made = list(windows)
    for one, other in combinations(windows, 2):
        if one not in made or other not in made:
            continue
        for away in turns(search.turn_mm):
            end, beside = wall_end(one), translate(wall_end(other), away, 0.0)
            between = end.distance(beside)
            if between > SURE_BRIDGE_MM:
                continue
            least = max(search.worth(one), search.worth(other))
            least += FAR_WORTHIER if between > LEAST_BRIDGE_MM else 0.0
            found = _anew(_border(search.wall, end.union(beside).convex_hull), search)
            if found is not None and search.worth(found) > least:
                made = [each for each in made if each is not one and each is not other] + [found]
                break
    return made


def _kept_off(window: WallWindow, beside: Polygon, search: Search) -> WallWindow | None:
    """Return a window measured once more, kept off another's outline; None if none is found so."""
    outline, made = kept_off(wall_end(window), beside), None
    for _ in range(PARTED_ROUNDS):
        if outline.is_empty:
            return None
        alone = walled_up(search.wall, beside, shapely.get_coordinates(outline.exterior)[:-1])
        try:
            made = window_of(alone, _border(search.wall, outline), search.how)
        except GeometryError:
            return None
        outline = wall_end(made)
    return None if made is None or not made.bordered else _brought_home(made, search.turn_mm)


def _opposite(windows: list[WallWindow], search: Search) -> list[WallWindow]:
    """Return windows sought opposite those that have none like them there.

    So those that were missed are found; of an unlike pair the poorer is tried round the better's mirror
    image, and a far smaller one round the larger's: it may be a part of its window.
    """
    if search.turn_mm is None:
        return []
    made = []
    for each in unpaired([wall_end(window) for window in windows], search.turn_mm):
        own, there = windows[each.number], None if each.partner is None else windows[each.partner]
        least = LEAST_WORTH_OPPOSITE
        if there is not None and there is not own and search.worth(there) >= search.worth(own):
            if there.traced.area_mm2 > SAME * own.traced.area_mm2:
                continue
            least = search.worth(there)
        rough = _border(search.wall, each.opposite).outline_px
        found = _anew(snapped(search.responses, rough, reach_mm=ROUGH_REACH_MM), search)
        if (
            found is not None
            and search.worth(found) > least
            and shared_part(wall_end(found), each.opposite) > LIKE_PARTNER
        ):
            made.append(found)
    return made


def _usual_widths(windows: Sequence[WallWindow]) -> list[float]:
    """Return the widths that the chamfers of a wall may have.

    That of those which are sure of theirs, and that of most where it is another: of a chamfer that was
    mistaken for the edge of what lies behind it hardly anything is left to tell how wide it is.
    """
    if not windows:
        return []
    widths = np.array([each.chamfer_mm for each in windows])
    order = np.argsort(widths)
    sureness = np.cumsum(np.array([each.chamfer_u_mm for each in windows])[order] ** -2)
    sure = float(widths[order][np.searchsorted(sureness, sureness[-1] / 2)])
    most = float(np.median(widths)) if len(windows) >= LEAST_ALIKE else sure
    return [sure] if abs(sure - most) <= UNLIKE_MM else [sure, most]


def _like_others(window: WallWindow, usual_mm: Sequence[float], search: Search) -> WallWindow:
    """Return a window, measured anew if its chamfer is unlike the others' and that is worth more."""
    best = window
    for width in usual_mm:
        if abs(window.chamfer_mm - width) <= UNLIKE_MM:
            continue
        again = _anew(_border(search.wall, wall_end(window)), search, width_mm=width)
        if again is not None and search.worth(again) > search.worth(best):
            best = again
    return best


def _anew(border: Sought, search: Search, *, width_mm: float | None = None) -> WallWindow | None:
    """Return a window measured from a border; None if none is found so."""
    how = search.how if width_mm is None else replace(search.how, width_mm=width_mm)
    try:
        made = window_of(search.wall, border, how)
    except GeometryError:
        return None
    return _brought_home(made, search.turn_mm) if made.bordered else None


def _border(wall: ShownWall, outline: Polygon) -> Sought:
    """Return an outline [mm] as a border that a measurement sets out from."""
    points = points_on(wall, shapely.get_coordinates(outline.exterior)[:-1])
    return Sought(outline_px=points, strength=np.full(len(points), LEAST_HINTED))


def _brought_home(window: WallWindow, turn_mm: float | None) -> WallWindow:
    """Return the window moved by whole turns so that its middle is less than half a turn from x = 0."""
    if turn_mm is None:
        return window
    away = float(np.floor(middle_x(window.traced) / turn_mm + 0.5)) * turn_mm
    if away == 0.0:
        return window
    own = window.traced.window
    moved = replace(own, outline=translate(own.outline, -away, 0.0))
    return replace(window, traced=replace(window.traced, window=moved), ring_mm=window.ring_mm - [away, 0.0])


def _large(window: WallWindow, least_mm2: float) -> bool:
    """Return whether a measured window is large enough, and no sliver."""
    left, low, right, high = wall_end(window).bounds
    return window.traced.area_mm2 >= least_mm2 and bool(min(right - left, high - low) > LEAST_WIDTH_MM)
