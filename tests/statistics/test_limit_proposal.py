"""Proposals of limits: how wide they are, when they are refused, and that they are no limits."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.decision import Limit, judge
from benchrig.statistics.limit_proposal import LimitProposal, propose_limits
from tests.published import Figure

K_99_95 = Figure(
    "two-sided k, n 30, 99/95",
    "ISO 16269-6 quantities, own integration, as tolerance_k.csv has it",
    "recomputed",
    30,
    3.3546,
)


def normal_values(n: int, *, mean: float = 5.0, deviation: float = 0.1) -> list[float]:
    """Values of normal shape with exactly this mean and deviation."""
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return list(mean + deviation * (z - z.mean()) / z.std(ddof=1))


def test_proposal_meets_the_figures_of_the_tolerance_factor() -> None:
    """Mean ± k s by the published k, and the guard outside of it on either side."""
    found = propose_limits(normal_values(K_99_95.inputs), guard=0.05)

    reach = K_99_95.expected * 0.1 + 0.05
    assert (found.proposed_low, found.proposed_high) == pytest.approx((5.0 - reach, 5.0 + reach), abs=1e-5)
    assert (found.method, found.basis.n, found.guard) == ("normal", 30, 0.05)


def test_one_side_proposes_one_limit() -> None:
    """A floor current has a limit above and none below."""
    found = propose_limits(normal_values(40), guard=0.0, side="high")

    assert found.proposed_low is None
    assert found.proposed_high is not None
    assert "proposed from data, not a requirement: at most " in found.words
    assert "at least" not in found.words


def test_skew_values_are_answered_without_a_distribution() -> None:
    """Enough exponential values propose between their own extremes, and the words say why."""
    values = np.random.default_rng(1).exponential(size=600)

    found = propose_limits(values, guard=0.01)

    assert found.method == "distribution-free"
    assert found.proposed_low is not None
    assert found.proposed_low + 0.01 in values
    assert "600 values contradict a normal distribution" in found.words


def test_too_few_skew_values_are_refused_with_what_is_missing() -> None:
    """Sixty exponential values propose nothing for 99/95: 473 are needed (scipy's binomial: 472 are not enough)."""
    values = np.random.default_rng(1).exponential(size=60)

    assert stats.binom.cdf(1, 473, 0.01) <= 0.05 < stats.binom.cdf(1, 472, 0.01)
    with pytest.raises(ValueError, match="without one 473 values are needed and 60 are given: measure 413 more"):
        propose_limits(values, guard=0.0)


def test_proposal_cannot_pass_for_a_limit() -> None:
    """The one comparator does not take it: the type checker refuses the line below, and so does running it.

    That the type checker does is proven by the ignore, which strict checking would report as unused.
    """
    proposal = propose_limits(normal_values(40), guard=0.0)

    assert not isinstance(proposal, Limit)
    assert not {field.name for field in dataclasses.fields(Limit)} & {
        field.name for field in dataclasses.fields(LimitProposal)
    }
    with pytest.raises(AttributeError, match="'LimitProposal' object has no attribute"):
        judge(5.0, unit="V", expanded_uncertainty=0.0, limit=proposal)  # type: ignore[arg-type]


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 1000), power=st.integers(-20, 20), guard=st.floats(0.0, 2.0))
def test_unit_and_order_do_not_matter(seed: int, power: int, guard: float) -> None:
    """In another unit and another order the proposal is the same."""
    rng = np.random.default_rng(seed)
    values, unit = np.array(normal_values(35)), 2.0**power

    one = propose_limits(values, guard=guard)
    other = propose_limits(rng.permutation(values) * unit, guard=guard * unit)

    assert one.proposed_high is not None
    assert other.proposed_high == pytest.approx(one.proposed_high * unit, rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(guard=st.floats(0.0, 2.0), coverage=st.floats(0.8, 0.99))
def test_all_values_of_a_small_lot_are_inside(guard: float, coverage: float) -> None:
    """No proposal of a wide enough coverage leaves out half of the boards it came from."""
    values = normal_values(30)

    found = propose_limits(values, guard=guard, coverage=coverage)

    assert found.proposed_low is not None
    assert found.proposed_high is not None
    inside = sum(found.proposed_low <= value <= found.proposed_high for value in values)
    assert inside >= coverage * len(values)


def test_what_proposes_nothing_is_refused() -> None:
    """Too few values, a guard that is none, values that are constant, too many of them."""
    with pytest.raises(ValueError, match="limit proposal: 29 values say too little, needed are 30 or more"):
        propose_limits(range(29), guard=0.0)
    for guard in (-0.1, float("nan"), float("inf")):
        with pytest.raises(ValueError, match=r"limit proposal: the guard is .*; accepted: a finite number from 0 up"):
            propose_limits(range(30), guard=guard)
    with pytest.raises(ValueError, match=r"limit proposal: all 30 values are 1.0"):
        propose_limits([1.0] * 30, guard=0.0)
    with pytest.raises(ValueError, match="100001 values; accepted: up to 100000: take the latest of them"):
        propose_limits(range(100_001), guard=0.0)
