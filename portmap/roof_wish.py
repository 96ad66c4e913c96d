"""From what a porter wishes of an edge to its height: degrees by the crank, areas by solving.

An opening is found in closed form. A time-area, a blowdown time-area or an area at a degree is found by a
bracketing search (Brent's) on the exact integrals, over every height from where the edge is to the top.

Glossary
--------
timing edge
    The edge of the window at which the piston opens it: the roof for a crown or pocket, the floor for a
    skirt.
top
    What no roof may reach: the deck, the squish band or the crown edge at TDC, whichever is lowest.
time-area
    Of the whole span to which the port belongs (`portmap.timearea`), as `portmap timearea` tells it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from portmap.crank import bdc_angle
from portmap.engine import Engine, crown_height_at, skirt_height_at
from portmap.errors import GeometryError, PortmapError
from portmap.port import Port, PortMap
from portmap.roof import edited_map
from portmap.roof_edit import Edge, RoofEdit
from portmap.timearea import angle_area, map_spans, time_area
from portmap.timing import exhaust_of, first_opening_deg, transfers_of
from portmap.window import AreaKind, opened_area

__all__ = ["RoofWish", "WishKind", "height_that_opens", "timing_edge", "wall_top", "wished_edit"]

WishKind = Literal["opens", "by", "height", "time-area", "blowdown time-area", "area at"]

START_MM = 1e-4  # from where the edge is: the least that a search asks for
HEIGHT_TOLERANCE_MM = 1e-9
BISECTIONS = 30

SPAN_OF = {"exhaust": "exhaust", "transfer": "transfer", "boost": "transfer", "intake": "intake"}


@dataclass(frozen=True, kw_only=True, slots=True)
class RoofWish:
    """What is wanted of an edge.

    Parameters
    ----------
    kind : {'opens', 'by', 'height', 'time-area', 'blowdown time-area', 'area at'}
    value : float
        Degrees after TDC [deg], a length [mm], a time-area [mm²·s] or an area [mm²].
    rpm : float, optional
        For time-areas [rev/min].
    at_deg : float, optional
        For an area: crank angle after true TDC [deg].
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas is meant.
    """

    kind: WishKind
    value: float
    rpm: float = 9000.0
    at_deg: float = math.nan
    area: AreaKind = "wall"


def timing_edge(port: Port) -> Edge:
    """Return the edge of a port at which the piston opens it.

    Parameters
    ----------
    port : Port

    Returns
    -------
    {'roof', 'floor'}

    Examples
    --------
    >>> timing_edge(Port(id="i", kind="intake", control="skirt", windows=()))
    'floor'
    """
    return "floor" if port.control == "skirt" else "roof"


def wall_top(engine: Engine) -> tuple[float, str]:
    """Return the height that no roof may reach.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    float
        Above the base face [mm].
    str
        What stands there.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> wall_top(Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61))
    (61.0, 'the crown edge at TDC')
    """
    found = [(float(crown_height_at(engine, 0.0)), "the crown edge at TDC")]
    if engine.squish_band_height_mm is not None:
        found.append((engine.squish_band_height_mm, "the squish band"))
    if engine.deck_height_mm is not None:
        found.append((engine.deck_height_mm, "the deck"))
    return min(found)


def height_that_opens(engine: Engine, port: Port, angle_deg: float) -> float:
    """Return where a port's timing edge must lie for the port to open at a crank angle.

    Parameters
    ----------
    engine : Engine
    port : Port
        Its control alone is looked at.
    angle_deg : float
        After true TDC [deg]. A port that the skirt opens does so before TDC: there a number below 180
        counts before TDC.

    Returns
    -------
    float
        Height above the base face [mm].

    Raises
    ------
    GeometryError
        If the angle is not on the stroke that opens the port, no piston edge opens it, or the skirt's
        length or the pocket is not known.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> round(height_that_opens(engine, Port(id="e", kind="exhaust", control="crown", windows=()), 100), 3)
    40.04
    """
    bottom = bdc_angle(engine.crank)
    if port.control == "none":
        raise GeometryError(
            "no piston edge opens this port", where=f"port {port.id}", remedy="state a height or a length"
        )
    if port.control == "skirt":
        after = 360.0 - angle_deg if angle_deg < 180 else angle_deg
        if not bottom < after < 360:
            raise GeometryError(
                f"{angle_deg:g}° is not on the piston's way up, on which the skirt opens a port",
                where="opens",
                remedy="give degrees before TDC, as in 74",
            )
        return float(skirt_height_at(engine, after))
    if not 0 < angle_deg < bottom:
        raise GeometryError(
            f"{angle_deg:g}° is not on the piston's way down, TDC 0° to BDC {bottom:.1f}°",
            where="opens",
            remedy="give degrees after TDC, as in 100",
        )
    height = float(crown_height_at(engine, angle_deg))
    if port.control == "pocket":
        if port.pocket is None:
            raise GeometryError(
                "the pocket's edges are not given", where=f"port {port.id}", remedy="measure them"
            )
        return height - port.pocket.bottom_below_crown_mm
    return height


def wished_edit(engine: Engine, port_map: PortMap, edit: RoofEdit, wish: RoofWish) -> RoofEdit:
    """Return an edit with the height, or the distance, that makes a wish come true.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
        As it stands before this edit.
    edit : RoofEdit
        Of a roof or floor; its height or distance is put in the place of the one it has.
    wish : RoofWish

    Returns
    -------
    RoofEdit

    Raises
    ------
    GeometryError
        As `edited_map`, or if the wish is out of reach: with the nearest that can be had, and why.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39], [-14, 39]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> draft = RoofEdit(port="e", family="flat", height_mm=39.0, radius_mm=2.0)
    >>> round(wished_edit(engine, stock, draft, RoofWish(kind="time-area", value=0.55)).height_mm, 3)
    39.384
    """
    port = _port(port_map, edit.port)
    if wish.kind == "opens":
        if timing_edge(port) != edit.edge:
            raise GeometryError(
                f"the {edit.edge} does not open port {port.id}: its {timing_edge(port)} does",
                where="opens",
                remedy=f"state the {edit.edge} by a height or a length",
            )
        return _at(edit, height_that_opens(engine, port, wish.value))
    if wish.kind == "height":
        return _at(edit, wish.value)
    if wish.kind == "by":
        if not wish.value > 0:
            raise GeometryError(
                f"by {wish.value:g} mm no metal is taken, and none can be put back",
                where="raise",
                remedy="give a length above 0",
            )
        if edit.family == "moved":
            return replace(edit, by_mm=wish.value, height_mm=None)
        return _at(edit, _edge_now(port, edit) + (wish.value if edit.edge == "roof" else -wish.value))
    return _at(edit, _solved_height(engine, port_map, port, edit, wish))


def _port(port_map: PortMap, name: str) -> Port:
    for port in port_map.ports:
        if port.id == name:
            return port
    have = ", ".join(port.id for port in port_map.ports) or "none"
    raise GeometryError(f"there is no port {name!r}", where="port", remedy=f"the map has {have}")


def _at(edit: RoofEdit, height_mm: float) -> RoofEdit:
    return replace(edit, by_mm=None, height_mm=height_mm)


def _edge_now(port: Port, edit: RoofEdit) -> float:
    chosen = edit.windows or range(len(port.windows))
    bounds = [port.windows[number].outline.bounds for number in chosen if number < len(port.windows)]
    if not bounds:
        raise GeometryError(
            f"port {port.id} has no window {edit.windows[0]}",
            where="windows",
            remedy=f"it has {len(port.windows)}, counted from 0",
        )
    if edit.edge == "roof":
        return max(float(bound[3]) for bound in bounds)
    return min(float(bound[1]) for bound in bounds)


def _solved_height(engine: Engine, port_map: PortMap, port: Port, edit: RoofEdit, wish: RoofWish) -> float:
    from scipy.optimize import brentq

    figure, words = _figure(engine, port_map, port, wish)
    top = wall_top(engine)
    now = _edge_now(port, edit)
    sense = 1.0 if edit.edge == "roof" else -1.0
    limit, why = (top[0], f"{top[1]}, {top[0]:.2f} mm") if edit.edge == "roof" else (0.0, "the base face")
    near, far = START_MM, sense * (limit - now) - START_MM
    if not far > near:
        raise GeometryError(f"the {edit.edge} lies at {why} already", where=f"port {port.id}")

    def made(way: float) -> PortMap:
        return edited_map(port_map, _at(edit, now + sense * way), engine.bore_mm, top=top)[0]

    first = figure(made(near))  # a shape that cannot be made at all says so here
    far, reason = _furthest(made, near, far)
    last = figure(made(far))
    if first == last:
        raise GeometryError(
            f"the figure, {first:.4g} {words}, does not change with this edge",
            where=f"port {port.id}",
            remedy="name another edge",
        )
    why = reason or f"just short of {why}"
    low, high = min(first, last), max(first, last)
    if not low <= wish.value <= high:
        own, text = figure(port_map), f"{wish.value:.4g} {words}"
        if (wish.value - first) * (last - first) > 0:
            nearest = f"the nearest is {last:.4g}, with the {edit.edge} at {now + sense * far:.2f} mm ({why})"
        elif abs(own - first) > 1e-3 * abs(first):
            nearest = (
                f"the nearest is {first:.4g}, as soon as this shape is cut with the {edit.edge} where it is"
                f" (it has {own:.4g} now)"
            )
        else:
            nearest = f"it has {own:.4g} with the {edit.edge} where it is, and metal cannot be put back"
        raise GeometryError(
            f"{text} is out of reach: {nearest}",
            where=f"port {port.id}",
            remedy="ask for that or nearer",
        )
    way = brentq(lambda way: figure(made(way)) - wish.value, near, far, xtol=HEIGHT_TOLERANCE_MM, rtol=1e-14)
    return now + sense * float(way)


def _furthest(made: Callable[[float], PortMap], near: float, far: float) -> tuple[float, str]:
    """Return the greatest distance at which the edit can be made, and what stops it there if not the end."""
    try:
        made(far)
    except PortmapError as error:
        reason = error.message
    else:
        return far, ""
    for _ in range(BISECTIONS):
        middle = (near + far) / 2
        try:
            made(middle)
        except PortmapError as error:
            far, reason = middle, error.message
        else:
            near = middle
    return near, reason


def _figure(
    engine: Engine, port_map: PortMap, port: Port, wish: RoofWish
) -> tuple[Callable[[PortMap], float], str]:
    """Return the figure wished for as a function of the map, and its name."""
    if wish.kind == "area at":

        def area_at(found: PortMap) -> float:
            return float(opened_area(engine, _port(found, port.id), wish.at_deg, area=wish.area))

        return area_at, f"mm² of opened {wish.area} area at {wish.at_deg:g}°"
    if wish.kind == "blowdown time-area":
        if not (exhaust_of(port_map) and transfers_of(port_map)):
            raise GeometryError(
                "a blowdown needs an exhaust and a transfer port", where="ports", remedy="name another wish"
            )

        def blowdown(found: PortMap) -> float:
            exhaust = exhaust_of(found)
            begins, ends = first_opening_deg(engine, exhaust), first_opening_deg(engine, transfers_of(found))
            if begins is None or ends is None or ends <= begins:
                return 0.0
            total = sum(angle_area(engine, one, begins, ends, area=wish.area) for one in exhaust)
            return float(time_area(total, wish.rpm))

        return blowdown, f"mm²·s of blowdown time-area at {wish.rpm:g} rpm"
    span = SPAN_OF.get(port.kind)
    if span is None:
        raise GeometryError(
            f"a port of kind {port.kind} belongs to no span, so it has no time-area to reach",
            where=f"port {port.id}",
            remedy="name another wish",
        )
    same = tuple(one for one in port_map.ports if SPAN_OF.get(one.kind) == span)
    names = {one.id for one in same}

    def spans(found: PortMap) -> float:
        part = replace(found, ports=tuple(one for one in found.ports if one.id in names))
        found_spans, _ = map_spans(engine, part, area=wish.area)
        return float(
            time_area(sum(one.angle_area_mm2_deg for one in found_spans if one.name == span), wish.rpm)
        )

    return spans, f"mm²·s of {span} time-area at {wish.rpm:g} rpm"
