"""Opened wall area against crank angle, as lines on a page.

Across: degrees after true TDC, 0 to 360. Up: the area that the piston has uncovered. Ports whose lines lie
on one another, as left and right often do, share one label.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from portmap.crank import bdc_angle
from portmap.engine import Engine
from portmap.figures import timeable
from portmap.look import KIND_COLOURS, STAGE_STROKES
from portmap.page import GREY, POINT_MM, REGULAR, Page, text_width_mm
from portmap.port import PortMap
from portmap.shown import UnitSystem
from portmap.timing import exhaust_of, first_opening_deg, transfers_of
from portmap.window import opened_area

__all__ = ["draw_area_plot"]

_STEP_DEG = 0.5
_SAME_SHARE = 0.01  # of the highest area: two lines nearer than this look like one
_LEFT_MM, _FOOT_MM, _HEAD_MM = 13.0, 8.5, 4.0
_AXIS_PT = 6.0

Floats = NDArray[np.float64]


def draw_area_plot(
    page: Page,
    engine: Engine,
    port_map: PortMap,
    units: UnitSystem,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    height_mm: float,
) -> None:
    """Draw the opened areas of a map on a page.

    Parameters
    ----------
    page : Page
    engine : Engine
    port_map : PortMap
        Its ports are numbered from 1 in their order; one whose timing cannot be known has no line.
    units : UnitSystem
        For the areas.
    left_mm, top_mm, width_mm, height_mm : float
        The room for it [mm of paper].
    """
    angles = np.arange(0.0, 360.0 + _STEP_DEG / 2, _STEP_DEG)
    known, _ = timeable(engine, port_map)
    timed = {port.id for port in known.ports}
    curves = [
        opened_area(engine, port, angles) * units.per_mm**2 if port.id in timed else np.zeros(len(angles))
        for port in port_map.ports
    ]
    peak = max((float(curve.max()) for curve in curves), default=0.0)
    step = _round_step(peak or 100.0 * units.per_mm**2)
    top = step * max(math.ceil(1.12 * peak / step), 3)
    low, left = top_mm - height_mm + _FOOT_MM, left_mm + _LEFT_MM
    wide, tall = width_mm - _LEFT_MM - 3.0, height_mm - _FOOT_MM - _HEAD_MM
    _draw_lines(page, port_map, angles, curves, (left, low, wide, tall), top, step)

    def place(angle: float, area: float) -> tuple[float, float]:
        return left + wide * angle / 360.0, low + tall * area / top

    page.words((left, low + tall + 1.5), f"opened wall area [{units.area}]", size_pt=_AXIS_PT, bold=True)
    page.words((place(270.0, 0)[0], low - 6.6), "degrees after TDC", size_pt=_AXIS_PT, anchor="middle")
    for angle, name in ((0.0, "TDC"), (bdc_angle(engine.crank), "BDC"), (360.0, "TDC")):
        page.words((place(angle, 0)[0], low - 6.6), name, size_pt=_AXIS_PT, bold=True, anchor="middle")
    _mark_blowdown(page, engine, known, place, top)
    _label_lines(page, angles, curves, place, peak)


def _round_step(peak: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that goes three to six times into a peak."""
    power = 10.0 ** math.floor(math.log10(peak / 3))
    return max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= peak / 3 * (1 + 1e-9))


def _draw_lines(
    page: Page,
    port_map: PortMap,
    angles: Floats,
    curves: list[Floats],
    frame_mm: tuple[float, float, float, float],
    top: float,
    step: float,
) -> None:
    from reportlab.graphics import renderPDF
    from reportlab.graphics.charts.lineplots import LinePlot
    from reportlab.graphics.shapes import Drawing
    from reportlab.lib.colors import HexColor

    left, low, wide, tall = (value / POINT_MM for value in frame_mm)
    plot: Any = LinePlot()
    plot.x, plot.y, plot.width, plot.height = 0, 0, wide, tall
    lines = [(number, run) for number, curve in enumerate(curves) for run in _open_runs(angles, curve)]
    plot.data = [run for _, run in lines] or [[(0.0, 0.0), (360.0, 0.0)]]
    if not lines:
        page.words(
            (frame_mm[0] + frame_mm[2] / 2, frame_mm[1] + frame_mm[3] / 2), "nothing opens", anchor="middle"
        )
        plot.lines[0].strokeColor = None
    plot.lines.strokeWidth = 0.1
    stroke = STAGE_STROKES[port_map.stage]
    for line, (number, _) in enumerate(lines):
        plot.lines[line].strokeColor = HexColor(KIND_COLOURS[port_map.ports[number].kind])
        plot.lines[line].strokeWidth = stroke.width_mm / POINT_MM
        plot.lines[line].strokeDashArray = [part / POINT_MM for part in stroke.dash_mm] or None
    for axis, most, ticks, form in (
        (plot.xValueAxis, 360.0, np.arange(0.0, 361.0, 30.0), "%.0f"),
        (plot.yValueAxis, top, np.arange(0.0, top * (1 + 1e-9), step), "%g"),
    ):
        axis.valueMin, axis.valueMax, axis.valueSteps = 0.0, most, [float(tick) for tick in ticks]
        axis.labelTextFormat = form
        axis.labels.fontName, axis.labels.fontSize = REGULAR, _AXIS_PT
        axis.visibleGrid, axis.gridStrokeWidth, axis.gridStrokeColor = 1, 0.2, HexColor("#C8C8C8")
        axis.strokeWidth = 0.5
    plot.xValueAxis.tickDown = plot.yValueAxis.tickLeft = 2.5
    drawing = Drawing(wide, tall)
    drawing.add(plot)
    renderPDF.draw(drawing, page.canvas, left, low)


def _open_runs(angles: Floats, curve: Floats) -> list[list[tuple[float, float]]]:
    """Return the stretches in which a port is open, with the shut point at each end."""
    drawn = curve > 0
    drawn[:-1] |= curve[1:] > 0
    drawn[1:] |= curve[:-1] > 0
    steps = np.flatnonzero(np.diff(np.concatenate([[False], drawn, [False]])))
    return [
        [(float(angle), round(float(area), 6)) for angle, area in zip(angles[a:b], curve[a:b], strict=True)]
        for a, b in steps.reshape(-1, 2)
    ]


def _mark_blowdown(page: Page, engine: Engine, port_map: PortMap, place: Any, top: float) -> None:
    begins = first_opening_deg(engine, exhaust_of(port_map))
    ends = first_opening_deg(engine, transfers_of(port_map))
    if begins is None or ends is None or not ends > begins:
        return
    for angle in (begins, ends):
        page.line(place(angle, 0.0), place(angle, top), width_mm=0.15, colour=GREY, dash_mm=(0.8, 0.6))
    x, y = place(begins, top)
    page.words(
        (x - 1.0, y - 3.0), f"blowdown {ends - begins:.1f}°", size_pt=_AXIS_PT, anchor="right", ground=True
    )


def _label_lines(page: Page, angles: Floats, curves: list[Floats], place: Any, peak: float) -> None:
    """Put the numbers of ports on their lines, one label for lines that look like one."""
    groups: list[list[int]] = []
    for number, curve in enumerate(curves):
        for group in groups:
            if float(np.abs(curve - curves[group[0]]).max()) <= _SAME_SHARE * peak:
                group.append(number)
                break
        else:
            groups.append([number])
    taken: list[tuple[float, float, float]] = []
    for group in sorted(groups, key=lambda members: -float(curves[members[0]].max())):
        curve, text = curves[group[0]], " ".join(str(number + 1) for number in group)
        if not curve.max() > 0:
            continue
        half = max(text_width_mm(text, 6.7) / 2 + 0.6, 1.7)
        x, y = _free_place(angles, curve, place, half, taken)
        page.badge((x, y), text, radius_mm=1.5)
        taken.append((x, y, half))


def _free_place(
    angles: Floats, curve: Floats, place: Any, half: float, taken: list[tuple[float, float, float]]
) -> tuple[float, float]:
    """Return a place on a line, as near its top as is free of other labels."""
    order = np.argsort(-curve, kind="stable")[:: max(len(curve) // 180, 1)]
    low, high = place(0.0, 0.0)[0] + half, place(360.0, 0.0)[0] - half
    for index in order:
        if curve[index] > 0:
            x, y = place(float(angles[index]), float(curve[index]))
            if low <= x <= high and all(abs(x - a) > half + h or abs(y - b) > 3.2 for a, b, h in taken):
                return x, y
    x, y = place(float(angles[order[0]]), float(curve[order[0]]))
    return min(max(x, low), high), y
