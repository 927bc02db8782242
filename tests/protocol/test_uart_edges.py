"""A serial line out of its edges: every frame form, bad clocks, noise, cut captures, and rates that are wrong."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.protocol import uart_edges
from benchrig.protocol.uart_edges import (
    BREAK,
    FRAMING,
    PARITY,
    UNKNOWN_LEVEL,
    UartDecoder,
    UartReport,
    UartSettings,
)

from .uart_signal import Signal, read_slowly

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .uart_signal import Changes

TEXT = b"AT+BUF=2,E20D15006900D2FF3C\r\n\r\nOK\r\n"
BAUDS = (300, 1200, 9600, 19200, 57600, 115200, 921600)


def decoded(
    changes: Changes, chosen: UartSettings | None = None, *, block: int = 1 << 30, until_s: float = 0.0
) -> tuple[bytes, list[int], UartReport]:
    """Bytes, faults and report, when the changes come in blocks of this size."""
    decoder = UartDecoder(chosen or UartSettings(), name="capture x.vcd, signal tx")
    times_s, levels = changes
    found = [
        decoder.feed(times_s[at : at + block], levels[at : at + block], until_s=float(times_s[at : at + block][-1]))
        for at in range(0, times_s.size, block)
    ]
    found.append(decoder.feed(times_s[:0], levels[:0], until_s=until_s))
    found.append(decoder.finish())
    values = b"".join(one.values.tobytes() for one in found)
    return values, [fault for one in found for fault in one.faults.tolist()], decoder.report


def bursts(signal: Signal, data: bytes, *, size: int = 7) -> Signal:
    """Send data in bursts, with a rest of a few bytes between them."""
    signal.rest(40)
    for at in range(0, len(data), size):
        signal.send(data[at : at + size]).rest(30 + at % 11 / 7)
    return signal


# ---- what is right


@pytest.mark.parametrize("baud", BAUDS)
@pytest.mark.parametrize("is_given", [True, False], ids=["given", "estimated"])
def test_every_rate(baud: float, is_given: bool) -> None:
    """Bytes, rate and the time of each start bit are right, the rate given or not."""
    signal = bursts(Signal(baud=baud), TEXT * 3)
    found, faults, report = decoded(signal.changes(), UartSettings(baud=baud if is_given else None))

    assert found == TEXT * 3
    assert not any(faults)
    assert report.baud == pytest.approx(baud, rel=1e-6)
    assert report.problems == ()


@pytest.mark.parametrize("data_bits", [7, 8])
@pytest.mark.parametrize("parity", ["none", "even", "odd"])
@pytest.mark.parametrize("stop_bits", [1, 2])
@pytest.mark.parametrize("inverted", [False, True], ids=["rests high", "rests low"])
def test_every_form_of_frame(data_bits: int, parity: str, stop_bits: int, inverted: bool) -> None:
    """Every combination of data bits, parity, stop bits and polarity is read."""
    signal = Signal(data_bits=data_bits, parity=parity, stop_bits=stop_bits, inverted=inverted)
    chosen = UartSettings(data_bits=data_bits, parity=parity, stop_bits=stop_bits, inverted=inverted)

    found, faults, report = decoded(bursts(signal, TEXT * 3).changes(), chosen)

    assert found == TEXT * 3
    assert not any(faults)
    assert report.is_trustworthy


@settings(max_examples=60, deadline=None)
@given(
    data=st.binary(min_size=1, max_size=60),
    gaps=st.sampled_from([0.0, 0.3, 1.0, 17.2]),
    block=st.integers(1, 40),
    error=st.floats(-0.035, 0.035),
)
def test_blocks_make_no_difference(data: bytes, gaps: float, block: int, error: float) -> None:
    """Any bytes come back, in whatever blocks the edges come, though the sender is off by up to 3.5 %."""
    signal = Signal(rate_error=error).rest(50).send(data, gap_bits=gaps)

    found, faults, _ = decoded(signal.changes(), UartSettings(baud=115200), block=block)

    assert found == data
    assert not any(faults)


@settings(max_examples=60, deadline=None)
@given(st.binary(min_size=30, max_size=90), st.floats(0.0, 0.2), st.integers(0, 99))
def test_against_another_reader(data: bytes, jitter: float, seed: int) -> None:
    """A reader that looks up each level at each centre, one by one, finds the same bytes at the same times."""
    signal = Signal(jitter_bits=jitter, seed=seed).rest(50).send(data).rest(13).send(data[::-1])
    decoder = UartDecoder(UartSettings(baud=115200), name="tx")
    times_s, levels = signal.changes()

    blocks = [decoder.feed(times_s, levels, until_s=float(times_s[-1])), decoder.finish()]

    assert [
        (at_s, value, not fault & (FRAMING | BREAK))
        for one in blocks
        for at_s, value, fault in zip(one.times_s, one.values, one.faults, strict=True)
    ] == read_slowly((times_s, levels), bit_s=1.0 / decoder.report.baud)


@pytest.mark.parametrize("error", [-0.039, -0.015, 0.015, 0.039])
@pytest.mark.parametrize("is_given", [True, False], ids=["given", "estimated"])
def test_clock_error_within_the_limit_of_the_trade(error: float, is_given: bool) -> None:
    """A sender that is off by up to 4 % (2 % at each end: common practice, no source) is read, with jitter, too."""
    signal = bursts(Signal(rate_error=error, jitter_bits=0.1), TEXT * 5)

    found, _, report = decoded(signal.changes(), UartSettings(baud=115200 if is_given else None))

    assert found == TEXT * 5
    assert report.baud / 115200 - 1.0 == pytest.approx(error, abs=0.002)
    if is_given:
        assert report.clock_error == pytest.approx(error, abs=0.002)
        assert any("clock is off by" in problem for problem in report.problems) == (abs(error) > 0.02)


def test_jitter_is_told() -> None:
    """Edges that are off evenly by up to 0.1 bit, and start edges too, give the jitter of their difference."""
    _, _, report = decoded(bursts(Signal(jitter_bits=0.1), TEXT * 40).changes())

    assert report.jitter_rms_bits == pytest.approx(0.1 * (2 / 3) ** 0.5, rel=0.1)  # two even spreads: a*sqrt(2/3)
    assert 0.1 < report.jitter_most_bits < 0.21


def test_long_line_after_the_rate_is_certain() -> None:
    """A capture of many blocks, with more edges than are held back for the rate, is read to its last byte."""
    data = random.Random(5).randbytes(12_000)

    found, faults, report = decoded(Signal().rest(40).send(data, gap_bits=0.5).changes(), block=3001)

    assert found == data
    assert not any(faults)
    assert report.frames == len(data)


def test_bytes_come_out_when_the_line_rests() -> None:
    """Once the rate is certain, a byte is given out when it is whole, not when the next one comes."""
    decoder = UartDecoder(UartSettings(), name="tx")
    signal = Signal().rest(40).send(random.Random(6).randbytes(6000))
    times_s, levels = signal.changes()
    decoder.feed(times_s, levels, until_s=float(times_s[-1]))
    signal.rest(40).send(b"A").rest(20)
    more = signal.changes()

    found = decoder.feed(more[0][times_s.size :], more[1][times_s.size :], until_s=signal.now_s)

    assert found.values.tobytes()[-1:] == b"A"
    assert decoder.horizon_s == signal.now_s


# ---- what is wrong on the line


def noisy(signal: Signal, pulses: Sequence[tuple[float, float]]) -> Changes:
    """The signal with pulses put in: when, for how long; the level turns over meanwhile."""
    times_s, levels = signal.changes()
    for at_s, length_s in pulses:
        index = int(np.searchsorted(times_s, at_s))
        before = levels[index - 1]
        assert index == times_s.size or times_s[index] > at_s + length_s, "a pulse lies between two edges"
        times_s = np.insert(times_s, index, [at_s, at_s + length_s])
        levels = np.insert(levels, index, [1 - before, before]).astype(np.int8)
    return times_s, levels


@pytest.mark.parametrize("share", [0.01, 0.1, 0.2])
def test_glitches_are_taken_out_and_counted(share: float) -> None:
    """Pulses much shorter than a bit, inside bytes and between them, change no byte and are counted."""
    signal = bursts(Signal(), TEXT * 20)
    times_s, _ = signal.changes()
    wide = np.flatnonzero(np.diff(times_s) > 0.9 * signal.bit_s)[5::97]
    pulses = [(times_s[index] + 0.4 * signal.bit_s, share * signal.bit_s) for index in wide]

    found, faults, report = decoded(noisy(signal, pulses))

    assert found == TEXT * 20
    assert not any(faults)
    assert report.glitches == len(pulses) > 5
    assert f"{len(pulses)} pulses too short for a bit" in "; ".join(report.problems)


def test_half_a_start_bit_begins_no_byte() -> None:
    """A pulse at rest that is over before the centre of a start bit is counted, and no byte."""
    signal = bursts(Signal(), TEXT * 5)

    found, _, report = decoded(noisy(signal, [(10 * signal.bit_s, 0.45 * signal.bit_s)]), UartSettings(baud=115200))

    assert found == TEXT * 5
    assert report.glitches == 1


def test_ringing_edge_counts_once() -> None:
    """An edge that bounces several times is one edge."""
    signal = Signal().rest(40).send(TEXT * 3)
    times_s, _ = signal.changes()
    bounced = [(float(times_s[9]) + off * signal.bit_s, 0.02 * signal.bit_s) for off in (0.03, 0.08, 0.13)]

    found, faults, report = decoded(noisy(signal, bounced))

    assert (found, sum(faults), report.glitches) == (TEXT * 3, 0, 6)


def test_bytes_without_stop_bit_are_marked() -> None:
    """A byte whose stop bit is low is marked and counted; those after it are right."""
    signal = Signal().rest(40).send(TEXT * 5).rest(20).send(b"U", stop_level=0, gap_bits=20).send(TEXT * 5)

    found, faults, report = decoded(signal.changes())

    assert found == TEXT * 5 + b"U" + TEXT * 5
    assert [index for index, fault in enumerate(faults) if fault == FRAMING] == [len(TEXT) * 5]
    assert report.framing_errors == 1


@pytest.mark.parametrize(("parity", "sent"), [("even", "odd"), ("odd", "even")])
def test_wrong_parity_is_marked(parity: str, sent: str) -> None:
    """A byte with the other parity is marked and counted."""
    signal = Signal(parity=parity).rest(40).send(TEXT * 5)
    signal.parity = sent
    signal.send(b"x")
    signal.parity = parity

    found, faults, report = decoded(signal.send(TEXT * 5).changes(), UartSettings(parity=parity))

    assert found == TEXT * 5 + b"x" + TEXT * 5
    assert [index for index, fault in enumerate(faults) if fault == PARITY] == [len(TEXT) * 5]
    assert report.parity_errors == 1


def test_break_is_no_byte_zero() -> None:
    """A line that is held low is marked as a break, once, and counted."""
    signal = Signal().rest(40).send(TEXT * 5).rest(20).drive(0, bits=45).rest(20)
    signal.drive(1, bits=20).send(b"\0" + TEXT * 5)

    found, faults, report = decoded(signal.changes())

    assert found == TEXT * 5 + b"\0\0" + TEXT * 5
    assert [index for index, fault in enumerate(faults) if fault == BREAK] == [len(TEXT) * 5]
    assert report.breaks == 1


def test_unknown_level_is_marked() -> None:
    """A byte in which the level is unknown for a moment is marked, wherever the blocks end."""
    signal = Signal().rest(40).send(TEXT * 5)
    times_s, levels = signal.changes()
    at = 301
    middle_s = 0.5 * (times_s[at - 1] + times_s[at])
    times_s, levels = np.insert(times_s, at, middle_s), np.insert(levels, at, -1).astype(np.int8)

    for block in (1 << 30, 7, 1):
        found, faults, report = decoded((times_s, levels), block=block)

        assert found == TEXT * 5
        assert [fault for fault in faults if fault] == [UNKNOWN_LEVEL]
        assert report.unknown_levels == 1


def rough(seed: int) -> Changes:
    """A line with everything that can go wrong on it, behind some good text."""
    chance = random.Random(seed)
    signal = Signal(jitter_bits=0.1, seed=seed).rest(40).send(TEXT * 3)
    for _ in range(60):
        what = chance.randrange(5)
        if what == 0:
            signal.send(chance.randbytes(3), stop_level=0, gap_bits=chance.choice([1.0, 3.0, 12.0]))
        elif what == 1:
            signal.drive(0, bits=chance.uniform(10.0, 40.0)).drive(1, bits=chance.uniform(1.0, 20.0))
        elif what == 2:
            signal.drive(0, bits=chance.uniform(0.05, 0.45)).drive(1, bits=chance.uniform(0.1, 2.0))
        else:
            signal.send(chance.randbytes(4), gap_bits=chance.choice([0.0, 0.5]))
    return signal.changes()


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("block", [1, 2, 7, 64])
def test_blocks_make_no_difference_on_a_rough_line(seed: int, block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bad stop bits, breaks and glitches give the same bytes, faults and counts, wherever the blocks end."""
    changes = rough(seed)
    monkeypatch.setattr(uart_edges, "_HELD_EDGES", 300)
    times_s, levels = changes
    first, rest = slice(0, 300), slice(300, None)
    found: list[list[tuple[float, int, int]]] = []
    reports: list[UartReport] = []
    for size in (block, times_s.size):
        decoder = UartDecoder(UartSettings(), name="tx")
        parts = [decoder.feed(times_s[first], levels[first], until_s=float(times_s[299]))]
        later = times_s[rest], levels[rest]
        for at in range(0, later[0].size, size):
            piece = slice(at, at + size)
            parts.append(decoder.feed(later[0][piece], later[1][piece], until_s=float(later[0][piece][-1])))
        parts.append(decoder.finish())
        found.append([row for part in parts for row in zip(part.times_s, part.values, part.faults, strict=True)])
        reports.append(decoder.report)

    assert found[0] == found[1]
    assert replace(reports[0], jitter_rms_bits=0.0) == replace(reports[1], jitter_rms_bits=0.0)
    assert reports[0].jitter_rms_bits == pytest.approx(reports[1].jitter_rms_bits, rel=1e-9)
    assert reports[0].framing_errors > 3


# ---- where a capture begins and ends


@pytest.mark.parametrize("first", range(1, 60, 3))
def test_capture_begins_inside_a_byte(first: int) -> None:
    """Begun anywhere in a stream without pauses, bytes are right from the next start bit on, and doubt is told."""
    times_s, levels = Signal().rest(40).send(TEXT * 20).changes()

    found, _, report = decoded((times_s[first:], levels[first:]))

    assert (TEXT * 20).endswith(found)
    assert len(found) >= len(TEXT) * 20 - first / 4 - 3
    assert report.may_begin_inside
    assert "it may begin inside a byte" in report.problems


def test_capture_begins_inside_the_last_byte_of_a_burst() -> None:
    """What is left of a byte before the first rest makes no byte: its edges are counted as skipped."""
    signal = Signal().rest(40).send(b"\x55").rest(40).send(TEXT * 3)
    times_s, levels = signal.changes()

    found, _, report = decoded((times_s[7:], levels[7:]))

    assert found == TEXT * 3
    assert report.skipped_edges == 2
    assert not report.may_begin_inside


def test_capture_begins_with_the_start_bit() -> None:
    """A capture that a first edge set off, a moment before it, loses no byte."""
    signal = Signal().rest(0.5).send(TEXT * 3).rest(40).send(TEXT)

    found, _, report = decoded(signal.changes())

    assert found == TEXT * 4
    assert report.may_begin_inside


def test_line_without_power_at_first() -> None:
    """A board that is switched on later holds its line low until then: no byte comes of that."""
    signal = Signal()
    signal.edges.clear()
    signal.edges.append((0.0, 0))
    signal.now_s = 0.5
    signal.edges.append((0.5, 1))

    found, faults, report = decoded(bursts(signal, TEXT * 3).changes())

    assert (found, sum(faults), report.skipped_edges) == (TEXT * 3, 0, 0)


def test_last_byte_is_whole_though_nothing_follows() -> None:
    """Behind the last edge the line is taken to stay: bytes that end in ones are not lost."""
    signal = Signal().rest(40).send(TEXT * 2 + b"\xff")

    assert decoded(signal.changes())[0] == TEXT * 2 + b"\xff"


def test_byte_cut_by_the_end() -> None:
    """A byte that had begun and is low at the end of the capture is counted, not guessed."""
    signal = Signal().rest(40).send(TEXT * 2).rest(20).drive(0, bits=3)

    found, _, report = decoded(signal.changes(), until_s=signal.now_s)

    assert found == TEXT * 2
    assert report.cut_bytes == 1


def test_line_on_which_nothing_happens() -> None:
    """No edge, no byte, and no error."""
    found, _, report = decoded((np.array([0.0]), np.array([1], np.int8)))

    assert (found, report.frames) == (b"", 0)


# ---- rates that are wrong


@pytest.mark.parametrize("baud", [9600, 38400, 57600, 76800, 100000, 109000, 122000, 128000, 230400, 345600, 1e6])
@pytest.mark.parametrize("gap_bits", [0.0, 3.7])
def test_wrong_rate_is_an_error_that_names_the_right_one(baud: float, gap_bits: float) -> None:
    """A rate that is off by more than 4 % gives no text, but the rate that its edges have."""
    signal = Signal().rest(40).send(TEXT * 10, gap_bits=gap_bits)

    with pytest.raises(ConfigError, match=r"signal tx: at \d+ baud, 8N1.*its edges fit 115200 baud; read it with that"):
        decoded(signal.changes(), UartSettings(baud=baud))


@pytest.mark.parametrize("sent", BAUDS)
@pytest.mark.parametrize("given_", BAUDS)
def test_no_rate_passes_for_another(sent: float, given_: float) -> None:
    """Whatever the pair of customary rates: either it is the right one, or an error names the right one."""
    changes = bursts(Signal(baud=sent), TEXT * 4).changes()
    if sent == given_:
        assert decoded(changes, UartSettings(baud=given_))[0] == TEXT * 4
        return

    with pytest.raises(ConfigError, match=f"its edges fit {sent:.0f} baud"):
        decoded(changes, UartSettings(baud=given_))


@pytest.mark.parametrize("data", [b"U", b"UUUU", b"\xff", b"\0", b"\xfe" * 9], ids=str)
def test_unclear_rate_is_an_error(data: bytes) -> None:
    """Where several rates fit as well, none is guessed; with the rate given, the bytes are there."""
    changes = Signal().rest(40).send(data).changes()

    with pytest.raises(ConfigError, match=r"its edges fit \d+ or .*and nothing tells which; give the baud rate"):
        decoded(changes)

    assert decoded(changes, UartSettings(baud=115200))[0] == data


@pytest.mark.parametrize("is_inverted", [True, False])
@pytest.mark.parametrize("baud", [115200, None])
@pytest.mark.parametrize("size", [3, 40, 4000], ids=["short bursts", "long bursts", "one burst"])
def test_inverted_line_is_no_text(is_inverted: bool, baud: float | None, size: int) -> None:
    """A line that rests at the other level than was said is an error that says so."""
    changes = bursts(Signal(inverted=is_inverted), TEXT * 20, size=size).changes()

    with pytest.raises(ConfigError, match="rests at the level of a start bit: is it inverted"):
        decoded(changes, UartSettings(baud=baud, inverted=not is_inverted))


@pytest.mark.parametrize("baud", [115200, None])
def test_noise_is_no_text(baud: float | None) -> None:
    """Edges that stand anywhere are an error, not bytes."""
    times_s = np.cumsum(np.random.default_rng(3).exponential(1e-5, 4000))
    levels = (np.arange(4000) % 2).astype(np.int8)

    with pytest.raises(ConfigError, match=r"no baud rate makes|no other rate fits either|its edges fit"):
        decoded((times_s, levels), UartSettings(baud=baud))


def test_lost_rate_in_the_middle_is_told() -> None:
    """When the sender changes its rate later, the bytes are marked, and the line is not to be believed."""
    signal = Signal().rest(40).send(TEXT * 300)
    signal.baud = 38400
    signal.rest(40).send(TEXT * 300)

    _, _, report = decoded(signal.changes())

    assert not report.is_trustworthy
    assert report.framing_errors > 1000


@pytest.mark.parametrize(
    ("values", "words"),
    [
        pytest.param({"data_bits": 9}, "data bits 9; accepted: 7, 8", id="data"),
        pytest.param({"parity": "mark"}, "parity 'mark'; accepted: none, even, odd", id="parity"),
        pytest.param({"stop_bits": 0}, "stop bits 0; accepted: 1, 2", id="stop"),
        pytest.param({"baud": 0.0}, "baud 0.0; accepted: 1 to 1e9", id="baud"),
        pytest.param({"baud": float("nan")}, "baud nan; accepted", id="no number"),
    ],
)
def test_settings_refused(values: dict[str, float | str], words: str) -> None:
    """A setting that no such line has is refused with what is accepted."""
    with pytest.raises(ConfigError, match=words):
        UartSettings(**values)  # type: ignore[arg-type]  # that is what is tried
