"""The noncentral t against scipy, and against Student's t where its shift is 0."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.student_t import two_sided_quantile
from benchrig.statistics.noncentral_t import noncentral_t_below, noncentral_t_quantile, noncentral_t_shift

CASES = [(1, 2.3), (4, 3.7), (9, 5.2), (9, -5.2), (29, 9.0), (42, 8.4), (299, 30.0), (999, 52.0)]


@pytest.mark.parametrize(("dof", "shift"), CASES)
@pytest.mark.parametrize("probability", [0.005, 0.05, 0.5, 0.95, 0.99])
def test_quantile_is_that_of_scipy(dof: int, shift: float, probability: float) -> None:
    """Ten digits of what tolerance factors and capability intervals ask for."""
    expected = stats.nct.ppf(probability, dof, shift)

    assert noncentral_t_quantile(probability, dof=dof, shift=shift) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(dof=st.integers(2, 2000), coverage=st.floats(0.5, 0.999))
def test_without_shift_it_is_student(dof: int, coverage: float) -> None:
    """With no shift the quantile is that of Student's t, which another module computes in another way."""
    expected = two_sided_quantile(coverage, dof=dof)

    assert noncentral_t_quantile(0.5 + 0.5 * coverage, dof=dof, shift=0.0) == pytest.approx(expected, rel=1e-8)


@settings(deadline=None, max_examples=50)
@given(dof=st.integers(2, 500), shift=st.floats(-30.0, 30.0), probability=st.floats(0.001, 0.999))
def test_shift_is_found_back(dof: int, shift: float, probability: float) -> None:
    """The shift of which a quantile is the quantile is the one it was computed with."""
    t = noncentral_t_quantile(probability, dof=dof, shift=shift)

    assert noncentral_t_shift(t, dof=dof, probability=probability) == pytest.approx(shift, abs=1e-7)


def test_what_is_no_number_is_refused() -> None:
    """Each argument is named, with what is accepted."""
    with pytest.raises(ValueError, match="t is nan; accepted: from -1e6 to 1e6"):
        noncentral_t_below(math.nan, dof=3, shift=0.0)
    with pytest.raises(ValueError, match="shift is inf; accepted"):
        noncentral_t_below(0.0, dof=3, shift=math.inf)
    with pytest.raises(ValueError, match=r"degrees of freedom are 0.5; accepted: a finite number from 1 up"):
        noncentral_t_below(0.0, dof=0.5, shift=0.0)
    with pytest.raises(ValueError, match=r"probability is 1.0; accepted: from 0.0001 to 0.9999"):
        noncentral_t_quantile(1.0, dof=3, shift=0.0)
    with pytest.raises(ValueError, match=r"probability is 0.0; accepted: from 0.0001 to 0.9999"):
        noncentral_t_shift(1.0, dof=3, probability=0.0)
