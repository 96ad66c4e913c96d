"""Windows of known shape for tests of ring safety, drawn here without portmap's own roofs."""

import math

import numpy as np
import shapely
from shapely import Polygon

from portmap.crank import Crank
from portmap.engine import Engine, Piston
from portmap.port import Port, PortMap, Window, WindowDoubt, window_polygon

BORE = 46.0
MEASURED = Piston(
    ring_below_crown_mm=2.5,
    ring_height_mm=1.5,
    lowest_ring_below_crown_mm=7.5,
    ring_ends_x_mm=(17.0, -17.0),
)


def engine(piston: Piston = MEASURED, **changes: float) -> Engine:
    """An invented engine: crown edge at 61 mm at TDC, 29 mm at BDC."""
    sizes = {"bore_mm": BORE, "crown_height_mm": 61.0, **changes}
    return Engine(crank=Crank(stroke_mm=32.0, rod_mm=58.0), piston=piston, **sizes)


def rounded(left: float, floor: float, right: float, roof: float, radius: float, pieces: int = 64) -> Polygon:
    """An upright rectangle with round corners, by shapely's own buffer."""
    return shapely.box(left + radius, floor + radius, right - radius, roof - radius).buffer(
        radius, quad_segs=pieces
    )


def ellipse(x: float, y: float, a: float, b: float, corners: int = 400) -> Polygon:
    """An ellipse with the semi-axes a across and b along."""
    turn = np.linspace(0, 2 * math.pi, corners, endpoint=False)
    return window_polygon(np.column_stack([x + a * np.cos(turn), y + b * np.sin(turn)]))


def arched(width: float, floor: float, roof: float, rise: float, corners: int = 200) -> Polygon:
    """Straight sides under a parabola of a given rise."""
    x = np.linspace(width / 2, -width / 2, corners)
    y = roof - rise * (2 * x / width) ** 2
    return window_polygon([[-width / 2, floor], [width / 2, floor], *np.column_stack([x, y])])


def port(name: str, kind: str, *shapes: Polygon, doubt: WindowDoubt | None = None) -> Port:
    """A port of these windows, controlled as is usual for its kind."""
    control = {"intake": "skirt"}.get(kind, "crown")
    windows = tuple(Window(outline=shapely.geometry.polygon.orient(shape), doubt=doubt) for shape in shapes)
    return Port(id=name, kind=kind, control=control, windows=windows)


def cylinder(*ports: Port) -> PortMap:
    return PortMap(stage="stock", ports=ports)
