"""Each archive test runs on SQLite and on a real PostgreSQL, started here if its programs are there."""

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import pytest
import sqlalchemy as sa

from portmap.archive import Archive, opened_archive

OTHER_USER = "nobody"  # PostgreSQL refuses to run as root


@dataclass(frozen=True)
class Place:
    """Where a test's archive is."""

    url: str
    folder: Path

    @property
    def pictures(self) -> Path:
        return self.folder / "pictures"

    def open(self, **options) -> contextlib.AbstractContextManager[Archive]:
        return opened_archive(self.url, pictures_url=str(self.pictures), **options)

    def options(self) -> list[str]:
        return ["--db", self.url, "--pictures", str(self.pictures)]


def programs() -> Path | None:
    found = shutil.which("initdb")
    if found is not None and shutil.which("postgres") is not None:
        return Path(found).resolve().parent
    return next((place for place in sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)), None)


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """A server of our own in a temporary folder, and its URL; it ends with the tests."""
    bin_folder = programs()
    if bin_folder is None:
        words = "PostgreSQL is not installed here; apt-get install postgresql brings it"
        if os.environ.get("PORTMAP_NEED_POSTGRESQL"):
            pytest.fail(words)
        pytest.skip(words)
    as_other: dict[str, object] = {}
    home = Path(tempfile.mkdtemp(prefix="portmap-pg-", dir="/tmp"))
    if os.geteuid() == 0:
        other = pwd.getpwnam(OTHER_USER)
        os.chown(home, other.pw_uid, other.pw_gid)
        as_other = {"user": other.pw_uid, "group": other.pw_gid, "extra_groups": []}
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    options = f"-c listen_addresses=127.0.0.1 -c port={port} -c unix_socket_directories={home}"
    # nobody cuts this machine's power during a test: it need not wait for the disk
    options += " -c fsync=off -c synchronous_commit=off -c full_page_writes=off"
    made = [
        bin_folder / "initdb",
        "-D",
        home / "data",
        "-U",
        "bench",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-sync",
    ]
    run = {"check": True, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": home, **as_other}
    control = bin_folder / "pg_ctl"
    try:
        subprocess.run([*made, "--locale=C", "--no-sync"], **run)
        start = [control, "-D", home / "data", "-l", home / "log", "-w", "-o", options, "start"]
        subprocess.run(start, **run)
        yield f"postgresql+psycopg://bench@127.0.0.1:{port}/postgres"
    finally:
        subprocess.run([control, "-D", home / "data", "-m", "immediate", "stop"], **{**run, "check": False})
        shutil.rmtree(home, ignore_errors=True)


@pytest.fixture
def new_schema(request) -> Callable[[], str]:
    """Makes a URL to an empty corner of the PostgreSQL server."""

    def made() -> str:
        url = request.getfixturevalue("postgresql")
        name = f"t{uuid.uuid4().hex[:12]}"
        engine = sa.create_engine(url)
        with engine.begin() as connection:
            connection.execute(sa.text(f"CREATE SCHEMA {name}"))
        engine.dispose()
        return f"{url}?options={quote(f'-csearch_path={name}')}"

    return made


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path, new_schema) -> Place:
    url = str(tmp_path / "archive.db") if request.param == "sqlite" else new_schema()
    return Place(url=url, folder=tmp_path)


@pytest.fixture
def second(request, tmp_path, new_schema) -> Place:
    """Another archive of the same sort as `place`, with pictures of its own."""
    folder = tmp_path / "second"
    folder.mkdir()
    on_file = request.node.callspec.params["place"] == "sqlite"
    return Place(url=str(folder / "archive.db") if on_file else new_schema(), folder=folder)
