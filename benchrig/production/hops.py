"""Uplinks followed hop by hop, from the volts at the terminals to the decoded value: the first hop that differs.

Owns which uplinks are sent, and what is judged of them. What a hop is, and when two are the same, is for `judge.hops`;
which uplink carried which report for `judge.frame_matching`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchrig.board.air import AirRefusal, AirRepeat
from benchrig.errors import AirError, BoardProtocolError
from benchrig.judge.hops import Hop, Same, compare_hops, hop_lines
from benchrig.payload.moved_bytes import moved_bytes
from benchrig.procedures.air import uplink_once
from benchrig.procedures.power import power_cycle, ready
from benchrig.production.air_facts import judge_confirmed, judge_identity
from benchrig.production.air_levels import judge_levels
from benchrig.production.air_ways import find_air, must_be_joined
from benchrig.production.hop_evidence import hop_rules, match_uplinks, seen_of, watched_hops
from benchrig.production.wrong_bytes import explain_frames
from benchrig.records import LimitJudged, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.board.air import AirUplink
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.frame_matching import Matching
    from benchrig.judge.hops import FrameHops, FrameSeen
    from benchrig.procedures.air import UplinkTry
    from benchrig.procedures.on_bench import OnBench
    from benchrig.procedures.sweep import SweepPoint
    from benchrig.production.air_ways import Air

_SHOWN = 1
_NEXT = {
    Hop.COUNTS: "look at divider and reference of the battery measurement",
    Hop.CONSOLE: "look at what the firmware makes of its counts, and at its correction constants",
    Hop.UART: "compare the firmware's payload builder with the profile's field map",
    Hop.ANSWER: "look at the modem's state, and at the commands that the firmware sends",
    Hop.AIR: "what the firmware handed over is right: look at the modem, its firmware and its settings",
    Hop.NETWORK: "what was sent is right: look at the network, its payload settings and the bench file's mapping",
    Hop.DECODED: "every hop holds the same bytes: look at the profile's field map",
}


@dataclass(slots=True)
class _Uplinks:
    """All reports that were tried, what was heard meanwhile, and why it ended early ('' when it did not)."""

    tries: list[UplinkTry] = field(default_factory=list)
    heard: tuple[AirUplink, ...] = ()
    refused: str = ""

    @property
    def is_silent(self) -> bool:
        """Whether nothing was heard of any of them."""
        return all(one.uplink is None for one in self.tries)


@dataclass(frozen=True, slots=True)
class _Followed:
    """The reports hop by hop, and how they were matched."""

    uplinks: _Uplinks
    matching: Matching
    seen: tuple[FrameSeen, ...]
    frames: tuple[FrameHops, ...]


def check_uplink_hops(run: BoardRun, measure: Check) -> None:
    """Uplinks at several battery voltages, one more after a power cut; each hop is held against the one before."""
    air = find_air(run, measure)
    if air is None:
        return
    ready(run.on_bench)
    if not must_be_joined(run, measure, air):
        return
    mark = air.path.mark()
    uplinks = _send_all(run.on_bench, air)
    uplinks.heard = air.path.uplinks_since(mark)
    followed = _follow(run.on_bench, air, uplinks)
    _tell(measure, air, followed, mark)
    _judge_order(measure, air, followed)
    judge_identity(run, measure, air)
    judge_confirmed(measure, air, uplinks.heard)
    _judge_hops(run.on_bench, air, measure, followed)
    judge_levels(run, measure, uplinks.heard)
    _judge_lost(measure, air, followed)


# ---- on the bench


def _send_all(on: OnBench, air: Air) -> _Uplinks:
    """Every point, then the first one again after a power cut: a counter that begins anew shows there."""
    uplinks = _Uplinks()
    try:
        for voltage_v in air.plan.points_v:
            _send(on, air, uplinks, name=f"at {voltage_v:.2f} V", voltage_v=voltage_v)
            if uplinks.is_silent:
                return uplinks
        power_cycle(on)
        _send(on, air, uplinks, name="after a power cut", voltage_v=air.plan.points_v[0])
    except BoardProtocolError as wrong:
        uplinks.refused = wrong.message
    return uplinks


def _send(on: OnBench, air: Air, uplinks: _Uplinks, *, name: str, voltage_v: float) -> None:
    """One report until it is heard, or the tries are over."""
    for number in range(1, air.plan.tries + 1):
        again = "" if number == 1 else f", try {number}"
        uplinks.tries.append(uplink_once(on, air.path, air.plan, name=name + again, voltage_v=voltage_v))
        if uplinks.tries[-1].uplink is not None:
            return


def _follow(on: OnBench, air: Air, uplinks: _Uplinks) -> _Followed:
    tries, heard = uplinks.tries, uplinks.heard
    matching = match_uplinks(tries, heard, within_s=2.0 * air.plan.uplink_s)
    ends_s = [*(one.asked_s for one in tries), math.inf][1:]  # of none, when the first frame was refused
    seen = tuple(
        seen_of(on, air.path, one, _at(heard, matching.heard_of(place)), until_s=end_s)
        for place, (one, end_s) in enumerate(zip(tries, ends_s, strict=True))
    )
    rules = hop_rules(on)
    return _Followed(uplinks, matching, seen, tuple(compare_hops(one, rules) for one in seen))


def _at(heard: Sequence[AirUplink], place: int | None) -> AirUplink | None:
    return None if place is None else heard[place]


# ---- judged


def _judge_order(measure: Check, air: Air, followed: _Followed) -> None:
    """Nothing twice, nothing old, and a counter that goes on over the power cut."""
    matching, uplinks = followed.matching, followed.uplinks
    wrong = [uplinks.refused] if uplinks.refused else []
    wrong += [f"{len(matching.replays)} under a counter that was used before"] if matching.replays else []
    wrong += [f"{len(matching.strange)} that no report explains"] if matching.strange else []
    counters = [one.counter for one in uplinks.heard]
    measure.fact(
        "counters",
        expected="each frame under a counter of its own, higher than the one before, over a power cut as well",
        seen="; ".join(wrong) or f"so, {', '.join(map(str, counters)) or 'none'}",
        holds=not wrong,
        why="; ".join(wrong),
        next_action="look at how the modem keeps its frame counter, and at what else makes it send",
    )


def _judge_hops(on: OnBench, air: Air, measure: Check, followed: _Followed) -> None:
    """One fact for each hop with eyes; the table and the explanation of wrong bytes beside them."""
    cause = _explain(on, measure, followed)
    watched = watched_hops(on, air.path) | {Hop.DECODED}
    for hop in Hop:
        if hop in watched and hop is not Hop.TERMINALS:
            _judge_hop(measure, hop, followed, cause=cause)


def _judge_hop(measure: Check, hop: Hop, followed: _Followed, *, cause: str) -> None:
    """Frames that the air lost are judged apart, and so is a modem's answer that nobody knows."""
    lost = {place for place in followed.matching.lost if hop in (Hop.AIR, Hop.NETWORK, Hop.DECODED)}
    rows = [(frame, frame.row(hop)) for place, frame in enumerate(followed.frames) if place not in lost]
    differ = [frame for frame, row in rows if row.same is Same.NO]
    known = [row for _, row in rows if row.same is not Same.UNSEEN]
    explained = f"; explained by {cause!r}, see 'wrong bytes explained'" if cause and differ else ""
    measure.fact(
        f"hop: {hop}",
        expected="the same as at the hop before, in every frame",
        seen=_shown(differ) or (f"so in all {len(known)} frames" if known else "no frame"),
        holds=not differ if known else None,
        why=_shown(differ) or ("" if known else "no frame was seen here"),
        next_action=_NEXT[hop] + explained,
    )


def _shown(differ: Sequence[FrameHops]) -> str:
    told = [frame.text for frame in differ[:_SHOWN]]
    return "; ".join(told) + (f"; and {len(differ) - _SHOWN} more" if len(differ) > _SHOWN else "")


def _explain(on: OnBench, measure: Check, followed: _Followed) -> str:
    """What was done to the bytes; the simplest cause in words, '' for none."""
    moved = tuple(_moved(followed.seen))
    lines = [f"between modem UART and air: {text}" for text in moved_bytes(moved)]
    points = [_as_sent(one, seen) for one, seen in zip(followed.uplinks.tries, followed.seen, strict=True)]
    wrong = explain_frames(on.profile, points)
    if wrong is not None:
        lines += wrong.lines
    if lines:
        measure.annex("wrong bytes explained", lines)
    return next(iter(moved_bytes(moved)), wrong.first if wrong else "")


def _moved(frames: Sequence[FrameSeen]) -> Iterator[tuple[bytes, bytes]]:
    for one in frames:
        heard = one.air or one.network
        if one.uart is not None and heard is not None:
            yield one.uart.payload, heard.carried.payload


def _as_sent(one: UplinkTry, seen: FrameSeen) -> SweepPoint:
    """The point with the bytes as they came out in the end."""
    heard = seen.air or seen.network
    if heard is None:
        return one.point
    frame = replace(one.point.frame, handed=heard.carried.payload, handed_port=heard.carried.port)
    return replace(one.point, frame=frame)


def _judge_lost(measure: Check, air: Air, followed: _Followed) -> None:
    """Frames that nobody heard: the board's, where it is never heard, or weak, or did not send; else the air's.

    A counter that was left out says that the modem did send. Of the last frames no later counter can tell. Raises
    AirError for a loss of the bench.
    """
    lost, tries = followed.matching.lost, followed.uplinks.tries
    if not lost:
        return
    sent, last = followed.matching.missing, _lost_last(lost, len(tries))
    seen = f"{len(lost)} of {len(tries)} were not heard, {sent} of these sent by the frame counter"
    is_board = followed.uplinks.is_silent or _is_weak(measure) or sent + last < len(lost)
    if is_board or not sent:
        measure.fact(
            "frames reach the air",
            expected="every report heard",
            seen=seen,
            holds=False if is_board else None,
            why=seen if is_board else f"{seen}; no later frame tells whether the others were sent",
            next_action="look at the board's antenna, its transmitter and its channels",
        )
        return
    raise AirError(
        f"{air.path.name}: {seen}, and the others came at a good level: the air loses frames; look at gateway antenna, "
        "shielded box and cables, and at what else is on the air, then run again"
    )


def _lost_last(lost: Sequence[int], count: int) -> int:
    """How many of the last tries in a row were lost."""
    heard = set(range(count)) - set(lost)
    return count - 1 - max(heard, default=-1)


def _is_weak(measure: Check) -> bool:
    levels = [one for one in measure.not_passed() if isinstance(one, LimitJudged) and one.limit in ("rssi", "snr")]
    return any(one.verdict is Verdict.FAIL for one in levels)


# ---- told


def _tell(measure: Check, air: Air, followed: _Followed, mark: int) -> None:
    """The table, what was counted beside it, and what was heard of others."""
    matching = followed.matching
    events = air.path.events_since(mark)
    repeats = sum(isinstance(event, AirRepeat) for event in events)
    refused = [event for event in events if isinstance(event, AirRefusal)]
    counted = (
        f"{len(followed.uplinks.tries)} reports, {len(matching.pairs)} matched by counter, bytes and time, "
        f"{len(matching.lost)} not heard, {matching.missing} counters left out, "
        f"{len(matching.duplicates) + repeats} duplicates, {len(matching.replays)} replays"
    )
    measure.annex("uplinks hop by hop", [*hop_lines(followed.frames), counted])
    if refused:
        measure.annex("heard and not used", _refusals(refused))


def _refusals(refused: Sequence[AirRefusal]) -> list[str]:
    kinds: dict[str, list[AirRefusal]] = {}
    for one in refused:
        kinds.setdefault(one.why, []).append(one)
    return [f"{len(some)} times: {why}: {some[0].detail}" for why, some in kinds.items()]
