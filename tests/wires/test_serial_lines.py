"""Lines of a serial port on a real pseudo terminal: their times, and the hand-over between two readers."""

from __future__ import annotations

import fcntl
import os
import select
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import PortError
from benchrig.wires.line_reader import LineReader
from benchrig.wires.serial_port import SerialPort, open_port

if TYPE_CHECKING:
    from collections.abc import Iterator

TIMEOUT_S = 5.0


class Terminal:
    """A pseudo terminal: the test holds the far end, the reader under test the near one."""

    def __init__(self) -> None:
        self.far, self.near = os.openpty()
        tty.setraw(self.near)
        self.path = os.ttyname(self.near)

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

    def unread_bytes(self) -> int:
        """What waits in the near end's input queue."""
        return int(struct.unpack("i", fcntl.ioctl(self.near, termios.TIOCINQ, b"\0\0\0\0"))[0])


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """A fresh pseudo terminal."""
    made = Terminal()
    yield made
    made.vanish()
    made.let_go()


@pytest.fixture
def port(terminal: Terminal) -> Iterator[SerialPort]:
    """A port opened on the terminal."""
    opened = open_port(terminal.path, name="console", baud=115200, open_wait_s=0.0)
    yield opened
    opened.close()


@pytest.fixture
def reader(port: SerialPort) -> Iterator[LineReader]:
    """A line reader on the port."""
    made = LineReader(port)
    yield made
    made.close()


def test_line_is_stamped_between_write_and_return(terminal: Terminal, reader: LineReader) -> None:
    """A line carries the time of its arrival."""
    before_s = time.monotonic()
    os.write(terminal.far, b"BATT=3700\r\n")

    line = reader.next_line(timeout_s=TIMEOUT_S)

    assert line is not None
    assert line.text == b"BATT=3700"
    assert before_s <= line.began_s <= line.ended_s <= time.monotonic()


def test_line_that_nobody_waits_for_is_stamped_when_it_comes(terminal: Terminal, reader: LineReader) -> None:
    """The thread reads while nobody waits: the stamp is that of the arrival, not that of the asking."""
    os.write(terminal.far, b"BOOT\n")
    deadline_s = time.monotonic() + TIMEOUT_S
    while terminal.unread_bytes() or not reader._lines:
        assert time.monotonic() < deadline_s, "the thread did not read"
        time.sleep(0.001)
    asked_s = time.monotonic()

    line = reader.next_line(timeout_s=0.0)

    assert line is not None
    assert line.ended_s < asked_s


@pytest.mark.parametrize("repeat", range(20))  # a thread that is slow to begin shows it on some of them only
def test_what_waits_is_older_than_the_reader(terminal: Terminal, port: SerialPort, repeat: int) -> None:
    """Bytes that wait when a reader is made are stamped before it is ready: they never pass for something new."""
    os.write(terminal.far, b"BOOT\n" * 1200)  # more than a terminal gives in one read, less than a pseudo one takes

    reader = LineReader(port)
    made_s = time.monotonic()

    lines = [line for _ in range(1200) if (line := reader.next_line(timeout_s=TIMEOUT_S))]
    assert len(lines) == 1200
    assert lines[-1].ended_s <= made_s
    reader.close()


def test_bytes_that_a_caller_left_are_read_and_stamped_at_once(terminal: Terminal, reader: LineReader) -> None:
    """What came while a caller attended, and he did not take, is read as soon as he leaves."""
    with reader.attended():
        os.write(terminal.far, b"BOOT\n")
        deadline_s = time.monotonic() + TIMEOUT_S
        while terminal.unread_bytes() < 5:
            assert time.monotonic() < deadline_s, "the bytes did not arrive"
    while not reader._lines:
        assert time.monotonic() < deadline_s, "the thread did not read"
        time.sleep(0.001)
    asked_s = time.monotonic()

    line = reader.next_line(timeout_s=0.0)

    assert line is not None
    assert line.ended_s < asked_s


def test_half_line_is_no_line(terminal: Terminal, reader: LineReader) -> None:
    """Bytes without an end are kept apart until their end comes."""
    os.write(terminal.far, b"BATT=37")

    assert reader.next_line(timeout_s=0.05) is None
    assert reader.partial() == b"BATT=37"

    os.write(terminal.far, b"00\n")
    line = reader.next_line(timeout_s=TIMEOUT_S)
    assert line is not None
    assert line.text == b"BATT=3700"


def test_lines_come_in_order_whoever_reads_them(terminal: Terminal, reader: LineReader) -> None:
    """While callers come and go, no line is lost, doubled or out of order between them and the thread."""
    count = 3000
    writer = threading.Thread(
        target=lambda: [os.write(terminal.far, b"line %d\r\n" % number) for number in range(count)]
    )
    writer.start()
    lines: list[bytes] = []
    while len(lines) < count and (line := reader.next_line(timeout_s=TIMEOUT_S)):
        lines.append(line.text)
    writer.join()

    assert lines == [b"line %d" % number for number in range(count)]


def test_lines_come_in_order_where_there_is_no_epoll(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a system with poll alone the hand-over between callers and the thread loses nothing either."""
    monkeypatch.delattr(select, "epoll")
    reader = LineReader(open_port(terminal.path, name="console", baud=115200, open_wait_s=0.0))
    numbers = range(1000)
    writer = threading.Thread(target=lambda: [os.write(terminal.far, b"line %d\r\n" % number) for number in numbers])
    writer.start()

    lines = [line.text for _ in numbers if (line := reader.next_line(timeout_s=TIMEOUT_S))]

    writer.join()
    assert lines == [b"line %d" % number for number in numbers]
    reader.close()
    assert not reader._thread.is_alive()


def test_two_waiting_callers_share_the_lines(terminal: Terminal, reader: LineReader) -> None:
    """Two threads that wait at once each get lines; together they get every one once."""
    got: list[bytes] = []

    def take() -> None:
        while (line := reader.next_line(timeout_s=TIMEOUT_S)) and line.text != b"end":
            got.append(line.text)

    takers = [threading.Thread(target=take) for _ in range(2)]
    for taker in takers:
        taker.start()
    os.write(terminal.far, b"".join(b"line %d\n" % number for number in range(200)) + b"end\nend\n")
    for taker in takers:
        taker.join(2 * TIMEOUT_S)

    assert sorted(got) == sorted(b"line %d" % number for number in range(200))


def test_thread_reads_again_after_callers_left(terminal: Terminal, reader: LineReader) -> None:
    """After each wait the thread takes over again, so that a vanished port is noticed with nobody there."""
    for _ in range(50):
        assert reader.next_line(timeout_s=0.0) is None
    terminal.vanish()

    reader._thread.join(TIMEOUT_S)

    assert not reader._thread.is_alive()
    with pytest.raises(PortError, match="failed"):
        reader.next_line(timeout_s=0.0)


def test_lines_before_the_end_are_handed_over_first(terminal: Terminal, reader: LineReader) -> None:
    """What came before the port vanished is not lost; then every call tells the failure."""
    os.write(terminal.far, b"last words\n")
    first = reader.next_line(timeout_s=TIMEOUT_S)
    terminal.vanish()

    assert first is not None
    for _ in range(2):
        with pytest.raises(PortError, match=r"reading failed: .*check cable and adapter"):
            reader.next_line(timeout_s=TIMEOUT_S)


def test_vanished_port_ends_the_thread_whoever_noticed(terminal: Terminal, reader: LineReader) -> None:
    """When a caller finds the port gone, the thread does not wait on for it."""
    gone = threading.Timer(0.05, terminal.vanish)
    gone.start()
    with pytest.raises(PortError, match="failed"):
        reader.next_line(timeout_s=TIMEOUT_S)

    reader._thread.join(TIMEOUT_S)

    assert not reader._thread.is_alive()
    gone.join()


def test_close_ends_a_waiting_caller(reader: LineReader) -> None:
    """A caller that waits is told that the port was closed instead of waiting on."""
    closer = threading.Timer(0.05, reader.close)
    closer.start()

    with pytest.raises(PortError, match="was closed"):
        reader.next_line(timeout_s=TIMEOUT_S)
    closer.join()


def test_close_ends_the_thread_and_a_second_one_does_nothing(reader: LineReader, port: SerialPort) -> None:
    """After close neither thread nor port is left."""
    reader.close()
    reader.close()

    assert not reader._thread.is_alive()
    assert not port.is_open


def test_oldest_lines_go_when_nobody_takes_them(
    terminal: Terminal, port: SerialPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines that nobody takes are bounded: the oldest go, and their number is told."""
    monkeypatch.setattr("benchrig.wires.line_reader._KEPT_LINES", 3)
    reader = LineReader(port)
    with reader.attended():
        os.write(terminal.far, b"1\n2\n3\n4\n5\n")
        first = reader.next_line(timeout_s=TIMEOUT_S)

    assert first is not None
    assert (first.text, reader.lost_lines) == (b"3", 2)
    reader.close()


def test_open_reader_does_not_keep_the_program_alive(terminal: Terminal) -> None:
    """A program that ends without closing its reader ends all the same."""
    terminal.let_go()
    code = (
        "import sys; from benchrig.wires.serial_port import LineReader, open_port\n"
        "LineReader(open_port(sys.argv[1], name='x', baud=9600))"
    )

    ended = subprocess.run([sys.executable, "-c", code, terminal.path], timeout=30.0, check=False)

    assert ended.returncode == 0
