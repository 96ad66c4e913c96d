"""The workers of a batch: some of Dask's started here, or those of a cluster, and what is done when they die.

A worker here is a process of its own with one piece in hand, so that a death concerns that piece alone. Dask
puts a new process in a dead one's place; if it does not, as on a machine that is too busy for it, a new
worker is asked for here.

Glossary
--------
crew
    The workers that a batch has, and the client that hands them work.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from portmap import __version__
from portmap.batch_work import one_line, version_here
from portmap.errors import PortmapError, QuantityError

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

__all__ = ["Crew", "Workers", "crew_of"]

_LOOK_S, _PATIENCE_S = 2.0, 120.0  # how often workers are looked for, and how long none may be there
_LOST = "30s"  # how long Dask waits for a dead worker's next process before it gives the worker up

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
class Crew:
    """Workers that are there; made by `crew_of`.

    Parameters
    ----------
    client : distributed.Client
    cluster : distributed.LocalCluster or None
        Of workers that were started here.
    count : int
        How many pieces they do at once.
    """

    client: Client
    cluster: LocalCluster | None
    count: int

    @contextmanager
    def watched(self, running: Mapping[str, Any]) -> Iterator[None]:
        """Look after the workers while pieces are out: ask for new ones, or call off what waits for none.

        Parameters
        ----------
        running : mapping
            By key, what is out; it changes meanwhile.
        """
        over = threading.Event()
        watch = threading.Thread(target=self._watch, args=(running, over), daemon=True)
        watch.start()
        try:
            yield
        finally:
            over.set()
            watch.join()  # before the client that it asks is closed

    def _watch(self, running: Mapping[str, Any], over: threading.Event) -> None:
        from distributed import Future

        alone_s = 0.0
        while not over.wait(_LOOK_S):
            try:
                there = len(self.client.nthreads())
            except (OSError, TimeoutError, ValueError):
                return  # the scheduler is gone: what waits for it is told so by Dask
            if self.cluster is not None and there < self.count:
                self.cluster.scale(self.count)  # opens those that Dask gave up, and no others
            alone_s = 0.0 if there else alone_s + _LOOK_S
            if alone_s >= _PATIENCE_S:
                self.client.cancel([Future(key, self.client) for key in list(running)], force=True)
                return


@contextmanager
def crew_of(workers: Workers) -> Iterator[Crew]:
    """Hold workers: those of a cluster, or some started here and ended after.

    Parameters
    ----------
    workers : Workers

    Returns
    -------
    context manager of Crew

    Raises
    ------
    PortmapError
        If the scheduler does not answer, has no workers, or they have no portmap or another one.
    """
    import dask
    from distributed import Client, LocalCluster

    settings = {
        # a photo goes to its worker whole; Dask would warn from 10 MB
        "distributed.admin.large-graph-warning-threshold": "4GiB",
        "distributed.deploy.lost-worker-timeout": _LOST,
    }
    with dask.config.set(settings):
        if workers.scheduler is not None:
            with _reached(workers.scheduler, workers.wait_s) as client:
                yield Crew(client=client, cluster=None, count=max(sum(client.nthreads().values()), 1))
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
                # a piece that kills its worker would kill the next one before that has quite begun
                scheduler_kwargs={"allowed_failures": 0},
                silence_logs=logging.CRITICAL,
            ) as cluster,
            Client(cluster) as client,
        ):
            yield Crew(client=client, cluster=cluster if apart else None, count=workers.count)


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
