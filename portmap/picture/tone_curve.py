"""Whether a photo's values follow sRGB's tone curve, seen from the card's own edges.

A lens blurs *light* evenly to both sides of an edge; the half level of the *values* lies off it. Edges are
measured in light, which is right as long as values mean light as sRGB has it. A picture from which that
has been taken (scanned, edited, or made by a program) would move every edge by up to 0.05 mm. Black squares
face blank paper all round the card, at places known from its corners, which no tone curve moves. Where those
edges stand off by more than ink does, the curve is found that puts them right.

Glossary
--------
share
    light = (1 − share)·value + share·(light that sRGB gives the value): 1 for sRGB, 0 for plain values.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from portmap.picture.card import BAND, FlatCard, band_squares
from portmap.picture.sight import Sight, projected
from portmap.picture.tone import linear_light, value_of_light

__all__ = ["ToneCurve", "card_tone", "even_values"]

Floats = NDArray[np.float64]

REACH_MM = 1.5  # looked at on both sides of an edge: the paper stays blank for 2 mm from the band
ROWS = 6  # lines of sight across one square's side
SAMPLE_PX = 0.5
LEAST_REACH_PX = 4.0
LEAST_EDGES = 12
LEAST_STEP = 0.25  # of full value between black and blank: less is a shadow or a thumb
LEAST_CALM = 0.1  # of the step, by which black or blank may vary: more is a word or a shadow's border
BURNT = 0.985  # blank paper above it has lost its light
INK_MM = (
    0.025  # by which ink may spread or shrink at an edge (judgement; no source): below it nothing is done
)
_SHARES = np.linspace(-0.5, 1.7, 23)
_SRGB = linear_light(np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2))[0].astype(
    np.float64
)


@dataclass(frozen=True, kw_only=True, slots=True)
class ToneCurve:
    """A camera's tone curve as a share of sRGB's.

    Parameters
    ----------
    share : float
        1 for sRGB, 0 for values that are light already.
    edges : int
        How many of the card's edges it was found from; 0 if it is assumed.
    off_mm : float
        How far the card's edges stand off under it, black larger positive [mm]. Ink or curve: who knows. It
        is a doubt of every edge in the picture.
    """

    share: float
    edges: int
    off_mm: float = 0.0


def card_tone(gray: NDArray[np.uint8], sight: Sight, card: FlatCard) -> ToneCurve:
    """Return the tone curve of a photo of the card.

    Parameters
    ----------
    gray : ndarray of shape (M, N) and dtype uint8
        The photo's brightness values.
    sight : Sight
        Its pose and lens.
    card : FlatCard
        The card it shows.

    Returns
    -------
    ToneCurve
        That of sRGB, with no edges, if too few of the card's edges are seen clearly.
    """
    distance, values = _clear_edges(gray, sight, card)
    if len(values) < LEAST_EDGES:
        return ToneCurve(share=1.0, edges=0)
    place_mm = _places(distance, np.array([_mean_edge(distance, values, share) for share in _SHARES]))
    off_mm = float(np.interp(1.0, _SHARES, place_mm))
    if abs(off_mm) < INK_MM:
        return ToneCurve(share=1.0, edges=len(values), off_mm=off_mm)
    rising = np.maximum.accumulate(
        place_mm
    )  # the more light is taken from grey, the further out black reaches
    return ToneCurve(share=float(np.interp(0.0, rising, _SHARES)), edges=len(values))


def even_values(curve: ToneCurve) -> NDArray[np.uint8]:
    """Return the table that takes a camera's values to those of sRGB.

    Parameters
    ----------
    curve : ToneCurve
        As found.

    Returns
    -------
    ndarray of shape (256,) and dtype uint8
        Never falling.

    Examples
    --------
    >>> bool((even_values(ToneCurve(share=1.0, edges=50)) == np.arange(256)).all())
    True
    """
    light = _light(np.arange(256) / 255.0, curve.share)
    # a curve steeper than sRGB's dips below nothing in the deepest black
    return np.round(value_of_light(np.maximum.accumulate(np.clip(light, 0.0, 1.0)))).astype(np.uint8)


def _light(value: Floats, share: float) -> Floats:
    return np.asarray((1.0 - share) * value + share * np.interp(255.0 * value, np.arange(256), _SRGB))


def _open_sides(card: FlatCard) -> tuple[Floats, Floats]:
    """Return places on the sides of black squares that face blank paper, (K, ROWS, 2), and their normals."""
    squares = band_squares(card)
    black = squares[squares.sum(axis=1) % 2 == 0]
    last = np.array([card.columns, card.rows]) - 1
    along = np.linspace(0.25, 0.75, ROWS)  # away from the corners, whose blur is another
    places, normals = [], []
    for axis in (0, 1):
        other = 1 - axis
        beside = (black[:, other] >= BAND) & (black[:, other] <= last[other] - BAND)
        for side, outermost, innermost in ((-1, 0, last[axis] - BAND + 1), (1, last[axis], BAND - 1)):
            open_ones = (black[:, axis] == outermost) | ((black[:, axis] == innermost) & beside)
            for square in black[open_ones]:
                line = np.empty((ROWS, 2))
                line[:, axis] = square[axis] + (side > 0)
                line[:, other] = square[other] + along
                places.append(line * card.square_mm + card.board_mm)
                normals.append(np.eye(2)[axis] * side)
    return np.array(places), np.array(normals)


def _clear_edges(gray: NDArray[np.uint8], sight: Sight, card: FlatCard) -> tuple[Floats, Floats]:
    """Return distances across an edge [mm], outward, and the values, 0 to 1, of each side seen clearly."""
    places, normals = _open_sides(card)
    middle = places.mean(axis=1)
    ends = projected(sight, np.concatenate([middle, middle + normals * REACH_MM]))
    reach_px = float(np.median(np.hypot(*(ends[len(middle) :] - ends[: len(middle)]).T)))
    if reach_px < LEAST_REACH_PX:
        return np.empty(0), np.empty((0, 0))
    distance = np.linspace(-REACH_MM, REACH_MM, 2 * round(reach_px / SAMPLE_PX) + 1)
    at = places[:, :, None, :] + distance[None, None, :, None] * normals[:, None, None, :]
    seen = projected(sight, at.reshape(-1, 2)).reshape(*at.shape)
    x, y = seen.astype(np.float32).reshape(len(places), -1, 2).transpose(2, 0, 1)
    level = cv2.remap(gray, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)
    values = level.reshape(at.shape[:3]).mean(axis=1) / 255.0
    dark, blank = values[:, distance < -0.5 * REACH_MM], values[:, distance > 0.5 * REACH_MM]
    step = blank.mean(axis=1) - dark.mean(axis=1)
    calm = np.maximum(np.ptp(dark, axis=1), np.ptp(blank, axis=1)) < LEAST_CALM * step
    return distance, values[calm & (step > LEAST_STEP) & (np.median(blank, axis=1) < BURNT)]


def _mean_edge(distance: Floats, values: Floats, share: float) -> Floats:
    """Return the light across all edges together, from 0 on black to 1 on blank."""
    light = _light(values, share)
    low = light[:, distance < -0.5 * REACH_MM].mean(axis=1, keepdims=True)
    outside = distance > 0.5 * REACH_MM
    high = light[:, outside].mean(axis=1, keepdims=True)
    return np.asarray(np.median((light - low) / (high - low), axis=0))


def _places(distance: Floats, edges: Floats) -> Floats:
    """Return where each edge lies [mm], by least squares to the integral of a bell curve."""
    place, blur = np.zeros(len(edges)), np.full(len(edges), 0.15)
    for _ in range(25):
        arm = (distance - place[:, None]) / blur[:, None]
        bell = np.exp(-0.5 * arm**2) / (np.sqrt(2 * np.pi) * blur[:, None])
        miss = edges - ndtr(arm)
        by_place, by_blur = -bell, -bell * arm
        aa, bb, ab = (
            np.sum(by_place**2, axis=1),
            np.sum(by_blur**2, axis=1),
            np.sum(by_place * by_blur, axis=1),
        )
        a, b = np.sum(by_place * miss, axis=1), np.sum(by_blur * miss, axis=1)
        size = np.maximum(aa * bb - ab**2, 1e-12)
        place = place + np.clip((bb * a - ab * b) / size, -0.1, 0.1)
        blur = np.clip(blur + np.clip((aa * b - ab * a) / size, -0.05, 0.05), 0.02, 1.0)
    return np.asarray(place)
