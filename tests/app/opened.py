"""Pages of the app, opened without a browser."""

import re
from html import unescape
from pathlib import Path

from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from portmap.app_home import app_folder, load_app
from portmap.job import Job, job_of, write_job
from tests.sample_job import sample

load_app()

TIME_LIMIT_S = 30


def job_file(folder: Path, job: Job | None = None) -> Path:
    """A job file in a folder: the invented sound one unless another is given."""
    return write_job(folder / "job.json", job_of(sample()) if job is None else job)


def opened_page(name: str, folder: Path, *, job: Path | None = None, units: str = "mm") -> AppTest:
    """A page after its first run, with this working folder and this job open."""
    from portmap.app import store

    store.use_folder(folder)
    at = AppTest.from_file(app_folder() / "main.py", default_timeout=TIME_LIMIT_S)
    at.session_state[store.UNITS] = units
    if job is not None:
        at.query_params["job"] = job.relative_to(folder).as_posix()
    at._page_hash = calc_hash(name)  # a page that is a function has no file to switch to
    return at.run()


def button(at: AppTest, label: str):
    """The one button of this label."""
    (found,) = [each for each in at.button if each.label == label]
    return found


def tables(at: AppTest) -> list[str]:
    """The HTML of every table on the page."""
    return [each.value for each in at.get("html") if "<table" in each.value]


def cells(html: str) -> list[list[str]]:
    """The rows of a table, as text."""
    rows = re.findall(r"<tr class.*?</tr>", html)
    return [[unescape(cell) for cell in re.findall(r"<td[^>]*>(.*?)</td>", row)] for row in rows]


def unescaped(words: str) -> str:
    """Words of a message without the strokes that keep them from being markup."""
    return re.sub(r"\\(.)", r"\1", words)


def said(elements) -> str:
    """All that some messages say, in one."""
    return " ".join(unescaped(each.value) for each in elements)
