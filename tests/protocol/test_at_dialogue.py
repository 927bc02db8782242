"""The AT dialogue: every quirk of host and modem as bytes with stamps, and the same result in any pieces."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.protocol.at_dialogue import AtDialogue
from benchrig.protocol.at_events import (
    Echo,
    Event,
    Garbage,
    HalfLine,
    HandOver,
    Information,
    Overflow,
    Result,
    Sent,
    Side,
    Stray,
    Unanswered,
    Unsolicited,
)
from benchrig.protocol.at_rules import AtRules, Outcome

HAND_OVER = r"AT\+BUF=(?P<port>\d+),(?P<payload>(?:[0-9A-Fa-f]{2})+)"
RULES = AtRules(
    accepted=(r"\+DONE",),
    refused=(r"\+ERR\(-?\d+\)",),
    busy=(r"AT_BUSY_ERROR",),
    unsolicited={"joined": r"\+JOINED.*", "received": r"\+RX:.*"},
    hand_over=HAND_OVER,
)
BYTE_S = 10 / 115200


@dataclass(frozen=True)
class Said:
    """Bytes of one side, the first at a time, the others one by one behind it."""

    side: Side
    data: bytes
    at_s: float

    @property
    def stamps(self) -> list[float]:
        return [self.at_s + index * BYTE_S for index in range(len(self.data))]


def host(data: bytes, at_s: float = 0.0) -> Said:
    return Said(Side.HOST, data, at_s)


def modem(data: bytes, at_s: float = 0.1) -> Said:
    return Said(Side.MODEM, data, at_s)


def in_order(said: tuple[Said, ...]) -> list[tuple[float, Side, int]]:
    """Every byte with its stamp, both sides mixed as they were on the wires."""
    return sorted(
        ((stamp, one.side, byte) for one in said for stamp, byte in zip(one.stamps, one.data, strict=True)),
        key=lambda one: one[0],
    )


def heard(*said: Said, rules: AtRules = RULES, end_s: float = 1.0) -> tuple[list[Event], tuple[HandOver, ...]]:
    """All events of a transcript, fed byte by byte, and the payloads handed over."""
    dialogue = AtDialogue(rules)
    events: list[Event] = []
    for stamp, side, byte in in_order(said):
        events += dialogue.feed(side, bytes([byte]), stamp)
    events += dialogue.finish(end_s)
    return events, dialogue.hand_overs


SHOWN: dict[type[Event], tuple[str, tuple[str, ...]]] = {
    Sent: ("sent", ("text", "attempt", "lost_first")),
    Echo: ("echo", ("text", "lost_first")),
    Result: ("result", ("text", "outcome", "command")),
    Information: ("information", ("text", "command")),
    Unsolicited: ("unsolicited", ("name", "text")),
    Stray: ("stray", ("text", "outcome")),
    Unanswered: ("unanswered", ("command", "outcome", "why")),
    Garbage: ("Garbage", ("side", "raw", "why")),
    HalfLine: ("HalfLine", ("side", "raw", "why")),
    Overflow: ("overflow", ("side", "lost")),
}


def short(events: list[Event]) -> list[tuple[object, ...]]:
    """What happened, without stamps: type, text, and what makes it special."""
    shown = [(event, *SHOWN[type(event)]) for event in events]
    return [(word, *(getattr(event, name) for name in names)) for event, word, names in shown]


OK, NO, BUSY = Outcome.ACCEPTED, Outcome.REFUSED, Outcome.BUSY

# The transcripts: V.250 from memory, 5.2 commands and echo, 5.7.1 forms of results, Table 1 their words and numbers.
CORPUS: list[tuple[str, tuple[Said, ...], list[tuple[object, ...]]]] = [
    (
        "verbose result",
        (host(b"AT\r"), modem(b"\r\nOK\r\n")),
        [("sent", "AT", 1, False), ("result", "OK", OK, "AT")],
    ),
    (
        "lower case, LF behind CR",
        (host(b"at+tx\r\n"), modem(b"\r\nOK\r\n")),
        [("sent", "at+tx", 1, False), ("result", "OK", OK, "at+tx")],
    ),
    (
        "echo before the result",
        (host(b"AT+TX\r"), modem(b"AT+TX\r\r\nERROR\r\n")),
        [("sent", "AT+TX", 1, False), ("echo", "AT+TX", False), ("result", "ERROR", NO, "AT+TX")],
    ),
    (
        "echo ahead of the command, read from two ports",
        (host(b"AT+TX\r", 0.0005), modem(b"AT+TX\r", 0.00045), modem(b"\r\nOK\r\n")),
        [("echo", "AT+TX", False), ("sent", "AT+TX", 1, False), ("result", "OK", OK, "AT+TX")],
    ),
    (
        "information before the result",
        (host(b"AT+VER?\r"), modem(b"\r\n+VER: 1.0\r\n\r\nOK\r\n")),
        [
            ("sent", "AT+VER?", 1, False),
            ("information", "+VER: 1.0", "AT+VER?"),
            ("result", "OK", OK, "AT+VER?"),
        ],
    ),
    (
        "a number as result ends in CR alone",
        (host(b"AT+TX\r"), modem(b"0\r"), host(b"AT+X\r", 0.2), modem(b"4\r", 0.3)),
        [
            ("sent", "AT+TX", 1, False),
            ("result", "0", OK, "AT+TX"),
            ("sent", "AT+X", 1, False),
            ("result", "4", NO, "AT+X"),
        ],
    ),
    (
        "a number as information ends in CR LF",
        (host(b"ATS0?\r"), modem(b"\r\n7\r\n\r\nOK\r\n")),
        [("sent", "ATS0?", 1, False), ("information", "7", "ATS0?"), ("result", "OK", OK, "ATS0?")],
    ),
    (
        "information and result without verbose text",
        (host(b"ATS0?\r"), modem(b"7\r\n0\r")),
        [("sent", "ATS0?", 1, False), ("information", "7", "ATS0?"), ("result", "0", OK, "ATS0?")],
    ),
    (
        "numbers for busy, no carrier and ring, and one that is none",
        (host(b"ATD\r"), modem(b"2\r7\r"), host(b"ATD1\r", 0.2), modem(b"3\r", 0.3), host(b"AT\r", 0.4),
         modem(b"5\r\n", 0.5), modem(b"0\r", 0.6)),
        [
            ("sent", "ATD", 1, False),
            ("unsolicited", "ring", "2"),
            ("result", "7", BUSY, "ATD"),
            ("sent", "ATD1", 1, False),
            ("result", "3", NO, "ATD1"),
            ("sent", "AT", 1, False),
            ("information", "5", "AT"),
            ("result", "0", OK, "AT"),
        ],
    ),
    (
        "the host answers a number at once",
        (host(b"AT+TX\r"), modem(b"0\r", 0.1), host(b"AT+TX\r", 0.101), modem(b"0\r", 0.2)),
        [
            ("sent", "AT+TX", 1, False),
            ("result", "0", OK, "AT+TX"),
            ("sent", "AT+TX", 1, False),
            ("result", "0", OK, "AT+TX"),
        ],
    ),
    (
        "extended error, connect with text",
        (host(b"AT+A\r"), modem(b"\r\n+CME ERROR: 3\r\n"), host(b"AT+B\r", 0.2), modem(b"\r\nCONNECT 9600\r\n", 0.3)),
        [
            ("sent", "AT+A", 1, False),
            ("result", "+CME ERROR: 3", NO, "AT+A"),
            ("sent", "AT+B", 1, False),
            ("result", "CONNECT 9600", OK, "AT+B"),
        ],
    ),
    (
        "patterns of the profile",
        (host(b"AT+A\r"), modem(b"AT_BUSY_ERROR\r\n"), host(b"AT+A\r", 0.2), modem(b"+ERR(-3)\r\n", 0.3),
         host(b"AT+A\r", 0.4), modem(b"+DONE\r\n", 0.5)),
        [
            ("sent", "AT+A", 1, False),
            ("result", "AT_BUSY_ERROR", BUSY, "AT+A"),
            ("sent", "AT+A", 2, False),
            ("result", "+ERR(-3)", NO, "AT+A"),
            ("sent", "AT+A", 3, False),
            ("result", "+DONE", OK, "AT+A"),
        ],
    ),
    (
        "unsolicited between command and result, and while nothing is open",
        (modem(b"\r\n+JOINED: 1\r\n", 0.0), host(b"AT+TX\r", 0.1), modem(b"\r\n+RX: 3\r\n\r\nOK\r\n", 0.2),
         modem(b"\r\nRING\r\n", 0.3)),
        [
            ("unsolicited", "joined", "+JOINED: 1"),
            ("sent", "AT+TX", 1, False),
            ("unsolicited", "received", "+RX: 3"),
            ("result", "OK", OK, "AT+TX"),
            ("unsolicited", "ring", "RING"),
        ],
    ),
    (
        "the modem slept through the first character, and the host repeats",
        (host(b"AT+TX\r"), modem(b"T+TX\r\r\nERROR\r\n"), host(b"AT+TX\r", 0.2), modem(b"AT+TX\r\r\nOK\r\n", 0.3)),
        [
            ("sent", "AT+TX", 1, False),
            ("echo", "T+TX", True),
            ("result", "ERROR", NO, "AT+TX"),
            ("sent", "AT+TX", 2, False),
            ("echo", "AT+TX", False),
            ("result", "OK", OK, "AT+TX"),
        ],
    ),
    (
        "the host lost its first character, and repeats",
        (host(b"T+TX\r"), modem(b"\r\nERROR\r\n"), host(b"AT+TX\r", 0.2), modem(b"\r\nOK\r\n", 0.3)),
        [
            ("sent", "AT+TX", 1, True),
            ("result", "ERROR", NO, "AT+TX"),
            ("sent", "AT+TX", 2, False),
            ("result", "OK", OK, "AT+TX"),
        ],
    ),
    (
        "one character short of the command before",
        (host(b"ATZ\r"), modem(b"\r\nOK\r\n"), host(b"TZ\r", 0.2), modem(b"\r\nERROR\r\n", 0.3)),
        [
            ("sent", "ATZ", 1, False),
            ("result", "OK", OK, "ATZ"),
            ("sent", "ATZ", 1, True),
            ("result", "ERROR", NO, "ATZ"),
        ],
    ),
    (
        "A/ repeats, without CR",
        (host(b"AT+TX\r"), modem(b"\r\nERROR\r\n"), host(b"A/", 0.2), modem(b"\r\nOK\r\n", 0.3)),
        [
            ("sent", "AT+TX", 1, False),
            ("result", "ERROR", NO, "AT+TX"),
            ("sent", "AT+TX", 2, False),
            ("result", "OK", OK, "AT+TX"),
        ],
    ),
    (
        "backspace takes back a character",
        (host(b"AT+TY\x08X\r"), modem(b"\r\nOK\r\n")),
        [("sent", "AT+TX", 1, False), ("result", "OK", OK, "AT+TX")],
    ),
    (
        "noise before a command, as of a pin that wakes",
        (host(b"\x00\xffAT\r"), modem(b"\r\nOK\r\n")),
        [
            ("Garbage", Side.HOST, b"\x00\xff", "before a command"),
            ("sent", "AT", 1, False),
            ("result", "OK", OK, "AT"),
        ],
    ),
    (
        "sent again without an answer",
        (host(b"AT+TX\r"), host(b"AT+TX\r", 0.2), modem(b"\r\nOK\r\n", 0.3)),
        [
            ("sent", "AT+TX", 1, False),
            ("unanswered", "AT+TX", Outcome.UNANSWERED, "it was sent again before an answer"),
            ("sent", "AT+TX", 2, False),
            ("result", "OK", OK, "AT+TX"),
        ],
    ),
    (
        "two commands at once: results belong to the oldest",
        (host(b"AT+A\r\nAT+B\r\n"), modem(b"\r\nOK\r\n\r\nERROR\r\n")),
        [
            ("sent", "AT+A", 1, False),
            ("sent", "AT+B", 1, False),
            ("result", "OK", OK, "AT+A"),
            ("result", "ERROR", NO, "AT+B"),
        ],
    ),
    (
        "the echo of the second command tells that the first has no result",
        (host(b"AT+A\r\nAT+B\r\n"), modem(b"AT+A\rAT+B\r\r\nOK\r\n")),
        [
            ("sent", "AT+A", 1, False),
            ("sent", "AT+B", 1, False),
            ("echo", "AT+A", False),
            ("unanswered", "AT+A", Outcome.UNANSWERED, "the modem went on to the next command"),
            ("echo", "AT+B", False),
            ("result", "OK", OK, "AT+B"),
        ],
    ),
    (
        "lines that nobody asked for",
        (modem(b"\r\nBOOT v2\r\n\r\nOK\r\n"),),
        [("stray", "BOOT v2", None), ("stray", "OK", OK)],
    ),
    (
        "no command, and bytes of no text",
        (host(b"hello\r"), host(b"AT\xfe\r", 0.01), modem(b"\r\n\xffOK\r\n")),
        [
            ("Garbage", Side.HOST, b"hello", "no command: it does not begin with AT"),
            ("Garbage", Side.HOST, b"AT\xfe", "bytes that no line of text has"),
            ("Garbage", Side.MODEM, b"\xffOK", "bytes that no line of text has"),
        ],
    ),
    (
        "half lines: a pause within one, and the end of the record",
        (host(b"AT+T"), host(b"AT\r", 0.6), modem(b"\r\nO", 0.7)),
        [
            ("HalfLine", Side.HOST, b"AT+T", "not ended within 0.5 s"),
            ("sent", "AT", 1, False),
            ("HalfLine", Side.MODEM, b"O", "the record ends in it"),
            ("unanswered", "AT", Outcome.OPEN, "the record ends before an answer was due"),
        ],
    ),
    (
        "no answer in time, then one that is too late",
        (host(b"AT+TX\r"), modem(b"\r\nOK\r\n", 10.5)),
        [
            ("sent", "AT+TX", 1, False),
            ("unanswered", "AT+TX", Outcome.UNANSWERED, "no final result within 10 s"),
            ("stray", "OK", OK),
        ],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("said", "events"), [case[1:] for case in CORPUS], ids=[case[0] for case in CORPUS])
def test_transcripts(said: tuple[Said, ...], events: list[tuple[object, ...]]) -> None:
    """Every quirk of a modem and its host is told for what it is."""
    assert short(heard(*said)[0]) == events


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(CORPUS), st.data())
def test_pieces_make_no_difference(case: tuple[str, tuple[Said, ...], object], data: st.DataObject) -> None:
    """In whatever pieces the bytes come, the same events come out with the same stamps."""
    whole = in_order(case[1])
    dialogue = AtDialogue(RULES)
    events: list[Event] = []
    at = 0
    while at < len(whole):
        side = whole[at][1]
        longest = next((index for index, one in enumerate(whole[at:]) if one[1] is not side), len(whole) - at)
        piece = whole[at : at + data.draw(st.integers(1, longest))]
        events += dialogue.feed(side, bytes(one[2] for one in piece), [one[0] for one in piece])
        at += len(piece)
    events += dialogue.finish(1.0)

    assert (events, dialogue.hand_overs) == heard(*case[1])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(Side), st.binary(max_size=12), st.floats(0.0, 3.0)), max_size=20))
def test_any_bytes_are_taken(pieces: list[tuple[Side, bytes, float]]) -> None:
    """Whatever comes, no byte that can be seen is lost without a word, and every command comes to an end."""
    dialogue = AtDialogue(RULES)
    now_s = 0.0
    events: list[Event] = []
    for side, data, later_s in pieces:
        now_s += later_s
        events += dialogue.feed(side, data, now_s)
    events += dialogue.finish(now_s)

    sent = [event for event in events if isinstance(event, Sent)]
    ended = [event for event in events if isinstance(event, Result | Unanswered)]
    assert len(sent) == len(ended)


def test_stamps_are_those_of_the_bytes() -> None:
    """A command has the stamps of its first byte and of its end; a result, of its end; a time-out, when it was due."""
    sent, result, again, never = heard(
        host(b"AT\r", 1.0), modem(b"\r\nOK\r\n", 2.0), host(b"AT+X\r", 3.0), host(b"", 20.0), end_s=20.0
    )[0]

    assert isinstance(sent, Sent)
    assert (sent.began_s, sent.at_s) == (1.0, 1.0 + 2 * BYTE_S)
    assert isinstance(result, Result)
    assert result.at_s == 2.0 + 4 * BYTE_S
    assert isinstance(again, Sent)
    assert isinstance(never, Unanswered)
    assert never.at_s == again.at_s + 10.0


def test_number_is_decided_when_time_passes() -> None:
    """While nothing more comes, a number that ended in CR is a result as soon as no LF can follow."""
    dialogue = AtDialogue(RULES)
    dialogue.feed(Side.HOST, b"AT\r", 0.0)
    dialogue.feed(Side.MODEM, b"0\r", 0.1)

    early = dialogue.pass_time(0.14)
    (late,) = dialogue.pass_time(0.16)

    assert early == ()
    assert isinstance(late, Result)
    assert (late.text, late.at_s, late.numeric) == ("0", 0.1, True)


# ---- what was handed over


def test_hand_over_with_what_became_of_it() -> None:
    """Each payload stands with its port, its bytes, and whether the modem took it, refused it, was busy or silent."""
    _, handed = heard(
        host(b"AT+BUF=2,E20D1A\r\n"),
        modem(b"T+BUF=2,E20D1A\r\r\nERROR\r\n"),
        host(b"AT+BUF=2,E20D1A\r\n", 1.0),
        modem(b"\r\nBUSY\r\n", 1.1),
        host(b"AT+BUF=2,E20D1A\r\n", 2.0),
        modem(b"\r\nOK\r\n", 2.1),
        host(b"AT+BUF=3,ff\r\n", 3.0),
        end_s=14.0,
    )

    assert [
        (one.port, one.payload, one.attempt, one.lost_first, one.outcome, one.answer) for one in handed
    ] == [
        (2, b"\xe2\x0d\x1a", 1, True, Outcome.REFUSED, "ERROR"),
        (2, b"\xe2\x0d\x1a", 2, False, Outcome.BUSY, "BUSY"),
        (2, b"\xe2\x0d\x1a", 3, False, Outcome.ACCEPTED, "OK"),
        (3, b"\xff", 1, False, Outcome.UNANSWERED, ""),
    ]  # fmt: skip
    assert handed[2].answered_s == pytest.approx(2.1 + 4 * BYTE_S)
    assert handed[3].answered_s is None


def test_hand_over_needs_whole_bytes() -> None:
    """A command that is a digit short hands nothing over, and half a line does not either."""
    _, handed = heard(host(b"AT+BUF=2,E20\r\n"), host(b"AT+BUF=2,E2", 0.5))

    assert handed == ()


def test_one_sided_record_leaves_the_answer_unknown() -> None:
    """Where only the host's line is there, nothing is called unanswered, and no command is called an attempt."""
    dialogue = AtDialogue(RULES, modem_is_heard=False)
    events = [*dialogue.feed(Side.HOST, b"AT+BUF=2,AA\r\nAT+BUF=2,AA\r\n", 0.0), *dialogue.finish(99.0)]

    assert [type(event) for event in events] == [Sent, Sent]
    assert [(one.outcome, one.attempt) for one in dialogue.hand_overs] == [(Outcome.UNKNOWN, 1)] * 2


# ---- bytes that were lost


def test_overflow_ends_the_line_and_makes_silence_prove_nothing() -> None:
    """No line goes on across lost bytes, and a command without answer is then unknown, not unanswered."""
    dialogue = AtDialogue(RULES)
    dialogue.feed(Side.HOST, b"AT+BUF=2,AA\r\n", 0.0)
    dialogue.feed(Side.MODEM, b"\r\nO", 0.1)

    events = [
        *dialogue.overflow(Side.MODEM, 0.2, lost=3),
        *dialogue.feed(Side.MODEM, b"K\r\n", 0.21),
        *dialogue.pass_time(11.0),
    ]

    assert short(events) == [
        ("HalfLine", Side.MODEM, b"O", "bytes were lost in it"),
        ("overflow", Side.MODEM, 3),
        ("information", "K", "AT+BUF=2,AA"),
        ("unanswered", "AT+BUF=2,AA", Outcome.UNKNOWN, "no final result within 10 s; bytes were lost meanwhile"),
    ]
    assert dialogue.hand_overs[0].outcome is Outcome.UNKNOWN


def test_answer_after_lost_bytes_counts() -> None:
    """A result that comes whole after a gap is the result."""
    dialogue = AtDialogue(RULES)
    dialogue.feed(Side.HOST, b"AT+BUF=2,AA\r\n", 0.0)
    dialogue.overflow(Side.MODEM, 0.1)
    dialogue.feed(Side.MODEM, b"\r\nOK\r\n", 0.2)

    assert dialogue.hand_overs[0].outcome is Outcome.ACCEPTED


def test_damaged_byte_spoils_its_line() -> None:
    """A line with a byte that came damaged is no command and no result, though it can be read; CR and LF neither."""
    dialogue = AtDialogue(RULES)
    dialogue.feed(Side.HOST, b"AT\r", 0.0)

    (spoilt,) = dialogue.feed(Side.MODEM, b"\r\nOK\r\n", 0.1, faulty=(2,))
    joined = dialogue.feed(Side.MODEM, b"\r\nOK\r\n", 0.2, faulty=(4,))

    assert spoilt == Garbage(Side.MODEM, b"OK", 0.1, "a byte of it came damaged")
    assert joined == (Garbage(Side.MODEM, b"OK\r", 0.2, "a byte of it came damaged"),)


def test_babble_is_cut() -> None:
    """A line without end does not fill the memory."""
    dialogue = AtDialogue(AtRules(max_line_bytes=8))

    (garbage,) = dialogue.feed(Side.MODEM, b"x" * 1000 + b"\r\n", 0.0)

    assert garbage == Garbage(Side.MODEM, b"x" * 8, 0.0, "no line end within 8 bytes")


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        pytest.param({"accepted": ("(",)}, r"pattern '\(' is no regular expression", id="no pattern"),
        pytest.param({"unsolicited": {"x": ".*"}}, r"pattern '\.\*' matches an empty line", id="empty line"),
        pytest.param({"hand_over": "AT(?P<port>.)"}, "has no group 'payload'; accepted: .*payload", id="groups"),
        pytest.param({"answer_timeout_s": 0.0}, "answer_timeout_s 0.0; accepted: seconds above 0", id="timeout"),
        pytest.param({"max_line_bytes": 1}, "max_line_bytes 1; accepted: 2 and more", id="line"),
    ],
)
def test_rules_refused(rules: dict[str, object], words: str) -> None:
    """Rules that cannot be followed are refused with what is accepted."""
    with pytest.raises(ConfigError, match=words):
        AtRules(**rules)  # type: ignore[arg-type]  # that is what is tried


def test_stamps_for_each_byte_are_counted() -> None:
    """One stamp for each byte, or one for all: anything else is a mistake of the caller."""
    with pytest.raises(ValueError, match="shorter"):
        AtDialogue().feed(Side.HOST, b"AT\r", [0.0, 0.1])
