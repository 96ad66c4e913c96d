"""Speed of ring safety: all verdicts of a map of six windows with 1,000 corners each; aim under 30 ms."""

from dataclasses import replace

import numpy as np

from portmap.port import PortMap, Window
from portmap.ring import ring_verdicts
from portmap.ring_rules import ring_rules
from tests.ring_windows import cylinder, ellipse, engine, port

RULES = ring_rules({})


def traced(seed: int) -> PortMap:
    """Six noisy windows; another seed gives other outlines."""
    random = np.random.default_rng(seed)

    def window(x, a, b):
        points = np.asarray(ellipse(x, 34, a, b, corners=1000).exterior.coords)[:-1]
        return type(ellipse(0, 0, 1, 1))(points + random.normal(0, 0.002, points.shape))

    return cylinder(
        port("exhaust", "exhaust", window(0, 13, 6)),
        port("main", "transfer", window(26, 6, 5), window(-26, 6, 5)),
        port("second", "transfer", window(42, 6, 5), window(-42, 6, 5)),
        port("boost", "boost", window(68, 6, 5)),
    )


def test_all_verdicts_of_a_map_never_seen_before(benchmark):
    seeds = iter(range(1000))
    benchmark.pedantic(
        lambda port_map: ring_verdicts(engine(), port_map, RULES),
        setup=lambda: ((traced(next(seeds)),), {}),
        rounds=20,
    )


def test_all_verdicts_while_one_roof_is_dragged(benchmark):
    start = traced(0)
    ring_verdicts(engine(), start, RULES)
    seeds = iter(range(1, 1000))

    def dragged():
        exhaust = start.ports[0]
        outline: Window = traced(next(seeds)).ports[0].windows[0]
        return ((replace(start, ports=(replace(exhaust, windows=(outline,)), *start.ports[1:])),), {})

    benchmark.pedantic(lambda port_map: ring_verdicts(engine(), port_map, RULES), setup=dragged, rounds=20)
