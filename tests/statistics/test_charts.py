"""Control charts against worked examples of the handbook and of a published gauge study, and constants in print."""

from __future__ import annotations

import math
from operator import attrgetter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.statistics.charts import individuals_charts, subgroup_charts
from benchrig.statistics.run_rules import Rule, Signal
from tests.published import Figure
from tests.statistics.published_tables import column_of, published_study, resistances, rows_of

FLOW = "NIST/SEMATECH e-Handbook 6.3.2.2, ten batches (the last ten of its EWMA example), d2 printed as 1.128"
INDIVIDUALS = [
    Figure("centre", FLOW, "memory + recomputed", "location.centre.value", 50.81),
    Figure("upper limit", FLOW, "memory + recomputed", "location.high", 55.8041),
    Figure("lower limit", FLOW, "memory + recomputed", "location.low", 45.8159),
    Figure("mean moving range", FLOW, "memory + recomputed", "dispersion.centre.value", 1.8778),
]
AIAG = "data of the measurement systems analysis manual, 4th edition, as transcribed in public repositories"
RANGES = [
    Figure("mean range", AIAG, "seen-2nd + recomputed", "dispersion.centre.value", 0.34167),
    Figure("upper limit of ranges", AIAG, "memory + recomputed", "dispersion.high", 0.8797),
    Figure("upper limit of means", AIAG, "memory + recomputed", "location.high", 0.3511),
    Figure("lower limit of means", AIAG, "memory + recomputed", "location.low", -0.3482),
]


def batches() -> list[float]:
    return column_of("nist_ewma.csv", "x")[10:]


def study_subgroups() -> list[list[float]]:
    return [cell.tolist() for part in published_study().values for cell in part]


@pytest.mark.parametrize("figure", INDIVIDUALS, ids=lambda figure: figure.id)
def test_individuals_meet_the_figures_of_the_handbook(figure: Figure[str, float]) -> None:
    """Centre and limits of the worked example, to what three digits of d2 leave of them."""
    assert attrgetter(figure.inputs)(individuals_charts(batches())) == pytest.approx(figure.expected, abs=0.002), figure


def test_individuals_of_the_handbook_are_in_control() -> None:
    """No point of the worked example is out of control, and its moving ranges are not."""
    pair = individuals_charts(batches())

    assert pair.location.in_control
    assert pair.dispersion.in_control
    assert pair.dispersion.points == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])


@pytest.mark.parametrize("figure", RANGES, ids=lambda figure: figure.id)
def test_range_charts_meet_the_figures_of_a_gauge_study(figure: Figure[str, float]) -> None:
    """Thirty subgroups of three: mean range, and limits by D4 and A2."""
    assert attrgetter(figure.inputs)(subgroup_charts(study_subgroups())) == pytest.approx(figure.expected, abs=1e-4), (
        figure
    )


def test_range_of_one_cell_is_out_of_control() -> None:
    """Part 4 of appraiser B (0.01, 1.03, 0.20) is beyond the upper limit of ranges, and says by which rule.

    Its range 1.02 above 0.88 is what the published range chart of this study shows (from memory).
    """
    found = subgroup_charts(study_subgroups()).dispersion

    assert [found.points[one.number - 1] for one in found.signals] == pytest.approx([1.02])
    assert found.signals[0].rule is Rule.BEYOND_LIMIT


def test_deviation_charts_follow_the_printed_constants() -> None:
    """Five readings of five instruments (SiRstv): limits by the printed A3, B3 and B4 of five."""
    row = next(one for one in rows_of("spc_constants.csv") if one["n"] == "5")
    groups = np.array(resistances())
    middle, s = groups.mean(), groups.std(axis=1, ddof=1).mean()

    location, dispersion = subgroup_charts(resistances(), by="deviation")

    assert location.name == "X-bar"
    assert dispersion.name == "S"
    assert (location.low, location.high) == pytest.approx(
        (middle - float(row["A3"]) * s, middle + float(row["A3"]) * s), abs=1e-5
    )
    assert (dispersion.low, dispersion.high) == pytest.approx((float(row["B3"]) * s, float(row["B4"]) * s), abs=1e-5)
    assert dispersion.centre.value == pytest.approx(s, rel=1e-12)
    assert dispersion.points == pytest.approx(groups.std(axis=1, ddof=1))


@pytest.mark.parametrize("by", ["range", "deviation"])
def test_sigma_interval_holds_the_truth_as_often_as_it_says(by: str) -> None:
    """Of 400 sets of ten subgroups of four the true sigma is inside at 95 % (binomial, 4 sigma; half a percent)."""
    rng = np.random.default_rng(1)
    found = [subgroup_charts(groups, by=by).location for groups in rng.standard_normal((400, 10, 4))]  # type: ignore[arg-type]

    sigma = np.mean([one.sigma.low <= 1.0 <= one.sigma.high for one in found if one.sigma.low and one.sigma.high])
    centre = np.mean([(one.centre.low or 0.0) <= 0.0 <= (one.centre.high or 0.0) for one in found])

    assert abs(sigma - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400) + 0.005
    assert abs(centre - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400) + 0.005


def test_individuals_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Of 400 series of 20 single values the true sigma is inside at 95 % (binomial, 4 sigma; a percent)."""
    rng = np.random.default_rng(2)
    found = [individuals_charts(series).location.sigma for series in rng.standard_normal((400, 20))]

    share = np.mean([one.low <= 1.0 <= one.high for one in found if one.low and one.high])

    assert abs(share - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400) + 0.01


def test_neighbours_that_agree_are_in_control() -> None:
    """A moving range of 0 is at the lower limit, not beyond it."""
    pair = individuals_charts([49.6, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])

    assert pair.dispersion.points[0] == 0.0
    assert pair.dispersion.in_control


def test_values_are_held_against_a_reference() -> None:
    """A shift after the reference is seen at its first point; from the values alone it would widen the limits."""
    reference = np.random.default_rng(3).normal(10.0, 1.0, 40)

    found = individuals_charts([10.1, 9.8, 16.0], reference=reference).location

    assert Signal(3, Rule.BEYOND_LIMIT) in found.signals
    assert found.centre.value == pytest.approx(reference.mean())
    assert found.centre.n == 40
    assert len(found.points) == 3


def test_subgroups_are_held_against_a_reference() -> None:
    """A fixture whose contact resistance jumps is out of control at that subgroup, and its range is not."""
    reference = np.random.default_rng(4).normal(0.05, 0.002, (20, 4))

    pair = subgroup_charts([[0.0500, 0.0512, 0.0488, 0.0505], [0.0640, 0.0652, 0.0648, 0.0635]], reference=reference)

    assert [one.number for one in pair.location.signals] == [2]
    assert pair.dispersion.in_control


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 1000), power=st.integers(-20, 20))
def test_unit_does_not_matter(seed: int, power: int) -> None:
    """In another unit the same points signal, and lines scale with it."""
    groups = np.random.default_rng(seed).normal(5.0, 1.0, (8, 3))

    unit = 2.0**power

    before = [*subgroup_charts(groups), *individuals_charts(groups.ravel())]
    after = [*subgroup_charts(groups * unit), *individuals_charts(groups.ravel() * unit)]

    for one, other in zip(before, after, strict=True):
        assert other.signals == one.signals
        assert other.high == pytest.approx(one.high * unit, rel=1e-9)
        assert other.sigma.value == pytest.approx(one.sigma.value * unit, rel=1e-9)


def test_too_few_or_unequal_subgroups_are_refused() -> None:
    """The number that is missing is named."""
    with pytest.raises(ValueError, match="control chart of 3 subgroups; needed are 5 or more: take 2 more"):
        subgroup_charts([[1.0, 2.0]] * 3)
    with pytest.raises(ValueError, match=r"subgroups hold \[2, 3\] values; accepted: the same number in each"):
        subgroup_charts([[1.0, 2.0]] * 4 + [[1.0, 2.0, 3.0]])
    with pytest.raises(ValueError, match="subgroups hold 3 values, those of the reference 2; give equal ones"):
        subgroup_charts([[1.0, 2.0, 3.0]], reference=[[1.0, 2.0]] * 5)
    with pytest.raises(ValueError, match="individuals chart: 9 values say too little, needed are 10 or more"):
        individuals_charts(range(9))
    with pytest.raises(ValueError, match="charts by 'median'; accepted: 'range' or 'deviation'"):
        subgroup_charts([[1.0, 2.0]] * 5, by="median")  # type: ignore[arg-type]


def test_subgroups_without_scatter_are_refused() -> None:
    """Subgroups that are constant within make no limits, even where they differ."""
    with pytest.raises(ValueError, match="the values within each subgroup are constant; measure with a finer"):
        subgroup_charts([[float(one)] * 3 for one in range(6)])
