"""A pin switched from afar: on by one downlink, off by the next, and never by a frame that the board had before.

Owns what is judged of it. The meter at the pin sees what the board did, whatever its console says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.procedures.air import repeat_frame, switch_pin, times_switched
from benchrig.procedures.power import ready
from benchrig.production.air_ways import Air, find_air, must_be_joined
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.bench.meter import Meter
    from benchrig.board.air_table import PinPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.air import PinTry

_FIRST_WINDOW = 1
_SWITCH = "look at the port and the bytes that the firmware takes as a command, and at the output with its wiring"
_REPEATED = "a frame that was heard before must be dropped by its counter: look at how the modem keeps it"


def check_downlink(run: BoardRun, measure: Check) -> None:
    """On, off, and the first frame once more."""
    air = find_air(run, measure)
    if air is None:
        return
    pin, meter = air.plan.pin, run.on_bench.bench.pin
    if pin is None:
        why = "the profile does not say what a downlink switches"
        measure.end_by(Verdict.NOT_RUN, why, next_action="give it a table air.pin")
        return
    if meter is None:
        why = "no meter of this bench sees the pin that a downlink switches"
        measure.end_by(Verdict.NOT_RUN, why, next_action="wire one (slots.N.meters.pin)")
        return
    ready(run.on_bench)
    if must_be_joined(run, measure, air):
        _switch(run, measure, air, pin, meter)


def _switch(run: BoardRun, measure: Check, air: Air, pin: PinPlan, meter: Meter) -> None:
    on = run.on_bench
    before = times_switched(on)
    went_on = switch_pin(on, *air, pin, meter, to_on=True)
    _judge_window(measure, air, went_on[-1], command="on")
    _judge_volts(measure, pin, went_on, to_on=True)
    went_off = switch_pin(on, *air, pin, meter, to_on=False)
    _judge_volts(measure, pin, went_off, to_on=False)
    if air.path.can_repeat:
        _judge_repeated(run, measure, air, pin, meter, item=went_on[-1].item)
    else:
        measure.not_proven(
            "that a repeated frame switches nothing: a network behind a broker repeats none",
            next_action="give the bench a gateway of its own",
        )
    if before is not None:
        _judge_count(measure, (times_switched(on) or 0) - before)


def _judge_window(measure: Check, air: Air, one: PinTry, *, command: str) -> None:
    """Which window the order was for; a broker does not tell it."""
    if one.order.window is None:
        measure.not_proven(f"in which receive window '{command}' went down: {air.path.name} does not tell")
        return
    measure.fact(
        f"window of '{command}'",
        expected=f"receive window {_FIRST_WINDOW}",
        seen=f"receive window {one.order.window}, {one.order.rate}",
        holds=True if one.order.window == _FIRST_WINDOW else None,
        why="" if one.order.window == _FIRST_WINDOW else "the order came too late for the first window",
        next_action="look at what delays the bench: its computer, its network",
    )


def _judge_volts(measure: Check, pin: PinPlan, tries: list[PinTry], *, to_on: bool) -> None:
    word = "on" if to_on else "off"
    measure("pin_on" if to_on else "pin_off", tries[-1].volts, next_action=_SWITCH)
    obeyed = pin.is_on(tries[-1].volts.value) is to_on
    measure.fact(
        f"'{word}' obeyed",
        expected=f"the pin {word} after a downlink in its receive window",
        seen=f"{word} at try {len(tries)}" if obeyed else f"not {word} after {len(tries)} downlinks",
        holds=obeyed,
        next_action=f"{_SWITCH}; a window that opens late hears nothing: see transmit and join",
    )
    if obeyed and len(tries) > 1:
        measure.not_proven(
            f"that every downlink is heard: '{word}' took {len(tries)} tries",
            next_action="look at antennas and levels; uplink_hops tells whether frames get lost",
        )


def _judge_repeated(run: BoardRun, measure: Check, air: Air, pin: PinPlan, meter: Meter, *, item: int) -> None:
    again = repeat_frame(run.on_bench, *air, pin, meter, item=item)
    is_on = pin.is_on(again.volts.value)
    measure.fact(
        "a repeated frame switches nothing",
        expected="the pin stays off",
        seen=f"{'on' if is_on else 'off'}, {again.volts.value:.3f} V, after frame {again.order.counter} once more",
        holds=not is_on,
        next_action=_REPEATED,
    )


def _judge_count(measure: Check, switched: int) -> None:
    measure.fact(
        "commands obeyed",
        expected="2, by the board's own count",
        seen=str(switched),
        holds=switched == 2,
        next_action=_REPEATED,
    )
