"""Bytes of a console to lines: ends, splits, stamps, and lines that never end.

CR, LF and CR LF as line ends: common practice, no source.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.protocol.console import Line, LineAssembler

CASES = [
    pytest.param([b"one\n"], [b"one"], b"", id="line feed"),
    pytest.param([b"one\r"], [b"one"], b"", id="carriage return"),
    pytest.param([b"one\r\n"], [b"one"], b"", id="both"),
    pytest.param([b"one\r", b"\ntwo\r\n"], [b"one", b"two"], b"", id="both, split between them"),
    pytest.param([b"one\n", b"\r\ntwo\n"], [b"one", b"two"], b"", id="line feed, then an empty line"),
    pytest.param([b"\r\n\r\n\n\r"], [], b"", id="empty lines only"),
    pytest.param([b"one\rtwo\nthree\r\n"], [b"one", b"two", b"three"], b"", id="three ends in one chunk"),
    pytest.param([b"BATT=37", b"00\n"], [b"BATT=3700"], b"", id="split inside a number"),
    pytest.param([b"BATT=37"], [], b"BATT=37", id="no end yet"),
    pytest.param([b"one\nBATT=", b"37"], [b"one"], b"BATT=37", id="no end yet behind a line"),
    pytest.param([b"a\x0bb\x0cc\x1cd\x85e\n"], [b"a\x0bb\x0cc\x1cd\x85e"], b"", id="other scripts' line ends"),
    pytest.param([b""], [], b"", id="nothing"),
]


def _texts(lines: list[Line]) -> list[bytes]:
    return [line.text for line in lines]


@pytest.mark.parametrize(("chunks", "texts", "partial"), CASES)
def test_assembler_takes_every_usual_line_end(chunks: list[bytes], texts: list[bytes], partial: bytes) -> None:
    """Lines end at CR, LF or CR LF wherever a chunk is split, and an unfinished line is none."""
    assembler = LineAssembler()

    lines = [line for chunk in chunks for line in assembler.feed(chunk, 1.0)]

    assert _texts(lines) == texts
    assert assembler.partial == partial


@given(
    stream=st.lists(st.sampled_from([b"BATT=3700", b"a", b"\r", b"\n", b"\r\n", b"\xff", b"*1C2D"])).map(b"".join),
    cuts=st.lists(st.integers(min_value=0, max_value=200)),
)
def test_assembler_gives_the_same_lines_for_any_chunking(stream: bytes, cuts: list[int]) -> None:
    """How the operating system cuts the stream changes no line."""
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    whole, pieces = LineAssembler(max_bytes=20), LineAssembler(max_bytes=20)

    expected = whole.feed(stream, 0.0)
    got = [line for start, stop in itertools.pairwise(edges) for line in pieces.feed(stream[start:stop], 0.0)]

    assert [(line.text, line.overlong) for line in got] == [(line.text, line.overlong) for line in expected]
    assert pieces.partial == whole.partial


@given(stream=st.binary(max_size=100))
def test_assembler_agrees_with_the_line_ends_of_bytes(stream: bytes) -> None:
    """A byte-wise fed stream gives the lines that Python's own bytes.splitlines finds."""
    assembler = LineAssembler()

    lines = [line for byte in stream for line in assembler.feed(bytes([byte]), 0.0)]

    # the end is only known to be one when something follows
    *expected, _ = (stream + b"\nx").splitlines()
    assert _texts(lines) + [assembler.partial] * bool(assembler.partial) == [*filter(None, expected)]


def test_line_began_when_its_first_byte_came() -> None:
    """The stamps of a line are those of the chunks with its first byte and with its end."""
    assembler = LineAssembler()

    assembler.feed(b"old\r\nBA", 1.0)
    assembler.feed(b"TT", 2.0)
    (line,) = assembler.feed(b"=1\n", 3.0)

    assert (line.text, line.began_s, line.ended_s) == (b"BATT=1", 1.0, 3.0)


def test_line_feed_of_a_split_end_begins_no_line() -> None:
    """A LF that comes later than its CR belongs to the old line: the new one begins with its own first byte."""
    assembler = LineAssembler()

    assembler.feed(b"old\r", 1.0)
    assembler.feed(b"\n", 2.0)
    (line,) = assembler.feed(b"new\r", 3.0)

    assert line.began_s == 3.0


def test_tail_has_the_stamp_of_its_own_first_byte() -> None:
    """Cut behind half a line, the rest has the time at which its own first byte came."""
    assembler = LineAssembler()
    assembler.feed(b"BAT", 1.0)
    assembler.feed(b"TBOO", 2.0)
    (line,) = assembler.feed(b"T up\n", 3.0)

    stamps = [(line.tail(offset).text, line.tail(offset).began_s) for offset in (1, 2, 3, 4, 7, 8)]

    assert stamps == [
        (b"ATTBOOT up", 1.0),
        (b"TTBOOT up", 1.0),
        (b"TBOOT up", 2.0),
        (b"BOOT up", 2.0),
        (b"T up", 3.0),
        (b" up", 3.0),
    ]


def test_tail_of_a_tail_keeps_the_stamps() -> None:
    """Cutting twice gives what one cut gives."""
    assembler = LineAssembler()
    assembler.feed(b"abc", 1.0)
    (line,) = assembler.feed(b"def\n", 2.0)

    assert line.tail(1).tail(2) == line.tail(3)
    assert line.tail(1).tail(1).began_s == 1.0


@pytest.mark.parametrize(
    ("length", "overlong"),
    [pytest.param(8, False, id="just fits"), pytest.param(9, True, id="one byte too long")],
)
@pytest.mark.parametrize("chunk_bytes", [1, 3, 100])
def test_overlong_line_is_cut_and_marked(length: int, chunk_bytes: int, *, overlong: bool) -> None:
    """A line longer than the bound is cut there and marked; the next line is whole again."""
    assembler = LineAssembler(max_bytes=8)
    stream = b"x" * length + b"\nnext\n"

    lines = [
        line
        for start in range(0, len(stream), chunk_bytes)
        for line in assembler.feed(stream[start : start + chunk_bytes], 0.0)
    ]

    assert [(line.text, line.overlong, line.damaged) for line in lines] == [
        (b"xxxxxxxx", overlong, overlong),
        (b"next", False, False),
    ]


def test_endless_noise_takes_no_more_memory_than_the_bound() -> None:
    """A line that never ends is held up to the bound only."""
    assembler = LineAssembler(max_bytes=16)

    for _ in range(1000):
        assembler.feed(b"noise", 0.0)

    assert assembler.partial == b"noisenoisenoisen"


def test_reset_forgets_the_unfinished_line() -> None:
    """After a reset, what still comes of the old line begins a line of its own."""
    assembler = LineAssembler(max_bytes=4)
    assembler.feed(b"overlong", 1.0)

    assembler.reset()
    (line,) = assembler.feed(b"00\n", 2.0)

    assert line == Line(b"00", 2.0, 2.0)


@pytest.mark.parametrize(
    ("text", "damaged"),
    [
        pytest.param(b"BATT n=12\tmv=3699", False, id="printable and tabulator"),
        pytest.param(b"BATT\x00", True, id="NUL"),
        pytest.param(b"B\xc3\x84TT", True, id="not ASCII"),
        pytest.param(b"\x7f", True, id="delete"),
    ],
)
def test_line_with_bytes_of_no_text_is_damaged(text: bytes, *, damaged: bool) -> None:
    """Bytes outside printable ASCII show that a line is not what was sent."""
    line = Line(text, 0.0, 0.0)

    assert line.damaged is damaged


def test_assembler_refuses_a_bound_without_room() -> None:
    """A line holds at least one byte."""
    with pytest.raises(ValueError, match="at least 1 byte, not 0"):
        LineAssembler(max_bytes=0)
