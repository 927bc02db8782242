"""Value change dumps: files of an independent writer and of an independent reader, every word, every mistake."""

from __future__ import annotations

import io
import itertools
import random
from typing import TYPE_CHECKING

import numpy as np
import pytest
import vcd
import vcd.reader
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.protocol.vcd import VcdReader

if TYPE_CHECKING:
    from collections.abc import Sequence

Found = list[tuple[int, int, int]]

HEAD = b"$timescale 1 ns $end $scope module m $end $var wire 1 ! tx $end $upscope $end $enddefinitions $end\n"

# The example of IEEE 1364-2005, 18.2.3 in its form, from memory; names and times are our own.
STANDARD = b"""$date
    June 26, 1989 10:05:41
$end
$version
    A simulator
$end
$timescale
    1 ns
$end
$scope module top $end
$scope module m1 $end
$var trireg 1 *@ net1 $end
$var trireg 1 *# net2 $end
$var trireg 1 *$ net3 $end
$upscope $end
$scope task t1 $end
$var reg 32 (k accumulator[31:0] $end
$var integer 32 {2 index $end
$var real 64 %r level $end
$upscope $end
$upscope $end
$enddefinitions $end
$comment
    Note: $dumpvars was executed at time '#500'. 0*@ here is no change.
$end
#500
$dumpvars
x*@
x*#
x*$
bx (k
bx {2
r0 %r
$end
#505
0*@
1*#
1*$
b10zx1110x11100 (k
b1111000101z01x {2
r1.25e-3 %r
#510
0*$
#520
1*$
#530
0*$
bz (k
#535
$dumpall 0*@ 1*# 0*$
b0 (k
b0 {2
$end
#1000
$dumpoff
x*@
x*#
x*$
bx (k
$end
#2000
$dumpon
z*@
1*#
0*$
b0 (k
$end
#2010
1*$
"""


def read(text: bytes, *, signals: Sequence[str] = (), most: int = 2, cuts: Sequence[int] = ()) -> Found:
    """All changes, when the text comes in the pieces between the cuts."""
    reader = VcdReader("capture x.vcd", signals=signals, most=most)
    found: Found = []
    borders = [0, *sorted(cut % (len(text) + 1) for cut in cuts), len(text)]
    for begin, end in itertools.pairwise(borders):
        changes = reader.feed(text[begin:end])
        found += zip(changes.ticks.tolist(), changes.signals.tolist(), changes.levels.tolist(), strict=True)
    changes = reader.finish()
    return [*found, *zip(changes.ticks.tolist(), changes.signals.tolist(), changes.levels.tolist(), strict=True)]


def test_standard_example_is_read() -> None:
    """Scopes, all four levels, vectors, reals, comments and every $dump... keyword stand as the standard has them."""
    found = read(STANDARD, signals=("top.m1.net1", "net3"))

    assert [one for one in found if one[1] == 0] == [
        (500, 0, -1), (505, 0, 0), (535, 0, 0), (1000, 0, -1), (2000, 0, -1),
    ]  # fmt: skip
    assert [(tick, level) for tick, signal, level in found if signal == 1] == [
        (500, -1), (505, 1), (510, 0), (520, 1), (530, 0), (535, 0), (1000, -1), (2000, 0), (2010, 1),
    ]  # fmt: skip


@given(st.lists(st.integers(0, len(STANDARD)), max_size=12))
def test_pieces_make_no_difference(cuts: list[int]) -> None:
    """Wherever the file is cut into pieces, even inside a word, the same changes come out."""
    assert read(STANDARD, signals=("net1", "net3"), cuts=cuts) == read(STANDARD, signals=("net1", "net3"))


def written(changes: Sequence[tuple[int, int, str]], *, others: int, timescale: str = "10 ns") -> bytes:
    """A file of another writer: two lines among as many other signals, of one bit, several bits and real numbers."""
    text = io.StringIO()
    with vcd.VCDWriter(text, timescale=timescale, date="now", comment="no #5 1! change") as writer:
        lines = [writer.register_var(f"probe.port{number}", "line", "wire", 1, init="x") for number in range(2)]
        wide = [writer.register_var("probe.bus", f"wide{n}", "reg", 8, init=0) for n in range(others)]
        reals = [writer.register_var("probe", f"volts{n}", "real", init=0.0) for n in range(others)]
        bits = [writer.register_var("probe.bits", f"bit{n}", "wire", 1, init=0) for n in range(others)]
        for number, (tick, line, level) in enumerate(changes):
            writer.change(lines[line], tick, level)
            for one in range(others):
                writer.change(wide[one], tick, (number + one) % 256)
                writer.change(reals[one], tick, number / 8 + one)
                writer.change(bits[one], tick, (number + one) % 2)
    return text.getvalue().encode()


def as_read_elsewhere(text: bytes, names: Sequence[str]) -> Found:
    """The changes as the other library's own reader sees them."""
    codes: dict[str, int] = {}
    scopes: list[str] = []
    found: Found = []
    tick = 0
    for token in vcd.reader.tokenize(io.BytesIO(text)):
        match token.kind:
            case vcd.reader.TokenKind.SCOPE:
                scopes.append(token.scope.ident)
            case vcd.reader.TokenKind.UPSCOPE:
                scopes.pop()
            case vcd.reader.TokenKind.VAR:
                name = ".".join((*scopes, token.var.reference))
                if name in names:
                    codes[token.var.id_code] = names.index(name)
            case vcd.reader.TokenKind.CHANGE_TIME:
                tick = token.time_change
            case vcd.reader.TokenKind.CHANGE_SCALAR if token.scalar_change.id_code in codes:
                change = token.scalar_change
                found.append((tick, codes[change.id_code], {"0": 0, "1": 1}.get(str(change.value), -1)))
    return found


@pytest.mark.parametrize("others", [0, 1, 40, 120])
def test_files_of_another_writer(others: int) -> None:
    """Files written by pyvcd give what pyvcd's own reader finds, with any number of other signals in them.

    With 120 of each the codes of signals have two characters, and some begin as times, levels and vectors do.
    """
    chance = random.Random(others)
    ticks = sorted(chance.sample(range(1, 10**9), 300))
    changes = [(tick, chance.randrange(2), chance.choice("01xz")) for tick in ticks]
    text = written(changes, others=others)
    names = ("probe.port0.line", "probe.port1.line")

    found = read(text, signals=names, cuts=[1000, 2000, 2001, 9999])

    assert found == as_read_elsewhere(text, names)
    assert len(found) > 200


@pytest.mark.parametrize(
    ("timescale", "tick_s"), [("1 s", 1.0), ("100 us", 1e-4), ("10 ns", 1e-8), ("1 ps", 1e-12), ("100 fs", 1e-13)]
)
def test_time_scales(timescale: str, tick_s: float) -> None:
    """A tick is as long as the other writer says, to the last digit."""
    reader = VcdReader("x")
    reader.feed(written([(5, 0, "1")], others=0, timescale=timescale))

    assert reader.header is not None
    assert reader.header.seconds_per_tick == tick_s


def test_scale_without_blank() -> None:
    """`1us` is the same as `1 us`: both are written."""
    reader = VcdReader("x")
    reader.feed(HEAD.replace(b"1 ns", b"1us") + b"#0 1!\n")

    assert reader.header is not None
    assert reader.header.seconds_per_tick == 1e-6


@pytest.mark.parametrize(
    ("text", "found"),
    [
        pytest.param(b"1! #7 0!\n", [(0, 0, 1), (7, 0, 0)], id="a level before any time"),
        pytest.param(b"#3\n0! 1! 0!\n", [(3, 0, 0), (3, 0, 1), (3, 0, 0)], id="several at one time"),
        pytest.param(b"#3 Z! #4 X! #5 1!", [(3, 0, -1), (4, 0, -1), (5, 0, 1)], id="capital letters, no last line end"),
        pytest.param(b"#9\r\n1!\r\n", [(9, 0, 1)], id="CR LF"),
        pytest.param(b"#1 b1 ! #2 B0 !", [(1, 0, 1), (2, 0, 0)], id="one bit written as a vector"),
        pytest.param(b"#1 sHello ! #2 1!", [(2, 0, 1)], id="a string"),
        pytest.param(b"#0 #0 #5 1! #5 0!", [(5, 0, 1), (5, 0, 0)], id="a time again"),
        pytest.param(b"#999999999999999999 1!", [(10**18 - 1, 0, 1)], id="eighteen digits"),
    ],
)
def test_words(text: bytes, found: Found) -> None:
    """What the standard lets a writer do is read."""
    assert read(HEAD + text) == found


def test_codes_that_look_like_other_words() -> None:
    """A code behind a vector may be #5 or b1 or $x: it is no time, no vector and no keyword."""
    head = HEAD.replace(
        b"$upscope", b"$var reg 4 #5 a $end $var reg 4 b1 b $end $var reg 4 $x c $end $var reg 4 b d $end $upscope"
    )
    text = head + b"#7 b0101 #5 b11 b1 b0 $x b1 b b1 b 1! #8 b1 b #9 0!\n"

    for cuts in ((), range(len(head), len(text))):
        assert read(text, signals=("tx",), cuts=cuts) == [(7, 0, 1), (9, 0, 0)]


def test_until_tells_how_far_the_capture_goes() -> None:
    """The last time counts, though nothing changed then."""
    reader = VcdReader("x")

    reader.feed(HEAD + b"#5 1!\n#80\n")

    assert reader.finish().until == 80


# ---- which signals


def test_all_signals_when_there_are_few() -> None:
    """Without names the one-bit signals are taken, each net once, and wide ones are left alone."""
    head = HEAD.replace(b"$upscope", b"$var wire 1 ! again $end $var reg 8 % bus $end $var wire 1 & rx $end $upscope")
    reader = VcdReader("x")

    reader.feed(head)

    assert [variable.name for variable in reader.chosen] == ["m.tx", "m.rx"]


MANY = HEAD.replace(
    b"$upscope",
    b"$var reg 8 % bus [7:0] $end $var real 64 r volts $end $var event 1 e hit $end $var wire 1 & rx $end "
    b"$scope module n $end $var wire 1 ' tx $end $var wire 1 ( pin [3] $end $upscope $upscope",
)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        pytest.param((), "4 one-bit signals; name up to 2 of them; .*m.tx, m.rx, m.n.tx, m.n.pin\\[3\\]", id="none"),
        pytest.param(("rxx",), "no signal 'rxx' .nearest known: rx.; one-bit signals there: m.tx", id="unknown"),
        pytest.param(("tx",), "signal 'tx' is m.tx, m.n.tx; give one of them in full", id="two of that name"),
        pytest.param(("bus[7:0]",), "'m.bus\\[7:0\\]' has 8 bits, a line has one; one-bit .* m.tx", id="wide"),
        pytest.param(("volts",), "'m.volts' is of type real, a line has one", id="real"),
        pytest.param(("hit",), "'m.hit' is of type event", id="event"),
        pytest.param(("m.tx", "rx", "m.n.tx"), "3 signals were asked for, 2 at most", id="three"),
        pytest.param(("rx", "m.rx"), "rx and m.rx are the same net", id="one twice"),
    ],
)
def test_signals_refused(names: tuple[str, ...], words: str) -> None:
    """A name that does not fit one line is refused, with the lines that there are."""
    with pytest.raises(ConfigError, match=words):
        VcdReader("capture x.vcd", signals=names).feed(MANY)


# ---- what is wrong


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(b"", "capture x.vcd: it is empty; record again", id="empty"),
        pytest.param(b" \r\n\n", "it is empty", id="blank"),
        pytest.param(b"time,tx\n0,1\n", "line 1: 'time,tx' is no declaration .*\\$timescale.*export", id="a table"),
        pytest.param(b"\x89PNG\r\n\x1a\n", "line 1: .*PNG' is no declaration", id="a picture"),
        pytest.param(b"\n\n$date x $end\nhello\n", "line 4: 'hello' is no declaration", id="a word between"),
        pytest.param(b"$date never ended", "ends within its declarations, before .enddefinitions", id="cut head"),
        pytest.param(b"$timescale 3 ns $end", "timescale '3 ns'; accepted: 1, 10, 100 and a unit: s, ms", id="scale"),
        pytest.param(b"$timescale 1 h $end", "timescale '1 h'; accepted", id="scale unit"),
        pytest.param(b"$upscope $end", "upscope without a .scope", id="upscope"),
        pytest.param(b"$scope module $end", "scope 'module'; accepted: a type and a name", id="scope"),
        pytest.param(b"$var wire ! tx $end", "var 'wire ! tx'; accepted: type, bits, code and name", id="var"),
        pytest.param(b"$var wire 0 ! tx $end", "var 'wire 0 ! tx'", id="no bits"),
        pytest.param(b"$var wire 1 ! tx $end $enddefinitions $end", "end without .timescale", id="no scale"),
        pytest.param(b"$timescale 1 ns $end $enddefinitions $end", "name no variable", id="no variable"),
        pytest.param(HEAD, "no time stands behind its declarations", id="no body"),
        pytest.param(HEAD + b"#1 1!\n\n#x 0!\n", "line 4: '#x'; accepted there: a whole number behind #", id="time"),
        pytest.param(HEAD + b"#1:? 1!\n", "line 2: '#1:.'; .* whole number", id="just above 9"),
        pytest.param(HEAD + b"#1.5 1!\n", "line 2: '#1.5'; .* whole number", id="fraction"),
        pytest.param(HEAD + b"#-1 1!\n", "line 2: '#-1'; .* whole number", id="negative"),
        pytest.param(HEAD + b"# 1!\n", "line 2: '#'; .* up to 18 digits", id="no digits"),
        pytest.param(HEAD + b"#1234567890123456789 1!\n", "up to 18 digits", id="too many digits"),
        pytest.param(HEAD + b"#5\n1!\n#4\n0!\n", "line 4: '#4'; .*never go back, as from #5 on", id="back"),
        pytest.param(HEAD + b"#5 2!\n", "line 2: '2!'; accepted there: a time as #100, a level", id="level"),
        pytest.param(HEAD + b"#5 1%\n", "line 2: '1%'; accepted there: the codes that a .var declares", id="code"),
        pytest.param(HEAD + b"#5 1!!\n", "'1!!'; accepted there: the codes", id="longer code"),
        pytest.param(HEAD + b"#5 1\n", "'1'; accepted there: the codes", id="no code"),
        pytest.param(HEAD + b"#5 1abcdefghij\n", "'1abcdefghij'; accepted there: the codes", id="long code"),
        pytest.param(HEAD + b"#5 b101 %\n", "'%'; accepted there: the codes", id="code of a vector"),
        pytest.param(HEAD + b"#5 $dumpports $end\n", "'.dumpports'; accepted there: .*.dumpvars", id="extended form"),
        pytest.param(
            HEAD + b"#5 1!" + b"\xff" * 70_000, "line 2: more than 65536 bytes without a blank", id="no blanks"
        ),
    ],
)
def test_what_is_no_value_change_dump(text: bytes, words: str) -> None:
    """The message tells the line, what stands there, what is accepted, and what to do."""
    with pytest.raises(ConfigError, match=words) as wrong:
        read(text)

    assert "again" in wrong.value.message or "export the capture as VCD" in wrong.value.message


@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_are_read_or_refused(data: bytes, with_head: bool) -> None:
    """Whatever stands in a file, there are changes or one clear sentence, never another error."""
    reader = VcdReader("capture x.vcd")
    try:
        changes = [reader.feed(HEAD * with_head + data), reader.finish()]
    except ConfigError:
        return
    assert all(np.all(np.diff(one.ticks) >= 0) for one in changes)


def test_nothing_is_kept_of_what_was_read() -> None:
    """After a million changes the reader holds no more than an unfinished word."""
    reader = VcdReader("x")
    reader.feed(HEAD)
    for block in range(100):
        reader.feed(b"".join(b"#%d\n%d!\n" % (block * 10_000 + one, one % 2) for one in range(10_000)))

    held = sum(len(value) for value in vars(reader).values() if isinstance(value, bytes | list))

    assert held < 100
