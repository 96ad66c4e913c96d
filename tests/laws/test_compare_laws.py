"""Laws of comparing.

A map compared with itself shows nothing; a with b is minus b with a; gained less lost is the change of area,
however often the bore was gone round; a known shift and turn is found to 0.005 mm whatever roofs were raised.
"""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from portmap.compare import Side, compared
from portmap.engine import Engine
from portmap.port import PortMap, roof_of, turned_window
from portmap.registration import fitted_registration, moved_map
from tests.cylinders import BORE_MM, RAISED_MM, cylinder, laid_askew
from tests.gallery import port
from tests.strategies import engines, windows

FOUND_MM = 0.005  # what the issue asks for
ROUNDING_MM2 = 1e-9  # of a window's area
FIGURES = (
    "roof_mm",
    "floor_mm",
    "width_arc_mm",
    "width_chord_mm",
    "wall_area_mm2",
    "opens_deg",
    "closes_deg",
    "duration_deg",
    "time_area_mm2_s",
)


def sides(engine: Engine, first, second) -> tuple[Side, Side]:
    """Maps of one window each."""
    a, b = (
        Side(
            name="drawn",
            port_map=PortMap(stage=stage, ports=(port(window, name="p"),)),
            bore_mm=engine.bore_mm,
            engine=engine,
        )
        for stage, window in (("stock", first), ("ground", second))
    )
    return a, b


def changes(found):
    return [change for one in found.ports for name in FIGURES if (change := getattr(one, name)) is not None]


@settings(max_examples=40, deadline=None)
@given(engines(), windows())
def test_a_map_against_itself_shows_nothing(engine, window):
    assume(window.outline.bounds[2] - window.outline.bounds[0] < 0.45 * math.pi * engine.bore_mm)
    side, _ = sides(engine, window, window)
    for register in ("base", "fit"):
        found = compared(side, side, register=register)
        (one,) = found.ports
        tiny = ROUNDING_MM2 * max(window.outline.area, 1.0)
        for change in changes(found):
            assert change.change == pytest.approx(0.0, abs=1e-7)
        assert one.gained.area <= tiny + 1e-6 * (register == "fit")
        assert one.lost.area <= tiny + 1e-6 * (register == "fit")
        assert one.gained_places == one.lost_places == ()
        assert one.windows[0].hausdorff_mm == pytest.approx(0.0, abs=1e-6)
        assert (found.only_a, found.only_b) == ((), ())


@settings(max_examples=40, deadline=None)
@given(engines(), windows(), windows())
def test_a_with_b_is_minus_b_with_a(engine, first, second):
    wide = 0.45 * math.pi * engine.bore_mm
    assume(all(one.outline.bounds[2] - one.outline.bounds[0] < wide for one in (first, second)))
    a, b = sides(engine, first, second)
    there, back = compared(a, b), compared(b, a)
    assert len(there.ports) == len(back.ports) == 1
    for forth, home in zip(changes(there), changes(back), strict=True):
        assert forth.change == pytest.approx(-home.change, abs=1e-9)
        assert (forth.a, forth.b) == (home.b, home.a)
    one, other = there.ports[0], back.ports[0]
    tiny = ROUNDING_MM2 * (first.outline.area + second.outline.area)
    assert one.gained.area == pytest.approx(other.lost.area, abs=tiny)
    assert one.lost.area == pytest.approx(other.gained.area, abs=tiny)
    assert one.windows[0].hausdorff_mm == pytest.approx(other.windows[0].hausdorff_mm)
    assert one.windows[0].mean_mm == pytest.approx(other.windows[0].mean_mm)


@settings(max_examples=60, deadline=None)
@given(engines(), windows(), windows(), st.integers(-2, 2))
def test_gained_less_lost_is_the_change_of_area(engine, first, second, turns):
    wide = 0.45 * math.pi * engine.bore_mm
    assume(all(one.outline.bounds[2] - one.outline.bounds[0] < wide for one in (first, second)))
    around = turned_window(second, turns * math.pi * engine.bore_mm)
    (one,) = compared(*sides(engine, first, around)).ports
    tiny = ROUNDING_MM2 * (first.outline.area + second.outline.area) + 1e-9
    assert one.gained.area - one.lost.area == pytest.approx(one.wall_area_mm2.change, abs=tiny)
    (plain,) = compared(*sides(engine, first, second)).ports
    assert one.gained.area == pytest.approx(plain.gained.area, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    st.floats(-1.5, 1.5),
    st.floats(-0.8, 0.8),
    st.floats(-1.0, 1.0),
    st.lists(st.floats(0.0, 2.0), min_size=4, max_size=4),
)
def test_a_known_shift_and_turn_is_found_whatever_roofs_were_raised(dx, dy, turn, raised):
    more = dict(zip(RAISED_MM, [*raised, 0.0], strict=True))
    true = cylinder("ground", more)
    laid = laid_askew(true, dx, dy, turn)
    found = fitted_registration(cylinder("stock"), laid, BORE_MM)
    assert found.dx_mm == pytest.approx(dx, abs=FOUND_MM)
    assert found.dy_mm == pytest.approx(dy, abs=FOUND_MM)
    at_back = math.radians(found.turn_deg - turn) * math.pi * BORE_MM / 2
    assert at_back == pytest.approx(0.0, abs=FOUND_MM)
    for one, other in zip(moved_map(laid, found).ports, true.ports, strict=True):
        assert roof_of(one) == pytest.approx(roof_of(other), abs=2 * FOUND_MM)
