"""Generators for the laws: cranks, windows and engines that could exist."""

import math

import numpy as np
from hypothesis import strategies as st

from portmap.crank import Crank
from portmap.engine import Engine
from portmap.port import Window, window_polygon


@st.composite
def cranks(draw: st.DrawFn) -> Crank:
    stroke = draw(st.floats(20, 80))
    rod = draw(st.floats(1.4, 2.6)) * stroke
    offset = draw(st.floats(-0.08, 0.08)) * stroke
    return Crank(stroke_mm=stroke, rod_mm=rod, pin_offset_mm=offset)


@st.composite
def windows(draw: st.DrawFn) -> Window:
    """Star-shaped outlines, 3 to 40 corners, round about where ports are."""
    corners = draw(st.integers(3, 40))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    t = np.linspace(0, 2 * math.pi, corners, endpoint=False) + random.uniform(0, 2.5 / corners, corners)
    reach = random.uniform(0.3, 1.0, corners)
    x = draw(st.floats(-70, 70)) + draw(st.floats(2, 16)) * reach * np.cos(t)
    y = draw(st.floats(26, 40)) + draw(st.floats(1, 7)) * reach * np.sin(t)
    return Window(outline=window_polygon(np.column_stack([x, y])))


@st.composite
def engines(draw: st.DrawFn) -> Engine:
    crank = draw(cranks())
    return Engine(
        bore_mm=draw(st.floats(46, 60)),
        crank=crank,
        crown_height_mm=draw(st.floats(44, 62)),
        base_gasket_mm=draw(st.floats(0, 1)),
        skirt_length_mm=draw(st.floats(10, 40)),
    )
