"""Made-up cylinders, and ways of photographing their bores as a porter would; the truth beside each.

A `BoreSet` is one job's pictures: what stands before the camera, each `Shot` with its camera, and what a
porter would tell portmap beside the pictures. Nothing is rendered until a shot's `pixels` or `jpeg` is asked
for. The same seed makes the same set.
"""

from __future__ import annotations

import functools
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image
from shapely.affinity import translate

from portmap.picture.bore_cards import RingCard, StripCard, ring_card, strip_card
from portmap.picture.card_drawing import card_png, png_scale
from sample_images.make_samples import WINDOWS
from tests.bore_camera import Camera, turned_to
from tests.bore_rendering import Bore, BoreScene, Lamp, Opening, Optics, Ring, Strip, render
from tests.impressions import arched, leaning
from tests.rendering import Page, page_from_png

__all__ = [
    "BORES_MM",
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

Floats = NDArray[np.float64]

BORES_MM = (36.0, 38.0, 40.0, 42.5, 44.0, 46.0, 48.0, 50.0, 52.0, 54.0, 58.0, 62.0, 66.5, 70.0)
PAPER_MM = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One picture: rendered when asked for."""

    name: str
    scene: BoreScene
    camera: Camera
    seed: int
    quality: int = 90

    def pixels(self) -> NDArray[np.uint8]:
        """Return the picture, blue green red."""
        return render(self.scene, self.camera, self.seed)

    def jpeg(self) -> bytes:
        """Return the picture as a JPEG file."""
        stream = io.BytesIO()
        Image.fromarray(self.pixels()[:, :, ::-1]).save(stream, "JPEG", quality=self.quality)
        return stream.getvalue()


@dataclass(frozen=True, kw_only=True, eq=False)
class BoreSet:
    """The pictures of one bore and what is true of them.

    `lens` is the document of the camera's lens, None where the porter has none; `told` is what the porter
    tells beside the bore: of ``strip_y_mm``, ``step_deg``, ``heights_mm``.
    """

    kind: str
    bore: Bore
    shots: tuple[Shot, ...]
    lens: dict[str, Any] | None
    told: dict[str, Any] = field(default_factory=dict)

    @property
    def windows(self) -> dict[str, shapely.Polygon]:
        """Return the windows' true edges, without their chamfer."""
        return {opening.name: opening.outline for opening in self.bore.openings}

    @property
    def wall_edges(self) -> dict[str, shapely.Polygon]:
        """Return where the wall ends: the windows' edges with their chamfer."""
        wide = self.bore.chamfer_mm
        return {o.name: o.outline.buffer(wide, quad_segs=48) for o in self.bore.openings}


# --- cylinders ------------------------------------------------------------


def sample_bore(**finish: Any) -> Bore:
    """Return the cylinder of the sample pictures, 46 mm, with its true windows."""
    openings = tuple(Opening(name=n, kind=k, outline=shape) for n, (k, shape) in WINDOWS.items())
    return Bore(bore_mm=46.0, deck_mm=62.0, openings=openings, **finish)


def invented_bore(rng: np.random.Generator, bore_mm: float | None = None) -> Bore:
    """Return an invented cylinder: exhaust, mains, perhaps seconds, boost or intake, and its finish.

    Heights keep to the proportions of the sample's stroke; they are of our own invention.
    """
    bore = float(rng.choice(BORES_MM)) if bore_mm is None else bore_mm
    stroke = bore * rng.uniform(0.66, 0.82)
    turn = math.pi * bore
    openings: list[Opening] = []

    def put(name: str, kind: str, shape: shapely.Polygon, x: float, floor: float) -> None:
        openings.append(Opening(name=name, kind=kind, outline=translate(shape, x, floor)))

    floor = stroke * rng.uniform(0.84, 0.92)
    tall = stroke * rng.uniform(0.32, 0.40)
    width = turn * rng.uniform(0.17, 0.215)
    arch = float(rng.choice([0.0, rng.uniform(0.02, 0.045)])) * width
    radius = min(rng.uniform(0.05, 0.09) * bore, 0.3 * tall)
    if bore > 44 and rng.random() < 0.25:
        bridge = rng.uniform(2.4, 3.5)
        half = (width - bridge) / 2
        single = arched(half, tall, radius=0.8 * radius, narrower=rng.uniform(0.0, 0.8))
        for name, side in (("exhaust-left", -1), ("exhaust-right", 1)):
            put(name, "exhaust", single, side * (half + bridge) / 2, floor)
    else:
        put(
            "exhaust",
            "exhaust",
            arched(width, tall, radius=radius, arch=arch, narrower=rng.uniform(0.0, 1.2)),
            rng.normal(0, 0.15),
            floor,
        )
    roof = floor + tall - stroke * rng.uniform(0.09, 0.13)
    main_tall, main_wide = stroke * rng.uniform(0.20, 0.26), turn * rng.uniform(0.075, 0.10)
    lean, slope = rng.uniform(-0.8, 0.8), rng.uniform(0.0, 0.05)
    place = turn * rng.uniform(0.235, 0.255)
    for name, side in (("transfer-left", -1), ("transfer-right", 1)):
        # as cast: the two are not quite alike
        shape = leaning(
            main_wide, main_tall + rng.normal(0, 0.06), lean=side * lean, radius=1.4, slope=-side * slope
        )
        put(name, "transfer", shape, side * place, roof - main_tall + rng.normal(0, 0.06))
    opposite = turn / 2
    fed = rng.random()
    if fed < 0.45:
        wide, high = turn * rng.uniform(0.14, 0.17), stroke * rng.uniform(0.30, 0.36)
        put("intake", "intake", arched(wide, high, radius=2.6), opposite, stroke * rng.uniform(0.28, 0.34))
    if fed > 0.3:
        wide, high = turn * rng.uniform(0.05, 0.075), stroke * rng.uniform(0.17, 0.23)
        put("boost", "boost", arched(wide, high, radius=1.3), opposite, roof - high + rng.normal(0, 0.3))
    if bore >= 44 and rng.random() < 0.5:
        wide, high = turn * rng.uniform(0.05, 0.065), stroke * rng.uniform(0.19, 0.24)
        aside = place + main_wide / 2 + rng.uniform(2.6, 3.6) + wide / 2
        for name, side in (("second-left", -1), ("second-right", 1)):
            shape = leaning(wide, high, lean=0.4 * side, radius=1.2)
            put(name, "transfer", shape, side * aside, roof - high + rng.normal(0, 0.08))
    return Bore(
        bore_mm=bore,
        deck_mm=stroke * rng.uniform(1.84, 1.98),
        openings=tuple(openings),
        chamfer_mm=float(rng.uniform(0.15, 0.5)),
        shine=float(rng.uniform(0.25, 0.8)),
        hone_deg=float(rng.uniform(20, 35)),
        honing=float(rng.uniform(0.05, 0.16)),
        soot=float(rng.choice([0.0, rng.uniform(0.1, 0.7)])),
        seed=int(rng.integers(1 << 30)),
    )


# --- cards ------------------------------------------------------------


def printed_page(card: RingCard | StripCard, dpi: float = 600.0) -> Page:
    """Return a card as it is printed, cut down to its chessboard and a rim round it."""
    return _printed_page(card, dpi)


@functools.lru_cache(maxsize=8)
def _printed_page(card: RingCard | StripCard, dpi: float) -> Page:
    scale = png_scale(card, dpi)
    (ox, oy), s = scale["origin_px"], scale["px_per_mm"]
    if isinstance(card, RingCard):
        reach = 8 * card.square_mm + 8
        x0, y0, x1, y1 = -reach, -reach, reach, reach
    else:
        reach = card.columns / 2 * card.square_mm + 1
        x0, y0, x1, y1 = -reach, -1.0, reach, card.height_mm + 1
    image = Image.open(io.BytesIO(card_png(card, dpi)))
    left, top = max(0, math.floor(ox + x0 * s)), max(0, math.floor(oy - y1 * s))
    box = (left, top, min(image.width, math.ceil(ox + x1 * s)), min(image.height, math.ceil(oy - y0 * s)))
    stream = io.BytesIO()
    image.crop(box).save(stream, "PNG", compress_level=1)
    return page_from_png(stream.getvalue(), px_per_mm=s, origin_px=(ox - left, oy - top))


# --- end-on, by phone ------------------------------------------------------------

# made up, of the size that phones show; focal length as a share of half the diagonal
PHONES: dict[str, tuple[float, tuple[float, ...]]] = {
    "phone": (1.20, (0.072, -0.135, 0.0006, -0.0004, 0.062)),
    "wide phone": (1.09, (-0.055, 0.028, -0.0005, 0.0007, -0.008)),
    "close-up phone": (0.86, (-0.090, 0.052, 0.0004, 0.0005, -0.014)),
}


def lens_document(camera: Camera) -> dict[str, Any]:
    """Return a camera's lens as portmap's lens files hold it."""
    return {
        "format": "portmap-lens",
        "version": 1,
        "model": camera.model,
        "image_size_px": list(camera.size_px),
        "fx_px": camera.fx,
        "fy_px": camera.fy,
        "cx_px": camera.cx,
        "cy_px": camera.cy,
        "distortion": list(camera.distortion),
    }


def end_on_set(
    seed: int,
    *,
    bore: Bore | None = None,
    photos: int | None = None,
    pixels: int = 12_000_000,
    lens_known: bool | None = None,
    seat: str = "base",
) -> BoreSet:
    """Return photos by a phone from below the base face (or above the deck), a ring round the bore.

    3 to 6 photos; the phone stands 60 to 150 mm off, mostly beside the axis so as to see the far wall less
    aslant, its lamp beside the lens. Of three sets one has a lens file.
    """
    rng = np.random.default_rng([seed, 1])
    bore = bore or invented_bore(rng)
    card = ring_card(bore.bore_mm)
    ring = Ring(
        page=printed_page(card),
        half_mm=8 * card.square_mm + 4.0,
        hole_mm=bore.radius_mm + float(rng.uniform(0.1, 0.4)),
        seat="deck" if seat == "deck" else "base",
        thickness_mm=PAPER_MM,
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
        away = rng.uniform(60.0, 100.0) * (0.6 + 0.4 * bore.bore_mm / 46)
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
            )
        )
    known = bool(rng.random() < 1 / 3) if lens_known is None else lens_known
    told = {"deck_mm": bore.deck_mm, "ring_on": "deck"} if seat == "deck" else {}
    return BoreSet(
        kind=f"end-on, {name}",
        bore=bore,
        shots=tuple(shots),
        lens=lens_document(shots[0].camera) if known else None,
        told=told,
    )


# --- side-looking scopes ------------------------------------------------------------

# made up: model, half the picture's width in radians of the lens's axis (fisheye) or its tangent (pinhole)
SCOPES: dict[str, tuple[str, float, tuple[float, ...]]] = {
    "tube scope": ("pinhole", 0.80, (-0.24, 0.075, 0.0007, -0.0005, -0.010)),
    "narrow scope": ("pinhole", 0.62, (-0.11, 0.030, -0.0004, 0.0006, 0.0)),
    "wide scope": ("fisheye", 1.12, (0.035, -0.012, 0.0025, -0.0004)),
}
STRIP_SEEN_MM = 9.0  # of the strip's height, at least, in every frame


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
    count = int(rng.choice([4, 6]))
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


def strip_set(
    seed: int,
    *,
    bore: Bore | None = None,
    scope: str | None = None,
    frames: int | None = None,
    size_px: tuple[int, int] = (1440, 1080),
    mirrored: bool | None = None,
) -> BoreSet:
    """Return frames of a side-looking scope all round, a strip rolled in above the windows.

    12 to 20 frames at 1 to 3 heights, each of which sees some of the strip; the lens is known.
    """
    rng = np.random.default_rng([seed, 2])
    bore = bore or invented_bore(rng)
    card, low = _strip_over(bore)
    strip = Strip(page=printed_page(card), height_mm=card.height_mm, low_mm=low, thickness_mm=PAPER_MM)
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
        lens=lens_document(shots[0].camera),
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
        lens=lens_document(shots[0].camera),
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
) -> BoreSet:
    """Return the frames of a video of a scope turned once round by hand, a little unevenly.

    One frame of six is blurred by a jerk; `write_video` makes a file of them.
    """
    rng = np.random.default_rng([seed, 4])
    bore = bore or invented_bore(rng)
    tube = _tube(rng, scope, size_px, mirrored)
    card, low = _strip_over(bore)
    strip = Strip(page=printed_page(card), height_mm=card.height_mm, low_mm=low, thickness_mm=PAPER_MM)
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
        lens=lens_document(cameras[0]),
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
