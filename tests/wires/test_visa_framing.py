"""How the wire makes messages out of pieces: every split of the bytes gives the same messages."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import InstrumentLost, InstrumentReplyError, InstrumentTimeout
from benchrig.wires.message_wire import VisaWire


class PieceLane:
    """Carries fixed pieces, one for each read; after the last one nothing comes any more."""

    slowest_bytes_per_s = 1e6

    def __init__(self, pieces: list[bytes], *, ends: bool = False) -> None:
        self.pieces = [piece for piece in pieces if piece]
        self.ends = ends
        self.sent: list[bytes] = []

    def send(self, data: bytes) -> None:
        self.sent.append(data)

    def receive(self, timeout_s: float) -> tuple[bytes, bool]:
        if not self.pieces:
            raise TimeoutError("no more pieces")
        piece = self.pieces.pop(0)
        return piece, self.ends and not self.pieces

    def receive_into(self, view: memoryview, timeout_s: float) -> tuple[int, bool]:
        piece, ended = self.receive(timeout_s)
        if len(piece) > len(view):
            self.pieces.insert(0, piece[len(view) :])
            piece, ended = piece[: len(view)], False
        view[: len(piece)] = piece
        return len(piece), ended

    def waiting(self) -> bytes:
        return b""

    def close(self) -> None:
        self.pieces.clear()


def _wire(lane: PieceLane, *, end: bytes = b"\n") -> VisaWire:
    return VisaWire(
        lane,
        name="supply",
        resource="GPIB::5::INSTR",
        read_termination=end,
        write_termination=end,
        meaning=lambda error: InstrumentTimeout if isinstance(error, TimeoutError) else InstrumentLost,
    )


def _cut(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[begin:end] for begin, end in pairwise(edges)]


def _block(payload: bytes) -> bytes:
    length = str(len(payload)).encode()
    return b"#%d%b%b\n" % (len(length), length, payload)


_CUTS = st.lists(st.integers(min_value=0, max_value=10_000), max_size=40)


@given(
    lines=st.lists(st.binary(max_size=30).filter(lambda line: b"\n" not in line), min_size=1, max_size=5),
    cuts=_CUTS,
)
def test_lines_come_out_the_same_however_they_are_split(lines: list[bytes], cuts: list[int]) -> None:
    """Lines are the same whether they come in one packet or byte by byte."""
    data = b"".join(line + b"\n" for line in lines)
    wire = _wire(PieceLane(_cut(data, cuts)))

    assert [wire.read_line(timeout_s=1.0) for _ in lines] == lines
    assert wire.unread() == b""


@given(payloads=st.lists(st.binary(max_size=300), min_size=1, max_size=3), cuts=_CUTS)
def test_blocks_come_out_the_same_however_they_are_split(payloads: list[bytes], cuts: list[int]) -> None:
    """Blocks are the same in one packet or byte by byte, after longer ones too, and so is the line after."""
    data = b"".join(_block(payload) for payload in payloads) + b"1.5\n"
    wire = _wire(PieceLane(_cut(data, cuts)))

    assert [wire.read_block(timeout_s=1.0) for _ in payloads] == payloads
    assert wire.read_line(timeout_s=1.0) == b"1.5"


def test_reply_byte_by_byte_is_one_line() -> None:
    """A reply that comes in single bytes is one line, with a termination of two bytes as well."""
    wire = _wire(PieceLane([bytes([byte]) for byte in b"+3.70E+00\r\n"]), end=b"\r\n")

    assert wire.read_line(timeout_s=1.0) == b"+3.70E+00"


def test_half_a_line_is_never_returned() -> None:
    """When the bytes stop before the termination, the error holds them and they stay unread."""
    wire = _wire(PieceLane([b"+3.7", b"0E"]))

    with pytest.raises(InstrumentTimeout, match=r"supply at GPIB::5::INSTR: .*arrived b'\+3.70E'"):
        wire.read_line(timeout_s=1.0)

    assert wire.unread() == b"+3.70E"


def test_message_that_ends_without_termination_leaves_nothing_behind() -> None:
    """After an unterminated message nothing of it can be taken for the answer to the next question."""
    wire = _wire(PieceLane([b"3.7"], ends=True))

    with pytest.raises(InstrumentReplyError, match=r"reply b'3.7' ended without its termination b'\\n'"):
        wire.read_line(timeout_s=1.0)

    assert wire.unread() == b""


def test_long_junk_is_shortened_in_the_error() -> None:
    """An error shows the beginning of a long reply and its length, not megabytes."""
    wire = _wire(PieceLane([b"x" * 5000]))

    with pytest.raises(InstrumentTimeout, match=r"b'x{60}'\.\.\. \(5000 bytes\)"):
        wire.read_line(timeout_s=1.0)
