"""Differences between nights: intervals by another library, the control board, and the budget of false alarms."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchrig.statistics.shift import (
    Movement,
    Shift,
    believed,
    false_alarms,
    shift_beside_control,
    shift_between,
)

BEFORE = (27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4)
AFTER = (27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 30.5, 25.0)
"""Invented readings."""


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.999])
def test_interval_is_welchs(confidence: float) -> None:
    """Difference, interval, degrees of freedom and p-value of a general statistics library."""
    reference = stats.ttest_ind(AFTER, BEFORE, equal_var=False)
    interval = reference.confidence_interval(confidence)

    found = shift_between(BEFORE, AFTER)

    assert found.dof == pytest.approx(reference.df, rel=1e-12)
    assert found.chance() == pytest.approx(reference.pvalue, rel=1e-9)
    estimate = found.estimate(confidence=confidence)
    assert (estimate.low, estimate.high) == pytest.approx((interval.low, interval.high), rel=1e-9)
    assert estimate.n == 30


def test_interval_holds_the_true_difference() -> None:
    """Of 2000 seeded pairs of sets with unequal scatter 94 % to 96 % hold it."""
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(2000):
        found = shift_between(rng.normal(10.0, 1.0, 8), rng.normal(10.5, 3.0, 6)).estimate()
        assert found.low is not None
        assert found.high is not None
        hits += found.low <= 0.5 <= found.high

    assert 0.94 <= hits / 2000 <= 0.96


def test_drift_of_the_meter_is_not_charged_to_the_firmware() -> None:
    """A meter that drifted by 3 % between the nights: the board seems to move, and beside the control it stayed."""
    rng = np.random.default_rng(8)
    before, after = (rng.normal(17.0 * gain, 0.05, 8) for gain in (1.0, 1.03))
    control_before, control_after = (rng.normal(17.0 * gain, 0.05, 8) for gain in (1.0, 1.03))
    board, control = shift_between(before, after), shift_between(control_before, control_after)

    assert board.movement(threshold=0.2) is Movement.MOVED
    both = shift_beside_control(board, control)
    assert both.movement(threshold=0.2) is Movement.STAYED
    assert both.standard_uncertainty == pytest.approx(
        math.hypot(board.standard_uncertainty, control.standard_uncertainty)
    )
    assert min(board.dof, control.dof) <= both.dof <= board.dof + control.dof


@pytest.mark.parametrize(
    ("difference", "threshold", "expected"),
    [
        (3.0, 0.5, Movement.MOVED),
        (-3.0, 0.5, Movement.MOVED),
        (0.1, 3.0, Movement.STAYED),
        (0.1, 0.5, Movement.UNDECIDED),
        (2.0, 2.0, Movement.UNDECIDED),
    ],
)
def test_what_is_worth_knowing(difference: float, threshold: float, expected: Movement) -> None:
    """Beyond the threshold for certain, within it for certain, or neither."""
    shift = Shift(difference, 0.5, 20.0, 22)

    assert shift.movement(threshold=threshold) is expected


def test_readings_without_scatter_are_certain() -> None:
    """A counted number that never changes and then is another one moved; the same one did not."""
    moved, same = shift_between([3] * 4, [4] * 4), shift_between([3] * 4, [3] * 4)

    assert (moved.chance(), moved.movement(threshold=0.0)) == (0.0, Movement.MOVED)
    assert (same.chance(), same.movement(threshold=0.0)) == (1.0, Movement.STAYED)
    assert moved.chance(threshold=1.0) == 1.0


def test_fifty_checks_at_five_percent() -> None:
    """A night of 50 checks at 5 % each is red in 92 nights of 100: 1 - 0.95^50 = 0.9231 (arithmetic)."""
    assert false_alarms(50, rate=0.05) == pytest.approx(0.92306, abs=5e-6)


def test_budget_of_a_night_holds() -> None:
    """Of 2000 seeded nights of 50 checks with nothing wrong at most 1 % are red at a budget of 1 %."""
    rng = np.random.default_rng(21)

    red = sum(
        bool(believed({str(check): float(one) for check, one in enumerate(night)}, budget=0.01))
        for night in rng.uniform(size=(2000, 50))
    )

    assert red <= 0.01 * 2000 + 2.0 * math.sqrt(2000 * 0.01 * 0.99)


def _closed(chances: dict[str, float], budget: float) -> set[str]:
    """By the closure principle: believe one if every set that holds it is rejected, each by Bonferroni (R. Marcus,
    E. Peritz, K. R. Gabriel, Biometrika 63 (1976), from memory). Holm's steps are its short cut."""
    sets = [one for size in range(1, len(chances) + 1) for one in itertools.combinations(chances, size)]
    kept = [one for one in sets if min(chances[name] for name in one) > budget / len(one)]
    return {name for name in chances if not any(name in one for one in kept)}


@given(st.lists(st.sampled_from([0.0, 0.001, 0.004, 0.009, 0.011, 0.016, 0.02, 0.03, 0.06, 0.5, 1.0]), max_size=7))
def test_steps_are_the_closed_test(values: list[float]) -> None:
    """The same movements are believed as by testing every set of them."""
    chances = {str(number): value for number, value in enumerate(values)}

    assert set(believed(chances, budget=0.05)) == _closed(chances, 0.05)


def test_surest_comes_first() -> None:
    """In the order of their chances, equal ones by name."""
    chances = {"rail": 1e-5, "floor": 1e-9, "boot": 0.4, "answer": 1e-5}

    assert believed(chances, budget=0.01) == ("floor", "answer", "rail")


@pytest.mark.parametrize(
    ("act", "words"),
    [
        pytest.param(lambda: shift_between([1.0, 2.0], AFTER), "before: 2 values say too little", id="too few before"),
        pytest.param(lambda: shift_between(BEFORE, [1.0, math.nan, 2.0]), "after: value 2 of 3 is nan", id="nan after"),
        pytest.param(lambda: false_alarms(0, rate=0.05), "0 checks; accepted", id="no checks"),
        pytest.param(lambda: false_alarms(5, rate=0.0), "a rate of 0.0", id="no rate"),
        pytest.param(lambda: believed({"rail": math.nan}, budget=0.01), "the chance of 'rail' is nan", id="no chance"),
        pytest.param(lambda: believed({}, budget=1.0), "a rate of 1.0", id="whole budget"),
        pytest.param(lambda: Shift(1.0, 1.0, 5.0, 7).chance(threshold=-1.0), "the threshold is -1.0", id="threshold"),
    ],
)
def test_bad_input_is_refused(act: object, words: str) -> None:
    """What was asked and what is accepted."""
    assert callable(act)
    with pytest.raises(ValueError, match=words):
        act()
