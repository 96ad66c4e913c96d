"""The quantities that limits of work bound, in mm, at each place where they apply.

Each is a function of the build before the work and of the one after it, and yields places (a port's id, two
windows, or nothing for engine and cylinder) with the quantity there, None where nobody measured a part of it.
Frame and letters are those of `portmap.shopwork`. All but the metal between windows change in proportion to
the work.

Glossary
--------
hidden
    What of a window the piston still covers at BDC.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping

from shapely import Polygon
from shapely.affinity import translate

from portmap.crank import travel
from portmap.engine import Engine, depth_below_crown
from portmap.shopwork import Build

__all__ = ["LIMITED", "Quantity"]

Values = Iterator[tuple[str, float | None]]
Quantity = Callable[[Build, Build], Values]


def _of_engine(field: str) -> Quantity:
    def values(start: Build, now: Build) -> Values:
        size: float | None = getattr(now.engine, field)
        yield "", size

    return values


def _of_piston(field: str) -> Quantity:
    def values(start: Build, now: Build) -> Values:
        size: float | None = getattr(now.engine.piston, field)
        yield "", size

    return values


def _squish(start: Build, now: Build) -> Values:
    band = now.engine.squish_band_height_mm
    yield "", None if band is None else band - (now.engine.crown_height_mm - now.engine.base_gasket_mm)


def _roof_below_crown(start: Build, now: Build) -> Values:
    for edge in now.edges:
        if edge.control in ("crown", "skirt"):
            yield edge.id, _depth(now.engine, edge.roof_mm)


def _hidden_at_bdc(start: Build, now: Build) -> Values:
    bottom = travel(now.engine.crank)
    for edge in now.edges:
        if edge.control == "crown":
            depth = _depth(now.engine, edge.floor_mm)
            yield edge.id, None if depth is None else depth - bottom


def _floor_above_base(start: Build, now: Build) -> Values:
    for edge in now.edges:
        yield edge.id, edge.floor_mm


def _exhaust_covered(start: Build, now: Build) -> Values:
    # a transfer under the skirt only joins the case to a passage that it is joined to anyway
    skirt = now.engine.piston.exhaust_skirt_length_mm
    for edge in now.edges:
        if edge.kind == "exhaust":
            depth = _depth(now.engine, edge.floor_mm)
            yield edge.id, None if depth is None or skirt is None else skirt - depth


def _ring_above_intake(start: Build, now: Build) -> Values:
    ring, bottom = now.engine.piston.lowest_ring_below_crown_mm, travel(now.engine.crank)
    for edge in now.edges:
        if edge.control == "skirt":
            depth = _depth(now.engine, edge.roof_mm)
            yield edge.id, None if depth is None or ring is None else depth - bottom - ring


def _pocket_land(start: Build, now: Build) -> Values:
    ring = now.engine.piston.lowest_ring_below_crown_mm
    for edge in now.edges:
        if edge.pocket is not None:
            yield edge.id, None if ring is None else edge.pocket.top_below_crown_mm - ring


def _pocket_above_skirt(start: Build, now: Build) -> Values:
    skirt = now.engine.skirt_length_mm
    for edge in now.edges:
        if edge.pocket is not None:
            yield edge.id, None if skirt is None else skirt - edge.pocket.bottom_below_crown_mm


def _bridge(start: Build, now: Build) -> Values:
    if now.port_map is None:
        return
    round_mm = math.pi * now.engine.bore_mm
    windows = [(port.id, window.outline) for port in now.port_map.ports for window in port.windows]
    least: dict[str, float] = {}
    for (name, shape), (other, other_shape) in itertools.combinations(windows, 2):
        pair = name if name == other else f"{name} and {other}"
        images = [translate(other_shape, turn * round_mm, 0.0) for turn in (-1, 0, 1)]
        for image in sorted(images, key=lambda image: _box_gap(shape, image)):
            if _box_gap(shape, image) >= least.get(pair, math.inf):
                break  # the windows are further apart than the boxes around them
            least[pair] = min(float(shape.distance(image)), least.get(pair, math.inf))
    yield from least.items()


def _box_gap(first: Polygon, second: Polygon) -> float:
    """Return the distance of the upright boxes around two shapes."""
    left, floor, right, roof = first.bounds
    other_left, other_floor, other_right, other_roof = second.bounds
    across = max(other_left - right, left - other_right, 0.0)
    along = max(other_floor - roof, floor - other_roof, 0.0)
    return math.hypot(across, along)


def _skirt_dip(start: Build, now: Build) -> Values:
    skirt, engine = now.engine.skirt_length_mm, now.engine
    yield "", None if skirt is None else skirt + travel(engine.crank) - engine.crown_height_mm


def _cylinder_lowered(start: Build, now: Build) -> Values:
    thinner = start.engine.base_gasket_mm - now.engine.base_gasket_mm
    yield "", thinner + _taken(start, now, "cut_base")


def _head_lowered(start: Build, now: Build) -> Values:
    dome = any(height > 0 for _, height in now.engine.piston.crown_profile_mm)
    for where, lowered in _cylinder_lowered(start, now):
        yield where, lowered if dome else 0.0


def _band_cut(start: Build, now: Build) -> Values:
    yield "", _taken(start, now, "cut_band")


def _taken(start: Build, now: Build, name: str) -> float:
    work = now.done[len(start.done) :]
    return sum((piece.amount_mm for piece in work if piece.operation == name), 0.0)


def _depth(engine: Engine, height_mm: float | None) -> float | None:
    return None if height_mm is None else float(depth_below_crown(engine, height_mm))


LIMITED: Mapping[str, Quantity] = {
    "base_flange": _of_engine("base_flange_mm"),
    "crown_thickness": _of_piston("crown_thickness_mm"),
    "ring_land": _of_piston("ring_below_crown_mm"),
    "strike": _squish,
    "squish": _squish,
    "roof_below_crown": _roof_below_crown,
    "hidden_at_bdc": _hidden_at_bdc,
    "floor_above_base": _floor_above_base,
    "exhaust_covered": _exhaust_covered,
    "ring_above_intake": _ring_above_intake,
    "pocket_land": _pocket_land,
    "pocket_above_skirt": _pocket_above_skirt,
    "bridge": _bridge,
    "skirt_dip": _skirt_dip,
    "cylinder_lowered": _cylinder_lowered,
    "head_over_dome": _head_lowered,
    "band_cut": _band_cut,
}
