"""`portmap app` as a person starts it, for tests of the whole server."""

from __future__ import annotations

import http.client
import os
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from portmap.archive import add_job, opened_archive
from portmap.job import read_job
from portmap.job_faults import document_of
from portmap.pack import job_picture_bytes
from tests.app.browsers import REPO, free_port
from tests.long_job import long_job

START_S = 60
ARCHIVE = Path(".archive") / "archive.db"  # in the served folder: never that of who runs the tests


@dataclass(frozen=True)
class Served:
    """A server that answers."""

    port: int
    folder: Path
    said: Path
    trust: Path | None = None  # certificate of an encrypted server

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(self, path: str, method: str = "GET", body: str | None = None, **headers: str):
        """Status, headers and body of the answer to one request."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        if self.trust is not None:
            known = ssl.create_default_context(cafile=str(self.trust))
            connection = http.client.HTTPSConnection("127.0.0.1", self.port, timeout=20, context=known)
        try:
            connection.request(method, path, body=body, headers=headers)
            answer = connection.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, found, answer.read()
        finally:
            connection.close()


def command(*more: str) -> list[str]:
    return [sys.executable, "-c", "import sys; from portmap.cli import main; sys.exit(main())", "app", *more]


def environment(folder: Path) -> dict[str, str]:
    """What a server sees: this working copy, and an archive of its own."""
    seen = {name: value for name, value in os.environ.items() if not name.startswith("PORTMAP_")}
    return {**seen, "PYTHONPATH": str(REPO), "PORTMAP_DB": str(folder / ARCHIVE)}


def fill_archive(folder: Path) -> None:
    """Put a ground job with photos into the archive of a served app."""
    place = folder / ".good"
    place.mkdir()
    path = long_job(place, readings=1, steps=1, notes=3, photos=2)
    with opened_archive(str(folder / ARCHIVE)) as archive:
        add_job(archive, document_of(read_job(path)), lambda picture: job_picture_bytes(path, picture))


@contextmanager
def app_served(folder: Path, *more: str, trust: Path | None = None) -> Iterator[Served]:
    """The app, served in a folder, until the test is done with it."""
    port = free_port()
    said = folder / ".said"
    with said.open("wb") as log:
        server = subprocess.Popen(
            command("--port", str(port), "--no-browser", *more),
            cwd=folder,
            stdout=log,
            stderr=log,
            env=environment(folder),
        )
    served = Served(port=port, folder=folder, said=said, trust=trust)
    try:
        _wait(server, served)
        yield served
    finally:
        server.terminate()
        server.wait(20)


def _wait(server: subprocess.Popen[bytes], served: Served) -> None:
    for _ in range(START_S * 10):
        if server.poll() is not None:
            pytest.fail(f"the server ended: {served.said.read_text()[-2000:]}")
        try:
            served.ask("/_stcore/health")
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail(f"the server did not answer within {START_S} s")


def run_app(folder: Path, *more: str, check: Sequence[int] = (1, 2)) -> str:
    """What is said when the app cannot be served."""
    run = subprocess.run(
        command("--no-browser", *more),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=START_S,
        env=environment(folder),
    )
    assert run.returncode in check
    return run.stdout + run.stderr
