"""Requests to join counted while nobody answers: for a while in peace, then with the power cut after a request.

Owns the order of things on the bench. The board keeps asking until its power is cut; whoever comes next finds it
marked as suspect, and cuts its power once more. What the requests mean is for `protocol.join_backoff`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from benchrig.board.air_table import KEEP_JOINING
from benchrig.errors import BoardTimeout
from benchrig.procedures.power import power_cycle

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirJoin, AirPath
    from benchrig.board.air_table import BackoffPlan
    from benchrig.procedures.on_bench import OnBench

_PATIENCE = 3.0
"""So many of the longest gap until then a request is awaited after a power cut, and a join's windows. Own choice."""


@dataclass(frozen=True, slots=True)
class BackoffSeen:
    """Every request, from the power-up to the end of the window, then over the cuts. Times are bench seconds."""

    began_s: float
    window_ended_s: float
    requests: tuple[AirJoin, ...]
    cuts_s: tuple[float, ...]

    @property
    def in_window(self) -> tuple[AirJoin, ...]:
        """Those before the first cut."""
        return tuple(one for one in self.requests if one.at_s <= self.window_ended_s)


def watch_backoff(on: OnBench, air: AirPath, plan: BackoffPlan, *, join_s: float) -> BackoffSeen:
    """Count requests with the answers held back.

    Raises BoardTimeout when the board does not ask at all, GatewayError for silent gateways, BoardProtocolError for a
    nonce or key that no network takes.
    """
    air.answer_joins(answer=False)
    try:
        power_cycle(on)
        began_s = on.power.on_since_s or on.clock.now_s()
        return _watch(on, air, plan, began_s=began_s, join_s=join_s)
    finally:
        on.power.suspect = True
        air.answer_joins(answer=True)


def _watch(on: OnBench, air: AirPath, plan: BackoffPlan, *, began_s: float, join_s: float) -> BackoffSeen:
    mark = _keep_asking(on, plan, air)
    with on.phases("board"):
        requests = [air.wait_for_request(join_s, since=mark)]
        while (left_s := began_s + plan.window_s - on.clock.now_s()) > 0.0:
            requests += _next(air, left_s, since=mark, number=len(requests) + 1)
    ended_s, cuts_s = on.clock.now_s(), list[float]()
    while len(cuts_s) < plan.power_cuts and (len(cuts_s) == 0 or requests[-1].at_s > cuts_s[-1]):
        if not cuts_s:  # at the end of the window a request is awaited first, so that every cut follows one at once
            with on.phases("board"):
                patience_s = join_s + _PATIENCE * _longest_s(requests)
                requests += _next(air, patience_s, since=mark, number=len(requests) + 1)
        cuts_s.append(on.clock.now_s())
        power_cycle(on)
        mark = _keep_asking(on, plan, air)
        with on.phases("board"):
            requests += _next(air, join_s + _PATIENCE * _longest_s(requests), since=mark)
    return BackoffSeen(began_s, ended_s, tuple(requests), tuple(cuts_s))


def _keep_asking(on: OnBench, plan: BackoffPlan, air: AirPath) -> int:
    """Have the board ask until it is answered; the place in the log behind all that was heard before."""
    mark = air.mark()
    if not plan.by_itself:
        with on.phases("board"):
            on.board.console.ask(KEEP_JOINING)
    return mark


def _next(air: AirPath, timeout_s: float, *, since: int, number: int = 1) -> list[AirJoin]:
    """The request of this number behind a mark, alone; none when it does not come."""
    try:
        return [air.wait_for_request(timeout_s, since=since, number=number)]
    except BoardTimeout:
        return []


def _longest_s(requests: Sequence[AirJoin]) -> float:
    """The longest gap until now."""
    return max((after.at_s - before.at_s for before, after in pairwise(requests)), default=0.0)
