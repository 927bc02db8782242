"""What a recorded sleep says: floor, mean, wakes, and charge that nobody ordered.

Owns which values are judged and in which words. `judge.wakes` picks the wakes, `judge.charge` closes the charge.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.charge import recorder_u
from benchrig.judge.uncertainty import Component
from benchrig.judge.uplink import edge_causes
from benchrig.judge.wakes import read_wakes
from benchrig.production.fed_besides import refuse_if_fed
from benchrig.production.trace_values import budget_from, charge_budget, current_reading, found_by
from benchrig.quantity import format_quantity
from benchrig.report.segment_lines import segment_lines
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentTrace
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.charge import Hidden, Kind, MeanCurrent
    from benchrig.judge.segments import Segmentation
    from benchrig.judge.wakes import Wakes
    from benchrig.procedures.rail_asleep import RailAsleep


def judge_sleep(run: BoardRun, measure: Check, trace: CurrentTrace, found: Segmentation, *, rail: RailAsleep) -> None:
    """Judge a sleep whose recording could be cut. Raises InstrumentUnfit when something else feeds the board."""
    _judge_floor(run, measure, trace, found, rail)
    plan = run.on_bench.profile.sleep
    wakes = read_wakes(found, period_s=plan.wake_period_s, least_periods=plan.wake_periods)
    _judge_mean(run, measure, trace, found, wakes.mean)
    if wakes.expected is not None:
        _judge_wakes(run, measure, trace, wakes.expected)
    else:
        _tell_no_wakes(measure)
    _judge_closure(measure, wakes)
    measure.annex("segments of the sleep", [*segment_lines(found), *_notes(wakes)])
    _tell_rare_events(measure, found)


def _judge_floor(run: BoardRun, measure: Check, trace: CurrentTrace, found: Segmentation, rail: RailAsleep) -> None:
    assert found.floor_a is not None  # of a recording that was judged
    scatter = Component("scatter of the floor", standard_uncertainty=found.floor_u or 0.0)
    floor = measure.reading("floor current", current_reading(trace, found.floor_a, scatter))
    refuse_if_fed(floor, found, rail, limit=measure.limits.get("floor"), source=trace.source)
    if rail.asleep is None:
        measure.not_proven(
            "that nothing but the supply feeds the sleeping board: no meter sees the rail, which a feed would lift",
            next_action="wire one (slots.N.meters.rail)",
        )
    run.found["floor_a"] = Found(found.floor_a, floor.standard_uncertainty, "A")
    measure("floor", floor, next_action="find what stays on in sleep: radio in standby, a pull-up, a leaking part")


def _judge_mean(run: BoardRun, measure: Check, trace: CurrentTrace, found: Segmentation, mean: MeanCurrent) -> None:
    if not mean.certain or mean.mean_a is None:
        measure.undecided(
            "mean",
            mean.why,
            next_action="the board wakes too rarely, or not at all, or something came only once: look at its timer",
        )
        return
    value = current_reading(trace, mean.mean_a, _scatter_of_periods(mean, found))
    run.found["sleep_mean_a"] = Found(mean.mean_a, value.standard_uncertainty, "A")
    measure("mean", measure.reading("mean current", value), next_action="look at floor and wakes")


def _scatter_of_periods(mean: MeanCurrent, found: Segmentation) -> Component:
    """What the mean's uncertainty holds besides the recorder's: how far one period differs from the next."""
    recorder_a = recorder_u(found) / found.recording.duration_s
    scatter_a = math.sqrt(max(0.0, (mean.u_a or 0.0) ** 2 - recorder_a**2))
    dof = mean.whole_periods - 1 if mean.whole_periods > 1 else math.inf
    return Component("scatter between periods", standard_uncertainty=scatter_a, dof=dof)


def _judge_wakes(run: BoardRun, measure: Check, trace: CurrentTrace, wake: Kind) -> None:
    dof = wake.count - 1 if wake.count > 1 else math.inf
    scatter = Component("scatter of the wakes", standard_uncertainty=wake.charge_u, dof=dof)
    charge = charge_budget(trace, wake.charge_c, wake.duration_s, scatter)
    # whoever reckons with a wake lets the floor run on under it; judged is all that flowed, as a scope would show it
    run.found["wake_charge_c"] = found_by(charge, wake.extra_c / wake.count, "C")
    measure(
        "wake_charge",
        wake.charge_c,
        unit="C",
        budget=charge,
        next_action="a wake costs too much: look at what the firmware does in it, and for how long",
    )
    assert wake.period_s is not None  # of a kind that repeats
    period = budget_from(edge_causes(trace.interval_s), unit="s", value=wake.period_s)
    run.found["wake_period_s"] = found_by(period, wake.period_s, "s")
    measure(
        "wake_period",
        wake.period_s,
        unit="s",
        budget=period,
        next_action="look at the timer that wakes the board",
    )


def _tell_no_wakes(measure: Check) -> None:
    for name in ("wake_charge", "wake_period"):
        if name in measure.limits:
            measure.undecided(name, "no event came twice in the window", next_action="look at the board's timer")


def _judge_closure(measure: Check, wakes: Wakes) -> None:
    closure, balance = wakes.closure, wakes.closure.balance
    assert balance is not None  # of a recording that was judged
    total_c = abs(balance.total_c)
    residue_c, residue_u = closure.residue_c or 0.0, closure.residue_u or 0.0
    scatter = [Component("scatter of the floor", standard_uncertainty=residue_u / total_c)] if total_c else []
    share = residue_c / total_c if total_c else 0.0
    measure(
        "unexplained_charge",
        share,
        unit="1",
        budget=budget_from(scatter, unit="1", value=share),
        next_action="something draws charge that is neither floor nor event: look at the trace for what is too short "
        "or too low to be one",
    )
    measure("hidden_charge", wakes.hidden.share, unit="1", next_action=_where(wakes.hidden))


def _where(hidden: Hidden) -> str:
    """Names what nobody ordered, so that it can be looked for in the firmware."""
    seen = "; ".join(hidden.notes) or "nothing"
    return f"find what wakes the board besides its timer ({seen})"


def _notes(wakes: Wakes) -> list[str]:
    closes = "closes" if wakes.closure.closes else "does not close"
    wake = [f"wakes as expected: {wakes.expected}"] if wakes.expected else ["nothing repeats: no wake is as expected"]
    return [f"charge {closes}: {wakes.closure.why}", *wake, *wakes.hidden.notes]


def _tell_rare_events(measure: Check, found: Segmentation) -> None:
    window = format_quantity(found.recording.duration_s, "s")
    measure.not_proven(
        f"an event that comes less often than once in {window}, such as the report itself, is not in the sleep trace",
        next_action="record for longer than the slowest period of the firmware",
    )
