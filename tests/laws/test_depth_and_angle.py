"""Law: an angle turned into depth and back is the same angle, going down and going up."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from portmap.crank import angle_of_depth, bdc_angle, depth_per_degree, piston_depth, travel
from tests.strategies import cranks

ROUNDING_MM = 1e-12  # a few units in the last place of a depth


@given(cranks(), st.floats(0, 1))
def test_there_and_back(crank, share):
    turn = bdc_angle(crank)
    for angle, rising in ((share * turn, False), (turn + share * (360 - turn), True)):
        depth = min(float(piston_depth(crank, angle)), travel(crank))
        back = float(angle_of_depth(crank, depth, rising=rising))
        # what rounding of the depth alone makes of the angle, flat places at the dead centres included
        slope = abs(float(depth_per_degree(crank, angle)))
        curve = crank.stroke_mm / 2 * np.radians(1) ** 2 * (1 - crank.stroke_mm / 2 / crank.rod_mm) / 2
        allowed = min(ROUNDING_MM / max(slope, 1e-300), np.sqrt(ROUNDING_MM / curve)) + 1e-12 * 360
        assert abs(back - angle) <= allowed


@given(cranks(), st.floats(0, 1))
def test_depth_there_and_back(crank, share):
    depth = share * travel(crank)
    for rising in (False, True):
        angle = angle_of_depth(crank, depth, rising=rising)
        assert abs(float(piston_depth(crank, angle)) - depth) < 1e-11
