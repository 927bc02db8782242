"""The table of failing checks: order, ties, cumulative share, and what a retest does not do to it."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.statistics.pareto import Failure, pareto
from benchrig.statistics.proportions import exact_share

failures = st.lists(
    st.builds(Failure, st.sampled_from("abcdefgh"), st.sampled_from(["rail", "sweep", "join", "floor"]))
)


def test_table_is_as_counted_by_hand() -> None:
    """Three, two and one failing boards: shares 1/2, 1/3, 1/6, and their sums so far."""
    lot = [Failure(board, "sweep") for board in "abc"] + [Failure(board, "rail") for board in "ad"]

    table = pareto([*lot, Failure("e", "join")], boards=40)

    assert [(row.check, row.boards) for row in table] == [("sweep", 3), ("rail", 2), ("join", 1)]
    assert [row.share for row in table] == pytest.approx([1 / 2, 1 / 3, 1 / 6])
    assert [row.cumulative for row in table] == pytest.approx([1 / 2, 5 / 6, 1.0])
    assert table[0].of_boards == exact_share(3, total=40)


def test_ties_stand_in_the_order_of_their_names() -> None:
    """Checks that failed on equally many boards have one order, whatever the history's."""
    lot = [Failure("a", "sweep"), Failure("b", "rail"), Failure("c", "join")]

    assert [row.check for row in pareto(lot, boards=3)] == ["join", "rail", "sweep"]


@given(lot=failures, seed=st.integers(0, 1000))
def test_order_and_retests_change_nothing(lot: list[Failure], seed: int) -> None:
    """The same failures in another order, each found twice, give the same table."""
    twice = lot * 2
    random.Random(seed).shuffle(twice)

    assert pareto(twice, boards=8) == pareto(lot, boards=8)


@given(lot=failures)
def test_shares_fall_and_add_up(lot: list[Failure]) -> None:
    """Shares never rise down the table, and the last cumulative share is all of it."""
    table = pareto(lot, boards=8)

    assert [row.boards for row in table] == sorted((row.boards for row in table), reverse=True)
    if table:
        assert table[-1].cumulative == 1.0
        assert sum(row.share for row in table) == pytest.approx(1.0)


def test_nothing_failed_is_an_empty_table() -> None:
    """No failure is no row."""
    assert pareto([], boards=5) == ()


def test_more_failing_boards_than_tested_is_refused() -> None:
    """The number of tested boards is asked for, not of failing ones."""
    with pytest.raises(ValueError, match="2 boards failed, but only 1 were tested; give the number of tested boards"):
        pareto([Failure("a", "rail"), Failure("b", "rail")], boards=1)
