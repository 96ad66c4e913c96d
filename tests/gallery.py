"""Named window shapes and engines that many tests walk through."""

import math

import numpy as np

from portmap.crank import Crank
from portmap.engine import Engine
from portmap.port import Control, Kind, Port, Window, window_polygon

BORE_MM = 46.0
HALF_TURN_MM = math.pi * BORE_MM / 2


def ellipse(centre_x: float, centre_y: float, half_width: float, half_height: float, corners: int) -> Window:
    """An inscribed polygon with corners at equal parameter steps, none of them level with another."""
    t = np.linspace(0, 2 * np.pi, corners, endpoint=False) + 0.1234 / corners
    points = np.column_stack([centre_x + half_width * np.cos(t), centre_y + half_height * np.sin(t)])
    return Window(outline=window_polygon(points))


def star(corners: int, seed: int) -> Window:
    """A jagged outline, most of whose heights are cut by many sides."""
    random = np.random.default_rng(seed)
    t = np.sort(random.uniform(0, 2 * np.pi, corners))
    reach = random.uniform(0.3, 1.0, corners)
    points = np.column_stack([14 * reach * np.cos(t), 36 + 6 * reach * np.sin(t)])
    return Window(outline=window_polygon(points))


WINDOWS: dict[str, Window] = {
    "plain": Window(outline=window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])),
    "slanted": Window(outline=window_polygon([[-10, 27.5], [12, 29.0], [9, 41.0], [-13, 38.0]])),
    "bridged": Window(
        outline=window_polygon(
            [[-16, 28], [16, 28], [16, 40], [-16, 40]], ([[-1.5, 29], [1.5, 29], [1.5, 39], [-1.5, 39]],)
        )
    ),
    "arched": Window(
        outline=window_polygon(
            [[-13, 28], [13, 28], [13, 37]]
            + [[13 * math.cos(a), 37 + 3 * math.sin(a)] for a in np.linspace(0.1, math.pi - 0.1, 60)]
            + [[-13, 37]]
        )
    ),
    "across the wrap": Window(
        outline=window_polygon(
            [[HALF_TURN_MM - 6, 24], [HALF_TURN_MM + 7, 24], [HALF_TURN_MM + 5, 33], [HALF_TURN_MM - 6, 34]]
        )
    ),
    "sliver": Window(outline=window_polygon([[0, 30], [1e-4, 30], [1e-4, 38], [0, 38.0000001]])),
    "nearly level sides": Window(
        outline=window_polygon([[-14, 30], [14, 30 + 1e-9], [14, 38], [-14, 38 - 1e-9]])
    ),
    "jagged": star(200, 5),
    "smooth": ellipse(1.0, 35.0, 13.0, 5.5, 2000),
}

ENGINE = Engine(
    bore_mm=BORE_MM,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    skirt_length_mm=36.0,
    squish_band_height_mm=61.2,
)
OFFSET_ENGINE = Engine(
    bore_mm=BORE_MM,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0, pin_offset_mm=1.5),
    crown_height_mm=60.6,
    skirt_length_mm=34.0,
)


def port(*windows: Window, name: str = "p", kind: Kind = "exhaust", control: Control = "crown") -> Port:
    """A port of the given windows."""
    return Port(id=name, kind=kind, control=control, windows=windows)


def box(left: float, floor: float, right: float, roof: float) -> Window:
    """A rectangular window."""
    return Window(outline=window_polygon([[left, floor], [right, floor], [right, roof], [left, roof]]))
