"""What the modem answered to the frames that it was handed: told and judged where its own line is listened to, too."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.protocol.at_rules import Outcome

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.check import Check
    from benchrig.procedures.on_bench import OnBench
    from benchrig.protocol.at_events import HandOver

_SHOWN = 3


def tell_modem_answers(on: OnBench, measure: Check) -> None:
    """Judge whether the modem accepted every frame, at its last attempt at least. Nothing without its line.

    Bytes that were lost on the way to us are told in any case: a gap in the record is no silence.
    """
    lost = on.board.lost_on_modem_lines()
    if lost:
        measure.not_proven(
            f"what went over the modem UART in full: {lost} were lost before they could be read",
            next_action="look at the load of the bench computer, and at the adapters of modem_uart and modem_reply",
        )
    handed = on.board.hand_overs()
    if handed is None:
        return
    last = {(one.port, one.payload): one for one in handed}
    wrong = [one for one in last.values() if one.outcome not in (Outcome.ACCEPTED, Outcome.UNKNOWN)]
    unknown = [one for one in last.values() if one.outcome is Outcome.UNKNOWN]
    measure.fact(
        "answers of the modem",
        expected="every frame accepted",
        seen=_shown(wrong or unknown) or f"so all {len(last)} frames",
        holds=None if unknown and not wrong else not wrong and bool(last),
        why=_shown(wrong or unknown) or ("" if last else "no frame was handed over"),
        next_action="look at the modem's state and at the line's baud rate; a busy modem needs a pause before the next",
    )
    measure.annex("frames handed to the modem", [_line(one) for one in handed])


def _shown(handed: Sequence[HandOver]) -> str:
    more = f"; and {len(handed) - _SHOWN} more" if len(handed) > _SHOWN else ""
    return "; ".join(f"{one.payload.hex(' ').upper()}: {_answer(one)}" for one in handed[:_SHOWN]) + more


def _line(one: HandOver) -> str:
    again = f", attempt {one.attempt}" if one.attempt > 1 else ""
    lost = ", first character lost" if one.lost_first else ""
    return f"at {one.at_s:.3f} s, port {one.port}: {one.payload.hex(' ').upper()}: {_answer(one)}{again}{lost}"


def _answer(one: HandOver) -> str:
    return f"{one.outcome} by {one.answer}" if one.answer else str(one.outcome)
