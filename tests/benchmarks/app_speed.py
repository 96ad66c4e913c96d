"""How soon the app's pages answer a hand: first screen, roof drag, a released outline, each page.

    python -m tests.benchmarks.app_speed

Each figure is the time in the browser, from the press or the request until the new figure stands on the page,
with the server and the browser on the same two cores. The median of several and the slowest are printed,
with the machine's load: on a busy machine they say little.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import psutil

from tests.app.browsers import chromium
from tests.app.served_app import app_served, fill_archive
from tests.app.test_walk import PAGES, SIZES, go, settled

WAIT_MS = 120_000
ROUNDS = 15
FIRST_ROUNDS = 5
AIMS = {"first screen": 3000, "roof drag": 150, "release": 200}

# From a press of a key to the words that follow it; each press has words of its own.
PRESS = """([selector, key, want]) => new Promise(done => {
  const found = () => document.body.innerText.includes(want);
  const thumb = document.querySelector(selector);
  thumb.focus();
  const t = performance.now();
  const watch = new MutationObserver(() => {
    if (found()) { watch.disconnect(); done(performance.now() - t); }
  });
  watch.observe(document.body, { subtree: true, childList: true, characterData: true });
  thumb.dispatchEvent(new KeyboardEvent('keydown', { key, code: key, bubbles: true, cancelable: true }));
  thumb.dispatchEvent(new KeyboardEvent('keyup', { key, code: key, bubbles: true, cancelable: true }));
})"""

# An outline moved by a hundredth of a millimetre and let go: until the table of figures is another one.
RELEASE = """root => new Promise(done => {
  const e = root.outlineEditor, before = e.windows, w = before[0];
  const words = () => document.querySelector('.pm-table').innerText, old = words();
  const t = performance.now();
  const watch = new MutationObserver(() => {
    if (document.querySelector('.pm-table') && words() !== old) {
      watch.disconnect(); done(performance.now() - t);
    }
  });
  watch.observe(document.body, { subtree: true, childList: true, characterData: true });
  e.setRing(w.id, 0, w.rings[0].map(([x, y]) => [x, y + 0.01]));
  e.keepStep(before, 'step.moved');
})"""


def told(what: str, times: list[float], aim: int | None = None) -> None:
    """A line of the table."""
    end = "" if aim is None else f"  aim {aim}"
    print(f"{what:48s} {statistics.median(times):8.0f} {max(times):8.0f}{end}", flush=True)


def first_screen(browser: Any, url: str, size: str) -> list[float]:
    """From the request until the first page can be used, in a browser that has seen nothing yet [ms]."""
    times = []
    for _ in range(FIRST_ROUNDS):
        context = browser.new_context(**SIZES[size])
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        began = time.perf_counter()
        page.goto(url, wait_until="commit")
        page.get_by_role("button", name="Open the sample").wait_for()
        times.append(1000 * (time.perf_counter() - began))
        context.close()
    return times


def pulled(page: Any) -> list[float]:
    """Roof drag, a step of the slider each [ms]."""
    page.get_by_text("exhaust opens at").first.wait_for()
    settled(page)
    times = []
    for step in range(1, ROUNDS + 1):
        want = f"roof moves {0.05 * step:.2f} mm"
        times.append(
            float(
                page.evaluate(
                    PRESS,
                    [
                        ".st-key-markout-pull-mm [role=slider], .st-key-markout-pull-mm input[type=range]",
                        "ArrowRight",
                        want,
                    ],
                )
            )
        )
        settled(page)
    return times


def released(page: Any) -> list[float]:
    """Outline let go of, until its figures are new [ms]."""
    times = []
    for _ in range(ROUNDS):
        times.append(float(page.eval_on_selector(".outline-editor", RELEASE)))
        settled(page)
    return times


def main() -> None:
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        fill_archive(folder)
        began = time.perf_counter()
        with app_served(folder) as app:
            started = 1000 * (time.perf_counter() - began)
            print(f"one-minute load {psutil.getloadavg()[0]:.1f}")
            print(f"{'[ms]':48s}   median  slowest")
            told("portmap app, until it answers", [started])
            for size in SIZES:
                told(
                    f"first useful screen, {size}", first_screen(browser, app.url, size), AIMS["first screen"]
                )
            page = browser.new_page(**SIZES["desk"])
            page.set_default_timeout(WAIT_MS)
            page.goto(app.url)
            page.get_by_role("button", name="Open the sample").click()
            page.get_by_text("This engine is made up").wait_for()
            for again in ("first time", "again"):
                for each in PAGES:
                    began = time.perf_counter()
                    go(page, each, "desk")
                    told(f"page {each}, {again}", [1000 * (time.perf_counter() - began)])
            go(page, "Mark out", "desk")
            told("roof drag to figures", pulled(page), AIMS["roof drag"])
            go(page, "Picture", "desk")
            page.locator("summary", has_text="2 Photo").click()
            page.get_by_role("button", name="Try it with a made-up photo").click()
            page.wait_for_selector(".outline-editor[data-picture=ready]")
            settled(page)
            told("outline released to figures", released(page), AIMS["release"])


if __name__ == "__main__":
    main()
