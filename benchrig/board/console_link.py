"""The console of a board: questions with answers that began after them, notices, and resets.

Owns the rule that makes an answer a value: a complete, undamaged line that matches the question's pattern and
began after the question was sent. Whatever else comes is told through `note`, never returned. Public times are
bench time. Must not know instruments, records or pytest.
"""

from __future__ import annotations

import contextlib
import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import tenacity

from benchrig.errors import BoardError, BoardProtocolError, BoardTimeout, ConfigError, PortError
from benchrig.protocol.console import Answer, Checksum, Damaged, Grammar, Line, Meaning, Notice, Question, Unknown
from benchrig.wires.serial_port import LineReader, SerialPort

if TYPE_CHECKING:
    from collections.abc import Collection

    from benchrig.clock import Clock

_LOG = logging.getLogger(__name__)
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


@dataclass
class _Exchange:
    """One question on its way, and what came instead of its answer."""

    question: Question
    message: bytes
    timeout_s: float
    expected_notices: Collection[str]
    sent_s: float = 0.0
    first_sent_s: float = math.inf
    purpose: str = ""
    pending: int = 0  # bytes of an unfinished line that had come before it was sent
    attempt: int = 0
    unusable: list[str] = field(default_factory=list)


class _Unanswered(BoardError):
    """An attempt brought no answer; the policy decides whether the question is asked again."""


class ConsoleLink:
    """Asks a board over its console. One question at a time; a second thread waits for its turn."""

    def __init__(
        self,
        port: SerialPort,
        grammar: Grammar,
        checksum: Checksum | None,
        clock: Clock,
        note: Note,
        *,
        attempts: int = 3,
    ) -> None:
        """`attempts`: how often a question is sent before the board is charged."""
        if attempts < 1:
            raise ConfigError(f"console attempts {attempts}: 1 or more is accepted")
        self._port = port
        self._grammar = grammar
        self._checksum = checksum
        self._clock = clock
        self._note = note
        self._attempts = attempts
        self._reader = LineReader(port)
        self._lines: deque[Line] = deque(maxlen=_KEPT)
        self._notices: deque[Notice] = deque(maxlen=_KEPT)
        self._resets: list[Notice] = []
        self._counts = dict.fromkeys(("damaged", "unknown", "repeats"), 0)
        self._late_answers = 0  # how many may still come for attempts that brought nothing
        self._lost_lines = 0
        self._turn = threading.RLock()

    def ask(
        self,
        question_name: str,
        /,
        *,
        timeout_s: float | None = None,
        expected_notices: Collection[str] = (),
        **params: str | float,
    ) -> Answer:
        """The answer of the board; the stamps of its line are bench time.

        `timeout_s` (bench seconds, each attempt) replaces the profile's. A reset of the board meanwhile is an
        error, unless its notice is among `expected_notices`. Raises BoardTimeout when nothing came that could be
        an answer, BoardProtocolError when the board reset or all that came is unusable, PortError when the port
        failed or somebody else reads it too, ConfigError for a question or params that the profile does not have.
        """
        exchange = self._exchange(question_name, params, timeout_s, expected_notices)
        with self._turn, self._reader.attended():
            self._let_late_answers_pass(exchange)
            return self._ask_by_policy(exchange)

    def wait_for_notice(
        self,
        name: str,
        *,
        began_after_s: float,
        timeout_s: float,
        expected_notices: Collection[str] = (),
    ) -> Notice:
        """The first notice of that name that began after a bench time; it may have come already.

        Raises BoardTimeout, BoardProtocolError when the board resets meanwhile (unless that is waited for or
        expected), PortError, and ConfigError for a name that the profile does not have.
        """
        if name not in self._grammar.notices:
            raise ConfigError(f"the board profile has no notice {name!r}; it has {sorted(self._grammar.notices)}")
        deadline_s = time.monotonic() + self._clock.wall_timeout_s(timeout_s)
        accepted = {name, *expected_notices}
        with self._turn, self._reader.attended():
            while True:
                found = self._kept_notice(name, began_after_s, accepted)
                if found:
                    return found
                if self._next(deadline_s) is None:
                    raise BoardTimeout(
                        f"no notice {name} from the board within {timeout_s:g} s; lines of that time: "
                        f"{_quoted([line for line in self._lines if line.began_s > began_after_s])}; accepted is "
                        f"{self._grammar.notices[name]!r}; check that the board is powered and runs its firmware"
                    )

    def nudge(self) -> None:
        """Send a bare line end, which asks nothing: it wakes a board that sleeps. Raises PortError."""
        with self._turn:
            self._port.write(self._grammar.line_end.encode("ascii"))

    def drain(self) -> int:
        """Sort all lines that came until now into notices and the rest; how many there were."""
        count = 0
        with self._turn, self._reader.attended():
            start_s = self._bench_now_s()
            while (meaning := self._next(0.0)) is not None:
                count += 1
                if meaning.line.began_s > start_s:
                    break  # a babbling board never ends
            self._note_lost_lines()
        return count

    def lines(self) -> tuple[Line, ...]:
        """The last lines (at most 200) with their bench times, for whoever looks into a failure."""
        return tuple(self._lines)

    @property
    def resets(self) -> tuple[Notice, ...]:
        """Every reset notice since the link was made, those waiting in the port included."""
        with contextlib.suppress(PortError):  # closed or vanished: the next question says so
            self.drain()
        return tuple(self._resets)

    @property
    def counts(self) -> dict[str, int]:
        """How many lines were damaged or unknown, and how many questions were repeated."""
        return dict(self._counts)

    def release(self) -> None:
        """Close the port, so that its adapter neither feeds nor loads the board."""
        with self._turn:
            if self._port.is_open:
                with contextlib.suppress(PortError):  # vanished: closing is all that is left
                    self.drain()
                self._reader.close()
                self._note("link released", f"{self._port.where} closed; what the board says now is lost")

    def reopen(self) -> None:
        """Open the port again after `release`; what came before is forgotten. Raises PortError."""
        with self._turn:
            if not self._port.is_open:
                self._port.reopen()
                self._reader = LineReader(self._port)
                self._lost_lines = 0
                self._note("link opened again", f"{self._port.where} open")

    def close(self) -> None:
        """End reading and close the port; a second call does nothing."""
        with self._turn:
            self._reader.close()

    # One question: sent, awaited, repeated, charged

    def _exchange(
        self,
        name: str,
        params: dict[str, str | int | float],
        timeout_s: float | None,
        expected_notices: Collection[str],
    ) -> _Exchange:
        question = self._grammar.question(name)
        text = question.text(params)
        if self._checksum and self._checksum.on_commands:
            text = self._checksum.add(text)
        message = text + self._grammar.line_end.encode("ascii")
        granted_s = question.timeout_s if timeout_s is None else timeout_s
        return _Exchange(question, message, granted_s, expected_notices)

    def _ask_by_policy(self, exchange: _Exchange) -> Answer:
        policy = tenacity.Retrying(
            retry=tenacity.retry_if_exception_type(_Unanswered),
            stop=tenacity.stop_after_attempt(self._attempts),
            wait=tenacity.wait_none(),
            before_sleep=lambda _: self._note_repeat(exchange),
            reraise=True,
        )
        try:
            return policy(self._attempt, exchange)
        except _Unanswered as error:
            raise _charge(exchange) from error

    def _note_repeat(self, exchange: _Exchange) -> None:
        self._counts["repeats"] += 1
        came = exchange.unusable[-1] if exchange.unusable else "nothing"
        self._note("question repeated", f"{exchange.question.name}: attempt {exchange.attempt} brought {came}")

    def _attempt(self, exchange: _Exchange) -> Answer:
        self._send(exchange)
        known = len(exchange.unusable)
        answer = self._await_answer(exchange)
        if answer:
            if exchange.attempt > 1:
                self._note("answered on a repeat", f"{exchange.question.name}: attempt {exchange.attempt}")
            return answer
        half = self._reader.partial()[exchange.pending :]
        if half:
            exchange.unusable.append(f"half a line {_shown(half)}")
            self._note("half line", f"{_shown(half)} after {exchange.question.name}")
        if len(exchange.unusable) == known:
            self._late_answers += 1
        self._must_be_alone()
        raise _Unanswered(f"no answer to {exchange.question.name}")

    def _send(self, exchange: _Exchange) -> None:
        exchange.attempt += 1
        self.drain()
        self._refuse_resets(exchange)
        exchange.pending = len(self._reader.partial())
        _LOG.debug("%s > %r", self._port.name, exchange.message)
        # This stamp is taken before the write, a line's after its read: what was read until here cannot pass
        # for an answer, and no answer can be older than its question.
        exchange.sent_s = self._bench_now_s()
        exchange.first_sent_s = min(exchange.first_sent_s, exchange.sent_s)
        self._port.write(exchange.message)

    def _await_answer(self, exchange: _Exchange) -> Answer | None:
        deadline_s = time.monotonic() + self._clock.wall_timeout_s(exchange.timeout_s)
        while (meaning := self._next(deadline_s, asked=exchange.question.name)) is not None:
            answer = self._consider(meaning, exchange)
            if answer:
                return answer
        return None

    def _consider(self, meaning: Meaning, exchange: _Exchange) -> Answer | None:
        """The answer, if this is it; else what came is kept for the message."""
        is_older = meaning.line.began_s <= exchange.sent_s
        match meaning:
            case Answer(question=name) if name == exchange.question.name and not is_older:
                return meaning
            case Answer():
                self._note_late(meaning)
            case _ if is_older:
                pass
            case Notice():
                self._refuse_resets(exchange)
            case Damaged(why=why):
                exchange.unusable.append(f"the damaged line {_shown(meaning.line.text)} ({why})")
            case Unknown():
                exchange.unusable.append(f"the line {_shown(meaning.line.text)}")
        return None

    def _let_late_answers_pass(self, exchange: _Exchange) -> None:
        """After an attempt that brought nothing its answer may still come, and must not answer what is asked now.

        The board answers in order: once it has answered the sync question, nothing older is on its way. Where
        the profile has none, as much time is granted as the unanswered question had.
        """
        sync = self._grammar.sync
        if not self._late_answers:
            return
        if sync and sync != exchange.question.name:
            finding = self._exchange(sync, {}, None, exchange.expected_notices)
            finding.purpose = f" (first, since an attempt before {exchange.question.name} brought nothing)"
            self._ask_by_policy(finding)
        else:
            patience_s = self._clock.wall_timeout_s(exchange.timeout_s * self._attempts)
            self._pass_late_answers(time.monotonic() + patience_s)
        self._late_answers = 0

    def _pass_late_answers(self, deadline_s: float) -> None:
        while self._late_answers and (meaning := self._next(deadline_s)) is not None:
            if isinstance(meaning, Answer):
                self._late_answers -= 1

    def _must_be_alone(self) -> None:
        others = self._port.other_openers()
        if others:
            raise PortError(
                f"{self._port.where}: an answer is missing, and {', '.join(map(str, others))} has the port open "
                "too and takes bytes of the board; end that, then start again"
            )

    # Lines

    def _next(self, deadline_s: float, *, asked: str = "") -> Meaning | None:
        """The meaning of the next line, filed; None when none came until a monotonic wall time."""
        line = self._reader.next_line(timeout_s=max(0.0, deadline_s - time.monotonic()))
        if line is None:
            return None
        _LOG.debug("%s < %r", self._port.name, line.text)
        line = self._in_bench_time(line)
        self._lines.append(line)
        meaning = self._grammar.classify(line, checksum=self._checksum, asked=asked)
        self._file(meaning, asked)
        if self._checksum and isinstance(meaning, Damaged):
            whole = self._grammar.behind_half_line(line, checksum=self._checksum, asked=asked)
            if whole:
                self._file(whole, asked)
                return whole
        return meaning

    def _in_bench_time(self, line: Line) -> Line:
        from_wall_s = self._clock.from_wall_s
        later = tuple((start, from_wall_s(at_s)) for start, at_s in line.chunks)
        return Line(line.text, from_wall_s(line.began_s), from_wall_s(line.ended_s), line.overlong, later)

    def _file(self, meaning: Meaning, asked: str) -> None:
        match meaning:
            case Answer() if not asked:
                self._note_late(meaning)
            case Notice():
                self._file_notice(meaning)
            case Damaged(line=line, why=why):
                self._counts["damaged"] += 1
                self._note("damaged line", f"{_shown(line.text)}: {why}")
            case Unknown(line=line):
                self._counts["unknown"] += 1
                self._note("unknown line", _shown(line.text))

    def _file_notice(self, notice: Notice) -> None:
        self._notices.append(notice)
        if notice.name in self._grammar.resets:
            self._resets.append(notice)
            self._late_answers = 0  # whatever the board was about to say, it has forgotten
            self._note("board reset", _shown(notice.line.text))

    def _note_lost_lines(self) -> None:
        lost = self._reader.lost_lines - self._lost_lines
        if lost:
            self._lost_lines += lost
            self._note("lines lost", f"{lost} lines were thrown away, since nobody took them in time")

    def _note_late(self, answer: Answer) -> None:
        self._note("late answer", f"{_shown(answer.line.text)} answers no question that is open; set aside")

    def _kept_notice(self, name: str, began_after_s: float, accepted: Collection[str]) -> Notice | None:
        for notice in self._notices:
            if notice.line.began_s > began_after_s:
                if notice.name == name:
                    return notice
                self._refuse_reset(notice, accepted, f"it was to send {name}")
        return None

    def _refuse_resets(self, exchange: _Exchange) -> None:
        for notice in self._resets:
            if notice.line.began_s > exchange.first_sent_s:
                self._refuse_reset(notice, exchange.expected_notices, f"answering {exchange.question.name}")

    def _refuse_reset(self, notice: Notice, accepted: Collection[str], doing: str) -> None:
        if notice.name in self._grammar.resets and notice.name not in accepted:
            raise BoardProtocolError(
                f"the board reset while {doing}: {_shown(notice.line.text)} came; look at its supply and at "
                "the reset cause it gives"
            )

    def _bench_now_s(self) -> float:
        return self._clock.from_wall_s(time.monotonic())


def _charge(exchange: _Exchange) -> BoardTimeout | BoardProtocolError:
    question = exchange.question
    times = f"{exchange.attempt} times, {exchange.timeout_s:g} s each"
    asked = f"board asked {_shown(exchange.message)}{exchange.purpose} {times}"
    accepted = " or ".join(map(repr, question.answers))
    if not exchange.unusable:
        return BoardTimeout(
            f"{asked}: no complete answer that began after the question; accepted is {accepted}; "
            "check power, boot, baud rate and wiring of the console"
        )
    came = ", ".join(exchange.unusable[-3:])
    return BoardProtocolError(
        f"{asked}: last came {came}; accepted is {accepted}; compare profile and firmware, look for noise"
    )


def _quoted(lines: list[Line]) -> str:
    return ", ".join(_shown(line.text) for line in lines[-3:]) or "none"


def _shown(text: bytes) -> str:
    return repr(text[:80])[1:] + ("..." if len(text) > 80 else "")
