"""Five people at one server, each with a sample job of their own, each step by all of them at once."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from portmap.job import Job, read_job
from tests.app.browsers import refused
from tests.app.served_app import app_served
from tests.app.test_walk import SIZES, arrived, settled, turn_to

USERS = 5
WAIT_MS = 120_000
STEP_MM = 0.05  # of the slider that pulls a roof
PDF = b"%PDF-"


@dataclass
class User:
    """One of them: a browser of their own, what they read and how far they pull."""

    number: int
    page: Any
    faults: list[str] = field(default_factory=list)
    file: str = ""
    sheet: bytes = b""
    waiting: Any = None

    @property
    def read_deg(self) -> float:
        return 104.1 + 0.1 * self.number

    @property
    def pulls(self) -> int:
        return 6 + 3 * self.number

    @property
    def units(self) -> str:
        return "inch" if self.number % 2 else "mm"

    def press(self, words: str, **more: Any) -> None:
        self.page.get_by_role("button", name=words, **more).first.click()

    def unfold(self, words: str) -> None:
        """Open a part of the page, and wait: while it unfolds, a button can slip away under the mouse."""
        self.page.locator("summary", has_text=words).click()
        self.page.wait_for_function(
            "() => [...document.querySelectorAll('details')].every((each) => !each.getAnimations().length)"
        )

    def sees(self, words: str) -> None:
        self.page.get_by_text(words).first.wait_for()


def page_turned(name: str) -> tuple[Callable[[User], None], Callable[[User], None]]:
    return (lambda user: turn_to(user.page, name, "desk")), (lambda user: arrived(user.page, name))


def open_sample(user: User) -> None:
    user.press("Open the sample")


def sample_open(user: User) -> None:
    user.sees("This engine is made up")
    user.page.wait_for_url(re.compile("job="))
    user.file = re.search(r"job=([^&]+)", user.page.url)[1]
    user.page.get_by_text(user.units, exact=True).click()


def type_reading(user: User) -> None:
    user.page.get_by_role("textbox", name="What did you read?").fill(f"exhaust opens {user.read_deg:.1f} deg")
    user.press("Add", exact=True)


def reading_understood(user: User) -> None:
    user.sees(f"10: understood as exhaust opens {user.read_deg:.1f}° after TDC.")


def pull_roof(user: User) -> None:
    unit = user.units
    slider = user.page.locator(f".st-key-markout-pull-{unit}").get_by_role("slider")
    slider.focus()
    for _ in range(user.pulls):
        slider.press("ArrowRight")


def roof_pulled(user: User) -> None:
    pulled = f"{user.pulls * STEP_MM:.2f} mm" if user.units == "mm" else f"{user.pulls * 0.002:.4f} in"
    user.sees(f"roof moves {pulled}")


def take_sheet(user: User) -> None:
    button = user.page.get_by_role("button", name=re.compile(r"sheet\.pdf"))
    with user.page.expect_download() as waiting:
        button.click()
    user.sheet = Path(waiting.value.path()).read_bytes()


def nothing(_: User) -> None:
    return


STEPS: dict[str, tuple[Callable[[User], None], Callable[[User], None]]] = {
    "open the sample": (open_sample, sample_open),
    "to Measure": page_turned("Measure"),
    "type a reading": (type_reading, reading_understood),
    "to Picture": page_turned("Picture"),
    "measure a photo": (
        lambda user: (
            user.unfold("2 Photo"),
            user.press("Try it with a made-up photo"),
        ),
        lambda user: user.sees("kept whole for measuring"),
    ),
    "outlines into the job": (
        lambda user: user.press("Put the outlines into"),
        lambda user: user.sees("windows are in the job"),
    ),
    "to Decide": page_turned("Decide"),
    "find recipes": (
        lambda user: user.press("Find recipes"),
        lambda user: user.page.get_by_role("button", name="Keep this recipe").first.wait_for(),
    ),
    "keep a recipe": (
        lambda user: user.press("Keep this recipe"),
        lambda user: user.sees("This recipe is kept"),
    ),
    "to Mark out": page_turned("Mark out"),
    "pull the roof": (pull_roof, roof_pulled),
    "keep the edge": (
        lambda user: user.press("Keep this edge"),
        lambda user: user.page.get_by_role("button", name="Take the last edge back").wait_for(),
    ),
    "to After grinding": page_turned("After grinding"),
    "to On paper": page_turned("On paper"),
    "take the sheet": (
        lambda user: user.page.get_by_role("button", name=re.compile(r"sheet\.pdf")).wait_for(),
        take_sheet,
    ),
}


def trouble(user: User) -> list[str]:
    """What a page shows or says that it should not."""
    page = user.page
    found = [*user.faults]
    found += [f"exception: {one}" for one in page.get_by_test_id("stException").all_inner_texts()]
    found += [f"error: {one}" for one in page.get_by_test_id("stAlertContentError").all_inner_texts()]
    return found


def moved_mm(job: Job, user: User) -> float:
    """How far the kept edge lies above the roof that was traced."""
    stages = {
        entry.stage: max(
            y
            for port in entry.ports
            if port.id == "exhaust"
            for window in port.windows
            for _, y in window.outline_mm
        )
        for entry in job.maps
    }
    return stages["proposed"] - stages["stock"]


@pytest.mark.long
def test_five_users_do_the_sample_job_at_once(browser: Any, tmp_path: Path) -> None:
    with app_served(tmp_path) as app:
        users = []
        for number in range(USERS):
            context = browser.new_context(**SIZES["desk"], accept_downloads=True)
            page = context.new_page()
            page.set_default_timeout(WAIT_MS)
            user = User(number=number, page=page)
            page.on("pageerror", lambda error, user=user: user.faults.append(str(error)))
            refused(page, user.faults)
            users.append(user)
        for user in users:
            user.page.goto(app.url, wait_until="commit")
        failed = {}
        for name, (begin, end) in STEPS.items():
            for user in users:
                begin(user)
            for user in users:
                end(user)
            for user in users:
                settled(user.page)
                if faults := trouble(user):
                    failed[f"{name}, user {user.number}"] = faults
            assert failed == {}
        assert len({user.file for user in users}) == USERS
        for user in users:
            bar = user.page.locator(".st-key-jobbar").inner_text()
            assert f"Saved in {user.file}" in bar
            words = user.page.locator("body").inner_text()
            assert not [one.file for one in users if one is not user and f"in {one.file}" in words]
            job = read_job(tmp_path / user.file)
            assert [f"{reading.value:.1f}" for reading in job.readings[9:]] == [f"{user.read_deg:.1f}"]
            assert job.plan is not None
            pull = user.pulls * (STEP_MM if user.units == "mm" else 0.002 * 25.4)
            assert moved_mm(job, user) == pytest.approx(pull, abs=1e-3)
            assert len(job.edits) == 1
            assert user.sheet.startswith(PDF)
            user.page.context.close()
