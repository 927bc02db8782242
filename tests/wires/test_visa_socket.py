"""The wire over a raw socket: real TCP connections to a peer that the test itself drives, step by step."""

from __future__ import annotations

import random
import socket
import struct
import threading
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
import pyvisa
from pyvisa.constants import ResourceAttribute

from benchrig.errors import (
    InstrumentError,
    InstrumentLost,
    InstrumentReplyError,
    InstrumentTimeout,
)
from benchrig.wires import socket_lane
from benchrig.wires.visa import MessageWire, open_visa

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_PATIENCE_S = 20.0
"""A time-out that a passing test never uses up."""
_SHORT_S = 0.05
"""A time-out that a test waits out on purpose."""


class Peer:
    """The far end of the wire, on its own listener."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(_PATIENCE_S)
        self.resource = f"TCPIP::127.0.0.1::{self.listener.getsockname()[1]}::SOCKET"
        self.connection = socket.socket()
        self._threads: list[threading.Thread] = []

    def accept(self) -> None:
        """Take the connection that the wire has opened."""
        self.connection.close()
        self.connection, _ = self.listener.accept()
        self.connection.settimeout(_PATIENCE_S)

    def send(self, data: bytes) -> None:
        self.connection.sendall(data)

    def received(self, length: int) -> bytes:
        """The next `length` bytes that the wire sent."""
        data = b""
        while len(data) < length:
            part = self.connection.recv(length - len(data))
            if not part:
                return data
            data += part
        return data

    def answer(self, *replies: bytes) -> None:
        """In a thread: for each line that comes, send the next reply."""
        self.do(lambda: self._answer(replies))

    def _answer(self, replies: tuple[bytes, ...]) -> None:
        for reply in replies:
            while self.connection.recv(1) != b"\n":
                pass
            self.send(reply)

    def do(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work)
        thread.start()
        self._threads.append(thread)

    def close(self) -> None:
        self.connection.close()
        self.listener.close()
        self.join()

    def join(self) -> None:
        """Wait until everything started with `do` has finished."""
        for thread in self._threads:
            thread.join(_PATIENCE_S)
            assert not thread.is_alive()

    def wait_until_readable(self, wire: MessageWire) -> None:
        """Wait until what was sent has reached the wire."""
        deadline_s = time.monotonic() + _PATIENCE_S
        while not wire.unread():
            assert time.monotonic() < deadline_s


@pytest.fixture
def peer() -> Iterator[Peer]:
    """A listening peer, which no wire has reached yet."""
    with closing(Peer()) as peer:
        yield peer


@pytest.fixture
def wire(peer: Peer) -> Iterator[MessageWire]:
    """A wire to the peer, connected."""
    with closing(open_visa(peer.resource, name="supply")) as wire:
        peer.accept()
        yield wire


def _block(payload: bytes) -> bytes:
    length = str(len(payload)).encode()
    return b"#%d%b%b" % (len(length), length, payload)


# ---------------------------------------------------------------- lines


def test_query_returns_the_line_without_its_termination(peer: Peer, wire: MessageWire) -> None:
    """A question is sent with the write termination and answered by one line without the read termination."""
    peer.answer(b"INVENTED,M1,SN1,0.1\n")

    assert wire.query(b"*IDN?", timeout_s=_PATIENCE_S) == b"INVENTED,M1,SN1,0.1"


def test_write_appends_the_termination_once(peer: Peer, wire: MessageWire) -> None:
    """Every message ends with the write termination, and nothing else is added."""
    wire.write(b"OUTP ON")
    wire.write(b"*CLS")

    assert peer.received(13) == b"OUTP ON\n*CLS\n"


LINES = [
    pytest.param(b"3.7\n", b"3.7", id="plain"),
    pytest.param(b"\n", b"", id="empty line"),
    pytest.param(b"\xb53.7\xff\x00\n", b"\xb53.7\xff\x00", id="bytes outside ASCII"),
    pytest.param(b"3.7\r\n", b"3.7\r", id="a carriage return is data when the termination is LF"),
    pytest.param(b"1," * 200_000 + b"\n", b"1," * 200_000, id="400 kB"),
]


@pytest.mark.parametrize(("sent", "line"), LINES)
def test_read_line_returns_every_byte_before_the_termination(
    peer: Peer, wire: MessageWire, sent: bytes, line: bytes
) -> None:
    """A line comes out byte for byte, whatever the bytes are."""
    peer.do(lambda: peer.send(sent))

    assert wire.read_line(timeout_s=_PATIENCE_S) == line


def test_two_lines_in_one_packet_are_two_reads(peer: Peer, wire: MessageWire) -> None:
    """Bytes after the first termination stay for the next read."""
    peer.send(b"1.0\n2.0\n")

    lines = [wire.read_line(timeout_s=_PATIENCE_S) for _ in range(2)]

    assert lines == [b"1.0", b"2.0"]
    assert wire.unread() == b""


def test_termination_of_two_characters_is_matched_whole(peer: Peer) -> None:
    """With CR LF as termination a lone LF is data."""
    with closing(open_visa(peer.resource, name="supply", read_termination="\r\n", write_termination="\r\n")) as wire:
        peer.accept()
        peer.send(b"a\nb\r\n")
        wire.write(b"X")

        assert wire.read_line(timeout_s=_PATIENCE_S) == b"a\nb"
        assert peer.received(3) == b"X\r\n"


def test_reply_without_termination_is_a_timeout_that_shows_it(peer: Peer, wire: MessageWire) -> None:
    """Half a line is never returned: the time-out error holds what had arrived."""
    wire.write(b"MEAS:VOLT?")
    peer.send(b"3.7")

    with pytest.raises(InstrumentTimeout, match=r"supply at TCPIP.*asked b'MEAS:VOLT\?'.*arrived b'3.7'"):
        wire.read_line(timeout_s=_SHORT_S)


def test_line_trickling_in_does_not_extend_the_timeout(peer: Peer, wire: MessageWire) -> None:
    """The time-out bounds the line as a whole: bytes that keep coming do not reset it."""
    stop = threading.Event()

    def trickle() -> None:
        while not stop.wait(0.01):
            peer.send(b"9")

    peer.do(trickle)
    try:
        with pytest.raises(InstrumentTimeout, match=r"no complete line within 0\.1 s.*arrived b'9"):
            wire.read_line(timeout_s=0.1)
    finally:
        stop.set()


def test_peer_that_closes_in_a_line_is_noticed_at_once(peer: Peer, wire: MessageWire) -> None:
    """The end of the connection is an error at once, not after the time-out, and shows what had arrived."""
    peer.send(b"3.7")
    peer.connection.close()
    begin_s = time.monotonic()

    with pytest.raises(InstrumentLost, match=r"arrived b'3.7'.*closed the connection"):
        wire.read_line(timeout_s=_PATIENCE_S)

    assert time.monotonic() - begin_s < _PATIENCE_S / 4


def test_line_before_the_peer_closed_is_still_read(peer: Peer, wire: MessageWire) -> None:
    """A complete line counts even when the connection ended behind it; the next read says lost."""
    peer.send(b"3.7\n")
    peer.connection.close()

    assert wire.read_line(timeout_s=_PATIENCE_S) == b"3.7"
    with pytest.raises(InstrumentLost, match="closed the connection"):
        wire.read_line(timeout_s=_PATIENCE_S)


def test_question_to_a_closed_peer_is_refused_at_once(peer: Peer, wire: MessageWire) -> None:
    """A question to a peer that is gone says lost, without waiting."""
    peer.connection.shutdown(socket.SHUT_RDWR)
    peer.connection.close()

    with pytest.raises(InstrumentLost, match=r"supply at .*(closed the connection|Broken pipe|reset)"):
        wire.query(b"*IDN?", timeout_s=_PATIENCE_S)


def test_connection_reset_is_lost_and_keeps_its_cause(peer: Peer, wire: MessageWire) -> None:
    """A reset is translated to InstrumentLost, names the instrument and is chained to the original error."""
    peer.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    peer.connection.close()

    with pytest.raises(InstrumentLost, match="reset") as caught:
        wire.read_line(timeout_s=_PATIENCE_S)

    assert isinstance(caught.value.__cause__, ConnectionResetError)
    assert caught.value.instrument == "supply"


# ---------------------------------------------------------------- stale replies


def test_query_is_refused_while_a_reply_waits(peer: Peer, wire: MessageWire) -> None:
    """A question is not sent while an unread reply waits, which would be taken for its answer."""
    peer.send(b"1.0\n")
    peer.wait_until_readable(wire)

    with pytest.raises(InstrumentReplyError, match=r"unread reply b'1.0\\n' waits.*b'VOLT\?' was not sent"):
        wire.query(b"VOLT?", timeout_s=_PATIENCE_S)

    wire.write(b"MARK")
    assert peer.received(5) == b"MARK\n"


def test_late_reply_after_a_timeout_answers_no_other_question(peer: Peer, wire: MessageWire) -> None:
    """A reply that comes after its time-out is refused at the next question."""
    with pytest.raises(InstrumentTimeout, match="nothing arrived"):
        wire.query(b"VOLT?", timeout_s=_SHORT_S)
    peer.send(b"1.0\n")
    peer.wait_until_readable(wire)

    with pytest.raises(InstrumentReplyError, match=r"unread reply b'1.0\\n'"):
        wire.query(b"CURR?", timeout_s=_PATIENCE_S)


def test_second_line_of_a_reply_is_refused_at_the_next_question(peer: Peer, wire: MessageWire) -> None:
    """An instrument that answers with two lines is found out at the next question."""
    peer.answer(b"1.0\n2.0\n")
    assert wire.query(b"VOLT?", timeout_s=_PATIENCE_S) == b"1.0"

    peer.wait_until_readable(wire)
    with pytest.raises(InstrumentReplyError, match=r"unread reply b'2.0\\n'"):
        wire.query(b"CURR?", timeout_s=_PATIENCE_S)


def test_half_a_line_of_before_a_timeout_is_a_stale_reply(peer: Peer, wire: MessageWire) -> None:
    """What arrived before a time-out is kept as unread, so the next question is refused."""
    peer.send(b"3.")
    with pytest.raises(InstrumentTimeout, match=r"arrived b'3\.'"):
        wire.read_line(timeout_s=_SHORT_S)

    with pytest.raises(InstrumentReplyError, match=r"unread reply b'3\.' waits"):
        wire.query(b"CURR?", timeout_s=_PATIENCE_S)


def test_unread_shows_and_takes_nothing(peer: Peer, wire: MessageWire) -> None:
    """Looking at what waits does not take it."""
    assert wire.unread() == b""
    peer.send(b"1.0\n")
    peer.wait_until_readable(wire)

    assert wire.unread() == b"1.0\n"
    assert wire.read_line(timeout_s=_PATIENCE_S) == b"1.0"


# ---------------------------------------------------------------- blocks


def test_block_of_four_megabytes_arrives_whole(peer: Peer, wire: MessageWire) -> None:
    """A long block is returned byte for byte, and the line after it is still in order."""
    payload = random.Random(1).randbytes(4_000_000)
    peer.do(lambda: peer.send(_block(payload) + b"\n1.0\n"))

    assert wire.read_block(timeout_s=_PATIENCE_S) == payload
    assert wire.read_line(timeout_s=_PATIENCE_S) == b"1.0"


BLOCKS = [
    pytest.param(b"\n" * 300, id="nothing but line ends"),
    pytest.param(b"a\nb#13\n", id="line ends and a block header inside"),
    pytest.param(bytes(range(256)), id="every byte"),
    pytest.param(b"", id="empty"),
]


@pytest.mark.parametrize("payload", BLOCKS)
def test_block_payload_may_hold_any_byte(peer: Peer, wire: MessageWire, payload: bytes) -> None:
    """The payload is counted, not searched: line ends inside are data."""
    peer.send(_block(payload) + b"\n")

    assert wire.read_block(timeout_s=_PATIENCE_S) == payload
    assert wire.unread() == b""


def test_block_cut_short_by_the_peer_is_lost_at_once(peer: Peer, wire: MessageWire) -> None:
    """A block whose connection ends half-way is an error that counts what came."""
    peer.send(b"#3100" + b"x" * 40)
    peer.connection.close()

    with pytest.raises(InstrumentLost, match=r"has 45 of 106 bytes.*arrived b'#3100xxx"):
        wire.read_block(timeout_s=_PATIENCE_S)


def test_block_that_stops_coming_times_out_and_stays_unread(peer: Peer, wire: MessageWire) -> None:
    """A gap longer than the time-out ends the read, and what came waits as unread."""
    peer.send(b"#3100" + b"x" * 40)

    with pytest.raises(InstrumentTimeout, match="has 45 of 106 bytes"):
        wire.read_block(timeout_s=_SHORT_S)

    assert wire.unread() == b"#3100" + b"x" * 40


def test_block_with_gaps_below_the_timeout_takes_longer_than_it(
    peer: Peer, wire: MessageWire, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The time-out is for a gap: a slow block may take longer in all."""
    monkeypatch.setattr(socket_lane.SocketLane, "slowest_bytes_per_s", 1.0)
    gate = threading.Event()

    def slowly() -> None:
        peer.send(b"#15")
        for byte in b"abcde\n":
            gate.wait(0.06)
            peer.send(bytes([byte]))

    peer.do(slowly)
    begin_s = time.monotonic()

    assert wire.read_block(timeout_s=0.25) == b"abcde"
    assert time.monotonic() - begin_s > 0.25


def test_block_that_trickles_meets_the_total_bound(peer: Peer, wire: MessageWire) -> None:
    """Bytes that keep coming, each just in time, cannot hold the run up for ever."""
    stop = threading.Event()

    def trickle() -> None:
        peer.send(b"#3900")
        while not stop.wait(0.02):
            peer.send(b"x")

    peer.do(trickle)
    begin_s = time.monotonic()
    try:
        with pytest.raises(InstrumentTimeout, match=r"has \d+ of 906 bytes"):
            wire.read_block(timeout_s=0.2)
    finally:
        stop.set()

    assert time.monotonic() - begin_s < 2.0


BAD_BLOCKS = [
    pytest.param(b"3.7\n", r"b'3.7\\n' came instead of a block", id="a line"),
    pytest.param(b"#2x1ab\n", r"came instead of a block", id="a length that is no number"),
    pytest.param(b"#0abc\n", r"indefinite length", id="indefinite"),
    pytest.param(b"#9999999999", r"999999999 bytes came; accepted: 268435456", id="absurd length"),
    pytest.param(b"#12abc\n", r"after the 2 bytes of a block came b'c'", id="longer than its length"),
    pytest.param(b"#12ab;1\n", r"after the 2 bytes of a block came b';'", id="another unit behind it"),
]


@pytest.mark.parametrize(("sent", "said"), BAD_BLOCKS)
def test_something_else_than_a_block_is_a_reply_error(peer: Peer, wire: MessageWire, sent: bytes, said: str) -> None:
    """What is no definite-length block with its termination is refused with what came instead."""
    peer.send(sent)

    with pytest.raises(InstrumentReplyError, match=said):
        wire.read_block(timeout_s=_PATIENCE_S)


# ---------------------------------------------------------------- sending, closing, settings


def test_message_longer_than_the_kernel_buffer_is_sent_whole(peer: Peer, wire: MessageWire) -> None:
    """A message that the kernel takes in parts arrives complete and in order."""
    message = random.Random(2).randbytes(8_000_000)
    arrived: list[bytes] = []
    peer.do(lambda: arrived.append(peer.received(len(message) + 1)))

    wire.write(message)

    peer.join()
    assert arrived == [message + b"\n"]


def test_peer_that_takes_nothing_is_a_timeout(wire: MessageWire, monkeypatch: pytest.MonkeyPatch) -> None:
    """A message that the instrument does not take ends in a time-out, not in waiting for ever."""
    monkeypatch.setattr(socket_lane, "WRITE_TIMEOUT_S", 0.1)

    with pytest.raises(InstrumentTimeout, match=r"could not be sent.*took no bytes"):
        wire.write(b"x" * 50_000_000)


def test_set_then_read_is_sent_without_delay(peer: Peer, wire: MessageWire) -> None:
    """The session's socket has TCP_NODELAY on, so a second small message does not wait for the first's ack."""
    session = _session_of(peer)

    assert session.get_visa_attribute(ResourceAttribute.tcpip_nodelay)


def test_terminations_are_set_on_the_session_too(peer: Peer) -> None:
    """Both terminations stand on the VISA session as well, for any other user of it."""
    with closing(open_visa(peer.resource, name="supply", read_termination="\r\n", write_termination="\r")):
        session = _session_of(peer)

        assert (session.read_termination, session.write_termination) == ("\r\n", "\r")


def test_close_ends_the_connection_and_may_be_repeated(peer: Peer, wire: MessageWire) -> None:
    """Closing ends the VISA session, so the peer sees the end of the connection."""
    session = _session_of(peer)  # held, so that its end is not the work of the garbage collector

    wire.close()

    assert peer.connection.recv(1) == b""
    with pytest.raises(pyvisa.errors.InvalidSession, match=r"(?i)invalid session"):
        _ = session.session


CLOSED_CALLS = [
    pytest.param(lambda wire: wire.write(b"X"), id="write"),
    pytest.param(lambda wire: wire.read_line(timeout_s=1.0), id="read_line"),
    pytest.param(lambda wire: wire.read_block(timeout_s=1.0), id="read_block"),
    pytest.param(lambda wire: wire.query(b"X?", timeout_s=1.0), id="query"),
    pytest.param(lambda wire: wire.unread(), id="unread"),
]


@pytest.mark.parametrize("call", CLOSED_CALLS)
def test_closed_wire_refuses_every_call(wire: MessageWire, call: Callable[[MessageWire], object]) -> None:
    """After close every call says that the wire was closed, even when bytes were left."""
    wire.close()

    with pytest.raises(InstrumentLost, match="this wire was closed"):
        call(wire)


@pytest.mark.parametrize("timeout_s", [0.0, -1.0, float("inf"), float("nan")])
def test_timeout_that_would_wait_for_ever_is_refused(wire: MessageWire, timeout_s: float) -> None:
    """Only a finite time-out above zero is accepted."""
    with pytest.raises(ValueError, match="above 0 s and finite"):
        wire.read_line(timeout_s=timeout_s)


def test_every_error_is_an_instrument_error_with_the_next_action(wire: MessageWire) -> None:
    """The message of an error tells what to do next."""
    with pytest.raises(InstrumentError, match="close the wire, open it again and identify"):
        wire.read_line(timeout_s=_SHORT_S)


def _session_of(peer: Peer) -> pyvisa.resources.MessageBasedResource:
    """The open VISA session to the peer."""
    port = f"::{peer.listener.getsockname()[1]}::"
    for session in pyvisa.ResourceManager("@py").list_opened_resources():
        if port in session.resource_name:
            assert isinstance(session, pyvisa.resources.MessageBasedResource)
            return session
    raise AssertionError(f"no session to {port} is open")
