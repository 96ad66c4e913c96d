"""How one photo sees a flat card: pose and lens together, fitted to corners found in that photo alone.

The model takes a place on the card to a pixel. With X = x/100 mm, Y = y/100 mm,

    u = (h0 X + h1 Y + h2)/w,  v = (h3 X + h4 Y + h5)/w,  w = h6 X + h7 Y + 1        the ideal picture
    a = u − ex, b = v − ey, q = a² + b²,  g = 1 + k1 q + k2 q² + k3 q³               from the lens's axis
    column = c + R (ex + a g + 2 p1 a b + p2 (q + 2 a²))
    row    = d + R (ey + b g + p1 (q + 2 b²) + 2 p2 a b)

where (c, d) is the picture's middle and R half its diagonal [px], so that q = 1 near the picture's corner.
Eight figures for the plane's projection, seven for the lens. The lens model is that of Brown [1]_; its terms
are held near zero by what lenses are like (`_PRIOR_SD`), which matters only where the corners say little.

References
----------
.. [1] D. C. Brown, Decentering distortion of lenses, Photogrammetric Engineering 32 (1966) 444-462; cited
   from memory, in the form that OpenCV's documentation gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import PictureError

__all__ = [
    "Fit",
    "Sight",
    "fitted_sight",
    "parameter_slopes",
    "place_jacobian",
    "projected",
    "start_sight",
]

Floats = NDArray[np.float64]

UNIT_MM = 100.0
# k1, k2, k3, p1, p2, ex, ey, with distances in half diagonals. From memory of published phone and camera
# calibrations, no one source: radial up to some tenths at the corner, decentring of some thousandths. The
# axis is near the middle unless the photo was cropped; where it matters the corners themselves show it.
_PRIOR_SD = np.array([0.3, 0.2, 0.1, 0.003, 0.003, 0.3, 0.3])
_ROUNDS = 30
_WIDEST_MISS = 0.01  # of half the diagonal: no bent card, but no card at all
_LEAST_SHARE = 0.3  # of the corners must agree, or what agrees does so by chance


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sight:
    """A photo's pose and lens.

    Parameters
    ----------
    theta : ndarray of shape (15,)
        h0 … h7, k1, k2, k3, p1, p2, ex, ey of the module's formulas.
    size_px : tuple of int
        Columns and rows of the photo.
    """

    theta: Floats
    size_px: tuple[int, int]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """A sight fitted to corners, with what is left over.

    Parameters
    ----------
    sight : Sight
        The best one.
    covariance : ndarray of shape (15, 15)
        Of its figures.
    used : ndarray of bool, shape (N,)
        Which corners agree with it.
    miss_px : ndarray of shape (N, 2)
        Found minus modelled, (column, row), of all corners.
    noise_px : float
        Standard deviation of one coordinate of a used corner.
    """

    sight: Sight
    covariance: Floats
    used: NDArray[np.bool_]
    miss_px: Floats
    noise_px: float


def projected(sight: Sight, places_mm: ArrayLike) -> Floats:
    """Return the pixels at which places on the card are seen.

    Parameters
    ----------
    sight : Sight
        Pose and lens.
    places_mm : array_like of shape (N, 2)
        (x, y) [mm] in the card frame.

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px], pixel centres at integers.

    Examples
    --------
    >>> plain = Sight(theta=np.array([0.4, 0, 0, 0, -0.4, 0] + [0.0] * 9), size_px=(801, 601))
    >>> projected(plain, [[0, 0], [100, 50]]).round(1)
    array([[400. , 300. ],
           [600.3, 199.9]])
    """
    places = np.asarray(places_mm, np.float64).reshape(-1, 2)
    a, b, q, g, _ = _from_axis(sight, places)
    p1, p2 = sight.theta[11:13]
    seen = _distorted(a, b, q, g, p1, p2) + sight.theta[13:]
    return np.asarray((np.array(sight.size_px) - 1) / 2 + _scale(sight) * seen)


def _from_axis(sight: Sight, places: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return a, b, q, g and w of the module's formulas."""
    x, y = places.T / UNIT_MM
    h, (k1, k2, k3, _, _, ex, ey) = sight.theta[:8], sight.theta[8:]
    w = h[6] * x + h[7] * y + 1
    a, b = (h[0] * x + h[1] * y + h[2]) / w - ex, (h[3] * x + h[4] * y + h[5]) / w - ey
    q = a * a + b * b
    return a, b, q, 1 + q * (k1 + q * (k2 + q * k3)), w


def _distorted(a: Floats, b: Floats, q: Floats, g: Floats, p1: float, p2: float) -> Floats:
    return np.stack(
        [a * g + 2 * p1 * a * b + p2 * (q + 2 * a * a), b * g + p1 * (q + 2 * b * b) + 2 * p2 * a * b], axis=1
    )


def place_jacobian(sight: Sight, places_mm: ArrayLike) -> Floats:
    """Return how the pixel moves with the place.

    Parameters
    ----------
    sight : Sight
        Pose and lens.
    places_mm : array_like of shape (N, 2)
        (x, y) [mm] in the card frame.

    Returns
    -------
    ndarray of shape (N, 2, 2)
        ∂(column, row)/∂(x, y) [px/mm].
    """
    places = np.asarray(places_mm, np.float64).reshape(-1, 2)
    h = sight.theta[:8]
    _, lens, (u, v, w), _ = _parts(sight, places)
    flat = np.empty((len(places), 2, 2))
    flat[:, 0, 0], flat[:, 0, 1] = h[0] - u * h[6], h[1] - u * h[7]
    flat[:, 1, 0], flat[:, 1, 1] = h[3] - v * h[6], h[4] - v * h[7]
    flat /= (w * UNIT_MM)[:, None, None]
    return np.asarray(_scale(sight) * (lens @ flat))


def _scale(sight: Sight) -> float:
    return math.hypot(*sight.size_px) / 2


def _parts(sight: Sight, places: Floats) -> tuple[Floats, Floats, tuple[Floats, Floats, Floats], Floats]:
    """Return pixels in half diagonals, the lens's Jacobian, (u, v, w), and the slopes in the lens's terms."""
    k1, k2, k3, p1, p2, ex, ey = sight.theta[8:]
    a, b, q, g, w = _from_axis(sight, places)
    seen = _distorted(a, b, q, g, p1, p2) + sight.theta[13:]
    slope = 2 * (k1 + q * (2 * k2 + q * 3 * k3))
    lens = np.empty((len(a), 2, 2))
    lens[:, 0, 0] = g + slope * a * a + 2 * p1 * b + 6 * p2 * a
    lens[:, 0, 1] = lens[:, 1, 0] = slope * a * b + 2 * p1 * a + 2 * p2 * b
    lens[:, 1, 1] = g + slope * b * b + 6 * p1 * b + 2 * p2 * a
    terms = np.empty((len(a), 2, 7))
    for axis, c in enumerate((a, b)):
        terms[:, axis, 0], terms[:, axis, 1], terms[:, axis, 2] = c * q, c * q * q, c * q * q * q
    terms[:, 0, 3], terms[:, 0, 4] = 2 * a * b, q + 2 * a * a
    terms[:, 1, 3], terms[:, 1, 4] = q + 2 * b * b, 2 * a * b
    terms[:, :, 5:] = np.eye(2) - lens
    return seen, lens, (a + ex, b + ey, w), terms


def _model(sight: Sight, places: Floats) -> tuple[Floats, Floats]:
    """Return the pixels, and their slopes in the 15 figures, shape (N, 2, 15)."""
    seen, lens, (u, v, w), terms = _parts(sight, places)
    x, y = places.T / UNIT_MM
    plane = np.zeros((len(x), 2, 8))
    plane[:, 0, 0], plane[:, 0, 1], plane[:, 0, 2] = x / w, y / w, 1 / w
    plane[:, 1, 3], plane[:, 1, 4], plane[:, 1, 5] = x / w, y / w, 1 / w
    plane[:, 0, 6], plane[:, 0, 7] = -u * x / w, -u * y / w
    plane[:, 1, 6], plane[:, 1, 7] = -v * x / w, -v * y / w
    scale = _scale(sight)
    middle = (np.array(sight.size_px) - 1) / 2
    return middle + scale * seen, scale * np.concatenate([lens @ plane, terms], axis=2)


def parameter_slopes(sight: Sight, places_mm: ArrayLike) -> Floats:
    """Return how the pixel of a place moves with each of the sight's figures.

    Parameters
    ----------
    sight : Sight
        Pose and lens.
    places_mm : array_like of shape (N, 2)
        (x, y) [mm] in the card frame.

    Returns
    -------
    ndarray of shape (N, 2, 15)
        ∂(column, row)/∂theta [px].
    """
    return _model(sight, np.asarray(places_mm, np.float64).reshape(-1, 2))[1]


def start_sight(places_mm: Floats, pixels: Floats, size_px: tuple[int, int]) -> Sight:
    """Return a first sight without a lens from corners of which some may be false.

    Parameters
    ----------
    places_mm : ndarray of shape (N, 2)
        Where the corners stand on the card.
    pixels : ndarray of shape (N, 2)
        Where they were seen (column, row).
    size_px : tuple of int
        Columns and rows of the photo.

    Returns
    -------
    Sight
        With all lens terms zero.

    Raises
    ------
    PictureError
        If the corners do not lie as on a card seen from anywhere.
    """
    import cv2

    scale = math.hypot(*size_px) / 2
    ideal = (pixels - (np.array(size_px) - 1) / 2) / scale
    # 0.03 of half a diagonal: what a lens of some percent leaves after the best projection without it
    matrix, _ = cv2.findHomography(places_mm / UNIT_MM, ideal, cv2.RANSAC, 0.03)
    if matrix is None or not np.isfinite(matrix).all() or abs(matrix[2, 2]) < 1e-9:
        raise PictureError(
            "the markers do not lie as on a flat card",
            remedy="lay the card flat and photograph it from above",
        )
    return Sight(theta=np.append((matrix / matrix[2, 2]).ravel()[:8], np.zeros(7)), size_px=size_px)


def fitted_sight(start: Sight, places_mm: Floats, pixels: Floats, *, noise_px: float) -> Fit:
    """Return the sight that fits the corners best, false ones set aside.

    Parameters
    ----------
    start : Sight
        Near enough to begin from.
    places_mm : ndarray of shape (N, 2)
        Where the corners stand on the card.
    pixels : ndarray of shape (N, 2)
        Where they were seen (column, row).
    noise_px : float
        Least credible noise of one coordinate; weighs the lens's priors and guards the choice of corners.

    Returns
    -------
    Fit
        Tukey's biweight on the corner's distance chooses; the covariance is that of least squares on the
        corners used, with their own scatter.

    Raises
    ------
    PictureError
        If fewer than 12 corners, or three in ten, agree, or only within a hundredth of half the diagonal.
    """
    sight, spread = start, max(noise_px, 1e-3 * _scale(start))
    used = np.ones(len(places_mm), bool)
    for turn in range(_ROUNDS):
        seen, slopes = _model(sight, places_mm)
        miss = pixels - seen
        far = np.hypot(*miss.T)
        if turn:
            # 1.18 = median of a Rayleigh variable per unit of sigma (sqrt(2 ln 2), exact)
            spread = max(noise_px, float(np.median(far[used])) / 1.1774)
        weight = np.clip(1 - (far / (6.0 * spread)) ** 2, 0.0, None) ** 2 if turn else np.ones(len(far))
        used = weight > 0
        if used.sum() < max(12, _LEAST_SHARE * len(used)):
            raise PictureError(
                f"only {int(used.sum())} of {len(used)} corners agree with each other",
                remedy="lay the card flat, and have all of it in the picture, sharp",
            )
        step = _step(sight, slopes, miss, weight, spread)
        sight = Sight(theta=sight.theta + step, size_px=sight.size_px)
        shift = np.abs(_model(sight, places_mm)[0] - seen).max()
        if turn > 2 and shift < 0.01 * noise_px:
            break
    return _finished(sight, places_mm, pixels, noise_px)


def _step(sight: Sight, slopes: Floats, miss: Floats, weight: Floats, spread: float) -> Floats:
    flat = slopes.reshape(-1, slopes.shape[-1])
    weighed = flat * (np.repeat(weight, 2) / spread**2)[:, None]
    normal = weighed.T @ flat
    pull = weighed.T @ miss.ravel()
    held = 1 / _PRIOR_SD**2
    normal[range(8, 15), range(8, 15)] += held
    pull[8:] -= held * sight.theta[8:]
    size = 1 / np.sqrt(np.diag(normal))
    return np.asarray(size * np.linalg.solve(normal * size[:, None] * size, pull * size))


def _finished(sight: Sight, places_mm: Floats, pixels: Floats, noise_px: float) -> Fit:
    seen, slopes = _model(sight, places_mm)
    miss = pixels - seen
    far = np.hypot(*miss.T)
    spread = max(noise_px, float(np.median(far)) / 1.1774)
    if not spread < _WIDEST_MISS * _scale(sight):
        raise PictureError(
            "the markers do not lie as on a flat card",
            remedy="lay the card flat and photograph it from above",
        )
    used = far < 4.5 * spread
    free = max(2 * int(used.sum()) - len(sight.theta), 1)
    noise = max(noise_px, math.sqrt(float((miss[used] ** 2).sum()) / free))
    flat = slopes[used].reshape(-1, slopes.shape[-1]) / noise
    normal = flat.T @ flat
    normal[range(8, 15), range(8, 15)] += 1 / _PRIOR_SD**2
    size = 1 / np.sqrt(np.diag(normal))
    covariance = np.linalg.inv(normal * size[:, None] * size) * size[:, None] * size
    return Fit(sight=sight, covariance=covariance, used=used, miss_px=miss, noise_px=noise)
