"""Both directions of the modem UART on real pseudo terminals: what was handed over and what the modem answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board import modem_dialogue
from benchrig.board.modem_dialogue import ModemReply, Piece, dialogue
from benchrig.board.modem_tap import ModemTap, TapLine
from benchrig.clock import ScaledClock
from benchrig.errors import PortError
from benchrig.protocol.at_events import Garbage, HandOver, Overflow, Side
from benchrig.protocol.at_rules import AtRules, Outcome
from benchrig.wires.tty_counters import TtyCounters

from .far_end import FarEnd, until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.wires.serial_port import SerialPort

RULES = AtRules(hand_over=r"AT\+BUF=(?P<port>\d+),(?P<payload>(?:[0-9A-F]{2})*)")


@pytest.fixture
def modem_end() -> Iterator[FarEnd]:
    """A second terminal, for what the modem says."""
    made = FarEnd()
    yield made
    made.close()


@pytest.fixture
def port(modem_end: FarEnd) -> SerialPort:
    """The port that listens to the modem."""
    return modem_end.open()


@pytest.fixture
def clock() -> ScaledClock:
    """The clock of both listeners."""
    return ScaledClock(1.0)


@pytest.fixture
def reply(port: SerialPort, clock: ScaledClock) -> Iterator[ModemReply]:
    """Listens to the modem."""
    made = ModemReply(port, clock)
    yield made
    made.close()


def heard(reply: ModemReply) -> bytes:
    """All that came of the modem."""
    return b"".join(piece.data for piece in reply.pieces_since(0.0))


def test_both_directions_make_one_dialogue(
    far_end: FarEnd, modem_end: FarEnd, reply: ModemReply, clock: ScaledClock
) -> None:
    """What went over two terminals comes out as frames with their answers, numbers that end in CR alone among them."""
    tap = ModemTap(far_end.open(), clock)
    for frame, answer in ((b"E20D", b"\r\nERROR\r\n"), (b"E20D", b"0\r"), (b"11", b"7\r")):
        told, answered = len(tap.lines_since(0)), len(heard(reply))
        far_end.say(b"AT+BUF=2," + frame + b"\r\n")
        until(lambda told=told: len(tap.lines_since(0)) > told, "the command was heard")  # type: ignore[misc]
        modem_end.say(answer)
        until(lambda answered=answered: len(heard(reply)) > answered, "the answer was heard")  # type: ignore[misc]

    _, handed = dialogue(tap.lines_since(0), reply.pieces_since(0.0), rules=RULES, end_s=clock.now_s() + 1.0)
    tap.close()

    assert [(one.payload, one.outcome, one.answer, one.attempt) for one in handed] == [
        (b"\xe2\x0d", Outcome.REFUSED, "ERROR", 1),
        (b"\xe2\x0d", Outcome.ACCEPTED, "0", 2),
        (b"\x11", Outcome.BUSY, "7", 1),
    ]


def test_released_listener_keeps_what_it_heard_and_listens_again(modem_end: FarEnd, reply: ModemReply) -> None:
    """What was heard outlives the release; after reopening more is heard behind it."""
    modem_end.say(b"OK\r\n")
    until(lambda: heard(reply) == b"OK\r\n", "the first answer was heard")

    reply.release()
    reply.reopen()
    modem_end.say(b"ERROR\r\n")

    until(lambda: heard(reply) == b"OK\r\nERROR\r\n", "the second answer was heard")
    reply.release()
    reply.close()
    assert heard(reply) == b"OK\r\nERROR\r\n"


def test_vanished_port_is_charged_to_the_bench(modem_end: FarEnd, reply: ModemReply) -> None:
    """A port that vanished says so when it is asked for what came."""
    modem_end.vanish()

    until(lambda: reply._failure is not None, "the listener noticed")
    with pytest.raises(PortError, match="check cable and adapter"):
        reply.pieces_since(0.0)


def test_too_much_is_told(modem_end: FarEnd, reply: ModemReply, monkeypatch: pytest.MonkeyPatch) -> None:
    """When old bytes had to go, the count says how many."""
    monkeypatch.setattr(modem_dialogue, "_KEPT_BYTES", 4)
    modem_end.say(b"OK\r\n")
    until(lambda: heard(reply) == b"OK\r\n", "the first answer was heard")
    modem_end.say(b"1\r")

    until(lambda: heard(reply) == b"1\r", "the older one went")

    assert reply.lost_bytes == 4


def test_overrun_of_the_port_is_told(modem_end: FarEnd, port: SerialPort, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes that the port itself lost are counted, and mark the piece that came behind them."""
    counted = TtyCounters(0, 0, 0, 0, 0)
    monkeypatch.setattr(port, "counters", lambda: counted)
    reply = ModemReply(port, ScaledClock(1.0))
    modem_end.say(b"O")
    until(lambda: heard(reply) == b"O", "the first byte was heard")
    counted = TtyCounters(9, 0, 0, 0, 3)
    modem_end.say(b"K\r\n")
    until(lambda: heard(reply) == b"OK\r\n", "the rest was heard")

    assert [piece.lost for piece in reply.pieces_since(0.0)] == [False, True]
    assert reply.lost_bytes == 3
    reply.close()


def test_overrun_of_the_tap_is_told(far_end: FarEnd, monkeypatch: pytest.MonkeyPatch) -> None:
    """The host's tap tells what its port lost, also after its release, and None where nobody counts."""
    port = far_end.open()
    tap = ModemTap(port, ScaledClock(1.0))
    assert tap.overruns is None
    tap.close()

    counted = TtyCounters(0, 0, 0, 0, 5)
    monkeypatch.setattr(port, "counters", lambda: counted if port.is_open else None)
    port.reopen()
    tap = ModemTap(port, ScaledClock(1.0))
    counted = TtyCounters(0, 0, 0, 0, 7)
    tap.release()

    assert tap.overruns == 2


def line(text: str, at_s: float, *, damaged: bool = False) -> TapLine:
    """A line of the host."""
    return TapLine(text, at_s, at_s, damaged)


def test_lost_bytes_make_the_outcome_unknown() -> None:
    """A frame whose answer may have been lost is unknown, not unanswered."""
    pieces = [Piece(b"K\r\n", 0.2, lost=True)]

    events, (handed,) = dialogue([line("AT+BUF=2,AA", 0.1)], pieces, rules=RULES, end_s=20.0)

    assert handed.outcome is Outcome.UNKNOWN
    assert Overflow(Side.MODEM, 0.2, None) in events


def test_damaged_line_hands_nothing_over() -> None:
    """A line of the host that came damaged is garbage, though it reads as a frame."""
    events, handed = dialogue([line("AT+BUF=2,AA", 0.1, damaged=True)], [], rules=RULES, end_s=1.0)

    assert handed == ()
    assert [type(event) for event in events] == [Garbage]


def test_frame_that_is_answered_late_in_the_same_moment() -> None:
    """With equal stamps the command comes before its answer."""
    _, handed = dialogue([line("AT+BUF=2,AA", 0.1)], [Piece(b"OK\r\n", 0.1, lost=False)], rules=RULES, end_s=1.0)

    assert [(type(one), one.outcome) for one in handed] == [(HandOver, Outcome.ACCEPTED)]


def test_answer_read_just_before_its_command_is_one_to_it() -> None:
    """Two adapters are not read in one breath: with a tolerance both answers find their commands, without it none."""
    lines, pieces = [line("AT+BUF=2,AA", 0.110), line("AT+TX", 0.112)], [Piece(b"OK\r\nOK\r\n", 0.1, lost=False)]

    (strict,) = dialogue(lines, pieces, rules=RULES, end_s=1.0)[1]
    (handed,) = dialogue(lines, pieces, rules=RULES, end_s=1.0, late_s=0.02)[1]

    assert (strict.outcome, handed.outcome) == (Outcome.OPEN, Outcome.ACCEPTED)
