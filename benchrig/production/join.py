"""The board joins the bench's own network, and again after each power cut, with a nonce that it has kept.

The answers come in both receive windows by turns, as the profile plans it. Owns what is judged of a join.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING

from benchrig.procedures.power import power_cycle, ready
from benchrig.procedures.stamps import stamp_uncertainty_s
from benchrig.production.air_ways import find_air, join, judge_window
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.production.air_ways import Air, Joining

_RATE = re.compile(r"SF(\d+)BW")
_NONCE = "look at how the firmware keeps its join nonce: networks refuse one that was used before"


def check_join(run: BoardRun, measure: Check) -> None:
    """A join, and one after each power cut."""
    air = find_air(run, measure)
    if air is None:
        return
    if not air.path.can_join:
        why = "a network behind a broker answers joins by itself"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give the bench a gateway of its own to see joins")
        return
    ready(run.on_bench)
    nonces: list[int] = []
    for cuts in range(air.plan.power_cuts + 1):
        if cuts:
            power_cycle(run.on_bench)
        joining = _join(run, measure, air, cuts)
        if joining is None:
            return
        nonces.append(joining.join.dev_nonce)
    measure.fact(
        "nonce grows over a power cut",
        expected=f"{len(nonces)} nonces, each above the one before",
        seen=", ".join(map(str, nonces)),
        holds=all(before < after for before, after in pairwise(nonces)),
        next_action=_NONCE,
    )


def _join(run: BoardRun, measure: Check, air: Air, cuts: int) -> Joining | None:
    """One join, in the window whose turn it is. The limits are for the first, in the first window of the two."""
    window = air.plan.windows[cuts % 2]
    joining = join(run, measure, air, window=window)
    if joining is None:
        return None
    if cuts == 0:
        _judge(run, measure, joining)
    what = "the answer to the join" + (f" after power cut {cuts}" if cuts else "")
    judge_window(measure, air.path, what, window=window, sent_in=joining.last.window)
    return joining


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
    measure(
        "tries",
        float(joining.tries),
        unit="1",
        next_action="look at antennas and levels; uplink_hops tells whether frames get lost",
    )
    rate = _RATE.match(asked.levels[0].rate) if asked.levels else None
    if rate:
        measure(
            "spreading_factor",
            float(rate[1]),
            unit="1",
            remark=f"the request came at {asked.levels[0].rate}",
            next_action="look at the data rate at which the modem asks to join",
        )
    elif "spreading_factor" in measure.limits:
        measure.undecided("spreading_factor", "the request came at no data rate of LoRa")
    measure.fact(
        "keeps to the region",
        expected="channels and data rates of the region",
        seen="; ".join(asked.notes) or "so",
        holds=not asked.notes,
        next_action="look at the firmware's channel plan",
    )
