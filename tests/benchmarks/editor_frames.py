"""How fast the outline editor draws: 12 outlines of 300 corners over 12 megapixels, in software rendering.

Run it by itself on a quiet machine: ``python -m tests.benchmarks.editor_frames``. It prints a table: the time
from frame to frame as the browser shows them, the editor's own part of it, the processor's time of all of the
browser's processes for one frame (which other load doesn't change much), and how long a released drag takes
until the program's figures stand on the page.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil

from tests.app.browsers import chromium, served

if TYPE_CHECKING:
    from playwright.sync_api import Page

SCRIPT = Path(__file__).parents[1] / "app" / "editor_alone.py"
FRAMES = 120
RELEASES = 9

LOOP = """(root, what) => new Promise(done => {
  const e = root.outlineEditor, gaps = [], own = [], draw = e.draw.bind(e);
  e.draw = () => { const t = performance.now(); draw(); own.push(performance.now() - t); };
  const does = new Function("e", "n", what);
  let n = 0, last = performance.now();
  const step = (now) => {
    if (n > 5) gaps.push(now - last);
    last = now;
    if (n++ > COUNT) { delete e.draw; done([gaps, own]); return; }
    does(e, n);
    requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
})""".replace("COUNT", str(FRAMES))

MOVES = {
    "nothing (the browser alone)": "",
    "zoom": "e.zoom(n % 40 < 20 ? 1.06 : 1 / 1.06, [500, 260]);",
    "pan": "e.pan(n % 40 < 20 ? 6 : -6, n % 20 < 10 ? 3 : -3);",
    "drag of a corner with edge and loupe": (
        "if (n === 1) { const w = e.windows[5]; e.fit(); e.choose(w.id, 0, 10);"
        " e.drag = { kind: 'corner', run: [10], ring: 0, from: w.rings[0], grip: [0, 0], index: 10,"
        " loupe: w.rings[0][10], still: false, start: [0, 0], before: e.windows }; }"
        "const p = e.drag.from[10]; e.pointer = { at: e.toScreen(p) };"
        "e.dragCorner([p[0] + 2 * Math.sin(n / 9), p[1] + 2 * Math.cos(n / 9)], {}); e.redraw();"
    ),
}

RELEASE = """root => new Promise(done => {
  const e = root.outlineEditor, t = performance.now(), before = e.windows, w = before[5];
  e.setRing(w.id, 0, w.rings[0].map(([x, y]) => [x + 0.01, y]));
  e.keepStep(before, 'step.moved');
  const want = 'seq ' + e.seq + ' ';
  const texts = () => [...document.querySelectorAll('[data-testid=stText]')];
  const shown = () => texts().some(n => n.textContent.startsWith(want));
  const id = setInterval(() => { if (shown()) { clearInterval(id); done(performance.now() - t); } }, 2);
})"""


def processor_s(root: psutil.Process) -> float:
    """Processor time of a process and all below it [s]."""
    total = 0.0
    for process in [root, *root.children(recursive=True)]:
        try:
            spent = process.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += spent.user + spent.system
    return total


def browser_process() -> psutil.Process:
    """The browser that this process started."""
    for child in psutil.Process().children(recursive=True):
        if "chrom" in child.name() and "--headless" in " ".join(child.cmdline()):
            return child
    raise RuntimeError("no browser was started")


def measured(page: Page, what: str) -> tuple[list[float], list[float], float]:
    """Gaps between frames and the editor's own part [ms], and processor time of a frame [ms]."""
    root = browser_process()
    before = processor_s(root)
    found: Any = page.eval_on_selector(".outline-editor", LOOP, what)
    spent = processor_s(root) - before
    page.eval_on_selector(".outline-editor", "r => { r.outlineEditor.abandon(); r.outlineEditor.fit(); }")
    return found[0], found[1], 1000 * spent / FRAMES


def main() -> None:
    with tempfile.TemporaryDirectory() as name, served(SCRIPT, Path(name)) as url, chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        began = time.perf_counter()
        page.goto(f"{url}/?many=1")
        page.wait_for_selector(".outline-editor[data-ready=yes]", timeout=120_000)
        ready = time.perf_counter() - began
        page.wait_for_selector(".outline-editor[data-picture=ready]", timeout=120_000)
        time.sleep(2)
        print(f"page to editor {ready:.2f} s; one-minute load {psutil.getloadavg()[0]:.1f}")
        print(f"{'':38s} frame ms   95 %   own ms   processor ms")
        for title, what in MOVES.items():
            gaps, own, spent = measured(page, what)
            late = sorted(gaps)[int(0.95 * len(gaps))]
            part = statistics.median(own) if own else 0.0
            print(f"{title:38s} {statistics.median(gaps):8.1f} {late:6.1f} {part:8.2f} {spent:10.1f}")
        times = []
        for _ in range(RELEASES):
            times.append(float(page.eval_on_selector(".outline-editor", RELEASE)))
            time.sleep(0.4)
        print(f"release to figures: median {statistics.median(times):.0f} ms, least {min(times):.0f} ms")


if __name__ == "__main__":
    main()
