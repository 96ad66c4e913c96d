"""A job and its pictures in one file, ``NAME.portmap.zip``, to send or to keep; and reading one safely.

In the file stand ``job.json`` and ``pictures/SHA256.ending``. It is written without compression and without
dates, so that the same job gives the same bytes on every machine; pictures are compressed already.

One that comes from outside is looked at before a byte of it is written: names that lead out of the folder,
links, doubled names, too many entries, more bytes than a job can have, entries that swell too much or lie on
one another, and pictures that are not what their name says are all refused.

Glossary
--------
swell
    Unpacked size of an entry over its packed size.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from portmap.errors import JobError, Notice, OutputError
from portmap.files import JSON_LIMIT_BYTES, check_free, json_bytes, json_of, sync_folder, write_whole
from portmap.job import Job, job_of
from portmap.job_faults import checked_kind, document_of, extras_of, kind_fault, read_kind
from portmap.job_pictures import (
    CHUNK_BYTES,
    PICTURE_LIMIT_BYTES,
    picture_folder,
    picture_path,
    pictures_of,
    stored_name,
    typed_picture,
)
from portmap.job_schema import PictureEntry

__all__ = [
    "PackedJob",
    "job_picture_bytes",
    "pack_bytes",
    "pack_job",
    "packed_picture_bytes",
    "read_pack",
    "unpack_job",
]

JOB_NAME = "job.json"
PICTURES = "pictures/"
ENTRY_LIMIT = 5000
TOTAL_LIMIT_BYTES = 2 * 1024**3
SWELL_LIMIT = 200.0  # JSON of one figure over and over comes to 100; a bomb to 1,000
SWELL_FREE_BYTES = 1024 * 1024  # below this nothing can do harm, and a blank picture swells a lot
EPOCH = (1980, 1, 1, 0, 0, 0)  # the first that a zip can hold


@dataclass(frozen=True, kw_only=True, slots=True)
class PackedJob:
    """A packed job that was read and found sound.

    Parameters
    ----------
    document : dict
        The job as its file holds it.
    job : Job
    pictures : tuple of PictureEntry
        Those that the job names and the pack has.
    notices : tuple of Notice
    """

    document: dict[str, Any]
    job: Job
    pictures: tuple[PictureEntry, ...]
    notices: tuple[Notice, ...] = ()


def pack_bytes(document: dict[str, Any], pictures: Iterable[tuple[PictureEntry, bytes]]) -> bytes:
    """Return a packed job.

    Parameters
    ----------
    document : dict
        A sound job.
    pictures : iterable of (PictureEntry, bytes)

    Returns
    -------
    bytes
        The same for the same job and pictures, in whatever order these come.

    Examples
    --------
    >>> pack_bytes({"name": "saw"}, []) == pack_bytes({"name": "saw"}, [])
    True
    """
    page = io.BytesIO()
    contents = {PICTURES + stored_name(entry): content for entry, content in pictures}
    with zipfile.ZipFile(page, "w", zipfile.ZIP_STORED) as pack:
        _put(pack, JOB_NAME, json_bytes(document))
        for name in sorted(contents):
            _put(pack, name, contents[name])
    return page.getvalue()


def _put(pack: zipfile.ZipFile, name: str, content: bytes) -> None:
    entry = zipfile.ZipInfo(name, EPOCH)
    entry.create_system = 3
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    pack.writestr(entry, content)


def pack_job(
    job_path: Path | str, out: Path | str, *, extra: Sequence[Path] = (), force: bool = False
) -> PackedJob:
    """Write a job and its pictures to one file.

    Parameters
    ----------
    job_path : Path or str
        The job's file; its pictures stand beside it (`portmap.job_pictures`).
    out : Path or str
        The pack to write.
    extra : sequence of Path, optional
        Pictures to add; one that the job names already but that is missing beside it is filled in.
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    PackedJob
        As it was written.

    Raises
    ------
    JobError
        If the job is not sound, or a picture that it names is missing or was changed.
    OutputError
        If the file exists or the disk does not take it.

    Examples
    --------
    >>> pack_job("no-such-job.json", "a.portmap.zip")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-job.json: there is no such file; check the name
    """
    check_free(out, force=force)
    document = read_kind(job_path, "job")
    job = job_of(document)
    given = {entry.sha256: (entry, path) for path in extra for entry in (typed_picture(path),)}
    named = pictures_of(job)
    new = [entry for sha256, (entry, _) in given.items() if sha256 not in {one.sha256 for one in named}]
    if new:
        document = {**document, "pictures": [document_of(one) for one in (*job.pictures, *new)]}
        job = job_of(document)
    contents = []
    for entry in pictures_of(job):
        place = given[entry.sha256][1] if entry.sha256 in given else picture_path(job_path, entry)
        contents.append((entry, _picture_bytes(place, entry)))
    write_whole(out, pack_bytes(document, contents), force=force)
    return PackedJob(document=document, job=job, pictures=pictures_of(job))


def job_picture_bytes(job_path: Path | str, entry: PictureEntry) -> bytes:
    """Return a picture that stands beside a job's file.

    Parameters
    ----------
    job_path : Path or str
    entry : PictureEntry

    Returns
    -------
    bytes

    Raises
    ------
    JobError
        If it is missing or was changed.

    Examples
    --------
    >>> job_picture_bytes("no-such.json", PictureEntry(name="a.png", sha256="0" * 64, size_bytes=1))
    Traceback (most recent call last):
    portmap.errors.JobError: ...: the job's picture a.png is not there; ...
    """
    return _picture_bytes(picture_path(job_path, entry), entry)


def packed_picture_bytes(path: Path | str, entry: PictureEntry) -> bytes:
    """Return a picture of a packed job.

    Parameters
    ----------
    path : Path or str
        A pack that `read_pack` found sound.
    entry : PictureEntry

    Returns
    -------
    bytes

    Raises
    ------
    JobError
        If it is not in the pack, or is not the one that the job names.

    Examples
    --------
    >>> packed_picture_bytes("no-such.zip", PictureEntry(name="a.png", sha256="0" * 64, size_bytes=1))
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.zip: there is no such file; check the name
    """
    name = PICTURES + stored_name(entry)
    with _opened(path) as pack:
        if name not in pack.namelist():
            raise JobError(f"the pack lacks the job's picture {entry.name}", where=str(path))
        content = b"".join(_read(pack, name, str(path)))
    if hashlib.sha256(content).hexdigest() != entry.sha256:
        raise JobError(f"the picture {entry.name} is not the one that the job names", where=str(path))
    return content


def _picture_bytes(place: Path, entry: PictureEntry) -> bytes:
    try:
        content = place.read_bytes()
    except FileNotFoundError:
        raise JobError(
            f"the job's picture {entry.name} is not there",
            where=str(place),
            remedy="put it back, or give its file to portmap pack with --picture",
        ) from None
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror or error})", where=str(place), remedy="mend its rights"
        ) from error
    if hashlib.sha256(content).hexdigest() != entry.sha256:
        raise JobError(
            f"the job's picture {entry.name} was changed since it was taken in",
            where=str(place),
            remedy="name the right file with --picture",
        )
    return content


def read_pack(path: Path | str) -> PackedJob:
    """Return what a packed job holds, after every check.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    PackedJob
        A picture that the job names and the pack lacks is told in `notices`; so is what a newer minor
        version put there that this one does not know.

    Raises
    ------
    JobError
        If the file is no packed job, a hostile one, or the job in it is not sound.

    Examples
    --------
    >>> read_pack("no-such.portmap.zip")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.portmap.zip: there is no such file; check the name
    """
    with _opened(path) as pack:
        return _checked(pack, str(path))


def unpack_job(path: Path | str, folder: Path | str) -> tuple[PackedJob, Path]:
    """Write a packed job to a new folder: ``job.json`` and ``job.pictures``, all or nothing.

    Parameters
    ----------
    path : Path or str
        The pack.
    folder : Path or str
        It must not exist yet, or be empty.

    Returns
    -------
    PackedJob
    Path
        The job's file.

    Raises
    ------
    JobError
        As `read_pack`.
    OutputError
        If the folder has something in it, or the disk does not take it.

    Examples
    --------
    >>> unpack_job("no-such.portmap.zip", "new-folder")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.portmap.zip: there is no such file; check the name
    """
    place = Path(folder)
    with _opened(path) as pack:
        found = _checked(pack, str(path))
        _check_empty(place)
        check_free(place.parent / ".portmap", force=True)
        waiting = Path(tempfile.mkdtemp(prefix=f".{place.name[:40]}.", suffix=".part", dir=place.parent))
        try:
            _unpack_to(pack, found, waiting)
            waiting.chmod(0o777 & ~_mask(waiting))
            os.replace(waiting, place)  # an empty folder is replaced, one with something in it is not
            sync_folder(place.parent)
        except (OSError, zipfile.BadZipFile) as error:
            shutil.rmtree(waiting, ignore_errors=True)
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise OutputError(
                f"could not be written ({reason})",
                where=str(place),
                remedy="free some space or choose another folder",
            ) from error
        except BaseException:
            shutil.rmtree(waiting, ignore_errors=True)
            raise
    return found, place / JOB_NAME


def _mask(folder: Path) -> int:
    """Return the process's file mode mask, as a file made in a folder shows it."""
    probe = folder / ".mask"
    handle = os.open(probe, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o777)
    mode = os.fstat(handle).st_mode
    os.close(handle)
    probe.unlink()
    return 0o777 & ~mode


def _check_empty(place: Path) -> None:
    if place.is_symlink() or (place.exists() and (not place.is_dir() or any(place.iterdir()))):
        raise OutputError(
            "there is something there already", where=str(place), remedy="name a new folder with --out"
        )


def _unpack_to(pack: zipfile.ZipFile, found: PackedJob, folder: Path) -> None:
    write_whole(folder / JOB_NAME, json_bytes(found.document))
    if found.pictures:
        picture_folder(folder / JOB_NAME).mkdir()
    for entry in found.pictures:
        with pack.open(PICTURES + stored_name(entry)) as source:
            content = source.read(PICTURE_LIMIT_BYTES + 1)
        write_whole(picture_path(folder / JOB_NAME, entry), content)


def _opened(path: Path | str) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except FileNotFoundError:
        raise JobError("there is no such file", where=str(path), remedy="check the name") from None
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror or error})", where=str(path), remedy="name a file you may read"
        ) from error
    except (zipfile.BadZipFile, ValueError, NotImplementedError, UnicodeError, IndexError, OverflowError):
        raise JobError(
            "this is not a packed job, or not whole", where=str(path), remedy="ask for it again"
        ) from None


def _checked(pack: zipfile.ZipFile, where: str) -> PackedJob:
    entries = pack.infolist()
    fault = next(_faults(entries, _size_of(pack)), None)
    if fault is not None:
        raise JobError(fault, where=where, remedy="do not trust it; ask for it again")
    document = checked_kind(*_job_document(pack, where))
    newer = extras_of(document) == "allow"
    job = job_of(document)
    there = {entry.filename for entry in entries if not entry.is_dir()} - {JOB_NAME}
    named = {PICTURES + stored_name(entry): entry for entry in pictures_of(job)}
    strange = sorted(there - named.keys())
    if strange and not newer:
        raise JobError(
            f"the job says nothing of {_shown(strange[0])}",
            where=where,
            remedy="do not trust it; ask for it again",
        )
    for name, entry in named.items():
        if name in there:
            _check_picture(pack, name, entry, where)
    notices = [
        Notice(code="missing-picture", message=f"The pack lacks the job's picture {entry.name}.")
        for name, entry in named.items()
        if name not in there
    ]
    if strange:
        message = (
            f"Left out {len(strange)} files that only a newer portmap knows, {_shown(strange[0])} first."
        )
        notices.append(Notice(code="newer-parts", message=message))
    return PackedJob(
        document=document,
        job=job,
        pictures=tuple(entry for name, entry in named.items() if name in there),
        notices=tuple(notices),
    )


def _size_of(pack: zipfile.ZipFile) -> int:
    stream = pack.fp
    if stream is None:
        return 0
    stream.seek(0, os.SEEK_END)
    return stream.tell()


def _faults(entries: Sequence[zipfile.ZipInfo], size_bytes: int) -> Iterator[str]:
    """Yield what makes a pack hostile or none at all, before anything of it is unpacked."""
    if len(entries) > ENTRY_LIMIT:
        yield f"it has {len(entries)} entries, and no job has more than {ENTRY_LIMIT}"
        return
    seen: set[str] = set()
    for entry in entries:
        yield from _name_faults(entry)
        folded = entry.filename.casefold()
        if folded in seen:
            yield f"the name {_shown(entry.filename)} stands in it twice"
        seen.add(folded)
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFDIR if entry.is_dir() else stat.S_IFREG):
            word = "a link" if kind == stat.S_IFLNK else "no plain file"
            yield f"{_shown(entry.filename)} is {word}"
        if entry.flag_bits & 0x1:
            yield f"{_shown(entry.filename)} is locked with a password"
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            yield f"{_shown(entry.filename)} is compressed in a way that no packed job is"
        limit = JSON_LIMIT_BYTES if entry.filename == JOB_NAME else PICTURE_LIMIT_BYTES
        if entry.file_size > limit:
            yield f"{_shown(entry.filename)} would unpack to more than {limit // 1024**2} MiB"
        swell = entry.file_size / max(entry.compress_size, 1)
        if entry.file_size > SWELL_FREE_BYTES and swell > SWELL_LIMIT:
            yield f"{_shown(entry.filename)} would swell {swell:.0f} times"
    if sum(entry.file_size for entry in entries) > TOTAL_LIMIT_BYTES:
        yield "it would unpack to more than 2 GiB"
    if sum(entry.compress_size for entry in entries) > size_bytes:
        yield "its entries lie on one another"
    if JOB_NAME not in {entry.filename for entry in entries}:
        yield "there is no job.json in it"


def _name_faults(entry: zipfile.ZipInfo) -> Iterator[str]:
    name = entry.orig_filename  # as it stands in the file; zipfile cuts some short
    parts = re.split(r"[/\\]", name)
    if name != entry.filename or not name or not all(letter.isprintable() for letter in name):
        yield f"the name {_shown(name)} is not a plain one"
    elif name.startswith(("/", "\\")) or re.match(r"[A-Za-z]:", name):
        yield f"the name {_shown(name)} is an absolute path"
    elif ".." in parts or "\\" in name or "." in parts or "" in parts[:-1]:
        yield f"the name {_shown(name)} leads out of the folder"


def _shown(name: str) -> str:
    text = ascii(name)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _read(pack: zipfile.ZipFile, name: str, where: str) -> Iterator[bytes]:
    """Yield an entry's bytes, no more of them than it says that it has."""
    try:
        with pack.open(name) as source:
            while chunk := source.read(CHUNK_BYTES):
                yield chunk
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, ValueError, RuntimeError):
        raise JobError(f"{_shown(name)} in it is damaged", where=where, remedy="ask for it again") from None


def _job_document(pack: zipfile.ZipFile, where: str) -> tuple[object, str]:
    document = json_of(b"".join(_read(pack, JOB_NAME, where)), where=f"{where}: {JOB_NAME}")
    fault = kind_fault(document, "job")
    if fault is not None:
        raise JobError(fault.message, where=f"{where}: {JOB_NAME}", remedy=fault.remedy)
    return document, "job"


def _check_picture(pack: zipfile.ZipFile, name: str, entry: PictureEntry, where: str) -> None:
    found, size = hashlib.sha256(), 0
    for chunk in _read(pack, name, where):
        found.update(chunk)
        size += len(chunk)
    if (found.hexdigest(), size) != (entry.sha256, entry.size_bytes):
        raise JobError(
            f"the picture {_shown(entry.name)} is not the one that the job names",
            where=where,
            remedy="do not trust it; ask for it again",
        )
