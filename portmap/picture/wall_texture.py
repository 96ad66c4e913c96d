"""How the wall's texture tells it from what is seen through a window, where the light does not.

Honing crosses the wall at its own angle. What is seen through a window, a casting's skin or soot on it, lies
behind the wall; unrolled as if it lay in it, it is drawn out along the sight. So the light's gradients have
other directions and strengths there, also where a passage is lit like the wall. Which, is learned for each
window from what surely is wall around it and surely is none inside.

Points are (column, row) [px] of the image given.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from portmap.picture.wall_responses import reduced

__all__ = ["Likeness", "Texture", "ending", "likeness", "texture_of", "wall_around"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

STEP_MM = 0.1  # a pixel of the reduced copy
COARSE_MM, FINE_MM, TOGETHER_MM = 1.0, 0.05, 0.3  # light is taken against; smoothed over; gradients over
FLOOR_SHARE = 0.02  # of the usual gradients: weaker ones are noise
INSIDE_MM = 1.2  # so far inside an outline is no wall, chamfers left out
AROUND_MM = (0.8, 4.0)  # so far outside is wall
LEAST_PLACES = 150  # of the copy, of either
RIDGE = 0.05  # of a natural logarithm squared
MOST = 3.0  # a place tells so much at most, in natural logarithms of how much likelier it is wall
ENDS_MM = np.arange(-1.0, 3.01, 0.25)  # off a roof or floor, where the wall's texture may end instead
CLEARLY = 1.0  # by how much likelier, in natural logarithms
OUT_MM, IN_MM = (0.35, 1.2), (-1.6, -0.6)  # where a border's two sides are looked at


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Texture:
    """Strengths of the light's gradients.

    Parameters
    ----------
    features : ndarray of shape (M, N, K)
        Natural logarithms, of a reduced copy.
    seen : ndarray of shape (M, N) and dtype bool
    factor : float
        Pixels of the image to one of the copy.
    step_mm : float
        Size of a pixel of the copy.
    """

    features: Floats32
    seen: Bools
    factor: float
    step_mm: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Likeness:
    """How much likelier each place is wall than what is seen through a window.

    Parameters
    ----------
    told : ndarray of shape (M, N)
        Natural logarithms, at most `MOST`; of a part of the reduced copy.
    origin : tuple of int
        Its first column and row there.
    factor : float
    step_mm : float
    """

    told: Floats32
    origin: tuple[int, int]
    factor: float
    step_mm: float


def texture_of(light: Floats32, seen: Bools, *, mm_per_px: float) -> Texture:
    """Return the texture of a wall.

    Parameters
    ----------
    light, seen, mm_per_px
        As `wall_responses.edge_responses` takes them.

    Returns
    -------
    Texture
    """
    small, shown, factor = reduced(light, seen, mm_per_px=mm_per_px, step_mm=STEP_MM)
    small, step = np.log(np.maximum(small, 1e-4)), mm_per_px * factor
    flat = gaussian_filter(small - gaussian_filter(small, COARSE_MM / step), FINE_MM / step)
    down, right = np.gradient(flat)
    half = np.sqrt(0.5)
    ways = (right, down, half * (right + down), half * (right - down))
    energy = [gaussian_filter(way**2, TOGETHER_MM / step) for way in ways]
    least = FLOOR_SHARE * float(np.median(energy[0] + energy[1])) + 1e-12
    features = [*energy, energy[0] + energy[1]]
    logs = np.stack([np.log(each + least) for each in features], axis=2)
    return Texture(features=np.asarray(logs, np.float32), seen=shown, factor=factor, step_mm=step)


def likeness(texture: Texture, outline_px: Floats) -> Likeness | None:
    """Return how like wall the places in and around an outline are, as learned from there.

    By a linear discriminant [1]_.

    Parameters
    ----------
    texture : Texture
    outline_px : ndarray of shape (N, 2)
        About where the wall ends.

    Returns
    -------
    Likeness or None
        None where too little is seen to learn from.

    References
    ----------
    .. [1] Fisher, The use of multiple measurements in taxonomic problems, Annals of Eugenics 7 (1936) 179.
    """
    ring = (outline_px + 0.5) / texture.factor - 0.5
    reach = round(AROUND_MM[1] / texture.step_mm) + 2
    rows, columns = texture.seen.shape
    low = np.maximum(np.floor(ring.min(axis=0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(ring.max(axis=0)).astype(int) + reach + 1, [columns, rows])
    if (high - low < 3).any():
        return None
    features = texture.features[low[1] : high[1], low[0] : high[0]]
    seen = texture.seen[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(seen.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(ring - low).astype(np.int32)], 1)
    away = cv2.distanceTransform(mask, cv2.DIST_L2, 5) * texture.step_mm
    out = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5) * texture.step_mm
    inner = features[seen & (away > INSIDE_MM)]
    outer = features[seen & (out > AROUND_MM[0]) & (out < AROUND_MM[1])]
    if min(len(inner), len(outer)) < LEAST_PLACES:
        return None
    wall, other = outer.mean(axis=0), inner.mean(axis=0)
    spread = (np.cov(outer.T) + np.cov(inner.T)) / 2 + RIDGE * np.eye(features.shape[2])
    by = np.linalg.solve(spread, wall - other)
    told = np.where(seen, np.clip((features - (wall + other) / 2) @ by, -MOST, MOST), 0.0)
    return Likeness(
        told=np.asarray(told, np.float32),
        origin=(int(low[0]), int(low[1])),
        factor=texture.factor,
        step_mm=texture.step_mm,
    )


def wall_around(like: Likeness, points_px: Floats, normals: Floats) -> Floats:
    """Return how far an outline has wall outside and none inside, place by place.

    Parameters
    ----------
    like : Likeness
    points_px : ndarray of shape (N, 2)
    normals : ndarray of shape (N, 2)
        Outward.

    Returns
    -------
    ndarray of shape (N,)
        The mean likeness just outside less that inside.
    """
    ring = (points_px + 0.5) / like.factor - 0.5 - np.array(like.origin)
    found = []
    for low, high in (OUT_MM, IN_MM):
        off = np.linspace(low, high, 6) / like.step_mm
        place = (ring[:, None] + off[None, :, None] * normals[:, None]).astype(np.float32)
        found.append(
            cv2.remap(
                like.told,
                np.ascontiguousarray(place[..., 0]),
                np.ascontiguousarray(place[..., 1]),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            ).mean(axis=1)
        )
    return np.asarray(found[0] - found[1], np.float64)


def ending(like: Likeness, points_px: Floats, normals: Floats, side: Bools) -> float:
    """Return how far outward of one side of an outline the wall's texture ends.

    Parameters
    ----------
    like : Likeness
    points_px, normals : ndarray of shape (N, 2)
    side : ndarray of shape (N,) and dtype bool
        Which places are the side's.

    Returns
    -------
    float
        [mm], about; 0 where no other place than the outline's own is clearly better.
    """
    mm_per_px = like.step_mm / like.factor
    points, out = points_px[side], normals[side]
    told = np.array([wall_around(like, points + off / mm_per_px * out, out).mean() for off in ENDS_MM])
    own = float(np.interp(0.0, ENDS_MM, told))
    return float(ENDS_MM[int(np.argmax(told))]) if told.max() > own + CLEARLY else 0.0
