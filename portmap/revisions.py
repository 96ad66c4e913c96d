"""Earlier forms of a job: each change of it keeps what it was before, within the job's own file.

The history travels with the file, so that a copy of it is a copy of all. A *form* is the job's document
without its log and history, which only grow. The newest earlier form is kept whole, each older one as what
takes the next one back to it; so a file that somebody edited by hand breaks nothing, for no kept form leans
on the job as it stands. Every form carries its SHA-256.

Glossary
--------
back step
    What takes one JSON value to an earlier one: ``{"=": value}`` puts a value, ``{"d": steps, "k": keys}``
    goes into an object (``k``: the earlier keys in their order, where they differ), ``{"l": steps}`` into a
    list, ``{"s": [start, count, items]}`` puts items in place of so many of a list.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import json
import os
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from portmap.errors import JobError
from portmap.files import JSON_LIMIT_BYTES, json_bytes, write_whole
from portmap.job import Job, job_of
from portmap.job_faults import document_of, read_kind

__all__ = [
    "Revision",
    "changed_parts",
    "earlier_document",
    "form_of",
    "form_sha256",
    "now",
    "reason_of",
    "revisions_of",
    "save_job",
    "with_revision",
    "writer",
]

GROWING = ("log", "history")  # what no change takes away, so that it has no earlier forms
Document = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Revision:
    """One change of a job.

    Parameters
    ----------
    back : int
        How many changes ago, from 1.
    at : str
        When.
    by : str or None
        Who.
    reason : str
    sha256 : str
        Of the form before the change.
    """

    back: int
    at: str
    by: str | None
    reason: str
    sha256: str


def now() -> str:
    """Return the time as the log and the history hold it.

    Returns
    -------
    str
        Local time to the second, with its zone.

    Examples
    --------
    >>> now()[4], now()[10]
    ('-', 'T')
    """
    return datetime.now().astimezone().isoformat(timespec="seconds")


def writer(name: str | None = None) -> str | None:
    """Return who changes a job.

    Parameters
    ----------
    name : str or None, optional
        As typed; None takes the environment's ``PORTMAP_BY``.

    Returns
    -------
    str or None
        None if nobody said; the machine's user name is not taken, for a file that is sent away.

    Examples
    --------
    >>> writer("Ann ")
    'Ann'
    """
    told = (os.environ.get("PORTMAP_BY", "") if name is None else name).strip()
    return told or None


def reason_of(what: str, why: str | None) -> str:
    """Return the reason of a change as the history holds it.

    Parameters
    ----------
    what : str
        What was done, such as ``read``.
    why : str or None
        The porter's own words.

    Returns
    -------
    str

    Examples
    --------
    >>> reason_of("3 readings added", "the wheel had slipped")
    'the wheel had slipped (3 readings added)'
    """
    own = (why or "").strip()
    return f"{own} ({what})" if own else what


def form_of(document: Document) -> dict[str, Any]:
    """Return a job's document without its log and history.

    Parameters
    ----------
    document : mapping

    Returns
    -------
    dict

    Examples
    --------
    >>> form_of({"name": "saw", "log": [], "history": []})
    {'name': 'saw'}
    """
    return {key: value for key, value in document.items() if key not in GROWING}


def form_sha256(document: Document) -> str:
    """Return the SHA-256 by which a form of a job is known.

    Parameters
    ----------
    document : mapping
        A job or a form of one.

    Returns
    -------
    str
        Of its JSON without blanks, in the order of its own keys.

    Examples
    --------
    >>> form_sha256({"name": "saw", "log": []}) == form_sha256({"name": "saw"})
    True
    """
    return hashlib.sha256(_text(form_of(document)).encode()).hexdigest()


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def with_revision(
    before: Document, after: Document, *, reason: str, by: str | None = None, at: str | None = None
) -> dict[str, Any]:
    """Return a changed job with what it was before kept in its history.

    Parameters
    ----------
    before, after : mapping
        The job's documents; neither is changed. The history is that of `before`, whatever `after` has.
    reason : str
        Why it was changed.
    by : str or None, optional
        Who.
    at : str or None, optional
        When; now unless told.

    Returns
    -------
    dict
        `after`, its history one longer if its form is another.

    Examples
    --------
    >>> first, second = {"name": "saw"}, {"name": "pump saw"}
    >>> third = with_revision(first, second, reason="what it is for")
    >>> earlier_document(third, 1)["name"]
    'saw'
    """
    new = {key: value for key, value in after.items() if key != "history"}
    entries = [dict(entry) for entry in before.get("history", ())]
    old, sha256 = form_of(before), form_sha256(before)
    if sha256 != form_sha256(after):
        if entries:
            last = _opened(entries[-1])
            if "whole" in last:
                step = _step_back(old, last["whole"]) or {"d": {}}
                entries[-1]["kept"] = _closed({"back": step})
        entry = {"at": at or now(), "reason": reason, "sha256": sha256, "kept": _closed({"whole": old})}
        entries.append(entry if by is None else {"at": entry["at"], "by": by, **entry})
    if entries:
        new["history"] = entries
    return new


def revisions_of(document: Document) -> tuple[Revision, ...]:
    """Return the changes of a job.

    Parameters
    ----------
    document : mapping

    Returns
    -------
    tuple of Revision
        The oldest first.

    Examples
    --------
    >>> changed = with_revision({"name": "saw"}, {"name": "pump"}, reason="it pumps", at="2024-05-01")
    >>> [(one.back, one.at, one.reason) for one in revisions_of(changed)]
    [(1, '2024-05-01', 'it pumps')]
    """
    entries = document.get("history", ())
    return tuple(
        Revision(
            back=len(entries) - number,
            at=entry["at"],
            by=entry.get("by"),
            reason=entry["reason"],
            sha256=entry["sha256"],
        )
        for number, entry in enumerate(entries)
    )


def earlier_document(document: Document, back: int) -> dict[str, Any]:
    """Return what a job was before some of its changes.

    Parameters
    ----------
    document : mapping
        The job as it stands.
    back : int
        How many changes ago; 1 is the form before the last change.

    Returns
    -------
    dict
        A form, without log and history.

    Raises
    ------
    JobError
        If there were not so many changes, or the history was damaged.

    Examples
    --------
    >>> earlier_document({"name": "saw"}, 1)
    Traceback (most recent call last):
    portmap.errors.JobError: history: the job has no earlier form; nothing was changed since it was made
    """
    entries = document.get("history", ())
    if not 1 <= back <= len(entries):
        count = len(entries)
        raise JobError(
            f"the job has {count} earlier form{'' if count == 1 else 's'}, none {back} back"
            if entries
            else "the job has no earlier form",
            where="history",
            remedy="see portmap log JOB --list" if entries else "nothing was changed since it was made",
        )
    first = len(entries) - back
    steps: list[Any] = []
    for entry in entries[first:]:
        opened = _opened(entry)
        if "whole" in opened:
            value: Any = opened["whole"]
            break
        steps.append(opened.get("back"))
    else:
        raise _damaged(first)
    try:
        for step in reversed(steps):
            value = _gone_back(value, step)
    except (KeyError, IndexError, TypeError, ValueError, AttributeError):
        raise _damaged(first) from None
    if not isinstance(value, dict) or form_sha256(value) != entries[first]["sha256"]:
        raise _damaged(first)
    return value


def changed_parts(before: Document, after: Document) -> tuple[str, ...]:
    """Return which parts of a job differ between two of its forms.

    Parameters
    ----------
    before, after : mapping

    Returns
    -------
    tuple of str
        Names of fields at the top of the file, such as ``readings``.

    Examples
    --------
    >>> changed_parts({"name": "a", "readings": []}, {"name": "a", "readings": [], "plan": {}})
    ('plan',)
    """
    first, second = form_of(before), form_of(after)
    names = dict.fromkeys((*first, *second))
    return tuple(
        name
        for name in names
        if (name in first) != (name in second) or _text(first.get(name)) != _text(second.get(name))
    )


def save_job(
    path: Path | str, before: Document | Job, after: Document | Job, *, reason: str, by: str | None = None
) -> Path:
    """Write a changed job over its file, its earlier form kept in it, whole or not at all.

    Parameters
    ----------
    path : Path or str
        The job's file; of a link, what it leads to.
    before : mapping or Job
        As it was read from there.
    after : mapping or Job
        As it is to be, its log included.
    reason : str
        Why it was changed.
    by : str or None, optional
        Who.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    JobError
        If the job would not be sound, or the file is no longer as it was read: somebody else wrote it.
    OutputError
        If the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.files import read_json, write_json
    >>> job = {"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}
    >>> place = write_json(Path(tempfile.mkdtemp()) / "job.json", job)
    >>> read_json(save_job(place, job, {**job, "name": "pump"}, reason="it pumps"))["history"][0]["reason"]
    'it pumps'
    """
    place = Path(path).resolve()
    wanted = document_of(after) if isinstance(after, Job) else after
    with _alone_in(place.parent):
        there = read_kind(place, "job")
        same = job_of(there) == before if isinstance(before, Job) else _text(there) == _text(before)
        new = with_revision(there, wanted, reason=reason, by=by)
        job_of(new)
        if not same:
            raise JobError(
                "the file was changed by somebody else meanwhile, and nothing was written",
                where=str(path),
                remedy="do it again on the job as it now is",
            )
        return write_whole(place, json_bytes(new), force=True)


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Hold a folder's lock, where the system has one that leaves no file behind."""
    try:
        import fcntl
    except ImportError:  # Windows: the comparison with what was read stands alone
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # a network folder that knows no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _damaged(number: int) -> JobError:
    return JobError(
        "this earlier form was damaged and cannot be had back",
        where=f"history[{number}]",
        remedy="take it from another copy of the job",
    )


def _closed(value: object) -> str:
    return base64.b64encode(zlib.compress(_text(value).encode(), 9)).decode("ascii")


def _opened(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a history's entry keeps; empty if it cannot be read."""
    try:
        opener = zlib.decompressobj()
        raw = opener.decompress(base64.b64decode(entry["kept"], validate=True), JSON_LIMIT_BYTES)
        found = json.loads(raw) if opener.eof else {}
    except (binascii.Error, zlib.error, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _step_back(new: Any, old: Any) -> dict[str, Any] | None:
    """Return what takes `new` back to `old`; None if nothing differs."""
    if _text(new) == _text(old):  # of the whole at once: an outline of thousands of points mostly stays
        return None
    if isinstance(new, Mapping) and isinstance(old, Mapping):
        steps = {key: _step_back(new[key], value) for key, value in old.items() if key in new}
        changed = {key: step for key, step in steps.items() if step is not None}
        changed |= {key: {"=": value} for key, value in old.items() if key not in new}
        if list(new) == list(old):
            return {"d": changed}
        return {"d": changed, "k": list(old)}
    if isinstance(new, (list, tuple)) and isinstance(old, (list, tuple)):
        if len(new) == len(old):
            pairs = enumerate(zip(new, old, strict=True))
            steps = {str(place): _step_back(*pair) for place, pair in pairs}
            changed = {place: step for place, step in steps.items() if step is not None}
            if 2 * len(changed) <= len(old):
                return {"l": changed}
        return {"s": _splice(new, old)}
    return {"=": old}


def _splice(new: Sequence[Any], old: Sequence[Any]) -> list[Any]:
    first, second = [_text(item) for item in new], [_text(item) for item in old]
    most = min(len(first), len(second))
    start = next((n for n in range(most) if first[n] != second[n]), most)
    end = next((n for n in range(most - start) if first[-1 - n] != second[-1 - n]), most - start)
    return [start, len(first) - start - end, list(old[start : len(old) - end])]


def _gone_back(new: Any, step: Mapping[str, Any]) -> Any:
    if "=" in step:
        return step["="]
    if "d" in step:
        steps = step["d"]
        found = {**new, **{key: _gone_back(new.get(key), inner) for key, inner in steps.items()}}
        return {key: found[key] for key in step["k"]} if "k" in step else found
    if "l" in step:
        items = list(new)
        for place, inner in step["l"].items():
            items[int(place)] = _gone_back(items[int(place)], inner)
        return items
    start, count, items = step["s"]
    return [*new[:start], *items, *new[start + count :]]
