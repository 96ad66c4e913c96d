"""Shadows behind the true edge of a window, as a blurred picture shows them.

Seen along the bore, from its end, the first strip behind an upright true edge is the passage's own side: it
is lit less near the edge, and light rises inward, often within a tenth of a millimetre. Blurred, such a
shadow looks like an edge further in or out. So it is a part of what is fitted (`wall_edge`): a sum of
shadows, each of which is darkest at the edge and fades inward.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["SHADOWS_MM", "shadows"]

Floats = NDArray[np.float64]

# Over so much of the way inward each fades to 1 / e. Two lengths follow narrow and broad ones; found in the
# study of rendered bore photos (RESULTS.md).
SHADOWS_MM = (0.07, 0.3)
_ROOT_2PI = float(np.sqrt(2 * np.pi))
_MOST = 50.0  # of an exponent: where it would be more the other factor is nothing


def shadows(outward: Floats, blur_mm: Floats) -> Floats:
    """Return shadows that begin at an edge and fade inward, blurred, and how edge and blur change them.

    Parameters
    ----------
    outward : ndarray of shape (N, S)
        How far outside of the edge each sample is, in blurs.
    blur_mm : ndarray of shape (N, 1)
        Standard deviation of the blur.

    Returns
    -------
    ndarray of shape (3, K, N, S)
        A shadow for each of `SHADOWS_MM`, unblurred 1 at the edge; then its change as the edge moves outward,
        and as the blur widens [1/mm].

    Notes
    -----
    With u outward, b the blur and l the length a shadow is f = exp(b² / 2l² + u / l) Φ(−u / b − b / l): half
    an exponential, convolved with a normal distribution [1]_. Its derivatives, worked out here, are
    f / l − φ(u / b) / b by u, and b f / l² + φ(u / b) (u / b² − 1 / l) by b.

    References
    ----------
    .. [1] E. Grushka, Characterization of exponentially modified Gaussian peaks in chromatography, Analytical
       Chemistry 44 (1972) 1733-1738 (from memory).

    Examples
    --------
    >>> shadow, by_edge, by_blur = shadows(np.array([[-60.0, -5.0, 0.0, 5.0]]), np.array([[0.02]]))
    >>> shadow[1, 0].round(3)  # deep inside it has faded; beside the edge it is blurred
    array([0.018, 0.718, 0.474, 0.   ])
    """
    length = np.array(SHADOWS_MM)[:, None, None]
    ratio = blur_mm / length
    bell = np.exp(-0.5 * outward**2) / _ROOT_2PI
    shadow = np.exp(np.minimum(0.5 * ratio**2 + outward * ratio, _MOST)) * ndtr(-outward - ratio)
    by_edge = bell / blur_mm - shadow / length
    by_blur = ratio / length * shadow + bell * (outward / blur_mm - 1.0 / length)
    return np.stack([shadow, by_edge, by_blur])
