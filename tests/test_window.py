"""Opened areas against shapely clipping, scipy quadrature and figures worked by hand."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from scipy.integrate import quad

from portmap.crank import bdc_angle
from portmap.engine import Engine, crown_height_at
from portmap.errors import GeometryError
from portmap.port import Pocket, Port, Window, centre_x, turned_window, window_polygon
from portmap.profile import area_below, chord_area_below, moment_below, window_profile
from portmap.window import (
    opened_area,
    opened_centroid_height,
    opened_height,
    port_area,
    port_profiles,
)
from tests.gallery import BORE_MM, ENGINE, HALF_TURN_MM, OFFSET_ENGINE, WINDOWS, box, port

EQUAL = 1e-9  # of the whole area: what the design asks
EVERY_DEGREE = np.arange(0.0, 360.0, 1.0)


def clipped_area(window: Window, low: float, high: float) -> float:
    """The outside reference: shapely's own clipping."""
    left, floor, right, roof = window.outline.bounds
    band = shapely.box(left - 1, max(low, floor - 1), right + 1, min(high, roof + 1))
    return window.outline.intersection(band).area if band.bounds[3] > band.bounds[1] else 0.0


@pytest.mark.parametrize("engine", [ENGINE, OFFSET_ENGINE], ids=["no offset", "offset pin"])
@pytest.mark.parametrize("name", sorted(WINDOWS))
def test_opened_wall_area_equals_clipping(engine: Engine, name: str):
    window = WINDOWS[name]
    crown = crown_height_at(engine, EVERY_DEGREE)
    expected = [clipped_area(window, height, math.inf) for height in crown]
    got = opened_area(engine, port(window), EVERY_DEGREE)
    assert_allclose(got, expected, rtol=EQUAL, atol=EQUAL * window.outline.area)


# "smooth" is left out: one quadrature for each of its 2,000 corners would take minutes
@pytest.mark.parametrize("name", sorted(set(WINDOWS) - {"smooth"}))
def test_chord_area_equals_quadrature_of_clipped_widths(name: str):
    # Outside reference: at each height shapely cuts the window with a level line; the chord widths of the
    # pieces, R·(sin of the angles from the mean direction), are integrated over height by scipy.
    window = WINDOWS[name]
    radius, centre = BORE_MM / 2, centre_x(window, BORE_MM)
    left, floor, right, roof = window.outline.bounds

    def chord(height: float) -> float:
        cut = window.outline.intersection(shapely.LineString([(left - 1, height), (right + 1, height)]))
        pieces = [
            np.asarray(piece.coords)[:, 0]
            for piece in shapely.get_parts(cut)
            if piece.geom_type == "LineString"
        ]
        return sum(
            radius * abs(math.sin((x[-1] - centre) / radius) - math.sin((x[0] - centre) / radius))
            for x in pieces
        )

    profile = window_profile(window, BORE_MM)
    corners = profile.heights_mm
    target = floor + 0.6 * (roof - floor)
    edges = [*corners[corners < target], target]
    expected = sum(
        quad(chord, a, b, epsabs=1e-11, epsrel=1e-9)[0] for a, b in pairwise(edges) if b - a > 1e-7
    )
    assert float(chord_area_below(profile, target)) == pytest.approx(expected, rel=1e-7, abs=1e-9)


# Machinery's Handbook, segments of circles (from memory): bore 54, chord 37.8 has an arc of 41.871465.
def test_chord_area_of_a_rectangle_is_chord_times_height():
    window = box(-41.871465 / 2, 20, 41.871465 / 2, 30)
    assert port_area(port(window), 54.0, area="chord") == pytest.approx(378.0, abs=5e-5)


def test_directed_area_is_chord_times_cosine_of_the_tilt():
    tilted = Port(id="t", kind="transfer", control="crown", windows=(box(-5, 20, 5, 30),), tilt_deg=60.0)
    half = port_area(tilted, BORE_MM, area="chord") / 2
    assert port_area(tilted, BORE_MM, area="directed") == pytest.approx(half, rel=1e-12)


def test_directed_area_without_a_tilt_is_refused():
    with pytest.raises(GeometryError, match=r"port p\.tilt_deg: the directed area needs the passage's tilt"):
        port_area(port(box(-5, 20, 5, 30)), BORE_MM, area="directed")


def test_rectangle_by_hand():
    # crown edge at 180°: 61 − 0.4 − 32 = 28.6 above the base face; 28 wide, roof 40: 28 × 11.4 = 319.2 mm²
    window = box(-14, 28, 14, 40)
    assert float(opened_area(ENGINE, port(window), 180)) == pytest.approx(319.2, abs=1e-9)
    assert float(opened_height(ENGINE, port(window), 180)) == pytest.approx(11.4, abs=1e-9)
    assert float(opened_centroid_height(ENGINE, port(window), 180)) == pytest.approx(
        (40 + 28.6) / 2, abs=1e-9
    )


def test_skirt_opens_what_lies_below_it():
    # skirt edge at TDC: 61 − 0.4 − 36 = 24.6; an intake 30 wide from 10 to 20 is wholly open, at 180° shut
    intake = port(box(-15, 10, 15, 20), kind="intake", control="skirt")
    assert_allclose(opened_area(ENGINE, intake, [0, 180]), [300, 0], atol=1e-9)
    crown = crown_height_at(ENGINE, EVERY_DEGREE)
    expected = [clipped_area(intake.windows[0], -math.inf, height - 36.0) for height in crown]
    assert_allclose(opened_area(ENGINE, intake, EVERY_DEGREE), expected, rtol=EQUAL, atol=1e-9)


def test_pocket_opens_what_lies_between_its_edges():
    window = WINDOWS["slanted"]
    channel = Port(
        id="s",
        kind="strato",
        control="pocket",
        windows=(window,),
        pocket=Pocket(top_below_crown_mm=14.0, bottom_below_crown_mm=22.0),
    )
    crown = crown_height_at(ENGINE, EVERY_DEGREE)
    expected = [clipped_area(window, height - 22.0, height - 14.0) for height in crown]
    assert max(expected) > 50
    assert_allclose(opened_area(ENGINE, channel, EVERY_DEGREE), expected, rtol=EQUAL, atol=1e-9)


def test_a_pocket_port_without_a_pocket_is_refused():
    with pytest.raises(GeometryError, match="port p: a pocket controls this port"):
        opened_area(ENGINE, port(box(0, 20, 5, 30), kind="strato", control="pocket"), 0)


def test_a_port_without_control_is_always_open():
    reed = port(box(-15, 5, 15, 20), kind="intake", control="none")
    assert_allclose(opened_area(ENGINE, reed, [0, 90, 180]), [450, 450, 450], atol=1e-9)


@pytest.mark.parametrize(
    ("roof", "angle", "area"),
    [(60.6, 0.0, 0.0), (61.0, 0.0, 4.0), (28.6, 180.0, 0.0), (28.0, 180.0, 0.0)],
    ids=["roof at the crown at TDC", "roof above it", "roof at the crown at BDC", "never uncovered"],
)
def test_ports_that_touch_the_dead_centres(roof, angle, area):
    window = box(0, 20, 10, roof)
    assert float(opened_area(ENGINE, port(window), angle)) == pytest.approx(area, abs=1e-9)


def test_windows_of_a_port_add_up():
    parts = [WINDOWS["plain"], WINDOWS["across the wrap"], WINDOWS["bridged"]]
    together = opened_area(ENGINE, port(*parts), EVERY_DEGREE)
    apart = sum(opened_area(ENGINE, port(part), EVERY_DEGREE) for part in parts)
    assert_allclose(together, apart, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("area", ["wall", "chord"])
def test_where_the_wrap_falls_changes_nothing(area):
    window = WINDOWS["slanted"]
    turned = turned_window(window, 2 * HALF_TURN_MM)
    assert_allclose(
        opened_area(ENGINE, port(window), EVERY_DEGREE, area=area),
        opened_area(ENGINE, port(turned), EVERY_DEGREE, area=area),
        rtol=1e-11,
        atol=1e-9,
    )


def test_an_island_of_metal_is_taken_off():
    assert port_area(port(WINDOWS["bridged"]), BORE_MM) == pytest.approx(32 * 12 - 3 * 10, abs=1e-9)


@pytest.mark.parametrize("name", sorted(WINDOWS))
def test_first_moment_gives_shapely_s_centroid(name: str):
    window = WINDOWS[name]
    profile = window_profile(window, BORE_MM)
    roof = window.outline.bounds[3]
    centroid = float(moment_below(profile, roof)) / float(area_below(profile, roof))
    assert centroid == pytest.approx(window.outline.centroid.y, abs=1e-9)


def test_nothing_open_has_no_centroid():
    assert np.isnan(opened_centroid_height(ENGINE, port(box(0, 28, 5, 40)), 0))


@pytest.mark.parametrize("shape", [(), (0,), (5,), (2, 3)], ids=str)
@pytest.mark.parametrize("area", ["wall", "chord"])
def test_output_has_the_shape_of_the_angles(shape, area):
    assert opened_area(ENGINE, port(WINDOWS["arched"]), np.full(shape, 130.0), area=area).shape == shape


def test_a_window_wider_than_half_the_bore_is_refused():
    with pytest.raises(
        GeometryError, match=r"port p\.windows\[0\]: the window reaches .* more than a quarter turn"
    ):
        port_profiles(port(box(-40, 20, 40, 30)), BORE_MM)


def test_profile_of_a_comb_that_every_height_cuts_many_times():
    # 400 teeth: 1,600 sides cut by one height; the work of preparing must stay bounded and right
    x = np.arange(801) * 0.04
    y = np.where(np.arange(801) % 2 == 0, 30.0, 38.0) + np.linspace(0, 0.5, 801)
    comb = Window(
        outline=window_polygon(np.column_stack([np.append(x, [32.0, 0.0]), np.append(y, [25.0, 25.0])]))
    )
    got = area_below(window_profile(comb, BORE_MM), 33.3)
    assert float(got) == pytest.approx(clipped_area(comb, -math.inf, 33.3), rel=EQUAL)


def test_bottom_dead_centre_opens_most():
    widest = opened_area(
        OFFSET_ENGINE, port(WINDOWS["plain"]), np.append(EVERY_DEGREE, bdc_angle(OFFSET_ENGINE.crank))
    )
    assert widest[-1] == widest.max()
