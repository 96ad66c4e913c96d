"""Make the sample photographs, the truth behind them and the engine file: all of our own invention.

Run from the root of the repository::

    python -m sample_images.make_samples [FOLDER]

The windows of a made-up cylinder are drawn on a lifted strip of paper in three ways, the strip is laid on
the printed flat card, and the card is photographed by the camera model in `tests/rendering.py`, which
shares no code with portmap. With the same versions of numpy, OpenCV and Pillow the same files come out.

Frame of the truth: that of the bore, x [mm] along the wall from the exhaust centre line, to the right as
seen from the bore axis, y [mm] above the base face.
"""

from __future__ import annotations

import io
import json
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pillow_heif
import shapely
from numpy.typing import NDArray
from PIL import Image
from shapely import Polygon
from shapely.affinity import scale, translate

from portmap.picture.card import flat_card
from portmap.picture.card_drawing import card_pixels, png_scale
from tests.rendering import (
    LENSES,
    Blot,
    Impression,
    Light,
    Page,
    Sensor,
    Sheet,
    Thumb,
    View,
    jpeg,
    page_of_print,
    photo,
    view_over,
)

SEED = 5346
BORE_MM = 46.0
OFFICE_PAPER_MM, TRACING_PAPER_MM = 0.1, 0.04  # thickness of the lifted strip
STRIP_LEFT_MM, STRIP_HIGH_MM = -50.0, 46.0  # it goes once round, from left of the left transfer
ARC_MM = 0.0005  # outlines are polygons that depart from their arcs by no more than that

ENGINE = {
    "name": "sample 53 cc pump engine (made up)",
    "engine": {
        "bore_mm": BORE_MM,
        "stroke_mm": 32.0,
        "rod_mm": 58.0,
        "pin_offset_mm": 0.0,
        "crown_height_mm": 61.0,
        "skirt_length_mm": 36.0,
        "head_volume_cm3": 6.1,
    },
    "cylinder": {"base_gasket_mm": 0.4, "squish_band_height_mm": 61.2},
}


def rounded(corners: NDArray[np.float64], radius_mm: float) -> Polygon:
    segments = math.ceil(math.pi / 4 / math.acos(1 - ARC_MM / radius_mm))
    inner = Polygon(corners).buffer(-radius_mm, join_style="mitre", mitre_limit=10.0)
    return inner.buffer(radius_mm, quad_segs=segments)


def exhaust() -> Polygon:
    """29 mm of arc, the roof arched by 1.1 mm, sides a little closer at the floor, large corners."""
    half, roof, arch, floor = 14.5, 38.60, 1.1, 28.05
    x = np.linspace(half, -half, 2 * math.ceil(half * math.sqrt(arch / ARC_MM) / half / 2) + 1)
    top = np.column_stack([x, roof - arch * (x / half) ** 2])
    return rounded(np.vstack([[[-half + 0.9, floor], [half - 0.9, floor]], top]), 3.2)


def transfer(side: int, roof_mm: float) -> Polygon:
    """12.6 mm wide at the floor, sides slanted toward the exhaust, the roof rising toward it."""
    low, far, near = 27.55, 42.6, 30.0
    corners = np.array([[near, low], [far, low], [far - 1.4, roof_mm - 0.45], [near - 0.8, roof_mm]])
    shape = rounded(corners, 1.6)
    shape = translate(shape, 0.0, roof_mm - shape.bounds[3])  # its rounded corner then reaches the roof
    return scale(shape, side, 1.0, origin=(0.0, 0.0))


def intake() -> Polygon:
    """Opposite the exhaust, 24 mm of arc, level roof and floor."""
    middle, half = math.pi * BORE_MM / 2, 12.0
    return rounded(
        np.array(
            [[middle - half, 10.35], [middle + half, 10.35], [middle + half, 21.9], [middle - half, 21.9]]
        ),
        3.0,
    )


WINDOWS: dict[str, tuple[str, Polygon]] = {
    "exhaust": ("exhaust", exhaust()),
    "transfer-left": ("transfer", transfer(-1, 34.80)),  # as cast: the left one is 0.12 mm lower
    "transfer-right": ("transfer", transfer(1, 34.92)),
    "intake": ("intake", intake()),
}


def lifted(shape: Polygon, thickness_mm: float) -> Polygon:
    """Return a window as the flat strip shows it: its middle lay at a smaller radius than the wall."""
    radius = BORE_MM / 2
    return scale(shape, (radius - thickness_mm / 2) / radius, 1.0, origin=(0.0, 0.0))


def strip(
    thickness_mm: float,
    *,
    ruling_mm: float | None = None,
    tone: tuple[float, float, float] = (0.80, 0.79, 0.74),
) -> Sheet:
    around = math.pi * (BORE_MM - thickness_mm)
    outline = shapely.box(STRIP_LEFT_MM, 0.0, STRIP_LEFT_MM + around, STRIP_HIGH_MM)
    return Sheet(outline=outline, ruling_mm=ruling_mm, tone=tone)


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One photograph: what lies on the card, from where and in what light it is taken."""

    file: str
    about: str
    lift: str
    thickness_mm: float
    sheet: Sheet
    impressions: list[Impression]
    blots: list[Blot]
    size_px: tuple[int, int]
    lens: str
    towards: tuple[float, float, float]  # tilt, direction of it, turn [deg]
    light: Light
    sensor: Sensor
    turned: bool = False  # stored on its side, as phones do, with the orientation noted
    edge: str | None = None


def samples() -> list[Sample]:
    shapes = [lifted(shape, OFFICE_PAPER_MM) for _, shape in WINDOWS.values()]
    thin = [lifted(shape, TRACING_PAPER_MM) for _, shape in WINDOWS.values()]
    full = (4032, 3024)
    return [
        Sample(
            file="rubbed.jpg",
            about="rubbed dark with a soft pencil, by a window, camera tilted by 9 degrees",
            lift="filled",
            thickness_mm=OFFICE_PAPER_MM,
            sheet=strip(OFFICE_PAPER_MM),
            impressions=[Impression(shape=shape, style="filled", unevenness=0.16) for shape in shapes],
            blots=[Blot(place_mm=(-22.0, 20.0), radius_mm=5.0, strength=0.10)],
            size_px=full,
            lens="phone",
            towards=(9.0, 250.0, 1.4),
            light=Light(gradient=(0.16, -0.10), vignette=0.22, tint=(1.0, 0.98, 0.93)),
            sensor=Sensor(blur_px=0.9, white_electrons=9000.0, exposure=0.92, sharpen=0.3),
        ),
        Sample(
            file="pencil.jpg",
            about="a pencil line round each window on graph paper, its inner side the edge; bad light: a lamp"
            " at one side, a shadow across, smudges, a thumb on the card",
            lift="line",
            thickness_mm=OFFICE_PAPER_MM,
            edge="inner",
            sheet=strip(OFFICE_PAPER_MM, ruling_mm=5.0),
            impressions=[
                Impression(shape=shape, style="line", line_width_mm=0.45, edge="inner", unevenness=0.12)
                for shape in shapes
            ],
            blots=[
                Blot(place_mm=(24.5, 38.0), radius_mm=4.5, strength=0.22),
                Blot(place_mm=(-6.0, 20.0), radius_mm=9.0, strength=0.14),
                Blot(place_mm=(55.0, 30.0), radius_mm=6.0, strength=0.12, tone=(0.42, 0.30, 0.16)),
            ],
            size_px=full,
            lens="wide phone",
            towards=(16.0, 35.0, -3.0),
            light=Light(
                gradient=(-0.55, 0.18), vignette=0.35, shadow=0.38, shadow_at=0.62, tint=(1.0, 0.93, 0.78)
            ),
            sensor=Sensor(
                blur_px=1.0,
                motion_px=(0.5, 0.2),
                white_electrons=4000.0,
                exposure=0.86,
                contrast=0.25,
                thumbs=(Thumb(centre=(0.05, 0.62), radii=(0.11, 0.05), turn_deg=-12.0),),
            ),
        ),
        Sample(
            file="cut.jpg",
            about="cut out of tracing paper with a knife, a dark blue sheet beneath, phone held upright"
            " over the windows",
            lift="cut",
            thickness_mm=TRACING_PAPER_MM,
            sheet=strip(TRACING_PAPER_MM, tone=(0.83, 0.82, 0.79)),
            impressions=[
                Impression(shape=shape, style="cut", tone=(0.045, 0.085, 0.24), unevenness=0.05)
                for shape in thin
            ],
            blots=[],
            size_px=full,
            lens="phone",
            towards=(9.0, 304.0, 2.0),
            light=Light(gradient=(0.10, 0.15), vignette=0.25, tint=(1.0, 1.0, 0.98)),
            sensor=Sensor(blur_px=0.85, white_electrons=9000.0, exposure=0.95),
            turned=True,
        ),
        Sample(
            file="rubbed.heic",
            about="the rubbing of the first photo again, from the other side, in the format of other phones",
            lift="filled",
            thickness_mm=OFFICE_PAPER_MM,
            sheet=strip(OFFICE_PAPER_MM),
            impressions=[Impression(shape=shape, style="filled", unevenness=0.16) for shape in shapes],
            blots=[Blot(place_mm=(-22.0, 20.0), radius_mm=5.0, strength=0.10)],
            size_px=(3264, 2448),
            lens="wide phone",
            towards=(14.0, 70.0, 181.0),
            light=Light(gradient=(-0.12, 0.08), vignette=0.25, tint=(1.0, 0.98, 0.94)),
            sensor=Sensor(blur_px=0.8, white_electrons=9000.0, exposure=0.95, contrast=0.1, sharpen=0.2),
        ),
    ]


def printed_card() -> Page:
    card = flat_card("A4")
    where = png_scale(card, 600.0)
    origin = (where["origin_px"][0], where["origin_px"][1])
    return page_of_print(card_pixels(card, 600.0), px_per_mm=where["px_per_mm"], origin_px=origin)


def raised(shape: Polygon, view: View, thickness_mm: float) -> Polygon:
    """Return what of the card a shape on top of the strip hides: the strip's face lies above the card."""
    x, y, high = view.position_mm
    away = high / (high - thickness_mm)
    return scale(shape, away, away, origin=(float(x), float(y)))


def seen(impression: Impression, view: View, thickness_mm: float) -> Impression:
    """Return an impression as the camera sees it; of a hole, the wall of its far side shows too."""
    shape = raised(impression.shape, view, thickness_mm)
    if impression.style == "cut":
        shape = shape.intersection(impression.shape)
    return replace(impression, shape=shape)


def taken(sample: Sample, card: Page, seed: int) -> bytes:
    tilt, towards, turn = sample.towards
    view: View = view_over(
        LENSES[sample.lens],
        sample.size_px,
        box_mm=card.bounds_mm,
        fill=0.94,
        tilt_deg=tilt,
        towards_deg=towards,
        turn_deg=turn,
    )
    page = card.painted(
        replace(sample.sheet, outline=raised(sample.sheet.outline, view, sample.thickness_mm)),
        [seen(impression, view, sample.thickness_mm) for impression in sample.impressions],
        blots=sample.blots,
        rng=np.random.default_rng([seed, 1]),
    )
    pixels = photo(page, view, sample.light, sample.sensor, rng=np.random.default_rng([seed, 2]))
    if sample.file.endswith(".heic"):
        stream = io.BytesIO()
        picture = pillow_heif.from_pillow(Image.fromarray(pixels))
        picture.save(stream, quality=72, enc_params={"preset": "ultrafast"})
        return stream.getvalue()
    exif = Image.Exif()
    if sample.turned:
        pixels = np.ascontiguousarray(np.rot90(pixels))
        exif[274] = 6  # orientation: the reader is to turn it clockwise by a quarter
    return jpeg(pixels, quality=85, exif=exif)


def truth() -> dict[str, object]:
    windows = [
        {
            "id": name,
            "kind": kind,
            "outline_mm": [[round(x, 6), round(y, 6)] for x, y in shapely.get_coordinates(shape)[:-1]],
        }
        for name, (kind, shape) in WINDOWS.items()
    ]
    return {
        "about": "The windows of a made-up cylinder, as they are on its wall. Nothing here was measured.",
        "seed": SEED,
        "bar_measured_mm": [100.0, 100.0],
        "windows": windows,
        "photos": [
            {
                "file": s.file,
                "about": s.about,
                "lift": s.lift,
                "sheet_thickness_mm": s.thickness_mm,
                **({"edge": s.edge} if s.edge else {}),
            }
            for s in samples()
        ],
    }


def main(folder: Path) -> None:
    card = printed_card()
    for number, sample in enumerate(samples()):
        data = taken(sample, card, SEED + number)
        (folder / sample.file).write_bytes(data)
        print(f"{sample.file}: {len(data) / 1e6:.2f} MB")
    for name, value in (("truth.json", truth()), ("engine.json", ENGINE)):
        (folder / name).write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
