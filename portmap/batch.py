"""Many photos or jobs at once, on several workers, here or on a cluster.

The items are found in a folder, those done before are passed over, and each of the others goes to a worker of
Dask as bytes; what comes back is written here, by one hand, each result whole before the record says that it
is done. A stopped batch goes on where it was. The results are the same for any number of workers: a worker
sees one item alone (`portmap.batch_work`), and the summary stands in the order of the items.

Glossary
--------
folder of the results
    ``items/`` with a folder for each item, ``summary.csv``, ``summary.parquet``, and the record
    (`portmap.batch_state`).
scheduler
    Dask's own word: the program that hands work to the workers. One is started here unless an address is
    given. Whoever can reach a scheduler can run programs on its workers; here it hears this machine alone.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from portmap.batch_family import Case
from portmap.batch_state import Record, State, is_kept, opened_state, orders_sha256
from portmap.batch_summary import AREA_COLUMNS, PLAN_COLUMNS, summary_csv, summary_parquet
from portmap.batch_work import Orders, Piece, Result, failed, one_line, result_of
from portmap.batch_workers import Crew, Workers, crew_of
from portmap.errors import JobError, Notice, OutputError, PictureError, PortmapError, QuantityError
from portmap.files import read_json, write_together, write_whole
from portmap.job_pictures import picture_folder
from portmap.picture.sidecar import SIDECAR_FORMAT, sidecar_of

__all__ = ["Batch", "batch", "pieces_in"]

PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".avif", ".heic", ".heif"}
FILE_LIMIT_BYTES = 256 * 1024 * 1024  # as for a photo by itself


@dataclass(frozen=True, kw_only=True, slots=True)
class Batch:
    """What came of a batch.

    Parameters
    ----------
    records : tuple of Record
        In the order of the items.
    kept : int
        How many of them were done before and not again.
    left_out : int
        Files in the folder that the steps are not for.
    summary : Path
        The CSV.
    parquet : Path or None
    notices : tuple of Notice
    """

    records: tuple[Record, ...]
    kept: int
    left_out: int
    summary: Path
    parquet: Path | None
    notices: tuple[Notice, ...]


def pieces_in(
    folder: Path, orders: Orders, cases: Sequence[Case] = (), *, out: Path | None = None
) -> tuple[tuple[Piece, ...], int]:
    """Return what there is to do in a folder and the folders in it.

    Parameters
    ----------
    folder : Path
    orders : Orders
        Photos are for ``flatten`` and ``trace``, jobs for ``areas`` and for cases.
    cases : sequence of Case, optional
        Of a study of plans.
    out : Path or None, optional
        Folder of the results, not looked into.

    Returns
    -------
    tuple of Piece
        By name. Hidden files, pictures that belong to a job and sidecars are no items.
    int
        How many other files there are.

    Raises
    ------
    PortmapError
        If the folder is none, or there is nothing to do in it.

    Examples
    --------
    >>> pieces_in(Path("no-such-folder"), Orders(steps=("areas",)))
    Traceback (most recent call last):
    portmap.errors.OutputError: no-such-folder: there is no such folder; check the name
    """
    if not folder.is_dir():
        raise OutputError("there is no such folder", where=str(folder), remedy="check the name")
    pictures, jobs = bool({"flatten", "trace"} & set(orders.steps)), bool(cases) or "areas" in orders.steps
    found: list[Piece] = []
    left_out = 0
    for path in _files(folder, None if out is None else out.resolve()):
        item = os.fsencode(path.relative_to(folder).as_posix()).decode("utf-8", "backslashreplace")
        suffix = path.suffix.lower()
        if suffix in PICTURES and pictures:
            found.append(Piece(item=item, kind="picture"))
        elif suffix == ".json" and jobs and not _is_sidecar(path):
            found += [Piece(item=item, kind="job", case=case) for case in cases or (None,)]
        else:
            left_out += 1
    if not found:
        what = "photo or job" if pictures and jobs else "photo" if pictures else "job"
        raise OutputError(
            f"there is no {what} in it that this could be done to",
            where=str(folder),
            remedy="name the folder that holds them",
        )
    return tuple(found), left_out


def batch(
    folder: Path,
    out: Path,
    orders: Orders,
    *,
    cases: Sequence[Case] = (),
    workers: Workers | None = None,
    tell: Callable[[int, int, str], None] = lambda done, total, item: None,
) -> Batch:
    """Do all that is asked for to all items in a folder.

    Parameters
    ----------
    folder : Path
        Of the items.
    out : Path
        Of the results; a new or an empty one, or that of an earlier batch, which is then gone on with.
    orders : Orders
    cases : sequence of Case, optional
        A study of plans in place of steps.
    workers : Workers or None, optional
        One process unless told.
    tell : callable, optional
        Is told how many pieces are done, of how many, and which one was the last.

    Returns
    -------
    Batch
        An item that failed has its error in its record and in the summary, and stopped nothing.

    Raises
    ------
    PortmapError
        If there is nothing to do, the results cannot be written, or the scheduler does not answer.
    """
    if bool(cases) == bool(orders.steps):
        raise QuantityError("either steps or cases are done", where="orders", remedy="give one of them")
    pieces, left_out = pieces_in(folder, orders, cases, out=out)
    with opened_state(out) as state:
        for half in out.rglob(".*.part"):  # what a killed batch was writing
            half.unlink(missing_ok=True)
        records, waiting = _sorted_out(folder, out, pieces, orders, state)
        kept = len(records)
        tell(kept, len(pieces), "")
        if waiting:
            with crew_of(workers or Workers()) as crew:
                for piece, record in _worked(crew, folder, out, waiting, orders):
                    state.add(record)
                    records[piece.key] = record
                    tell(len(records), len(pieces), piece.item)
        ordered = tuple(records[piece.key] for piece in pieces)
        summary, parquet, notices = _summary(out, ordered, study=bool(cases))
        state.finish(ordered)
    return Batch(
        records=ordered, kept=kept, left_out=left_out, summary=summary, parquet=parquet, notices=notices
    )


def _files(folder: Path, out: Path | None) -> Iterator[Path]:
    """Yield every file that is not hidden, by name, following no links to folders."""
    for home, folders, names in os.walk(folder):
        at = Path(home)
        beside = {picture_folder(at / name).name for name in names if name.lower().endswith(".json")}
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and name not in beside and (at / name).resolve() != out
        )
        yield from (at / name for name in sorted(names) if not name.startswith("."))


def _is_sidecar(path: Path) -> bool:
    if not any(path.with_suffix(suffix).exists() for suffix in (".png", ".PNG")):
        return False
    try:
        document = read_json(path)
    except JobError:
        return False
    return isinstance(document, dict) and document.get("format") == SIDECAR_FORMAT


def _sorted_out(
    folder: Path, out: Path, pieces: Sequence[Piece], orders: Orders, state: State
) -> tuple[dict[tuple[str, str], Record], list[Piece]]:
    """Return the records of the pieces that need not be done again, and the other pieces."""
    kept: dict[tuple[str, str], Record] = {}
    waiting = []
    hashes: dict[str, str] = {}  # the cases of a study share their job
    for piece in pieces:
        known = state.known.get(piece.key)
        if known is not None and piece.item not in hashes:
            try:
                hashes[piece.item] = _sha256(_contents(folder, piece, orders))
            except PortmapError:
                hashes[piece.item] = ""  # what is wrong with it is said when its turn comes
        if is_kept(
            known,
            out,
            input_sha256=hashes.get(piece.item, ""),
            orders_sha256=orders_sha256(orders, piece),
        ):
            kept[piece.key] = state.known[piece.key]
        else:
            waiting.append(piece)
    return kept, waiting


def _contents(folder: Path, piece: Piece, orders: Orders) -> dict[str, bytes]:
    place = folder / piece.item  # of a name that is no text there is no such file, which is then said
    found = {place.name: _content(place, piece.item)}
    if piece.kind == "picture" and "flatten" not in orders.steps:
        sidecar = sidecar_of(place)
        if sidecar.exists():
            found[sidecar.name] = _content(sidecar, piece.item)
    return found


def _content(place: Path, item: str) -> bytes:
    """Return the content of a plain file, as far as anybody would read it."""
    try:
        if not stat.S_ISREG(place.stat().st_mode):  # a pipe would be waited for without end
            raise PictureError("this is no plain file", where=item, remedy="take it out of the folder")
        with place.open("rb") as stream:
            return stream.read(FILE_LIMIT_BYTES + 1)
    except OSError as error:
        if isinstance(error, PortmapError):
            raise
        raise PictureError(
            f"cannot be read ({error.strerror or error})", where=item, remedy="name a file that you may read"
        ) from None


def _sha256(contents: dict[str, bytes]) -> str:
    found = hashlib.sha256()
    for content in contents.values():
        found.update(hashlib.sha256(content).digest())
    return found.hexdigest()


def _worked(
    crew: Crew, folder: Path, out: Path, pieces: Sequence[Piece], orders: Orders
) -> Iterator[tuple[Piece, Record]]:
    """Yield the pieces as they are done, with their results written.

    A piece whose worker died is tried once more when the others are done, with nothing beside it: what died
    for want of memory may live then, and what kills its worker takes nothing with it.
    """
    suspects: list[Piece] = []
    for piece, sha256, result in _done(crew, folder, pieces, orders, room=crew.count):
        if result is None:
            suspects.append(piece)
        else:
            yield piece, _record(out, piece, orders, sha256, result)
    for suspect in suspects:
        for piece, sha256, result in _done(crew, folder, [suspect], orders, room=1):
            words = f"{piece.item}: each worker that took it up died; look at its size and the memory"
            yield piece, _record(out, piece, orders, sha256, result or failed(piece, words))


def _done(
    crew: Crew, folder: Path, pieces: Sequence[Piece], orders: Orders, *, room: int
) -> Iterator[tuple[Piece, str, Result | None]]:
    """Yield pieces as they are done, with the SHA-256 of what they were done from; None if a worker died."""
    from distributed import as_completed

    waiting = iter(pieces)
    running: dict[Any, tuple[Piece, str]] = {}
    unread: list[tuple[Piece, str, Result | None]] = []

    def next_one() -> Any:
        for piece in waiting:
            try:
                contents = _contents(folder, piece, orders)
            except PortmapError as error:
                unread.append((piece, "", failed(piece, one_line(error))))
                continue
            future = crew.client.submit(result_of, piece, orders, contents, pure=False)
            running[future.key] = piece, _sha256(contents)
            return future
        return None

    futures = as_completed(loop=crew.client.loop)
    # one for each worker: one that waited behind a piece that kills its worker would be suspected with it
    for _ in range(room):
        future = next_one()
        if future is None:
            break
        futures.add(future)
    yield from unread
    unread.clear()
    with crew.watched(running):
        for future in futures:
            piece, sha256 = running.pop(future.key)
            result = _result(piece, future)
            future.release()
            following = next_one()
            if following is not None:
                futures.add(following)  # its worker is at it while this one is written
            yield piece, sha256, result
            yield from unread
            unread.clear()


def _result(piece: Piece, future: Any) -> Result | None:
    """Return what came of a piece; None if its worker died."""
    from distributed import KilledWorker

    if future.status == "finished":
        result: Result = future.result()
        return result
    error = future.exception() if future.status == "error" else None
    if error is None:
        raise PortmapError(
            "the workers or their scheduler went away",
            where="--scheduler",
            remedy="run the same batch again; what is done stays done",
        )
    if isinstance(error, KilledWorker):
        return None
    return failed(piece, f"{piece.item}: could not be done there ({type(error).__name__}: {one_line(error)})")


def _record(out: Path, piece: Piece, orders: Orders, sha256: str, result: Result) -> Record:
    home = out / "items" / Path(*piece.item.split("/"))
    error, rows = result.error, result.rows
    if result.outputs:
        try:
            home.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise OutputError(
                f"the folder cannot be made ({fault.strerror or fault})",
                where=str(home),
                remedy="free some space and run the batch again; what is done stays done",
            ) from fault
        write_together({home / name: content for name, content in result.outputs.items()}, force=True)
    return Record(
        item=piece.item,
        case=piece.key[1],
        input_sha256=sha256,
        orders_sha256=orders_sha256(orders, piece),
        outputs={
            (home / name).relative_to(out).as_posix(): hashlib.sha256(content).hexdigest()
            for name, content in result.outputs.items()
        },
        rows=rows,
        error=error,
    )


def _summary(
    out: Path, records: Sequence[Record], *, study: bool
) -> tuple[Path, Path | None, tuple[Notice, ...]]:
    rows = [row for record in records for row in record.rows]
    columns = PLAN_COLUMNS if study else AREA_COLUMNS
    place = write_whole(out / "summary.csv", summary_csv(rows, columns), force=True)
    packed, notices = summary_parquet(rows, columns)
    parquet = out / "summary.parquet"
    if packed is None:
        parquet.unlink(missing_ok=True)  # one of an earlier batch would say something else
        return place, None, notices
    return place, write_whole(parquet, packed, force=True), notices
