"""One browser, one served editor and one look for components for all tests of this folder that need them."""

from __future__ import annotations

import functools
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest
from streamlit.components.v2 import manifest_scanner

from tests.app.browsers import chromium, served
from tests.app.served_app import Served, app_served, fill_archive

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """What the pages said goes with a failure: what only happens elsewhere can be seen nowhere else."""
    report = yield
    browser: Browser | None = getattr(item, "funcargs", {}).get("browser")
    if report.when == "call" and report.failed and browser is not None:
        pages = [page for context in browser.contexts for page in context.pages]
        report.sections += [(f"page {page.url}", _seen_on(page)) for page in pages]
        for port in sorted({urlsplit(page.url).port or 0 for page in pages}):
            report.sections.append((f"server at {port}", _said_by_server(item, port)))
    return report


def _seen_on(page: Page) -> str:
    """Where the keys go, and what the page says, below the list of pages."""
    try:
        focus = page.evaluate(
            "((e) => e ? `${e.tagName} ${e.className}` : 'nothing')(document.activeElement)"
        )
        main = page.get_by_test_id("stMain")
        words = (main if main.count() else page.locator("body")).inner_text(timeout=5000)
    except Exception as error:  # a page that is gone must not hide the failure
        return f"cannot be read: {error}"
    return "\n".join([f"keys go to: {focus}", " | ".join(words.split("\n"))])


def _said_by_server(item: pytest.Item, port: int) -> str:
    """The last that a server wrote: the editor's, or the whole app's, which tells its address first."""
    factory: pytest.TempPathFactory = item.config._tmp_path_factory  # type: ignore[attr-defined]
    found = [log.read_text(errors="replace") for log in factory.getbasetemp().rglob(f"served-{port}.log")]
    every = [log.read_text(errors="replace") for log in factory.getbasetemp().rglob(".said")]
    found += [log for log in every if f":{port}" in log]
    return "\n".join(log[-4000:] for log in found) or "nothing"


@pytest.fixture(scope="session", autouse=True)
def components_found_once() -> Iterator[None]:
    """Streamlit reads the metadata of all installed packages for every page; they stay the same here."""
    with pytest.MonkeyPatch.context() as patch:
        found = functools.cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", found)
        yield


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture(scope="session")
def app_with_archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One server for all tests that walk the pages: each opens a sample job of its own."""
    folder = tmp_path_factory.mktemp("walk")
    fill_archive(folder)
    with app_served(folder) as app:
        yield app


@pytest.fixture(scope="session")
def editor_url(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(Path(__file__).parent / "editor_alone.py", tmp_path_factory.mktemp("editor")) as url:
        yield url
