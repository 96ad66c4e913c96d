"""The app in a real browser: every page, desk and phone, no fault in the console, no other site asked."""

import json
import re

import pytest

from portmap.job import read_job
from tests.app.browsers import refused

PAGES = ("Measure", "Picture", "Decide", "Mark out", "After grinding", "On paper", "Archive", "Cylinder")
WAIT_MS = 60_000
SIZES = {
    "desk": {"viewport": {"width": 1280, "height": 860}},
    "phone": {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True},
}
# the answers that `refused` tells; what has had no answer is a fault here
LOADING = re.compile(
    "Failed to load resource: the server responded with|Client Error: Download Button source error - 404"
)
THUMB_PX = 44  # least size of a target: WCAG 2.2, 2.5.5 (from memory)


@pytest.fixture(params=SIZES)
def watched(browser, app_with_archive, request):
    """A page of each size, and what went wrong in it."""
    context = browser.new_context(**SIZES[request.param])
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    faults = []
    page.on(
        "console",
        lambda line: (
            faults.append(line.text) if line.type == "error" and not LOADING.match(line.text) else None
        ),
    )
    refused(page, faults)
    page.on("pageerror", lambda error: faults.append(str(error)))
    own = (
        app_with_archive.url,
        app_with_archive.url.replace("http", "ws"),
        "data:",
        f"blob:{app_with_archive.url}",
    )
    page.on("request", lambda sent: None if sent.url.startswith(own) else faults.append(sent.url))
    yield page, faults, request.param
    context.close()


def go(page, name, size):
    """Go to a page by the list of pages, as a hand would."""
    turn_to(page, name, size)
    arrived(page, name)


def turn_to(page, name, size):
    """Touch a page's name in the list of pages."""
    links = page.get_by_test_id("stSidebarNavLink")
    if size == "phone":
        page.get_by_test_id("stExpandSidebarButton").tap()
    links.filter(has_text=name).click()
    if size == "phone":
        page.get_by_test_id("stSidebarCollapseButton").get_by_role("button").click()


def arrived(page, name):
    """Wait until a page that was turned to is there, and drawn whole."""
    page.wait_for_function(
        "name => document.querySelector('[aria-current=page]')?.innerText.includes(name)", arg=name
    )
    settled(page)


def settled(page):
    """Wait until the page has been drawn whole."""
    page.locator("h1").first.wait_for()
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
    page.locator("[data-stale=true]").first.wait_for(state="detached")


def test_every_page_is_walked_with_the_sample(watched, app_with_archive):
    page, faults, size = watched
    page.goto(app_with_archive.url)
    page.get_by_role("button", name="Open the sample").click()
    page.get_by_text("This engine is made up").wait_for()
    for name in PAGES:
        go(page, name, size)
        bar = page.locator(".st-key-jobbar")
        assert "sample 53 cc pump engine (made up)" in bar.inner_text()
        assert "Saved in sample-pump-engine" in bar.inner_text()
        assert not page.get_by_test_id("stException").count()
        wide = page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth")
        assert wide <= SIZES[size]["viewport"]["width"]  # nothing to be pushed sideways
    assert faults == []


@pytest.mark.parametrize("watched", ["phone"], indirect=True)
def test_a_reading_is_typed_and_stays_over_a_reload(watched, app_with_archive):
    page, faults, size = watched
    page.goto(app_with_archive.url)
    page.get_by_role("button", name="Open the sample").click()
    page.get_by_text("This engine is made up").wait_for()
    name = re.search(r"job=([^&]+)", page.url)[1]
    go(page, "Measure", size)
    page.get_by_role("textbox", name="What did you read?").fill("exhaust opens 104.1 deg")
    page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_text("10: understood as exhaust opens 104.1° after TDC.").wait_for()
    assert faults == []
    assert len(read_job(app_with_archive.folder / name).readings) == 10
    page.reload()
    page.get_by_text("10. exhaust opens 104.1° after TDC").first.wait_for()
    page.get_by_text("inch", exact=True).click()
    page.get_by_text("1.8110 ± 0.0008 in").first.wait_for()  # the bore, 46.00 ± 0.02 mm; an inch is 25.4 mm


@pytest.mark.parametrize("watched", ["phone"], indirect=True)
def test_what_is_touched_is_large_enough_for_a_thumb(watched, app_with_archive):
    page, _, size = watched
    page.goto(app_with_archive.url)
    page.get_by_role("button", name="Open the sample").click()
    page.get_by_text("This engine is made up").wait_for()
    for name in ("Cylinder", "Measure", "On paper"):
        go(page, name, size)
        boxes = page.evaluate(
            """() => [...document.querySelectorAll('[data-testid=stMain] button, [data-testid=stMain] a')]
            .filter(each => each.checkVisibility() && !each.closest('[data-testid=stTooltipIcon]'))
            .map(each => [each.innerText, each.getBoundingClientRect().height])"""
        )
        small = [(words, height) for words, height in boxes if words.strip() and height < THUMB_PX]
        assert json.dumps(small) == "[]"
