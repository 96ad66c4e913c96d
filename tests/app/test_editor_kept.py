"""Unsaved outlines when the page is loaded again, the connection breaks or the server dies."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.app.browsers import free_port, started
from tests.app.editor_page import EditorPage, desktop

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext

SCRIPT = Path(__file__).parent / "editor_alone.py"


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = desktop(browser)
    yield made
    made.close()


def nudged(ed: EditorPage, times: int) -> list[list[float]]:
    ed.page.locator(".stage").focus()
    for name in ["Escape", "Escape", "PageDown", "Tab", *["Shift+ArrowUp"] * times]:
        ed.page.keyboard.press(name)
    ed.frame()
    return ed.ring()


def test_a_reload_brings_edits_and_steps_back(context: BrowserContext, editor_url: str) -> None:
    ed = EditorPage(context, editor_url)
    ring = nudged(ed, 3)
    ed.page.reload()  # at once: the program may not have seen the last edit
    ed.wait()
    assert ed.ring() == ring
    assert "was brought back" in ed.status
    ed.told("changed True")
    for _ in range(3):
        ed.press("Back")
    assert ed.ring()[0] == [10.4, 26.2]


def test_a_reload_in_the_middle_of_a_drag_keeps_what_was_released(
    context: BrowserContext, editor_url: str
) -> None:
    ed = EditorPage(context, editor_url)
    ring = nudged(ed, 1)
    ed.page.mouse.move(*ed.at(23.6, 40.9))
    ed.page.mouse.down()
    ed.page.mouse.move(*ed.at(20, 35), steps=4)
    ed.page.reload()
    ed.wait()
    assert ed.ring() == ring


def test_a_lost_connection_loses_no_edit(context: BrowserContext, editor_url: str) -> None:
    ed = EditorPage(context, editor_url)
    nudged(ed, 1)
    ed.told("changed True")
    context.set_offline(True)
    ring = nudged(ed, 2)
    context.set_offline(False)
    assert ed.ring() == ring
    ed.told(f"seq {ed.ask('return e.seq;')} changed True")


def test_a_killed_server_loses_no_edit(context: BrowserContext, tmp_path: Path) -> None:
    port = free_port()
    server = started(SCRIPT, port, tmp_path)
    try:
        ed = EditorPage(context, f"http://127.0.0.1:{port}")
        nudged(ed, 1)
        os.kill(server.pid, signal.SIGKILL)
        server.wait(10)
        ring = nudged(ed, 2)  # the page is still there and takes edits
        server = started(SCRIPT, port, tmp_path)
        ed.told(f"seq {ed.ask('return e.seq;')} changed True")
        assert ed.ring() == ring
        ed.page.reload()
        ed.wait()
        assert ed.ring() == ring
    finally:
        server.kill()
        server.wait(10)


@pytest.mark.long
def test_fifty_kills_lose_no_edit(context: BrowserContext, tmp_path: Path) -> None:
    """Killed at odd moments after an edit: before it was seen, while it was, or after."""
    port, rng = free_port(), np.random.default_rng(50)
    server = started(SCRIPT, port, tmp_path)
    ed = EditorPage(context, f"http://127.0.0.1:{port}")
    try:
        for count in range(1, 51):
            ring = nudged(ed, 1)
            assert ring[0][1] == pytest.approx(26.2 + 0.1 * count, abs=1e-4)
            ed.page.wait_for_timeout(float(rng.choice([0, 0, 20, 60, 150, 400])))
            os.kill(server.pid, signal.SIGKILL)
            server.wait(20)
            server = started(SCRIPT, port, tmp_path)
            ed.page.goto(f"http://127.0.0.1:{port}", wait_until="commit")
            ed.wait()
            assert ed.ring() == ring
        ed.told("changed True")
        assert ed.faults == []
    finally:
        server.kill()
        server.wait(10)


def test_kept_work_of_another_state_is_offered_and_not_forced(
    context: BrowserContext, editor_url: str
) -> None:
    ed = EditorPage(context, editor_url)
    ring = nudged(ed, 2)
    ed.ask(
        "const k = JSON.parse(localStorage.getItem(e.keep.name)); k.base = 'older';"
        "localStorage.setItem(e.keep.name, JSON.stringify(k));"
    )
    ed.page.reload()
    ed.wait()
    assert ed.ring()[0] == [10.4, 26.2]
    ed.press("Show the kept ones")
    assert ed.ring() == ring
    ed.press("Back")
    assert ed.ring()[0] == [10.4, 26.2]


def test_a_browser_that_keeps_nothing_says_so(context: BrowserContext, editor_url: str) -> None:
    context.add_init_script("Storage.prototype.setItem = () => { throw new Error('full'); };")
    ed = EditorPage(context, editor_url)
    nudged(ed, 1)
    assert "This browser keeps nothing" in ed.page.locator(".kept").inner_text()
    ed.told("changed True")
