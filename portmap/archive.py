"""Many jobs in one archive: added, found again, shown and got back, with every form that they ever had.

An entry is one job. Adding a later form of it keeps the earlier ones. Pictures are kept once each, under
their SHA-256, and announced in the database before they are written, so that an addition that was cut off
leaves nothing that nobody knows of. An addition that was acknowledged is on the disk.

Glossary
--------
entry
    A job in the archive, by its number.
uid
    What an entry is known by in every archive that it is carried to.
"""

from __future__ import annotations

import hashlib
import os
import uuid
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from portmap.archive_facts import (
    document_text,
    job_figures,
    job_kinds,
    job_words,
    opened_document,
    shapes_of,
)
from portmap.archive_pictures import PictureStore, picture_store
from portmap.archive_tables import (
    archive_engine,
    archive_url,
    document_forms,
    figures,
    job_pictures,
    jobs,
    pictures,
    reading,
    settings,
    shapes,
    shown_url,
    writing,
)
from portmap.errors import ArchiveError, JobError
from portmap.job import Job, job_of
from portmap.job_pictures import pictures_of, stored_name
from portmap.job_schema import PictureEntry
from portmap.log import state_of

__all__ = [
    "Added",
    "Archive",
    "Entry",
    "Form",
    "add_job",
    "archived_document",
    "document_sha256",
    "entry_of",
    "entry_of_row",
    "forms_of",
    "opened_archive",
    "picture_content",
]

PICTURES_VARIABLE = "PORTMAP_PICTURES"
PICTURES_KEY = "pictures"

PictureBytes = Callable[[PictureEntry], bytes]


@dataclass(frozen=True, kw_only=True, slots=True)
class Archive:
    """An archive that is open.

    Parameters
    ----------
    engine : sqlalchemy.Engine
    store : PictureStore
    where : str
        Its name for messages.
    """

    engine: sa.Engine
    store: PictureStore
    where: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """What the archive says of one job.

    Parameters
    ----------
    id : int
        Its number in this archive.
    uid : str
    name : str
    form : int
        Number of its newest form, from 1.
    sha256 : str
        Of that form.
    day : str
        When the job was begun, or else added.
    added_at, changed_at : str
        When the first and the newest form came [UTC].
    state : str or None
        In the porter's words.
    kinds : tuple of str
        Of its ports.
    bore_mm, stroke_mm : float
        [mm].
    """

    id: int
    uid: str
    name: str
    form: int
    sha256: str
    day: str
    added_at: str
    changed_at: str
    state: str | None
    kinds: tuple[str, ...]
    bore_mm: float
    stroke_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Form:
    """One form of an entry.

    Parameters
    ----------
    number : int
        From 1.
    sha256, kept_at, reason : str
    kept_by : str or None
    """

    number: int
    sha256: str
    kept_at: str
    kept_by: str | None
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Added:
    """What became of a job that was added.

    Parameters
    ----------
    entry : Entry
    new : bool
        Whether anything was written; False if the very same form was there.
    namesakes : tuple of int
        Other entries of the same name.
    """

    entry: Entry
    new: bool
    namesakes: tuple[int, ...] = ()


@contextmanager
def opened_archive(
    db: str | None = None, *, pictures_url: str | None = None, create: bool = True
) -> Iterator[Archive]:
    """Give an archive while it is used.

    Parameters
    ----------
    db : str or None, optional
        As `portmap.archive_tables.archive_url`.
    pictures_url : str or None, optional
        Where its pictures are; None takes the environment's ``PORTMAP_PICTURES``, else what the archive was
        made with, else a folder beside the SQLite file or in the user's data folder.
    create : bool, optional
        Make it if there is none.

    Returns
    -------
    context manager of Archive

    Raises
    ------
    ArchiveError
        If it cannot be reached, or was made by a newer portmap.

    Examples
    --------
    >>> import tempfile
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     archive.store.local
    True
    """
    url = archive_url(db)
    engine = archive_engine(url, create=create)
    try:
        told = pictures_url or os.environ.get(PICTURES_VARIABLE) or None
        yield Archive(engine=engine, store=picture_store(_pictures_url(engine, told)), where=shown_url(url))
    finally:
        engine.dispose()


def _pictures_url(engine: sa.Engine, told: str | None) -> str:
    with reading(engine) as connection:
        chosen = sa.select(settings.c.value).where(settings.c.key == PICTURES_KEY)
        kept = connection.execute(chosen).scalar()
    if told is not None:
        url = told if "://" in told else str(Path(told).absolute())
        if kept is None:
            with writing(engine) as connection:
                connection.execute(_put(engine, settings, {"key": PICTURES_KEY, "value": url}))
        return url
    if kept is not None:
        return str(kept)
    if engine.dialect.name == "sqlite":
        return str(Path(engine.url.database or "archive.db").absolute().with_suffix(".pictures"))
    from platformdirs import user_data_path

    return str(user_data_path("portmap") / "pictures")


def document_sha256(document: Mapping[str, Any]) -> str:
    """Return the SHA-256 by which the archive knows a job's document.

    Parameters
    ----------
    document : mapping

    Returns
    -------
    str

    Examples
    --------
    >>> document_sha256({"name": "saw"}) == document_sha256({"name": "pump"})
    False
    """
    return hashlib.sha256(document_text(document)).hexdigest()


def add_job(
    archive: Archive,
    document: Mapping[str, Any],
    picture_bytes: PictureBytes,
    *,
    onto: int | None = None,
    uid: str | None = None,
    by: str | None = None,
    reason: str = "added",
    kept_at: str | None = None,
) -> Added:
    """Add a job to an archive, or a later form of one that is there.

    Parameters
    ----------
    archive : Archive
    document : mapping
        A sound job.
    picture_bytes : callable
        Gives the bytes of a picture that the job names.
    onto : int or None, optional
        The entry that this is a later form of.
    uid : str or None, optional
        Of a new entry, where it comes from another archive.
    by : str or None, optional
        Who adds it.
    reason : str, optional
    kept_at : str or None, optional
        When; now unless told.

    Returns
    -------
    Added

    Raises
    ------
    ArchiveError
        If there is no such entry, or the archive cannot be written.
    JobError
        If the job is not sound, or a picture is missing.

    Examples
    --------
    >>> import tempfile
    >>> job = {"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...        "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     add_job(archive, job, lambda picture: b"").entry.id
    1
    """
    job = job_of(dict(document))
    text = document_text(document)
    sha256 = hashlib.sha256(text).hexdigest()
    if onto is None:
        there = _same(archive, sha256)
        if there is not None:
            return Added(entry=there, new=False)
    elif entry_of(archive, onto).sha256 == sha256:
        return Added(entry=entry_of(archive, onto), new=False)
    named = pictures_of(job)
    _keep_pictures(archive, named, picture_bytes)
    at = kept_at or datetime.now(UTC).isoformat(timespec="seconds")
    row = {
        "name": job.name,
        "sha256": sha256,
        "day": _day(job, at),
        "changed_at": at,
        "state": None if (state := state_of(job)) is None else state[0],
        "kinds": " ".join(job_kinds(job)),
        "bore_mm": job.engine.bore_mm,
        "stroke_mm": job.engine.stroke_mm,
    }
    facts = job_figures(job), job_words(job), shapes_of(job)
    content = zlib.compress(text, 6)
    with writing(archive.engine) as connection:
        number, form = _entered(connection, row, onto, uid or uuid.uuid4().hex, at)
        connection.execute(
            sa.insert(document_forms).values(
                job_id=number,
                form=form,
                sha256=sha256,
                kept_at=at,
                kept_by=by,
                reason=reason,
                content=content,
            )
        )
        _put_facts(connection, number, *facts)
        for picture in named:
            link = {"job_id": number, "stored_name": stored_name(picture)}
            connection.execute(_put(archive.engine, job_pictures, link))
        namesakes = sa.select(jobs.c.id).where(jobs.c.name == job.name, jobs.c.id != number).limit(10)
        others = tuple(connection.execute(namesakes).scalars())
        entry = entry_of_row(connection.execute(sa.select(jobs).where(jobs.c.id == number)).one())
    return Added(entry=entry, new=True, namesakes=others)


def _day(job: Job, at: str) -> str:
    try:
        return date.fromisoformat((job.created or at)[:10]).isoformat()
    except ValueError:
        return at[:10]


def _same(archive: Archive, sha256: str) -> Entry | None:
    with reading(archive.engine) as connection:
        row = connection.execute(sa.select(jobs).where(jobs.c.sha256 == sha256).limit(1)).first()
    return None if row is None else entry_of_row(row)


def _keep_pictures(archive: Archive, named: tuple[PictureEntry, ...], picture_bytes: PictureBytes) -> None:
    """Announce the pictures, then write them; whoever is cut off between leaves none that nobody knows of."""
    if not named:
        return
    now = datetime.now(UTC).isoformat(timespec="seconds")
    contents = {}
    for picture in named:
        try:
            content = picture_bytes(picture)
        except JobError:
            if archive.store.size_bytes(stored_name(picture)) != picture.size_bytes:
                raise
            continue  # the archive has it already, and beside the job it is missed no more
        if (hashlib.sha256(content).hexdigest(), len(content)) != (picture.sha256, picture.size_bytes):
            raise JobError(
                f"the job's picture {picture.name} is not the one that was taken in", remedy="restore it"
            )
        contents[stored_name(picture)] = content
    with writing(archive.engine) as connection:
        for picture in named:
            row = {
                "stored_name": stored_name(picture),
                "size_bytes": picture.size_bytes,
                "announced_at": now,
            }
            connection.execute(_put(archive.engine, pictures, row))
    for name, content in contents.items():
        archive.store.put(name, content)


def _put(engine: sa.Engine, table: sa.Table, row: Mapping[str, Any]) -> sa.Executable:
    """Return an insertion that leaves a row alone which is there already."""
    insert = sqlite.insert if engine.dialect.name == "sqlite" else postgresql.insert
    return insert(table).values(**row).on_conflict_do_nothing()


def _entered(
    connection: sa.Connection, row: dict[str, Any], onto: int | None, uid: str, at: str
) -> tuple[int, int]:
    """Put or change an entry's row and return its number and the number of the new form."""
    if onto is None:
        made = connection.execute(sa.insert(jobs).values(**row, uid=uid, added_at=at, form=1))
        return int(cast("Any", made.inserted_primary_key)[0]), 1
    chosen = sa.select(jobs.c.form).where(jobs.c.id == onto).with_for_update()
    form = int(connection.execute(chosen).scalar_one()) + 1
    connection.execute(sa.update(jobs).where(jobs.c.id == onto).values(**row, form=form))
    return onto, form


def _put_facts(
    connection: sa.Connection,
    number: int,
    values: Mapping[str, float],
    words: Mapping[str, list[str]],
    cells: Mapping[str, bytes],
) -> None:
    """Put what an entry is found by, in place of what it was found by before."""
    for table in (figures, shapes):
        connection.execute(sa.delete(table).where(table.c.job_id == number))
    connection.execute(
        sa.insert(figures),
        [{"job_id": number, "name": name, "value": value} for name, value in values.items()],
    )
    if cells:
        rows = [{"job_id": number, "stage": stage, "cells": one} for stage, one in cells.items()]
        connection.execute(sa.insert(shapes), rows)
    if connection.dialect.name == "sqlite":
        connection.execute(sa.text("DELETE FROM job_words WHERE rowid = :id"), {"id": number})
        put = "INSERT INTO job_words (rowid, name, notes, kinds) VALUES (:id, :name, :notes, :kinds)"
        joined = {part: " ".join(found) for part, found in words.items()}
        connection.execute(sa.text(put), {"id": number, **joined})
    else:
        put = (
            "INSERT INTO job_words (job_id, words) VALUES (:id, CAST(:words AS tsvector))"
            " ON CONFLICT (job_id) DO UPDATE SET words = EXCLUDED.words"
        )
        connection.execute(sa.text(put), {"id": number, "words": _lexemes(words)})


LEXEME_PLACES = 16_000  # PostgreSQL counts places in a text no further


def _lexemes(words: Mapping[str, list[str]]) -> str:
    """Return words as PostgreSQL's own full-text value, so that no parser of its takes them apart."""
    found: list[str] = []
    for part, weight in (("name", "A"), ("kinds", "B"), ("notes", "D")):
        for word in words[part][: LEXEME_PLACES - len(found)]:
            found.append(f"'{word}':{len(found) + 1}{weight}")
    return " ".join(found)


def entry_of_row(row: sa.Row[Any]) -> Entry:
    """Return an entry as the database has it.

    Parameters
    ----------
    row : sqlalchemy.Row
        Of the table of jobs, whole.

    Returns
    -------
    Entry

    Examples
    --------
    >>> engine = sa.create_engine("sqlite://")
    >>> row = sa.select(*(sa.literal("1").label(column.name) for column in jobs.c))
    >>> entry_of_row(engine.connect().execute(row).one()).kinds
    ('1',)
    """
    return Entry(**{**row._mapping, "kinds": tuple(row.kinds.split())})


def entry_of(archive: Archive, number: int) -> Entry:
    """Return what the archive says of one job.

    Parameters
    ----------
    archive : Archive
    number : int

    Returns
    -------
    Entry

    Raises
    ------
    ArchiveError
        If there is no such entry.

    Examples
    --------
    >>> import tempfile
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     entry_of(archive, 7)
    Traceback (most recent call last):
    portmap.errors.ArchiveError: ID: the archive has no job 7; see portmap archive list
    """
    with reading(archive.engine) as connection:
        row = connection.execute(sa.select(jobs).where(jobs.c.id == number)).first()
    if row is None:
        raise ArchiveError(f"the archive has no job {number}", where="ID", remedy="see portmap archive list")
    return entry_of_row(row)


def forms_of(archive: Archive, number: int) -> tuple[Form, ...]:
    """Return every form of an entry.

    Parameters
    ----------
    archive : Archive
    number : int

    Returns
    -------
    tuple of Form
        The oldest first.

    Raises
    ------
    ArchiveError
        As `entry_of`.

    Examples
    --------
    >>> import tempfile
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     forms_of(archive, 7)
    Traceback (most recent call last):
    portmap.errors.ArchiveError: ID: the archive has no job 7; see portmap archive list
    """
    entry_of(archive, number)
    columns = [column for column in document_forms.c if column.name not in ("content", "job_id")]
    chosen = sa.select(*columns).where(document_forms.c.job_id == number).order_by(document_forms.c.form)
    with reading(archive.engine) as connection:
        rows = connection.execute(chosen).all()
    return tuple(
        Form(number=row.form, sha256=row.sha256, kept_at=row.kept_at, kept_by=row.kept_by, reason=row.reason)
        for row in rows
    )


def archived_document(archive: Archive, number: int, *, form: int | None = None) -> dict[str, Any]:
    """Return a job as it was added.

    Parameters
    ----------
    archive : Archive
    number : int
    form : int or None, optional
        The newest unless told.

    Returns
    -------
    dict

    Raises
    ------
    ArchiveError
        If there is no such entry or form, or it was damaged.

    Examples
    --------
    >>> import tempfile
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     archived_document(archive, 7)
    Traceback (most recent call last):
    portmap.errors.ArchiveError: ID: the archive has no job 7; see portmap archive list
    """
    entry = entry_of(archive, number)
    wanted = entry.form if form is None else form
    chosen = sa.select(document_forms.c.content, document_forms.c.sha256).where(
        document_forms.c.job_id == number, document_forms.c.form == wanted
    )
    with reading(archive.engine) as connection:
        row = connection.execute(chosen).first()
    if row is None:
        raise ArchiveError(
            f"job {number} has no form {wanted}, only 1 to {entry.form}", where="--form", remedy="name one"
        )
    try:
        document = opened_document(bytes(row.content))
    except ValueError as error:
        raise ArchiveError(str(error), where=f"job {number}", remedy="restore a backup") from error
    if document_sha256(document) != row.sha256:
        raise ArchiveError("the kept document was changed", where=f"job {number}", remedy="restore a backup")
    return document


def picture_content(archive: Archive, picture: PictureEntry) -> bytes:
    """Return a picture of an archived job.

    Parameters
    ----------
    archive : Archive
    picture : PictureEntry

    Returns
    -------
    bytes

    Raises
    ------
    ArchiveError
        If it is missing or was changed.

    Examples
    --------
    >>> import tempfile
    >>> picture = PictureEntry(name="a.png", sha256="0" * 64, size_bytes=1)
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     picture_content(archive, picture)
    Traceback (most recent call last):
    portmap.errors.ArchiveError: ...: the archive's picture is missing; ...
    """
    return archive.store.content(stored_name(picture))
