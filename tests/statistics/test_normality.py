"""The Anderson-Darling test against scipy, its published critical values, and its own false alarms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.normality import CRITICAL, normality
from tests.published import Figure

STEPHENS = (
    "R. B. D'Agostino in D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), table 4.7, "
    "as scipy 1.17.1 carries it"
)
FIGURES = [
    Figure(f"critical at {100 * level:g} %", STEPHENS, "memory + seen-2nd", level, value)
    for level, value in ((0.15, 0.561), (0.10, 0.631), (0.05, 0.752), (0.025, 0.873), (0.01, 1.035))
]
CORRECTIONS = [
    Figure(f"correction for {n}, 1 + 0.75/n + 2.25/n²", STEPHENS, "memory + seen-2nd", n, value)
    for n, value in ((8, 1.12890625), (10, 1.0975), (100, 1.007725))
]
FIVE_PERCENT = 0.05


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_critical_values_meet_the_figures(figure: Figure[float, float]) -> None:
    """Each published critical value is the one in use, and there are no others."""
    values = np.random.default_rng(1).standard_normal(30)

    assert normality(values, level=figure.inputs).critical == figure.expected
    assert len(CRITICAL) == len(FIGURES)


@pytest.mark.parametrize("figure", CORRECTIONS, ids=lambda figure: figure.id)
def test_correction_meets_the_figures(figure: Figure[int, float]) -> None:
    """The statistic is corrected for n before it is held against the table."""
    found = normality(np.random.default_rng(1).standard_normal(figure.inputs))

    assert found.corrected / found.statistic == pytest.approx(figure.expected, rel=1e-12), figure


@pytest.mark.parametrize("n", [8, 20, 35, 200])
@pytest.mark.parametrize("shape", ["normal", "exponential", "uniform"])
def test_statistic_is_that_of_scipy(n: int, shape: str) -> None:
    """The uncorrected statistic agrees with scipy's for values of any shape."""
    rng = np.random.default_rng(n)
    values = {"normal": rng.normal(size=n), "exponential": rng.exponential(size=n), "uniform": rng.uniform(size=n)}[
        shape
    ]

    expected = stats.anderson(values, dist="norm", method="interpolate").statistic

    assert normality(values).statistic == pytest.approx(expected, rel=1e-9)


def test_false_alarms_are_as_rare_as_stated() -> None:
    """Of 4000 normal series of 20 values about 5 % contradict (binomial, 4 sigma, and half a percent for the table)."""
    series = np.random.default_rng(5).standard_normal((4000, 20))

    share = sum(normality(row).contradicted for row in series) / 4000

    assert abs(share - FIVE_PERCENT) < 4 * math.sqrt(0.05 * 0.95 / 4000) + 0.005


def test_skew_values_contradict_and_say_so() -> None:
    """Sixty exponential values cannot be taken for normal ones, and the sentence says what follows."""
    found = normality(np.random.default_rng(2).exponential(size=60))

    assert found.contradicted
    assert found.words.startswith("60 values contradict a normal distribution (Anderson-Darling ")
    assert found.words.endswith("critical 0.752 at 5 %): nothing by normal theory is proven")


def test_not_contradicted_is_no_proof() -> None:
    """The sentence does not turn a test that is not failed into a proof."""
    found = normality(stats.norm.ppf((np.arange(25) + 0.5) / 25))

    assert not found.contradicted
    assert found.words.endswith("that does not prove one")


def test_lone_value_far_out_is_a_number_still() -> None:
    """One board 1e9 away among 20 000 gives a huge statistic, not NaN or infinity."""
    values = np.zeros(20_000)
    values[:10_000] = 1.0
    values[0] = 1e9

    assert math.isfinite(normality(values).corrected)
    assert normality(values).contradicted


@settings(deadline=None, max_examples=50)
@given(seed=st.integers(0, 1000), factor=st.floats(1e-6, 1e6), sign=st.sampled_from([-1.0, 1.0]))
def test_unit_sign_and_order_do_not_matter(seed: int, factor: float, sign: float) -> None:
    """Millivolts and volts, turned round and shuffled, are equally normal."""
    rng = np.random.default_rng(seed)
    values = rng.gamma(4.0, size=25)

    scaled = rng.permutation(sign * factor * values)

    assert normality(scaled).statistic == pytest.approx(normality(values).statistic, rel=1e-7, abs=1e-9)


def test_level_that_is_not_tabled_is_refused() -> None:
    """Levels are those of the table."""
    with pytest.raises(ValueError, match=r"the level is 0.2; accepted: 0.15, 0.1, 0.05, 0.025, 0.01"):
        normality([1.0] * 10, level=0.2)


def test_too_few_values_are_refused() -> None:
    """Seven values are one too few."""
    with pytest.raises(ValueError, match="normality: 7 values say too little, needed are 8 or more; measure 1 more"):
        normality([1, 2, 3, 4, 5, 6, 7])
