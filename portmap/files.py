"""Files written whole or not at all, and read within a stated size.

A result is first written beside its place under a temporary name, flushed to the disk, then moved
over in one step. Whoever reads the place sees the old file or the new one, never a half.
"""

from __future__ import annotations

import errno
import json
import os
import tempfile
from pathlib import Path
from typing import Any

from portmap.errors import JobError, OutputError

__all__ = [
    "check_free",
    "json_bytes",
    "json_of",
    "read_json",
    "sync_folder",
    "write_json",
    "write_together",
    "write_whole",
]

JSON_LIMIT_BYTES = 64 * 1024 * 1024


def check_free(path: Path | str, *, force: bool = False) -> Path:
    """Return `path` if a result may be written there; call it before the work, not after.

    Parameters
    ----------
    path : Path or str
        Where the result is to go.
    force : bool, optional
        Allow an existing file to be replaced.

    Returns
    -------
    Path
        The same place.

    Raises
    ------
    OutputError
        If the file exists and `force` is not set, the folder is missing or may not be written in.

    Examples
    --------
    >>> check_free("no-such-folder/plan.json")
    Traceback (most recent call last):
    portmap.errors.OutputError: no-such-folder/plan.json: the folder does not exist; make it first
    """
    place = Path(path)
    folder = place.parent
    if not folder.is_dir():
        raise OutputError("the folder does not exist", where=str(place), remedy="make it first")
    if place.is_dir():
        raise OutputError("this is a folder", where=str(place), remedy="name a file in it")
    if place.exists() and not force:
        raise OutputError(
            "the file exists", where=str(place), remedy="choose another name, or add --force to replace it"
        )
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(
            "the folder may not be written in", where=str(place), remedy="choose a folder of your own"
        )
    return place


def write_whole(path: Path | str, content: bytes, *, force: bool = False) -> Path:
    """Write `content` to `path` whole or not at all.

    Parameters
    ----------
    path : Path or str
        Where the file is to stand.
    content : bytes
        All of it.
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        As `check_free`, or if the disk is full or fails; then nothing is left behind.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_whole(folder / "note.txt", b"exhaust 38.2 mm").read_bytes()
    b'exhaust 38.2 mm'
    """
    return write_together({Path(path): content}, force=force)[0]


def write_together(contents: dict[Path, bytes], *, force: bool = False) -> list[Path]:
    """Write several files that belong together: none is put in place before all are on the disk.

    Parameters
    ----------
    contents : dict of Path to bytes
        What goes where; the last one is the one that makes the others count.
    force : bool, optional
        Replace existing files.

    Returns
    -------
    list of Path
        The files, in the order given.

    Raises
    ------
    OutputError
        As `check_free`, or if the disk is full or fails; then nothing is left behind.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> [p.name for p in write_together({folder / "a.png": b"1", folder / "a.json": b"{}"})]
    ['a.png', 'a.json']
    """
    for place in contents:
        check_free(place, force=force)
    waiting: list[tuple[str, Path]] = []
    try:
        for place, content in contents.items():
            handle, name = tempfile.mkstemp(prefix=f".{place.name[:40]}.", suffix=".part", dir=place.parent)
            waiting.append((name, place))
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(name, 0o666 & ~_umask())
        while waiting:
            name, place = waiting[0]
            if force:
                os.replace(name, place)
            else:
                os.link(name, place)  # unlike a replace, fails if another program was faster
                os.unlink(name)
            waiting.pop(0)
        for folder in dict.fromkeys(place.parent for place in contents):
            sync_folder(folder)
    except FileExistsError as error:
        raise OutputError(
            "the file exists",
            where=str(place),
            remedy="choose another name, or add --force to replace it",
        ) from error
    except OSError as error:
        raise OutputError(
            f"could not be written ({error.strerror or error})",
            where=str(place),
            remedy="free some space or choose another folder",
        ) from error
    finally:
        for name, _ in waiting:
            Path(name).unlink(missing_ok=True)
    return list(contents)


def sync_folder(folder: Path) -> None:
    """Have a folder's names on the disk, so that a file moved into place is there after a power cut too.

    Parameters
    ----------
    folder : Path

    Examples
    --------
    >>> sync_folder(Path(tempfile.mkdtemp()))
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders, and needs none of this
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a file system that syncs no folders
            raise
    finally:
        os.close(handle)


def _umask() -> int:
    """Return the process's file mode mask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_json(path: Path | str, value: Any, *, force: bool = False) -> Path:
    """Write `value` as readable JSON, whole or not at all.

    Parameters
    ----------
    path : Path or str
        Where the file is to stand.
    value : JSON value
        NaN and infinity are refused: a figure that is unknown is ``null``.
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        As `write_whole`.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> read_json(write_json(folder / "a.json", {"bore_mm": 46.0}))
    {'bore_mm': 46.0}
    """
    return write_whole(path, json_bytes(value), force=force)


def json_bytes(value: Any) -> bytes:
    """Return `value` as the content of a readable JSON file.

    Parameters
    ----------
    value : JSON value
        NaN and infinity are refused.

    Returns
    -------
    bytes
        UTF-8, with a line break at the end.

    Examples
    --------
    >>> json_bytes({"bore_mm": 46.0}).split()
    [b'{', b'"bore_mm":', b'46.0', b'}']
    """
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def read_json(path: Path | str) -> Any:
    """Return the JSON value in a file, refusing what is not plain JSON.

    Parameters
    ----------
    path : Path or str
        The file; at most 64 MiB.

    Returns
    -------
    JSON value
        As Python's json module gives it. NaN, Infinity and doubled keys are refused.

    Raises
    ------
    JobError
        If the file is missing, too large, not text or not JSON; with the line and column.

    Examples
    --------
    >>> read_json("no-such.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.json: there is no such file; check the name
    """
    place = Path(path)
    try:
        with place.open("rb") as stream:
            raw = stream.read(JSON_LIMIT_BYTES + 1)
    except FileNotFoundError:
        raise JobError("there is no such file", where=str(place), remedy="check the name") from None
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror or error})", where=str(place), remedy="name a file you may read"
        ) from error
    return json_of(raw, where=str(place))


def json_of(raw: bytes, *, where: str) -> Any:
    """Return the JSON value that bytes hold, refusing what is not plain JSON.

    Parameters
    ----------
    raw : bytes
        At most 64 MiB.
    where : str
        What they are, for messages.

    Returns
    -------
    JSON value
        As `read_json`.

    Raises
    ------
    JobError
        As `read_json`.

    Examples
    --------
    >>> json_of(b'{"bore_mm": 46.0}', where="a.json")
    {'bore_mm': 46.0}
    """
    if len(raw) > JSON_LIMIT_BYTES:
        raise JobError("the file is larger than 64 MiB", where=where, remedy="this is not a file of ours")
    try:
        return json.loads(
            raw.decode("utf-8-sig"), parse_constant=_refuse_constant, object_pairs_hook=_refuse_doubled
        )
    except json.JSONDecodeError as error:
        raise JobError(
            f"not valid JSON at line {error.lineno}, column {error.colno} ({error.msg.lower()})",
            where=where,
            remedy="mend that place or restore an earlier copy",
        ) from None
    except UnicodeDecodeError:
        raise JobError("not a text file", where=where, remedy="name a JSON file") from None
    except RecursionError:
        raise JobError("nested too deeply", where=where, remedy="this is not a file of ours") from None
    except ValueError as error:
        raise JobError(str(error), where=where, remedy="mend the file") from None


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a figure; write null where a value is unknown")


def _refuse_doubled(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"the key {key[:60]!r} stands twice in one object")
        found[key] = value
    return found
