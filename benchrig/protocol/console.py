"""Console lines of a board: bytes in, lines out, and what a line means by the board profile's grammar.

Owns line ends, the checksum behind a line, and the patterns of answers and notices. Must not know ports,
clocks or threads: a stamp is a number that the caller brings. A line is a value only as a whole; half a line
never becomes one. No published standard rules the consoles of such boards: text lines with a CRC in upper
hexadecimal digits behind a separator are common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from functools import cached_property
from string import Formatter
from typing import TYPE_CHECKING

import msgspec

from benchrig.errors import BoardProtocolError, ConfigError
from benchrig.payload.crc import compute_crc, find_crc

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

MAX_LINE_BYTES = 512
"""A longer line is noise or another baud rate: it is cut, so that a babbling board cannot fill the memory."""

_NOT_PRINTABLE = re.compile(rb"[^\t\x20-\x7e]")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)


class Line(msgspec.Struct, frozen=True):
    """A complete line without its end. Stamps in seconds: when its first byte and its end arrived.

    `chunks` tells, for bytes that arrived later than the first, from which offset on which stamp holds.
    """

    text: bytes
    began_s: float
    ended_s: float
    overlong: bool = False
    chunks: tuple[tuple[int, float], ...] = ()

    @property
    def damaged(self) -> bool:
        """It was cut, or holds bytes that no line of text has."""
        return self.overlong or _NOT_PRINTABLE.search(self.text) is not None

    def tail(self, offset: int) -> Line:
        """The line as if it had begun at `offset`, with the stamp of the byte there."""
        began_s = max((at_s for start, at_s in self.chunks if start <= offset), default=self.began_s)
        later = tuple((start - offset, at_s) for start, at_s in self.chunks if start > offset)
        return Line(self.text[offset:], began_s, self.ended_s, self.overlong, later)


class LineAssembler:
    """Joins chunks of bytes to lines. CR, LF and CR LF end a line; empty lines are dropped."""

    def __init__(self, *, max_bytes: int = MAX_LINE_BYTES) -> None:
        if max_bytes < 1:
            raise ValueError(f"a line holds at least 1 byte, not {max_bytes}")
        self._max_bytes = max_bytes
        self._held = bytearray()
        self._chunks: list[tuple[int, float]] = []
        self._overlong = False

    @property
    def partial(self) -> bytes:
        """The bytes of the line that has no end yet."""
        return bytes(self._held)

    def feed(self, data: bytes, at_s: float) -> list[Line]:
        """The lines that `data`, arrived at `at_s`, completes; none is a usual answer."""
        # CR LF needs no memory across chunks: its LF would end an empty line, and those are dropped.
        pieces = data.splitlines()  # of bytes: CR, LF and CR LF, no other ends
        is_whole = data.endswith((b"\r", b"\n"))
        if is_whole and not self._held and len(data) <= self._max_bytes:  # the usual case, on the way to a caller
            return [Line(piece, at_s, at_s) for piece in pieces if piece]
        rest = b"" if is_whole or not pieces else pieces.pop()
        lines = [line for piece in pieces if (line := self._end(piece, at_s))]
        if rest:
            self._hold(rest, at_s)
        return lines

    def reset(self) -> None:
        """Forget the unfinished line; what still comes of it begins a line of its own."""
        self._held.clear()
        self._chunks.clear()
        self._overlong = False

    def _hold(self, piece: bytes, at_s: float) -> None:
        room = self._max_bytes - len(self._held)
        if piece and room:
            self._chunks.append((len(self._held), at_s))
        self._overlong = self._overlong or len(piece) > room
        self._held += piece[:room]

    def _end(self, piece: bytes, at_s: float) -> Line | None:
        self._hold(piece, at_s)
        if not self._held:
            return None
        (_, began_s), *later = self._chunks
        line = Line(bytes(self._held), began_s, at_s, self._overlong, tuple(later))
        self.reset()
        return line


@dataclass(frozen=True, slots=True)
class DamagedText:
    """Text that is not what was sent, and how that shows."""

    text: bytes
    why: str


@dataclass(frozen=True)
class Checksum:
    """The CRC behind each line: separator, then upper hexadecimal digits over the text before it.

    `on_commands` says whether the board wants it behind what is sent to it, too. Raises ConfigError for an
    unknown CRC name, naming the accepted ones.
    """

    crc: str = "CRC-16/IBM-3740"
    separator: str = "*"
    on_commands: bool = True

    def __post_init__(self) -> None:
        find_crc(self.crc)
        if len(self.separator) != 1 or not self.separator.isascii() or not self.separator.isprintable():
            raise ConfigError(f"checksum separator {self.separator!r}: one printable ASCII character is needed")

    def add(self, line: bytes) -> bytes:
        """The line with separator and checksum behind it."""
        return line + self._mark + self._digits(line)

    def strip(self, line: bytes) -> bytes | DamagedText:
        """The text before the checksum, or what is wrong with it."""
        text, mark, digits = line.rpartition(self._mark)
        if not mark:
            return DamagedText(line, f"no {self.separator!r} with a checksum behind the text")
        expected = self._digits(text)
        if digits != expected:
            return DamagedText(line, f"checksum {_shown(digits)}, the text gives {_shown(expected)}")
        return text

    @cached_property
    def _mark(self) -> bytes:
        return self.separator.encode("ascii")

    @cached_property
    def _digits_wanted(self) -> int:
        return find_crc(self.crc).width_bits // 4

    def _digits(self, text: bytes) -> bytes:
        return b"%0*X" % (self._digits_wanted, compute_crc(find_crc(self.crc), text))


@dataclass(frozen=True)
class Question:
    """What is sent to the board and the regular expressions of its answer, matched against the whole text.

    `send` may hold {placeholders}. Named groups become the answer's fields. `timeout_s` is bench time.
    """

    name: str
    send: str
    answers: tuple[str, ...]
    timeout_s: float

    @cached_property
    def patterns(self) -> tuple[re.Pattern[str], ...]:
        # ASCII: \d must not accept the digits of other scripts
        return tuple(re.compile(pattern, re.ASCII) for pattern in self.answers)

    @cached_property
    def placeholders(self) -> frozenset[str]:
        return frozenset(key for _, key, _, _ in Formatter().parse(self.send) if key is not None)

    def text(self, params: Mapping[str, str | int | float]) -> bytes:
        """What to send. Raises ConfigError for missing or unknown params and for unprintable text."""
        if params.keys() != self.placeholders:
            raise ConfigError(
                f"question {self.name!r} sends {self.send!r}: it was given {sorted(params)}, "
                f"it takes {sorted(self.placeholders)}"
            )
        text = self.send.format(**params)
        if not text.isascii() or not text.isprintable():
            raise ConfigError(f"question {self.name!r} would send {text!r}: only printable ASCII is accepted")
        return text.encode("ascii")

    def match(self, text: str) -> dict[str, str] | None:
        """The fields of an answer, or None when the text is none. A group that took no part is left out."""
        return _first_match(self.patterns, text)


@dataclass(frozen=True, slots=True)
class Answer:
    """A line that answers a question."""

    question: str
    fields: dict[str, str]
    line: Line


@dataclass(frozen=True, slots=True)
class Notice:
    """A line that the board sends unasked."""

    name: str
    fields: dict[str, str]
    line: Line


@dataclass(frozen=True, slots=True)
class Unknown:
    """A whole line that the grammar does not know."""

    line: Line


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line whose bytes are not what the board sent."""

    line: Line
    why: str


Meaning = Answer | Notice | Unknown | Damaged


@dataclass(frozen=True)
class Grammar:
    """All that a board says, by name. Raises ConfigError with every problem at once.

    `notices` maps names to regular expressions, `resets` names the notices that mean the board began anew.
    `sync` names a question to find the place again with after an unanswered one: a board answers in order,
    so once it has answered this one, no older answer is on its way. `line_end` ends what is sent.
    """

    questions: tuple[Question, ...]
    notices: Mapping[str, str] = field(default_factory=dict)
    resets: tuple[str, ...] = ()
    sync: str = ""
    line_end: str = "\n"

    def __post_init__(self) -> None:
        problems = tuple(_grammar_problems(self))
        if problems:
            raise ConfigError("console grammar: " + "; ".join(problems), problems)

    @cached_property
    def _questions(self) -> dict[str, Question]:
        return {question.name: question for question in self.questions}

    @cached_property
    def _notices(self) -> dict[str, tuple[re.Pattern[str], ...]]:
        return {name: (re.compile(pattern, re.ASCII),) for name, pattern in self.notices.items()}

    def question(self, name: str) -> Question:
        """The question of this name. Raises ConfigError with the known names."""
        if name not in self._questions:
            raise ConfigError(f"the board profile has no question {name!r}; it has {sorted(self._questions)}")
        return self._questions[name]

    def classify(self, line: Line, *, checksum: Checksum | None = None, asked: str = "") -> Meaning:
        """What a line means. The question that was `asked` comes first, where several share a pattern."""
        text = _trustworthy_text(line, checksum)
        if isinstance(text, DamagedText):
            return Damaged(line, text.why)
        return self._answer(text, line, asked) or self._notice(text, line) or Unknown(line)

    def behind_half_line(self, line: Line, *, checksum: Checksum, asked: str = "") -> Answer | Notice | None:
        """What stands whole behind half a line, when a board stopped in the middle and then spoke again.

        Only a checksum can tell it from the rest of the half line, so there is no such look without one.
        """
        for offset in range(1, len(line.text)):
            meaning = self.classify(line.tail(offset), checksum=checksum, asked=asked)
            if isinstance(meaning, Answer | Notice):
                return meaning
        return None

    def _answer(self, text: str, line: Line, asked: str) -> Answer | None:
        first = [self._questions[asked]] if asked else []
        for question in (*first, *self.questions):
            fields = question.match(text)
            if fields is not None:
                return Answer(question.name, fields, line)
        return None

    def _notice(self, text: str, line: Line) -> Notice | None:
        for name, patterns in self._notices.items():
            fields = _first_match(patterns, text)
            if fields is not None:
                return Notice(name, fields, line)
        return None


def field_number(fields: Mapping[str, str], name: str) -> float:
    """The decimal number of a field. Raises BoardProtocolError when it is absent or no finite number."""
    text = fields.get(name)
    if text is None:
        raise BoardProtocolError(
            f"asked for the number {name!r} of an answer, which has the fields {sorted(fields)}; "
            "compare the answer pattern of the profile with the firmware"
        )
    number = float(text) if _NUMBER.fullmatch(text) else math.nan
    if not math.isfinite(number):
        raise BoardProtocolError(
            f"field {name!r} of the board's answer: a finite decimal number is accepted, {text!r} came; "
            "compare the answer pattern of the profile with the firmware"
        )
    return number


def _shown(text: bytes) -> str:
    return repr(text[:40])[1:]


def _trustworthy_text(line: Line, checksum: Checksum | None) -> str | DamagedText:
    if line.overlong:
        return DamagedText(line.text, f"no line end within {len(line.text)} bytes")
    stray = _NOT_PRINTABLE.search(line.text)
    if stray:
        return DamagedText(line.text, f"byte {stray[0][0]:#04x} is no character of a console line")
    text = checksum.strip(line.text) if checksum else line.text
    return text if isinstance(text, DamagedText) else text.decode("ascii")


def _first_match(patterns: Iterable[re.Pattern[str]], text: str) -> dict[str, str] | None:
    for pattern in patterns:
        found = pattern.fullmatch(text)
        if found:
            return {name: value for name, value in found.groupdict().items() if value is not None}
    return None


def _grammar_problems(grammar: Grammar) -> Iterator[str]:
    names = [question.name for question in grammar.questions]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"question {name!r} stands {names.count(name)} times; names are given once"
    for question in grammar.questions:
        yield from _question_problems(question)
    for name, pattern in grammar.notices.items():
        yield from _pattern_problems(f"notice {name!r}", pattern)
    for name in grammar.resets:
        if name not in grammar.notices:
            yield f"reset notice {name!r} is not among the notices {sorted(grammar.notices)}"
    if grammar.sync and grammar.sync not in names:
        yield f"sync question {grammar.sync!r} is not among the questions {sorted(names)}"
    if grammar.line_end not in {"\n", "\r", "\r\n"}:
        yield f"line end {grammar.line_end!r}: LF, CR or CR LF is accepted"


def _question_problems(question: Question) -> Iterator[str]:
    place = f"question {question.name!r}"
    if not question.answers:
        yield f"{place} has no answer pattern; at least one is needed"
    for pattern in question.answers:
        yield from _pattern_problems(place, pattern)
    if not (math.isfinite(question.timeout_s) and question.timeout_s > 0.0):
        yield f"{place}: timeout_s {question.timeout_s} is not accepted; seconds above 0 are"
    if not question.send or not question.send.isascii() or not question.send.isprintable():
        yield f"{place} sends {question.send!r}; printable ASCII without line end is accepted"
    try:
        named = all(key.isidentifier() for key in question.placeholders)
    except ValueError as error:
        yield f"{place} sends {question.send!r}: {error}"
        return
    if not named:
        yield f"{place} sends {question.send!r}: a placeholder is a name in braces, as in {{value}}"


def _pattern_problems(place: str, pattern: str) -> Iterator[str]:
    try:
        compiled = re.compile(pattern, re.ASCII)
    except re.error as error:
        yield f"{place}: pattern {pattern!r} is no regular expression: {error}"
        return
    if compiled.fullmatch(""):
        yield f"{place}: pattern {pattern!r} matches an empty line"
