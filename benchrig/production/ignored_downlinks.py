"""What a board must ignore of what comes down, and what a power cut makes of its pin.

Owns three questions: a command that means nothing, or means something on another port alone; a frame that comes though
the board did not speak (LoRaWAN 1.0.x section 3.3, class A: it listens in the two windows after an uplink alone, from
memory); and the pin after a reset. Must not know how a frame is made.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from benchrig.procedures.air import read_pin, send_command, send_unasked, switch_pin
from benchrig.procedures.power import power_cycle

if TYPE_CHECKING:
    from benchrig.bench.meter import Meter
    from benchrig.board.air import AirPath
    from benchrig.board.air_table import AirPlan, PinPlan
    from benchrig.check import Check
    from benchrig.procedures.on_bench import OnBench

_IGNORE = "look at which ports and bytes the firmware takes as a command: everything else must change nothing"


class PinOnAir(NamedTuple):
    """All that it takes to switch a pin from afar and to see it."""

    on: OnBench
    path: AirPath
    plan: AirPlan
    pin: PinPlan
    meter: Meter


def judge_unknown(measure: Check, what: PinOnAir, *, is_on: bool) -> None:
    """A command that nobody knows leaves the pin as it is; "on" to another port leaves it off."""
    pin, state = what.pin, _word(is_on)
    if pin.unknown is None:
        if is_on:
            measure.not_proven(
                "that an unknown command changes nothing: the profile names none", next_action="give air.pin.unknown"
            )
    else:
        title = f"an unknown command changes nothing while {state}"
        _judge_ignored(measure, what, title, payload=pin.unknown, port=pin.port, is_on=is_on)
    if not is_on:
        _judge_ignored(measure, what, "'on' to another port", payload=pin.on, port=pin.other_port, is_on=False)


def _judge_ignored(measure: Check, what: PinOnAir, title: str, *, payload: bytes, port: int, is_on: bool) -> None:
    sent = send_command(*what, payload=payload, port=port, name=f"pin after {payload.hex()} to port {port}")
    after = what.pin.is_on(sent.volts.value)
    measure.fact(
        title,
        expected=f"the pin stays {_word(is_on)}",
        seen=f"{_word(after)}, {sent.volts.value:.3f} V, after {payload.hex()} to port {port}",
        holds=after is is_on,
        next_action=_IGNORE,
    )


def judge_unasked(measure: Check, what: PinOnAir) -> None:
    """A board of class A is deaf until it has spoken: what comes in between must switch nothing."""
    if not what.path.can_time:
        measure.not_proven(
            "that the board listens in its receive windows alone: a network behind a broker sends nothing unasked",
            next_action="give the bench a gateway of its own",
        )
        return
    sent = send_unasked(*what)
    is_on = what.pin.is_on(sent.volts.value)
    measure.fact(
        "deaf until it has spoken",
        expected="the pin stays off",
        seen=f"{_word(is_on)}, {sent.volts.value:.3f} V, after 'on' that came unasked, {sent.order.rate}",
        holds=not is_on,
        next_action="the radio listens outside of its windows, which empties the battery: look at the modem's class",
    )


def judge_after_reset(measure: Check, what: PinOnAir) -> None:
    """Switched on, then a power cut: the pin must be what the profile says."""
    wanted = what.pin.after_reset != "off"
    before = switch_pin(*what, to_on=what.pin.after_reset != "on")[-1]
    was_on = what.pin.is_on(before.volts.value)
    power_cycle(what.on)
    volts = read_pin(what.on, what.pin, what.meter, name="pin after a power cut")
    is_on = what.pin.is_on(volts.value)
    measure.fact(
        "pin after a power cut",
        expected=f"{_word(wanted)} ({what.pin.after_reset}), {_word(was_on)} before",
        seen=f"{_word(is_on)}, {volts.value:.3f} V",
        holds=is_on is wanted,
        next_action="look at what the firmware does with its output when it starts, and at pull-up and pull-down",
    )
    if is_on:
        switch_pin(*what, to_on=False)


def _word(is_on: bool) -> str:
    return "on" if is_on else "off"
