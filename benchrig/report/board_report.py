"""What a journal says of one board: records in, one frozen `BoardReport` out.

Owns the reading of a run as a whole: which checks ran, which are missing, how far the run came, what may be
said of the board. Knows no file, no layout, no bench. Everything that is shown later stands in this object.

What is missing never counts for the board: no end of the run means interrupted, no end of a check means not
run, a damaged journal proves nothing, nor does one whose verdicts do not follow from its values (`rederived`).
Attempts of one check are kept apart, and the worst of them counts.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

import msgspec

from benchrig.judge.verdicts import BoardVerdict, board_verdict, worst
from benchrig.records import RunState, Verdict
from benchrig.report.calibration_gate import why_not_signed_off
from benchrig.report.rederived import rederive
from benchrig.report.sorted_run import sorted_run

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from benchrig.journal import Journal
    from benchrig.records import (
        Annex,
        CheckFinished,
        FactJudged,
        FileKept,
        Happening,
        InstrumentRecord,
        LimitJudged,
        NotProven,
        ReadingTaken,
        RunFinished,
        RunStarted,
        WaiverGranted,
    )
    from benchrig.report.sorted_run import Attempt, SortedRun

_RUN_AGAIN = "run the board again"
_WITHOUT_POWER = frozenset(("output_off",))


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """One attempt of one check, or a required check that never began. Durations are bench seconds."""

    name: str
    title: str = ""
    required: bool
    attempt: int = 1
    verdict: Verdict
    why: str = ""
    next_action: str = ""
    duration_s: float | None = None
    phases_s: Mapping[str, float] = field(default_factory=dict)
    judged: tuple[LimitJudged | FactJudged, ...] = ()
    readings: tuple[ReadingTaken, ...] = ()
    events: tuple[Happening, ...] = ()

    @property
    def label(self) -> str:
        """Name for people: a second attempt says so."""
        return self.name if self.attempt == 1 else f"{self.name} (attempt {self.attempt})"

    @property
    def violated(self) -> tuple[LimitJudged | FactJudged, ...]:
        """What was judged and did not pass."""
        return tuple(judged for judged in self.judged if judged.verdict is not Verdict.PASS)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardReport:
    """All that a report shows of one run of one board; `started` is None when not even that was recorded."""

    started: RunStarted | None
    instruments: tuple[InstrumentRecord, ...] = ()
    checks: tuple[CheckReport, ...] = ()
    events: tuple[Happening, ...] = ()
    not_proven: tuple[NotProven, ...] = ()
    annexes: tuple[Annex, ...] = ()
    files: tuple[FileKept, ...] = ()
    waivers: tuple[WaiverGranted, ...] = ()
    state: RunState
    state_why: str = ""
    verdict: BoardVerdict
    phases_s: Mapping[str, float] = field(default_factory=dict)
    duration_s: float | None = None
    critical_path_s: float | None = None
    output_off: str = ""
    problems: tuple[str, ...] = ()

    @property
    def board(self) -> str:
        return (self.started.board if self.started else "") or "unknown board"

    @property
    def simulated(self) -> bool:
        return self.started is not None and self.started.simulated

    @property
    def required(self) -> tuple[str, ...]:
        return self.started.required if self.started else ()

    @property
    def passed(self) -> bool:
        return self.verdict.verdict is Verdict.PASS

    @property
    def not_passed(self) -> tuple[CheckReport, ...]:
        """The attempts that did not pass, in order; a waived one is among them."""
        return tuple(check for check in self.checks if check.verdict is not Verdict.PASS)


def board_report(journal: Journal) -> BoardReport:
    """The report of the run that a journal holds, whatever is left of it. Raises nothing."""
    again = rederive(journal.records)
    run = sorted_run(replace(journal, records=again.records))
    run.problems += again.contradictions
    if run.started and not run.started.board.strip():
        run.problems.append("the run names no board, so that it speaks of none")
    required = run.started.required if run.started else ()
    titles = run.started.titles if run.started else {}
    checks = [_check_report(attempt, run, required=required, titles=titles) for attempt in run.attempts]
    checks += _never_begun(checks, required=required, titles=titles)
    state = _state(run.finished)
    return BoardReport(
        started=run.started,
        instruments=run.instruments,
        checks=tuple(checks),
        events=tuple(run.events),
        not_proven=tuple(run.not_proven),
        annexes=tuple(run.annexes),
        files=tuple(run.files),
        waivers=tuple(run.waivers),
        state=state,
        state_why=_state_why(run),
        verdict=_board_verdict(checks, run, required=required, state=state),
        phases_s=_total_phases(checks),
        duration_s=run.finished.duration_s if run.finished else None,
        critical_path_s=run.finished.critical_path_s if run.finished else None,
        output_off=run.finished.output_off if run.finished else "",
        problems=tuple(run.problems),
    )


def _check_report(
    attempt: Attempt, run: SortedRun, *, required: Sequence[str], titles: Mapping[str, str]
) -> CheckReport:
    report = CheckReport(
        name=attempt.check,
        title=titles.get(attempt.check, ""),
        required=attempt.check in required,
        attempt=attempt.number,
        verdict=Verdict.NOT_RUN,
        why="interrupted in this check",
        next_action=_RUN_AGAIN,
        judged=tuple(attempt.judged),
        readings=tuple(attempt.readings),
        events=tuple(attempt.events),
    )
    if attempt.finished is None:
        return report
    verdict, why = _verdict_and_why(attempt.finished, attempt.judged, void=_why_void(run, attempt.check))
    return replace(
        report,
        verdict=verdict,
        why=why,
        next_action=attempt.finished.next_action,
        duration_s=attempt.finished.duration_s,
        phases_s=attempt.finished.phases_s,
    )


def _verdict_and_why(
    finished: CheckFinished, judged: Sequence[LimitJudged | FactJudged], *, void: str
) -> tuple[Verdict, str]:
    """The check's own verdict, unless what it judged says worse: then the report believes the worse one.

    `void` is what a waiver of the check lacks, '' for nothing.
    """
    said, why = finished.verdict, finished.why
    if said is Verdict.WAIVED and void:
        said, why = Verdict.UNDECIDED, f"waived, but {void}: this does not count"
    found = [one.verdict for one in judged]
    if said is Verdict.WAIVED and Verdict.BENCH_ERROR not in found:
        return said, why
    verdict = worst([said, *found])
    if verdict is not said or not why:
        why = next((one.why for one in judged if one.verdict is verdict is not Verdict.PASS), why)
    return verdict, why


def _why_void(run: SortedRun, check: str) -> str:
    """What the record of the run lacks for a waiver of that check: who, why, and a day that was still to come."""
    reasons = [_why_one_void(run.started, waiver) for waiver in run.waivers if waiver.check == check]
    if "" in reasons:
        return ""
    return next(iter(reasons), "not by whom, why and until when")


def _why_one_void(started: RunStarted | None, waiver: WaiverGranted) -> str:
    if not (waiver.who.strip() and waiver.why.strip()):
        return "not by whom, why and until when"
    if started is None or (waiver.boards and started.board not in waiver.boards):
        return f"for {', '.join(waiver.boards) or 'no board that the journal names'}"
    try:
        until, day = date.fromisoformat(waiver.until), datetime.fromisoformat(started.utc).date()
    except ValueError:
        return f"until {waiver.until!r} in a run of {started.utc!r}, which are no dates"
    return "" if day <= until else f"until {waiver.until}, and this run is of {day}"


def _never_begun(
    checks: Iterable[CheckReport], *, required: Sequence[str], titles: Mapping[str, str]
) -> list[CheckReport]:
    seen = {check.name for check in checks}
    return [
        CheckReport(
            name=name,
            title=titles.get(name, ""),
            required=True,
            verdict=Verdict.NOT_RUN,
            why="this required check did not begin",
            next_action=_RUN_AGAIN,
        )
        for name in required
        if name not in seen
    ]


def _state(finished: RunFinished | None) -> RunState:
    complete = finished is not None and finished.state is RunState.COMPLETE
    return RunState.COMPLETE if complete else RunState.INTERRUPTED


def _state_why(run: SortedRun) -> str:
    return run.finished.why if run.finished else "the journal ends before the run did"


def _board_verdict(
    checks: Sequence[CheckReport], run: SortedRun, *, required: Sequence[str], state: RunState
) -> BoardVerdict:
    finished: dict[str, Verdict] = {}
    waivers: dict[str, str] = {}
    for check in checks:
        if check.verdict is Verdict.WAIVED:
            waivers[check.name] = check.why
        # another attempt of it may have ended by what no waiver covers
        finished[check.name] = worst([check.verdict, *_known(finished, check.name)])
    ran = {name: verdict for name, verdict in finished.items() if verdict is not Verdict.NOT_RUN}
    verdict = board_verdict(required, ran, state, waivers)
    if verdict.verdict is not Verdict.PASS:
        return verdict
    if run.problems:
        why = f"the record of the run is damaged or contradicts itself, so it proves nothing: {run.problems[0]}"
        return msgspec.structs.replace(verdict, verdict=Verdict.BENCH_ERROR, complete=False, why=why)
    if not _was_measured(checks):
        why = "no check found out anything about the board, so nothing is proven of it"
        return msgspec.structs.replace(verdict, verdict=Verdict.NOT_RUN, complete=False, why=why)
    if why := why_not_signed_off(run.started, run.instruments):
        return msgspec.structs.replace(verdict, verdict=Verdict.UNDECIDED, why=why)
    return verdict


def _was_measured(checks: Iterable[CheckReport]) -> bool:
    """Whether anything was found out about the board: that its output is off is none of that."""
    return any(check.judged or check.readings for check in checks if check.name not in _WITHOUT_POWER)


def _known(finished: Mapping[str, Verdict], name: str) -> list[Verdict]:
    return [finished[name]] if name in finished else []


def _total_phases(checks: Iterable[CheckReport]) -> dict[str, float]:
    total: dict[str, float] = {}
    for check in checks:
        for phase, duration_s in check.phases_s.items():
            total[phase] = total.get(phase, 0.0) + duration_s
    return total
