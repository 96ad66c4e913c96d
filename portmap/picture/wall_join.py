"""One wall image out of several photos: the best view of each place, joined without seams.

Each place is taken from the photo that is worth most there; at the seams two are mixed over a millimetre or
two. The mix is decided at coarse nodes and spread between them, so that a photo is only looked up where it
counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.picture.wall_light import EVEN_LEVEL, light_gain
from portmap.picture.wall_pixels import looked_up, map_at, wall_pixels
from portmap.picture.wall_view import Nodes, Shown, View, WallFrame, all_shown, nodes_of

__all__ = ["CELL_PX", "MARGIN", "Joined", "Lit", "joined", "lit_views", "shares"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

CELL_PX = 32  # of the nodes at which photos are judged
MARGIN = 6  # cells kept round them, as far as shares are smoothed, so that the two ends agree
_SHARPNESS = 150.0  # power of worth by which photos share a place
_LEAST_SHARE = 0.06
_GLARE = 0.6  # of a logarithm of brightness: over that glare takes a photo's worth by e
_CALM_NODES = 2.0  # standard deviation by which worth is smoothed before the best photo is taken
# And by which shares are smoothed after: seams are narrow. A chamfer and what lies behind it are seen beside
# their place, each photo's to another side, so that two photos mixed show two edges.
_SOFT_NODES = 0.5


def shares(shown: Sequence[Shown], nodes: Nodes, lit: Sequence[Lit] | None = None) -> Floats32:
    """Return how much of each place is taken from each photo.

    Parameters
    ----------
    shown : sequence of Shown
        How well each photo shows the nodes.
    nodes : Nodes
    lit : sequence of Lit, optional
        Where glare hides the wall a photo is worth less.

    Returns
    -------
    ndarray of shape (P, V, W) and dtype float32
        Their sum is 1, or 0 where no photo shows the place.
    """
    worth = np.stack([each.worth.reshape(nodes.shape) for each in shown])
    if lit is not None:
        worth = worth * np.stack([np.exp(-each.glare / _GLARE) for each in lit])
    most = worth.max(axis=0)
    # what is judged is worth over some millimetres: photos that took turns place by place would join badly
    there = (worth > 0).astype(np.float64)
    calm = _blurred(np.log(np.where(worth > 0, worth, 1.0)), _CALM_NODES) / np.maximum(
        _blurred(there, _CALM_NODES), 1e-9
    )
    calm = np.where(worth > 0, calm, -np.inf)
    best = calm.max(axis=0)
    share = np.exp(_SHARPNESS * (calm - np.where(np.isfinite(best), best, 0.0)))
    share /= np.maximum(share.sum(axis=0), 1e-12)
    soft = _blurred(share, _SOFT_NODES)
    soft *= np.clip(worth / np.maximum(0.2 * most, 1e-12), 0.0, 1.0)
    total = soft.sum(axis=0)
    soft = np.where(total > 0, soft / np.where(total > 0, total, 1.0), 0.0)
    soft[soft < _LEAST_SHARE] = 0.0
    total = soft.sum(axis=0)
    return np.asarray(np.where(total > 0, soft / np.where(total > 0, total, 1.0), 0.0), np.float32)


def _blurred(fields: Floats, sd: float) -> Floats:
    return np.stack([cv2.GaussianBlur(each, (0, 0), sd, borderType=cv2.BORDER_REPLICATE) for each in fields])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Lit:
    """A photo's light over the nodes.

    Parameters
    ----------
    gain : ndarray of shape (V, W) and dtype float32
        By what its brightness is multiplied to be even.
    glare : ndarray of shape (V, W)
        Logarithm of how much brighter than the even wall a place still is; 0 and more.
    """

    gain: Floats32
    glare: Floats


def lit_views(views: Sequence[View], shown: Sequence[Shown], nodes: Nodes, radius_mm: float) -> list[Lit]:
    """Return each photo's light over the nodes.

    Parameters
    ----------
    views : sequence of View
    shown : sequence of Shown
    nodes : Nodes
    radius_mm : float

    Returns
    -------
    list of Lit
    """
    made = []
    cell_mm = float(nodes.x_mm[1] - nodes.x_mm[0])
    for view, each in zip(views, shown, strict=True):
        weight = each.worth.reshape(nodes.shape)
        if not weight.any():
            made.append(Lit(gain=np.ones(nodes.shape, np.float32), glare=np.zeros(nodes.shape)))
            continue
        typical = float(np.median(each.px_per_mm[each.worth > 0])) * cell_mm
        factor = max(1, round(typical / 2))
        gray = cv2.cvtColor(view.pixels, cv2.COLOR_RGB2GRAY)
        size = (max(1, gray.shape[1] // factor), max(1, gray.shape[0] // factor))
        whole = gray[: size[1] * factor, : size[0] * factor]
        small = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
        at = map_at(view, radius_mm, nodes, factor)
        level = np.asarray(looked_up(small, at, cv2.INTER_LINEAR), np.float32)
        gain = light_gain(level, weight / weight.max(), nodes.x_mm / radius_mm, nodes.y_mm)
        glare = np.maximum(0.0, np.log(np.maximum(level * gain, 1.0) / EVEN_LEVEL))
        made.append(Lit(gain=gain, glare=np.asarray(glare, np.float64)))
    return made


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Joined:
    """A wall image's pixels, and how they were come by.

    Parameters
    ----------
    nodes : Nodes
    shown : list of Shown
        How well each photo shows the nodes.
    share : ndarray of shape (P, V, W) and dtype float32
        Of each photo at the nodes.
    gains : list of ndarray of shape (V, W) and dtype float32
        By what each photo's brightness is multiplied to be even.
    pixels : ndarray of shape (M, N, 3) and dtype uint8
        RGB, the light evened.
    """

    nodes: Nodes
    shown: list[Shown]
    share: Floats32
    gains: list[Floats32]
    pixels: NDArray[np.uint8]


def joined(views: Sequence[View], frame: WallFrame) -> Joined:
    """Return the wall in a frame, each place from the photo that shows it best.

    Parameters
    ----------
    views : sequence of View
    frame : WallFrame

    Returns
    -------
    Joined
    """
    nodes, radius = nodes_of(frame, CELL_PX, MARGIN), frame.bore_mm / 2
    shown = all_shown(views, radius, nodes.places_mm)
    lit = lit_views(views, shown, nodes, radius)
    share = shares(shown, nodes, lit)
    gains = [each.gain for each in lit]
    pixels = wall_pixels(views, frame, share, gains, nodes)
    return Joined(nodes=nodes, shown=shown, share=share, gains=gains, pixels=pixels)
