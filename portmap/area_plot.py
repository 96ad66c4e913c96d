"""Opened wall area against crank angle, as lines on a page.

Across: degrees after true TDC, 0 to 360. Up: the area that the piston has uncovered. Ports whose lines lie
on one another, as left and right often do, share one label.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from portmap.crank import bdc_angle
from portmap.engine import Engine
from portmap.figures import timeable
from portmap.look import KIND_COLOURS, STAGE_STROKES, rgb
from portmap.page import BLACK, GREY, PALE, Pen, text_width_mm
from portmap.port import PortMap
from portmap.shown import UnitSystem
from portmap.timing import exhaust_of, first_opening_deg, transfers_of
from portmap.window import opened_area

__all__ = ["draw_area_plot", "round_step"]

_STEP_DEG = 0.5
_SAME_SHARE = 0.01  # of the highest area: two lines nearer than this look like one
_LEFT_MM, _FOOT_MM, _HEAD_MM = 13.0, 8.5, 4.0
_AXIS_PT = 6.0

Floats = NDArray[np.float64]
Place = Callable[[float, float], tuple[float, float]]  # of an angle and an area, on the page [mm]


def draw_area_plot(
    page: Pen,
    engine: Engine,
    port_map: PortMap,
    units: UnitSystem,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    height_mm: float,
    others: tuple[PortMap, ...] = (),
) -> None:
    """Draw the opened areas of a map on a page.

    Parameters
    ----------
    page : Pen
    engine : Engine
    port_map : PortMap
        Its ports are numbered from 1 in their order; one whose timing cannot be known has no line.
    units : UnitSystem
        For the areas.
    left_mm, top_mm, width_mm, height_mm : float
        The room for it [mm of paper].
    others : tuple of PortMap, optional
        Other stages, whose lines carry no numbers.
    """
    angles = np.arange(0.0, 360.0 + _STEP_DEG / 2, _STEP_DEG)
    known, _ = timeable(engine, port_map)
    curves = _curves(engine, port_map, angles, units)
    more = [(other, _curves(engine, other, angles, units)) for other in others]
    peaks = [float(curve.max()) for each in (curves, *(found for _, found in more)) for curve in each]
    peak = max(peaks, default=0.0)
    step = round_step(peak or 100.0 * units.per_mm**2)
    top = step * max(math.ceil(1.12 * peak / step), 3)
    low, left = top_mm - height_mm + _FOOT_MM, left_mm + _LEFT_MM
    wide, tall = width_mm - _LEFT_MM - 3.0, height_mm - _FOOT_MM - _HEAD_MM

    def place(angle: float, area: float) -> tuple[float, float]:
        return left + wide * angle / 360.0, low + tall * area / top

    _draw_axes(page, place, top, step)
    if not any(curve.max() > 0 for curve in curves):
        page.words((left + wide / 2, low + tall / 2), "nothing opens", anchor="middle")
    for drawn, found in (*more, (port_map, curves)):
        _draw_lines(page, drawn, angles, found, place)
    page.words((left, low + tall + 1.5), f"opened wall area [{units.area}]", size_pt=_AXIS_PT, bold=True)
    page.words((place(270.0, 0)[0], low - 6.6), "degrees after TDC", size_pt=_AXIS_PT, anchor="middle")
    for angle, name in ((0.0, "TDC"), (bdc_angle(engine.crank), "BDC"), (360.0, "TDC")):
        page.words((place(angle, 0)[0], low - 6.6), name, size_pt=_AXIS_PT, bold=True, anchor="middle")
    _mark_blowdown(page, engine, known, place, top)
    _label_lines(page, angles, curves, place, peak)


def round_step(peak: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that goes three to six times into a peak.

    Parameters
    ----------
    peak : float
        Above 0, in any unit.

    Returns
    -------
    float

    Examples
    --------
    >>> round_step(3.7), round_step(310.0)
    (1.0, 100.0)
    """
    power = 10.0 ** math.floor(math.log10(peak / 3))
    return max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= peak / 3 * (1 + 1e-9))


def _curves(engine: Engine, port_map: PortMap, angles: Floats, units: UnitSystem) -> list[Floats]:
    """Return what each port has open at each angle; nothing for one that cannot be timed."""
    timed = {port.id for port in timeable(engine, port_map)[0].ports}
    return [
        opened_area(engine, port, angles) * units.per_mm**2 if port.id in timed else np.zeros(len(angles))
        for port in port_map.ports
    ]


def _draw_axes(page: Pen, place: Place, top: float, step: float) -> None:
    for angle in range(0, 361, 30):
        x, low = place(angle, 0.0)
        page.line((x, low), place(angle, top), width_mm=0.07, colour=PALE)
        page.line((x, low), (x, low - 0.9))
        page.words((x, low - 3.4), str(angle), size_pt=_AXIS_PT, anchor="middle")
    for number in range(round(top / step) + 1):
        area = number * step
        left, y = place(0.0, area)
        page.line((left, y), place(360.0, area), width_mm=0.07, colour=PALE)
        page.line((left, y), (left - 0.9, y))
        page.words((left - 1.5, y - 0.7), f"{area:g}", size_pt=_AXIS_PT, anchor="right")
    page.line(place(0.0, 0.0), place(360.0, 0.0), width_mm=0.18, colour=BLACK)
    page.line(place(0.0, 0.0), place(0.0, top), width_mm=0.18, colour=BLACK)


def _draw_lines(page: Pen, port_map: PortMap, angles: Floats, curves: list[Floats], place: Place) -> None:
    stroke = STAGE_STROKES[port_map.stage]
    for port, curve in zip(port_map.ports, curves, strict=True):
        for run in _open_runs(angles, curve):
            points = [place(angle, area) for angle, area in run]
            page.shape(
                [points],
                width_mm=stroke.width_mm,
                colour=rgb(KIND_COLOURS[port.kind]),
                dash_mm=stroke.dash_mm,
                closed=False,
            )


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


def _mark_blowdown(page: Pen, engine: Engine, port_map: PortMap, place: Place, top: float) -> None:
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


def _label_lines(page: Pen, angles: Floats, curves: list[Floats], place: Place, peak: float) -> None:
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
    angles: Floats, curve: Floats, place: Place, half: float, taken: list[tuple[float, float, float]]
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
