"""Opened area at 720 crank angles of a 2,000-corner outline, against one shapely clip an angle.

Run with ``pytest tests/benchmarks --benchmark-only -s``.
"""

import time

import numpy as np
import shapely
from shapely import Polygon

from portmap.engine import crown_height_at
from portmap.port import Window
from portmap.window import opened_area
from tests.gallery import ENGINE, ellipse, port

ANGLES = np.linspace(0, 360, 720, endpoint=False)


def clipped(window: Window) -> np.ndarray:
    left, floor, right, roof = window.outline.bounds
    heights = np.clip(crown_height_at(ENGINE, ANGLES), floor - 1, roof + 1)
    return np.array(
        [window.outline.intersection(shapely.box(left - 1, y, right + 1, roof + 2)).area for y in heights]
    )


def shortest(work, repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def test_opened_area_720_angles_2000_corners(benchmark):
    window = ellipse(1.0, 35.0, 13.0, 5.5, 2000)
    one = port(window)
    got = benchmark(lambda: opened_area(ENGINE, one, ANGLES))

    fresh = iter([port(Window(outline=Polygon(window.outline.exterior.coords))) for _ in range(50)])

    baseline = shortest(lambda: clipped(window), 5)
    first, again = (
        shortest(lambda: opened_area(ENGINE, next(fresh), ANGLES), 50),
        shortest(lambda: opened_area(ENGINE, one, ANGLES), 50),
    )
    worst = float(np.abs(got - clipped(window)).max() / window.outline.area)
    print(
        f"\nshapely, a clip an angle: {baseline * 1e3:.1f} ms"
        f"\nfirst time, preparing the window: {first * 1e3:.2f} ms, {baseline / first:.0f} times faster"
        f"\nevery time after: {again * 1e3:.3f} ms, {baseline / again:.0f} times faster"
        f"\nlargest difference, of the window's area: {worst:.1e}"
    )
    benchmark.extra_info["times_faster"] = baseline / again
    assert worst < 1e-9
