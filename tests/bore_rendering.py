"""Pictures of a cylinder's bore with known truth, by rays of our own.

Nothing here is imported from portmap. A `BoreScene` says what is there, a `Camera` (`tests.bore_camera`)
where it is seen from, `render` gives the picture.

Frame of the bore [mm]: Z is the axis, up from the base face; X points to the exhaust centre line; the wall's
(x, y) stands at (R cos φ, −R sin φ, y) with φ = x/R.

What there is
-------------
wall
    A cylinder of radius R from Z = 0 to the deck, honed crosswise, perhaps sooty. It shines more along the
    bore than round it, as the scratches lie nearly round.
window
    A polygon on the wall. Its passage runs radially outward from it, so that a place (x, y) of the polygon's
    edge is one straight line. A chamfer of width w at 45° widens it on the wall by w: the wall ends w outside
    the polygon, and the passage wall begins w behind the wall. What lies deeper than the passage is dark.
ring, strip
    Printed paper: the ring on the base face or the deck outside a hole, the strip inside the wall.
lamps
    Points beside the camera, and what comes in through the open ends. A lamp outside the bore does not reach
    the wall past the rim of the face.

How it is drawn
---------------
One ray a pixel, then 3 × 3 rays where neighbours differ. Blur that grows with the distance from the focus is
laid on by levels of a Gaussian. Light is linear until the tone curve.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from tests.bore_camera import Camera, ray_map
from tests.rendering import Page

__all__ = ["Bore", "BoreScene", "Lamp", "Opening", "Optics", "Ring", "Strip", "render", "wall_point"]

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Tone = tuple[float, float, float]  # linear reflectance, red green blue

SOOT: Tone = (0.05, 0.042, 0.036)
NOTHING, WALL, CHAMFER, PASSAGE, DARK, STRIP, RING, FACE = range(8)

_GRID_MM = 0.05  # of the maps laid on the wall
_EXACT_MM = 1.0  # distances from a window's edge are exact so far; further out they only guide a search
_CHUNK = 1 << 17  # rays at a time
_FINE = 3  # rays across and down in a pixel where neighbours differ


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A window: its polygon on the wall without its chamfer."""

    name: str
    kind: str
    outline: shapely.Polygon


@dataclass(frozen=True, kw_only=True, eq=False)
class Bore:
    """A cylinder; `seed` draws its scratches and soot."""

    bore_mm: float
    deck_mm: float
    openings: tuple[Opening, ...]
    chamfer_mm: float = 0.3
    passage_mm: float = 22.0
    tone: Tone = (0.42, 0.41, 0.39)
    cast_tone: Tone = (0.24, 0.23, 0.215)
    shine: float = 0.5
    hone_deg: float = 28.0
    honing: float = 0.12
    soot: float = 0.0
    seed: int = 0

    @property
    def radius_mm(self) -> float:
        """Return half the bore."""
        return self.bore_mm / 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Ring:
    """A printed sheet round the bore, print away from the cylinder.

    `half_mm` is half the side of the square that is left of the sheet, `hole_mm` the radius cut out of it.
    `shift_mm` moves it on its face (card's right, card's up) and `turn_deg` turns it, as a hand lays it.
    """

    page: Page
    half_mm: float
    hole_mm: float
    seat: Literal["base", "deck"] = "base"
    thickness_mm: float = 0.1
    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Strip:
    """A printed strip rolled inside the bore, its lower edge at `low_mm`."""

    page: Page
    height_mm: float
    low_mm: float
    thickness_mm: float = 0.1


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """A lamp beside the camera, `at_mm` in the camera's frame."""

    at_mm: tuple[float, float, float]
    strength: float = 1.0
    tint: Tone = (1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Optics:
    """Blur, light and sensor.

    `blur_px` is the standard deviation of the blur in focus, `aperture_mm` and `focus_mm` make it grow away
    from the focus. `ambient` is the light that comes in through the ends, relative to a lamp on white paper
    at 100 mm. `bright` is what the brightest hundredth of the picture is exposed to.
    """

    lamps: tuple[Lamp, ...] = (Lamp(at_mm=(0.0, 0.0, 0.0)),)
    ambient: float = 0.15
    blur_px: float = 0.8
    aperture_mm: float = 0.0
    focus_mm: float = 100.0
    motion_px: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.2
    bright: float = 0.9
    white_electrons: float = 5000.0
    read_noise: float = 0.002
    contrast: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class BoreScene:
    """All that stands before the camera, and how the camera takes it."""

    bore: Bore
    ring: Ring | None = None
    strip: Strip | None = None
    optics: Optics = field(default_factory=Optics)


def wall_point(radius_mm: float, places_mm: Floats) -> Floats:
    """Return where places (x, y) of the wall stand in space."""
    x, y = np.asarray(places_mm, np.float64).reshape(-1, 2).T
    return np.column_stack([radius_mm * np.cos(x / radius_mm), -radius_mm * np.sin(x / radius_mm), y])


# --- maps laid on the wall ------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _WallMaps:
    """`edge`: distance outside the windows' polygons and its slope; `face`: scratches, soot, roughness."""

    edge: Floats32
    face: Floats32
    columns: int
    step_mm: float

    def sampled(self, which: Floats32, x: Floats32, y: Floats32) -> Floats32:
        """Return a map at places of the wall; x may be beyond the seam."""
        column = np.mod(x * np.float32(1 / self.step_mm), np.float32(self.columns)) + np.float32(2)
        row = y * np.float32(1 / _GRID_MM)
        return _sampled(which, column, row)


def _sampled(image: NDArray[np.generic], column: Floats32, row: Floats32) -> Floats32:
    # cv2.remap takes no more than 32767 columns, so that the list is folded
    count = len(column)
    if not count:
        return np.empty((0, *image.shape[2:]), np.float32)
    width = 1024
    fold = -(-count // width) * width
    lists = [np.pad(part, (0, fold - count)).reshape(-1, width) for part in (column, row)]
    found = cv2.remap(image, lists[0], lists[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found.reshape(fold, *image.shape[2:])[:count], np.float32)


@functools.lru_cache(maxsize=2)
def _wall_maps(bore: Bore) -> _WallMaps:
    turn = 2 * math.pi * bore.radius_mm
    columns = round(turn / _GRID_MM)
    rows = math.ceil(bore.deck_mm / _GRID_MM) + 1
    step = turn / columns
    distance = _edge_distance(bore, columns, rows, step)
    slope_x = (np.roll(distance, -1, 1) - np.roll(distance, 1, 1)) / (2 * step)
    slope_y = np.gradient(distance, _GRID_MM, axis=0)
    edge = np.stack([distance, slope_x, slope_y], axis=2).astype(np.float32)
    face = np.stack(_textures(bore, columns, rows), axis=2).astype(np.float32)
    around = [(2, 2), (0, 0)]
    padded = [np.pad(part, [(0, 0), around[0], around[1]], mode="wrap") for part in (edge, face)]
    return _WallMaps(padded[0], padded[1], columns, step)


def _edge_distance(bore: Bore, columns: int, rows: int, step: float) -> Floats32:
    """Return how far each node lies outside the nearest window (inside: negative), at most 4 mm."""
    distance = np.full((rows, columns), 4.0, np.float32)
    for opening in bore.openings:
        shape = opening.outline
        x0, y0, x1, y1 = shape.buffer(4.0).bounds
        across = np.arange(math.floor(x0 / step), math.ceil(x1 / step) + 1)
        up = np.arange(max(0, math.floor(y0 / _GRID_MM)), min(rows, math.ceil(y1 / _GRID_MM) + 1))
        corners = shapely.get_coordinates(shape.exterior) / [step, _GRID_MM] - [across[0], up[0]]
        inside = np.zeros((len(up), len(across)), np.uint8)
        cv2.fillPoly(inside, [np.rint(corners * 16).astype(np.int32)], 1, shift=4)
        near = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5) - cv2.distanceTransform(
            inside, cv2.DIST_L2, 5
        )
        near *= _GRID_MM
        row, column = np.nonzero(np.abs(near) < _EXACT_MM)
        places = shapely.points(across[column] * step, up[row] * _GRID_MM)
        shapely.prepare(shape)
        exact = shapely.distance(places, shape.exterior)
        near[row, column] = np.where(shapely.contains(shape, places), -exact, exact)
        at = np.ix_(up, np.mod(across, columns))
        distance[at] = np.minimum(distance[at], near)
    return distance


def _textures(bore: Bore, columns: int, rows: int) -> tuple[Floats32, Floats32, Floats32]:
    """Return scratches (standard deviation about 1), soot (0 to 1) and the roughness of cast metal."""
    rng = np.random.default_rng([bore.seed, 17])
    tall = cv2.getOptimalDFTSize(rows)
    across = np.fft.rfftfreq(columns)[None].astype(np.float32) * 2 * np.pi / _GRID_MM
    up = np.fft.fftfreq(tall)[:, None].astype(np.float32) * 2 * np.pi / _GRID_MM
    white = np.fft.rfft2(rng.standard_normal((tall, columns), dtype=np.float32))

    def lines(angle_deg: float, long_mm: float, wide_mm: float) -> Floats32:
        c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        along, over = across * c + up * s, up * c - across * s
        pass_band = np.exp(-((along * long_mm) ** 2 + (over * wide_mm) ** 2) / 2)
        made = np.fft.irfft2(white * pass_band, (tall, columns))[:rows]
        return np.asarray(made / made.std(), np.float32)

    hone = lines(bore.hone_deg, 5.0, 0.05) + lines(-bore.hone_deg, 5.0, 0.05)
    scuffs = lines(90.0, 7.0, 0.08)
    hone = 0.65 * hone + 0.5 * np.maximum(scuffs - 1.5, 0.0)
    cloud = lines(0.0, 6.0, 4.0) + 0.5 * lines(0.0, 1.5, 1.5) + 0.25 * lines(0.0, 0.4, 0.4)
    height = (np.arange(rows) * _GRID_MM / bore.deck_mm)[:, None]
    soot = bore.soot / (1 + np.exp(-(1.5 * cloud + 5.0 * (height - 0.75))))
    cast = 0.7 * lines(0.0, 0.25, 0.25) + 0.5 * lines(0.0, 1.2, 1.2)
    return hone, soot.astype(np.float32), cast


# --- what a ray meets ------------------------------------------------------------


@dataclass(eq=False)
class _Seen:
    """What a list of rays met: colour, distance along the ray, kind."""

    colour: Floats32  # (N, 3), red green blue
    far: Floats32
    kind: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class _Lights:
    places_mm: Floats
    strengths: list[Floats32]
    ambient: float


def _lights(scene: BoreScene, camera: Camera) -> _Lights:
    optics = scene.optics
    # the strength is told for paper at 100 mm
    strengths = [np.asarray(lamp.tint, np.float32) * np.float32(lamp.strength * 1e4) for lamp in optics.lamps]
    places = np.array([lamp.at_mm for lamp in optics.lamps]) @ camera.turn + camera.place_mm
    return _Lights(places, strengths, optics.ambient)


def _met(scene: BoreScene, lights: _Lights, eye: Floats, ray: Floats32) -> _Seen:
    """Return what rays from `eye` meet; `ray` has shape (3, N)."""
    bore = scene.bore
    count = ray.shape[1]
    seen = _Seen(
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
    scene: BoreScene, lights: _Lights, eye: Floats, ray: Floats32, seen: _Seen, seat: str
) -> NDArray[np.intp]:
    """Lay in the ring and the face round the bore; return the rays that enter the bore."""
    bore, ring = scene.bore, scene.ring
    level = 0.0 if seat == "base" else bore.deck_mm
    side = -1.0 if seat == "base" else 1.0
    ahead = ray[2] * side < -1e-6
    left = np.flatnonzero(ahead)
    normal = np.array([0.0, 0.0, side])
    if ring is not None and ring.seat == seat:
        far = np.float32(level + side * ring.thickness_mm - eye[2]) / ray[2, left]
        x, y = (np.float32(eye[k]) + far * ray[k, left] for k in (0, 1))
        right, up = (y, x) if seat == "base" else (-y, x)
        c, s = math.cos(math.radians(ring.turn_deg)), math.sin(math.radians(ring.turn_deg))
        right, up = right - np.float32(ring.shift_mm[0]), up - np.float32(ring.shift_mm[1])
        right, up = c * right + s * up, c * up - s * right
        out = np.hypot(right, up)
        hit = (out > ring.hole_mm) & (np.maximum(np.abs(right), np.abs(up)) < ring.half_mm)
        at = left[hit]
        paper = _printed(ring.page, right[hit], up[hit])
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


def _sixth(x: Floats32) -> Floats32:
    square = x * x
    return square * square * square


def _strip(
    scene: BoreScene,
    strip: Strip,
    lights: _Lights,
    eye: Floats,
    ray: Floats32,
    seen: _Seen,
    inside: NDArray[np.intp],
) -> NDArray[np.intp]:
    """Lay in the strip; return the rays that it does not stop."""
    radius = scene.bore.radius_mm
    far, x, y, z = _cylinder(eye, ray[:, inside], radius - strip.thickness_mm)
    hit = (far > 0) & (z > strip.low_mm) & (z < strip.low_mm + strip.height_mm)
    at = inside[hit]
    turn = np.arctan2(-y[hit], x[hit])
    along = turn * np.float32(radius - strip.thickness_mm / 2)
    paper = _printed(strip.page, along, z[hit] - np.float32(strip.low_mm))
    place = np.stack([x[hit], y[hit], z[hit]])
    normal = np.stack([-np.cos(turn), np.sin(turn), np.zeros_like(turn)])
    share = _open_share(scene.bore, z[hit])
    seen.colour[at] = paper * _light_on(lights, place, normal, share, _rim(scene, eye))
    seen.far[at], seen.kind[at] = far[hit], STRIP
    return inside[~hit]


def _wall(
    scene: BoreScene, lights: _Lights, eye: Floats, ray: Floats32, seen: _Seen, inside: NDArray[np.intp]
) -> None:
    bore = scene.bore
    maps = _wall_maps(bore)
    radius = np.float32(bore.radius_mm)
    far, x, y, z = _cylinder(eye, ray[:, inside], bore.radius_mm)
    met = (far > 0) & (z >= 0) & (z <= bore.deck_mm)
    inside, far, x, y, z = inside[met], far[met], x[met], y[met], z[met]
    turn = np.arctan2(-y, x)
    edge = maps.sampled(maps.edge, turn * radius, z)[:, 0]
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


def _passages(
    scene: BoreScene,
    maps: _WallMaps,
    lights: _Lights,
    eye: Floats,
    ray: Floats32,
    seen: _Seen,
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
    going = np.arange(len(far))
    for _ in range(40):
        if not len(going):
            break
        t, d = far[going], ray[:, going]
        x, y, z = ox + t * d[0], oy + t * d[1], oz + t * d[2]
        out = np.hypot(x, y) - radius
        clear = -maps.sampled(maps.edge, np.arctan2(-y, x) * radius, z)[:, 0] + np.maximum(0, wide - out)
        step = np.where((clear > 0.004) & (out < bore.passage_mm), np.clip(0.7 * clear, 0.01, 2.5), 0.0)
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
    rough = maps.sampled(maps.face, turn * radius + np.float32(3.7) * out, z + np.float32(0.9) * out)[:, 2]
    rough = np.where(bevel, np.float32(1), np.clip(1 + np.float32(0.13) * rough, 0.5, 1.5))
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
    return _sampled(page.reflectance, column, row) * np.float32(1 / 255)


def _open_share(bore: Bore, z: Floats32) -> Floats32:
    """Return how much of the light of the open ends reaches a place of the wall; 0.5 at an end and more."""
    reach = np.float32(bore.bore_mm)
    low = 0.5 * (1 - z / np.hypot(z, reach))
    rest = np.float32(bore.deck_mm) - z
    return np.asarray(low + 0.5 * (1 - rest / np.hypot(rest, reach)) + 0.08, np.float32)


def _rim(scene: BoreScene, eye: Floats) -> tuple[float, float] | None:
    """Return level and radius of the rim past which lamps outside shine in."""
    radius = scene.bore.radius_mm
    if eye[2] < 0:
        return 0.0, radius
    return (scene.bore.deck_mm, radius) if eye[2] > scene.bore.deck_mm else None


def _light_on(
    lights: _Lights,
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
    lights: _Lights,
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


# --- the picture ------------------------------------------------------------


def render(scene: BoreScene, camera: Camera, seed: int) -> NDArray[np.uint8]:
    """Return the picture as an 8-bit file would hold it, blue green red, rows first."""
    linear, far = _traced(scene, camera)
    optics = scene.optics
    rng = np.random.default_rng([seed, 23])
    linear = _blurred(linear, far, optics, math.sqrt(camera.fx * camera.fy))
    rows, columns = linear.shape[:2]
    down, across = np.ogrid[-1.0 : 1.0 : rows * 1j, -1.0 : 1.0 : columns * 1j]
    linear *= (1 - optics.vignette * (down**2 + across**2) / 2).astype(np.float32)[:, :, None]
    level = np.partition(linear[::7, ::7, 1].ravel(), -max(1, linear[::7, ::7, 1].size // 100))
    white = float(level[-max(1, level.size // 100)])
    linear *= np.float32(optics.bright / max(white, 1e-6))
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    noise *= np.sqrt(np.clip(linear, 0, 1) / np.float32(optics.white_electrons) + optics.read_noise**2)
    linear += noise
    codes = np.clip(linear * 65535.0, 0.0, 65535.0).astype(np.uint16)
    return np.ascontiguousarray(_tone_table(optics.contrast)[codes][:, :, ::-1])


def _traced(scene: BoreScene, camera: Camera) -> tuple[Floats32, Floats32]:
    """Return the light and the distance along the camera's axis for each pixel."""
    columns, rows = camera.size_px
    lights, eye = _lights(scene, camera), np.asarray(camera.place_mm, np.float64)
    rays = ray_map(camera)
    axis = camera.turn[2].astype(np.float32)[:, None]
    linear = np.empty((rows, columns, 3), np.float32)
    far = np.empty((rows, columns), np.float32)
    kind = np.empty((rows, columns), np.uint8)
    strip = max(1, _CHUNK // columns)
    for top in range(0, rows, strip):
        bottom = min(rows, top + strip)
        ray = rays.rows(top, bottom).reshape(3, -1)
        seen = _met(scene, lights, eye, ray)
        linear[top:bottom] = seen.colour.reshape(bottom - top, columns, 3)
        far[top:bottom] = (seen.far * (axis * ray).sum(axis=0)).reshape(bottom - top, columns)
        kind[top:bottom] = seen.kind.reshape(bottom - top, columns)
    rough = _differing(linear, kind)
    steps = ((np.arange(_FINE) + 0.5) / _FINE - 0.5).astype(np.float32)
    band = max(1, 4 * _CHUNK // (columns * 1))
    for top in range(0, rows, band):
        bottom = min(rows, top + band)
        row, column = np.nonzero(rough[top:bottom])
        if not len(row):
            continue
        low, high = max(0, top - 1), min(rows, bottom + 1)
        ray = rays.rows(low, high)
        across, down = (np.gradient(ray, axis=k)[:, row + top - low, column] for k in (2, 1))
        middle = ray[:, row + top - low, column]
        each = max(1, _CHUNK // _FINE**2)
        for first in range(0, len(row), each):
            own = slice(first, first + each)
            parts = [middle[:, own] + a * across[:, own] + b * down[:, own] for b in steps for a in steps]
            seen = _met(scene, lights, eye, np.concatenate(parts, axis=1))
            mean = seen.colour.reshape(_FINE**2, -1, 3).mean(axis=0)
            linear[row[own] + top, column[own]] = mean
    return linear, far


def _differing(linear: Floats32, kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return the pixels that a neighbour differs from, in kind or, on printed paper, in light."""
    square = np.ones((3, 3), np.uint8)
    green = np.ascontiguousarray(linear[:, :, 1])
    most, least = cv2.dilate(green, square), cv2.erode(green, square)
    differs = cv2.dilate(kind, square) != cv2.erode(kind, square)
    paper = (kind == RING) | (kind == STRIP)
    return np.asarray(differs | (paper & (most - least > 0.12 * most + 1e-4)))


def _blurred(linear: Floats32, far: Floats32, optics: Optics, focal_px: float) -> Floats32:
    # a disc of diameter d spreads as a Gaussian of standard deviation d/4
    if optics.aperture_mm:
        off = np.abs(1 / np.maximum(far, 1.0) - np.float32(1 / optics.focus_mm))
        spread = np.float32(optics.aperture_mm * focal_px / 4) * off
        spread = np.sqrt(spread**2 + np.float32(optics.blur_px**2))
        spread = cv2.blur(spread, (5, 5))
        levels = np.geomspace(optics.blur_px, max(float(spread.max()), optics.blur_px * 1.01), 5)
        place = np.log(spread / np.float32(levels[0])) / np.float32(math.log(levels[1] / levels[0]))
        done = np.zeros_like(linear)
        for k, sigma in enumerate(levels):
            share = np.maximum(1 - np.abs(place - np.float32(k)), 0)
            if share.any():
                done += share[:, :, None] * cv2.GaussianBlur(linear, (0, 0), float(sigma))
        linear = done
    elif optics.blur_px:
        linear = cv2.GaussianBlur(linear, (0, 0), optics.blur_px)
    length = math.hypot(*optics.motion_px)
    if length > 0:
        reach = math.ceil(length / 2) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        for share in np.linspace(-0.5, 0.5, 65):
            x, y = reach + share * optics.motion_px[0], reach + share * optics.motion_px[1]
            c, r = int(x), int(y)
            kernel[r : r + 2, c : c + 2] += np.outer([1 - (y - r), y - r], [1 - (x - c), x - c])
        linear = cv2.filter2D(linear, -1, kernel / kernel.sum())
    return linear


def _tone_table(contrast: float) -> NDArray[np.uint8]:
    """Return the sRGB curve (IEC 61966-2-1, from memory) for 16-bit light, bent to an S by `contrast`."""
    light = np.arange(65536) / 65535.0
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    value = value + contrast * np.sin(2 * math.pi * (value - 0.5)) / (2 * math.pi)
    return np.clip(np.rint(255 * value), 0, 255).astype(np.uint8)
