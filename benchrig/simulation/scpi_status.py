"""Status reporting that every simulated instrument has: event register, status byte, error queue.

Source: IEEE 488.2 chapter 11 and SCPI-99 volume 1 chapters 4 and 9 (bits seen in j123b567/scpi-parser's ieee488.h).
"""

from __future__ import annotations

from collections import deque
from typing import Final

from benchrig.simulation.scpi_errors import event_bit

OPERATION_COMPLETE: Final = 1
POWER_ON: Final = 128

_ERROR_QUEUE: Final = 4
_MESSAGE_AVAILABLE: Final = 16
_EVENT_SUMMARY: Final = 32
_MASTER_SUMMARY: Final = 64

ERROR_QUEUE_LENGTH: Final = 16


class Status:
    """The registers of one instrument, shared by all its clients."""

    def __init__(self) -> None:
        self.event_enable = 0
        self.service_enable = 0
        self._event = POWER_ON
        self._errors: deque[int] = deque()

    def set_event(self, bit: int) -> None:
        """Set a bit of the standard event register."""
        self._event |= bit

    def take_event(self) -> int:
        """Read the standard event register, which clears it."""
        event, self._event = self._event, 0
        return event

    def add_error(self, error: int) -> None:
        """Queue an error; a full queue ends in -350 and keeps the older entries."""
        self.set_event(event_bit(error))
        if len(self._errors) < ERROR_QUEUE_LENGTH:
            self._errors.append(error)
        elif self._errors[-1] != -350:
            self._errors[-1] = -350
            self.set_event(event_bit(-350))

    def take_error(self) -> int:
        """The oldest queued error, 0 when there is none."""
        return self._errors.popleft() if self._errors else 0

    @property
    def error_count(self) -> int:
        """How many errors are queued."""
        return len(self._errors)

    def clear(self) -> None:
        """What *CLS does: empty the queue and the event register, leave the enables."""
        self._errors.clear()
        self._event = 0

    def status_byte(self, *, has_response: bool) -> int:
        """The status byte with MSS in bit 6; `has_response` tells whether output is waiting to be sent."""
        byte = (_ERROR_QUEUE if self._errors else 0) | (_MESSAGE_AVAILABLE if has_response else 0)
        if self._event & self.event_enable:
            byte |= _EVENT_SUMMARY
        if byte & self.service_enable & ~_MASTER_SUMMARY:
            byte |= _MASTER_SUMMARY
        return byte
