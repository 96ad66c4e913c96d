"""Two maps of 12 windows with 1,000 corners each, compared: by the base face, by fit, and with a wish.

Run with ``pytest tests/benchmarks/test_compare_speed.py --benchmark-only -s``.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.affinity import rotate, translate

from portmap.compare import Side, compared
from portmap.port import Kind, Port, PortMap, Window, WindowDoubt, window_polygon
from tests.gallery import BORE_MM, ENGINE

CORNERS = 1000
DOUBT = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.2, edge_u_mm=0.015)
AIM_S = 0.5


def window(left: float, floor: float, right: float, roof: float, phase: float) -> Window:
    """A superellipse, as rounded as a cast window, with a ripple of 0.02 mm such as tracing leaves."""
    t = np.linspace(0, 2 * math.pi, CORNERS, endpoint=False)
    ripple = 1 + 0.002 * np.sin(37 * t + phase)
    across = np.sign(np.cos(t)) * np.abs(np.cos(t)) ** 0.4 * ripple
    up = np.sign(np.sin(t)) * np.abs(np.sin(t)) ** 0.4 * ripple
    points = np.column_stack(
        [(left + right) / 2 + (right - left) / 2 * across, (floor + roof) / 2 + (roof - floor) / 2 * up]
    )
    return Window(outline=window_polygon(points), doubt=DOUBT)


def cylinder(stage: str, raised: float, phase: float) -> PortMap:
    kinds: list[tuple[str, Kind, list[tuple[float, float]]]] = [
        ("exhaust", "exhaust", [(-14.0, -1.5), (1.5, 14.0)]),
        ("sub", "exhaust", [(-21.0, -16.0), (16.0, 21.0)]),
        ("main", "transfer", [(-36.0, -24.0), (24.0, 36.0)]),
        ("second", "transfer", [(-49.0, -39.0), (39.0, 49.0)]),
        ("boost", "boost", [(-57.0, -51.0), (51.0, 57.0)]),
        ("intake", "intake", [(59.0, 70.0), (-70.0, -59.0)]),
    ]
    ports = []
    for name, kind, spans in kinds:
        floor, roof = (8.0, 18.0) if kind == "intake" else (28.5, 36.0 + 4.0 * (kind == "exhaust") + raised)
        windows = tuple(window(left, floor, right, roof, phase + left) for left, right in spans)
        control = "skirt" if kind == "intake" else "crown"
        ports.append(Port(id=name, kind=kind, control=control, windows=windows))
    return PortMap(stage=stage, ports=tuple(ports))


def askew(port_map: PortMap) -> PortMap:
    def moved(one: Window) -> Window:
        return replace(one, outline=rotate(translate(one.outline, 0.3, -0.2), 0.4, origin=(0.0, 0.0)))

    ports = tuple(replace(one, windows=tuple(map(moved, one.windows))) for one in port_map.ports)
    return replace(port_map, ports=ports)


@pytest.mark.parametrize("way", ["base", "fit", "base and a wish"])
def test_compare_12_windows_of_1000_corners(benchmark, way):
    register = "fit" if way == "fit" else "base"

    def fresh():
        maps = [cylinder("stock", 0.0, 0.0), cylinder("ground", 1.2, 1.0)]
        if register == "fit":
            maps[1] = askew(maps[1])
        sides = [Side(name="invented", port_map=one, bore_mm=BORE_MM, engine=ENGINE) for one in maps]
        wish = cylinder("proposed", 1.25, 0.5) if "wish" in way else None
        return sides, {"register": register, "wish": wish}

    found = benchmark.pedantic(compared, setup=fresh, rounds=9, warmup_rounds=1)
    assert sum(len(port.windows) for port in found.ports) == 12
    assert (found.nearness is not None) == ("wish" in way)
    middle = benchmark.stats.stats.median
    benchmark.extra_info["of_the_aim"] = middle / AIM_S
    print(f"\n{way}: median {1000 * middle:.0f} ms (aim {1000 * AIM_S:.0f} ms)")
