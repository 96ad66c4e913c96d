"""The record of a batch: what is done, of which input and with which orders, so that it is not done again.

It is a file of lines in the folder of the results, one for each piece that is done or failed, put on the disk
before the next is taken up; a line that a power cut tore is dropped. When a batch ends it is written anew in
the order of the items, so that the same batch leaves the same bytes however many workers did it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from portmap import __version__
from portmap.batch_work import Orders, Piece
from portmap.errors import OutputError
from portmap.files import write_whole

__all__ = ["STATE_NAME", "Record", "State", "is_kept", "opened_state", "orders_sha256"]

STATE_NAME = "batch-state.jsonl"
_HEAD = {"format": "portmap-batch", "version": 1}


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """What came of one piece.

    Parameters
    ----------
    item, case : str
        As `portmap.batch_work.Piece.key`.
    input_sha256, orders_sha256 : str
        Of the item's content and of all that was asked for.
    outputs : dict of str to str
        SHA-256 of each file by its place within the folder of the results.
    rows : tuple of dict
        Of the summary.
    error : str or None
        One line if it failed.
    """

    item: str
    case: str
    input_sha256: str
    orders_sha256: str
    outputs: dict[str, str]
    rows: tuple[dict[str, Any], ...]
    error: str | None

    @property
    def key(self) -> tuple[str, str]:
        """Return which piece it is of."""
        return self.item, self.case


@dataclass(kw_only=True, slots=True)
class State:
    """The record while a batch is at work; made by `opened_state`.

    Parameters
    ----------
    place : Path
    stream : file
        Open for adding lines.
    known : dict
        Earlier records by key, the last of each.
    """

    place: Path
    stream: IO[bytes]
    known: dict[tuple[str, str], Record]

    def add(self, record: Record) -> None:
        """Put a record on the disk.

        Parameters
        ----------
        record : Record

        Raises
        ------
        OutputError
            If the disk does not take it.
        """
        try:
            self.stream.write(_line(record))
            self.stream.flush()
            os.fsync(self.stream.fileno())
        except OSError as error:
            raise OutputError(
                f"could not be written ({error.strerror or error})",
                where=str(self.place),
                remedy="free some space and run the batch again; what is done stays done",
            ) from error

    def finish(self, records: Iterable[Record]) -> None:
        """Write the record anew, in the order given and without what is no longer asked for.

        Parameters
        ----------
        records : iterable of Record

        Raises
        ------
        OutputError
            If the disk does not take it.
        """
        write_whole(self.place, _head() + b"".join(map(_line, records)), force=True)


@contextmanager
def opened_state(folder: Path) -> Iterator[State]:
    """Hold the record of the batch in a folder, alone.

    Parameters
    ----------
    folder : Path
        Of the results; made if it is missing.

    Returns
    -------
    context manager of State
        The lock is let go when it ends.

    Raises
    ------
    OutputError
        If the folder holds something else, may not be written in, or another batch is at work in it.

    Examples
    --------
    >>> import tempfile
    >>> with opened_state(Path(tempfile.mkdtemp())) as state:
    ...     state.known
    {}
    """
    place = folder / STATE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not place.exists() and any(folder.iterdir()):
            raise OutputError(
                "the folder holds other things", where=str(folder), remedy="name a new or an empty one"
            )
        stream = place.open("a+b")
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"cannot be used ({error.strerror or error})", where=str(place), remedy="name another folder"
        ) from error
    with stream:
        _lock(stream, folder)
        stream.seek(0)
        lines = stream.read().split(b"\n")
        if lines[0] and not _is_head(lines[0]):
            raise OutputError(
                "this is not the record of a batch", where=str(place), remedy="name another folder"
            )
        # what stands after the last line's end was torn
        stream.truncate(sum(len(line) + 1 for line in lines[:-1]))
        if not lines[:-1]:
            stream.write(_head())
        records = [record for record in map(_record, lines[1:-1]) if record is not None]
        yield State(place=place, stream=stream, known={record.key: record for record in records})


def orders_sha256(orders: Orders, piece: Piece) -> str:
    """Return a fingerprint of all that a result depends on besides the item.

    Parameters
    ----------
    orders : Orders
    piece : Piece

    Returns
    -------
    str
        SHA-256 in hexadecimal, of the orders, the case and the version of portmap.

    Examples
    --------
    >>> piece = Piece(item="a.jpg", kind="picture")
    >>> orders_sha256(Orders(expect=5), piece) == orders_sha256(Orders(expect=6), piece)
    False
    """
    case = None if piece.case is None else asdict(piece.case)
    told = {"version": __version__, "kind": piece.kind, "case": case, "orders": asdict(orders)}
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def is_kept(record: Record | None, folder: Path, *, input_sha256: str, orders_sha256: str) -> bool:
    """Return whether a piece was done before, with the same input and orders, and its results still stand.

    Parameters
    ----------
    record : Record or None
    folder : Path
        Of the results.
    input_sha256, orders_sha256 : str

    Returns
    -------
    bool
        False too for one that failed: it is tried again.

    Examples
    --------
    >>> is_kept(None, Path(), input_sha256="", orders_sha256="")
    False
    """
    if record is None or record.error is not None:
        return False
    if (record.input_sha256, record.orders_sha256) != (input_sha256, orders_sha256):
        return False
    return all(_stands(folder / name, sha256) for name, sha256 in record.outputs.items())


def _stands(place: Path, sha256: str) -> bool:
    try:
        with place.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest() == sha256
    except OSError:
        return False


def _lock(stream: IO[bytes], folder: Path) -> None:
    try:
        import fcntl
    except ImportError:  # Windows: nobody is kept out
        return
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise OutputError(
            "another batch is at work in this folder",
            where=str(folder),
            remedy="wait for it, or name another",
        ) from None
    except OSError:  # a network folder that knows no locks
        return


def _head() -> bytes:
    return json.dumps(_HEAD).encode() + b"\n"


def _is_head(line: bytes) -> bool:
    with contextlib.suppress(ValueError):
        return bool(json.loads(line) == _HEAD)
    return False


def _line(record: Record) -> bytes:
    return json.dumps(asdict(record), ensure_ascii=False, allow_nan=False).encode() + b"\n"


def _record(line: bytes) -> Record | None:
    """Return the record in a line; None if the line is damaged, so that the piece is done again."""
    try:
        found = json.loads(line)
        record = Record(**{**found, "rows": tuple(found["rows"])})
    except (ValueError, TypeError, KeyError):
        return None
    sound = (
        all(isinstance(part, str) for part in (record.item, record.case))
        and isinstance(record.outputs, dict)
        and all(isinstance(row, dict) for row in record.rows)
    )
    return record if sound else None
