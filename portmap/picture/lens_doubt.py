"""What is known of a lens before a picture is looked at, and how a camera's sight changes with its figures.

The figures of a lens are counted as (s, cx, cy, distortion...): s stretches both focal lengths by exp(s), so
that their ratio stays. A figure whose standard deviation is 0 is held.

Glossary
--------
free
    Of a figure: not held.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.picture.camera import Lens

__all__ = [
    "LensGuess",
    "changed",
    "guessed_lens",
    "known_lens",
    "loosened",
    "seen_and_place_slopes",
    "seen_and_slopes",
]

Floats = NDArray[np.float64]

# Standard deviations of what phones' lenses are; common practice, no source.
_FOCAL_SHARE = 0.8  # of the long side, of phones and compact cameras
_FOCAL_SD, _FOCAL_TOLD_SD = 0.3, 0.04
_MIDDLE_SD = 0.006  # of the long side
_TERM_SD = (0.12, 0.2, 0.001, 0.001, 0.1)  # k1, k2, p1, p2, k3
_TERMS = {"pinhole": ("k1", "k2", "p1", "p2", "k3"), "fisheye": ("k1", "k2", "k3", "k4")}
_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
# How far a calibrated lens may have wandered (focus, warmth): common practice, no source.
_LEAST_EIGEN = 1e-6
_LOOSE_FOCAL_SD, _LOOSE_MIDDLE_SD, _LOOSE_TERM_SD = 0.02, 0.004, 0.02


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LensGuess:
    """A lens and how far its figures may be off.

    Parameters
    ----------
    lens : Lens
        The likeliest.
    covariance : ndarray of shape (F, F)
        Of (s, cx, cy, distortion...); a figure of variance 0 is held.
    told : bool
        Whether it was calibrated.
    """

    lens: Lens
    covariance: Floats
    told: bool

    @property
    def sd(self) -> Floats:
        """Return the standard deviation of each figure."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def free(self) -> NDArray[np.intp]:
        """Return the numbers of the figures that are not held."""
        return np.flatnonzero(np.diag(self.covariance) > 0)

    @property
    def whitening(self) -> Floats:
        """Return the matrix that makes independent figures of variance 1 of changes of the free ones."""
        own, sd = np.ix_(self.free, self.free), self.sd[self.free]
        values, vectors = np.linalg.eigh(self.covariance[own] / np.outer(sd, sd))
        # correlations are stated to six digits: less than that is not known of a combination
        values = np.maximum(values, _LEAST_EIGEN)
        return np.asarray((vectors / np.sqrt(values)).T / sd)


def guessed_lens(size_px: tuple[int, int], focal_35mm_mm: float | None = None) -> LensGuess:
    """Return what is known of a phone's lens that nobody calibrated.

    Parameters
    ----------
    size_px : tuple of int
        Columns and rows.
    focal_35mm_mm : float, optional
        Focal length for the same angle of view on a 36 × 24 mm frame, as a camera notes it [mm]; its
        diagonal is compared.

    Returns
    -------
    LensGuess

    Examples
    --------
    >>> round(guessed_lens((4000, 3000), 26.0).lens.fx_px), round(guessed_lens((4000, 3000)).lens.fx_px)
    (3005, 3200)
    """
    long = max(size_px)
    focal, sd = _FOCAL_SHARE * long, _FOCAL_SD
    if focal_35mm_mm is not None:
        focal, sd = focal_35mm_mm / _FRAME_DIAGONAL_MM * math.hypot(*size_px), _FOCAL_TOLD_SD
    lens = Lens(
        model="pinhole",
        size_px=size_px,
        fx_px=focal,
        fy_px=focal,
        cx_px=(size_px[0] - 1) / 2,
        cy_px=(size_px[1] - 1) / 2,
        distortion=(0.0,) * 5,
    )
    middle = _MIDDLE_SD * long
    sds = np.array([sd, middle, middle, *_TERM_SD])
    return LensGuess(lens=lens, covariance=np.diag(sds**2), told=False)


def known_lens(lens: Lens, u: dict[str, Any] | None = None) -> LensGuess:
    """Return a calibrated lens with what its calibration says of its doubt.

    Parameters
    ----------
    lens : Lens
    u : dict, optional
        Standard uncertainties by the lens file's names: ``fx_px``, ``fy_px``, ``cx_px``, ``cy_px``,
        ``distortion``, and their ``correlation``: ``order`` of the names (s, cx, cy, k1...) and ``matrix``.
        What is missing or makes no sense counts as nothing, so that the figure is held.

    Returns
    -------
    LensGuess

    Examples
    --------
    >>> guess = known_lens(guessed_lens((640, 480)).lens, {"fx_px": 1.024})
    >>> guess.sd[:2].round(4), guess.free
    (array([0.002, 0.   ]), array([0]))
    """
    stated = u or {}
    terms = stated.get("distortion")
    if not isinstance(terms, list) or len(terms) != len(lens.distortion):
        terms = [0.0] * len(lens.distortion)
    sd = np.array(
        [
            _figure(stated.get("fx_px")) / lens.fx_px,
            _figure(stated.get("cx_px")),
            _figure(stated.get("cy_px")),
            *(_figure(term) for term in terms),
        ]
    )
    alike = _correlation(lens, stated.get("correlation"))
    return LensGuess(lens=lens, covariance=alike * np.outer(sd, sd), told=True)


def _correlation(lens: Lens, stated: object) -> Floats:
    """Return the correlations of a lens's figures as its file states them, none if it states none."""
    names = ["s", "cx", "cy", *_TERMS[lens.model]]
    found = np.eye(len(names))
    if not isinstance(stated, dict):
        return found
    order, matrix = stated.get("order"), stated.get("matrix")
    if not (isinstance(order, list) and isinstance(matrix, list) and len(order) == len(matrix)):
        return found
    if any(not isinstance(row, list) or len(row) != len(order) for row in matrix):
        return found
    if any(not isinstance(v, int | float) or not abs(v) <= 1 for row in matrix for v in row):
        return found
    here = [(names.index(name), k) for k, name in enumerate(order) if name in names]
    for a, i in here:
        for b, j in here:
            found[a, b] = 1.0 if a == b else (matrix[i][j] + matrix[j][i]) / 2
    return found


def _figure(value: object) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 1e6
    return float(value) if good else 0.0  # type: ignore[arg-type]


def loosened(guess: LensGuess) -> LensGuess:
    """Return the guess with every figure free to move a little, for a lens that is to be refined.

    Parameters
    ----------
    guess : LensGuess

    Returns
    -------
    LensGuess

    Examples
    --------
    >>> len(loosened(known_lens(guessed_lens((640, 480)).lens)).free)
    8
    """
    middle = _LOOSE_MIDDLE_SD * max(guess.lens.size_px)
    terms = [_LOOSE_TERM_SD] * len(guess.lens.distortion)
    if guess.lens.model == "pinhole":
        terms[2] = terms[3] = _LOOSE_TERM_SD / 20
    loose = np.array([_LOOSE_FOCAL_SD, middle, middle, *terms])
    return replace(guess, covariance=guess.covariance + np.diag(loose**2))


def changed(lens: Lens, figures: ArrayLike) -> Lens:
    """Return a lens whose figures are changed.

    Parameters
    ----------
    lens : Lens
    figures : array_like of shape (F,)
        What is added to (s, cx, cy, distortion...), s being 0 before.

    Returns
    -------
    Lens

    Examples
    --------
    >>> changed(guessed_lens((100, 80)).lens, [math.log(1.5), 1, 0, 0, 0, 0, 0, 0]).matrix[0]
    array([120. ,   0. ,  50.5])
    """
    stretch, across, down, *terms = np.asarray(figures, np.float64).tolist()
    return replace(
        lens,
        fx_px=lens.fx_px * math.exp(stretch),
        fy_px=lens.fy_px * math.exp(stretch),
        cx_px=lens.cx_px + across,
        cy_px=lens.cy_px + down,
        distortion=tuple(a + b for a, b in zip(lens.distortion, terms, strict=True)),
    )


def seen_and_slopes(
    lens: Lens, turn: ArrayLike, shift_mm: ArrayLike, places_mm: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return where a camera sees places, and how that changes.

    Parameters
    ----------
    lens : Lens
    turn : array_like of shape (3,)
        Rotation vector from the bore's frame to the camera's [rad].
    shift_mm : array_like of shape (3,)
        The bore frame's origin in the camera's frame [mm].
    places_mm : ndarray of shape (N, 3)
        In front of the camera.

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px].
    ndarray of shape (N, 2, 6)
        Slopes along turn and shift.
    ndarray of shape (N, 2, F)
        Slopes along the lens's figures (s, cx, cy, distortion...).

    Examples
    --------
    >>> lens = guessed_lens((101, 81)).lens
    >>> seen, pose, figures = seen_and_slopes(lens, [0, 0, 0], [0, 0, 100], np.array([[10., 0, 0]]))
    >>> seen.round(2), float(pose[0, 0, 3].round(3)), figures.shape
    (array([[58.08, 40.  ]]), 0.808, (1, 2, 8))
    """
    seen, slopes = _projected(lens, turn, shift_mm, places_mm)
    if lens.model == "fisheye":
        focal, middle, bent, pose = slopes[..., :2], slopes[..., 2:4], slopes[..., 4:8], slopes[..., 8:14]
    else:
        pose, focal, middle, bent = slopes[..., :6], slopes[..., 6:8], slopes[..., 8:10], slopes[..., 10:15]
    stretch = focal @ np.array([lens.fx_px, lens.fy_px])
    figures = np.concatenate([stretch[..., None], middle, bent], axis=2)
    return seen, np.array(pose), figures


def seen_and_place_slopes(
    lens: Lens, turn: ArrayLike, shift_mm: ArrayLike, places_mm: Floats
) -> tuple[Floats, Floats]:
    """Return where a camera sees places, and how that changes as they move.

    Parameters
    ----------
    lens, turn, shift_mm, places_mm
        As `seen_and_slopes` takes them.

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px].
    ndarray of shape (N, 2, 3)
        Slopes along X, Y and Z of the bore's frame [px/mm].

    Examples
    --------
    >>> lens = guessed_lens((101, 81)).lens
    >>> _, slopes = seen_and_place_slopes(lens, [0, 0, 0], [0, 0, 100], np.array([[10., 0, 0]]))
    >>> slopes.round(4) + 0.0
    array([[[ 0.808 ,  0.    , -0.0808],
            [ 0.    ,  0.808 ,  0.    ]]])
    """
    seen, slopes = _projected(lens, turn, shift_mm, places_mm)
    shift = slopes[..., 11:14] if lens.model == "fisheye" else slopes[..., 3:6]
    turned = cv2.Rodrigues(np.asarray(turn, np.float64))[0]
    # one product is far faster than one for each place
    return seen, (np.ascontiguousarray(shift).reshape(-1, 3) @ turned).reshape(-1, 2, 3)


def _projected(lens: Lens, turn: ArrayLike, shift_mm: ArrayLike, places_mm: Floats) -> tuple[Floats, Floats]:
    """Return where a camera sees places, and OpenCV's slopes of that, shape (N, 2, 15)."""
    places = np.ascontiguousarray(places_mm, np.float64).reshape(-1, 1, 3)
    if not len(places):
        return np.empty((0, 2)), np.empty((0, 2, 15))
    turned, shift = np.asarray(turn, np.float64).reshape(3, 1), np.asarray(shift_mm, np.float64).reshape(3, 1)
    terms = np.asarray(lens.distortion, np.float64)
    project = cv2.fisheye.projectPoints if lens.model == "fisheye" else cv2.projectPoints
    seen, slopes = project(places, turned, shift, lens.matrix, terms)
    return np.asarray(seen, np.float64).reshape(-1, 2), np.asarray(slopes, np.float64).reshape(-1, 2, 15)
