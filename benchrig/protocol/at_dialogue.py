"""The dialogue on a modem's UART: time-stamped bytes of both directions in, events out.

Owns all state of the dialogue; `at_rules` owns what a line means. Must not know ports, files or clocks: a stamp is a
number that the caller brings, and time passes only with stamps. Bytes may come in any pieces, as long as the two
directions come in the order of their stamps.

Source: ITU-T V.250 (07/2003), from memory: 5.2.1 a command line begins with AT or at and ends with CR; what stands
before its AT is no part of it; 5.2.2 a backspace takes back a character; 5.2.3 echo; 5.2.4 A/ repeats, without CR;
5.7.1 results stand between CR LF and CR LF, or as a number before CR alone. A host may hand over several commands
at once, though 5.6 tells it to wait: results then belong to the oldest command. What follows CONNECT is read as lines
of commands, too: connections for data have no place on a sensor board.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import repeat
from typing import TYPE_CHECKING

from benchrig.protocol.at_events import (
    Echo,
    Garbage,
    HalfLine,
    HandOver,
    Information,
    Overflow,
    Result,
    Sent,
    Side,
    Stray,
    Unanswered,
    Unsolicited,
)
from benchrig.protocol.at_rules import NUMERIC, AtRules, Outcome

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from benchrig.protocol.at_events import Event

_CR, _LF, _BACKSPACE = 0x0D, 0x0A, 0x08
_NOT_PRINTABLE = re.compile(rb"[^\t\x20-\x7e]")
_COMMAND = re.compile(rb"(?:[^\t\x20-\x7e]*)((?:AT|at)[\t\x20-\x7e]*)")
_ONE_SHORT = re.compile(rb"[Tt](?:[^A-Za-z0-9\s\x7f-\xff].*)?")


class _Line:
    """A line that is still coming."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.raw = bytearray()
        self.began_s = self.last_s = 0.0
        self.why_damaged = ""

    def add(self, byte: int, at_s: float, *, most: int) -> None:
        if not self.raw:
            self.began_s = at_s
        self.last_s = at_s
        if byte == _BACKSPACE:
            del self.raw[-1:]
        elif len(self.raw) < most:
            self.raw.append(byte)
        else:
            self.why_damaged = f"no line end within {most} bytes"


@dataclass(slots=True)
class _Command:
    """A command on its way to a result. `echoed` is what the modem sent back of it."""

    text: str
    raw: str
    began_s: float
    at_s: float
    attempt: int
    lost_first: bool
    echoed: str = ""
    bytes_lost: bool = False
    outcome: Outcome = Outcome.OPEN
    answer: str = ""
    answered_s: float | None = None


class AtDialogue:
    """Follows one modem. Every call returns what it brought to an end, in order.

    `modem_is_heard` False: only the host's direction is there, so that what became of a command stays unknown.
    """

    def __init__(self, rules: AtRules | None = None, *, modem_is_heard: bool = True) -> None:
        self._rules = rules or AtRules()
        self._modem_is_heard = modem_is_heard
        self._lines = {side: _Line() for side in Side}
        self._open: list[_Command] = []
        self._last: _Command | None = None
        self._number: tuple[str, float] | None = None
        self._echo_ahead: str = ""
        self._handed: list[tuple[_Command, int, bytes]] = []
        self._events: list[Event] = []

    @property
    def hand_overs(self) -> tuple[HandOver, ...]:
        """Every payload that was handed over until now, with what became of it."""
        return tuple(
            HandOver(
                at_s=command.at_s,
                port=port,
                payload=payload,
                command=command.text,
                attempt=command.attempt,
                lost_first=command.lost_first,
                outcome=command.outcome,
                answer=command.answer,
                answered_s=command.answered_s,
            )
            for command, port, payload in self._handed
        )

    def feed(
        self, side: Side, data: bytes, at_s: float | Sequence[float], *, faulty: Collection[int] = ()
    ) -> tuple[Event, ...]:
        """Bytes of one side: one stamp for all, or one for each. `faulty`: offsets of bytes that came damaged."""
        stamps = repeat(at_s, len(data)) if isinstance(at_s, float | int) else at_s
        for offset, (byte, stamp_s) in enumerate(zip(data, stamps, strict=True)):
            self._take(side, byte, stamp_s, is_faulty=offset in faulty)
        return self._told()

    def overflow(self, side: Side, at_s: float, *, lost: int | None = None) -> tuple[Event, ...]:
        """Bytes of this side were lost here: no line goes on across the gap, and silence proves nothing."""
        self._pass(at_s)
        self._decide_number()
        self._half_line(side, "bytes were lost in it")
        self._events.append(Overflow(side, at_s, lost))
        for command in self._open:
            command.bytes_lost = True
        return self._told()

    def pass_time(self, now_s: float) -> tuple[Event, ...]:
        """No byte came until now."""
        self._pass(now_s)
        return self._told()

    def finish(self, at_s: float) -> tuple[Event, ...]:
        """The record ends here."""
        self._pass(at_s)
        self._decide_number()
        for side in Side:
            self._half_line(side, "the record ends in it")
        for command in tuple(self._open):
            self._give_up(command, at_s, "the record ends before an answer was due", Outcome.OPEN)
        return self._told()

    def _told(self) -> tuple[Event, ...]:
        events, self._events = tuple(self._events), []
        return events

    # ---- time and bytes

    def _pass(self, now_s: float) -> None:
        for side, line in self._lines.items():
            if line.raw and now_s - line.last_s > self._rules.half_line_s:
                self._half_line(side, f"not ended within {self._rules.half_line_s:g} s")
        if self._number and now_s - self._number[1] > self._rules.numeric_gap_s:
            self._decide_number()
        while self._open and now_s - self._open[0].at_s > self._rules.answer_timeout_s:
            due_s = self._open[0].at_s + self._rules.answer_timeout_s
            self._give_up(self._open[0], due_s, f"no final result within {self._rules.answer_timeout_s:g} s")

    def _take(self, side: Side, byte: int, at_s: float, *, is_faulty: bool) -> None:
        self._pass(at_s)
        line = self._lines[side]
        if side is Side.MODEM and self._number:
            if byte == _LF and not line.raw:  # information text ends in CR LF, a number as a result in CR alone
                text, ended_s = self._number
                self._number = None
                self._said(text, ended_s)
                return
            self._decide_number()
        if byte in (_CR, _LF) and not is_faulty:
            self._end(side, byte, at_s)
            return
        line.add(byte, at_s, most=self._rules.max_line_bytes)
        if is_faulty:
            line.why_damaged = "a byte of it came damaged"
        if side is Side.HOST and bytes(line.raw) in (b"A/", b"a/"):
            self._repeat(line, at_s)

    def _end(self, side: Side, end: int, at_s: float) -> None:
        line = self._lines[side]
        if not line.raw:
            return
        raw, began_s, why = bytes(line.raw), line.began_s, line.why_damaged
        line.clear()
        if side is Side.HOST:
            self._decide_number()  # an LF would have followed it long before the end of a command
        if why:
            self._events.append(Garbage(side, raw, at_s, why))
        elif side is Side.HOST:
            self._host_line(raw, began_s, at_s)
        else:
            self._modem_line(raw, end, at_s)

    def _half_line(self, side: Side, why: str) -> None:
        line = self._lines[side]
        if line.raw:
            self._events.append(HalfLine(side, bytes(line.raw), line.last_s, why))
        line.clear()

    # ---- the host

    def _host_line(self, raw: bytes, began_s: float, at_s: float) -> None:
        found = _COMMAND.fullmatch(raw)
        if found:
            noise = raw[: found.start(1)]
            if noise:
                self._events.append(Garbage(Side.HOST, noise, began_s, "before a command"))
            self._command(found[1].decode("ascii"), "", began_s, at_s)
        elif _NOT_PRINTABLE.search(raw):
            self._events.append(Garbage(Side.HOST, raw, at_s, "bytes that no line of text has"))
        elif self._is_one_short(raw):
            first = "a" if raw.startswith(b"t") else "A"
            self._command(first + raw.decode("ascii"), first, began_s, at_s)
        else:
            self._events.append(Garbage(Side.HOST, raw, at_s, "no command: it does not begin with AT"))

    def _is_one_short(self, raw: bytes) -> bool:
        """Whether only the first character is missing: a mark behind the T, or the last command without its A."""
        is_last = self._last is not None and self._last.text[1:].encode("ascii") == raw
        return is_last or _ONE_SHORT.fullmatch(raw) is not None

    def _repeat(self, line: _Line, at_s: float) -> None:
        began_s = line.began_s
        line.clear()
        if self._last:
            self._command(self._last.text, "", began_s, at_s)
        else:
            self._events.append(Garbage(Side.HOST, b"A/", at_s, "nothing to repeat"))

    def _command(self, text: str, put_back: str, began_s: float, at_s: float) -> None:
        last = self._last
        for older in [one for one in self._open if one.text == text]:
            self._give_up(older, at_s, "it was sent again before an answer")
        again = last is not None and last.text == text and last.outcome not in (Outcome.ACCEPTED, Outcome.UNKNOWN)
        attempt = last.attempt + 1 if last and again else 1
        command = _Command(text, text.removeprefix(put_back), began_s, at_s, attempt, bool(put_back))
        command.echoed, self._echo_ahead = self._echo_ahead, ""
        command.lost_first = command.lost_first or bool(command.echoed and command.echoed != command.raw)
        self._last = command
        if self._modem_is_heard:
            self._open.append(command)
        else:
            command.outcome = Outcome.UNKNOWN
        handed = self._rules.payload(text)
        if handed:
            self._handed.append((command, *handed))
        self._events.append(Sent(text, began_s, at_s, attempt, bool(put_back)))

    def _give_up(self, command: _Command, at_s: float, why: str, outcome: Outcome = Outcome.UNANSWERED) -> None:
        self._open.remove(command)
        if command.bytes_lost:
            outcome, why = Outcome.UNKNOWN, f"{why}; bytes were lost meanwhile"
        command.outcome = outcome
        self._events.append(Unanswered(command.text, at_s, why, outcome))

    # ---- the modem

    def _modem_line(self, raw: bytes, end: int, at_s: float) -> None:
        if _NOT_PRINTABLE.search(raw):
            self._events.append(Garbage(Side.MODEM, raw, at_s, "bytes that no line of text has"))
            return
        text = raw.decode("ascii")
        if self._is_echo(text, at_s):
            return
        if end == _CR and text in NUMERIC:
            self._number = (text, at_s)
        else:
            self._said(text, at_s)

    def _is_echo(self, text: str, at_s: float) -> bool:
        for index, command in enumerate(self._open):
            if not command.echoed and text in (command.raw, command.raw[1:]):
                for older in self._open[:index]:
                    self._give_up(older, at_s, "the modem went on to the next command")
                self._echo(command, text, at_s)
                return True
        coming = bytes(self._lines[Side.HOST].raw).decode("latin-1")
        is_ahead = coming.upper().startswith("AT") and text in (coming, coming[1:])
        if is_ahead:  # two ports are not read in one breath: the echo may end before the command does
            self._echo_ahead = text
            self._events.append(Echo(text, at_s, text != coming))
        return is_ahead

    def _echo(self, command: _Command, text: str, at_s: float) -> None:
        command.echoed = text
        is_short = text != command.raw
        command.lost_first = command.lost_first or is_short
        self._events.append(Echo(text, at_s, is_short))

    def _decide_number(self) -> None:
        """The number that ended in CR alone is a result code."""
        if not self._number:
            return
        text, at_s = self._number
        self._number = None
        word = NUMERIC[text]
        name = self._rules.unasked(word)
        if name:
            self._events.append(Unsolicited(name, text, at_s))
        else:
            self._result(text, at_s, self._rules.outcome(word) or Outcome.REFUSED, numeric=True)

    def _said(self, text: str, at_s: float) -> None:
        name, outcome = self._rules.unasked(text), self._rules.outcome(text)
        if name:
            self._events.append(Unsolicited(name, text, at_s))
        elif outcome:
            self._result(text, at_s, outcome, numeric=False)
        elif self._open:
            self._events.append(Information(text, at_s, self._open[0].text))
        else:
            self._events.append(Stray(text, at_s, None))

    def _result(self, text: str, at_s: float, outcome: Outcome, *, numeric: bool) -> None:
        if not self._open:
            self._events.append(Stray(text, at_s, outcome))
            return
        command = self._open.pop(0)
        command.outcome, command.answer, command.answered_s = outcome, text, at_s
        self._events.append(Result(text, at_s, outcome, command.text, numeric))
