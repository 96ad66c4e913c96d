"""The outline editor: a photo with the ports' outlines over it, dragged right by mouse, finger or keys.

Its own code stands in the ``.js`` files beside this one, plain scripts that are put one after another: no
build step. Outlines are in mm on the wall (x to the right, y up). The browser hands over each edit once, when
the gesture ends, under a running number; what the program has not confirmed it sends again, and it keeps all
of it in its own store too, so that a reload or a dead server loses nothing.

Glossary
--------
store
    Name of a job and picture, under which the browser keeps unsaved work.
base
    Name of the state that the outlines were given in: a hash of them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, get_args

import streamlit as st
from shapely import Polygon

from portmap.app.texts import all_words
from portmap.errors import GeometryError
from portmap.look import KIND_COLOURS
from portmap.port import Kind, Stage, window_polygon
from portmap.shown import UnitSystem, unit_system

__all__ = [
    "DegreeTable",
    "Edited",
    "ShownPicture",
    "ShownWindow",
    "edited_windows",
    "outline_editor",
    "shape_of",
    "shown_window",
]

HERE = Path(__file__).parent
SCRIPTS = ("geometry.js", "edge.js", "history.js", "view.js", "gestures.js", "commands.js", "editor.js")
WORDS_PART = "outlines."
PLACES = 5  # decimals of a millimetre, as files hold them
MOST_CORNERS = 100_000  # a browser that hands over more is not ours

Ring = tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownWindow:
    """A window as the editor shows it and gives it back.

    Parameters
    ----------
    id : str
        Its own; a window cut in two or mirrored gives the new one ``id+2`` and so on.
    name : str
        What stands on it.
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    stage : {'stock', 'proposed', 'ground'}
    rings : tuple of tuple of (float, float)
        The outline, then islands of metal [mm]. A hand can make it cross itself: see `shape_of`.
    """

    id: str
    name: str
    kind: Kind
    stage: Stage
    rings: tuple[Ring, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownPicture:
    """The picture under the outlines, as the browser gets it.

    Parameters
    ----------
    src : str
        Address of the same server, or a data URL.
    width_px, height_px : int
        Of the picture that the browser gets.
    mm_per_px : float
        Size of one of its pixels [mm].
    left_mm, top_mm : float
        Outer corner of the first pixel, half a pixel outside its centre [mm].
    """

    src: str
    width_px: int
    height_px: int
    mm_per_px: float
    left_mm: float
    top_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DegreeTable:
    """Degrees beside heights, for the scale and for measuring.

    Parameters
    ----------
    height_mm : tuple of float
        Ascending.
    opens_deg : tuple of float
        Degree after true TDC at which the crown uncovers that height.
    """

    height_mm: tuple[float, ...]
    opens_deg: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Edited:
    """What the editor gives back.

    Parameters
    ----------
    windows : tuple of ShownWindow
        As last handed over; as given, if nothing was edited.
    changed : bool
        Whether they differ from those given.
    seq : int
        Running number of the last edit; 0 before the first.
    measured : tuple of two (float, float) or None
        The two places measured last [mm].
    """

    windows: tuple[ShownWindow, ...]
    changed: bool
    seq: int
    measured: tuple[tuple[float, float], tuple[float, float]] | None


def shown_window(shape: Polygon, *, id: str, name: str, kind: Kind, stage: Stage = "stock") -> ShownWindow:
    """Return a window as the editor takes it, its corners rounded as files hold them."""
    rings = tuple(
        tuple((round(float(x), PLACES), round(float(y), PLACES)) for x, y in ring.coords[:-1])
        for ring in (shape.exterior, *shape.interiors)
    )
    return ShownWindow(id=id, name=name, kind=kind, stage=stage, rings=rings)


def shape_of(window: ShownWindow) -> Polygon:
    """Return the checked shape of an edited window.

    Raises
    ------
    GeometryError
        If it crosses itself or has no area, with its name and the place.
    """
    try:
        return window_polygon(window.rings[0], window.rings[1:])
    except GeometryError as error:
        raise error.at(window.name) from None


def outline_editor(
    windows: Sequence[ShownWindow],
    picture: ShownPicture | None,
    *,
    key: str,
    store: str,
    degrees: DegreeTable | None = None,
    height_px: int = 560,
    measuring: bool = False,
    scaled: bool = True,
    units: UnitSystem | None = None,
    on_edit: Callable[[], None] | None = None,
) -> Edited:
    """Show the editor and return what it holds.

    Parameters
    ----------
    windows : sequence of ShownWindow
        The outlines as the job or the trace has them. When they change, they replace what the editor shows,
        as one step that can be taken back, unless the browser has an edit that was not seen yet.
    picture : ShownPicture or None
    key : str
        Of the element; always the same for the same place.
    store : str
        Name of job and picture.
    degrees : DegreeTable, optional
        Shows the degree scale.
    height_px : int, optional
        Of the stage.
    measuring : bool, optional
        Only two places are taken, no outlines.
    scaled : bool, optional
        Whether the picture's scale is known; else places are told in pixels.
    units : UnitSystem, optional
        In which lengths are shown and typed; millimetres unless told. Outlines stay in millimetres.
    on_edit : callable, optional
        Called before the run that an edit causes.

    Returns
    -------
    Edited
    """
    given = [_document(window) for window in windows]
    base = _base(given)
    held: Mapping[str, Any] = st.session_state.get(key) or {}
    now, seq = _current(given, base, key, store)
    _component()(
        key=key,
        data={
            "words": _words(),
            "colours": dict(KIND_COLOURS),
            "store": store,
            "base": base,
            "rev": seq,
            "windows": now,
            "dirty": now != given,
            "picture": None if picture is None else _plain(picture),
            "degrees": None if degrees is None else _plain(degrees),
            "height": height_px,
            "measuring": measuring,
            "scaled": scaled,
            "unit": _unit(units or unit_system("mm")),
        },
        default={"edit": None, "measure": None},
        on_edit_change=on_edit or _nothing,
        on_measure_change=_nothing,
    )
    return Edited(
        windows=tuple(_window(entry) for entry in now),
        changed=now != given,
        seq=seq,
        measured=_measured(held.get("measure")),
    )


def edited_windows(windows: Sequence[ShownWindow], *, key: str, store: str) -> tuple[ShownWindow, ...]:
    """Return what the editor holds, before it is drawn in this run, as in a button's callback.

    Parameters
    ----------
    windows : sequence of ShownWindow
        As given to `outline_editor` in the last run.
    key, store : str
        As there.

    Returns
    -------
    tuple of ShownWindow
    """
    given = [_document(window) for window in windows]
    now, _ = _current(given, _base(given), key, store)
    return tuple(_window(entry) for entry in now)


def _current(
    given: list[dict[str, Any]], base: str, key: str, store: str
) -> tuple[list[dict[str, Any]], int]:
    """Return the outlines as they are now, and the number of the last edit seen."""
    held: Mapping[str, Any] = st.session_state.get(key) or {}
    edit = _own(held.get("edit"), store)
    seq = 0 if edit is None else int(edit["seq"])
    start = st.session_state.get(f"{key}.start")
    if start is None or start["store"] != store:
        start = {"store": store, "base": base, "seq": 0}
    elif start["base"] != base:  # edits up to here were made on what is replaced now
        start = {"store": store, "base": base, "seq": seq}
    st.session_state[f"{key}.start"] = start
    return (edit["windows"] if edit is not None and seq > start["seq"] else given), seq


def _nothing() -> None:
    """Let the edit only cause a run."""


def _component() -> Callable[..., Any]:
    css, scripts = _sources()
    made: Callable[..., Any] = st.components.v2.component(
        "portmap_outline_editor",
        html='<div class="outline-editor"></div>',
        css=css,
        js=scripts,
    )
    return made


@cache
def _sources() -> tuple[str, str]:
    scripts = "\n".join((HERE / name).read_text(encoding="utf-8") for name in SCRIPTS)
    return (HERE / "editor.css").read_text(encoding="utf-8"), scripts


@cache
def _words() -> dict[str, str]:
    return {
        key.removeprefix(WORDS_PART): words
        for key, words in all_words().items()
        if key.startswith(WORDS_PART)
    }


def _unit(system: UnitSystem) -> dict[str, Any]:
    return {"name": system.length, "per_mm": system.per_mm, "digits": system.length_decimals}


def _plain(fact: Any) -> dict[str, Any]:
    return {name: getattr(fact, name) for name in fact.__slots__}


def _document(window: ShownWindow) -> dict[str, Any]:
    rings = [[[x, y] for x, y in ring] for ring in window.rings]
    return {
        "id": window.id,
        "name": window.name,
        "kind": window.kind,
        "stage": window.stage,
        "rings": rings,
    }


def _base(given: list[dict[str, Any]]) -> str:
    return hashlib.sha256(json.dumps(given).encode()).hexdigest()[:20]


def _own(edit: Any, store: str) -> dict[str, Any] | None:
    """Return what the browser handed over, if it is of this job and picture and makes sense."""
    if not isinstance(edit, Mapping) or edit.get("store") != store:
        return None
    seq, entries = edit.get("seq"), edit.get("windows")
    if not isinstance(seq, int) or not isinstance(entries, list):
        return None
    try:
        windows = [_document(_window(entry)) for entry in entries]
    except (KeyError, TypeError, ValueError):
        return None
    if sum(len(ring) for window in windows for ring in window["rings"]) > MOST_CORNERS:
        return None
    return {"seq": seq, "windows": windows}


def _window(entry: Mapping[str, Any]) -> ShownWindow:
    if entry["kind"] not in get_args(Kind) or entry["stage"] not in get_args(Stage):
        raise ValueError("no such kind or stage")
    rings = tuple(
        tuple((round(float(x), PLACES), round(float(y), PLACES)) for x, y in ring) for ring in entry["rings"]
    )
    if not rings or any(len(ring) < 3 for ring in rings):
        raise ValueError("no outline")
    return ShownWindow(
        id=str(entry["id"]), name=str(entry["name"]), kind=entry["kind"], stage=entry["stage"], rings=rings
    )


def _measured(measure: Any) -> tuple[tuple[float, float], tuple[float, float]] | None:
    if not isinstance(measure, Mapping):
        return None
    (ax, ay), (bx, by) = measure["from"], measure["to"]
    return (float(ax), float(ay)), (float(bx), float(by))
