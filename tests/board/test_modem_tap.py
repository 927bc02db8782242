"""The passive tap on a real pseudo terminal: lines, times, marks, and that it never speaks."""

from __future__ import annotations

import re
import select
import threading
from typing import TYPE_CHECKING

import pytest

from benchrig.board.modem_tap import ModemTap
from benchrig.clock import ScaledClock
from benchrig.errors import BoardTimeout, PortError

from .far_end import FarEnd, until
from .hay_barn_console import LONG_S, SHORT_S

if TYPE_CHECKING:
    from collections.abc import Iterator

BUFFER = re.compile(r"AT\+BUF=(?P<port>\d+),(?P<payload>(?:[0-9A-F]{2})*)")


@pytest.fixture
def clock() -> ScaledClock:
    """A clock that runs faster than life, so that bench and wall time cannot be mixed up."""
    return ScaledClock(20.0)


@pytest.fixture
def tap(far_end: FarEnd, clock: ScaledClock) -> Iterator[ModemTap]:
    """A tap on the terminal."""
    made = ModemTap(far_end.open(), clock)
    yield made
    made.close()


def test_tap_hears_lines_with_bench_times(far_end: FarEnd, tap: ModemTap, clock: ScaledClock) -> None:
    """Every line is heard once, in order, with the bench time of its arrival."""
    before_s = clock.now_s()
    far_end.say(b"AT+BUF=2,E20D1A\r\nAT+TX\r\n")

    tap.wait_for(re.compile(r"AT\+TX"), 0, LONG_S)
    heard = tap.lines_since(0)

    assert [line.text for line in heard] == ["AT+BUF=2,E20D1A", "AT+TX"]
    assert before_s < heard[0].began_s <= heard[0].ended_s <= heard[1].ended_s < clock.now_s()


def test_wait_takes_only_what_is_behind_the_mark(far_end: FarEnd, tap: ModemTap) -> None:
    """An older line never passes for the one that the stimulus brings."""
    far_end.say(b"AT+BUF=2,1111\r\n")
    tap.wait_for(BUFFER, 0, LONG_S)
    mark = tap.mark()
    far_end.say(b"AT+BUF=2,2222\r\n")

    line = tap.wait_for(BUFFER, mark, LONG_S)

    assert line.text == "AT+BUF=2,2222"
    assert [later.text for later in tap.lines_since(mark)] == ["AT+BUF=2,2222"]


def test_wait_finds_what_came_already(far_end: FarEnd, tap: ModemTap) -> None:
    """A line that came before the wait began, but behind the mark, is found."""
    mark = tap.mark()
    far_end.say(b"AT+BUF=2,AB\r\nAT+TX\r\n")
    until(lambda: len(tap.lines_since(mark)) == 2, "both lines were heard")

    assert tap.wait_for(BUFFER, mark, SHORT_S).text == "AT+BUF=2,AB"


def test_wait_sees_a_line_that_comes_while_waiting(far_end: FarEnd, tap: ModemTap) -> None:
    """A line that comes later, behind others, ends the wait."""
    speaker = threading.Timer(0.05, far_end.say, [b"+RSSI\r\nAT+BUF=2,AB\r\n"])
    speaker.start()

    assert tap.wait_for(BUFFER, 0, LONG_S).text == "AT+BUF=2,AB"
    speaker.join()


@pytest.mark.parametrize(
    "said",
    [
        pytest.param(b"AT+BUF=2,E20D1A", id="no end"),
        pytest.param(b"AT+BUF=2,E20D1\r\n", id="a digit short"),
        pytest.param(b"xAT+BUF=2,E20D1A\r\n", id="something before"),
        pytest.param(b"AT+BUF=2,E20D1A\x00\r\n", id="a byte of no text"),
        pytest.param(b"AT+BUF=2," + b"AB" * 400 + b"\r\n", id="overlong"),
    ],
)
def test_wait_takes_whole_undamaged_lines_only(far_end: FarEnd, tap: ModemTap, said: bytes) -> None:
    """Half, damaged or merely similar lines do not match; the message shows pattern and what was heard."""
    far_end.say(said)

    with pytest.raises(BoardTimeout, match=r"no line matching 'AT.*within 0.\d+ s; last lines heard: .*check"):
        tap.wait_for(BUFFER, 0, SHORT_S)


def test_wait_takes_no_damaged_line_for_any_pattern(far_end: FarEnd, tap: ModemTap) -> None:
    """A damaged line does not end a wait, however loose the pattern is."""
    far_end.say(b"AT+\xff\r\nAT+TX\r\n")

    assert tap.wait_for(re.compile("AT.*"), 0, LONG_S).text == "AT+TX"


def test_damaged_lines_are_heard_and_marked(far_end: FarEnd, tap: ModemTap) -> None:
    """Bytes that are no text stay visible, and the line says that it is damaged."""
    far_end.say(b"AT+\xff\r\nAT+TX\r\n")
    tap.wait_for(re.compile(r"AT\+TX"), 0, LONG_S)

    assert [(line.text, line.damaged) for line in tap.lines_since(0)] == [(r"AT+\xff", True), ("AT+TX", False)]


def test_tap_never_writes(far_end: FarEnd, tap: ModemTap) -> None:
    """Nothing that is done with a tap puts a byte on the line."""
    far_end.say(b"AT+TX\r\n")
    tap.wait_for(re.compile(r"AT\+TX"), 0, LONG_S)
    tap.mark()
    with pytest.raises(BoardTimeout, match="no line matching"):
        tap.wait_for(BUFFER, 0, SHORT_S)
    tap.release()
    tap.reopen()

    written, _, _ = select.select([far_end.descriptor], [], [], 0.0)

    assert written == []


def test_released_tap_keeps_its_lines_and_listens_again(far_end: FarEnd, tap: ModemTap) -> None:
    """What was heard outlives the release, and after reopening more is heard behind it."""
    far_end.say(b"first\n")
    tap.wait_for(re.compile("first"), 0, LONG_S)

    tap.release()
    kept = tap.lines_since(0)
    far_end.open().close()
    tap.reopen()
    far_end.say(b"second\n")
    tap.wait_for(re.compile("second"), len(kept), LONG_S)

    assert [line.text for line in kept] == ["first"]
    assert [line.text for line in tap.lines_since(0)] == ["first", "second"]


def test_release_keeps_what_nobody_asked_for_yet(far_end: FarEnd, tap: ModemTap) -> None:
    """Lines that came before the release and were not yet taken are heard all the same."""
    far_end.say(b"AT+TX\r\n")
    until(lambda: bool(tap._reader._lines), "the line was read")

    tap.release()

    assert [line.text for line in tap.lines_since(0)] == ["AT+TX"]


def test_vanished_tap_is_charged_to_the_bench(far_end: FarEnd, tap: ModemTap) -> None:
    """A tap whose port vanished says so, whatever is asked of it."""
    far_end.vanish()

    with pytest.raises(PortError, match="check cable and adapter"):
        tap.wait_for(BUFFER, 0, LONG_S)
    with pytest.raises(PortError, match="check cable and adapter"):
        tap.mark()


def test_overflow_is_told(far_end: FarEnd, tap: ModemTap, monkeypatch: pytest.MonkeyPatch) -> None:
    """When lines had to be thrown away, the tap says how many."""
    monkeypatch.setattr("benchrig.wires.line_reader._KEPT_LINES", 1)
    far_end.say(b"1\n2\n3\n")

    until(lambda: tap.lost_lines == 2, "two lines were thrown away")

    assert [line.text for line in tap.lines_since(0)] == ["3"]
