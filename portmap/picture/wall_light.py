"""Exposure and the fall of light over a wall, evened photo by photo.

The logarithm of each photo's brightness over the wall is fitted by a low-order surface: waves round the bore
times powers of the height. Windows are dark and must not pull it down, so that what lies below counts less
than what lies above (expectiles [1]_); a streak of glare must not pull it up, so that far above counts less
again.

References
----------
.. [1] W. K. Newey, J. L. Powell, Asymmetric least squares estimation and testing, Econometrica 55 (1987)
   819-847 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["EVEN_LEVEL", "light_gain"]

Floats = NDArray[np.float64]

EVEN_LEVEL = 150.0  # of 255: what the wall is brought to
_BASE = 3.0  # grey levels added before the logarithm is taken
_WAVES, _POWERS = 3, 3
_ABOVE = 0.85  # weight of what lies above the surface, 1 less it of what lies below
_FAR = 0.5  # in the logarithm: further off counts as that far
_WINDOW = 0.4  # in the logarithm: so far below the wall's surface a place hardly counts
_RIDGE = 1e-3
_ROUGH_ROUNDS, _ROUNDS = 6, 15
_GAIN_RANGE = (0.4, 6.0)


def light_gain(
    brightness: NDArray[np.float32], shown: Floats, turn_rad: Floats, heights_mm: Floats
) -> NDArray[np.float32]:
    """Return by what a photo's brightness is to be multiplied at each node to even its light.

    Parameters
    ----------
    brightness : ndarray of shape (V, W)
        Grey levels of the photo at the nodes.
    shown : ndarray of shape (V, W)
        Weight of each node; 0 where the photo does not show it.
    turn_rad : ndarray of shape (W,)
        Angle of each column round the bore.
    heights_mm : ndarray of shape (V,)

    Returns
    -------
    ndarray of shape (V, W) and dtype float32

    Examples
    --------
    >>> x, y = np.linspace(-3, 3, 40), np.linspace(0, 50, 30)
    >>> light = np.float32(120 * np.exp(0.3 * np.cos(x)) * np.exp(-y[:, None] / 80))
    >>> evened = light * light_gain(light, np.ones((30, 40)), x, y)
    >>> bool(np.abs(evened / 150 - 1).max() < 0.1)
    True
    """
    level = np.log(np.asarray(brightness, np.float64) + _BASE)
    basis = _basis(turn_rad, heights_mm)
    weight = np.asarray(shown, np.float64)
    total = float(weight.sum())
    if total <= 0:
        return np.ones(brightness.shape, np.float32)
    flat = basis.reshape(-1, basis.shape[-1])
    surface = np.full(level.shape, float((weight * level).sum() / total))
    for number in range(_ROUNDS):
        off = level - surface
        pull = weight * np.where(off > 0, _ABOVE, 1 - _ABOVE)
        if number >= _ROUGH_ROUNDS:  # the surface is near the wall: what lies far below is a window
            pull = pull * np.exp(-((np.minimum(off, 0.0) / _WINDOW) ** 2))
        pull = (pull * np.minimum(1.0, _FAR / np.maximum(np.abs(off), 1e-9))).ravel()
        # einsum where a matrix product would wake the threads of NumPy's library, many times the own time
        normal = np.einsum("ni,nj->ij", flat * pull[:, None], flat)
        normal[np.diag_indices_from(normal)] += _RIDGE * pull.sum()
        normal[0, 0] -= _RIDGE * pull.sum()
        middle = float(surface.mean())
        right = np.einsum("ni,n->i", flat, pull * (level.ravel() - middle))
        new = middle + (flat @ np.linalg.solve(normal, right)).reshape(level.shape)
        moved = float(np.abs(new - surface)[weight > 0].max())
        surface = new
        if moved < 1e-3 and number > _ROUGH_ROUNDS:
            break
    gain = np.exp(np.log(EVEN_LEVEL + _BASE) - surface)
    return np.asarray(np.clip(gain, *_GAIN_RANGE), np.float32)


def _basis(turn_rad: Floats, heights_mm: Floats) -> Floats:
    """Return waves times powers at the nodes, shape (V, W, P), the constant first."""
    span = max(float(np.ptp(heights_mm)), 1e-9)
    up = np.polynomial.legendre.legvander(2 * (heights_mm - heights_mm.min()) / span - 1, _POWERS)
    waves = [np.ones_like(turn_rad)]
    for k in range(1, _WAVES + 1):
        waves += [np.cos(k * turn_rad), np.sin(k * turn_rad)]
    across = np.stack(waves, axis=1)
    return np.asarray((up[:, None, :, None] * across[None, :, None, :]).reshape(len(up), len(across), -1))
