"""A real browser and a served script, for tests of what only a browser can show."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Response

ARGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
REPO = Path(__file__).parents[2]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def chromium() -> Iterator[Browser]:
    """Chromium, or a skip that says why there is none; required where PORTMAP_NEED_BROWSER is set."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        if os.environ.get("PORTMAP_NEED_BROWSER"):
            pytest.fail("PORTMAP_NEED_BROWSER is set, but there is no Chromium on the PATH")
        pytest.skip("no Chromium on the PATH")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(ARGS))
        try:
            yield browser
        finally:
            browser.close()


def started(script: Path, port: int, folder: Path) -> subprocess.Popen[bytes]:
    """Streamlit serving a script, once it answers."""
    command = [sys.executable, "-m", "streamlit", "run", str(script), "--server.port", str(port)]
    command += ["--server.address", "127.0.0.1", "--server.headless", "true"]
    command += ["--browser.gatherUsageStats", "false", "--server.fileWatcherType", "none"]
    return answering(command, port, folder)


def started_app(port: int, folder: Path) -> subprocess.Popen[bytes]:
    """The whole app, with this working folder, once it answers."""
    verb = "from portmap.cli import main; main()"
    return answering([sys.executable, "-c", verb, "app", "--port", str(port), "--no-browser"], port, folder)


def answering(command: list[str], port: int, folder: Path) -> subprocess.Popen[bytes]:
    """A server, once it answers."""
    place = folder.parent / f"served-{port}.log"
    with place.open("ab") as log:
        server = subprocess.Popen(
            command, cwd=folder, stdout=log, stderr=log, env={**os.environ, "PYTHONPATH": str(REPO)}
        )
    for _ in range(600):
        if server.poll() is not None:
            pytest.fail(f"the server ended: {place.read_text()[-2000:]}")
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1):
                return server
        except OSError:
            time.sleep(0.1)
    server.kill()
    pytest.fail("the server did not answer within 60 s")


def refused(page: Page, faults: list[str]) -> None:
    """Note each answer of the server that refuses what a page asked for.

    Streamlit's page asks for a download's file by itself, to see that it is there, as soon as the button is
    drawn; if the page is turned before that question arrives, the file is gone, and nobody has lost anything.
    """

    def note(answer: Response) -> None:
        looked_ahead = answer.request.resource_type == "fetch" and "/media/" in answer.url
        if answer.status >= 400 and not (looked_ahead and answer.status == 404):
            faults.append(f"{answer.status} {answer.url}")

    page.on("response", note)


@contextmanager
def served(script: Path | None, folder: Path) -> Iterator[str]:
    """The address of a served script, or of the whole app."""
    port = free_port()
    server = started_app(port, folder) if script is None else started(script, port, folder)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(10)
