"""The colours of a mark and of the sheet round it, and in which light the two are told apart best.

Coloured ruling beside an edge draws it: a ruled line looks like a part of the mark. In the right mixture of
red, green and blue the ruling vanishes. But a JPEG keeps colour more coarsely than brightness, so that
between a mark and a sheet of different colours the edge lies truly only in the brightness.

Glossary
--------
share
    Where a light stands between those of the mark (0) and the sheet (1).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.tone import LUMA, Band, linear_colours, linear_light_of_value, value_of_light

__all__ = ["MarkColours", "clearest_band", "mark_colours", "mixed_share"]

CLEARER = 2.5  # than brightness must another band be to be taken
MUCH_CLEARER = 3.0  # the same if mark and sheet differ in colour, which a JPEG keeps coarsely
COLOURED = 0.15  # share of colour in the difference from which on they do
_FLOOR = 1e-4  # variance of light that no band is trusted to be under


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class MarkColours:
    """What a window's mark and its sheet look like.

    Parameters
    ----------
    band : tuple of float
        Weights in which the mark stands out.
    mark, sheet : ndarray of shape (3,)
        Light in red, green and blue.
    """

    band: Band
    mark: NDArray[np.float64]
    sheet: NDArray[np.float64]

    @property
    def to_mix(self) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """Return both colours if an edge in this band runs by the mixing of luma, None if straight."""
        return (self.mark, self.sheet) if self.band == LUMA else None


def mark_colours(
    pixels: NDArray[np.uint8], outline_px: NDArray[np.float64], *, mm_per_px: float, line: bool
) -> MarkColours:
    """Return the colours within 1 mm of a window's rough outline.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB.
    outline_px : ndarray of shape (N, 2)
        Rough outline (column, row) [px].
    mm_per_px : float
        Size of a pixel [mm].
    line : bool
        Whether the mark is a pencil line just outside the outline, and not all inside it.

    Returns
    -------
    MarkColours
    """
    scale = max(1, round(0.12 / mm_per_px))
    small = linear_colours(np.ascontiguousarray(pixels[::scale, ::scale]))
    step = mm_per_px * scale
    mask = np.zeros(small.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(outline_px / scale).astype(np.int32)], 1)
    near = _grown(mask, 0.4 / step).astype(bool)
    outside = _grown(mask, 1.2 / step).astype(bool) & ~near
    if line:
        inside = near & ~mask.astype(bool)
    else:
        inside = mask.astype(bool) & _grown(1 - mask, 0.8 / step).astype(bool)
        inside &= ~_grown(1 - mask, 0.4 / step).astype(bool)
    if inside.sum() < 8 or outside.sum() < 8:
        return MarkColours(band=LUMA, mark=np.zeros(3), sheet=np.ones(3))
    # uneven lighting would pass for a spread of the colours
    sheet = outside.astype(np.float32)
    level = cv2.GaussianBlur(small.mean(axis=2) * sheet, (0, 0), 1.0 / step)
    even = small * (cv2.GaussianBlur(sheet, (0, 0), 1.0 / step) / np.maximum(level, 1e-3))[:, :, None]
    mark = even[inside]
    if line:
        bright = mark.sum(axis=1)
        mark = mark[bright <= np.median(bright)]
    lit = float(np.median(small[outside].mean(axis=1)))
    return MarkColours(
        band=clearest_band(mark, even[outside]),
        mark=lit * np.median(mark, axis=0).astype(np.float64),
        sheet=lit * np.median(even[outside], axis=0).astype(np.float64),
    )


def _grown(mask: NDArray[np.uint8], reach_px: float) -> NDArray[np.uint8]:
    size = 2 * max(1, round(reach_px)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.dilate(mask, kernel), np.uint8)


def clearest_band(mark: NDArray[np.float32], sheet: NDArray[np.float32]) -> Band:
    """Return the weights of the colours in which a mark stands out most from the sheet round it.

    Fisher's linear discriminant [1]_, which turns away from the direction in which the sheet itself varies,
    such as its ruling. Brightness is kept unless the gain is worth it.

    Parameters
    ----------
    mark, sheet : ndarray of shape (N, 3) and (M, 3)
        Light of pixels in the mark and beside it, free of uneven lighting.

    Returns
    -------
    tuple of float
        Weights whose absolute values add up to 1.

    References
    ----------
    .. [1] Fisher, The use of multiple measurements in taxonomic problems, Annals of Eugenics 7 (1936).

    Examples
    --------
    >>> ruled = np.array([[0.8, 0.8, 0.7]] * 8 + [[0.4, 0.6, 0.7]] * 4, np.float32)
    >>> np.round(clearest_band(np.full((9, 3), 0.1, np.float32), ruled), 1) + 0.0
    array([0., 0., 1.])
    """
    if len(mark) < 8 or len(sheet) < 8:
        return LUMA
    one, other = mark.astype(np.float64), sheet.astype(np.float64)
    step = other.mean(axis=0) - one.mean(axis=0)
    spread = np.cov(one.T) + np.cov(other.T) + _FLOOR * np.eye(3)

    def clearness(weights: NDArray[np.float64]) -> float:
        return float(abs(weights @ step) / np.sqrt(weights @ spread @ weights))

    best = np.linalg.solve(spread, step)
    coloured = float(np.linalg.norm(step - step.mean()) / np.linalg.norm(step)) > COLOURED
    if clearness(best) < (MUCH_CLEARER if coloured else CLEARER) * clearness(np.array(LUMA)):
        return LUMA
    best = best / np.abs(best).sum()
    return float(best[0]), float(best[1]), float(best[2])


def mixed_share(
    share: NDArray[np.float64], mark: NDArray[np.float64], sheet: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how much of the sheet is mixed in where the light of the luma stands at a share.

    A pixel astride an edge mixes the light of both colours. Its luma is a sum of *values*, so that between
    two colours the light of the luma does not run straight with the mixture, only between two greys.

    Parameters
    ----------
    share : ndarray of shape (...)
        Of the light of the luma, 0 at the mark, 1 at the sheet; beyond, it is left as it is.
    mark, sheet : ndarray of shape (3,)
        Light of both in red, green and blue.

    Returns
    -------
    ndarray of shape (...)

    Examples
    --------
    >>> blue, white = np.array([0.1, 0.2, 0.5]), np.array([0.8, 0.8, 0.8])
    >>> mixed_share(np.array([0.0, 0.5, 1.0]), blue, white).round(3)
    array([0.   , 0.491, 1.   ])
    """
    mixture = np.linspace(0.0, 1.0, 65)
    colours = mark + mixture[:, None] * (sheet - mark)
    luma = value_of_light(colours) @ np.array(LUMA) / 255.0
    light = linear_light_of_value(luma)
    if not abs(float(light[-1] - light[0])) > 1e-4:
        return share
    course = (light - light[0]) / (light[-1] - light[0])
    if not (np.diff(course) > 0).all():
        return share
    inside = np.clip(share, 0.0, 1.0)
    return np.asarray(np.interp(inside, course, mixture) + (share - inside))
