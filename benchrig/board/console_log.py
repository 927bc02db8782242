"""What a board said on its console: lines by their meaning, notices, resets, and what of it is worth a note.

Owns the memory of a link, and which reset is news: one that nobody waited for. All times are bench time. Must not
know ports, threads, nor how a question is asked.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import BoardProtocolError, BoardTimeout
from benchrig.protocol.console import Answer, Checksum, Damaged, Grammar, Line, Meaning, Notice, Unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

_KEPT = 200

Note = Callable[[str, str], None]
"""Takes the kind of a happening, one of NOTE_KINDS, and a sentence."""

NOTE_KINDS = (
    "question repeated",
    "answered on a repeat",
    "late answer",
    "damaged line",
    "unknown line",
    "half line",
    "lines lost",
    "board reset",
    "link released",
    "link opened again",
)


@dataclass(frozen=True, slots=True)
class Awaited:
    """Notices that somebody waits for or puts up with: these names, begun after a bench time."""

    names: frozenset[str] = frozenset()
    after_s: float = math.inf

    def covers(self, notice: Notice) -> bool:
        """Whether it is one of them."""
        return notice.name in self.names and notice.line.began_s > self.after_s


NOTHING = Awaited()


class ConsoleLog:
    """Sorts lines and keeps them: the last 200, the last 200 notices, and every reset."""

    def __init__(self, grammar: Grammar, checksum: Checksum | None, note: Note) -> None:
        self.lines: deque[Line] = deque(maxlen=_KEPT)
        self.resets: list[Notice] = []
        self.counts = {"damaged": 0, "unknown": 0}
        self._grammar = grammar
        self._checksum = checksum
        self._note = note
        self._notices: deque[Notice] = deque(maxlen=_KEPT)

    def take(self, line: Line, *, asked: str = "", awaited: Awaited = NOTHING) -> Meaning:
        """What a line means, filed. `asked` is the question that is open, `awaited` what is no news."""
        self.lines.append(line)
        meaning = self._grammar.classify(line, checksum=self._checksum, asked=asked)
        self._file(meaning, asked, awaited)
        if self._checksum and isinstance(meaning, Damaged):
            whole = self._grammar.behind_half_line(line, checksum=self._checksum, asked=asked)
            if whole:
                self._file(whole, asked, awaited)
                return whole
        return meaning

    def is_reset(self, meaning: Meaning) -> bool:
        """Whether the board began anew with this line."""
        return isinstance(meaning, Notice) and meaning.name in self._grammar.resets

    def note_late(self, answer: Answer) -> None:
        """Tell of an answer that is none to the question that is open."""
        self._note("late answer", f"{shown(answer.line.text)} answers no question that is open; set aside")

    def find(self, name: str, awaited: Awaited, *, doing: str) -> Notice | None:
        """The first notice of that name after `awaited.after_s`; BoardProtocolError for a reset before it."""
        for notice in self._since(self._notices, awaited):
            if notice.name == name:
                return notice
            self._refuse(notice, awaited, doing)
        return None

    def not_found(self, name: str, awaited: Awaited, *, timeout_s: float) -> BoardTimeout:
        """The board's error when a notice did not come in time; to be raised."""
        came = [shown(line.text) for line in self.lines if line.began_s > awaited.after_s]
        return BoardTimeout(
            f"no notice {name} from the board within {timeout_s:g} s; lines of that time: "
            f"{', '.join(came[-3:]) or 'none'}; accepted is {self._grammar.notices[name]!r}; "
            "check that the board is powered and runs its firmware"
        )

    def refuse_resets(self, awaited: Awaited, *, doing: str) -> None:
        """Raise BoardProtocolError for a reset after `awaited.after_s` that is not awaited."""
        for notice in self._since(self.resets, awaited):
            self._refuse(notice, awaited, doing)

    def _since(self, notices: deque[Notice] | list[Notice], awaited: Awaited) -> Iterator[Notice]:
        return (notice for notice in notices if notice.line.began_s > awaited.after_s)

    def _refuse(self, notice: Notice, awaited: Awaited, doing: str) -> None:
        if self.is_reset(notice) and not awaited.covers(notice):
            raise BoardProtocolError(
                f"the board reset while {doing}: {shown(notice.line.text)} came; look at its supply and at "
                "the reset cause it gives"
            )

    def _file(self, meaning: Meaning, asked: str, awaited: Awaited) -> None:
        match meaning:
            case Answer() if not asked:
                self.note_late(meaning)
            case Notice():
                self._file_notice(meaning, awaited)
            case Damaged(line=line, why=why):
                self.counts["damaged"] += 1
                self._note("damaged line", f"{shown(line.text)}: {why}")
            case Unknown(line=line):
                self.counts["unknown"] += 1
                self._note("unknown line", shown(line.text))

    def _file_notice(self, notice: Notice, awaited: Awaited) -> None:
        self._notices.append(notice)
        if self.is_reset(notice):
            self.resets.append(notice)
            if not awaited.covers(notice):
                self._note("board reset", shown(notice.line.text))


def in_bench_time(line: Line, from_wall_s: Callable[[float], float]) -> Line:
    """The line with its wall stamps turned into bench time."""
    later = tuple((start, from_wall_s(at_s)) for start, at_s in line.chunks)
    return Line(line.text, from_wall_s(line.began_s), from_wall_s(line.ended_s), line.overlong, later)


def shown(text: bytes) -> str:
    """Bytes of a board as they stand in a message, long ones shortened."""
    return repr(text[:80])[1:] + ("..." if len(text) > 80 else "")
