"""Opens the serial links of one slot and makes a board of them; whoever gives the stack closes them all with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.bench.wiring import SIMULATED
from benchrig.board.board import Board
from benchrig.board.console_link import ConsoleLink
from benchrig.board.modem_dialogue import ModemReply
from benchrig.board.modem_tap import ModemTap
from benchrig.errors import BenchError
from benchrig.wires.serial_port import SerialPort, open_port

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import ExitStack

    from benchrig.bench.bench_file import SlotSpec
    from benchrig.board.profile import BoardProfile
    from benchrig.clock import ScaledClock


@dataclass(frozen=True)
class BoardLinks:
    """The lines of `slot`; `announced` has the ports of a simulated bench by slot and line, `note` is told oddities."""

    slot: SlotSpec
    profile: BoardProfile
    announced: Mapping[str, str]
    clock: ScaledClock
    note: Callable[[str, str], None]
    stack: ExitStack

    def open(self) -> Board:
        """Console, and tap and modem replies where the slot has them. Raises BenchError for a port not to be had."""
        profile = self.profile
        console = ConsoleLink(
            self._port("console"),
            profile.grammar,
            profile.checksum,
            self.clock,
            self.note,
            attempts=profile.question_attempts,
        )
        self.stack.callback(console.close)
        tap = ModemTap(self._port("modem_uart"), self.clock) if "modem_uart" in self.slot.serial else None
        reply = ModemReply(self._port("modem_reply"), self.clock) if "modem_reply" in self.slot.serial else None
        for link in (tap, reply):
            if link is not None:
                self.stack.callback(link.close)
        return Board(profile, console, tap, self.clock, reply=reply)

    def _port(self, line: str) -> SerialPort:
        wiring = self.slot.serial[line]
        port = open_port(
            self._path(line),
            name=f"slots.{self.slot.name}.serial.{line}",
            baud=self.profile.baud,
            dtr=wiring.dtr,
            rts=wiring.rts,
        )
        self.stack.callback(port.close)
        return port

    def _path(self, line: str) -> str:
        """The path in the bench file, or the announced one where the file leaves it to the simulated bench."""
        path = self.slot.serial[line].port
        if path != SIMULATED:
            return path
        announced = self.announced.get(f"{self.slot.name}.{line}")
        if announced is None:
            raise BenchError(
                f"slots.{self.slot.name}.serial.{line}: the simulated bench announced no port for it "
                f"(announced: {', '.join(self.announced) or 'nothing'}); start it with the bench file of this run"
            )
        return announced
