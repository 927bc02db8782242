"""What the kernel counts on a serial line: bytes that came with a fault, or were thrown away.

Owns the ioctl and its structure. A port that has no such counters, a pseudo terminal for one, gives None: then
nobody knows, which is not the same as nothing lost. Source: struct serial_icounter_struct and TIOCGICOUNT of Linux,
<linux/serial.h> and <asm-generic/ioctls.h> (from memory); eleven counters and nine that are reserved, all int.
"""

from __future__ import annotations

import fcntl
import struct
import sys
from dataclasses import dataclass

_GET_COUNTERS = 0x545D
_COUNTERS = struct.Struct("20i")
_WRAP = 1 << 32


@dataclass(frozen=True, slots=True)
class TtyCounters:
    """Counts since the port was made: bytes read, and what was wrong. Overruns are of the UART, or of the kernel."""

    received: int
    framing: int
    parity: int
    breaks: int
    overruns: int

    def since(self, before: TtyCounters) -> TtyCounters:
        """What was added; a count that went round is followed."""
        return TtyCounters(
            received=(self.received - before.received) % _WRAP,
            framing=(self.framing - before.framing) % _WRAP,
            parity=(self.parity - before.parity) % _WRAP,
            breaks=(self.breaks - before.breaks) % _WRAP,
            overruns=(self.overruns - before.overruns) % _WRAP,
        )


def read_counters(descriptor: int) -> TtyCounters | None:
    """The counters of an open port, or None when it has none."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        return parse_counters(fcntl.ioctl(descriptor, _GET_COUNTERS, bytes(_COUNTERS.size)))
    except OSError:
        return None


def parse_counters(data: bytes) -> TtyCounters:
    """The structure as the kernel fills it: four modem lines, then received, sent, framing and so on."""
    _, _, _, _, received, _, framing, overrun, parity, breaks, buffer_overrun, *_ = _COUNTERS.unpack(data)
    return TtyCounters(received, framing, parity, breaks, overrun + buffer_overrun)
