"""Capability indices and their intervals against the handbook's example, scipy, and their own promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.capability import (
    Spread,
    Tolerance,
    actual_index,
    capability,
    potential_index,
    subgroup_capability,
    target_index,
)
from benchrig.statistics.tolerance import one_sided_factor
from tests.published import Figure

HANDBOOK = "NIST/SEMATECH e-Handbook 6.1.6, example (limits 8 and 20, mean 16, s 2)"
FIGURES = [
    Figure("Cp", HANDBOOK, "memory + recomputed", "pp", 1.0),
    Figure("Cpk", HANDBOOK, "memory + recomputed", "ppk", 0.6667),
    Figure("Cpm, target 14", HANDBOOK, "recomputed", "cpm", 0.7071),
]
BISSELL = Figure(
    "Cpk 1.33 from 30 values, 95 %",
    "interval by A. F. Bissell, Applied Statistics 39 (1990), arithmetic",
    "memory + recomputed",
    (1.33, 30),
    (0.97, 1.69),
)
BOTH = Tolerance(low=8.0, high=20.0, target=14.0)


def values_with(mean: float, deviation: float, n: int = 50) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Values of normal shape with exactly this mean and deviation."""
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return np.asarray(mean + deviation * (z - z.mean()) / z.std(ddof=1))


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_indices_meet_the_figures_of_the_handbook(figure: Figure[str, float]) -> None:
    """Values with the example's mean and deviation have its indices."""
    found = getattr(capability(values_with(16.0, 2.0), tolerance=BOTH), figure.inputs)

    assert found.value == pytest.approx(figure.expected, abs=5e-5), figure
    assert found.low < found.value < found.high
    assert found.n == 50


def test_interval_meets_the_figures_of_bissell() -> None:
    """An index of 1.33 from 30 values is anything from 0.97 to 1.69."""
    index, n = BISSELL.inputs
    spread = Spread(0.0, 1.0, n - 1, n)

    found = actual_index(spread, tolerance=Tolerance(low=-30.0, high=3.0 * index), confidence=0.95)

    assert (found.low, found.high) == pytest.approx(BISSELL.expected, abs=0.005), BISSELL


def test_cp_interval_is_by_chi_square() -> None:
    """The exact interval of Cp is the index times roots of scipy's chi-square quantiles by their degrees of freedom."""
    found = capability(values_with(16.0, 2.0, 30), tolerance=BOTH).pp

    expected = [math.sqrt(stats.chi2.ppf(tail, 29) / 29) for tail in (0.025, 0.975)]
    assert found is not None
    assert (found.low, found.high) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("off", "freedom"), [(0.0, 29.0), (2.0, 29.0 * 4.0 / 3.0), (-4.0, 29.0 * 25.0 / 9.0)])
def test_cpm_interval_has_the_freedom_of_boyles(off: float, freedom: float) -> None:
    """(n - 1)(1 + d²)²/(1 + 2d²) degrees of freedom for a mean d deviations off its target, by scipy's chi-square."""
    tolerance = Tolerance(low=4.0, high=28.0, target=16.0 - off)

    found = capability(values_with(16.0, 2.0, 30), tolerance=tolerance).cpm

    assert found is not None
    expected = [found.value * math.sqrt(stats.chi2.ppf(tail, freedom) / freedom) for tail in (0.025, 0.975)]
    assert (found.low, found.high) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(("n", "coverage"), [(30, 0.95), (30, 0.99), (100, 0.99)])
def test_one_sided_interval_agrees_with_the_tolerance_factor(n: int, coverage: float) -> None:
    """A limit k deviations off, k the exact one-sided factor, is just proven to hold its coverage: z/3 at one side."""
    k = one_sided_factor(n, coverage=coverage, confidence=0.95)
    spread = Spread(0.0, 1.0, n - 1, n)

    found = actual_index(spread, tolerance=Tolerance(high=k), confidence=0.90)

    assert found.low == pytest.approx(stats.norm.ppf(coverage) / 3.0, abs=1e-7)


@pytest.mark.parametrize("which", ["pp", "ppk", "ppk of one limit", "cpm"])
def test_intervals_hold_the_truth_as_often_as_they_say(which: str) -> None:
    """Of many normal lots of 30 the true index is inside at 95 % (binomial, 4 sigma; approximations to 1 %)."""
    lots = 400 if which == "ppk of one limit" else 1500
    rng = np.random.default_rng(11)
    truth = {"pp": 4 / 3, "ppk": 1.0, "ppk of one limit": 1.0, "cpm": 4 / 3 / math.sqrt(2.0)}[which]
    both = Tolerance(low=-5.0, high=3.0, target=-1.0)

    inside = 0
    for row in rng.standard_normal((lots, 30)):
        spread = Spread(float(row.mean()), float(row.std(ddof=1)), 29, 30)
        if which == "pp":
            found = potential_index(spread, tolerance=both, confidence=0.95)
        elif which == "cpm":
            found = target_index(spread, tolerance=both, confidence=0.95)
        else:
            one = Tolerance(high=3.0) if which == "ppk of one limit" else both
            found = actual_index(spread, tolerance=one, confidence=0.95)
        assert found is not None
        assert found.low is not None
        assert found.high is not None
        inside += found.low <= truth <= found.high

    assert abs(inside / lots - 0.95) < 4 * math.sqrt(0.95 * 0.05 / lots) + 0.01


def test_within_and_overall_differ_where_subgroups_wander() -> None:
    """A process that wanders between subgroups has a Cpk that its Ppk does not keep; both by scipy's own sums."""
    rng = np.random.default_rng(3)
    groups = [rng.normal(wander, 1.0, 5) for wander in rng.normal(0.0, 2.0, 20)]

    found = subgroup_capability(groups, tolerance=Tolerance(low=-9.0, high=9.0))

    pooled = math.sqrt(sum(float(group.var(ddof=1)) for group in groups) / 20)
    assert found.deviation_within == pytest.approx(pooled, rel=1e-12)
    assert found.deviation == pytest.approx(float(stats.tstd(np.concatenate(groups))), rel=1e-12)
    assert found.cpk is not None
    assert found.cp is not None
    assert found.cpk.value > 1.5 * found.ppk.value
    assert found.cp.value == pytest.approx(18.0 / (6.0 * pooled))


def test_index_is_told_only_where_it_can_be() -> None:
    """Without subgroups no Cp and Cpk, with one limit no Cp and Pp, without a target no Cpm."""
    found = capability(values_with(16.0, 2.0), tolerance=Tolerance(high=20.0))

    assert (found.cp, found.cpk, found.cpm, found.pp) == (None, None, None, None)
    assert found.ppk.value == pytest.approx(2.0 / 3.0)


def test_limit_very_far_away_has_an_interval_still() -> None:
    """A limit of another world (1e9 deviations off) is answered by the approximation."""
    found = actual_index(Spread(0.0, 1.0, 29, 30), tolerance=Tolerance(high=1e9), confidence=0.95)

    half = 1.959964 * math.sqrt(1.0 / 270.0 + found.value**2 / 58.0)
    assert (found.low, found.high) == pytest.approx((found.value - half, found.value + half), rel=1e-6)


def test_mean_outside_of_its_limits_has_a_negative_index() -> None:
    """An index below 0 says that most boards are outside."""
    assert capability(values_with(22.0, 2.0), tolerance=Tolerance(high=20.0)).ppk.value == pytest.approx(-1.0 / 3.0)


def test_skew_values_are_not_proven_and_say_what_to_do() -> None:
    """Exponential values give an index that the words take back."""
    found = capability(np.random.default_rng(4).exponential(size=60), tolerance=Tolerance(high=9.0))

    assert not found.proven
    assert "is not proven: 60 values contradict a normal distribution" in found.words
    assert found.words.endswith("use a distribution-free tolerance interval, or find out which boards stand apart")


def test_normal_values_are_said_with_interval_and_n() -> None:
    """The sentence holds index, interval, n, and that no test proves a normal distribution."""
    found = capability(values_with(16.0, 2.0), tolerance=BOTH)

    assert found.proven
    assert found.words.startswith("Ppk 0.67 (0.51 to 0.83) from 50 values; 50 values do not contradict")


@settings(deadline=None, max_examples=50)
@given(seed=st.integers(0, 1000), factor=st.floats(1e-6, 1e6), shift=st.floats(-100.0, 100.0))
def test_unit_and_order_do_not_matter(seed: int, factor: float, shift: float) -> None:
    """Values and limits in another unit, and shuffled, have the same indices."""
    rng = np.random.default_rng(seed)
    values = rng.normal(16.0, 2.0, 40)
    other = Tolerance(low=factor * (8 + shift), high=factor * (20 + shift), target=factor * (14 + shift))

    one = capability(values, tolerance=BOTH)
    two = capability(rng.permutation(factor * (values + shift)), tolerance=other)

    for name in ("pp", "ppk", "cpm"):
        first, second = getattr(one, name), getattr(two, name)
        for side in ("value", "low", "high"):
            assert getattr(second, side) == pytest.approx(getattr(first, side), rel=1e-8)


def test_too_few_values_or_subgroups_are_refused() -> None:
    """24 values are one too few, and one subgroup is none."""
    with pytest.raises(ValueError, match="capability: 24 values say too little, needed are 25 or more; measure 1 more"):
        capability(range(24), tolerance=BOTH)
    with pytest.raises(ValueError, match="capability: 1 subgroups; needed are 2 or more: give values in subgroups"):
        subgroup_capability([range(30)], tolerance=BOTH)
    with pytest.raises(ValueError, match="subgroup 2: 1 values say too little, needed are 2 or more"):
        subgroup_capability([range(30), [1.0]], tolerance=BOTH)
    with pytest.raises(ValueError, match="the values within each subgroup are constant; measure with a finer"):
        subgroup_capability([[1.0] * 15, [2.0] * 15], tolerance=BOTH)


@pytest.mark.parametrize(
    ("low", "high", "target", "text"),
    [
        pytest.param(None, None, None, "neither low nor high is given", id="no limit"),
        pytest.param(
            2.0, 1.0, None, "low 2.0 is not below high 1.0; give the limits the other way round", id="swapped"
        ),
        pytest.param(1.0, 1.0, None, "low 1.0 is not below high 1.0", id="no room"),
        pytest.param(math.nan, 1.0, None, "low is nan; accepted: a finite number, or None", id="NaN"),
        pytest.param(0.0, math.inf, None, "high is inf; accepted", id="infinite"),
        pytest.param(0.0, 1.0, 1.0, "the target is 1.0; accepted: between low 0.0 and high 1.0", id="target at limit"),
        pytest.param(None, 1.0, 0.5, "the target is 0.5; accepted: between low None", id="target of one limit"),
        pytest.param(0.0, 1.0, math.nan, "the target is nan", id="target NaN"),
    ],
)
def test_tolerance_that_is_none_is_refused(
    low: float | None, high: float | None, target: float | None, text: str
) -> None:
    """Limits are finite and the right way round, a target lies between two."""
    with pytest.raises(ValueError, match=text):
        Tolerance(low=low, high=high, target=target)
