"""Angle-areas and time-areas against scipy quadrature, published times and figures worked by hand."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from portmap.crank import Crank, angle_of_depth, piston_depth
from portmap.engine import Engine
from portmap.errors import QuantityError
from portmap.port import PortMap, mirrored_window
from portmap.timearea import angle_area, map_spans, specific_time_area, time_area
from portmap.timing import port_timing
from portmap.volume import squish_clearance_mm, swept_volume_cm3
from portmap.window import opened_area, port_profiles
from tests.gallery import ENGINE, OFFSET_ENGINE, WINDOWS, box, port

EQUAL = 1e-9


def by_scipy(engine, one, begins, ends, area):
    """The outside reference: adaptive quadrature, told where the corners pass."""
    profiles = port_profiles(one, engine.bore_mm)
    crown = engine.crown_height_mm - engine.base_gasket_mm
    if one.control == "skirt":
        crown -= engine.skirt_length_mm
    angles = np.concatenate(
        [
            angle_of_depth(engine.crank, crown - profile.heights_mm, rising=rising)
            for profile in profiles
            for rising in (False, True)
        ]
    )
    angles = np.concatenate([angles, angles + 360])
    cuts = np.unique(np.concatenate([[begins], angles[(angles > begins) & (angles < ends)], [ends]]))

    def opened(angle):
        return float(opened_area(engine, one, angle, area=area))

    return sum(quad(opened, a, b, epsabs=1e-12, epsrel=1e-12)[0] for a, b in pairwise(cuts))


@pytest.mark.parametrize("engine", [ENGINE, OFFSET_ENGINE], ids=["no offset", "offset pin"])
@pytest.mark.parametrize("area", ["wall", "chord"])
@pytest.mark.parametrize("name", ["plain", "slanted", "bridged", "arched", "across the wrap", "sliver"])
def test_angle_area_equals_adaptive_quadrature(engine, area, name):
    one = port(WINDOWS[name])
    opening = port_timing(engine, one).openings[0]
    expected = by_scipy(engine, one, opening.opens_deg, opening.closes_deg, area)
    got = angle_area(engine, one, opening.opens_deg, opening.closes_deg, area=area)
    assert got == pytest.approx(expected, rel=EQUAL)


def test_angle_area_through_tdc():
    intake = port(WINDOWS["plain"], kind="intake", control="skirt")
    low = port(box(-14, 8, 14, 20), kind="intake", control="skirt")
    opening = port_timing(ENGINE, low).openings[0]
    assert opening.closes_deg < opening.opens_deg
    expected = by_scipy(ENGINE, low, opening.opens_deg, opening.closes_deg + 360, "wall")
    assert angle_area(ENGINE, low, opening.opens_deg, opening.closes_deg) == pytest.approx(
        expected, rel=EQUAL
    )
    assert port_timing(ENGINE, intake).state == "never opens"


# An unsigned note on angle-area (scribd.com document 580581405) sets up a 40 mm wide rectangle that opens
# 1 mm for each degree over 30°. By hand: the integral is 40·30²/2 = 18,000 mm²·deg, while a sum of the areas
# at the ends of the degrees, as done on paper, is 40·(1 + … + 30) = 18,600: 3.3 % too high. A very long crank
# near its quarter turn opens evenly; degrees are taken a thousand times smaller, so that both totals are too.
def test_the_published_rectangle_and_the_bias_of_the_end_point_sum():
    small = 1e-3
    crank = Crank(
        stroke_mm=2 * 180 / np.pi / small, rod_mm=1e9
    )  # 1 mm for each thousandth of a degree at 90°
    begins = 90.0 - 15 * small
    roof_depth = float(piston_depth(crank, begins))
    engine = Engine(bore_mm=46.0, crank=crank, crown_height_mm=roof_depth + 50.0)
    one = port(box(-20, 10, 20, 50))
    assert angle_area(engine, one, begins, begins + 30 * small) == pytest.approx(18_000 * small, rel=1e-6)
    ends_of_degrees = begins + small * np.arange(1, 31)
    stepwise = float(opened_area(engine, one, ends_of_degrees).sum()) * small
    assert stepwise == pytest.approx(18_600 * small, rel=1e-6)


# Published open times at 7000 rpm: 160° 0.0038 s, 123° 0.0029, 172° 0.0041, 29° 0.0007, 114° 0.0027
# (Jennings, Two-Stroke Tuner's Handbook, 1973, port timing; read in a reprint). Each is tested on its own:
# the set contradicts itself.
@pytest.mark.parametrize(
    ("degrees", "seconds"), [(160, 0.0038), (123, 0.0029), (172, 0.0041), (29, 0.0007), (114, 0.0027)]
)
def test_published_open_times(degrees, seconds):
    assert float(time_area(degrees * 1.0, 7000)) == pytest.approx(seconds, abs=5e-5)


# Identity: 3 cm² constant over 160° at 7000 rpm on 125 cm³ gives 9.14286e-5 s·cm²/cm³ = 9.14286e-3 s/m.
def test_specific_time_area_of_a_constant_area():
    amount = time_area(300.0 * 160.0, 7000.0)
    assert float(specific_time_area(amount, 125.0)) == pytest.approx(9.14286e-3, rel=1e-6)


def test_several_speeds_at_once():
    speeds = np.array([6000.0, 9000.0, 12000.0])
    assert time_area(36_000.0, speeds) == pytest.approx([1.0, 2 / 3, 0.5])


@pytest.mark.parametrize("rpm", [0, -100, math.nan, math.inf])
def test_a_speed_that_is_none_is_refused(rpm):
    with pytest.raises(QuantityError, match="rpm: a speed must be above 0 rpm; give"):
        time_area(1.0, rpm)


@pytest.mark.parametrize("volume", [0.0, -1.0, math.nan, math.inf])
def test_a_swept_volume_that_is_none_is_refused(volume):
    with pytest.raises(QuantityError, match="is not a swept volume"):
        specific_time_area(1.0, volume)


def sample_map():
    right = box(20, 28, 31, 36)
    return PortMap(
        stage="stock",
        ports=(
            port(box(-14, 28, 14, 40), name="exhaust"),
            port(right, name="right", kind="transfer"),
            port(mirrored_window(right), box(-40, 28, -35, 35), name="left", kind="transfer"),
            port(box(-14, 8, 14, 20), name="intake", kind="intake", control="skirt"),
        ),
    )


def test_the_spans_of_a_whole_map():
    spans, notices = map_spans(ENGINE, sample_map())
    assert notices == ()
    assert [span.name for span in spans] == ["exhaust", "blowdown", "transfer", "intake"]
    exhaust, blowdown, transfer, intake = spans
    assert blowdown.opens_deg == exhaust.opens_deg
    assert blowdown.closes_deg == transfer.opens_deg
    assert blowdown.duration_deg == pytest.approx(transfer.opens_deg - exhaust.opens_deg)
    assert intake.opens_deg > 180 > intake.closes_deg
    for span in spans:
        assert span.angle_area_mm2_deg == pytest.approx(sum(part.angle_area_mm2_deg for part in span.parts))
        assert sum(part.share for part in span.parts) == pytest.approx(1.0)
        assert span.mean_area_mm2 == pytest.approx(span.angle_area_mm2_deg / span.duration_deg)
    by_name = {part.port_id: part for part in transfer.parts}
    assert by_name["left"].angle_area_mm2_deg > by_name["right"].angle_area_mm2_deg


def test_a_port_that_never_opens_is_said_so_and_counts_nothing():
    stock = PortMap(
        stage="stock",
        ports=(
            port(box(-14, 28, 14, 40), name="exhaust"),
            port(box(20, 20, 30, 26), name="low", kind="transfer"),
        ),
    )
    spans, notices = map_spans(ENGINE, stock)
    assert [span.name for span in spans] == ["exhaust", "transfer"]
    assert spans[1].angle_area_mm2_deg == 0.0
    assert spans[1].opens_deg is None
    assert spans[1].mean_area_mm2 == 0.0
    assert [notice.code for notice in notices] == ["never-opens"]
    assert "Port low is never uncovered" in notices[0].message


def test_a_port_that_never_closes_is_open_all_round():
    stock = PortMap(stage="stock", ports=(port(box(-5, 20, 5, 61.0), name="exhaust"),))
    spans, notices = map_spans(ENGINE, stock)
    assert spans[0].duration_deg == 360.0
    assert [notice.code for notice in notices] == ["never-closes"]


def test_no_blowdown_where_a_transfer_opens_first():
    stock = PortMap(
        stage="stock",
        ports=(
            port(box(-14, 28, 14, 36), name="exhaust"),
            port(box(20, 28, 30, 38), name="t", kind="transfer"),
        ),
    )
    spans, notices = map_spans(ENGINE, stock)
    assert [span.name for span in spans] == ["exhaust", "transfer"]
    assert [notice.code for notice in notices] == ["no-blowdown"]


# By hand: π/4 · 4.6² · 3.2 = 53.181 cm³; band 61.2 − (61.0 − 0.4) = 0.6 mm.
def test_swept_volume_and_squish():
    assert swept_volume_cm3(ENGINE) == pytest.approx(math.pi / 4 * 4.6**2 * 3.2, rel=1e-12)
    assert swept_volume_cm3(OFFSET_ENGINE) > math.pi / 4 * 4.6**2 * 3.2
    assert squish_clearance_mm(ENGINE) == pytest.approx(0.6, abs=1e-12)
