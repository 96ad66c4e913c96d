import math

import pytest
from scipy.optimize import brentq

from portmap.crank import Crank, bdc_angle, piston_depth
from portmap.engine import Engine
from portmap.errors import GeometryError
from portmap.port import Pocket, Port, PortMap
from portmap.timing import blowdown_deg, first_opening_deg, port_timing
from tests.gallery import ENGINE, OFFSET_ENGINE, box, port

ANGLE_DEG = 1e-9  # what a root finder on the forward equation can tell


def found_by_root(engine: Engine, depth: float) -> tuple[float, float]:
    """The outside reference: scipy's root finder on the forward equation, down and up."""
    turn = bdc_angle(engine.crank)

    def miss(angle: float) -> float:
        return float(piston_depth(engine.crank, angle)) - depth

    return brentq(miss, 0, turn, xtol=1e-12), brentq(miss, turn, 360, xtol=1e-12)


@pytest.mark.parametrize("engine", [ENGINE, OFFSET_ENGINE], ids=["no offset", "offset pin"])
def test_a_crown_opens_the_roof_going_down_and_shuts_it_going_up(engine):
    timing = port_timing(engine, port(box(-14, 28, 14, 40)))
    opens, closes = found_by_root(engine, engine.crown_height_mm - engine.base_gasket_mm - 40)
    assert timing.state == "opens and closes"
    assert timing.openings[0].opens_deg == pytest.approx(opens, abs=ANGLE_DEG)
    assert timing.openings[0].closes_deg == pytest.approx(closes, abs=ANGLE_DEG)
    assert timing.duration_deg == pytest.approx(closes - opens, abs=ANGLE_DEG)


@pytest.mark.parametrize("engine", [ENGINE, OFFSET_ENGINE], ids=["no offset", "offset pin"])
def test_a_skirt_opens_the_floor_before_tdc_and_shuts_it_after(engine):
    timing = port_timing(engine, port(box(-14, 12, 14, 20), kind="intake", control="skirt"))
    depth = engine.crown_height_mm - engine.base_gasket_mm - engine.skirt_length_mm - 12
    closes, opens = found_by_root(engine, depth)
    assert timing.openings[0].opens_deg == pytest.approx(opens, abs=ANGLE_DEG)
    assert timing.openings[0].closes_deg == pytest.approx(closes, abs=ANGLE_DEG)
    assert timing.duration_deg == pytest.approx(360 - opens + closes, abs=ANGLE_DEG)


def test_a_pocket_that_passes_by_opens_twice_a_turn():
    channel = Port(
        id="s",
        kind="strato",
        control="pocket",
        windows=(box(20, 28, 28, 34),),
        pocket=Pocket(top_below_crown_mm=12, bottom_below_crown_mm=20),
    )
    timing = port_timing(ENGINE, channel)
    # open while the crown stands between floor + 12 and roof + 20: depths 60.6 − 54 and 60.6 − 40
    first, last = found_by_root(ENGINE, 6.6), found_by_root(ENGINE, 20.6)
    ends = [(opening.opens_deg, opening.closes_deg) for opening in timing.openings]
    assert ends == [pytest.approx((first[0], last[0])), pytest.approx((last[1], first[1]))]
    assert timing.duration_deg == pytest.approx(2 * (last[0] - first[0]))


@pytest.mark.parametrize(
    ("windows", "control", "state"),
    [
        (box(-5, 20, 5, 28.0), "crown", "never opens"),
        (box(-5, 20, 5, 28.6), "crown", "never opens"),
        (box(-5, 20, 5, 61.0), "crown", "always open"),
        (box(-5, 25, 5, 30), "skirt", "never opens"),
        (box(-5, -10, 5, 5), "skirt", "always open"),
        (box(-5, 5, 5, 20), "none", "not timed"),
    ],
    ids=[
        "roof under the crown at BDC",
        "roof just at the crown at BDC",
        "roof over the crown at TDC",
        "floor over the skirt at TDC",
        "floor under the skirt at BDC",
        "reed",
    ],
)
def test_a_port_that_never_opens_or_never_closes_is_said_so(windows, control, state):
    timing = port_timing(ENGINE, port(windows, control=control))
    assert timing.state == state
    assert timing.openings == ()
    assert timing.duration_deg == (0.0 if state == "never opens" else 360.0)


def test_the_skirt_s_length_is_asked_for():
    bare = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    with pytest.raises(
        GeometryError, match=r"engine\.skirt_length_mm: the skirt's length is not known; measure"
    ):
        port_timing(bare, port(box(-5, 5, 5, 20), control="skirt"))


def test_blowdown_is_from_exhaust_to_the_first_transfer():
    ports = (
        port(box(-14, 28, 14, 40), name="exhaust"),
        port(box(20, 28, 30, 36), name="main", kind="transfer"),
        port(box(60, 28, 66, 36.5), name="boost", kind="boost"),
    )
    stock = PortMap(stage="stock", ports=ports)
    expected = found_by_root(ENGINE, 60.6 - 36.5)[0] - found_by_root(ENGINE, 60.6 - 40)[0]
    assert blowdown_deg(ENGINE, stock) == pytest.approx(expected, abs=ANGLE_DEG)


@pytest.mark.parametrize(
    "ports",
    [
        (),
        (port(box(-14, 28, 14, 40)),),
        (port(box(-14, 28, 14, 40)), port(box(20, 20, 30, 25), name="t", kind="transfer")),
    ],
    ids=["no ports", "no transfer", "a transfer that never opens"],
)
def test_no_blowdown_without_both(ports):
    assert blowdown_deg(ENGINE, PortMap(stage="stock", ports=ports)) is None


def test_a_transfer_before_the_exhaust_gives_a_blowdown_below_zero():
    ports = (port(box(-14, 28, 14, 36)), port(box(20, 28, 30, 38), name="t", kind="transfer"))
    assert blowdown_deg(ENGINE, PortMap(stage="stock", ports=ports)) < 0


# Common practice, no source: exhaust at 104° after TDC is 152° of duration; transfers at 120° leave 16°.
def test_duration_and_blowdown_as_porters_reckon_them():
    def roof_for(angle: float) -> float:
        return 60.6 - float(piston_depth(ENGINE.crank, angle))

    ports = (
        port(box(-14, 28, 14, roof_for(104.0))),
        port(box(20, 28, 30, roof_for(120.0)), name="t", kind="transfer"),
    )
    assert port_timing(ENGINE, ports[0]).duration_deg == pytest.approx(152.0, abs=1e-9)
    assert blowdown_deg(ENGINE, PortMap(stage="stock", ports=ports)) == pytest.approx(16.0, abs=1e-9)


def test_the_first_of_none_is_none():
    assert first_opening_deg(ENGINE, ()) is None
    assert math.isfinite(first_opening_deg(ENGINE, (port(box(-14, 28, 14, 40)),)))
