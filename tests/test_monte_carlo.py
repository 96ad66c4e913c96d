"""Distributions, intervals and agreement against closed forms and scipy."""

import numpy as np
import pytest
import scipy.stats

from portmap.distributions import (
    Arcsine,
    Certain,
    Joint,
    Normal,
    Rectangular,
    StudentT,
    Triangular,
    draws,
)
from portmap.errors import QuantityError
from portmap.gum import first_order
from portmap.monte_carlo import (
    agreement,
    interval_of,
    monte_carlo,
    shortest_interval_of,
    summary_of,
)

COUNT = 200_000
# a Kolmogorov–Smirnov distance that draws from the right distribution pass but once in 10⁹
DISTANCE = 3.3 / np.sqrt(COUNT)

SHAPES = {
    "normal": (Normal(mean=2.0, u=0.3), scipy.stats.norm(2.0, 0.3)),
    "rectangular": (Rectangular(low=1.2, high=1.3), scipy.stats.uniform(1.2, 0.1)),
    "triangular": (Triangular(low=-1.0, high=3.0), scipy.stats.triang(0.5, -1.0, 4.0)),
    "arcsine": (Arcsine(low=-2.0, high=4.0), scipy.stats.arcsine(-2.0, 6.0)),
    "t": (StudentT(mean=1.0, scale=0.5, degrees_of_freedom=4.0), scipy.stats.t(4.0, 1.0, 0.5)),
}


@pytest.mark.parametrize("name", SHAPES)
def test_draws_follow_their_distribution(name):
    one, reference = SHAPES[name]
    (drawn,) = draws([one], COUNT, np.random.default_rng(5))
    assert scipy.stats.ks_1samp(drawn, reference.cdf).statistic < DISTANCE


@pytest.mark.parametrize(
    ("one", "u"),
    [
        # JCGM 101, table 1: a/√3, a/√6, a/√2 of the half width a
        pytest.param(Rectangular(low=-1, high=1), 1 / np.sqrt(3), id="rectangular"),
        pytest.param(Triangular(low=-1, high=1), 1 / np.sqrt(6), id="triangular"),
        pytest.param(Arcsine(low=-1, high=1), 1 / np.sqrt(2), id="arcsine"),
    ],
)
def test_standard_uncertainties_of_table_1(one, u):
    assert np.std(draws([one], COUNT, np.random.default_rng(6))) == pytest.approx(u, rel=4 / np.sqrt(COUNT))


def test_joint_draws_have_their_covariance():
    covariance = np.array([[4.0, 1.2, 0.0], [1.2, 1.0, -0.3], [0.0, -0.3, 0.25]])
    drawn = draws([Joint(means=(1, 2, 3), covariance=covariance)], COUNT, np.random.default_rng(7))
    assert drawn.mean(axis=1) == pytest.approx([1, 2, 3], abs=4 * 2 / np.sqrt(COUNT))
    assert np.cov(drawn) == pytest.approx(covariance, abs=4 * 4 * np.sqrt(2 / COUNT))


def test_a_singular_covariance_keeps_the_inputs_together():
    u = np.array([0.02, 0.02, 1e-5])
    one = Joint(means=(61.0, 39.0, 6.0), covariance=np.outer(u, u))
    drawn = draws([one], 1000, np.random.default_rng(8))
    assert np.ptp(drawn[0] - drawn[1]) < 1e-12
    assert np.std(drawn[0]) == pytest.approx(0.02, rel=0.1)


def test_rows_stand_in_the_order_of_the_inputs():
    inputs = [Certain(value=1.0), Joint(means=(2.0, 3.0), covariance=((0, 0), (0, 0))), Certain(value=4.0)]
    assert draws(inputs, 3, np.random.default_rng(0))[:, 0].tolist() == [1.0, 2.0, 3.0, 4.0]


def test_the_same_seed_gives_the_same_draws():
    inputs = [Normal(mean=0, u=1), Rectangular(low=0, high=1)]
    first, again, other = (monte_carlo(lambda x: x[0] * x[1], inputs, seed=seed) for seed in (4, 4, 5))
    assert first == again
    assert first != other


def test_shortest_interval_of_an_exponential_begins_at_nothing():
    drawn = np.sort(np.random.default_rng(9).exponential(size=COUNT))
    low, high = shortest_interval_of(drawn)
    assert low == pytest.approx(0.0, abs=0.002)
    assert high == pytest.approx(-np.log(0.05), abs=0.05)  # its 95 % quantile
    symmetric = interval_of(drawn)
    assert symmetric == pytest.approx(-np.log([0.975, 0.025]), abs=0.05)


def test_intervals_hold_the_stated_share_of_draws():
    drawn = np.random.default_rng(10).gamma(2.0, size=10_000)
    for coverage in (0.5, 0.9, 0.95, 0.99):
        found = summary_of(drawn, coverage)
        for low, high in (found.interval, found.shortest):
            assert np.mean((drawn >= low) & (drawn <= high)) == pytest.approx(coverage, abs=2 / len(drawn))


def test_draws_without_a_result_are_counted():
    values = np.concatenate([np.linspace(0, 1, 500), np.full(20, np.nan)])
    found = summary_of(values)
    assert (found.count, found.without) == (500, 20)


def test_no_doubt_agrees_with_no_doubt():
    first = first_order([104.0], u=[0.0], sensitivities=[1.0])
    assert agreement(first, summary_of(np.full(1000, 104.0))).agrees


def test_few_draws_are_no_reproach():
    first = first_order([0.0], u=[0.94], sensitivities=[1.0])  # one digit, 0.9: tolerance 0.05, 5 % of u
    random = np.random.default_rng(13)
    for count in (200, 2000, 10_000):
        agreed = [agreement(first, summary_of(random.normal(0, 0.94, count))).agrees for _ in range(200)]
        assert np.mean(agreed) > 0.98


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    [
        # JCGM 101, 7.9.2: u = c × 10^l with c of so many digits, tolerance ½ 10^l
        pytest.param(0.35e-3, 2, 0.5e-5, id="0.35 mg to two digits"),
        pytest.param(2.0, 1, 0.5, id="2 K to one digit"),
        pytest.param(0.097, 1, 0.05, id="0.097 rounds to 0.1"),
    ],
)
def test_tolerance_is_half_the_last_digit_meant(u, digits, tolerance):
    first = first_order([0.0], u=[u], sensitivities=[1.0])
    drawn = summary_of(np.random.default_rng(11).normal(0, u, 1000))
    assert agreement(first, drawn, digits=digits).tolerance == pytest.approx(tolerance)


@pytest.mark.parametrize(
    ("work", "match"),
    [
        pytest.param(lambda r: draws([Certain(value=0)], 0, r), "0 draws are none", id="no draws"),
        pytest.param(lambda r: draws([Normal(mean=0, u=-1)], 5, r), "below 0", id="negative u"),
        pytest.param(lambda r: draws([Rectangular(low=2, high=1)], 5, r), "wrong way round", id="limits"),
        pytest.param(
            lambda r: draws([StudentT(mean=0, scale=1, degrees_of_freedom=0)], 5, r),
            "freedom",
            id="no freedom",
        ),
        pytest.param(
            lambda r: draws([Joint(means=(1,), covariance=((1, 0), (0, 1)))], 5, r), "not fit", id="means"
        ),
        pytest.param(lambda r: summary_of(np.zeros(99)), "99 draws with a result", id="too few"),
        pytest.param(lambda r: summary_of(np.full(500, np.nan)), "0 draws with a result", id="no result"),
        pytest.param(lambda r: summary_of(np.zeros(500), 1.5), "no probability", id="coverage"),
    ],
)
def test_what_is_refused(work, match):
    with pytest.raises(QuantityError, match=match):
        work(np.random.default_rng(0))


def test_agreement_to_no_digit_is_refused():
    first = first_order([0.0], u=[1.0], sensitivities=[1.0])
    with pytest.raises(QuantityError, match="say nothing"):
        agreement(first, summary_of(np.zeros(500)), digits=0)
