"""The made-up cylinder measured in the bore itself: end-on, by a scope, from a video; beside an impression.

Each way goes from its pictures through the wall image to a map, by what the verbs `unroll` and `trace` call.
The windows found are held against the true ones, which are known as the samples are made up, beside those
that the first photo of the impression gives.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from portmap.demo_steps import Run, Step, made_folder, traced_photo
from portmap.demo_truth import Comparison, compared_window

if TYPE_CHECKING:
    from portmap.picture.load import Picture
    from portmap.picture.traced import Trace, TracedWindow
    from portmap.samples import BoreSample, BoreSamples, Samples, SampleWindow

__all__ = ["AREA_SHARE", "ROOF_MM", "run_bore_demo"]

# What pictures of the bore are to reach for 90 of 100 windows (design, section 6).
AREA_SHARE = 0.006
ROOF_MM = 0.06

_NEAR_MM = 4.0  # of a true window's middle, to be taken for it


def run_bore_demo(
    folder: Path, *, force: bool = False, tell: Callable[[Step], None] = lambda step: None
) -> dict[str, Any]:
    """Measure the sample cylinder from pictures of its bore, and from a photo of an impression.

    Parameters
    ----------
    folder : Path
        Where all results go; made if it does not exist.
    force : bool, optional
        Use a folder that holds files, and replace those of the same names.
    tell : callable, optional
        Called with each `Step` when it is done.

    Returns
    -------
    dict
        ``folder``; ``seconds``; ``steps``; ``ways``: names of the ways of measuring; ``comparison``: for
        every window and way ``photo`` (the way), ``port``, ``figure``, ``measured``, ``u``, ``true``,
        ``off``, ``inside``; ``inside``, how many of ``of``; ``missed``: ``photo`` and ``port`` of windows not
        found; ``invented``: ``photo`` and ``area_mm2`` of windows that are none; ``far``: figures further off
        than pictures of a bore are to be; ``warnings``.

    Raises
    ------
    OutputError
        If the folder holds files and `force` is not set, or cannot be written.
    PortmapError
        If a step fails.
    """
    from portmap.samples import bore_samples, samples

    begun = time.perf_counter()
    run = Run(made_folder(folder, force=force), force=force, tell=tell)
    sample, bore = samples(), bore_samples()
    _put_pictures(run, sample, bore)
    traces = {"impression": traced_photo(run, sample.photos[0], sample)}
    for each in bore.sets:
        traces[each.name] = _traced_wall(run, each, bore)
    turn_mm = math.pi * bore.bore_mm
    comparison: list[Comparison] = []
    missed, invented = [], []
    for way, trace in traces.items():
        pairs, over = _matched(trace, sample.windows, turn_mm)
        for known, found in pairs:
            if found is None:
                missed.append({"photo": way, "port": known.id})
            else:
                comparison += compared_window(way, found, known)
        invented += [{"photo": way, "area_mm2": window.area_mm2} for window in over]
    return {
        "folder": str(folder),
        "seconds": time.perf_counter() - begun,
        "steps": run.told(),
        "ways": list(traces),
        "comparison": [each.as_dict() for each in comparison],
        "inside": sum(each.inside for each in comparison),
        "of": len(comparison),
        "missed": missed,
        "invented": invented,
        "far": [each.as_dict() for each in comparison if _is_far(each)],
        "warnings": [
            {"code": notice.code, "message": f"{way}: {notice.message}"}
            for way, trace in traces.items()
            for notice in trace.notices
        ],
    }


def _is_far(each: Comparison) -> bool:
    off = abs(each.measured - each.true)
    return {"roof_mm": off > ROOF_MM, "wall_area_mm2": off > AREA_SHARE * each.true}.get(each.figure, False)


def _put_pictures(run: Run, sample: Samples, bore: BoreSamples) -> None:
    def work() -> tuple[str, list[Path]]:
        contents = {sample.photos[0].file: sample.photos[0].data}
        for each in bore.sets:
            contents |= each.files
            if each.lens is not None:
                contents[each.lens[0]] = each.lens[1]
        files = [run.write(name, content) for name, content in contents.items()]
        size = sum(map(len, contents.values())) / 1e6
        return (
            f"made-up pictures of the bore of a made-up cylinder, taken in {len(bore.sets)} ways, and a photo"
            f" of its impression, {size:.1f} MB",
            files,
        )

    run.do("Take the samples", "", work)


def _traced_wall(run: Run, each: BoreSample, bore: BoreSamples) -> Trace:
    """Unroll and trace the pictures of one way; return what was traced."""
    from portmap.files import read_json, write_json
    from portmap.map_file import map_of, traced_document
    from portmap.picture.bore_seat import CardSeat
    from portmap.picture.camera import lens_of
    from portmap.picture.coverage import read_coverage
    from portmap.picture.overlay import overlay_png
    from portmap.picture.scaled import read_scaled
    from portmap.picture.unroll import unroll
    from portmap.picture.wall_files import write_wall
    from portmap.picture.wall_photos import read_photos
    from portmap.picture.wall_sight import wall_sight
    from portmap.picture.wall_trace import trace_wall

    wall, traced, over = (
        run.folder / f"{each.name}-{end}" for end in ("wall.png", "map.json", "outlines.png")
    )
    found: list[Trace] = []
    lens = None if each.lens is None else read_json(run.folder / each.lens[0])

    def unrolling() -> tuple[str, list[Path]]:
        made = unroll(
            _pictures(run, each),
            bore.bore_mm,
            lens=None if lens is None else lens_of(lens, where=f"{each.name}-lens.json"),
            lens_u=None if lens is None else lens.get("u"),
            seat=CardSeat(deck_mm=bore.deck_mm, low_mm=each.strip_y_mm or 0.0),
            strip_height_mm=each.strip_height_mm or 20.0,
            deck_mm=bore.deck_mm,
        )
        files = write_wall(made, wall, force=run.force)
        used, seen = len(made.image.source["pictures"]), made.image.source["covered_share"]
        said = f"{each.about}; {used} pictures used, misfit {made.image.residual_mm:.3f} mm"
        said += f", {100 * seen:.0f} % of the wall seen"
        return said, files

    def tracing() -> tuple[str, list[Path]]:
        image = read_scaled(wall)
        sight, photos = wall_sight(image, read_coverage(wall, image)), read_photos(wall, image)
        found.append(trace_wall(image, sight, photos=photos))
        windows = {window.number: window.window for window in found[0].windows}
        document = traced_document(windows, source=found[0].source, notices=found[0].notices)
        map_of(document)
        write_json(traced, document, force=run.force)
        run.write(over.name, overlay_png(image, found[0]))
        areas = ", ".join(f"{window.area_mm2:.1f}" for window in found[0].windows)
        return f"{len(windows)} windows of {areas} mm²", [traced, over]

    told = [f"--bore {bore.bore_mm:g}", f"--deck-height {bore.deck_mm:g}"]
    if each.lens is not None:
        told.append(f"--lens {each.lens[0]}")
    if each.strip_y_mm is not None:
        told.append(f"--strip-y {each.strip_y_mm:.1f} --strip-height {each.strip_height_mm:.1f}")
    command = f"portmap unroll {' '.join(each.files)} {' '.join(told)} --out {wall.name}"
    run.do(f"Unroll the wall, {each.name}", command, unrolling)
    command = f"portmap trace {wall.name} --lift wall --overlay {over.name} --out {traced.name}"
    run.do(f"Trace the wall, {each.name}", command, tracing)
    return found[0]


def _pictures(run: Run, each: BoreSample) -> list[Picture]:
    from portmap.picture.frames import frames_in, is_video
    from portmap.picture.load import load_picture

    pictures: list[Picture] = []
    for name in each.files:
        place = run.folder / name
        pictures += frames_in(place) if is_video(place) else [load_picture(place)]
    return pictures


def _matched(
    trace: Trace, windows: tuple[SampleWindow, ...], turn_mm: float
) -> tuple[list[tuple[SampleWindow, TracedWindow | None]], list[TracedWindow]]:
    """Return each true window with the traced one that is nearest, and the traced ones that are left."""
    left = list(trace.windows)
    pairs: list[tuple[SampleWindow, TracedWindow | None]] = []
    for known in windows:
        nearest = min(left, key=lambda window: _apart_mm(window, known, turn_mm), default=None)
        if nearest is None or _apart_mm(nearest, known, turn_mm) > _NEAR_MM:
            pairs.append((known, None))
        else:
            left = [window for window in left if window is not nearest]
            pairs.append((known, nearest))
    return pairs, left


def _apart_mm(found: TracedWindow, known: SampleWindow, turn_mm: float) -> float:
    here, there = found.window.outline.centroid, known.window.outline.centroid
    return math.hypot(math.remainder(here.x - there.x, turn_mm), here.y - there.y)
