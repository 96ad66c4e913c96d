"""How long the archive takes, and how that grows: 100, 1,000 and (long) 10,000 made-up jobs.

Run with ``pytest tests/benchmarks/test_archive_speed.py --benchmark-only -s``; with ``-m long`` for 10,000.
Aims at 10,000 jobs on SQLite: search and add under 50 ms, similar shapes under 200 ms. The clock's time is
given, and beside it the processor's, for a machine that does other work meanwhile; the aims are held to the
latter, and the table stands in ARCHIVE.md beside this file.
"""

import statistics
import time

import pytest
import sqlalchemy as sa

from portmap.archive import add_job, opened_archive
from portmap.archive_facts import shapes_of
from portmap.archive_search import Range, Search, searched, similar
from portmap.job import job_of
from tests.archived_jobs import made_up_job

AIM_MS, SIMILAR_MS = 50.0, 200.0
TIMED = 50  # additions at each size, each of them on the disk before the next

SEARCHES = {
    "a rare word": Search(words="417"),
    "a common word": Search(words="pump"),
    "two words": Search(words="saw chamfered"),
    "the beginning of a word": Search(words="sei"),
    "bore and opening": Search(
        ranges=(Range(figure="bore_mm", low=45, high=47), Range(figure="exhaust.opens_deg", low=92, high=100))
    ),
    "a word, a range and days": Search(
        words="blower", ranges=(Range(figure="blowdown_deg", low=10, high=25),), since="2020-01-01"
    ),
    "the newest": Search(),
}


def no_picture(picture):
    raise AssertionError(picture)


def spent_ms(function, *arguments) -> tuple[float, float]:
    """Return the clock's and the processor's time of one call."""
    clock, processor = time.perf_counter(), time.process_time()
    function(*arguments)
    return 1000 * (time.perf_counter() - clock), 1000 * (time.process_time() - processor)


def medians(times: list[tuple[float, float]]) -> tuple[float, float]:
    clock, processor = zip(*times, strict=True)
    return statistics.median(clock), statistics.median(processor)


def fill(place: str, first: int, last: int) -> None:
    """Add made-up jobs without waiting for the disk at each: these are not timed."""
    with opened_archive(place) as archive:
        archive.engine.dispose()
        sa.event.listen(
            archive.engine, "connect", lambda driver, _: driver.execute("PRAGMA synchronous = OFF")
        )
        for number in range(first, last):
            add_job(archive, made_up_job(number), no_picture)


def added(archive, first: int, last: int) -> list[tuple[float, float]]:
    """Add made-up jobs and return how long each took; making them up is not counted."""
    return [spent_ms(add_job, archive, made_up_job(number), no_picture) for number in range(first, last)]


def row(archive, adding: list[tuple[float, float]]) -> dict[str, tuple[float, float]]:
    cells = shapes_of(job_of(made_up_job(7)))["stock"]
    found = {"add": medians(adding)}
    for name, search in SEARCHES.items():
        found[name] = medians([spent_ms(searched, archive, search) for _ in range(9)])
    found["similar shapes"] = medians([spent_ms(similar, archive, cells) for _ in range(9)])
    return found


def show(rows: dict[int, dict[str, tuple[float, float]]]) -> None:
    print("\n| median, clock (processor) [ms] | " + " | ".join(f"{count:,} jobs" for count in rows) + " |")
    print("| --- |" + " ---: |" * len(rows))
    for name in next(iter(rows.values())):
        cells = (f"{row[name][0]:.1f} ({row[name][1]:.1f})" for row in rows.values())
        print(f"| {name} | " + " | ".join(cells) + " |")


def grown(folder, sizes) -> dict[int, dict[str, tuple[float, float]]]:
    rows, done, place = {}, 0, str(folder / "archive.db")
    for size in sizes:
        fill(place, done, size - TIMED)
        with opened_archive(place) as archive:
            rows[size] = row(archive, added(archive, size - TIMED, size))
        done = size
    show(rows)
    return rows


def hold_to_aims(times: dict[str, tuple[float, float]]) -> None:
    for name, (_, processor) in times.items():
        assert processor < (SIMILAR_MS if name == "similar shapes" else AIM_MS), name


def test_growth_to_a_thousand_jobs(benchmark, tmp_path):
    rows = benchmark.pedantic(grown, args=(tmp_path, (100, 1000)), rounds=1)
    hold_to_aims(rows[1000])


@pytest.mark.long
def test_growth_to_ten_thousand_jobs(benchmark, tmp_path):
    rows = benchmark.pedantic(grown, args=(tmp_path, (100, 1000, 10_000)), rounds=1)
    hold_to_aims(rows[10_000])
    for name, (_, processor) in rows[10_000].items():
        assert processor < 10 * max(rows[1000][name][1], 1.0), f"{name} grows as fast as the archive"
