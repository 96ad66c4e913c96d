"""How sure places on a flattened photo are, and whether the card lay flat.

Displacements are in mm on the card: where a thing truly is, minus where the fitted photo puts it.

Glossary
--------
mode
    A field of displacements one standard deviation large, independent of other modes (see `scaled.py`).
bend
    What is left of the corners' misses when they follow a smooth pattern over the card: paper that does not
    lie flat, or a lens unlike the model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.picture.card import BAR_MM, FlatCard
from portmap.picture.sight import Fit, parameter_slopes, place_jacobian

__all__ = ["CALIPER_MM", "Bend", "bend_of", "caliper_modes", "miss_on_card", "pose_modes"]

Floats = NDArray[np.float64]

CALIPER_MM = 0.02  # doubt of a bar's measured length, one standard deviation (common practice, no source)
# Neighbouring corners do not err quite independently (light that falls off, blocks of JPEG): the variance
# that rendered photos with known truth ask for, over that from the scatter alone. See tests/accuracy.
_SHARED_ERROR = 1.25
# Bows of 0.3 to 3 mm, rendered, moved places inside by three to six times the pattern at the corners.
_BEND_REACH = 5.0
_DEGREE = 5  # of the polynomials that a bend may follow
_ASIDE_SHARE = 0.04  # of the corners; a thumb's or a glare's rim spoils fewer
_ASIDE_MM = 0.05
_ASIDE_MOST = 0.3
_F_LIMIT = 4.0  # with some 25 and 450 degrees of freedom chance exceeds it less than once in 1e8 photos


@dataclass(frozen=True, kw_only=True, slots=True)
class Bend:
    """What the corners say about the flatness of the card.

    Parameters
    ----------
    clear : bool
        Whether there is more than chance in it.
    size_mm : float
        Root mean square of the smooth pattern over the used corners [mm].
    largest_mm : float
        The largest displacement at a corner [mm], of the pattern or of corners that had to be set aside.
    """

    clear: bool
    size_mm: float
    largest_mm: float


def miss_on_card(fit: Fit, places_mm: Floats) -> Floats:
    """Return the corners' misses in mm on the card.

    Parameters
    ----------
    fit : Fit
        The fitted photo.
    places_mm : ndarray of shape (N, 2)
        The corners it was fitted to.

    Returns
    -------
    ndarray of shape (N, 2)
        Displacement (x, y) [mm].
    """
    slopes = place_jacobian(fit.sight, places_mm)
    return np.asarray(np.linalg.solve(slopes, fit.miss_px[:, :, None])[:, :, 0])


def pose_modes(fit: Fit, places_mm: Floats, bend: Bend | None = None) -> Floats:
    """Return what the doubt of pose and lens does to places on the card.

    A pixel that is taken for place X truly shows X + d where the true sight has that pixel: to first order
    d = −(∂pixel/∂X)⁻¹ (∂pixel/∂theta) Δtheta.

    Parameters
    ----------
    fit : Fit
        The fitted photo.
    places_mm : ndarray of shape (N, 2)
        Places (x, y) [mm].
    bend : Bend, optional
        If clear, the modes are enlarged to `_BEND_REACH` times its size where they are smaller.

    Returns
    -------
    ndarray of shape (K, N, 2)
        Displacement modes [mm], largest first; those under a thousandth of the largest are left out.
    """
    values, vectors = np.linalg.eigh(fit.covariance * _SHARED_ERROR)
    roots = vectors * np.sqrt(np.clip(values, 0.0, None))
    slopes = parameter_slopes(fit.sight, places_mm) @ roots
    moves = -np.linalg.solve(place_jacobian(fit.sight, places_mm), slopes)
    left, size, _ = np.linalg.svd(moves.reshape(-1, moves.shape[-1]), full_matrices=False)
    keep = size > 1e-3 * size[0]
    modes = (left[:, keep] * size[keep]).T.reshape(int(keep.sum()), len(places_mm), 2)
    if bend is not None and bend.clear:
        typical = float(np.sqrt((modes**2).sum(axis=(0, 2)).mean()))
        modes = modes * max(1.0, _BEND_REACH * bend.size_mm / typical)
    return np.asarray(modes)


def caliper_modes(places_mm: Floats) -> Floats:
    """Return what the doubt of the two measured bars does to places.

    Parameters
    ----------
    places_mm : ndarray of shape (N, 2)
        Places (x, y) [mm].

    Returns
    -------
    ndarray of shape (2, N, 2)
        Displacement modes [mm]: all x, then all y, stretched from the origin.
    """
    modes = np.zeros((2, len(places_mm), 2))
    for axis in (0, 1):
        modes[axis, :, axis] = CALIPER_MM / BAR_MM * places_mm[:, axis]
    return modes


def _basis(card: FlatCard, places_mm: Floats) -> Floats:
    """Return products of Legendre polynomials over the board, shape (N, P)."""
    low = np.array(card.board_mm)
    size = np.array([card.columns, card.rows]) * card.square_mm
    x, y = (2 * (places_mm - low) / size - 1).T
    across, up = np.polynomial.legendre.legvander(x, _DEGREE), np.polynomial.legendre.legvander(y, _DEGREE)
    pairs = [(i, j) for i in range(_DEGREE + 1) for j in range(_DEGREE + 1 - i)]
    return np.stack([across[:, i] * up[:, j] for i, j in pairs], axis=1)


def bend_of(card: FlatCard, fit: Fit, places_mm: Floats) -> Bend:
    """Return the smooth pattern in what the fit left of the corners' misses.

    The part of smooth polynomials that pose and lens cannot take up themselves is fitted to the misses of the
    used corners, and its share of their scatter is compared with the rest by the F ratio. A part of the card
    that stands off so far that its corners were set aside shows in their number.

    Parameters
    ----------
    card : FlatCard
        The card.
    fit : Fit
        The fitted photo.
    places_mm : ndarray of shape (N, 2)
        The corners it was fitted to.

    Returns
    -------
    Bend
        Not clear if there are too few corners to tell.
    """
    miss = miss_on_card(fit, places_mm)
    aside = np.hypot(*miss[~fit.used].T)
    places, left = places_mm[fit.used], miss[fit.used].ravel()
    pose = np.linalg.solve(place_jacobian(fit.sight, places), parameter_slopes(fit.sight, places))
    taken, _ = np.linalg.qr(pose.reshape(-1, pose.shape[-1]))
    smooth = np.kron(_basis(card, places), np.eye(2))
    left = left - taken @ (taken.T @ left)
    # einsum where a matrix product would wake the threads of NumPy's library, ten times the work's own time
    smooth = smooth - np.einsum("ni,ij->nj", taken, np.einsum("ni,nj->ij", taken, smooth))
    values, vectors = np.linalg.eigh(np.einsum("ni,nj->ij", smooth, smooth))
    able = values > 1e-6 * values[-1]
    field = smooth @ (vectors[:, able] @ ((vectors[:, able].T @ (smooth.T @ left)) / values[able]))
    extra, free = int(able.sum()), len(left) - taken.shape[1] - int(able.sum())
    far = np.hypot(*field.reshape(-1, 2).T)
    size, largest = float(np.sqrt(np.mean(far**2))), float(far.max())
    if free < extra:
        return Bend(clear=False, size_mm=size, largest_mm=largest)
    ratio = (float(field @ field) / extra) / (float(((left - field) ** 2).sum()) / free)
    share = len(aside) / len(places_mm)
    far_aside = float(np.sqrt(np.mean(aside**2))) if len(aside) else 0.0
    if not (share > _ASIDE_SHARE and far_aside > _ASIDE_MM):
        return Bend(clear=ratio > _F_LIMIT, size_mm=size, largest_mm=largest)
    # A lifted corner leaves the rest in place; the more corners stand off, the more is moved with them.
    moved = far_aside * share * min(1.0, share / _ASIDE_MOST)
    return Bend(clear=True, size_mm=max(size, moved), largest_mm=max(largest, float(aside.max())))
