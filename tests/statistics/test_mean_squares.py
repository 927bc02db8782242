"""Intervals of mean squares: the exact cases by scipy, the others by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.mean_squares import MeanSquare, Term, mean_square_interval


@settings(deadline=None)
@given(mean=st.floats(1e-6, 1e6), dof=st.floats(1.0, 200.0), tail=st.floats(0.005, 0.25))
def test_one_mean_square_has_the_exact_interval(mean: float, dof: float, tail: float) -> None:
    """A single term is by scipy's chi-square, whole degrees of freedom or not."""
    found = mean_square_interval((Term(1.0, MeanSquare(mean * dof, dof)),), tail=tail)

    expected = [mean * dof / stats.chi2.ppf(one, dof) for one in (1.0 - tail, tail)]
    assert found == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("ratio", [1.0, 4.0, 100.0])
@pytest.mark.parametrize("weight", [-1.0, 1.0])
def test_interval_holds_the_truth_as_often_as_it_says(weight: float, ratio: float) -> None:
    """Of 1500 pairs of mean squares (9 and 18 degrees) 95 % hold the true sum, or difference (binomial, 4 sigma)."""
    rng = np.random.default_rng(21)
    ones, others = ratio * rng.chisquare(9, 1500), rng.chisquare(18, 1500)
    truth = ratio + weight

    held = 0
    for one, other in zip(ones.tolist(), others.tolist(), strict=True):
        terms = (Term(1.0, MeanSquare(one, 9)), Term(weight, MeanSquare(other, 18)))
        low, high = mean_square_interval(terms, tail=0.025)
        held += low <= truth <= high

    assert abs(held / 1500 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 1500) + 0.01


@pytest.mark.parametrize("scale", [1.0, 25.0])
@pytest.mark.parametrize(("probability", "end"), [(0.975, 0), (0.025, 1)])
def test_difference_that_is_nothing_meets_the_f_test(probability: float, end: int, scale: float) -> None:
    """Where the ratio of both is an F quantile, that end of their difference is 0: exact, as the method wants."""
    ratio = stats.f.ppf(probability, 9, 18)
    terms = (
        Term(0.1, MeanSquare(scale * ratio * 9, 9)),
        Term(-0.1, MeanSquare(scale * 18.0, 18)),
    )

    assert mean_square_interval(terms, tail=0.025)[end] == pytest.approx(0.0, abs=1e-7 * scale)


def test_sum_has_the_interval_of_its_formula() -> None:
    """The formula of Graybill and Wang, written out with scipy's quantiles and weights that are not 1."""
    terms = (Term(0.25, MeanSquare(6.0, 2)), Term(0.5, MeanSquare(36.0, 18)))
    low_squares = [
        ((1.0 - dof / stats.chi2.ppf(0.975, dof)) * part) ** 2 for dof, part in ((2, 0.25 * 3.0), (18, 0.5 * 2.0))
    ]
    high_squares = [
        ((dof / stats.chi2.ppf(0.025, dof) - 1.0) * part) ** 2 for dof, part in ((2, 0.25 * 3.0), (18, 0.5 * 2.0))
    ]

    found = mean_square_interval(terms, tail=0.025)

    assert found == pytest.approx((1.75 - math.sqrt(sum(low_squares)), 1.75 + math.sqrt(sum(high_squares))), rel=1e-9)


def test_other_differences_are_refused() -> None:
    """The method here knows one term that is taken off, and it stands second."""
    one = MeanSquare(1.0, 3)
    with pytest.raises(
        ValueError, match="3 terms with one that is taken off; accepted: two, of which it is the second"
    ):
        mean_square_interval((Term(1.0, one), Term(1.0, one), Term(-1.0, one)), tail=0.025)
    with pytest.raises(ValueError, match="2 terms with one that is taken off"):
        mean_square_interval((Term(-1.0, one), Term(1.0, one)), tail=0.025)
