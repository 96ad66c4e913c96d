"""Corners of ring and strip cards as cameras of `bore_camera` see them: no picture is drawn.

Scenes are of our own invention: a phone below the base face or above the deck, a scope inside the bore.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_cards import ring_card, strip_card
from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_rim import Rim
from portmap.picture.bore_seat import CardSeat
from portmap.picture.bore_shots import MarkedPhoto
from portmap.picture.camera import Lens
from tests.bore_camera import Camera, turned_to

__all__ = [
    "DECK_MM",
    "LOW_MM",
    "Scene",
    "end_on",
    "lens_of_camera",
    "marked",
    "on_wall",
    "scope",
    "wall_places",
    "with_far_rims",
    "with_rims",
]

Floats = NDArray[np.float64]

DECK_MM, LOW_MM = 62.0, 42.0
PAPER_MM = 0.1
RIM_NOISE_PX = 0.3
FISHEYE = (0.035, -0.012, 0.0025, -0.0004)
BARREL = (-0.24, 0.075, 0.0007, -0.0005, -0.01)
_AHEAD = 0.55  # cosine from the lens's axis: further out the barrel's formula folds back


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Cameras over one bore with one card."""

    bore_mm: float
    seat: CardSeat
    ring: bool
    cameras: tuple[Camera, ...]


def lens_of_camera(camera: Camera) -> Lens:
    return Lens(
        model=camera.model,
        size_px=camera.size_px,
        fx_px=camera.fx,
        fy_px=camera.fy,
        cx_px=camera.cx,
        cy_px=camera.cy,
        distortion=camera.distortion,
    )


def end_on(
    *,
    deck: bool = False,
    photos: int = 4,
    bore_mm: float = 46.0,
    away_mm: float = 85.0,
    beside_mm: float = 26.0,
) -> Scene:
    """Return a phone that looks into the bore from round about the axis, a ring on the face before it."""
    side, level = (1.0, DECK_MM) if deck else (-1.0, 0.0)
    cameras = []
    for k in range(photos):
        at = 2 * math.pi * k / photos + 0.3
        place = np.array(
            [beside_mm * math.cos(at), beside_mm * math.sin(at), level + side * (away_mm + 4 * k)]
        )
        aim = np.array([-2.0 * math.cos(at), 1.0, level - side * 7.0])
        cameras.append(
            Camera(
                model="pinhole",
                size_px=(4000, 3000),
                fx=2930.0,
                fy=2930.0,
                cx=2008.0,
                cy=1491.0,
                distortion=(0.06, -0.11, 0.0006, -0.0004, 0.05),
                turn=turned_to(aim - place, np.array([1.0, 0.0, 0.0]), 8.0 * k),
                place_mm=place,
            )
        )
    return Scene(
        bore_mm=bore_mm,
        seat=CardSeat(on="deck" if deck else "base", deck_mm=DECK_MM, thickness_mm=PAPER_MM),
        ring=True,
        cameras=tuple(cameras),
    )


def scope(*, fisheye: bool = True, frames: int = 8, bore_mm: float = 46.0) -> Scene:
    """Return a scope that looks sideways at the wall from a little behind the axis, a strip above."""
    cameras = []
    for k in range(frames):
        turn = 2 * math.pi * k / frames
        ahead = np.array([math.cos(turn), -math.sin(turn), 0.03 * (k % 3)])
        cameras.append(
            Camera(
                model="fisheye" if fisheye else "pinhole",
                size_px=(1440, 1080),
                fx=640.0 if fisheye else 900.0,
                fy=640.0 if fisheye else 900.0,
                distortion=FISHEYE if fisheye else BARREL,
                cx=725.0,
                cy=533.0,
                turn=turned_to(ahead, np.array([0.0, 0.0, 1.0]), 1.0 - 0.4 * k),
                place_mm=np.array([-10.0 * ahead[0], -10.0 * ahead[1], 34.0 + 0.5 * k]),
            )
        )
    return Scene(
        bore_mm=bore_mm,
        seat=CardSeat(low_mm=LOW_MM, thickness_mm=PAPER_MM),
        ring=False,
        cameras=tuple(cameras),
    )


def _places(scene: Scene, on_card: Floats) -> Floats:
    """Return where places of the card stand, written out from the frames' definitions."""
    a, b = on_card.T
    if scene.ring:
        if scene.seat.on == "base":
            return np.column_stack([b, a, np.full_like(a, -PAPER_MM)])
        return np.column_stack([b, -a, np.full_like(a, DECK_MM + PAPER_MM)])
    radius = scene.bore_mm / 2
    turn = a / (radius - PAPER_MM / 2)
    inner = radius - PAPER_MM
    return np.column_stack([inner * np.cos(turn), -inner * np.sin(turn), b + scene.seat.low_mm])


def marked(
    scene: Scene,
    rng: np.random.Generator | None = None,
    *,
    noise_px: float = 0.0,
    moved: tuple[Floats, Floats] | None = None,
    longer: float = 0.0,
) -> list[MarkedPhoto]:
    """Return the corners that each camera sees; `moved` lays the card askew by a shift and a small turn.

    The print is larger than it should be by the share `longer`.
    """
    card = ring_card(scene.bore_mm) if scene.ring else strip_card(scene.bore_mm, thickness_mm=PAPER_MM)
    on_card = card.corners()
    places = _places(scene, on_card * (1.0 + longer))
    if moved is not None:
        middle = np.array([0.0, 0.0, places[:, 2].mean()])
        places = places + moved[0] + np.cross(moved[1], places - middle)
    photos = []
    for k, camera in enumerate(scene.cameras):
        seen = replace(camera, mirrored=False).project(places)
        back = camera.place_mm - places
        there = np.isfinite(seen).all(axis=1)
        there &= ((seen > 8) & (seen < np.array(camera.size_px) - 9)).all(axis=1)
        there &= back @ camera.turn[2] < -(0.2 if camera.model == "fisheye" else _AHEAD) * np.linalg.norm(
            back, axis=1
        )
        if not scene.ring:
            there &= (back[:, :2] * places[:, :2]).sum(axis=1) < 0
        pixels = seen[there]
        if rng is not None:
            pixels = pixels + rng.normal(0, noise_px, pixels.shape)
        photos.append(
            MarkedPhoto(
                name=f"photo-{k + 1}.jpg",
                lens=0,
                marks=BoreMarks(
                    card=card,
                    markers=len(pixels) // 2,
                    places_mm=on_card[there],
                    pixels_px=pixels,
                    pitch_px=np.full(len(pixels), 60.0),
                    mirrored=False,
                ),
            )
        )
    return photos


def seen_rim(
    camera: Camera,
    angle: Floats,
    radius_mm: float,
    level_mm: float,
    noise_px: float,
    rng: np.random.Generator,
) -> Rim:
    """Return a circle about the axis as the tests' own camera sees it, noise square to it."""
    count = len(angle)
    near, far, beside = (
        camera.project(np.column_stack([r * np.cos(a), -r * np.sin(a), np.full(count, level_mm)]))
        for r, a in ((radius_mm, angle), (radius_mm + 0.01, angle), (radius_mm, angle + 1e-4))
    )
    along = (beside - near) / np.hypot(*(beside - near).T)[:, None]
    out = far - near - ((far - near) * along).sum(axis=1)[:, None] * along
    out /= np.hypot(*out.T)[:, None]
    seen = near + rng.normal(0, noise_px, count)[:, None] * out
    return Rim(angle_rad=angle, pixels_px=seen, outward_px=out, level_mm=level_mm)


def with_rims(
    scene: Scene, photos: list[MarkedPhoto], rng: np.random.Generator, wider_mm: float = 0.0
) -> list[MarkedPhoto]:
    """Return photos with the rim as each camera sees it, noise square to it."""
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    level = scene.seat.deck_mm if scene.seat.on == "deck" else 0.0
    made = []
    for photo, camera in zip(photos, scene.cameras, strict=True):
        rim = seen_rim(camera, angle, scene.bore_mm / 2 + wider_mm, level, RIM_NOISE_PX, rng)
        made.append(replace(photo, rim=rim))
    return made


def with_far_rims(
    scene: Scene, photos: list[MarkedPhoto], rng: np.random.Generator, level_mm: float, wider_mm: float
) -> list[MarkedPhoto]:
    """Return photos with the far rim as each camera sees it, half round, noise square to it."""
    made = []
    for photo, camera in zip(photos, scene.cameras, strict=True):
        away = np.arctan2(camera.place_mm[1], -camera.place_mm[0])  # the far wall is opposite the camera
        angle = away + np.linspace(-1.7, 1.7, 120)
        rim = seen_rim(camera, angle, scene.bore_mm / 2 + wider_mm, level_mm, RIM_NOISE_PX, rng)
        # its height is told a little wrong
        made.append(replace(photo, far_rim=replace(rim, level_mm=level_mm + 0.2)))
    return made


def on_wall(bore_mm: float, places: Floats) -> Floats:
    radius = bore_mm / 2
    x, y = places.T
    return np.column_stack([radius * np.cos(x / radius), -radius * np.sin(x / radius), y])


def wall_places(scene: Scene, count: int = 400, seed: int = 5) -> Floats:
    """Return places spread over the wall where windows are, shape (N, 2)."""
    rng = np.random.default_rng(seed)
    turn = math.pi * scene.bore_mm
    return np.column_stack([rng.uniform(-turn / 2, turn / 2, count), rng.uniform(14.0, 40.0, count)])
