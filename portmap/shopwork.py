"""What a workshop's work does to a cylinder and its piston: pure functions of what stands on the bench.

The frame is that of the design: y above the base face, H the crown edge above the case deck at TDC, g the
base gasket. A height y lies at depth d = H − g − y below the crown edge at TDC. The skirt edge lies L below
the crown edge; a skirt-controlled port is open while the piston's depth is below H − g − L − floor.

What each piece of work does, every change being linear in its amount (V is the head volume, A the bore's
area, A_b the squish band's):

==================  ==============================================================================
base_gasket t       g becomes t; V += A·(t − g)
sealant t           the same, with the film that it leaves
cut_base b          all heights of the casting −b (roofs, floors, squish band, deck), flange −b; V −= A·b
cut_crown c         H, L, pockets, rings, crown thickness −c; V += A·c, over A_b alone where a dome stands
cut_rim c           the same, and a dome is left standing inside the band: V += A_b·c
cut_band d          squish band +d; V += A_b·d
trim_skirt s        L −s
grind_roof r        the port's roof +r, each of its windows swept up
grind_floor f       the port's floor −f, each of its windows swept down
file_pocket_top a   the pocket's upper edge a nearer to the crown edge
file_pocket_bottom  the pocket's lower edge further from it
==================  ==============================================================================

The case volume is left as it is: beneath the piston nothing moves, and what a skirt loses is too little to
tell.

Glossary
--------
build
    An engine and its ports as they stand on the bench, with the work done so far.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from portmap.engine import Engine
from portmap.errors import GeometryError, PortmapError
from portmap.grinding import ground_port, lowered_port
from portmap.operation import Operation, kind_of, operation_text
from portmap.port import Pocket, Port, PortEdges, PortMap

if TYPE_CHECKING:
    from portmap.job import Job

__all__ = ["Build", "after", "build_of", "nudged", "rim_area_mm2"]

MM3_PER_CM3 = 1000.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Build:
    """What stands on the bench.

    Parameters
    ----------
    engine : Engine
    edges : tuple of PortEdges
        Heights of every port that is known.
    port_map : PortMap or None, optional
        Outlines, where they are known.
    done : tuple of Operation, optional
        The work done so far, first things first.
    """

    engine: Engine
    edges: tuple[PortEdges, ...]
    port_map: PortMap | None = None
    done: tuple[Operation, ...] = ()


def build_of(job: Job, stage: str | None = None) -> Build:
    """Return what stands on the bench according to a job.

    Parameters
    ----------
    job : Job
    stage : str or None, optional
        Which of its maps; the stock one unless told.

    Returns
    -------
    Build
        No work done.

    Raises
    ------
    JobError
        If a stage is asked for and the job has no such map.

    Examples
    --------
    >>> from portmap.job import job_of
    >>> job = job_of({"format": "portmap-job", "version": 1, "name": "saw", "maps": [],
    ...               "engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61},
    ...               "edges": [{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 39.4}]})
    >>> build_of(job).edges[0].roof_mm
    39.4
    """
    from portmap.job import engine_of, port_edges_of, port_map_of  # pydantic is slow to load

    known = job.maps or stage is not None
    return Build(
        engine=engine_of(job),
        edges=port_edges_of(job, stage),
        port_map=port_map_of(job, stage) if known else None,
    )


def after(build: Build, *operations: Operation) -> Build:
    """Return what stands on the bench after some work, one piece after the other.

    Parameters
    ----------
    build : Build
        It is left as it is.
    *operations : Operation
        In working order.

    Returns
    -------
    Build

    Raises
    ------
    GeometryError
        If a port is not there, a figure that the work needs is not known, or more is taken off than there
        is.

    Notes
    -----
    Grinding a roof or floor takes the same off every window of the port. `cut_crown` and `cut_rim` differ
    in what they leave: on a crown that was level, a step cut first makes a dome of the middle, which a
    later `cut_crown` leaves standing. A rim is cut parallel to what it was, so that the head volume gains
    the band's area times the depth; the crown's thickness counts at its thinnest, so it loses the depth even
    where the middle stays.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.operation import parse_operation
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 base_gasket_mm=0.4, squish_band_height_mm=61.2)
    >>> build = Build(engine=engine, edges=(PortEdges(id="e", kind="exhaust", control="crown", roof_mm=40),))
    >>> now = after(build, parse_operation("base_gasket 0"), parse_operation("cut_base 0.5 mm"))
    >>> now.engine.base_gasket_mm, now.edges[0].roof_mm, now.engine.squish_band_height_mm
    (0.0, 39.5, 60.7)
    """
    for operation in operations:
        try:
            build = _worked(build, operation.operation, operation.amount_mm, operation.port)
        except PortmapError as error:
            raise error.at(operation_text(operation)) from None
        build = replace(build, done=(*build.done, operation))
    return build


def nudged(build: Build, name: str, step_mm: float, port: str | None = None) -> Build:
    """Return the build with a small step of work, which may be below 0, for a derivative.

    Parameters
    ----------
    build : Build
    name : str
        The kind of work.
    step_mm : float
        [mm]; for a gasket the change of its thickness.
    port : str or None, optional
        As in `Operation`.

    Returns
    -------
    Build
        With no outlines: material that was taken cannot be put back.

    Raises
    ------
    GeometryError
        As `after`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> nudged(Build(engine=engine, edges=()), "cut_crown", -0.5).engine.crown_height_mm
    61.5
    """
    amount = build.engine.base_gasket_mm + step_mm if kind_of(name).sets else step_mm
    return _worked(replace(build, port_map=None), name, amount, port)


def rim_area_mm2(engine: Engine) -> tuple[float, str | None]:
    """Return the area of the squish band, and what is assumed of it.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    area_mm2 : float
        Of the ring from the bore's wall inward [mm²]; half the bore's where nobody measured the width.
    assumed : str or None
        In plain words, if it was not measured.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> area, assumed = rim_area_mm2(Engine(bore_mm=46, crank=crank, crown_height_mm=61))
    >>> round(area, 1), assumed
    (831.0, 'squish band 6.74 mm wide, half the area of the bore')
    """
    inner, assumed = _rim_radius_mm(engine)
    return math.pi * (engine.bore_mm**2 / 4 - inner**2), assumed


def _rim_radius_mm(engine: Engine) -> tuple[float, str | None]:
    """Return the radius at which the squish band begins [mm], and what is assumed of it."""
    outer = engine.bore_mm / 2
    if engine.squish_band_width_mm is not None:
        return max(outer - engine.squish_band_width_mm, 0.0), None
    inner = outer * math.sqrt(0.5)
    return inner, f"squish band {outer - inner:.3g} mm wide, half the area of the bore"


def _worked(build: Build, name: str, amount_mm: float, port: str | None) -> Build:
    kind = kind_of(name)
    if kind.takes_port and not any(edges.id == port for edges in build.edges):
        names = [edges.id for edges in build.edges]
        near = difflib.get_close_matches(port or "", names, n=1)
        listed = f"the ports are {', '.join(names)}" if names else "no port is known: trace or read one"
        raise GeometryError(
            f"there is no port {_quoted(port or '')}", remedy=f"did you mean {near[0]}?" if near else listed
        )
    return _WORK[name](build, amount_mm, port)


def _with_gasket(build: Build, thickness_mm: float, port: str | None) -> Build:
    engine = build.engine
    lift_mm = thickness_mm - engine.base_gasket_mm
    return replace(
        build, engine=_resized(engine, _bore_area(engine) * lift_mm, {"base_gasket_mm": thickness_mm})
    )


def _with_base_cut(build: Build, cut_mm: float, port: str | None) -> Build:
    engine = build.engine
    casting = ("squish_band_height_mm", "deck_height_mm", "base_flange_mm")
    heights = {name: _less(getattr(engine, name), cut_mm) for name in casting}
    edges = tuple(
        replace(edge, roof_mm=_less(edge.roof_mm, cut_mm), floor_mm=_less(edge.floor_mm, cut_mm))
        for edge in build.edges
    )
    build = replace(build, engine=_resized(engine, -_bore_area(engine) * cut_mm, heights), edges=edges)
    return _with_ports(build, lambda mapped: lowered_port(mapped, cut_mm))


def _with_crown_cut(build: Build, cut_mm: float, port: str | None) -> Build:
    engine = build.engine
    if any(height != 0 for _, height in engine.piston.crown_profile_mm):
        return _with_rim_cut(build, cut_mm, port)
    return _with_lower_crown(build, cut_mm, _bore_area(engine), _level_words(engine))


def _with_rim_cut(build: Build, cut_mm: float, port: str | None) -> Build:
    engine = build.engine
    area, assumed = rim_area_mm2(engine)
    profile = _stepped_profile(engine, cut_mm)
    words = (*_level_words(engine), *([assumed] if assumed else []))
    lower = _with_lower_crown(build, cut_mm, area, words)
    piston = replace(lower.engine.piston, crown_profile_mm=profile)
    return replace(lower, engine=replace(lower.engine, piston=piston))


def _level_words(engine: Engine) -> tuple[str, ...]:
    """Return what is taken for granted of a crown whose profile nobody measured."""
    return () if engine.piston.crown_profile_mm else ("crown taken as level",)


def _with_lower_crown(build: Build, cut_mm: float, area_mm2: float, assumed: tuple[str, ...]) -> Build:
    """Return the build with the crown edge and all that is measured from it `cut_mm` nearer to each other."""
    engine = build.engine
    piston = replace(
        engine.piston,
        crown_thickness_mm=_less(engine.piston.crown_thickness_mm, cut_mm),
        ring_below_crown_mm=_less(engine.piston.ring_below_crown_mm, cut_mm),
        lowest_ring_below_crown_mm=_less(engine.piston.lowest_ring_below_crown_mm, cut_mm),
        exhaust_skirt_length_mm=_less(engine.piston.exhaust_skirt_length_mm, cut_mm),
    )
    engine = _resized(
        engine,
        area_mm2 * cut_mm,
        {
            "crown_height_mm": engine.crown_height_mm - cut_mm,
            "skirt_length_mm": _less(engine.skirt_length_mm, cut_mm),
        },
        assumed,
    )
    build = replace(build, engine=replace(engine, piston=piston))
    return _with_pockets(build, None, -cut_mm, -cut_mm)


def _with_band_cut(build: Build, cut_mm: float, port: str | None) -> Build:
    engine = build.engine
    area, assumed = rim_area_mm2(engine)
    words = () if assumed is None else (assumed,)
    height = _less(engine.squish_band_height_mm, -cut_mm)
    return replace(build, engine=_resized(engine, area * cut_mm, {"squish_band_height_mm": height}, words))


def _with_skirt_trimmed(build: Build, cut_mm: float, port: str | None) -> Build:
    engine = build.engine
    if engine.skirt_length_mm is None:
        raise GeometryError(
            "the skirt's length is not known",
            remedy="measure from the crown edge to the skirt edge on the intake side",
        )
    return replace(build, engine=_resized(engine, 0.0, {"skirt_length_mm": engine.skirt_length_mm - cut_mm}))


def _with_roof_ground(build: Build, cut_mm: float, port: str | None) -> Build:
    return _with_edge_ground(build, cut_mm, port, "roof_mm")


def _with_floor_ground(build: Build, cut_mm: float, port: str | None) -> Build:
    return _with_edge_ground(build, -cut_mm, port, "floor_mm")


def _with_edge_ground(build: Build, up_mm: float, port: str | None, edge: str) -> Build:
    edges = []
    for known in build.edges:
        if known.id == port:
            height = getattr(known, edge)
            if height is None:
                word = edge.removesuffix("_mm")
                raise GeometryError(
                    f"the height of its {word} is not known", remedy=f"read it: portmap read, {word} height"
                )
            known = replace(known, **{edge: height + up_mm})
        edges.append(known)
    build = replace(build, edges=tuple(edges))
    return _with_ports(build, lambda mapped: ground_port(mapped, up_mm) if mapped.id == port else mapped)


def _with_pocket_top_filed(build: Build, cut_mm: float, port: str | None) -> Build:
    return _with_pockets(build, port, -cut_mm, 0.0)


def _with_pocket_bottom_filed(build: Build, cut_mm: float, port: str | None) -> Build:
    return _with_pockets(build, port, 0.0, cut_mm)


def _with_pockets(build: Build, port: str | None, top_mm: float, bottom_mm: float) -> Build:
    """Return the build with the edges of one port's pocket, or of all pockets, moved away from the crown."""

    def moved(pocket: Pocket | None) -> Pocket | None:
        if pocket is None:
            return None
        top = pocket.top_below_crown_mm + top_mm
        if not top >= 0:
            raise GeometryError(
                f"it goes {-top:.3g} mm past the crown edge: the pocket's upper edge was"
                f" {pocket.top_below_crown_mm:g} mm below it",
                remedy="take less",
            )
        return Pocket(top_below_crown_mm=top, bottom_below_crown_mm=pocket.bottom_below_crown_mm + bottom_mm)

    if port is not None and all(edges.pocket is None for edges in build.edges if edges.id == port):
        raise GeometryError(
            f"port {port} has no pocket whose edges are known",
            remedy="give the depths of the pocket's upper and lower edge below the crown",
        )
    edges = tuple(
        replace(known, pocket=moved(known.pocket)) if port in (None, known.id) else known
        for known in build.edges
    )
    port_map = build.port_map
    if port_map is not None:
        ports = tuple(
            replace(known, pocket=moved(known.pocket)) if port in (None, known.id) else known
            for known in port_map.ports
        )
        port_map = replace(port_map, ports=ports)
    return replace(build, edges=edges, port_map=port_map)


def _with_ports(build: Build, change: Callable[[Port], Port]) -> Build:
    """Return the build with its outlines changed; what was measured becomes what is proposed."""
    if build.port_map is None:
        return build
    ports = tuple(change(port) for port in build.port_map.ports)
    return replace(build, port_map=PortMap(stage="proposed", ports=ports))


def _resized(
    engine: Engine, gained_mm3: float, sizes: Mapping[str, float | None], assumed: tuple[str, ...] = ()
) -> Engine:
    """Return the engine with new sizes and a head volume that gained something."""
    volume = engine.head_volume_cm3
    if volume is not None:
        sizes = {**sizes, "head_volume_cm3": volume + gained_mm3 / MM3_PER_CM3}
    words = engine.assumed
    if volume is not None:
        words = tuple(dict.fromkeys((*words, *assumed)))
    for name, size in sizes.items():
        if size is not None and not (size >= 0 if name == "base_gasket_mm" else size > 0):
            what = "head volume" if name == "head_volume_cm3" else name.removesuffix("_mm").replace("_", " ")
            raise GeometryError(
                f"more is taken off than there is: the {what} was {getattr(engine, name):g}",
                remedy="take less",
            )
    return replace(engine, assumed=words, **sizes)  # type: ignore[arg-type]


def _stepped_profile(engine: Engine, cut_mm: float) -> tuple[tuple[float, float], ...]:
    """Return the crown's profile from its new, lower edge, what lies inside the band left standing."""
    inner, _ = _rim_radius_mm(engine)
    profile = engine.piston.crown_profile_mm or ((0.0, 0.0), (engine.bore_mm / 2, 0.0))
    radii, heights = (np.array(part) for part in zip(*profile, strict=True))
    at = [height for radius, height in profile if radius == inner]
    if not at:
        at = [float(np.interp(inner, radii, heights))]
    inside = [(radius, height + cut_mm) for radius, height in profile if radius < inner]
    outside = [(radius, height) for radius, height in profile if radius > inner]
    return (*inside, (inner, at[0] + cut_mm), (inner, at[-1]), *outside)


def _bore_area(engine: Engine) -> float:
    return math.pi * engine.bore_mm**2 / 4


def _less(size_mm: float | None, cut_mm: float) -> float | None:
    return None if size_mm is None else size_mm - cut_mm


def _quoted(text: str) -> str:
    return repr(text if len(text) <= 60 else f"{text[:57]}...")


_WORK: dict[str, Callable[[Build, float, str | None], Build]] = {
    "base_gasket": _with_gasket,
    "sealant": _with_gasket,
    "cut_base": _with_base_cut,
    "cut_crown": _with_crown_cut,
    "cut_rim": _with_rim_cut,
    "cut_band": _with_band_cut,
    "trim_skirt": _with_skirt_trimmed,
    "grind_roof": _with_roof_ground,
    "grind_floor": _with_floor_ground,
    "file_pocket_top": _with_pocket_top_filed,
    "file_pocket_bottom": _with_pocket_bottom_filed,
}
