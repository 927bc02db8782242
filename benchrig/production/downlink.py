"""A pin switched from afar: on by one downlink, off by the next, and never by a frame that the board had before.

Owns what is judged of these. What must be ignored is in `ignored_downlinks`. The meter at the pin sees what the board
did, whatever its console says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.procedures.air import repeat_frame, switch_pin, times_switched
from benchrig.procedures.power import ready
from benchrig.production.air_ways import find_air, judge_window, must_be_joined
from benchrig.production.ignored_downlinks import PinOnAir, judge_after_reset, judge_unasked, judge_unknown
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.board.air_table import PinPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.air import PinTry

_SWITCH = "look at the port and the bytes that the firmware takes as a command, and at the output with its wiring"
_REPEATED = "a frame that was heard before must be dropped by its counter: look at how the modem keeps it"


def check_downlink(run: BoardRun, measure: Check) -> None:
    """On, off, what must be ignored, the first frame once more, and a power cut."""
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
        _switch(measure, PinOnAir(run.on_bench, *air, pin, meter))


def _switch(measure: Check, what: PinOnAir) -> None:
    before = times_switched(what.on)
    went_on = _judge_switched(measure, what, to_on=True)
    obeys = what.pin.is_on(went_on[-1].volts.value)
    if obeys:
        judge_unknown(measure, what, is_on=True)
    _judge_switched(measure, what, to_on=False)
    if not obeys:  # a pin that nothing switches shows nothing of what must not switch it
        return
    judge_unknown(measure, what, is_on=False)
    _judge_repeated(measure, what, item=went_on[-1].item)
    judge_unasked(measure, what)
    if before is not None:
        _judge_count(measure, (times_switched(what.on) or 0) - before)
    judge_after_reset(measure, what)


def _judge_switched(measure: Check, what: PinOnAir, *, to_on: bool) -> list[PinTry]:
    window = what.plan.windows[0 if to_on else 1]
    tries = switch_pin(*what, to_on=to_on, window=window)
    order = tries[-1].order
    seen = None if order.window is None else f"receive window {order.window}, {order.rate}"
    judge_window(measure, what.path, "'on'" if to_on else "'off'", window=window, sent_in=order.window, seen=seen)
    _judge_volts(measure, what.pin, tries, to_on=to_on)
    return tries


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


def _judge_repeated(measure: Check, what: PinOnAir, *, item: int) -> None:
    if not what.path.can_repeat:
        measure.not_proven(
            "that a repeated frame switches nothing: a network behind a broker repeats none",
            next_action="give the bench a gateway of its own",
        )
        return
    again = repeat_frame(*what, item=item)
    is_on = what.pin.is_on(again.volts.value)
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
