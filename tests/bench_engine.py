"""Engines of our own invention and readings of them, computed without portmap's crank.

The mechanism is Heywood, Internal Combustion Engine Fundamentals, 1988, eq. 2.5 (number from memory), with
the offset term of plane trigonometry: s = a cos φ + √(l² − (a sin φ − e)²), φ counted from where the crank
stands upright. The dead centres and the degree for a depth are found by search (Brent's, from scipy), so
nothing of the closed forms under test is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.optimize import brentq

# standard doubts (k = 1) of the tools, as the work order gives them: ± is two standard uncertainties
U_DEG, U_MM, U_SOLDER, U_CM3 = 0.25, 0.01, 0.005, 0.05
U_RATIO, U_OFFSET = 0.1, 0.25  # of what is assumed
GASKETS = (0.5, 0.8)


def height(phi: float, throw: float, rod: float, offset: float) -> float:
    """Wrist pin above the crank axis, the crank's angle counted from upright [rad]."""
    return throw * np.cos(phi) + np.sqrt(rod**2 - (throw * np.sin(phi) - offset) ** 2)


@lru_cache(maxsize=10_000)
def dead_centres(throw: float, rod: float, offset: float) -> tuple[float, float]:
    """Where the height's slope is nought, by search [rad]."""

    def slope(phi: float) -> float:
        aside = throw * np.sin(phi) - offset
        return -throw * np.sin(phi) - aside * throw * np.cos(phi) / np.sqrt(rod**2 - aside**2)

    return brentq(slope, -0.5, 0.5, xtol=1e-15), brentq(slope, np.pi - 0.5, np.pi + 0.5, xtol=1e-15)


@dataclass(frozen=True, kw_only=True)
class TrueEngine:
    """A made-up engine; lengths in mm, volumes in cm³."""

    bore: float
    stroke: float
    rod: float
    offset: float
    crown: float
    gasket: float
    skirt: float
    deck: float
    band: float
    head: float
    roofs: dict[str, float]
    floors: dict[str, float]

    def depth(self, degree: float) -> float:
        """Depth below true TDC [mm]."""
        throw = self.stroke / 2
        top, _ = dead_centres(throw, self.rod, self.offset)
        return height(top, throw, self.rod, self.offset) - height(
            top + np.radians(degree), throw, self.rod, self.offset
        )

    def degree(self, depth: float, *, rising: bool = False) -> float:
        """Degrees after true TDC at which the piston stands at a depth."""
        top, low = dead_centres(self.stroke / 2, self.rod, self.offset)
        bottom = float(np.degrees(low - top))
        between = (bottom, 360.0) if rising else (0.0, bottom)
        return brentq(lambda at: self.depth(at) - depth, *between, xtol=1e-12)

    def named(self) -> dict[str, float]:
        """Figures by the names that portmap gives them."""
        found = {
            "bore_mm": self.bore,
            "stroke_mm": self.stroke,
            "rod_mm": self.rod,
            "pin_offset_mm": self.offset,
            "crown_height_mm": self.crown,
            "base_gasket_mm": self.gasket,
            "skirt_length_mm": self.skirt,
            "deck_height_mm": self.deck,
            "squish_band_height_mm": self.band,
            "head_volume_cm3": self.head,
        }
        found |= {f"roof_mm:{port}": roof for port, roof in self.roofs.items()}
        return found | {f"floor_mm:{port}": floor for port, floor in self.floors.items()}


def drawn_engine(rng: np.random.Generator) -> TrueEngine:
    """An engine as small saws and pumps have them."""
    stroke = rng.uniform(28, 45)
    bore = stroke * rng.uniform(1.2, 1.6)
    crown = stroke * rng.uniform(1.7, 2.0)
    gasket = GASKETS[0] + rng.normal(0, U_MM)
    engine = TrueEngine(
        bore=bore,
        stroke=stroke,
        rod=stroke * (1.8 + rng.normal(0, U_RATIO)),
        offset=rng.normal(0, U_OFFSET),
        crown=crown,
        gasket=gasket,
        skirt=stroke * rng.uniform(1.05, 1.15),
        deck=crown + rng.uniform(0.5, 2.0),
        band=crown - gasket + rng.uniform(0.6, 1.2),
        head=rng.uniform(5, 9),
        roofs={},
        floors={},
    )
    top = crown - gasket
    roofs = {
        "exhaust": top - engine.depth(rng.uniform(95, 108)),
        "transfer": top - engine.depth(rng.uniform(112, 124)),
    }
    floors = {
        "intake": top - engine.skirt - engine.depth(rng.uniform(65, 80)),
        "transfer": top - engine.stroke - rng.uniform(0.2, 1.0),
    }
    return TrueEngine(**{**engine.__dict__, "roofs": roofs, "floors": floors})


def true_reading(engine: TrueEngine, kind: str, **where: Any) -> tuple[float, float, str]:
    """What a reading would be without error, its standard doubt, and its unit."""
    gasket = {None: engine.gasket, 0: 0.0}.get(where.get("gasket_mm"), where.get("gasket_mm"))
    port, top = where.get("port", ""), engine.crown - gasket
    if kind in ("opens", "closes"):
        crown = port != "intake"
        depth = top - (engine.roofs[port] if crown else engine.skirt + engine.floors[port])
        rising = crown == (kind == "closes")
        return engine.degree(depth, rising=rising), U_DEG, "deg"
    if kind == "depth_at":
        slope = (engine.depth(where["at_deg"] + 0.01) - engine.depth(where["at_deg"] - 0.01)) / 0.02
        return engine.depth(where["at_deg"]), float(np.hypot(U_MM, U_DEG * slope)), "mm"
    if kind == "head_volume":
        lift = gasket - engine.gasket
        return engine.head + np.pi * engine.bore**2 / 4 * lift / 1000, U_CM3, "cm3"
    if kind == "squish":
        return engine.band - top, U_SOLDER, "mm"
    edge, _, place = kind.partition("_")
    if edge in ("roof", "floor"):
        height = (engine.roofs if edge == "roof" else engine.floors)[port]
        value = {"height": height, "from_deck": engine.deck - height, "depth": top - height}[place]
        return value, U_MM, "mm"
    outright = {
        "bore": engine.bore,
        "stroke": engine.stroke,
        "rod": engine.rod,
        "pin_offset": engine.offset,
        "crown_height": engine.crown,
        "skirt_length": engine.skirt,
        "deck_height": engine.deck,
        "squish_band_height": engine.band,
        "gasket_crushed": engine.gasket,
    }
    return outright[kind], U_MM, "mm"


TWENTY: tuple[tuple[str, dict[str, Any]], ...] = (
    ("opens", {"port": "exhaust"}),
    ("closes", {"port": "exhaust"}),
    ("opens", {"port": "exhaust", "gasket_mm": 0}),
    ("opens", {"port": "exhaust", "gasket_mm": 0.8}),
    ("opens", {"port": "transfer"}),
    ("closes", {"port": "transfer"}),
    ("opens", {"port": "transfer", "gasket_mm": 0}),
    ("opens", {"port": "intake"}),
    ("closes", {"port": "intake"}),
    ("opens", {"port": "intake", "gasket_mm": 0}),
    ("squish", {}),
    ("squish", {"gasket_mm": 0}),
    ("squish", {"gasket_mm": 0.8}),
    ("depth_at", {"at_deg": 90.0}),
    ("depth_at", {"at_deg": 60.0}),
    ("roof_height", {"port": "exhaust"}),
    ("roof_from_deck", {"port": "transfer"}),
    ("deck_height", {}),
    ("floor_height", {"port": "intake"}),
    ("head_volume", {}),
)


def drawn_job(
    engine: TrueEngine,
    rng: np.random.Generator,
    *,
    plan: tuple[tuple[str, dict[str, Any]], ...] = TWENTY,
    noise: float = 1.0,
    rod_measured: bool = False,
) -> dict[str, Any]:
    """A job with readings of an engine, each off by a normal error of its tool's doubt."""
    stated = {
        "bore_mm": engine.bore + noise * rng.normal(0, U_MM),
        "stroke_mm": engine.stroke + noise * rng.normal(0, U_MM),
        "crown_height_mm": engine.crown * (1 + noise * rng.normal(0, 0.05)),
    }
    if rod_measured:
        stated["rod_mm"] = engine.rod + noise * rng.normal(0, U_MM)
        stated["pin_offset_mm"] = engine.offset + noise * rng.normal(0, U_MM)
    readings = []
    for kind, where in plan:
        value, u, unit = true_reading(engine, kind, **where)
        readings.append({"kind": kind, **where, "value": value + noise * rng.normal(0, u), "unit": unit})
    return {
        "format": "portmap-job",
        "version": 1,
        "name": "made-up engine",
        "engine": {**stated, "basis": {"crown_height_mm": "assumed"}},
        "cylinder": {"base_gasket_mm": GASKETS[0]},
        "maps": [],
        "readings": readings,
    }
