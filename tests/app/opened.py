"""Pages of the app, opened without a browser."""

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
