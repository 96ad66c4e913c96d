"""Made-up cylinders: the one of the sample pictures, and invented ones of 36 to 70 mm bore."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from shapely.affinity import translate

from sample_images.make_samples import WINDOWS
from tests.bore_parts import Bore, Opening
from tests.impressions import arched, leaning

__all__ = ["BORES_MM", "invented_bore", "sample_bore"]

BORES_MM = (36.0, 38.0, 40.0, 42.5, 44.0, 46.0, 48.0, 50.0, 52.0, 54.0, 58.0, 62.0, 66.5, 70.0)


def sample_bore(**finish: Any) -> Bore:
    """Return the cylinder of the sample pictures, 46 mm, with its true windows."""
    openings = tuple(Opening(name=n, kind=k, outline=shape) for n, (k, shape) in WINDOWS.items())
    return Bore(bore_mm=46.0, deck_mm=62.0, openings=openings, **finish)


def invented_bore(rng: np.random.Generator, bore_mm: float | None = None) -> Bore:
    """Return an invented cylinder: exhaust, mains, perhaps seconds, boost or intake, and its finish.

    Heights keep to the proportions of the sample's stroke; they are of our own invention.
    """
    bore = float(rng.choice(BORES_MM)) if bore_mm is None else bore_mm
    stroke = bore * rng.uniform(0.66, 0.82)
    turn = math.pi * bore
    openings: list[Opening] = []

    def put(name: str, kind: str, shape: shapely.Polygon, x: float, floor: float) -> None:
        openings.append(Opening(name=name, kind=kind, outline=translate(shape, x, floor)))

    floor = stroke * rng.uniform(0.84, 0.92)
    tall = stroke * rng.uniform(0.32, 0.40)
    width = turn * rng.uniform(0.17, 0.215)
    arch = float(rng.choice([0.0, rng.uniform(0.02, 0.045)])) * width
    radius = min(rng.uniform(0.05, 0.09) * bore, 0.3 * tall)
    if bore > 44 and rng.random() < 0.25:
        bridge = rng.uniform(2.4, 3.5)
        half = (width - bridge) / 2
        single = arched(half, tall, radius=0.8 * radius, narrower=rng.uniform(0.0, 0.8))
        for name, side in (("exhaust-left", -1), ("exhaust-right", 1)):
            put(name, "exhaust", single, side * (half + bridge) / 2, floor)
    else:
        put(
            "exhaust",
            "exhaust",
            arched(width, tall, radius=radius, arch=arch, narrower=rng.uniform(0.0, 1.2)),
            rng.normal(0, 0.15),
            floor,
        )
    roof = floor + tall - stroke * rng.uniform(0.09, 0.13)
    main_tall, main_wide = stroke * rng.uniform(0.20, 0.26), turn * rng.uniform(0.075, 0.10)
    lean, slope = rng.uniform(-0.8, 0.8), rng.uniform(0.0, 0.05)
    place = turn * rng.uniform(0.235, 0.255)
    for name, side in (("transfer-left", -1), ("transfer-right", 1)):
        # as cast: the two are not quite alike
        shape = leaning(
            main_wide, main_tall + rng.normal(0, 0.06), lean=side * lean, radius=1.4, slope=-side * slope
        )
        put(name, "transfer", shape, side * place, roof - main_tall + rng.normal(0, 0.06))
    opposite = turn / 2
    fed = rng.random()
    if fed < 0.45:
        wide, high = turn * rng.uniform(0.14, 0.17), stroke * rng.uniform(0.30, 0.36)
        put("intake", "intake", arched(wide, high, radius=2.6), opposite, stroke * rng.uniform(0.28, 0.34))
    if fed > 0.3:
        wide, high = turn * rng.uniform(0.05, 0.075), stroke * rng.uniform(0.17, 0.23)
        put("boost", "boost", arched(wide, high, radius=1.3), opposite, roof - high + rng.normal(0, 0.3))
    if bore >= 44 and rng.random() < 0.5:
        wide, high = turn * rng.uniform(0.05, 0.065), stroke * rng.uniform(0.19, 0.24)
        aside = place + main_wide / 2 + rng.uniform(2.6, 3.6) + wide / 2
        for name, side in (("second-left", -1), ("second-right", 1)):
            shape = leaning(wide, high, lean=0.4 * side, radius=1.2)
            put(name, "transfer", shape, side * aside, roof - high + rng.normal(0, 0.08))
    return Bore(
        bore_mm=bore,
        deck_mm=stroke * rng.uniform(1.84, 1.98),
        openings=tuple(openings),
        chamfer_mm=float(rng.uniform(0.15, 0.5)),
        shine=float(rng.uniform(0.25, 0.8)),
        hone_deg=float(rng.uniform(20, 35)),
        honing=float(rng.uniform(0.05, 0.16)),
        soot=float(rng.choice([0.0, rng.uniform(0.1, 0.7)])),
        blind=bool(rng.random() < 0.25),
        seed=int(rng.integers(1 << 30)),
    )
