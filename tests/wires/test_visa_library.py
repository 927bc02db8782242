"""The wire through a VISA library's own read and write: pyvisa-sim, and pyvisa-py on a pseudo terminal."""

from __future__ import annotations

import os
import threading
import tty
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pyvisa
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.highlevel import get_wrapper_class
from pyvisa.resources import MessageBasedResource

from benchrig.errors import InstrumentLost, InstrumentReplyError, InstrumentTimeout
from benchrig.wires.visa import MessageWire, VisaWire, open_visa

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pyvisa.typing import VISASession

_PATIENCE_S = 20.0
_SHORT_S = 0.05
_SIMULATED = f"{Path(__file__).with_name('hay_barn_bench.yaml')}@sim"
_SOCKET = "TCPIP0::supply.invalid::5025::SOCKET"
_USB = "USB0::0x0000::0x0001::SN1::0::INSTR"
_GPIB = "GPIB0::5::INSTR"
_ENDLESS_USB = "USB0::0x0000::0x0002::SN2::0::INSTR"
_ENDLESS_SOCKET = "TCPIP0::meter.invalid::5025::SOCKET"


def _open_simulated(resource: str) -> VisaWire:
    end = "\r\n" if resource == _GPIB else "\n"
    return open_visa(resource, name="supply", backend=_SIMULATED, read_termination=end, write_termination=end)


def _session_of(resource: str) -> MessageBasedResource:
    """The open session to that resource."""
    for session in pyvisa.ResourceManager(_SIMULATED).list_opened_resources():
        if session.resource_name == resource and isinstance(session, MessageBasedResource):
            return session
    raise AssertionError(f"{resource} is not open")


LINKS = [
    pytest.param(_SOCKET, id="socket"),
    pytest.param(_USB, id="USB"),
    pytest.param(_GPIB, id="GPIB with CR LF"),
]


# ---------------------------------------------------------------- pyvisa-sim


@pytest.mark.parametrize("resource", LINKS)
def test_questions_are_answered_in_order(resource: str) -> None:
    """On every kind of link a question gets the line that answers it, without termination."""
    with closing(_open_simulated(resource)) as wire:
        assert wire.query(b"*IDN?", timeout_s=_PATIENCE_S) == b"INVENTED,M1,SN1,0.1"
        wire.write(b"VOLT 2.500")
        assert wire.query(b"VOLT?", timeout_s=_PATIENCE_S) == b"2.500"
        assert wire.query(b"*IDN?", timeout_s=_PATIENCE_S) == b"INVENTED,M1,SN1,0.1"


@pytest.mark.parametrize("resource", LINKS)
def test_silent_instrument_is_a_timeout(resource: str) -> None:
    """No answer is a time-out that names instrument and question and is chained to the library's error."""
    with (
        closing(_open_simulated(resource)) as wire,
        pytest.raises(InstrumentTimeout, match=r"supply at .*no complete line.*nothing arrived") as caught,
    ):
        wire.read_line(timeout_s=_SHORT_S)

    assert caught.value.__cause__ is not None


@pytest.mark.parametrize("resource", LINKS)
def test_block_with_line_ends_inside_is_whole(resource: str) -> None:
    """The payload is counted although the library stops at line ends, and lines work again after it."""
    with closing(_open_simulated(resource)) as wire:
        wire.write(b"CURV?")

        assert wire.read_block(timeout_s=_PATIENCE_S) == b"ab\ncd\nefgh"
        assert wire.query(b"*IDN?", timeout_s=_PATIENCE_S) == b"INVENTED,M1,SN1,0.1"
        # without it a library would wait for a long read to fill up, now that lines are read again
        assert _session_of(resource).get_visa_attribute(ResourceAttribute.termchar_enabled)


def test_line_ends_inside_a_block_cost_no_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    """The payload is read in one go: the library is told not to stop at each line end inside it."""
    library = get_wrapper_class("sim")
    plain_read = library.read
    counts: list[int] = []

    def read(self: Any, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        counts.append(count)
        return plain_read(self, session, count)

    monkeypatch.setattr(library, "read", read)
    with closing(_open_simulated(_USB)) as wire:
        wire.write(b"CURV?")
        wire.read_block(timeout_s=_PATIENCE_S)

    # the first read stops at the first line end, after '#210ab'; the second takes the other 8 bytes
    assert counts[1:] == [8]


def test_reply_that_ends_without_termination_is_refused() -> None:
    """Where the link marks the end of a message, an unterminated reply is an error that shows it."""
    with (
        closing(_open_simulated(_ENDLESS_USB)) as wire,
        pytest.raises(InstrumentReplyError, match=r"asked b'READ\?'.*reply b'1.5;' ended without its term"),
    ):
        wire.query(b"READ?", timeout_s=_PATIENCE_S)


def test_reply_without_termination_on_a_stream_shows_what_arrived() -> None:
    """On a stream an unterminated reply ends in a time-out, and the library loses none of its bytes."""
    with (
        closing(_open_simulated(_ENDLESS_SOCKET)) as wire,
        pytest.raises(InstrumentTimeout, match=r"arrived b'1.5;'"),
    ):
        wire.query(b"READ?", timeout_s=_SHORT_S)


SHORT_BLOCKS = [
    pytest.param(b"CURV?", r"reply b'#210abc;' ended without its termination", id="in the first part"),
    pytest.param(b"CURV2?", r"the message ended with 9 of the 15 bytes of a block", id="in a later part"),
]


@pytest.mark.parametrize(("question", "said"), SHORT_BLOCKS)
def test_block_that_ends_early_is_refused(question: bytes, said: str) -> None:
    """A message that ends inside a block is an error at once, with what came of it."""
    with closing(_open_simulated(_ENDLESS_USB)) as wire:
        wire.write(question)

        with pytest.raises(InstrumentReplyError, match=said):
            wire.read_block(timeout_s=_PATIENCE_S)


def test_second_line_of_a_reply_is_refused_on_a_stream() -> None:
    """A stale line is found out before the next question is sent."""
    with closing(_open_simulated(_SOCKET)) as wire:
        assert wire.query(b"TWO?", timeout_s=_PATIENCE_S) == b"1.0"

        with pytest.raises(InstrumentReplyError, match=r"unread reply b'2.0\\n' waits"):
            wire.query(b"VOLT?", timeout_s=_PATIENCE_S)


def test_second_line_of_a_reply_is_refused_on_usb(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the status byte can be read, its bit "message available" gives a stale reply away."""

    def read_stb(library: Any, session: VISASession) -> tuple[int, StatusCode]:
        # bit 4 of the status byte is MAV (IEEE 488.2, seen in a maker's register table)
        return (16 if library.sessions[session].device._output_buffers else 0), StatusCode.success

    monkeypatch.setattr(get_wrapper_class("sim"), "read_stb", read_stb)
    with closing(_open_simulated(_USB)) as wire:
        assert wire.query(b"TWO?", timeout_s=_PATIENCE_S) == b"1.0"

        with pytest.raises(InstrumentReplyError, match=r"unread reply b'2.0\\n' waits"):
            wire.query(b"VOLT?", timeout_s=_PATIENCE_S)


def test_session_is_ended_by_close() -> None:
    """After close nothing more can be asked, and a second close does nothing."""
    wire = _open_simulated(_USB)
    wire.close()
    wire.close()

    with pytest.raises(InstrumentLost, match="this wire was closed"):
        wire.query(b"*IDN?", timeout_s=_PATIENCE_S)


# ---------------------------------------------------------------- a serial line


class SerialPeer:
    """The far end of a pseudo terminal that the wire opens as a serial line."""

    def __init__(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.resource = f"ASRL{os.ttyname(self.far)}::INSTR"

    def send(self, data: bytes) -> None:
        os.write(self.near, data)

    def answer(self, reply: bytes) -> threading.Thread:
        """In a thread: send the reply to the next line."""
        thread = threading.Thread(target=self._answer, args=(reply,))
        thread.start()
        return thread

    def _answer(self, reply: bytes) -> None:
        while os.read(self.near, 1) != b"\n":
            pass
        os.write(self.near, reply)

    def close(self) -> None:
        os.close(self.near)
        os.close(self.far)


@pytest.fixture
def line() -> Iterator[SerialPeer]:
    """The far end of a serial line."""
    with closing(SerialPeer()) as peer:
        yield peer


@pytest.fixture
def serial_wire(line: SerialPeer) -> Iterator[MessageWire]:
    """A wire over that serial line, through pyvisa-py."""
    with closing(open_visa(line.resource, name="meter")) as wire:
        yield wire


def test_serial_question_gets_its_line(line: SerialPeer, serial_wire: MessageWire) -> None:
    """A serial instrument is asked and read like any other."""
    answering = line.answer(b"\xb5 1.25\n")

    assert serial_wire.query(b"READ?", timeout_s=_PATIENCE_S) == b"\xb5 1.25"
    answering.join(_PATIENCE_S)


def test_serial_reply_without_termination_shows_what_arrived(line: SerialPeer, serial_wire: MessageWire) -> None:
    """Half a line on a serial port is a time-out that shows it, and then counts as unread."""
    line.send(b"1.2")

    with pytest.raises(InstrumentTimeout, match=r"meter at ASRL.*arrived b'1\.2'"):
        serial_wire.read_line(timeout_s=_SHORT_S)
    with pytest.raises(InstrumentReplyError, match=r"unread reply b'1\.2' waits"):
        serial_wire.query(b"READ?", timeout_s=_PATIENCE_S)


def test_serial_stale_reply_is_refused(line: SerialPeer, serial_wire: MessageWire) -> None:
    """A line that nobody asked for is found in the port's input before a question is sent."""
    line.send(b"9.9\n1.2\n")
    assert serial_wire.read_line(timeout_s=_PATIENCE_S) == b"9.9"

    with pytest.raises(InstrumentReplyError, match=r"unread reply b'1\.2\\n' waits"):
        serial_wire.query(b"READ?", timeout_s=_PATIENCE_S)


def test_serial_block_is_counted(line: SerialPeer, serial_wire: MessageWire) -> None:
    """A block over a serial line holds every byte, line ends included."""
    payload = bytes(range(256)) * 4
    line.send(b"#41024" + payload + b"\n")

    assert serial_wire.read_block(timeout_s=_PATIENCE_S) == payload
    assert serial_wire.unread() == b""


def test_serial_line_that_vanishes_is_lost(line: SerialPeer, serial_wire: MessageWire) -> None:
    """A port whose far end is gone is an error of the instrument, chained to the cause."""
    os.close(line.near)
    line.near = os.dup(line.far)

    with pytest.raises(InstrumentLost, match="meter at ASRL") as caught:
        serial_wire.query(b"READ?", timeout_s=_PATIENCE_S)

    assert caught.value.__cause__ is not None
