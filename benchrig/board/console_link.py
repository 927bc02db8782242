"""The console of a board: asks questions by a policy of repeats, waits for notices, and holds the port.

Owns the order of things on the line: what is old is set aside before a question goes out, and no late answer meets
the next question. What is an answer is ruled in `exchange`; whatever else comes is told through `note`, never
returned. Public times are bench time. Must not know instruments, records or pytest.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from typing import TYPE_CHECKING

import tenacity

from benchrig.board.console_log import NOTE_KINDS, NOTHING, Awaited, ConsoleLog, Note, in_bench_time, shown
from benchrig.board.exchange import Exchange
from benchrig.errors import BoardError, ConfigError, PortError
from benchrig.protocol.console import Answer, Checksum, Grammar, Line, Meaning, Notice
from benchrig.wires.line_reader import LineReader

if TYPE_CHECKING:
    from collections.abc import Collection

    from benchrig.clock import Clock
    from benchrig.wires.serial_port import SerialPort

__all__ = ["NOTE_KINDS", "ConsoleLink", "Note"]

_LOG = logging.getLogger(__name__)


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
        self._line_end = grammar.line_end.encode("ascii")
        self._log = ConsoleLog(grammar, checksum, note)
        self._reader = LineReader(port)
        self._repeats = 0
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
            self._must_hold_port(f"question {question_name} ({shown(exchange.message)}) was not sent")
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
        awaited = Awaited(frozenset({name, *expected_notices}), began_after_s)
        with self._turn, self._reader.attended():
            self._must_hold_port(f"notice {name} cannot be waited for")
            while True:
                found = self._log.find(name, awaited, doing=f"it was to send {name}")
                if found:
                    return found
                if self._next(deadline_s, awaited=awaited) is None:
                    raise self._log.not_found(name, awaited, timeout_s=timeout_s)

    def nudge(self) -> None:
        """Send a bare line end, which asks nothing: it wakes a board that sleeps. Raises PortError."""
        with self._turn:
            self._must_hold_port("the line end that wakes the board was not sent")
            self._port.write(self._line_end)

    def drain(self) -> int:
        """Sort all lines that came until now into notices and the rest; how many there were. Raises PortError."""
        return self._drain(NOTHING)

    def _drain(self, awaited: Awaited) -> int:
        count = 0
        with self._turn, self._reader.attended():
            start_s = self._bench_now_s()
            while (meaning := self._next(0.0, awaited=awaited)) is not None:
                count += 1
                if meaning.line.began_s > start_s:
                    break  # a babbling board never ends
            self._note_lost_lines()
        return count

    def lines(self) -> tuple[Line, ...]:
        """The last lines (at most 200) with their bench times, for whoever looks into a failure."""
        return tuple(self._log.lines)

    @property
    def resets(self) -> tuple[Notice, ...]:
        """Every reset notice since the link was made, those waiting in the port included."""
        with contextlib.suppress(PortError):  # closed or vanished: the next question says so
            self.drain()
        return tuple(self._log.resets)

    @property
    def counts(self) -> dict[str, int]:
        """How many lines were damaged or unknown, and how many questions were repeated."""
        return {**self._log.counts, "repeats": self._repeats}

    def release(self) -> None:
        """Close the port, so that its adapter neither feeds nor loads the board."""
        with self._turn:
            if self._port.is_open:
                with contextlib.suppress(PortError):  # vanished: closing is all that is left
                    self.drain()
                self._reader.close()
                self._note("link released", f"{self._port.where} closed; what the board says now is lost")

    def reopen(self) -> None:
        """Open the port again after `release`. Raises PortError.

        What waits in the port already is older than whatever happens after this call.
        """
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
    ) -> Exchange:
        question = self._grammar.question(name)
        text = question.text(params)
        if self._checksum and self._checksum.on_commands:
            text = self._checksum.add(text)
        granted_s = question.timeout_s if timeout_s is None else timeout_s
        return Exchange(question, text + self._line_end, granted_s, frozenset(expected_notices))

    def _ask_by_policy(self, exchange: Exchange) -> Answer:
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
            raise exchange.charge() from error

    def _note_repeat(self, exchange: Exchange) -> None:
        self._repeats += 1
        said = f"{exchange.question.name}: attempt {exchange.attempt} brought {exchange.last_came()}"
        self._note("question repeated", said)

    def _attempt(self, exchange: Exchange) -> Answer:
        self._send(exchange)
        known = len(exchange.unusable)
        answer = self._await_answer(exchange)
        if answer:
            if exchange.attempt > 1:
                self._note("answered on a repeat", f"{exchange.question.name}: attempt {exchange.attempt}")
            return answer
        half = self._reader.partial()[exchange.pending :]
        if half:
            exchange.unusable.append(f"half a line {shown(half)}")
            self._note("half line", f"{shown(half)} after {exchange.question.name}")
        if len(exchange.unusable) == known:
            self._late_answers += 1
        self._must_be_alone()
        raise _Unanswered(f"no answer to {exchange.question.name}")

    def _send(self, exchange: Exchange) -> None:
        exchange.attempt += 1
        self._drain(exchange.awaited)
        self._log.refuse_resets(exchange.awaited, doing=exchange.doing)
        pending = len(self._reader.partial())
        _LOG.debug("%s > %r", self._port.name, exchange.message)
        # This stamp is taken before the write, a line's after its read: what was read until here cannot pass
        # for an answer, and no answer can be older than its question.
        exchange.begin_attempt(sent_s=self._bench_now_s(), pending=pending)
        self._port.write(exchange.message)

    def _await_answer(self, exchange: Exchange) -> Answer | None:
        deadline_s = time.monotonic() + self._clock.wall_timeout_s(exchange.timeout_s)
        awaited = exchange.awaited
        while (meaning := self._next(deadline_s, asked=exchange.question.name, awaited=awaited)) is not None:
            answer = exchange.answer_in(meaning)
            if answer:
                return answer
            if isinstance(meaning, Answer):
                self._log.note_late(meaning)
            elif isinstance(meaning, Notice) and not exchange.is_older(meaning):
                self._log.refuse_resets(awaited, doing=exchange.doing)
        return None

    def _let_late_answers_pass(self, exchange: Exchange) -> None:
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

    def _must_hold_port(self, otherwise: str) -> None:
        if not self._port.is_open:
            raise PortError(f"{self._port.where}: {otherwise}, for the link was released; open it again first")

    def _must_be_alone(self) -> None:
        others = self._port.other_openers()
        if others:
            raise PortError(
                f"{self._port.where}: an answer is missing, and {', '.join(map(str, others))} has the port open "
                "too and takes bytes of the board; end that, then start again"
            )

    # Lines

    def _next(self, deadline_s: float, *, asked: str = "", awaited: Awaited = NOTHING) -> Meaning | None:
        """The meaning of the next line, filed; None when none came until a monotonic wall time."""
        line = self._reader.next_line(timeout_s=max(0.0, deadline_s - time.monotonic()))
        if line is None:
            return None
        _LOG.debug("%s < %r", self._port.name, line.text)
        meaning = self._log.take(in_bench_time(line, self._clock.from_wall_s), asked=asked, awaited=awaited)
        if self._log.is_reset(meaning):
            self._late_answers = 0  # whatever the board was about to say, it has forgotten
        return meaning

    def _note_lost_lines(self) -> None:
        lost = self._reader.lost_lines - self._lost_lines
        if lost:
            self._lost_lines += lost
            self._note("lines lost", f"{lost} lines were thrown away, since nobody took them in time")

    def _bench_now_s(self) -> float:
        return self._clock.from_wall_s(time.monotonic())
