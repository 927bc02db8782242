"""Both directions of the modem UART together: what the host handed over, and what the modem answered.

Owns the bytes heard of the modem, with their bench times, and puts the lines of the host's tap beside them. Reads
only. Must not know what a line means: `protocol.at_dialogue` does. A stamp is when a piece was read, not when its
bytes were on the wire: two adapters are some milliseconds apart, so that an answer is never sought before its command.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import PortError
from benchrig.protocol.at_dialogue import AtDialogue
from benchrig.protocol.at_events import Side

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchrig.board.modem_tap import TapLine
    from benchrig.clock import Clock
    from benchrig.protocol.at_events import Event, HandOver
    from benchrig.protocol.at_rules import AtRules
    from benchrig.wires.serial_port import SerialPort

_KEPT_BYTES = 1 << 20
"""Hours of a quiet modem; above that the oldest go, and their loss is told."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes of the modem as they were read, at once, in bench seconds. `lost`: bytes are missing before them."""

    data: bytes
    at_s: float
    lost: bool


class ModemReply:
    """Listens to what the modem says, from the moment it is made until `close` or `release`. Never writes."""

    def __init__(self, port: SerialPort, clock: Clock) -> None:
        self._port = port
        self._clock = clock
        self._pieces: list[Piece] = []
        self._kept_bytes = 0
        self._dropped = 0
        self._overruns = 0
        self._failure: PortError | None = None
        self._ends = threading.Event()
        self._turn = threading.Lock()
        self._start()

    def pieces_since(self, since_s: float) -> tuple[Piece, ...]:
        """What came since this bench time. Raises PortError when the port vanished, whatever came before."""
        with self._turn:
            if self._failure:
                raise PortError(self._failure.message) from self._failure
            return tuple(piece for piece in self._pieces if piece.at_s >= since_s)

    @property
    def lost_bytes(self) -> int:
        """How many bytes were lost, as far as anybody counts: thrown away here, or overrun in the port."""
        with self._turn:
            return self._dropped + self._overruns

    def release(self) -> None:
        """Close the port, so that its adapter does not load the board; what was heard is kept."""
        self._ends.set()
        self._port.interrupt()
        self._thread.join(1.0)
        self._port.close()

    def reopen(self) -> None:
        """Listen again after `release`. Raises PortError."""
        if not self._port.is_open:
            self._port.reopen()
            self._start()

    def close(self) -> None:
        """The same as `release`; a second call does nothing."""
        self.release()

    def _start(self) -> None:
        self._ends.clear()
        self._thread = threading.Thread(target=self._listen, name=f"reply of {self._port.name}", daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        before = self._port.counters()
        while not self._ends.is_set():
            try:
                data = self._port.read_some(None)
            except PortError as error:
                self._failure = None if self._ends.is_set() else error
                return
            now = self._port.counters()
            overruns = now.since(before).overruns if now and before else 0
            before = now
            if data:
                self._keep(Piece(data, self._clock.now_s(), overruns > 0), overruns)

    def _keep(self, piece: Piece, overruns: int) -> None:
        with self._turn:
            self._pieces.append(piece)
            self._kept_bytes += len(piece.data)
            self._overruns += overruns
            while self._kept_bytes > _KEPT_BYTES:
                oldest = self._pieces.pop(0)
                self._kept_bytes -= len(oldest.data)
                self._dropped += len(oldest.data)


def dialogue(
    lines: Iterable[TapLine], pieces: Iterable[Piece], *, rules: AtRules, end_s: float, late_s: float = 0.0
) -> tuple[tuple[Event, ...], tuple[HandOver, ...]]:
    """What happened until `end_s`, and what was handed over. Damaged lines of the host stay garbage.

    What the modem said counts as said `late_s` later: an answer read a moment before its command is still one to it.
    """
    follower = AtDialogue(rules)
    said: list[tuple[float, int, TapLine | Piece]] = [(line.began_s, 0, line) for line in lines]
    said += [(piece.at_s + late_s, 1, piece) for piece in pieces]
    events: list[Event] = []
    for at_s, _, one in sorted(said, key=lambda each: each[:2]):
        if isinstance(one, Piece):
            events += follower.overflow(Side.MODEM, at_s) if one.lost else ()
            events += follower.feed(Side.MODEM, one.data, at_s)
        else:
            text = one.text.encode("ascii", "backslashreplace") + b"\r"
            events += follower.feed(Side.HOST, text, one.began_s, faulty=(0,) if one.damaged else ())
    events += follower.finish(end_s + late_s)
    return tuple(events), follower.hand_overs
