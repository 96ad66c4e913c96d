"""Proposed edges of windows: new roofs, floors and sides as shapes, and the map that they make.

An edit (`portmap.roof_edit`) says which edge of which windows of one port becomes what. Edits are kept in
order; the proposed map is made anew from the stock map and all of them, so that the same edits always give
the same map. Only metal that can be taken is taken: a new window is the union of the old one with what is
ground away, and an edit that would put metal back is refused. Islands of metal in a window, and the metal
between two windows, stay.

Frame: the bore frame (`portmap.port`).

Doubt
-----
A proposed edge is drawn and not measured, so it has no doubt of its own: a roof at a stated height has
``roof_u_mm`` 0. A roof raised by a stated length keeps the old roof's doubt, since it is measured off from
there. Edges that are not moved keep theirs, and the area keeps all of the old outline's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.affinity import translate

from portmap.errors import GeometryError, Notice, PortmapError
from portmap.port import Port, PortMap, Window, WindowDoubt, centre_x
from portmap.profile import window_profile
from portmap.roof_edit import RoofEdit
from portmap.roof_shapes import (
    arched_curve,
    check_radius,
    metal_under,
    moved_curve,
    old_roof_above,
    roof_chain,
    tilted_curve,
)
from portmap.wall_change import area_beyond

__all__ = [
    "RoofEdit",
    "edited_map",
    "edited_window",
    "metal_to_take",
    "proposed_map",
    "roof_ends",
]

Floats = NDArray[np.float64]

LEAST_MM = 1e-6  # less than this is the same height
SPECK_MM2 = 1e-6  # an area below this is rounding, not metal
SHOWN_MM = 0.01  # an old roof that stays above the new one by less is not worth a word


def edited_window(window: Window, edit: RoofEdit, bore_mm: float) -> Window:
    """Return a window with one of its edges made new.

    Parameters
    ----------
    window : Window
    edit : RoofEdit
        Its port and window numbers are not looked at.
    bore_mm : float
        Bore [mm].

    Returns
    -------
    Window
        It holds all of the old one.

    Raises
    ------
    GeometryError
        If metal would have to be put back or none is taken, a radius is larger than the window allows, or
        the new window would reach more than a quarter turn from its middle.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> old = Window(outline=window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]]))
    >>> new = edited_window(old, RoofEdit(port="exhaust", family="flat", height_mm=41.5, radius_mm=1.5), 46.0)
    >>> new.outline.bounds, round(new.outline.area - old.outline.area, 2)
    ((-14.0, 28.0, 14.0, 41.5), 41.03)
    """
    return _edited((window,), edit, bore_mm)[0][0]


def roof_ends(window: Window) -> tuple[float, float]:
    """Return where the sides of a window stop and its roof begins.

    Parameters
    ----------
    window : Window

    Returns
    -------
    tuple of float
        x of the left and right end [mm].

    Examples
    --------
    >>> roof_ends(Window(outline=Polygon([[-14, 28], [14, 28], [12, 40], [-12, 40]])))
    (-12.0, 12.0)
    """
    chain = roof_chain(window.outline)
    return float(chain[-1, 0]), float(chain[0, 0])


def metal_to_take(old: Window, new: Window) -> Polygon | MultiPolygon:
    """Return what must be ground away to make one window of another.

    Parameters
    ----------
    old, new : Window

    Returns
    -------
    shapely.Polygon or MultiPolygon
        The new one less the old one, on the developed wall [mm]; specks of rounding left out.

    Examples
    --------
    >>> old, new = (Window(outline=shapely.box(-14, 28, 14, roof)) for roof in (40, 41))
    >>> metal_to_take(old, new).area
    28.0
    """
    left = area_beyond(old.outline, new.outline)
    parts = [part for part in shapely.get_parts(left) if part.area > SPECK_MM2]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def proposed_map(
    stock: PortMap, edits: Iterable[RoofEdit], bore_mm: float, *, top: tuple[float, str] | None = None
) -> PortMap:
    """Return the map that edits make of another.

    Parameters
    ----------
    stock : PortMap
        What they start from.
    edits : iterable of RoofEdit
        In their order.
    bore_mm : float
        Bore [mm].
    top : (float, str) or None, optional
        Height that no roof may reach [mm], and what stands there.

    Returns
    -------
    PortMap
        Of stage ``proposed``.

    Raises
    ------
    GeometryError
        As `edited_window`, with ``edits[n]``; or if a port or window is not there, or a new window would
        meet another, itself round the bore, or the top.

    Examples
    --------
    >>> from portmap.port import window_polygon
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 40], [-14, 40]])
    >>> port = Port(id="exhaust", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> new = proposed_map(stock, [RoofEdit(port="exhaust", by_mm=1.0)], 46.0)
    >>> new.stage, new.ports[0].windows[0].outline.bounds[3]
    ('proposed', 41.0)
    """
    found = stock
    for number, edit in enumerate(edits):
        try:
            found, _ = edited_map(found, edit, bore_mm, top=top)
        except PortmapError as error:
            raise error.at(f"edits[{number}]") from None
    return replace(found, stage="proposed")


def edited_map(
    port_map: PortMap, edit: RoofEdit, bore_mm: float, *, top: tuple[float, str] | None = None
) -> tuple[PortMap, tuple[Notice, ...]]:
    """Return a map with one edit made.

    Parameters
    ----------
    port_map : PortMap
    edit : RoofEdit
    bore_mm : float
        Bore [mm].
    top : (float, str) or None, optional
        As in `proposed_map`.

    Returns
    -------
    PortMap
        Of the same stage.
    tuple of Notice
        Where the old edge stands out beyond the new one and so stays, or a floor passes the base face.

    Raises
    ------
    GeometryError
        As `proposed_map`.

    Examples
    --------
    >>> edited_map(PortMap(stage="stock", ports=()), RoofEdit(port="exhaust", by_mm=1.0), 46.0)
    Traceback (most recent call last):
    portmap.errors.GeometryError: port: there is no port 'exhaust'; the map has none
    """
    place = _port_place(port_map, edit.port)
    port = port_map.ports[place]
    chosen = _chosen(port, edit.windows)
    made, notices = _edited(tuple(port.windows[number] for number in chosen), edit, bore_mm)
    windows = list(port.windows)
    for number, window in zip(chosen, made, strict=True):
        windows[number] = window
    ports = list(port_map.ports)
    ports[place] = replace(port, windows=tuple(windows))
    found = replace(port_map, ports=tuple(ports))
    for number in chosen:
        try:
            _check_room(port_map, found, place, number, bore_mm, top)
        except GeometryError as error:
            raise error.at(_figure_of(edit)) from None
        new_floor = windows[number].outline.bounds[1]
        if new_floor < 0 <= port.windows[number].outline.bounds[1]:
            words = f"window {number} would reach {-new_floor:.2f} mm below the base face."
            notices.append(Notice(code="below-base-face", message=words))
    return found, tuple(
        Notice(code=notice.code, message=f"Port {port.id}: {notice.message}") for notice in notices
    )


def _port_place(port_map: PortMap, name: str) -> int:
    names = [port.id for port in port_map.ports]
    if name not in names:
        raise GeometryError(
            f"there is no port {name!r}", where="port", remedy=f"the map has {', '.join(names) or 'none'}"
        )
    return names.index(name)


def _chosen(port: Port, numbers: tuple[int, ...]) -> tuple[int, ...]:
    count = len(port.windows)
    for number in numbers:
        if not 0 <= number < count:
            have = "window 0 alone" if count == 1 else f"windows 0 to {count - 1}"
            raise GeometryError(
                f"port {port.id} has no window {number}", where="windows", remedy=f"it has {have}"
            )
    return tuple(sorted(numbers)) or tuple(range(count))


# --- one edge, with the window turned so that it is the upper one ---


def _turned(shape: shapely.Geometry, quarters: int) -> shapely.Geometry:
    """Return a shape turned about the origin by quarter turns to the left, to the last digit."""
    ways = {
        0: lambda p: p,
        1: lambda p: np.column_stack([-p[:, 1], p[:, 0]]),
        2: lambda p: -p,
        3: lambda p: np.column_stack([p[:, 1], -p[:, 0]]),
    }
    return shapely.transform(shape, ways[quarters % 4]) if quarters % 4 else shape


def _edited(
    windows: tuple[Window, ...], edit: RoofEdit, bore_mm: float
) -> tuple[tuple[Window, ...], list[Notice]]:
    near = _drawn_near(windows, bore_mm)
    takes, notices = _side_takes(near, edit) if edit.edge == "sides" else _upright_takes(near, edit, bore_mm)
    if not sum(take.area for take in takes) > SPECK_MM2:
        raise GeometryError(
            "nothing is left to take: the old edge lies there or beyond already",
            where=_figure_of(edit),
            remedy="ask for more",
        )
    made = []
    for old, shape, take in zip(windows, near, takes, strict=True):
        new = _union(shape, take)
        shift = old.outline.bounds[0] - shape.bounds[0]
        if shift:
            new = translate(new, shift)
        window = Window(outline=new, doubt=_new_doubt(old.doubt, edit))
        try:
            window_profile(window, bore_mm)
        except PortmapError as error:
            raise GeometryError(error.message, where=_figure_of(edit), remedy="ask for less") from None
        made.append(window)
    return tuple(made), notices


def _figure_of(edit: RoofEdit) -> str:
    return "width_mm" if edit.edge == "sides" else "by_mm" if edit.by_mm is not None else "height_mm"


def _drawn_near(windows: tuple[Window, ...], bore_mm: float) -> list[Polygon]:
    """Return the windows' outlines, moved by whole turns so that each lies near the first."""
    round_mm = math.pi * bore_mm
    first = sum(windows[0].outline.bounds[::2]) / 2
    found = []
    for window in windows:
        turns = round((first - sum(window.outline.bounds[::2]) / 2) / round_mm)
        found.append(translate(window.outline, turns * round_mm) if turns else window.outline)
    return found


def _new_doubt(doubt: WindowDoubt | None, edit: RoofEdit) -> WindowDoubt | None:
    if doubt is None or edit.edge == "sides" or edit.by_mm is not None:
        return doubt
    return replace(doubt, roof_u_mm=0.0) if edit.edge == "roof" else replace(doubt, floor_u_mm=0.0)


def _upright_takes(
    outlines: list[Polygon], edit: RoofEdit, bore_mm: float
) -> tuple[list[shapely.Geometry], list[Notice]]:
    quarters = 0 if edit.edge == "roof" else 2
    shapes = [_turned(outline, quarters) for outline in outlines]
    chains = [roof_chain(shape) for shape in shapes]
    highest = max(float(shape.bounds[3]) for shape in shapes)
    height = None if edit.height_mm is None else edit.height_mm * (1 if quarters == 0 else -1)
    if height is not None and height < highest - LEAST_MM:
        _refuse_putting_back(edit, highest - height, highest if quarters == 0 else -highest)
    whole = (min(float(chain[-1, 0]) for chain in chains), max(float(chain[0, 0]) for chain in chains))
    if edit.as_one and whole[1] - whole[0] > math.pi * bore_mm / 2:
        raise GeometryError(
            "these windows lie further apart than half round the bore",
            where="as_one",
            remedy="make an edit for each",
        )
    curves = []
    for outline, chain in zip(outlines, chains, strict=True):
        own = (float(chain[-1, 0]), float(chain[0, 0]))
        span = whole if edit.as_one else own
        if edit.family == "moved":
            curve = moved_curve(chain, edit.by_mm if edit.by_mm is not None else _known(height) - highest)
        elif edit.family == "flat":
            curve = tilted_curve(own, span, (_known(height), _known(height)), radius_mm=edit.radius_mm)
        elif edit.family == "arched":
            curve = arched_curve(own, span, _known(height), edit.rise_mm, radius_mm=edit.radius_mm)
        else:
            heights = _end_heights(outlines if edit.as_one else [outline], edit, _known(height), bore_mm)
            curve = tilted_curve(own, span, heights, radius_mm=edit.radius_mm, step_mm=edit.step_mm)
        curves.append(curve)
    if height is not None and edit.family in ("arched", "blended"):
        # a round corner may take the highest end away, a bridge the crown: then all of it goes up
        short = height - max(float(curve[:, 1].max()) for curve in curves)
        curves = [curve + np.array([0.0, short]) for curve in curves]
    takes, notices = [], []
    for shape, chain, curve in zip(shapes, chains, curves, strict=True):
        if edit.radius_mm:
            check_radius(edit.radius_mm, float(curve[:, 1].max() - shape.bounds[1]), "its height")
        takes.append(_turned(metal_under(chain, curve), -quarters))
        x, short = (0.0, 0.0) if edit.family == "moved" else old_roof_above(chain, curve)
        if short > SHOWN_MM:
            notices.append(_stays(edit.edge, x if quarters == 0 else -x, short))
    return takes, notices


def _known(height: float | None) -> float:
    if height is None:
        raise GeometryError("a height is needed", where="height_mm", remedy="give one")
    return height


def _refuse_putting_back(edit: RoofEdit, short_mm: float, old_mm: float) -> None:
    word, side = ("under", "at least") if edit.edge == "roof" else ("above", "at most")
    raise GeometryError(
        f"the {edit.edge} at {edit.height_mm:.3f} mm would lie {short_mm:.3f} mm {word} the old one at"
        f" {old_mm:.3f} mm, and metal cannot be put back",
        where="height_mm",
        remedy=f"ask for {side} {old_mm:.3f} mm",
    )


def _stays(edge: str, x_mm: float, short_mm: float) -> Notice:
    return Notice(
        code="old-edge-stays",
        message=f"the old {edge} stands out up to {short_mm:.2f} mm beyond the new one, near x {x_mm:.1f} mm,"
        " and stays there.",
    )


def _end_heights(
    outlines: list[Polygon], edit: RoofEdit, height: float, bore_mm: float
) -> tuple[float, float]:
    """Return a blended roof's heights at the left and right, as the turned window has them."""
    round_mm = math.pi * bore_mm
    whole = outlines[0] if len(outlines) == 1 else shapely.box(*shapely.total_bounds(outlines))
    middle = centre_x(Window(outline=whole), bore_mm)
    middle -= round(middle / round_mm) * round_mm
    reach = float(whole.bounds[2] - whole.bounds[0]) / 2
    if not min(abs(middle), round_mm / 2 - abs(middle)) > reach / 2:
        raise GeometryError(
            "neither end of this window is the nearer one to the exhaust, so two heights have no sides",
            where="family",
            remedy="take a flat or arched edge",
        )
    toward, away = height - max(-edit.drop_mm, 0.0), height - max(edit.drop_mm, 0.0)
    # the exhaust lies to the left of windows on the right; a floor is seen upside down
    exhaust_is_left = (middle > 0) == (edit.edge == "roof")
    return (toward, away) if exhaust_is_left else (away, toward)


def _side_takes(outlines: list[Polygon], edit: RoofEdit) -> tuple[list[shapely.Geometry], list[Notice]]:
    width = edit.width_mm or 0.0
    whole = shapely.total_bounds(outlines)
    takes, notices = [], list[Notice]()
    for outline in outlines:
        own = outline.bounds
        bounds = whole if edit.as_one else own
        more = (width - (bounds[2] - bounds[0])) / 2
        if more < -LEAST_MM:
            raise GeometryError(
                f"a width of {width:.3f} mm is {-2 * more:.3f} mm less than the old one,"
                f" {width - 2 * more:.3f} mm along the wall, and metal cannot be put back",
                where="width_mm",
                remedy=f"ask for at least {width - 2 * more:.3f} mm",
            )
        parts = []
        # the right side is the upper one after a quarter turn to the left, the left side after three
        for quarters, outer in ((1, own[2] >= bounds[2]), (3, own[0] <= bounds[0])):
            if not outer:
                continue
            shape = _turned(outline, quarters)
            chain = roof_chain(shape)
            ends = (float(chain[-1, 0]), float(chain[0, 0]))
            to = float(shape.bounds[3]) + more
            if edit.family == "moved":
                curve = moved_curve(chain, more)
            else:
                curve = tilted_curve(ends, ends, (to, to), radius_mm=edit.radius_mm)
            parts.append(_turned(metal_under(chain, curve), -quarters))
        takes.append(shapely.union_all(parts))
    return takes, notices


def _union(old: Polygon, take: shapely.Geometry) -> Polygon:
    """Return the old outline with the metal taken, its islands as they were."""
    together = shapely.union(old, take)
    parts = [part for part in shapely.get_parts(together) if part.area > SPECK_MM2]
    if len(parts) != 1 or not isinstance(parts[0], Polygon):
        raise GeometryError("the new edge would leave a piece that hangs on nothing", remedy="ask for less")
    holes = [ring for ring in parts[0].interiors if Polygon(ring).area > SPECK_MM2]
    whole = Polygon(parts[0].exterior, holes)
    return shapely.geometry.polygon.orient(shapely.remove_repeated_points(whole, LEAST_MM / 10))


# --- what else stands on the wall ---


def _check_room(
    before: PortMap,
    after: PortMap,
    place: int,
    number: int,
    bore_mm: float,
    top: tuple[float, str] | None,
) -> None:
    old, new = (port_map.ports[place].windows[number].outline for port_map in (before, after))
    name = f"window {number} of port {after.ports[place].id}"
    if top is not None and new.bounds[3] > old.bounds[3] and not new.bounds[3] < top[0]:
        raise GeometryError(
            f"the roof of {name} would stand at {new.bounds[3]:.3f} mm, and {top[1]} is at {top[0]:.3f} mm",
            remedy=f"stay below {top[0]:.3f} mm",
        )
    round_mm = math.pi * bore_mm
    if new.bounds[2] - new.bounds[0] >= round_mm:
        raise GeometryError(f"{name} would meet itself round the bore", remedy="ask for less")
    for other_place, port in enumerate(after.ports):
        for other_number, other in enumerate(port.windows):
            if (other_place, other_number) == (place, number):
                continue
            was = before.ports[other_place].windows[other_number].outline
            for turns in (-1, 0, 1):
                if not _near(new, other.outline, turns * round_mm):
                    continue
                there, was_there = (translate(shape, turns * round_mm) for shape in (other.outline, was))
                if shapely.distance(new, there) > LEAST_MM:
                    continue
                more = shapely.intersection(new, there).area - shapely.intersection(old, was_there).area
                if more > SPECK_MM2 or shapely.distance(old, was_there) > LEAST_MM:
                    raise GeometryError(
                        f"{name} would meet window {other_number} of port {port.id}: the metal between them,"
                        f" {shapely.distance(old, was_there):.2f} mm, must stay",
                        remedy="ask for less there",
                    )


def _near(first: Polygon, second: Polygon, shift_mm: float) -> bool:
    """Return whether the boxes round two outlines touch, the second one moved along the wall."""
    one, other = first.bounds, second.bounds
    beside = max(other[0] + shift_mm - one[2], one[0] - other[2] - shift_mm)
    return bool(max(beside, other[1] - one[3], one[1] - other[3]) <= LEAST_MM)
