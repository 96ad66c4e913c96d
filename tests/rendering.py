"""Photographs of a printed page with known truth, made by a camera model of our own.

Nothing here is imported from portmap. The page comes in as the pixels that are printed, with their scale and
origin; what lies on it is given as shapes in millimetres; what comes out is a photo whose every detail is
known.

How to use it
-------------
::

    page = page_of_print(pixels, px_per_mm=23.6, origin_px=(3500.0, 3900.0))
    page = page.painted(
        Sheet(outline=shapely.box(-80, 0, 80, 70), ruling_mm=5.0),            # the lifted paper, optional
        [Impression(shape=polygon, style="filled"),                            # polygons in card mm
         Impression(shape=other, style="line", line_width_mm=0.4, edge="inner")],
        blots=[Blot(place_mm=(20, 30), radius_mm=8, strength=0.2)],            # smudges and stains, optional
        rng=np.random.default_rng(7),
    )
    view = view_over(LENSES["phone"], (4000, 3000), box_mm=page.bounds_mm, fill=0.93, tilt_deg=20,
                     towards_deg=60, turn_deg=3)
    pixels = photo(page, view, Light(gradient=(0.2, -0.1), vignette=0.3), Sensor(blur_px=0.9), rng=rng)
    data = jpeg(pixels, quality=88)

`View.project` says where a place on the page falls in the photo, to 1e-9 px; it is the truth to compare with.

Frames
------
page [mm]
    x right, y up, z toward the viewer, origin where the caller says (for a card: its own origin).
photo [px]
    column, row; centres at integers. A pixel gathers light from its whole square.
camera
    x right, y down, z forward. ``tilt_deg`` is the angle between the camera's axis and the page's normal,
    ``towards_deg`` the direction on the page, counted from +x to +y, in which the camera stands off,
    ``turn_deg`` how far the picture is turned clockwise.

Light is linear until the tone curve. Each pixel averages `samples` × `samples` points of a page that is
itself shaded by area; the lens blur (a Gaussian) is laid over the fine grid before that.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image

__all__ = [
    "LENSES",
    "Blot",
    "Impression",
    "Lens",
    "Light",
    "Page",
    "Sensor",
    "Sheet",
    "Thumb",
    "View",
    "band_of",
    "cover_of",
    "jpeg",
    "lifted_corner",
    "page_of_print",
    "photo",
    "rolled",
    "view_over",
]

Floats = NDArray[np.float64]
Surface = Callable[[Floats], Floats]  # (N, 2) places on the page -> (N, 3) places in space
Tone = tuple[float, float, float]  # linear reflectance, red green blue

PAPER: Tone = (0.84, 0.83, 0.80)
INK: Tone = (0.045, 0.045, 0.05)
GRAPHITE: Tone = (0.16, 0.16, 0.17)
TABLE: Tone = (0.30, 0.19, 0.11)


# --- the page ------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A piece of paper laid on the page; `thickness_mm` only draws its shadow line, it does not raise it."""

    outline: shapely.Polygon
    tone: Tone = (0.80, 0.79, 0.74)
    ruling_mm: float | None = None  # graph paper: a line every so far, every fifth one heavier
    ruling_tone: Tone = (0.45, 0.62, 0.60)
    ruling_width_mm: float = 0.12
    grain: float = 0.015  # relative, of the paper's own fibres


@dataclass(frozen=True, kw_only=True)
class Impression:
    """One lifted window; `shape` is always the true edge of the window.

    ``filled``: dark inside. ``line``: a pencil line of `line_width_mm` along the edge, of which the true edge
    is the `edge` side. ``cut``: a hole that shows `tone` under it.
    """

    shape: shapely.Polygon
    style: Literal["filled", "line", "cut"] = "filled"
    tone: Tone = GRAPHITE
    line_width_mm: float = 0.5
    edge: Literal["inner", "middle", "outer"] = "middle"
    unevenness: float = 0.1  # relative variation of the tone from place to place


@dataclass(frozen=True, kw_only=True)
class Blot:
    """A smudge or stain with soft edges; `strength` is how much of the `tone` it lays on at its middle."""

    place_mm: tuple[float, float]
    radius_mm: float
    strength: float = 0.2
    tone: Tone = GRAPHITE


@dataclass(frozen=True, kw_only=True)
class Page:
    """Linear reflectance of the page; sample (column c, row r) lies at x = (c − ox)/s, y = (oy − r)/s."""

    reflectance: NDArray[np.uint8]
    px_per_mm: float
    origin_px: tuple[float, float]

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Return x0, y0, x1, y1 of the page."""
        rows, columns = self.reflectance.shape[:2]
        (ox, oy), s = self.origin_px, self.px_per_mm
        return (-0.5 - ox) / s, (oy - rows + 0.5) / s, (columns - 0.5 - ox) / s, (oy + 0.5) / s

    def painted(
        self,
        sheet: Sheet | None,
        impressions: Sequence[Impression] = (),
        *,
        blots: Sequence[Blot] = (),
        rng: np.random.Generator,
    ) -> Page:
        """Return the page with a sheet, impressions and blots on it, in that order."""
        reflectance = self.reflectance.copy()
        if sheet is not None:
            self._paint(reflectance, sheet.outline, sheet.tone, sheet.grain, rng)
            if sheet.ruling_mm:
                self._rule(reflectance, sheet)
        for impression in impressions:
            shape = impression.shape if impression.style != "line" else band_of(impression)
            self._paint(reflectance, shape, impression.tone, impression.unevenness, rng)
        for blot in blots:
            self._blot(reflectance, blot)
        return replace(self, reflectance=reflectance)

    def _window(self, bounds: Sequence[float]) -> tuple[int, int, int, int]:
        rows, columns = self.reflectance.shape[:2]
        (ox, oy), s = self.origin_px, self.px_per_mm
        c0, c1 = math.floor(bounds[0] * s + ox) - 1, math.ceil(bounds[2] * s + ox) + 2
        r0, r1 = math.floor(oy - bounds[3] * s) - 1, math.ceil(oy - bounds[1] * s) + 2
        return max(r0, 0), min(r1, rows), max(c0, 0), min(c1, columns)

    def _paint(
        self,
        reflectance: NDArray[np.uint8],
        shape: shapely.Geometry,
        tone: Tone,
        uneven: float,
        rng: np.random.Generator,
    ) -> None:
        r0, r1, c0, c1 = self._window(shape.bounds)
        if r1 <= r0 or c1 <= c0:
            return
        (ox, oy), s = self.origin_px, self.px_per_mm
        moved = shapely.transform(
            shape, lambda p: np.column_stack([p[:, 0] * s + ox - c0, oy - p[:, 1] * s - r0])
        )
        share = cover_of(moved, (r1 - r0, c1 - c0))[:, :, None]
        texture = 1.0 + uneven * _cloud(rng, (r1 - r0, c1 - c0), 1.5 * s)[:, :, None]
        colour = 255.0 * np.asarray(tone, np.float32) * texture
        patch = reflectance[r0:r1, c0:c1]
        patch[:] = np.clip(np.rint(patch + share * (colour - patch)), 0, 255).astype(np.uint8)

    def _rule(self, reflectance: NDArray[np.uint8], sheet: Sheet) -> None:
        x0, y0, x1, y1 = sheet.outline.bounds
        pitch = sheet.ruling_mm
        lines = []
        for k in range(math.ceil(x0 / pitch), math.floor(x1 / pitch) + 1):
            half = sheet.ruling_width_mm * (1.0 if k % 5 == 0 else 0.5)
            lines.append(shapely.box(k * pitch - half, y0, k * pitch + half, y1))
        for k in range(math.ceil(y0 / pitch), math.floor(y1 / pitch) + 1):
            half = sheet.ruling_width_mm * (1.0 if k % 5 == 0 else 0.5)
            lines.append(shapely.box(x0, k * pitch - half, x1, k * pitch + half))
        ruled = shapely.union_all(lines).intersection(sheet.outline)
        self._paint(reflectance, ruled, sheet.ruling_tone, 0.0, np.random.default_rng(0))

    def _blot(self, reflectance: NDArray[np.uint8], blot: Blot) -> None:
        (x, y), reach = blot.place_mm, 2.5 * blot.radius_mm
        r0, r1, c0, c1 = self._window((x - reach, y - reach, x + reach, y + reach))
        (ox, oy), s = self.origin_px, self.px_per_mm
        across = ((np.arange(c0, c1) - ox) / s - x) / blot.radius_mm
        down = ((oy - np.arange(r0, r1)) / s - y) / blot.radius_mm
        share = (blot.strength * np.exp(-(across**2) - (down**2)[:, None])).astype(np.float32)[:, :, None]
        patch = reflectance[r0:r1, c0:c1]
        patch[:] = np.rint(patch + share * (255.0 * np.asarray(blot.tone, np.float32) - patch)).astype(
            np.uint8
        )


def page_of_print(
    values: NDArray[np.uint8],
    *,
    px_per_mm: float,
    origin_px: tuple[float, float],
    paper: Tone = PAPER,
    ink: Tone = INK,
) -> Page:
    """Return the page that printed pixels (RGB) make: of each colour, v/255 is the share of bare paper."""
    tables = [
        np.rint(255 * (k + (p - k) * np.arange(256) / 255)).astype(np.uint8)
        for p, k in zip(paper, ink, strict=True)
    ]
    channels = [cv2.LUT(np.ascontiguousarray(values[:, :, k]), table) for k, table in enumerate(tables)]
    return Page(reflectance=cv2.merge(channels), px_per_mm=px_per_mm, origin_px=(origin_px[0], origin_px[1]))


def band_of(impression: Impression) -> shapely.Geometry:
    """Return the pencil's band along the edge of an impression of style ``line``."""
    shape, width = impression.shape, impression.line_width_mm
    out = {"inner": width, "middle": width / 2, "outer": 0.0}[impression.edge]
    outside = shape.buffer(out, quad_segs=32) if out else shape
    inside = shape.buffer(out - width, quad_segs=32) if out < width else shape
    return outside.difference(inside)


def cover_of(shape: shapely.Geometry, size: tuple[int, int], *, lines: int = 16) -> NDArray[np.float32]:
    """Return the share of each pixel that a shape covers, its corners given in (column, row).

    Exact along a row, sampled on `lines` levels down each pixel. The rows of `size` come first.
    """
    rows, columns = size
    steps = np.zeros(rows * (columns + 2), np.float64)
    for polygon in shapely.get_parts(shapely.orient_polygons(shape)):
        if polygon.geom_type != "Polygon":
            continue
        for ring in (polygon.exterior, *polygon.interiors):
            _add_ring(steps, shapely.get_coordinates(ring) + 0.5, rows, columns, lines)
    cover = np.cumsum(steps.reshape(rows, columns + 2), axis=1)[:, :columns] / lines
    return np.clip(cover, 0.0, 1.0).astype(np.float32)


def _add_ring(steps: Floats, ring: Floats, rows: int, columns: int, lines: int) -> None:
    # `ring` is in pixels from the upper left corner; level j lies at (j + 1/2)/lines.
    low, high = np.minimum(ring[:-1, 1], ring[1:, 1]), np.maximum(ring[:-1, 1], ring[1:, 1])
    first = np.clip(np.ceil(low * lines - 0.5), 0, rows * lines).astype(np.int64)
    last = np.clip(np.ceil(high * lines - 0.5), 0, rows * lines).astype(np.int64)
    count = last - first
    edge = np.repeat(np.arange(len(count)), count)
    level = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    start, end = ring[:-1][edge], ring[1:][edge]
    share = ((level + 0.5) / lines - start[:, 1]) / (end[:, 1] - start[:, 1])
    x = np.clip(start[:, 0] + share * (end[:, 0] - start[:, 0]), 0.0, columns)
    sign = np.where(end[:, 1] < start[:, 1], -1.0, 1.0) * -1.0
    column = np.floor(x).astype(np.int64)
    place = (level // lines) * (columns + 2) + column
    np.add.at(steps, place, sign * (column + 1 - x))
    np.add.at(steps, place + 1, sign * (x - column))


def _cloud(rng: np.random.Generator, size: tuple[int, int], scale_px: float) -> NDArray[np.float32]:
    """Return smooth noise of standard deviation about 1 that varies over `scale_px`."""
    coarse = [max(4, math.ceil(side / scale_px) + 3) for side in size]
    field_ = rng.standard_normal(coarse).astype(np.float32)
    return cv2.resize(field_, (size[1], size[0]), interpolation=cv2.INTER_CUBIC)


# --- the camera ------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Pinhole with the distortion of Brown and Conrady, as OpenCV writes it: on x/z, y/z of the ideal ray.

    `focal_35mm` is the focal length of the same angle on a 36 × 24 mm frame, by the diagonal [mm];
    `off_centre` moves the axis, as a share of half the diagonal.
    """

    focal_35mm: float
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    off_centre: tuple[float, float] = (0.0, 0.0)


# Made up, of the size that phones and small cameras show: up to some percent at the corner.
LENSES: dict[str, Lens] = {
    "phone": Lens(
        focal_35mm=26.0, k1=0.072, k2=-0.135, k3=0.062, p1=0.0006, p2=-0.0004, off_centre=(0.006, -0.004)
    ),
    "wide phone": Lens(
        focal_35mm=24.0, k1=-0.055, k2=0.028, k3=-0.008, p1=-0.0005, p2=0.0007, off_centre=(-0.008, 0.005)
    ),
    "compact": Lens(
        focal_35mm=35.0, k1=0.060, k2=0.030, k3=0.0, p1=0.0003, p2=0.0003, off_centre=(0.004, 0.007)
    ),
}


@dataclass(frozen=True, kw_only=True)
class View:
    """A camera and where it stands; `rotation` takes page directions to camera ones."""

    lens: Lens
    size_px: tuple[int, int]  # columns, rows
    rotation: Floats
    position_mm: Floats
    surface: Surface | None = None

    @property
    def half_diagonal_px(self) -> float:
        """Return half the picture's diagonal."""
        return math.hypot(*self.size_px) / 2

    def project(self, places_mm: Floats) -> Floats:
        """Return where places (x, y) on the page fall in the photo, (column, row) [px]."""
        places = np.asarray(places_mm, np.float64).reshape(-1, 2)
        flat = np.column_stack([places, np.zeros(len(places))])
        space = flat if self.surface is None else self.surface(places)
        return self.project_space(space)

    def project_space(self, points_mm: Floats) -> Floats:
        """Return where points (x, y, z) in the page frame fall in the photo."""
        ray = (points_mm - self.position_mm) @ self.rotation.T
        x, y = ray[:, 0] / ray[:, 2], ray[:, 1] / ray[:, 2]
        lens, r2 = self.lens, x * x + y * y
        radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
        u = x * radial + 2 * lens.p1 * x * y + lens.p2 * (r2 + 2 * x * x)
        v = y * radial + lens.p1 * (r2 + 2 * y * y) + 2 * lens.p2 * x * y
        half = self.half_diagonal_px
        focal = lens.focal_35mm / (math.hypot(36, 24) / 2) * half
        columns, rows = self.size_px
        cx = (columns - 1) / 2 + lens.off_centre[0] * half
        cy = (rows - 1) / 2 + lens.off_centre[1] * half
        return np.column_stack([cx + focal * u, cy + focal * v])

    def places(self, pixels: Floats) -> Floats:
        """Return the places on the page that pixels (column, row) see, by Newton's method on `project`."""
        goal = np.asarray(pixels, np.float64).reshape(-1, 2)
        lens_free = replace(self, lens=Lens(focal_35mm=self.lens.focal_35mm), surface=None)
        square = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]])
        back = cv2.getPerspectiveTransform(
            lens_free.project(square).astype(np.float32), square.astype(np.float32)
        )
        found = cv2.perspectiveTransform(goal[None], back)[0]
        east, north, step = np.array([1e-3, 0.0]), np.array([0.0, 1e-3]), 1e-3
        for _ in range(40):
            miss = self.project(found) - goal
            dx = (self.project(found + east) - self.project(found - east)) / (2 * step)
            dy = (self.project(found + north) - self.project(found - north)) / (2 * step)
            det = dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0]
            move = np.column_stack(
                [miss[:, 0] * dy[:, 1] - miss[:, 1] * dy[:, 0], dx[:, 0] * miss[:, 1] - dx[:, 1] * miss[:, 0]]
            )
            found = found - move / det[:, None]
            if np.abs(miss).max() < 1e-9:
                return found
        raise AssertionError(f"a ray did not meet the page: {np.abs(miss).max():g} px")


def view_over(
    lens: Lens,
    size_px: tuple[int, int],
    *,
    box_mm: tuple[float, float, float, float],
    fill: float = 0.93,
    tilt_deg: float = 0.0,
    towards_deg: float = 90.0,
    turn_deg: float = 0.0,
    aim_mm: tuple[float, float] = (0.0, 0.0),
    surface: Surface | None = None,
) -> View:
    """Return the nearest view in which the box keeps within the share `fill` of the frame.

    The box is in the middle of the frame, unless `aim_mm` moves the point that the camera looks at.
    """
    x0, y0, x1, y1 = box_mm
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2, 0.0])
    tilt, towards, turn = np.radians([tilt_deg, towards_deg, turn_deg])
    off = np.array([math.sin(tilt) * math.cos(towards), math.sin(tilt) * math.sin(towards), math.cos(tilt)])
    right = np.cross(-off, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(-off, right)
    # A picture turned clockwise: the camera itself is turned the other way.
    rotation = np.stack(
        [
            math.cos(turn) * right - math.sin(turn) * down,
            math.sin(turn) * right + math.cos(turn) * down,
            -off,
        ]
    )
    centre = (np.array(size_px) - 1) / 2

    def at(distance: float) -> View:
        return View(
            lens=lens,
            size_px=size_px,
            rotation=rotation,
            position_mm=middle + distance * off,
            surface=surface,
        )

    ideal_lens = replace(lens, k1=0.0, k2=0.0, k3=0.0, p1=0.0, p2=0.0)
    distance = 1.0
    for _ in range(4):  # aim so that the box is in the middle of the frame, then come as near as it allows
        near, far = 0.3 * max(x1 - x0, y1 - y0), 20.0 * max(x1 - x0, y1 - y0)
        for _ in range(50):
            distance = (near + far) / 2
            ideal = replace(at(distance), lens=ideal_lens, surface=None)
            depth = (np.column_stack([corners, np.zeros(4)]) - ideal.position_mm) @ rotation[2]
            seen = ideal.project(corners)
            reach = np.ptp(seen, axis=0) / np.array(size_px)
            near, far = (distance, far) if depth.min() <= 0 or reach.max() > fill else (near, distance)
        ideal = replace(at(far), lens=ideal_lens, surface=None)
        seen = ideal.project(corners)
        middle[:2] += (
            ideal.places((seen.min(axis=0) + seen.max(axis=0))[None] / 2) - ideal.places(centre[None])
        )[0]
    middle[:2] += aim_mm
    return at(far)


def rolled(
    sag_mm: float, span_mm: float, *, along_deg: float = 0.0, middle_mm: tuple[float, float] = (0.0, 0.0)
) -> Surface:
    """Return a page bent into a cylinder whose middle stands `sag_mm` above its ends, `span_mm` apart.

    `along_deg` is the direction across the bend, from +x to +y. Lengths on the paper are kept.
    """
    radius = (span_mm**2 / 4 + sag_mm**2) / (2 * sag_mm)
    along = np.array([math.cos(math.radians(along_deg)), math.sin(math.radians(along_deg))])

    def surface(places: Floats) -> Floats:
        far = (places - middle_mm) @ along
        shift = radius * np.sin(far / radius) - far
        height = radius * (np.cos(far / radius) - 1) + sag_mm
        return np.column_stack([places + shift[:, None] * along, height])

    return surface


def lifted_corner(corner_mm: tuple[float, float], height_mm: float, reach_mm: float) -> Surface:
    """Return a page one corner of which rises smoothly by `height_mm` over `reach_mm`."""

    def surface(places: Floats) -> Floats:
        far = np.hypot(*(places - corner_mm).T) / reach_mm
        return np.column_stack([places, height_mm * np.exp(-(far**2) * 2.0)])

    return surface


# --- light, sensor, photo ------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Thumb:
    """An ellipse that hides part of the photo: middle in shares of width and height, radii of the width."""

    centre: tuple[float, float]
    radii: tuple[float, float] = (0.06, 0.1)
    turn_deg: float = 0.0
    tone: Tone = (0.45, 0.26, 0.19)


@dataclass(frozen=True, kw_only=True)
class Light:
    """How the page is lit; all relative.

    `gradient`: change across the frame, to the right and down, as a share of the mean. `shadow`: depth of a
    shadow that falls over the part of the frame right of a slanting line, soft over a tenth of its width.
    `glare`: (column share, row share, radius share, strength) of a bright spot that adds to what is there.
    """

    gradient: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.0
    shadow: float = 0.0
    shadow_at: float = 0.6
    glare: tuple[float, float, float, float] | None = None
    tint: Tone = (1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """Blur, noise and tone.

    `blur_px` is the standard deviation of the lens blur, `motion_px` a straight shake (column, row).
    `white_electrons` sets the shot noise, `read_noise` is relative to white. `exposure` scales the light.
    `contrast` bends the tone curve into an S, `sharpen` is the share of an unsharp mask.
    """

    blur_px: float = 0.9
    motion_px: tuple[float, float] = (0.0, 0.0)
    white_electrons: float = 6000.0
    read_noise: float = 0.0015
    exposure: float = 0.95
    contrast: float = 0.0
    sharpen: float = 0.0
    thumbs: tuple[Thumb, ...] = field(default_factory=tuple)


def photo(
    page: Page,
    view: View,
    light: Light | None = None,
    sensor: Sensor | None = None,
    *,
    rng: np.random.Generator,
    samples: int = 3,
    table: Tone = TABLE,
) -> NDArray[np.uint8]:
    """Return the photo, RGB of 8 bits, rows first."""
    light, sensor = light or Light(), sensor or Sensor()
    columns, rows = view.size_px
    linear = _gathered(page, view, sensor, samples, table)
    linear *= _lighting(light, (rows, columns), page)
    if light.glare is not None:
        linear += _glare(light.glare, (rows, columns))[:, :, None]
    for thumb in sensor.thumbs:
        _hide(linear, thumb)
    linear *= np.asarray(light.tint, np.float32) * np.float32(sensor.exposure)
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    spread = np.maximum(linear, 0.0)  # then in place: new memory of this size costs more than the sums
    spread /= sensor.white_electrons
    spread += sensor.read_noise**2
    noise *= np.sqrt(spread, out=spread)
    linear += noise
    del noise, spread
    linear *= 65535.0
    codes = np.clip(linear, 0.0, 65535.0, out=linear).astype(np.uint16)
    toned = _tone_table(sensor.contrast)[codes]
    if sensor.sharpen:
        soft = cv2.GaussianBlur(toned, (0, 0), 1.2)
        toned = cv2.addWeighted(toned, 1 + sensor.sharpen, soft, -sensor.sharpen, 0.0)
    return np.ascontiguousarray(toned)


def _gathered(page: Page, view: View, sensor: Sensor, samples: int, table: Tone) -> NDArray[np.float32]:
    """Return the light that each pixel gathers from the page, blurred; full white is 1."""
    columns, rows = view.size_px
    pad = math.ceil(4 * sensor.blur_px + max(map(abs, sensor.motion_px))) + 1
    page = _coarse_enough(page, view, samples)
    basis_c, basis_r, coefficients = _page_map(page, view, samples, pad)
    sigma = sensor.blur_px * samples
    kernel = _motion_kernel(sensor.motion_px, samples)
    border = tuple(255.0 * t for t in table)
    gathered = np.empty((rows, columns, 3), np.float32)
    strip = max(1, 3_000_000 // (columns * samples))
    for top in range(0, rows, strip):
        bottom = min(rows, top + strip)
        lines = basis_r[top * samples : (bottom + 2 * pad) * samples]
        x, y = ((lines @ part) @ basis_c.T for part in coefficients)
        fine = cv2.remap(
            page.reflectance, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=border
        )
        fine = (
            cv2.GaussianBlur(fine.astype(np.float32), (0, 0), sigma) if sigma > 0 else fine.astype(np.float32)
        )
        if kernel is not None:
            fine = cv2.filter2D(fine, -1, kernel)
        inner = fine[pad * samples : -pad * samples, pad * samples : -pad * samples]
        gathered[top:bottom] = cv2.resize(inner, (columns, bottom - top), interpolation=cv2.INTER_AREA)
    gathered /= 255.0
    return gathered


def _coarse_enough(page: Page, view: View, samples: int) -> Page:
    """Return the page with its samples averaged until they are no finer than the photo's own."""
    x0, y0, x1, y1 = page.bounds_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    places = np.column_stack([x.ravel(), y.ravel()])
    steps = [view.project(places + step) - view.project(places) for step in 0.1 * np.eye(2)]
    east, north = np.linalg.norm(steps, axis=2) / 0.1
    fold = math.ceil(page.px_per_mm / (samples * float(np.median(np.minimum(east, north)))) - 0.1)
    if fold <= 1:
        return page
    rows, columns = (side // fold for side in page.reflectance.shape[:2])
    kept = page.reflectance[: rows * fold, : columns * fold]
    return Page(
        reflectance=cv2.resize(kept, (columns, rows), interpolation=cv2.INTER_AREA),
        px_per_mm=page.px_per_mm / fold,
        origin_px=((page.origin_px[0] + 0.5) / fold - 0.5, (page.origin_px[1] + 0.5) / fold - 0.5),
    )


def _page_map(
    page: Page, view: View, samples: int, pad: int, nodes: int = 32
) -> tuple[NDArray[np.float32], NDArray[np.float32], list[NDArray[np.float32]]]:
    """Return the map from fine pixels to samples of the page, as products of Chebyshev polynomials.

    The map is smooth, so that a polynomial through 32 × 32 rays, each found by Newton's method, gives it to
    better than 1e-3 of a page sample (a test holds it to that).
    """
    columns, rows = view.size_px
    grids, bases = [], []
    angles = (np.arange(nodes) + 0.5) * math.pi / nodes
    for count in (columns, rows):
        low, high = -pad - 0.5, count + pad - 0.5
        grids.append((low + high) / 2 + (high - low) / 2 * np.cos(angles))
        fine = (np.arange((count + 2 * pad) * samples) + 0.5) / samples - pad - 0.5
        share = np.clip((2 * fine - low - high) / (high - low), -1.0, 1.0)
        bases.append(np.cos(np.arange(nodes) * np.arccos(share)[:, None]).astype(np.float32))
    across, down = np.meshgrid(grids[0], grids[1])
    places = view.places(np.column_stack([across.ravel(), down.ravel()])).reshape(nodes, nodes, 2)
    fit = np.cos(np.arange(nodes)[:, None] * angles) * 2 / nodes
    fit[0] /= 2
    (ox, oy), s = page.origin_px, page.px_per_mm
    targets = [places[:, :, 0] * s + ox, oy - places[:, :, 1] * s]
    return bases[0], bases[1], [(fit @ target @ fit.T).astype(np.float32) for target in targets]


def _motion_kernel(motion_px: tuple[float, float], samples: int) -> NDArray[np.float32] | None:
    length = math.hypot(*motion_px) * samples
    if length == 0:
        return None
    reach = math.ceil(length / 2) + 1
    side = 2 * reach + 1
    kernel = np.zeros((side, side))
    for share in np.linspace(-0.5, 0.5, 8 * side):
        x, y = reach + share * motion_px[0] * samples, reach + share * motion_px[1] * samples
        c, r = int(x), int(y)
        u, v = x - c, y - r
        kernel[r : r + 2, c : c + 2] += np.outer([1 - v, v], [1 - u, u])
    return (kernel / kernel.sum()).astype(np.float32)


def _lighting(light: Light, size: tuple[int, int], page: Page) -> NDArray[np.float32]:
    rows, columns = size
    y, x = np.mgrid[0:49, 0:65]
    across, down = x / 64 - 0.5, y / 48 - 0.5
    level = 1 + light.gradient[0] * across + light.gradient[1] * down
    level *= 1 - light.vignette * 4 * (across**2 + down**2) / 2
    level *= 1 - light.shadow / (1 + np.exp(-(across + 0.25 * down + 0.5 - light.shadow_at) / 0.025))
    smooth = cv2.resize(level.astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    return smooth[:, :, None]


def _glare(glare: tuple[float, float, float, float], size: tuple[int, int]) -> NDArray[np.float32]:
    rows, columns = size
    across = (np.arange(columns) / columns - glare[0]) / glare[2]
    down = (np.arange(rows) / rows - glare[1]) * rows / columns / glare[2]
    return (glare[3] * np.exp(-(across**2))[None] * np.exp(-(down**2))[:, None]).astype(np.float32)


def _hide(linear: NDArray[np.float32], thumb: Thumb) -> None:
    rows, columns = linear.shape[:2]
    reach = max(thumb.radii)
    top, bottom = (round(rows * thumb.centre[1] + k * columns * reach) for k in (-1, 1))
    left, right = (round(columns * (thumb.centre[0] + k * reach)) for k in (-1, 1))
    linear = linear[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)]
    y, x = np.mgrid[max(top, 0) : min(bottom, rows), max(left, 0) : min(right, columns)].astype(np.float32)
    dx, dy = x / columns - thumb.centre[0], (y / rows - thumb.centre[1]) * rows / columns
    turn = math.radians(thumb.turn_deg)
    u = (dx * math.cos(turn) + dy * math.sin(turn)) / thumb.radii[0]
    v = (dy * math.cos(turn) - dx * math.sin(turn)) / thumb.radii[1]
    share = np.clip((1.0 - np.hypot(u, v)) * 40.0, 0.0, 1.0)[:, :, None]
    linear += share * (np.asarray(thumb.tone, np.float32) * (0.8 + 0.2 * u[:, :, None]) - linear)


def _tone_table(contrast: float) -> NDArray[np.uint8]:
    """Return the sRGB curve (IEC 61966-2-1, from memory) for 16-bit light, bent to an S by `contrast`."""
    light = np.arange(65536) / 65535.0
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    value = value + contrast * np.sin(2 * math.pi * (value - 0.5)) / (2 * math.pi)
    return np.clip(np.rint(255 * value), 0, 255).astype(np.uint8)


def jpeg(pixels: NDArray[np.uint8], *, quality: int = 90, exif: Image.Exif | None = None) -> bytes:
    """Return the photo as a JPEG file."""
    stream = io.BytesIO()
    options = {} if exif is None else {"exif": exif}
    Image.fromarray(pixels).save(stream, "JPEG", quality=quality, **options)
    return stream.getvalue()
