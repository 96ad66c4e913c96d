"""A strip card in frames that were joined without it: from where to where it hides the wall.

A scope that hardly looks up shows less of a strip than it takes to place a frame by. What is seen of it is no
wall, and its squares look like windows: they must not be traced, nor taken for the height that was measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from portmap.errors import Notice
from portmap.picture.bore_start import camera_place
from portmap.picture.card import MARKER_RANGES
from portmap.picture.markers import markers_in
from portmap.picture.wall_view import View, pixel_map, shown_by

__all__ = ["hidden_by_strip", "strip_notice"]

Floats = NDArray[np.float64]

_LEAST_MARKERS = 3  # over all frames: fewer may be read into noise
_STEP_MM = 0.5
_TALL_SHARE, _SIDE_SHARE = 1.5, 0.25  # of the bore, of a turn: looked at about where the camera looks
_RIM_MARKERS = 0.9  # from a marker to the paper's edge at most, in sides of a marker
_BEYOND_MM = 1e3


def hidden_by_strip(views: Sequence[View], radius_mm: float) -> tuple[float, float] | None:
    """Return from where to where in y a strip hides the wall; past it the bore is taken to end.

    Parameters
    ----------
    views : sequence of View
        Frames with their poses.
    radius_mm : float

    Returns
    -------
    tuple of float or None
        None if no strip is in sight.
    """
    first, last = MARKER_RANGES["strip"]
    heights, sides, eyes = [], [], []
    for view in views:
        pixels = view.pixels[:, ::-1] if view.mirrored else view.pixels
        sighting = markers_in(np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)))
        ours = (sighting.ids >= first) & (sighting.ids <= last)
        if not ours.any():
            continue
        found = _heights_at(view, radius_mm, sighting.corners_px[ours].reshape(-1, 2)).reshape(-1, 4)
        found = found[np.isfinite(found).all(axis=1)]
        heights.append(found)
        sides.append(np.ptp(found, axis=1))
        eyes.append(float(camera_place(view.turn, view.shift_mm)[2]))
    if sum(len(each) for each in heights) < _LEAST_MARKERS:
        return None
    every = np.concatenate(heights)
    rim = _RIM_MARKERS * float(np.median(np.concatenate(sides)))
    low, high = float(np.quantile(every, 0.05)) - rim, float(np.quantile(every, 0.95)) + rim
    above = (low + high) / 2 > float(np.median(eyes))
    return (low, high + _BEYOND_MM) if above else (low - _BEYOND_MM, high)


def strip_notice() -> Notice:
    """Return what is said of frames that show too little of a strip.

    Returns
    -------
    Notice
    """
    return Notice(
        code="strip-unused",
        message="A strip card is in sight, but too little of it to place the frames by: they were joined by"
        " what they share of the wall. Let two rows of its squares be seen, and heights are surer.",
    )


def _heights_at(view: View, radius_mm: float, pixels_px: Floats) -> Floats:
    """Return the height of the wall at pixels of a photo turned right; NaN where no wall is near."""
    ahead = cv2.Rodrigues(view.turn)[0][2]
    x = math.atan2(-ahead[1], ahead[0]) * radius_mm
    y = float(camera_place(view.turn, view.shift_mm)[2])
    side, tall = _SIDE_SHARE * 2 * math.pi * radius_mm, _TALL_SHARE * 2 * radius_mm
    across, up = np.arange(x - side, x + side, _STEP_MM), np.arange(y - tall, y + tall, _STEP_MM)
    places = np.stack([part.ravel() for part in np.meshgrid(across, up)], axis=1)
    upright = replace(view, mirrored=False)
    places = places[shown_by(upright, radius_mm, places).worth > 0]
    if not len(places):
        return np.full(len(pixels_px), np.nan)
    seen = pixel_map(upright, radius_mm, places)
    there = np.isfinite(seen).all(axis=1)
    if not there.any():
        return np.full(len(pixels_px), np.nan)
    tree = KDTree(seen[there])
    away, nearest = tree.query(pixels_px)
    # as far as neighbouring places are apart in the photo: further off the photo shows no wall
    apart = float(np.median(tree.query(seen[there], k=2)[0][:, 1]))
    return np.asarray(np.where(away < 3 * apart, places[there][nearest, 1], np.nan), np.float64)
