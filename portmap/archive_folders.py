"""An archive as plain folders, and back: nothing is lost, and nothing but a file manager is needed to look.

Each job is a folder ``0007 name`` with ``job.json``, its pictures in ``job.pictures`` and ``archive.json``,
which holds what the archive knows beside the job: the entry's uid, and its earlier forms under ``forms``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from portmap.archive import (
    Archive,
    Entry,
    add_job,
    archived_document,
    document_sha256,
    entry_of_row,
    forms_of,
    picture_content,
)
from portmap.archive_tables import jobs, reading
from portmap.errors import JobError, OutputError, PortmapError
from portmap.files import check_free, json_bytes, read_json, write_whole
from portmap.job import job_of
from portmap.job_pictures import picture_path, pictures_of
from portmap.job_schema import PictureEntry

__all__ = ["Imported", "export_archive", "import_folders", "write_entry"]

FORMAT = "portmap-archive-entry"


@dataclass(frozen=True, kw_only=True, slots=True)
class Imported:
    """What became of the folders that were read.

    Parameters
    ----------
    added, known : tuple of int
        Entries that are new here, and those that were there already.
    failed : tuple of (str, str)
        Folders that were not taken, and why.
    """

    added: tuple[int, ...]
    known: tuple[int, ...]
    failed: tuple[tuple[str, str], ...]


def write_entry(
    archive: Archive, number: int, job_path: Path, *, form: int | None = None, force: bool = False
) -> int:
    """Write a job of the archive to a file, and its pictures beside it.

    Parameters
    ----------
    archive : Archive
    number : int
    job_path : Path
        The file to write.
    form : int or None, optional
        The newest unless told.
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    int
        How many pictures were written.

    Raises
    ------
    ArchiveError
        If there is no such entry, or a picture is missing.
    OutputError
        If the file is there, or the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> folder = Path(tempfile.mkdtemp())
    >>> with opened_archive(str(folder / "archive.db")) as archive:
    ...     write_entry(archive, 7, folder / "job.json")
    Traceback (most recent call last):
    portmap.errors.ArchiveError: ID: the archive has no job 7; see portmap archive list
    """
    document = archived_document(archive, number, form=form)
    check_free(job_path, force=force)
    named = pictures_of(job_of(document))
    for picture in named:
        place = picture_path(job_path, picture)
        content = picture_content(archive, picture)
        if place.is_file() and place.read_bytes() == content:
            continue
        place.parent.mkdir(exist_ok=True)
        write_whole(place, content, force=True)
    write_whole(job_path, json_bytes(document), force=force)
    return len(named)


def export_archive(archive: Archive, folder: Path) -> int:
    """Write every job of an archive to a folder of its own.

    Parameters
    ----------
    archive : Archive
    folder : Path
        It must not exist yet, or be empty.

    Returns
    -------
    int
        How many jobs were written.

    Raises
    ------
    ArchiveError
        If a picture is missing or the archive damaged.
    OutputError
        If the folder has something in it, or the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> folder = Path(tempfile.mkdtemp())
    >>> with opened_archive(str(folder / "archive.db")) as archive:
    ...     export_archive(archive, folder / "all")
    0
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError("there is something there already", where=str(folder), remedy="name a new folder")
    with reading(archive.engine) as connection:
        rows = connection.execute(sa.select(jobs).order_by(jobs.c.id)).all()
    entries = [entry_of_row(row) for row in rows]
    folder.mkdir(exist_ok=True)
    for entry in entries:
        home = folder / f"{entry.id:04d} {_plain(entry.name)}".rstrip()
        home.mkdir()
        write_entry(archive, entry.id, home / "job.json", form=entry.form)
        known = _known(archive, entry)
        earlier = [one for one in known["forms"] if one["form"] < entry.form]
        if earlier:
            (home / "forms").mkdir()
        for one in earlier:
            document = archived_document(archive, entry.id, form=one["form"])
            write_whole(home / "forms" / f"{one['form']:04d}.json", json_bytes(document))
            for picture in pictures_of(job_of(document)):
                place = picture_path(home / "job.json", picture)
                if not place.exists():
                    place.parent.mkdir(exist_ok=True)
                    write_whole(place, picture_content(archive, picture))
        write_whole(home / "archive.json", json_bytes(known))
    return len(entries)


def _plain(name: str) -> str:
    """Return a name that any file system takes."""
    return re.sub(r"[^\w \-+]", "", name)[:60].strip()


def _known(archive: Archive, entry: Entry) -> dict[str, Any]:
    forms = [
        {
            "form": one.number,
            "sha256": one.sha256,
            "kept_at": one.kept_at,
            "kept_by": one.kept_by,
            "reason": one.reason,
        }
        for one in forms_of(archive, entry.id)
        if one.number <= entry.form
    ]
    return {"format": FORMAT, "version": 1, "uid": entry.uid, "id": entry.id, "forms": forms}


def import_folders(archive: Archive, folder: Path) -> Imported:
    """Add every job of exported folders to an archive; one that fails does not stop the others.

    Parameters
    ----------
    archive : Archive
    folder : Path
        As `export_archive` writes it; folders of a ``job.json`` alone will do too.

    Returns
    -------
    Imported

    Raises
    ------
    JobError
        If there is no such folder.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> folder = Path(tempfile.mkdtemp())
    >>> with opened_archive(str(folder / "archive.db")) as archive:
    ...     import_folders(archive, folder).added
    ()
    """
    if not folder.is_dir():
        raise JobError("there is no such folder", where=str(folder), remedy="check the name")
    added: list[int] = []
    known: list[int] = []
    failed: list[tuple[str, str]] = []
    for home in sorted(path.parent for path in folder.glob("*/job.json")):
        try:
            number, new = _import_one(archive, home)
        except PortmapError as error:
            failed.append((home.name, str(error).splitlines()[0]))
            continue
        (added if new else known).append(number)
    return Imported(added=tuple(added), known=tuple(known), failed=tuple(failed))


def _import_one(archive: Archive, home: Path) -> tuple[int, bool]:
    forms, uid = _forms(home)
    number = _number_of(archive, uid)
    there = {one.sha256 for one in forms_of(archive, number)} if number is not None else set()
    new = False

    def picture_bytes(picture: PictureEntry) -> bytes:
        place = picture_path(home / "job.json", picture)
        try:
            return place.read_bytes()
        except OSError as error:
            raise JobError(
                f"the picture {picture.name} cannot be read ({error.strerror})", where=str(place)
            ) from error

    for document, about in forms:
        if document_sha256(document) in there:
            continue
        done = add_job(
            archive,
            document,
            picture_bytes,
            onto=number,
            uid=uid,
            by=about.get("kept_by"),
            reason=str(about.get("reason", "imported")),
            kept_at=about.get("kept_at"),
        )
        number, new = done.entry.id, new or done.new
    if number is None:
        raise JobError("there is no form of the job in it", where=str(home))
    return number, new


def _forms(home: Path) -> tuple[list[tuple[dict[str, Any], dict[str, Any]]], str | None]:
    """Return an exported job's forms, the oldest first, each with what the archive knew of it."""
    document = read_json(home / "job.json")
    if not (home / "archive.json").exists():
        return [(document, {})], None
    known = read_json(home / "archive.json")
    if not isinstance(known, dict) or known.get("format") != FORMAT or known.get("version") != 1:
        raise JobError("this is not what an export writes", where=str(home / "archive.json"))
    return list(_told_forms(home, document, known)), str(known["uid"])


def _told_forms(
    home: Path, newest: dict[str, Any], known: dict[str, Any]
) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    for about in known["forms"]:
        last = about is known["forms"][-1]
        document = newest if last else read_json(home / "forms" / f"{about['form']:04d}.json")
        if not last and document_sha256(document) != about["sha256"]:
            raise JobError(f"form {about['form']} was changed since it was exported", where=str(home))
        yield document, about


def _number_of(archive: Archive, uid: str | None) -> int | None:
    if uid is None:
        return None
    with reading(archive.engine) as connection:
        number = connection.execute(sa.select(jobs.c.id).where(jobs.c.uid == uid)).scalar()
    return None if number is None else int(number)
