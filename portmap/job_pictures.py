"""Pictures that belong to a job: where their bytes stand beside its file, each under its SHA-256.

Beside ``saw.json`` stands the folder ``saw.pictures``, with one file for each picture: its SHA-256 and the
ending that it came with. The job names them in its log and under ``pictures``. A picture is copied there when
it is taken in, so that a phone or a gallery may be tidied afterwards.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from portmap.errors import JobError, OutputError
from portmap.files import write_whole
from portmap.job_schema import Job, PictureEntry

__all__ = [
    "file_sha256",
    "keep_picture",
    "picture_folder",
    "picture_path",
    "pictures_of",
    "stored_name",
    "typed_picture",
]

PICTURE_LIMIT_BYTES = 512 * 1024 * 1024
CHUNK_BYTES = 1024 * 1024


def picture_folder(job_path: Path | str) -> Path:
    """Return where the pictures of a job's file stand.

    Parameters
    ----------
    job_path : Path or str

    Returns
    -------
    Path

    Examples
    --------
    >>> picture_folder("bench/saw.json").as_posix()
    'bench/saw.pictures'
    """
    return Path(job_path).with_suffix(".pictures")


def stored_name(picture: PictureEntry) -> str:
    """Return the name of a picture's file in a folder, a pack or an archive.

    Parameters
    ----------
    picture : PictureEntry

    Returns
    -------
    str
        Its SHA-256 and the ending that it came with.

    Examples
    --------
    >>> stored_name(PictureEntry(name="IMG 1.JPG", sha256="0" * 64, size_bytes=1))[60:]
    '0000.jpg'
    """
    ending = re.fullmatch(r".*\.([A-Za-z0-9]{1,5})", picture.name, re.S)
    return f"{picture.sha256}.{ending[1].lower()}" if ending else picture.sha256


def picture_path(job_path: Path | str, picture: PictureEntry) -> Path:
    """Return where one picture of a job stands, whether it is there or not.

    Parameters
    ----------
    job_path : Path or str
    picture : PictureEntry

    Returns
    -------
    Path

    Examples
    --------
    >>> entry = PictureEntry(name="a.png", sha256="0" * 64, size_bytes=1)
    >>> picture_path("saw.json", entry).parent.name
    'saw.pictures'
    """
    return picture_folder(job_path) / stored_name(picture)


def pictures_of(job: Job) -> tuple[PictureEntry, ...]:
    """Return every picture that a job names.

    Parameters
    ----------
    job : Job

    Returns
    -------
    tuple of PictureEntry
        Each once, in the order in which they come.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> pictures_of(job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...             "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61}}))
    ()
    """
    named: Iterable[PictureEntry] = (
        *job.pictures,
        *(picture for entry in job.log for picture in entry.pictures),
    )
    return tuple({stored_name(picture): picture for picture in named}.values())


def file_sha256(path: Path | str) -> tuple[str, int]:
    """Return the SHA-256 of a file and its size.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    str
        Hexadecimal.
    int
        Size [bytes].

    Raises
    ------
    JobError
        If it cannot be read.

    Examples
    --------
    >>> file_sha256("no-such.jpg")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.jpg: there is no such picture; check the name
    """
    found, size = hashlib.sha256(), 0
    try:
        with Path(path).open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                found.update(chunk)
                size += len(chunk)
    except FileNotFoundError:
        raise JobError("there is no such picture", where=str(path), remedy="check the name") from None
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror or error})", where=str(path), remedy="name a file you may read"
        ) from error
    return found.hexdigest(), size


def typed_picture(path: Path, *, note: str | None = None) -> PictureEntry:
    """Return what a job says of a picture in a file.

    Parameters
    ----------
    path : Path
    note : str or None, optional

    Returns
    -------
    PictureEntry

    Raises
    ------
    JobError
        If it cannot be read, is empty or larger than 512 MiB.

    Examples
    --------
    >>> import tempfile
    >>> place = write_whole(Path(tempfile.mkdtemp()) / "a.png", b"abc")
    >>> typed_picture(place).sha256[:8]  # FIPS 180-2, B.1
    'ba7816bf'
    """
    sha256, size = file_sha256(path)
    if not 0 < size <= PICTURE_LIMIT_BYTES:
        raise JobError(
            "the file is empty" if not size else "the file is larger than 512 MiB",
            where=str(path),
            remedy="name a picture",
        )
    entry = {"name": path.name[-200:], "sha256": sha256, "size_bytes": size}
    return PictureEntry.model_validate(entry if note is None else {**entry, "note": note})


def keep_picture(job_path: Path | str, path: Path, *, note: str | None = None) -> PictureEntry:
    """Copy a picture to the job's own folder and return what the job says of it.

    Parameters
    ----------
    job_path : Path or str
        The job's file.
    path : Path
        The picture.
    note : str or None, optional

    Returns
    -------
    PictureEntry

    Raises
    ------
    JobError
        As `typed_picture`.
    OutputError
        If the disk does not take it.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> entry = keep_picture(folder / "saw.json", write_whole(folder / "a.png", b"abc"))
    >>> picture_path(folder / "saw.json", entry).read_bytes()
    b'abc'
    """
    entry = typed_picture(path, note=note)
    place = picture_path(job_path, entry)
    if place.is_file() and file_sha256(place)[0] == entry.sha256:
        return entry
    try:
        place.parent.mkdir(exist_ok=True)
        content = path.read_bytes()
    except OSError as error:
        raise OutputError(
            f"the folder cannot be made ({error.strerror or error})",
            where=str(place.parent),
            remedy="choose a folder of your own",
        ) from error
    write_whole(place, content, force=True)
    return entry
