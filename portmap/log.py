"""The bench log of a job: dated notes, the job's state in the porter's own words, who, and pictures.

Notes are only ever added. The state is free text; those that are common are suggested, and those that the job
had before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from portmap.errors import JobError
from portmap.job_faults import document_of
from portmap.job_schema import Job, PictureEntry
from portmap.revisions import now

__all__ = ["USUAL_STATES", "noted", "shown_time", "state_of", "suggested_states", "time_of"]

USUAL_STATES = (
    "to be measured",
    "measured",
    "planned",
    "waiting for parts",
    "waiting for the customer",
    "being ground",
    "ground, to be measured",
    "done",
    "handed over",
)


def time_of(text: str | None) -> str:
    """Return a note's date or time.

    Parameters
    ----------
    text : str or None
        As typed, a date or a date and time (ISO 8601); None for now.

    Returns
    -------
    str

    Raises
    ------
    JobError
        If it is neither.

    Examples
    --------
    >>> time_of("2024-05-01")
    '2024-05-01'
    >>> time_of("1st of May")
    Traceback (most recent call last):
    portmap.errors.JobError: --date: '1st of May' is not a date; write it as 2024-05-01 or 2024-05-01 14:30
    """
    if text is None:
        return now()
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        try:
            return datetime.fromisoformat(text.strip()).isoformat(timespec="seconds")
        except ValueError:
            raise JobError(
                f"{text[:40]!r} is not a date",
                where="--date",
                remedy="write it as 2024-05-01 or 2024-05-01 14:30",
            ) from None


def noted(
    document: Mapping[str, Any],
    text: str,
    *,
    at: str,
    by: str | None = None,
    state: str | None = None,
    pictures: Iterable[PictureEntry] = (),
) -> dict[str, Any]:
    """Return a job's document with one more note in its log.

    Parameters
    ----------
    document : mapping
        It is not changed.
    text : str
    at : str
        As `time_of`.
    by : str or None, optional
        Who.
    state : str or None, optional
        Of the job from then on.
    pictures : iterable of PictureEntry, optional
        Already kept beside the job (`portmap.job_pictures.keep_picture`).

    Returns
    -------
    dict

    Raises
    ------
    JobError
        If the note says nothing at all.

    Examples
    --------
    >>> noted({"name": "saw"}, "gasket ordered", at="2024-05-01", state="waiting for parts")["log"]
    [{'at': '2024-05-01', 'text': 'gasket ordered', 'state': 'waiting for parts'}]
    """
    shown = [document_of(picture) for picture in pictures]
    state = None if state is None else state.strip() or None
    if not text.strip() and not shown and state is None:
        raise JobError("the note is empty", where="log", remedy='say what was done, as in "parts ordered"')
    entry: dict[str, Any] = {"at": at}
    if by is not None:
        entry["by"] = by
    entry["text"] = text.strip()
    if state is not None:
        entry["state"] = state
    if shown:
        entry["pictures"] = shown
    return {**document, "log": [*document.get("log", ()), entry]}


def state_of(job: Job) -> tuple[str, str] | None:
    """Return the state that a job was last said to be in.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of (str, str) or None
        The state and since when; None if nobody said.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = {"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}
    >>> state_of(job_of(noted(job, "", at="2024-05-01", state="waiting for parts")))
    ('waiting for parts', '2024-05-01')
    """
    return next(((note.state, note.at) for note in reversed(job.log) if note.state is not None), None)


def suggested_states(job: Job) -> tuple[str, ...]:
    """Return states to choose from; any other words will do too.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of str
        The job's own first, the newest of them leading.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = {"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}
    >>> suggested_states(job_of(noted(job, "", at="2024-05-01", state="at the plater's")))[:2]
    ("at the plater's", 'to be measured')
    """
    own = (note.state for note in reversed(job.log) if note.state is not None)
    return tuple(dict.fromkeys((*own, *USUAL_STATES)))


def shown_time(at: str) -> str:
    """Return a date or time as a person reads it.

    Parameters
    ----------
    at : str
        As the log holds it.

    Returns
    -------
    str
        To the minute, without its zone.

    Examples
    --------
    >>> shown_time("2024-05-01T14:30:12+02:00"), shown_time("2024-05-01")
    ('2024-05-01 14:30', '2024-05-01')
    """
    day, mark, clock = at.partition("T")
    return f"{day} {clock[:5]}" if mark else at
