"""The uncertainty budgets of a journal as text: what each judged value's uncertainty is made of, and what dominates.

Pure: records in, lines out. Knows no instrument; a value whose causes were not recorded says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.parts import budget_of
from benchrig.records import LimitJudged
from benchrig.report.numbers import limits_text, measured_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.records import ReadingTaken
    from benchrig.report.board_report import BoardReport


def budget_tables(report: BoardReport, *, check: str = "", value: str = "") -> str:
    """A table for each judged value, and for each reading with known causes; '' when nothing fits the choice.

    `check` chooses one check, `value` the values whose name begins so.
    """
    return "\n\n".join("\n".join(table) for table in _tables(report, check, value))


def _tables(report: BoardReport, check: str, value: str) -> Iterator[list[str]]:
    for one in report.checks:
        if check and one.name != check:
            continue
        for judged in one.judged:
            if isinstance(judged, LimitJudged) and judged.limit.startswith(value):
                yield _judged_table(one.name, judged)
        for reading in one.readings:
            if reading.parts and reading.name.startswith(value):
                yield _reading_table(one.name, reading)


def _judged_table(check: str, judged: LimitJudged) -> list[str]:
    measured, limits = measured_text(judged), limits_text(judged)
    head = f"{check}, {judged.limit}: {measured}, limits {limits}, {judged.rule}: {judged.verdict}"
    budget = budget_of(judged.parts, unit=judged.unit, value=judged.value)
    if budget is not None:
        return [head, *_indented(budget.table())]
    known = judged.expanded_uncertainty
    why = "taken as exact" if known == 0.0 else f"k = {judged.coverage_factor:.3g}; its causes were added up beforehand"
    return [head, f"  no budget: {why}"]


def _reading_table(check: str, reading: ReadingTaken) -> list[str]:
    budget = budget_of(reading.parts, unit=reading.unit, value=reading.value)
    head = f"{check}, reading {reading.name}, from {reading.source}"
    return [head, *(_indented(budget.table()) if budget else [])]


def _indented(text: str) -> list[str]:
    return [f"  {line}".rstrip() for line in text.splitlines()]
