"""A board that nobody answers asks to join ever more rarely, keeps to the published caps, and no brown-out hurries it.

Owns what is judged of it. The caps, with their source, and how a row of requests is carried on stand in
`protocol.join_backoff`. A cap that would be broken by requests that still become rarer is left open, with the gap that
would keep it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from benchrig.procedures.join_backoff import watch_backoff
from benchrig.procedures.power import ready
from benchrig.production.air_ways import find_air
from benchrig.protocol.join_backoff import LEAST_SHARE, Asked, State, across_cuts, read_backoff
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirJoin
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.join_backoff import BackoffSeen
    from benchrig.protocol.join_backoff import CapRead

_SOURCE = "LoRaWAN link layer 1.0.4, section 7"
_RARER = "let the firmware double its pauses between requests, up to some minutes at least"
_FEWEST = 2
_KEEP = "let the firmware keep its pause over a reset, or begin with a random one"


def check_join_backoff(run: BoardRun, measure: Check) -> None:
    """Requests without an answer, in peace and over power cuts."""
    air = find_air(run, measure)
    if air is None:
        return
    plan = air.plan.backoff
    if plan is None:
        why = "the profile does not say how the board asks again"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give it a table air.backoff")
        return
    if not air.path.can_join:
        why = "a network behind a broker answers joins by itself"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give the bench a gateway of its own to hold answers back")
        return
    ready(run.on_bench)
    seen = watch_backoff(run.on_bench, air.path, plan, join_s=air.plan.join_s)
    asked = [Asked(one.at_s, one.airtime_us / 1e6) for one in seen.requests]
    measure.annex("requests to join without an answer", _lines(seen))
    _judge_caps(measure, asked[: len(seen.in_window)], seen)
    _judge_cuts(measure, asked, seen)
    _judge_nonces(measure, seen.requests)


def _judge_caps(measure: Check, asked: Sequence[Asked], seen: BackoffSeen) -> None:
    for one in read_backoff(asked, began_s=seen.began_s, ended_s=seen.window_ended_s).caps:
        told = f"{one.observed_s:.3g} s seen, {one.projected_s:.3g} s if it went on as at the end"
        if one.state is State.OPEN:
            _leave_open(measure, one, told)
            continue
        measure.fact(
            f"on air in {one.cap.name}",
            expected=f"less than {one.cap.limit_s:g} s ({_SOURCE})",
            seen=told,
            holds=one.state is State.KEPT,
            next_action=_RARER,
        )


def _leave_open(measure: Check, one: CapRead, told: str) -> None:
    measure.not_proven(
        f"that requests in {one.cap.name} are less than {one.cap.limit_s:g} s on air ({_SOURCE}): {told}; their gaps "
        f"still grew, and {one.needed_gap_s:.0f} s would keep it",
        next_action="watch for longer (air.backoff.window_s in the profile)",
    )


def _judge_cuts(measure: Check, asked: Sequence[Asked], seen: BackoffSeen) -> None:
    found = across_cuts(asked, seen.cuts_s)
    if seen.cuts_s and not found:
        measure.not_proven(
            "that a power cut does not hurry it: too few requests came before or after one",
            next_action="watch for longer (air.backoff.window_s in the profile)",
        )
    for number, one in enumerate(found, start=1):
        measure.fact(
            f"not hurried by power cut {number}",
            expected=f"{LEAST_SHARE * one.longest_s:.1f} s or more after the request before it ({LEAST_SHARE:.0%} of "
            "the longest gap until then, own choice)",
            seen=f"{one.gap_s:.1f} s",
            holds=one.holds,
            next_action=_KEEP,
        )


def _judge_nonces(measure: Check, requests: Sequence[AirJoin]) -> None:
    nonces = [one.dev_nonce for one in requests]
    if len(nonces) < _FEWEST:
        measure.fact(
            "asks again",
            expected=f"{_FEWEST} requests or more",
            seen=f"{len(nonces)}, nonce {', '.join(map(str, nonces))}",
            holds=None,
            why="one request shows neither gaps nor rising nonces: the board gave up, or its next one was not heard",
            next_action="watch for longer (air.backoff.window_s in the profile), and look at the firmware's retries",
        )
        return
    measure.fact(
        "nonces rise",
        expected="each above the one before, over power cuts as well",
        seen=", ".join(map(str, nonces)),
        holds=all(before < after for before, after in pairwise(nonces)),
        next_action="look at how the firmware keeps its join nonce: networks refuse one that was used before",
    )


def _lines(seen: BackoffSeen) -> list[str]:
    times = [(one.at_s, f"request, nonce {one.dev_nonce}, {one.airtime_us / 1e3:g} ms") for one in seen.requests]
    times += [(one, "power cut") for one in seen.cuts_s]
    return [f"{at_s - seen.began_s:8.1f} s  {what}" for at_s, what in sorted(times)]
