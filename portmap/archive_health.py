"""Whether an archive holds all that it says: every picture, every document, every word; and its backup.

Glossary
--------
orphan
    A picture in the store that the archive never announced.
loose
    A picture that was announced and that no job has: an addition was cut off. It does no harm.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from portmap.archive import Archive, document_sha256
from portmap.archive_facts import opened_document
from portmap.archive_pictures import PART
from portmap.archive_tables import document_forms, job_pictures, jobs, pictures, reading, shown_url
from portmap.errors import ArchiveError, OutputError
from portmap.files import write_whole

__all__ = ["Health", "Problem", "archive_backup", "archive_health"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """Something that is wrong with an archive.

    Parameters
    ----------
    code : str
        ``missing-picture``, ``changed-picture``, ``orphan-picture``, ``damaged-document``,
        ``words-missing`` or ``damaged-database``.
    what : str
        The picture or job.
    message : str
        A sentence.
    """

    code: str
    what: str
    message: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Health:
    """What was looked at in an archive, and what is wrong.

    Parameters
    ----------
    jobs, forms, pictures : int
        How many there are.
    loose : tuple of str
        Stored names.
    problems : tuple of Problem
    """

    jobs: int
    forms: int
    pictures: int
    loose: tuple[str, ...]
    problems: tuple[Problem, ...]


def archive_health(archive: Archive, *, quick: bool = False) -> Health:
    """Return whether an archive holds all that it says.

    Parameters
    ----------
    archive : Archive
        It may be in use.
    quick : bool, optional
        Compare the pictures' sizes alone, and do not read them.

    Returns
    -------
    Health

    Raises
    ------
    ArchiveError
        If it cannot be read at all.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     archive_health(archive).problems
    ()
    """
    # the store is listed first: whatever is in it was announced before, and the database knows it by now
    there = archive.store.sizes_bytes()
    problems: list[Problem] = []
    with reading(archive.engine) as connection:
        problems += _database_problems(connection)
        announced = {row.stored_name: row.size_bytes for row in connection.execute(sa.select(pictures))}
        used = {
            row.stored_name: row.job_id
            for row in connection.execute(sa.select(job_pictures).order_by(job_pictures.c.job_id.desc()))
        }
        entries = connection.execute(sa.select(jobs.c.id, jobs.c.name, jobs.c.form, jobs.c.sha256)).all()
        problems += _word_problems(connection, {row.id for row in entries})
        forms = 0
        newest: dict[int, tuple[int, str]] = {}
        chosen = sa.select(document_forms).order_by(document_forms.c.job_id, document_forms.c.form)
        for row in connection.execute(chosen.execution_options(yield_per=200)):
            forms += 1
            newest[row.job_id] = (row.form, row.sha256)
            problems += _document_problems(row)
    for row in entries:
        if newest.get(row.id) != (row.form, row.sha256):
            message = f"Job {row.id} ({row.name}) says it has form {row.form}, and it is not there."
            problems.append(Problem(code="damaged-document", what=str(row.id), message=message))
    for name, number in sorted(used.items()):
        problems += _picture_problems(archive, name, number, announced.get(name), quick=quick)
    for name in sorted(there.keys() - announced.keys()):
        if not name.endswith(PART):
            message = f"The picture {name} is in the store, and the archive does not know it."
            problems.append(Problem(code="orphan-picture", what=name, message=message))
    loose = [name for name in there if name.endswith(PART) or (name in announced and name not in used)]
    return Health(
        jobs=len(entries),
        forms=forms,
        pictures=len(used),
        loose=tuple(sorted(loose)),
        problems=tuple(problems),
    )


def _database_problems(connection: sa.Connection) -> Iterator[Problem]:
    if connection.dialect.name != "sqlite":
        return
    for line in connection.execute(sa.text("PRAGMA quick_check(5)")).scalars():
        if line != "ok":
            yield Problem(
                code="damaged-database", what=connection.engine.url.database or "", message=f"{line}."
            )


def _word_problems(connection: sa.Connection, numbers: set[int]) -> Iterator[Problem]:
    column = "rowid" if connection.dialect.name == "sqlite" else "job_id"
    known = set(connection.execute(sa.text(f"SELECT {column} FROM job_words")).scalars())  # noqa: S608 - ours
    for number in sorted(numbers - known):
        message = f"Job {number} is not found by its words."
        yield Problem(code="words-missing", what=str(number), message=message)


def _document_problems(row: sa.Row[Any]) -> Iterator[Problem]:
    try:
        sound = document_sha256(opened_document(bytes(row.content))) == row.sha256
    except ValueError:
        sound = False
    if not sound:
        message = f"Form {row.form} of job {row.job_id} was changed or damaged."
        yield Problem(code="damaged-document", what=str(row.job_id), message=message)


def _picture_problems(
    archive: Archive, name: str, number: int, size_bytes: int | None, *, quick: bool
) -> Iterator[Problem]:
    found = archive.store.size_bytes(name)
    if found is None:
        message = f"The picture {name} of job {number} is missing."
        yield Problem(code="missing-picture", what=name, message=message)
        return
    sound = found == size_bytes
    if sound and not quick:
        try:
            archive.store.content(name)
        except ArchiveError:
            sound = False
    if not sound:
        message = f"The picture {name} of job {number} was changed."
        yield Problem(code="changed-picture", what=name, message=message)


def archive_backup(archive: Archive, folder: Path) -> int:
    """Copy an archive that may be in use to a folder: its database at one moment, and all its pictures.

    Parameters
    ----------
    archive : Archive
        In SQLite.
    folder : Path
        It must not exist yet, or be empty. ``archive.db`` in it is an archive to open with ``--db``.

    Returns
    -------
    int
        How many pictures were copied.

    Raises
    ------
    ArchiveError
        If the archive is in PostgreSQL, or a picture is missing.
    OutputError
        If the folder has something in it, or the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> folder = Path(tempfile.mkdtemp())
    >>> with opened_archive(str(folder / "archive.db")) as archive:
    ...     archive_backup(archive, folder / "backup")
    0
    """
    from portmap.archive_pictures import picture_store

    if archive.engine.dialect.name != "sqlite":
        raise ArchiveError(
            "only an SQLite archive is copied as a whole",
            where=shown_url(str(archive.engine.url)),
            remedy="use portmap archive export, or the server's pg_dump and a copy of the pictures",
        )
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError("there is something there already", where=str(folder), remedy="name a new folder")
    try:
        folder.mkdir(exist_ok=True)
        _copy_database(archive, folder / "archive.db")
    except (OSError, sqlite3.Error) as error:
        raise OutputError(
            f"could not be written ({error})", where=str(folder), remedy="free some space or choose another"
        ) from error
    copies = picture_store(str((folder / "archive.pictures").absolute()))
    engine = sa.create_engine(f"sqlite:///{folder / 'archive.db'}")
    try:
        with reading(engine) as connection:
            names = list(connection.execute(sa.select(job_pictures.c.stored_name).distinct()).scalars())
    finally:
        engine.dispose()
    for name in names:
        copies.put(name, archive.store.content(name))
    write_whole(folder / "README.txt", BACKUP_TEXT.encode())
    return len(names)


BACKUP_TEXT = (
    "A copy of a portmap archive, whole. Use it where it is with portmap archive list --db archive.db\n"
    "--pictures archive.pictures, or put both in the place of the archive that was lost.\n"
)


def _copy_database(archive: Archive, place: Path) -> None:
    with archive.engine.connect() as connection:
        source: Any = connection.connection.driver_connection
        target = sqlite3.connect(place)
        try:
            source.backup(target, pages=2000)
            # a copy with no log beside it; and it looks for its pictures beside itself
            target.execute("PRAGMA journal_mode = DELETE")
            target.execute("DELETE FROM settings WHERE key = 'pictures'")
            target.commit()
        finally:
            target.close()
