"""Bore photos: from rendered pictures of made-up bores through unroll and trace, against the truth.

    python -m tests.accuracy.study_bore_photos --sets 60 --seed 1 --out tests/accuracy/RESULTS.md

Every set is a new invented cylinder photographed in new circumstances (`tests.bore_scenes`): end-on by a
phone with a ring, all round by a scope with a strip, by a scope without a card, and as a video. The truth is
the polygon that was cut into the cylinder; the renderer shares no code with portmap. Windows are matched by
place, the wrap included. What is counted:

- area, in percent of the window's own; roof and floor in mm, with their bias;
- coverage: how often the truth lies within 1.96 times the stated uncertainty;
- sets in which every window was found and none invented.

`--edge true` (unless told) compares with the windows without their chamfer, `--edge wall` with where the
wall ends.
"""

from __future__ import annotations

import argparse
import csv
import math
import os
import pickle
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import astuple, dataclass, fields, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import shapely

from portmap.errors import PortmapError
from portmap.picture.bore_seat import PRINT_SD, WALL_OUT_SD_MM, CardSeat
from portmap.picture.camera import lens_of
from portmap.picture.frames import frames_in
from portmap.picture.load import Picture, picture_from_bytes
from portmap.picture.traced import Trace
from portmap.picture.unroll import Unrolled, unroll
from portmap.picture.wall_heights import ToldHeight
from portmap.picture.wall_sight import wall_sight
from portmap.picture.wall_trace import trace_wall
from tests.accuracy.results import section_written
from tests.bore_scenes import BoreSet, bare_set, end_on_set, strip_set, video_set, write_video

Edge = Literal["true", "wall"]

# of ten sets: what porters do most comes most
KINDS = ("end-on", "strip", "end-on", "strip", "bare", "end-on", "strip", "video", "end-on", "strip")

# the aims of the design
AREA_PERCENT = 0.6
ROOF_MM = 0.06
SETS_WHOLE = 0.95
HEIGHT_SD_MM = 0.02  # of the exhaust's roof as a depth gauge has it, where it is told
NEAR_MM = 3.0  # of a true window's middle, to be taken for it


@dataclass(frozen=True, kw_only=True)
class Row:
    """One window of one set; errors are found minus true."""

    number: int
    kind: str
    bore_mm: float
    window: str
    area_percent: float
    area_u_percent: float
    roof_mm: float
    roof_u_mm: float
    floor_mm: float
    floor_u_mm: float


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """All windows of one set, and what went wrong."""

    rows: tuple[Row, ...]
    expected: int
    invented: int
    seconds: float
    fault: str = ""


def made(seed: int, number: int) -> BoreSet:
    """Return the set of a number; nothing is rendered yet.

    Prints are a little large or small, and the bore is told as a gauge has it: both by what portmap states.
    """
    kind, own = KINDS[number % len(KINDS)], seed * 10_000 + number
    if kind == "end-on":
        bores = end_on_set(own, print_sd=PRINT_SD)
    elif kind == "strip":
        bores = strip_set(own, print_sd=PRINT_SD)
    elif kind == "bare":
        bores = bare_set(own)
    else:
        scope = ("wide scope", "tube scope")[number // len(KINDS) % 2]
        bores = video_set(own, scope=scope, print_sd=PRINT_SD)
    roof = max(o.outline.bounds[3] for o in bores.bore.openings if o.kind == "exhaust")
    told = roof + float(np.random.default_rng([own, 11]).normal(0, HEIGHT_SD_MM))
    off = 2 * np.random.default_rng([own, 10]).normal(0, WALL_OUT_SD_MM)
    return replace(bores, told={**bores.told, "bore_mm": bores.bore.bore_mm + float(off), "roof_mm": told})


def rendered(bores: BoreSet) -> list[tuple[str, bytes]]:
    """Return a set's files: JPEGs, or one video."""
    if not bores.kind.startswith("video"):
        return [(shot.name, shot.jpeg()) for shot in bores.shots]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "turn.mp4"
        write_video((shot.pixels() for shot in bores.shots), place)
        return [(place.name, place.read_bytes())]


def kept(seed: int, number: int, folder: Path | None) -> tuple[BoreSet, list[tuple[str, bytes]]]:
    """Return a set with its files, from the folder if they are there, else rendered and put there."""
    bores = made(seed, number)
    if folder is None:
        return bores, rendered(bores)
    place = folder / f"bore-{seed}-{number}.pickle"
    if place.exists():
        files = pickle.loads(place.read_bytes())  # noqa: S301 - written by this study
    else:
        files = rendered(bores)
        folder.mkdir(parents=True, exist_ok=True)
        place.write_bytes(pickle.dumps(files))
    return bores, files


def _pictures(files: list[tuple[str, bytes]]) -> list[Picture]:
    name, data = files[0]
    if not name.endswith((".mp4", ".avi")):
        return [picture_from_bytes(data, name=name) for name, data in files]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / name
        place.write_bytes(data)
        return frames_in(place)


def unrolled(bores: BoreSet, files: list[tuple[str, bytes]]) -> Unrolled:
    """Return the wall image as the verb makes it of these files and of what a porter tells beside them.

    Of what a scope sees the exhaust's roof is told, as measured: a strip's own height is a hand's guess.
    """
    told = bores.told
    by_height = not bores.kind.startswith("end-on")
    roof = ToldHeight(window="exhaust", edge="roof", height_mm=told["roof_mm"], u_mm=HEIGHT_SD_MM)
    seat = CardSeat(
        on=told.get("ring_on", "base"),
        deck_mm=told.get("deck_mm", 0.0),
        low_mm=told.get("strip_y_mm", 0.0),
    )
    return unroll(
        _pictures(files),
        told["bore_mm"],
        lens=None if bores.lens is None else lens_of(bores.lens),
        lens_u=None if bores.lens is None else bores.lens["u"],
        seat=seat,
        card_bore_mm=bores.bore.bore_mm,
        strip_height_mm=told.get("strip_height_mm", 20.0),
        deck_mm=bores.bore.deck_mm,
        heights=[roof] if by_height else [],
        step_deg=told.get("step_deg"),
    )


def measured(bores: BoreSet, files: list[tuple[str, bytes]], number: int, edge: Edge) -> Outcome:
    """Unroll and trace a set's pictures and compare with what was put into them."""
    truth = bores.windows if edge == "true" else bores.wall_edges
    start = time.perf_counter()
    try:
        wall = unrolled(bores, files)
        found = trace_wall(wall.image, wall_sight(wall.image, wall.coverage), photos=wall.photos)
    except PortmapError as error:
        took = time.perf_counter() - start
        return Outcome(rows=(), expected=len(truth), invented=0, seconds=took, fault=str(error))
    took = time.perf_counter() - start
    rows = compared(found, truth, bores, number)
    invented = len(found.windows) - len(rows)
    whole = len(rows) == len(truth) and not invented
    fault = "" if whole else f"{len(rows)} of {len(truth)} windows found, {invented} invented"
    return Outcome(rows=rows, expected=len(truth), invented=invented, seconds=took, fault=fault)


def compared(found: Trace, truth: dict[str, shapely.Polygon], bores: BoreSet, number: int) -> tuple[Row, ...]:
    """Return a row for each true window that was found near its place, once round the bore or not."""
    turn = math.pi * bores.bore.bore_mm
    left = list(found.windows)
    rows = []
    for name, true in truth.items():
        offs = [_apart(window.window.outline, true, turn) for window in left]
        if not offs or min(offs) > NEAR_MM:
            continue
        nearest = left[int(np.argmin(offs))]
        left.remove(nearest)
        outline, doubt = nearest.window.outline, nearest.window.doubt
        rows.append(
            Row(
                number=number,
                kind=bores.kind,
                bore_mm=bores.bore.bore_mm,
                window=name,
                area_percent=100 * (outline.area / true.area - 1),
                area_u_percent=math.nan if doubt is None else 100 * doubt.wall_area_u_mm2 / true.area,
                roof_mm=nearest.roof_mm - true.bounds[3],
                roof_u_mm=math.nan if doubt is None else doubt.roof_u_mm,
                floor_mm=nearest.floor_mm - true.bounds[1],
                floor_u_mm=math.nan if doubt is None else doubt.floor_u_mm,
            )
        )
    return tuple(rows)


def _apart(one: shapely.Polygon, other: shapely.Polygon, turn_mm: float) -> float:
    x, y = (a - b for a, b in zip(one.centroid.coords[0], other.centroid.coords[0], strict=True))
    return math.hypot(math.remainder(x, turn_mm), y)


def table(rows: list[Row]) -> str:
    """Return the figures by kind of picture, by lens or scope, by bore and for all, as a Markdown table."""
    groups: list[tuple[str, Callable[[Row], bool]]] = [("all", lambda row: True)]
    kinds = sorted({row.kind.split(",")[0] for row in rows})
    groups += [(kind, lambda row, kind=kind: row.kind.split(",")[0] == kind) for kind in kinds]
    groups += [(kind, lambda row, kind=kind: row.kind == kind) for kind in sorted({row.kind for row in rows})]
    groups += [
        ("bore under 45 mm", lambda row: row.bore_mm < 45),
        ("bore 45 to 55 mm", lambda row: 45 <= row.bore_mm <= 55),
        ("bore over 55 mm", lambda row: row.bore_mm > 55),
    ]
    lines = [
        "| group | windows | area 50 % / 90 %, % | area bias, % | roof 90 %, mm | roof bias, mm "
        "| floor 90 %, mm | floor bias, mm | within 95 %: area / roof / floor |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for name, belongs in groups:
        own = [row for row in rows if belongs(row)]
        if own:
            lines.append(f"| {name} | {len(own)} | {_figures(own)} |")
    return "\n".join(lines)


def _figures(rows: list[Row]) -> str:
    area, roof, floor = (
        np.array([getattr(r, k) for r in rows]) for k in ("area_percent", "roof_mm", "floor_mm")
    )
    doubts = (np.array([getattr(r, k) for r in rows]) for k in ("area_u_percent", "roof_u_mm", "floor_u_mm"))
    within = [
        100 * float(np.mean(np.abs(error) <= 1.96 * u))
        for error, u in zip((area, roof, floor), doubts, strict=True)
    ]
    return " | ".join(
        [
            f"{np.quantile(abs(area), 0.5):.2f} / {np.quantile(abs(area), 0.9):.2f}",
            f"{area.mean():+.2f}",
            f"{np.quantile(abs(roof), 0.9):.3f}",
            f"{roof.mean():+.3f}",
            f"{np.quantile(abs(floor), 0.9):.3f}",
            f"{floor.mean():+.3f}",
            " / ".join(f"{share:.1f} %" for share in within),
        ]
    )


def _said(line: str) -> None:
    print(line, flush=True)


def study(
    sets: int,
    seed: int,
    *,
    first: int = 0,
    folder: Path | None = None,
    edge: Edge = "true",
    only: str | None = None,
    say: Callable[[str], None] = _said,
) -> tuple[str, list[Row]]:
    """Run the sets and return the section's text and every window's figures."""
    done: list[tuple[str, Outcome]] = []
    for number in range(first, first + sets):
        if only is not None and KINDS[number % len(KINDS)] != only:
            continue
        bores, files = kept(seed, number, folder)
        outcome = measured(bores, files, number, edge)
        done.append((f"set {number} ({bores.kind}, {bores.bore.bore_mm:g} mm)", outcome))
        say(f"{done[-1][0]}: {outcome.fault or 'whole'}, {outcome.seconds:.0f} s")
    return section(done, seed, edge), [row for _, outcome in done for row in outcome.rows]


def section(done: list[tuple[str, Outcome]], seed: int, edge: Edge) -> str:
    """Return what RESULTS.md says of the sets that were measured, each with its name."""
    rows = [row for _, outcome in done for row in outcome.rows]
    seconds = [outcome.seconds for _, outcome in done]
    faults = [f"- {name}: {outcome.fault}" for name, outcome in done if outcome.fault]
    expected = sum(outcome.expected for _, outcome in done)
    whole = len(done) - len(faults)
    text = (
        f"{len(done)} rendered sets (seed {seed}), {len(rows)} of {expected} windows found; every window"
        f" found and none invented in {whole} sets. Compared with the windows' {edge} edges. Prints are true"
        f" to size to {100 * PRINT_SD:g} %, bores measured to {2 * WALL_OUT_SD_MM:g} mm (one standard"
        f" deviation); of what a scope sees the exhaust's roof is told to {HEIGHT_SD_MM:g} mm. Aims: area"
        f" within {AREA_PERCENT} % and roof within {ROOF_MM} mm at 90 % of windows, {100 * SETS_WHOLE:.0f} %"
        f" of sets whole, coverage 93 to 97 %;"
        f" {_reached(rows, whole / len(done))}.\n\n{table(rows) if rows else 'No window was found.'}\n\n"
        f"Unrolled and traced in {np.median(seconds):.1f} s a set (median), {max(seconds):.1f} s at most, on"
        f" {os.cpu_count()} cores, Python {platform.python_version()}."
    )
    return text + ("\n\nFaults:\n\n" + "\n".join(faults) if faults else "")


def _reached(rows: list[Row], whole: float) -> str:
    """Return which of the aims all windows together reach."""
    if not rows:
        return "none is reached"
    area, roof = (np.quantile([abs(getattr(r, k)) for r in rows], 0.9) for k in ("area_percent", "roof_mm"))
    within = [
        100 * np.mean([abs(getattr(r, k)) <= 1.96 * getattr(r, u) for r in rows])
        for k, u in (("area_percent", "area_u_percent"), ("roof_mm", "roof_u_mm"))
    ]
    good = {
        "area": area <= AREA_PERCENT,
        "roof": roof <= ROOF_MM,
        "whole sets": whole >= SETS_WHOLE,
        "coverage": all(93 <= share <= 97 for share in within),
    }
    reached = [name for name, is_good in good.items() if is_good]
    return f"reached: {', '.join(reached)}" if reached else "**none of these is reached**"


def main(arguments: list[str] | None = None) -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sets", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first set, to split a run")
    parser.add_argument("--only", choices=sorted(set(KINDS)), help="only sets of this kind")
    parser.add_argument("--edge", choices=("true", "wall"), default="true")
    parser.add_argument("--threads", type=int, default=0, help="of OpenCV; 0 for as many as it likes")
    parser.add_argument("--photos", type=Path, help="keep the rendered files there, and take them from there")
    parser.add_argument("--rows", type=Path, help="write every window's figures there, CSV")
    parser.add_argument("--out", type=Path, help="the RESULTS.md whose section is to be replaced")
    told = parser.parse_args(arguments)
    if told.threads:
        cv2.setNumThreads(told.threads)
    text, rows = study(
        told.sets, told.seed, first=told.first, folder=told.photos, edge=told.edge, only=told.only
    )
    print(text)
    if told.rows:
        with told.rows.open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream)
            writer.writerow(field.name for field in fields(Row))
            writer.writerows(astuple(row) for row in rows)
    if told.out:
        section_written("Bore photos", text, place=told.out)


if __name__ == "__main__":
    main(sys.argv[1:])
