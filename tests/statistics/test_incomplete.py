"""Incomplete beta and gamma functions and their quantiles against scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.incomplete import (
    beta_quantile,
    beta_tails,
    f_quantile,
    f_upper_tail,
    gamma_tails,
    rising_root,
)
from tests.published import Figure

SIRSTV_F = Figure(
    "F of SiRstv",
    "NIST Statistical Reference Datasets, analysis of variance, SiRstv, certified value (file shipped with scipy)",
    "seen-2nd + recomputed",
    {"dof": 4.0, "dof_below": 20.0},
    1.18046237440255,
)

shapes = st.floats(0.5, 1e4)


@settings(deadline=None)
@given(x=st.floats(1e-6, 1.0 - 1e-6), a=shapes, b=shapes)
@example(x=0.999, a=300.0, b=2.0)
@example(x=0.5, a=1e5, b=1e5)
def test_beta_tails_are_those_of_scipy(x: float, a: float, b: float) -> None:
    """Both tails, the larger to its digits and the smaller to its own wherever it is reached from its own side."""
    lower, upper = beta_tails(x, a=a, b=b)

    assert lower == pytest.approx(stats.beta.cdf(x, a, b), rel=1e-8, abs=1e-13)
    assert upper == pytest.approx(stats.beta.sf(x, a, b), rel=1e-8, abs=1e-13)


@settings(deadline=None)
@given(share=st.floats(0.01, 3.0), a=st.floats(0.5, 1e4))
def test_gamma_tails_are_those_of_scipy(share: float, a: float) -> None:
    """Both tails from far below the mean to three times it."""
    lower, upper = gamma_tails(share * a, a=a)

    assert lower == pytest.approx(stats.gamma.cdf(share * a, a), rel=1e-8, abs=1e-13)
    assert upper == pytest.approx(stats.gamma.sf(share * a, a), rel=1e-8, abs=1e-13)


@settings(deadline=None)
@given(probability=st.floats(1e-6, 1.0 - 1e-6), a=shapes, b=shapes)
def test_beta_quantile_is_that_of_scipy(probability: float, a: float, b: float) -> None:
    """Any probability and shapes of a share give scipy's quantile."""
    expected = stats.beta.ppf(probability, a, b)

    assert beta_quantile(probability, a=a, b=b) == pytest.approx(expected, rel=1e-8, abs=1e-15)


@pytest.mark.parametrize("probability", [0.005, 0.025, 0.05, 0.5, 0.95, 0.975, 0.995])
@pytest.mark.parametrize(("dof", "below"), [(1, 4), (2, 60), (9, 18), (18, 60), (9, 1e5)])
def test_f_quantile_is_that_of_scipy(dof: float, below: float, probability: float) -> None:
    """The variance ratios of a gauge study."""
    assert f_quantile(probability, dof=dof, dof_below=below) == pytest.approx(
        stats.f.ppf(probability, dof, below), rel=1e-9
    )


def test_f_quantile_over_a_known_variance_is_chi_square() -> None:
    """Infinite degrees of freedom below leave chi-square by its degrees of freedom."""
    assert f_quantile(0.95, dof=9, dof_below=math.inf) == pytest.approx(stats.chi2.ppf(0.95, 9) / 9, rel=1e-10)


def test_f_tail_meets_the_figures_of_sirstv() -> None:
    """The certified F of SiRstv has the tail that scipy gives it."""
    assert f_upper_tail(SIRSTV_F.expected, **SIRSTV_F.inputs) == pytest.approx(
        stats.f.sf(SIRSTV_F.expected, 4, 20), rel=1e-12
    )


@settings(deadline=None)
@given(root=st.floats(-5.0, 5.0), steep=st.floats(0.1, 50.0))
def test_root_is_found_between_its_bounds(root: float, steep: float) -> None:
    """A steep or a flat rising curve is followed to where it passes 0."""
    found = rising_root(lambda x: math.tanh(steep * (x - root)), -6.0, 6.0)

    assert found == pytest.approx(root, abs=1e-9)


def test_root_outside_of_the_bounds_is_the_nearer_bound() -> None:
    """Where the curve does not pass 0, the bound next to it is returned."""
    assert rising_root(lambda x: x, 1.0, 2.0) == 1.0
    assert rising_root(lambda x: x, -2.0, -1.0) == -1.0


def test_ends_are_exact() -> None:
    """At the ends of its range a variable is surely on one side."""
    assert beta_tails(0.0, a=2.0, b=3.0) == (0.0, 1.0)
    assert beta_tails(1.0, a=2.0, b=3.0) == (1.0, 0.0)
    assert gamma_tails(0.0, a=2.0) == (0.0, 1.0)
    assert gamma_tails(math.inf, a=2.0) == (1.0, 0.0)
    assert f_upper_tail(math.inf, dof=2, dof_below=3) == 0.0


def test_what_is_no_shape_or_probability_is_refused() -> None:
    """The number is named, with what is accepted."""
    with pytest.raises(ValueError, match=r"shape a is 0.0; accepted: above 0"):
        beta_tails(0.5, a=0.0, b=1.0)
    with pytest.raises(ValueError, match="shape a is nan; accepted: above 0"):
        gamma_tails(0.5, a=math.nan)
    with pytest.raises(ValueError, match=r"x is 1.5; accepted: from 0 to 1"):
        beta_tails(1.5, a=1.0, b=1.0)
    with pytest.raises(ValueError, match=r"x is -1.0; accepted: 0 or more"):
        gamma_tails(-1.0, a=1.0)
    with pytest.raises(ValueError, match=r"probability is 1.0; accepted: above 0 and below 1"):
        beta_quantile(1.0, a=1.0, b=1.0)
    with pytest.raises(ValueError, match="variance ratio is nan; accepted: 0 or more"):
        f_upper_tail(math.nan, dof=1, dof_below=1)
