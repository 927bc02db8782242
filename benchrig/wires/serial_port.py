"""Serial ports: opening one that nobody else reads, and bytes in and out.

The only importer of pyserial; its errors become PortError here, once, as sentences. Knows no lines. Time-outs are
wall seconds. POSIX; who else has a port open is told by `port_openers`.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import termios
from pathlib import Path
from typing import TYPE_CHECKING

import serial
import tenacity
from serial.tools import list_ports

from benchrig.errors import ConfigError, PortError
from benchrig.wires.doorbell import Doorbell
from benchrig.wires.line_reader import LineReader
from benchrig.wires.port_openers import Opener, openers_of_descriptor, openers_of_path
from benchrig.wires.tty_counters import TtyCounters, read_counters

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["LineReader", "SerialPort", "open_port"]

_READ_BYTES = 65536
_WRITE_TIMEOUT_S = 2.0
"""No flow control is used, so a port takes a short line at once; one that does not is stuck."""

_RETRY_S = 0.05

_FOREIGN = (OSError, termios.error)
"""What pyserial lets out: its own errors are OSErrors, and termios has one that is not."""

_GONE = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR)
_BUSY = (errno.EBUSY, errno.EAGAIN)
_DENIED = (errno.EACCES, errno.EPERM)
_RECONNECT = "check cable and adapter, then start the run again"


class _NotYet(PortError):
    """Missing or busy: may pass while an adapter is found again, or a daemon probes it."""


class SerialPort:
    """A port with 8 data bits, no parity, no flow control. One reader at a time; `interrupt` ends its wait.

    A second thread may wait aside, see `wait_aside`. Made by `open_port`. Stays usable for `reopen` after `close`.
    """

    def __init__(self, path: str, *, name: str, baud: int, dtr: bool, rts: bool) -> None:
        self.path = path
        self.name = name
        self._bell = Doorbell()
        self._descriptor = -1
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
        self._descriptor = self._serial.fileno()
        others = self.other_openers()
        if others:
            self.close()
            raise _NotYet(_busy(self.where, others))
        self._bell.open(self._descriptor)

    def read_some(self, timeout_s: float | None) -> bytes:
        """What has come, as soon as anything has; b"" after the time-out (None: never) or an `interrupt`.

        Raises PortError when the port is closed or vanished.
        """
        self._must_be_open()
        return self._read() if self._bell.wait(timeout_s) else b""

    def wait_aside(self) -> None:
        """Wait without reading until bytes come, unless `stand_back` is on, or the port vanished, or `interrupt`."""
        self._bell.wait_aside()

    def stand_back(self, *, on: bool) -> None:
        """Whether bytes do not end a `wait_aside`, since somebody reads; those that wait when it ends do."""
        self._bell.stand_back(on=on)

    def write(self, data: bytes) -> None:
        """Hand all bytes to the port. Raises PortError."""
        with self._translated(f"writing {data[:40]!r}"):
            self._serial.write(data)

    def set_break(self, *, on: bool) -> None:
        """Hold the transmit line in break, or let it go. Raises PortError."""
        with self._translated("switching the break"):
            self._serial.break_condition = on

    def interrupt(self) -> None:
        """End every wait for bytes, and those to come until the port is opened again."""
        self._bell.ring()

    def other_openers(self) -> tuple[Opener, ...]:
        """Other processes that have this open port open too, as far as this user may look (root: all)."""
        return openers_of_descriptor(self._descriptor) if self.is_open else ()

    def counters(self) -> TtyCounters | None:
        """What the kernel counted of lost and damaged bytes; None when it does not, or the port is closed."""
        return read_counters(self._descriptor) if self.is_open else None

    def close(self) -> None:
        """Give the port back; nobody may be reading. A second call does nothing."""
        self._bell.close()
        with contextlib.suppress(*_FOREIGN):  # a vanished port is as closed as it can be
            self._serial.close()

    def _read(self) -> bytes:
        try:
            data = os.read(self._descriptor, _READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._lost("reading", error) from error
        if not data and self._bell.wait(0.0):  # else another process took the bytes meanwhile
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
        return _NotYet(_busy(port.where, openers_of_path(port.path)))
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
