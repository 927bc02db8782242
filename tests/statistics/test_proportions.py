"""Shares and their intervals against published tables, scipy's binomial, and their own promise."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.proportions import boards_needed, exact_share, largest_share, lot_statement, wilson_share
from tests.published import Figure
from tests.statistics.published_tables import rows_of, source_of

TABLE = "proportion_intervals.csv"
NEWCOMBE = "R. G. Newcombe, Statistics in Medicine 17 (1998), textbook cases; statsmodels 0.15.0"

FIGURES = [
    Figure(
        f"{row['k']} of {row['n']}",
        source_of(TABLE),
        row["seen"],
        (int(row["k"]), int(row["n"])),
        tuple(float(row[one]) for one in ("cp_low", "cp_high", "wilson_low", "wilson_high")),
    )
    for row in rows_of(TABLE)
]
NEWCOMBE_CASE = Figure("81 of 263", NEWCOMBE, "recomputed", (81, 263), (0.2527, 0.3676, 0.2553, 0.3662))
LARGEST = [
    Figure("0 of 59", "statsmodels 0.15.0, one-sided 95 %", "recomputed", (0, 59), 0.0495),
    Figure("0 of 299", "statsmodels 0.15.0, one-sided 95 %", "recomputed", (0, 299), 0.00997),
    Figure("0 of 20", "1 - 0.05^(1/20), arithmetic", "recomputed", (0, 20), 0.1391),
    Figure("0 of 100", "1 - 0.05^(1/100), arithmetic", "recomputed", (0, 100), 0.0295),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_intervals_meet_the_figures_of_the_table(
    figure: Figure[tuple[int, int], tuple[float, float, float, float]],
) -> None:
    """Exact and Wilson interval to the six decimals of the table."""
    count, total = figure.inputs

    exact, wilson = exact_share(count, total=total), wilson_share(count, total=total)

    found = (exact.low, exact.high, wilson.low, wilson.high)
    assert found == pytest.approx(figure.expected, abs=6e-7), figure


def test_intervals_meet_the_figures_of_newcombe() -> None:
    """Four decimals of the textbook case."""
    count, total = NEWCOMBE_CASE.inputs
    exact, wilson = exact_share(count, total=total), wilson_share(count, total=total)

    assert (exact.low, exact.high, wilson.low, wilson.high) == pytest.approx(NEWCOMBE_CASE.expected, abs=5e-5)
    assert exact.n == total
    assert exact.value == count / total


@pytest.mark.parametrize("figure", LARGEST, ids=lambda figure: figure.id)
def test_largest_share_meets_the_figures(figure: Figure[tuple[int, int], float]) -> None:
    """What none failing of so many proves, one-sided at 95 %."""
    failed, boards = figure.inputs

    assert largest_share(failed, boards=boards).high == pytest.approx(figure.expected, abs=5e-5), figure


@settings(deadline=None)
@given(total=st.integers(1, 400), part=st.floats(0.0, 1.0), confidence=st.floats(0.5, 0.999))
def test_exact_interval_ends_where_the_binomial_tails_are_used_up(total: int, part: float, confidence: float) -> None:
    """At each end of the exact interval scipy's binomial leaves half of the risk beyond the count."""
    count = round(part * total)
    found = exact_share(count, total=total, confidence=confidence)

    assert found.low is not None
    assert found.high is not None
    if count:
        assert stats.binom.sf(count - 1, total, found.low) == pytest.approx(0.5 * (1.0 - confidence), rel=1e-7)
    if count < total:
        assert stats.binom.cdf(count, total, found.high) == pytest.approx(0.5 * (1.0 - confidence), rel=1e-7)
    assert found.low <= count / total <= found.high


@settings(deadline=None)
@given(total=st.integers(1, 1000), part=st.floats(0.0, 1.0))
def test_passed_and_failed_mirror_each_other(total: int, part: float) -> None:
    """The interval of the share that failed is one less that of the share that passed."""
    count = round(part * total)
    for share in (exact_share, wilson_share):
        one, other = share(count, total=total), share(total - count, total=total)

        assert one.low is not None
        assert other.high is not None
        assert one.low == pytest.approx(1.0 - other.high, abs=1e-9)


@pytest.mark.parametrize(("share", "needed"), [(0.01, 299), (0.05, 59), (0.10, 29)])
def test_boards_needed_without_a_failure(share: float, needed: int) -> None:
    """299 boards prove 1 %, 59 prove 5 % (arithmetic: the least n with (1 - p)^n up to 0.05)."""
    assert boards_needed(share) == needed
    assert (1.0 - share) ** needed <= 0.05 < (1.0 - share) ** (needed - 1)


def test_boards_needed_with_a_failure_are_the_least() -> None:
    """One board fewer would not prove the share, by scipy's binomial."""
    needed = boards_needed(0.02, failed=2)

    assert stats.binom.cdf(2, needed, 0.02) <= 0.05 < stats.binom.cdf(2, needed - 1, 0.02)


def test_lot_statement_says_bound_confidence_and_condition() -> None:
    """None of 20 failing leaves 13.9 % at 95 %, one-sided, if the boards are a random sample."""
    text = lot_statement(0, boards=20)

    assert text == (
        "0 of 20 boards failed: at 95 % confidence (one-sided) up to 13.9 % of all boards of this process may fail. "
        "This holds if the boards are a random sample of it."
    )
    assert "up to 2.95 %" in lot_statement(0, boards=100)


def test_lot_that_failed_whole_bounds_nothing() -> None:
    """Where every board failed there is no bound to state."""
    text = lot_statement(3, boards=3)

    assert text == "3 of 3 boards failed: nothing bounds the share of failing boards at 95 % confidence."


@pytest.mark.parametrize(
    ("count", "total", "text"),
    [
        pytest.param(0, 0, "a share of 0 says nothing; accepted: a total from 1", id="empty"),
        pytest.param(3, 2, "3 of 2 is no share; accepted: a count from 0 to 2", id="more than all"),
        pytest.param(-1, 2, "-1 of 2 is no share", id="negative"),
        pytest.param(math.nan, 2, "count is nan; accepted: a whole number", id="NaN"),
        pytest.param(True, 2, "count is True; accepted: a whole number", id="truth"),
    ],
)
def test_counts_that_are_none_are_refused(count: int, total: int, text: str) -> None:
    """No share of nothing, no count of more than all."""
    for share in (exact_share, wilson_share):
        with pytest.raises(ValueError, match=text):
            share(count, total=total)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, math.nan])
def test_confidence_that_is_none_is_refused(confidence: float) -> None:
    """95 is no confidence, 0.95 is."""
    with pytest.raises(ValueError, match=r"the confidence is .*; accepted: from 0.5 to 0.9999, such as 0.95"):
        exact_share(1, total=2, confidence=confidence)


def test_boards_needed_refuses_what_nobody_can_test() -> None:
    """A share of 0 and one that asks for too many boards are named."""
    with pytest.raises(ValueError, match=r"the share is 0.0; accepted: above 0 and below 1"):
        boards_needed(0.0)
    with pytest.raises(ValueError, match="asks for more than 100000000 boards; accept a larger one"):
        boards_needed(1e-12)
    with pytest.raises(ValueError, match="failed is -1; accepted: 0 or more"):
        boards_needed(0.1, failed=-1)
