"""The console link against a board, a line and a machine that misbehave: never a wrong value."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import BoardError, BoardProtocolError, BoardTimeout, PortError
from benchrig.protocol.console import Grammar

from .far_end import FarEnd, checked, until
from .hay_barn_console import BOOT, GRAMMAR, IDENTITY, LONG_S, PLAIN, SHORT_S, MakeLink, Notes, batt, question

if TYPE_CHECKING:
    from benchrig.board.console_link import ConsoleLink

FLIPPED = batt(1).replace(b"3699", b"3698")


def test_damaged_answer_is_asked_for_again(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """After a checksum that does not hold, the good answer of the repeat is the value, and all is noted."""
    far_end.plays(FLIPPED, batt(2))

    answer = link.ask("battery", timeout_s=SHORT_S)

    assert answer.fields == {"n": "2", "mv": "3699"}
    assert notes.kinds() == ["damaged line", "question repeated", "answered on a repeat"]
    assert "the text gives" in dict(notes)["damaged line"]
    assert link.counts == {"damaged": 1, "unknown": 0, "repeats": 1}


def test_answer_behind_a_damaged_line_needs_no_repeat(far_end: FarEnd, link: ConsoleLink) -> None:
    """A good answer within the time-out counts, whatever came before it."""
    far_end.plays(FLIPPED + b"ERR\n" + batt(2))

    assert link.ask("battery").fields["n"] == "2"
    assert link.counts == {"damaged": 2, "unknown": 0, "repeats": 0}


@pytest.mark.parametrize(
    ("reply", "came"),
    [
        pytest.param(FLIPPED, r"the damaged line 'BATT n=1 mv=3698\*", id="damaged"),
        pytest.param(checked(b"ERR unknown"), r"the line 'ERR unknown\*", id="unknown"),
        pytest.param(batt(1)[:12], r"half a line 'BATT n=1 mv=", id="half"),
        pytest.param(b"\xff\xfe\n", r"the damaged line '\\xff\\xfe' \(byte 0xff", id="noise"),
        pytest.param(b"x" * 600 + b"\n", "no line end within 512 bytes", id="overlong"),
    ],
)
def test_unusable_answers_are_charged_with_what_came(
    far_end: FarEnd, link: ConsoleLink, reply: bytes, came: str
) -> None:
    """A board that answers nothing usable broke its protocol: asked, came, accepted and next step are told."""
    far_end.plays(reply, reply, reply)

    with pytest.raises(BoardProtocolError, match=came) as caught:
        link.ask("battery", timeout_s=SHORT_S)

    message = caught.value.message
    assert "board asked 'batt?*" in message
    assert "3 times, 0.15 s each" in message
    assert r"accepted is 'BATT n=(?P<n>\\d+) mv=(?P<mv>\\d+)'" in message
    assert "compare profile and firmware" in message


def test_silent_board_is_charged_with_silence(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A board that says nothing is a time-out of the board, after every attempt."""
    far_end.plays(b"", b"", b"")

    with pytest.raises(BoardTimeout, match=r"'batt\?.* 3 times, 0.15 s each: no complete answer.*check power"):
        link.ask("battery", timeout_s=SHORT_S)

    assert notes.kinds() == ["question repeated", "question repeated"]
    far_end.has_played()


def test_half_a_line_is_never_a_value(far_end: FarEnd, make_link: MakeLink) -> None:
    """BATT=37, the time-out, 00: without checksum neither 37 nor the rest of the old line is taken."""
    link = make_link(PLAIN, checksum=None, attempts=2)
    far_end.plays(b"BATT=37", b"00\r\n")

    with pytest.raises(BoardProtocolError, match="half a line 'BATT=37'"):
        link.ask("battery", timeout_s=SHORT_S)


def test_rest_of_a_half_line_passes_by_the_answer_of_the_repeat(far_end: FarEnd, make_link: MakeLink) -> None:
    """The rest of a half line ends the old line; the answer behind it is the value."""
    link = make_link(PLAIN, checksum=None)
    far_end.plays(b"BATT=37", b"00\r\nBATT=3800\r\n")

    assert link.ask("battery", timeout_s=SHORT_S).fields["mv"] == "3800"


def test_answer_behind_half_a_line_is_found_by_its_checksum(far_end: FarEnd, link: ConsoleLink) -> None:
    """When a line stops in the middle for good, the repeat's answer is taken out from behind it."""
    far_end.plays(batt(1)[:12], batt(2)[:5], batt(3, 3333))

    assert link.ask("battery", timeout_s=SHORT_S).fields == {"n": "3", "mv": "3333"}


def test_half_line_glued_to_an_answer_is_no_answer_without_checksum(far_end: FarEnd, make_link: MakeLink) -> None:
    """Without a checksum the tail of a glued line could be the rest of the half one, so it is not taken."""
    link = make_link(PLAIN, checksum=None, attempts=2)
    far_end.plays(b"BATT=37", b"BATT=3800\r\n")

    with pytest.raises(BoardProtocolError, match="half a line"):
        link.ask("battery", timeout_s=SHORT_S)


# Resets


def test_reset_in_the_middle_is_charged_to_the_board(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A board that resets instead of answering is told at once, though an answer follows."""
    far_end.plays(BOOT + batt(1))

    with pytest.raises(BoardProtocolError, match="board reset while answering battery: 'BOOT haybarn boots=18"):
        link.ask("battery")

    assert notes.kinds() == ["board reset"]
    assert len(link.resets) == 1


def test_reset_behind_half_an_answer_is_charged_to_the_board(far_end: FarEnd, link: ConsoleLink) -> None:
    """A reset that cuts the answer off in the middle is found behind the half line."""
    far_end.plays(batt(1)[:10] + BOOT)

    with pytest.raises(BoardProtocolError, match="board reset while answering battery"):
        link.ask("battery")


def test_reset_between_two_attempts_is_charged_to_the_board(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A reset after one attempt and before the next is a reset in the middle as well."""
    far_end.plays(b"", batt(2))

    def note(kind: str, text: str) -> None:
        notes(kind, text)
        if kind == "question repeated":
            far_end.say(BOOT)

    link._note = note
    with pytest.raises(BoardProtocolError, match="board reset while answering battery"):
        link.ask("battery", timeout_s=SHORT_S)


def test_expected_reset_does_not_disturb_a_question(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """Whoever expects the reset gets the answer that follows it, and the reset is no news."""
    far_end.plays(BOOT + batt(1))

    assert link.ask("battery", expected_notices=("boot",)).fields["n"] == "1"
    assert len(link.resets) == 1
    assert notes == []


def test_reset_before_a_question_that_expects_one_is_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A question expects resets from when it is sent; an older one happened by itself."""
    far_end.say(BOOT)
    until(lambda: bool(link._reader._lines), "the reset was read")
    far_end.plays(batt(1))

    link.ask("battery", expected_notices=("boot",))

    assert notes.kinds() == ["board reset"]


def test_expected_reset_between_two_attempts_is_no_news(far_end: FarEnd, link: ConsoleLink, notes: Notes) -> None:
    """A reset that is expected may come after one attempt and before the next as well."""
    far_end.plays(b"", batt(2))

    def note(kind: str, text: str) -> None:
        notes(kind, text)
        if kind == "question repeated":
            far_end.say(BOOT)

    link._note = note

    assert link.ask("battery", timeout_s=SHORT_S, expected_notices=("boot",)).fields["n"] == "2"
    assert len(link.resets) == 1
    assert notes.kinds() == ["question repeated", "answered on a repeat"]


def test_reset_before_the_question_is_no_reset_in_the_middle(far_end: FarEnd, link: ConsoleLink) -> None:
    """An older reset waiting in the port is recorded and does not fail the question."""
    far_end.say(BOOT)
    far_end.plays(batt(1))

    assert link.ask("battery").fields["n"] == "1"
    assert len(link.resets) == 1


# Answers that come late


def test_late_answer_never_answers_the_next_question(far_end: FarEnd, make_link: MakeLink, notes: Notes) -> None:
    """After a silent attempt the sync question comes first: the late answer is set aside before asking again."""
    link = make_link(attempts=1)
    far_end.plays(b"", batt(1, 1111) + IDENTITY, batt(2, 2222))
    with pytest.raises(BoardTimeout, match="no complete answer"):
        link.ask("battery", timeout_s=SHORT_S)

    answer = link.ask("battery")

    assert answer.fields == {"n": "2", "mv": "2222"}
    assert [command[:4] for command in far_end.commands] == [b"batt", b"id?*", b"batt"]
    assert notes.kinds() == ["late answer"]


def test_answer_to_an_earlier_attempt_is_followed_by_sync(far_end: FarEnd, link: ConsoleLink) -> None:
    """Where a repeat was needed, its own answer may still come: the next question is not answered by it."""
    far_end.plays(b"", batt(1, 1111), batt(2, 1112) + IDENTITY, batt(3, 3333))

    first = link.ask("battery", timeout_s=SHORT_S)
    second = link.ask("battery")

    assert (first.fields["n"], second.fields["n"]) == ("1", "3")


def test_late_answer_without_sync_question_is_waited_for(far_end: FarEnd, make_link: MakeLink) -> None:
    """A profile without sync question grants the late answer time to come, and sets it aside."""
    link = make_link(PLAIN, checksum=None, attempts=1)
    was_said = threading.Event()

    def say_late() -> None:
        far_end.say(b"BATT=1111\n")
        was_said.set()

    def answer_behind_it(_: bytes) -> bytes:
        assert was_said.wait(LONG_S)
        return b"BATT=2222\n"

    far_end.plays(b"", answer_behind_it)
    with pytest.raises(BoardTimeout, match="no complete answer"):
        link.ask("battery", timeout_s=SHORT_S)
    late = threading.Timer(SHORT_S, say_late)
    late.start()

    answer = link.ask("battery")

    assert answer.fields["mv"] == "2222"
    late.join()


def test_board_that_stays_silent_fails_at_the_sync_question(far_end: FarEnd, make_link: MakeLink) -> None:
    """While the place cannot be found again, no answer is trusted, and the message says why it was asked."""
    sync = question("identity", "id?", "ID", timeout_s=SHORT_S)
    link = make_link(Grammar(questions=(*PLAIN.questions, sync), sync="identity"), attempts=1)
    far_end.plays(b"", b"")
    with pytest.raises(BoardTimeout, match=r"batt\?"):
        link.ask("battery", timeout_s=SHORT_S)

    with pytest.raises(BoardTimeout, match=r"'id\?.*first, since an attempt before battery brought nothing"):
        link.ask("battery")


def test_reset_ends_the_wait_for_late_answers(far_end: FarEnd, make_link: MakeLink) -> None:
    """A board that began anew has forgotten the old question: no sync is needed."""
    link = make_link(attempts=1)
    far_end.plays(b"", batt(2))
    with pytest.raises(BoardTimeout, match="no complete answer"):
        link.ask("battery", timeout_s=SHORT_S)
    far_end.say(BOOT)
    link.wait_for_notice("boot", began_after_s=0.0, timeout_s=LONG_S)

    assert link.ask("battery").fields["n"] == "2"


# The machine


def test_vanished_port_is_charged_to_the_bench(far_end: FarEnd, link: ConsoleLink) -> None:
    """A port that vanishes while the board answers is a fault of the bench, told at once and ever after."""

    def vanish(_: bytes) -> bytes:
        far_end.vanish()
        return b""

    far_end.plays(vanish)

    for _ in range(2):
        with pytest.raises(PortError, match="check cable and adapter"):
            link.ask("battery")


def test_somebody_else_on_the_port_is_charged_to_the_bench(far_end: FarEnd, link: ConsoleLink) -> None:
    """A missing answer is not charged to the board while another process takes bytes of the port."""
    code = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, far_end.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(PortError, match=rf"answer is missing, and pid {other.pid} .*end that"):
            link.ask("battery", timeout_s=SHORT_S)
        other.stdin.write(b"\n")
        other.stdin.flush()


# A disturbed line


class DisturbedBoard:
    """Answers every question rightly over a line that loses, flips and inserts characters, and cuts lines off."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self.count = 0
        self.truth: dict[int, int] = {}

    def __call__(self, command: bytes) -> bytes:
        """The answer as it arrives."""
        if command.startswith(b"id?"):
            return self._disturbed(IDENTITY)
        self.count += 1
        self.truth[self.count] = self._random.randrange(10_000)
        return self._disturbed(batt(self.count, self.truth[self.count]))

    def _disturbed(self, line: bytes) -> bytes:
        if self._random.random() < 0.1:
            return line[: self._random.randrange(len(line))]
        return b"".join(self._character(line[at : at + 1]) for at in range(len(line)))

    def _character(self, character: bytes) -> bytes:
        if self._random.random() >= 0.03:
            return character
        stray = bytes([self._random.choice([self._random.randrange(256), *b"0123456789*\r\n"])])
        flipped = bytes([character[0] ^ 1 << self._random.randrange(8)])
        return self._random.choice([b"", flipped, character + stray, character * 2, stray])


@pytest.mark.parametrize("seed", range(20))
def test_disturbed_line_never_gives_a_wrong_value(far_end: FarEnd, make_link: MakeLink, seed: int) -> None:
    """Lost, flipped and inserted characters lead to repeats and errors, but every value is one the board sent now."""
    questions = tuple(replace(asked, timeout_s=0.05) for asked in GRAMMAR.questions)
    link = make_link(replace(GRAMMAR, questions=questions))
    board = DisturbedBoard(seed)
    far_end.serves(board)
    answered = 0

    for _ in range(8):
        count_before = board.count
        try:
            fields = link.ask("battery").fields
        except BoardError:
            continue
        answered += 1
        assert board.truth[int(fields["n"])] == int(fields["mv"])
        assert int(fields["n"]) > count_before

    assert answered > 0
