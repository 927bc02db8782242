"""Lines of a port with the time of their arrival, read by whoever waits, and by a thread while nobody does.

Owns whose turn it is to read. Knows lines, but not what they mean, nor what a port is made of. Stamps are
time.monotonic() seconds and time-outs wall seconds: whoever asks converts from bench time.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import TYPE_CHECKING, Protocol

from benchrig.errors import PortError
from benchrig.protocol.console import MAX_LINE_BYTES, LineAssembler

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from benchrig.protocol.console import Line

_KEPT_LINES = 20_000
"""Lines kept for whoever asks late: hours of a quiet console, minutes of a babbling one."""

_OLD_READS = 32
"""Reads for what waits at the beginning: 64 KiB and more, above what a terminal holds (from memory)."""


class BytePort(Protocol):
    """What a reader asks of its port. Only `read_some` may raise, PortError when the port is gone."""

    name: str

    @property
    def where(self) -> str:
        """The port as messages name it."""

    def read_some(self, timeout_s: float | None) -> bytes:
        """What has come, as soon as anything has; b"" after the time-out or an `interrupt`."""

    def wait_aside(self) -> None:
        """Wait without reading: for bytes, unless `stand_back` is on, or for an `interrupt`."""

    def stand_back(self, *, on: bool) -> None:
        """Whether bytes end a `wait_aside`."""

    def interrupt(self) -> None:
        """End every wait, and those to come."""

    def close(self) -> None:
        """Give the port back."""


class LineReader:
    """Complete lines, oldest first. Lines that nobody took are kept; when they are too many the oldest go.

    A thread that always read would hand each line over through the scheduler; a caller that reads for itself
    gets it sooner. What waits in the port when the reader is made has a stamp from then.
    """

    def __init__(self, port: BytePort, *, max_bytes: int = MAX_LINE_BYTES) -> None:
        self.lost_lines = 0
        self._port = port
        self._assembler = LineAssembler(max_bytes=max_bytes)
        self._lines: deque[Line] = deque()
        self._failure: PortError | None = None
        self._turns = _Turns(port)
        self._read_what_waits()
        self._thread = threading.Thread(target=self._read_alone, name=f"lines of {port.name}", daemon=True)
        self._thread.start()

    def next_line(self, *, timeout_s: float) -> Line | None:
        """The oldest line not yet taken, or None after `timeout_s` wall seconds (0: what is there already).

        Raises PortError when the port vanished or was closed, after the lines that came before.
        """
        deadline_s = time.monotonic() + timeout_s
        with self._turns:
            while not self._lines:
                if self._failure:
                    raise PortError(self._failure.message) from self._failure
                left_s = deadline_s - time.monotonic()
                if self._read(max(0.0, left_s)) == 0 and left_s <= 0.0:
                    return None
            return self._lines.popleft()

    def attended(self) -> AbstractContextManager[object]:
        """While inside, only the caller's thread reads: saves giving the port back between lines."""
        return self._turns

    def partial(self) -> bytes:
        """The bytes of the line that has no end yet."""
        with self._turns:
            return self._assembler.partial

    def close(self) -> None:
        """End the thread and any waiting `next_line`, then close the port."""
        self._fail(PortError(f"{self._port.where} was closed; open it again"))
        self._thread.join(1.0)  # it ends at once; a bench never waits for it for ever
        with self._turns:
            self._port.close()

    def _read_what_waits(self) -> None:
        for _ in range(_OLD_READS):
            if self._read(0.0) == 0:
                return

    def _read_alone(self) -> None:
        while not self._failure:
            self._port.wait_aside()
            with self._turns.lock:
                if not self._failure:
                    self._read(0.0)  # nothing, when a caller was quicker

    def _read(self, timeout_s: float) -> int:
        """Bytes read. A failure ends the wait as if bytes had come: whoever waits looks for it first."""
        try:
            data = self._port.read_some(timeout_s)
        except PortError as error:
            self._fail(error)
            return 1
        if data:
            self._lines += self._assembler.feed(data, time.monotonic())
            while len(self._lines) > _KEPT_LINES:
                self._lines.popleft()
                self.lost_lines += 1
        return len(data)

    def _fail(self, error: PortError) -> None:
        self._failure = self._failure or error
        self._port.interrupt()


class _Turns:
    """Who reads: inside, which may be nested, the caller; at other times the reader's thread, with the bare `lock`."""

    def __init__(self, port: BytePort) -> None:
        self.lock = threading.RLock()
        self._port = port
        self._depth = 0

    def __enter__(self) -> None:
        self.lock.acquire()
        self._depth += 1
        if self._depth == 1:
            self._port.stand_back(on=True)

    def __exit__(self, *_: object) -> None:
        self._depth -= 1
        if not self._depth:
            self._port.stand_back(on=False)
        self.lock.release()
