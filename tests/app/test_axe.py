"""Every page under the rules of axe-core (Deque, MPL 2.0; general accessibility rules after WCAG 2.2)."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pytest

from tests.app.served_app import app_served
from tests.app.test_walk import PAGES, SIZES, WAIT_MS, go

if TYPE_CHECKING:
    from playwright.sync_api import Browser

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
SERIOUS = {"serious", "critical"}


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


@pytest.mark.parametrize(("size", "scheme"), [("desk", "light"), ("phone", "light"), ("desk", "dark")])
def test_no_page_has_a_serious_fault(browser: Browser, tmp_path_factory: Any, size: str, scheme: Any) -> None:
    with app_served(tmp_path_factory.mktemp("axe")) as app:
        context = browser.new_context(**SIZES[size], color_scheme=scheme, bypass_csp=True)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(app.url)
        page.get_by_role("button", name="Open the sample").click()
        page.get_by_text("This engine is made up").wait_for()
        found = {}
        for name in PAGES:
            go(page, name, size)
            if faults := violations(page):
                found[name] = faults
        context.close()
    assert found == {}
