"""A job's pictures of a bore with the truth beside them, and the cards as they are printed."""

from __future__ import annotations

import functools
import io
import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image

from portmap.picture.bore_cards import RingCard, StripCard
from portmap.picture.card_drawing import card_pixels, png_scale
from tests.bore_camera import Camera
from tests.bore_parts import Bore, BoreScene
from tests.bore_rendering import render
from tests.rendering import Page, page_of_print

__all__ = ["PAPER_MM", "BoreSet", "Shot", "lens_document", "print_size", "printed_page"]

PAPER_MM = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One picture: rendered when asked for.

    `notes_focal` writes the focal length into the file, rounded to a millimetre of the 35 mm format as phones
    do.
    """

    name: str
    scene: BoreScene
    camera: Camera
    seed: int
    quality: int = 90
    notes_focal: bool = False

    def pixels(self) -> NDArray[np.uint8]:
        """Return the picture, blue green red."""
        return render(self.scene, self.camera, self.seed)

    def jpeg(self) -> bytes:
        """Return the picture as a JPEG file."""
        exif = Image.Exif()
        if self.notes_focal:
            share = self.camera.fx / math.hypot(*self.camera.size_px)
            exif.get_ifd(0x8769)[0xA405] = round(share * math.hypot(36, 24))
        stream = io.BytesIO()
        Image.fromarray(self.pixels()[:, :, ::-1]).save(stream, "JPEG", quality=self.quality, exif=exif)
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


def lens_document(camera: Camera, rng: np.random.Generator) -> dict[str, Any]:
    """Return a camera's lens as a calibration would have it: near the truth, and how near.

    One standard deviation: focal length 0.02 %, middle 0.02 % of the width, k1 0.0002. Of a mirrored scope it
    is the lens of the pictures turned right.
    """
    sd_f, sd_c, sd_k = 2e-4 * camera.fx, 2e-4 * camera.size_px[0], 2e-4
    stretch = 1 + rng.normal(0, 2e-4)
    terms = [camera.distortion[0] + rng.normal(0, sd_k), *camera.distortion[1:]]
    return {
        "format": "portmap-lens",
        "version": 1,
        "model": camera.model,
        "image_size_px": list(camera.size_px),
        "fx_px": camera.fx * stretch,
        "fy_px": camera.fy * stretch,
        "cx_px": camera.cx + rng.normal(0, sd_c),
        "cy_px": camera.cy + rng.normal(0, sd_c),
        "distortion": terms,
        "u": {
            "fx_px": sd_f,
            "fy_px": sd_f,
            "cx_px": sd_c,
            "cy_px": sd_c,
            "distortion": [sd_k, *(0.0 for _ in terms[1:])],
        },
    }


def print_size(seed: int, sd: float) -> float:
    """Return the size of a print, 1 if it came out right, drawn apart from all else in a set."""
    return float(1 + np.random.default_rng([seed, 9]).normal(0, sd)) if sd else 1.0


def printed_page(card: RingCard | StripCard, dpi: float = 600.0, size: float = 1.0) -> Page:
    """Return a card as it is printed, cut down to its chessboard and a rim round it.

    `size` is by how much a printer makes everything larger than it should be.
    """
    page = _printed_page(card, dpi)
    return replace(page, px_per_mm=page.px_per_mm / size)


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
    pixels = card_pixels(card, dpi)
    left, top = max(0, math.floor(ox + x0 * s)), max(0, math.floor(oy - y1 * s))
    own = pixels[top : math.ceil(oy - y0 * s), left : math.ceil(ox + x1 * s)]
    return page_of_print(own, px_per_mm=s, origin_px=(ox - left, oy - top))
