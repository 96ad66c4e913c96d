"""Unrolling the wall: with the pose known against one bare ``cv2.remap``, and from files to the wall image.

    python -m pytest tests/benchmarks/test_unroll_speed.py --benchmark-only -s

The design's aims: with the pose known at most 1.5 times one bare remap of the same output, in the same run;
16 frames of 1.6 megapixels from files to the wall image at 0.05 mm a pixel in under 20 s on 2 cores and in
under 1.5 GB; cost that grows no faster than the frames.

Both remaps look up 12-megapixel photos by cubic interpolation for the same pixels. The bare one has its map
ready; of several photos it looks each place up in the one that shows it best, all photos stacked into one
picture. Unrolling works the map out, judges what the photos show, multiplies by the gain that evens the
light, and looks places that two photos share up in both.
"""

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from portmap.files import write_json
from portmap.picture.wall_join import CELL_PX, MARGIN, shares
from portmap.picture.wall_pixels import wall_pixels
from portmap.picture.wall_view import View, WallFrame, all_shown, nodes_of, pixel_map, shown_by, spread_out
from tests.bore_corners import end_on, lens_of_camera
from tests.bore_cylinders import sample_bore
from tests.bore_scopes import strip_set

ROUNDS = 9
AIM, AIM_S, AIM_MB = 1.5, 20.0, 1500.0
RADIUS_MM = 23.0
FRAMES = 16
# The verb, and at its end the most memory that it used [kB] on standard error. The kernel's own figure for a
# child that has ended counts its parent's, from which it was forked.
PEAK = """
import atexit, pathlib, re, sys
from portmap.cli import main
peak = lambda: re.search(r"VmHWM:\\s*(\\d+)", pathlib.Path("/proc/self/status").read_text())[1]
atexit.register(lambda: print(peak(), file=sys.stderr))
main()
"""
PORTMAP = [sys.executable, "-c", PEAK]


def best_ms(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Return the least time of several rounds: what the machine needs when nothing else runs."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


def views_of(photos: int) -> list[View]:
    scene = end_on(photos=photos)
    rng = np.random.default_rng(1)
    columns, rows = scene.cameras[0].size_px
    picture = cv2.resize(rng.integers(0, 255, (rows // 8, columns // 8, 3), dtype=np.uint8), (columns, rows))
    return [
        View(
            name=f"photo-{k + 1}.jpg",
            pixels=picture,
            lens=lens_of_camera(camera),
            turn=cv2.Rodrigues(camera.turn)[0].ravel(),
            shift_mm=-camera.turn @ camera.place_mm,
            ends_mm=(0.0, 62.0),
        )
        for k, camera in enumerate(scene.cameras)
    ]


def map_of_best(views: list[View], frame: WallFrame) -> np.ndarray:
    """Return where the photos, stacked one below the other, show each pixel's place best."""
    column, row = np.meshgrid(np.arange(frame.columns), np.arange(frame.rows))
    places = np.column_stack(
        [frame.left_mm + column.ravel() * frame.step_mm, frame.top_mm - row.ravel() * frame.step_mm]
    )
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    share = shares([shown_by(view, RADIUS_MM, nodes.places_mm) for view in views], nodes)
    whole = slice(0, frame.rows), slice(0, frame.columns)
    best = np.argmax([spread_out(part, nodes, *whole) for part in share], axis=0).ravel()
    ready = np.empty((len(places), 2), np.float32)
    for k, view in enumerate(views):
        ready[best == k] = pixel_map(view, RADIUS_MM, places[best == k])
        ready[best == k, 1] += k * view.pixels.shape[0]
    return ready.reshape(frame.rows, frame.columns, 2)


def test_pose_known_against_one_bare_remap(benchmark):
    frame = WallFrame.of(2 * RADIUS_MM, 0.05, 0.0, 50.0)

    def unrolled(views: list[View]) -> np.ndarray:
        nodes = nodes_of(frame, CELL_PX, MARGIN)
        share = shares(all_shown(views, RADIUS_MM, nodes.places_mm), nodes)
        return wall_pixels(views, frame, share, [np.full(nodes.shape, 1.2, np.float32)] * len(views), nodes)

    lines = []
    for photos in (1, 4):
        views = views_of(photos)
        ready, stack = map_of_best(views, frame), np.vstack([view.pixels for view in views])
        bare = best_ms(lambda s=stack, at=ready: cv2.remap(s, at, None, cv2.INTER_CUBIC))
        ours = best_ms(lambda v=views: unrolled(v))
        words = f"bare remap {bare:.0f} ms, unroll {ours:.0f} ms, {ours / bare:.2f} times"
        lines.append(f"{photos} photo(s): {words}")
    print("\n".join(["", *lines, f"aim: {AIM} times"]))
    views = views_of(1)
    benchmark.pedantic(lambda: unrolled(views), rounds=3)


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> list[Path]:
    """Frames of 1440 × 1080 of a scope all round with a strip; the lens and the told heights beside them."""
    bores = strip_set(1, bore=sample_bore(), frames=FRAMES)
    folder = tmp_path_factory.mktemp("frames")
    write_json(folder / "lens.json", bores.lens, force=False)
    (folder / "strip-y").write_text(f"{bores.told['strip_y_mm']} mm", encoding="utf-8")
    for shot in bores.shots:
        (folder / shot.name).write_bytes(shot.jpeg())
    return sorted(folder.glob("*.jpg"))


def run_verb(photos: list[Path], out: Path) -> tuple[float, float]:
    """Return how long the verb took [s] and the most memory that it used [MB]."""
    folder = photos[0].parent
    strip_y = (folder / "strip-y").read_text(encoding="utf-8")
    told = ["--bore", "46 mm", "--lens", folder / "lens.json", "--strip-y", strip_y, "--mm-per-px", "0.05 mm"]
    start = time.perf_counter()
    done = subprocess.run(  # its own process, so that its memory is its own
        [*PORTMAP, "unroll", *photos, *told, "--force", "--out", out],
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - start, int(done.stderr.split()[-1]) / 1024


def test_frames_from_files_to_the_wall_image(benchmark, frames, tmp_path):
    again = [Path(shutil.copy(place, place.with_name(f"again-{place.name}"))) for place in frames]
    print()
    for photos in (frames[::2], frames, frames + again):
        took, most = run_verb(photos, tmp_path / "wall.png")
        words = f"{took:5.1f} s, {took / len(photos):.2f} s a frame, {most:.0f} MB"
        print(f"{len(photos):2} frames of 1.6 MP: {words}")
    print(f"aim: {FRAMES} frames in {AIM_S:g} s, {AIM_MB:g} MB")
    benchmark.pedantic(lambda: run_verb(frames, tmp_path / "wall.png"), rounds=2)
