"""Running a program that is written as a generator: it yields what it waits for.

Owns: resuming and stopping.  Must not know what the program does.  A stopped program never runs another line, which
is what loss of power means.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.simulation.bench_time import Agenda, Appointment


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait `seconds` of bench time (None: for ever), or until input arrives if `for_input`."""

    seconds: float | None
    for_input: bool = False


Program = Generator[Wait, bool, None]
"""Yields waits; each yield gives True if input ended the wait."""


class Process:
    """At most one running program."""

    def __init__(self, agenda: Agenda) -> None:
        self._agenda = agenda
        self._program: Program | None = None
        self._wait: Wait | None = None
        self._alarm: Appointment | None = None

    def start(self, program: Program) -> None:
        """Stop what runs and run `program` up to its first wait."""
        self.stop()
        self._program = program
        self._obey(next(program))

    def stop(self) -> None:
        """Stop for good; nothing of the program runs any more."""
        self._silence()
        self._program = self._wait = None

    def notify_input(self) -> None:
        """Tell the program that input has arrived, if it waits for that."""
        if self._wait is not None and self._wait.for_input:
            self._resume(by_input=True)

    def _resume(self, *, by_input: bool) -> None:
        self._silence()
        program = self._program
        if program is None:
            return
        self._wait = None
        wait = program.send(by_input)
        if self._program is program:  # the step may have cost the board its power
            self._obey(wait)

    def _obey(self, wait: Wait) -> None:
        self._wait = wait
        if wait.seconds is not None:
            self._alarm = self._agenda.after(wait.seconds, lambda: self._resume(by_input=False))

    def _silence(self) -> None:
        if self._alarm is not None:
            self._alarm.cancel()
            self._alarm = None
