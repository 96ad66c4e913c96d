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
import logging
import os
import stat
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from portmap import __version__
from portmap.batch_family import Case
from portmap.batch_state import Record, State, is_kept, opened_state, orders_sha256
from portmap.batch_summary import AREA_COLUMNS, PLAN_COLUMNS, summary_csv, summary_parquet
from portmap.batch_work import Orders, Piece, Result, failed, one_line, result_of, version_here
from portmap.errors import JobError, Notice, OutputError, PictureError, PortmapError, QuantityError
from portmap.files import read_json, write_together, write_whole
from portmap.job_pictures import picture_folder
from portmap.picture.sidecar import SIDECAR_FORMAT, sidecar_of

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["Batch", "Workers", "batch", "pieces_in"]

_LOOK_S, _PATIENCE_S = 2.0, 60.0  # how often workers are looked for, and how long none may be there

PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".avif", ".heic", ".heif"}
FILE_LIMIT_BYTES = 256 * 1024 * 1024  # as for a photo by itself
GREETING_LIMIT_BYTES = 1024 * 1024


@dataclass(frozen=True, kw_only=True, slots=True)
class Workers:
    """Who does the work.

    Parameters
    ----------
    count : int
        How many, of those started here.
    how : {'processes', 'threads'}
        A worker each in its own process, so that one that dies takes nothing with it; or all in this one.
    scheduler : str or None
        Address of a cluster's scheduler, as ``tcp://bench:8786``; then nothing is started here.
    wait_s : float
        How long a scheduler may take to answer [s].
    """

    count: int = 1
    how: Literal["processes", "threads"] = "processes"
    scheduler: str | None = None
    wait_s: float = 10.0


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
            with _client(workers or Workers()) as client:
                for piece, record in _worked(client, folder, out, waiting, orders):
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
    client: Client, folder: Path, out: Path, pieces: Sequence[Piece], orders: Orders
) -> Iterator[tuple[Piece, Record]]:
    """Yield the pieces as they are done, with their results written."""
    from distributed import as_completed

    waiting = iter(pieces)
    running: dict[Any, tuple[Piece, str]] = {}
    finished: list[tuple[Piece, Record]] = []
    # one for each worker: one that waited behind a piece that kills its worker would be suspected with it
    room = max(sum(client.nthreads().values()), 1)

    def next_one() -> Any:
        for piece in waiting:
            try:
                contents = _contents(folder, piece, orders)
            except PortmapError as error:
                finished.append((piece, _record(out, piece, orders, "", failed(piece, one_line(error)))))
                continue
            future = client.submit(result_of, piece, orders, contents, pure=False)
            running[future.key] = piece, _sha256(contents)
            return future
        return None

    futures = as_completed(loop=client.loop)
    for _ in range(room):
        future = next_one()
        if future is None:
            break
        futures.add(future)
    yield from finished
    finished.clear()
    over = threading.Event()
    watch = threading.Thread(target=_given_up, args=(client, running, over), daemon=True)
    watch.start()
    try:
        for future in futures:
            piece, sha256 = running.pop(future.key)
            result = _result(piece, future)
            future.release()
            following = next_one()
            if following is not None:
                futures.add(following)  # its worker is at it while this one is written
            yield piece, _record(out, piece, orders, sha256, result)
            yield from finished
            finished.clear()
    finally:
        over.set()
        watch.join()  # before the client that it asks is closed


def _given_up(client: Client, running: Mapping[str, Any], over: threading.Event) -> None:
    """Call off what waits for a worker, if there has been none for a while, so that nobody waits for ever."""
    from distributed import Future

    alone_s = 0.0
    while not over.wait(_LOOK_S):
        try:
            alone_s = 0.0 if client.nthreads() else alone_s + _LOOK_S
        except (OSError, TimeoutError, ValueError):
            return  # the scheduler is gone: what waits for it is told so by Dask
        if alone_s >= _PATIENCE_S:
            client.cancel([Future(key, client) for key in list(running)], force=True)
            return


def _result(piece: Piece, future: Any) -> Result:
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
        return failed(
            piece, f"{piece.item}: each worker that took it up died; look at its size and the memory"
        )
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


@contextmanager
def _client(workers: Workers) -> Iterator[Client]:
    """Hold workers: those of a cluster, or some started here and ended after."""
    import dask
    from distributed import Client, LocalCluster

    # a photo goes to its worker whole; Dask would warn from 10 MB
    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "4GiB"}):
        if workers.scheduler is not None:
            with _reached(workers.scheduler, workers.wait_s) as client:
                yield client
            return
        apart = workers.how == "processes"
        with (
            LocalCluster(
                n_workers=workers.count if apart else 1,
                threads_per_worker=1 if apart else workers.count,
                processes=apart,
                # a free port; without it, the one that every cluster takes
                dashboard_address="127.0.0.1:0",
                worker_dashboard_address="127.0.0.1:0",
                # a limit by the number of workers would let an item fail on eight that is done on two
                memory_limit=0,
                silence_logs=logging.CRITICAL,
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client


@contextmanager
def _reached(address: str, wait_s: float) -> Iterator[Client]:
    """Hold a cluster that answers, has workers, and has this portmap on them."""
    from distributed import Client
    from distributed.comm.addressing import get_address_host_port

    remedy = "give it as tcp://HOST:PORT, as the scheduler says it when it starts"
    try:
        host, port = get_address_host_port(address, strict=True)
        _check_speaks(host, port, wait_s, first=not address.startswith("tls"))
        client = Client(address, timeout=wait_s, set_as_default=False)
    except (ValueError, KeyError, TypeError) as error:
        raise QuantityError(
            f"{address[:80]!r} is no address ({one_line(error)})", where="--scheduler", remedy=remedy
        ) from None
    except OSError as error:
        raise PortmapError(
            f"no scheduler answers at {address[:80]} ({error.strerror or one_line(error)})",
            where="--scheduler",
            remedy="start it, or leave the option away to work here",
        ) from None
    with client:
        _check_same(client, address, wait_s)
        yield client


def _check_speaks(host: str, port: int, wait_s: float, *, first: bool) -> None:
    """Raise OSError unless somebody listens and, if `first`, speaks as a scheduler does.

    Asked by hand, as a client waits without end for a listener that says nothing, and one that found nobody
    complains again when it is thrown away.
    """
    import socket

    with socket.create_connection((host, port), timeout=wait_s) as connection:
        if first:
            # a scheduler speaks first: eight bytes with the length of its greeting, the lowest first
            length = int.from_bytes(connection.recv(8, socket.MSG_WAITALL), "little")
            if not 0 < length < GREETING_LIMIT_BYTES:
                raise OSError("what listens there is something else")


def _check_same(client: Client, address: str, wait_s: float) -> None:
    try:
        client.wait_for_workers(1, timeout=wait_s)
    except TimeoutError:
        raise PortmapError(
            f"the scheduler at {address} has no workers", where="--scheduler", remedy="start some, or wait"
        ) from None
    try:
        versions = set(client.run(version_here).values())
    except Exception as error:
        # whatever the other side raises, such as a missing module, comes through as it is
        raise PortmapError(
            f"its workers cannot run portmap ({type(error).__name__}: {one_line(error)})",
            where="--scheduler",
            remedy=f"install portmap {__version__} where they run",
        ) from None
    if versions != {__version__}:
        raise PortmapError(
            f"its workers have portmap {', '.join(sorted(versions))}, here it is {__version__}",
            where="--scheduler",
            remedy="install the same version on both sides",
        )
