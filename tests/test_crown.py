"""Solids of revolution against closed forms, scipy quadrature and laws."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from portmap.crown import (
    cone_profile,
    crown_height_mm,
    crown_profile,
    crown_volume_cm3,
    cut_profile,
    removed_volume_cm3,
    revolved_volume_cm3,
    rim_cut_volume_cm3,
    spherical_profile,
)
from portmap.errors import GeometryError

EXACT = 1e-12  # relative; a sum of a few products
CHORDS = 2e-5  # relative: what 201 points cut off a dome


@st.composite
def profiles(draw: st.DrawFn) -> list[tuple[float, float]]:
    """Crowns of 2 to 9 points that stay within a 46 mm bore."""
    count = draw(st.integers(1, 8))
    radii = sorted(draw(st.floats(0.5, 23.0)) for _ in range(count))
    return [(0.0, draw(st.floats(-4, 4))), *((r, draw(st.floats(-4, 4))) for r in radii)]


# Cone: V = π·r²·h/3; truncated: V = π·h·(R² + R·r + r²)/3 (Machinery's Handbook, volumes of solids, memory)
@pytest.mark.parametrize(("radius", "height"), [(20, 3), (23, -1.5), (1, 10)])
def test_a_conical_crown(radius, height):
    assert crown_volume_cm3(cone_profile(radius, height)) == pytest.approx(
        math.pi * radius**2 * height / 3000, rel=EXACT
    )


def test_a_truncated_cone():
    profile = [(0, 2), (12, 2), (18, 0)]
    assert crown_volume_cm3(profile) == pytest.approx(
        math.pi * 2 * (18**2 + 18 * 12 + 12**2) / 3000, rel=EXACT
    )


def test_a_stepped_crown_is_a_cylinder():
    assert crown_volume_cm3([(0, 1.5), (15, 1.5), (15, 0)]) == pytest.approx(
        math.pi * 15**2 * 1.5 / 1000, rel=EXACT
    )


# Spherical cap: V = π·h·(3a² + h²)/6 with rim radius a (Machinery's Handbook, volumes of solids; from memory)
@pytest.mark.parametrize(("radius", "height"), [(20, 3), (22, 6), (15, 15), (20, -2)])
def test_a_dome_is_a_spherical_cap(radius, height):
    cap = math.pi * abs(height) * (3 * radius**2 + height**2) / 6000
    volume = crown_volume_cm3(spherical_profile(radius, height))
    assert volume == pytest.approx(math.copysign(cap, height), rel=CHORDS)
    assert abs(volume) < cap  # chords lie inside
    assert crown_height_mm(spherical_profile(radius, height)) == pytest.approx(max(height, 0))


# Segments of circles of radius 1: 60°, 90°, 120° have areas 0.0906, 0.2854, 0.6142 (Machinery's Handbook,
# table of segments, from memory). A groove of that section about a mean radius of 18 mm: Pappus.
@pytest.mark.parametrize(("degrees", "area"), [(60, 0.0906), (90, 0.2854), (120, 0.6142)])
def test_a_ring_of_a_circles_segment(degrees, area):
    half = math.radians(degrees) / 2
    turn = np.linspace(-half, half, 721)
    section = [(18 + math.sin(t), math.cos(t)) for t in turn]
    table = 0.00005 / area  # the handbook's last digit
    assert revolved_volume_cm3(section) == pytest.approx(2 * math.pi * 18 * area / 1000, rel=table + 1e-5)


def test_a_tapered_band_by_pappus():
    # a triangle 5 mm wide and 0.5 mm deep, its centroid at (18 + 23 + 23)/3 mm
    expected = 2 * math.pi * (64 / 3) * 1.25 / 1000
    assert revolved_volume_cm3([(18, 0), (23, 0), (23, -0.5)]) == pytest.approx(expected, rel=EXACT)
    taken = removed_volume_cm3([(0, 0), (23, 0)], [(0, 0), (18, 0), (23, -0.5)])
    assert taken == pytest.approx(expected, rel=1e-11)


# what is narrower holds less than the tolerances; quadrature has too few numbers to halve it by, and warns
NARROWEST_MM = 1e-10


@given(profile=profiles())
def test_any_profile_agrees_with_quadrature(profile):
    r, z = np.array(profile).T
    total = sum(
        quad(lambda x: 2 * math.pi * x * np.interp(x, r, z), a, b)[0]
        for a, b in pairwise(r)
        if b - a > NARROWEST_MM
    )
    assert crown_volume_cm3(profile) == pytest.approx(total / 1000, rel=1e-9, abs=1e-9)


@given(profile=profiles(), depth=st.floats(0, 2), inner=st.floats(0, 22))
def test_a_rim_cut_takes_what_stood_above_it(profile, depth, inner):
    # Outside reference: scipy integrates the height above the cut over the rim; beyond the profile the crown
    # is level with its edge.
    r, z = np.array([*profile, (profile[-1][0], 0.0), (23.0, 0.0)]).T

    def above(x: float) -> float:
        return 2 * math.pi * x * max(float(np.interp(x, r, z)) + depth, 0.0)

    stops = [inner, *(float(stop) for stop in r if stop > inner), 23.0]
    taken = sum(
        quad(above, a, b, limit=200, epsabs=1e-7)[0] for a, b in pairwise(stops) if b - a > NARROWEST_MM
    )
    found = rim_cut_volume_cm3(profile, 46.0, depth, inner_radius_mm=inner)
    assert found == pytest.approx(taken / 1000, rel=1e-6, abs=1e-7)
    after = cut_profile(profile, 46.0, depth, inner_radius_mm=inner)
    assert all(height <= -depth for radius, height in after if radius > inner)


def test_a_rim_cut_of_a_flat_crown_is_a_ring():
    assert rim_cut_volume_cm3([], 46.0, 0.5, inner_radius_mm=18) == pytest.approx(
        math.pi * (23**2 - 18**2) * 0.5 / 1000, rel=EXACT
    )
    assert rim_cut_volume_cm3([], 46.0, 0.5) == pytest.approx(math.pi * 23**2 * 0.5 / 1000, rel=EXACT)
    assert rim_cut_volume_cm3([], 46.0, 0.0) == 0


def test_a_dome_inside_the_band_is_left_standing():
    dome = [(0, 3), (18, 0), (23, 0)]
    after = cut_profile(dome, 46.0, 0.5, inner_radius_mm=18)
    assert after[0] == (0.0, 3.0)
    assert after[-2:] == ((18.0, -0.5), (23.0, -0.5))


@pytest.mark.parametrize(
    ("profile", "message"),
    [
        ([(0, 1)], "a profile needs two points or more"),
        ([], "a profile needs two points or more"),
        ([(1, 1), (2, 0)], r"crown_profile_mm\[0\]: the first radius is 1 mm, not 0; begin on the axis"),
        ([(0, 1), (9, 0), (8, 0)], r"crown_profile_mm\[2\]: radius 8 mm comes after 9 mm"),
        ([(0, 1), (9, math.nan)], r"crown_profile_mm\[1\]: a radius or height is not a number"),
    ],
    ids=["one point", "none", "off the axis", "back inward", "not a number"],
)
def test_profiles_refused(profile, message):
    with pytest.raises(GeometryError, match=message):
        crown_profile(profile)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"depth_mm": -0.1}, "-0.1 mm is not a cut"),
        ({"depth_mm": math.nan}, "is not a cut"),
        ({"inner_radius_mm": 23.0}, "leaves no rim in a bore of 46 mm; give one below 23 mm"),
        ({"bore_mm": 0.0}, "0 mm is not a bore"),
        ({"profile_mm": [(0, 1), (30, 0)]}, "radius 30 mm is outside a bore of 46 mm; give radii"),
    ],
    ids=["minus", "not a number", "no rim", "no bore", "a diameter"],
)
def test_cuts_refused(change, message):
    with pytest.raises(GeometryError, match=message):
        cut_profile(**{"profile_mm": [(0, 1), (20, 0)], "bore_mm": 46.0, "depth_mm": 0.5, **change})


@pytest.mark.parametrize(
    ("section", "message"),
    [
        ([(1, 0), (2, 0)], "a section needs three corners or more"),
        ([(-1, 0), (2, 0), (2, 1)], "reaches 1 mm across the axis"),
    ],
)
def test_sections_refused(section, message):
    with pytest.raises(GeometryError, match=message):
        revolved_volume_cm3(section)


@pytest.mark.parametrize(("radius", "height"), [(20, 0), (20, 21), (0, 1), (20, math.nan)])
def test_domes_refused(radius, height):
    with pytest.raises(GeometryError, match="no dome"):
        spherical_profile(radius, height)
