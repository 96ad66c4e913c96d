"""The fit of twenty readings; the aim is under 0.2 s.

Run with ``pytest tests/benchmarks/test_fit_speed.py --benchmark-only -s``.
"""

import numpy as np

from portmap.fit import fit_readings
from portmap.job import job_of
from tests.bench_engine import TWENTY, drawn_engine, drawn_job


def test_fit_twenty_readings(benchmark):
    rng = np.random.default_rng(1)
    job = job_of(drawn_job(drawn_engine(rng), rng))
    fit = benchmark(lambda: fit_readings(job))
    assert sum(misfit.number is not None for misfit in fit.misfits) == len(TWENTY) == 20
    print(f"\ntwenty readings, {len(fit.figures)} figures: {1e3 * benchmark.stats.stats.median:.1f} ms")


def test_fit_two_hundred_readings(benchmark):
    rng = np.random.default_rng(2)
    job = job_of(drawn_job(drawn_engine(rng), rng, plan=TWENTY * 10))
    fit = benchmark(lambda: fit_readings(job))
    assert sum(misfit.number is not None for misfit in fit.misfits) == 200
    print(f"\ntwo hundred readings: {1e3 * benchmark.stats.stats.median:.1f} ms")
