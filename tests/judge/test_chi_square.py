"""Chi-square quantiles against scipy, and the interval of a standard deviation against its own promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.chi_square import chi_square_quantile, deviation_interval


@settings(deadline=None)
@given(probability=st.floats(1e-6, 1.0 - 1e-6), dof=st.floats(0.5, 2000.0))
def test_quantile_is_that_of_scipy(probability: float, dof: float) -> None:
    """Any probability and degrees of freedom of a bench give scipy's quantile."""
    expected = stats.chi2.ppf(probability, dof)

    assert chi_square_quantile(probability, dof=dof) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Of 20 000 series of 6 normal readings the true deviation is inside at 95 % (binomial, 4 sigma)."""
    deviations = np.random.default_rng(3).standard_normal((20_000, 6)).std(axis=1, ddof=1)
    low, high = deviation_interval(1.0, dof=5, coverage=0.95)

    inside = int(((deviations * low <= 1.0) & (deviations * high >= 1.0)).sum())

    assert abs(inside - 19_000) < 4 * math.sqrt(20_000 * 0.95 * 0.05)


def test_noise_known_exactly_has_no_interval() -> None:
    """Infinite degrees of freedom leave no doubt, and no noise has none."""
    assert deviation_interval(0.25, dof=math.inf) == (0.25, 0.25)
    assert deviation_interval(0.0, dof=5) == (0.0, 0.0)


@pytest.mark.parametrize("probability", [0.0, 1.0, math.nan])
def test_probability_that_is_none_is_refused(probability: float) -> None:
    """A quantile is asked for between 0 and 1."""
    with pytest.raises(ValueError, match=r"probability is .*; accepted: above 0 and below 1"):
        chi_square_quantile(probability, dof=1)


@pytest.mark.parametrize(
    ("deviation", "dof", "coverage", "text"),
    [
        pytest.param(-1.0, 5, 0.95, "standard deviation is -1.0", id="negative"),
        pytest.param(math.nan, 5, 0.95, "standard deviation is nan", id="NaN"),
        pytest.param(1.0, 0, 0.95, "degrees of freedom are 0", id="no freedom"),
        pytest.param(1.0, 5, 1.0, "coverage is 1.0", id="certainty"),
    ],
)
def test_interval_of_nothing_is_refused(deviation: float, dof: float, coverage: float, text: str) -> None:
    """What is no deviation, no degrees of freedom or no coverage is named."""
    with pytest.raises(ValueError, match=text):
        deviation_interval(deviation, dof=dof, coverage=coverage)
