"""Dropout, lockout, reset and restart voltage, each found by halving and judged by its own limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.bisection import Outcome, Threshold, hysteresis
from benchrig.procedures.power import ready
from benchrig.procedures.thresholds import Trials
from benchrig.production.restarts import restarts_are_ordered

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.bisection import Search

NEXT = {
    "dropout": "the converter needs too much above its output: look at its inductor, its switch and the rail's load",
    "lockout_falling": "look at the converter's enable divider: it sets where the board lets go of its battery",
    "reset": "look at the reset level of the microcontroller, and at what the rail does just before",
    "restart_rising": "a cell at dawn never comes so high: look at the enable divider, and at what keeps it charged",
    "hysteresis": "look at the feedback into the enable divider: with too little of it a weak cell restarts for ever",
}


def check_thresholds(run: BoardRun, measure: Check) -> None:
    """Search each threshold of the plan; what the range does not reach, or contradicts itself, is said so."""
    plan = run.plan.profile.thresholds
    if plan is None:
        measure.undecided(
            "dropout", "the profile plans no search: it has no table thresholds", next_action="write that table"
        )
        return
    on = run.on_bench
    ready(on)
    trials = Trials(on, plan, on.bench.rail)
    with restarts_are_ordered(on, alive_above_a=plan.alive_above_a):
        found = {name: judge_search(measure, name, search) for name, search in _searches(trials, measure)}
    _judge_hysteresis(measure, found)


def _searches(trials: Trials, measure: Check) -> Iterator[tuple[str, Search]]:
    """Each search as it is made, in the order in which a battery meets the thresholds."""
    if trials.rail is None:
        wire = "wire one (slots.N.meters.rail)"
        measure.undecided("dropout", "no meter of this bench sees the rail", next_action=wire)
        measure.not_proven("lockout by the rail itself: it was told by the current that collapses", next_action=wire)
    elif not trials.on.profile.has_load:
        measure.not_proven("dropout: the profile describes no load that the board could switch on its rail")
    else:
        yield "dropout", trials.dropout()
    yield "lockout_falling", trials.lockout()
    yield "reset", trials.reset()
    yield "restart_rising", trials.restart()


def judge_search(measure: Check, name: str, search: Search) -> Threshold:
    """Judge what a search found by the limit of that name, and give the report its trials."""
    threshold = search.threshold()
    measure.annex(f"{name}: trials", trial_lines(search))
    if threshold.doubts:
        measure.undecided(
            name,
            f"no single threshold explains the trials: {'; '.join(threshold.doubts)}",
            next_action="the board changes its mind: look for a loose contact, a slow rail, or a second way to be fed",
        )
    elif threshold.is_known:
        measure(name, threshold.volts, unit="V", budget=threshold.budget, next_action=NEXT[name])
        _tell_coarse(measure, name, threshold, search)
    else:
        _judge_bound(measure, name, threshold)
    return threshold


def _tell_coarse(measure: Check, name: str, threshold: Threshold, search: Search) -> None:
    if threshold.outcome is Outcome.COARSE:
        width_mv = 2000.0 * threshold.half_width_v
        measure.not_proven(
            f"{name} to {search.plan.resolution_v * 1000:g} mV: this bench came to {width_mv:.1f} mV",
            next_action="use a supply that can be set more finely",
        )


def _judge_bound(measure: Check, name: str, threshold: Threshold) -> None:
    """A threshold beyond the range is known on one side alone, which may be enough for a verdict."""
    limit = measure.limits.get(name)
    is_below = threshold.outcome is Outcome.BELOW
    bound = f"{'at or below' if is_below else 'above'} {threshold.volts:.3f} V, the end of the search"
    open_side = None if limit is None else limit.low if is_below else limit.high
    closed_side = None if limit is None else limit.high if is_below else limit.low
    is_violated = open_side is not None and (threshold.volts < open_side) is is_below and threshold.volts != open_side
    is_kept = open_side is None and closed_side is not None and (threshold.volts < closed_side) is is_below
    if is_violated or is_kept:
        measure(name, threshold.volts, unit="V", budget=threshold.budget, at=bound, next_action=NEXT[name])
        return
    measure.undecided(name, f"it is {bound}", next_action="widen the search in the profile's table thresholds")


def _judge_hysteresis(measure: Check, found: dict[str, Threshold]) -> None:
    falling, rising = found["lockout_falling"], found["restart_rising"]
    if falling.is_known and rising.is_known:
        budget = hysteresis(falling, rising)
        measure("hysteresis", budget.value, unit="V", budget=budget, next_action=NEXT["hysteresis"])
        return
    measure.undecided(
        "hysteresis",
        f"lockout {falling.outcome}, restart {rising.outcome}",
        next_action="see the lines of these two",
    )


def trial_lines(search: Search) -> list[str]:
    """The trials of a search as a table, in their order."""
    return [
        f"{number:3d}  {trial.asked.why:<8} {trial.volts:8.4f} V  {trial.asked.dwell_s:6.3g} s  "
        f"{'holds' if trial.holds else 'fails'}"
        for number, trial in enumerate(search.trials, start=1)
    ]
