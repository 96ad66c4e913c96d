"""What rays from a camera meet in a rendered bore, and how bright it is; the parts: `tests.bore_parts`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bore_camera import Camera
from tests.bore_maps import Floats32, WallMaps, sampled_at, wall_maps
from tests.bore_parts import Bore, BoreScene, Strip, Tone
from tests.rendering import Page

__all__ = [
    "CHAMFER",
    "DARK",
    "FACE",
    "HEAD",
    "NOTHING",
    "PASSAGE",
    "RING",
    "STRIP",
    "WALL",
    "Lights",
    "Seen",
    "lights_of",
    "met",
]

Floats = NDArray[np.float64]

SOOT: Tone = (0.05, 0.042, 0.036)
NOTHING, WALL, CHAMFER, PASSAGE, DARK, STRIP, RING, FACE, HEAD = range(9)


@dataclass(eq=False)
class Seen:
    """What a list of rays met: colour, distance along the ray, kind."""

    colour: Floats32  # (N, 3), red green blue
    far: Floats32
    kind: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Lights:
    places_mm: Floats
    strengths: list[Floats32]
    ambient: float


def lights_of(scene: BoreScene, camera: Camera) -> Lights:
    optics = scene.optics
    # the strength is told for paper at 100 mm
    strengths = [np.asarray(lamp.tint, np.float32) * np.float32(lamp.strength * 1e4) for lamp in optics.lamps]
    places = np.array([lamp.at_mm for lamp in optics.lamps]).reshape(-1, 3) @ camera.turn + camera.place_mm
    return Lights(places, strengths, optics.ambient)


def met(scene: BoreScene, lights: Lights, eye: Floats, ray: Floats32) -> Seen:
    """Return what rays from `eye` meet; `ray` has shape (3, N)."""
    bore = scene.bore
    count = ray.shape[1]
    seen = Seen(
        np.empty((count, 3), np.float32), np.full(count, 200.0, np.float32), np.zeros(count, np.uint8)
    )
    seen.colour[:] = np.asarray((0.055, 0.055, 0.06), np.float32) * np.float32(lights.ambient / 0.15)
    inside = np.arange(count)
    if eye[2] < 0:
        inside = _face(scene, lights, eye, ray, seen, "base")
    elif eye[2] > bore.deck_mm:
        inside = _face(scene, lights, eye, ray, seen, "deck")
    if scene.strip is not None:
        inside = _strip(scene, scene.strip, lights, eye, ray, seen, inside)
    _wall(scene, lights, eye, ray, seen, inside)
    return seen


def _face(
    scene: BoreScene, lights: Lights, eye: Floats, ray: Floats32, seen: Seen, seat: str
) -> NDArray[np.intp]:
    """Lay in the ring and the face round the bore; return the rays that enter the bore."""
    bore, ring = scene.bore, scene.ring
    level = 0.0 if seat == "base" else bore.deck_mm
    side = -1.0 if seat == "base" else 1.0
    ahead = ray[2] * side < -1e-6
    left = np.flatnonzero(ahead)
    normal = np.array([0.0, 0.0, side])
    if ring is not None and ring.seat == seat:
        a, b = (side * slope for slope in ring.slope)
        off = level + side * (ring.thickness_mm + ring.lift_mm) + a * eye[0] + b * eye[1] - eye[2]
        far = np.float32(off) / (ray[2, left] - np.float32(a) * ray[0, left] - np.float32(b) * ray[1, left])
        x, y = (np.float32(eye[k]) + far * ray[k, left] for k in (0, 1))
        right, up = (y, x) if seat == "base" else (-y, x)
        c, s = math.cos(ring.turn_rad), math.sin(ring.turn_rad)
        right, up = right - np.float32(ring.shift_mm[0]), up - np.float32(ring.shift_mm[1])
        right, up = c * right + s * up, c * up - s * right
        out = np.hypot(right, up)
        hit = (out > ring.hole_mm) & (np.maximum(np.abs(right), np.abs(up)) < ring.half_mm)
        at = left[hit]
        paper = _printed(ring.page(), right[hit], up[hit])
        place = np.stack([x[hit], y[hit], np.full(len(at), level, np.float32)])
        seen.colour[at] = paper * _light_on(lights, place, normal[:, None].astype(np.float32), 1.0)
        seen.far[at], seen.kind[at] = far[hit], RING
        left = left[~hit]
    far = np.float32(level - eye[2]) / ray[2, left]
    x, y = (np.float32(eye[k]) + far * ray[k, left] for k in (0, 1))
    out = np.hypot(x, y)
    through = out < bore.radius_mm
    # a square flange with large corners
    scale = np.float32(1 / (bore.radius_mm + 17.0))
    hit = ~through & (_sixth(x * scale) + _sixth(y * scale) < 1)
    at = left[hit]
    rings = 1 + np.float32(0.12) * np.sin(np.float32(2 * math.pi / 0.35) * out[hit])
    place = np.stack([x[hit], y[hit], np.full(len(at), level, np.float32)])
    lit = _light_on(lights, place, normal[:, None].astype(np.float32), 1.0)
    seen.colour[at] = np.asarray(bore.tone, np.float32) * 0.9 * lit * rings[:, None]
    seen.far[at], seen.kind[at] = far[hit], FACE
    return left[through]


def _wrapped(turn: Floats32) -> Floats32:
    return np.asarray(np.mod(turn + np.float32(math.pi), np.float32(2 * math.pi)) - np.float32(math.pi))


def _sixth(x: Floats32) -> Floats32:
    square = x * x
    return square * square * square


def _strip(
    scene: BoreScene,
    strip: Strip,
    lights: Lights,
    eye: Floats,
    ray: Floats32,
    seen: Seen,
    inside: NDArray[np.intp],
) -> NDArray[np.intp]:
    """Lay in the strip; return the rays that it does not stop."""
    radius = scene.bore.radius_mm
    far, x, y, z = _cylinder(eye, ray[:, inside], radius - strip.thickness_mm)
    low = np.float32(strip.low_mm + strip.lift_mm)
    up = z - low - np.float32(strip.slope[0]) * x - np.float32(strip.slope[1]) * y
    hit = (far > 0) & (up > 0) & (up < strip.height_mm)
    at = inside[hit]
    turn = np.arctan2(-y[hit], x[hit])
    along = _wrapped(turn - np.float32(strip.turn_rad)) * np.float32(radius - strip.thickness_mm / 2)
    paper = _printed(strip.page(), along, up[hit])
    place = np.stack([x[hit], y[hit], z[hit]])
    normal = np.stack([-np.cos(turn), np.sin(turn), np.zeros_like(turn)])
    share = _open_share(scene.bore, z[hit])
    seen.colour[at] = paper * _light_on(lights, place, normal, share, _rim(scene, eye))
    seen.far[at], seen.kind[at] = far[hit], STRIP
    return inside[~hit]


def _wall(
    scene: BoreScene, lights: Lights, eye: Floats, ray: Floats32, seen: Seen, inside: NDArray[np.intp]
) -> None:
    bore = scene.bore
    maps = wall_maps(bore)
    radius = np.float32(bore.radius_mm)
    far, x, y, z = _cylinder(eye, ray[:, inside], bore.radius_mm)
    on_wall = (far > 0) & (z >= 0) & (z <= bore.deck_mm)
    if bore.blind:
        _head(scene, lights, eye, ray, seen, inside[(far > 0) & (z > bore.deck_mm)])
    inside, far, x, y, z = inside[on_wall], far[on_wall], x[on_wall], y[on_wall], z[on_wall]
    turn = np.arctan2(-y, x)
    edge = maps.sampled(maps.distance, turn * radius, z)
    metal = edge >= bore.chamfer_mm
    at, place = inside[metal], np.stack([x[metal], y[metal], z[metal]])
    normal = np.stack([-np.cos(turn[metal]), np.sin(turn[metal]), np.zeros(len(at), np.float32)])
    face = maps.sampled(maps.face, turn[metal] * radius, z[metal])
    share = _open_share(bore, z[metal])
    rim = _rim(scene, eye)
    lit = _light_on(lights, place, normal, share, rim)
    soot = face[:, 1:2]
    grain = np.maximum(1 + np.float32(bore.honing) * face[:, :1], 0.2)
    tone = (
        np.asarray(bore.tone, np.float32) * (1 - soot) + np.asarray((0.05, 0.042, 0.036), np.float32) * soot
    )
    colour = tone * grain * lit
    gloss = _gloss(lights, eye, place, normal, face[:, 0] * np.float32(bore.honing), rim)
    seen.colour[at] = colour + np.float32(bore.shine) * (1 - 0.9 * soot) * grain * gloss
    seen.far[at], seen.kind[at] = far[metal], WALL
    _passages(scene, maps, lights, eye, ray, seen, inside[~metal], far[~metal])


def _head(
    scene: BoreScene, lights: Lights, eye: Floats, ray: Floats32, seen: Seen, at: NDArray[np.intp]
) -> None:
    """Lay in the flat, sooty roof of a blind bore."""
    far = np.float32(scene.bore.deck_mm - eye[2]) / ray[2, at]
    place = np.stack([np.float32(eye[k]) + far * ray[k, at] for k in range(3)])
    down = np.array([[0.0], [0.0], [-1.0]], np.float32)
    lit = _light_on(lights, place, down, 0.3, _rim(scene, eye))
    ripple = 1 + np.float32(0.08) * np.sin(np.float32(2 * math.pi / 0.6) * np.hypot(place[0], place[1]))
    seen.colour[at] = np.float32(3.0) * np.asarray(SOOT, np.float32) * lit * ripple[:, None]
    seen.far[at], seen.kind[at] = far, HEAD


def _passages(
    scene: BoreScene,
    maps: WallMaps,
    lights: Lights,
    eye: Floats,
    ray: Floats32,
    seen: Seen,
    inside: NDArray[np.intp],
    far: Floats32,
) -> None:
    """Follow rays into the windows until they meet a passage's wall or its dark end."""
    bore = scene.bore
    radius, wide = np.float32(bore.radius_mm), np.float32(bore.chamfer_mm)
    start = far
    far = far.copy()
    ray = ray[:, inside]
    ox, oy, oz = (np.float32(v) for v in eye)
    # how fast a ray can near a passage's wall: by its part across the radial direction, most at the bore
    x, y = ox + far * ray[0], oy + far * ray[1]
    across = np.hypot((x * ray[1] - y * ray[0]) / radius, ray[2])
    going = np.arange(len(far))
    for _ in range(40):
        if not len(going):
            break
        t, d = far[going], ray[:, going]
        x, y, z = ox + t * d[0], oy + t * d[1], oz + t * d[2]
        out = np.hypot(x, y) - radius
        clear = np.maximum(0, wide - out) - maps.sampled(maps.distance, np.arctan2(-y, x) * radius, z)
        speed = np.maximum(across[going] + (out < wide), 0.01)
        step = np.clip(0.9 * clear / speed, 0.01, 6.0)
        step = np.where((clear > 0.004) & (out < bore.passage_mm), step, 0.0)
        far[going] = t + step.astype(np.float32)
        going = going[step > 0]
    x, y, z = ox + far * ray[0], oy + far * ray[1], oz + far * ray[2]
    out = np.hypot(x, y) - radius
    turn = np.arctan2(-y, x)
    edge = maps.sampled(maps.edge, turn * radius, z)
    dark = out >= bore.passage_mm
    bevel = ~dark & (out < wide - 1e-3)
    radial = np.stack([np.cos(turn), -np.sin(turn), np.zeros_like(turn)])
    around = np.stack([-np.sin(turn), -np.cos(turn), np.zeros_like(turn)])
    normal = -around * edge[:, 1]
    normal[2] -= edge[:, 2]
    normal = normal - radial * bevel
    normal /= np.maximum(np.sqrt((normal * normal).sum(axis=0)), 1e-6)
    share = _open_share(bore, z) * np.exp(-np.maximum(out, 0) / np.float32(8.0))
    place = np.stack([x, y, z])
    lit = _light_on(lights, place, normal, share, _rim(scene, eye))
    tone = np.where(bevel[:, None], np.asarray(bore.tone, np.float32), np.asarray(bore.cast_tone, np.float32))
    rough = maps.sampled(maps.face, turn * radius + np.float32(0.6) * z, out + np.float32(0.4) * z)[:, 2]
    rough = np.where(bevel, np.float32(1), np.clip(1 + np.float32(bore.casting) * rough, 0.5, 1.5))
    seen.colour[inside] = np.where(dark[:, None], np.float32(0.004), tone * lit * rough[:, None])
    seen.far[inside] = np.where(dark, start + bore.passage_mm, far)
    seen.kind[inside] = np.where(dark, DARK, np.where(bevel, CHAMFER, PASSAGE))


def _cylinder(eye: Floats, ray: Floats32, radius: float) -> tuple[Floats32, Floats32, Floats32, Floats32]:
    """Return the distance to where rays leave a cylinder, and the place; −1 where they miss it."""
    ox, oy, oz = (np.float32(v) for v in eye)
    a = np.maximum(ray[0] ** 2 + ray[1] ** 2, np.float32(1e-12))
    b = ox * ray[0] + oy * ray[1]
    c = np.float32(eye[0] ** 2 + eye[1] ** 2 - radius**2)
    inner = b * b - a * c
    far = np.where(inner > 0, (np.sqrt(np.maximum(inner, 0)) - b) / a, np.float32(-1))
    return far, ox + far * ray[0], oy + far * ray[1], oz + far * ray[2]


def _printed(page: Page, right: Floats32, up: Floats32) -> Floats32:
    (ox, oy), s = page.origin_px, page.px_per_mm
    column, row = np.float32(ox) + np.float32(s) * right, np.float32(oy) - np.float32(s) * up
    return sampled_at(page.reflectance, column, row) * np.float32(1 / 255)


def _open_share(bore: Bore, z: Floats32) -> Floats32:
    """Return how much of the light of the open ends reaches a place of the wall; 0.5 at an end and more."""
    reach = np.float32(bore.bore_mm)
    low = 0.5 * (1 - z / np.hypot(z, reach))
    rest = np.float32(bore.deck_mm) - z
    high = 0.0 if bore.blind else 0.5 * (1 - rest / np.hypot(rest, reach))
    return np.asarray(low + high + 0.08, np.float32)


def _rim(scene: BoreScene, eye: Floats) -> tuple[float, float] | None:
    """Return level and radius of the rim past which lamps outside shine in."""
    radius = scene.bore.radius_mm
    if eye[2] < 0:
        return 0.0, radius
    return (scene.bore.deck_mm, radius) if eye[2] > scene.bore.deck_mm else None


def _light_on(
    lights: Lights,
    place: Floats32,
    normal: Floats32,
    share: Floats32 | float,
    rim: tuple[float, float] | None = None,
) -> Floats32:
    """Return the light that falls on places, (N, 3)."""
    ambient = np.asarray(np.broadcast_to(np.float32(lights.ambient) * share, place.shape[1:]), np.float32)
    total = np.repeat(ambient[:, None], 3, axis=1)
    for lamp, strength in zip(lights.places_mm, lights.strengths, strict=True):
        to = lamp.astype(np.float32)[:, None] - place
        square = (to * to).sum(axis=0)
        level = np.maximum((to * normal).sum(axis=0), 0) / (square * np.sqrt(square))
        level *= _past_rim(lamp, place, to, rim)
        total += level[:, None] * strength
    return total


def _past_rim(
    lamp: Floats, place: Floats32, to: Floats32, rim: tuple[float, float] | None
) -> Floats32 | np.float32:
    if rim is None:
        return np.float32(1)
    level, radius = rim
    part = (np.float32(level) - place[2]) / to[2]
    out = np.hypot(place[0] + part * to[0], place[1] + part * to[1])
    return np.asarray(np.clip((radius - out) / 0.8 + 0.5, 0, 1), np.float32)


def _gloss(
    lights: Lights,
    eye: Floats,
    place: Floats32,
    normal: Floats32,
    scratches: Floats32,
    rim: tuple[float, float] | None,
) -> Floats32:
    """Return the shine of scratches that lie nearly round the bore: narrow round it, broad along it."""
    back = eye.astype(np.float32)[:, None] - place
    back /= np.sqrt((back * back).sum(axis=0))
    total = np.zeros((place.shape[1], 3), np.float32)
    for lamp, strength in zip(lights.places_mm, lights.strengths, strict=True):
        to = lamp.astype(np.float32)[:, None] - place
        square = (to * to).sum(axis=0)
        to /= np.sqrt(square)
        half = back + to
        front = np.maximum((half * normal).sum(axis=0), 1e-4)
        around = (half[0] * normal[1] - half[1] * normal[0]) / front
        along = half[2] / front + scratches
        lobe = np.exp(-((around / np.float32(0.13)) ** 2) - (along / np.float32(0.55)) ** 2)
        lobe *= np.maximum((to * normal).sum(axis=0), 0) / square
        lobe *= _past_rim(lamp, place, lamp.astype(np.float32)[:, None] - place, rim)
        total += lobe[:, None] * strength
    return total
