"""The script that Streamlit runs: the frame, and the page that was asked for."""

from portmap.app_home import app_folder, load_app

load_app()

from collections.abc import Callable  # noqa: E402 - the app's package must be known first
from importlib import import_module  # noqa: E402

import streamlit as st  # noqa: E402

from portmap.app import asked, frame, said, store  # noqa: E402
from portmap.app.texts import say  # noqa: E402

SCREENS = ("cylinder", "measure", "picture", "decide", "markout", "ground", "paper", "archive")


def screen(name: str) -> Callable[[], None]:
    """Return what draws a page; its module is imported only then, so that the first page comes soon."""

    def draw() -> None:
        import_module(f"portmap.app.screens.{name}").page()

    return draw


# a picture of our own: for a page's symbol the browser would ask another site
st.set_page_config(page_title=say("app.name"), page_icon=app_folder() / "icon.png", layout="wide")
pages = {
    each: st.Page(
        screen(each),
        title=say(f"page.{each}"),
        url_path=each,
        default=each == "cylinder",
        icon=say(f"page.{each}.icon"),
    )
    for each in SCREENS
}
frame.use_pages(pages)
chosen = st.navigation(list(pages.values()))
asked.begin_run()
fault = store.begin()
frame.job_bar(store.refresh(), fault)
chosen.run()
asked.end_run()
said.end_run()
