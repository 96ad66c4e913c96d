"""A page with the editor alone, over a drawn picture whose edges are known; tests open it in a browser.

Query: ``many=1`` shows 12 outlines of 300 corners on 12 megapixels.
"""

from portmap.app_home import load_app

load_app()

import base64  # noqa: E402
import io  # noqa: E402
import math  # noqa: E402

import numpy as np  # noqa: E402
import streamlit as st  # noqa: E402
from PIL import Image  # noqa: E402

from portmap.app.editor import (  # noqa: E402
    DegreeTable,
    ShownPicture,
    ShownWindow,
    outline_editor,
    shape_of,
)
from portmap.crank import Crank, angle_of_depth  # noqa: E402
from portmap.errors import GeometryError  # noqa: E402
from portmap.shown import unit_system  # noqa: E402

MM_PER_PX = 0.05
LEFT, TOP = -40.0, 60.0
DARK = (10.0, 26.0, 24.0, 41.3)  # a dark rectangle on the picture: left, low, right, high [mm]
FINE = 8  # the picture is drawn so many times finer and averaged, so that edges fall between pixels


@st.cache_data
def drawn_picture(width: int, height: int) -> str:
    """Return a light picture with one dark rectangle as a data URL; edges blurred by their pixel's width."""
    light = np.full((height, width), 0.72)
    columns, rows = np.arange(width), np.arange(height)

    def cover(low: float, high: float, at: np.ndarray) -> np.ndarray:
        return np.clip(np.minimum(high, at + 1) - np.maximum(low, at), 0, 1)

    across = cover((DARK[0] - LEFT) / MM_PER_PX, (DARK[2] - LEFT) / MM_PER_PX, columns)
    down = cover((TOP - DARK[3]) / MM_PER_PX, (TOP - DARK[1]) / MM_PER_PX, rows)
    light -= 0.66 * np.outer(down, across)
    light += np.random.default_rng(3).normal(0, 0.004, light.shape)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.clip(light, 0, 1) ** (1 / 2.4) - 0.055)
    grey = np.clip(np.round(srgb * 255), 0, 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(grey).convert("RGB").save(out, "JPEG", quality=92)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def ring(x: float, y: float, wide: float, high: float, corners: int) -> tuple[tuple[float, float], ...]:
    """Return a superellipse, as a port looks."""
    turns = [2 * math.pi * k / corners for k in range(corners)]
    return tuple(
        (
            round(x + wide * math.copysign(abs(math.cos(t)) ** 0.5, math.cos(t)), 5),
            round(y + high * math.copysign(abs(math.sin(t)) ** 0.5, math.sin(t)), 5),
        )
        for t in turns
    )


many = "many" in st.query_params
if many:
    size = (4000, 3000)
    windows = [
        ShownWindow(
            id=str(k),
            name=f"port {k}",
            kind=("exhaust", "transfer", "boost", "intake")[k % 4],
            stage=("stock", "proposed", "ground")[k % 3],
            rings=(ring(-20 + 45 * (k % 4), 30 - 35 * (k // 4), 14, 12, 300),),
        )
        for k in range(12)
    ]
else:
    size = (1600, 1200)
    square = ((10.4, 26.2), (23.6, 26.2), (23.6, 40.9), (10.4, 40.9))
    windows = [
        ShownWindow(id="1", name="exhaust", kind="exhaust", stage="stock", rings=(square,)),
        ShownWindow(id="2", name="main", kind="transfer", stage="proposed", rings=(ring(-20, 30, 7, 6, 60),)),
    ]
heights = [k * 0.25 for k in range(0, 240)]
crank = Crank(stroke_mm=54.0, rod_mm=105.0)
degrees = DegreeTable(
    height_mm=tuple(61 - d for d in reversed([k * 0.25 for k in range(0, 216)])),
    opens_deg=tuple(
        float(a) for a in reversed([float(angle_of_depth(crank, k * 0.25)) for k in range(0, 216)])
    ),
)
picture = ShownPicture(
    src=drawn_picture(*size),
    width_px=size[0],
    height_px=size[1],
    mm_per_px=MM_PER_PX,
    left_mm=LEFT,
    top_mm=TOP,
)
edited = outline_editor(
    windows,
    picture,
    key="ed",
    store="harness" + str(many),
    degrees=degrees,
    height_px=520,
    units=unit_system("inch" if st.toggle("inch") else "mm"),
)
try:
    areas = [f"{w.id}:{shape_of(w).area:.4f}" for w in edited.windows]
except GeometryError as error:
    areas = [str(error)]
st.text("areas " + " ".join(areas))
st.text(f"seq {edited.seq} changed {edited.changed}")
st.text(f"measured {edited.measured}")
