"""Tolerance factors against published tables, and intervals against their own promise."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.tolerance import (
    free_interval,
    howe_factor,
    normal_interval,
    one_sided_factor,
    two_sided_factor,
    values_needed,
)
from tests.published import Figure
from tests.statistics.published_tables import rows_of, source_of

if TYPE_CHECKING:
    from collections.abc import Callable

TABLE = "tolerance_k.csv"
FACTORS: dict[str, Callable[..., float]] = {
    "k_two_sided_exact": two_sided_factor,
    "k_two_sided_howe": howe_factor,
    "k_one_sided": one_sided_factor,
}
FIGURES = [
    Figure(
        f"{column} of {row['n']}, {row['coverage']}/{row['confidence']}",
        source_of(TABLE),
        row["seen"],
        (column, int(row["n"]), float(row["coverage"]), float(row["confidence"])),
        float(row[column]),
    )
    for row in rows_of(TABLE)
    for column in FACTORS
]
HANDBOOK = "NIST/SEMATECH e-Handbook 7.2.6.3, example with n 43, 90 % at 99 %, as a worksheet quotes it"
EXAMPLE = [
    Figure("Howe, n 43", HANDBOOK, "seen-2nd + recomputed", "k_two_sided_howe", 2.2173),
    Figure("exact, n 43", "toleranceinterval 1.0.3 and own integration", "recomputed", "k_two_sided_exact", 2.2228),
    Figure("one-sided, n 43", "toleranceinterval 1.0.3 and own integration", "recomputed", "k_one_sided", 1.8740),
]
WILKS = [
    Figure("95/95, both", "S. S. Wilks, Annals of Mathematical Statistics 12 (1941)", "memory", "both", 93),
    Figure("95/95, one side", "S. S. Wilks, Annals of Mathematical Statistics 12 (1941)", "memory", "high", 59),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_factors_meet_the_figures_of_the_table(figure: Figure[tuple[str, int, float, float], float]) -> None:
    """Every factor to the four decimals of the table."""
    name, n, coverage, confidence = figure.inputs

    found = FACTORS[name](n, coverage=coverage, confidence=confidence)

    assert found == pytest.approx(figure.expected, abs=6e-5), figure


@pytest.mark.parametrize("figure", EXAMPLE, ids=lambda figure: figure.id)
def test_factors_meet_the_figures_of_the_example(figure: Figure[str, float]) -> None:
    """43 values, 90 % of boards, 99 % confidence."""
    assert FACTORS[figure.inputs](43, coverage=0.90, confidence=0.99) == pytest.approx(figure.expected, abs=5.1e-5)


@pytest.mark.parametrize("figure", WILKS, ids=lambda figure: figure.id)
def test_values_needed_meet_the_figures_of_wilks(figure: Figure[str, int]) -> None:
    """93 values for both sides of 95 % at 95 %, 59 for one."""
    assert values_needed(side=figure.inputs) == figure.expected


@settings(deadline=None, max_examples=30)
@given(coverage=st.floats(0.5, 0.995), confidence=st.floats(0.5, 0.999), side=st.sampled_from(["both", "low"]))
def test_values_needed_are_the_least(coverage: float, confidence: float, side: str) -> None:
    """One value fewer is not enough, by scipy's binomial: a sample misses an end when too few lie beyond it."""
    needed = values_needed(side=side, coverage=coverage, confidence=confidence)
    ends = 1 if side == "both" else 0

    assert stats.binom.cdf(ends, needed, 1.0 - coverage) <= 1.0 - confidence + 1e-12
    assert stats.binom.cdf(ends, needed - 1, 1.0 - coverage) > 1.0 - confidence - 1e-12


@pytest.mark.parametrize("side", ["both", "high"])
@pytest.mark.parametrize("n", [8, 30])
def test_normal_interval_holds_its_share_as_often_as_it_says(side: str, n: int) -> None:
    """Of 4000 normal lots 95 % have an interval that holds 90 % of all boards (binomial, 4 sigma)."""
    factor = two_sided_factor if side == "both" else one_sided_factor
    k = factor(n, coverage=0.90, confidence=0.95)
    lots = np.random.default_rng(n).standard_normal((4000, n))
    mean, deviation = lots.mean(axis=1), lots.std(axis=1, ddof=1)

    share = stats.norm.cdf(mean + k * deviation)
    if side == "both":
        share = share - stats.norm.cdf(mean - k * deviation)

    assert abs((share >= 0.90).mean() - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 4000)


@pytest.mark.parametrize("side", ["both", "low", "high"])
@pytest.mark.parametrize("n", [93, 150, 400])
def test_free_interval_holds_its_share_whatever_the_distribution(side: str, n: int) -> None:
    """Of 2000 lots of any distribution at least 95 % have an interval that holds 95 % (binomial, 4 sigma)."""
    lots = np.random.default_rng(n).uniform(size=(2000, n))

    held = 0
    for lot in lots:
        found = free_interval(lot, side=side)
        low, high = 0.0 if found.low is None else found.low, 1.0 if found.high is None else found.high
        held += high - low >= 0.95

    assert held / 2000 > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 2000)


def test_free_interval_is_the_tightest() -> None:
    """One value more cut off would not hold, by scipy's beta: 4 of 153 ends may be cut (hand-made: 2 and 2)."""
    values = np.arange(1.0, 154.0)
    found = free_interval(values)
    assert found.low is not None
    assert found.high is not None
    cut = round(found.low + 154.0 - found.high)

    assert stats.beta.sf(0.95, 154 - cut, cut) >= 0.95
    assert stats.beta.sf(0.95, 154 - cut - 1, cut + 1) < 0.95
    assert found.n == 153


def test_normal_interval_is_mean_and_k_times_s() -> None:
    """Ten values about 50 by the published k of 95/95: 3.3934 both ways, 2.9110 one way."""
    values = [48.0, 49.0, 50.0, 51.0, 52.0, 48.5, 49.5, 50.5, 51.5, 50.0]
    s = float(np.std(values, ddof=1))

    both, low, high = (normal_interval(values, side=side) for side in ("both", "low", "high"))

    assert (both.low, both.high) == pytest.approx((50.0 - 3.3934 * s, 50.0 + 3.3934 * s), abs=1e-3)
    assert low.low == pytest.approx(50.0 - 2.9110 * s, abs=1e-3)
    assert high.high == pytest.approx(50.0 + 2.9110 * s, abs=1e-3)
    assert (low.high, high.low, both.n, both.proven) == (None, None, 10, True)


def test_normal_interval_of_skew_values_is_not_proven() -> None:
    """The interval carries the test that its values fail."""
    found = normal_interval(np.random.default_rng(4).exponential(size=60))

    assert not found.proven
    assert found.normality is not None
    assert found.normality.contradicted


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 1000), power=st.integers(-20, 20), side=st.sampled_from(["both", "low", "high"]))
def test_unit_and_order_do_not_matter(seed: int, power: int, side: str) -> None:
    """In another unit and another order both kinds of interval are the same."""
    rng, unit = np.random.default_rng(seed), 2.0**power
    values = rng.normal(5.0, 1.0, 100)

    for interval in (normal_interval, free_interval):
        one, other = interval(values, side=side), interval(rng.permutation(values) * unit, side=side)
        for first, second in ((one.low, other.low), (one.high, other.high)):
            assert second == (None if first is None else pytest.approx(first * unit, rel=1e-12))


def test_two_sided_factor_of_very_many_values_is_the_normal_quantile() -> None:
    """At 100 000 values only the quantile is left, and Howe's approximation agrees to seven digits."""
    found = two_sided_factor(100_000)

    assert found == pytest.approx(howe_factor(100_000), rel=1e-7)
    assert 1.96 < found < 1.97


def test_too_few_values_are_refused_with_their_number() -> None:
    """92 values are one too few for 95/95 without a distribution, 7 for one with."""
    with pytest.raises(ValueError, match="92 values say too little, needed are 93 or more; measure 1 more"):
        free_interval(range(92))
    with pytest.raises(ValueError, match="7 values say too little, needed are 8 or more; measure 1 more"):
        normal_interval(range(7))


def test_what_is_no_side_coverage_or_n_is_refused() -> None:
    """Each argument is named, with what is accepted."""
    with pytest.raises(ValueError, match="side is 'up'; accepted: 'both', 'low' or 'high'"):
        normal_interval(range(20), side="up")
    with pytest.raises(ValueError, match=r"the coverage is 1.0; accepted: from 0.5 to 0.9999"):
        two_sided_factor(10, coverage=1.0)
    with pytest.raises(ValueError, match="n is 1; accepted: from 2 to 100000 values"):
        one_sided_factor(1)
