"""Whether the verdicts in a journal follow from what stands beside them: records in, records and contradictions out.

A journal is a text file, and a text file can be edited. Owns the second look: every value is held against its limit
again by the rule that its own record names. A verdict that does not follow is told with its record's number, and of
both the one that counts more stays. Knows no file and no layout. *Undecided* beside a good value is no contradiction:
a bench that said before power that it cannot decide a value leaves it so, whatever came.

A check passes by what was judged in it: one that passes without, beside something that did not pass, or beside a
reading that is no number contradicts itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from benchrig.errors import BenchrigError
from benchrig.judge.decision import Limit, judge
from benchrig.judge.verdicts import worst
from benchrig.records import CheckFinished, CheckStarted, FactJudged, LimitJudged, ReadingTaken, Verdict
from benchrig.report.numbers import limits_text, measured_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.judge.decision import Judgement
    from benchrig.records import Record

_DECIDED = frozenset((Verdict.PASS, Verdict.FAIL))
_COMPUTED = "computed"
"""Source of what a check reckoned and no limit judges: it may be no number, nothing was measured."""


@dataclass(frozen=True, slots=True)
class Rederived:
    """The records with the verdicts that follow from them, and one sentence for each that did not."""

    records: tuple[Record, ...]
    contradictions: tuple[str, ...]


@dataclass(slots=True)
class _Attempt:
    """What was seen of a check since it began: how much was judged, and what does not go with a pass."""

    judged: int = 0
    not_passed: list[str] = field(default_factory=list)
    no_numbers: list[str] = field(default_factory=list)


def rederive(records: Sequence[Record]) -> Rederived:
    """Judge again what was judged. Raises nothing: what cannot be judged again is told and counts as undecided."""
    again: list[Record] = []
    told: list[str] = []
    attempts: dict[str, _Attempt] = {}
    for number, record in enumerate(records, 1):
        found, problem = _again(record, number, attempts)
        _note(attempts, found, number)
        again.append(found)
        told += [problem] if problem else []
    return Rederived(tuple(again), tuple(told))


def _again(record: Record, number: int, attempts: dict[str, _Attempt]) -> tuple[Record, str]:
    match record:
        case LimitJudged():
            return _limit_again(record, number)
        case CheckFinished():
            return _end_again(record, number, attempts.get(record.check, _Attempt()))
    return record, ""


def _note(attempts: dict[str, _Attempt], record: Record, number: int) -> None:
    match record:
        case CheckStarted():
            attempts[record.check] = _Attempt()
        case LimitJudged() | FactJudged():
            attempt = attempts.setdefault(record.check, _Attempt())
            attempt.judged += 1
            if record.verdict is not Verdict.PASS:
                name = record.limit if isinstance(record, LimitJudged) else record.fact
                attempt.not_passed.append(f"record {number}, {name!r}, is {record.verdict.value}")
        case ReadingTaken() if _is_no_number(record):
            told = f"record {number}, reading {record.name!r}, is no number"
            attempts.setdefault(record.check, _Attempt()).no_numbers.append(told)


def _is_no_number(reading: ReadingTaken) -> bool:
    return reading.source != _COMPUTED and (reading.value is None or not math.isfinite(reading.value))


def _limit_again(record: LimitJudged, number: int) -> tuple[LimitJudged, str]:
    try:
        found = _judged_again(record)
    except (BenchrigError, ValueError, ArithmeticError) as wrong:
        told = f"record {number}: {record.check}, {record.limit}: cannot be judged again: {wrong}"
        return _otherwise(record, Verdict.UNDECIDED, told), told
    if not _contradicts(record, found):
        return record, ""
    told = (
        f"record {number} says {record.verdict.value} for {measured_text(record)} against {limits_text(record)} "
        f"({record.check}, {record.limit}, {record.rule}); by its own figures that is {found.verdict.value}"
    )
    said = Verdict.UNDECIDED if record.verdict is Verdict.WAIVED else record.verdict
    verdict = worst((said, found.verdict))
    return (record if verdict is record.verdict else _otherwise(record, verdict, told)), told


def _judged_again(record: LimitJudged) -> Judgement:
    limit = Limit(
        record.limit or "without a name",
        unit=record.unit,
        low=record.low,
        high=record.high,
        source=record.limit_source,
        rule=record.rule,
    )
    uncertainty = math.nan if record.expanded_uncertainty is None else record.expanded_uncertainty
    return judge(
        record.value,
        unit=record.unit,
        expanded_uncertainty=uncertainty,
        limit=limit,
        coverage_factor=record.coverage_factor,
    )


def _contradicts(record: LimitJudged, found: Judgement) -> bool:
    """Whether the verdict on record is another one than it may be; a limit is waived by no record of its own."""
    said = record.verdict
    if said in _DECIDED:
        return said is not found.verdict
    if said is Verdict.WAIVED:
        return True
    return said is Verdict.UNDECIDED and found.verdict is Verdict.FAIL and _is_clear(found)


def _is_clear(found: Judgement) -> bool:
    """Outside by more than its uncertainty: no bench was too coarse for that."""
    if found.margin is None or found.expanded_uncertainty is None:
        return False
    return found.limit.rule != "simple" or found.margin < -found.expanded_uncertainty


def _otherwise(record: LimitJudged, verdict: Verdict, why: str) -> LimitJudged:
    return msgspec.structs.replace(record, verdict=verdict, why=why)


def _end_again(record: CheckFinished, number: int, attempt: _Attempt) -> tuple[CheckFinished, str]:
    """A check that passes judged something, nothing else than a pass, and by readings that are numbers.

    What was judged otherwise counts by itself: the worst of a check is its verdict.
    """
    if record.verdict is not Verdict.PASS:
        return record, ""
    beside = [*attempt.not_passed, *attempt.no_numbers] or ["nothing was judged in it"] * (attempt.judged == 0)
    if not beside:
        return record, ""
    told = f"record {number} says pass for {record.check}, but {beside[0]}"
    if attempt.not_passed:
        return record, told
    return msgspec.structs.replace(record, verdict=Verdict.UNDECIDED, why=told), told
