"""How much memory the served app holds with one picture of 50 megapixels, from upload to outlines.

    python -m tests.benchmarks.app_memory [--photo KEPT.jpg]

A photo of a printed card with rubbed windows is rendered by the tests' own camera, uploaded in a browser and
measured. What is counted is the resident memory of the server and all processes below it, looked at every
20 ms; the highest of each step is printed, and what is left when the step is done. ``--photo`` keeps the
rendered photo for the next time.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import shapely
from PIL import ExifTags, Image

from tests.app.browsers import chromium
from tests.app.served_app import app_served
from tests.rendering import LENSES, Impression, Light, Sensor, Sheet, jpeg, photo, view_over
from tests.scenes import blank_card

SIZE_PX = (8160, 6144)  # 50.1 megapixels
AIM_MB = 600
LOOK_S = 0.02
CALM_S = 2.0
WAIT_MS = 90_000


def large_photo() -> bytes:
    """A photo of a card with three rubbed windows on a lifted sheet."""
    dice = np.random.default_rng(50)
    page = blank_card().painted(
        Sheet(outline=shapely.box(-70, 5, 70, 65)),
        [
            Impression(shape=shapely.box(-14, 28, 14, 40).buffer(2)),
            Impression(shape=shapely.box(26, 24, 44, 34).buffer(2)),
            Impression(shape=shapely.box(-44, 24, -26, 34).buffer(2)),
        ],
        rng=dice,
    )
    view = view_over(LENSES["phone"], SIZE_PX, box_mm=page.bounds_mm, tilt_deg=12, towards_deg=70, turn_deg=2)
    light = Light(gradient=(0.15, 0.1), vignette=0.25)
    pixels = photo(page, view, light, Sensor(blur_px=1.4), rng=dice, samples=2)
    held = Image.Exif()
    held[ExifTags.Base.Orientation] = 6  # held upright, as a phone is: the reader turns it right
    return jpeg(np.ascontiguousarray(np.rot90(pixels)), quality=97, exif=held)


class Memory:
    """Watches a process and all below it."""

    def __init__(self, root: psutil.Process) -> None:
        self.root = root
        self.highest_mb = 0.0
        self.going = True
        self.watcher = threading.Thread(target=self._watch, daemon=True)
        self.watcher.start()

    def now_mb(self) -> float:
        total = 0
        for process in [self.root, *self.root.children(recursive=True)]:
            try:
                total += process.memory_info().rss
            except psutil.NoSuchProcess:
                continue
        return total / 1e6

    def _watch(self) -> None:
        while self.going:
            self.highest_mb = max(self.highest_mb, self.now_mb())
            time.sleep(LOOK_S)

    @contextmanager
    def step(self, words: str) -> Iterator[None]:
        self.highest_mb = 0.0
        yield
        highest = max(self.highest_mb, self.now_mb())
        time.sleep(CALM_S)
        print(f"{words:44s} {highest:8.0f} {self.now_mb():8.0f}", flush=True)


def server_process() -> psutil.Process:
    for child in psutil.Process().children(recursive=True):
        if "--no-browser" in child.cmdline():
            return child
    raise RuntimeError("no server was started")


def walk(page: Any, memory: Memory, url: str, place: Path) -> None:
    """Walk the steps; what the memory is stands in a table."""
    with memory.step("server started"):
        time.sleep(CALM_S)
    with memory.step("first page in a browser"):
        page.goto(url)
        page.get_by_role("button", name="Open the sample").wait_for()
    with memory.step("the sample open, page Picture"):
        page.get_by_role("button", name="Open the sample").click()
        page.get_by_text("This engine is made up").wait_for()
        page.get_by_test_id("stSidebarNavLink").filter(has_text="Picture").click()
        page.locator("summary", has_text="2 Photo").click()
    with memory.step(f"{place.stat().st_size / 1e6:.0f} MB uploaded"):
        page.locator("input[type=file]").first.set_input_files(str(place))
        page.get_by_text(place.name).first.wait_for()
    with memory.step("measured: flattened and traced"):
        page.get_by_role("button", name="Measure this photo").click()
        page.get_by_text("kept whole for measuring").wait_for()
        page.wait_for_selector(".outline-editor[data-picture=ready]")
    with memory.step("outlines put into the job"):
        page.get_by_role("button", name="Put the outlines into").click()
        page.get_by_text("windows are in the job").first.wait_for()


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--photo", type=Path)
    kept: Path | None = asked.parse_args().photo
    with tempfile.TemporaryDirectory() as name:
        place = kept or Path(name) / "large.jpg"
        if not place.exists():
            place.write_bytes(large_photo())
        folder = Path(name) / "served"
        folder.mkdir()
        with app_served(folder) as app, chromium() as browser:
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.set_default_timeout(WAIT_MS)
            print(f"{SIZE_PX[0]} × {SIZE_PX[1]} pixels; one-minute load {psutil.getloadavg()[0]:.1f}")
            print(f"{'server and all below it, resident [MB]':44s}  highest    after")
            memory = Memory(server_process())
            try:
                walk(page, memory, app.url, place)
            finally:
                memory.going = False
                memory.watcher.join()
            print(f"aim: under {AIM_MB} MB")


if __name__ == "__main__":
    main()
