"""The editor in a browser as a hand meets it: places in mm, drags by mouse and by finger."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

__all__ = ["EditorPage", "desktop", "phone"]

READY_MS = 90_000  # of a machine that does much else
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 900}


class EditorPage:
    """One page with one editor on it."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.page: Page = context.new_page()
        self.faults: list[str] = []
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.set_default_timeout(READY_MS)
        self.page.goto(url, wait_until="commit")
        self.wait()
        self._cdp: Any = None
        self.ask("e.fit();")
        self.frame()

    def wait(self) -> None:
        self.page.wait_for_selector(".outline-editor[data-ready=yes][data-picture=ready]", timeout=READY_MS)
        self.page.wait_for_selector(".stage path.outline", state="attached")
        self.frame()

    def frame(self) -> None:
        self.page.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")

    def ask(self, body: str, given: Any = None) -> Any:
        """What a body of script says; `e` is the editor."""
        script = f"(root, given) => {{ const e = root.outlineEditor; {body} }}"
        return self.page.eval_on_selector(".outline-editor", script, given)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a place of the wall is on the screen."""
        box = "const b = e.stage.getBoundingClientRect(), q = e.toScreen(given);"
        u, v = self.ask(f"{box} return [b.left + q[0], b.top + q[1]];", [x, y])
        return u, v

    def ring(self, number: int = 0, ring: int = 0) -> list[list[float]]:
        found: list[list[float]] = self.ask("return e.windows[given[0]].rings[given[1]];", [number, ring])
        return found

    def put_ring(self, number: int, ring: list[list[float]]) -> None:
        """Give a window another outline, as a step like any other."""
        self.ask(
            "const b = e.windows; e.setRing(b[given[0]].id, 0, given[1]); e.keepStep(b, 'step.corner');",
            [number, ring],
        )
        self.frame()

    def look_at(self, x: float, y: float, px_per_mm: float) -> None:
        """Zoom to a place."""
        self.ask(
            "const [u, v] = e.toScreen(given.slice(0, 2)), [w, h] = e.size; e.pan(w / 2 - u, h / 2 - v);"
            "e.zoom(given[2] / e.view.scale, [w / 2, h / 2]);",
            [x, y, px_per_mm],
        )
        self.frame()

    @property
    def count(self) -> int:
        return int(self.ask("return e.windows.length;"))

    @property
    def steps(self) -> int:
        return int(self.ask("return e.steps.back.length;"))

    @property
    def status(self) -> str:
        return self.page.locator(".status").inner_text()

    def press(self, words: str) -> None:
        """Press a button, even one that says it means nothing now."""
        self.page.get_by_role("button", name=words, exact=True).click(force=True)
        self.frame()

    def begin_anew(self) -> None:
        """Every step undone by the editor itself, nothing chosen, all in view."""
        self.ask(
            "while (e.steps.back.length) e.run('undo'); e.steps.on = []; e.useTool('shape'); e.choose(null);"
            "e.sticky = { edge: true, lines: true }; e.fields.pull.value = '0'; e.tapped = null;"
            "e.pointer = null; e.say('none'); e.refreshButtons(); e.fit();"
        )
        self.page.mouse.move(2, 2)
        self.frame()

    def type_into(self, field: str, text: str) -> None:
        self.page.locator(f"[data-field={field}]").fill(text)

    def click(self, x: float, y: float) -> None:
        self.page.mouse.click(*self.at(x, y))
        self.frame()

    def drag(self, start: tuple[float, float], end: tuple[float, float], *, keys: str = "") -> None:
        (a, b), (c, d) = self.at(*start), self.at(*end)
        if keys:
            self.page.keyboard.down(keys)
        self.page.mouse.move(a, b)
        self.page.mouse.down()
        self.page.mouse.move(c, d, steps=5)
        self.page.mouse.up()
        if keys:
            self.page.keyboard.up(keys)
        self.frame()

    def fingers(self, kind: str, places: list[tuple[float, float]]) -> None:
        if self._cdp is None:
            self._cdp = self.page.context.new_cdp_session(self.page)
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        self._cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def tap(self, x: float, y: float) -> None:
        self.fingers("touchStart", [self.at(x, y)])
        self.fingers("touchEnd", [])
        self.frame()

    def finger_drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        (a, b), (c, d) = self.at(*start), self.at(*end)
        self.fingers("touchStart", [(a, b)])
        for share in (0.25, 0.5, 0.75, 1.0):
            self.fingers("touchMove", [(a + share * (c - a), b + share * (d - b))])
        self.fingers("touchEnd", [])
        self.frame()

    def told(self, words: str) -> None:
        """Wait until the program shows some words."""
        self.page.get_by_text(words).wait_for(timeout=READY_MS)

    @property
    def areas(self) -> str:
        return self.page.get_by_text("areas ").inner_text()


def desktop(browser: Any) -> Any:
    return browser.new_context(viewport=DESKTOP)


def phone(browser: Any) -> Any:
    return browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True, device_scale_factor=2)
