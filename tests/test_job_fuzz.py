"""Whatever stands in a job file, the reader gives a sound job or names its faults; it never breaks down.

A sound job is bent at up to six places: a value replaced by one of another type, by a number that no engine
has, by deep nesting or odd text; fields taken out, doubled or made up; lists cut or lengthened. What is
still accepted must give an engine, a map, timings and areas, and come back from its file unchanged.
"""

import copy
import json
import math
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portmap.errors import JobError
from portmap.figures import areas_document, timearea_document, timing_document
from portmap.job import engine_of, job_of, map_entry_of, port_map_of, read_job, write_job
from portmap.job_faults import document_of
from portmap.job_review import missing_fields, reviewed
from tests.sample_job import sample

IN_SUITE, LONG = 2_000, 10_000
CALM = {"deadline": None, "suppress_health_check": list(HealthCheck)}


def nested() -> object:
    value: object = 1.0
    for _ in range(60):
        value = {"a": [value]}
    return value


# made anew each time: a bent document may be bent again in place
ODD_THINGS = [list, dict, nested, lambda: [[]], lambda: [None], lambda: {"": 1}, lambda: {"\ud800": 1}]
ODD_NUMBERS = [
    0,
    -1,
    1,
    1e-300,
    1e300,
    -1e308,
    10**400,
    -(10**30),
    2**63,
    math.nan,
    math.inf,
    5e-324,
    0.1,
    61.2,
]
ODD_TEXTS = [
    "",
    "46",
    "crown",
    "exhaust",
    "\ud800",
    "\x00",
    "a" * 300,
    "ex\nhaust",
    "😀",
    "\u202e",
    "-0",
    "../x",
]
values = st.one_of(
    st.sampled_from(ODD_NUMBERS),
    st.sampled_from(ODD_TEXTS),
    st.floats(),
    st.floats(-100, 100),
    st.integers(-100, 100),
    st.booleans(),
    st.none(),
    st.text(max_size=12),
    st.sampled_from(ODD_THINGS).map(lambda make: make()),
)


def places(document: object) -> list[tuple]:
    """Every place in a document, from the top down."""
    found, waiting = [], [((), document)]
    while waiting:
        place, value = waiting.pop(0)
        if place:
            found.append(place)
        items = (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        )
        waiting += [((*place, key), inner) for key, inner in items]
    return found


ACTIONS = ["replace", "nudge", "remove", "invent", "double"]
steps = st.tuples(st.integers(0, 9999), st.sampled_from(ACTIONS), st.text(max_size=8), values)


@st.composite
def bent_jobs(draw: st.DrawFn) -> dict:
    document = sample()
    for number, action, name, value in draw(st.lists(steps, min_size=1, max_size=6)):
        known = places(document)
        *outer, last = known[number % len(known)] if known else ("minor",)
        holder = document
        for step in outer:
            holder = holder[step]
        old = holder.get(last) if isinstance(holder, dict) else holder[last]
        if action == "replace":
            holder[last] = value
        elif (
            action == "nudge"
            and isinstance(old, int | float)
            and not isinstance(old, bool)
            and abs(old) < 1e300  # a whole number beyond what a float holds cannot be nudged by a half
        ):
            holder[last] = [old * 10, -old, old + 0.5, old * 1000, old / 3][number % 5]
        elif action == "remove":
            del holder[last]
        elif action == "invent" and isinstance(holder, dict):
            holder[name] = value
        elif action == "double" and isinstance(holder, list) and len(holder) < 20:
            holder.append(copy.deepcopy(old))
    return document


def refusal(work: Callable[[], object]) -> JobError | None:
    try:
        work()
    except JobError as error:
        return error
    return None


def check(document: object, *, thorough: bool = False) -> str:
    error = refusal(lambda: job_of(document))
    if error is not None:
        lines = str(error).splitlines()
        assert len(lines) == max(len(error.faults), 1)
        assert all(0 < len(line) < 500 for line in lines)
        return "refused"
    job = job_of(document)
    assert document_of(job) == document
    engine = engine_of(job)
    reviewed(job)
    missing_fields(job)
    for entry in job.maps:
        port_map = port_map_of(job, entry.stage)
        assert map_entry_of(job, entry.stage) == entry
        json.dumps(timing_document(engine, port_map), allow_nan=False)
        json.dumps(areas_document(engine, port_map, [0.0, 100.0, 180.0]), allow_nan=False)
        if thorough:
            json.dumps(timearea_document(engine, port_map, [9000.0]), allow_nan=False)
    return "accepted"


@given(bent_jobs())
@settings(max_examples=IN_SUITE, derandomize=True, **CALM)
def test_a_bent_job_is_sound_or_its_faults_are_named(document):
    check(document)


@pytest.mark.long
@given(bent_jobs())
@settings(max_examples=LONG, derandomize=True, **CALM)
def test_a_bent_job_is_sound_or_its_faults_are_named_long(document):
    check(document, thorough=True)


@given(data=st.data())
@settings(max_examples=IN_SUITE // 4, derandomize=True, **CALM)
def test_a_file_with_spoilt_bytes_is_read_or_refused(data, tmp_path_factory):
    raw = bytearray(json.dumps(sample()).encode())
    for _ in range(data.draw(st.integers(1, 8))):
        start = data.draw(st.integers(0, len(raw)))
        raw[start : start + data.draw(st.integers(0, 12))] = data.draw(st.binary(max_size=6))
    path = tmp_path_factory.getbasetemp() / "spoilt.json"
    path.write_bytes(raw)
    error = refusal(lambda: read_job(path))
    if error is None:
        job = read_job(path)
        assert read_job(write_job(path, job, force=True)) == job
    else:
        assert str(error)


def test_the_fuzz_reaches_both_ends():
    """Guard: bending must leave some jobs sound, or the checks on accepted jobs never run."""
    outcomes: dict[str, int] = {"accepted": 0, "refused": 0}

    @given(bent_jobs())
    @settings(max_examples=150, derandomize=True, database=None, **CALM)
    def count(document: dict) -> None:
        outcomes[check(document, thorough=True)] += 1

    count()
    assert min(outcomes.values()) >= 10, outcomes
