"""10,000 draws of a whole job against the same by portmap's ordinary functions, one draw at a time.

Eight windows of 700 corners in five ports; every result: timings, blowdown, squish, ratios, cranking
pressure, wall areas, angle-areas and specific time-areas. Both are given the same draws, and must agree.
Run with ``pytest tests/benchmarks --benchmark-only -s``.
"""

import time

import numpy as np

from portmap.doubts import doubts_of, drawn_values
from portmap.drawn_figures import bench_of, results_at
from tests.one_draw import ordinary_results, traced_build

DRAWS = 10_000
LOOPED = 40  # of them, one at a time; the rest would take as long each
RPM = 9000.0
AGREE = 5e-5  # of a result; the doubt of an angle-area is some 2.5e-3 of it


def test_ten_thousand_draws_of_a_whole_job(benchmark):
    build = traced_build()

    def everything() -> dict[str, np.ndarray]:
        doubts = doubts_of(build)
        return results_at(bench_of(build, doubts.names), drawn_values(doubts, DRAWS, 1), rpm=RPM)

    start = time.perf_counter()
    everything()
    first = time.perf_counter() - start
    found = benchmark(everything)

    doubts = doubts_of(build)
    columns = drawn_values(doubts, DRAWS, 1)[:, :LOOPED].T
    start = time.perf_counter()
    looped = [ordinary_results(build, dict(zip(doubts.names, x, strict=True)), RPM) for x in columns]
    one = (time.perf_counter() - start) / LOOPED
    taken = benchmark.stats.stats.median
    worst = max(
        abs(found[name][number] / value - 1)
        for number, results in enumerate(looped)
        for name, value in results.items()
    )
    print(
        f"\n{DRAWS} draws at once: {first:.3f} s the first time, {taken:.3f} s after"
        f"\none at a time: {one * 1e3:.1f} ms a draw, {one * DRAWS:.0f} s for all"
        f"\nratio {one * DRAWS / taken:.0f}; largest difference of any result {worst:.1e} of it"
    )
    benchmark.extra_info["times_faster"] = one * DRAWS / taken
    assert set(looped[0]) <= set(found)
    assert worst < AGREE
