"""The editor for a hand that thinks in inches: 1 in is 25.4 mm by its definition (NIST SP 811, B.8)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.app.editor_page import EditorPage, desktop

if TYPE_CHECKING:
    from playwright.sync_api import Browser

INCH_MM = 25.4
EXACT_MM = 2e-5


@pytest.fixture
def ed(browser: Browser, editor_url: str) -> Iterator[EditorPage]:
    context = desktop(browser)
    page = EditorPage(context, editor_url)
    yield page
    assert page.faults == []
    context.close()


def in_inches(ed: EditorPage) -> None:
    ed.page.locator("label", has_text="inch").first.click()
    for _ in range(600):
        if ed.ask("return e.unit.name;") == "in":
            return
        ed.page.wait_for_timeout(50)
    pytest.fail("the editor never came to know of the inch")


def test_lengths_are_shown_and_typed_in_inches_and_outlines_stay_as_they_are(ed: EditorPage) -> None:
    before = ed.ring()
    assert ed.page.locator("[data-field=radius]").input_value() == "2"
    in_inches(ed)
    assert ed.ring() == before
    assert float(ed.page.locator("[data-field=radius]").input_value()) == pytest.approx(2 / INCH_MM, rel=5e-3)
    assert ed.page.locator("label:has([data-field=radius]) .unit").inner_text() == "in"
    # two places 13.2 mm apart
    ed.press("Measure")
    ed.click(10.4, 30.0)
    ed.click(23.6, 30.0)
    length, unit = ed.status.split(":")[0].split()
    assert unit == "in"
    assert float(length) == pytest.approx(13.2 / INCH_MM, abs=0.1 / INCH_MM)
    # the scale of heights counts in inches: none of the square's 41 mm is past 2 in
    marks = ed.page.locator(".scale.heights text").all_text_contents()
    shown = [float(mark) for mark in marks if mark]
    assert max(shown) < 4.0
    assert len(shown) >= 3


def test_a_radius_typed_in_inches_rounds_as_many_millimetres(ed: EditorPage) -> None:
    in_inches(ed)
    ed.press("Corners")
    ed.click(17.0, 33.0)
    ed.page.locator(".stage").focus()
    ed.page.keyboard.press("Tab")
    ed.type_into("radius", "0.1")
    ed.press("Round")
    xs = {round(x, 4) for x, _ in ed.ring()}
    # a right corner's arc of radius r begins r away from it
    start = ed.ring()
    corner = next(c for c in ([10.4, 26.2], [23.6, 26.2], [23.6, 40.9], [10.4, 40.9]) if c not in start)
    across = min(abs(x - corner[0]) for x, y in start if y == pytest.approx(corner[1], abs=EXACT_MM))
    assert across == pytest.approx(0.1 * INCH_MM, abs=1e-3)
    assert len(xs) > 4
