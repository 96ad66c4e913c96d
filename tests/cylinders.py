"""An invented cylinder as it came, as wished, and as ground with one slip of the cutter and a roof short."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import shapely
from shapely.affinity import rotate, translate

from portmap.map_file import window_document
from portmap.port import Control, Kind, Port, PortMap, Stage, Window, WindowDoubt

BORE_MM = 46.0
DOUBT = WindowDoubt(roof_u_mm=0.015, floor_u_mm=0.015, wall_area_u_mm2=0.3, edge_u_mm=0.02)

# the slip: a notch of 2 mm by 0.4 mm in the exhaust roof, from x 4 to x 6
SLIP_MM = (4.0, 6.0, 0.4)
# the right main transfer was left so much too low
SHORT_MM = 0.35
RAISED_MM = {"exhaust": 1.6, "main": 0.6, "second": 0.6, "boost": 0.6, "intake": 0.0}

_BOXES: dict[str, tuple[Kind, Control, tuple[tuple[float, float, float, float], ...]]] = {
    "exhaust": ("exhaust", "crown", ((-14.0, 28.6, 14.0, 40.0),)),
    "main": ("transfer", "crown", ((-33.0, 28.8, -20.0, 36.0), (20.0, 28.8, 33.0, 36.0))),
    "second": ("transfer", "crown", ((-48.0, 28.8, -37.0, 35.6), (37.0, 28.8, 48.0, 35.6))),
    "boost": ("boost", "crown", ((50.0, 28.8, 58.0, 36.4),)),
    "intake": ("intake", "skirt", ((62.0, 8.0, 84.0, 17.5),)),  # runs across the back
}


def rounded(left: float, floor: float, right: float, roof: float, radius: float = 2.0) -> shapely.Polygon:
    """A box with corner radii, anticlockwise."""
    inside = shapely.box(left + radius, floor + radius, right - radius, roof - radius)
    return shapely.geometry.polygon.orient(inside.buffer(radius, quad_segs=10))


def cylinder(
    stage: Stage, raised: dict[str, float] | None = None, *, doubt: WindowDoubt | None = DOUBT
) -> PortMap:
    """All ports, each roof raised by so many mm."""
    more = raised or {}
    ports = []
    for name, (kind, control, boxes) in _BOXES.items():
        windows = tuple(
            Window(outline=rounded(left, floor, right, roof + more.get(name, 0.0)), doubt=doubt)
            for left, floor, right, roof in boxes
        )
        ports.append(Port(id=name, kind=kind, control=control, windows=windows))
    return PortMap(stage=stage, ports=tuple(ports))


def with_window(port_map: PortMap, name: str, number: int, outline: shapely.Polygon) -> PortMap:
    """The map with one window in another's place."""
    ports = []
    for port in port_map.ports:
        windows = list(port.windows)
        if port.id == name:
            windows[number] = replace(windows[number], outline=shapely.geometry.polygon.orient(outline))
        ports.append(replace(port, windows=tuple(windows)))
    return replace(port_map, ports=tuple(ports))


def stock() -> PortMap:
    return cylinder("stock")


def proposed() -> PortMap:
    return cylinder("proposed", RAISED_MM)


def ground() -> PortMap:
    """Ground to the line but for the slip and the short roof."""
    made = cylinder("ground", RAISED_MM)
    left, right, deep = SLIP_MM
    roof = 40.0 + RAISED_MM["exhaust"]
    slipped = made.ports[0].windows[0].outline.union(shapely.box(left, roof - 1.0, right, roof + deep))
    made = with_window(made, "exhaust", 0, slipped)
    return with_window(made, "main", 1, rounded(20.0, 28.8, 33.0, 36.0 + RAISED_MM["main"] - SHORT_MM))


def laid_askew(port_map: PortMap, dx: float, dy: float, turn_deg: float) -> PortMap:
    """The map as it comes from a sheet that a turn and then a shift by (dx, dy) would lay right."""
    ports = []
    for port in port_map.ports:
        windows = tuple(
            replace(
                window,
                outline=rotate(translate(window.outline, -dx, -dy), -turn_deg, origin=(0.0, 0.0)),
            )
            for window in port.windows
        )
        ports.append(replace(port, windows=windows))
    return replace(port_map, ports=tuple(ports))


def ports_document(port_map: PortMap) -> list[dict[str, Any]]:
    """The ports as a file holds them."""
    return [
        {
            "id": port.id,
            "kind": port.kind,
            "control": port.control,
            "windows": [window_document(window) for window in port.windows],
        }
        for port in port_map.ports
    ]


def job_document(*maps: PortMap, bore_mm: float = BORE_MM) -> dict[str, Any]:
    """A job of the invented engine."""
    return {
        "format": "portmap-job",
        "version": 1,
        "name": "invented 53 cc pump engine",
        "engine": {
            "bore_mm": bore_mm,
            "stroke_mm": 32.0,
            "rod_mm": 58.0,
            "crown_height_mm": 61.0,
            "skirt_length_mm": 36.0,
        },
        "cylinder": {"base_gasket_mm": 0.4},
        "maps": [{"stage": one.stage, "ports": ports_document(one)} for one in maps],
    }
