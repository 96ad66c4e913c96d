"""One browser and one served editor for all tests of this folder that need them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.app.browsers import chromium, served

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture(scope="session")
def editor_url(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(Path(__file__).parent / "editor_alone.py", tmp_path_factory.mktemp("editor")) as url:
        yield url
