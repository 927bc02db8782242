"""A board that is left alone reports as often as it should, and evenly: its period by the times on the air.

Owns what is judged of it. Times are those of one gateway's own clock where the bench has gateways, else those at which
messages came; a report that got lost is known by its counter and spoils no period.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from benchrig.procedures.own_reports import own_reports
from benchrig.procedures.power import ready
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.production.air_ways import find_air, must_be_joined
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirUplink
    from benchrig.board_run import BoardRun
    from benchrig.check import Check

_COUNTER_WRAP_S = (1 << 32) / 1e6
_MICROSECOND_U_S = 1e-6 / math.sqrt(12.0)
_TIMER = "look at the firmware's timer, its crystal, and what it does between two reports"


class Timed(NamedTuple):
    """Seconds of each report, the standard uncertainty of each, and whose clock it was."""

    at_s: tuple[float, ...]
    u_s: float
    clock: str


def check_report_period(run: BoardRun, measure: Check) -> None:
    """So many reports in a row, none of them asked for."""
    air = find_air(run, measure)
    if air is None:
        return
    plan = air.plan.reports
    if plan is None:
        why = "the profile does not say how the board reports by itself"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give it a table air.reports")
        return
    ready(run.on_bench)
    if not must_be_joined(run, measure, air):
        return
    began_s = run.clock.now_s()
    heard = own_reports(run.on_bench, air.path, plan, uplink_s=air.plan.uplink_s)
    reached = heard[-1].counter - heard[0].counter
    measure.fact(
        "goes on reporting",
        expected=f"{plan.count} reports after the first, by their counters",
        seen=f"{reached}, of which {reached + 1 - len(heard)} were not heard",
        holds=reached >= plan.count,
        next_action="look at what ends the firmware's cycle: its watchdog, an answer that it waits for",
    )
    stalled_s = run.stalls.worst_s(began_s)
    if len(heard) > 1:
        timed = times_of(heard, stamp_u_s=stamp_uncertainty_s(run.clock, stalled_s=stalled_s))
        _judge(measure, timed, [one.counter for one in heard])


def _judge(measure: Check, timed: Timed, counters: Sequence[int]) -> None:
    at_s = timed.at_s
    period_s = (at_s[-1] - at_s[0]) / (counters[-1] - counters[0])
    off_s = [
        abs((after_s - before_s) - (after - before) * period_s)
        for (before_s, after_s), (before, after) in zip(pairwise(at_s), pairwise(counters), strict=True)
    ]
    u_s = math.sqrt(2.0) * timed.u_s
    remark = f"by {timed.clock}"
    measure(
        "period",
        period_s,
        unit="s",
        standard_uncertainty=u_s / (counters[-1] - counters[0]),
        remark=remark,
        next_action=_TIMER,
    )
    measure("jitter", max(off_s), unit="s", standard_uncertainty=u_s, remark=remark, next_action=_TIMER)


def times_of(heard: Sequence[AirUplink], *, stamp_u_s: float) -> Timed:
    """By the clock of a gateway that heard them all, its run over 32 bits undone; else by when they came."""
    clocks = [{one.gateway: one.counter_us for one in uplink.levels if one.counter_us is not None} for uplink in heard]
    every = set(clocks[0]).intersection(*clocks[1:]) - {""}
    if not every:
        return Timed(tuple(one.at_s for one in heard), stamp_u_s, "the arrival of each")
    gateway = min(every)
    at_s, turns = [clocks[0][gateway] / 1e6], 0
    for one in clocks[1:]:
        now_s = one[gateway] / 1e6 + turns * _COUNTER_WRAP_S
        if now_s < at_s[-1]:
            turns, now_s = turns + 1, now_s + _COUNTER_WRAP_S
        at_s.append(now_s)
    return Timed(tuple(at_s), _MICROSECOND_U_S, f"the clock of gateway {gateway}")
