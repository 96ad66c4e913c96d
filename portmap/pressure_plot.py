"""Pressures of cylinder and case against crank angle while the exhaust is open, as lines on a page.

Across: degrees after true TDC. Up: absolute pressure. Burning is left out, for it would dwarf what is looked
for: how far the cylinder still lies over the case when the first transfer opens. Each stage has its stroke.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from portmap.area_plot import round_step
from portmap.engine import Engine
from portmap.figures import timeable
from portmap.gasflow import Breath
from portmap.look import KIND_COLOURS, STAGE_STROKES, rgb
from portmap.page import BLACK, GREY, PALE, Pen
from portmap.port import Port, PortMap
from portmap.shown import PSI_BAR, UnitSystem
from portmap.timing import exhaust_of, first_opening_deg, transfers_of

__all__ = ["draw_pressure_plot"]

Floats = NDArray[np.float64]
Place = Callable[[float, float], tuple[float, float]]  # of an angle and a pressure, on the page [mm]

_LEFT_MM, _FOOT_MM, _HEAD_MM = 13.0, 8.5, 4.0
_AXIS_PT = 6.0
_AROUND_DEG = 12.0  # shown before the exhaust opens and after it closes


def draw_pressure_plot(
    page: Pen,
    engine: Engine,
    stages: Mapping[str, PortMap],
    breaths: Mapping[str, Breath],
    units: UnitSystem,
    *,
    left_mm: float,
    top_mm: float,
    width_mm: float,
    height_mm: float,
) -> None:
    """Draw the pressures of several stages at one speed.

    Parameters
    ----------
    page : Pen
    engine : Engine
    stages : mapping of str to PortMap
    breaths : mapping of str to Breath
        Of the same stages; the first case of each is drawn.
    units : UnitSystem
        For the pressures.
    left_mm, top_mm, width_mm, height_mm : float
        The room for it [mm of paper].
    """
    factor = (1.0 if units.name == "mm" else 1 / PSI_BAR) / 1e5
    first = min(_opening(engine, exhaust_of(one)) or 90.0 for one in stages.values())
    begins, ends = first - _AROUND_DEG, 360.0 - first + _AROUND_DEG
    peak = max(
        float(np.interp(first, breath.deg, breath.cylinder_pa[:, 0])) * factor for breath in breaths.values()
    )
    step = round_step(peak)
    most = step * math.ceil(1.05 * peak / step)
    low, left = top_mm - height_mm + _FOOT_MM, left_mm + _LEFT_MM
    wide, tall = width_mm - _LEFT_MM - 3.0, height_mm - _FOOT_MM - _HEAD_MM

    def place(angle: float, pressure: float) -> tuple[float, float]:
        return left + wide * (angle - begins) / (ends - begins), low + tall * pressure / most

    _draw_axes(page, place, begins, ends, most, step)
    for number, (name, breath) in enumerate(breaths.items()):
        stroke = STAGE_STROKES[stages[name].stage]
        for trace, colour in ((breath.case_pa, rgb(KIND_COLOURS["transfer"])), (breath.cylinder_pa, BLACK)):
            points = _shown(breath.deg, trace[:, 0] * factor, begins, ends, most)
            page.shape(
                [[place(*point) for point in points]],
                width_mm=stroke.width_mm,
                colour=colour,
                dash_mm=stroke.dash_mm,
                closed=False,
            )
        _mark_residual(page, engine, stages[name], breath, place, factor, units, number)
    page.words((left, low + tall + 1.5), f"absolute pressure [{units.pressure}]", size_pt=_AXIS_PT, bold=True)
    page.words((left + wide / 2, low - 6.6), "degrees after TDC", size_pt=_AXIS_PT, anchor="middle")
    _name_lines(page, breaths, place, ends, factor)


def _opening(engine: Engine, ports: tuple[Port, ...]) -> float | None:
    known, _ = timeable(engine, PortMap(stage="stock", ports=ports))
    return first_opening_deg(engine, known.ports)


def _shown(
    deg: Floats, pressure: Floats, begins: float, ends: float, most: float
) -> list[tuple[float, float]]:
    """Return the points of a trace within the plot, its edges among them."""
    inner = deg[(deg > begins) & (deg < ends)]
    angles = np.concatenate([[begins], inner, [ends]])
    found = np.interp(angles, deg, pressure)
    keep = found <= most
    keep[:-1] |= keep[1:]  # one point above the edge, so that the line leaves the plot
    return list(zip(angles[keep].tolist(), np.minimum(found[keep], most).tolist(), strict=True))


def _draw_axes(page: Pen, place: Place, begins: float, ends: float, most: float, step: float) -> None:
    for angle in range(math.ceil(begins / 20) * 20, math.floor(ends) + 1, 20):
        x, low = place(angle, 0.0)
        page.line((x, low), place(angle, most), width_mm=0.07, colour=PALE)
        page.line((x, low), (x, low - 0.9))
        page.words((x, low - 3.4), str(angle), size_pt=_AXIS_PT, anchor="middle")
    for number in range(round(most / step) + 1):
        left, y = place(begins, number * step)
        page.line((left, y), place(ends, number * step), width_mm=0.07, colour=PALE)
        page.line((left, y), (left - 0.9, y))
        page.words((left - 1.5, y - 0.7), f"{number * step:g}", size_pt=_AXIS_PT, anchor="right")
    page.line(place(begins, 0.0), place(ends, 0.0), width_mm=0.18, colour=BLACK)
    page.line(place(begins, 0.0), place(begins, most), width_mm=0.18, colour=BLACK)


def _mark_residual(
    page: Pen,
    engine: Engine,
    port_map: PortMap,
    breath: Breath,
    place: Place,
    factor: float,
    units: UnitSystem,
    number: int,
) -> None:
    """Mark by how much the cylinder lies over the case when the first transfer opens."""
    opens = _opening(engine, transfers_of(port_map))
    if opens is None:
        return
    ends = [
        float(np.interp(opens, breath.deg, trace[:, 0])) * factor
        for trace in (breath.cylinder_pa, breath.case_pa)
    ]
    page.line(place(opens, ends[0]), place(opens, ends[1]), width_mm=0.3, colour=GREY)
    for end in ends:
        x, y = place(opens, end)
        page.line((x - 1.0, y), (x + 1.0, y), width_mm=0.3, colour=GREY)
    x, y = place(opens, max(ends))
    amount = units.pressures(float(breath.residual_pa[0]) / 1e5, finer=True)
    text = f"{port_map.stage}: {amount} {units.pressure} left"
    if number == 0:  # the first over its line, the others between the lines
        page.words((x + 2.0, y + 1.5), text, size_pt=_AXIS_PT, ground=True)
    else:
        page.words(
            (x - 2.0, y - 2.0 - 3.0 * (number - 1)), text, size_pt=_AXIS_PT, anchor="right", ground=True
        )


def _name_lines(page: Pen, breaths: Mapping[str, Breath], place: Place, ends: float, factor: float) -> None:
    """Set both names at the right end, where the rising piston presses the cylinder over the case."""
    at = ends - 3.0
    cylinder = max(float(np.interp(at, one.deg, one.cylinder_pa[:, 0])) for one in breaths.values()) * factor
    case = min(float(np.interp(at, one.deg, one.case_pa[:, 0])) for one in breaths.values()) * factor
    for name, pressure, rise, colour in (
        ("cylinder", cylinder, 1.2, BLACK),
        ("case", case, -3.2, rgb(KIND_COLOURS["transfer"])),
    ):
        x, y = place(at, pressure)
        page.words((x, y + rise), name, size_pt=_AXIS_PT, colour=colour, anchor="right")
