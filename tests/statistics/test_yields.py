"""First-pass and final yield: which attempt counts, and that no retest raises the first."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchrig.records import Verdict
from benchrig.statistics.yields import Attempt, lot_yield

PASS, FAIL, UNDECIDED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED


def attempts_of(board: str, *verdicts: Verdict) -> list[Attempt]:
    return [Attempt(board=board, number=number, verdict=one) for number, one in enumerate(verdicts, start=1)]


def test_first_pass_looks_at_attempt_one_and_final_at_the_last() -> None:
    """A board that passed at attempt 2 is in the final yield and not in the first-pass one."""
    lot = [*attempts_of("a", PASS), *attempts_of("b", FAIL, PASS), *attempts_of("c", UNDECIDED, FAIL, FAIL)]

    found = lot_yield(lot)

    assert (found.first_pass.passed, found.first_pass.boards) == (1, 3)
    assert (found.final.passed, found.final.boards) == (2, 3)
    assert (found.retested, found.attempts) == (2, 6)


def test_intervals_are_those_of_scipy() -> None:
    """19 of 20 at the first attempt: exact and Wilson interval as scipy's binomial test has them."""
    lot = [one for number in range(20) for one in attempts_of(f"b{number}", FAIL if number == 0 else PASS)]
    reference = stats.binomtest(19, 20)

    found = lot_yield(lot).first_pass

    for estimate, method in ((found.exact, "exact"), (found.wilson, "wilson")):
        low, high = reference.proportion_ci(0.95, method=method)
        assert (estimate.low, estimate.high) == pytest.approx((low, high), abs=1e-9)
        assert (estimate.value, estimate.n) == (0.95, 20)


@given(
    firsts=st.lists(st.sampled_from([PASS, FAIL, UNDECIDED]), min_size=1, max_size=12),
    retests=st.lists(st.lists(st.sampled_from([PASS, FAIL]), max_size=3), min_size=12, max_size=12),
)
def test_retest_never_moves_first_pass_yield(firsts: list[Verdict], retests: list[list[Verdict]]) -> None:
    """Whatever retests find, first-pass yield stays as it was."""
    once = [one for number, first in enumerate(firsts) for one in attempts_of(f"b{number}", first)]
    again = [one for number, first in enumerate(firsts) for one in attempts_of(f"b{number}", first, *retests[number])]

    assert lot_yield(again).first_pass == lot_yield(once).first_pass


def test_order_of_attempts_does_not_matter() -> None:
    """Attempts may come from a history in any order."""
    lot = [*attempts_of("a", FAIL, PASS), *attempts_of("b", PASS), *attempts_of("c", FAIL)]

    assert len({lot_yield(one) for one in permutations(lot)}) == 1


@pytest.mark.parametrize("nothing", [Verdict.BENCH_ERROR, Verdict.NOT_RUN])
def test_attempt_that_proves_nothing_leaves_its_board_out(nothing: Verdict) -> None:
    """A bench error is no failure of the board and no pass; attempt 2 does not become its first pass."""
    found = lot_yield([*attempts_of("a", nothing, PASS), *attempts_of("b", FAIL), *attempts_of("c", PASS, nothing)])

    assert (found.first_pass.passed, found.first_pass.boards, found.first_pass.left_out) == (1, 2, 1)
    assert (found.final.passed, found.final.boards, found.final.left_out) == (1, 2, 1)


def test_waived_board_did_not_pass() -> None:
    """A waiver accepts a board; it does not make it a pass of the process."""
    found = lot_yield([*attempts_of("a", Verdict.WAIVED), *attempts_of("b", PASS)])

    assert (found.first_pass.passed, found.first_pass.boards) == (1, 2)


def test_history_that_is_not_whole_is_refused() -> None:
    """A missing first attempt, the same attempt twice, and a lot that nobody judged are named."""
    with pytest.raises(ValueError, match=r"board 'a' has attempt 2, but not attempt 1; .* give every attempt from 1"):
        lot_yield([Attempt(board="a", number=2, verdict=PASS)])
    with pytest.raises(ValueError, match="board 'a' has attempt 1 twice; give each attempt once"):
        lot_yield([*attempts_of("a", PASS), *attempts_of("a", FAIL)])
    with pytest.raises(ValueError, match=r"first-pass yield: none of 0 boards was judged; .*: test a board"):
        lot_yield([])
    with pytest.raises(ValueError, match="first-pass yield: none of 1 boards was judged"):
        lot_yield(attempts_of("a", Verdict.BENCH_ERROR))


def test_attempt_that_is_none_is_refused() -> None:
    """Attempts count from 1, and end with a verdict of the closed set."""
    with pytest.raises(ValueError, match="board 'a': attempt number is 0; accepted: 1, 2, 3"):
        Attempt(board="a", number=0, verdict=PASS)
    with pytest.raises(ValueError, match="board 'a': verdict is 'ok'; accepted: a Verdict: pass, fail"):
        Attempt(board="a", number=1, verdict="ok")  # type: ignore[arg-type]
