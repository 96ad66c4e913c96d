"""Laws of shop work.

Work done in one go is work done piece by piece; pieces of work that act on different sizes may be done in any
order; twice the same work is once the sum of it; a cut base is a thinner gasket to timing, squish and
volume; a cut crown changes nothing for the skirt; nothing done changes nothing, and what stood on the bench
is left as it was.
"""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from portmap.crank import travel
from portmap.effects import area_figures, bench_figures
from portmap.engine import Piston
from portmap.operation import OPERATIONS, Operation
from portmap.port import Pocket, Port, PortMap, edges_of
from portmap.shopwork import Build, after
from portmap.timing import edge_depths
from tests.gallery import box
from tests.strategies import engines

NEAR_MM = 1e-6
DEGREES = 1e-6  # a depth good to 1e-13 mm, NEAR_MM from a dead centre, is an angle good to 1e-8 degrees
SHARE = 1e-9
SOME = settings(max_examples=40)  # of laws that compute angle-areas, which take the time
PORTS = ("exhaust", "main", "intake", "air")


@st.composite
def builds(draw: st.DrawFn) -> Build:
    """An engine with a port of each control, all sizes known, whose ports may or may not ever open."""
    engine = draw(engines())
    crown = engine.crown_height_mm - engine.base_gasket_mm
    domed = draw(st.booleans())
    engine = replace(
        engine,
        squish_band_height_mm=crown + draw(st.floats(0.1, 2)),
        squish_band_width_mm=draw(st.one_of(st.none(), st.floats(2, 12))),
        base_flange_mm=draw(st.floats(5, 12)),
        deck_height_mm=crown + 8,
        head_volume_cm3=draw(st.floats(8, 20)),
        piston=Piston(
            crown_thickness_mm=draw(st.floats(3, 8)),
            ring_below_crown_mm=draw(st.floats(2.5, 5)),
            lowest_ring_below_crown_mm=draw(st.floats(6, 9)),
            exhaust_skirt_length_mm=engine.skirt_length_mm,
            crown_profile_mm=((0.0, 2.0), (12.0, 0.0), (engine.bore_mm / 2, 0.0)) if domed else (),
        ),
    )

    def one(name, kind, control, left, pocket=None):
        floor = crown - draw(st.floats(20, 40))
        window = box(left, floor, left + 9, floor + draw(st.floats(4, 12)))
        return Port(id=name, kind=kind, control=control, windows=(window,), pocket=pocket)

    pocket = Pocket(top_below_crown_mm=draw(st.floats(8, 14)), bottom_below_crown_mm=draw(st.floats(16, 24)))
    ports = (
        one("exhaust", "exhaust", "crown", -5),
        one("main", "transfer", "crown", 10),
        one("intake", "intake", "skirt", 60),
        one("air", "strato", "pocket", 30, pocket),
    )
    return Build(
        engine=engine,
        edges=tuple(edges_of(port) for port in ports),
        port_map=PortMap(stage="stock", ports=ports),
    )


@st.composite
def pieces(draw: st.DrawFn) -> Operation:
    kind = draw(st.sampled_from(OPERATIONS))
    port = None
    if kind.takes_port:
        port = "air" if "pocket" in kind.name else draw(st.sampled_from(PORTS))
    return Operation(operation=kind.name, amount_mm=draw(st.floats(0, 0.8)), port=port)


def clear_of_dead_centres(build: Build) -> bool:
    """Whether no edge opens so near TDC or BDC that rounding decides if it opens at all."""
    bottom = travel(build.engine.crank)
    depths = [depth for edges in build.edges for depth in edge_depths(build.engine, edges)]
    return all(min(abs(depth), abs(depth - bottom)) > NEAR_MM for depth in depths)


def same(first: Build, second: Build, *, apart: tuple[str, ...] = ()) -> None:
    """Every figure of two builds is the same, but those named in `apart`."""
    assume(clear_of_dead_centres(first) and clear_of_dead_centres(second))
    one, other = (bench_figures(build) | area_figures(build) for build in (first, second))
    assert one.keys() == other.keys()
    for name, value in one.items():
        if name in apart:
            continue
        if value is None or other[name] is None:
            assert value is other[name], name
        else:
            assert math.isclose(value, other[name], rel_tol=SHARE, abs_tol=DEGREES), name


@given(builds(), st.lists(pieces(), max_size=6), st.integers(0, 6))
def test_in_one_go_is_piece_by_piece(build, work, split):
    assert after(build, *work) == after(after(build, *work[:split]), *work[split:])


@given(builds(), st.lists(pieces(), max_size=5))
def test_what_stood_on_the_bench_is_left_as_it_was(build, work):
    before = replace(build)
    now = after(build, *work)
    assert build == before
    assert now.done == tuple(work)


@SOME
@given(builds(), st.lists(pieces(), max_size=5), st.randoms(use_true_random=False))
def test_any_order_gives_the_same_figures(build, work, random):
    # of several gaskets the last counts; a step cut first decides what a cut crown leaves standing
    gaskets = [piece for piece in work if piece.operation in ("base_gasket", "sealant")]
    names = {piece.operation for piece in work}
    work = [piece for piece in work if piece not in gaskets[1:]]
    if {"cut_crown", "cut_rim"} <= names:
        work = [piece for piece in work if piece.operation != "cut_rim"]
    shuffled = random.sample(work, len(work))
    same(after(build, *work), after(build, *shuffled))


@SOME
@given(builds(), pieces(), st.floats(0, 1))
def test_twice_is_once_the_sum(build, piece, share):
    kind = piece.operation
    parts = [replace(piece, amount_mm=piece.amount_mm * part) for part in (share, 1 - share)]
    if kind in ("base_gasket", "sealant"):
        same(after(build, parts[0], piece), after(build, piece))
    else:
        same(after(build, *parts), after(build, piece))


@SOME
@given(builds(), st.floats(0, 0.5))
def test_a_cut_base_is_a_thinner_gasket(build, cut):
    build = replace(build, engine=replace(build.engine, base_gasket_mm=1.0, head_volume_cm3=15.0))
    by_lathe = after(build, Operation(operation="cut_base", amount_mm=cut))
    by_gasket = after(build, Operation(operation="base_gasket", amount_mm=1.0 - cut))
    same(by_lathe, by_gasket, apart=("base_gasket_mm",))


@given(builds(), st.floats(0, 1), st.sampled_from(["cut_crown", "cut_rim"]))
def test_a_cut_crown_changes_nothing_for_skirt_and_pocket(build, cut, name):
    then, now = bench_figures(build), bench_figures(after(build, Operation(operation=name, amount_mm=cut)))
    assume(clear_of_dead_centres(build))
    for port in ("intake", "air"):
        for figure in ("opens_deg", "closes_deg", "duration_deg"):
            before, after_it = then[f"{port}:{figure}"], now[f"{port}:{figure}"]
            assert (before is None) == (after_it is None)
            assert after_it == (None if before is None else pytest.approx(before, abs=DEGREES))


@SOME
@given(builds(), st.sampled_from(OPERATIONS))
def test_nothing_done_changes_nothing(build, kind):
    amount = build.engine.base_gasket_mm if kind.sets else 0.0
    port = ("air" if "pocket" in kind.name else "exhaust") if kind.takes_port else None
    same(after(build, Operation(operation=kind.name, amount_mm=amount, port=port)), build)


@given(builds(), pieces(), pieces())
def test_lengths_and_volume_add_up(build, first, second):
    """What a planner leans on: the change of two pieces of work is the sum of the changes of each."""
    sets = {"base_gasket", "sealant"}
    if {first.operation, second.operation} <= sets or {first.operation, second.operation} == {
        "cut_crown",
        "cut_rim",
    }:
        return
    none, one, other, both = (
        bench_figures(after(build, *work)) for work in ((), (first,), (second,), (first, second))
    )
    for name in none:
        if name.endswith(("_mm", "_cm3")):
            assert both[name] - none[name] == pytest.approx(
                one[name] + other[name] - 2 * none[name], abs=1e-9
            ), name
