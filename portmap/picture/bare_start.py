"""How a scope stood, roughly, in frames of which only the order is known: what an adjustment starts from.

Neighbouring frames, unrolled, look alike only if the eye is put about as far behind the bore's axis as it
was. A few distances are tried. Where the step is told it may go either way round; where it is not, the frames
are chained: each is sought in the next, far round the bore.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.bare_match import Matches, Search, matches
from portmap.picture.bare_panel import height_seen, panel_of, px_per_mm
from portmap.picture.frame_figures import pose_of, started
from portmap.picture.wall_view import View

__all__ = ["LEAST_SHARED", "chained", "fitting", "posed_view", "stepped"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

LEAST_SHARED = 8  # places, for two frames to be joined
_BACKS = (0.45, 0.3, 0.6, 0.15, 0.75)  # of the radius, tried
_CLEARLY, _CLEAR = 3.0, 0.5  # so much better, times and more, the other way round is not tried further
_TRIED_PAIRS = 6
_FEW = 10  # pieces: a share of fewer says little
_USUAL_MM = 30.0  # of height seen, for which the searches are made
_LEAST_PART = 0.4  # of their sizes
_NEAR_MM = 1.0  # neighbours that lie so far apart are not quite where they are thought to be
_SPREAD_MM = 0.5  # of the moves in a pair: so much means that the eye stood elsewhere
_TRY = Search(step_mm=0.2, piece_mm=4.5, apart_mm=2.6, reach_mm=2.4, alike=0.35)
_WIDEST_RAD = math.radians(42.0)  # between neighbours, where no step is told


def stepped(
    views: Sequence[View], lights: Sequence[Floats32], radius_mm: float, step_rad: float
) -> tuple[Floats, float]:
    """Return where the frames stood, roughly, if the tube was turned by one step each time.

    Parameters
    ----------
    views : sequence of View
    lights : sequence of ndarray
        As `lights_of` gives them.
    radius_mm : float
    step_rad : float
        Either way.

    Returns
    -------
    figures : ndarray of shape (F, 6)
        As in `bare_adjust`.
    step : float
        With its sign [rad].

    Raises
    ------
    PictureError
        If neighbours are not alike, whatever is tried.
    """
    search = fitting(_TRY, views[0], radius_mm)
    best: tuple[float, Floats, float] | None = None
    best_of = {1.0: 0.0, -1.0: 0.0}
    for back in _BACKS:
        for way in (1.0, -1.0):
            if best_of[-way] > _CLEARLY * best_of[way] + _CLEAR:
                continue
            figures = started(way * step_rad * np.arange(len(views), dtype=np.float64), back * radius_mm)
            found = [
                _compared(views, lights, figures, radius_mm, k, search) for k in _tried_pairs(len(views))
            ]
            score = sum(_score(each, off=True) for each in found)
            best_of[way] = max(best_of[way], score)
            if sum(map(_count, found)) >= LEAST_SHARED and (best is None or score > best[0]):
                best = score, figures, way * step_rad
    if best is None:
        raise _unlike(views)
    return best[1], best[2]


def chained(views: Sequence[View], lights: Sequence[Floats32], radius_mm: float) -> tuple[Floats, float]:
    """Return where the frames stood, roughly, if nobody tells by how much the tube was turned.

    Parameters
    ----------
    views, lights, radius_mm
        As for `stepped`.

    Returns
    -------
    figures : ndarray of shape (F, 6)
    step : float
        Mean step, with its sign [rad].

    Raises
    ------
    PictureError
        If neighbours are not alike, whatever is tried.
    """
    fit = fitting(_TRY, views[0], radius_mm)
    search = Search(
        step_mm=fit.step_mm,
        piece_mm=fit.piece_mm,
        apart_mm=fit.apart_mm,
        reach_mm=fit.reach_mm,
        alike=0.45,
        across_mm=_WIDEST_RAD * radius_mm,
    )
    best: tuple[float, float] | None = None
    for back in _BACKS:
        level = started(np.zeros(len(views)), back * radius_mm)
        found = [_compared(views, lights, level, radius_mm, k, search) for k in _tried_pairs(len(views))]
        score = sum(_score(each, off=False) for each in found)
        if sum(map(_count, found)) >= LEAST_SHARED and (best is None or score > best[0]):
            best = score, back
    if best is None:
        raise _unlike(views)
    level = started(np.zeros(len(views)), best[1] * radius_mm)
    steps = np.full(len(views) - 1, np.nan)
    for k in range(len(steps)):
        pair = _compared(views, lights, level, radius_mm, k, search)
        if pair is not None and len(pair) >= LEAST_SHARED:
            # what the second frame shows further left, it looks at from further right
            steps[k] = float(np.median(pair.first_mm[:, 0] - pair.second_mm[:, 0])) / radius_mm
    if np.isnan(steps).all():
        raise _unlike(views)
    steps[np.isnan(steps)] = np.nanmedian(steps)
    headings = np.concatenate([[0.0], np.cumsum(steps)])
    return started(headings, best[1] * radius_mm), float(steps.mean())


def _tried_pairs(count: int) -> list[int]:
    return sorted({round(k * (count - 2) / (_TRIED_PAIRS - 1)) for k in range(_TRIED_PAIRS)})


def _compared(
    views: Sequence[View],
    lights: Sequence[Floats32],
    figures: Floats,
    radius_mm: float,
    number: int,
    search: Search,
) -> Matches | None:
    """Return what a frame and the next share."""
    panels = [
        panel_of(posed_view(views[k], figures[k]), lights[k], radius_mm, figures[k, 0], search.step_mm)
        for k in (number, number + 1)
    ]
    return matches(panels, 0, 1, search)


def _count(pair: Matches | None) -> int:
    return 0 if pair is None else len(pair)


def _score(pair: Matches | None, *, off: bool) -> float:
    """Return how alike two frames are: the share of pieces found, less if they moved, or not all alike."""
    if pair is None:
        return 0.0
    moves = pair.second_mm - pair.first_mm
    middle = np.median(moves, axis=0)
    spread = float(np.median(np.hypot(*(moves - middle).T))) / _SPREAD_MM
    away = float(np.hypot(*middle)) / _NEAR_MM if off else 0.0
    return len(pair) / (pair.tried + _FEW) * math.exp(-0.5 * (spread**2 + away**2))


def _unlike(views: Sequence[View]) -> PictureError:
    return PictureError(
        "neighbouring frames share nothing of the wall that can be told again",
        where=views[0].name,
        remedy="check --step, --bore and the lens file; a wall too smooth or too dark needs a strip card",
    )


def posed_view(view: View, figures: Floats) -> View:
    """Return a frame with the pose that figures give it.

    Parameters
    ----------
    view : View
    figures : ndarray of shape (6,)
        As in `bare_adjust`.

    Returns
    -------
    View
    """
    pose = pose_of(figures)
    return View(
        name=view.name,
        pixels=view.pixels,
        lens=view.lens,
        turn=pose[:3],
        shift_mm=pose[3:],
        mirrored=view.mirrored,
    )


def fitting(search: Search, view: View, radius_mm: float) -> Search:
    """Return a search whose pieces suit how much of the wall a frame shows, and no finer than the frame.

    Parameters
    ----------
    search : Search
        For a frame that shows 30 mm of height.
    view : View
    radius_mm : float

    Returns
    -------
    Search
    """
    figures = started(np.zeros(1), _BACKS[0] * radius_mm)[0]
    low, high = height_seen(posed_view(view, figures), radius_mm)
    share = min(max((high - low) / _USUAL_MM, _LEAST_PART), 1.0)
    step = max(share * search.step_mm, 0.9 / px_per_mm(posed_view(view, figures), radius_mm, 0.0, 0.0))
    # pieces of 20 pixels and more
    return Search(
        step_mm=step,
        piece_mm=max(share * search.piece_mm, 20 * step),
        apart_mm=max(share * search.apart_mm, 12 * step),
        reach_mm=max(share * search.reach_mm, 3 * step),
        alike=search.alike,
        across_mm=search.across_mm,
    )
