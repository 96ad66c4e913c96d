"""The page of the picture: card, photo, outlines, which window is which port, into the job."""

from __future__ import annotations

from typing import get_args

import streamlit as st

from portmap.app import asked, frame, said, store
from portmap.app.picturing.cards import cards
from portmap.app.picturing.outlines import outlines, ports, put_into_job
from portmap.app.picturing.photo import photo
from portmap.app.picturing.work import Work, at_hand, let_go, work_of_job
from portmap.app.shown import off_text
from portmap.app.telling import offer_drawings
from portmap.app.texts import say
from portmap.errors import PortmapError
from portmap.picture.scaled import ScaledImage, write_scaled
from portmap.port import Stage

__all__ = ["page"]


def page() -> None:
    """Draw the page."""
    st.title(say("picture.title"))
    work = _on_the_table()
    offer_drawings(say("drawing.offer.picture"), "lift", "photograph")
    with st.expander(say("picture.card"), icon=":material/print:"):
        cards()
    with st.expander(
        say("picture.photo"), icon=":material/photo_camera:", expanded=work is None and not _job_has_maps()
    ):
        photo()
    if work is None:
        work = _of_the_job()
    else:
        _about(work)
    said.show("outlines")
    if work is None:
        frame.next_page("picture")
        return
    _drawing(work)
    frame.next_page("picture")


@st.fragment
def _drawing(given: Work) -> None:
    """Draw the editor and what follows from it; an edit costs this part of the page alone."""
    asked.draw_whole_page()  # the job's bar may have something new to say
    work = at_hand() or given  # kinds and names may be newer
    st.subheader(say("picture.outlines"))
    windows = outlines(work)
    if windows:
        with st.expander(say("picture.ports"), icon=":material/label:", expanded=work.image is not None):
            ports(work, windows)
        with st.container(border=True):
            st.subheader(say("picture.into"))
            put_into_job(work, windows)


def _on_the_table() -> Work | None:
    """Return what is drawn on; a job's own outlines only while they are those that the job has."""
    work, opened = at_hand(), store.open_job()
    if work is None or work.image is not None:
        return work
    if opened is not None and work.revision == opened.revision:
        return work
    let_go()
    return None


def _job_has_maps() -> bool:
    opened = store.open_job()
    return opened is not None and bool(opened.job.maps)


def _of_the_job() -> Work | None:
    """Return the open job's own outlines, if it has any."""
    opened = store.open_job()
    if opened is None or not opened.job.maps:
        return None
    stages: list[Stage] = [
        stage for stage in get_args(Stage) if any(e.stage == stage for e in opened.job.maps)
    ]
    drawn = [stage for stage in stages if stage != "proposed"]  # that one is made on the page Mark out
    if not drawn:
        return None
    stage = drawn[0]
    if len(drawn) > 1:
        stage = st.radio(
            say("picture.stage"),
            drawn,
            format_func=lambda one: say(f"into.{one}"),
            key="own stage",
            horizontal=True,
        )
    st.caption(say("picture.own"))
    return work_of_job(opened, stage)


def _about(work: Work) -> None:
    """Say what lies on the table, how sure it is, and offer to put it away or keep it."""
    image = work.image
    if image is None:
        return
    rows, columns = image.pixels.shape[:2]
    words = say("picture.about", name=work.name, columns=columns, rows=rows, size=f"{image.mm_per_px:.4g}")
    if image.residual_mm is not None:
        words += " " + say("picture.misfit", misfit=off_text(image.residual_mm, "mm"))
    st.markdown(said.plain(words))
    if work.notices:
        with st.expander(say("picture.doubts", count=len(work.notices)), icon=":material/help:"):
            for notice in work.notices:
                st.markdown(f"- {said.plain(notice.message)}")
    with st.container(horizontal=True):
        st.button(
            say("picture.keep"),
            key="keep picture",
            on_click=_keep,
            args=(work, image),
            help=say("picture.keep.help"),
        )
        st.button(say("picture.away"), key="put away", on_click=let_go, help=say("picture.away.help"))
    said.show("picture")


def _keep(work: Work, image: ScaledImage) -> None:
    """Write the scaled image into the working folder, under a name that is free."""
    stem = store.file_stem(work.name.rpartition(".")[0] or work.name)
    for number in range(1, 1000):
        place = store.folder() / f"{stem}-flat{'' if number == 1 else f'-{number}'}.png"
        if place.exists() or place.with_suffix(".json").exists():
            continue
        try:
            write_scaled(image, place)
        except PortmapError as error:
            said.fault_said("picture", error)
            return
        said.put("picture", "done", say("picture.kept", name=place.name))
        return
