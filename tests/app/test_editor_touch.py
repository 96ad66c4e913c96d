"""The editor under a finger, on a screen of a phone's size: touch events as the browser gets them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.app.editor_page import EditorPage, phone

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SCREEN_MM = 0.25  # of a phone's screen that shows the whole picture, a point is about 0.3 mm
EDGE_MM = 0.025  # half a pixel of the picture
DARK_RIGHT, DARK_TOP = 24.0, 41.3


@pytest.fixture(scope="module")
def page(browser: Browser, editor_url: str) -> Iterator[EditorPage]:
    context = phone(browser)
    yield EditorPage(context, editor_url)
    context.close()


@pytest.fixture
def ed(page: EditorPage) -> Iterator[EditorPage]:
    page.begin_anew()
    page.page.locator(".stage").scroll_into_view_if_needed()
    page.tap(17, 33)
    assert page.ask("return e.chosen.id;") == "1"
    yield page
    assert page.faults == []


def test_a_tap_chooses_and_a_tap_beside_lets_go(ed: EditorPage) -> None:
    ed.tap(-20, 30)
    assert ed.ask("return e.chosen.id;") == "2"
    ed.tap(0, 55)
    assert ed.ask("return e.chosen;") is None


def test_a_corner_follows_the_finger_and_sticks_to_the_edge(ed: EditorPage) -> None:
    ed.look_at(23.6, 40.9, 25)
    ed.finger_drag((23.6, 40.9), (24.2, 41.5))
    x, y = ed.ring()[2]
    assert min(abs(x - DARK_RIGHT), abs(y - DARK_TOP)) < EDGE_MM
    assert ed.steps == 1
    ed.told(f"seq {ed.ask('return e.seq;')} changed True")


def test_the_loupe_stands_beside_the_finger_while_it_drags(ed: EditorPage) -> None:
    loupe = ed.page.locator(".loupe")
    assert loupe.is_hidden()
    (u, v), (r, s) = ed.at(23.6, 40.9), ed.at(20, 37)
    ed.fingers("touchStart", [(u, v)])
    ed.fingers("touchMove", [(r, s)])
    ed.frame()
    box = loupe.bounding_box()
    assert box is not None
    assert not (box["x"] <= r <= box["x"] + box["width"] and box["y"] <= s <= box["y"] + box["height"])
    ed.fingers("touchEnd", [])
    ed.frame()
    assert loupe.is_hidden()


def test_two_fingers_zoom_about_their_middle_and_change_nothing(ed: EditorPage) -> None:
    (u, v), scale = ed.at(23.6, 40.9), ed.ask("return e.view.scale;")
    ed.fingers("touchStart", [(u - 20, v)])  # on a corner first: that drag is given up
    ed.fingers("touchMove", [(u - 30, v)])
    ed.fingers("touchStart", [(u - 30, v), (u + 30, v)])
    for apart in (50, 70, 90):
        ed.fingers("touchMove", [(u - apart, v), (u + apart, v)])
    ed.fingers("touchEnd", [])
    ed.frame()
    assert ed.ask("return e.view.scale;") == pytest.approx(3 * scale, rel=0.05)
    assert ed.at(23.6, 40.9) == pytest.approx((u, v), abs=2.0)
    assert ed.steps == 0


def test_a_finger_beside_corners_moves_the_picture_and_not_the_page(ed: EditorPage) -> None:
    scrolled = ed.page.evaluate("scrollY")
    place = ed.at(-5, 50)
    ed.finger_drag((-5, 50), (5, 42))
    assert np.subtract(ed.at(-5, 50), place) == pytest.approx(
        np.subtract(ed.at(5, 42), ed.at(-5, 50)), abs=1.5
    )
    assert ed.page.evaluate("scrollY") == scrolled
    assert ed.steps == 0


def test_corners_are_added_and_removed(ed: EditorPage) -> None:
    ed.press("Add corners")
    ed.tap(17, 26.2)
    assert len(ed.ring()) == 5
    ed.press("Remove corner")
    assert len(ed.ring()) == 4


def test_a_double_tap_on_a_side_adds_a_corner(ed: EditorPage) -> None:
    ed.tap(17, 26.2)
    ed.tap(17, 26.2)
    assert len(ed.ring()) == 5


def test_a_stretch_is_chosen_and_straightened(ed: EditorPage) -> None:
    ed.tap(-20, 30)
    ring = ed.ring(1)
    ed.look_at(*ring[12], 40)
    ed.tap(*ring[10])
    ed.press("Stretch up to…")
    ed.tap(*ring[14])
    assert ed.status == "5 corners chosen."
    ed.press("Straighten")
    assert len(ed.ring(1)) == len(ring) - 3


def test_a_whole_outline_moves(ed: EditorPage) -> None:
    before = np.array(ed.ring())
    ed.press("Whole outline")
    ed.finger_drag((17, 33), (12, 30))
    assert np.array(ed.ring()) - before == pytest.approx(np.tile([-5.0, -3.0], (4, 1)), abs=SCREEN_MM)


def test_a_bridge_is_drawn_across(ed: EditorPage) -> None:
    ed.type_into("bridgewidth", "3")
    ed.press("Bridge across")
    ed.finger_drag((17.0, 24.0), (17.0, 44.0))
    assert ed.count == 3


def test_a_window_is_tapped_point_by_point(ed: EditorPage) -> None:
    ed.press("Draw new")
    for x, y in [(-8, 8), (8, 8), (8, 18), (-8, 18)]:
        ed.tap(x, y)
    ed.press("Close drawn outline")
    assert ed.count == 3
    assert len(ed.ring(2)) == 4


def test_two_taps_measure(ed: EditorPage) -> None:
    ed.press("Measure")
    ed.tap(-10, 12)
    assert ed.status == "Now the second point."
    ed.tap(5, 20)
    assert float(ed.status.split(" mm")[0]) == pytest.approx(math.hypot(15, 8), abs=2 * SCREEN_MM)


@pytest.mark.parametrize("button", ["Smooth", "Lay on edge", "Mirror left to right", "Bridge upright"])
def test_the_other_buttons_work_under_a_finger(ed: EditorPage, button: str) -> None:
    node = ed.page.get_by_role("button", name=button, exact=True)
    node.tap()
    ed.frame()
    assert ed.steps == 1
    ed.page.get_by_role("button", name="Back", exact=True).tap()
    ed.frame()
    assert ed.steps == 0


def test_every_button_is_large_enough_for_a_finger(ed: EditorPage) -> None:
    sizes = ed.ask(
        "return [...root.querySelectorAll('button, select, input')].filter(n => n.offsetParent)"
        ".map(n => [n.textContent.slice(0, 20), n.offsetWidth, n.offsetHeight]);"
    )
    assert len(sizes) > 20
    assert [s for s in sizes if min(s[1:]) < 44] == []  # common practice and WCAG 2.2, 2.5.5


def test_the_page_is_no_wider_than_the_phone(ed: EditorPage) -> None:
    assert ed.page.evaluate("document.documentElement.scrollWidth") <= 390
