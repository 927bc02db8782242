"""Reports that a board sends by itself, awaited one after the other. It goes on until its power is cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.air_table import REPORT_EVERY
from benchrig.errors import BoardTimeout

if TYPE_CHECKING:
    from benchrig.board.air import AirPath, AirUplink
    from benchrig.board.air_table import ReportsPlan
    from benchrig.procedures.on_bench import OnBench

_PATIENCE = 1.5
"""Periods that a report is awaited; own choice."""


def own_reports(on: OnBench, air: AirPath, plan: ReportsPlan, *, uplink_s: float) -> tuple[AirUplink, ...]:
    """The uplinks from the first one on, by their counters up to `count` further ones; frames that got lost are left
    out. Fewer, where the board stopped.

    Raises GatewayError for silent gateways, BoardProtocolError for a frame that breaks the protocol, BoardTimeout
    when not even the first came.
    """
    mark = air.mark()
    patience_s = _PATIENCE * plan.period_s + uplink_s
    on.power.suspect = True  # it goes on by itself: whoever comes next cuts its power
    with on.phases("board"):
        if not plan.by_itself:
            on.board.console.ask(REPORT_EVERY, seconds=f"{plan.period_s:g}")
        heard = [air.wait_for_uplink(patience_s, since=mark)]
        while heard[-1].counter < heard[0].counter + plan.count:
            try:
                heard.append(air.wait_for_uplink(patience_s, since=mark, counter=heard[-1].counter + 1))
            except BoardTimeout:
                later = [one for one in air.uplinks_since(mark) if one.counter > heard[-1].counter]
                if not later:
                    break
                heard.append(later[0])
    return tuple(heard)
