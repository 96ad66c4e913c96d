"""A job's readings as a list that somebody adds to and takes from.

The command line and the app do the same here: sentences are understood one after the other, so that a port
named first in one sentence may be named in the next.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from portmap.errors import JobError
from portmap.job import Job
from portmap.port import PortEdges
from portmap.reading_table import read_reading_table
from portmap.reading_words import Understood, reading_in_words, words_of_reading
from portmap.readings import entry_of_reading, reading_ports

__all__ = ["MOST_READINGS", "AddedReading", "with_readings"]

MOST_READINGS = 10_000  # that a job takes


@dataclass(frozen=True, kw_only=True, slots=True)
class AddedReading:
    """A reading as it was understood.

    Parameters
    ----------
    number : int
        In the job, from 1.
    typed : str or None
        The sentence; None from a table.
    words : str
        What was understood, in plain words.
    said : tuple of str
        What was taken for granted, in sentences.
    """

    number: int
    typed: str | None
    words: str
    said: tuple[str, ...]


def with_readings(
    job: Job,
    *,
    typed: Iterable[str] = (),
    table: Path | str | None = None,
    removed: Collection[int] = (),
    stage: str | None = None,
    today: str | None = None,
) -> tuple[Job, tuple[AddedReading, ...]]:
    """Return a job with readings taken out and put in, and what was understood.

    Parameters
    ----------
    job : Job
    typed : iterable of str, optional
        Sentences, as in ``exhaust opens 104 deg, gasket 0.5 mm``.
    table : Path or str or None, optional
        A CSV file of readings.
    removed : collection of int, optional
        Numbers of readings to be taken out first, from 1.
    stage : str or None, optional
        The map whose ports they name.
    today : str or None, optional
        Date of a sentence that has none.

    Returns
    -------
    Job
        The same one if nothing changed.
    tuple of AddedReading

    Raises
    ------
    JobError, QuantityError
        If a sentence or a table is not understood, a number is not there, or there are too many.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...     "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}})
    >>> after, added = with_readings(job, typed=["squish 0.55 0.60 0.58 mm solder"])
    >>> len(after.readings), added[0].said
    (1, ('Mean of 3 places.',))
    """
    for number in removed:
        if not 1 <= number <= len(job.readings):
            there = f"the job has readings 1 to {len(job.readings)}" if job.readings else "the job has none"
            raise JobError(f"there is no reading {number}", where="--remove", remedy=there)
    kept = [entry for number, entry in enumerate(job.readings, 1) if number not in removed]
    added: list[AddedReading] = []

    def take(understood: Understood, words: str | None) -> None:
        kept.append(entry_of_reading(understood.reading))
        added.append(
            AddedReading(
                number=len(kept),
                typed=words,
                words=words_of_reading(understood.reading, dated=False),
                said=understood.said,
            )
        )

    def ports_now() -> dict[str, PortEdges]:
        return reading_ports(job.model_copy(update={"readings": tuple(kept)}), stage)

    for text in typed:
        take(reading_in_words(text, ports_now(), new_ports=not job.maps, date=today), text)
    if table is not None:
        for reading in read_reading_table(table, ports_now(), new_ports=not job.maps):
            take(Understood(reading=reading), None)
    if len(kept) > MOST_READINGS:
        raise JobError(
            f"{len(kept):,} readings are more than a job takes, {MOST_READINGS:,}",
            where="readings",
            remedy="keep fewer",
        )
    if kept == list(job.readings):
        return job, ()
    return job.model_copy(update={"readings": tuple(kept)}), tuple(added)
