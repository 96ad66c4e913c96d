"""Boards as cameras of known lens see them: corners in plain numpy, and rendered photos.

The lens's formula is that of tests/bore_camera, which shares no code with portmap. Lenses are made up.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import cv2
import numpy as np
from PIL import Image

from portmap.picture.board_card import board_card
from portmap.picture.board_view import BoardView
from portmap.picture.card_drawing import card_pixels, png_scale
from tests.bore_camera import Camera, ray_map

CARD = board_card("A4")
CORNERS_MM = CARD.corners()
MIDDLE_MM = np.array([CARD.columns, CARD.rows]) * CARD.square_mm / 2
LEAST_GRAZING = 0.2  # sine of the least angle between board and line of sight


@dataclass(frozen=True, kw_only=True)
class Truth:
    """A made-up lens."""

    model: str
    size_px: tuple[int, int]
    focal_px: float
    middle_px: tuple[float, float]
    distortion: tuple[float, ...]

    def camera(self, turn: np.ndarray, shift_mm: np.ndarray) -> Camera:
        return Camera(
            model=self.model,
            size_px=self.size_px,
            fx=self.focal_px,
            fy=self.focal_px,
            cx=self.middle_px[0],
            cy=self.middle_px[1],
            distortion=self.distortion,
            turn=turn,
            place_mm=-turn.T @ shift_mm,
        )

    def half_field(self) -> float:
        """Tangent of half the angle across that a board is laid out in."""
        half = self.size_px[0] / 2 / self.focal_px
        return half if self.model == "pinhole" else float(np.tan(min(half, 1.2)))


PHONE = Truth(
    model="pinhole",
    size_px=(4000, 3000),
    focal_px=3000.0,
    middle_px=(2010.0, 1480.0),
    distortion=(0.12, -0.25, 0.0005, -0.0003, 0.1),
)
SCOPE = Truth(
    model="pinhole",
    size_px=(1280, 720),
    focal_px=900.0,
    middle_px=(650.0, 352.0),
    distortion=(-0.2, 0.04, 0.0, 0.0005, -0.003),
)
PLAIN = Truth(
    model="pinhole",
    size_px=(1600, 1200),
    focal_px=1500.0,
    middle_px=(801.0, 604.0),
    distortion=(0.0,) * 5,
)
FISHEYE_120 = Truth(
    model="fisheye",
    size_px=(1280, 960),
    focal_px=560.0,
    middle_px=(652.0, 470.0),
    distortion=(0.02, -0.01, 0.003, -0.001),
)
FISHEYE_170 = Truth(
    model="fisheye",
    size_px=(1280, 960),
    focal_px=420.0,
    middle_px=(630.0, 490.0),
    distortion=(-0.03, 0.004, -0.002, 0.0003),
)


def stand(
    rng: np.random.Generator,
    truth: Truth,
    *,
    tilt_deg: tuple[float, float] = (0.0, 45.0),
    towards_deg: float | None = None,
    away: tuple[float, float] = (0.6, 1.4),
    aside: float = 0.6,
) -> Camera:
    """Return a camera before the board, whose middle lies `aside` of the field off and fills 1/away of it."""
    tilt = np.radians(rng.uniform(*tilt_deg))
    towards = rng.uniform(0, 2 * np.pi) if towards_deg is None else np.radians(towards_deg)
    roll = rng.uniform(-np.pi, np.pi) if towards_deg is None else 0.0
    leaned = cv2.Rodrigues(np.array([tilt * np.cos(towards), tilt * np.sin(towards), 0.0]))[0]
    rolled = cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0]
    turn = leaned @ rolled @ np.diag([1.0, -1.0, -1.0])  # the board's y is up, its print faces the camera
    half = truth.half_field()
    z = MIDDLE_MM[0] / half * rng.uniform(*away)
    x, y = rng.uniform(-aside, aside, 2) * half * z
    middle = np.array([x, y * truth.size_px[1] / truth.size_px[0], z])
    return truth.camera(turn, middle - turn @ [*MIDDLE_MM, 0.0])


def seen(rng: np.random.Generator, camera: Camera, name: str, noise_px: float = 0.1) -> BoardView | None:
    """Return the corners that the camera sees, None if they are few or seen at a grazing angle."""
    places = np.column_stack([CORNERS_MM, np.zeros(len(CORNERS_MM))])
    ray = (places - camera.place_mm) @ camera.turn.T
    pixels = camera.project(places)
    inside = np.isfinite(pixels).all(axis=1) & (pixels > 8).all(axis=1)
    inside &= (pixels < np.array(camera.size_px) - 9).all(axis=1) & (ray[:, 2] > 5)
    if camera.model == "pinhole":  # beyond the radius at which barrel distortion turns back nothing is seen
        off2 = (ray[:, 0] ** 2 + ray[:, 1] ** 2) / ray[:, 2] ** 2
        k1, k2 = camera.distortion[:2]
        inside &= (1 + 3 * k1 * off2 + 5 * k2 * off2**2 > 0.05) & (off2 < 9)
    grazing = -(ray @ camera.turn[:, 2]) / np.linalg.norm(ray, axis=1)
    if inside.sum() < 30 or grazing[inside].min() < LEAST_GRAZING:
        return None
    noise = rng.normal(0, noise_px, (int(inside.sum()), 2)) if noise_px else 0.0
    return BoardView(
        name=name, size_px=camera.size_px, places_mm=CORNERS_MM[inside], pixels_px=pixels[inside] + noise
    )


def board_views(
    seed: int, truth: Truth, count: int, *, noise_px: float = 0.1, zoom: dict[int, float] | None = None, **how
) -> list[BoardView]:
    """Return views of the board; `zoom` stretches the focal length of some."""
    rng = np.random.default_rng(seed)
    views: list[BoardView] = []
    while len(views) < count:
        now = replace(truth, focal_px=truth.focal_px * (zoom or {}).get(len(views), 1.0))
        view = seen(rng, stand(rng, now, **how), f"photo{len(views):02}.jpg", noise_px)
        if view is not None:
            views.append(view)
    return views


@functools.cache
def _sheet(dpi: float) -> np.ndarray:
    """Return the printed board card, grey, blurred to about a ray's width lest it be sampled too thinly."""
    sheet = np.asarray(Image.fromarray(card_pixels(CARD, dpi)).convert("L"), np.float32)
    return cv2.GaussianBlur(sheet, (0, 0), 1.0)


def board_photo(camera: Camera, rng: np.random.Generator, *, dpi: float = 300.0) -> np.ndarray:
    """Return a photo of the printed board card, grey, by a ray through each quarter of a pixel."""
    scale = png_scale(CARD, dpi)
    columns, rows = (2 * n for n in camera.size_px)  # four rays a pixel
    fine = replace(
        camera,
        size_px=(columns, rows),
        fx=2 * camera.fx,
        fy=2 * camera.fy,
        cx=2 * camera.cx + 0.5,
        cy=2 * camera.cy + 0.5,
    )
    ray = ray_map(fine).rows(0, rows)
    down = np.where(ray[2] < -1e-3, ray[2], np.nan)
    reach = -camera.place_mm[2] / down
    x = scale["origin_px"][0] + (camera.place_mm[0] + ray[0] * reach) * scale["px_per_mm"]
    y = scale["origin_px"][1] - (camera.place_mm[1] + ray[1] * reach) * scale["px_per_mm"]
    maps = [np.nan_to_num(m, nan=-1e4).clip(-1e4, 1e4).astype(np.float32) for m in (x, y)]
    light = cv2.remap(_sheet(dpi), *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=90)
    total = cv2.resize(light, camera.size_px, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(20 + 0.8 * total, (0, 0), 0.7)
    return np.clip(soft + rng.normal(0, 2.0, soft.shape), 0, 255).round().astype(np.uint8)
