"""The bytes that the microcontroller hands to its modem: one hop, compared on both sides.

Owns what is judged of the frames of a sweep. What explains wrong bytes, and what right ones prove, are told beside it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.payload.codec import decode
from benchrig.procedures import sweep as sweeping
from benchrig.procedures.power import ready
from benchrig.production.announced import not_as_announced
from benchrig.production.modem_answers import tell_modem_answers
from benchrig.production.point_proof import tell_not_proven
from benchrig.production.wrong_bytes import explain_frames
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.payload.codec import Decoded, DecodedValue
    from benchrig.procedures.on_bench import OnBench
    from benchrig.procedures.sweep import SweepPoint

    Frames = Sequence[tuple[SweepPoint, Decoded]]


def check_payload_bytes(run: BoardRun, measure: Check) -> None:
    """What the microcontroller handed to its modem, at every point of the sweep."""
    on = run.on_bench
    if on.board.tap is None:
        measure.undecided(
            "battery_difference",
            "no tap on the modem UART of this slot: the bytes were not seen",
            next_action="wire a receive-only adapter and name it (slots.N.serial.modem_uart)",
        )
        return
    if not run.sweep and "battery_sweep" in run.checks:
        measure.end_by(Verdict.NOT_RUN, "the battery sweep ended before its first frame")
        return
    if not run.sweep:
        ready(on)
        run.sweep.extend(sweeping.battery_sweep(on))
    _judge_frames(on, measure, run.sweep)
    points = tuple(run.sweep)
    run.later(lambda: tell_not_proven(on.profile, measure, points))


def _judge_frames(on: OnBench, measure: Check, points: Sequence[SweepPoint]) -> None:
    decoded = [(point, _decoded(on, point)) for point in points]
    problems = [
        f"at {point.at}: {problem}"
        for point, found in decoded
        for problem in ((*not_as_announced(point.frame), *found.problems) if found else (_no_frame(point),))
    ]
    field_map = on.profile.field_map
    wrong = explain_frames(on.profile, points)
    cause = f"; explained by {wrong.first!r}, see 'wrong bytes explained'" if wrong and wrong.first else ""
    measure.fact(
        "port, length and check value",
        expected=f"port {field_map.port}, {field_map.length_bytes or 'any number of'} bytes, both as the console says, "
        "check value right",
        seen=_counted(problems) or f"so in all {len(points)} frames",
        holds=not problems,
        why="; ".join(problems[:3]),
        next_action=f"compare the firmware's payload builder with the profile's field map{cause}",
    )
    good = [(point, found) for point, found in decoded if found and found.values]
    _judge_field(
        measure,
        "battery_difference",
        good,
        on.profile.roles.battery,
        reference=lambda point: point.frame.reported_v,
        unit="V",
        cause=cause,
    )
    if on.profile.roles.temperature is not None:
        _judge_field(
            measure,
            "temperature_difference",
            good,
            on.profile.roles.temperature,
            reference=lambda point: math.nan if point.frame.celsius is None else point.frame.celsius,
            unit="degC",
            cause=cause,
        )
    _judge_flags(on, measure, good, cause=cause)
    if wrong:
        measure.annex("wrong bytes explained", wrong.lines)
    tell_modem_answers(on, measure)


def _decoded(on: OnBench, point: SweepPoint) -> Decoded | None:
    frame = point.frame
    if frame.handed is None or frame.handed_port is None:
        return None
    return decode(on.profile.field_map, frame.handed, port=frame.handed_port)


def _no_frame(point: SweepPoint) -> str:
    return f"no frame on the modem UART after {point.frame.raw!r}"


def _judge_field(
    measure: Check,
    value_name: str,
    frames: Frames,
    field: str,
    *,
    reference: Callable[[SweepPoint], float],
    unit: str,
    cause: str,
) -> None:
    """The frame whose field is off most against its reference; bytes and reference stand in the text."""
    differences = [
        (_distance(found.values.get(field), reference(point)), point, found.values.get(field))
        for point, found in frames
    ]
    if not differences:
        return
    distance, point, sent = max(differences, key=lambda one: one[0])
    said, at = reference(point), f"worst, at {point.at}"
    handed = (point.frame.handed or b"").hex(" ").upper()
    action = (
        f"bytes {handed}: field {field} reads {_shown(sent)}, expected {said:.4g} {unit}; look at byte order, sign, "
        f"scale and which sample the frame takes{cause}"
    )
    if sent is None or sent.value is None or math.isinf(distance):  # the console gave a number and the frame none
        expected = f"{said:.4g} {unit}, as on the console"
        measure.fact(f"{value_name} {at}", expected=expected, seen=_shown(sent), holds=False, next_action=action)
        return
    measure(value_name, sent.value - said, unit=unit, at=at, next_action=action)


def _judge_flags(on: OnBench, measure: Check, frames: Frames, *, cause: str) -> None:
    """Every flag with a rule, in every frame; the load is off in the sweep."""
    rules = on.profile.payload_flags
    if not rules or not frames:
        return
    wrong = [
        f"at {point.at}: {rule.name} is {_shown(found.values.get(rule.name))}, expected {expected}"
        for point, found in frames
        for rule in rules
        if (expected := rule.expected(battery_v=point.frame.reported_v)) != _flag(found.values.get(rule.name))
    ]
    measure.fact(
        "flags",
        expected=f"{', '.join(rule.name for rule in rules)} as the profile rules them",
        seen=_counted(wrong) or f"so in all {len(frames)} frames",
        holds=not wrong,
        why=_counted(wrong),
        next_action=f"look at the order and the meaning of the flags{cause}",
    )


def _flag(sent: DecodedValue | None) -> float | None:
    return None if sent is None else sent.value


def _counted(problems: Sequence[str]) -> str:
    """The first three, and how many more there are."""
    return "; ".join(problems[:3]) + (f"; and {len(problems) - 3} more" if len(problems) > 3 else "")


def _distance(sent: DecodedValue | None, said: float) -> float:
    """How far a field is off; one that is no number is further off than any."""
    if sent is None or sent.value is None or not math.isfinite(sent.value):
        return math.inf
    return abs(sent.value - said)


def _shown(sent: DecodedValue | None) -> str:
    if sent is None:
        return "no such field"
    return sent.word or str(sent.value)
