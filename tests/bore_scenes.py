"""Ways of photographing made-up bores as a porter would; the truth beside each.

A `BoreSet` is one job's pictures: what stands before the camera, each `Shot` with its camera, and what a
porter would tell portmap beside the pictures. Nothing is rendered until a shot's `pixels` or `jpeg` is asked
for. The same seed makes the same set. Here are the phones that look along the bore; the scopes that look at
its wall are in `tests.bore_scopes`.
"""

from __future__ import annotations

import functools
import math
from typing import Literal

import numpy as np

from portmap.picture.bore_cards import ring_card
from tests.bore_camera import Camera, turned_to
from tests.bore_cylinders import BORES_MM, invented_bore, sample_bore
from tests.bore_parts import Bore, BoreScene, Lamp, Optics, Ring
from tests.bore_scopes import bare_set, strip_set, video_set, write_video
from tests.bore_sets import PAPER_MM, BoreSet, Shot, lens_document, print_size, printed_page

__all__ = [
    "BORES_MM",
    "PHONES",
    "BoreSet",
    "Shot",
    "bare_set",
    "end_on_set",
    "invented_bore",
    "lens_document",
    "printed_page",
    "sample_bore",
    "strip_set",
    "video_set",
    "write_video",
]

# made up, of the size that phones show; focal length as a share of half the diagonal
PHONES: dict[str, tuple[float, tuple[float, ...]]] = {
    "phone": (1.20, (0.072, -0.135, 0.0006, -0.0004, 0.062)),
    "wide phone": (1.09, (-0.055, 0.028, -0.0005, 0.0007, -0.008)),
    "close-up phone": (0.86, (-0.090, 0.052, 0.0004, 0.0005, -0.014)),
}


def end_on_set(
    seed: int,
    *,
    bore: Bore | None = None,
    photos: int | None = None,
    pixels: int = 12_000_000,
    lens_known: bool | None = None,
    seat: Literal["base", "deck"] = "base",
    print_sd: float = 0.0,
) -> BoreSet:
    """Return photos by a phone from below the base face (or above the deck), a ring round the bore.

    3 to 6 photos; the phone stands off so that the card about fills the picture's height, 60 to 160 mm,
    mostly beside the axis so as to see the far wall less aslant, its lamp beside the lens. Of three sets one
    has a lens file. The ring is laid by hand: standard deviations 0.05 mm across, 3 mrad of turn, 0.02 mm off
    its face, 0.5 mm/m of slope. `print_sd` is the standard deviation of the print's size, as a share.
    """
    rng = np.random.default_rng([seed, 1])
    bore = bore or invented_bore(rng)
    card = ring_card(bore.bore_mm)
    ring = Ring(
        page=functools.partial(printed_page, card, size=print_size(seed, print_sd)),
        half_mm=8 * card.square_mm + 4.0,
        hole_mm=bore.radius_mm + float(rng.uniform(0.1, 0.4)),
        seat=seat,
        thickness_mm=PAPER_MM,
        shift_mm=(float(rng.normal(0, 0.05)), float(rng.normal(0, 0.05))),
        turn_rad=float(rng.normal(0, 0.003)),
        lift_mm=abs(float(rng.normal(0, 0.02))),
        slope=(float(rng.normal(0, 0.0005)), float(rng.normal(0, 0.0005))),
    )
    name = str(rng.choice(list(PHONES)))
    share, distortion = PHONES[name]
    short = round(math.sqrt(pixels * 3 / 4))
    size = (round(short * 4 / 3), short)
    half = math.hypot(*size) / 2
    lens = {
        "fx": share * half,
        "fy": share * half,
        "cx": (size[0] - 1) / 2 + rng.normal(0, 0.004) * half,
        "cy": (size[1] - 1) / 2 + rng.normal(0, 0.004) * half,
    }
    count = photos or int(rng.integers(3, 7))
    start = rng.uniform(0, 360)
    heading = rng.choice([0.0, 90.0, 180.0, 270.0])
    ambient = float(rng.uniform(0.08, 0.3))
    shots = []
    for k in range(count):
        towards = math.radians(start + 360 * k / count + rng.normal(0, 8))
        off = (0.15 if k == 0 and count > 3 else rng.uniform(0.8, 1.35)) * bore.radius_mm
        fills = 16 * card.square_mm * lens["fx"] / size[1]  # the chessboard would fill the picture's height
        away = float(np.clip(fills / rng.uniform(0.85, 1.2) - 0.3 * off, 60.0, 160.0))
        side = 1.0 if seat == "deck" else -1.0
        level = bore.deck_mm if seat == "deck" else 0.0
        place = np.array([off * math.cos(towards), off * math.sin(towards), level + side * away])
        aim = np.array([*(rng.normal(0, 2.0, 2) - 0.12 * place[:2]), level - side * 0.12 * bore.deck_mm])
        camera = Camera(
            model="pinhole",
            size_px=size,
            distortion=distortion,
            turn=turned_to(aim - place, np.array([1.0, 0.0, 0.0]), float(heading + rng.normal(0, 4))),
            place_mm=place,
            **lens,
        )
        optics = Optics(
            lamps=(Lamp(at_mm=(float(rng.uniform(6, 14)), float(rng.normal(0, 3)), 0.0), strength=1.0),),
            ambient=ambient,
            blur_px=float(rng.uniform(0.7, 1.1)),
            aperture_mm=float(rng.uniform(0.15, 0.5)),
            focus_mm=float(away + rng.uniform(5, 30)),
            vignette=float(rng.uniform(0.1, 0.35)),
            bright=float(rng.uniform(0.85, 1.1)),
            white_electrons=float(rng.uniform(3000, 9000)),
            contrast=float(rng.uniform(-0.1, 0.1)),
        )
        shots.append(
            Shot(
                name=f"below-{k + 1}.jpg" if seat == "base" else f"above-{k + 1}.jpg",
                scene=BoreScene(bore=bore, ring=ring, optics=optics),
                camera=camera,
                seed=seed * 1000 + k,
                quality=int(rng.integers(82, 96)),
                notes_focal=True,
            )
        )
    known = bool(rng.random() < 1 / 3) if lens_known is None else lens_known
    told = {"deck_mm": bore.deck_mm, "ring_on": "deck"} if seat == "deck" else {}
    return BoreSet(
        kind=f"end-on, {name}",
        bore=bore,
        shots=tuple(shots),
        lens=lens_document(shots[0].camera, rng) if known else None,
        told=told,
    )
