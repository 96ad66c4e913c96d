"""What stands before the camera in a rendered bore: cylinder, windows, printed cards, lamps.

Frame of the bore [mm]: Z is the axis, up from the base face; X points to the exhaust centre line; the wall's
(x, y) stands at (R cos φ, −R sin φ, y) with φ = x/R.

wall
    A cylinder of radius R from Z = 0 to the deck, honed crosswise, perhaps sooty. It shines more along the
    bore than round it, as the scratches lie nearly round.
window
    A polygon on the wall. Its passage runs radially outward from it, so that a place (x, y) of the polygon's
    edge is one straight line. A chamfer of width w at 45° widens it on the wall by w: the wall ends w outside
    the polygon, and the passage wall begins w behind the wall. What lies deeper than the passage is dark.
ring, strip
    Printed paper: the ring on the base face or the deck outside a hole, the strip inside the wall.
lamps
    Points beside the camera, and what comes in through the open ends. A lamp outside the bore does not reach
    the wall past the rim of the face.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from tests.rendering import Page

__all__ = ["Bore", "BoreScene", "Lamp", "Opening", "Optics", "Ring", "Strip", "Tone", "wall_point"]

Floats = NDArray[np.float64]
Tone = tuple[float, float, float]  # linear reflectance, red green blue


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A window: its polygon on the wall without its chamfer."""

    name: str
    kind: str
    outline: shapely.Polygon


@dataclass(frozen=True, kw_only=True, eq=False)
class Bore:
    """A cylinder; `seed` draws its scratches and soot, `blind` closes it with a sooty head at the deck."""

    bore_mm: float
    deck_mm: float
    openings: tuple[Opening, ...]
    chamfer_mm: float = 0.3
    passage_mm: float = 22.0
    tone: Tone = (0.42, 0.41, 0.39)
    cast_tone: Tone = (0.24, 0.23, 0.215)
    shine: float = 0.5
    hone_deg: float = 28.0
    honing: float = 0.12
    casting: float = 0.13  # relative roughness of the passages
    soot: float = 0.0
    blind: bool = False
    seed: int = 0

    @property
    def radius_mm(self) -> float:
        """Return half the bore."""
        return self.bore_mm / 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Ring:
    """A printed sheet round the bore, print away from the cylinder; `page` is asked for when it is drawn.

    `half_mm` is half the side of the square that is left of the sheet, `hole_mm` the radius cut out of it.
    As a hand lays it: `shift_mm` moves it on its face (card's right, card's up), `turn_rad` turns it
    (counterclockwise as it is read), `lift_mm` holds it off its face, more so by `slope` along X and Y.
    """

    page: Callable[[], Page]
    half_mm: float
    hole_mm: float
    seat: Literal["base", "deck"] = "base"
    thickness_mm: float = 0.1
    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_rad: float = 0.0
    lift_mm: float = 0.0
    slope: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Strip:
    """A printed strip rolled inside the bore, its lower edge at `low_mm`.

    As a hand sets it: `turn_rad` moves it to the right round the bore, `lift_mm` up, and `slope` is how much
    its edge rises along X and Y.
    """

    page: Callable[[], Page]
    height_mm: float
    low_mm: float
    thickness_mm: float = 0.1
    turn_rad: float = 0.0
    lift_mm: float = 0.0
    slope: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """A lamp beside the camera, `at_mm` in the camera's frame."""

    at_mm: tuple[float, float, float]
    strength: float = 1.0
    tint: Tone = (1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Optics:
    """Blur, light and sensor.

    `blur_px` is the standard deviation of the blur in focus, `aperture_mm` and `focus_mm` make it grow away
    from the focus. `ambient` is the light that comes in through the ends, relative to a lamp on white paper
    at 100 mm. `bright` is what the brightest hundredth of the picture is exposed to.
    """

    lamps: tuple[Lamp, ...] = (Lamp(at_mm=(0.0, 0.0, 0.0)),)
    ambient: float = 0.15
    blur_px: float = 0.8
    aperture_mm: float = 0.0
    focus_mm: float = 100.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.2
    bright: float = 0.9
    white_electrons: float = 5000.0
    read_noise: float = 0.002
    contrast: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class BoreScene:
    """All that stands before the camera, and how the camera takes it."""

    bore: Bore
    ring: Ring | None = None
    strip: Strip | None = None
    optics: Optics = field(default_factory=Optics)


def wall_point(radius_mm: float, places_mm: Floats) -> Floats:
    """Return where places (x, y) of the wall stand in space."""
    x, y = np.asarray(places_mm, np.float64).reshape(-1, 2).T
    return np.column_stack([radius_mm * np.cos(x / radius_mm), -radius_mm * np.sin(x / radius_mm), y])
