"""Drawings get their lettering from the words, and it stands where there is room for it."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from portmap.app_home import app_folder, load_app

load_app()

from portmap.app.lettering import SAY, lettered_drawing  # noqa: E402 - the app's package must be known first
from portmap.app.texts import all_words, say  # noqa: E402

DRAWINGS = sorted(place.stem for place in (app_folder() / "drawings").glob("*.svg"))
LONGER = 1.2  # room for a language that takes more letters; common practice, no source
CAPTION = {"alt"}  # said beside the drawing too

BOXES = """root => [...root.querySelectorAll('text')].map(one => {
  const b = one.getBBox();
  return [one.textContent, one.getAttribute('text-anchor'), b.x, b.y, b.width, b.height];
})"""


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)  # noqa: S314 - our own file


def lettering(root: ElementTree.Element) -> list[str]:
    """All texts of a drawing, each row by itself."""
    return [text.strip() for text in root.itertext() if text.strip()]


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_holds_no_word_of_a_language(name: str) -> None:
    drawn = lettering(parsed((app_folder() / "drawings" / f"{name}.svg").read_text(encoding="utf-8")))
    assert [text for text in drawn if re.search("[^\\W\\d]", text)] == []


@pytest.mark.parametrize("name", DRAWINGS)
def test_what_is_lettered_is_what_the_words_say(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    source = parsed((app_folder() / "drawings" / f"{name}.svg").read_text(encoding="utf-8"))
    keys = {place.attrib[SAY] for place in source.iter() if SAY in place.attrib}
    own = {key.removeprefix(f"drawing.{name}.") for key in all_words() if key.startswith(f"drawing.{name}.")}
    assert keys == own
    rows = [row for key in keys - CAPTION for row in say(f"drawing.{name}.{key}").split("\n")]
    figures = [text for text in lettering(source) if text.isdigit()]
    assert sorted(lettering(parsed(lettered_drawing(name)))) == sorted(
        [*rows, *figures, say(f"drawing.{name}.alt")]
    )


def test_another_language_needs_no_other_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(all_words(), "drawing.squish.head", "Zylinderkopf <&>")
    lettered_drawing.cache_clear()
    assert "Zylinderkopf <&>" in lettering(parsed(lettered_drawing("squish")))
    monkeypatch.undo()
    lettered_drawing.cache_clear()
    assert "Zylinderkopf <&>" not in lettering(parsed(lettered_drawing("squish")))


@pytest.mark.parametrize("name", DRAWINGS)
def test_lettering_has_room(name: str, browser) -> None:
    """By the browser's own measure: inside the drawing, a fifth longer too, and none over another."""
    page = browser.new_page()
    page.set_content(f"<html><body>{lettered_drawing(name)}</body></html>")
    _, _, wide, high = (float(part) for part in page.locator("svg").first.get_attribute("viewBox").split())
    boxes = page.eval_on_selector("svg", BOXES)
    page.close()
    grown = []
    for text, anchor, x, y, width, height in boxes:
        more = (LONGER - 1) * width
        left = x - {"middle": more / 2, "end": more}.get(anchor, 0.0)
        grown.append((text, left, y, left + LONGER * width, y + height))
    outside = [text for text, x0, y0, x1, y1 in grown if min(x0, y0) < 0 or x1 > wide or y1 > high]
    assert outside == []
    over = [
        (a[0], b[0])
        for n, a in enumerate(grown)
        for b in grown[:n]
        if a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]
    ]
    assert over == []
