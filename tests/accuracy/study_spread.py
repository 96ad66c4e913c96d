"""From readings to results: how often a result's 95 % interval holds the truth, by draws and by first order.

    python -m tests.accuracy.study_spread --engines 1000 --seed 7 --out tests/accuracy/RESULTS.md

Engines are made up, read twenty times and timed by `tests.bench_engine`, which shares no code with portmap's
crank. Each job is fitted, the fit written into it, and the results drawn 2,000 times with the doubts and
correlations that the fit left. A job in which the fit says that a reading does not belong is passed over.
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from pathlib import Path

import numpy as np

from portmap.doubts import doubts_of
from portmap.fit import fit_readings
from portmap.fitted_job import fitted_job
from portmap.job import job_of
from portmap.shopwork import build_of
from portmap.spread import spreads_of
from tests.accuracy.results import section_written
from tests.bench_engine import TrueEngine, drawn_engine, drawn_job

TITLE = "Spread of results"
DRAWS = 2000


def true_results(engine: TrueEngine) -> dict[str, float]:
    """The results of an engine without error, under portmap's names."""
    top = engine.crown - engine.gasket
    exhaust, transfer = (engine.degree(top - engine.roofs[port]) for port in ("exhaust", "transfer"))
    skirt = top - engine.skirt - engine.floors["intake"]
    depth = top - engine.roofs["exhaust"]
    return {
        "exhaust:opens_deg": exhaust,
        "transfer:opens_deg": transfer,
        "exhaust:duration_deg": engine.degree(depth, rising=True) - exhaust,
        "intake:opens_deg": engine.degree(skirt, rising=True),
        "blowdown_deg": transfer - exhaust,
        "squish_mm": engine.band - top,
        "trapped_ratio": 1 + np.pi / 4 * engine.bore**2 * depth / 1000 / engine.head,
    }


Row = tuple[bool, bool, float]  # inside by draws, inside by first order, standard doubt


def study(engines: int, seed: int) -> tuple[dict[str, list[Row]], int]:
    """What each result gave for each engine, and how many engines were passed over."""
    found: dict[str, list[Row]] = {}
    passed_over = 0
    for number in range(engines):
        random = np.random.default_rng([seed, number])
        engine = drawn_engine(random)
        job = job_of(drawn_job(engine, random, rod_measured=bool(number % 2)))
        fit = fit_readings(job)
        if fit.suspects:
            passed_over += 1
            continue
        build = build_of(fitted_job(job, fit))
        spreads = spreads_of(build, doubts=doubts_of(build), candidates=(), count=DRAWS, seed=number)
        for name, true in true_results(engine).items():
            one = spreads[name]
            low, high = one.drawn.interval
            found.setdefault(name, []).append(
                (low <= true <= high, abs(true - one.value) <= 1.96 * one.first.u, one.first.u)
            )
    return found, passed_over


def table_of(found: dict[str, list[Row]], passed_over: int, seed: int, seconds: float) -> str:
    """Return the section's text."""
    count = len(next(iter(found.values())))
    lines = [
        f"{count} made-up engines of twenty readings each, fitted and drawn {DRAWS} times (seed {seed},"
        f" {passed_over} more passed over), {seconds:.0f} s on {os.cpu_count()} cores ({platform.machine()},"
        f" Python {platform.python_version()}). Coverage: truth within the 95 % interval; aim 93 to 97 %.",
        "",
        "| result | coverage by draws | by first order | doubt (1 σ), median |",
        "| --- | ---: | ---: | ---: |",
    ]
    for name, rows in found.items():
        by_draws, by_first, u = (np.array(column, float) for column in zip(*rows, strict=True))
        lines.append(
            f"| {name} | {100 * by_draws.mean():.1f} % | {100 * by_first.mean():.1f} % | {np.median(u):.4f} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run the study, print its table and keep it if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    start = time.perf_counter()
    found, passed_over = study(options.engines, options.seed)
    text = table_of(found, passed_over, options.seed, time.perf_counter() - start)
    print(text)
    if options.out:
        section_written(TITLE, text, place=options.out)


if __name__ == "__main__":
    main()
