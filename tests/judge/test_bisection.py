"""Thresholds by halving: found within the resolution, and every board without a single threshold told.

The independent searcher is scipy.optimize.bisect. That a value anywhere in a bracket has the standard uncertainty of
its half width over the root of three is JCGM 100:2008 4.3.7 (section number from memory).
"""

from __future__ import annotations

import math
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import bisect

from benchrig.judge.bisection import Outcome, Search, SearchPlan, Stimulus, Threshold, Trial, hysteresis

PLAN = SearchPlan(low_v=2.3, high_v=3.2)
METER_U_V = 0.0001

thresholds_v = st.floats(min_value=2.31, max_value=3.19)


def searched(holds: object, *, plan: SearchPlan = PLAN, error_v: object = None, u_v: float = METER_U_V) -> Search:
    """A whole search of a board that holds as `holds(volts, dwell_s)` says; the bench is off by `error_v(volts)`."""
    assert callable(holds)
    search = Search(plan)
    while (asked := search.next()) is not None:
        volts = asked.volts + (error_v(asked.volts) if callable(error_v) else 0.0)
        trial = Trial(asked=asked, volts=volts, standard_uncertainty_v=u_v, holds=holds(volts, asked.dwell_s))
        search = search.after(trial)
    return search


@given(thresholds_v)
def test_any_threshold_is_found_within_the_resolution(true_v: float) -> None:
    """Whatever the board's threshold is, the bracket holds it and is no wider than planned."""
    found = searched(lambda volts, _: volts >= true_v).threshold()

    assert found.outcome is Outcome.FOUND
    assert abs(found.volts - true_v) <= found.half_width_v + 1e-9
    assert 2.0 * found.half_width_v <= PLAN.resolution_v
    assert found.doubts == ()


@given(thresholds_v)
def test_it_agrees_with_another_searcher(true_v: float) -> None:
    """scipy's bisection finds the same place."""
    other_v = bisect(lambda volts: volts - true_v, PLAN.low_v, PLAN.high_v, xtol=1e-4)

    assert searched(lambda volts, _: volts >= true_v).threshold().volts == pytest.approx(other_v, abs=PLAN.resolution_v)


@given(thresholds_v, st.integers(min_value=-3, max_value=3))
def test_what_the_terminals_carry_counts_not_what_was_asked(true_v: float, millivolts: int) -> None:
    """A supply that is off by some millivolts moves nothing: the bracket is made of measured volts."""
    found = searched(lambda volts, _: volts >= true_v, error_v=lambda _: millivolts / 1000.0).threshold()

    assert found.is_known
    assert abs(found.volts - true_v) <= found.half_width_v + 1e-9


@given(thresholds_v)
def test_supply_with_coarse_steps_says_how_far_it_came(true_v: float) -> None:
    """Where the bench cannot set finer than 20 mV the search ends, and says that it is coarse."""
    search = searched(lambda volts, _: volts >= true_v, error_v=lambda volts: round(volts / 0.02) * 0.02 - volts)
    found = search.threshold()

    assert found.outcome is Outcome.COARSE
    assert abs(found.volts - true_v) <= found.half_width_v + 1e-9
    assert len(search.trials) <= PLAN.most_trials


def test_search_is_as_short_as_halving_is() -> None:
    """Four trials over the range, six halvings of 0.3 V down to 5 mV, both ends confirmed: counted by hand."""
    whys = [trial.asked.why for trial in searched(lambda volts, _: volts >= 2.7).trials]

    assert whys == ["spread"] * 4 + ["halve"] * 6 + ["confirm"] * 2


def test_both_ends_are_held_for_the_long_dwell() -> None:
    """A trial at the short dwell proves little of a slow board: each end of the bracket is held once more."""
    search = searched(lambda volts, _: volts >= 2.7)
    failed, held = search.bracket
    long_ones = [trial for trial in search.trials if trial.asked.dwell_s == PLAN.confirm_dwell_s]

    assert failed is not None
    assert held is not None
    assert {trial.volts for trial in long_ones} == {failed.volts, held.volts}


# ---- contradictions


def test_board_that_fails_only_after_a_while_is_told() -> None:
    """It holds for 0.2 s and not for 1 s at the same voltage: said as it was, with both dwells."""
    found = searched(lambda volts, dwell_s: volts >= (2.7 if dwell_s < 0.5 else 2.8)).threshold()

    assert found.outcome is Outcome.DOUBTFUL
    assert not found.is_known
    (doubt,) = found.doubts
    assert "for 0.2 s, and failed at" in doubt
    assert "within 1 s" in doubt


def test_board_that_restarts_only_after_a_while_is_told() -> None:
    """The other way round: dead after 0.2 s, alive after 1 s."""
    found = searched(lambda volts, dwell_s: volts >= (2.7 if dwell_s < 0.5 else 2.6)).threshold()

    assert found.outcome is Outcome.DOUBTFUL
    assert "it held at" in found.doubts[0]


def test_board_with_a_window_is_told() -> None:
    """A board that works below a window in which it fails has no threshold; the first trials show it."""
    found = searched(lambda volts, _: not 2.55 < volts < 3.1).threshold()

    assert found.outcome is Outcome.DOUBTFUL
    assert "it held at 2.3000 V" in found.doubts[0]


@given(st.data())
def test_any_contradictory_board_is_told(data: st.DataObject) -> None:
    """Whatever a board says, in whatever order: contradictory trials are told, and no value is made of them."""
    answers: dict[tuple[float, float], bool] = {}

    def holds(volts: float, dwell_s: float) -> bool:
        return answers.setdefault((volts, dwell_s), data.draw(st.booleans()))

    search = searched(holds, u_v=0.0)
    trials, found = search.trials, search.threshold()

    contradicts = any(
        low.holds and not high.holds and low.volts <= high.volts for low, high in product(trials, repeat=2)
    )
    assert bool(search.doubts) is contradicts
    assert (found.outcome is Outcome.DOUBTFUL) is contradicts
    assert len(trials) <= PLAN.most_trials


def test_trials_that_the_meter_cannot_order_are_no_contradiction() -> None:
    """Held at 2.7000 V and failed at 2.7001 V, known to 0.1 mV each: nothing contradicts anything."""
    far = [Stimulus(volts, 0.2, "spread") for volts in (3.2, 2.3)]
    near = [Stimulus(volts, 0.2, "halve") for volts in (2.7000, 2.7001)]
    asked_and_holds = zip([*far, *near], (True, False, True, False), strict=True)
    trials = tuple(
        Trial(asked=asked, volts=asked.volts, standard_uncertainty_v=METER_U_V, holds=holds)
        for asked, holds in asked_and_holds
    )

    assert Search(PLAN, trials).doubts == ()
    exact = tuple(Trial(asked=one.asked, volts=one.volts, holds=one.holds) for one in trials)
    assert len(Search(PLAN, exact).doubts) == 1


# ---- beyond the range


@pytest.mark.parametrize(
    ("holds", "outcome", "volts"),
    [
        pytest.param(True, Outcome.BELOW, 2.3, id="holds everywhere"),
        pytest.param(False, Outcome.ABOVE, 3.2, id="holds nowhere"),
    ],
)
def test_threshold_outside_the_range_is_said_to_be_there(holds: bool, outcome: Outcome, volts: float) -> None:
    """No bracket, no value: only the end of the range that it lies beyond."""
    search = searched(lambda _volts, _dwell_s: holds)
    found = search.threshold()

    assert (found.outcome, found.volts, found.is_known) == (outcome, volts, False)
    assert len(search.trials) == PLAN.spread_points


# ---- uncertainty


def test_uncertainty_is_the_bracket_and_the_meter() -> None:
    """Half width over root three, and the meter, in quadrature."""
    found = searched(lambda volts, _: volts >= 2.7, u_v=0.002).threshold()

    by_hand = math.hypot(found.half_width_v / math.sqrt(3.0), 0.002)
    assert found.budget.standard_uncertainty == pytest.approx(by_hand)
    assert [one.shape for one in found.budget.components] == ["rectangular", "normal"]


def test_hysteresis_is_rising_less_falling_with_both_uncertainties() -> None:
    """Two brackets and the meter twice."""
    falling = searched(lambda volts, _: volts >= 2.7).threshold()
    rising = searched(lambda volts, _: volts >= 2.9).threshold()

    budget = hysteresis(falling, rising)

    assert budget.value == pytest.approx(0.2, abs=PLAN.resolution_v)
    by_hand = math.hypot(falling.budget.standard_uncertainty, rising.budget.standard_uncertainty)
    assert budget.standard_uncertainty == pytest.approx(by_hand)


def test_hysteresis_of_an_unknown_threshold_is_refused() -> None:
    """A difference of something that is only known to be above a range is no number."""
    falling = searched(lambda volts, _: volts >= 2.7).threshold()
    rising = Threshold(outcome=Outcome.ABOVE, volts=3.2, half_width_v=0.0, meter_u_v=0.0)

    with pytest.raises(ValueError, match=r"rising above the range; accepted: both known"):
        hysteresis(falling, rising)


def test_nothing_is_said_before_the_range_was_seen() -> None:
    """A threshold asked for too early is refused."""
    with pytest.raises(ValueError, match=r"0 trials; accepted: at least the first 4"):
        Search(PLAN).threshold()


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"low_v": 3.2}, id="no range"),
        pytest.param({"low_v": -0.1}, id="below 0 V"),
        pytest.param({"resolution_v": 0.0}, id="no resolution"),
        pytest.param({"high_v": math.nan}, id="no number"),
        pytest.param({"dwell_s": 2.0}, id="confirmed shorter than tried"),
        pytest.param({"spread_points": 1}, id="one point"),
    ],
)
def test_impossible_plan_is_refused(change: dict[str, float]) -> None:
    """A plan that no search can follow never becomes one."""
    sound: dict[str, float] = {"low_v": 2.3, "high_v": 3.2}

    with pytest.raises(ValueError, match=r"accepted: 0 <= low_v < high_v"):
        SearchPlan(**{**sound, **change})  # type: ignore[arg-type]  # a bad plan is the point
