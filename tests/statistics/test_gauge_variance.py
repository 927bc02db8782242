"""The analysis of variance of a gauge study against published and certified tables, and its intervals by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.gauge_study import GaugeTable, gauge_table
from benchrig.statistics.gauge_variance import VarianceStudy, variance_rows, variance_study
from tests.published import Figure
from tests.statistics.published_tables import gauge_readings, published_study, resistances

OWN = "two-way analysis of variance of the published 10x3x3 study with numpy and scipy"
SQUARES = [
    Figure("SS parts", OWN, "recomputed", "parts", 88.36193),
    Figure("SS appraisers", OWN, "recomputed", "appraisers", 3.16726),
    Figure("SS interaction", OWN, "recomputed", "interaction", 0.35898),
    Figure("SS error", OWN, "recomputed", "error", 2.75893),
    Figure("SS total", OWN, "recomputed", "total", 94.64711),
]
DEVIATIONS = [
    Figure("repeatability", OWN, "recomputed", "repeatability", 0.19993),
    Figure("reproducibility", OWN, "recomputed", "reproducibility", 0.22684),
    Figure("GRR", OWN, "recomputed", "gauge", 0.30237),
    Figure("parts", OWN, "recomputed", "parts", 1.04233),
    Figure("total", OWN, "recomputed", "total", 1.08530),
]
READ_OFF = [
    Figure("F of the interaction", OWN, "recomputed", "interaction_f", 0.4337),
    Figure("p of the interaction", OWN, "recomputed", "interaction_p", 0.974),
    Figure("GRR of the total", OWN, "recomputed", "of_variation", 0.2786),
    Figure("categories before truncation", OWN, "recomputed", "categories", 4.86),
]
UNPOOLED = Figure("interaction kept: its variance", OWN, "recomputed", "negative, (0.019943 - 0.045982) / 3", -0.00868)
STRD = "NIST Statistical Reference Datasets, analysis of variance, SiRstv, certified values (file shipped with scipy)"
SIRSTV = [
    Figure("between instruments", STRD, "seen-2nd + recomputed", "parts", 0.0511462616),
    Figure("within instruments", STRD, "seen-2nd + recomputed", "error", 0.216636560),
]


def deviation(found: VarianceStudy, name: str) -> float:
    component = getattr(found, name)
    return math.sqrt(component if isinstance(component, float) else component.value)


@pytest.mark.parametrize("figure", SQUARES, ids=lambda figure: figure.id)
def test_sums_meet_the_figures_of_the_table(figure: Figure[str, float]) -> None:
    """Every sum of squares to five decimals."""
    found = variance_rows(published_study().values)[figure.inputs]

    assert found.squares == pytest.approx(figure.expected, abs=6e-6), figure


@pytest.mark.parametrize("figure", SIRSTV, ids=lambda figure: figure.id)
def test_sums_meet_the_certified_figures_of_sirstv(figure: Figure[str, float]) -> None:
    """Five instruments as five parts: nine certified digits, on values that agree in their first three."""
    found = variance_rows(np.array(resistances())[:, np.newaxis, :])

    assert found[figure.inputs].squares == pytest.approx(figure.expected, rel=1e-9), figure


@pytest.mark.parametrize("figure", DEVIATIONS, ids=lambda figure: figure.id)
def test_components_meet_the_figures_of_the_table(figure: Figure[str, float]) -> None:
    """Every deviation with the interaction pooled, to five decimals."""
    found = variance_study(published_study())

    assert found.pooled
    assert found.interaction is None
    assert deviation(found, figure.inputs) == pytest.approx(figure.expected, abs=1e-5), figure


@pytest.mark.parametrize("figure", READ_OFF, ids=lambda figure: figure.id)
def test_readings_meet_the_figures_of_the_table(figure: Figure[str, float]) -> None:
    """F, p, share and categories: 27.9 % and 4, where averages and ranges of the same data say 26.7 % and 5."""
    found = variance_study(published_study())

    assert getattr(found, figure.inputs) == pytest.approx(figure.expected, abs=6e-4), figure
    assert found.words.endswith("tells 4 categories apart (5 are wanted): not fit to tell parts apart")


def test_kept_interaction_meets_the_figures_of_the_table() -> None:
    """Kept, the interaction of the published study is negative; it counts as 0 and is named."""
    found = variance_study(published_study(), pool_above=0.99)
    rows = found.rows

    variance = (rows["interaction"].mean - rows["error"].mean) / 3

    assert not found.pooled
    assert variance == pytest.approx(UNPOOLED.expected, abs=5e-6)
    assert found.interaction is not None
    assert found.interaction.value == 0.0
    assert found.negative == ("interaction",)
    assert found.repeatability.value == pytest.approx(rows["error"].mean)


def test_p_of_the_interaction_is_that_of_scipy() -> None:
    """The tail of F(18, 60) beyond the ratio of mean squares."""
    found = variance_study(published_study())

    assert found.interaction_p == pytest.approx(stats.f.sf(found.interaction_f, 18, 60), rel=1e-10)


@pytest.mark.parametrize("pool_above", [0.25, 0.999999])
def test_repeatability_interval_is_by_chi_square(pool_above: float) -> None:
    """Repeatability has scipy's exact interval with the degrees of freedom of what was pooled."""
    found = variance_study(published_study(), pool_above=pool_above).repeatability
    dof = 78 if pool_above == 0.25 else 60

    low, high = (found.value * dof / stats.chi2.ppf(tail, dof) for tail in (0.975, 0.025))

    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9)


@pytest.mark.parametrize("of_interaction", [0.0, 0.3])
def test_gauge_interval_is_about_the_sum_of_its_components(of_interaction: float) -> None:
    """Graybill and Wang's interval written out: weights of the mean squares from repeatability + appraisers + both."""
    found = variance_study(simulated(1, of_interaction=of_interaction, seed=4)[0])
    rows = found.rows
    error, crossed, appraiser = rows["error"], rows["interaction"], rows["appraisers"]
    pooled = (error.squares + crossed.squares) / 78
    parts = (
        [(appraiser.mean / 30, 2.0), (pooled * 29 / 30, 78.0)]
        if found.pooled
        else [(appraiser.mean / 30, 2.0), (crossed.mean * 9 / 30, 18.0), (error.mean * 2 / 3, 60.0)]
    )
    value = sum(part for part, _ in parts)
    low = value - math.sqrt(sum(((1 - dof / stats.chi2.ppf(0.975, dof)) * part) ** 2 for part, dof in parts))
    high = value + math.sqrt(sum(((dof / stats.chi2.ppf(0.025, dof) - 1) * part) ** 2 for part, dof in parts))

    assert found.pooled == (of_interaction == 0.0)
    assert found.negative == ()
    assert (found.gauge.value, found.gauge.low, found.gauge.high) == pytest.approx((value, low, high), rel=1e-8)


def simulated(count: int, *, of_interaction: float, seed: int) -> list[GaugeTable]:
    """Studies of 10 parts, 3 appraisers and 3 trials; deviations 1 of parts, 0.3 of appraisers, 0.2 of readings."""
    rng = np.random.default_rng(seed)
    values = (
        rng.normal(0.0, 1.0, (count, 10, 1, 1))
        + rng.normal(0.0, 0.3, (count, 1, 3, 1))
        + rng.normal(0.0, of_interaction, (count, 10, 3, 1))
        + rng.normal(0.0, 0.2, (count, 10, 3, 3))
    )
    names = published_study()
    return [GaugeTable(names.parts, names.appraisers, one) for one in values]


@pytest.mark.parametrize("of_interaction", [0.0, 0.3])
@pytest.mark.parametrize("component", ["repeatability", "appraisers", "gauge", "parts"])
def test_intervals_hold_the_truth_as_often_as_they_say(component: str, of_interaction: float) -> None:
    """Of 500 simulated studies 95 % hold the true variance (binomial, 4 sigma; the method itself is good to 1 %)."""
    truth = {
        "repeatability": 0.04,
        "appraisers": 0.09,
        "gauge": 0.04 + 0.09 + of_interaction**2,
        "parts": 1.0,
    }[component]
    found = [
        getattr(variance_study(table, pool_above=0.05), component)
        for table in simulated(500, of_interaction=of_interaction, seed=12)
    ]

    share = np.mean([one.low <= truth <= one.high for one in found])

    assert abs(share - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 500) + 0.01


def test_interaction_that_is_there_is_kept() -> None:
    """An interaction as large as the appraisers is found significant in nearly every study, and counted."""
    found = [variance_study(table) for table in simulated(100, of_interaction=0.3, seed=3)]

    assert sum(not one.pooled for one in found) >= 99
    kept = [one.interaction for one in found if one.interaction is not None]
    assert np.mean([one.value for one in kept]) == pytest.approx(0.09, abs=0.02)
    held = np.mean([(one.low or 0.0) <= 0.09 <= (one.high or 0.0) for one in kept])
    assert held > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 100)


@settings(deadline=None, max_examples=20)
@given(factor=st.floats(1e-6, 1e6), shift=st.floats(-50.0, 50.0))
def test_unit_does_not_matter(factor: float, shift: float) -> None:
    """In another unit and from another zero, shares are the same and variances scale with the square."""
    moved = gauge_table([one._replace(value=factor * (one.value + shift)) for one in gauge_readings()])

    one, other = variance_study(published_study()), variance_study(moved)

    assert other.of_variation == pytest.approx(one.of_variation, rel=1e-8)
    assert other.interaction_p == pytest.approx(one.interaction_p, rel=1e-7)
    for name in ("repeatability", "appraisers", "gauge", "parts"):
        first, second = getattr(one, name), getattr(other, name)
        assert second.high == pytest.approx(factor**2 * first.high, rel=1e-7)


def test_share_of_tolerance_has_the_interval_of_the_gauge() -> None:
    """Six deviations of the gauge by 8, at its value and at both ends."""
    found = variance_study(published_study(), low=-4.0, high=4.0)

    assert found.of_tolerance is not None
    assert found.of_tolerance.value == pytest.approx(0.75 * 0.30237, abs=1e-5)
    assert found.of_tolerance.low == pytest.approx(0.75 * math.sqrt(found.gauge.low or 0.0))
    assert found.of_tolerance.high == pytest.approx(0.75 * math.sqrt(found.gauge.high or 0.0))


def test_what_cannot_be_analysed_is_refused() -> None:
    """A level that is none, and readings that repeat exactly."""
    with pytest.raises(ValueError, match=r"the level of pooling is 0.0; accepted: above 0 and below 1"):
        variance_study(published_study(), pool_above=0.0)
    values = published_study().values
    exact = GaugeTable(("a",) * 10, ("b",) * 3, np.repeat(values[:, :, :1], 3, axis=2))
    with pytest.raises(ValueError, match="repeated readings are all equal; measure with a finer resolution"):
        variance_study(exact)
