"""What may be said of the board, in plain sentences, and what stands against a signature.

Owns these words. Must not know layout. A signature says that a person believes the page: so it needs a real bench, a
whole and untouched record of a complete run that passed, every requirement covered, and instruments in calibration.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.calibration import calibration_problems, day_of
from benchrig.record_chain import ChainState
from benchrig.records import RunState, Verdict
from benchrig.report.calibration_gate import uncalibrated

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from benchrig.dossier.requirements import Covered
    from benchrig.record_chain import Chain
    from benchrig.records import InstrumentRecord, RunStarted
    from benchrig.report.board_report import BoardReport

SIMULATED = "SIMULATED: no board was measured. A simulated run can never be signed."

_CHAIN = {
    ChainState.NO_END: "the record has no end",
    ChainState.CUT: "the record is cut off",
    ChainState.BROKEN: "the record is not as it was written",
    ChainState.NO_CHAIN: "nothing shows that the record is as it was written",
}


def verdict_of(report: BoardReport, chain: Chain) -> Verdict:
    """What may be said of the board: by a record that was changed, nothing."""
    return Verdict.BENCH_ERROR if chain.state is ChainState.BROKEN else report.verdict.verdict


def headline(report: BoardReport, chain: Chain) -> str:
    """The verdict in one sentence."""
    board, count = report.board, len(set(report.required))
    if chain.state is ChainState.BROKEN:
        return f"This record proves nothing about {board}, whatever it says: it is not as it was written."
    verdict = report.verdict.verdict
    if verdict is Verdict.PASS:
        return _passed(report, count)
    if verdict is Verdict.FAIL:
        return f"{board} did not pass: outside its limits in {_names(report, verdict)}."
    if verdict is Verdict.UNDECIDED:
        return f"{board} did not pass: it may be good or bad, nobody knows; undecided: {_names(report, verdict)}."
    if verdict is Verdict.BENCH_ERROR:
        return f"This run proves nothing about {board}: {report.verdict.why}."
    return f"This run says nothing of {board} as a whole: {report.verdict.why}."


def _passed(report: BoardReport, count: int) -> str:
    waived = report.verdict.waived
    if not waived:
        return f"{report.board} met every limit that it was held against: {count} of {count} required checks passed."
    return (
        f"{report.board} passed with waivers: {count - len(waived)} of {count} required checks passed, "
        f"{', '.join(waived)} by waiver."
    )


def _names(report: BoardReport, verdict: Verdict) -> str:
    named = dict.fromkeys(check.name for check in report.not_passed if check.verdict is verdict)
    return ", ".join(named) or report.verdict.why


def plain_words(report: BoardReport) -> tuple[str, ...]:
    """What else belongs beside the verdict."""
    said = []
    if report.verdict.missing:
        said.append(f"Required and not run: {', '.join(report.verdict.missing)}.")
    if open_ := len(report.not_proven):
        things = "1 thing was" if open_ == 1 else f"{open_} things were"
        said.append(f"{things} not proven by this run, and named below.")
    said += [
        f"Waived: {one.check}, by {one.who} until {one.until}: {one.why}."
        for one in report.waivers
        if one.check in report.verdict.waived
    ]
    said.append(
        "It speaks of one board, on one bench, on one day, and of what was measured there. It is no type approval and "
        "no certificate of conformity."
    )
    return tuple(said)


def alarms(report: BoardReport, chain: Chain) -> tuple[str, ...]:
    """What stands on top because nothing below counts without it, and whether the output is off."""
    told = []
    if not chain.holds:
        told.append(f"{_CHAIN[chain.state].capitalize()}: {chain.why}.")
    if report.state is not RunState.COMPLETE:
        told.append(f"The run was interrupted: {report.state_why}.")
    if report.started is None:
        told.append("The record does not say what was run, nor on which board.")
    told += [f"The record is damaged or contradicts itself: {problem}." for problem in report.problems]
    if report.started is not None and (not report.output_off or "NOT PROVEN OFF" in report.output_off):
        told.append(f"The output is not known to be off: {report.output_off or 'nothing of it was recorded'}.")
    return tuple(told)


def blockers(
    report: BoardReport,
    chain: Chain,
    covered: Sequence[Covered],
    *,
    others: Iterable[str] = (),
) -> tuple[str, ...]:
    """Why nobody may sign this; empty when somebody may."""
    told = []
    if report.simulated:
        told.append("the bench is simulated: no board was measured, and a simulated run can never be signed")
    if chain.state is not ChainState.INTACT:
        told.append(f"{_CHAIN[chain.state]}: {chain.why}")
    if report.problems:
        told.append(f"the record is damaged or contradicts itself: {report.problems[0]}")
    if report.state is not RunState.COMPLETE:
        told.append(f"the run was interrupted: {report.state_why}")
    if report.verdict.verdict is not Verdict.PASS:
        told.append(f"the board did not pass: {report.verdict.why}")
    day = run_day(report.started)
    if day is None:
        told.append("the record does not say on which day it was made")
    if not report.instruments:
        told.append("the record names no instrument")
    if day is not None:
        told += uncalibrated(report.instruments, on=day)
    if not covered:
        told.append(
            "no requirement is named, so that a signature would say nothing: name them in the profile's table "
            "[requirements], or give --requirements FILE"
        )
    told += [f"requirement {one.id}: {one.why}" for one in covered if not one.is_met]
    return (*told, *others)


def run_day(started: RunStarted | None) -> date | None:
    """The day of a run, or None when its record does not say."""
    return day_of(started.utc) if started else None


def calibration_words(instrument: InstrumentRecord, day: date | None) -> tuple[Verdict, str]:
    """Whether an instrument was in calibration on a day, and when it is due."""
    due = day_of(instrument.calibration_due)
    if due is None:
        return Verdict.UNDECIDED, "no day is recorded until which its calibration holds"
    if day is None:
        return Verdict.UNDECIDED, f"due {due}; the day of the run is not known"
    late = calibration_problems({instrument.name: due}, on=day)
    return (Verdict.FAIL, f"was due {due}") if late else (Verdict.PASS, f"due {due}")
