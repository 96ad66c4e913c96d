"""Light from pixel values: linear, of one colour, and relative to the bare sheet.

A blurred edge lies where the *light* is half way between both sides. Pixel values are no measure of
light: half way between the values of white paper and black ink is about a third of the light, which on
a blurred edge lies half a blur width too far into the ink. So every measurement starts with `linear_light`.

Glossary
--------
light
    Share of the light of a white pixel, 0 to 1, in linear proportion.
band
    What of the colour is looked at: weights of red, green and blue. `LUMA` is the brightness that a JPEG
    keeps at full size, colour being stored coarser; other weights make coloured ruling vanish, or bring out
    one colour from another of the same brightness.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLUE",
    "GREEN",
    "LUMA",
    "RED",
    "Band",
    "linear_light",
    "linear_light_of_value",
    "sheet_light",
    "value_of_light",
]

Band = tuple[float, float, float]

# Luma of JPEG: ITU-R BT.601-7, 2.5.1; ITU-T T.871 (JFIF) clause 7. Recalled, not looked up.
LUMA: Band = (0.299, 0.587, 0.114)
RED: Band = (1.0, 0.0, 0.0)
GREEN: Band = (0.0, 1.0, 0.0)
BLUE: Band = (0.0, 0.0, 1.0)


def linear_light_of_value(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the light that an sRGB value stands for.

    Parameters
    ----------
    value : ndarray of shape (...)
        As a share of full scale, 0 to 1.

    Returns
    -------
    ndarray of shape (...)
        Light, 0 to 1.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, as in `linear_light`.

    Examples
    --------
    >>> linear_light_of_value(np.array([0.0, 188 / 255, 1.0])).round(3)
    array([0.   , 0.503, 1.   ])
    """
    bent = ((np.maximum(value, 0.0) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(value <= 0.04045, value / 12.92, bent), np.float64)


_LIGHT_OF_VALUE = linear_light_of_value(np.arange(256) / 255.0).astype(np.float32)


def linear_light_of_grey(grey: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the light of each pixel of a grey picture, as `linear_light` does of a coloured one.

    Parameters
    ----------
    grey : ndarray of shape (M, N) and dtype uint8
        sRGB values.

    Returns
    -------
    ndarray of shape (M, N) and dtype float32

    Examples
    --------
    >>> linear_light_of_grey(np.full((1, 1), 188, np.uint8)).round(2)
    array([[0.5]], dtype=float32)
    """
    return np.asarray(cv2.LUT(grey, _LIGHT_OF_VALUE), np.float32)


def linear_light(pixels: NDArray[np.uint8], band: Band = LUMA) -> NDArray[np.float32]:
    """Return the light of each pixel in one band.

    The tone curve is taken to be that of sRGB [1]_; a camera's own departs from it, which
    `portmap.picture.edge` counts as doubt.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, sRGB values.
    band : tuple of float
        Weights of red, green and blue. With `LUMA` the values are weighted, as in a JPEG, and the sum
        turned into light; with others the lights are.

    Returns
    -------
    ndarray of shape (M, N) and dtype float32
        Light, 0 to 1 for weights that add up to 1.

    References
    ----------
    .. [1] IEC 61966-2-1:1999, Default RGB colour space sRGB; coefficients recalled, checked in the tests
       against the tabulated mid grey (value 188 is half the light).

    Examples
    --------
    >>> linear_light(np.full((1, 1, 3), 188, np.uint8)).round(2)
    array([[0.5]], dtype=float32)
    """
    weights = np.asarray(band, np.float32)
    if band == LUMA:
        values = cv2.transform(pixels.astype(np.float32), weights[None, :]) * np.float32(1 / 255)
        return linear_light_of_value(values.astype(np.float64)).astype(np.float32)
    if np.count_nonzero(weights) == 1:
        (only,) = np.flatnonzero(weights)
        plane = np.ascontiguousarray(pixels[:, :, only])
        return np.asarray(cv2.LUT(plane, _LIGHT_OF_VALUE * weights[only]), np.float32)
    return np.asarray(cv2.transform(cv2.LUT(pixels, _LIGHT_OF_VALUE), weights[None, :]), np.float32)


def linear_colours(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the light of each pixel in red, green and blue.

    Parameters
    ----------
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, sRGB values.

    Returns
    -------
    ndarray of shape (M, N, 3) and dtype float32
        Light, 0 to 1.

    Examples
    --------
    >>> linear_colours(np.array([[[0, 188, 255]]], np.uint8)).round(2)
    array([[[0. , 0.5, 1. ]]], dtype=float32)
    """
    return np.asarray(cv2.LUT(pixels, _LIGHT_OF_VALUE), np.float32)


def value_of_light(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sRGB value that shows a given light.

    Parameters
    ----------
    light : ndarray of shape (...)
        Light, 0 to 1; outside, it is clipped.

    Returns
    -------
    ndarray of shape (...)
        Value, 0 to 255, not rounded.

    Examples
    --------
    >>> float(value_of_light(np.array(0.5)).round(1))
    187.5
    """
    clipped = np.clip(light, 0.0, 1.0)
    low = clipped * 12.92
    high = 1.055 * np.maximum(clipped, 1e-9) ** (1 / 2.4) - 0.055
    return np.asarray(255.0 * np.where(clipped <= 0.0031308, low, high))


def sheet_light(light: NDArray[np.float32], *, reach_px: int, bright: bool = False) -> NDArray[np.float32]:
    """Return the light that the bare sheet would have everywhere, windows painted over.

    A closing (for windows darker than the sheet) or an opening (for brighter ones) with a square larger
    than a window's lesser width, then smoothing. Soft and hard shadows wider than the square stay.

    Parameters
    ----------
    light : ndarray of shape (M, N)
        Light of a reduced picture, one band.
    reach_px : int
        Side of the square [px].
    bright : bool, optional
        The windows are brighter than the sheet.

    Returns
    -------
    ndarray of shape (M, N) and dtype float32
        Light of the sheet, above 0.

    Examples
    --------
    >>> spot = np.full((40, 60), 0.8, np.float32); spot[15:25, 20:30] = 0.1
    >>> float(sheet_light(spot, reach_px=15)[20, 25])
    0.8
    """
    calm = cv2.GaussianBlur(light, (0, 0), 1.5)
    kernel = np.ones((reach_px, reach_px), np.uint8)
    operation = cv2.MORPH_OPEN if bright else cv2.MORPH_CLOSE
    level = cv2.morphologyEx(calm, operation, kernel, borderType=cv2.BORDER_REPLICATE)
    level = cv2.GaussianBlur(level, (0, 0), max(reach_px / 20.0, 1.0))
    return np.maximum(level, 1e-3).astype(np.float32)
