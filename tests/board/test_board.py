"""Typed questions to a board that answers by a script, through the real grammar of the demo's profile."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, cast

import pytest

from benchrig.board.board import Board
from benchrig.board.console_table import NEEDED_ANSWERS
from benchrig.board.modem_tap import TapLine
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.clock import FakeClock
from benchrig.errors import BoardProtocolError, BoardTimeout
from benchrig.protocol.console import Answer, Line, Notice

from .profile_edits import PROFILE

if TYPE_CHECKING:
    from collections.abc import Collection

    from benchrig.board.console_link import ConsoleLink
    from benchrig.board.modem_tap import ModemTap

IDENTITY = "ID serial=HB-0001 chip=0011223344556677 eui=8899AABBCCDDEEFF fw=1.4.2 image=9c41e0b7 boots=17"
FRAME = "FRAME n=3 mv=3701 c=-5 port=2 len=9"
HANDED = "AT+BUF=2,750EFB0001040105A1"


@dataclass
class ScriptedConsole:
    """Gives each question its next line, which the profile's grammar has to take for an answer."""

    profile: BoardProfile
    clock: FakeClock
    lines: list[str]
    asked: list[str] = field(default_factory=list)
    waited: list[tuple[str, float, float, tuple[str, ...]]] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    repeats: int = 0
    will_repeat: int = 0

    @property
    def counts(self) -> dict[str, int]:
        """How often a question was repeated until now."""
        return {"repeats": self.repeats}

    def ask(self, question: str) -> Answer:
        """The answer, 0.25 s after the last attempt; `will_repeat` attempts before it take 0.5 s each."""
        self.asked.append(question)
        self.clock.sleep(0.5 * self.will_repeat)
        self.repeats, self.will_repeat = self.repeats + self.will_repeat, 0
        meaning = self.profile.grammar.classify(self._next(), asked=question)
        assert isinstance(meaning, Answer), meaning
        return meaning

    def wait_for_notice(
        self, name: str, *, began_after_s: float, timeout_s: float, expected_notices: Collection[str] = ()
    ) -> Notice:
        """The notice in the next line."""
        self.waited.append((name, began_after_s, timeout_s, tuple(expected_notices)))
        meaning = self.profile.grammar.classify(self._next())
        assert isinstance(meaning, Notice), meaning
        return meaning

    def _next(self) -> Line:
        self.clock.sleep(0.25)
        return Line(self.lines.pop(0).encode("ascii"), self.clock.now_s() - 0.1, self.clock.now_s())

    def release(self) -> None:
        """Take note."""
        self.done.append("console released")

    def reopen(self) -> None:
        """Take note."""
        self.done.append("console opened")

    def close(self) -> None:
        """Take note."""
        self.done.append("console closed")


@dataclass
class ScriptedTap:
    """What was heard on the modem's line; lines before `marked` came before the question."""

    lines: list[TapLine]
    marked: int = 0
    done: list[str] = field(default_factory=list)

    def mark(self) -> int:
        """Where the question begins."""
        return self.marked

    def lines_since(self, mark: int) -> tuple[TapLine, ...]:
        """The lines behind a mark."""
        return tuple(self.lines[mark:])

    def wait_for(self, pattern: re.Pattern[str], since: int, timeout_s: float) -> TapLine:
        """As the real tap: the first undamaged line behind the mark that matches as a whole."""
        for line in self.lines[since:]:
            if not line.damaged and pattern.fullmatch(line.text):
                return line
        raise BoardTimeout(f"nothing within {timeout_s} s; look at the tap")

    def release(self) -> None:
        """Take note."""
        self.done.append("tap released")

    def reopen(self) -> None:
        """Take note."""
        self.done.append("tap opened")

    def close(self) -> None:
        """Take note."""
        self.done.append("tap closed")


def heard(text: str, *, damaged: bool = False, at_s: float = 1.0) -> TapLine:
    """A line on the modem UART."""
    return TapLine(text=text, began_s=at_s, ended_s=at_s, damaged=damaged)


def shipped() -> BoardProfile:
    """The demo's profile."""
    return read_board_profile(PROFILE)


def loose(profile: BoardProfile) -> BoardProfile:
    """The profile with patterns that take any text for a number, as a careless maker may write them."""
    questions = tuple(
        replace(
            question,
            answers=tuple(re.sub(r"(\(\?P<\w+>)[^()]+\)", r"\1\\S*)", pattern) for pattern in question.answers),
        )
        for question in profile.grammar.questions
    )
    return replace(profile, grammar=replace(profile.grammar, questions=questions))


def board_that_says(
    *lines: str, tap: ScriptedTap | None = None, profile: BoardProfile | None = None
) -> tuple[Board, ScriptedConsole]:
    """A board whose console says these lines, one for each question."""
    profile, clock = profile or shipped(), FakeClock(100.0)
    console = ScriptedConsole(profile, clock, list(lines))
    return Board(profile, cast("ConsoleLink", console), cast("ModemTap | None", tap), clock), console


def test_identity() -> None:
    """Who the board is, field by field."""
    board, console = board_that_says(IDENTITY)

    found = board.identity()

    assert (found.serial, found.firmware, found.image, found.boots) == ("HB-0001", "1.4.2", "9c41e0b7", 17)
    assert (found.chip, found.eui) == ("0011223344556677", "8899AABBCCDDEEFF")
    assert console.asked == ["identity"]


def test_identity_without_what_may_be_left_out() -> None:
    """Chip, radio address and image are empty for a board that does not tell them."""
    profile = shipped()
    questions = tuple(
        replace(question, answers=(r"ID (?P<serial>\S+) (?P<firmware>\S+) (?P<boots>\d+)",))
        if question.name == "identity"
        else question
        for question in profile.grammar.questions
    )
    board, _ = board_that_says(
        "ID HB-0001 1.4.2 3", profile=replace(profile, grammar=replace(profile.grammar, questions=questions))
    )

    found = board.identity()

    assert (found.chip, found.eui, found.image, found.boots) == ("", "", "", 3)


def test_battery() -> None:
    """Code, volts, the time from question to answer, and the text as it came."""
    board, _ = board_that_says("BATT n=3 raw=3445 mv=3701")

    found = board.battery()

    assert (found.counts, found.reported_v) == (3445, 3.701)
    assert (found.took_s, found.at_s) == (0.25, 100.25)
    assert found.raw == "BATT n=3 raw=3445 mv=3701"


def test_temperature() -> None:
    """Below zero, too."""
    board, _ = board_that_says("TEMP n=4 raw=-521 c=-5.2")

    found = board.temperature()

    assert (found.celsius, found.at_s, found.raw) == (-5.2, 100.25, "TEMP n=4 raw=-521 c=-5.2")


@pytest.mark.parametrize(("on", "question", "line"), [(True, "load_on", "LOAD on"), (False, "load_off", "LOAD off")])
def test_load(on: bool, question: str, line: str) -> None:
    """The load is switched by the question of that name."""
    board, console = board_that_says(line)

    board.load(on=on)

    assert console.asked == [question]


@pytest.mark.parametrize(("question", "word"), [("frame", "FRAME"), ("report", "REPORT")])
def test_frame_with_a_tap(question: str, word: str) -> None:
    """A frame is what the console says of it, and the bytes that went to the modem after the question."""
    old, other = heard("AT+BUF=2,FFFF"), heard("AT+TX")
    tap = ScriptedTap([old, other, heard(HANDED)], marked=1)
    board, console = board_that_says(FRAME.replace("FRAME", word), tap=tap)

    found = board.frame() if question == "frame" else board.report()

    assert console.asked == [question]
    assert (found.reported_v, found.celsius, found.port, found.length) == (3.701, -5.0, 2, 9)
    assert (found.handed_port, found.handed) == (2, bytes.fromhex("750EFB0001040105A1"))
    assert found.modem_line == HANDED


def test_frame_without_a_tap() -> None:
    """Without a tap nothing is known of the bytes, and nothing is made up."""
    board, _ = board_that_says(FRAME)

    found = board.frame()

    assert (found.handed_port, found.handed, found.modem_line) == (None, None, "")
    assert found.reported_v == 3.701


NOT_HANDED = [
    pytest.param([], id="silent"),
    pytest.param([heard(HANDED, damaged=True)], id="damaged"),
    pytest.param([heard(HANDED[:-1])], id="half a byte"),
    pytest.param([heard("AT+BUF=2,75ZZ")], id="no hexadecimal"),
    pytest.param([heard("AT+TX")], id="another command"),
]


@pytest.mark.parametrize("lines", NOT_HANDED)
def test_frame_whose_line_never_came(lines: list[TapLine]) -> None:
    """A damaged line, or none, is no frame: never half a one, and never an older one."""
    tap = ScriptedTap([heard(HANDED), *lines], marked=1)
    board, _ = board_that_says(FRAME, tap=tap)

    found = board.frame()

    assert (found.handed_port, found.handed, found.modem_line) == (None, None, "")


OTHER_SAMPLE = HANDED.replace("750E", "740E")
REPEATED = [
    pytest.param([(OTHER_SAMPLE, 100.2), (HANDED, 101.2)], HANDED, id="both attempts were carried out"),
    pytest.param([(HANDED, 101.2)], HANDED, id="only the last one was"),
    pytest.param([(OTHER_SAMPLE, 100.2), (OTHER_SAMPLE, 100.7), (HANDED, 101.15)], HANDED, id="three attempts"),
    pytest.param([(OTHER_SAMPLE, 100.2)], "", id="the answered frame never came"),
]


@pytest.mark.parametrize(("lines", "taken"), REPEATED)
def test_frame_of_a_repeated_question(lines: list[tuple[str, float]], taken: str) -> None:
    """After a repeat the frame is the one that goes with the answer, not that of an attempt before: another sample."""
    tap = ScriptedTap([heard(text, at_s=at_s) for text, at_s in lines])
    board, console = board_that_says(FRAME, tap=tap)
    console.will_repeat = 2  # so that the answer begins at 101.15 s

    found = board.frame()

    assert found.modem_line == taken


def test_frame_on_another_port() -> None:
    """The port on the modem's line is kept apart from the one that the console told."""
    board, _ = board_that_says(FRAME, tap=ScriptedTap([heard(HANDED.replace("=2,", "=3,"))]))

    found = board.frame()

    assert (found.port, found.handed_port) == (2, 3)


GARBLED_LINES = [
    pytest.param("AT+BUF=2,750E0", "pairs of hexadecimal digits", id="half a byte"),
    pytest.param("AT+BUF=2,75xE", "payload '75xE'", id="no hexadecimal"),
    pytest.param("AT+BUF=two,750E", "port 'two'", id="port in letters"),
    pytest.param("AT+BUF=,750E", "port ''", id="no port"),
]


@pytest.mark.parametrize(("line", "words"), GARBLED_LINES)
def test_modem_pattern_that_takes_anything(line: str, words: str) -> None:
    """Where the profile's pattern lets through what is no port and no bytes, the board's protocol is at fault."""
    profile = replace(shipped(), modem_frame=r"AT\+BUF=(?P<port>[^,]*),(?P<payload>.*)")
    board, _ = board_that_says(FRAME, tap=ScriptedTap([heard(line)]), profile=profile)

    with pytest.raises(BoardProtocolError, match=re.escape(words)):
        board.frame()


LINES = {
    "identity": IDENTITY,
    "battery": "BATT n=3 raw=3445 mv=3701",
    "temperature": "TEMP n=4 raw=2112 c=21.1",
    "frame": FRAME,
    "report": FRAME.replace("FRAME", "REPORT"),
}
WRITTEN = {
    "counts": "raw=3445", "millivolts": "mv=3701", "port": "port=2", "length": "len=9", "boots": "boots=17",
}  # fmt: skip
WHOLE = ("counts", "port", "length", "boots")
NUMBERS = [
    pytest.param(question, name, id=f"{question}-{name}")
    for question, names in NEEDED_ANSWERS.items()
    for name in names
    if name not in ("serial", "firmware")
]


def ask(board: Board, question: str) -> object:
    """The question of that name."""
    return getattr(board, question)()


def with_value(question: str, name: str, value: str) -> str:
    """The answer with another text in one of its fields."""
    line = LINES[question]
    written = WRITTEN.get(name) or line.split(" c=")[1].split()[0].join(("c=", ""))
    return line.replace(f" {written}", f" {written.split('=')[0]}={value}")


@pytest.mark.parametrize(("question", "name"), NUMBERS)
@pytest.mark.parametrize("value", ["", "37x1", "3,7", "0x10", "nan", "inf", "1e999", "--5", "٣"])
def test_garbage_in_place_of_a_number(question: str, name: str, value: str) -> None:
    """A field that is no number is the board's protocol error, which names field and text; never a value."""
    line = with_value(question, name, value.encode("ascii", "backslashreplace").decode())
    board, _ = board_that_says(line, profile=loose(shipped()))

    with pytest.raises(BoardProtocolError, match=rf"field '{name}' of the board's answer: a finite decimal number"):
        ask(board, question)


@pytest.mark.parametrize(("question", "name"), NUMBERS)
@pytest.mark.parametrize("value", ["2.5", "-1"])
def test_count_that_is_none(question: str, name: str, value: str) -> None:
    """Codes, ports, lengths and restarts are whole numbers from 0 up; volts and degrees may be any."""
    board, _ = board_that_says(with_value(question, name, value), profile=loose(shipped()))

    if name not in WHOLE:
        ask(board, question)
        return
    with pytest.raises(
        BoardProtocolError, match=rf"field '{name}'.*whole number from 0 up is accepted, '{value}' came"
    ):
        ask(board, question)


NEEDED = [
    pytest.param(question, name, id=f"{question}-{name}")
    for question, names in NEEDED_ANSWERS.items()
    for name in names
]


@pytest.mark.parametrize(("question", "name"), NEEDED)
def test_field_that_is_missing(question: str, name: str) -> None:
    """Every field that a profile must have is read, and its absence is the board's protocol error."""
    profile = shipped()
    questions = tuple(
        replace(one, answers=tuple(pattern.replace(f"(?P<{name}>", "(?:") for pattern in one.answers))
        if one.name == question
        else one
        for one in profile.grammar.questions
    )
    board, _ = board_that_says(
        LINES[question], profile=replace(profile, grammar=replace(profile.grammar, questions=questions))
    )

    with pytest.raises(BoardProtocolError, match=rf"'{name}'.*pattern"):
        ask(board, question)


def test_waiting_for_the_boot_notice() -> None:
    """The boot notice is waited for as long as the profile says, and its own reset is no surprise."""
    board, console = board_that_says("BOOT haybarn fw=1.4.2 reset=power boots=17")

    notice = board.wait_for_boot(after_s=99.0)

    assert notice.fields["boots"] == "17"
    assert console.waited == [("boot", 99.0, 1.5, ("boot",))]


def test_waiting_for_the_end_of_an_uplink() -> None:
    """A reset is not expected during an uplink."""
    board, console = board_that_says("REPORT done n=3")

    board.wait_for_report_done(after_s=99.0, timeout_s=5.2)

    assert console.waited == [("report_done", 99.0, 5.2, ())]


def test_links_are_released_together() -> None:
    """Every port to the board is let go of and opened again."""
    tap = ScriptedTap([])
    board, console = board_that_says(tap=tap)

    board.release_links()
    board.reopen_links()

    assert console.done == ["console released", "console opened"]
    assert tap.done == ["tap released", "tap opened"]


def test_links_without_a_tap() -> None:
    """A slot without a tap has one port."""
    board, console = board_that_says()

    board.release_links()
    board.reopen_links()

    assert console.done == ["console released", "console opened"]
