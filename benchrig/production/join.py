"""The board joins the bench's own network, and once more after a power cut, with a nonce that it has kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.procedures.power import power_cycle, ready
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.production.air_ways import find_air, join
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.production.air_ways import Joining

_NONCE = "look at how the firmware keeps its join nonce: networks refuse one that was used before"


def check_join(run: BoardRun, measure: Check) -> None:
    """Two joins with a power cut between them."""
    air = find_air(run, measure)
    if air is None:
        return
    if not air.path.can_join:
        why = "a network behind a broker answers joins by itself"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give the bench a gateway of its own to see joins")
        return
    on = run.on_bench
    ready(on)
    first = join(run, measure, air)
    if first is None:
        return
    _judge(run, measure, first)
    power_cycle(on)
    again = join(run, measure, air)
    if again is None:
        return
    measure.fact(
        "nonce grows over a power cut",
        expected=f"above {first.join.dev_nonce}",
        seen=str(again.join.dev_nonce),
        holds=again.join.dev_nonce > first.join.dev_nonce,
        next_action=_NONCE,
    )


def _judge(run: BoardRun, measure: Check, joining: Joining) -> None:
    last, asked = joining.last, joining.join
    stalled_s = run.stalls.worst_s(run.clock.now_s() - last.took_s)
    measure(
        "time",
        last.took_s,
        unit="s",
        standard_uncertainty=stamp_uncertainty_s(run.clock, stalled_s=stalled_s),
        next_action="a join that takes longer was not answered in the first windows: look at their timing",
    )
    measure(
        "airtime",
        asked.airtime_us / 1e6,
        unit="s",
        remark="by the formula, from data rate and length",
        next_action="look at the data rate of join-requests",
    )
    measure.fact(
        "keeps to the region",
        expected="channels and data rates of the region",
        seen="; ".join(asked.notes) or "so",
        holds=not asked.notes,
        next_action="look at the firmware's channel plan",
    )
