"""The records of one run, sorted: what belongs to the run, what to which attempt of which check.

Owns the order that a journal must have. Knows no verdict: what the parts mean is for `board_report`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.records import (
    Annex,
    CheckFinished,
    CheckStarted,
    FactJudged,
    FileKept,
    Happening,
    InstrumentRecord,
    InstrumentsOpened,
    LimitJudged,
    NotProven,
    ReadingTaken,
    RunFinished,
    RunStarted,
    WaiverGranted,
)

if TYPE_CHECKING:
    from benchrig.journal import Journal
    from benchrig.records import Record


@dataclass(slots=True)
class Attempt:
    """The records of one attempt of one check, as they come in."""

    check: str
    number: int
    started: bool = False
    finished: CheckFinished | None = None
    judged: list[LimitJudged | FactJudged] = field(default_factory=list)
    readings: list[ReadingTaken] = field(default_factory=list)
    events: list[Happening] = field(default_factory=list)


@dataclass(slots=True)
class SortedRun:
    """A run sorted into its parts."""

    started: RunStarted | None = None
    finished: RunFinished | None = None
    instruments: tuple[InstrumentRecord, ...] = ()
    attempts: list[Attempt] = field(default_factory=list)
    events: list[Happening] = field(default_factory=list)
    not_proven: list[NotProven] = field(default_factory=list)
    annexes: list[Annex] = field(default_factory=list)
    files: list[FileKept] = field(default_factory=list)
    waivers: list[WaiverGranted] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    newest: dict[str, Attempt] = field(default_factory=dict)

    def attempt(self, check: str) -> Attempt:
        """The newest attempt of a check; a record without a start gets one all the same."""
        return self.newest.get(check) or self._new_attempt(check)

    def start(self, check: str) -> None:
        newest = self.attempt(check)
        if newest.started or newest.finished:
            newest = self._new_attempt(check)
        newest.started = True

    def finish(self, record: CheckFinished) -> None:
        newest = self.attempt(record.check)
        if newest.finished:  # a second end must not hide the first
            newest = self._new_attempt(record.check)
        newest.finished = record

    def _new_attempt(self, check: str) -> Attempt:
        before = self.newest.get(check)
        self.newest[check] = Attempt(check, 1 + (before.number if before else 0))
        self.attempts.append(self.newest[check])
        return self.newest[check]


def sorted_run(journal: Journal) -> SortedRun:
    """The records of a journal by what they belong to. Raises nothing: what is out of order is a problem."""
    run = SortedRun(problems=list(journal.problems))
    for number, record in enumerate(journal.records, 1):
        _note_order(run, record, number=number)
        _file(run, record)
    return run


def _note_order(run: SortedRun, record: Record, *, number: int) -> None:
    """A journal holds one run from its start to its end; anything else is said, and cannot pass."""
    if isinstance(record, RunStarted) != (number == 1):
        run.problems.append(
            f"record {number} is '{_tag(record)}': a journal begins with 'run started' and holds it once"
        )
    if run.finished is not None:
        run.problems.append(f"record {number}, '{_tag(record)}', stands after the end of the run")


def _tag(record: Record) -> str:
    return str(type(record).__struct_config__.tag)


def _file(run: SortedRun, record: Record) -> None:
    match record:
        case RunStarted():
            run.started = run.started or record
        case InstrumentsOpened():
            run.instruments += record.instruments
        case CheckStarted():
            run.start(record.check)
        case ReadingTaken():
            run.attempt(record.check).readings.append(record)
        case LimitJudged() | FactJudged():
            run.attempt(record.check).judged.append(record)
        case CheckFinished():
            run.finish(record)
        case Happening():
            _file_event(run, record)
        case NotProven() | Annex() | FileKept() | WaiverGranted():
            _file_aside(run, record)
        case RunFinished():
            run.finished = run.finished or record


def _file_aside(run: SortedRun, record: NotProven | Annex | FileKept | WaiverGranted) -> None:
    """What stands beside the verdicts."""
    match record:
        case NotProven():
            run.not_proven.append(record)
        case Annex():
            run.annexes.append(record)
        case FileKept():
            run.files.append(record)
        case WaiverGranted():
            run.waivers.append(record)


def _file_event(run: SortedRun, event: Happening) -> None:
    run.events.append(event)
    # An event may name a check that never began; that alone does not make it one that ran.
    if event.check in run.newest:
        run.newest[event.check].events.append(event)
