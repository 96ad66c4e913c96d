"""Whether the photos of a bore show one wall: where two overlap, its marks must be the same.

Photos of two cylinders with the same ring agree in the card, so that nothing in the poses tells. The wall
does: hone marks, scores and the windows' edges stand where they stand in every photo. Each photo is laid on
a coarse wall image, its light and its coarse shapes taken out, and the photos are compared two by two.

Glossary
--------
likeness
    Correlation of what two photos show of the wall, at the best of small shifts; 1 if they are the same,
    about 0 for two cylinders. In photos of one rendered cylinder it is 0.4 to 0.9.
chance
    Standard deviation of the correlation at shifts so large that no mark meets itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from portmap.picture.wall_view import View, WallFrame, nodes_of, pixel_map, shown_by, spread_out

__all__ = ["Apart", "photos_apart"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_STEP_MM = 0.25
_MAP_CELL_PX, _WORTH_CELL_PX = 4, 8
_COARSE_MM = 0.5  # shapes larger than that are taken out
_EVEN_MM = 2.0  # over that the contrast is evened
_CLIP = 2.5  # of the contrast: glare and edges count no more than that
_FAIR = 0.25  # of a photo's most worth: places that it shows worse are not compared
_NEAR_MM = 0.5  # how far two poses may disagree
_CHANCE_MM = (2.0, 6.0)
_COMPARED_MM2 = 250.0  # of common wall, for two photos to be compared
_LIKE, _LIKE_CHANCES = 0.16, 6.0
_UNLIKE, _UNLIKE_SHARE = 0.12, 0.35  # as such, and of the likeness of photos that are alike


@dataclass(frozen=True, kw_only=True, slots=True)
class Apart:
    """Photos that show another wall than the rest.

    Parameters
    ----------
    names : tuple of str
        Of the fewer photos.
    others : tuple of str
        Of those that they were compared with.
    likeness : float
        Of the first and the others: the mean of all pairs, by the wall that they have in common.
    sure : bool
        Whether the others are so much alike among themselves that there is no doubt.
    """

    names: tuple[str, ...]
    others: tuple[str, ...]
    likeness: float
    sure: bool


def photos_apart(
    views: Sequence[View],
    bore_mm: float,
    range_mm: tuple[float, float],
    hidden_mm: tuple[float, float] | None = None,
) -> Apart | None:
    """Return which photos show another wall than the others.

    Parameters
    ----------
    views : sequence of View
    bore_mm : float
    range_mm : tuple of float
        From where to where in y the wall is compared.
    hidden_mm : tuple of float, optional
        From where to where a strip lies on it.

    Returns
    -------
    Apart or None
        None if all photos hang together, or too little is seen in two of them to tell.
    """
    if len(views) < 2:
        return None
    marks = [_marks(view, bore_mm, range_mm, hidden_mm) for view in views]
    like, common = np.zeros((2, len(views), len(views)))
    group = np.arange(len(views))
    links: list[float] = []
    for apart in range(1, len(views)):  # neighbours in the row first: they mostly stand side by side
        for one in range(len(views) - apart):
            other = one + apart
            if group[one] == group[other]:
                continue
            found = _likeness(marks[one], marks[other])
            if found is not None:
                like[one, other], chance, common[one, other] = found
                if like[one, other] > max(_LIKE, _LIKE_CHANCES * chance):
                    group[group == group[other]] = group[one]
                    links.append(float(like[one, other]))
    like, common = like + like.T, common + common.T
    groups = [np.flatnonzero(group == name).tolist() for name in np.unique(group)]
    main = max(groups, key=len)
    rest = [k for each in groups if each is not main for k in each if common[k, main].any()]
    if not rest:
        return None
    between = np.ix_(rest, main)
    across = float(np.average(like[between], weights=common[between]))
    sure = len(main) > 1 and across < min(_UNLIKE, _UNLIKE_SHARE * float(np.median(links)))
    return Apart(
        names=tuple(views[k].name for k in rest),
        others=tuple(views[k].name for k in main),
        likeness=across,
        sure=sure,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Marks:
    """What a photo shows of the wall's marks, where it shows them, and the transform of both."""

    field: Floats32
    shown: Floats32
    waves: NDArray[np.complex64]
    tall: int


def _marks(
    view: View, bore_mm: float, range_mm: tuple[float, float], hidden_mm: tuple[float, float] | None
) -> _Marks:
    frame = WallFrame.of(bore_mm, _STEP_MM, *range_mm)
    whole = slice(0, frame.rows), slice(0, frame.columns)
    coarse, fine = nodes_of(frame, _WORTH_CELL_PX), nodes_of(frame, _MAP_CELL_PX)
    seen = shown_by(view, bore_mm / 2, coarse.places_mm)
    worth = spread_out(seen.worth.astype(np.float32).reshape(coarse.shape), coarse, *whole)
    shown = (worth > _FAIR * max(float(worth.max()), 1e-9)).astype(np.float32)
    if hidden_mm is not None:
        y = frame.top_mm - np.arange(frame.rows) * frame.step_mm
        shown[(y > hidden_mm[0] - 1.0) & (y < hidden_mm[1] + 1.0)] = 0.0
    typical = float(np.median(seen.px_per_mm[seen.worth > 0])) if (seen.worth > 0).any() else 1.0
    factor = max(1, math.floor(typical * frame.step_mm))
    gray = cv2.cvtColor(view.pixels, cv2.COLOR_RGB2GRAY)
    size = (gray.shape[1] // factor, gray.shape[0] // factor)
    small = cv2.resize(gray[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
    places = (pixel_map(view, bore_mm / 2, fine.places_mm) + 0.5) / factor - 0.5
    near = np.clip(np.nan_to_num(places, nan=-9.0), -1e6, 1e6)  # a pinhole's formula runs off without end
    at = near.astype(np.float32).reshape(*fine.shape, 2)
    where = spread_out(at, fine, *whole)
    level = cv2.remap(small, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    field = _marked(np.log(np.asarray(level, np.float32) + 3.0), shown, frame.step_mm)
    tall = next_fast_len(frame.rows + math.ceil(_CHANCE_MM[1] / frame.step_mm), real=True)
    return _Marks(field=field, shown=shown, waves=rfft2(field, (tall, frame.columns)), tall=tall)


def _marked(level: Floats32, shown: Floats32, step_mm: float) -> Floats32:
    """Return a logarithm of brightness without its coarse shapes, its contrast evened, 0 where not shown."""
    fine = level - _smoothed(level, shown, _COARSE_MM / step_mm)
    contrast = np.sqrt(_smoothed(fine * fine, shown, _EVEN_MM / step_mm))
    return np.asarray(np.clip(fine / np.maximum(contrast, 0.01), -_CLIP, _CLIP) * shown, np.float32)


def _smoothed(field: Floats32, shown: Floats32, sd_px: float) -> Floats32:
    """Return the mean of what is shown round each place; the wall goes on past the seam."""
    pad = math.ceil(3 * sd_px)

    def blurred(part: Floats32) -> Floats32:
        wide = cv2.copyMakeBorder(part, 0, 0, pad, pad, cv2.BORDER_WRAP)
        soft = cv2.GaussianBlur(wide, (0, 0), sd_px, borderType=cv2.BORDER_CONSTANT)
        return np.asarray(soft[:, pad:-pad], np.float32)

    return np.asarray(blurred(field * shown) / np.maximum(blurred(shown), 1e-3), np.float32)


def _likeness(one: _Marks, other: _Marks) -> tuple[float, float, float] | None:
    """Return how like two photos are, what chance makes of it, and their common wall [mm²]; None if small."""
    both = one.shown * other.shown
    columns = both.shape[1]
    common = float(both.sum()) * _STEP_MM**2
    if common < _COMPARED_MM2:
        return None
    strength = math.sqrt(float(((one.field * both) ** 2).sum()) * float(((other.field * both) ** 2).sum()))
    if strength <= 0:
        return None
    matched = irfft2(np.conj(one.waves) * other.waves, (one.tall, columns)) / strength
    reach = math.ceil(_CHANCE_MM[1] / _STEP_MM)
    steps = np.arange(-reach, reach + 1)
    near = matched[np.ix_(steps, steps)]
    away = np.hypot(*np.meshgrid(steps, steps)) * _STEP_MM
    chance = float(near[(away > _CHANCE_MM[0]) & (away < _CHANCE_MM[1])].std())
    return float(near[away <= _NEAR_MM].max()), chance, common
