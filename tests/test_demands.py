"""Wishes held against an engine: which figure, which bounds, and what contradicts what."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from portmap.crank import Crank, travel
from portmap.demands import demands_of, is_met, miss_of, wished_figure
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.port import Pocket, PortEdges
from portmap.wish_bounds import Demand, measures_of, ways_of
from portmap.wishes import wish_of, wishes_of
from tests.strategies import cranks

ENGINE = Engine(
    bore_mm=46.0,
    crank=Crank(stroke_mm=32.0, rod_mm=58.0),
    crown_height_mm=61.0,
    base_gasket_mm=0.4,
    skirt_length_mm=36.0,
    squish_band_height_mm=61.2,
    head_volume_cm3=6.1,
)
EXHAUST = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=40.0, floor_mm=28.0)
MAIN = PortEdges(id="main", kind="transfer", control="crown", roof_mm=36.0, floor_mm=28.0)
BOOST = PortEdges(id="boost", kind="boost", control="crown", roof_mm=35.5, floor_mm=28.0)
INTAKE = PortEdges(id="intake", kind="intake", control="skirt", roof_mm=17.0, floor_mm=8.0)
REED = PortEdges(id="reed", kind="intake", control="none", roof_mm=17.0, floor_mm=8.0)
CHANNEL = PortEdges(
    id="channel",
    kind="strato",
    control="pocket",
    roof_mm=30.0,
    floor_mm=26.0,
    pocket=Pocket(top_below_crown_mm=18.0, bottom_below_crown_mm=31.0),
)
PORTS = (EXHAUST, MAIN, INTAKE)


def one(text, ports=PORTS, engine=ENGINE):
    return demands_of(wishes_of([text]), engine, ports)[0]


def test_a_kind_means_every_port_of_the_kind_and_an_id_only_one():
    twins = (EXHAUST, MAIN, PortEdges(id="second", kind="transfer", control="crown", roof_mm=35.0))
    assert [each.port for each in demands_of(wishes_of(["transfer opens 118"]), ENGINE, twins)] == [
        "main",
        "second",
    ]
    assert [each.port for each in demands_of(wishes_of(["Main opens 118"]), ENGINE, twins)] == ["main"]


@pytest.mark.parametrize(
    ("text", "low", "high", "before"),
    [
        ("intake opens 76", 283.5, 284.5, True),
        ("intake opens 284", 283.5, 284.5, False),
        ("intake opens 76 before TDC", 283.5, 284.5, True),
        ("intake opens at least 76", -math.inf, 284.0, True),
        ("intake opens at most 76", 284.0, math.inf, True),
        ("intake closes 76", 75.5, 76.5, False),
        ("exhaust opens 100", 99.5, 100.5, False),
        ("exhaust closes 104 before TDC", 255.5, 256.5, True),
    ],
)
def test_degrees_of_a_skirt_port_count_before_tdc(text, low, high, before):
    demand = one(text)
    assert (demand.low, demand.high, demand.before_tdc) == (low, high, before)


@settings(deadline=None)  # the first duration loads scipy
@given(
    cranks(),
    st.floats(0.2, 0.9),
    st.sampled_from(["opens", "closes", "duration"]),
    st.sampled_from(["crown", "skirt"]),
)
def test_law_the_bound_of_a_degree_is_where_the_port_has_that_degree(crank, share, rule, control):
    depth = share * travel(crank)
    height = 100.0 - depth if control == "crown" else 60.0 - depth
    port = PortEdges(id="p", kind="other", control=control, roof_mm=height, floor_mm=height)
    engine = Engine(bore_mm=50, crank=crank, crown_height_mm=100.0, skirt_length_mm=40.0)
    probe = one(f"p {rule} 100 after TDC" if rule != "duration" else "p duration 100", (port,), engine)
    degrees = wished_figure(probe, engine, (port,))
    demand = Demand(wish=probe.wish, port="p", low=degrees, high=degrees)
    (bound,) = ways_of(demand, engine, (port,))[0].bounds
    assert bound.low == pytest.approx(depth, abs=1e-6)
    assert bound.high == pytest.approx(depth, abs=1e-6)
    assert measures_of(engine, (port,))[bound.weights[0][0]] == pytest.approx(depth, abs=1e-9)


@pytest.mark.parametrize("text", ["channel opens 300 ± 40", "channel closes 60 ± 50"])
def test_a_pocket_that_is_open_through_tdc_is_bound_by_its_floor_and_upper_edge(text):
    demand = one(text, (*PORTS, CHANNEL))
    (bound,) = ways_of(demand, ENGINE, (*PORTS, CHANNEL))[0].bounds
    assert bound.weights[0][0] == "high:channel"
    figure = wished_figure(demand, ENGINE, (*PORTS, CHANNEL))
    # floor 26 under the pocket's upper edge 18 below the crown: depth 60.6 − 26 − 18
    assert measures_of(ENGINE, (CHANNEL,))["high:channel"] == pytest.approx(16.6)
    assert is_met(demand, figure)


def test_ratios_are_lines_in_depth_and_head_volume():
    # trapped 1 + A·d/V: at exactly the engine's own ratio the sum is 0
    ratio = 1 + math.pi * 46**2 / 4 * 20.6 / 1000 / 6.1
    demand = Demand(wish=wish_of("compression ratio at most 7"), port=None, low=-math.inf, high=ratio)
    (bound,) = ways_of(demand, ENGINE, PORTS)[0].bounds
    measures = measures_of(ENGINE, PORTS)
    assert sum(weight * measures[name] for name, weight in bound.weights) == pytest.approx(0, abs=1e-9)
    assert wished_figure(demand, ENGINE, PORTS) == pytest.approx(ratio)


@pytest.mark.parametrize(
    ("text", "exponent"),
    [
        ("cranking at most 11 bar", 1.3),
        ("cranking at least 8 bar", 1.2),
        ("cranking 10 bar", 1.25),
    ],
)
def test_a_cranking_pressure_is_judged_by_the_exponent_that_is_safe_for_the_wish(text, exponent):
    ratio = 1 + math.pi * 46**2 / 4 * 20.6 / 1000 / 6.1
    # polytropic squeezing from 101 325 Pa (ISO 2533, sea level)
    bar = 1.01325 * (ratio**exponent - 1)
    assert wished_figure(one(text), ENGINE, PORTS) == pytest.approx(bar, rel=1e-9)


def test_with_several_transfers_any_of_them_may_be_first():
    demands = demands_of(wishes_of(["blowdown 16 to 18"]), ENGINE, (EXHAUST, MAIN, BOOST))
    ways = ways_of(demands[0], ENGINE, (EXHAUST, MAIN, BOOST))
    assert len(ways) == 2
    # each way keeps both transfers from opening too early, and one of them from opening too late
    assert all(min(gap.low for gap in way.gaps) == 16 for way in ways)
    assert sorted(sum(math.isfinite(gap.high) for gap in way.gaps) for way in ways) == [1, 1]


@pytest.mark.parametrize(
    ("texts", "pair"),
    [
        (["squish 0.5 mm", "squish at least 0.8 mm"], ("squish 0.5 mm", "squish at least 0.8 mm")),
        (["exhaust opens 100", "exhaust opens 98 to 99"], ("exhaust opens 100", "exhaust opens 98 to 99")),
        (["exhaust opens 100", "exhaust duration 150"], ("exhaust opens 100", "exhaust duration 150")),
        (["exhaust opens 100", "exhaust opens 100.4"], ("exhaust opens 100", "exhaust opens 100.4")),
        (
            ["blowdown at least 20", "squish 0.5 mm", "blowdown at most 18"],
            ("blowdown at least 20", "blowdown at most 18"),
        ),
        (
            ["compression ratio at most 5", "cranking at least 12 bar"],
            ("compression ratio at most 5", "cranking at least 12 bar"),
        ),
        (["head volume 6 cc", "geometric ratio 6"], ("head volume 6 cc", "geometric ratio 6")),
        (["intake opens 76", "intake closes 90"], ("intake opens 76", "intake closes 90")),
    ],
    ids=lambda value: None,
)
def test_wishes_that_contradict_each_other_are_named_as_a_pair(texts, pair):
    with pytest.raises(QuantityError) as caught:
        demands_of(wishes_of(texts), ENGINE, PORTS)
    said = str(caught.value)
    assert said.startswith(f'--want "{pair[0]}": it contradicts "{pair[1]}"')
    assert "leave one of the two out" in said
    assert "\n" not in said


@pytest.mark.parametrize(
    "texts",
    [
        ["exhaust opens 100", "exhaust duration 160"],  # both 100 to 260
        ["squish 0.5 mm", "squish at most 0.5 mm"],
        ["blowdown at least 20", "blowdown 18 to 22"],
        ["intake opens 76", "intake duration 152"],
    ],
)
def test_wishes_that_agree_stand_together(texts):
    assert len(demands_of(wishes_of(texts), ENGINE, PORTS)) == 2


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        (
            "boost opens 120",
            QuantityError,
            "there is no port or kind of port 'boost'; the job has exhaust, main",
        ),
        ("reed opens 76", QuantityError, "port reed is not timed by the piston"),
    ],
)
def test_a_wish_for_a_port_that_cannot_meet_it_says_so(text, kind, words):
    with pytest.raises(kind) as caught:
        one(text, (*PORTS, REED))
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "engine", "ports", "words"),
    [
        (
            "squish 0.5 mm",
            Engine(bore_mm=46, crank=ENGINE.crank, crown_height_mm=61),
            PORTS,
            "the squish band's height is not known",
        ),
        (
            "cranking at most 11 bar",
            Engine(bore_mm=46, crank=ENGINE.crank, crown_height_mm=61),
            (EXHAUST,),
            "the head's volume is not known",
        ),
        ("compression ratio 7", ENGINE, (MAIN,), "no exhaust port that the crown closes is known"),
        ("blowdown at least 20", ENGINE, (EXHAUST,), "no blowdown without an exhaust and a transfer"),
        (
            "intake opens 76",
            Engine(bore_mm=46, crank=ENGINE.crank, crown_height_mm=61),
            (INTAKE,),
            "the skirt's length is not known",
        ),
    ],
    ids=["no band", "no head", "no exhaust", "no transfer", "no skirt"],
)
def test_a_figure_that_cannot_be_known_is_said_with_its_wish(text, engine, ports, words):
    with pytest.raises(GeometryError) as caught:
        one(text, ports, engine)
    said = str(caught.value)
    assert said.startswith(f'--want "{text}"')
    assert words in said
    assert "or leave this wish out" in said


def test_a_port_that_never_opens_is_a_miss_without_a_number():
    demand = one("exhaust opens 100")
    low = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=20.0)
    figure = wished_figure(demand, ENGINE, (low,))
    assert math.isnan(figure)
    assert math.isnan(miss_of(demand, figure))
    assert not is_met(demand, figure)
