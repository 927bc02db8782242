"""From uplinks that were tried to what was seen of each at every hop, and the rules by which hops are compared.

Owns which hops a bench has eyes at, and how far neighbours may be apart by the profile. Must not judge.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from benchrig.judge.frame_matching import HandedFrame, HeardFrame, match_frames
from benchrig.judge.hops import Announced, Answered, Carried, FrameSeen, Heard, Hop, HopRules, Said, Volts
from benchrig.judge.uncertainty import expanded
from benchrig.payload.codec import decode
from benchrig.procedures.correction import read_constants
from benchrig.protocol.at_rules import Outcome

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirPath, AirUplink
    from benchrig.board.profile import BoardProfile
    from benchrig.judge.frame_matching import Matching
    from benchrig.procedures.air import UplinkTry
    from benchrig.procedures.on_bench import OnBench
    from benchrig.protocol.at_events import HandOver

_ALWAYS = frozenset({Hop.TERMINALS, Hop.COUNTS, Hop.CONSOLE})
_CONVERTER_SHARE, _CONVERTER_COUNTS, _NOISE_V, _PAYLOAD_V, _PAYLOAD_C = 0.05, 50.0, 0.005, 0.001, 1.0
"""Where the profile does not limit them. Own choice."""


def watched_hops(on: OnBench, air: AirPath) -> frozenset[Hop]:
    """Where this bench has eyes. A way that answers joins hears the air itself; a broker tells what a network got."""
    hops = set(_ALWAYS) | {Hop.AIR if air.can_join else Hop.NETWORK}
    if on.board.tap is not None:
        hops |= {Hop.UART} if on.board.reply is None else {Hop.UART, Hop.ANSWER}
    return frozenset(hops)


def hop_rules(on: OnBench) -> HopRules:
    """How far hops may be apart: by the limits of the checks that look at one step alone, and the board's constants."""
    profile = on.profile
    lsb_v = profile.converter.volts_per_count
    rules = HopRules(
        volts_per_count=lsb_v,
        converter_share=_side(profile, "battery_sweep", "counts_gain_error", _CONVERTER_SHARE),
        converter_offset_v=_side(profile, "battery_sweep", "counts_offset", _CONVERTER_COUNTS) * lsb_v,
        noise_v=_side(profile, "battery_sweep", "noise", _NOISE_V),
        payload_v=_side(profile, "payload_bytes", "battery_difference", _PAYLOAD_V),
        payload_c=_side(profile, "payload_bytes", "temperature_difference", _PAYLOAD_C),
    )
    if profile.correction is None:
        return rules
    form, held = profile.correction.form, read_constants(on)
    return replace(
        rules,
        gain=held.gain * form.gain_step,
        offset_v=held.offset * form.offset_step_v,
        console_step_v=form.reported_step_v,
    )


def _side(profile: BoardProfile, check: str, value: str, otherwise: float) -> float:
    """The wider side of a limit, in the base unit."""
    limit = profile.limits.get(check, {}).get(value)
    sides = [abs(side) for side in (limit.low, limit.high) if side is not None] if limit else []
    return max(sides, default=otherwise)


def match_uplinks(tries: Sequence[UplinkTry], uplinks: Sequence[AirUplink], *, within_s: float) -> Matching:
    """Which uplink carried which report."""
    handed = [
        HandedFrame(
            at_s=one.asked_s,
            port=_or(one.point.frame.handed_port, one.point.frame.port),
            payload=one.point.frame.handed or b"",
        )
        for one in tries
    ]
    heard = [
        HeardFrame(at_s=one.at_s, counter=one.counter, port=one.port, payload=one.payload or b"") for one in uplinks
    ]
    return match_frames(handed, heard, within_s=within_s)


def _or(value: int | None, otherwise: int) -> int:
    return otherwise if value is None else value


def seen_of(
    on: OnBench, air: AirPath, one: UplinkTry, uplink: AirUplink | None, *, until_s: float = math.inf
) -> FrameSeen:
    """Everything that was seen of one report, until the next one was asked for."""
    profile, point, frame = on.profile, one.point, one.point.frame
    heard = None if uplink is None else _heard(profile, uplink)
    expanded_u_v, _ = expanded(point.terminals.standard_uncertainty, dof=math.inf)
    uart = None
    if frame.handed is not None:
        uart = carried(profile, frame.handed, port=frame.handed_port)
    return FrameSeen(
        name=one.name,
        watched=watched_hops(on, air),
        terminals=Volts(value_v=point.terminals.value, expanded_u_v=expanded_u_v),
        counts=point.battery.counts,
        console=Announced(battery_v=frame.reported_v, celsius=frame.celsius, port=frame.port, length=frame.length),
        uart=uart,
        answer=_answer(on, one, until_s),
        air=heard if air.can_join else None,
        network=None if air.can_join else heard,
    )


def carried(profile: BoardProfile, payload: bytes, *, port: int | None) -> Carried:
    """A payload, read as if it came on the map's port; another port is one more problem of it."""
    field_map = profile.field_map
    found = decode(field_map, payload, port=field_map.port)
    wrong = () if port == field_map.port else (f"on port {port}, the field map's is {field_map.port}",)
    numbers = {name: value.value for name, value in found.values.items()}
    said = Said(
        battery_v=numbers.get(profile.roles.battery),
        celsius=None if profile.roles.temperature is None else numbers.get(profile.roles.temperature),
        problems=(*found.problems, *wrong),
    )
    return Carried(port=port, payload=payload, said=said)


def _heard(profile: BoardProfile, uplink: AirUplink) -> Heard:
    best = uplink.levels[0] if uplink.levels else None
    return Heard(
        counter=uplink.counter,
        carried=carried(profile, uplink.payload or b"", port=uplink.port),
        rssi_dbm=best.rssi_dbm if best else None,
        snr_db=best.snr_db if best else None,
    )


def _answer(on: OnBench, one: UplinkTry, until_s: float) -> Answered | None:
    """The last hand-over of this very frame while it was asked for."""
    frame = one.point.frame
    handed = [
        over
        for over in on.board.hand_overs() or ()
        if one.asked_s <= over.at_s < until_s and (over.port, over.payload) == (frame.handed_port, frame.handed)
    ]
    return _answered(on, handed[-1], one.asked_s) if handed else None


def _answered(on: OnBench, over: HandOver, asked_s: float) -> Answered:
    """What the modem said. Two ports are not read in one breath: an answer that came with its command may be stamped
    before it, so that only a modem which said nothing at all left the frame unanswered."""
    told = f"{over.outcome} by {over.answer}" if over.answer else str(over.outcome)
    said_something = on.board.reply is not None and bool(on.board.reply.pieces_since(asked_s))
    is_unclear = over.outcome in (Outcome.UNKNOWN, Outcome.OPEN)
    if is_unclear or (over.outcome is Outcome.UNANSWERED and said_something):
        return Answered(accepted=None, text=f"not known ({told})")
    return Answered(accepted=over.outcome is Outcome.ACCEPTED, text=told)
