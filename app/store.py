"""The open job: one job file underneath, what of it is saved, and the way back.

Each browser session has one job open. Every change is written at once, whole or not at all, with the form
before it kept in the file's history, so that the command line and the app can take turns at the same file. If
the file was changed meanwhile, neither version is lost: the one on the screen is put aside beside it and the
user chooses.

Glossary
--------
working folder
    Where jobs are looked for and written; nothing outside it is opened.
revision
    SHA-256 of a job file's bytes.
put aside
    Written beside the job under a name of its own, as in ``pump.mine-1.json``.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import streamlit as st

from portmap.app.texts import say
from portmap.errors import JobError, OutputError, PortmapError
from portmap.files import json_bytes, write_whole
from portmap.job import Job, job_of, read_job
from portmap.job_faults import document_of
from portmap.revisions import with_revision, writer
from portmap.shown import UnitName, UnitSystem, unit_system

__all__ = [
    "OpenJob",
    "begin",
    "close",
    "content_of",
    "file_stem",
    "folder",
    "keep_mine",
    "made_beside",
    "open_at",
    "open_job",
    "open_upload",
    "place_in_folder",
    "recent_jobs",
    "redo",
    "refresh",
    "save",
    "start",
    "system",
    "take_theirs",
    "undo",
    "use_first_job",
    "use_folder",
    "ways_back",
    "ways_forward",
]

OPEN, UNDO, REDO, NOTE = "portmap.open", "portmap.undo", "portmap.redo", "portmap.note"
UNITS, BEGUN = "portmap.units", "portmap.begun"
STEPS = 200  # that can be taken back
MOST_NAMES = 10_000  # tried before a new job is refused
HEAD_BYTES = 4096  # of a file, in which a job says that it is one

_shared: dict[str, Any] = {"folder": None, "job": None}
_locks: dict[Path, threading.Lock] = {}
_locks_guard = threading.Lock()
_names_guard = threading.Lock()  # two sessions that want one name at once get two


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenJob:
    """The job on the screen.

    Parameters
    ----------
    path : Path
        Its file.
    job : Job
        As it is on the screen.
    revision : str
        Of the file as last read or written.
    why : str
        What was done last, in words.
    when : datetime
        When it was read or written last.
    trouble : str
        Why the file does not hold what is on the screen, in a sentence; empty if it does.
    aside : Path or None
        Where the screen's version was put, if the file was changed meanwhile.
    """

    path: Path
    job: Job
    revision: str
    why: str
    when: datetime
    trouble: str = ""
    aside: Path | None = None

    @property
    def saved(self) -> bool:
        """Whether the file holds what is on the screen."""
        return not self.trouble


def use_folder(place: Path) -> None:
    """Take a working folder, for all sessions of this server."""
    _shared["folder"] = place.resolve()


def use_first_job(path: Path | None) -> None:
    """Open this job in every new session of this server."""
    _shared["job"] = None if path is None else path.resolve()


def folder() -> Path:
    """Return the working folder: where the app was started, unless it was told another."""
    place = _shared["folder"]
    return Path.cwd().resolve() if place is None else Path(place)


def place_in_folder(name: str) -> Path:
    """Return where a file of the working folder is.

    Raises
    ------
    JobError
        If the name leads out of the folder.
    """
    place = (folder() / name.strip()).resolve()
    if not name.strip() or place == folder() or not place.is_relative_to(folder()):
        raise JobError(say("job.outside"), where=name.strip(), remedy=say("job.outside.remedy"))
    return place


def system() -> UnitSystem:
    """Return the units that this session reads."""
    return unit_system(_units())


def open_job() -> OpenJob | None:
    """Return the session's open job."""
    found: OpenJob | None = st.session_state.get(OPEN)
    return found


def open_at(path: Path) -> OpenJob:
    """Open a job file.

    Raises
    ------
    JobError
        If it cannot be read or is broken; what was open stays open.
    """
    content = _content(path)
    job = read_job(path)
    opened = OpenJob(
        path=path, job=job, revision=_revision(content), why=say("job.why.opened"), when=datetime.now()
    )
    _forget_steps()
    st.session_state[OPEN] = opened
    return opened


def start(job: Job, stem: str) -> OpenJob:
    """Write a new job into the working folder, under a name that is free, and open it.

    Raises
    ------
    OutputError
        If the folder does not take it.
    """
    content = json_bytes(document_of(job))
    path = _written_beside(folder() / f"{stem}.json", content)
    opened = OpenJob(
        path=path, job=job, revision=_revision(content), why=say("job.why.started"), when=datetime.now()
    )
    _forget_steps()
    st.session_state[OPEN] = opened
    return opened


def begin() -> str:
    """Open what a new or reloaded browser window asks for, and let its address ask for what is open.

    Returns
    -------
    str
        Why the job that was asked for could not be opened; empty if all is well.
    """
    asked = st.query_params
    fault = ""
    if st.session_state.get(UNITS) is None:
        st.session_state[UNITS] = _units()
    if BEGUN not in st.session_state:
        st.session_state[BEGUN] = True
        name = asked.get("job", "")
        try:
            if OPEN not in st.session_state and name:
                open_at(place_in_folder(name))
            elif OPEN not in st.session_state and _shared["job"] is not None:
                open_at(_shared["job"])
        except PortmapError as error:
            fault = str(error)
    opened = open_job()
    wanted = {} if opened is None else {"job": opened.path.relative_to(folder()).as_posix()}
    if st.session_state[UNITS] == "inch":
        wanted["units"] = "inch"
    if asked.to_dict() != wanted:
        asked.from_dict(wanted)
    return fault


def content_of(job: Job) -> bytes:
    """Return a job as its file would hold it."""
    return json_bytes(document_of(job))


def recent_jobs(most: int = 12) -> list[tuple[Path, str, datetime]]:
    """Return the job files of the working folder: file, the job's name, when written; the latest first."""
    found = []
    for place in folder().glob("*.json"):
        try:
            with place.open("rb") as stream:
                head = stream.read(HEAD_BYTES).decode("utf-8", "replace")
            written = place.stat().st_mtime
        except OSError:
            continue  # not ours to read: no job to offer
        if '"portmap-job"' not in head:
            continue
        name = re.search(r'"name":\s*("(?:[^"\\]|\\.)*")', head)
        try:
            words = str(json.loads(name[1])) if name is not None else place.stem
        except ValueError:
            words = place.stem
        found.append((place, words, datetime.fromtimestamp(written)))
    return sorted(found, key=lambda each: each[2], reverse=True)[:most]


def open_upload(name: str, content: bytes) -> OpenJob:
    """Put an uploaded job file into the working folder, under a name that is free, and open it.

    Raises
    ------
    JobError
        If it is no sound job file; then nothing is written.
    OutputError
        If the folder does not take it.
    """
    with tempfile.TemporaryDirectory() as waiting:
        place = Path(waiting) / "job.json"
        place.write_bytes(content)
        try:
            read_job(place)
        except JobError as error:
            if not error.faults:
                raise JobError(error.message, where=Path(name).name, remedy=error.remedy) from None
            raise
    path = _written_beside(folder() / f"{file_stem(Path(name).stem)}.json", content)
    return open_at(path)


def file_stem(name: str) -> str:
    """Return a name with nothing in it that a file's name should not have."""
    plain = re.sub(r"[^\w\-]+", "-", name.strip().lower()).strip("-")[:60]
    return plain or "job"


def made_beside(
    wanted: Path, make: Callable[[Path], object], *, is_free: Callable[[Path], bool] | None = None
) -> Path:
    """Have a file made under the name wanted, or the next one that is free; sessions take their turns.

    Parameters
    ----------
    wanted : Path
    make : callable
        Makes the file at a place.
    is_free : callable or None, optional
        Whether a place may be taken; one where there is nothing, unless told.

    Returns
    -------
    Path
        Of the file.

    Raises
    ------
    OutputError
        If no name is free.
    """
    stem, dash, number = wanted.stem.rpartition("-")
    if not dash or not number.isdigit():
        stem = wanted.stem
    for count in range(1, MOST_NAMES):
        place = wanted if count == 1 else wanted.with_name(f"{stem}-{count}{wanted.suffix}")
        with _names_guard:
            if not place.exists() and (is_free is None or is_free(place)):
                make(place)
                return place
    raise OutputError(say("job.names.full"), where=str(wanted), remedy=say("job.names.full.remedy"))


def close() -> None:
    """Close the job; its file stays as it is."""
    _forget_steps()
    st.session_state.pop(OPEN, None)


def save(job: Job, why: str) -> OpenJob:
    """Put a changed job on the screen and into its file.

    Parameters
    ----------
    job : Job
    why : str
        What was done, in a few words, as the way back will name it.

    Returns
    -------
    OpenJob
        With `trouble` if the file could not take it; then nothing is lost and the page says what to do.
    """
    before = _opened()
    if job == before.job and before.saved:
        return before
    if job != before.job:
        st.session_state.setdefault(UNDO, []).append((before.why, before.job))
        del st.session_state[UNDO][:-STEPS]
        st.session_state[REDO] = []
    return _put(before, job, why)


def undo() -> None:
    """Go one step back."""
    _step(UNDO, REDO)


def redo() -> None:
    """Go one step forward again."""
    _step(REDO, UNDO)


def ways_back() -> int:
    """Return how many steps can be taken back."""
    return len(st.session_state.get(UNDO, []))


def ways_forward() -> int:
    """Return how many steps can be done again."""
    return len(st.session_state.get(REDO, []))


def refresh() -> str:
    """Look whether something else has changed the file, and take that up if nothing here is unsaved.

    Returns
    -------
    str
        A sentence if there is something to say, else empty.
    """
    opened = open_job()
    if opened is None or not opened.saved:
        return ""
    try:
        content = _content(opened.path)
    except JobError:
        st.session_state[OPEN] = replace(opened, trouble=say("job.gone", name=opened.path.name))
        return ""
    if _revision(content) == opened.revision:
        return ""
    try:
        job = read_job(opened.path)
    except JobError as error:
        _put_aside(opened, opened.job, opened.why, say("job.broken", error=error))
        return ""
    st.session_state.setdefault(UNDO, []).append((opened.why, opened.job))
    st.session_state[REDO] = []
    st.session_state[OPEN] = replace(
        opened, job=job, revision=_revision(content), why=say("job.why.outside"), when=datetime.now()
    )
    return say("job.read.anew", name=opened.path.name)


def keep_mine() -> None:
    """Write the screen's version into the file; what the file held is put aside."""
    opened = _opened()
    with _alone(opened.path):
        try:
            if opened.path.exists():
                _written_beside(_sibling(opened.path, "theirs"), _content(opened.path))
            content = content_of(opened.job)
            write_whole(opened.path, content, force=True)
        except PortmapError as error:
            st.session_state[OPEN] = replace(opened, trouble=str(error))
            return
        if opened.aside is not None:
            opened.aside.unlink(missing_ok=True)  # the file itself holds it now
    st.session_state[OPEN] = replace(
        opened, revision=_revision(content), trouble="", aside=None, when=datetime.now()
    )


def take_theirs() -> None:
    """Read the file; the screen's version stays where it was put aside."""
    opened = _opened()
    try:
        content = _content(opened.path)
        job = read_job(opened.path)
    except PortmapError as error:
        st.session_state[OPEN] = replace(opened, trouble=say("job.broken", error=error))
        return
    st.session_state.setdefault(UNDO, []).append((opened.why, opened.job))
    st.session_state[REDO] = []
    st.session_state[OPEN] = OpenJob(
        path=opened.path,
        job=job,
        revision=_revision(content),
        why=say("job.why.outside"),
        when=datetime.now(),
    )


def _units() -> UnitName:
    """Return the units that are chosen; the address's where the switch has no say, as in a run broken off."""
    chosen: UnitName | None = st.session_state.get(UNITS)
    if chosen is not None:
        return chosen
    return "inch" if st.query_params.get("units") == "inch" else "mm"


def _opened() -> OpenJob:
    opened = open_job()
    if opened is None:
        raise JobError(say("job.none"), remedy=say("job.none.remedy"))
    return opened


def _forget_steps() -> None:
    st.session_state[UNDO], st.session_state[REDO] = [], []


def _step(source: str, target: str) -> None:
    opened = open_job()
    steps: list[tuple[str, Job]] = st.session_state.get(source, [])
    if opened is None or not steps:
        return
    why, job = steps.pop()
    st.session_state.setdefault(target, []).append((opened.why, opened.job))
    back = source == UNDO
    reason = say("job.why.back", why=opened.why) if back else say("job.why.forth", why=why)
    _put(opened, job, why, reason=reason)


def _put(before: OpenJob, job: Job, why: str, *, reason: str = "") -> OpenJob:
    """Write a job if the file is still the one that was read, else put it aside."""
    with _alone(before.path):
        try:
            there = _content(before.path) if before.path.exists() else None
            if there is not None and _revision(there) != before.revision:
                return _put_aside(before, job, why, say("job.changed", name=before.path.name))
            old = document_of(before.job) if there is None else json.loads(there)
            job = _with_history(job, old, reason or why)
            content = json_bytes(document_of(job))
            write_whole(before.path, content, force=True)
        except (OutputError, JobError) as error:
            opened = replace(before, job=job, why=why, trouble=str(error))
            st.session_state[OPEN] = opened
            return opened
        if before.aside is not None:
            before.aside.unlink(missing_ok=True)  # the file itself holds it now
    opened = OpenJob(path=before.path, job=job, revision=_revision(content), why=why, when=datetime.now())
    st.session_state[OPEN] = opened
    return opened


def _with_history(job: Job, old: dict[str, Any], reason: str) -> Job:
    """Return a job with the form before it in its history, and with all that was ever noted in its log."""
    new = document_of(job)
    notes = [*new.get("log", ())]
    notes += [note for note in old.get("log", ()) if note not in notes]
    if notes:
        new["log"] = notes
    return job_of(with_revision(old, new, reason=reason, by=writer()))


def _put_aside(before: OpenJob, job: Job, why: str, trouble: str) -> OpenJob:
    content = content_of(job)
    try:
        if before.aside is None:
            aside = _written_beside(_sibling(before.path, "mine"), content)
        else:
            aside = write_whole(before.aside, content, force=True)
    except OutputError as error:
        opened = replace(before, job=job, why=why, trouble=f"{trouble} {error}")
    else:
        opened = replace(before, job=job, why=why, trouble=trouble, aside=aside)
    st.session_state[OPEN] = opened
    return opened


def _sibling(path: Path, whose: str) -> Path:
    return path.with_name(f"{path.stem}.{whose}-1.json")


def _written_beside(wanted: Path, content: bytes) -> Path:
    """Write a file under the name wanted, or the next one that is free."""
    return made_beside(wanted, lambda place: write_whole(place, content))


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise JobError(say("job.nofile"), where=path.name, remedy=say("job.nofile.remedy")) from None
    except OSError as error:
        raise JobError(
            say("job.unreadable", why=error.strerror or error),
            where=path.name,
            remedy=say("job.unreadable.remedy"),
        ) from error


def _revision(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Let no other session of this server look at and write the same file at once."""
    with _locks_guard:
        lock = _locks.setdefault(path, threading.Lock())
    with lock:
        yield
