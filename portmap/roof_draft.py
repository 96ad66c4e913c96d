"""What somebody typed of a port's edge, made into edits.

The texts come from a command line or a form. One wish sets the height of the timing edge (the roof, or the
floor where the skirt opens the port); a lower floor and wider sides may stand beside it and become edits of
their own, in that order, each made on what the one before it left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from portmap.engine import Engine
from portmap.errors import GeometryError, JobError, Notice, PortmapError
from portmap.job_faults import nearest, quoted
from portmap.port import Port, PortMap, floor_of, roof_of
from portmap.quantity import angle_deg, length_mm
from portmap.roof import edited_map
from portmap.roof_edit import Family, RoofEdit
from portmap.roof_typed import area_at_of, time_area_of, width_of, window_numbers
from portmap.roof_wish import RoofWish, timing_edge, wall_top, wished_edit
from portmap.volume import swept_volume_cm3
from portmap.window import AreaKind

__all__ = ["TypedRoof", "WishName", "drafted_edit", "typed_edits", "typed_wish"]

WishName = Literal["opens", "raise", "height", "time-area", "blowdown-time-area", "area-at"]

OPTIONS = {
    "rise_mm": "--rise",
    "radius_mm": "--radius",
    "drop_mm": "--drop",
    "step_mm": "--step",
    "windows": "--window",
    "width_mm": "--width",
    "as_one": "--as-one",
    "family": "--shape",
}
SAME_MM = 1e-3
FIGURES = ("height_mm", "by_mm", "opens", "raise")  # of which the option that was typed has its own name


@dataclass(frozen=True, kw_only=True, slots=True)
class TypedRoof:
    """Texts as they were typed; None where nothing was.

    Parameters
    ----------
    port : str
    windows : tuple of str, optional
        Numbers; empty for all.
    shape : {'moved', 'flat', 'arched', 'blended'}, optional
    rise, radius, drop, step : str or None, optional
        Lengths of the shape.
    wish : (str, str) or None, optional
        Which wish sets the height, and its text.
    floor : str or None, optional
        How far the floor goes down.
    width : str or None, optional
        Of wider sides.
    as_one : bool or None, optional
        None: as one for an exhaust of several windows.
    """

    port: str
    windows: tuple[str, ...] = ()
    shape: Family = "moved"
    rise: str | None = None
    radius: str | None = None
    drop: str | None = None
    step: str | None = None
    wish: tuple[WishName, str] | None = None
    floor: str | None = None
    width: str | None = None
    as_one: bool | None = None


def _port(port_map: PortMap, name: str) -> Port:
    ids = [port.id for port in port_map.ports]
    if name not in ids:
        near = nearest(name, ids)
        raise JobError(
            f"the map has no port {quoted(name)}",
            where="--port",
            remedy=f"did you mean {near}?" if near else f"it has {', '.join(ids) or 'none'}",
        )
    return port_map.ports[ids.index(name)]


def _one(port: Port, numbers: tuple[int, ...], asked: bool | None) -> bool:
    several = len(numbers or port.windows) > 1
    return several and (port.kind == "exhaust" if asked is None else asked)


def drafted_edit(port_map: PortMap, typed: TypedRoof) -> RoofEdit:
    """Return an edit of a port's timing edge whose height is still to be found.

    Parameters
    ----------
    port_map : PortMap
    typed : TypedRoof

    Returns
    -------
    RoofEdit
        With the height that the edge has now.

    Raises
    ------
    JobError
        If the port is not there.
    GeometryError
        If what was typed of the shape does not go together.
    QuantityError
        If a text is no length.

    Examples
    --------
    >>> from portmap.port import Window, window_polygon
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39], [-14, 39]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> drafted_edit(stock, TypedRoof(port="e", shape="flat", radius="80 thou")).radius_mm
    2.032
    """
    port = _port(port_map, typed.port)
    edge = timing_edge(port)
    numbers = window_numbers(typed.windows, where="--window")
    sizes: dict[str, float] = {}
    for name, text in (("rise", typed.rise), ("radius", typed.radius), ("step", typed.step)):
        if text is not None:
            sizes[name] = length_mm(
                text, where=f"--{name}", sign="positive" if name == "step" else "not negative"
            )
    try:
        return RoofEdit(
            port=port.id,
            windows=numbers,
            edge=edge,
            family=typed.shape,
            height_mm=roof_of(port) if edge == "roof" else floor_of(port),
            rise_mm=sizes.get("rise", 0.0),
            radius_mm=sizes.get("radius", 0.0),
            drop_mm=0.0 if typed.drop is None else length_mm(typed.drop, where="--drop"),
            step_mm=sizes.get("step"),
            as_one=_one(port, numbers, typed.as_one) and typed.shape in ("arched", "blended"),
        )
    except GeometryError as error:
        raise _optioned(error) from None


def _optioned(error: PortmapError, option: str = "") -> PortmapError:
    """Return an error of an edit with the option at fault for its place."""
    place = OPTIONS.get(error.where, option if error.where in FIGURES else error.where)
    return type(error)(error.message, where=place, remedy=error.remedy)


def typed_wish(
    wish: tuple[WishName, str], engine: Engine, *, rpm: float, area: AreaKind
) -> tuple[RoofWish, str]:
    """Return what was typed of a height, in figures and in words.

    Parameters
    ----------
    wish : (str, str)
        Its name and its text.
    engine : Engine
    rpm : float
        For time-areas [rev/min].
    area : {'wall', 'chord', 'directed'}
        Which of the three areas is meant.

    Returns
    -------
    RoofWish
    str
        For the job.

    Raises
    ------
    QuantityError
        If the text cannot be read.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> typed_wish(("opens", "100 deg"), engine, rpm=9000, area="wall")[1]
    'opens 100 deg'
    """
    name, text = wish
    where, said = f"--{name}", f"{name} {' '.join(text.split())}"
    if name == "opens":
        return RoofWish(kind="opens", value=angle_deg(text, where=where)), said
    if name == "raise":
        return RoofWish(kind="by", value=length_mm(text, where=where, sign="positive")), said
    if name == "height":
        return RoofWish(kind="height", value=length_mm(text, where=where)), said
    if name == "area-at":
        angle, amount = area_at_of(text, where=where)
        found = RoofWish(kind="area at", value=amount, at_deg=angle, area=area)
        return found, f"{said}, {area} area"
    amount = time_area_of(text, swept_volume_cm3(engine), where=where)
    kind: Literal["time-area", "blowdown time-area"] = (
        "time-area" if name == "time-area" else "blowdown time-area"
    )
    return RoofWish(kind=kind, value=amount, rpm=rpm, area=area), f"{said} at {rpm:g} rpm, {area} area"


def _opened_before(port: Port, edit: RoofEdit, asked: str) -> list[Notice]:
    """Return a word for a port that opens earlier than asked, by a window that was not named."""
    height = edit.height_mm or 0.0
    ahead = roof_of(port) - height if edit.edge == "roof" else height - floor_of(port)
    if ahead <= SAME_MM:
        return []
    message = (
        f"Port {port.id} opens before {asked.strip()}: another of its windows reaches {ahead:.2f} mm further."
    )
    return [Notice(code="other-window-opens-first", message=message)]


def typed_edits(
    engine: Engine, port_map: PortMap, typed: TypedRoof, *, rpm: float, area: AreaKind = "wall"
) -> tuple[tuple[RoofEdit, ...], tuple[Notice, ...]]:
    """Return the edits that were typed, in the order timing edge, floor, sides.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
        As it stands before them.
    typed : TypedRoof
    rpm : float
        For time-areas [rev/min].
    area : {'wall', 'chord', 'directed'}, optional
        Which of the three areas is meant.

    Returns
    -------
    tuple of RoofEdit
    tuple of Notice
        What there is to say of them.

    Raises
    ------
    PortmapError
        As `drafted_edit`, `typed_wish`, `wished_edit` and `edited_map`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.port import Window, window_polygon
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> shape = window_polygon([[-14, 28], [14, 28], [14, 39], [-14, 39]])
    >>> port = Port(id="e", kind="exhaust", control="crown", windows=(Window(outline=shape),))
    >>> stock = PortMap(stage="stock", ports=(port,))
    >>> typed = TypedRoof(port="e", wish=("opens", "100"), floor="20 thou")
    >>> edits, _ = typed_edits(engine, stock, typed, rpm=9000)
    >>> [(edit.edge, edit.wish) for edit in edits]
    [('roof', 'opens 100'), ('floor', 'floor down 20 thou')]
    """
    port = _port(port_map, typed.port)
    numbers = window_numbers(typed.windows, where="--window")
    made: list[RoofEdit] = []
    notices: list[Notice] = []
    now = port_map

    def add(edit: RoofEdit, option: str) -> None:
        nonlocal now
        try:
            now, said = edited_map(now, edit, engine.bore_mm, top=wall_top(engine))
        except GeometryError as error:
            raise _optioned(error, option) from None
        made.append(edit)
        notices.extend(said)

    if typed.wish is not None:
        draft, option = drafted_edit(port_map, typed), f"--{typed.wish[0]}"
        wish, words = typed_wish(typed.wish, engine, rpm=rpm, area=area)
        if wish.kind == "by" and draft.edge == "floor":
            draft = replace(draft, edge="roof")  # a raise is always a roof's
        try:
            found = wished_edit(engine, port_map, draft, wish)
        except GeometryError as error:
            raise _optioned(error, option) from None
        add(replace(found, wish=words), option)
        if wish.kind == "opens":
            notices += _opened_before(_port(now, port.id), made[-1], typed.wish[1])
    if typed.floor is not None:
        down = length_mm(typed.floor, where="--floor", sign="positive")
        words = f"floor down {' '.join(typed.floor.split())}"
        add(RoofEdit(port=port.id, windows=numbers, edge="floor", by_mm=down, wish=words), "--floor")
    if typed.width is not None:
        wider = RoofEdit(
            port=port.id,
            windows=numbers,
            edge="sides",
            width_mm=width_of(typed.width, engine.bore_mm, where="--width"),
            as_one=_one(port, numbers, typed.as_one),
            wish=f"width {' '.join(typed.width.split())}",
        )
        add(wider, "--width")
    return tuple(made), tuple(notices)
