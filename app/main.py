"""The script that Streamlit runs: the frame, and the page that was asked for."""

from portmap.app_home import load_app

load_app()

import streamlit as st  # noqa: E402 - the app's package must be known first

from portmap.app import frame, store  # noqa: E402
from portmap.app.screens import cylinder, decide, ground, markout, measure, paper, picture  # noqa: E402
from portmap.app.texts import say  # noqa: E402

PAGES = {
    "cylinder": cylinder,
    "measure": measure,
    "picture": picture,
    "decide": decide,
    "markout": markout,
    "ground": ground,
    "paper": paper,
}

st.set_page_config(page_title=say("app.name"), layout="wide")
chosen = st.navigation(
    [
        st.Page(module.page, title=say(f"page.{name}"), url_path=name, default=name == "cylinder")
        for name, module in PAGES.items()
    ]
)
fault = store.begin()
frame.job_bar(store.refresh(), fault)
chosen.run()
