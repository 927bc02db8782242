"""A passive tap on a line between two parts of the board, such as microcontroller to modem.

Owns the lines heard and their bench times. Reads only: nothing here writes to the port. Must not know what the
lines mean: a pattern is what the caller brings.
"""

from __future__ import annotations

import contextlib
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import BoardTimeout, PortError
from benchrig.wires.serial_port import LineReader, SerialPort

if TYPE_CHECKING:
    import re

    from benchrig.clock import Clock
    from benchrig.protocol.console import Line


@dataclass(frozen=True, slots=True)
class TapLine:
    """A complete line that was heard. Stamps are bench seconds; bytes that are no ASCII read as \\xNN.

    `damaged`: it was cut, or holds bytes that no line of text has.
    """

    text: str
    began_s: float
    ended_s: float
    damaged: bool


class ModemTap:
    """Listens from the moment it is made until `close` or `release`."""

    def __init__(self, port: SerialPort, clock: Clock) -> None:
        self._port = port
        self._clock = clock
        self._reader = LineReader(port)
        self._counted = port.counters()
        self._overruns = 0
        self._lines: list[TapLine] = []
        self._turn = threading.RLock()

    def mark(self) -> int:
        """A place in the stream: behind every complete line that came until now. Raises PortError."""
        with self._turn:
            self._listen()
            return len(self._lines)

    def lines_since(self, mark: int) -> tuple[TapLine, ...]:
        """The complete lines behind a mark (0: all). Raises PortError when the port vanished."""
        with self._turn:
            self._listen()
            return tuple(self._lines[mark:])

    def wait_for(self, pattern: re.Pattern[str], since: int, timeout_s: float) -> TapLine:
        """The first undamaged line behind a mark that matches as a whole; it may have come already.

        Raises BoardTimeout after `timeout_s` bench seconds, PortError when the port vanished.
        """
        deadline_s = time.monotonic() + self._clock.wall_timeout_s(timeout_s)
        with self._turn, self._reader.attended():
            while True:
                for line in self._lines[since:]:
                    if not line.damaged and pattern.fullmatch(line.text):
                        return line
                since = max(since, len(self._lines))
                if not self._listen_until(deadline_s):
                    raise BoardTimeout(self._nothing_heard(pattern, timeout_s))

    @property
    def lost_lines(self) -> int:
        """How many lines were thrown away since nobody took them in time; above 0 the record has a gap."""
        return self._reader.lost_lines

    @property
    def overruns(self) -> int | None:
        """How many bytes the port itself lost while it was tapped; None when the port does not count them."""
        now = self._port.counters()
        if now and self._counted:
            self._overruns += now.since(self._counted).overruns
            self._counted = now
        return self._overruns if self._counted else None

    def release(self) -> None:
        """Close the port, so that its adapter does not load the board; the lines heard are kept."""
        with self._turn:
            with contextlib.suppress(PortError):  # vanished: closing is all that is left
                self._listen()
            _ = self.overruns  # the last look before the counters are gone
            self._reader.close()

    def reopen(self) -> None:
        """Listen again after `release`. Raises PortError."""
        with self._turn:
            if not self._port.is_open:
                self._port.reopen()
                self._reader = LineReader(self._port)
                self._counted = self._port.counters()

    def close(self) -> None:
        """The same as `release`; a second call does nothing."""
        self.release()

    def _listen(self) -> None:
        while self._port.is_open and self._listen_until(0.0):
            pass

    def _listen_until(self, deadline_s: float) -> bool:
        line = self._reader.next_line(timeout_s=max(0.0, deadline_s - time.monotonic()))
        if line:
            self._lines.append(self._heard(line))
        return line is not None

    def _heard(self, line: Line) -> TapLine:
        return TapLine(
            text=line.text.decode("ascii", "backslashreplace"),
            began_s=self._clock.from_wall_s(line.began_s),
            ended_s=self._clock.from_wall_s(line.ended_s),
            damaged=line.damaged,
        )

    def _nothing_heard(self, pattern: re.Pattern[str], timeout_s: float) -> str:
        last = ", ".join(repr(line.text[:80]) for line in self._lines[-3:]) or "none"
        return (
            f"tap {self._port.where}: no line matching {pattern.pattern!r} within {timeout_s:g} s; last lines heard: "
            f"{last}; check that the board ran the step, and the tap's wire and baud rate"
        )
