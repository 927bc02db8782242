"""Serial ports: opening one that nobody else reads, bytes in and out, and lines stamped as they arrive.

The only importer of pyserial; its errors become PortError here, once, as sentences. Knows lines, but not what
they mean. Stamps are time.monotonic() seconds and time-outs wall seconds: whoever asks converts from bench time.
POSIX; who else has a port open is read from /proc, where there is one (Linux).
"""

from __future__ import annotations

import contextlib
import errno
import grp
import math
import os
import re
import select
import stat
import termios
import threading
import time
from collections import deque
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import serial
import tenacity
from serial.tools import list_ports

from benchrig.errors import ConfigError, PortError
from benchrig.protocol.console import MAX_LINE_BYTES, Line, LineAssembler

if TYPE_CHECKING:
    from collections.abc import Iterator

_READ_BYTES = 65536
_WRITE_TIMEOUT_S = 2.0
"""No flow control is used, so a port takes a short line at once; one that does not is stuck."""

_RETRY_S = 0.05
_KEPT_LINES = 20_000
"""Lines kept for whoever asks late: hours of a quiet console, minutes of a babbling one."""

_FOREIGN = (OSError, termios.error)
"""What pyserial lets out: its own errors are OSErrors, and termios has one that is not."""

_GONE = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR)
_BUSY = (errno.EBUSY, errno.EAGAIN)
_DENIED = (errno.EACCES, errno.EPERM)
_RECONNECT = "check cable and adapter, then start the run again"
_MAYBE_TERMINAL = re.compile(r"/dev/.+|/\d+")  # the second form: a terminal of another mount namespace


class _NotYet(PortError):
    """Missing or busy: may pass while an adapter is found again, or a daemon probes it."""


@dataclass(frozen=True, slots=True)
class Opener:
    """Another process that has a port open."""

    pid: int
    command: str

    def __str__(self) -> str:
        return f"pid {self.pid} ({self.command})"


class SerialPort:
    """A port with 8 data bits, no parity, no flow control. One reader at a time; `interrupt` ends its wait.

    Made by `open_port`. Stays usable for `reopen` after `close`.
    """

    def __init__(self, path: str, *, name: str, baud: int, dtr: bool, rts: bool) -> None:
        self.path = path
        self.name = name
        self._wake = _Wake()
        self._poll = select.poll()
        self._serial = serial.Serial(exclusive=True, timeout=0, write_timeout=_WRITE_TIMEOUT_S)
        self._serial.port = path
        # Set before the open, so that pyserial applies them in the same breath. The kernel itself raises both
        # lines for some microseconds first; no program can keep it from that.
        self._serial.dtr = dtr
        self._serial.rts = rts
        try:
            self._serial.baudrate = baud
        except ValueError as error:
            raise ConfigError(f"{self.where}: baud {baud} is refused: {error}; a rate above 0 is needed") from error

    @property
    def where(self) -> str:
        """The port as messages name it."""
        return f"serial port {self.name} ({self.path})"

    @property
    def is_open(self) -> bool:
        return bool(self._serial.is_open)

    def reopen(self) -> None:
        """Open with the settings it was made with. Raises PortError."""
        try:
            self._serial.open()
        except _FOREIGN as error:
            raise _open_error(self, error) from error
        others = self.other_openers()
        if others:
            self.close()
            raise _NotYet(_busy(self.where, others))
        self._wake.open()
        self._poll = select.poll()
        self._poll.register(self._serial.fileno(), select.POLLIN)
        self._poll.register(self._wake.read_end, select.POLLIN)

    def read_some(self, timeout_s: float | None) -> bytes:
        """What has come, as soon as anything has; b"" after the time-out (None: never) or an `interrupt`.

        Raises PortError when the port is closed or vanished.
        """
        self._must_be_open()
        timeout_ms = None if timeout_s is None else max(0, math.ceil(timeout_s * 1000.0))
        for ready, _ in self._poll.poll(timeout_ms):
            if ready != self._wake.read_end:
                return self._read(ready)
            self._wake.clear()
        return b""

    def write(self, data: bytes) -> None:
        """Hand all bytes to the port. Raises PortError."""
        with self._translated(f"writing {data[:40]!r}"):
            self._serial.write(data)

    def set_break(self, *, on: bool) -> None:
        """Hold the transmit line in break, or let it go. Raises PortError."""
        with self._translated("switching the break"):
            self._serial.break_condition = on

    def interrupt(self) -> None:
        """Make a waiting `read_some`, or else the next one, return at once."""
        self._wake.set()

    def other_openers(self) -> tuple[Opener, ...]:
        """Other processes that have this open port open too, as far as this user may look (root: all)."""
        if not self.is_open:
            return ()
        device = os.fstat(self._serial.fileno()).st_rdev
        return tuple(opener for process in _other_processes() for opener in _opener(process, device))

    def close(self) -> None:
        """Give the port back; nobody may be reading. A second call does nothing."""
        with contextlib.suppress(*_FOREIGN):  # a vanished port is as closed as it can be
            self._serial.close()
        self._wake.close()

    def _read(self, descriptor: int) -> bytes:
        try:
            data = os.read(descriptor, _READ_BYTES)
        except BlockingIOError:  # somebody else took the bytes between poll and read
            return b""
        except OSError as error:
            raise self._lost("reading", error) from error
        if not data:
            raise self._lost("reading", "end of file")
        return data

    @contextlib.contextmanager
    def _translated(self, doing: str) -> Iterator[None]:
        self._must_be_open()
        try:
            yield
        except _FOREIGN as error:
            raise self._lost(doing, error) from error

    def _must_be_open(self) -> None:
        if not self._serial.is_open:
            raise PortError(f"{self.where} is closed; open it again before it is used")

    def _lost(self, doing: str, came: object) -> PortError:
        return PortError(f"{self.where}: {doing} failed: {came}; the adapter vanished or is stuck: {_RECONNECT}")


class _Wake:
    """A pipe that ends a poll."""

    def __init__(self) -> None:
        self.read_end = self._write_end = -1

    def open(self) -> None:
        self.close()
        self.read_end, self._write_end = os.pipe()
        os.set_blocking(self.read_end, False)
        os.set_blocking(self._write_end, False)

    def set(self) -> None:
        with contextlib.suppress(OSError):  # full: it wakes already; closed: nobody waits
            os.write(self._write_end, b"!")

    def clear(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.read(self.read_end, _READ_BYTES)

    def close(self) -> None:
        if self.read_end >= 0:
            os.close(self.read_end)
            os.close(self._write_end)
        self.read_end = self._write_end = -1


def open_port(
    path: str, *, name: str, baud: int, dtr: bool = False, rts: bool = False, open_wait_s: float = 2.0
) -> SerialPort:
    """Open a port for this process alone, its control lines in the given state (True: asserted).

    `name` is the port's name in the bench file. A port that is missing or busy is tried again for `open_wait_s`
    wall seconds. Raises PortError with what to do: missing, busy (with the other's pid), no permission.
    """
    port = SerialPort(path, name=name, baud=baud, dtr=dtr, rts=rts)
    tenacity.Retrying(
        retry=tenacity.retry_if_exception_type(_NotYet),
        stop=tenacity.stop_after_delay(open_wait_s),
        wait=tenacity.wait_fixed(_RETRY_S),
        reraise=True,
    )(port.reopen)
    return port


def _open_error(port: SerialPort, error: Exception) -> PortError:
    number = error.errno if isinstance(error, OSError) else None
    if number in _GONE:
        return _NotYet(f"{port.where} is missing; present: {_present_ports()}; plug it in or correct the bench file")
    if number in _BUSY:
        return _NotYet(_busy(port.where, _openers_of_path(port.path)))
    if number in _DENIED:
        return PortError(f"{port.where}: no permission; {_who_may(port.path)}")
    return PortError(f"{port.where} cannot be opened as a serial port: {error}; check the path in the bench file")


def _busy(where: str, others: tuple[Opener, ...]) -> str:
    who = ", ".join(map(str, others)) or "a process that this user may not look into, or this one"
    return f"{where} is busy: {who} has it open and would take bytes of the board; end that, then start again"


def _present_ports() -> str:
    return ", ".join(f"{port.device} ({port.description})" for port in list_ports.comports()) or "no serial port"


def _who_may(path: str) -> str:
    try:
        group_id = Path(path).stat().st_gid
        group = grp.getgrgid(group_id).gr_name
    except (OSError, KeyError):
        return "ask the administrator of this machine for access"
    return f"it belongs to group {group!r}: add this user to it and log in again"


def _openers_of_path(path: str) -> tuple[Opener, ...]:
    with contextlib.suppress(OSError):
        device = Path(path).stat().st_rdev
        return tuple(opener for process in _other_processes() for opener in _opener(process, device))
    return ()


def _other_processes() -> Iterator[Path]:
    own = str(os.getpid())
    with contextlib.suppress(OSError):
        yield from (entry for entry in Path("/proc").iterdir() if entry.name.isdigit() and entry.name != own)


def _opener(process: Path, device: int) -> Iterator[Opener]:
    with contextlib.suppress(OSError):  # it ended meanwhile, or is another user's
        if any(_is_device(descriptor, device) for descriptor in (process / "fd").iterdir()):
            yield Opener(int(process.name), _command(process))


def _is_device(descriptor: Path, device: int) -> bool:
    # The link is read first: asking for the state of every open file could hang on a dead network share.
    if not _MAYBE_TERMINAL.fullmatch(str(descriptor.readlink())):
        return False
    state = descriptor.stat()
    return stat.S_ISCHR(state.st_mode) and state.st_rdev == device


def _command(process: Path) -> str:
    words = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    return words[:80] or "no command line"


class LineReader:
    """Lines of a port with the time of their arrival, read by whoever waits, and by a thread while nobody does.

    A thread that always read would hand each line over through the scheduler; a caller that reads for itself
    gets it sooner. Lines that nobody took are kept; when they are too many the oldest go, counted in `lost_lines`.
    """

    def __init__(self, port: SerialPort, *, max_bytes: int = MAX_LINE_BYTES) -> None:
        self.lost_lines = 0
        self._port = port
        self._assembler = LineAssembler(max_bytes=max_bytes)
        self._lines: deque[Line] = deque()
        self._failure: PortError | None = None
        self._turns = _Turns(port)
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
        """While inside, only the caller's thread reads: saves waking the other one between lines."""
        return self._turns

    def partial(self) -> bytes:
        """The bytes of the line that has no end yet."""
        with self._turns:
            return self._assembler.partial

    def close(self) -> None:
        """End the thread and any waiting `next_line`, then close the port."""
        self._failure = self._failure or PortError(f"{self._port.where} was closed; open it again")
        self._port.interrupt()
        with self._turns:
            self._port.close()
        self._thread.join(1.0)  # it ends at once; a bench never waits for it for ever

    def _read_alone(self) -> None:
        while not self._failure:
            with self._turns.unattended() as may_read:
                if may_read and not self._failure:
                    self._read(None)

    def _read(self, timeout_s: float | None) -> int:
        """Bytes read. A failure ends the wait as if bytes had come: whoever waits looks for it first."""
        try:
            data = self._port.read_some(timeout_s)
        except PortError as error:
            self._failure = error
            return 1
        if data:
            self._lines += self._assembler.feed(data, time.monotonic())
            while len(self._lines) > _KEPT_LINES:
                self._lines.popleft()
                self.lost_lines += 1
        return len(data)


class _Turns:
    """Who reads: as a context, the caller (as often nested as it likes); in `unattended`, the reader's thread."""

    def __init__(self, port: SerialPort) -> None:
        self._port = port
        self._reading = threading.RLock()
        self._counting = threading.Lock()
        self._attendants = 0
        # A bare lock as a semaphore of one: it wakes the thread in a fraction of an Event's time, and this
        # stands between the arrival of a line and its caller.
        self._all_left = threading.Lock()
        self._all_left.acquire()

    def __enter__(self) -> None:
        with self._counting:
            self._attendants += 1
            if self._attendants == 1:
                self._port.interrupt()
        self._reading.acquire()

    def __exit__(self, *_: object) -> None:
        self._reading.release()
        with self._counting:
            self._attendants -= 1
            if not self._attendants and self._all_left.locked():
                self._all_left.release()

    @contextlib.contextmanager
    def unattended(self) -> Iterator[bool]:
        """Waits while anybody attends. False: somebody came meanwhile, try again."""
        if self._attendants:
            self._all_left.acquire()
        with self._reading:
            yield not self._attendants
