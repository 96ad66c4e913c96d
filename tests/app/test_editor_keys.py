"""The editor by keyboard alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.app.editor_page import EditorPage, desktop

if TYPE_CHECKING:
    from playwright.sync_api import Browser

START = [[10.4, 26.2], [23.6, 26.2], [23.6, 40.9], [10.4, 40.9]]
EXACT_MM = 2e-5
STEPS = 110


@pytest.fixture(scope="module")
def page(browser: Browser, editor_url: str) -> Iterator[EditorPage]:
    context = desktop(browser)
    yield EditorPage(context, editor_url)
    context.close()


@pytest.fixture
def ed(page: EditorPage) -> Iterator[EditorPage]:
    page.begin_anew()
    page.page.locator(".stage").focus()
    yield page
    assert page.faults == []


def keys(ed: EditorPage, *names: str) -> EditorPage:
    for name in names:
        ed.page.keyboard.press(name)
    ed.frame()
    return ed


@pytest.mark.parametrize(
    ("key", "by"),
    [
        ("ArrowLeft", (-0.01, 0)),
        ("ArrowRight", (0.01, 0)),
        ("ArrowUp", (0, 0.01)),
        ("ArrowDown", (0, -0.01)),
        ("Shift+ArrowLeft", (-0.1, 0)),
        ("Shift+ArrowRight", (0.1, 0)),
        ("Shift+ArrowUp", (0, 0.1)),
        ("Shift+ArrowDown", (0, -0.1)),
    ],
)
def test_arrows_move_the_chosen_corner_in_hundredths_and_tenths(
    ed: EditorPage, key: str, by: tuple[float, float]
) -> None:
    keys(ed, "PageDown", "Tab", "Tab", key)
    assert ed.ring()[1] == pytest.approx([23.6 + by[0], 26.2 + by[1]], abs=EXACT_MM)
    assert ed.ring()[0] == START[0]


def test_arrows_move_the_whole_outline_with_no_corner_chosen(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Shift+ArrowUp", "Shift+ArrowUp", "ArrowRight")
    assert np.array(ed.ring()) - np.array(START) == pytest.approx(np.tile([0.01, 0.2], (4, 1)), abs=EXACT_MM)


def test_tab_goes_round_the_corners_both_ways_and_says_where_it_is(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Tab")
    assert ed.status.startswith("Corner 1: x 10.40 mm, height 26.20 mm")
    keys(ed, "Shift+Tab")
    assert ed.status.startswith("Corner 4: x 10.40 mm, height 40.90 mm")
    keys(ed, "Tab", "Tab")
    assert ed.status.startswith("Corner 2:")


def test_nobody_is_caught_in_the_picture(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Tab", "Escape", "Escape")
    assert ed.ask("return e.chosen;") is None
    keys(ed, "Tab")
    assert not ed.ask("return root.getRootNode().activeElement === e.stage;")


def test_delete_removes_the_corner_and_insert_brings_one(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Tab", "Insert")
    assert ed.ring()[1] == pytest.approx([17.0, 26.2])
    keys(ed, "Delete")
    assert ed.ring() == START


def test_a_hundred_steps_go_back_and_forward(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Tab")
    for number in range(STEPS):
        ed.page.keyboard.press("ArrowUp" if number % 2 else "Shift+ArrowRight")
    ed.frame()
    end = ed.ring()
    assert ed.steps == STEPS
    ed.told(f"seq {ed.ask('return e.seq;')} ")  # all reached the program: the steps outlive its runs
    for _ in range(STEPS):
        ed.page.keyboard.press("Control+z")
    ed.frame()
    assert ed.ask("return root.getRootNode().activeElement === e.stage;")  # no run took the keys elsewhere
    assert (ed.steps, ed.ring()) == (0, START)
    for _ in range(10):
        ed.page.keyboard.press("Control+y")
    ed.ask("while (e.steps.on.length) e.run('redo');")
    assert ed.ring() == end


def test_control_shift_z_goes_forward_too(ed: EditorPage) -> None:
    keys(ed, "PageDown", "Tab", "ArrowUp", "Control+z")
    assert ed.ring() == START
    keys(ed, "Control+Shift+Z")
    assert ed.ring()[0] == pytest.approx([10.4, 26.21], abs=EXACT_MM)


def test_escape_gives_up_a_drag(ed: EditorPage) -> None:
    ed.click(17, 33)
    ed.page.mouse.move(*ed.at(23.6, 40.9))
    ed.page.mouse.down()
    ed.page.mouse.move(*ed.at(20, 35), steps=4)
    keys(ed, "Escape")
    ed.page.mouse.up()
    assert ed.ring() == START
    assert ed.steps == 0


def test_keys_do_not_reach_the_page(ed: EditorPage) -> None:
    runs = ed.page.get_by_text("seq ").inner_text()
    ed.page.evaluate("window.heard = []; document.addEventListener('keydown', e => window.heard.push(e.key))")
    keys(ed, "r", "c", "PageDown", "ArrowUp")
    assert ed.page.evaluate("window.heard") == []
    assert ed.page.get_by_text("seq ").inner_text() != runs or ed.steps == 1


def test_zoom_and_fit_by_keys(ed: EditorPage) -> None:
    scale = ed.ask("return e.view.scale;")
    keys(ed, "+", "+")
    assert ed.ask("return e.view.scale;") == pytest.approx(2.25 * scale)
    keys(ed, "-")
    assert ed.ask("return e.view.scale;") == pytest.approx(1.5 * scale)
    keys(ed, "0")
    assert ed.ask("return e.view.scale;") == pytest.approx(scale)


def test_a_window_is_drawn_with_the_crosshair(ed: EditorPage) -> None:
    ed.press("Draw new")
    ed.page.locator(".stage").focus()
    keys(ed, " ", *["Shift+ArrowRight"] * 4, " ", *["Shift+ArrowUp"] * 4, " ", "Enter")
    assert ed.count == 3
    assert len(ed.ring(2)) == 3


def test_measuring_with_the_crosshair(ed: EditorPage) -> None:
    ed.press("Measure")
    ed.page.locator(".stage").focus()
    keys(ed, " ", *["Shift+ArrowUp"] * 3, " ")
    up = 60 / ed.ask("return e.view.scale;")
    assert float(ed.status.split(" mm")[0]) == pytest.approx(up, abs=0.006)


def test_a_bridge_with_the_crosshair(ed: EditorPage) -> None:
    keys(ed, "PageDown")
    ed.press("Bridge across")
    ed.page.locator(".stage").focus()
    ed.ask("e.cross = [17, 24];")
    keys(ed, " ", *["Shift+ArrowUp"] * 8, " ")
    assert ed.count == 3


def test_every_command_is_a_button_that_the_keyboard_reaches(ed: EditorPage) -> None:
    names = ed.ask("return [...root.querySelectorAll('.bar button')].map(n => [n.tabIndex, n.textContent]);")
    assert len(names) >= 24
    assert all(index == 0 and words for index, words in names)
    keys(ed, "PageDown", "Tab")
    ed.page.get_by_role("button", name="Round", exact=True).focus()
    ed.page.keyboard.press("Enter")
    ed.frame()
    assert len(ed.ring()) > 10
