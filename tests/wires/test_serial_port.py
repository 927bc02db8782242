"""Serial ports on real pseudo terminals: opening, sharing, reading, writing, vanishing."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial.serialutil
from serial.tools import list_ports

from benchrig.errors import ConfigError, PortError
from benchrig.wires.serial_port import SerialPort, open_port

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TIMEOUT_S = 5.0
OPENER = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"


class Terminal:
    """A pseudo terminal: the test holds the far end, the port under test the near one."""

    def __init__(self) -> None:
        self.far, self.near = os.openpty()
        tty.setraw(self.near)
        self.path = os.ttyname(self.near)

    def open(self, *, open_wait_s: float = 0.0) -> SerialPort:
        return open_port(self.path, name="console", baud=115200, open_wait_s=open_wait_s)

    def vanish(self) -> None:
        """What a pulled adapter does to the port: the terminal hangs up."""
        if self.far >= 0:
            os.close(self.far)
        self.far = -1

    def let_go(self) -> None:
        """Close the near end that the test holds, so that others find the port free."""
        if self.near >= 0:
            os.close(self.near)
        self.near = -1

    def close(self) -> None:
        self.vanish()
        self.let_go()


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """A fresh pseudo terminal."""
    made = Terminal()
    yield made
    made.close()


@pytest.fixture
def port(terminal: Terminal) -> Iterator[SerialPort]:
    """A port opened on the terminal."""
    opened = terminal.open()
    yield opened
    opened.close()


@contextlib.contextmanager
def another_process_on(path: str) -> Iterator[int]:
    """A process that opens the port plainly, without asking for it alone; its pid."""
    with subprocess.Popen(
        [sys.executable, "-c", OPENER, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        yield process.pid
        process.stdin.close()


def read_all(port: SerialPort, count: int) -> bytes:
    """So many bytes, or what came until nothing more did."""
    data = b""
    while len(data) < count and (more := port.read_some(TIMEOUT_S)):
        data += more
    return data


# Opening


def test_port_carries_every_byte_both_ways(terminal: Terminal, port: SerialPort) -> None:
    """All 256 byte values pass unchanged in both directions: no line discipline interferes."""
    every_byte = bytes(range(256))

    port.write(every_byte)
    os.write(terminal.far, every_byte)

    assert os.read(terminal.far, 512) == every_byte
    assert read_all(port, 256) == every_byte


def test_port_has_the_asked_baud_rate_and_frame(terminal: Terminal, port: SerialPort) -> None:
    """The terminal's own settings say 115200 baud, 8 data bits, no parity, one stop bit, no flow control."""
    assert port.is_open
    iflag, _, cflag, _, in_speed, out_speed, _ = termios.tcgetattr(terminal.near)

    assert (in_speed, out_speed) == (termios.B115200, termios.B115200)
    assert cflag & termios.CSIZE == termios.CS8
    assert not cflag & (termios.PARENB | termios.CSTOPB | termios.CRTSCTS)
    assert not iflag & (termios.IXON | termios.IXOFF)


@pytest.mark.parametrize("dtr", [False, True])
@pytest.mark.parametrize("rts", [False, True])
def test_open_sets_the_control_lines_once_and_as_declared(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch, *, dtr: bool, rts: bool
) -> None:
    """While opening, each line is driven to its declared state only: no pulse in between that resets the board."""
    calls: list[tuple[int, int]] = []
    real = fcntl.ioctl

    def listening(fd: int, request: int, argument: bytes = b"") -> object:
        if request in {termios.TIOCMBIS, termios.TIOCMBIC, termios.TIOCMSET}:
            calls.append((request, struct.unpack("I", argument)[0]))
            return argument  # a pseudo terminal has no control lines and would refuse
        return real(fd, request, argument)

    monkeypatch.setattr(fcntl, "ioctl", listening)
    open_port(terminal.path, name="console", baud=9600, dtr=dtr, rts=rts, open_wait_s=0.0).close()

    switch = {True: termios.TIOCMBIS, False: termios.TIOCMBIC}
    assert calls == [(switch[dtr], termios.TIOCM_DTR), (switch[rts], termios.TIOCM_RTS)]


def test_missing_port_is_told_with_those_present(tmp_path: Path) -> None:
    """A port that is not there is named, beside every port that the machine has."""
    with pytest.raises(PortError, match=r"console \(.*no-such-port\) is missing; present: ") as caught:
        open_port(str(tmp_path / "no-such-port"), name="console", baud=115200, open_wait_s=0.0)

    for present in list_ports.comports():
        assert present.device in caught.value.message


def test_port_that_appears_in_time_is_opened(terminal: Terminal, tmp_path: Path) -> None:
    """An adapter that is found again while waiting is opened."""
    link = tmp_path / "by-path"
    appears = threading.Timer(0.1, link.symlink_to, [terminal.path])
    appears.start()

    port = open_port(str(link), name="console", baud=115200, open_wait_s=TIMEOUT_S)

    assert port.is_open
    port.close()
    appears.join()


def test_port_that_we_hold_already_is_busy(terminal: Terminal, port: SerialPort) -> None:
    """A second exclusive open is refused, from the same process too."""
    assert port.is_open
    with pytest.raises(PortError, match=r"is busy: .*this one has it open"):
        terminal.open()


def test_plain_opener_is_found_and_named(terminal: Terminal) -> None:
    """Somebody who opened the port without asking for it alone is found, with pid and command."""
    with (
        another_process_on(terminal.path) as pid,
        pytest.raises(PortError, match=rf"is busy: pid {pid} \(.*python.* -c import os.*end that"),
    ):
        terminal.open()


def test_exclusive_opener_is_found_and_named(terminal: Terminal) -> None:
    """Another run that holds the port alone is named with its pid."""
    terminal.let_go()
    code = (
        "import sys; from benchrig.wires.serial_port import open_port\n"
        "port = open_port(sys.argv[1], name='x', baud=9600); print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, terminal.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(PortError, match=rf"is busy: pid {other.pid} "):
            terminal.open()
        other.stdin.close()


def test_opener_that_comes_later_is_found(terminal: Terminal, port: SerialPort) -> None:
    """Whoever opens the port plainly after us is found when asked for, and gone when it ended."""
    with another_process_on(terminal.path) as pid:
        while_open = port.other_openers()

    assert [opener.pid for opener in while_open] == [pid]
    assert port.other_openers() == ()


def test_port_without_permission_names_the_group(terminal: Terminal) -> None:
    """A port that this user may not open is told with the group that may."""
    code = (
        "import os, sys; from benchrig.errors import PortError; from benchrig.wires.serial_port import open_port\n"
        "os.geteuid() or os.setuid(65534)\n"
        "try:\n    open_port(sys.argv[1], name='console', baud=9600, open_wait_s=0.0)\n"
        "except PortError as error:\n    print(error)\n"
    )
    os.fchmod(terminal.near, 0)

    said = subprocess.run(
        [sys.executable, "-c", code, terminal.path], capture_output=True, text=True, check=True
    ).stdout

    group = subprocess.run(["stat", "-c", "%G", terminal.path], capture_output=True, text=True, check=True)
    assert "no permission" in said
    assert f"belongs to group {group.stdout.strip()!r}: add this user to it" in said


def test_path_that_is_no_serial_port_is_told(tmp_path: Path) -> None:
    """A file that is no terminal is refused as such."""
    path = tmp_path / "notes.txt"
    path.write_text("nothing serial")

    with pytest.raises(PortError, match="cannot be opened as a serial port"):
        open_port(str(path), name="console", baud=115200, open_wait_s=0.0)


def test_unusable_baud_rate_is_a_fault_of_the_file(terminal: Terminal) -> None:
    """A baud rate that no port has is charged to the configuration."""
    with pytest.raises(ConfigError, match="baud -1 is refused"):
        open_port(terminal.path, name="console", baud=-1)


def test_every_error_of_the_library_is_translated() -> None:
    """Each error class that pyserial defines is one that this module catches."""
    own = [
        found
        for found in vars(serial.serialutil).values()
        if isinstance(found, type) and issubclass(found, Exception) and found.__module__ == "serial.serialutil"
    ]

    assert {found.__name__ for found in own} >= {"SerialException", "SerialTimeoutException"}
    assert [found for found in own if not issubclass(found, OSError)] == []


# Reading, writing, vanishing


def test_read_returns_nothing_after_its_time(port: SerialPort) -> None:
    """Silence is an empty answer, not before the time-out and not for ever."""
    start_s = time.monotonic()

    data = port.read_some(0.05)

    assert data == b""
    assert 0.05 <= time.monotonic() - start_s < TIMEOUT_S


def test_interrupt_ends_a_waiting_read(port: SerialPort) -> None:
    """A read that would wait for ever returns when it is interrupted."""
    waker = threading.Timer(0.05, port.interrupt)
    waker.start()

    assert port.read_some(None) == b""
    waker.join()


def test_bytes_that_somebody_else_took_are_no_end_of_file(
    terminal: Terminal, port: SerialPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A read that finds nothing any more, since another reader was quicker, does not call the port vanished."""
    real_wait = port._bell.wait

    def wait_and_lose(timeout_s: float | None) -> bool:
        there = real_wait(timeout_s)
        if there:
            os.read(terminal.near, 16)
        return there

    monkeypatch.setattr(port._bell, "wait", wait_and_lose)
    os.write(terminal.far, b"BATT=3700")

    assert port.read_some(TIMEOUT_S) == b""


@pytest.mark.parametrize("action", ["read", "write", "break"])
def test_vanished_port_is_told_at_the_next_call(terminal: Terminal, port: SerialPort, action: str) -> None:
    """A port that vanished while open fails with a sentence, whatever is asked of it next."""
    terminal.vanish()
    calls: dict[str, Callable[[], object]] = {
        "read": lambda: port.read_some(TIMEOUT_S),
        "write": lambda: port.write(b"batt?\n"),
        "break": lambda: port.set_break(on=True),
    }

    with pytest.raises(PortError, match=r"console \(/dev/.*\): .* failed: .*check cable and adapter"):
        calls[action]()


@pytest.mark.parametrize("action", ["read", "write", "break"])
def test_closed_port_refuses_to_be_used(port: SerialPort, action: str) -> None:
    """After close nothing reaches the port, and the message says so."""
    port.close()
    calls: dict[str, Callable[[], object]] = {
        "read": lambda: port.read_some(0.0),
        "write": lambda: port.write(b"x"),
        "break": lambda: port.set_break(on=False),
    }

    with pytest.raises(PortError, match="is closed; open it again"):
        calls[action]()


def test_port_that_takes_no_bytes_is_told(port: SerialPort, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port whose buffer stays full fails after the write time-out instead of hanging."""
    monkeypatch.setattr(port._serial, "write_timeout", 0.05)

    with pytest.raises(PortError, match=r"writing .* failed: .*vanished or is stuck"):
        port.write(b"x" * 1_000_000)


def test_closed_port_opens_again_with_its_settings(terminal: Terminal, port: SerialPort) -> None:
    """Close and reopen leave a port that works."""
    port.close()
    port.reopen()
    os.write(terminal.far, b"back")

    assert read_all(port, 4) == b"back"


def open_descriptors() -> int:
    """How many descriptors this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))


def test_close_leaves_no_descriptor_open(terminal: Terminal) -> None:
    """Opening and closing many times does not leak descriptors."""
    terminal.open().close()
    before = open_descriptors()

    for _ in range(20):
        terminal.open().close()

    assert open_descriptors() == before
