"""Pictures by side-looking scopes: with a strip in sight, bare, and as a video; the truth beside each."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import QuantityError
from portmap.picture.bore_cards import StripCard, strip_card
from tests.bore_camera import Camera, turned_to
from tests.bore_cylinders import invented_bore
from tests.bore_parts import Bore, BoreScene, Lamp, Optics, Strip
from tests.bore_sets import PAPER_MM, BoreSet, Shot, lens_document, print_size, printed_page

__all__ = ["SCOPES", "bare_set", "strip_set", "video_set", "write_video"]

Floats = NDArray[np.float64]

# made up: model, half the picture's width in radians of the lens's axis (fisheye) or its tangent (pinhole)
SCOPES: dict[str, tuple[str, float, tuple[float, ...]]] = {
    "tube scope": ("pinhole", 0.80, (-0.24, 0.075, 0.0007, -0.0005, -0.010)),
    "narrow scope": ("pinhole", 0.62, (-0.11, 0.030, -0.0004, 0.0006, 0.0)),
    "wide scope": ("fisheye", 1.12, (0.035, -0.012, 0.0025, -0.0004)),
}
STRIP_SEEN_MM = 13.5  # of the strip's height, at least, in every frame


@dataclass(frozen=True, kw_only=True)
class _Tube:
    """A scope: its lens, and how far behind the bore's axis it stands, as a share of the radius."""

    name: str
    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    back: float
    mirrored: bool

    def reach_mm(self, bore: Bore) -> float:
        """Return how far up and down from its own height it sees the wall straight ahead."""
        model, _, distortion = SCOPES[self.name]
        level = Camera(
            model="fisheye" if model == "fisheye" else "pinhole",
            size_px=self.size_px,
            fx=self.focal_px,
            fy=self.focal_px,
            cx=self.centre_px[0],
            cy=self.centre_px[1],
            distortion=distortion,
            turn=np.eye(3),
            place_mm=np.zeros(3),
        )
        low = level.directions(np.array([[self.centre_px[0], self.size_px[1] - 1.0]]))[0]
        return float(low[1] / low[2]) * (1 + self.back) * bore.radius_mm

    def at(
        self, bore: Bore, heading_deg: float, height_mm: float, *, off_mm: Floats, tilt_deg: Floats
    ) -> Camera:
        """Return the camera that looks at the wall's angle `heading_deg`, counted as x is.

        `off_mm` moves it beside its place, `tilt_deg` is by how much it looks up and is rolled.
        """
        model, _, distortion = SCOPES[self.name]
        turn = math.radians(heading_deg)
        ahead = np.array([math.cos(turn), -math.sin(turn), math.tan(math.radians(tilt_deg[0]))])
        level = np.array([ahead[0], ahead[1], 0.0])
        place = -self.back * bore.radius_mm * level + off_mm + [0.0, 0.0, height_mm]
        return Camera(
            model="fisheye" if model == "fisheye" else "pinhole",
            size_px=self.size_px,
            fx=self.focal_px,
            fy=self.focal_px,
            cx=self.centre_px[0],
            cy=self.centre_px[1],
            distortion=distortion,
            turn=turned_to(ahead, np.array([0.0, 0.0, 1.0]), float(tilt_deg[1])),
            place_mm=place,
            mirrored=self.mirrored,
        )


def _tube(rng: np.random.Generator, name: str, size_px: tuple[int, int], mirrored: bool | None) -> _Tube:
    _, half, _ = SCOPES[name]
    columns, rows = size_px
    return _Tube(
        name=name,
        size_px=size_px,
        focal_px=columns / 2 / half,
        centre_px=(
            (columns - 1) / 2 + rng.normal(0, 0.008) * columns,
            (rows - 1) / 2 + rng.normal(0, 0.008) * columns,
        ),
        back=float(rng.uniform(0.3, 0.6)),
        mirrored=bool(rng.random() < 0.6) if mirrored is None else mirrored,
    )


def _scope_optics(rng: np.random.Generator, bore: Bore, back: float) -> Optics:
    """Return the light and blur of a scope whose small lamps stand round its lens."""
    away = (1 + back) * bore.radius_mm
    count = int(rng.integers(1, 4))
    start = rng.uniform(0, 2 * math.pi)
    lamps = tuple(
        Lamp(
            at_mm=(
                2.6 * math.cos(start + 2 * math.pi * k / count),
                2.6 * math.sin(start + 2 * math.pi * k / count),
                0.0,
            ),
            strength=0.08 / count,
            tint=(0.97, 1.0, 1.03),
        )
        for k in range(count)
    )
    return Optics(
        lamps=lamps,
        ambient=float(rng.uniform(0.01, 0.06)),
        blur_px=float(rng.uniform(0.7, 1.1)),
        aperture_mm=float(rng.uniform(0.05, 0.15)),
        focus_mm=float(away * rng.uniform(0.9, 1.1)),
        vignette=float(rng.uniform(0.2, 0.5)),
        bright=float(rng.uniform(0.9, 1.1)),
        white_electrons=float(rng.uniform(2000, 5000)),
        read_noise=0.003,
        contrast=float(rng.uniform(-0.1, 0.1)),
    )


def _strip_over(bore: Bore) -> tuple[StripCard, float]:
    """Return a strip that lies between the highest roof and the deck, and the height of its lower edge."""
    roof = max(opening.outline.bounds[3] for opening in bore.openings) + bore.chamfer_mm
    height = min(20.0, math.floor(2 * (bore.deck_mm - roof - 1.5)) / 2)
    return strip_card(bore.bore_mm, height_mm=height, thickness_mm=PAPER_MM), bore.deck_mm - height - 0.5


def _bore_with_strip(rng: np.random.Generator) -> Bore:
    """Return an invented cylinder whose wall has room for a strip above the windows."""
    while True:
        bore = invented_bore(rng)
        try:
            _strip_over(bore)
        except QuantityError:  # not two rows of squares
            continue
        return bore


def _laid(rng: np.random.Generator, card: StripCard, low_mm: float, size: float = 1.0) -> Strip:
    """Return the strip as a hand sets it: 0.05 mm of height, 3 mrad of turn, 1 mm/m of slope (one sd)."""
    return Strip(
        page=functools.partial(printed_page, card, size=size),
        height_mm=card.height_mm,
        low_mm=low_mm,
        thickness_mm=PAPER_MM,
        turn_rad=float(rng.normal(0, 0.003)),
        lift_mm=float(rng.normal(0, 0.05)),
        slope=(float(rng.normal(0, 0.001)), float(rng.normal(0, 0.001))),
    )


def strip_set(
    seed: int,
    *,
    bore: Bore | None = None,
    scope: str | None = None,
    frames: int | None = None,
    size_px: tuple[int, int] = (1440, 1080),
    mirrored: bool | None = None,
    print_sd: float = 0.0,
) -> BoreSet:
    """Return frames of a side-looking scope all round, a strip rolled in above the windows.

    12 to 20 frames at 1 to 3 heights, each of which sees some of the strip; the lens is known.
    """
    rng = np.random.default_rng([seed, 2])
    bore = bore or _bore_with_strip(rng)
    card, low = _strip_over(bore)
    strip = _laid(rng, card, low, print_size(seed, print_sd))
    floor = min(opening.outline.bounds[1] for opening in bore.openings) - bore.chamfer_mm
    tube = _tube(rng, scope or str(rng.choice(list(SCOPES))), size_px, mirrored)
    if 2 * tube.reach_mm(bore) < low + STRIP_SEEN_MM + 4.0 - floor:  # else no frame sees both
        tube = _tube(rng, "wide scope", size_px, mirrored)
    lowest = low + STRIP_SEEN_MM + 1.0 - tube.reach_mm(bore)
    highest = floor - 3.0 + tube.reach_mm(bore)
    count = frames or int(rng.integers(12, 21))
    levels = min(int(rng.integers(1, 4)), count // 6)
    middle = (max(lowest, 3.0) + min(highest, bore.deck_mm - 3.0)) / 2
    span = min(highest - lowest, 10.0) if levels > 1 else 0.0
    heights = middle + span * (np.arange(levels) / max(levels - 1, 1) - 0.5)
    each = [count // levels + (k < count % levels) for k in range(levels)]
    optics = _scope_optics(rng, bore, tube.back)
    shots: list[Shot] = []
    for height, round_ in zip(heights, each, strict=True):
        start = rng.uniform(0, 360)
        for k in range(round_):
            camera = tube.at(
                bore,
                start + 360 * k / round_ + rng.normal(0, 3),
                float(height + rng.normal(0, 0.4)),
                off_mm=np.array([*rng.normal(0, 0.02 * bore.bore_mm, 2), 0.0]),
                tilt_deg=rng.normal(0, (1.5, 1.5)),
            )
            shots.append(
                Shot(
                    name=f"frame-{len(shots) + 1:02d}.jpg",
                    scene=BoreScene(bore=bore, strip=strip, optics=optics),
                    camera=camera,
                    seed=seed * 1000 + len(shots),
                    quality=int(rng.integers(80, 94)),
                )
            )
    return BoreSet(
        kind=f"strip, {tube.name}",
        bore=bore,
        shots=tuple(shots),
        lens=lens_document(shots[0].camera, rng),
        told={"strip_y_mm": low, "strip_height_mm": card.height_mm},
    )


def bare_set(
    seed: int,
    *,
    bore: Bore | None = None,
    scope: str | None = None,
    frames: int | None = None,
    size_px: tuple[int, int] = (1440, 1080),
    mirrored: bool = False,
) -> BoreSet:
    """Return frames of a scope turned by a stated step, no card in sight, and one known height.

    The tube turns about an axis that stands up to a millimetre beside the bore's and leans by up to half
    a degree; each step errs by a third of a degree. The lens is known, and the exhaust's roof.
    """
    rng = np.random.default_rng([seed, 3])
    bore = bore or invented_bore(rng)
    tube = _tube(rng, scope or str(rng.choice(list(SCOPES))), size_px, mirrored)
    count = frames or int(rng.choice([12, 16, 18, 20]))
    bounds = np.array([opening.outline.bounds for opening in bore.openings])
    height = float((bounds[:, 1].min() + bounds[:, 3].max()) / 2)
    cameras = _turning(rng, bore, tube, height, np.arange(count) * 360 / count, 0.33)
    optics = _scope_optics(rng, bore, tube.back)
    shots = tuple(
        Shot(
            name=f"frame-{k + 1:02d}.jpg",
            scene=BoreScene(bore=bore, optics=optics),
            camera=camera,
            seed=seed * 1000 + k,
        )
        for k, camera in enumerate(cameras)
    )
    roof = max(o.outline.bounds[3] for o in bore.openings if o.kind == "exhaust")
    return BoreSet(
        kind=f"bare, {tube.name}",
        bore=bore,
        shots=shots,
        lens=lens_document(shots[0].camera, rng),
        told={"step_deg": 360 / count, "heights_mm": {"exhaust roof": roof}},
    )


def _turning(
    rng: np.random.Generator,
    bore: Bore,
    tube: _Tube,
    height_mm: float,
    turns_deg: Floats,
    slip_deg: float,
) -> list[Camera]:
    """Return the cameras of a tube that is turned in its holder; the first looks near the exhaust."""
    beside = np.array([*rng.uniform(-1, 1, 2), 0.0])
    lean = np.radians(rng.uniform(-0.5, 0.5, 2))
    start, roll = rng.normal(0, 6), rng.normal(0, 1.0)
    cameras = []
    for turn in turns_deg:
        heading = start + turn + rng.normal(0, slip_deg)
        c, s = math.cos(math.radians(heading)), -math.sin(math.radians(heading))
        pitch = math.degrees(lean[0] * c + lean[1] * s)
        extra = math.degrees(lean[0] * s - lean[1] * c)
        cameras.append(
            tube.at(
                bore,
                float(heading),
                float(height_mm + rng.normal(0, 0.05)),
                off_mm=beside,
                tilt_deg=np.array([pitch, roll + extra]),
            )
        )
    return cameras


def video_set(
    seed: int,
    *,
    bore: Bore | None = None,
    scope: str = "wide scope",
    frames: int = 72,
    size_px: tuple[int, int] = (960, 720),
    mirrored: bool = False,
    with_strip: bool = True,
    print_sd: float = 0.0,
) -> BoreSet:
    """Return the frames of a video of a scope turned once round by hand, a little unevenly.

    One frame of six is blurred by a jerk; `write_video` makes a file of them.
    """
    rng = np.random.default_rng([seed, 4])
    bore = bore or _bore_with_strip(rng)
    tube = _tube(rng, scope, size_px, mirrored)
    card, low = _strip_over(bore)
    strip = _laid(rng, card, low, print_size(seed, print_sd))
    floor = min(opening.outline.bounds[1] for opening in bore.openings)
    reach = tube.reach_mm(bore)
    height = ((low + STRIP_SEEN_MM - reach) + (floor - 3.0 + reach)) / 2 if with_strip else (floor + low) / 2
    speed = np.exp(0.35 * np.convolve(rng.normal(size=frames + 8), np.ones(9) / 3, "valid"))
    turns = 372.0 * np.cumsum(speed) / speed.sum()
    optics = _scope_optics(rng, bore, tube.back)
    cameras = _turning(rng, bore, tube, float(height), turns, 0.0)
    shots = []
    for k, camera in enumerate(cameras):
        swept = (
            math.radians(np.gradient(turns)[k]) * tube.focal_px * 0.12
        )  # an exposure is an eighth of a frame
        jerk = rng.normal(0, 6.0, 2) if rng.random() < 1 / 6 else rng.normal(0, 0.3, 2)
        shots.append(
            Shot(
                name=f"frame-{k + 1:03d}",
                scene=BoreScene(
                    bore=bore,
                    strip=strip if with_strip else None,
                    optics=replace(optics, motion_px=(float(swept + jerk[0]), float(jerk[1]))),
                ),
                camera=camera,
                seed=seed * 1000 + k,
            )
        )
    roof = max(o.outline.bounds[3] for o in bore.openings if o.kind == "exhaust")
    told: dict[str, Any] = {"heights_mm": {"exhaust roof": roof}}
    if with_strip:
        told = {"strip_y_mm": low, "strip_height_mm": card.height_mm}
    return BoreSet(
        kind=f"video, {tube.name}",
        bore=bore,
        shots=tuple(shots),
        lens=lens_document(cameras[0], rng),
        told=told,
    )


def write_video(frames: Iterable[NDArray[np.uint8]], place: Path, *, per_second: float = 15.0) -> None:
    """Write pictures to a video file; `.avi` holds each as a JPEG, `.mp4` is coded more tightly."""
    code = {".avi": "MJPG", ".mp4": "mp4v"}[place.suffix]
    writer = None
    for frame in frames:
        if writer is None:
            rows, columns = frame.shape[:2]
            fourcc = cv2.VideoWriter_fourcc(*code)
            writer = cv2.VideoWriter(str(place), fourcc, per_second, (columns, rows))
            if not writer.isOpened():
                raise OSError(f"cannot write {place.name}")
        writer.write(frame)
    if writer is None:
        raise ValueError("a video of no frames")
    writer.release()
