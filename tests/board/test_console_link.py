"""Questions and answers over a real pseudo terminal, with a board that behaves."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.clock import ScaledClock
from benchrig.errors import BoardProtocolError, BoardTimeout, ConfigError, PortError
from benchrig.protocol.console import Checksum

from .far_end import TIMEOUT_S, FarEnd, checked, until
from .hay_barn_console import BOOT, GRAMMAR, IDENTITY, LONG_S, PLAIN, SHORT_S, MakeLink, Notes, batt

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.board.console_link import ConsoleLink

SENT = checked(b"REPORT done n=15")


def test_ask_sends_the_question_and_returns_the_fields(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A question goes out with checksum and line end; its answer comes back as fields, with nothing to note."""
    far_end.plays(batt(12))

    answer = link.ask("battery")

    assert answer.fields == {"n": "12", "mv": "3699"}
    assert far_end.commands == [checked(b"batt?").replace(b"\r", b"")]
    assert notes == []


@pytest.mark.parametrize(
    ("checksum", "command", "reply"),
    [
        pytest.param(None, b"batt?\n", b"BATT n=1 mv=2\r\n", id="no checksum"),
        pytest.param(Checksum(on_commands=False), b"batt?\n", batt(1, 2), id="checksum on answers only"),
    ],
)
def test_ask_speaks_as_the_profile_says(
    far_end: FarEnd, make_link: MakeLink, checksum: Checksum | None, command: bytes, reply: bytes
) -> None:
    """Commands carry a checksum only where the board wants one."""
    link = make_link(checksum=checksum)
    far_end.plays(reply)

    answer = link.ask("battery")

    assert far_end.commands == [command]
    assert answer.fields["mv"] == "2"


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_ask_takes_every_line_end(far_end: FarEnd, link: ConsoleLink, end: bytes) -> None:
    """Boards that end lines with CR, LF or both are understood alike."""
    far_end.plays(batt(12).strip() + end)

    assert link.ask("battery").fields["mv"] == "3699"


def test_ask_fills_in_params(far_end: FarEnd, link: ConsoleLink) -> None:
    """A placeholder of the question takes the param of its name."""
    far_end.plays(checked(b"CAL gain_ppm=-20"))

    answer = link.ask("adjust", gain_ppm=-20)

    assert far_end.commands[0].startswith(b"cal gain_ppm=-20*")
    assert answer.fields == {"gain_ppm": "-20"}


def test_ask_joins_an_answer_that_comes_in_pieces(far_end: FarEnd, make_link: MakeLink) -> None:
    """BATT=37, a pause, 00: the value is 3700, and never 37."""
    link = make_link(PLAIN, checksum=None)

    def in_pieces(_: bytes) -> bytes:
        far_end.say(b"BATT=37")
        until(lambda: link._reader._assembler.partial == b"BATT=37", "the first piece was read")
        return b"00\r\n"

    far_end.plays(in_pieces)

    assert link.ask("battery").fields["mv"] == "3700"


def test_ask_sets_older_lines_aside(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A line that waits in the port before the question is no answer to it, however well it matches."""
    far_end.say(batt(1, 1111))
    far_end.plays(batt(2, 2222))

    answer = link.ask("battery")

    assert answer.fields == {"n": "2", "mv": "2222"}
    assert notes.kinds() == ["late answer"]


def test_ask_sets_lines_aside_that_nobody_has_read(far_end: FarEnd, link: ConsoleLink) -> None:
    """A line that still waits in the operating system when the question goes out is older than it, too."""
    stale = batt(1, 1111)
    far_end.plays(batt(2, 2222))

    with link._reader.attended():  # the link's own thread keeps still
        far_end.say(stale)
        until(lambda: far_end.unread_bytes() == len(stale), "the older line waits unread")
        answer = link.ask("battery")

    assert answer.fields == {"n": "2", "mv": "2222"}


def test_ask_never_answers_with_an_older_line(far_end: FarEnd, make_link: MakeLink) -> None:
    """When only an older line is there, the question is unanswered."""
    link = make_link(attempts=1)
    far_end.say(batt(1, 1111))

    with pytest.raises(BoardTimeout, match="no complete answer that began after the question"):
        link.ask("battery", timeout_s=SHORT_S)


def test_ask_never_answers_with_a_line_that_began_before(far_end: FarEnd, make_link: MakeLink) -> None:
    """A line whose first half came before the question is no answer, though it ends after it."""
    link = make_link(attempts=1)
    stale = batt(1, 1111)
    far_end.say(stale[:8])
    until(lambda: link._reader.partial() == stale[:8], "the first half was read")
    far_end.plays(stale[8:] + batt(2, 2222))

    assert link.ask("battery").fields["n"] == "2"


def test_answer_stamps_are_bench_time(far_end: FarEnd, make_link: MakeLink) -> None:
    """On a bench that runs faster than life, an answer's stamps lie between those of its clock."""
    link = make_link(scale=20.0)
    clock = link._clock
    assert isinstance(clock, ScaledClock)
    before_s = clock.now_s()
    far_end.plays(batt(1))

    line = link.ask("battery").line

    assert before_s < line.began_s <= line.ended_s < clock.now_s()


def test_two_threads_get_their_own_answers(far_end: FarEnd, link: ConsoleLink) -> None:
    """Questions of two threads are asked one after the other: nobody gets the other's answer."""
    far_end.serves(lambda command: IDENTITY if command.startswith(b"id?") else batt(1))
    got: dict[str, list[str]] = {"identity": [], "battery": []}

    def ask(name: str) -> None:
        for _ in range(30):
            got[name].append(link.ask(name).question)

    threads = [threading.Thread(target=ask, args=(name,)) for name in got]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(2 * TIMEOUT_S)

    assert got == {"identity": ["identity"] * 30, "battery": ["battery"] * 30}


# Notices


def test_notice_that_came_already_is_found(far_end: FarEnd, link: ConsoleLink) -> None:
    """A notice is found also when it came before anybody waited for it."""
    far_end.say(SENT)
    until(lambda: link.drain() > 0, "the notice was read")

    notice = link.wait_for_notice("sent", began_after_s=0.0, timeout_s=SHORT_S)

    assert notice.fields == {"n": "15"}


def test_notice_that_began_too_early_is_not_taken(far_end: FarEnd, link: ConsoleLink) -> None:
    """A notice older than the stimulus does not count; the message shows what came since."""
    far_end.say(SENT)
    old = link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S)
    far_end.say(batt(1))

    with pytest.raises(BoardTimeout, match=r"no notice sent .*: 'BATT n=1 .*; accepted is 'REPORT done.*check"):
        link.wait_for_notice("sent", began_after_s=old.line.began_s, timeout_s=SHORT_S)


def test_notice_is_kept_that_comes_with_an_answer(far_end: FarEnd, link: ConsoleLink) -> None:
    """A notice between question and answer disturbs neither."""
    far_end.plays(SENT + batt(1))

    answer = link.ask("battery")
    notice = link.wait_for_notice("sent", began_after_s=0.0, timeout_s=SHORT_S)

    assert (answer.fields["n"], notice.fields["n"]) == ("1", "15")


def test_reset_while_waiting_for_a_notice_is_charged_to_the_board(far_end: FarEnd, link: ConsoleLink) -> None:
    """A board that resets instead of finishing is told at once, with the reset line."""
    far_end.say(BOOT)

    with pytest.raises(BoardProtocolError, match="board reset while it was to send sent: 'BOOT haybarn boots=18"):
        link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S)


def test_expected_reset_does_not_disturb_waiting(far_end: FarEnd, link: ConsoleLink) -> None:
    """Whoever expects the reset waits on through it."""
    far_end.say(BOOT + SENT)

    notice = link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S, expected_notices=("boot",))

    assert notice.name == "sent"


def test_reset_that_is_waited_for_is_no_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """The reset notice itself is waited for like any other, and recorded without a note."""
    far_end.say(BOOT)

    notice = link.wait_for_notice("boot", began_after_s=0.0, timeout_s=LONG_S)

    assert notice.fields == {"boots": "18"}
    assert link.resets == (notice,)
    assert notes == []


def test_reset_that_is_expected_while_waiting_is_no_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A reset that the caller expects beside the notice he waits for is recorded without a note."""
    far_end.say(BOOT + SENT)

    link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S, expected_notices=("boot",))

    assert len(link.resets) == 1
    assert notes == []


def test_reset_that_nobody_waited_for_is_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A reset that was found by looking is noted with its line."""
    far_end.say(BOOT)

    until(lambda: len(link.resets) == 1, "the reset was read")

    assert notes == [("board reset", "'BOOT haybarn boots=18*FAEB'")]  # the checksum: CPython's binascii.crc_hqx


def test_reset_before_the_one_that_is_waited_for_is_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """Whoever waits for a reset after a stimulus did not wait for the one before it."""
    far_end.say(BOOT)
    until(lambda: bool(link._reader._lines), "the first reset was read")
    stimulus_s = link._clock.now_s()
    far_end.say(BOOT)

    link.wait_for_notice("boot", began_after_s=stimulus_s, timeout_s=LONG_S)

    assert len(link.resets) == 2
    assert notes.kinds() == ["board reset"]


def test_reset_behind_half_a_line_is_found(far_end: FarEnd, link: ConsoleLink) -> None:
    """Power that goes in the middle of a line and comes back leaves the reset notice readable."""
    far_end.say(batt(1)[:9] + BOOT)

    assert link.wait_for_notice("boot", began_after_s=0.0, timeout_s=LONG_S).fields == {"boots": "18"}


def test_resets_are_seen_that_nobody_waited_for(far_end: FarEnd, link: ConsoleLink) -> None:
    """Resets that came while nobody listened are in the list."""
    far_end.say(BOOT + BOOT)

    until(lambda: len(link.resets) == 2, "both resets were read")

    assert link.resets[0].line.began_s <= link.resets[1].line.began_s


# Nudge


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_nudge_sends_a_bare_line_end(far_end: FarEnd, make_link: MakeLink, notes: Notes, line_end: str) -> None:
    """A nudge is the profile's line end with nothing before it, not even a checksum."""
    link = make_link(replace(GRAMMAR, line_end=line_end))

    link.nudge()

    assert far_end.hear() == line_end.encode()
    assert notes == []


def test_nudge_leaves_the_next_answer_alone(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """What the board says to a nudge is a notice; the question behind it gets its own answer."""
    far_end.plays(SENT, batt(1))
    link.nudge()
    link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S)

    assert link.ask("battery").fields["n"] == "1"
    assert notes == []


def test_unknown_names_are_faults_of_the_caller(link: ConsoleLink) -> None:
    """A question or notice that the profile does not have is refused with those it has."""
    with pytest.raises(ConfigError, match=r"no question 'batt'.*'battery'"):
        link.ask("batt")
    with pytest.raises(ConfigError, match=r"no notice 'bang'.*'boot'"):
        link.wait_for_notice("bang", began_after_s=0.0, timeout_s=SHORT_S)


def test_link_refuses_not_to_ask(make_link: MakeLink) -> None:
    """A question is asked at least once."""
    with pytest.raises(ConfigError, match="attempts 0: 1 or more"):
        make_link(attempts=0)


# Lines, release, reopen


def test_last_lines_are_kept_for_a_snapshot(far_end: FarEnd, link: ConsoleLink) -> None:
    """The last 200 lines stand ready for whoever looks into a failure, whatever they were."""
    far_end.say(b"".join(b"noise %d\n" % number for number in range(250)))
    until(lambda: link.drain() >= 0 and link.counts["damaged"] == 250, "all lines were read")

    assert [line.text for line in link.lines()] == [b"noise %d" % number for number in range(50, 250)]


def test_released_link_holds_no_port(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """While released the port is closed, so another opener finds it free."""
    link.release()

    far_end.open().close()
    assert notes.kinds() == ["link released"]


REFUSED = [
    pytest.param(lambda link: link.ask("battery"), r"question battery \('batt\?.*\) was not sent", id="ask"),
    pytest.param(lambda link: link.nudge(), "the line end that wakes the board was not sent", id="nudge"),
    pytest.param(
        lambda link: link.wait_for_notice("boot", began_after_s=0.0, timeout_s=LONG_S),
        "notice boot cannot be waited for",
        id="wait",
    ),
]


@pytest.mark.parametrize(("call", "said"), REFUSED)
def test_released_link_refuses_to_be_used(link: ConsoleLink, call: Callable[[ConsoleLink], object], said: str) -> None:
    """Over a released link nothing is sent or waited for: the error names port, wish, reason and next step."""
    link.release()

    with pytest.raises(PortError, match=rf"serial port console .*: {said}, for the link was released; open it again"):
        call(link)


def test_reopened_link_asks_again(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """After release and reopen questions are answered; both are noted, repeated calls do nothing."""
    link.release()
    link.release()
    link.reopen()
    link.reopen()
    far_end.plays(batt(7))

    assert link.ask("battery").fields["n"] == "7"
    assert notes.kinds() == ["link released", "link opened again"]


@pytest.mark.parametrize("repeat", range(20))  # a reader that is slow to begin shows it on some of them only
def test_notice_left_in_the_port_is_older_than_the_opening(
    far_end: FarEnd, link: ConsoleLink, monkeypatch: pytest.MonkeyPatch, repeat: int
) -> None:
    """What an adapter still held when the link was opened again never counts as new."""
    link.release()
    leave_in_port(link, SENT, far_end, monkeypatch)
    link.reopen()
    opened_s = link._clock.now_s()

    with pytest.raises(BoardTimeout, match="no notice sent"):
        link.wait_for_notice("sent", began_after_s=opened_s, timeout_s=0.01)
    assert link.wait_for_notice("sent", began_after_s=0.0, timeout_s=LONG_S).line.began_s < opened_s


def test_answer_left_in_the_port_is_set_aside_after_opening(
    far_end: FarEnd, link: ConsoleLink, notes: Notes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first question after an opening is not answered by what an adapter still held."""
    link.release()
    leave_in_port(link, batt(1, 1111), far_end, monkeypatch)
    link.reopen()
    far_end.plays(batt(2, 2222))

    assert link.ask("battery").fields == {"n": "2", "mv": "2222"}
    assert notes.kinds()[-1] == "late answer"


def leave_in_port(link: ConsoleLink, data: bytes, far_end: FarEnd, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have these bytes come just behind the flush that opening a port does, as an adapter's own buffer has them."""
    port = link._port
    reopen = port.reopen

    def reopen_with_old_bytes() -> None:
        reopen()
        far_end.say(data)

    monkeypatch.setattr(port, "reopen", reopen_with_old_bytes)


def test_release_keeps_what_came_before(far_end: FarEnd, link: ConsoleLink) -> None:
    """A reset that came before the release and was not asked for outlives release and reopening."""
    far_end.say(BOOT)
    until(lambda: bool(link._reader._lines), "the reset was read")

    link.release()
    link.reopen()

    assert [notice.fields["boots"] for notice in link.resets] == ["18"]


def test_lines_that_nobody_took_in_time_are_told(
    far_end: FarEnd, link: ConsoleLink, notes: Notes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When lines had to be thrown away, their number is noted."""
    monkeypatch.setattr("benchrig.wires.line_reader._KEPT_LINES", 2)
    far_end.say(batt(1) * 5)
    until(lambda: link._reader.lost_lines == 3, "three lines were thrown away")

    link.drain()

    assert "3 lines were thrown away" in dict(notes)["lines lost"]


def test_grammar_of_these_tests_holds_together() -> None:
    """The sync question is a question of its own."""
    assert GRAMMAR.sync in {question.name for question in GRAMMAR.questions}
