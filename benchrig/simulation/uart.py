"""The board's serial lines: what leaves the pins, byte by byte in bench time, and the framing of console lines.

Owns: bit timing, the line checksum, disturbances on the line.  Must not know what is said or who listens.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.simulation.checksums import crc16_ibm3740

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from benchrig.simulation.bench_time import Agenda, Appointment
    from benchrig.simulation.parts import ConsoleLine

BITS_PER_BYTE = 10  # start, eight data, stop


def console_line(text: str) -> bytes:
    """A line of the board: text, '*', checksum, CR LF."""
    data = text.encode("ascii")
    return data + b"*%04X\r\n" % crc16_ibm3740(data)


def disturbed(line: bytes, *, traits: ConsoleLine, rng: random.Random) -> bytes:
    """The line as a bad connection delivers it."""
    if traits.cut_share and rng.random() < traits.cut_share:
        return line[: len(line) // 2]
    if not traits.flipped_share:
        return line
    return bytes(byte ^ (1 << rng.randrange(7)) if rng.random() < traits.flipped_share else byte for byte in line)


class Transmit:
    """A transmit pin: queues bytes and delivers each piece when its last bit is out."""

    def __init__(self, agenda: Agenda, *, baud: int, deliver: Callable[[bytes], None]) -> None:
        self._agenda = agenda
        self._byte_s = BITS_PER_BYTE / baud
        self._deliver = deliver
        self._free_s = 0.0
        self._underway: list[tuple[float, bytes, Appointment]] = []

    def send(self, data: bytes) -> None:
        """Queue bytes behind what is still on its way out."""
        start_s = max(self._free_s, self._agenda.now)
        self._free_s = start_s + len(data) * self._byte_s
        self._underway.append((start_s, data, self._agenda.at(self._free_s, self._finish)))

    def cut(self) -> None:
        """Lose power: only whole bytes that are already out reach the other side."""
        for start_s, data, appointment in self._underway:
            appointment.cancel()
            sent = int(max(0.0, self._agenda.now - start_s) / self._byte_s)
            if sent:
                self._deliver(data[:sent])
        self._underway = []
        self._free_s = 0.0

    def _finish(self) -> None:
        _, data, _ = self._underway.pop(0)
        self._deliver(data)
