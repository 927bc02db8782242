"""A board on its slot: its console asked by the profile's grammar, its modem line listened to.

Turns the named text fields of an answer into numbers with units; a field that is no number is the board's
protocol error, never a value. Knows nothing of instruments.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchrig.board.modem_dialogue import dialogue
from benchrig.errors import BoardProtocolError, BoardTimeout
from benchrig.protocol.console import field_number

if TYPE_CHECKING:
    from benchrig.board.console_link import ConsoleLink
    from benchrig.board.modem_dialogue import ModemReply
    from benchrig.board.modem_tap import ModemTap
    from benchrig.board.profile import BoardProfile
    from benchrig.clock import Clock
    from benchrig.protocol.at_events import HandOver
    from benchrig.protocol.console import Answer, Notice

_APART_WALL_S = 0.02
"""So much later one of two adapters may be read than the other: the latency timer of the usual bridge, 16 ms, and the
computer's own delay; common practice, no source."""


@dataclass(frozen=True)
class BoardIdentity:
    """What the board says of itself."""

    serial: str
    firmware: str
    image: str
    chip: str
    eui: str
    boots: int


@dataclass(frozen=True)
class BatteryAnswer:
    """One conversion of the battery voltage: raw code and the voltage that the firmware makes of it."""

    counts: int
    reported_v: float
    took_s: float
    raw: str
    at_s: float


@dataclass(frozen=True)
class TemperatureAnswer:
    """The board's own temperature."""

    celsius: float
    raw: str
    at_s: float


@dataclass(frozen=True)
class FrameAnswer:
    """A frame as announced on the console, and its bytes as handed to the modem (None: no line came).

    `celsius` is None where the board's frames carry no temperature of its own.
    """

    reported_v: float
    celsius: float | None
    port: int
    length: int
    raw: str
    handed_port: int | None
    handed: bytes | None
    modem_line: str
    at_s: float


class Board:
    """Typed questions to one board."""

    def __init__(
        self,
        profile: BoardProfile,
        console: ConsoleLink,
        tap: ModemTap | None,
        clock: Clock,
        *,
        reply: ModemReply | None = None,
    ) -> None:
        self.profile = profile
        self.console = console
        self.tap = tap
        self.reply = reply
        self._clock = clock
        self._frame = re.compile(profile.modem_frame)

    def wait_for_boot(self, *, after_s: float) -> Notice:
        """The boot notice that began after `after_s`. Raises BoardTimeout."""
        return self.console.wait_for_notice(
            "boot", began_after_s=after_s, timeout_s=self.profile.identity.boot_s, expected_notices=("boot",)
        )

    def identity(self) -> BoardIdentity:
        """Ask the board who it is."""
        fields = self.console.ask("identity").fields
        return BoardIdentity(
            serial=_text(fields, "serial"),
            firmware=_text(fields, "firmware"),
            image=fields.get("image", ""),
            chip=fields.get("chip", ""),
            eui=fields.get("eui", ""),
            boots=_whole(fields, "boots"),
        )

    def battery(self) -> BatteryAnswer:
        """Have the board convert its battery voltage once."""
        asked_s = self._clock.now_s()
        answer = self.console.ask("battery")
        return BatteryAnswer(
            counts=self._code(answer),
            reported_v=field_number(answer.fields, "millivolts") / 1000.0,
            took_s=answer.line.ended_s - asked_s,
            raw=_raw(answer),
            at_s=answer.line.ended_s,
        )

    def _code(self, answer: Answer) -> int:
        """The converter's code; one that the converter does not have is no number to reckon with."""
        code, top = _whole(answer.fields, "counts"), self.profile.converter.top_code
        if code > top:
            raise BoardProtocolError(
                f"asked for the battery, the board answered {answer.line.text!r}: code {code} is above the converter's "
                f"top code (accepted: 0 to {top}); look at how the firmware prints it, or at converter.top_code"
            )
        return code

    def temperature(self) -> TemperatureAnswer:
        """Ask the board's temperature."""
        answer = self.console.ask("temperature")
        return TemperatureAnswer(field_number(answer.fields, "celsius"), _raw(answer), answer.line.ended_s)

    def load(self, *, on: bool) -> None:
        """Switch the board's own load on its 3.3 V rail."""
        self.console.ask("load_on" if on else "load_off")

    def frame(self) -> FrameAnswer:
        """Have the board build a frame and hand it to its modem, without sending it."""
        return self._handed("frame")

    def report(self) -> FrameAnswer:
        """Have the board send one uplink; returns as soon as the bytes went to the modem."""
        return self._handed("report")

    def wait_for_report_done(self, *, after_s: float, timeout_s: float) -> Notice:
        """The notice that the uplink and its receive windows are over."""
        return self.console.wait_for_notice("report_done", began_after_s=after_s, timeout_s=timeout_s)

    def hand_overs(self) -> tuple[HandOver, ...] | None:
        """Every frame handed to the modem until now, and its answer; None where one of both directions is not heard.

        Raises PortError.
        """
        if self.tap is None or self.reply is None:
            return None
        rules = replace(self.profile.modem_rules, hand_over=self.profile.modem_frame)
        lines, pieces = self.tap.lines_since(0), self.reply.pieces_since(0.0)
        late_s = _APART_WALL_S * self._clock.scale
        _, handed = dialogue(lines, pieces, rules=rules, end_s=self._clock.now_s(), late_s=late_s)
        return handed

    def lost_on_modem_lines(self) -> str:
        """What went by on the modem's lines unheard, in words; '' when nothing did, as far as anybody counts."""
        lost = [f"{self.tap.lost_lines} lines"] if self.tap and self.tap.lost_lines else []
        lost += [f"{count} bytes to the modem"] if self.tap and (count := self.tap.overruns) else []
        lost += [f"{count} bytes of the modem"] if self.reply and (count := self.reply.lost_bytes) else []
        return ", ".join(lost)

    def release_links(self) -> None:
        """Close every port to the board, so that no adapter feeds or loads it."""
        self.console.release()
        if self.tap:
            self.tap.release()
        if self.reply:
            self.reply.release()

    def reopen_links(self) -> None:
        """Open the ports again. Raises PortError."""
        self.console.reopen()
        if self.tap:
            self.tap.reopen()
        if self.reply:
            self.reply.reopen()

    def _handed(self, question: str) -> FrameAnswer:
        mark = self.tap.mark() if self.tap else 0
        repeats = self.console.counts["repeats"]
        answer = self.console.ask(question)
        earliest_s = 0.0
        if self.console.counts["repeats"] > repeats:
            earliest_s = answer.line.began_s - self._attempt_s(question) / 2.0
        line = self._modem_line(mark, earliest_s)
        handed = self._port_and_bytes(line) if line else None
        return FrameAnswer(
            reported_v=field_number(answer.fields, "millivolts") / 1000.0,
            celsius=None if self.profile.roles.temperature is None else field_number(answer.fields, "celsius"),
            port=_whole(answer.fields, "port"),
            length=_whole(answer.fields, "length"),
            raw=_raw(answer),
            handed_port=handed[0] if handed else None,
            handed=handed[1] if handed else None,
            modem_line=line,
            at_s=answer.line.ended_s,
        )

    def _attempt_s(self, question: str) -> float:
        """How long after one attempt the next one follows, in bench seconds."""
        return self._clock.wall_timeout_s(self.profile.grammar.question(question).timeout_s) * self._clock.scale

    def _modem_line(self, mark: int, earliest_s: float) -> str:
        """The first line of the modem UART since `mark` that hands over a frame; '' when none comes.

        `earliest_s`: where the question was repeated, the frames of earlier attempts are on the line, too, each a
        whole time-out older than the answer. They hold other samples than the one that was answered.
        """
        if self.tap is None:
            return ""
        timeout_s = self.profile.grammar.question("frame").timeout_s
        try:
            while (line := self.tap.wait_for(self._frame, mark, timeout_s)).began_s < earliest_s:
                mark += self.tap.lines_since(mark).index(line) + 1
        except BoardTimeout:
            return ""
        return line.text

    def _port_and_bytes(self, line: str) -> tuple[int, bytes]:
        """What a line of the modem UART hands over. Raises BoardProtocolError."""
        found = self._frame.fullmatch(line)
        port, payload = (found["port"], found["payload"]) if found else (None, None)
        try:
            return int(port or ""), bytes.fromhex(payload or "")
        except ValueError:
            raise BoardProtocolError(
                f"the line {line!r} on the modem UART hands over port {port!r} and payload {payload!r}; accepted: a "
                "whole number and pairs of hexadecimal digits; compare the profile's modem.frame with the firmware"
            ) from None


def _whole(fields: dict[str, str], name: str) -> int:
    """A count, which has no fraction and no sign."""
    number = field_number(fields, name)
    if number < 0.0 or not number.is_integer():
        raise BoardProtocolError(
            f"field {name!r} of the board's answer: a whole number from 0 up is accepted, {fields[name]!r} came; "
            "compare the answer pattern of the profile with the firmware"
        )
    return int(number)


def _text(fields: dict[str, str], name: str) -> str:
    try:
        return fields[name]
    except KeyError:
        raise BoardProtocolError(
            f"the board's identity has no field {name!r} (it has: {', '.join(fields)}); the profile's answer "
            "pattern must name it"
        ) from None


def _raw(answer: Answer) -> str:
    return answer.line.text.decode("ascii", "backslashreplace")
