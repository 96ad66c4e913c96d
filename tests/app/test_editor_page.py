"""From a photo to outlines in a job's file, in a browser: on a desktop, and on a phone with a finger."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from shapely import Polygon

from portmap.job import port_map_of, read_job
from tests.app.browsers import served
from tests.app.editor_page import EditorPage, desktop, phone

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SAMPLE = Path(__file__).parents[2] / "sample_images" / "rubbed.jpg"
FILE_MM2 = 1e-3  # corners in a file are rounded to a hundred-thousandth of a millimetre
SLOW_MS = 90_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("app") / "shop"


@pytest.fixture(scope="module")
def app_url(browser: Browser, folder: Path) -> Iterator[str]:
    folder.mkdir()
    with served(None, folder) as url:
        yield url


def opened(context: object, url: str) -> EditorPage:
    """The page Picture with the sample photo measured."""
    ed = EditorPage.__new__(EditorPage)
    ed.page = context.new_page()  # type: ignore[attr-defined]
    ed.faults = []
    ed.page.on("pageerror", lambda error: ed.faults.append(str(error)))
    ed._cdp = None
    ed.page.set_default_timeout(SLOW_MS)
    ed.page.goto(f"{url}/picture")
    ed.page.locator("input[type=file]").first.set_input_files(str(SAMPLE))
    ed.page.get_by_text("rubbed.jpg").wait_for()
    ed.page.get_by_role("button", name="Measure this photo").click()
    ed.page.wait_for_selector(".outline-editor[data-ready=yes][data-picture=ready]")
    ed.page.locator(".stage").scroll_into_view_if_needed()
    ed.frame()
    return ed


def started_job(ed: EditorPage, name: str) -> None:
    for label, text in {
        "Name of the job": name,
        "Bore, mm": "46",
        "Stroke, mm": "32",
        "Crown height, mm": "61",
    }.items():
        ed.page.get_by_label(label, exact=True).fill(text)
    ed.page.get_by_role("button", name="Start the job").click()
    ed.page.get_by_text("windows are in the job").wait_for()


def test_photo_to_edited_outline_in_the_jobs_file(browser: Browser, app_url: str, folder: Path) -> None:
    context = desktop(browser)
    ed = opened(context, app_url)
    largest = max(range(ed.count), key=lambda number: Polygon(ed.ring(number)).area)
    before = Polygon(ed.ring(largest)).area
    x, y = Polygon(ed.ring(largest)).centroid.coords[0]
    ed.click(x, y)
    ed.press("Bridge upright")
    assert ed.count == 5
    ed.told("Handed over, not yet in the job.")
    started_job(ed, "bridged pump")
    job = read_job(folder / "bridged-pump.json")
    exhaust = next(port for port in port_map_of(job).ports if port.kind == "exhaust")
    assert len(exhaust.windows) == 2
    gone = before - sum(window.outline.area for window in exhaust.windows)
    low, high = exhaust.windows[0].outline.bounds[1], exhaust.windows[0].outline.bounds[3]
    assert gone == pytest.approx(3.0 * (high - low), rel=0.05)  # a bridge of 3 mm
    shown = sum(Polygon(ed.ring(number)).area for number in range(ed.count))
    held = sum(window.outline.area for port in port_map_of(job).ports for window in port.windows)
    assert held == pytest.approx(shown, abs=FILE_MM2)
    ed.told("As in the program.")
    assert ed.faults == []
    context.close()


def test_the_same_by_finger_on_a_phone_and_after_a_reload(
    browser: Browser, app_url: str, folder: Path
) -> None:
    context = phone(browser)
    ed = opened(context, app_url)
    assert ed.page.evaluate("document.documentElement.scrollWidth") <= 390
    largest = max(range(ed.count), key=lambda number: Polygon(ed.ring(number)).area)
    ed.tap(*Polygon(ed.ring(largest)).centroid.coords[0])
    ed.press("Whole outline")
    ed.page.locator(".stage").scroll_into_view_if_needed()
    x, y = Polygon(ed.ring(largest)).centroid.coords[0]
    before = ed.ring(largest)
    ed.finger_drag((x, y), (x + 6, y + 2))
    moved = ed.ring(largest)
    assert moved != before
    ed.told("Handed over, not yet in the job.")
    ed.page.reload()  # the picture is gone with the session; measured again, the unsaved outline is back
    ed.page.locator("input[type=file]").first.set_input_files(str(SAMPLE))
    ed.page.get_by_role("button", name="Measure this photo").click()
    ed.page.wait_for_selector(".outline-editor[data-ready=yes][data-picture=ready]")
    assert ed.ring(largest) == moved
    started_job(ed, "phone pump")
    job = read_job(folder / "phone-pump.json")
    roofs = [window.outline.bounds[3] for port in port_map_of(job).ports for window in port.windows]
    assert max(p[1] for p in moved) == pytest.approx(
        min(roofs, key=lambda r: abs(r - max(p[1] for p in moved))), abs=1e-4
    )
    assert ed.faults == []
    context.close()
