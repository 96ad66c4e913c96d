"""Opened areas of two maps against crank angle, and below them what the second has more than the first.

Across: degrees after true TDC, 0 to 360. Up: the area on the wall that the piston has uncovered; where only
degrees are compared, that area's share of its whole port. Hue tells the kind of port, the line its stage, and
a port's name stands on its line.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from portmap.compare import Comparison, Side
from portmap.comparison_picture import SETTINGS, side_strokes
from portmap.crank import bdc_angle
from portmap.errors import GeometryError
from portmap.figures import timeable
from portmap.look import KIND_COLOURS
from portmap.page import POINT_MM, printable
from portmap.port import Kind
from portmap.shown import UnitSystem, unit_system
from portmap.window import opened_area, port_area

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["PlotForm", "comparison_plot"]

PlotForm = Literal["png", "svg", "pdf"]
Floats = NDArray[np.float64]

_SIZE_MM = (250.0, 190.0)
_STEP_DEG = 0.5
_PNG_DPI = 180
_SAME_SHARE = 0.01  # of the highest line: two nearer than this look like one


def comparison_plot(found: Comparison, form: PlotForm, *, units: UnitSystem | None = None) -> bytes:
    """Return the plot of both sides' opened areas.

    Parameters
    ----------
    found : Comparison
    form : {'png', 'svg', 'pdf'}
    units : UnitSystem or None, optional
        Of the areas; mm unless told.

    Returns
    -------
    bytes
        The file. The same comparison makes the same bytes.

    Raises
    ------
    GeometryError
        If a side has no engine.

    Examples
    --------
    >>> from portmap.compare import compared
    >>> from portmap.port import PortMap
    >>> side = Side(name="map", port_map=PortMap(stage="stock", ports=()), bore_mm=46)
    >>> comparison_plot(compared(side, side), "png")
    Traceback (most recent call last):
    portmap.errors.GeometryError: --plot: a map alone has no timing to plot; name two jobs
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    system = units or unit_system("mm")
    if found.a.engine is None or found.b.engine is None:
        raise GeometryError("a map alone has no timing to plot", where="--plot", remedy="name two jobs")
    factor, unit = (100.0, "% of the port") if found.degrees_only else (system.per_mm**2, system.area)
    angles = np.arange(0.0, 360.0 + _STEP_DEG / 2, _STEP_DEG)
    first, second = (
        {name: (kind, curve * factor) for name, kind, curve in _curves(side, angles, found.degrees_only)}
        for side in (found.a, found.b)
    )
    stream = io.BytesIO()
    with matplotlib.rc_context(SETTINGS):
        figure = Figure(figsize=(_SIZE_MM[0] / 25.4, _SIZE_MM[1] / 25.4), facecolor="white")
        FigureCanvasAgg(figure)
        upper = figure.add_axes((0.075, 0.40, 0.90, 0.47))
        lower = figure.add_axes((0.075, 0.075, 0.90, 0.26), sharex=upper)
        strokes = side_strokes(found)
        for side, stroke, curves, letter in (
            (found.a, strokes[0], first, "a"),
            (found.b, strokes[1], second, "b"),
        ):
            for name, (kind, curve) in curves.items():
                _line(upper, angles, curve, kind, stroke.width_mm, stroke.dash_mm, f"{letter}-{name}")
            top = 0.955 if letter == "a" else 0.925
            words = printable(f"{letter}: {side.name}, {side.port_map.stage}: {stroke.words}")
            figure.text(0.075, top, words, size=9, weight="bold", parse_math=False)
        _labels(upper, angles, {name: curve for name, (_, curve) in second.items()})
        more: dict[str, Floats] = {}
        for port in found.ports:
            if port.id in first and port.id_b in second:
                kind, before = first[port.id]
                more[port.id] = second[port.id_b][1] - before
                _line(lower, angles, more[port.id], kind, 0.4, (), f"change-{port.id}")
        _labels(lower, angles, more)
        _dress(upper, f"opened wall area [{unit}]")
        _dress(lower, f"b minus a [{unit}]")
        bottom = bdc_angle(found.a.engine.crank)
        for axes in (upper, lower):
            axes.axvline(bottom, color="0.6", linewidth=0.5, linestyle=(0, (4, 3)), zorder=0.5)
        lower.set_xlabel(f"degrees after TDC (BDC of a at {bottom:.1f}°)", size=7.5)
        metadata: dict[str, Any] = {"Date": None} if form == "svg" else {}
        if form == "png":
            metadata = {"Software": None}
        elif form == "pdf":
            metadata = {"CreationDate": None, "Producer": None, "Creator": None}
        figure.savefig(stream, format=form, dpi=_PNG_DPI, metadata=metadata)
    return stream.getvalue()


def _curves(side: Side, angles: Floats, as_share: bool) -> Iterator[tuple[str, Kind, Floats]]:
    assert side.engine is not None  # noqa: S101 - the caller has looked
    known, _ = timeable(side.engine, side.port_map)
    for port in known.ports:
        area = opened_area(side.engine, port, angles)
        yield port.id, port.kind, area / port_area(port, side.bore_mm) if as_share else area


def _line(
    axes: Axes,
    angles: Floats,
    curve: Floats,
    kind: Kind,
    width_mm: float,
    dash_mm: tuple[float, ...],
    name: str,
) -> None:
    # what is shut is not drawn, so that the lines of ports that are shut do not lie on the axis
    near = curve != 0
    near[:-1] |= curve[1:] != 0
    near[1:] |= curve[:-1] != 0
    dash = tuple(part / width_mm for part in dash_mm)
    axes.plot(
        angles, np.where(near, curve, np.nan), color=KIND_COLOURS[kind], linewidth=width_mm / POINT_MM,
        linestyle=(0, dash) if dash else "solid", gid=name, zorder=2,
    )  # fmt: skip


def _labels(axes: Axes, angles: Floats, curves: dict[str, Floats]) -> None:
    """Put names on lines, one label for lines that look like one, where no other label stands."""
    peak = max((float(np.abs(curve).max()) for curve in curves.values()), default=0.0)
    groups: list[list[str]] = []
    for name, curve in curves.items():
        if not np.abs(curve).max() > 1e-9:
            continue
        for group in groups:
            if float(np.abs(curve - curves[group[0]]).max()) <= _SAME_SHARE * peak:
                group.append(name)
                break
        else:
            groups.append([name])
    taken: list[tuple[float, float, float]] = []
    for group in sorted(groups, key=lambda members: -float(np.abs(curves[members[0]]).max())):
        curve, text = curves[group[0]], printable(", ".join(group))
        wide = 2.1 * len(text) + 4.0  # of a label, in degrees of the axis
        order = np.argsort(-np.abs(curve), kind="stable")
        spots = [(float(angles[at]), float(curve[at])) for at in order[:: max(len(order) // 240, 1)]]
        free = [
            (x, y)
            for x, y in spots
            if wide / 2 < x < 360.0 - wide / 2
            and all(abs(x - a) > (wide + w) / 2 or abs(y - b) > 0.09 * peak for a, b, w in taken)
        ]
        x, y = (free or spots)[0]
        taken.append((x, y, wide))
        axes.text(
            x, y, text, size=7, ha="center", va="center", zorder=5, parse_math=False,
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "0.6", "linewidth": 0.4},
        )  # fmt: skip


def _dress(axes: Axes, title: str) -> None:
    axes.set_xlim(0.0, 360.0)
    axes.set_xticks(range(0, 361, 30))
    low, high = axes.get_ylim()
    if math.isfinite(high):
        axes.set_ylim(min(low, 0.0), max(high, 0.0) + 0.03 * (high - low))
    axes.axhline(0.0, color="0.3", linewidth=0.6, zorder=1)
    axes.grid(color="0.88", linewidth=0.4)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=7, length=2.0, width=0.4)
    axes.set_title(title, fontsize=8, loc="left", pad=4)
    for spine in axes.spines.values():
        spine.set_linewidth(0.4)
