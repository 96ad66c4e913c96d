"""Every page under the rules of axe-core (Deque, MPL 2.0; general accessibility rules after WCAG 2.2)."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pytest

from portmap.app_home import load_app
from tests.app.test_walk import PAGES, SIZES, WAIT_MS, go, settled

load_app()

from portmap.app.texts import say  # noqa: E402 - the app's package must be known first

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.app.served_app import Served

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
SERIOUS = {"serious", "critical"}
PARTS = {  # what a page shows only when it is asked for
    "Decide": [f"decide.part.{name}" for name in ("effects", "try", "sure", "breath", "cold")],
    "Archive": [f"archive.with.{name}" for name in ("compare", "repeat")],
}


def violations(page: Any) -> list[str]:
    """What axe holds to be serious on a page, each in a line."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
    return [
        f"{one['id']}: {one['help']}: {node['html'][:160]}"
        for one in found
        if one["impact"] in SERIOUS
        for node in one["nodes"][:3]
    ]


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        ("desk", "light"),
        pytest.param("phone", "light", marks=pytest.mark.long),
        pytest.param("desk", "dark", marks=pytest.mark.long),
    ],
)
def test_no_page_has_a_serious_fault(
    browser: Browser, app_with_archive: Served, size: str, scheme: Any
) -> None:
    context = browser.new_context(**SIZES[size], color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(app_with_archive.url)
    page.get_by_role("button", name="Open the sample").click()
    page.get_by_text("This engine is made up").wait_for()
    found = {}
    for name in PAGES:
        go(page, name, size)
        if faults := violations(page):
            found[name] = faults
        for part in PARTS.get(name, ()) if size == "desk" else ():
            page.get_by_test_id("stButtonGroup").get_by_text(say(part), exact=True).click()
            settled(page)
            if faults := violations(page):
                found[part] = faults
    context.close()
    assert found == {}
