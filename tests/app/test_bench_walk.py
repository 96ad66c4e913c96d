"""Decide, mark out and compare in a real browser of a phone's size: what a hand does, what follows."""

import pytest

from portmap.files import json_bytes
from portmap.job import read_job
from tests.app.served_app import app_served
from tests.cylinders import ground, job_document, stock

WAIT_MS = 60_000
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def served(browser, tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    document = job_document(stock(), ground())
    document["cylinder"]["squish_band_height_mm"] = 61.2
    (folder / "pump.json").write_bytes(json_bytes(document))
    with app_served(folder) as app:
        yield app


@pytest.fixture
def phone(browser, served):
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    yield page
    context.close()


def opened(page, served, name):
    page.goto(f"{served.url}/{name}?job=pump.json")
    page.locator("h1").first.wait_for()


def settled(page):
    page.wait_for_function("() => !document.querySelector('[data-testid=stStatusWidget]')")


def not_too_broad(page):
    """No part of the page may reach past the screen's edge."""
    assert page.evaluate("() => document.documentElement.scrollWidth") <= PHONE["viewport"]["width"]


def test_a_roof_is_pulled_by_keys_and_kept_by_a_thumb(phone, served):
    opened(phone, served, "markout")
    phone.get_by_text("exhaust opens at 98.63°").wait_for()
    slider = phone.locator(".st-key-markout-pull-mm").get_by_role("slider")
    slider.focus()
    for _ in range(20):
        slider.press("ArrowRight")  # twenty steps of 0.05 mm
    phone.get_by_text("roof moves 1.00 mm").wait_for()
    settled(phone)
    not_too_broad(phone)
    phone.get_by_role("button", name="Keep this edge").tap()
    phone.get_by_role("button", name="Take the last edge back").wait_for()
    (edit,) = read_job(served.folder / "pump.json").edits
    assert edit.port == "exhaust"


def test_a_recipe_is_found_and_kept(phone, served):
    opened(phone, served, "decide")
    phone.get_by_role("button", name="Find recipes").tap()
    phone.get_by_role("button", name="Keep this recipe").first.tap()
    phone.get_by_text("This recipe is kept").wait_for()
    settled(phone)
    not_too_broad(phone)
    assert read_job(served.folder / "pump.json").plan is not None


def test_places_past_the_line_are_seen_on_a_phone(phone, served):
    opened(phone, served, "ground")
    phone.get_by_text("Figures, b minus a").wait_for()
    settled(phone)
    not_too_broad(phone)
