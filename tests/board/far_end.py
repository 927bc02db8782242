"""The far end of a pseudo terminal: the test plays the board with it, byte by byte."""

from __future__ import annotations

import binascii
import contextlib
import fcntl
import itertools
import os
import select
import struct
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator

from benchrig.wires.serial_port import SerialPort, open_port

TIMEOUT_S = 5.0

Turn = bytes | Callable[[bytes], bytes]
"""What the board says to a command: bytes, or a function of the command (with its line end)."""


def checked(text: bytes) -> bytes:
    """The text as the board sends it: checksum from Python's own library (with FFFF it is CRC-16/IBM-3740), CR LF."""
    return text + b"*%04X\r\n" % binascii.crc_hqx(text, 0xFFFF)


class FarEnd:
    """Holds the far end; keeps the near one open as well, so that it stays readable between openings."""

    def __init__(self) -> None:
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self.path = os.ttyname(self._near)
        self._stop_read, self._stop_write = os.pipe()
        self._heard = b""
        self._thread: threading.Thread | None = None
        self.commands: list[bytes] = []

    @property
    def descriptor(self) -> int:
        """The far end itself."""
        return self._far

    def open(self) -> SerialPort:
        """The near end as a port under test."""
        return open_port(self.path, name="console", baud=115200, open_wait_s=0.0)

    def say(self, data: bytes) -> None:
        """Send bytes to the port."""
        os.write(self._far, data)

    def hear(self) -> bytes:
        """The next command with its line feed; waits for it."""
        while b"\n" not in self._heard:
            ready, _, _ = select.select([self._far, self._stop_read], [], [], TIMEOUT_S)
            if self._far not in ready:
                raise TimeoutError(f"no whole command within {TIMEOUT_S} s, only {self._heard!r}")
            self._heard += os.read(self._far, 4096)
        command, end, self._heard = self._heard.partition(b"\n")
        self.commands.append(command + end)
        return command + end

    def plays(self, *turns: Turn) -> None:
        """Answer one command after the other in a thread, b"" being silence."""
        self._start(iter(turns))

    def serves(self, turn: Turn) -> None:
        """Answer every command in the same way until the end is closed."""
        self._start(itertools.repeat(turn))

    def has_played(self) -> None:
        """Wait until every turn was taken."""
        assert self._thread is not None
        self._thread.join(TIMEOUT_S)
        assert not self._thread.is_alive(), f"the board was asked {len(self.commands)} times only"

    def unread_bytes(self) -> int:
        """What waits in the near end's input queue, read by nobody yet."""
        return int(struct.unpack("i", fcntl.ioctl(self._near, termios.TIOCINQ, b"\0\0\0\0"))[0])

    def vanish(self) -> None:
        """Hang up, as a pulled adapter does."""
        if self._far >= 0:
            os.close(self._far)
        self._far = -1

    def close(self) -> None:
        """Give both ends back."""
        os.write(self._stop_write, b"!")
        if self._thread:
            self._thread.join(TIMEOUT_S)
        self.vanish()
        for descriptor in (self._near, self._stop_read, self._stop_write):
            os.close(descriptor)

    def _start(self, turns: Iterator[Turn]) -> None:
        self._thread = threading.Thread(target=self._play, args=(turns,), daemon=True)
        self._thread.start()

    def _play(self, turns: Iterator[Turn]) -> None:
        with contextlib.suppress(TimeoutError):  # the test ended, or fails for a reason of its own
            for turn in turns:
                command = self.hear()
                reply = turn(command) if callable(turn) else turn
                if reply:
                    self.say(reply)


def until(condition: Callable[[], bool], what: str) -> None:
    """Wait for a condition; the failure says what did not happen."""
    deadline_s = time.monotonic() + TIMEOUT_S
    while not condition():
        assert time.monotonic() < deadline_s, f"did not happen: {what}"
        time.sleep(0.001)
