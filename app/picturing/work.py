"""The picture at hand: a scaled image, what was traced in it, and what the editor is given of both.

One per session. The whole image stays here for measuring; the browser gets a copy fit for its screen.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import streamlit as st
from shapely.affinity import translate

from portmap.app import store
from portmap.app.editor import ShownPicture, ShownWindow, shown_window
from portmap.app.pictures import picture_address
from portmap.assign import assigned_ports
from portmap.errors import Notice, PortmapError
from portmap.job import map_entry_of, notices_of, port_map_of
from portmap.matching import shared_part
from portmap.picture.scaled import ScaledImage
from portmap.picture.screen_copy import screen_copy
from portmap.picture.traced import Trace
from portmap.port import USUAL_CONTROL, Kind, Port, PortMap, Stage, Window

__all__ = [
    "EDITOR",
    "Work",
    "at_hand",
    "let_go",
    "shown_picture",
    "take",
    "work_of_image",
    "work_of_job",
]

KEY = "picture.work"
EDITOR = "picture.editor"
# A hand with a loupe puts a corner to half a pixel of what it sees, at best so; common practice, no source.
LEAST_PLACED_MM = 0.03
LEAST_SHARED = 0.3  # of both windows' area together: a port that was ground or traced anew is still that port


@dataclass(frozen=True, kw_only=True, slots=True)
class Work:
    """What is drawn on.

    Parameters
    ----------
    name : str
        Of the picture or map, for a person.
    store : str
        Under which the browser keeps unsaved outlines.
    image : ScaledImage or None
        None for outlines without a picture.
    shown : ShownPicture or None
    windows : tuple of ShownWindow
        As the editor is given them.
    traced : mapping of str to Window
        By the editor's names, as they were before any hand touched them.
    source : mapping
        Where the outlines came from.
    notices : tuple of Notice
        What makes them doubtful.
    stage : {'stock', 'proposed', 'ground'}
    sheet_thickness_mm : float or None
        Of a lifted sheet.
    revision : str
        Of the job's file, if these are its own outlines.
    """

    name: str
    store: str
    image: ScaledImage | None
    shown: ShownPicture | None
    windows: tuple[ShownWindow, ...]
    traced: Mapping[str, Window]
    source: Mapping[str, Any] = field(default_factory=dict)
    notices: tuple[Notice, ...] = ()
    stage: Stage = "stock"
    sheet_thickness_mm: float | None = None
    revision: str = ""

    @property
    def placed_u_mm(self) -> float:
        """How well a hand puts a corner here [mm]."""
        return max(LEAST_PLACED_MM, 0.0 if self.shown is None else self.shown.mm_per_px / 2)


def at_hand() -> Work | None:
    """Return the picture at hand."""
    found: Work | None = st.session_state.get(KEY)
    return found


def take(work: Work) -> None:
    """Lay a picture on the table in place of the one there."""
    st.session_state[KEY] = work


def let_go() -> None:
    """Take the picture off the table."""
    st.session_state.pop(KEY, None)


def shown_picture(image: ScaledImage) -> ShownPicture:
    """Return a scaled image as the browser gets it."""
    copy = screen_copy(image.pixels)
    half = image.mm_per_px / 2  # from a pixel's centre to its outer corner
    return ShownPicture(
        src=picture_address(copy.jpeg, "jpeg"),
        width_px=copy.width_px,
        height_px=copy.height_px,
        mm_per_px=image.mm_per_px * copy.times,
        left_mm=image.x0_mm - half,
        top_mm=image.y0_mm + half,
    )


def work_of_image(
    image: ScaledImage,
    trace: Trace | None,
    *,
    name: str,
    stage: Stage = "stock",
    sheet_thickness_mm: float | None = None,
) -> Work:
    """Return a scaled image and its trace, if there is one, laid out for the editor."""
    opened = store.open_job()
    bore_mm = None if opened is None else opened.job.engine.bore_mm
    traced = {} if trace is None else {str(each.number): each.window for each in trace.windows}
    kinds = _guessed(traced, bore_mm)
    if opened is not None and opened.job.maps:
        kinds |= _known(traced, port_map_of(opened.job), opened.job.engine.bore_mm)
    windows = tuple(
        shown_window(window.outline, id=number, name=kinds[number][1], kind=kinds[number][0], stage=stage)
        for number, window in traced.items()
    )
    digest = hashlib.sha256(image.pixels[::7, ::7].tobytes()).hexdigest()[:16]
    place = f"{image.mm_per_px:.6f} {image.x0_mm:.3f} {image.y0_mm:.3f}"
    return Work(
        name=name,
        store=f"{'' if opened is None else opened.path.name} {digest} {place}",
        image=image,
        shown=shown_picture(image),
        windows=windows,
        traced=traced,
        source={"image": image.source, "mm_per_px": image.mm_per_px} if trace is None else trace.source,
        notices=image.notices if trace is None else trace.notices,
        stage=stage,
        sheet_thickness_mm=sheet_thickness_mm,
    )


def work_of_job(opened: store.OpenJob, stage: Stage) -> Work:
    """Return the outlines that a job has at a stage, laid out for the editor without a picture."""
    job, path = opened.job, opened.path
    entry = map_entry_of(job, stage)
    windows: list[ShownWindow] = []
    traced: dict[str, Window] = {}
    for port in port_map_of(job, stage).ports:
        for number, window in enumerate(port.windows):
            name = f"{port.id}/{number}"
            traced[name] = window
            windows.append(shown_window(window.outline, id=name, name=port.id, kind=port.kind, stage=stage))
    return Work(
        name=job.name,
        store=f"{path.name} {stage}",
        image=None,
        shown=None,
        windows=tuple(windows),
        traced=traced,
        source=dict(entry.source or {}),
        notices=notices_of(entry.warnings),
        stage=stage,
        revision=opened.revision,
    )


def _known(traced: Mapping[str, Window], port_map: PortMap, bore_mm: float) -> dict[str, tuple[Kind, str]]:
    """Return kind and name of each window that lies where the job has one: readings speak of its name."""
    round_mm = math.pi * bore_mm
    found: dict[str, tuple[Kind, str]] = {}
    for number, window in traced.items():
        best = LEAST_SHARED
        for port in port_map.ports:
            for known in port.windows:
                for turn in (-round_mm, 0.0, round_mm):
                    shared = shared_part(window.outline, translate(known.outline, turn))
                    if shared > best:
                        best, found[number] = shared, (port.kind, port.id)
    return found


def _guessed(traced: Mapping[str, Window], bore_mm: float | None) -> dict[str, tuple[Kind, str]]:
    """Return kind and name of each window, guessed from its place if the bore is known."""
    plain: dict[str, tuple[Kind, str]] = {number: ("other", number) for number in traced}
    if bore_mm is None or not traced:
        return plain
    ports = tuple(
        Port(id=number, kind="other", control=USUAL_CONTROL["other"], windows=(window,))
        for number, window in traced.items()
    )
    try:
        made, _ = assigned_ports(PortMap(stage="stock", ports=ports), [], bore_mm)
    except PortmapError:
        return plain  # windows that fit no bore of this size are named by hand
    owner = {id(window): port for port in made.ports for window in port.windows}
    for number, window in traced.items():
        port = owner[id(window)]
        plain[number] = (port.kind, port.id)
    return plain
