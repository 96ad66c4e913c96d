"""First-order propagation: correlation, degrees of freedom, and what it refuses."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.errors import QuantityError
from portmap.gum import (
    checked_covariance,
    correlation_of,
    covariance_of,
    expanded_u,
    first_order,
    joint_u,
)


def difference(x):
    return x[0] - x[1]


@pytest.mark.parametrize(
    ("tie", "u"),
    [
        # u² = u₁² + u₂² − 2 r u₁ u₂, by hand from JCGM 100, 5.2.2
        pytest.param(1.0, 0.0, id="wholly correlated cancels"),
        pytest.param(0.0, math.sqrt(2.0), id="independent"),
        pytest.param(-1.0, 2.0, id="opposite adds up"),
        pytest.param(0.5, 1.0, id="half"),
    ],
)
def test_difference_of_two_correlated_inputs(tie, u):
    found = first_order([3.0, 1.0], u=[1.0, 1.0], correlation=[[1, tie], [tie, 1]], model=difference)
    assert found.value == 2.0
    assert found.u == pytest.approx(u, abs=1e-7)


def test_ten_equal_resistors_wholly_correlated_add_linearly():
    # JCGM 100, 5.2.2, example: ten resistors of 1000 Ω, u 100 mΩ, all against one standard: u 1 Ω
    found = first_order(
        np.full(10, 1000.0), u=np.full(10, 0.1), correlation=np.ones((10, 10)), sensitivities=np.ones(10)
    )
    assert found.value == pytest.approx(10_000.0)
    assert found.u == pytest.approx(1.0)


@given(st.integers(1, 6), st.integers(0, 2**32 - 1))
def test_shares_add_up_to_one(count, seed):
    random = np.random.default_rng(seed)
    root = random.normal(size=(count, count + 2))
    factors = random.normal(size=count)
    found = first_order(random.normal(size=count), covariance=root @ root.T, sensitivities=factors)
    assert sum(found.shares) == pytest.approx(1.0)
    assert found.u == pytest.approx(joint_u(factors, root @ root.T))


def test_differences_equal_known_sensitivities():
    values, u = np.array([2.0, 3.0]), [0.01, 0.02]
    by_model = first_order(values, u=u, model=lambda x: x[0] * x[1] ** 2)
    assert by_model.sensitivities == pytest.approx([9.0, 12.0], rel=1e-4)


def test_an_input_without_doubt_has_a_sensitivity_and_no_share():
    found = first_order([2.0, 3.0], u=[0.0, 0.1], model=lambda x: x[0] ** 2 + x[1])
    assert found.sensitivities == pytest.approx([4.0, 1.0])
    assert found.contributions[0] == 0.0
    assert found.shares == (0.0, 1.0)


def test_second_order_of_a_square_at_zero():
    # x² of a normal x about 0: variance 2 u⁴ (fourth moment of the normal distribution), first order none
    found = first_order([0.0], u=[0.3], model=lambda x: x[0] ** 2, second_order=True)
    assert found.u == pytest.approx(math.sqrt(2) * 0.09)


def test_second_order_of_a_cube():
    # x³ about m: 9 m⁴ u² + (½·36 m² + 3 m²·6) u⁴ = 9 m⁴ u² + 36 m² u⁴, the series to that order
    found = first_order([2.0], u=[0.1], model=lambda x: x[0] ** 3, second_order=True)
    assert found.u**2 == pytest.approx(9 * 16 * 0.01 + 36 * 4 * 1e-4, rel=2e-3)


def test_product_of_two_about_zero_has_second_order_alone():
    # x·y about 0, 0: variance u² v² exactly
    found = first_order([0.0, 0.0], u=[0.2, 0.3], model=lambda x: x[0] * x[1], second_order=True)
    assert found.u == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("freedom", "expected"),
    [
        pytest.param([4.0, 4.0], 8.0, id="two alike add their freedom"),
        pytest.param([9.0, np.inf], 36.0, id="half the variance: four times the freedom"),
        pytest.param([np.inf, np.inf], np.inf, id="certain"),
    ],
)
def test_welch_satterthwaite(freedom, expected):
    found = first_order([0, 0], u=[1, 1], sensitivities=[1, 1], degrees_of_freedom=freedom)
    assert found.degrees_of_freedom == pytest.approx(expected)


@pytest.mark.parametrize(
    ("freedom", "coverage", "factor"),
    [
        # JCGM 100, table G.2 (Student's t), from memory; the normal row is 1.960
        pytest.param(1.0, 0.95, 12.71, id="one"),
        pytest.param(10.9, 0.95, 2.23, id="cut down to ten"),
        pytest.param(50.0, 0.95, 2.01, id="fifty"),
        pytest.param(np.inf, 0.95, 1.960, id="certain"),
        pytest.param(5.0, 0.99, 4.03, id="five at 99 %"),
    ],
)
def test_coverage_factor(freedom, coverage, factor):
    found = first_order([0], u=[2.0], sensitivities=[1], degrees_of_freedom=[freedom])
    k, expanded = expanded_u(found, coverage)
    assert k == pytest.approx(factor, abs=0.005)
    assert expanded == pytest.approx(2 * k)


def test_correlation_and_back():
    matrix = covariance_of([0.1, 0.0, 3.0], [[1, 0, 0.4], [0, 1, 0], [0.4, 0, 1]])
    assert correlation_of(matrix) == pytest.approx(np.array([[1, 0, 0.4], [0, 1, 0], [0.4, 0, 1]]))


@pytest.mark.parametrize(
    ("given_", "match"),
    [
        pytest.param({"u": [1, -1], "model": difference}, "below 0 or no number", id="negative u"),
        pytest.param(
            {"u": [1, np.nan], "model": difference}, "below 0 or no number", id="u that is no number"
        ),
        pytest.param({"model": difference}, "twice or not at all", id="no doubt given"),
        pytest.param(
            {"u": [1, 1], "covariance": np.eye(2), "model": difference},
            "twice or not",
            id="doubt given twice",
        ),
        pytest.param({"u": [1, 1, 1], "model": difference}, "3 inputs does not fit 2", id="too many doubts"),
        pytest.param({"u": [1, 1]}, "neither a model nor", id="nothing to compute"),
        pytest.param({"u": [1, 1], "sensitivities": [1]}, "do not fit 2 inputs", id="too few sensitivities"),
        pytest.param(
            {"u": [1, 1], "correlation": [[1, 2], [2, 1]], "model": difference},
            "variance below 0",
            id="correlation above one",
        ),
        pytest.param(
            {"u": [1, 1], "correlation": [[2, 0], [0, 2]], "model": difference}, "1 on its diag", id="no ones"
        ),
        pytest.param(
            {"covariance": [[1, 0.5], [0, 1]], "model": difference}, "not symmetric", id="lopsided covariance"
        ),
        pytest.param({"covariance": [1, 2], "model": difference}, "not a square", id="covariance of one row"),
        pytest.param(
            {"u": [1, 1], "model": difference, "degrees_of_freedom": [0, 1]}, "above 0", id="no freedom"
        ),
        pytest.param(
            {
                "u": [1, 1],
                "correlation": [[1, 0.5], [0.5, 1]],
                "model": difference,
                "degrees_of_freedom": [5, 5],
            },
            "independent inputs only",
            id="freedom of correlated inputs",
        ),
        pytest.param(
            {
                "u": [1, 1],
                "correlation": [[1, 0.5], [0.5, 1]],
                "model": difference,
                "second_order": True,
            },
            "second order",
            id="second order of correlated inputs",
        ),
    ],
)
def test_what_is_refused(given_, match):
    with pytest.raises(QuantityError, match=match):
        first_order([3.0, 1.0], **given_)


@pytest.mark.parametrize("coverage", [0.0, 1.0, 95.0, np.nan])
def test_a_coverage_that_is_no_probability(coverage):
    with pytest.raises(QuantityError, match="no probability"):
        expanded_u(first_order([0], u=[1], sensitivities=[1]), coverage)


def test_inputs_of_very_different_size_are_judged_each_in_its_own_unit():
    u = np.array([1e-9, 1e6])
    assert checked_covariance(np.outer(u, u)) == pytest.approx(np.outer(u, u))
