"""Invented port windows of known shape, for rendering: no code shared with portmap.

Millimetres, x to the right, y up from the datum. A window's truth is its polygon; arcs are chords that
depart less than 0.0005 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Polygon
from shapely.affinity import translate

ARC_SEGMENTS = 48  # a quarter turn of 5 mm radius then departs 5·(1 − cos(0.94°)) = 0.0007 mm / 2


@dataclass(frozen=True)
class Cut:
    """One window of an impression."""

    name: str
    shape: Polygon


def rounded(corners: np.ndarray, radius: float) -> Polygon:
    """Return the polygon with every convex corner rounded to a radius."""
    return Polygon(corners).buffer(-radius, quad_segs=ARC_SEGMENTS).buffer(radius, quad_segs=ARC_SEGMENTS)


def arched(
    width: float,
    height: float,
    *,
    radius: float,
    arch: float = 0.0,
    narrower: float = 0.0,
    slope: float = 0.0,
) -> Polygon:
    """Return a window standing on y = 0, centred on x = 0.

    `arch` is the roof's rise in its middle, `narrower` how much the floor is narrower than the roof on
    each side, `slope` the roof's rise to the right [mm/mm].
    """
    half = width / 2
    x = np.linspace(half, -half, 121 if arch else 2)
    roof = height - arch * (x / half) ** 2 + slope * x
    low = half - narrower
    corners = np.vstack([[-low, 0.0], [low, 0.0], np.column_stack([x, roof])])
    return rounded(corners, radius)


def leaning(width: float, height: float, *, lean: float, radius: float, slope: float = 0.0) -> Polygon:
    """Return a transfer window: sides that lean by `lean` [mm] over the height, a roof that slopes."""
    half = width / 2
    corners = np.array(
        [
            [-half, 0.0],
            [half, 0.0],
            [half + lean, height + slope * half],
            [-half + lean, height - slope * half],
        ]
    )
    return rounded(corners, radius)


def impression(generator: np.random.Generator) -> list[Cut]:
    """Return the windows of one invented cylinder, set out as they lie round a 46 to 50 mm bore."""
    g = generator
    cuts: list[Cut] = []
    floor = g.uniform(20.0, 26.0)
    height = g.uniform(10.0, 14.0)
    arch = float(g.choice([0.0, g.uniform(0.4, 1.6)]))
    width = g.uniform(26.0, 34.0)
    radius = g.uniform(2.0, 5.0)
    if g.random() < 0.25:  # bridged exhaust: two windows and the bridge between them
        bridge = g.uniform(2.2, 3.5)
        half = (width - bridge) / 2
        single = arched(half, height, radius=min(radius, 3.0), narrower=g.uniform(0.0, 1.0))
        for name, side in (("exhaust left", -1), ("exhaust right", 1)):
            cuts.append(Cut(name, translate(single, side * (half + bridge) / 2, floor)))
    else:
        whole = arched(width, height, radius=radius, arch=arch, narrower=g.uniform(0.0, 2.0))
        cuts.append(Cut("exhaust", translate(whole, g.uniform(-0.3, 0.3), floor)))
    roof = floor + height - g.uniform(2.0, 4.0)
    for name, side in (("transfer left", -1), ("transfer right", 1)):
        tall = g.uniform(7.0, 11.0)
        wide = g.uniform(9.0, 14.0)
        shape = leaning(
            wide, tall, lean=g.uniform(-1.5, 1.5), radius=g.uniform(1.2, 2.5), slope=g.uniform(-0.06, 0.06)
        )
        cuts.append(Cut(name, translate(shape, side * g.uniform(29.0, 33.0), roof - tall)))
    if g.random() < 0.6:
        tall = g.uniform(5.5, 8.0)
        shape = arched(g.uniform(5.0, 8.0), tall, radius=g.uniform(1.0, 2.0))
        cuts.append(Cut("boost", translate(shape, 52.0 + g.uniform(-1.0, 1.0), roof - tall)))
    if g.random() < 0.4:
        shape = arched(g.uniform(22.0, 26.0), g.uniform(10.0, 13.0), radius=g.uniform(2.0, 4.0))
        cuts.append(Cut("intake", translate(shape, -58.0 + g.uniform(-1.0, 1.0), g.uniform(3.0, 6.0))))
    return cuts
