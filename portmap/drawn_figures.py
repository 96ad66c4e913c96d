"""Every result of a build for many sets of its figures at once: timings, areas, angle-areas, ratios.

The figures (see `portmap.doubts`) come as an array of one row each and one column a draw; each result is an
array of one number a draw. Nothing loops over draws. The same code at one column gives the results
themselves, and at a few columns their differences for the first order.

An outline is moved and stretched with its port's roof and floor: each of its heights keeps its share of the
way from floor to roof. Its area is changed by the outlines' size alone.

Results are named as in JSON: ``exhaust:opens_deg``, ``blowdown_deg``, ``squish_mm``, ``trapped_ratio``,
``transfer_angle_area_mm2_deg``, ``exhaust_specific_s_per_m``. A result that a draw doesn't have (a port that
never opens in it) is NaN there. Cranking pressure is that of a gauge at sea level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.crank import depth_at
from portmap.cranking import cranking_gauge_pa
from portmap.doubts import EXPONENT, SIZE, Doubts, doubts_of, drawn_values, relative_area_u
from portmap.drawn_engine import DrawnEngine, drawn_depths, travels, uncovered_degrees
from portmap.height_nodes import port_nodes
from portmap.port import Port, PortEdges, wall_area
from portmap.profile import Profile, area_below
from portmap.ratio import compression_ratio, primary_ratio
from portmap.timearea import specific_time_area, time_area
from portmap.volume import bore_slice_cm3
from portmap.window import port_profiles

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = ["Bench", "bench_of", "figure_draws", "results_at"]

Floats = NDArray[np.float64]

BLOCK = 2000  # draws at a time, so that the arrays of a port's nodes stay in the processor's cache
BLOWDOWN_NODES = 12
PA_PER_BAR = 1e5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Bench:
    """A build prepared for many evaluations.

    Parameters
    ----------
    build : Build
    names : tuple of str
        The figures' names, in the order of their rows.
    nodes : mapping of str to (ndarray, ndarray)
        By port: heights [mm] and areas [mm²] that stand for its outlines; empty unless angle-areas are
        wanted.
    profiles : mapping of str to tuple of Profile
        By port: its windows, ready for look-up.
    areas : mapping of str to float
        By port: wall area [mm²].
    size_u : mapping of str to float
        By port: what one standard uncertainty of the outlines' size makes of its area [-].
    """

    build: Build
    names: tuple[str, ...]
    nodes: Mapping[str, tuple[Floats, Floats]]
    profiles: Mapping[str, tuple[Profile, ...]]
    areas: Mapping[str, float]
    size_u: Mapping[str, float]


def bench_of(build: Build, names: Sequence[str], *, areas: bool = True) -> Bench:
    """Return a build prepared for many evaluations.

    Parameters
    ----------
    build : Build
    names : sequence of str
        Of the figures, as `portmap.doubts` has them.
    areas : bool, optional
        Whether angle-areas will be wanted.

    Returns
    -------
    Bench

    Raises
    ------
    GeometryError
        As `port_profiles`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> bench_of(Build(engine=engine, edges=()), ["bore_mm"]).names
    ('bore_mm',)
    """
    ports = () if build.port_map is None else build.port_map.ports
    outlined = ports if areas else ()
    bore = build.engine.bore_mm
    return Bench(
        build=build,
        names=tuple(names),
        nodes={port.id: port_nodes(port, bore, _turning_mm(build, port)) for port in outlined},
        profiles={port.id: port_profiles(port, bore) for port in outlined},
        areas={port.id: wall_area(port) for port in ports},
        size_u={port.id: relative_area_u(port) for port in ports},
    )


def _turning_mm(build: Build, port: Port) -> list[float]:
    """Return the heights at which a controlling edge of the port stands at a dead centre."""
    engine = build.engine
    crown = engine.crown_height_mm - engine.base_gasket_mm
    edges = {"crown": [0.0], "none": []}.get(port.control)
    if port.control == "skirt" and engine.skirt_length_mm is not None:
        edges = [engine.skirt_length_mm]
    elif port.control == "pocket" and port.pocket is not None:
        edges = [port.pocket.top_below_crown_mm, port.pocket.bottom_below_crown_mm]
    crank = engine.crank
    bottom = float(travels(crank.stroke_mm, crank.rod_mm, crank.pin_offset_mm))
    return [crown - edge - depth for edge in edges or [] for depth in (0.0, bottom)]


def figure_draws(
    build: Build,
    *,
    count: int = 10_000,
    seed: int = 1,
    doubts: Doubts | None = None,
    areas: bool = True,
    rpm: float | None = None,
) -> dict[str, Floats]:
    """Return every result of a build with its figures drawn at random.

    Parameters
    ----------
    build : Build
    count : int, optional
        How many draws.
    seed : int, optional
        The same seed gives the same draws, so that two builds can be compared draw by draw.
    doubts : Doubts or None, optional
        Of the figures; None takes `doubts_of` the build.
    areas : bool, optional
        Whether angle-areas are wanted, which cost the most.
    rpm : float or None, optional
        A speed [rev/min], for time-areas.

    Returns
    -------
    dict of str to ndarray of shape (count,)
        By the results' names, each in the unit that its name ends in.

    Raises
    ------
    QuantityError
        If there are no draws, or the speed is not above 0.
    GeometryError
        As `bench_of`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4, roof_u_mm=0.05)
    >>> opens = figure_draws(Build(engine=engine, edges=(port,)))["e:opens_deg"]
    >>> float(np.mean((opens > 102.0) & (opens < 103.0))) > 0.9
    True
    """
    known = doubts_of(build) if doubts is None else doubts
    bench = bench_of(build, known.names, areas=areas)
    return results_at(bench, drawn_values(known, count, seed), areas=areas, rpm=rpm)


def results_at(
    bench: Bench, values: ArrayLike, *, areas: bool = True, rpm: float | None = None
) -> dict[str, Floats]:
    """Return every result for given sets of figures.

    Parameters
    ----------
    bench : Bench
    values : array_like of shape (N, M)
        One row for each of the bench's figures, one column for each set.
    areas : bool, optional
        Whether angle-areas are wanted; the bench must be prepared for them.
    rpm : float or None, optional
        A speed [rev/min], for time-areas.

    Returns
    -------
    dict of str to ndarray of shape (M,)
        As `figure_draws`.

    Raises
    ------
    QuantityError
        If the speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> port = PortEdges(id="e", kind="exhaust", control="crown", roof_mm=39.4)
    >>> bench = bench_of(Build(engine=engine, edges=(port,)), ["crown_height_mm"])
    >>> results_at(bench, [[61.0, 61.1]])["e:opens_deg"].round(2)
    array([102.48, 102.88])
    """
    x = np.asarray(values, np.float64)
    blocks = [
        _block(bench, x[:, begin : begin + BLOCK], areas=areas, rpm=rpm)
        for begin in range(0, x.shape[1], BLOCK)
    ]
    return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def _block(bench: Bench, x: Floats, *, areas: bool, rpm: float | None) -> dict[str, Floats]:
    build, engine = bench.build, bench.build.engine
    rows: dict[str, Floats] = dict(zip(bench.names, x, strict=True))
    count = x.shape[1]

    def row(name: str, usual: float | None) -> Floats | None:
        if name in rows:
            return rows[name]
        return None if usual is None else np.full(count, usual)

    def sure(name: str, usual: float) -> Floats:
        found = row(name, usual)
        return np.full(count, usual) if found is None else found

    stroke = sure("stroke_mm", engine.crank.stroke_mm)
    rod = sure("rod_mm", engine.crank.rod_mm)
    offset = sure("pin_offset_mm", engine.crank.pin_offset_mm)
    crown = sure("crown_height_mm", engine.crown_height_mm) - sure("base_gasket_mm", engine.base_gasket_mm)
    drawn = DrawnEngine(
        rows=rows,
        bore=sure("bore_mm", engine.bore_mm),
        stroke=stroke,
        rod=rod,
        offset=offset,
        crown=crown,
        skirt=row("skirt_length_mm", engine.skirt_length_mm),
        bottom=travels(stroke, rod, offset),
    )
    found: dict[str, Floats] = {}
    exhaust: list[Floats] = []
    transfer: list[Floats] = []
    for edges in build.edges:
        opens = _timing(found, edges, drawn)
        if opens is not None and edges.kind == "exhaust":
            exhaust.append(opens)
        elif opens is not None and edges.kind in ("transfer", "boost"):
            transfer.append(opens)
    begins = _first(exhaust)
    ends = _first(transfer)
    if begins is not None and ends is not None:
        found["blowdown_deg"] = ends - begins
    band = row("squish_band_height_mm", engine.squish_band_height_mm)
    if band is not None:
        found["squish_mm"] = band - crown
    swept = bore_slice_cm3(drawn.bore, drawn.bottom)
    found["swept_volume_cm3"] = swept
    _ratios(
        found,
        drawn,
        swept,
        head=row("head_volume_cm3", engine.head_volume_cm3),
        case=row("case_volume_cm3", engine.case_volume_cm3),
        closing=_exhaust_depth(build.edges, drawn),
    )
    _wall_areas(found, bench, drawn)
    if areas:
        spans = _angle_areas(bench, drawn, begins, ends)
        found |= {f"{name}_angle_area_mm2_deg": amount for name, amount in spans.items()}
        if rpm is not None:
            # the swept volume is drawn too, so it divides draw by draw
            for name, amount in spans.items():
                found[f"{name}_specific_s_per_m"] = specific_time_area(time_area(amount, rpm), 1.0) / swept
    return found


def _timing(found: dict[str, Floats], edges: PortEdges, drawn: DrawnEngine) -> Floats | None:
    """Put a port's depths and degrees among the results; return when it first opens, as `edge_timing`."""
    for end, usual in (("roof", edges.roof_mm), ("floor", edges.floor_mm)):
        if usual is not None:
            height = drawn.rows.get(f"{end}_mm:{edges.id}", np.asarray(usual))
            found[f"{edges.id}:{end}_depth_mm"] = drawn.crown - height
    depths = drawn_depths(edges, drawn)
    if depths is None:
        return None
    low, high = depths
    never = (low >= drawn.bottom) | (high <= 0) | (low >= high)
    always = (low < 0) & (high > drawn.bottom)
    below = (high < drawn.bottom) & (low <= 0)  # open through TDC
    opens = np.where(below, drawn.angle(high, rising=True), drawn.angle(low))
    closes = np.where(
        below | (high < drawn.bottom), drawn.angle(high), drawn.angle(low, rising=True)
    )  # of a pocket that opens twice, the first
    idle = never | always
    opens, closes = np.where(idle, np.nan, opens), np.where(idle, np.nan, closes)
    lasts = drawn.degrees_short_of(high) - drawn.degrees_short_of(low)
    found[f"{edges.id}:opens_deg"] = opens
    found[f"{edges.id}:closes_deg"] = closes
    found[f"{edges.id}:duration_deg"] = np.where(never, 0.0, lasts)
    return opens


def _first(opens: list[Floats]) -> Floats | None:
    return np.fmin.reduce(opens) if opens else None


def _exhaust_depth(ports: Sequence[PortEdges], drawn: DrawnEngine) -> Floats | None:
    """Return the depth at which the rising crown closes the last exhaust."""
    roofs = [
        drawn_depths(port, drawn) for port in ports if port.kind == "exhaust" and port.control == "crown"
    ]
    known = [depths[0] for depths in roofs if depths is not None]
    if not known:
        return None
    depth = np.minimum.reduce(known)
    return np.where((depth > 0) & (depth < drawn.bottom), depth, np.nan)


def _ratios(
    found: dict[str, Floats],
    drawn: DrawnEngine,
    swept: Floats,
    *,
    head: Floats | None,
    case: Floats | None,
    closing: Floats | None,
) -> None:
    if head is not None:
        found["head_volume_cm3"] = head
        found["geometric_ratio"] = compression_ratio(drawn.bore, head, drawn.bottom)
        if closing is not None:
            trapped = compression_ratio(drawn.bore, head, closing)
            found["trapped_ratio"] = trapped
            exponent = drawn.rows.get(EXPONENT)
            if exponent is not None:
                found["cranking_bar"] = cranking_gauge_pa(trapped, exponent) / PA_PER_BAR
    if case is not None:
        found["case_ratio"] = primary_ratio(case, swept)


def _stretch(bench: Bench, port_id: str, drawn: DrawnEngine) -> Floats:
    """Return what a port's area is multiplied by."""
    size = drawn.rows.get(SIZE)
    return np.ones(drawn.crown.shape) if size is None else 1.0 + size * bench.size_u[port_id]


def _wall_areas(found: dict[str, Floats], bench: Bench, drawn: DrawnEngine) -> None:
    for port_id, area in bench.areas.items():
        found[f"{port_id}:wall_area_mm2"] = area * _stretch(bench, port_id, drawn)


def _ends(edges: PortEdges, drawn: DrawnEngine) -> tuple[Floats, Floats] | None:
    """Return what an outline's height is moved to: at its floor, and for each mm above that."""
    if edges.roof_mm is None or edges.floor_mm is None:
        return None
    roof = drawn.rows.get(f"roof_mm:{edges.id}", np.asarray(edges.roof_mm))
    floor = drawn.rows.get(f"floor_mm:{edges.id}", np.asarray(edges.floor_mm))
    return np.asarray(floor), np.asarray((roof - floor) / (edges.roof_mm - edges.floor_mm))


def _angle_areas(
    bench: Bench, drawn: DrawnEngine, begins: Floats | None, ends: Floats | None
) -> dict[str, Floats]:
    """Return the wall angle-area of each span that `map_spans` knows."""
    ports = () if bench.build.port_map is None else bench.build.port_map.ports
    edges = {port.id: port for port in bench.build.edges}
    totals: dict[str, Floats] = {}
    blowdown: list[Floats] = []
    for port in ports:
        kind = {"exhaust": "exhaust", "transfer": "transfer", "boost": "transfer", "intake": "intake"}.get(
            port.kind
        )
        moved = _ends(edges[port.id], drawn) if port.id in edges else None
        if kind is None or moved is None:
            continue
        floor, per_mm = moved
        heights, masses = bench.nodes[port.id]
        above = heights - float(edges[port.id].floor_mm or 0.0)
        y = floor + above[:, None] * per_mm
        degrees = uncovered_degrees(port, drawn.crown - y, drawn)
        if degrees is None:
            continue
        stretch = _stretch(bench, port.id, drawn)
        totals[kind] = totals.get(kind, 0.0) + stretch * (masses @ degrees)
        if kind == "exhaust" and begins is not None and ends is not None and port.control == "crown":
            blowdown.append(
                stretch * _early_mm2_deg(bench.profiles[port.id], edges[port.id], drawn, moved, ends)
            )
    if blowdown and begins is not None and ends is not None:
        totals["blowdown"] = np.where(ends > begins, np.sum(blowdown, axis=0), np.nan)
    return totals


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(BLOWDOWN_NODES)


def _early_mm2_deg(
    profiles: tuple[Profile, ...],
    edges: PortEdges,
    drawn: DrawnEngine,
    moved: tuple[Floats, Floats],
    ends: Floats,
) -> Floats:
    """Return ∫ A dθ of an exhaust port from its opening to the first transfer's."""
    depths = drawn_depths(edges, drawn)
    if depths is None:
        return np.zeros(drawn.crown.shape)
    opens = drawn.angle(np.maximum(depths[0], 0.0))
    width = np.maximum(ends - opens, 0.0)  # NaN where either never opens
    angle = opens + width * (1 + _NODES[:, None]) / 2
    crown = drawn.crown - depth_at(drawn.stroke, drawn.rod, drawn.offset, angle)
    floor, per_mm = moved
    at = float(edges.floor_mm or 0.0) + (crown - floor) / per_mm  # on the outline as it was traced
    area = np.zeros(at.shape)
    for profile in profiles:
        area += profile.areas_mm2[-1] - area_below(profile, at)
    return np.asarray((_WEIGHTS @ area) * width / 2)
