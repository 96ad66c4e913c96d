"""Unrolling the wall with the pose known, against one bare ``cv2.remap`` of the same output.

    python -m pytest tests/benchmarks/test_unroll_speed.py --benchmark-only -s

The design's aim: at most 1.5 times, in the same run. Both look up a 12-megapixel photo by cubic interpolation
for the same pixels; the bare remap has its map ready, unrolling works it out, judges what the photo shows and
multiplies by the gain that evens the light. With several photos of which each shows a part, places that two
share are looked up twice; that is given beside it.
"""

import time
from collections.abc import Callable

import cv2
import numpy as np

from portmap.picture.wall_join import CELL_PX, MARGIN, shares, wall_pixels
from portmap.picture.wall_view import View, WallFrame, nodes_of, pixel_map, shown_by
from tests.bore_corners import end_on, lens_of_camera

ROUNDS = 9
AIM = 1.5


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


def test_pose_known_against_one_bare_remap(benchmark):
    frame = WallFrame.of(46.0, 0.05, 0.0, 50.0)
    column, row = np.meshgrid(np.arange(frame.columns), np.arange(frame.rows))
    places = np.column_stack(
        [frame.left_mm + column.ravel() * frame.step_mm, frame.top_mm - row.ravel() * frame.step_mm]
    )

    def unrolled(views: list[View]) -> np.ndarray:
        nodes = nodes_of(frame, CELL_PX, MARGIN)
        share = shares([shown_by(view, 23.0, nodes.places_mm) for view in views], nodes)
        return wall_pixels(views, frame, share, [np.full(nodes.shape, 1.2, np.float32)] * len(views), nodes)

    lines = []
    for photos in (1, 4):
        views = views_of(photos)
        ready = pixel_map(views[0], 23.0, places).astype(np.float32).reshape(frame.rows, frame.columns, 2)
        # a place behind the camera's view is looked up as any other: outside the photo
        bare = best_ms(lambda v=views, at=ready: cv2.remap(v[0].pixels, at, None, cv2.INTER_CUBIC))
        ours = best_ms(lambda v=views: unrolled(v))
        words = f"bare remap {bare:.0f} ms, unroll {ours:.0f} ms, {ours / bare:.2f} times"
        lines.append(f"{photos} photo(s): {words}")
    print("\n".join(["", *lines, f"aim: {AIM} times, one photo"]))
    views = views_of(1)
    benchmark.pedantic(lambda: unrolled(views), rounds=3)
