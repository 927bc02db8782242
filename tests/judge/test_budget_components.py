"""Components of a reading: accuracy terms with their conditions, repeated and paired readings, what is common."""

from __future__ import annotations

import math
import statistics
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.judge.budget import Budget
from benchrig.judge.uncertainty import (
    AccuracyTerms,
    Component,
    Conditions,
    Pooled,
    combine,
    components,
    paired_correlation,
    pooled_scatter,
    reading_correlation,
    repeats,
    standard_uncertainty,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

ALL_TERMS = AccuracyTerms(
    of_reading=1e-4,
    of_range=2e-5,
    resolution=1e-4,
    floor=5e-5,
    of_reading_per_k=1e-5,
    of_range_per_k=2e-6,
    band_c=(18.0, 28.0),
    drift_per_year=5e-5,
    lead_ohm=0.02,
)
WARM = Conditions(ambient_c=33.0, calibration_age_years=2.0, current_a=0.045)

# Half widths of ALL_TERMS at -3.7 V on the 10 V range, WARM: written out term by term; the way such terms are stated
# is common practice, no source.
HALF_WIDTHS = {
    "of reading": 3.7 * 1e-4,
    "of range": 10.0 * 2e-5,
    "resolution": 0.5e-4,
    "floor": 5e-5,
    "temperature, of reading": 5.0 * 3.7 * 1e-5,
    "temperature, of range": 5.0 * 10.0 * 2e-6,
    "calibration age": 2.0 * 3.7 * 5e-5,
    "lead drop": 0.02 * 0.045,
}
SIMULATED = 300_000


def test_each_term_has_its_component() -> None:
    """Every stated term is a rectangular component of its own, under a name that a report can show."""
    found = components(-3.7, range_=10.0, terms=ALL_TERMS, conditions=WARM)

    widths = {one.name: abs(one.contribution) * math.sqrt(3.0) for one in found}
    assert widths == pytest.approx(HALF_WIDTHS, rel=1e-12)
    assert {one.shape for one in found} == {"rectangular"}


def test_components_match_simulated_errors() -> None:
    """A budget of the components has the scatter of simulated readings with all eight errors."""
    rng = np.random.default_rng(3)
    simulated = sum(rng.uniform(-width, width, SIMULATED) for width in HALF_WIDTHS.values())

    budget = Budget(components(-3.7, range_=10.0, terms=ALL_TERMS, conditions=WARM), unit="V")

    assert budget.standard_uncertainty == pytest.approx(float(np.std(simulated)), rel=0.005)


@pytest.mark.parametrize("value", [-3.7, 0.0, 1e-6, 3.7])
def test_components_and_standard_uncertainty_agree(value: float) -> None:
    """What is kept with a reading adds up to what it was judged with."""
    parts = components(value, range_=10.0, terms=ALL_TERMS, conditions=WARM)

    u = standard_uncertainty(value, range_=10.0, terms=ALL_TERMS, conditions=WARM)

    assert Budget(parts).standard_uncertainty == pytest.approx(u, rel=1e-14)


def test_a_term_of_zero_is_no_component() -> None:
    """A budget lists what the maker states and nothing else; nothing stated is an empty list."""
    assert [one.name for one in components(1.0, range_=10.0, terms=AccuracyTerms(floor=0.1))] == ["floor"]
    assert components(1.0, range_=10.0, terms=AccuracyTerms()) == ()


@pytest.mark.parametrize(
    ("ambient_c", "beyond_k"),
    [(18.0, 0.0), (23.0, 0.0), (28.0, 0.0), (28.5, 0.5), (40.0, 12.0), (17.0, 1.0), (-5.0, 23.0)],
)
def test_temperature_counts_outside_the_band_only(ambient_c: float, beyond_k: float) -> None:
    """Inside 18 to 28 °C the plain accuracy holds; outside, each kelvin adds to the half width."""
    terms = AccuracyTerms(of_reading_per_k=1e-4)

    found = components(2.0, range_=10.0, terms=terms, conditions=Conditions(ambient_c=ambient_c))

    widths = [abs(one.contribution) * math.sqrt(3.0) for one in found]
    assert widths == pytest.approx([2e-4 * beyond_k] if beyond_k else [], rel=1e-12)


@pytest.mark.parametrize(
    ("terms", "text"),
    [
        pytest.param(AccuracyTerms(of_reading_per_k=1e-5), "a temperature coefficient, and ambient_c", id="reading"),
        pytest.param(AccuracyTerms(of_range_per_k=1e-5), "a temperature coefficient, and ambient_c", id="range"),
        pytest.param(AccuracyTerms(drift_per_year=1e-5), "a drift per year, and calibration_age_years", id="drift"),
        pytest.param(AccuracyTerms(lead_ohm=0.1), "a lead resistance, and current_a", id="leads"),
    ],
)
def test_a_term_without_its_condition_is_refused(terms: AccuracyTerms, text: str) -> None:
    """An uncertainty that cannot be known is not taken as 0."""
    with pytest.raises(ValueError, match=f"the instrument has {text} of the reading is not known"):
        standard_uncertainty(1.0, range_=10.0, terms=terms)
    with pytest.raises(ValueError, match="say it in its Conditions"):
        components(1.0, range_=10.0, terms=terms)


def test_old_terms_need_no_conditions() -> None:
    """A bench file without the newer terms judges as it did."""
    terms = AccuracyTerms(of_reading=0.002, of_range=0.001, resolution=0.02, floor=0.005)

    u = standard_uncertainty(4.0, range_=10.0, terms=terms)

    assert u == pytest.approx(math.sqrt((0.008**2 + 0.01**2 + 0.01**2 + 0.005**2) / 3), rel=1e-12)


@pytest.mark.parametrize("term", ["of_reading_per_k", "of_range_per_k", "drift_per_year", "lead_ohm"])
@pytest.mark.parametrize("value", [-1e-9, math.nan, math.inf])
def test_newer_terms_refuse_nonsense(term: str, value: float) -> None:
    """A term below 0 or not finite is refused by name and value."""
    with pytest.raises(ValueError, match=f"accuracy term {term} is {value!r}; accepted: a finite number from 0 up"):
        AccuracyTerms(**{term: value})  # type: ignore[arg-type]


@pytest.mark.parametrize("band_c", [(28.0, 18.0), (math.nan, 28.0), (18.0, math.inf)])
def test_band_refuses_nonsense(band_c: tuple[float, float]) -> None:
    """A band has two ends, the lower first."""
    with pytest.raises(ValueError, match=r"accuracy term band_c is \(.*\); accepted: two finite numbers, low first"):
        AccuracyTerms(band_c=band_c)


@pytest.mark.parametrize("name", ["ambient_c", "calibration_age_years", "current_a"])
def test_conditions_refuse_no_number(name: str) -> None:
    """A condition is known or None."""
    with pytest.raises(ValueError, match=f"condition {name} is nan; accepted: a finite number, or None"):
        Conditions(**{name: math.nan})


def test_conditions_refuse_a_calibration_in_the_future() -> None:
    """A calibration that lies ahead is a wrong date, not an uncertainty of 0."""
    with pytest.raises(ValueError, match=r"calibration_age_years is -0\.1: the calibration lies ahead"):
        Conditions(calibration_age_years=-0.1)


# ---- two readings of one instrument


def _reading(value: float, common: float, own: float) -> list[Component]:
    return [
        Component("of reading", standard_uncertainty=common, sensitivity=value),
        Component("resolution", standard_uncertainty=own),
    ]


@pytest.mark.parametrize(
    ("first", "second"), [(4.2, 3.0), (4.2, -3.0), (5.0, 5.0)], ids=["same sign", "other sign", "same value"]
)
def test_common_gain_correlates_two_readings(first: float, second: float) -> None:
    """Two readings with one gain error are correlated as their simulation says, by sign too."""
    rng = np.random.default_rng(9)
    gain, here, there = rng.standard_normal((3, SIMULATED))
    simulated = np.corrcoef(first * 1e-3 * gain + 2e-3 * here, second * 1e-3 * gain + 2e-3 * there)[0, 1]

    found = reading_correlation(_reading(first, 1e-3, 2e-3), _reading(second, 1e-3, 2e-3))

    assert found == pytest.approx(float(simulated), abs=0.005)


def test_gain_cancels_in_a_ratio_of_readings() -> None:
    """A ratio of two readings of one meter keeps the resolution only: the budget with the correlation shows it."""
    high, low = (components(v, range_=10.0, terms=AccuracyTerms(of_reading=1e-2, resolution=1e-3)) for v in (4.0, 2.0))
    r = reading_correlation(high, low)
    u_high, u_low = Budget(high).standard_uncertainty, Budget(low).standard_uncertainty
    parts = [
        Component("low", standard_uncertainty=u_low, sensitivity=1 / 4.0),
        Component("high", standard_uncertainty=u_high, sensitivity=-2.0 / 4.0**2),
    ]

    found = Budget(parts, correlations={("low", "high"): r}).standard_uncertainty

    resolution = 1e-3 / math.sqrt(12.0)
    assert found == pytest.approx(resolution * math.hypot(1 / 4.0, 2.0 / 16.0), rel=1e-6)


def test_a_gain_error_moves_readings_of_other_sign_apart() -> None:
    """Components of a reading keep its sign: of 3 V and -3 V, both with a gain error only, r is -1."""
    above, below = (components(v, range_=10.0, terms=AccuracyTerms(of_reading=1e-3)) for v in (3.0, -3.0))

    assert reading_correlation(above, below) == pytest.approx(-1.0, rel=1e-12)


def test_an_error_that_one_reading_lacks_is_not_common() -> None:
    """Of two readings one of which is taken outside the temperature band, only the plain gain is shared."""
    terms = AccuracyTerms(of_reading=3e-4, of_reading_per_k=1e-4)
    warm, cool = (
        components(1.0, range_=10.0, terms=terms, conditions=Conditions(ambient_c=ambient_c)) for ambient_c in (32, 23)
    )

    # by hand: half widths 3 and 4 against 3 alone
    assert reading_correlation(warm, cool) == pytest.approx(3 / 5, rel=1e-12)
    assert reading_correlation(cool, warm) == pytest.approx(3 / 5, rel=1e-12)


def test_only_named_errors_are_common() -> None:
    """Offsets of one range are common only where the caller says so; a second instrument shares nothing."""
    parts = components(2.0, range_=10.0, terms=AccuracyTerms(of_range=1e-3))

    assert reading_correlation(parts, parts) == 0.0
    assert reading_correlation(parts, parts, common=("of range",)) == pytest.approx(1.0, rel=1e-12)
    assert reading_correlation(_reading(2.0, 1.0, 0.0), _reading(2.0, 1.0, 0.0), common=()) == 0.0


def test_a_reading_without_uncertainty_is_not_correlated() -> None:
    """Nothing uncertain is common to anything."""
    assert reading_correlation(_reading(0.0, 1e-3, 0.0), _reading(2.0, 1e-3, 0.0)) == 0.0
    assert reading_correlation([], _reading(2.0, 1e-3, 0.0)) == 0.0


def test_one_common_name_twice_is_refused() -> None:
    """Two gains in one reading cannot both be the common one."""
    twice = [*_reading(1.0, 1.0, 0.0), *_reading(1.0, 1.0, 0.0)]

    with pytest.raises(ValueError, match="a reading has common components 'of reading', 'of reading'; accepted: each"):
        reading_correlation(twice, _reading(1.0, 1.0, 0.0))


# ---- repeated and paired readings

SERIES = st.lists(st.floats(min_value=-1e3, max_value=1e3), min_size=2, max_size=20)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=3, max_size=20))
def test_paired_correlation_is_pearsons(pairs: list[tuple[float, float]]) -> None:
    """Correlation of paired readings agrees with the statistics module, to rounding of their scatter."""
    first, second = [a for a, _ in pairs], [b for _, b in pairs]

    found = paired_correlation(first, second)

    assert -1.0 <= found <= 1.0
    if min(statistics.stdev(first), statistics.stdev(second)) > 1e-6:
        assert found == pytest.approx(statistics.correlation(first, second), abs=1e-6)


@pytest.mark.parametrize("constant", [[2.0, 2.0, 2.0], [0.0, 0.0, 0.0]])
def test_a_constant_is_not_correlated(constant: list[float]) -> None:
    """What shows no scatter has no covariance with anything."""
    assert paired_correlation(constant, [1.0, 2.0, 3.0]) == 0.0


@pytest.mark.parametrize(
    ("first", "second", "text"),
    [
        pytest.param([1.0, 2.0], [1.0], "2 and 1 readings; accepted: 2 or more pairs", id="unequal"),
        pytest.param([1.0], [1.0], "1 and 1 readings; accepted: 2 or more pairs", id="single"),
        pytest.param([], [], "no readings to combine", id="empty"),
        pytest.param([1.0, 2.0], [1.0, math.nan], "reading 2 of 2 is nan", id="NaN"),
    ],
)
def test_paired_correlation_refuses(first: list[float], second: list[float], text: str) -> None:
    """Pairs are needed, of finite numbers."""
    with pytest.raises(ValueError, match=text):
        paired_correlation(first, second)


def test_pooled_scatter_is_the_residual_of_an_analysis_of_variance() -> None:
    """Pooled over three series of unequal length it is the within-groups mean square behind scipy's F."""
    series = [[3.701, 3.703, 3.702], [3.300, 3.304], [4.199, 4.200, 4.204, 4.197]]
    grand_mean = statistics.fmean(reading for one in series for reading in one)
    between = math.fsum(len(one) * (statistics.fmean(one) - grand_mean) ** 2 for one in series) / (len(series) - 1)

    found = pooled_scatter([*series, [1.0]])

    assert found.dof == 6.0
    assert found.standard_deviation**2 == pytest.approx(between / stats.f_oneway(*series).statistic, rel=1e-9)


@settings(deadline=None)
@given(SERIES)
def test_one_series_pools_to_its_own_scatter(series: list[float]) -> None:
    """With a single series the pooled scatter is the standard deviation of the statistics module."""
    found = pooled_scatter([series])

    assert found.dof == len(series) - 1
    assert found.standard_deviation == pytest.approx(statistics.stdev(series), rel=1e-9, abs=1e-12)


def test_pooled_scatter_serves_a_single_reading() -> None:
    """With the scatter of earlier series one reading has a type A uncertainty, with their degrees of freedom."""
    pooled = Pooled(0.003, 24.0)

    assert repeats([1.0], pooled=pooled) == Component("repeats", standard_uncertainty=0.003, dof=24.0, shape="t")
    assert combine([1.0], type_b=0.004, pooled=pooled).standard_uncertainty == pytest.approx(0.005, rel=1e-12)
    # by Welch-Satterthwaite: 24 (5/3)^4
    assert combine([1.0], type_b=0.004, pooled=pooled).dof == pytest.approx(24 * (5 / 3) ** 4, rel=1e-12)


def test_pooled_scatter_falls_with_the_number_of_readings() -> None:
    """The mean of four readings has half the pooled scatter, whatever theirs is."""
    assert repeats([1.0, 1.0, 1.0, 9.0], pooled=Pooled(0.003, 24.0)).standard_uncertainty == 0.0015


@settings(deadline=None)
@given(SERIES)
def test_repeats_are_the_standard_error(series: list[float]) -> None:
    """Without a pooled scatter it is scipy's standard error of the mean, with n - 1 degrees of freedom."""
    found = repeats(series)

    assert found.standard_uncertainty == pytest.approx(float(stats.sem(series)), rel=1e-9, abs=1e-12)
    assert found.dof == len(series) - 1


@pytest.mark.parametrize(
    ("series", "text"),
    [
        pytest.param([], "no series has 2 readings", id="none"),
        pytest.param([[1.0], [2.0]], "no series has 2 readings or more", id="single ones"),
        pytest.param([[1.0, 2.0], []], "no readings to combine", id="an empty one"),
        pytest.param([[1.0, math.inf]], "reading 2 of 2 is inf", id="infinite"),
    ],
)
def test_pooled_scatter_refuses(series: Sequence[Sequence[float]], text: str) -> None:
    """A scatter needs two readings of the same thing."""
    with pytest.raises(ValueError, match=text):
        pooled_scatter(series)


def test_a_single_reading_shows_no_scatter() -> None:
    """One reading is refused as a source of a type A uncertainty, and what to do is said."""
    with pytest.raises(ValueError, match="a single reading shows no scatter; take 2 or more, or give a pooled"):
        repeats([1.0])
