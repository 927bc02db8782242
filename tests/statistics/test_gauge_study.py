"""The average-range gauge study against a published one, and what a study must be complete in."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.statistics.chart_constants import constants, range_divisor
from benchrig.statistics.gauge_study import GaugeReading, average_range_study, gauge_table, reading_of
from tests.published import Figure
from tests.statistics.published_tables import gauge_readings, published_study

AIAG = (
    "measurement systems analysis manual of the motor trade, 4th edition, chapter III section B, as transcribed in "
    "public code"
)
MARK = "seen-2nd + recomputed"
FIGURES = [
    Figure("EV", AIAG, MARK, "repeatability.value", 0.20186),
    Figure("AV", AIAG, MARK, "reproducibility.value", 0.22967),
    Figure("GRR", AIAG, MARK, "gauge.value", 0.30577),
    Figure("PV", AIAG, MARK, "parts.value", 1.10460),
    Figure("TV", AIAG, MARK, "total", 1.14613),
    Figure("GRR of TV", AIAG, MARK, "of_variation", 0.2668),
]
CATEGORIES = Figure("distinct categories", AIAG, MARK, "10 parts, 3 appraisers, 3 trials", 5)


def study(parts: int = 5, appraisers: int = 2, trials: int = 2, seed: int = 0) -> list[GaugeReading]:
    """An invented study of parts that differ by 1 and a gauge that scatters by 0.1."""
    rng = np.random.default_rng(seed)
    return [
        GaugeReading(f"p{part}", f"a{appraiser}", trial, float(part + 0.1 * rng.standard_normal()))
        for part in range(parts)
        for appraiser in range(appraisers)
        for trial in range(1, trials + 1)
    ]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_study_meets_the_figures_of_the_manual(figure: Figure[str, float]) -> None:
    """Each deviation to 2e-4: the manual's factors K have four digits, and ours all of them."""
    found: object = average_range_study(published_study())
    for name in figure.inputs.split("."):
        found = getattr(found, name)

    assert found == pytest.approx(figure.expected, abs=2e-4), figure


def test_categories_meet_the_figures_of_the_manual() -> None:
    """Five categories, and what the trade says of 26.7 %."""
    found = average_range_study(published_study())

    assert math.floor(found.categories) == CATEGORIES.expected
    assert found.n == 90
    assert found.words == (
        "the gauge makes 26.7 % of the total variation (10 and 30 % are the borders) and tells 5 categories apart "
        "(5 are wanted): fit for some uses"
    )


@pytest.mark.parametrize(("parts", "appraisers"), [(5, 3), (8, 2)])
def test_divisor_of_ranges_is_that_of_many_from_sixteen_cells_on(parts: int, appraisers: int) -> None:
    """Fifteen cells have d2* of fifteen, sixteen have d2 (common practice, from memory)."""
    table = gauge_table(study(parts, appraisers, 3))
    mean_range = float(np.ptp(table.values, axis=2).mean())
    divisor = range_divisor(3, subgroups=15) if parts == 5 else constants(3).d2

    assert average_range_study(table).repeatability.value == pytest.approx(mean_range / divisor, rel=1e-9)
    assert divisor != pytest.approx(range_divisor(3, subgroups=16), rel=1e-4)


def test_share_of_tolerance_is_six_deviations_by_its_width() -> None:
    """6 GRR of a tolerance 8 wide, with the interval that GRR has; none without both limits."""
    found = average_range_study(published_study(), low=-4.0, high=4.0)

    assert found.of_tolerance is not None
    assert found.of_tolerance.value == pytest.approx(6.0 * 0.30577 / 8.0, abs=1e-4)
    assert found.of_tolerance.low == pytest.approx(0.75 * (found.gauge.low or 0.0))
    assert found.of_tolerance.high == pytest.approx(0.75 * (found.gauge.high or 0.0))
    assert average_range_study(published_study()).of_tolerance is None
    assert average_range_study(published_study(), high=4.0).of_tolerance is None


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """Of 1000 simulated studies 95 % hold each true deviation (binomial, 4 sigma; approximations to 1 %)."""
    rng = np.random.default_rng(8)
    parts, appraisers, noise = rng.normal(0, 1, (1000, 10, 1, 1)), rng.normal(0, 0.2, (1000, 1, 3, 1)), 0.2
    values = parts + appraisers + rng.normal(0, noise, (1000, 10, 3, 3))
    table = published_study()

    found = [average_range_study(type(table)(table.parts, table.appraisers, one)) for one in values]

    margin = 4 * math.sqrt(0.95 * 0.05 / 1000)
    repeatability = np.mean([(one.repeatability.low or 0) <= noise <= (one.repeatability.high or 0) for one in found])
    gauge = np.mean([(one.gauge.low or 0) <= math.hypot(noise, 0.2) <= (one.gauge.high or 0) for one in found])
    others = np.mean([(one.reproducibility.low or 0) <= noise <= (one.reproducibility.high or 0) for one in found])
    between = np.mean([(one.parts.low or 0) <= 1.0 <= (one.parts.high or 0) for one in found])
    assert abs(repeatability - 0.95) < margin + 0.01
    assert abs(gauge - 0.95) < margin + 0.01
    assert abs(others - 0.95) < margin + 0.01
    assert abs(between - 0.95) < margin + 0.01


@given(seed=st.integers(0, 1000))
def test_order_of_readings_does_not_matter(seed: int) -> None:
    """Readings come in the random order of a plan; the table is the same."""
    shuffled = gauge_readings()
    random.Random(seed).shuffle(shuffled)

    assert np.array_equal(gauge_table(shuffled).values, published_study().values)


@settings(deadline=None, max_examples=30)
@given(factor=st.floats(1e-6, 1e6), shift=st.floats(-50.0, 50.0))
def test_unit_does_not_matter(factor: float, shift: float) -> None:
    """In another unit and from another zero, shares and categories are the same."""
    moved = [one._replace(value=factor * (one.value + shift)) for one in gauge_readings()]

    one, other = average_range_study(published_study()), average_range_study(gauge_table(moved))

    assert other.of_variation == pytest.approx(one.of_variation, rel=1e-9)
    assert other.categories == pytest.approx(one.categories, rel=1e-9)
    assert other.gauge.value == pytest.approx(factor * one.gauge.value, rel=1e-9)


def test_cell_that_is_missing_or_twice_is_named() -> None:
    """A study that is not balanced is refused by the first cell that is wrong."""
    whole = study()
    with pytest.raises(
        ValueError, match="part 'p0', appraiser 'a0', trial 1 has 0 readings; accepted: 1 in every cell"
    ):
        gauge_table(whole[1:])
    with pytest.raises(ValueError, match="part 'p4', appraiser 'a1', trial 2 has 2 readings; accepted: 1"):
        gauge_table([*whole, whole[-1]])


@pytest.mark.parametrize(
    ("parts", "appraisers", "trials", "text"),
    [
        pytest.param(4, 2, 2, "4 parts; needed are 5 or more: measure more parts", id="parts"),
        pytest.param(5, 1, 2, "1 appraisers; needed are 2 or more: measure more appraisers", id="appraisers"),
        pytest.param(5, 2, 1, "1 trials; needed are 2 or more: measure more trials", id="trials"),
        pytest.param(0, 2, 2, "0 parts; needed are 5", id="empty"),
    ],
)
def test_too_small_a_study_is_refused(parts: int, appraisers: int, trials: int, text: str) -> None:
    """What is missing is named."""
    with pytest.raises(ValueError, match=text):
        gauge_table(study(parts, appraisers, trials))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e200])
def test_reading_that_is_no_number_is_named(value: float) -> None:
    """The cell of the reading is named, so that it can be taken again."""
    whole = study()
    with pytest.raises(ValueError, match=r"part 'p0', appraiser 'a0', trial 1 is .*; accepted: finite numbers"):
        gauge_table([whole[0]._replace(value=value), *whole[1:]])


def test_readings_that_never_differ_are_refused() -> None:
    """A gauge that always shows the same tells nothing, nor does one that repeats exactly."""
    with pytest.raises(ValueError, match=r"gauge study: all 20 values are 1.0"):
        gauge_table([one._replace(value=1.0) for one in study()])
    coarse = gauge_table([one._replace(value=float(round(one.value))) for one in study()])
    with pytest.raises(ValueError, match="repeated readings are all equal; measure with a finer resolution"):
        average_range_study(coarse)


def test_very_large_study_is_referred_to_the_variances() -> None:
    """There are no range factors beyond 25."""
    with pytest.raises(ValueError, match=r"gauge study of \(26, 2, 2\); accepted: up to 25; use the variances"):
        average_range_study(gauge_table(study(parts=26)))


def test_limits_the_wrong_way_round_are_refused() -> None:
    """A tolerance has its low below its high."""
    with pytest.raises(ValueError, match=r"gauge study: low 1.0 is not below high -1.0"):
        average_range_study(published_study(), low=1.0, high=-1.0)


@pytest.mark.parametrize(
    ("share", "categories", "judged"),
    [
        (0.10, 5.0, "good"),
        (0.101, 14.0, "fit for some uses"),
        (0.30, 5.0, "fit for some uses"),
        (0.301, 5.0, "not fit to tell parts apart"),
        (0.05, 4.99, "not fit to tell parts apart"),
    ],
)
def test_reading_changes_at_the_borders_of_the_trade(share: float, categories: float, judged: str) -> None:
    """10 %, 30 % and 5 categories (common practice, no source)."""
    assert reading_of(share, categories).endswith(judged)
