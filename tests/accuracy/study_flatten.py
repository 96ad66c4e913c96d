"""Places on the flattened card: where each is said to be, against where the renderer's camera saw it.

    python -m tests.accuracy.study_flatten --trials 80 --seed 30 --out tests/accuracy/RESULTS.md

Each trial photographs the blank card anew (`tests.scenes`: 12 million pixels, tilt to 25 degrees, three
lenses, blur, noise, JPEG 75 to 95, uneven light, thumbs). The pixel that flatten takes for a place is sent
back through the renderer's own camera; the difference is the error. Coverage counts how often an error along
x or y lies within 1.96 times its stated doubt. The doubt's one constant was set with photos of another seed.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from portmap.picture.card import flat_card
from portmap.picture.flatten import flatten
from portmap.picture.load import picture_from_bytes
from portmap.picture.scaled import displacements
from portmap.picture.sight import projected
from tests.accuracy.results import section_written
from tests.scenes import blank_card, random_trial, trial_jpeg

TITLE = "Places on the flattened card"
GRID = (12, 9)


@dataclass(frozen=True, kw_only=True)
class Row:
    """One trial; lengths in micrometres."""

    lens: str
    tilt_deg: float
    quality: int
    markers: int
    corners: int
    noise_px: float
    rms_um: float
    worst_um: float
    claimed_um: float
    roof_shift_um: float
    area_percent: float
    within: float


def row_of(trial_number: int, seed: int) -> Row:
    """Return what one photograph gives."""
    from portmap.picture.corners import corners_in
    from portmap.picture.sight import fitted_sight

    rng = np.random.default_rng([seed, trial_number])
    page = blank_card()
    trial = random_trial(rng, page)
    picture = picture_from_bytes(trial_jpeg(trial, page, rng), name=f"{trial_number}.jpg")
    image = flatten(picture, bar_measured_mm=None)
    # the same steps as flatten's own: it keeps its fit to itself
    corners = corners_in(np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8))
    sight = fitted_sight(corners.start, corners.places_mm, corners.pixels, noise_px=0.01).sight
    x0, y0, x1, y1 = flat_card("A4").free_area_mm
    places = np.stack(
        np.meshgrid(np.linspace(x0, x1, GRID[0]), np.linspace(y0, y1, GRID[1])), axis=-1
    ).reshape(-1, 2)
    error = 1000 * (trial.view.places(projected(sight, places)) - places)
    claimed = 1000 * np.sqrt((displacements(image.doubt, places) ** 2).sum(axis=0))
    far = np.hypot(*error.T)
    # a window of 30 by 12 mm about the middle: how its roof moves, and its area
    corners_mm = np.array([[-15.0, 28.0], [15.0, 28.0], [15.0, 40.0], [-15.0, 40.0]])
    moved = trial.view.places(projected(sight, corners_mm))
    return Row(
        lens=trial.lens,
        tilt_deg=trial.tilt_deg,
        quality=trial.quality,
        markers=image.source["markers_found"],
        corners=image.source["pictures"][0]["corners_used"],
        noise_px=image.source["pictures"][0]["corner_noise_px"],
        rms_um=float(np.sqrt((far**2).mean())),
        worst_um=float(far.max()),
        claimed_um=float(np.sqrt((claimed**2).sum(axis=1).mean())),
        roof_shift_um=float(1000 * (moved[2:, 1].mean() - 40.0)),
        area_percent=100 * (_area(moved) / _area(corners_mm) - 1),
        within=float((np.abs(error) <= 1.96 * claimed).mean()),
    )


def _area(ring: np.ndarray) -> float:
    x, y = ring.T
    return float(abs((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) / 2)


def table_of(rows: list[Row], seconds: float, seed: int) -> str:
    """Return the section's text."""

    def line(name: str, some: list[Row]) -> str:
        def column(field: str) -> np.ndarray:
            return np.array([getattr(row, field) for row in some])

        rms, roof, area = column("rms_um"), column("roof_shift_um"), np.abs(column("area_percent"))
        cells = [
            name,
            str(len(some)),
            f"{np.median(rms):.2f}",
            f"{np.quantile(rms, 0.9):.2f}",
            f"{column('worst_um').max():.2f}",
            f"{np.median(column('claimed_um')):.2f}",
            f"{100 * column('within').mean():.1f} %",
            f"{roof.mean():+.2f}",
            f"{np.quantile(np.abs(roof), 0.9):.2f}",
            f"{np.quantile(area, 0.9):.4f} %",
        ]
        return f"| {' | '.join(cells)} |"

    def tilted(low: float, high: float) -> list[Row]:
        return [row for row in rows if low <= row.tilt_deg < high]

    lenses = sorted({row.lens for row in rows})
    corners = np.array([row.corners for row in rows])
    noise = np.array([row.noise_px for row in rows])
    return "\n".join(
        [
            f"{len(rows)} rendered photos of 12 million pixels (seed {seed}), {seconds:.0f} s on "
            f"{os.cpu_count()} cores ({platform.machine()}). Error of {GRID[0]} × {GRID[1]} places over the "
            "free area, in micrometres (1 pixel is about 90); roof and area of a window of 30 × 12 mm as the "
            f"places alone move them. Corners used: {corners.min()} to {corners.max()} of 252, noise "
            f"{np.median(noise):.3f} px.",
            "",
            "| photos | n | rms, median | rms, 90 % | worst place | claimed (1 σ), median "
            "| within 95 % claim | roof, mean | roof, 90 % | area, 90 % |",
            "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
            line("all", rows),
            *(line(name, [row for row in rows if row.lens == name]) for name in lenses),
            *(
                line(f"tilt {low} to {high}°", tilted(low, high))
                for low, high in ((0, 10), (10, 18), (18, 26))
                if tilted(low, high)
            ),
        ]
    )


def main() -> None:
    """Run the study, print its table and keep it if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=80)
    parser.add_argument("--seed", type=int, default=30)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    start = time.perf_counter()
    rows = []
    for number in range(options.trials):
        rows.append(row_of(number, options.seed))
        print(f"{number + 1}/{options.trials}: {rows[-1].rms_um:.2f} µm rms", file=sys.stderr, flush=True)
    text = table_of(rows, time.perf_counter() - start, options.seed)
    print(text)
    if options.out:
        section_written(TITLE, text, place=options.out)


if __name__ == "__main__":
    main()
