"""EWMA and CUSUM against the handbook's worked examples, and run lengths against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.statistics.run_rules import Rule, Signal
from benchrig.statistics.weighted_charts import average_chart, run_length, sum_chart
from tests.published import Figure
from tests.statistics.published_tables import column_of, rows_of, source_of

EWMA, CUSUM = source_of("nist_ewma.csv"), source_of("nist_cusum.csv")
TRANSCRIBED = "seen-2nd + recomputed"

AVERAGES = [
    Figure(f"average {row['t']}", EWMA, TRANSCRIBED, int(row["t"]), float(row["ewma_printed_2dp"]))
    for row in rows_of("nist_ewma.csv")
]
LIMITS = [
    Figure("upper limit", EWMA, TRANSCRIBED, "highs", 52.5884),
    Figure("lower limit", EWMA, TRANSCRIBED, "lows", 47.4115),
]
SUMS = [
    Figure(f"{side} {row['i']}", CUSUM, TRANSCRIBED, (name, int(row["i"])), float(row[side]))
    for row in rows_of("nist_cusum.csv")
    for side, name in (("s_hi", "above"), ("s_lo", "below"))
]
FIRST_SIGNAL = Figure("first signal", CUSUM, TRANSCRIBED, {"target": 325.0, "slack": 0.3175, "limit": 4.1959}, 14)
LENGTHS = [
    Figure(
        f"CUSUM k 0.5, h {limit:g}, shift {shift:g} sigma",
        "D. C. Montgomery, Introduction to Statistical Quality Control, table of CUSUM run lengths",
        "memory",
        (shift, limit),
        expected,
    )
    for shift, limit, expected in ((0.0, 4.0, 168.0), (1.0, 4.0, 8.38), (0.0, 5.0, 465.0), (1.0, 5.0, 10.4))
]


@pytest.mark.parametrize("figure", AVERAGES, ids=lambda figure: figure.id)
def test_averages_meet_the_figures_of_the_handbook(figure: Figure[int, float]) -> None:
    """Every average to the two decimals that are printed."""
    found = average_chart(column_of("nist_ewma.csv", "x"), target=50.0, sigma=2.0539)

    assert found.averages[figure.inputs - 1] == pytest.approx(figure.expected, abs=0.0061), figure


@pytest.mark.parametrize("figure", LIMITS, ids=lambda figure: figure.id)
def test_settled_limits_meet_the_figures_of_the_handbook(figure: Figure[str, float]) -> None:
    """The handbook's limits are those after very many points."""
    found = average_chart(column_of("nist_ewma.csv", "x"), target=50.0, sigma=2.0539, settled_limits=True)

    assert getattr(found, figure.inputs) == pytest.approx([figure.expected] * 20, abs=1e-4), figure
    assert found.signals == ()
    assert found.n == 20


def test_exact_limits_start_narrow_and_settle() -> None:
    """At the first point 50 ± 3·2.0539·0.3, as the formula gives for one value; after many points the settled ones."""
    found = average_chart([50.0] * 80, target=50.0, sigma=2.0539)

    assert (found.lows[0], found.highs[0]) == pytest.approx((48.15149, 51.84851), abs=1e-5)
    assert found.highs[-1] == pytest.approx(52.5884, abs=1e-4)


@pytest.mark.parametrize("figure", SUMS, ids=lambda figure: figure.id)
def test_sums_meet_the_figures_of_the_handbook(figure: Figure[tuple[str, int], float]) -> None:
    """Every sum above and below, to four decimals."""
    name, number = figure.inputs
    found = sum_chart(column_of("nist_cusum.csv", "x"), target=325.0, slack=0.3175, limit=4.1959)

    assert getattr(found, name)[number - 1] == pytest.approx(figure.expected, abs=5e-5), figure


def test_signals_meet_the_figures_of_the_handbook() -> None:
    """The first signal is at 14, of a shift that began at 13, and it lasts."""
    found = sum_chart(column_of("nist_cusum.csv", "x"), **FIRST_SIGNAL.inputs)

    assert found.signals == tuple(Signal(at, Rule.SUM_ABOVE_LIMIT) for at in range(FIRST_SIGNAL.expected, 21))
    assert found.shift_starts == 13


@pytest.mark.parametrize("figure", LENGTHS, ids=lambda figure: figure.id)
def test_run_length_meets_the_figures_of_a_textbook(figure: Figure[tuple[float, float], float]) -> None:
    """Siegmund's approximation is within 2 % of the printed run lengths."""
    shift, limit = figure.inputs

    found = run_length(shift, slack_sigmas=0.5, limit_sigmas=limit)

    assert found == pytest.approx(figure.expected, rel=0.02), figure


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0])
def test_shift_is_detected_in_the_expected_number_of_points(shift: float) -> None:
    """1000 simulated series signal after so many points on average (3 % for the approximation, 4 standard errors)."""
    rng = np.random.default_rng(17)
    lengths = []
    for _ in range(1000):
        series = rng.normal(shift, 1.0, 1500)
        lengths.append(sum_chart(series, target=0.0, slack=0.5, limit=4.0).signals[0].number)

    expected = run_length(shift, slack_sigmas=0.5, limit_sigmas=4.0)

    assert abs(np.mean(lengths) - expected) < 0.03 * expected + 4.0 * np.std(lengths) / math.sqrt(1000)


@given(values=st.lists(st.integers(-40, 40).map(float), min_size=1, max_size=30))
def test_turned_round_values_turn_the_sums_round(values: list[float]) -> None:
    """What is above for the values is below for their negatives, and the same points signal."""
    one = sum_chart(values, target=0.0, slack=3.0, limit=20.0)
    other = sum_chart([-value for value in values], target=0.0, slack=3.0, limit=20.0)

    assert (one.above, one.below) == (other.below, other.above)
    assert {signal.number for signal in one.signals} == {signal.number for signal in other.signals}
    assert len(one.signals) == len(other.signals)
    assert one.shift_starts == other.shift_starts


@given(values=st.lists(st.integers(-40, 40).map(float), min_size=1, max_size=30), power=st.integers(-20, 20))
def test_unit_does_not_matter(values: list[float], power: int) -> None:
    """In another unit the same points signal."""
    unit = 2.0**power
    scaled = [value * unit for value in values]

    assert sum_chart(scaled, target=0.0, slack=3.0 * unit, limit=9.0 * unit).signals == (
        sum_chart(values, target=0.0, slack=3.0, limit=9.0).signals
    )
    assert average_chart(scaled, target=0.0, sigma=9.0 * unit).signals == (
        average_chart(values, target=0.0, sigma=9.0).signals
    )


def test_whole_weight_on_the_newest_value_is_a_plain_chart() -> None:
    """With weight 1 averages are the values, and limits three sigma from the first point on."""
    found = average_chart([1.0, -4.0, 2.0], target=0.0, sigma=1.0, weight=1.0)

    assert found.averages == (1.0, -4.0, 2.0)
    assert found.highs == (3.0, 3.0, 3.0)
    assert found.signals == (Signal(2, Rule.AVERAGE_BEYOND_LIMIT),)


def test_settings_that_are_none_are_refused() -> None:
    """Each is named, with what is accepted."""
    with pytest.raises(ValueError, match="the target is nan; accepted: a finite number"):
        average_chart([1.0], target=math.nan, sigma=1.0)
    with pytest.raises(ValueError, match=r"sigma is 0.0; accepted: a finite number above 0"):
        average_chart([1.0], target=0.0, sigma=0.0)
    with pytest.raises(ValueError, match=r"the weight is 0.0; accepted: above 0 and up to 1, such as 0.3"):
        average_chart([1.0], target=0.0, sigma=1.0, weight=0.0)
    with pytest.raises(ValueError, match="the limit is inf; accepted: a finite number above 0"):
        sum_chart([1.0], target=0.0, slack=1.0, limit=math.inf)
    with pytest.raises(ValueError, match="CUSUM chart: 0 values say too little, needed are 1 or more"):
        sum_chart([], target=0.0, slack=1.0, limit=1.0)
    with pytest.raises(ValueError, match=r"the shift is 11.0 sigma; accepted: from -10 to 10"):
        run_length(11.0, slack_sigmas=0.5, limit_sigmas=4.0)
    with pytest.raises(ValueError, match=r"the slack is 0.0 sigma; accepted: above 0 and up to 20"):
        run_length(1.0, slack_sigmas=0.0, limit_sigmas=4.0)
