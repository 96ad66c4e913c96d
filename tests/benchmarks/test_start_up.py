"""How soon the command line answers, against a bare interpreter in the same run.

Run with ``pytest tests/benchmarks/test_start_up.py --benchmark-only -s``. The aim: `portmap --help` takes
at most three times what ``python -c pass`` takes.
"""

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROUNDS = 15


def median_seconds(command: list[str]) -> float:
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        times.append(time.perf_counter() - start)
    return sorted(times)[ROUNDS // 2]


def test_help_against_a_bare_interpreter(benchmark):
    script = shutil.which("portmap", path=str(Path(sys.executable).parent))
    if script is None:
        pytest.skip("portmap is not installed beside this interpreter")
    bare = median_seconds([sys.executable, "-c", "pass"])
    shown = median_seconds([script, "--help"])
    benchmark.pedantic(
        lambda: subprocess.run([script, "--help"], stdout=subprocess.DEVNULL, check=True), rounds=ROUNDS
    )
    print(
        f"\nportmap --help {shown * 1e3:.0f} ms, bare {bare * 1e3:.0f} ms: {shown / bare:.2f} times (aim 3)"
    )
    benchmark.extra_info["times_bare"] = round(shown / bare, 2)
