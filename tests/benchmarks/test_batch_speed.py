"""One worker against two, each a process of its own, over the same photos in the same run.

Run with ``pytest tests/benchmarks/test_batch_speed.py --benchmark-only -s`` on a machine with two idle cores.
Aim: two workers do at least 1.7 times as much. What is timed is the batch from the first piece handed out to
the last one written; workers are started and warm before, as they are in any batch long enough to need two.
"""

import time

import pytest

from portmap.batch import batch
from portmap.batch_work import Orders
from portmap.batch_workers import Workers
from portmap.samples import sample_folder

PHOTOS = 8  # copies of one photo under names of their own
AIM = 1.7
ORDERS = Orders(steps=("flatten", "trace", "areas"), mm_per_px=0.1)


@pytest.fixture
def photos(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    content = (sample_folder() / "cut.jpg").read_bytes()
    for number in range(PHOTOS):
        (folder / f"{number}.jpg").write_bytes(content)
    return folder


def seconds(photos, out, count):
    """Time from the end of the first round, one photo a worker, to the last photo written."""
    seen = []
    batch(
        photos,
        out,
        ORDERS,
        workers=Workers(count=count),
        tell=lambda done, total, item: seen.append((done, time.perf_counter())),
    )
    first = next(at for done, at in seen if done == count)
    return (seen[-1][1] - first) / (PHOTOS - count)


def test_two_workers_against_one(photos, tmp_path, benchmark):
    one = seconds(photos, tmp_path / "one", 1)
    two = benchmark.pedantic(seconds, (photos, tmp_path / "two", 2), rounds=1)
    ratio = one / two
    print(
        f"\na photo takes {one:.2f} s with one worker, {two:.2f} s with two: {ratio:.2f} times as fast,"
        f" aim {AIM}"
    )
    benchmark.extra_info["ratio"] = ratio
