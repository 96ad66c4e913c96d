"""From photos to a scaled image: on the card, of the bore's wall, or with a length that is known."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from portmap.app import asked, said, store
from portmap.app.editor import ShownPicture, outline_editor
from portmap.app.pictures import picture_address
from portmap.app.picturing.work import Work, take, work_of_image
from portmap.app.texts import say
from portmap.app.typed import length_label
from portmap.errors import PictureError, PortmapError
from portmap.job_typed import length_typed
from portmap.picture.bore_seat import CardSeat
from portmap.picture.coverage import read_coverage
from portmap.picture.flatten import flatten
from portmap.picture.hand_scale import hand_scaled
from portmap.picture.load import Picture, picture_from_bytes
from portmap.picture.scaled import ScaledImage, read_scaled
from portmap.picture.screen_copy import screen_copy
from portmap.picture.sidecar import sidecar_of
from portmap.picture.trace import trace
from portmap.picture.unroll import unroll
from portmap.picture.wall_heights import told_height
from portmap.picture.wall_photos import PhotoWall, read_photos
from portmap.picture.wall_sight import is_wall, wall_sight
from portmap.picture.wall_trace import trace_wall
from portmap.quantity import angle_deg
from portmap.samples import samples

__all__ = ["photo"]

WAYS = ("card", "bore", "hand", "kept")
TYPES = ["jpg", "jpeg", "png", "heic", "heif", "tif", "tiff", "webp", "avif"]
LIFTS = ("", "filled", "line", "cut")
KEPT_MOST = 40
PLAIN = "picture.plain"
CARD, SAMPLE, BORE, HAND, KEPT = (f"photo {way}" for way in ("card", "sample", "bore", "hand", "kept"))


def photo() -> None:
    """Offer the ways in; a picture that is measured goes onto the table."""
    way = st.radio(
        say("photo.way"),
        WAYS,
        format_func=lambda one: say(f"photo.{one}"),
        captions=[say(f"photo.{one}.for") for one in WAYS],
        key="photo way",
    )
    said.show("photo")
    if way == "kept":
        _kept()
        return
    given = _given(several=way != "hand")
    if way == "card":
        _on_card(given)
    elif way == "bore":
        _of_bore(given)
    else:
        _by_hand(given)


def _given(*, several: bool) -> list[tuple[str, bytes]]:
    """Return the photos that were chosen: name and content."""
    found = st.file_uploader(
        say("photo.files"),
        type=TYPES,
        accept_multiple_files=True,
        key="photo files",
        help=say("photo.files.help"),
    )
    if st.toggle(say("photo.camera"), key="photo camera on", help=say("photo.camera.help")):
        taken = st.camera_input(say("photo.take"), key="photo camera", resolution="uhd")
        if taken is not None:
            found = [*found, taken]
    given = [(one.name, one.getvalue()) for one in found]
    return given if several else given[-1:]


def _pictures(given: Sequence[tuple[str, bytes]]) -> list[Picture]:
    return [picture_from_bytes(content, name=name) for name, content in given]


def _lift_choice() -> str:
    return st.selectbox(
        say("photo.lift"), LIFTS, format_func=lambda one: say(f"lift.{one or 'found'}"), key="lift"
    )


def _on_card(given: list[tuple[str, bytes]]) -> None:
    with st.form("flatten", border=False):
        lift = _lift_choice()
        marked = st.radio(
            say("photo.marked"), ("axis", "wall"), format_func=lambda one: say(f"marked.{one}"), key="marked"
        )
        across = st.text_input(length_label("photo.bar.across"), key="bar across", help=say("photo.bar.help"))
        down = st.text_input(length_label("photo.bar.down"), key="bar down", help=say("photo.bar.help"))
        thickness = st.text_input(
            length_label("photo.thickness"), key="thickness", help=say("photo.thickness.help")
        )
        st.form_submit_button(
            say("photo.flatten"),
            type="primary",
            icon=":material/photo_camera:",
            on_click=asked.ask,
            args=(CARD,),
        )
    st.button(
        say("photo.sample"),
        help=say("photo.sample.help"),
        key="sample photo",
        on_click=asked.ask,
        args=(SAMPLE,),
    )

    def sample() -> Work:
        made_up = samples()
        one = next(each for each in made_up.photos if each.lift == "filled")
        return _measured(
            [(one.file, one.data)],
            lift=one.lift,
            marked="axis",
            bars=made_up.bar_measured_mm,
            thickness_mm=one.sheet_thickness_mm,
        )

    def photographed() -> Work:
        bars = _bars(across, down)
        thickness_mm = _length(thickness, say("photo.thickness"), "not negative")
        return _measured(given, lift=lift or None, marked=marked, bars=bars, thickness_mm=thickness_mm)

    _on_the_table(SAMPLE, sample)
    _on_the_table(CARD, photographed, awaited="" if given else say("photo.none"))


def _on_the_table(wish: str, made: Callable[[], Work], *, awaited: str = "") -> None:
    """Lay on the table what was asked for, once it is; say what is awaited, or why it could not be made."""
    if not asked.is_asked(wish):
        return
    if awaited:  # as of a photo that is still on its way from a phone
        st.warning(awaited)
        return
    with asked.at_work(wish):
        try:
            take(made())
        except PortmapError as error:
            st.error(said.plain(str(error)))
            return
    st.rerun()


@contextmanager
def _telling() -> Iterator[Callable[[str], None]]:
    """Tell how far a photo is."""
    with st.status(say("photo.reading"), expanded=True) as status:
        try:
            yield lambda words: status.update(label=said.plain(words))
        except PortmapError:
            status.update(label=say("photo.failed"), state="error")
            raise


def _measured(given: Sequence[tuple[str, bytes]], **how: Any) -> Work:
    """Return what flattening and tracing give."""
    with _telling() as tell:
        tell(say("photo.flattening"))
        image = flatten(
            _pictures(given),  # under no name here: a large one is let go of before it is traced
            bar_measured_mm=how["bars"],
            marked=how["marked"],
            sheet_thickness_mm=how["thickness_mm"],
        )
        tell(say("photo.tracing"))
        return _traced(image, given[0][0], how["lift"], how["thickness_mm"])


def _traced(
    image: ScaledImage,
    name: str,
    lift: Any,
    thickness_mm: float | None,
    coverage: NDArray[np.uint8] | None = None,
    photos: Sequence[PhotoWall] = (),
) -> Work:
    """Return the work with what was traced; a picture in which nothing is found can be drawn on by hand."""
    try:
        if lift is None and is_wall(image):
            found = trace_wall(image, wall_sight(image, coverage), photos=photos, guessed=True)
        else:
            found = trace(image, lift=lift)
    except PictureError as error:
        said.put("outlines", "note", say("photo.nothing.traced", why=str(error)))
        return work_of_image(image, None, name=name, sheet_thickness_mm=thickness_mm)
    return work_of_image(image, found, name=name, sheet_thickness_mm=thickness_mm)


def _of_bore(given: list[tuple[str, bytes]]) -> None:
    opened = store.open_job()
    with st.form("unroll", border=False):
        bore = st.text_input(
            length_label("photo.bore.size"),
            value="" if opened is None else f"{opened.job.engine.bore_mm:g} mm",
            key="photo bore",
        )
        seat = st.radio(
            say("photo.seat"), ("base", "deck"), format_func=lambda one: say(f"seat.{one}"), key="photo seat"
        )
        deck = st.text_input(length_label("photo.deck"), key="photo deck", help=say("photo.deck.help"))
        strip = st.text_input(length_label("photo.strip"), key="photo strip", help=say("photo.strip.help"))
        height = st.text_input(say("photo.height"), key="photo height", help=say("photo.height.help"))
        step = st.text_input(say("photo.step"), key="photo step", help=say("photo.step.help"))
        st.form_submit_button(
            say("photo.unroll"), type="primary", icon=":material/360:", on_click=asked.ask, args=(BORE,)
        )

    def unrolled() -> Work:
        bore_mm = _typed(bore, where=say("photo.bore.size"), sign="positive")
        deck_mm = _length(deck, say("photo.deck"), "positive")
        if seat == "deck" and deck_mm is None:
            raise PictureError(say("photo.deck.missing"), remedy=say("photo.deck.help"))
        low_mm = _length(strip, say("photo.strip"), "any") or 0.0
        heights = [told_height(height, where=say("photo.height"))] if height.strip() else []
        step_deg = angle_deg(step, where=say("photo.step")) if step.strip() else None
        with _telling() as tell:
            made = unroll(
                _pictures(given),
                bore_mm,
                seat=CardSeat(on="deck" if seat == "deck" else "base", deck_mm=deck_mm or 0.0, low_mm=low_mm),
                deck_mm=deck_mm,
                heights=heights,
                step_deg=step_deg,
                tell=tell,
            )
            tell(say("photo.tracing"))
            return _traced(made.image, given[0][0], None, None, made.coverage, made.photos)

    _on_the_table(BORE, unrolled, awaited="" if given else say("photo.none"))


def _by_hand(given: list[tuple[str, bytes]]) -> None:
    """Let two places be marked in any picture, and take the scale from their distance."""
    if not given:
        st.info(say("hand.first"))
        return
    name, content = given[0]
    try:
        picture, shown = _plain_copy(name, content)
    except PortmapError as error:
        st.error(said.plain(str(error)))
        return
    st.write(say("hand.mark"))
    edited = outline_editor(
        (),
        shown,
        key="hand editor",
        store=f"scale {picture.sha256}",
        measuring=True,
        scaled=False,
        height_px=480,
    )
    with st.form("by hand", border=False):
        length = st.text_input(length_label("hand.length"), key="hand length", help=say("hand.length.help"))
        doubt = st.text_input(
            length_label("hand.doubt"), value="0.1 mm", key="hand doubt", help=say("hand.doubt.help")
        )
        lie = st.radio(
            say("hand.lie"),
            ("across", "up", "free"),
            format_func=lambda one: say(f"lie.{one}"),
            key="hand lie",
        )
        height = st.text_input(
            length_label("hand.height"), value="0", key="hand height", help=say("hand.height.help")
        )
        aside = st.text_input(
            length_label("hand.aside"), value="0", key="hand aside", help=say("hand.aside.help")
        )
        lift = _lift_choice()
        st.form_submit_button(
            say("hand.go"), type="primary", icon=":material/straighten:", on_click=asked.ask, args=(HAND,)
        )

    def scaled() -> Work:
        if not edited.measured:
            raise PictureError(say("hand.two"))
        # the editor's places count from the picture's outer corner, y up; pixel centres are half a pixel in
        places = [[x - 0.5, -y - 0.5] for x, y in edited.measured]
        image = hand_scaled(
            picture,
            places,
            _typed(length, where=say("hand.length"), sign="positive"),
            length_u_mm=_typed(doubt, where=say("hand.doubt"), sign="not negative") / 2,  # ± is k = 2
            first_at_mm=(
                _typed(aside, where=say("hand.aside")),
                _typed(height, where=say("hand.height")),
            ),
            lie=lie,
            placed_u_px=shown.mm_per_px,
        )
        return _traced(image, name, lift or None, None)

    _on_the_table(HAND, scaled)


def _plain_copy(name: str, content: bytes) -> tuple[Picture, ShownPicture]:
    """Return a picture, and what the browser gets of it: one of the whole picture's pixels is one unit."""
    digest = hashlib.sha256(content).hexdigest()
    kept: tuple[str, Picture, ShownPicture] | None = st.session_state.get(PLAIN)
    if kept is not None and kept[0] == digest:
        return kept[1], kept[2]
    picture = picture_from_bytes(content, name=name)
    copy = screen_copy(picture.pixels)
    shown = ShownPicture(
        src=picture_address(copy.jpeg, "jpeg"),
        width_px=copy.width_px,
        height_px=copy.height_px,
        mm_per_px=copy.times,
        left_mm=0.0,
        top_mm=0.0,
    )
    st.session_state[PLAIN] = (digest, picture, shown)
    return picture, shown


def _kept() -> None:
    """Offer scaled images that stand in the working folder, as portmap flatten writes them."""
    places = [place for place in sorted(store.folder().glob("*.png")) if sidecar_of(place).exists()][
        :KEPT_MOST
    ]
    if not places:
        st.info(say("kept.none"))
        return
    with st.form("kept", border=False):
        name = st.selectbox(say("kept.which"), [place.name for place in places], key="kept")
        lift = _lift_choice()
        st.form_submit_button(say("kept.go"), type="primary", on_click=asked.ask, args=(KEPT,))

    def read() -> Work:
        place = store.place_in_folder(name)
        image = read_scaled(place)
        beside = read_coverage(place, image), read_photos(place, image)
        return _traced(image, name, lift or None, None, *beside)

    _on_the_table(KEPT, read)


def _typed(text: str, *, where: str, sign: Any = "any") -> float:
    return length_typed(text, where=where, sign=sign, bare=store.system().name)


def _length(text: str, where: str, sign: Any) -> float | None:
    return _typed(text, where=where, sign=sign) if text.strip() else None


def _bars(across: str, down: str) -> tuple[float, float] | None:
    one = _length(across, say("photo.bar.across"), "positive")
    other = _length(down, say("photo.bar.down"), "positive")
    if one is None and other is None:
        return None
    return (one if one is not None else other or 0.0), (other if other is not None else one or 0.0)
