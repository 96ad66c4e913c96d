"""Random ways of photographing a flat card, as a porter with a phone would.

Shared by the studies and the tests, so that all speak of the same photographs. What is drawn is stated here:
12 million pixels, tilt to 25 degrees from any side, turned a little or by quarter turns, three lenses, blur
of 0.6 to 1.2 px and some shake, noise, a tone curve with or without sharpening, JPEG 75 to 95, uneven light
and falling shadow, and in one photo of three a thumb over the edge.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.picture.card import flat_card
from portmap.picture.card_drawing import card_pixels, png_scale
from tests.rendering import (
    LENSES,
    Light,
    Page,
    Sensor,
    Surface,
    Thumb,
    View,
    jpeg,
    page_of_print,
    photo,
    view_over,
)

__all__ = ["Trial", "blank_card", "random_trial", "trial_jpeg"]


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One way of photographing a page."""

    lens: str
    tilt_deg: float
    view: View
    light: Light
    sensor: Sensor
    quality: int


@functools.cache
def blank_card(paper: str = "A4", dpi: float = 600.0) -> Page:
    """Return the printed card as a page to photograph, its frame the card's."""
    card = flat_card(paper)
    scale = png_scale(card, dpi)
    return page_of_print(
        card_pixels(card, dpi),
        px_per_mm=scale["px_per_mm"],
        origin_px=(scale["origin_px"][0], scale["origin_px"][1]),
    )


def random_trial(
    rng: np.random.Generator, page: Page, *, pixels: int = 12_000_000, surface: Surface | None = None
) -> Trial:
    """Return one photograph's circumstances, drawn from `rng`."""
    lens = str(rng.choice(list(LENSES)))
    short = round((pixels * 3 / 4) ** 0.5)
    size = (round(short * 4 / 3), short)
    tilt = float(25.0 * np.sqrt(rng.uniform()))
    quarter = float(rng.choice([0.0, 0.0, 0.0, 0.0, 180.0]))
    if rng.uniform() < 0.15:
        size, quarter = (size[1], size[0]), float(rng.choice([90.0, -90.0]))
    view = view_over(
        LENSES[lens],
        size,
        box_mm=page.bounds_mm,
        fill=float(rng.uniform(0.84, 0.97)),
        tilt_deg=tilt,
        towards_deg=float(rng.uniform(0, 360)),
        turn_deg=quarter + float(rng.normal(0, 3)),
        aim_mm=(float(rng.normal(0, 2)), float(rng.normal(0, 2))),
        surface=surface,
    )
    light = Light(
        gradient=(float(rng.uniform(-0.4, 0.4)), float(rng.uniform(-0.4, 0.4))),
        vignette=float(rng.uniform(0, 0.4)),
        shadow=float(rng.choice([0.0, 0.0, rng.uniform(0.1, 0.35)])),
        shadow_at=float(rng.uniform(0.2, 1.0)),
        tint=(1.0, float(rng.uniform(0.93, 1.0)), float(rng.uniform(0.8, 1.0))),
    )
    thumbs: tuple[Thumb, ...] = ()
    if rng.uniform() < 0.33:
        side = rng.choice(4)
        along = float(rng.uniform(0.2, 0.8))
        middle = [(along, 0.98), (along, 0.02), (0.02, along), (0.98, along)][side]
        thumbs = (Thumb(centre=middle, radii=(0.05, 0.12) if side < 2 else (0.1, 0.05)),)
    shake = float(rng.choice([0.0, rng.uniform(0, 1.2)]))
    heading = float(rng.uniform(0, np.pi))
    sensor = Sensor(
        blur_px=float(rng.uniform(0.6, 1.2)),
        motion_px=(shake * np.cos(heading), shake * np.sin(heading)),
        white_electrons=float(rng.uniform(1500, 8000)),
        exposure=float(rng.uniform(0.7, 1.05)),
        contrast=float(rng.choice([0.0, rng.uniform(0, 0.5)])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 0.7)])),
        thumbs=thumbs,
    )
    return Trial(
        lens=lens, tilt_deg=tilt, view=view, light=light, sensor=sensor, quality=int(rng.integers(75, 96))
    )


def trial_jpeg(trial: Trial, page: Page, rng: np.random.Generator) -> bytes:
    """Return the photo of a page in the circumstances of a trial, as a JPEG file."""
    pixels: NDArray[np.uint8] = photo(page, trial.view, trial.light, trial.sensor, rng=rng)
    return jpeg(pixels, quality=trial.quality)
