"""A picture of two maps, one laid on the other: the bore wall laid flat, and the places that matter enlarged.

The wall is seen from the bore axis, x across and y up; it is cut at the back, x = ±π·bore/2. Hue tells the
kind of port and its name stands in it; the stage is told by the line (`portmap.look`). What one map has and
the other has not is hatched, and each place worth a name carries a sign and a number: a full triangle where
the cutter went past the line, or b past a; an open one where there is metal still to be taken, or a reaches
past b.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely
from shapely.affinity import translate

from portmap.compare import Comparison
from portmap.errors import GeometryError
from portmap.look import KIND_COLOURS, STAGE_STROKES, Stroke, rgb
from portmap.page import POINT_MM, printable
from portmap.port import Port, PortMap
from portmap.shown import UnitSystem, number_text, unit_system
from portmap.wall_change import Place, Shape, place_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["SETTINGS", "PictureForm", "comparison_picture", "side_strokes"]

PictureForm = Literal["svg", "png"]

_WIDTH_MM = 297.0
_EDGE_MM = 12.0  # left and right of the wall, heights' figures in it
_DETAILS, _DETAIL_MM = 4, 58.0
_LISTED = 9
_LINE_MM = 4.6
_PNG_DPI = 200
_DOTTED = Stroke(width_mm=0.35, dash_mm=(0.5, 0.7), words="dotted line")
_PAST, _SHORT = "▲", "△"

SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "svg.fonttype": "path",  # a reader's machine may lack the letters
    "svg.hashsalt": "portmap",  # the same comparison makes the same bytes
    "hatch.linewidth": 0.5,
    "path.simplify": False,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Mark:
    number: int
    sign: str
    place: Place
    words: str


def side_strokes(found: Comparison) -> tuple[Stroke, Stroke]:
    """Return the lines of a and of b; where both are of one stage, a's is dotted.

    Parameters
    ----------
    found : Comparison

    Returns
    -------
    tuple of Stroke

    Examples
    --------
    >>> from portmap.compare import Side, compared
    >>> side = Side(name="saw", port_map=PortMap(stage="stock", ports=()), bore_mm=46)
    >>> [stroke.words for stroke in side_strokes(compared(side, side))]
    ['dotted line', 'thin line']
    """
    a, b = (STAGE_STROKES[side.port_map.stage] for side in (found.a, found.b))
    return (_DOTTED if a is b else a), b


def comparison_picture(found: Comparison, form: PictureForm, *, units: UnitSystem | None = None) -> bytes:
    """Return the picture of a comparison.

    Parameters
    ----------
    found : Comparison
    form : {'svg', 'png'}
    units : UnitSystem or None, optional
        Of the figures; mm unless told.

    Returns
    -------
    bytes
        The file. The same comparison makes the same bytes.

    Raises
    ------
    GeometryError
        If only degrees were compared.

    Examples
    --------
    >>> from portmap.compare import Side, compared
    >>> side = Side(name="saw", port_map=PortMap(stage="stock", ports=()), bore_mm=46)
    >>> comparison_picture(compared(side, side), "png")[1:4]
    b'PNG'
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    if found.degrees_only:
        raise GeometryError(
            "where degrees alone are compared there is no wall to draw",
            where="--picture",
            remedy="draw the areas against degrees with --plot",
        )
    stream = io.BytesIO()
    with matplotlib.rc_context(SETTINGS):
        figure = _drawn(found, units or unit_system("mm"))
        FigureCanvasAgg(figure)
        metadata: dict[str, Any] = {"Date": None} if form == "svg" else {"Software": None}
        figure.savefig(stream, format=form, dpi=_PNG_DPI, metadata=metadata)
    return stream.getvalue()


def _marks(found: Comparison, units: UnitSystem) -> list[_Mark]:
    """Return the places worth a name, the deepest first: against the wish if any, else b against a."""
    if found.nearness is not None:
        groups = [
            (_PAST, "past the line", [one for port in found.nearness.ports for one in port.past_places]),
            (_SHORT, "still to take", [one for port in found.nearness.ports for one in port.to_take_places]),
        ]
    else:
        groups = [
            (_PAST, "further in b than in a", [one for port in found.ports for one in port.gained_places]),
            (_SHORT, "further in a than in b", [one for port in found.ports for one in port.lost_places]),
        ]
    marks: list[_Mark] = []
    for sign, words, places in groups:
        for place in sorted(places, key=lambda one: -one.depth_mm):
            depth = f"{units.lengths(place.depth_mm)} {units.length} {words}"
            said = f"{place.port}: {depth}; {place_words(place, units)}"
            marks.append(_Mark(number=len(marks) + 1, sign=sign, place=place, words=said))
    return marks


def _drawn(found: Comparison, units: UnitSystem) -> Figure:
    from matplotlib.figure import Figure

    marks = _marks(found, units)
    shown = marks[:_LISTED]
    around = math.pi * found.a.bore_mm
    low, high = _heights(found)
    scale = (_WIDTH_MM - 2 * _EDGE_MM) / around
    wall_mm = (high - low) * scale
    details_mm = _DETAIL_MM + 8.0 if shown else 0.0
    lines = len(shown) + (len(marks) > _LISTED)
    head_mm, foot_mm = 30.0, 5.0
    height = head_mm + wall_mm + 14.0 + details_mm + lines * _LINE_MM + foot_mm
    figure = Figure(figsize=(_WIDTH_MM / 25.4, height / 25.4), facecolor="white")

    def room(left: float, top: float, wide: float, tall: float) -> Axes:
        """Return axes by their place in mm from the left and from the top."""
        return figure.add_axes((left / _WIDTH_MM, 1 - (top + tall) / height, wide / _WIDTH_MM, tall / height))

    def write(left: float, top: float, text: str, size: float = 8.0, **style: Any) -> None:
        figure.text(
            left / _WIDTH_MM,
            1 - top / height,
            printable(text),
            size=size,
            va="baseline",
            parse_math=False,
            **style,
        )

    _head(found, units, write)
    wall = room(_EDGE_MM, head_mm, around * scale, wall_mm)
    wall.set_xlim(-around / 2, around / 2)
    wall.set_ylim(low, high)
    _draw_maps(wall, found)
    _dress_wall(wall, found, units)
    _name_ports(wall, found.b.port_map, around, scale)
    _mark_places(wall, shown, around)
    top = head_mm + wall_mm + 14.0
    for number, mark in enumerate(shown[:_DETAILS]):
        axes = room(_EDGE_MM + number * (_DETAIL_MM + 12.0), top + 4.0, _DETAIL_MM, _DETAIL_MM)
        _draw_detail(axes, found, mark, units)
    top += details_mm + _LINE_MM
    for number, mark in enumerate(shown):
        write(_EDGE_MM, top + number * _LINE_MM, f"{mark.sign}{mark.number} {mark.words}")
    if len(marks) > _LISTED:
        write(
            _EDGE_MM,
            top + _LISTED * _LINE_MM,
            f"and {len(marks) - _LISTED} smaller places, named with --json",
        )
    return figure


def _head(found: Comparison, units: UnitSystem, write: Any) -> None:
    strokes = side_strokes(found)
    write(_EDGE_MM, 8.0, f"a: {_side_words(found.a)}: {strokes[0].words}", 10.0, weight="bold")
    write(_EDGE_MM, 13.5, f"b: {_side_words(found.b)}: {strokes[1].words}", 10.0, weight="bold")
    how = "b lies on a by the base face"
    if found.registration.method == "fit":
        moved = found.registration
        across, up = units.lengths(moved.dx_mm), units.lengths(moved.dy_mm)
        how = (
            f"b was laid on what was not ground: moved {across} {units.length} to the right,"
            f" {up} {units.length} up, turned {number_text(moved.turn_deg, 2)}°"
        )
    if found.nearness is not None:
        hatches = "crossed hatch: taken past the proposed line; dotted: still to take"
        if found.a.port_map.stage != "proposed":
            hatches = f"{STAGE_STROKES['proposed'].words}: proposed; {hatches}"
    else:
        hatches = "slanted hatch: open in b alone; dotted: open in a alone"
    write(_EDGE_MM, 19.0, f"Bore wall laid flat, seen from the bore axis; {how}.", 7.5)
    write(_EDGE_MM, 23.5, f"Hue: kind of port. {hatches[0].upper()}{hatches[1:]}.", 7.5)


def _side_words(side: Any) -> str:
    return f"{side.name}, {side.port_map.stage}"


def _heights(found: Comparison) -> tuple[float, float]:
    """Return the lowest and highest y drawn."""
    bounds = [
        window.outline.bounds
        for side in (found.a, found.b)
        for port in side.port_map.ports
        for window in port.windows
    ]
    low = min((one[1] for one in bounds), default=0.0)
    high = max((one[3] for one in bounds), default=40.0)
    return min(low - 5.0, 0.0) if low < 15.0 else low - 5.0, high + 6.0


def _images(shape: shapely.Geometry, around: float, *, whole: bool = False) -> Iterator[shapely.Geometry]:
    """Yield what of a shape or line shows in the strip, wherever the wrap falls; or whole, past its ends."""
    left, low, right, high = shape.bounds
    first = round((left + right) / 2 / around)
    strip = shapely.box(-around / 2, low - 1, around / 2, high + 1)
    for turn in (first - 1, first, first + 1):
        image = translate(shape, -turn * around, 0.0)
        if whole:
            yield image
        elif image.bounds[2] >= -around / 2 and image.bounds[0] <= around / 2:
            yield image if strip.covers(image) else image.intersection(strip)


def _seen(axes: Axes, shapes: Iterable[shapely.Geometry]) -> Iterator[shapely.Geometry]:
    """Return those that reach into the axes' view: an enlargement shows a small part of the wall."""
    view = shapely.box(*(end for ends in zip(axes.get_xlim(), axes.get_ylim(), strict=True) for end in ends))
    return (shape for shape in shapes if not shape.is_empty and shapely.box(*shape.bounds).intersects(view))


def _fill(
    axes: Axes, shape: Shape, around: float, *, name: str, order: float, whole: bool, **style: Any
) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    if shape.is_empty:
        return
    for image in _seen(axes, _images(shape, around, whole=whole)):
        rings = [
            shapely.get_coordinates(ring)
            for part in shapely.get_parts(image)
            if isinstance(part, shapely.Polygon) and not part.is_empty
            for ring in (part.exterior, *part.interiors)
        ]
        if rings:
            path = Path.make_compound_path(*(Path(ring, closed=True) for ring in rings))
            axes.add_patch(PathPatch(path, gid=name, zorder=order, **style))


def _outline(
    axes: Axes, port: Port, around: float, stroke: Stroke, *, name: str, order: float, whole: bool
) -> None:
    from matplotlib.collections import LineCollection

    lines = [
        shapely.get_coordinates(part)
        for window in port.windows
        for ring in (window.outline.exterior, *window.outline.interiors)
        for image in _seen(axes, _images(shapely.LineString(ring.coords), around, whole=whole))
        for part in shapely.get_parts(shapely.line_merge(image))
    ]
    width = stroke.width_mm / POINT_MM
    dash = tuple(part / stroke.width_mm for part in stroke.dash_mm)
    drawn = LineCollection(
        [line for line in lines if len(line) > 1],
        colors=[KIND_COLOURS[port.kind]],
        linewidths=[width],
        linestyles=[(0, dash)] if dash else "solid",
        zorder=order,
        capstyle="butt",
        joinstyle="round",
    )
    drawn.set_gid(name)
    axes.add_collection(drawn, autolim=False)


def _draw_maps(axes: Axes, found: Comparison, *, whole: bool = False) -> None:
    around = math.pi * found.a.bore_mm
    strokes = side_strokes(found)
    for port in found.b.port_map.ports:
        for window in port.windows:
            tint = rgb(KIND_COLOURS[port.kind], tint=0.14)
            _fill(
                axes,
                window.outline,
                around,
                name=f"opening-{port.id}",
                order=1,
                whole=whole,
                facecolor=tint,
                edgecolor="none",
            )
    for hue, shape, hatch, name in _hatched(found):
        _fill(
            axes, shape, around, name=name, order=2, facecolor=rgb(hue, tint=0.35), edgecolor=hue,
            whole=whole, hatch=hatch, linewidth=0.0,
        )  # fmt: skip
    layers: list[tuple[PortMap, Stroke, str]] = [
        (found.a.port_map, strokes[0], "a"),
        (found.b.port_map, strokes[1], "b"),
    ]
    if found.wish is not None and found.wish is not found.a.port_map:
        layers.append((found.wish, STAGE_STROKES["proposed"], "wish"))
    # the thinnest last, so that it is seen where edges run on one another
    for order, (port_map, stroke, name) in enumerate(sorted(layers, key=lambda one: -one[1].width_mm)):
        for port in port_map.ports:
            _outline(axes, port, around, stroke, name=f"{name}-{port.id}", order=3 + 0.1 * order, whole=whole)


def _hatched(found: Comparison) -> Iterable[tuple[str, Shape, str, str]]:
    kinds = {port.id: port.kind for port in found.a.port_map.ports}
    if found.nearness is not None and found.wish is not None:
        kinds = {port.id: port.kind for port in found.wish.ports}
        for port in found.nearness.ports:
            hue = KIND_COLOURS[kinds[port.id]]
            yield hue, port.to_take, "....", f"to-take-{port.id}"
            yield hue, port.past, "xxxxx", f"past-{port.id}"
        return
    for change in found.ports:
        hue = KIND_COLOURS[change.kind]
        if change.gained is not None and change.lost is not None:
            yield hue, change.gained, "/////", f"gained-{change.id}"
            yield hue, change.lost, "....", f"lost-{change.id}"


def _dress_wall(axes: Axes, found: Comparison, units: UnitSystem) -> None:
    half = math.pi * found.a.bore_mm / 2
    names = {-180: "back", -90: "quarter turn", 0: "exhaust centre", 90: "quarter turn", 180: "back"}
    ticks = [half * turn / 180 for turn in names]
    axes.set_xticks(
        ticks, [f"{name}\nx {units.lengths(x)}" for x, name in zip(ticks, names.values(), strict=True)]
    )
    for x in ticks:
        axes.axvline(x, color="0.55", linewidth=0.5 if x else 0.9, linestyle=(0, (6, 3)), zorder=0.5)
    step = (5.0 if units.name == "mm" else 0.25) / (1.0 if units.name == "mm" else units.per_mm)
    low, high = axes.get_ylim()
    heights = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    axes.set_yticks(heights, [f"{height * units.per_mm:g}" for height in heights])
    axes.grid(axis="y", color="0.88", linewidth=0.4, zorder=0)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=6.5, length=2.0, width=0.4, pad=1.5)
    axes.set_title(f"{units.length} above base", fontsize=6.5, loc="left", pad=2.5, x=-0.035)
    for spine in axes.spines.values():
        spine.set_linewidth(0.4)


def _name_ports(axes: Axes, port_map: PortMap, around: float, scale: float) -> None:
    for port in port_map.ports:
        for window in port.windows:
            for image in _images(window.outline, around):
                _name_part(axes, port.id, image.bounds, scale)


def _name_part(axes: Axes, name: str, bounds: tuple[float, float, float, float], scale: float) -> None:
    from matplotlib.patheffects import withStroke

    left, low, right, high = bounds
    room_mm, tall_mm, size = (right - left) * scale - 1.0, (high - low) * scale - 1.0, 7.5
    need_mm = 0.62 * size * POINT_MM * len(name)
    upright = need_mm > room_mm and tall_mm > room_mm
    if upright:
        room_mm = tall_mm
    axes.text(
        (left + right) / 2, (low + high) / 2, printable(name), ha="center", va="center",
        size=min(size, max(size * room_mm / need_mm, 4.5)), rotation=90 if upright else 0, zorder=6,
        parse_math=False, path_effects=[withStroke(linewidth=2.0, foreground="white")], gid=f"name-{name}",
    )  # fmt: skip


_OUTWARD = {"roof": (0.0, 1.0), "floor": (0.0, -1.0), "left side": (-1.0, 0.0), "right side": (1.0, 0.0)}


def _mark_places(axes: Axes, marks: Iterable[_Mark], around: float) -> None:
    taken: list[tuple[float, float]] = []
    for mark in marks:
        x = (mark.place.x_mm + around / 2) % around - around / 2
        across, up = _OUTWARD[mark.place.edge]
        steps = [(3.2 * reach, aside) for reach in (1.0, 1.6, 2.2) for aside in (0.0, 4.0, -4.0, 8.0, -8.0)]
        spots = [
            (x + across * reach + abs(up) * aside, mark.place.y_mm + up * reach + abs(across) * aside)
            for reach, aside in steps
        ]
        low, high = axes.get_ylim()
        free = [
            spot
            for spot in spots
            if abs(spot[0]) < around / 2 - 1.5
            and low + 1.0 < spot[1] < high - 1.0
            and all(abs(spot[0] - a) > 3.8 or abs(spot[1] - b) > 2.4 for a, b in taken)
        ]
        spot = (free or spots)[0]
        taken.append(spot)
        _mark(axes, mark, (x, mark.place.y_mm), spot)


def _mark(axes: Axes, mark: _Mark, at: tuple[float, float], spot: tuple[float, float]) -> None:
    axes.annotate(
        f"{mark.sign}{mark.number}", at, spot, size=7.5, ha="center", va="center", weight="bold", zorder=8,
        arrowprops={"arrowstyle": "-", "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0},
        bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "black", "linewidth": 0.5},
        gid=f"mark-{mark.number}",
    )  # fmt: skip


def _draw_detail(axes: Axes, found: Comparison, mark: _Mark, units: UnitSystem) -> None:
    from matplotlib.ticker import MaxNLocator

    around = math.pi * found.a.bore_mm
    place = mark.place
    wide, tall = place.right_mm - place.left_mm, place.high_mm - place.low_mm
    half = float(np.clip(0.7 * max(wide, tall), max(1.5, 2.2 * place.depth_mm), 6.0))
    turns = round((place.x_mm) / around)
    x, y = place.x_mm - turns * around, place.y_mm
    if wide < 2 * half:
        x = (place.left_mm + place.right_mm) / 2 - turns * around
    axes.set_xlim(x - half, x + half)
    axes.set_ylim(y - half, y + half)
    _draw_maps(axes, found, whole=True)
    axes.set_aspect("equal")
    depth = f"{units.lengths(place.depth_mm)} {units.length}"
    title = f"{mark.sign}{mark.number} {place.port}, {place.edge}: {depth}"
    axes.set_title(printable(title), fontsize=7.5, loc="left", pad=3, parse_math=False)
    across, up = _OUTWARD[place.edge]
    at = (place.x_mm - turns * around, y)
    spot = (at[0] + 0.3 * half * (across or 0.6), at[1] + 0.3 * half * (up or 0.6))
    _mark(axes, mark, at, spot)
    axes.tick_params(labelsize=5.5, length=1.5, width=0.4, pad=1.0)
    axes.grid(color="0.9", linewidth=0.4, zorder=0)
    axes.set_axisbelow(True)
    for limits, put in ((axes.get_xlim(), axes.set_xticks), (axes.get_ylim(), axes.set_yticks)):
        low, high = (end * units.per_mm for end in limits)
        ticks = [tick for tick in MaxNLocator(6).tick_values(low, high) if low <= tick <= high]
        put([tick / units.per_mm for tick in ticks], [f"{tick:.4g}".replace("-", "−") for tick in ticks])
    for spine in axes.spines.values():
        spine.set_linewidth(0.4)
