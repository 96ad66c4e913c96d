"""The worked examples of the guides to uncertainty: JCGM 100:2008, H.1, and JCGM 101:2008, 9.2.2 to 9.2.4.

The inputs and printed results are from memory of the two documents; each was worked again by hand from its
definition, and the figure so found stands beside the printed one.
"""

import numpy as np
import pytest

from portmap.distributions import Normal, Rectangular
from portmap.gum import expanded_u, first_order
from portmap.monte_carlo import agreement, monte_carlo

# JCGM 100, table H.1: an end gauge against a standard, in nm and °C
GAUGE = {
    # value, u, degrees of freedom
    "standard": (50.000623e6, 25.0, 18.0),
    "difference": (215.0, 9.7, 25.6),
    "expansion difference": (0.0, 0.58e-6, 50.0),
    "temperature off 20 °C": (-0.1, 0.41, np.inf),
    "expansion": (11.5e-6, 1.2e-6, np.inf),
    "temperature difference": (0.0, 0.05 / np.sqrt(3), 2.0),
}


def gauge_length(x):
    standard, difference, expansion_off, warm, expansion, warmer = x
    return standard + difference - standard * (expansion_off * warm + expansion * warmer)


@pytest.fixture(scope="module")
def gauge():
    values, u, freedom = np.array(list(GAUGE.values())).T
    return first_order(values, u=u, model=gauge_length, degrees_of_freedom=freedom)


def test_end_gauge_length(gauge):
    assert gauge.value == pytest.approx(50.000838e6, abs=0.5)  # H.1.6, printed to 1 nm


def test_end_gauge_contributions(gauge):
    # H.1.3.6 prints 25, 9.7, 2.9, 0, 0, 16.6 nm
    assert np.abs(gauge.contributions) == pytest.approx([25, 9.7, 2.9, 0, 0, 16.6], abs=0.05)


def test_end_gauge_standard_uncertainty(gauge):
    assert gauge.u == pytest.approx(31.67, abs=0.05)  # printed 32 nm; worked by hand 31.67 (16.6 for 16.68)


def test_end_gauge_degrees_of_freedom(gauge):
    # printed 16, cut down from 16.7; by hand 16.76 with contributions rounded as printed
    assert gauge.degrees_of_freedom == pytest.approx(16.76, abs=0.05)


def test_end_gauge_expanded(gauge):
    k, expanded = expanded_u(gauge, 0.99)
    assert k == pytest.approx(2.92, abs=0.005)
    # printed 93 nm, which is 2.92 × the rounded 32; unrounded 92.5
    assert expanded == pytest.approx(93, abs=1.0)


def test_end_gauge_with_terms_of_second_order():
    values, u, _ = np.array(list(GAUGE.values())).T
    found = first_order(values, u=u, model=gauge_length, second_order=True)
    assert found.u == pytest.approx(34, abs=0.5)  # H.1.7 prints 34 nm
    # by hand: 50 mm × 0.58e-6 × 0.41 = 11.9 nm and 50 mm × 1.2e-6 × 0.0289 = 1.73 nm
    assert found.second_order_u == pytest.approx(np.hypot(11.89, 1.73), abs=0.02)


DRAWS = 1_000_000
# four standard deviations of what so many draws leave: of a standard deviation of 2, and of an interval's end
U_SCATTER = 4 * 2 / np.sqrt(2 * DRAWS)
END_SCATTER = 4 * np.sqrt(0.025 * 0.975 / DRAWS) / 0.0289


def added(x):
    return x.sum(axis=0)


def rectangular(u: float) -> Rectangular:
    return Rectangular(low=-u * np.sqrt(3), high=u * np.sqrt(3))


SUMS = {
    # inputs, u, end by draws, end by first order: by hand, or from the Irwin–Hall distribution
    "9.2.2 four normal": ([Normal(mean=0, u=1)] * 4, 2.0, 3.919928, 3.919928),
    "9.2.3 four rectangular of one width": ([rectangular(1)] * 4, 2.0, 3.879407, 3.919928),
}


@pytest.mark.parametrize("name", SUMS)
def test_sum_of_four(name):
    inputs, u, end, _ = SUMS[name]
    found = monte_carlo(added, inputs, count=DRAWS, seed=92)
    assert found.u == pytest.approx(u, abs=U_SCATTER)
    for low, high in (found.interval, found.shortest):
        assert high - low == pytest.approx(2 * end, abs=2 * END_SCATTER)
    assert found.interval == pytest.approx((-end, end), abs=END_SCATTER)


@pytest.mark.parametrize("name", SUMS)
def test_first_order_of_a_sum_of_four(name):
    _, u, _, end = SUMS[name]
    found = first_order(np.zeros(4), u=np.ones(4), model=added)
    assert found.u == pytest.approx(u, rel=1e-12)
    assert expanded_u(found)[1] == pytest.approx(end, abs=1e-6)


def test_one_wide_rectangular_among_narrow_ones():
    inputs = [rectangular(1), rectangular(1), rectangular(1), rectangular(10)]
    found = monte_carlo(added, inputs, count=DRAWS, seed=924)
    assert found.u == pytest.approx(10.1489, abs=U_SCATTER * 5)  # √103; 9.2.4 prints 10.1
    assert found.interval == pytest.approx((-17.0, 17.0), abs=0.05 + END_SCATTER)  # printed to 0.1
    first = first_order(np.zeros(4), u=[1, 1, 1, 10], model=added)
    assert expanded_u(first)[1] == pytest.approx(19.8915, abs=1e-3)  # printed 19.9


@pytest.mark.parametrize(
    ("inputs", "u", "digits", "agrees"),
    [
        pytest.param([Normal(mean=0, u=1)] * 4, [1] * 4, 2, True, id="normal, two digits"),
        pytest.param([rectangular(1)] * 4, [1] * 4, 2, True, id="rectangular, off by 0.04 of 0.05"),
        pytest.param([rectangular(1)] * 4, [1] * 4, 3, False, id="rectangular, three digits"),
        pytest.param(
            [*[rectangular(1)] * 3, rectangular(10)],
            [1, 1, 1, 10],
            2,
            False,
            id="one wide, off by 2.9 of 0.5",
        ),
    ],
)
def test_validation_of_the_first_order(inputs, u, digits, agrees):
    # JCGM 101, clause 8, applied by hand to the exact ends above
    found = monte_carlo(added, inputs, count=DRAWS, seed=8)
    assert agreement(first_order(np.zeros(4), u=u, model=added), found, digits=digits).agrees is agrees
